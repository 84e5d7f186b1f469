/* Heater zones.
 *
 * Time goes in slots of SLOT_MS; each zone has one millisecond of a slot to itself. In every slot a zone
 * takes a reading and follows the wanted mode and setpoint; in one it turns the mean of the last twenty
 * readings into a PV, in the next it runs its loop. Twenty readings 5 ms apart span whole periods of 50 and
 * of 60 Hz, so hum on the sensor's cable averages out. The switches are looked at every millisecond.
 *
 * A reading at a rail is left out of the mean and raises doubt: eight in a row (40 ms), or every second one
 * for some 160 ms, are a fault, and a fault ends when doubt is back at zero. A fault and a head
 * that is not enabled switch the heater off in the same tick, a zone no longer fitted within the slot.
 *
 * Going from manual to automatic is bumpless. Going there from off is a start: the integral begins at
 * zero and the loop heats as its gains say. */
#include "zones.h"

#include <math.h>

#include "head.h"

#define LOOP_S 0.1f
/* The conversion and the loop are the long pieces of work: each has a slot of its own. */
#define SLOTS (LOOP_MS / SLOT_MS)
#define PV_SLOT (SLOTS - 1u)
#define LOOP_SLOT 0u
#define SLOT_SHIFT 7u
#define WIRE_PERCENT 0.01f
#define WIRE_DEGC 0.01f
#define WIRE_S 0.1f
#define WIRE_FORWARD 1.0e-5f /* 0.01 %/(mm/s) times um/s */
#define FULL_OUTPUT 10000u   /* 100 % on the wire */

static ONE_COPY bool fitted(const struct head *head, uint8_t zone)
{
    return zone < head->settings.machine.zones_fitted;
}

static bool readable(const struct zone_state *state)
{
    return state->fault == SENSOR_GOOD && !isnan(state->pv_degC);
}

static void forget(struct zone_state *state, uint8_t fault)
{
    state->pv_degC = NAN;
    state->fault = fault;
}

/* ------------------------------------------------------------------------------------- process value */

static void take_reading(struct head *head, struct zone_state *state, uint8_t zone)
{
    uint16_t reading = port_converter(head->port, zone);
    uint8_t rail = sensor_rail(reading, &head->settings.zone_settings[zone]);
    if (rail == SENSOR_GOOD) {
        state->doubt = (uint8_t)(state->doubt - (state->doubt > 0u));
        state->sum += reading;
        ++state->readings;
        return;
    }
    state->doubt = (uint8_t)(state->doubt + 2u);
    if (state->doubt >= DOUBT_FULL) {
        state->doubt = DOUBT_FULL;
        state->converter = reading;
        forget(state, rail);
    }
}

static void take_pv(struct zone_state *state, const struct zone_settings_regs *set)
{
    if (state->readings > 0u && (state->fault == SENSOR_GOOD || state->doubt == 0u)) {
        state->converter = (uint16_t)((state->sum + state->readings / 2u) / state->readings);
        state->pv_degC = sensor_degC(state->converter, set, &state->fault);
    }
    state->sum = 0;
    state->readings = 0;
}

/* ------------------------------------------------------------------------------------- setpoint */

static int16_t wanted_setpoint(const struct head *head, uint8_t zone)
{
    const struct zone_settings_regs *set = &head->settings.zone_settings[zone];
    int16_t wanted = head->live.zone[zone].setpoint_degC;
    if (head->zones.standby && set->standby_degC < wanted) {
        wanted = set->standby_degC;
    }
    return set->setpoint_max_degC < wanted ? set->setpoint_max_degC : wanted;
}

static void follow_setpoint(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    int16_t wanted = wanted_setpoint(head, zone);
    if (wanted == state->sp_wire) {
        return;
    }
    state->sp_wire = wanted;
    state->sp_degC = WIRE_DEGC * (float)wanted;
    state->in_band_ms = 0;
}

/* ------------------------------------------------------------------------------------- loop */

/* A register's value in its unit. */
static float in_units(uint16_t wire, float scale)
{
    return scale * (float)wire;
}

/* The registers from kp to op_max and the gains that come of them stand in one order. */
static const float units[] FLASH = {WIRE_PERCENT, WIRE_S, WIRE_S, WIRE_S, WIRE_PERCENT, WIRE_PERCENT};

static void read_gains(const struct zone_settings_regs *set, struct pid_gains *gains)
{
    const uint16_t *wire = &set->kp_percent_per_degC;
    float *gain = &gains->kp;
    for (uint8_t i = 0; i < sizeof units / sizeof *units; i++) {
        float unit;
        flash_copy(&unit, &units[i], sizeof unit);
        *gain++ = in_units(*wire++, unit);
    }
    gains->ki = set->ti_s == 0u ? 0.0f : gains->kp / gains->ki;
    gains->kd *= gains->kp;
}

/* The integral stands while the output is at a limit and the error would drive it further, over and
 * above the clamp in pid.c: on a cold start of the guide block (162 J/K, 60 W) to 110 degC with the preset
 * gains that is 0.3 K of overshoot instead of 5.3 K. */
static bool at_limit(const struct zone_state *state, const struct pid_gains *gains)
{
    if (state->pv_degC < state->sp_degC) {
        return state->op_percent >= gains->op_max;
    }
    return state->op_percent <= gains->op_min;
}

/* The moving stack carries heat away, whichever way it moves. Strip that stood in the zones is hot through: until it
 * has passed a zone needs less, and one behind a hotter one is even given heat. */
static float feed_forward(const struct feed *feed, const struct zone_settings_regs *set)
{
    int16_t wire = (int16_t)set->feed_forward_percent_per_mm_s;
    if (feed_gone_um(feed, feed->stood_um) < set->feed_forward_after_mm * UINT32_C(1000)) {
        wire = set->feed_forward_first_percent_per_mm_s;
    }
    return WIRE_FORWARD * (float)wire * fabsf((float)feed->speed_um_s);
}

/* `from` is the mode before. */
static ONE_COPY float automatic_output(const struct head *head, struct zone_state *state,
                              const struct zone_settings_regs *set, uint8_t from)
{
    struct pid_gains gains;
    float forward = feed_forward(&head->feed, set);
    read_gains(set, &gains);
    if (at_limit(state, &gains)) {
        gains.ki = 0.0f;
    }
    if (from == ZONE_MODE_MANUAL || from == ZONE_MODE_EXPERIMENT) {
        pid_take_over(&state->pid, &gains, state->sp_degC, state->pv_degC, forward, LOOP_S, state->op_percent);
    } else if (from == ZONE_MODE_OFF) {
        pid_reset(&state->pid);
    }
    return pid_step(&state->pid, &gains, state->sp_degC, state->pv_degC, forward, LOOP_S);
}

static void set_output(struct head *head, uint8_t zone, uint8_t from)
{
    struct zone_state *state = &head->zones.zone[zone];
    float op_percent = 0.0f;
    if (state->mode == ZONE_MODE_MANUAL) {
        op_percent = in_units(head->live.zone[zone].manual_op_percent, WIRE_PERCENT);
    } else if (state->mode == ZONE_MODE_EXPERIMENT) {
        op_percent = in_units(experiment_output(head, state->pv_degC), WIRE_PERCENT);
    } else if (state->mode == ZONE_MODE_AUTOMATIC) {
        op_percent = automatic_output(head, state, &head->settings.zone_settings[zone], from);
    }
    state->op_percent = op_percent;
}

static bool in_band(const struct zone_state *state, const struct zone_settings_regs *set)
{
    float away_degC = fabsf(state->pv_degC - state->sp_degC);
    return state->mode == ZONE_MODE_AUTOMATIC && away_degC <= in_units(set->band_degC, WIRE_DEGC);
}

static void count_band(uint16_t *ms, bool in)
{
    if (!in) {
        *ms = 0;
    } else if (*ms <= UINT16_MAX - LOOP_MS) {
        *ms = (uint16_t)(*ms + LOOP_MS);
    }
}

/* ------------------------------------------------------------------------------------- mode */

static uint8_t mode_allowed(const struct head *head, uint8_t zone)
{
    uint16_t wanted = head->live.zone[zone].mode;
    if (!head->zones.enabled || !fitted(head, zone) || !readable(&head->zones.zone[zone])) {
        return ZONE_MODE_OFF;
    }
    if (experiment_runs(head, zone)) {
        return ZONE_MODE_EXPERIMENT;
    }
    if (wanted == ZONE_MODE_AUTOMATIC || (wanted == ZONE_MODE_MANUAL && !head->zones.standby)) {
        return (uint8_t)wanted;
    }
    return ZONE_MODE_OFF;
}

static void begin_window(struct zone_state *state)
{
    state->window_ms = 0;
    state->on_ms = 0;
    state->rest = 0;
}

static void follow_mode(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    uint8_t from = state->mode;
    uint8_t mode = mode_allowed(head, zone);
    if (mode == from) {
        return;
    }
    if (mode == ZONE_MODE_OFF || from == ZONE_MODE_OFF) {
        begin_window(state);
    }
    state->mode = mode;
    state->in_band_ms = 0;
    set_output(head, zone, from);
    event_put(head, EVENT_CODE_ZONE_MODE, (uint16_t)((uint16_t)zone << 8 | mode));
}

/* ------------------------------------------------------------------------------------- switch */

/* The share of a window is fixed when it begins, so a window has one pulse. What is less than a
 * millisecond is owed to the next window: in the long run the switch is on for just the output. */
static void share_window(struct zone_state *state, uint16_t window_ms)
{
    uint16_t op_wire = (uint16_t)in_hundredths(state->op_percent);
    uint32_t due = (uint32_t)op_wire * window_ms + state->rest;
    state->on_ms = (uint16_t)(due / FULL_OUTPUT);
    state->rest = (uint16_t)(due % FULL_OUTPUT);
}

static bool switch_on(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    uint16_t window_ms = head->settings.zone_settings[zone].window_ms;
    if (state->mode == ZONE_MODE_OFF) {
        return false;
    }
    if (state->window_ms == 0u) {
        share_window(state, window_ms);
    }
    bool on = state->window_ms < state->on_ms;
    ++state->window_ms;
    if (state->window_ms >= window_ms) {
        state->window_ms = 0;
    }
    return on;
}

/* The port is told every time, so a switch that came to differ does not stay so. */
static ONE_COPY void give_switches(struct head *head, uint8_t mask)
{
    head->zones.switches = mask;
    port_heaters(head->port, mask);
}

/* ------------------------------------------------------------------------------------- doors */

/* Which of its slots a zone is in: the zones do their long pieces of work far apart. */
static uint8_t slot_of(const struct zones *zones, uint8_t zone)
{
    uint8_t slot = (uint8_t)(zones->slot + zone * SLOT_SHIFT);
    return (uint8_t)(slot >= SLOTS ? slot - SLOTS : slot);
}

static void watch_sensor(struct head *head, uint8_t zone, uint8_t slot)
{
    struct zone_state *state = &head->zones.zone[zone];
    if (!fitted(head, zone)) {
        forget(state, SENSOR_GOOD);
        return;
    }
    take_reading(head, state, zone);
    if (slot == PV_SLOT) {
        take_pv(state, &head->settings.zone_settings[zone]);
    }
}

static void serve_zone(struct head *head, uint8_t zone)
{
    uint8_t slot = slot_of(&head->zones, zone);
    const struct zone_state *state = &head->zones.zone[zone];
    NEAR(state);
    watch_sensor(head, zone, slot);
    follow_setpoint(head, zone);
    follow_mode(head, zone);
    if (slot == LOOP_SLOT) {
        set_output(head, zone, state->mode);
        count_band(&head->zones.zone[zone].in_band_ms, in_band(state, &head->settings.zone_settings[zone]));
    }
}

static ONE_COPY void count_tick(struct zones *zones)
{
    if (++zones->tick < SLOT_MS) {
        return;
    }
    zones->tick = 0;
    if (++zones->slot == SLOTS) {
        zones->slot = 0;
    }
}

void zones_init(struct head *head)
{
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        head->zones.zone[zone].pv_degC = NAN;
        pid_reset(&head->zones.zone[zone].pid);
        follow_setpoint(head, zone);
    }
    give_switches(head, 0);
}

void zones_tick(struct head *head)
{
    struct zones *zones = &head->zones;
    uint8_t mask = 0;
    count_tick(zones);
    if (zones->tick < ZONES) {
        serve_zone(head, zones->tick);
    }
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        if (switch_on(head, zone)) {
            mask = (uint8_t)(mask | 1u << zone);
        }
    }
    give_switches(head, mask);
}

/* These act at once, not at the next tick: what the state machine asks next must be true already. */
void zones_enable(struct head *head, bool enabled)
{
    head->zones.enabled = enabled;
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        follow_mode(head, zone);
    }
    if (!enabled) {
        give_switches(head, 0);
    }
}

void zones_standby(struct head *head, bool standby)
{
    head->zones.standby = standby;
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        follow_setpoint(head, zone);
        follow_mode(head, zone);
    }
}

void zones_forget(struct head *head)
{
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        head->live.zone[zone].mode = ZONE_MODE_OFF;
    }
}

static ONE_COPY bool wants_automatic(const struct head *head, uint8_t zone)
{
    return fitted(head, zone) && head->live.zone[zone].mode == ZONE_MODE_AUTOMATIC;
}

bool zones_wanted(const struct head *head)
{
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        if (wants_automatic(head, zone)) {
            return true;
        }
    }
    return false;
}

/* The wanted mode counts: a zone that should be in automatic and is not (yet) has not settled. */
bool zone_settled(const struct head *head, uint8_t zone, uint16_t ms)
{
    const struct zone_state *state = &head->zones.zone[zone];
    NEAR(state);
    if (!wants_automatic(head, zone)) {
        return true;
    }
    /* in_band_ms 0: not in the band now */
    return state->mode == ZONE_MODE_AUTOMATIC && state->in_band_ms != 0 && state->in_band_ms >= ms;
}

bool zones_settled(const struct head *head, uint16_t ms)
{
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        if (!zone_settled(head, zone, ms)) {
            return false;
        }
    }
    return zones_wanted(head);
}

int16_t in_hundredths(float value)
{
    if (isnan(value))
        return NO_READING;
    return (int16_t)(value * 100.0f + (value < 0.0f ? -0.5f : 0.5f));
}
