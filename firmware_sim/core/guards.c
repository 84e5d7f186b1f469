/* Guards: each looks at one way things go wrong, and raises one alarm. */
#include "guards.h"

#include <math.h>

#include "head.h"

/* The clock of the slower guards counts in digits, which spares divisions. Length guards look every 10 ms:
 * at 1 kHz a step would be a few micrometres, all rounding. They keep out of each other's millisecond and out of those
 * in which a zone converts or runs its loop (0, 1 and 2 of five: zones.h), so that no request waits for two of them. */
#define DIGIT 10u
#define LENGTH_AT 8u  /* last digit of the millisecond, every 10 ms */
#define PATH_AT 4u    /* every 10 ms */
#define SENSOR_AT 3u  /* every 100 ms */
#define ZONE_AT 9u    /* every second */
/* PV must fall this far below a limit before its alarm goes: the usual few steps of dead band. */
#define RETURN_STEP 200
/* Heat that comes over from a hotter neighbour, degC/s, before a zone without output counts as heating
 * itself: 0.15 W/K of bridge under 90 K, into 80 J/K, is 0.17. */
#define NEIGHBOUR_STEP 20
/* In manual and under experiment there is no setpoint to tell a block that ought to rise from one at rest; below this any
 * working heater at a high output still warms its block. */
#define MANUAL_COLD 5000

/* ---------------------------------------------------------------------------------- alarms */

static uint32_t alarm_bit(uint8_t alarm)
{
    return UINT32_C(1) << alarm;
}

/* One event an instance. */
static void tell(struct head *head, uint8_t code, uint8_t alarm, uint8_t instances)
{
    for (uint8_t n = 0; instances; n++, instances >>= 1)
        if (instances & 1u)
            event_put(head, code, (uint16_t)((uint16_t)alarm << 8 | n));
}

/* A guard that only sees the moment, not the end of its condition, calls this alone: the alarm then stays until
 * it is acknowledged. */
static void raise(struct head *head, uint8_t alarm, uint8_t instances)
{
    uint8_t *standing = &head->alarms.instances[alarm];
    uint8_t fresh = (uint8_t)(instances & ~*standing);
    if (!fresh)
        return;
    *standing |= fresh;
    head->alarms.unacknowledged |= alarm_bit(alarm);
    tell(head, EVENT_CODE_ALARM_RAISED, alarm, fresh);
    state_react(head, flash_u8(&alarm_reactions[alarm]));
}

static ONE_COPY void drop(struct head *head, uint8_t alarm, uint8_t instances)
{
    uint8_t *standing = &head->alarms.instances[alarm];
    uint8_t gone = *standing & instances;
    if (!gone)
        return;
    *standing &= (uint8_t)~gone;
    tell(head, EVENT_CODE_ALARM_CLEARED, alarm, gone);
}

void alarm_set(struct head *head, uint8_t alarm, uint8_t instances, bool stands)
{
    if (stands)
        raise(head, alarm, instances);
    else
        drop(head, alarm, instances);
}

void alarm_acknowledge(struct head *head, uint32_t mask)
{
    bool moving = state_feeding(head) || head->feed.speed_um_s != 0;
    uint32_t bit = 1;
    for (uint8_t alarm = 0; alarm < ALARM_COUNT; alarm++, bit <<= 1) {
        if (!(mask & bit))
            continue;
        if (head->alarms.unacknowledged & bit)
            tell(head, EVENT_CODE_ALARM_ACKNOWLEDGED, alarm, head->alarms.instances[alarm]);
        head->alarms.unacknowledged &= ~bit;
        if ((alarms_latched & bit) && !moving)
            drop(head, alarm, UINT8_MAX);
    }
}

bool alarms_blocking(const struct head *head)
{
    for (uint8_t alarm = 0; alarm < ALARM_COUNT; alarm++)
        if (head->alarms.instances[alarm] && flash_u8(&alarm_reactions[alarm]) != REACTION_REPORT)
            return true;
    return false;
}

uint32_t alarms_active(const struct head *head)
{
    uint32_t active = 0;
    for (uint8_t alarm = ALARM_COUNT; alarm > 0; alarm--)
        active = active << 1 | (head->alarms.instances[alarm - 1u] != 0);
    return active;
}

/* ------------------------------------------------------------------------------ temperature */

/* What a guard of one zone looks at. Temperatures and outputs are in hundredths, as on the wire: limits need no
 * conversion, and whole numbers are small on the board. */
struct view {
    const struct zone_state *zone;
    const struct zone_settings_regs *set;
    struct zone_watch *watch;
    uint8_t bit;
    int16_t pv; /* NO_READING while the sensor cannot be read */
    int16_t sp;
    uint16_t op;
};

static ONE_COPY void look_at(struct head *head, uint8_t i, struct view *at)
{
    const struct zone_state *zone = &head->zones.zone[i];
    at->zone = zone;
    at->set = &head->settings.zone_settings[i];
    at->watch = &head->guards.zone[i];
    at->bit = (uint8_t)(1u << i);
    at->pv = in_hundredths(zone->pv_degC);
    at->sp = zone->sp_wire;
    at->op = (uint16_t)in_hundredths(zone->op_percent);
}

/* a - b where the difference may not fit 16 bits. */
static ONE_COPY int32_t above(int16_t a, int16_t b)
{
    return (int32_t)a - b;
}

static void watch_sensor(struct head *head, const struct view *at)
{
    int16_t highest = at->set->over_temperature_degC;
    alarm_set(head, ALARM_SENSOR_OPEN, at->bit, at->zone->fault == SENSOR_OPEN);
    alarm_set(head, ALARM_SENSOR_SHORTED, at->bit, at->zone->fault == SENSOR_SHORTED);
    if (at->pv > highest)
        alarm_set(head, ALARM_OVER_TEMPERATURE, at->bit, true);
    else if (at->pv < highest - RETURN_STEP)
        alarm_set(head, ALARM_OVER_TEMPERATURE, at->bit, false);
}

static ONE_COPY bool too_cold(const struct view *at)
{
    return at->zone->mode == ZONE_MODE_AUTOMATIC && above(at->sp, at->pv) > at->set->under_temperature_degC;
}

static bool should_rise(const struct head *head, const struct view *at)
{
    uint16_t high = at->set->effect_op_percent, most = at->set->op_max_percent;
    if (!head->zones.enabled || at->op < (high < most ? high : most))
        return false;
    return too_cold(at) || (at->zone->mode != ZONE_MODE_AUTOMATIC && at->pv < MANUAL_COLD);
}

static void watch_effect(struct head *head, const struct view *at)
{
    struct zone_watch *watch = at->watch;
    if (!should_rise(head, at) || watch->effect_s == 0 ||
        above(at->pv, watch->effect_from) >= at->set->effect_rise_degC) {
        watch->effect_from = at->pv;
        watch->effect_s = 1;
        return;
    }
    if (watch->effect_s++ >= at->set->effect_time_s)
        raise(head, ALARM_HEATING_WITHOUT_EFFECT, at->bit);
}

static bool hottest(const struct head *head, float pv_degC)
{
    for (uint8_t k = 0; k < head->settings.machine.zones_fitted; k++)
        if (head->zones.zone[k].pv_degC > pv_degC)
            return false;
    return true;
}

/* For the first half of uncommanded_time_s the base follows PV: heat already in the block still
 * reaches the sensor. After that it only follows downwards. */
static void watch_uncommanded(struct head *head, const struct view *at)
{
    struct zone_watch *watch = at->watch;
    if (at->op > (at->zone->mode == ZONE_MODE_AUTOMATIC ? at->set->op_min_percent : 0u)) {
        watch->cold_s = 0;
        return;
    }
    if (watch->cold_s < at->set->uncommanded_time_s / 2u) {
        watch->cold_s++;
        watch->cold_from = at->pv;
        return;
    }
    if (!hottest(head, at->zone->pv_degC))
        watch->cold_from = (int16_t)(watch->cold_from + NEIGHBOUR_STEP);
    if (at->pv < watch->cold_from)
        watch->cold_from = at->pv;
    if (above(at->pv, watch->cold_from) > at->set->uncommanded_rise_degC)
        raise(head, ALARM_HEAT_WITHOUT_COMMAND, at->bit);
}

static void watch_reading(struct head *head, const struct view *at)
{
    struct zone_watch *watch = at->watch;
    if (above(watch->fall_from, at->pv) > at->set->fall_rate_degC_s)
        raise(head, ALARM_SENSOR_DETACHED, at->bit);
    watch->fall_from = at->pv;
    if (at->zone->converter != watch->still_reading || at->op == 0)
        watch->still_s = 0;
    watch->still_reading = at->zone->converter;
    if (watch->still_s++ >= at->set->stuck_time_s)
        raise(head, ALARM_SENSOR_STUCK, at->bit);
}

static void watch_zone(struct head *head, const struct view *at)
{
    if (at->pv == NO_READING)
        return; /* the sensor's own alarm stands */
    watch_effect(head, at);
    watch_uncommanded(head, at);
    watch_reading(head, at);
    if (state_feeding(head) && too_cold(at))
        raise(head, ALARM_UNDER_TEMPERATURE, at->bit);
}

static void watch_start(struct head *head)
{
    uint32_t since = head->ms - head->machine.entered_ms;
    uint8_t state = head->machine.state;
    if ((state != STATE_STARTING && state != STATE_UNHOLDING) ||
        since < head->settings.guards.start_timeout_s * UINT32_C(1000))
        return;
    for (uint8_t i = 0; i < head->settings.machine.zones_fitted; i++)
        if (!zone_settled(head, i, settle_ms(head)))
            raise(head, ALARM_START_TIMEOUT, (uint8_t)(1u << i));
    if (!zones_wanted(head))
        raise(head, ALARM_START_TIMEOUT, 1);
}

/* Zone 0 is the guide. Time runs in every state until the feed has gone on by the guide's length: neither
 * a creeping feed nor a jog to and fro brings fresh strip. */
static void watch_dwell(struct head *head)
{
    struct guards *guards = &head->guards;
    const struct guards_regs *set = &head->settings.guards;
    bool fresh = feed_gone_um(&head->feed, guards->dwell_from_um) > set->guide_length_mm * UINT32_C(1000);
    bool hot = in_hundredths(head->zones.zone[0].pv_degC) > set->dwell_temperature_degC;
    if (fresh || !hot || !head->live.feed.strip_in) {
        guards->dwell_from_um = head->feed.position_um;
        guards->dwell_s = 0;
    } else if (guards->dwell_s < set->dwell_time_s) {
        guards->dwell_s++;
    }
    alarm_set(head, ALARM_STRIP_DWELL, 1, guards->dwell_s >= set->dwell_time_s);
}

/* ----------------------------------------------------------------------------------- lengths */

/* The sum forgets over the window: a window's part of it for each window's part of feed. */
static ONE_COPY void watch_mismatch(struct head *head, int16_t fed_um, int16_t lost_um)
{
    const struct guards_regs *set = &head->settings.guards;
    NEAR(set);
    struct guards *guards = &head->guards;
    int32_t size_um = fed_um < 0 ? -fed_um : fed_um;
    int32_t window_um = set->mismatch_window_mm * INT32_C(1000);
    int32_t limit_um = set->mismatch_limit_mm * INT32_C(10);
    int32_t forget = guards->mismatch_rest + (guards->mismatch_um >> 4) * size_um;
    int32_t part = window_um >> 4;
    guards->mismatch_rest = forget % part;
    guards->mismatch_um += lost_um - forget / part;
    if (limit_um > window_um / 2)
        limit_um = window_um / 2;
    if (state_feeding(head) && (guards->mismatch_um > limit_um || guards->mismatch_um < -limit_um))
        raise(head, ALARM_FEED_MISMATCH, 1);
}

/* Where each lane's last pulse came, in 64ths of a mm of feed; a lane found stopped is kept just beyond the limit. */
static void watch_lanes(struct head *head)
{
    struct guards *guards = &head->guards;
    int16_t limit = (int16_t)(head->settings.guards.lane_stall_mm * INT32_C(5) / 32);
    uint16_t now = (uint16_t)((uint32_t)head->feed.position_um >> 6);
    uint8_t stopped = 0, turning = 0, bit = 1;
    for (uint8_t k = 0; k < head->settings.machine.lanes_fitted; k++, bit = (uint8_t)(bit << 1)) {
        uint8_t pulses = (uint8_t)head->wheels.lane_pulses[k];
        if (guards->lane_seen[k] != pulses) {
            guards->lane_seen[k] = pulses;
            guards->lane_from[k] = now;
        }
        int16_t without = (int16_t)(uint16_t)(now - guards->lane_from[k]);
        bool backwards = without < 0;
        if (backwards)
            without = (int16_t)-without;
        if (without <= limit) {
            turning |= bit;
            continue;
        }
        stopped |= bit;
        without = (int16_t)(limit + 1);
        guards->lane_from[k] = (uint16_t)(backwards ? now + (uint16_t)without : now - (uint16_t)without);
    }
    if (state_feeding(head) && stopped && turning)
        raise(head, ALARM_LANE_STOPPED, stopped);
}

void guards_lengths(struct head *head, int16_t fed_um, int16_t laid_um)
{
    int16_t slip_um = (int16_t)(fed_um * (int32_t)head->settings.machine.expected_slip_percent / 10000);
    watch_mismatch(head, fed_um, (int16_t)(fed_um - slip_um - laid_um));
    watch_lanes(head);
}

/* Raised only while feeding, gone with its condition at any time. */
static ONE_COPY void alarm_when_feeding(struct head *head, uint8_t alarm, bool stands)
{
    if (!stands || state_feeding(head))
        alarm_set(head, alarm, 1, stands);
}

static void watch_path(struct head *head)
{
    uint8_t state = head->machine.state;
    bool stale = feed_path_stale(head);
    bool under_way = state == STATE_EXECUTE || state == STATE_HOLDING || state == STATE_HELD || state == STATE_UNHOLDING;
    int32_t limit_um = head->settings.guards.path_limit_mm * INT32_C(10);
    int32_t gap_um = head->feed.gap_um;
    if (head->live.feed.source != FEED_SOURCE_PATH_POSITION || stale || !under_way)
        gap_um = 0;
    /* before the first reference of a run the feed waits */
    stale = stale && feed_follows(head) && head->feed.path_age_ms != UINT16_MAX;
    alarm_when_feeding(head, ALARM_PATH_STALE, under_way && stale);
    alarm_when_feeding(head, ALARM_PATH_REVERSED, gap_um < -limit_um);
    alarm_when_feeding(head, ALARM_PATH_TOO_FAST, gap_um > limit_um);
}

/* ----------------------------------------------------------------------------------- the rest */

static void watch_link(struct head *head)
{
    alarm_when_feeding(head, ALARM_LINK_SILENT, link_silent(head));
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
    uint8_t before = port_lock(head->port);
    uint16_t overruns = head->feed.overruns;
    port_unlock(head->port, before);
    uint8_t drives = head->feed.overrun_drives;
    head->feed.overrun_drives = 0;
    if (drives)
        raise(head, ALARM_PULSE_OVERRUN, drives);
    else if (overruns != guards->overruns_seen)
        raise(head, ALARM_PULSE_OVERRUN, 7);
    guards->overruns_seen = overruns;
}

ONE_COPY void guards_start(struct head *head)
{
    struct guards *guards = &head->guards;
    guards->mismatch_um = 0;
    for (uint8_t k = 0; k < LANES; k++)
        guards->lane_from[k] = (uint16_t)((uint32_t)head->feed.position_um >> 6);
    guards->permit_away_ms = 0;
}

static void each_second(struct head *head)
{
    for (uint8_t i = 0; i < head->settings.machine.zones_fitted; i++) {
        struct view at;
        look_at(head, i, &at);
        watch_zone(head, &at);
    }
    watch_start(head);
    watch_dwell(head);
}

static void count_digits(struct guards *guards)
{
    if (++guards->ms < DIGIT)
        return;
    guards->ms = 0;
    if (++guards->hundredths < DIGIT)
        return;
    guards->hundredths = 0;
    if (++guards->tenths == DIGIT)
        guards->tenths = 0;
}

ONE_COPY void guards_tick(struct head *head)
{
    struct guards *guards = &head->guards;
    watch_inputs(head);
    watch_link(head);
    watch_pulses(head);
    if (head->feed.speed_um_s != 0)
        head->live.feed.strip_in = 1;
    count_digits(guards);
    if (guards->ms == LENGTH_AT)
        trim_look(head);
    if (guards->ms == PATH_AT)
        watch_path(head);
    if (guards->ms == SENSOR_AT && guards->hundredths == 0)
        for (uint8_t i = 0; i < ZONES; i++) {
            struct view at;
            look_at(head, i, &at);
            watch_sensor(head, &at);
        }
    if (guards->ms == ZONE_AT && guards->hundredths == 0 && guards->tenths == 0)
        each_second(head);
}
