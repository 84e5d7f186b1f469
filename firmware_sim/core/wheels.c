/* Measuring wheels. */
#include "wheels.h"

#include <string.h>

#include "head.h"

#define LANE_INPUTS 0x00FFu
#define PER_SECOND INT32_C(10) /* a sum over 100 ms times this is a speed */

/* irq. Forward the pins go 00, 01, 11, 10 (B A): A now differs from B before exactly then, so the new
 * B equals the old A. Both pins changed at once means an edge was missed: no telling which way. */
void wheels_edge(struct wheels *wheels, uint8_t pins)
{
    uint8_t before = wheels->output_pins;
    uint8_t changed = (uint8_t)((before ^ pins) & 3u);
    wheels->output_pins = pins & 3u;
    if (changed == 0)
        return;
    if (changed == 3u) {
        if (wheels->output_errors != UINT16_MAX)
            wheels->output_errors = (uint16_t)(wheels->output_errors + 1u);
        return;
    }
    if ((before & 1u) == (pins >> 1 & 1u))
        wheels->output_counts = wheels->output_counts + 1;
    else
        wheels->output_counts = wheels->output_counts - 1;
}

static ONE_COPY int32_t counts(const struct head *head)
{
    uint8_t before = port_lock(head->port);
    int32_t now = head->wheels.output_counts;
    port_unlock(head->port, before);
    return now;
}

/* A tick's counts are few: 200 of the longest would fit 32 bits of nm. */
static void advance_output(struct head *head, int32_t by)
{
    struct wheels *wheels = &head->wheels;
    NEAR(wheels);
    if (head->settings.machine.output_reversed)
        by = -by;
    int32_t um = take_thousands(&wheels->output_rest_nm, by * (int32_t)head->settings.machine.output_mm_per_count);
    wheels->output_um = (int32_t)((uint32_t)wheels->output_um + (uint32_t)um); /* may wrap, after 2147 m */
}

static void end_slot(struct wheels *wheels)
{
    /* good up to 3.2 m/s */
    int16_t moved_um = (int16_t)((uint32_t)wheels->output_um - (uint32_t)wheels->slot_from_um);
    wheels->speed_um_s += ((int32_t)moved_um - wheels->slot_um[wheels->slot_at]) * PER_SECOND;
    wheels->slot_um[wheels->slot_at] = moved_um;
    wheels->slot_from_um = wheels->output_um;
    wheels->slot_ms = 0;
    wheels->slot_at++;
    if (wheels->slot_at == SPEED_SLOTS)
        wheels->slot_at = 0;
}

static void output_tick(struct head *head)
{
    struct wheels *wheels = &head->wheels;
    NEAR(wheels);
    int32_t now = counts(head);
    int32_t by = (int32_t)((uint32_t)now - (uint32_t)wheels->output_seen);
    wheels->output_seen = now;
    if (by != 0)
        advance_output(head, by);
    if (++wheels->slot_ms == SPEED_SLOT_MS)
        end_slot(wheels);
}

static void lanes_tick(struct head *head)
{
    struct wheels *wheels = &head->wheels;
    NEAR(wheels);
    uint16_t sample = head->inputs & LANE_INPUTS;
    uint16_t steady = (uint16_t)~(sample ^ wheels->lane_sample);
    uint16_t inputs = (uint16_t)((wheels->lane_inputs & ~steady) | (sample & steady));
    uint8_t changed = (uint8_t)(inputs ^ wheels->lane_inputs);
    wheels->lane_sample = sample;
    wheels->lane_inputs = inputs;
    if (head->feed.speed_um_s != 0)
        wheels->backwards = head->feed.speed_um_s < 0;
    for (uint8_t k = 0; changed != 0; k++, changed >>= 1, inputs >>= 1) {
        if (!(changed & 1u))
            continue;
        if (inputs & 1u)
            wheels->lane_pulses[k] += wheels->backwards ? -1 : 1;
        if (head->feed.speed_um_s == 0)
            trim_given_back(head, k);
    }
}

void wheels_tick(struct head *head)
{
    output_tick(head);
    lanes_tick(head);
}

/* 24 bits of mantissa are good to 4 um in 64 m: far below a pulse. */
ONE_COPY int32_t wheels_lane_um(const struct head *head, uint8_t lane)
{
    return (int32_t)((float)head->wheels.lane_pulses[lane] *
                     ((float)head->settings.lane_settings[lane].mm_per_pulse * 0.001f));
}

void wheels_init(struct head *head)
{
    head->wheels.lane_sample = head->wheels.lane_inputs = LANE_INPUTS; /* a level at reset is no edge */
}

void wheels_zero(struct head *head)
{
    struct wheels *wheels = &head->wheels;
    NEAR(wheels);
    wheels->output_seen = counts(head);
    wheels->slot_from_um = (int32_t)((uint32_t)wheels->slot_from_um - (uint32_t)wheels->output_um);
    wheels->output_um = 0;
    wheels->output_rest_nm = 0;
    memset(wheels->lane_pulses, 0, sizeof wheels->lane_pulses);
}
