/* Guards: each looks at one way things go wrong, and raises one alarm. */
#include "guards.h"

#include <math.h>
#include <string.h>

#include "head.h"

/* Length guards look every 10 ms: at 1 kHz a step would be a few micrometres, all rounding. */
#define LENGTH_MS 10u
#define SECOND_MS 1000u
/* PV must fall this far below a limit before its alarm goes: the usual few steps of dead band. */
#define RETURN_DEGC 2.0f
/* Heat that comes over from a hotter neighbour, degC/s, before a zone without output counts as heating
 * itself: 0.15 W/K of bridge under 90 K, into 80 J/K, is 0.17. */
#define NEIGHBOUR_DEGC_S 0.2f
/* In manual and under experiment there is no setpoint to tell a block that ought to rise from one at rest; below this any
 * working heater at a high output still warms its block. */
#define MANUAL_COLD_DEGC 50.0f

/* ---------------------------------------------------------------------------------- alarms */

static uint8_t first_bit(uint16_t mask)
{
    uint8_t n = 0;
    while (n < 15u && !(mask & 1u)) {
        mask >>= 1;
        n++;
    }
    return n;
}

static void tell(struct head *head, uint16_t code, uint8_t alarm, uint16_t instances)
{
    event_put(head, code, (uint16_t)((uint16_t)alarm << 8 | first_bit(instances)));
}

static void raise(struct head *head, uint8_t alarm, uint16_t instances)
{
    uint32_t bit = UINT32_C(1) << alarm;
    uint16_t fresh = (uint16_t)(instances & ~head->alarms.instances[alarm]);
    uint8_t reaction;
    if ((head->alarms.active & bit) && !fresh)
        return;
    head->alarms.active |= bit;
    head->alarms.unacknowledged |= bit;
    head->alarms.instances[alarm] |= instances;
    tell(head, EVENT_CODE_ALARM_RAISED, alarm, fresh ? fresh : instances);
    flash_copy(&reaction, &alarm_reactions[alarm], sizeof reaction);
    state_react(head, reaction);
}

static void drop(struct head *head, uint8_t alarm, uint16_t instances)
{
    uint32_t bit = UINT32_C(1) << alarm;
    uint16_t gone = head->alarms.instances[alarm] & instances;
    if (!gone)
        return;
    head->alarms.instances[alarm] = (uint16_t)(head->alarms.instances[alarm] & ~gone);
    if (head->alarms.instances[alarm])
        return;
    head->alarms.active &= ~bit;
    tell(head, EVENT_CODE_ALARM_CLEARED, alarm, gone);
}

void alarm_set(struct head *head, uint8_t alarm, uint16_t instances, bool stands)
{
    if (stands)
        raise(head, alarm, instances);
    else
        drop(head, alarm, instances);
}

/* A guard that only reports the moment: latched until somebody acknowledges. */
static void alarm_latch(struct head *head, uint8_t alarm, uint16_t instances)
{
    raise(head, alarm, instances);
}

void alarm_acknowledge(struct head *head, uint32_t mask)
{
    bool feeding = state_feeding(head);
    for (uint8_t alarm = 0; alarm < ALARM_COUNT; alarm++) {
        uint32_t bit = UINT32_C(1) << alarm;
        if (!(mask & bit))
            continue;
        if (head->alarms.unacknowledged & bit)
            tell(head, EVENT_CODE_ALARM_ACKNOWLEDGED, alarm, head->alarms.instances[alarm]);
        head->alarms.unacknowledged &= ~bit;
        if ((alarms_latched & bit) && !feeding)
            drop(head, alarm, UINT16_MAX);
    }
}

uint32_t alarms_blocking(const struct head *head)
{
    uint32_t blocking = 0;
    for (uint8_t alarm = 0; alarm < ALARM_COUNT; alarm++) {
        uint8_t reaction;
        flash_copy(&reaction, &alarm_reactions[alarm], sizeof reaction);
        if (reaction != REACTION_REPORT)
            blocking |= UINT32_C(1) << alarm;
    }
    return blocking & head->alarms.active;
}

/* ------------------------------------------------------------------------------ temperature */

static float degC(int32_t hundredths)
{
    return (float)hundredths * 0.01f;
}

static void watch_sensor(struct head *head, uint8_t i)
{
    const struct zone_state *zone = &head->zones.zone[i];
    const struct zone_settings_regs *set = &head->settings.zone_settings[i];
    uint16_t bit = (uint16_t)(1u << i);
    float highest = degC(set->over_temperature_degC);
    alarm_set(head, ALARM_SENSOR_OPEN, bit, zone->fault == SENSOR_OPEN);
    alarm_set(head, ALARM_SENSOR_SHORTED, bit, zone->fault == SENSOR_SHORTED);
    if (zone->pv_degC > highest)
        alarm_set(head, ALARM_OVER_TEMPERATURE, bit, true);
    else if (zone->pv_degC < highest - RETURN_DEGC)
        alarm_set(head, ALARM_OVER_TEMPERATURE, bit, false);
}

static bool should_rise(const struct head *head, uint8_t i)
{
    const struct zone_state *zone = &head->zones.zone[i];
    const struct zone_settings_regs *set = &head->settings.zone_settings[i];
    if (!head->zones.enabled || zone->op_percent < degC(set->effect_op_percent))
        return false;
    if (zone->mode == ZONE_MODE_AUTOMATIC)
        return zone->pv_degC < zone->sp_degC - degC(set->under_temperature_degC);
    return zone->mode != ZONE_MODE_OFF && zone->pv_degC < MANUAL_COLD_DEGC;
}

static void watch_effect(struct head *head, uint8_t i)
{
    struct zone_watch *watch = &head->guards.zone[i];
    const struct zone_settings_regs *set = &head->settings.zone_settings[i];
    float pv = head->zones.zone[i].pv_degC;
    if (!should_rise(head, i) || watch->effect_s == 0 ||
        pv - watch->effect_from_degC >= degC(set->effect_rise_degC)) {
        watch->effect_from_degC = pv;
        watch->effect_s = 1;
        return;
    }
    if (watch->effect_s++ >= set->effect_time_s)
        alarm_latch(head, ALARM_HEATING_WITHOUT_EFFECT, (uint16_t)(1u << i));
}

static bool hottest(const struct head *head, uint8_t i)
{
    for (uint8_t k = 0; k < head->settings.machine.zones_fitted; k++)
        if (k != i && head->zones.zone[k].pv_degC > head->zones.zone[i].pv_degC)
            return false;
    return true;
}

/* For the first half of uncommanded_time_s the base follows PV: heat already in the block still
 * reaches the sensor. After that it only follows downwards. */
static void watch_uncommanded(struct head *head, uint8_t i)
{
    struct zone_watch *watch = &head->guards.zone[i];
    const struct zone_settings_regs *set = &head->settings.zone_settings[i];
    float pv = head->zones.zone[i].pv_degC;
    if (head->zones.zone[i].op_percent > 0.0f) {
        watch->cold_s = 0;
        return;
    }
    if (watch->cold_s < set->uncommanded_time_s / 2u) {
        watch->cold_s++;
        watch->cold_from_degC = pv;
        return;
    }
    if (!hottest(head, i))
        watch->cold_from_degC += NEIGHBOUR_DEGC_S;
    if (pv < watch->cold_from_degC)
        watch->cold_from_degC = pv;
    if (pv - watch->cold_from_degC > degC(set->uncommanded_rise_degC))
        alarm_latch(head, ALARM_HEAT_WITHOUT_COMMAND, (uint16_t)(1u << i));
}

static void watch_reading(struct head *head, uint8_t i)
{
    struct zone_watch *watch = &head->guards.zone[i];
    const struct zone_state *zone = &head->zones.zone[i];
    const struct zone_settings_regs *set = &head->settings.zone_settings[i];
    if (watch->fall_from_degC - zone->pv_degC > degC(set->fall_rate_degC_s))
        alarm_latch(head, ALARM_SENSOR_DETACHED, (uint16_t)(1u << i));
    watch->fall_from_degC = zone->pv_degC;
    if (zone->converter != watch->still_reading || zone->op_percent <= 0.0f)
        watch->still_s = 0;
    watch->still_reading = zone->converter;
    if (watch->still_s++ >= set->stuck_time_s)
        alarm_latch(head, ALARM_SENSOR_STUCK, (uint16_t)(1u << i));
}

static void watch_cold(struct head *head, uint8_t i)
{
    const struct zone_state *zone = &head->zones.zone[i];
    float low = zone->sp_degC - degC(head->settings.zone_settings[i].under_temperature_degC);
    if (state_feeding(head) && zone->mode == ZONE_MODE_AUTOMATIC && zone->pv_degC < low)
        alarm_latch(head, ALARM_UNDER_TEMPERATURE, (uint16_t)(1u << i));
}

static void watch_zone(struct head *head, uint8_t i)
{
    if (isnan(head->zones.zone[i].pv_degC))
        return; /* the sensor's own alarm stands */
    watch_effect(head, i);
    watch_uncommanded(head, i);
    watch_reading(head, i);
    watch_cold(head, i);
}

static void watch_start(struct head *head)
{
    uint32_t since = head->ms - head->machine.entered_ms;
    if (head->machine.state != STATE_STARTING || since < head->settings.guards.start_timeout_s * UINT32_C(1000))
        return;
    for (uint8_t i = 0; i < head->settings.machine.zones_fitted; i++)
        if (head->live.zone[i].mode == ZONE_MODE_AUTOMATIC && head->zones.zone[i].in_band_ms == 0)
            alarm_latch(head, ALARM_START_TIMEOUT, (uint16_t)(1u << i));
}

/* Zone 0 is the guide. Starting is left out: strips may be threaded cold or after heating up. */
static void watch_dwell(struct head *head)
{
    struct guards *guards = &head->guards;
    uint8_t state = head->machine.state;
    float hot = degC(head->settings.guards.dwell_temperature_degC);
    bool stands = head->live.feed.strip_in && head->feed.speed_um_s == 0 && head->zones.zone[0].pv_degC > hot;
    bool waiting = state == STATE_HELD || state == STATE_UNHOLDING || state == STATE_COMPLETE ||
                   state == STATE_STOPPED || state == STATE_IDLE;
    if (!stands || !waiting) {
        guards->dwell_s = 0;
        alarm_set(head, ALARM_STRIP_DWELL, 1, false);
    } else if (guards->dwell_s < head->settings.guards.dwell_time_s) {
        guards->dwell_s++;
    } else {
        alarm_set(head, ALARM_STRIP_DWELL, 1, true);
    }
}

/* ----------------------------------------------------------------------------------- lengths */

static void watch_mismatch(struct head *head, int32_t fed_um, int32_t laid_um)
{
    const struct guards_regs *set = &head->settings.guards;
    float fed_mm = (float)fed_um * 0.001f;
    float keep = 1.0f - fabsf(fed_mm) / (float)set->mismatch_window_mm;
    float slip = (float)head->settings.machine.expected_slip_percent * 0.0001f;
    float lost_mm = fed_mm * (1.0f - slip) - (float)laid_um * 0.001f;
    float *sum = &head->guards.mismatch_mm;
    *sum = *sum * (keep > 0.0f ? keep : 0.0f) + lost_mm;
    if (state_feeding(head) && fabsf(*sum) > degC(set->mismatch_limit_mm))
        alarm_latch(head, ALARM_FEED_MISMATCH, 1);
}

static void watch_lanes(struct head *head, int32_t fed_um)
{
    struct guards *guards = &head->guards;
    int32_t limit_um = (int32_t)head->settings.guards.lane_stall_mm * 10;
    uint16_t stopped = 0, turning = 0;
    for (uint8_t k = 0; k < head->settings.machine.lanes_fitted; k++) {
        if (guards->lane_seen[k] != head->wheels.lane_pulses[k]) {
            guards->lane_seen[k] = head->wheels.lane_pulses[k];
            guards->lane_fed_um[k] = 0;
        } else if (guards->lane_fed_um[k] <= limit_um) {
            guards->lane_fed_um[k] += fed_um < 0 ? -fed_um : fed_um;
        }
        if (guards->lane_fed_um[k] > limit_um)
            stopped |= (uint16_t)(1u << k);
        else
            turning |= (uint16_t)(1u << k);
    }
    if (state_feeding(head) && stopped && turning)
        alarm_latch(head, ALARM_LANE_STOPPED, stopped);
}

static void watch_lengths(struct head *head)
{
    struct guards *guards = &head->guards;
    int32_t fed_um = head->feed.position_um - guards->feed_seen_um;
    int32_t laid_um = head->wheels.output_um - guards->output_seen_um;
    guards->feed_seen_um = head->feed.position_um;
    guards->output_seen_um = head->wheels.output_um;
    if (fed_um != 0)
        head->live.feed.strip_in = 1;
    if (head->feed.mode == FEED_JOG)
        return; /* a jog may leave drives out, so lengths do not compare */
    watch_mismatch(head, fed_um, laid_um);
    watch_lanes(head, fed_um);
}

/* ----------------------------------------------------------------------------------- the rest */

static void watch_link(struct head *head)
{
    bool silent = head->link.quiet_ms > head->settings.guards.link_timeout_ms;
    if (!silent || state_feeding(head))
        alarm_set(head, ALARM_LINK_SILENT, 1, silent);
}

static void watch_inputs(struct head *head)
{
    struct guards *guards = &head->guards;
    bool permit = head->inputs & INPUT_PERMIT;
    alarm_set(head, ALARM_STOP_INPUT, 1, head->inputs & INPUT_STOP);
    if (permit) {
        guards->permit_away_ms = 0;
        alarm_set(head, ALARM_PERMIT_LOST, 1, false);
    } else if (state_feeding(head)) {
        if (guards->permit_away_ms++ >= head->settings.guards.permit_delay_ms)
            alarm_set(head, ALARM_PERMIT_LOST, 1, true);
    }
}

static void watch_pulses(struct head *head)
{
    struct guards *guards = &head->guards;
    uint8_t before = head->port->lock(head->port->context);
    uint16_t overruns = head->feed.overruns;
    head->port->unlock(head->port->context, before);
    uint8_t drives = head->feed.overrun_drives;
    head->feed.overrun_drives = 0;
    if (drives)
        alarm_latch(head, ALARM_PULSE_OVERRUN, drives);
    else if (overruns != guards->overruns_seen)
        alarm_latch(head, ALARM_PULSE_OVERRUN, 7);
    guards->overruns_seen = overruns;
}

void guards_init(struct head *head)
{
    memset(&head->guards, 0, sizeof head->guards);
    memset(&head->alarms, 0, sizeof head->alarms);
}

void guards_start(struct head *head)
{
    struct guards *guards = &head->guards;
    guards->mismatch_mm = 0.0f;
    guards->feed_seen_um = head->feed.position_um;
    guards->output_seen_um = head->wheels.output_um;
    for (uint8_t k = 0; k < LANES; k++) {
        guards->lane_fed_um[k] = 0;
        guards->lane_seen[k] = head->wheels.lane_pulses[k];
    }
    guards->permit_away_ms = 0;
}

static void each_second(struct head *head)
{
    for (uint8_t i = 0; i < head->settings.machine.zones_fitted; i++)
        watch_zone(head, i);
    watch_start(head);
    watch_dwell(head);
}

void guards_tick(struct head *head)
{
    struct guards *guards = &head->guards;
    watch_inputs(head);
    watch_link(head);
    watch_pulses(head);
    if (++guards->slow_ms == SECOND_MS)
        guards->slow_ms = 0;
    if (guards->slow_ms % LENGTH_MS == 0)
        watch_lengths(head);
    if (guards->slow_ms % LOOP_MS == 5u)
        for (uint8_t i = 0; i < head->settings.machine.zones_fitted; i++)
            watch_sensor(head, i);
    if (guards->slow_ms == 7u)
        each_second(head);
}
