/* Output trim: see trim.h. */
#include "trim.h"

#include <string.h>

#include "head.h"

#define PPM_PER_UM 48
#define INTEGRAL_SHIFT 11
#define LOSS_SHIFT 17      /* of fed * loss: a hop is 2^13 um, the loss counts 2^-4 um */
#define FORGET_SHIFT 3     /* an eighth of off_um in a hop; as 16ths of a um it is what the loss learns: a 128th */
#define ANCHOR_SHIFT 3     /* half of an eighth of a lane's distance to the median, taken up in a hop */
#define DRIFT_STEP 12      /* of the drift for a lane in a hop: 1.2 % of it */
#define SHORT_UM 250       /* joints' gaps make lane wheels show too little: below this, */
#define GIVEN_BACK 3       /* so many mm a metre are given back, */
#define FURTHER_UM 400     /* and it may go further than the limit by so much */
#define LANE_UNIT 8        /* um */
#define KEPT_SHIFT 5       /* a 32nd of the integral, into what a freeze falls back to, in a hop */
#define LOSS_STEP 1311     /* of the loss: a percent */
#define LOSS_MAX (INT16_MAX - LOSS_STEP)
#define LOSS_OF_HUNDREDTH 13 /* a hundredth of a percent of a hop, in 1/16 um: 13.1 */

static ONE_COPY int32_t within(int32_t value, int32_t most)
{
    return clamp(value, -most, most);
}

static ONE_COPY bool beyond(int16_t value, int16_t most)
{
    return value > most || value < -most;
}

static ONE_COPY int16_t moved(int32_t now_um, int32_t *seen_um)
{
    int32_t by = (int32_t)((uint32_t)now_um - (uint32_t)*seen_um); /* positions wrap; ten milliseconds fit */
    *seen_um = now_um;
    return (int16_t)by;
}

/* ------------------------------------------------------------------------------------ lane wheels */

/* Strip less laid length of a lane. */
static ONE_COPY uint16_t lane_ahead(const struct head *head, uint8_t lane)
{
    return (uint16_t)((uint32_t)(wheels_lane_um(head, lane) - head->trim.laid_um) / LANE_UNIT);
}

/* A lane wheel does not tell its way. While the feed stands strips give back their slack, so it turns backwards then: it is
 * back where it was when the edge it counted last falls again. Its pulse has been counted forwards, as all are. */
void trim_given_back(struct head *head, uint8_t lane)
{
    uint16_t *anchor = &head->trim.anchor[lane];
    *anchor = (uint16_t)(*anchor + head->settings.lane_settings[lane].mm_per_pulse / (LANE_UNIT * UINT32_C(1000)));
}

/* Each lane takes the drift a step its way, so it goes to their median; they go to it more slowly. */
static ONE_COPY void look_at_lanes(struct head *head)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    int8_t back = trim->drift < -SHORT_UM / LANE_UNIT ? 1 - 2 * GIVEN_BACK : 1; /* the 1 rounds */
    for (uint8_t k = 0; k < (uint8_t)head->settings.machine.lanes_fitted; k++) {
        int16_t by = (int16_t)(uint16_t)(lane_ahead(head, k) - trim->anchor[k] - (uint16_t)trim->drift);
        if (trim->settled >= SETTLE_HOPS) {
            trim->drift = (int16_t)(trim->drift + (by < 0 ? -DRIFT_STEP : DRIFT_STEP));
            by = (int16_t)(((by >> ANCHOR_SHIFT) + back) >> 1);
        }
        trim->anchor[k] = (uint16_t)(trim->anchor[k] + (uint16_t)by);
    }
}

/* ------------------------------------------------------------------------------------------ doubt */

static ONE_COPY void lay(struct trim *trim, int32_t um)
{
    trim->laid_um = (int32_t)((uint32_t)trim->laid_um + (uint32_t)um); /* may wrap, after 2147 m */
    trim->error_um -= um;
}

/* What the lanes say is missing is put into account. */
static ONE_COPY void believe_lanes(struct trim *trim)
{
    lay(trim, trim->drift * INT32_C(LANE_UNIT));
    trim->drift = 0;
}

static ONE_COPY void freeze(struct trim *trim, uint8_t why)
{
    NEAR(trim);
    trim->doubt = why;
    trim->integral = trim->integral_kept;
    trim->hops = 0;
}

static void wheel_slips(struct trim *trim)
{
    if (!trim->by_feed)
        lay(trim, trim->off_um + trim->hop_off_um);
    trim->by_feed = true;
    trim->off_um = trim->hop_off_um = 0;
    freeze(trim, TRIM_STATE_WHEEL_SLIPS);
}

/* Not beyond what holds a step more. */
static ONE_COPY void learn(struct trim *trim, int16_t by)
{
    int16_t loss = (int16_t)(trim->loss + by);
    if (!beyond(loss, LOSS_MAX))
        trim->loss = loss;
}

static void end_hop(struct trim *trim)
{
    NEAR(trim);
    int16_t part = (int16_t)(trim->off_um >> FORGET_SHIFT);
    trim->off_um = (int16_t)(trim->off_um - part);
    if (trim->by_feed) {
        if (++trim->hops >= GOOD_HOPS) {
            trim->by_feed = false;
            trim->doubt = TRIM_STATE_AUTOMATIC;
        }
        return;
    }
    learn(trim, part);
    trim->integral_kept += (trim->integral - trim->integral_kept) >> KEPT_SHIFT;
}

static ONE_COPY void watch_drift(struct head *head)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    uint16_t limit_10um = head->settings.guards.wheel_limit_mm;
    int16_t limit = (int16_t)(limit_10um + limit_10um / 4u); /* in 8 um */
    bool far = beyond((int16_t)(trim->drift + FURTHER_UM / 2 / LANE_UNIT), (int16_t)(limit + FURTHER_UM / 2 / LANE_UNIT));
    if (trim->by_feed) {
        if (!far)
            return;
        if (trim->drift < 0) { /* so do the lanes: it is the rollers that slip */
            learn(trim, LOSS_STEP);
            trim->hops = GOOD_HOPS;
        }
        believe_lanes(trim);
    } else if (trim->doubt == TRIM_STATE_WHEEL_DRIFTS) {
        if (++trim->hops < WATCH_HOPS)
            return;
        trim->hops = 0;
        int16_t change = (int16_t)(uint16_t)((uint16_t)trim->drift - (uint16_t)trim->drift_from);
        trim->drift_from = trim->drift;
        if (beyond(change, STEADY_UM / LANE_UNIT))
            return;
        believe_lanes(trim);
        trim->doubt = TRIM_STATE_AUTOMATIC;
    } else if (far) {
        trim->drift_from = trim->drift;
        freeze(trim, TRIM_STATE_WHEEL_DRIFTS);
    }
}

static void judge(struct head *head, int16_t fed_um, int16_t off_um)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    if (fed_um <= 0) { /* backwards nothing is judged */
        trim->picked_up = 0;
        return;
    }
    trim->hop_fed_um = (int16_t)(trim->hop_fed_um + fed_um);
    trim->hop_off_um = (int16_t)(trim->hop_off_um + off_um);
    bool ends = trim->hop_fed_um >= HOP_UM;
    if (ends) {
        if (trim->picked_up >= PICK_UP_HOPS)
            trim->off_um = (int16_t)(trim->off_um + trim->hop_off_um);
        else
            trim->picked_up++;
        trim->hop_fed_um = trim->hop_off_um = 0;
    }
    if (beyond(trim->hop_off_um, SLIP_UM) || beyond(trim->off_um, CREEP_UM))
        wheel_slips(trim);
    if (!ends)
        return;
    end_hop(trim);
    look_at_lanes(head);
    if (trim->settled < SETTLE_HOPS)
        trim->settled++;
    else
        watch_drift(head);
}

/* ------------------------------------------------------------------------------------------- loop */

static ONE_COPY int32_t trim_max_ppm(const struct head *head)
{
    return head->settings.machine.trim_max_percent * INT32_C(100);
}

static void integrate(struct head *head, int16_t master_um)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    int32_t most = trim_max_ppm(head) * (INT32_C(1) << INTEGRAL_SHIFT);
    if (trim->doubt == TRIM_STATE_AUTOMATIC)
        trim->integral = within(trim->integral + within(trim->error_um, ERROR_MAX_UM) * master_um, most);
}

static void look(struct head *head)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    int16_t fed_um = moved(head->feed.position_um, &trim->fed_seen_um);
    int16_t wheel_um = moved(head->wheels.output_um, &trim->wheel_seen_um);
    int16_t master_um = moved(feed_master_um(&head->feed), &trim->master_seen_um);
    if (head->feed.mode == FEED_JOG) { /* drives may stand out of it, and it is no part of what the run wants */
        lay(trim, wheel_um);
        trim->error_um += wheel_um;
        trim->settled = trim->picked_up = 0;
        return;
    }
    trim->rest += (int32_t)fed_um * trim->loss;
    int16_t expected_um = (int16_t)(fed_um - (int16_t)(trim->rest >> LOSS_SHIFT));
    trim->rest &= (INT32_C(1) << LOSS_SHIFT) - 1;
    trim->error_um += master_um;
    lay(trim, trim->by_feed ? expected_um : wheel_um);
    judge(head, fed_um, (int16_t)(expected_um - wheel_um));
    integrate(head, master_um);
    guards_lengths(head, fed_um, wheel_um);
}

static ONE_COPY bool automatic(const struct head *head)
{
    return head->live.feed.trim_mode == TRIM_MODE_AUTOMATIC;
}

static int32_t fixed_ppm(const struct head *head)
{
    return head->live.feed.trim_mode == TRIM_MODE_FIXED ? head->live.feed.trim_ppm : 0;
}

static void tell(struct head *head)
{
    uint8_t doubt = trim_state(head);
    int32_t limit_um = head->settings.guards.path_limit_mm * INT32_C(10);
    alarm_set(head, ALARM_WHEEL_SLIPS, 1, doubt == TRIM_STATE_WHEEL_SLIPS);
    alarm_set(head, ALARM_WHEEL_DRIFTS, 1, doubt == TRIM_STATE_WHEEL_DRIFTS);
    alarm_set(head, ALARM_LENGTH_OFF, 1,
              automatic(head) && state_feeding(head) && within(head->trim.error_um, limit_um) != head->trim.error_um);
}

void trim_look(struct head *head)
{
    look(head);
    if (!automatic(head))
        head->trim.integral = (int32_t)head->live.feed.trim_ppm * (INT32_C(1) << INTEGRAL_SHIFT);
    tell(head);
}

int32_t trim_wanted_ppm(const struct head *head)
{
    const struct trim *trim = &head->trim;
    NEAR(trim);
    if (!automatic(head))
        return fixed_ppm(head);
    int32_t ppm = trim->integral >> INTEGRAL_SHIFT;
    if (trim->doubt == TRIM_STATE_AUTOMATIC)
        ppm += within(trim->error_um, ERROR_MAX_UM) * PPM_PER_UM;
    return within(ppm, trim_max_ppm(head));
}

int32_t trim_laid_um(const struct head *head)
{
    const struct trim *trim = &head->trim;
    NEAR(trim);
    if (trim->by_feed)
        return trim->laid_um;
    return (int32_t)((uint32_t)trim->laid_um + (uint32_t)head->wheels.output_um - (uint32_t)trim->wheel_seen_um);
}

ONE_COPY uint8_t trim_state(const struct head *head)
{
    if (automatic(head))
        return head->trim.doubt;
    return (uint8_t)head->live.feed.trim_mode; /* off and fixed have the same numbers */
}

void trim_start(struct head *head)
{
    struct trim *trim = &head->trim;
    NEAR(trim);
    memset(trim, 0, sizeof *trim);
    trim->loss = (int16_t)(head->settings.machine.expected_slip_percent * LOSS_OF_HUNDREDTH);
    trim->integral = trim->integral_kept = (int32_t)head->live.feed.trim_ppm * (INT32_C(1) << INTEGRAL_SHIFT);
    trim->doubt = TRIM_STATE_AUTOMATIC;
}
