/* Heater zones.
 *
 * Every SAMPLE_MS a zone takes a reading, every LOOP_MS it turns the mean of the good ones into a PV and
 * runs its loop; the zones are a third of a period apart. A reading beyond the sensor's range is left
 * out of the mean and raises doubt: eight in a row (40 ms), or every second one for some 160 ms, are a
 * fault, and a fault ends when doubt is back at zero. A fault, a head that is not enabled and a zone
 * that is not fitted switch the heater off in the same tick.
 *
 * Going from manual to automatic is bumpless. Going there from off is a start: the integral begins at
 * zero and the loop heats as its gains say. */
#include "zones.h"

#include <math.h>
#include <string.h>

#include "head.h"

#define LOOP_S 0.1f
#define ZONE_SHIFT (LOOP_MS / ZONES)
#define WIRE_PERCENT 0.01f
#define WIRE_PER_PERCENT 100.0f
#define WIRE_DEGC 0.01f
#define WIRE_S 0.1f
#define WIRE_FORWARD 1.0e-5f /* 0.01 %/(mm/s) times um/s */
#define FULL_OUTPUT 10000u   /* 100 % on the wire */

static bool fitted(const struct head *head, uint8_t zone)
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

static void take_reading(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    uint16_t reading = head->port->converter(head->port->context, zone);
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

static void take_pv(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    if (state->readings > 0u && (state->fault == SENSOR_GOOD || state->doubt == 0u)) {
        state->converter = (uint16_t)((state->sum + state->readings / 2u) / state->readings);
        state->pv_degC = sensor_degC(state->converter, &head->settings.zone_settings[zone], &state->fault);
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
    head->zones.in_band_ms[zone] = 0;
}

/* ------------------------------------------------------------------------------------- loop */

static void read_gains(const struct zone_settings_regs *set, struct pid_gains *gains)
{
    gains->kp = WIRE_PERCENT * (float)set->kp_percent_per_degC;
    gains->ki = set->ti_s == 0u ? 0.0f : gains->kp / (WIRE_S * (float)set->ti_s);
    gains->kd = gains->kp * (WIRE_S * (float)set->td_s);
    gains->filter_s = WIRE_S * (float)set->td_filter_s;
    gains->op_min = WIRE_PERCENT * (float)set->op_min_percent;
    gains->op_max = WIRE_PERCENT * (float)set->op_max_percent;
}

/* The moving stack carries heat away, whichever way it moves. */
static float forward_percent(const struct head *head, uint8_t zone)
{
    float speed_um_s = fabsf((float)head->feed.speed_um_s);
    return WIRE_FORWARD * (float)head->settings.zone_settings[zone].feed_forward_percent_per_mm_s * speed_um_s;
}

static void start_loop(struct head *head, uint8_t zone, uint8_t from)
{
    struct zone_state *state = &head->zones.zone[zone];
    struct pid_gains gains;
    if (from != ZONE_MODE_MANUAL) {
        pid_reset(&state->pid);
        return;
    }
    read_gains(&head->settings.zone_settings[zone], &gains);
    pid_take_over(&state->pid, &gains, state->sp_degC, state->pv_degC, forward_percent(head, zone), LOOP_S,
                  state->op_percent);
}

static float automatic_output(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    struct pid_gains gains;
    read_gains(&head->settings.zone_settings[zone], &gains);
    return pid_step(&state->pid, &gains, state->sp_degC, state->pv_degC, forward_percent(head, zone), LOOP_S);
}

static void set_output(struct head *head, uint8_t zone)
{
    struct zone_state *state = &head->zones.zone[zone];
    switch (state->mode) {
    case ZONE_MODE_MANUAL:
        state->op_percent = WIRE_PERCENT * (float)head->live.zone[zone].manual_op_percent;
        break;
    case ZONE_MODE_AUTOMATIC:
        state->op_percent = automatic_output(head, zone);
        break;
    default:
        state->op_percent = 0.0f;
        break;
    }
}

static void count_band(struct head *head, uint8_t zone)
{
    const struct zone_state *state = &head->zones.zone[zone];
    uint16_t *ms = &head->zones.in_band_ms[zone];
    float band_degC = WIRE_DEGC * (float)head->settings.zone_settings[zone].band_degC;
    if (state->mode != ZONE_MODE_AUTOMATIC || !(fabsf(state->pv_degC - state->sp_degC) <= band_degC)) {
        *ms = 0;
    } else {
        *ms = *ms > UINT16_MAX - LOOP_MS ? UINT16_MAX : (uint16_t)(*ms + LOOP_MS);
    }
}

/* ------------------------------------------------------------------------------------- mode */

/* The relay experiment has its place here; until it is there, asking for it is off. */
static uint8_t mode_allowed(const struct head *head, uint8_t zone)
{
    uint16_t wanted = head->live.zone[zone].mode;
    if (!head->zones.enabled || !fitted(head, zone) || !readable(&head->zones.zone[zone])) {
        return ZONE_MODE_OFF;
    }
    if (wanted == ZONE_MODE_MANUAL || wanted == ZONE_MODE_AUTOMATIC) {
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
    if (mode == ZONE_MODE_AUTOMATIC) {
        start_loop(head, zone, from);
    }
    if (mode == ZONE_MODE_OFF || from == ZONE_MODE_OFF) {
        begin_window(state);
    }
    state->mode = mode;
    head->zones.in_band_ms[zone] = 0;
    set_output(head, zone);
    event_put(head, EVENT_CODE_ZONE_MODE, (uint16_t)((uint16_t)zone << 8 | mode));
}

/* ------------------------------------------------------------------------------------- switch */

/* The share of a window is fixed when it begins, so a window has one pulse. What is less than a
 * millisecond is owed to the next window: in the long run the switch is on for just the output. */
static void share_window(struct zone_state *state, uint16_t window_ms)
{
    uint16_t op_wire = (uint16_t)(state->op_percent * WIRE_PER_PERCENT + 0.5f);
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
static void give_switches(struct head *head, uint8_t mask)
{
    head->zones.switches = mask;
    head->port->heaters(head->port->context, mask);
}

/* ------------------------------------------------------------------------------------- doors */

static uint8_t phase_of(const struct zones *zones, uint8_t zone)
{
    uint8_t phase = (uint8_t)(zones->tick + zone * ZONE_SHIFT);
    return (uint8_t)(phase >= LOOP_MS ? phase - LOOP_MS : phase);
}

static void tick_zone(struct head *head, uint8_t zone)
{
    uint8_t phase = phase_of(&head->zones, zone);
    bool loop = phase == LOOP_MS - 1u;
    if (phase % SAMPLE_MS == 0u) {
        take_reading(head, zone);
    }
    if (loop) {
        take_pv(head, zone);
    }
    follow_setpoint(head, zone);
    follow_mode(head, zone);
    if (loop) {
        set_output(head, zone);
        count_band(head, zone);
    }
}

void zones_init(struct head *head)
{
    memset(&head->zones, 0, sizeof head->zones);
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
    zones->tick = (uint8_t)(zones->tick + 1u < LOOP_MS ? zones->tick + 1u : 0u);
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        if (fitted(head, zone)) {
            tick_zone(head, zone);
        } else {
            forget(&zones->zone[zone], SENSOR_GOOD);
            follow_mode(head, zone);
        }
        if (switch_on(head, zone)) {
            mask = (uint8_t)(mask | 1u << zone);
        }
    }
    give_switches(head, mask);
}

/* Both act at once, not at the next tick: what the state machine asks next must be true already. */
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
    }
}

/* The wanted mode counts: a zone that should be in automatic and is not (yet) has not settled. */
bool zones_settled(const struct head *head, uint16_t ms)
{
    for (uint8_t zone = 0; zone < ZONES; ++zone) {
        bool automatic = fitted(head, zone) && head->live.zone[zone].mode == ZONE_MODE_AUTOMATIC;
        bool settled = head->zones.zone[zone].mode == ZONE_MODE_AUTOMATIC && head->zones.in_band_ms[zone] >= ms;
        if (automatic && !settled) {
            return false;
        }
    }
    return true;
}

bool zone_in_use(const struct head *head, uint8_t zone)
{
    return fitted(head, zone) && head->live.zone[zone].mode != ZONE_MODE_OFF;
}
