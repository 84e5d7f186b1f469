/* Master feed and drives: see feed.h for the arithmetic. */
#include "feed.h"

#include "head.h"

/* Full rate, 8000 pulses a second a drive: the most at which the board keeps every tick while three drives brake
 * and a host reads 50 snapshots a second (docs/bench.md). One tick could hand twice as much to a drive; this is
 * half of that, in units of nm * ratio / 65536. What the trim may add is taken off. */
#define PHASE_ROOM UINT32_C(500000000)
#define FIXED_TRIM_MAX 200u /* 0.01 %: feed.trim_ppm */
/* Seventeen milliseconds at full speed: only a port that ticks without pulse periods gets there. */
#define OWED_MAX (INT32_C(1) << 30)
#define UM_S_PER_HUNDREDTH INT32_C(10) /* speed registers count 0.01 mm/s */
#define NM_PER_UM INT32_C(1000)
#define UM_PER_MM INT32_C(1000)
#define PATH_NEVER UINT16_MAX
#define ALL_DRIVES ((1u << DRIVES) - 1u)
#define LIFT UINT32_C(2147484) /* thousands: more than 2^31 */

/* Written once and called: the AVR has a quick way to this, found where both factors are seen to be narrow. */
static ONE_COPY uint32_t product(uint16_t a, uint16_t b)
{
    return (uint32_t)a * b;
}

/* sum / 1000 as sum * 4294967 / 2^32, 4294967 being 65 * 2^16 + 35127: one off at most. With whole
 * thousands added so that it is never negative, all products are of sixteen bits without a sign. A sum of sixteen
 * bits, as nearly all are, needs one of them. */
int32_t take_thousands(int32_t *rest, int32_t add)
{
    uint32_t sum = (uint32_t)*rest + (uint32_t)add;
    uint32_t whole;
    uint16_t over = (uint16_t)sum;
    if (sum <= UINT16_MAX) {
        whole = product(over, 65) >> 16;
    } else {
        sum += LIFT * 1000u;
        uint16_t high = (uint16_t)(sum >> 16);
        uint16_t low = (uint16_t)sum;
        whole = (product(high, 35127) + product(low, 65) + (product(low, 35127) >> 16)) >> 16;
        whole += product(high, 65) - LIFT;
    }
    over = (uint16_t)(over - (uint16_t)whole * 1000u); /* below 2000: sixteen bits tell */
    if (over >= 1000) {
        over = (uint16_t)(over - 1000u);
        whole++;
    }
    *rest = over;
    return (int32_t)whole;
}

ONE_COPY int32_t clamp(int32_t value, int32_t low, int32_t high)
{
    if (value < low)
        return low;
    return value > high ? high : value;
}

static ONE_COPY uint32_t magnitude(int32_t value)
{
    return value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
}

static ONE_COPY uint8_t bit(uint8_t drive)
{
    return (uint8_t)(1u << drive);
}

/* ------------------------------------------------------------------------------------ interrupt */

/* irq: 32-bit adds and compares only. A step is at most a pulse, so one subtraction is enough. Returns
 * `bit` for a pulse. */
static IN_PLACE uint8_t advance(struct drive *drive, uint8_t bit)
{
    int32_t phase = drive->step;
    if (phase == 0)
        return 0;
    phase += drive->phase;
    if (phase < 0) {
        phase += PHASE_PER_PULSE;
        drive->fresh--;
    } else if (phase >= PHASE_PER_PULSE) {
        phase -= PHASE_PER_PULSE;
        drive->fresh++;
    } else {
        bit = 0;
    }
    drive->phase = phase;
    return bit;
}

/* irq. Written out for each drive: on the AVR its addresses are then constants. */
uint8_t feed_pulse(struct feed *feed)
{
    _Static_assert(DRIVES == 3, "one line for each drive below");
    int8_t left = feed->left;
    if (left <= -LATE_PERIODS)
        return 0;
    feed->left = (int8_t)(left - 1);
    uint8_t mask = advance(&feed->drive[0], 1);
    mask |= advance(&feed->drive[1], 2);
    mask |= advance(&feed->drive[2], 4);
    return mask;
}

/* -------------------------------------------------------------------------------------- drives */

static ONE_COPY void tell_port(const struct head *head)
{
    const struct feed *feed = &head->feed;
    NEAR(feed);
    port_drives(head->port, feed->enabled, feed->backwards ^ feed->reversed);
}

static ONE_COPY uint8_t fitted(const struct head *head)
{
    return (uint8_t)((1u << head->settings.machine.drives_fitted) - 1u);
}

/* nm * ratio + rest, split into whole steps and a new rest. */
static int32_t split(struct drive *drive, int32_t nm)
{
    uint32_t length = magnitude(nm);
    uint16_t high = (uint16_t)(drive->ratio >> 16);
    uint16_t low = (uint16_t)drive->ratio;
    uint32_t lowest = product((uint16_t)length, low); /* of 48 bits, in pieces that the AVR multiplies well */
    int32_t whole = (int32_t)(length * high + product((uint16_t)(length >> 16), low) + (lowest >> 16));
    int32_t rest = (uint16_t)lowest;
    if (nm < 0) {
        whole = -whole;
        rest = -rest;
    }
    rest += drive->rest;
    drive->rest = rest & UINT16_MAX;
    return whole + (rest >> 16);
}

/* What a tick pays of a debt: an eighth, so that a debt neither becomes a jerk nor, when every tick is
 * late and each step runs up to five times too long, one of ever growing swings. */
static int32_t instalment(int32_t owed)
{
    int32_t eighth = owed > 0 ? (owed + 7) >> 3 : -((7 - owed) >> 3); /* away from zero */
    return clamp(eighth, -PHASE_PER_PULSE / 16, PHASE_PER_PULSE / 16);
}

/* The step for the next sixteen periods; what does not fit stays owed. */
static ONE_COPY int32_t next_step(struct drive *drive, int32_t nm)
{
    int32_t all = split(drive, nm);
    if (drive->owed == 0)
        return all; /* fits: see PHASE_ROOM */
    int32_t paid = instalment(drive->owed);
    all += paid * 16;
    int32_t step = clamp(all, -PHASE_PER_PULSE, PHASE_PER_PULSE);
    /* run ahead because of a late tick: wait for the master rather than turn back */
    if ((nm > 0 && step < 0) || (nm < 0 && step > 0))
        step = 0;
    all -= step;
    drive->owed += (all >> 4) - paid;
    drive->rest += (all & 15) << 16;
    return step;
}

/* The last step ran on for `late` periods in place of the new one: the drives are owed the difference, which
 * at a steady speed is nothing. Negative: it was cut short. `change` is what a late period has cost, in steps. */
static void carry(struct feed *feed, const int32_t *change, int8_t late)
{
    for (uint8_t i = 0; i < DRIVES; i++) {
        struct drive *drive = &feed->drive[i];
        if (change[i] == 0)
            continue;
        /* the step's last byte and the top byte of the 20 bits of rest: 256ths of what is owed */
        int16_t part = (int16_t)((uint8_t)change[i] * late + (uint8_t)(drive->rest >> 12));
        int32_t owed = drive->owed + (change[i] >> 8) * late + (part >> 8);
        drive->owed = clamp(owed, -OWED_MAX, OWED_MAX);
        drive->rest = (drive->rest & 0xFFF) | (int32_t)(uint16_t)((uint8_t)part << 4) << 8;
    }
}

static bool standing(const struct feed *feed)
{
    return feed->drive[0].step == 0 && feed->drive[1].step == 0 && feed->drive[2].step == 0;
}

/* Exchange the steps for new ones, all in one go and the direction pins with them; leaves the changes in
 * `step`. The schedule is absolute: what a late tick let the old step run is taken off the new one's periods,
 * so the tick after it is not early. Returns for how many periods the old step ran in the new one's place; a
 * step that is itself replaced late passes the account on, so more than sixteen are right too. */
static int8_t exchange(struct head *head, int32_t *step, uint8_t backwards)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    bool stood = standing(feed);
    uint8_t before = port_lock(head->port);
    int8_t late = stood ? 0 : (int8_t)-feed->left;
    feed->left = (int8_t)((int8_t)PULSES_PER_TICK - (late > 0 ? late : 0));
    for (uint8_t i = 0; i < DRIVES; i++) {
        struct drive *drive = &feed->drive[i];
        int32_t old = drive->step;
        drive->step = step[i];
        step[i] = late > 0 ? step[i] - old : -old; /* early: the old one is owed its last periods */
        drive->pulses += drive->fresh;
        drive->fresh = 0;
    }
    if (backwards != feed->backwards) {
        feed->backwards = backwards;
        tell_port(head);
    }
    port_unlock(head->port, before);
    return late;
}

/* The direction of each drive. One that stands takes that of the others, so that drives which share a
 * direction pin (docs/wiring.md) agree however few of them a jog moves. */
static ONE_COPY uint8_t directions(const struct feed *feed, uint8_t forwards, uint8_t backwards)
{
    if (backwards != 0)
        return ALL_DRIVES & (uint8_t)~forwards;
    return forwards != 0 ? 0 : feed->backwards;
}

static void move_drives(struct head *head, int32_t nm)
{
    struct feed *feed = &head->feed;
    int32_t step[DRIVES];
    uint8_t forwards = 0;
    uint8_t backwards = 0;
    for (uint8_t i = 0; i < DRIVES; i++) {
        step[i] = next_step(&feed->drive[i], feed->moving_drives & bit(i) ? nm : 0);
        if (step[i] < 0)
            backwards |= bit(i);
        else if (step[i] > 0)
            forwards |= bit(i);
    }
    int8_t late = exchange(head, step, directions(feed, forwards, backwards));
    if (late != 0)
        carry(feed, step, late);
}

static ONE_COPY bool drives_at_rest(const struct feed *feed)
{
    for (uint8_t i = 0; i < DRIVES; i++) {
        const struct drive *drive = &feed->drive[i];
        if (drive->step != 0 || drive->owed != 0 || drive->rest >> 16 != 0)
            return false;
    }
    return true;
}

/* -------------------------------------------------------------------------------------- master */

/* Is there ample room? Without a division: v + v^2 / 2a is always enough to stop, here in 2^16 nm. */
static bool far_away(uint32_t to_go_nm, uint32_t speed, uint32_t a)
{
    uint32_t coarse = (speed >> 8) + 1u;
    return to_go_nm > speed && ((to_go_nm - speed) >> 16) * (2u * a) >= coarse * coarse;
}

/* Where the motion ends if from this tick on the master moves `speed`, speed - a, speed - 2a, ... with
 * k whole steps of a in speed. Products wrap, the result (below 2^32) does not. */
static uint32_t stopping_nm(uint32_t speed, uint32_t a, uint32_t k)
{
    uint32_t half = (k | 1u) * ((k + 1u) >> 1); /* k (k + 1) / 2, halved first */
    return (k + 1u) * speed - half * a;
}

/* The highest speed from low to high from which the master can still stop on the nanometre. stopping_nm
 * grows by k + 1 with each um/s, so it is climbed from `low` in at most three straight pieces. */
static uint32_t braking_speed(uint32_t to_go_nm, uint32_t low, uint32_t high, uint32_t a)
{
    uint32_t k = low <= UINT16_MAX ? (uint32_t)((uint16_t)low / (uint16_t)a) : low / a; /* a third of the time */
    uint32_t needed = stopping_nm(low, a, k);
    uint32_t edge = k * a;
    if (needed > to_go_nm)
        return low; /* cannot be helped; overshoot and come back */
    for (uint32_t spare = to_go_nm - needed; low < high; low = edge) {
        k++;
        edge += a;
        if (edge > high)
            edge = high;
        uint32_t cost = (edge - low) * k;
        if (spare < k)
            return low; /* nearly always while braking, and it saves the division */
        if (spare < cost)
            return low + spare / k;
        spare -= cost;
    }
    return high;
}

/* Next speed towards a point `to_go_nm` ahead, seen in its direction. Having once chosen a speed with
 * room to stop, the speed less a always has it too: so the end is met exactly, within the limit a. */
static int32_t approach(uint32_t to_go_nm, int32_t speed, int32_t cruise, int32_t limit)
{
    uint32_t a = (uint32_t)limit;
    int32_t low = speed - limit;
    int32_t high = clamp(cruise, low, speed + limit);
    if (high <= 0 || far_away(to_go_nm, (uint32_t)high, a))
        return high;
    return (int32_t)braking_speed(to_go_nm, low < 0 ? 0u : (uint32_t)low, (uint32_t)high, a);
}

/* What is ahead, nm; so far away that it does not matter where 32 bits do not hold it. */
static uint32_t ahead_nm(const struct feed *feed)
{
    if (feed->mode == FEED_JOG)
        return magnitude(feed->jog_to_go_nm);
    if (feed->to_go_um >= INT32_C(4294967))
        return UINT32_MAX;
    return (uint32_t)feed->to_go_um * 1000u + (uint32_t)feed->to_go_rest_nm;
}

static ONE_COPY bool has_length(const struct head *head)
{
    return head->feed.mode != FEED_JOG && head->live.feed.source == FEED_SOURCE_LENGTH;
}

/* A run that feeds, or slows down from feeding. */
static ONE_COPY bool in_run(const struct feed *feed)
{
    return feed->mode == FEED_RUN || (feed->mode == FEED_REST && feed->speed_um_s != 0);
}

bool feed_follows(const struct head *head)
{
    return head->live.feed.source >= FEED_SOURCE_PATH;
}

ONE_COPY bool feed_path_stale(const struct head *head)
{
    return head->feed.path_age_ms >= head->settings.guards.path_timeout_ms;
}

ONE_COPY int32_t feed_master_um(const struct feed *feed)
{
    return feed->length_um - feed->to_go_um;
}

/* Positions wrap after 2147 m; their difference does not mind. */
uint32_t feed_gone_um(const struct feed *feed, int32_t then_um)
{
    return magnitude((int32_t)((uint32_t)feed->position_um - (uint32_t)then_um));
}

/* Where the robot is now: its last position carried on at its last speed. */
static void look_ahead(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    int32_t since_ms = (int16_t)(uint16_t)(head->ms - feed->path_offset_ms - feed->path_stamp_ms);
    int32_t nm = 0;
    int32_t on_um = take_thousands(
        &nm, (since_ms + head->settings.machine.path_delay_ms) * feed->path_speed_mm_s * UM_S_PER_HUNDREDTH);
    feed->gap_um = (int32_t)((uint32_t)feed->path_um + (uint32_t)on_um - (uint32_t)feed_master_um(feed));
}

static int32_t follow_speed(const struct head *head)
{
    const struct feed *feed = &head->feed;
    int32_t speed = feed->path_speed_mm_s * UM_S_PER_HUNDREDTH +
                    clamp(feed->gap_um, -GAP_MAX_UM, GAP_MAX_UM) * FOLLOW_PER_S;
    return speed < 0 ? 0 : speed;
}

static int32_t source_speed(const struct head *head)
{
    const struct feed_regs *set = &head->live.feed;
    switch (set->source) {
    case FEED_SOURCE_SET_SPEED:
        return set->speed_mm_s * UM_S_PER_HUNDREDTH;
    case FEED_SOURCE_LENGTH:
        return set->speed_mm_s < 0 ? 0 : set->speed_mm_s * UM_S_PER_HUNDREDTH;
    default:
        if (feed_path_stale(head))
            return 0;
        return set->source == FEED_SOURCE_PATH ? set->path_speed_mm_s * UM_S_PER_HUNDREDTH : follow_speed(head);
    }
}

static ONE_COPY int32_t wanted_speed(const struct head *head)
{
    const struct feed *feed = &head->feed;
    NEAR(feed);
    if (feed->mode != feed->next_mode || feed->jog_waits)
        return 0; /* stand first */
    if (feed->mode == FEED_JOG)
        return head->live.feed.jog_speed_mm_s * UM_S_PER_HUNDREDTH;
    return feed->mode == FEED_RUN ? source_speed(head) : 0;
}

/* Keep below the ceiling and note the drives on whose account that is. */
static int32_t limited(struct feed *feed, int32_t wanted)
{
    int32_t speed = clamp(wanted, -feed->ceiling_um_s, feed->ceiling_um_s);
    if (speed != wanted)
        feed->overrun_drives |= feed->tight_drives & feed->moving_drives;
    return speed;
}

static bool has_end(const struct head *head)
{
    return head->feed.mode == FEED_JOG || (head->feed.mode == FEED_RUN && has_length(head));
}

static bool end_behind(const struct feed *feed)
{
    return feed->mode == FEED_JOG ? feed->jog_to_go_nm < 0 : feed->to_go_um < 0;
}

static int32_t next_speed(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    int32_t a = head->settings.machine.acceleration_mm_s2;
    int32_t now = feed->speed_um_s;
    int32_t target = limited(feed, wanted_speed(head));
    feed->target_um_s = target;
    if (target == 0 || !has_end(head))
        return clamp(target, now - a, now + a);
    if (end_behind(feed))
        return -approach(ahead_nm(feed), -now, target, a);
    return approach(ahead_nm(feed), now, target, a);
}

/* A length or a jog is over when nothing is left and the next tick may stand still. */
static bool arrived(const struct head *head)
{
    return magnitude(head->feed.speed_um_s) <= head->settings.machine.acceleration_mm_s2;
}

static ONE_COPY uint16_t whole_mm(int32_t um)
{
    int32_t mm = um / UM_PER_MM;
    return (uint16_t)clamp(mm, 0, UINT16_MAX);
}

static void count_length(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    feed->to_go_um += take_thousands(&feed->to_go_rest_nm, -feed->speed_um_s);
    if (!has_length(head) || feed->to_go_um != 0 || feed->to_go_rest_nm != 0 || feed->length_done)
        return;
    if (!in_run(feed) || !arrived(head))
        return;
    feed->length_done = true;
    event_put(head, EVENT_CODE_LENGTH_REACHED, whole_mm(head->live.feed.length_mm));
}

static void slew_trim(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    int32_t wanted = feed->mode == FEED_JOG ? 0 : trim_wanted_ppm(head);
    if (feed->speed_um_s != 0)
        wanted = clamp(wanted, feed->trim_ppm - TRIM_STEP_PPM, feed->trim_ppm + TRIM_STEP_PPM);
    feed->trim_ppm = wanted;
}

static int32_t trimmed(struct feed *feed, int32_t nm)
{
    if (feed->trim_ppm == 0)
        return nm;
    int32_t ppm = 0; /* below a thousand, and in thousands: products of both fit */
    int32_t thousands = take_thousands(&ppm, feed->trim_ppm);
    int32_t thousandths = nm * thousands + take_thousands(&feed->trim_rest[0], nm * ppm);
    return nm + take_thousands(&feed->trim_rest[1], thousandths);
}

static void advance_position(struct feed *feed, int32_t nm)
{
    int32_t um = take_thousands(&feed->position_rest_nm, nm);
    feed->position_um = (int32_t)((uint32_t)feed->position_um + (uint32_t)um); /* may wrap, after 2147 m */
}

static void begin_jog(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    feed->mode = FEED_JOG;
    feed->jog_waits = false;
    feed->moving_drives = (uint8_t)(head->live.feed.jog_drives & fitted(head));
    feed->jog_to_go_nm = feed->moving_drives ? head->live.feed.jog_length_mm * NM_PER_UM : 0;
}

static bool jog_over(const struct feed *feed)
{
    return feed->mode == FEED_JOG && feed->jog_to_go_nm == 0;
}

/* At standstill motions of different kinds may follow each other. */
static void change_mode(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    if (feed->next_mode == FEED_JOG && feed->jog_waits) {
        begin_jog(head);
        return;
    }
    if (feed->next_mode == FEED_JOG && jog_over(feed))
        feed->next_mode = FEED_REST;
    if (feed->next_mode == FEED_JOG)
        return;
    feed->mode = feed->next_mode;
    feed->moving_drives = fitted(head);
}

static ONE_COPY void move_master(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    if (feed->speed_um_s == 0)
        change_mode(head);
    slew_trim(head);
    feed->speed_um_s = next_speed(head);
    if (feed->mode == FEED_JOG)
        feed->jog_to_go_nm -= feed->speed_um_s;
    else
        count_length(head);
    int32_t nm = trimmed(feed, feed->speed_um_s);
    if (feed->moving_drives == fitted(head))
        advance_position(feed, nm);
    move_drives(head, nm);
}

/* --------------------------------------------------------------------------------------- shear */

static void shear_let_go(struct head *head)
{
    head->feed.shear_ms = 0;
    port_shear(head->port, 0);
}

static ONE_COPY void shear_fire(struct head *head)
{
    head->feed.shear_state = 0;
    head->feed.shear_ms = SHEAR_ON_MS;
    port_shear(head->port, 1);
    event_put(head, EVENT_CODE_SHEAR_FIRED, whole_mm(trim_laid_um(head)));
}

ONE_COPY bool feed_cut_due(const struct head *head, int32_t at_um)
{
    return trim_laid_um(head) >= at_um - head->settings.machine.shear_to_nozzle_mm * INT32_C(10);
}

static void work_shear(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    if (feed->shear_ms != 0) {
        if (--feed->shear_ms == 0)
            shear_let_go(head);
    } else if (feed->shear_state && in_run(feed) && feed_cut_due(head, head->live.feed.shear_at_mm)) {
        shear_fire(head);
    }
}

void feed_shear_written(struct head *head)
{
    head->feed.shear_state = head->live.feed.shear_at_mm > 0;
}

/* ------------------------------------------------------------------------------------ commands */

void feed_tick(struct head *head)
{
    if (head->feed.path_age_ms != PATH_NEVER)
        head->feed.path_age_ms++;
    if ((uint16_t)head->ms % LEAST_DELAY_MS == 0)
        head->feed.path_offset_ms++;
    if (!feed_path_stale(head))
        look_ahead(head);
    if (head->feed.speed_um_s == 0)
        head->feed.stood_um = head->feed.position_um;
    move_master(head);
    work_shear(head);
}

/* pulses_per_m counts 0.01: pulses_per_m / 100 * 4096 * (10^6 + ppm) / 10^6, rounded once. The product has
 * 52 bits; here it is divided while it is made, a bit of the factor at a time. */
static ONE_COPY uint32_t ratio_of(const struct drive_settings_regs *set)
{
    const uint32_t divisor = 390625; /* 10^8 / 4096, times 16 */
    uint32_t pulses = set->pulses_per_m * 16u;
    uint32_t factor = (uint32_t)(INT32_C(1000000) + set->ratio_ppm); /* below 2^21 */
    uint32_t whole = pulses / divisor;
    uint32_t part = pulses % divisor;
    uint32_t ratio = 0;
    uint32_t rest = 0;
    for (uint8_t bits = 21; bits > 0; bits--, factor <<= 1) {
        uint32_t before = ratio;
        ratio <<= 1;
        rest <<= 1;
        if (factor & (UINT32_C(1) << 20)) {
            ratio += whole;
            rest += part;
        }
        for (; rest >= divisor; rest -= divisor)
            ratio++;
        if (ratio < before)
            return UINT32_MAX;
    }
    return rest > divisor / 2u && ratio != UINT32_MAX ? ratio + 1u : ratio;
}

/* Ratios and direction of the drives; returns the highest ratio of those fitted. */
static uint32_t apply_drives(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    uint32_t highest = 0;
    feed->reversed = 0;
    for (uint8_t i = 0; i < DRIVES; i++) {
        const struct drive_settings_regs *set = &head->settings.drive_settings[i];
        feed->drive[i].ratio = ratio_of(set);
        if (set->reversed)
            feed->reversed |= bit(i);
        if (fitted(head) & bit(i) && feed->drive[i].ratio > highest) {
            highest = feed->drive[i].ratio;
            feed->tight_drives = bit(i);
        }
    }
    return highest;
}

void feed_apply(struct head *head)
{
    struct feed *feed = &head->feed;
    uint16_t trim = head->settings.machine.trim_max_percent;
    if (trim < FIXED_TRIM_MAX)
        trim = FIXED_TRIM_MAX;
    uint32_t ceiling = (PHASE_ROOM - product(trim, PHASE_ROOM / 10000u)) / ((apply_drives(head) >> 16) + 1u);
    uint32_t highest = head->settings.machine.speed_max_mm_s * UINT32_C(10);
    if (ceiling >= highest) {
        ceiling = highest;
        feed->tight_drives = 0;
    }
    feed->ceiling_um_s = (int32_t)ceiling;
    feed_enable(head, feed->enabled != 0);
}

ONE_COPY void feed_enable(struct head *head, bool enabled)
{
    head->feed.enabled = enabled ? fitted(head) : 0;
    tell_port(head);
}

void feed_init(struct head *head)
{
    head->feed.path_age_ms = PATH_NEVER;
    feed_apply(head);
    shear_let_go(head);
}

void feed_zero(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    feed->position_um = 0;
    feed->position_rest_nm = 0;
    feed->trim_rest[0] = feed->trim_rest[1] = 0;
    feed->length_um = head->live.feed.source == FEED_SOURCE_LENGTH ? head->live.feed.length_mm : 0;
    feed->to_go_um = feed->length_um;
    feed->path_age_ms = PATH_NEVER; /* a reference of the run before is none for this one */
    feed->to_go_rest_nm = 0;
    feed->length_done = false;
}

static ONE_COPY void go_over_to(struct feed *feed, uint8_t mode)
{
    feed->next_mode = mode;
    feed->jog_waits = false;
    if (feed->mode != FEED_JOG)
        feed->mode = mode;
}

void feed_run(struct head *head)
{
    go_over_to(&head->feed, FEED_RUN);
}

void feed_rest(struct head *head)
{
    go_over_to(&head->feed, FEED_REST);
}

ONE_COPY void feed_jog(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    if (head->live.feed.jog_length_mm == 0) {
        if (feed->next_mode == FEED_JOG)
            feed_rest(head);
        return;
    }
    feed->next_mode = FEED_JOG;
    feed->jog_waits = true;
    if (feed->speed_um_s == 0)
        feed->mode = FEED_JOG;
    feed_enable(head, true);
}

void feed_halt(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    uint8_t before = port_lock(head->port);
    for (uint8_t i = 0; i < DRIVES; i++)
        feed->drive[i].step = 0;
    feed->left = 0;
    feed_enable(head, false);
    port_unlock(head->port, before);
    /* what the last tick still owed is dropped: the pulses given remain the truth */
    for (uint8_t i = 0; i < DRIVES; i++) {
        feed->drive[i].owed = 0;
        feed->drive[i].rest &= UINT16_MAX;
    }
    feed->speed_um_s = feed->target_um_s = 0;
    feed->mode = feed->next_mode = FEED_REST;
    feed->jog_waits = false;
    feed->shear_state = 0;
    shear_let_go(head);
}

bool feed_at_rest(const struct head *head)
{
    const struct feed *feed = &head->feed;
    NEAR(feed);
    return feed->speed_um_s == 0 && feed->mode != FEED_JOG && feed->next_mode != FEED_JOG &&
           drives_at_rest(feed);
}

int32_t feed_to_go_um(const struct head *head)
{
    const struct feed *feed = &head->feed;
    NEAR(feed);
    return feed->to_go_um < 0 ? 0 : feed->to_go_um + (feed->to_go_rest_nm != 0);
}

void feed_path_written(struct head *head)
{
    if (head->live.feed.source != FEED_SOURCE_PATH_POSITION)
        head->feed.path_age_ms = 0;
}

/* Late ones, doubles and the same one over and over are not new. After silence the clocks are aligned afresh: the
 * robot's may have started again. */
ONE_COPY void feed_reference_written(struct head *head)
{
    struct feed *feed = &head->feed;
    NEAR(feed);
    const struct path_reference_regs *said = &head->live.path_reference;
    int16_t newer_ms = (int16_t)(uint16_t)(said->stamp_ms - feed->path_stamp_ms);
    bool stale = feed_path_stale(head);
    if (head->live.feed.source != FEED_SOURCE_PATH_POSITION)
        return;
    if (stale ? newer_ms == 0 && feed->path_age_ms != PATH_NEVER : newer_ms <= 0)
        return;
    uint16_t offset_ms = (uint16_t)(head->ms - said->stamp_ms);
    int16_t later_ms = (int16_t)(uint16_t)(offset_ms - feed->path_offset_ms);
    if (stale || later_ms < 0)
        feed->path_offset_ms = offset_ms;
    else if (later_ms >= (int16_t)head->settings.guards.path_timeout_ms)
        return; /* old news */
    feed->path_stamp_ms = said->stamp_ms;
    feed->path_um = said->position_mm;
    feed->path_speed_mm_s = said->speed_mm_s;
    feed->path_age_ms = 0;
}
