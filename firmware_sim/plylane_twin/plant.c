/* See plant.h for the calls and docs/twin.md for every equation. */
#include "plant.h"

#include <math.h>
#include <string.h>

#include "../core/port.h"

#define MS_S 0.001
#define STEP_S (PLANT_STEP_MS * MS_S)
#define KELVIN 273.15
#define CONVERTER_TOP 1023
#define NO_SENSOR ((uint16_t)(PLANT_BATCHES * PLANT_BATCH_SAMPLES * CONVERTER_TOP))
#define REST_MS 6000      /* stand this long and nothing moves any more */
#define REST_SPEED 1e-3   /* mm/s: rollers stand */
#define CREEP_SPEED 0.05  /* mm/s: a standing roller holds as if it turned at this speed */
#define SOLVE_ROUNDS 60
#define SOLVE_N 1e-7      /* balance of forces is met to this */

enum source { SOURCE_SUPPLY, SOURCE_SLIP, SOURCE_BURST = 4, SOURCE_SENSOR = 8, SOURCE_SEATING = 16, SOURCE_LANE = 32 };
enum lane_source { LANE_DRAG, LANE_JOINT, LANE_BUILD, LANE_SOURCES };
enum sensor_fault_index { FAULT_OPEN, FAULT_SHORTED, FAULT_STUCK, FAULT_DETACHED };

static const double PI = 3.14159265358979323846;

/* ---------------------------------------------------------------------------- small helpers */

static double limit(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

static double most(double a, double b)
{
    return a > b ? a : b;
}

static double least(double a, double b)
{
    return a < b ? a : b;
}

static int32_t floor_i32(double x)
{
    int32_t whole = (int32_t)x;
    return x < (double)whole ? whole - 1 : whole;
}

/* ---------------------------------------------------------------------------- random numbers
 * xoshiro256** (Blackman and Vigna), seeded by splitmix64; normals by Box and Muller. */

static uint64_t splitmix(uint64_t *state)
{
    uint64_t z = (*state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

static uint64_t turn_left(uint64_t x, unsigned by)
{
    return (x << by) | (x >> (64u - by));
}

void plant_stream_init(struct plant_stream *stream, uint64_t seed, uint64_t source)
{
    /* Hash seed and source together, so that neighbouring seeds do not share streams. */
    uint64_t state = seed;
    state = splitmix(&state) ^ (source * 0xD1342543DE82EF95u);
    for (int i = 0; i < 4; i++)
        stream->s[i] = splitmix(&state);
    stream->has_spare = 0;
    stream->spare = 0.0;
}

static uint64_t draw(struct plant_stream *stream)
{
    uint64_t *s = stream->s;
    uint64_t result = turn_left(s[1] * 5u, 7) * 9u;
    uint64_t t = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = turn_left(s[3], 45);
    return result;
}

double plant_uniform(struct plant_stream *stream)
{
    return (double)(draw(stream) >> 11) * 0x1p-53;
}

double plant_normal(struct plant_stream *stream)
{
    if (stream->has_spare) {
        stream->has_spare = 0;
        return stream->spare;
    }
    double radius = sqrt(-2.0 * log(1.0 - plant_uniform(stream)));
    double angle = 2.0 * PI * plant_uniform(stream);
    stream->spare = radius * sin(angle);
    stream->has_spare = 1;
    return radius * cos(angle);
}

static double draw_between(struct plant_stream *stream, double low, double high)
{
    return low + (high - low) * plant_uniform(stream);
}

static double draw_exponential(struct plant_stream *stream, double mean)
{
    return -mean * log(1.0 - plant_uniform(stream));
}

/* One step of an Ornstein-Uhlenbeck process of unit variance; share = step / correlation. */
static double wander(struct plant_stream *stream, double now, double share)
{
    double keep = exp(-share);
    return now * keep + sqrt(1.0 - keep * keep) * plant_normal(stream);
}

/* ---------------------------------------------------------------------------- faults */

static struct plant_fault_state *fault_state(struct plant *plant, int32_t kind, int32_t index)
{
    int32_t zones = plant->set.zones;
    int32_t lanes = plant->set.lanes;
    int is_zone = index >= 0 && index < zones;
    int is_lane = index >= 0 && index < lanes;
    switch (kind) {
    case PLANT_LANE_JAM: return is_lane ? &plant->lane_jam[index] : NULL;
    case PLANT_STRIP_OUT: return is_lane ? &plant->strip_out[index] : NULL;
    case PLANT_LANE_WHEEL_STUCK: return is_lane ? &plant->lane_wheel_stuck[index] : NULL;
    case PLANT_SENSOR_OPEN:
    case PLANT_SENSOR_SHORTED:
    case PLANT_SENSOR_STUCK:
    case PLANT_SENSOR_DETACHED: return is_zone ? &plant->sensor[index][kind - PLANT_SENSOR_OPEN] : NULL;
    case PLANT_HEATER_OPEN:
    case PLANT_HEATER_SHORTED: return is_zone ? &plant->heater[index][kind - PLANT_HEATER_OPEN] : NULL;
    case PLANT_LOST_STEPS: return index >= 0 && index < PLANT_DRIVES ? &plant->lost_steps[index] : NULL;
    default: return kind >= 0 && kind < PLANT_FAULT_KINDS ? &plant->whole[kind] : NULL;
    }
}

/* Part of its size that a fault has come to: it grows with feed travel. */
static double fault_size(const struct plant *plant, const struct plant_fault_state *fault)
{
    if (!fault->on)
        return 0.0;
    double travelled = fabs(plant->feed_mm - fault->since_mm);
    return travelled < fault->over_mm ? fault->size * travelled / fault->over_mm : fault->size;
}

static void thread_strip(struct plant_lane *lane)
{
    lane->slack_mm = 0.0;
    lane->gap_left_mm = 0.0;
    lane->joint_open = 0;
    lane->joint_under_way = 0;
}

int32_t plant_fault(struct plant *plant, int32_t kind, int32_t index, double size, double over_mm, int32_t on)
{
    struct plant_fault_state *fault = fault_state(plant, kind, index);
    if (fault == NULL)
        return -1;
    int32_t was = fault->on;
    fault->on = on != 0;
    fault->size = size;
    fault->over_mm = over_mm;
    fault->since_mm = plant->feed_mm;
    plant->rest_ms = 0; /* whatever stands may move now */
    if (kind == PLANT_LOST_STEPS)
        plant->roller[index].forced = 0;
    if (kind == PLANT_STRIP_OUT) {
        struct plant_lane *lane = &plant->lane[index];
        if (on && !was)
            lane->tail_mm = lane->ply_mm + plant->set.infeed_to_press_mm;
        if (!on && was) {
            thread_strip(lane);
            lane->next_joint_mm = lane->fed_mm + plant->set.strip_length_mm;
        }
    }
    return 0;
}

int32_t plant_fault_on(const struct plant *plant, int32_t kind, int32_t index)
{
    const struct plant_fault_state *fault = fault_state((struct plant *)plant, kind, index);
    return fault != NULL && fault->on;
}

double plant_jam_N(const struct plant *plant, int32_t lane)
{
    return fault_size(plant, &plant->lane_jam[lane]) + fault_size(plant, &plant->whole[PLANT_HEAD_JAM]);
}

/* ---------------------------------------------------------------------------- beginning */

static void build_lane_wheel(const struct plant_parameters *set, struct plant_lane *lane, struct plant_stream *build)
{
    double turn = 0.0;
    for (int i = 0; i < PLANT_WHEEL_SLOTS; i++) {
        lane->edge_mm[i] = turn;
        turn += 1.0 + set->lane_scatter * limit(plant_normal(build), -3.0, 3.0);
    }
    /* The wheel's rim is what it is: scattered slots share one turn. */
    double scale = PLANT_WHEEL_SLOTS * set->lane_mm_per_pulse / turn;
    for (int i = 0; i < PLANT_WHEEL_SLOTS; i++)
        lane->edge_mm[i] *= scale;
    lane->edge_mm[PLANT_WHEEL_SLOTS] = PLANT_WHEEL_SLOTS * set->lane_mm_per_pulse;
}

static void init_lane(struct plant *plant, int32_t k, uint64_t seed)
{
    const struct plant_parameters *set = &plant->set;
    struct plant_lane *lane = &plant->lane[k];
    struct plant_stream build;
    uint64_t source = SOURCE_LANE + (uint64_t)k * LANE_SOURCES;
    plant_stream_init(&lane->drag_noise, seed, source + LANE_DRAG);
    plant_stream_init(&lane->joint_noise, seed, source + LANE_JOINT);
    plant_stream_init(&build, seed, source + LANE_BUILD);
    build_lane_wheel(set, lane, &build);
    lane->wheel_mm = draw_between(&build, 0.0, lane->edge_mm[PLANT_WHEEL_SLOTS]);
    while (lane->wheel_mm >= lane->edge_mm[lane->slot + 1])
        lane->slot++;
    lane->room_mm = draw_between(&build, set->slack_min_mm, set->slack_max_mm);
    lane->strip_mean = draw_between(&lane->joint_noise, -set->strip_mean_variation, set->strip_mean_variation);
    lane->variation = plant_normal(&lane->drag_noise);
    lane->next_joint_mm = set->first_joint_mm[k];
}

/* Above air, what a sensor on its block comes to. */
static double seated_K(const struct plant *plant, int32_t z)
{
    const struct plant_block *block = &plant->block[z];
    return (block->degC - plant->air_degC) * (1.0 - block->seating_K / plant->set.seating_reference_K);
}

static void init_zone(struct plant *plant, int32_t z, uint64_t seed)
{
    struct plant_block *block = &plant->block[z];
    struct plant_stream seating;
    plant_stream_init(&block->noise, seed, SOURCE_SENSOR + (uint64_t)z);
    plant_stream_init(&seating, seed, SOURCE_SEATING + (uint64_t)z);
    block->seating_K = draw_between(&seating, 0.0, plant->set.seating_error_K);
    block->degC = plant->air_degC + plant->set.block_start_K[z];
    block->sensor_degC = plant->air_degC + seated_K(plant, z);
}

static void sense(struct plant *plant, int32_t z);
static void lane_inputs(struct plant *plant);
static void weather(struct plant *plant);

void plant_init(struct plant *plant, const struct plant_parameters *set, uint64_t seed)
{
    memset(plant, 0, sizeof *plant);
    plant->set = *set;
    plant_stream_init(&plant->supply_noise, seed, SOURCE_SUPPLY);
    plant_stream_init(&plant->burst_noise, seed, SOURCE_BURST);
    for (uint64_t i = 0; i < 2; i++) {
        plant_stream_init(&plant->slip_noise[i], seed, SOURCE_SLIP + i);
        plant->slip_drift[i] = plant_normal(&plant->slip_noise[i]);
    }
    plant->supply_drift = plant_normal(&plant->supply_noise);
    plant->burst_wait_mm = draw_exponential(&plant->burst_noise, set->output_burst_spacing_mm);
    weather(plant);
    for (int32_t z = 0; z < PLANT_ZONES; z++) {
        init_zone(plant, z, seed);
        for (int i = 0; i < PLANT_BATCHES; i++)
            sense(plant, z);
    }
    for (int i = 0; i < PLANT_CELLS; i++)
        plant->stack_degC[i] = plant->air_degC;
    for (int32_t k = 0; k < PLANT_LANES; k++)
        init_lane(plant, k, seed);
    plant->rotor_share = 1.0 - exp(-1.0 / set->rotor_time_ms);
    plant->rest_ms = REST_MS;
    lane_inputs(plant);
}

/* ---------------------------------------------------------------------------- heat */

/* Air over the day and the supply's slow drift, once a second. */
static void weather(struct plant *plant)
{
    const struct plant_parameters *set = &plant->set;
    double hours = (double)plant->ms * MS_S / 3600.0 + set->air_start_h;
    plant->air_degC = set->air_mean_degC + set->air_swing_K * sin(2.0 * PI * hours / 24.0);
    plant->supply_drift = wander(&plant->supply_noise, plant->supply_drift, 1.0 / set->supply_drift_time_s);
    /* The drift band is two standard deviations wide each way and is never left. */
    double drift = set->supply_drift_fraction * limit(plant->supply_drift * 0.5, -1.0, 1.0);
    double low = fault_size(plant, &plant->whole[PLANT_SUPPLY_LOW]) / 100.0;
    plant->supply_fraction = (1.0 + drift) * (1.0 - low);
}

double plant_ntc_ohm(const struct plant_parameters *set, double degC)
{
    double t = 1.0 / (degC + KELVIN);
    return set->ntc_r25_ohm * exp(set->ntc_A + t * (set->ntc_B_K + t * (set->ntc_C_K2 + t * set->ntc_D_K3)));
}

static double ntc_slope_per_K(const struct plant_parameters *set, double degC) /* d ln R / dT */
{
    double t = 1.0 / (degC + KELVIN);
    return -t * t * (set->ntc_B_K + t * (2.0 * set->ntc_C_K2 + t * 3.0 * set->ntc_D_K3));
}

/* Share of the reference at a pin, and its r.m.s. noise; sensor and wiring sound. */
static double divider_share(const struct plant *plant, int32_t z, double *noise)
{
    const struct plant_parameters *set = &plant->set;
    double degC = plant->block[z].sensor_degC;
    double ohm = plant_ntc_ohm(set, degC);
    double share = ohm / (ohm + set->divider_ohm);
    *noise = share * (1.0 - share) * ntc_slope_per_K(set, degC) * set->sensor_noise_K;
    return share;
}

double plant_pin_share(const struct plant *plant, int32_t zone, double *noise)
{
    const struct plant_fault_state *fault = plant->sensor[zone];
    double share = divider_share(plant, zone, noise);
    int sound = zone < plant->set.zones && !fault[FAULT_OPEN].on && !fault[FAULT_SHORTED].on;
    if (sound && !fault[FAULT_STUCK].on)
        return share;
    *noise = 0.0;
    if (zone >= plant->set.zones)
        return 1.0;
    if (fault[FAULT_STUCK].on)
        return plant->block[zone].reading / 65536.0;
    return fault[FAULT_SHORTED].on ? 0.0 : 1.0;
}

int32_t plant_code(double share)
{
    return (int32_t)limit(share * (CONVERTER_TOP + 1), 0.0, CONVERTER_TOP);
}

/* Sixteen samples of the 10-bit converter, noise before the quantiser. */
static int32_t sample_batch(struct plant *plant, int32_t z)
{
    double noise;
    double share = divider_share(plant, z, &noise);
    int32_t sum = 0;
    for (int i = 0; i < PLANT_BATCH_SAMPLES; i++)
        sum += plant_code(share + noise * plant_normal(&plant->block[z].noise));
    /* The noise is drawn in every case: a fault leaves the stream as it is. */
    if (plant->sensor[z][FAULT_SHORTED].on)
        return 0;
    if (plant->sensor[z][FAULT_OPEN].on)
        return PLANT_BATCH_SAMPLES * CONVERTER_TOP;
    return sum;
}

static void sense(struct plant *plant, int32_t z)
{
    struct plant_block *block = &plant->block[z];
    if (z >= plant->set.zones) {
        plant->converter[z] = NO_SENSOR;
        return;
    }
    block->batch[block->batch_at] = sample_batch(plant, z);
    block->batch_at = (block->batch_at + 1) % PLANT_BATCHES;
    if (plant->sensor[z][FAULT_STUCK].on)
        return;
    int32_t sum = 0;
    for (int i = 0; i < PLANT_BATCHES; i++)
        sum += block->batch[i];
    block->reading = (uint16_t)sum;
    plant->converter[z] = block->reading;
}

static void lag_sensor(struct plant *plant, int32_t z)
{
    struct plant_block *block = &plant->block[z];
    const struct plant_parameters *set = &plant->set;
    double off = fault_size(plant, &plant->sensor[z][FAULT_DETACHED]) / 100.0;
    double target = plant->air_degC + seated_K(plant, z) * (1.0 - off);
    double lag = set->sensor_lag_s + (set->sensor_air_lag_s - set->sensor_lag_s) * off;
    block->sensor_degC += (target - block->sensor_degC) * STEP_S / lag;
}

static double heater_power_W(const struct plant *plant, int32_t z)
{
    double share = plant->block[z].on_ms / PLANT_STEP_MS;
    if (plant->heater[z][1].on)
        share = 1.0;
    if (plant->heater[z][0].on)
        share = 0.0;
    return plant->set.heater_W[z] * plant->supply_fraction * plant->supply_fraction * share;
}

/* Heat from the blocks into the stack that lies in them, counted in carried_W. */
static void warm_stack(struct plant *plant)
{
    const struct plant_parameters *set = &plant->set;
    const double length[2] = {set->guide_length_mm / PLANT_GUIDE_CELLS,
                              set->nip_length_mm / (PLANT_CELLS - PLANT_GUIDE_CELLS)};
    double rate = set->stack_contact_W_mm_K / set->stack_heat_J_mm_K * STEP_S;
    double sum[2] = {0.0, 0.0};
    int32_t nip = set->zones > 1 ? PLANT_NIP : PLANT_GUIDE; /* one block holds both where only one is fitted */
    for (int i = 0; i < PLANT_CELLS; i++) {
        int part = i >= PLANT_GUIDE_CELLS;
        double gain = (plant->block[part ? nip : PLANT_GUIDE].degC - plant->stack_degC[i]) * rate;
        plant->stack_degC[i] += gain;
        sum[part] += gain;
    }
    for (int32_t z = 0; z < PLANT_ZONES; z++)
        plant->carried_W[z] = 0.0;
    for (int part = 0; part < 2; part++) {
        double power = sum[part] * set->stack_heat_J_mm_K * length[part] / STEP_S;
        plant->carried_W[part ? nip : PLANT_GUIDE] += power;
    }
}

/* The stack moves on through the blocks; forwards it comes in at air temperature. */
static void move_stack(struct plant *plant)
{
    const struct plant_parameters *set = &plant->set;
    double travel = plant->thermal_mm;
    double guide = fabs(travel) * PLANT_GUIDE_CELLS / set->guide_length_mm;
    double nip = fabs(travel) * (PLANT_CELLS - PLANT_GUIDE_CELLS) / set->nip_length_mm;
    double *cell = plant->stack_degC;
    double out = (travel > 0.0 ? cell[PLANT_CELLS - 1] : cell[0]) - plant->air_degC;
    /* Cord that comes back brings what it is taken to have kept: the temperature of the last cell. */
    double in = travel > 0.0 ? 0.0 : cell[PLANT_CELLS - 1] - plant->air_degC;
    plant->carried_J += fabs(travel) * set->stack_heat_J_mm_K * (out - in);
    if (travel > 0.0) {
        for (int i = PLANT_CELLS - 1; i >= 0; i--) {
            double before = i > 0 ? cell[i - 1] : plant->air_degC;
            cell[i] += (i < PLANT_GUIDE_CELLS ? guide : nip) * (before - cell[i]);
        }
    } else {
        for (int i = 0; i < PLANT_CELLS - 1; i++)
            cell[i] += (i < PLANT_GUIDE_CELLS ? guide : nip) * (cell[i + 1] - cell[i]);
    }
    plant->thermal_mm = 0.0;
}

static void heat_blocks(struct plant *plant)
{
    const struct plant_parameters *set = &plant->set;
    double power[PLANT_ZONES];
    for (int32_t z = 0; z < set->zones; z++) {
        double heater = heater_power_W(plant, z);
        double air = set->loss_W_K[z] * (plant->block[z].degC - plant->air_degC);
        plant->heater_J[z] += heater * STEP_S;
        plant->air_J[z] += air * STEP_S;
        plant->stack_J[z] += plant->carried_W[z] * STEP_S;
        power[z] = heater - air - plant->carried_W[z];
    }
    for (int32_t z = 0; z + 1 < set->zones; z++) {
        double across = set->link_W_K[z] * (plant->block[z].degC - plant->block[z + 1].degC);
        power[z] -= across;
        power[z + 1] += across;
    }
    for (int32_t z = 0; z < set->zones; z++) {
        plant->block[z].degC += power[z] * STEP_S / set->block_heat_J_K[z];
        plant->block[z].on_ms = 0.0;
    }
}

static void thermal_step(struct plant *plant)
{
    if (plant->ms % 1000 == 0)
        weather(plant);
    warm_stack(plant);
    heat_blocks(plant);
    if (plant->thermal_mm != 0.0)
        move_stack(plant);
    for (int32_t z = 0; z < plant->set.zones; z++) {
        lag_sensor(plant, z);
        sense(plant, z);
    }
}

/* ---------------------------------------------------------------------------- drives */

static double pull_out_Nm(const struct plant *plant, double speed_mm_s)
{
    const struct plant_parameters *set = &plant->set;
    double rev_s = fabs(speed_mm_s) / (2.0 * PI * set->roller_radius_mm);
    /* Less voltage drives the current less fast: the fall comes earlier. */
    return set->pull_out_torque_Nm / (1.0 + rev_s / (set->pull_out_half_rev_s * plant->supply_fraction));
}

static int fault_wants_loss(const struct plant *plant, int drive)
{
    const struct plant_fault_state *fault = &plant->lost_steps[drive];
    if (!fault->on)
        return 0;
    double share = fault->size > 0.0 ? fault_size(plant, fault) / fault->size : 0.0;
    double cycles = ceil(fault->size / 4.0);
    /* Spread over a length, the first goes at the start and the rest at equal distances. */
    return (double)plant->roller[drive].forced < ceil(cycles * share);
}

static int overloaded(const struct plant *plant, int drive)
{
    const struct plant_roller *roller = &plant->roller[drive];
    double torque = fabs(roller->force_N) * plant->set.roller_radius_mm * 0.001 + plant->set.bearing_torque_Nm;
    return torque > pull_out_Nm(plant, roller->speed_mm_s);
}

/* Pulses of this millisecond that turn the rotor. One that slips loses sync by one pole pitch, which
 * is four full steps, and only then catches again; or it is brought back and has lost nothing. */
static int32_t pulses_turned(struct plant *plant, int drive, int32_t pulses)
{
    struct plant_roller *roller = &plant->roller[drive];
    int32_t way = pulses < 0 ? -1 : 1;
    int32_t turned = 0;
    for (int32_t left = pulses * way; left > 0; left--) {
        if (roller->cycle == 0) {
            int forced = fault_wants_loss(plant, drive);
            if (!forced && !overloaded(plant, drive)) {
                turned += way;
                continue;
            }
            roller->forced += forced;
        }
        roller->cycle += way;
        if (roller->cycle * way >= plant->set.pulses_per_cycle) {
            roller->lost += roller->cycle;
            roller->cycle = 0;
        }
    }
    return turned;
}

static void turn_roller(struct plant *plant, int drive, int32_t pulses, int enabled)
{
    struct plant_roller *roller = &plant->roller[drive];
    roller->pulses += pulses;
    if (pulses != 0 && enabled) /* a driver that is off ignores its pulses */
        roller->pending_mm += pulses_turned(plant, drive, pulses) / plant->set.pulses_per_mm;
    double move = roller->pending_mm;
    if (fabs(move) > 1e-7)
        move *= plant->rotor_share;
    roller->pending_mm -= move;
    roller->travel_mm += move;
    roller->speed_mm_s = move / MS_S;
}

static void set_roller_grip(struct plant *plant, int drive, double nominal_N, double limit_N, int enabled)
{
    const struct plant_parameters *set = &plant->set;
    struct plant_roller *roller = &plant->roller[drive];
    int which = drive != PLANT_INFEED;
    double slip = set->nominal_slip + set->slip_drift * 0.5 * limit(plant->slip_drift[which], -2.0, 2.0);
    slip += plant->film + fault_size(plant, &plant->whole[PLANT_FILM]) / 100.0;
    slip *= 1.0 + set->slip_speed_factor * (fabs(roller->speed_mm_s) / set->nominal_speed_mm_s - 1.0);
    roller->slip_N = nominal_N / slip;
    roller->limit_N = limit_N * (enabled ? 1.0 : set->detent_fraction);
}

static void turn_rollers(struct plant *plant, const int8_t *pulses, uint8_t enabled)
{
    const struct plant_parameters *set = &plant->set;
    const double nominal[PLANT_DRIVES] = {set->infeed_nominal_N, set->press_nominal_N, set->outfeed_nominal_N};
    const double hold[PLANT_DRIVES] = {set->infeed_limit_N, set->press_limit_N, set->outfeed_limit_N};
    plant->rollers_rest = 1;
    for (int d = 0; d < PLANT_DRIVES; d++) {
        int on = (enabled >> d) & 1;
        turn_roller(plant, d, pulses[d], on);
        set_roller_grip(plant, d, nominal[d], hold[d], on);
        if (fabs(plant->roller[d].speed_mm_s) >= REST_SPEED)
            plant->rollers_rest = 0;
    }
    plant->feed_mm = plant->roller[PLANT_INFEED].travel_mm;
}

/* ---------------------------------------------------------------------------- strips: forces */

double plant_curvature(const struct plant_parameters *set, double cord_mm)
{
    double at = cord_mm;
    if (set->curve_period_mm > 0.0)
        at -= floor(at / set->curve_period_mm) * set->curve_period_mm;
    for (int32_t i = 0; i < set->curves; i++) {
        double into = at - set->curve_start_mm[i];
        if (into >= 0.0 && into < set->curve_length_mm[i])
            return set->curve_per_mm[i];
    }
    return 0.0;
}

/* Compression that the strip between infeed and press puts on both: taut, buckling, pushed solid. */
static double push_of_slack(const struct plant *plant, const struct plant_lane *lane, double slack_mm)
{
    const struct plant_parameters *set = &plant->set;
    if (slack_mm < 0.0)
        return set->strip_stiffness_N_mm * slack_mm;
    if (slack_mm < lane->room_mm)
        return set->buckling_N * slack_mm / lane->room_mm;
    return set->buckling_N + set->strip_stiffness_N_mm * (slack_mm - lane->room_mm);
}

static double slack_of_push(const struct plant *plant, const struct plant_lane *lane, double push_N)
{
    const struct plant_parameters *set = &plant->set;
    if (push_N < 0.0)
        return push_N / set->strip_stiffness_N_mm;
    if (push_N < set->buckling_N)
        return push_N / set->buckling_N * lane->room_mm;
    return lane->room_mm + (push_N - set->buckling_N) / set->strip_stiffness_N_mm;
}

static int strip_gone(const struct plant *plant, int32_t k)
{
    return plant->strip_out[k].on && plant->lane[k].ply_mm >= plant->lane[k].tail_mm;
}

static double drag_in_guide(const struct plant *plant, int32_t k)
{
    const struct plant_lane *lane = &plant->lane[k];
    double thick = (1.0 + lane->strip_mean) * (1.0 + plant->set.drag_variation * lane->variation);
    return plant->set.drag_N * most(thick, 0.0) + plant_jam_N(plant, k);
}

/* How far a joint has come from infeed to press, 0..1. */
static double joint_progress(const struct plant *plant, const struct plant_lane *lane)
{
    return limit(1.0 - (lane->joint_at_mm - lane->ply_mm) / plant->set.infeed_to_press_mm, 0.0, 1.0);
}

static void load_lane(struct plant *plant, int32_t k)
{
    struct plant_lane *lane = &plant->lane[k];
    if (plant->strip_out[k].on) {
        lane->push_N = 0.0;
        lane->drag_N = strip_gone(plant, k) ? 0.0 : lane->drag_N;
        return;
    }
    double drag = drag_in_guide(plant, k);
    /* Across an open joint nothing pushes: infeed and press each move their share of the guide. */
    double behind = lane->joint_open ? joint_progress(plant, lane) : 0.0;
    lane->drag_N = drag * (1.0 - behind);
    lane->behind_N = drag * behind;
    lane->push_N = lane->joint_open ? 0.0 : push_of_slack(plant, lane, lane->slack_mm);
}

struct pull {
    double force_N;
    double slope; /* N s/mm */
};

/* Dry drag rounded off near standstill, and viscous drag. */
static struct pull drag_at(const struct plant_parameters *set, double dry_N, double viscous, double speed)
{
    double edge = set->drag_edge_mm_s;
    struct pull drag = {viscous * speed, viscous};
    if (speed >= edge)
        drag.force_N += dry_N;
    else if (speed <= -edge)
        drag.force_N -= dry_N;
    else {
        drag.force_N += dry_N * speed / edge;
        drag.slope += dry_N / edge;
    }
    return drag;
}

/* Speed at which drag_at() comes to a force: three straight pieces. */
static double speed_at_drag(const struct plant_parameters *set, double dry_N, double viscous, double force_N)
{
    double edge = set->drag_edge_mm_s;
    double corner = dry_N + viscous * edge;
    if (force_N > corner)
        return edge + (force_N - corner) / viscous;
    if (force_N < -corner)
        return -edge + (force_N + corner) / viscous;
    return corner > 0.0 ? edge * force_N / corner : 0.0;
}

/* Pull of the cord on one ply while cord passes at `cord` mm/s on this ply's side of the bend. The
 * warm glue line holds like a Bingham paste: rigid up to its yield, viscous beyond. */
static struct pull pull_on_ply(const struct plant_parameters *set, struct plant_lane *lane, double cord)
{
    double viscous = set->drag_viscous_N_s_mm;
    struct pull bonded = drag_at(set, lane->drag_N, viscous, cord);
    bonded.force_N -= lane->push_N;
    lane->speed_mm_s = cord;
    if (fabs(bonded.force_N) <= set->glue_yield_N)
        return bonded;
    double way = bonded.force_N > 0.0 ? 1.0 : -1.0;
    double glue = set->glue_viscous_N_s_mm;
    /* push + way * yield + glue * (cord - v) = drag(v) */
    double given = lane->push_N + way * set->glue_yield_N + glue * cord;
    lane->speed_mm_s = speed_at_drag(set, lane->drag_N, viscous + glue, given);
    double slope = drag_at(set, lane->drag_N, viscous, lane->speed_mm_s).slope;
    struct pull sliding = {way * set->glue_yield_N + glue * (cord - lane->speed_mm_s), glue * slope / (glue + slope)};
    return sliding;
}

/* Traction of a roller on the cord: creep grows with force until the roller slips. */
static struct pull traction(struct plant_roller *roller, double cord)
{
    double turning = fabs(roller->speed_mm_s);
    double slope = roller->slip_N / (turning > CREEP_SPEED ? turning : CREEP_SPEED);
    struct pull grip = {slope * (roller->speed_mm_s - cord), slope};
    if (fabs(grip.force_N) > roller->limit_N) {
        grip.force_N = grip.force_N > 0.0 ? roller->limit_N : -roller->limit_N;
        grip.slope = 0.0;
    }
    roller->force_N = grip.force_N;
    return grip;
}

/* Load minus traction at a cord speed; rises with it. Leaves speeds and forces in plant. */
static struct pull balance(struct plant *plant, double cord, double bend_per_mm, double dry_N)
{
    const struct plant_parameters *set = &plant->set;
    struct pull sum = drag_at(set, dry_N, 0.0, cord);
    for (int32_t k = 0; k < set->lanes; k++) {
        struct plant_lane *lane = &plant->lane[k];
        double stretch = 1.0 + bend_per_mm * set->lane_offset_mm[k];
        if (strip_gone(plant, k)) {
            lane->speed_mm_s = cord * stretch;
            lane->shear_N = 0.0;
            continue;
        }
        struct pull ply = pull_on_ply(set, lane, cord * stretch);
        lane->shear_N = ply.force_N;
        sum.force_N += ply.force_N;
        sum.slope += ply.slope * stretch;
    }
    for (int d = PLANT_PRESS; d <= PLANT_OUTFEED; d++) {
        struct pull grip = traction(&plant->roller[d], cord);
        sum.force_N -= grip.force_N;
        sum.slope += grip.slope;
    }
    return sum;
}

static double cord_dry_N(const struct plant *plant, int shear)
{
    double dry = plant->set.laying_N + (shear ? plant->set.shear_drag_N : 0.0);
    for (int32_t k = 0; k < plant->set.lanes; k++)
        if (plant->lane[k].edge_left_mm > 0.0)
            dry += plant->lane[k].edge_N;
    return dry;
}

/* Newton's method on a rising piecewise straight line, kept inside a shrinking bracket. */
static double solve_cord_speed(struct plant *plant, int shear)
{
    double bend = plant_curvature(&plant->set, plant->cord_mm);
    double dry = cord_dry_N(plant, shear);
    double low = -1.0;
    double high = 1.0;
    for (int d = 0; d < PLANT_DRIVES; d++) {
        low = least(low, plant->roller[d].speed_mm_s - 1.0);
        high = most(high, plant->roller[d].speed_mm_s + 1.0);
    }
    double speed = limit(plant->cord_speed_mm_s, low, high);
    for (int i = 0; i < SOLVE_ROUNDS; i++) {
        struct pull rest = balance(plant, speed, bend, dry);
        if (fabs(rest.force_N) < SOLVE_N || high - low < 1e-12)
            break;
        if (rest.force_N > 0.0)
            high = speed;
        else
            low = speed;
        double next = rest.slope > 0.0 ? speed - rest.force_N / rest.slope : low;
        speed = next > low && next < high ? next : 0.5 * (low + high);
    }
    return speed;
}

/* ---------------------------------------------------------------------------- strips: motion */

static void start_joint(const struct plant *plant, struct plant_lane *lane)
{
    const struct plant_parameters *set = &plant->set;
    lane->next_joint_mm += set->strip_length_mm;
    lane->gap_left_mm = draw_between(&lane->joint_noise, 0.0, set->joint_gap_max_mm);
    lane->step_fraction = draw_between(&lane->joint_noise, -set->joint_step_fraction, set->joint_step_fraction);
    lane->strip_mean = draw_between(&lane->joint_noise, -set->strip_mean_variation, set->strip_mean_variation);
    lane->joint_at_mm = lane->ply_mm + set->infeed_to_press_mm;
    lane->joint_under_way = 1;
    lane->joint_open = 1;
    lane->joints++;
}

static void end_joint(const struct plant *plant, struct plant_lane *lane)
{
    if (lane->joint_open && lane->slack_mm < 0.0) {
        lane->gaps_mm -= lane->slack_mm; /* what has not closed by now is in the cord */
        lane->slack_mm = 0.0;
    }
    lane->joint_under_way = 0;
    lane->joint_open = 0;
    lane->edge_left_mm = plant->set.joint_drag_length_mm;
    lane->edge_N = plant->set.joint_drag_N * fabs(lane->step_fraction);
}

static void watch_joint(const struct plant *plant, struct plant_lane *lane)
{
    if (lane->fed_mm >= lane->next_joint_mm)
        start_joint(plant, lane);
    if (lane->joint_open && lane->gap_left_mm <= 0.0 && lane->slack_mm >= 0.0)
        lane->joint_open = 0;
    if (lane->joint_under_way && lane->ply_mm >= lane->joint_at_mm)
        end_joint(plant, lane);
}

/* Travel of the strip at the infeed in this millisecond; `part` gets the roller's force on it. */
static double infeed_travel(const struct plant *plant, int32_t k, double *part)
{
    const struct plant_parameters *set = &plant->set;
    const struct plant_roller *roller = &plant->roller[PLANT_INFEED];
    const struct plant_lane *lane = &plant->lane[k];
    double speed = roller->speed_mm_s;
    double ply = lane->speed_mm_s * MS_S;
    if (plant->rollers_rest) {
        *part = lane->push_N;
        return ply - lane->slack_mm * MS_S / set->slack_relaxation_s; /* slack is given back */
    }
    double hold = drag_at(set, set->magazine_N + lane->behind_N, 0.0, speed).force_N;
    double force = lane->push_N + hold;
    double travel = (speed - fabs(speed) * force / roller->slip_N) * MS_S;
    *part = limit(force, -roller->limit_N, roller->limit_N);
    if (lane->joint_open) /* a strip with a free end is not pulled along: it moves by its grip or not at all */
        return *part == force ? travel : 0.0;
    double highest = slack_of_push(plant, lane, roller->limit_N - hold);
    double lowest = slack_of_push(plant, lane, -roller->limit_N - hold);
    return limit(lane->slack_mm + travel - ply, lowest, highest) - lane->slack_mm + ply;
}

static void roll_lane_wheel(struct plant_lane *lane, double travel)
{
    double rim = lane->edge_mm[PLANT_WHEEL_SLOTS];
    lane->wheel_mm += travel;
    double at = lane->wheel_mm - (double)lane->turn * rim;
    while (at >= lane->edge_mm[lane->slot + 1]) {
        lane->wheel_pulses++;
        if (++lane->slot == PLANT_WHEEL_SLOTS) {
            lane->slot = 0;
            lane->turn++;
            at -= rim;
        }
    }
    while (at < lane->edge_mm[lane->slot]) {
        lane->wheel_pulses--;
        if (lane->slot-- == 0) {
            lane->slot = PLANT_WHEEL_SLOTS - 1;
            lane->turn--;
            at += rim;
        }
    }
}

/* The rising edge stands at the start of a slot; the track is high for its first half. */
static int lane_wheel_high(const struct plant_lane *lane)
{
    double at = lane->wheel_mm - (double)lane->turn * lane->edge_mm[PLANT_WHEEL_SLOTS];
    return at < 0.5 * (lane->edge_mm[lane->slot] + lane->edge_mm[lane->slot + 1]);
}

static void feed_lane(struct plant *plant, int32_t k)
{
    struct plant_lane *lane = &plant->lane[k];
    double part = 0.0;
    double travel = infeed_travel(plant, k, &part);
    if (plant->strip_out[k].on) {
        return; /* nothing left at the infeed */
    }
    if (lane->gap_left_mm > 0.0) {
        lane->gap_left_mm -= fabs(plant->roller[PLANT_INFEED].speed_mm_s) * MS_S;
        travel = 0.0;
        part = 0.0;
    }
    plant->roller[PLANT_INFEED].force_N += part;
    lane->slack_mm += travel - lane->speed_mm_s * MS_S;
    lane->fed_mm += travel;
    watch_joint(plant, lane);
    if (!plant->lane_wheel_stuck[k].on)
        roll_lane_wheel(lane, travel);
}

static void move_ply(struct plant *plant, int32_t k)
{
    const struct plant_parameters *set = &plant->set;
    struct plant_lane *lane = &plant->lane[k];
    double travel = lane->speed_mm_s * MS_S;
    lane->ply_mm += travel;
    lane->edge_left_mm -= lane->edge_left_mm > 0.0 ? fabs(travel) : 0.0;
    plant->thermal_mm += travel / set->lanes;
    while (lane->ply_mm > lane->varied_mm + 1.0) {
        lane->varied_mm += 1.0;
        lane->variation = wander(&lane->drag_noise, lane->variation, 1.0 / set->drag_correlation_mm);
    }
    double feed = plant->roller[PLANT_INFEED].speed_mm_s;
    if (fabs(feed) > 0.5)
        lane->stuck = fabs(lane->speed_mm_s) < 0.02 * fabs(feed) && plant_jam_N(plant, k) > 0.0;
}

static void drift_slip(struct plant *plant, int which, double travel_mm)
{
    double step = 10.0;
    while (fabs(travel_mm - plant->slip_drawn_mm[which]) > step) {
        plant->slip_drawn_mm[which] += travel_mm > plant->slip_drawn_mm[which] ? step : -step;
        plant->slip_drift[which] =
            wander(&plant->slip_noise[which], plant->slip_drift[which], step / plant->set.slip_drift_length_mm);
    }
}

static void lane_inputs(struct plant *plant)
{
    uint16_t inputs = 0;
    for (int32_t k = 0; k < plant->set.lanes; k++)
        if (lane_wheel_high(&plant->lane[k]))
            inputs = (uint16_t)(inputs | INPUT_LANE(k));
    if (plant->whole[PLANT_STOP_TRIPPED].on)
        inputs |= INPUT_STOP;
    if (!plant->whole[PLANT_PERMIT_LOST].on)
        inputs |= INPUT_PERMIT;
    plant->inputs = inputs;
}

/* ---------------------------------------------------------------------------- output wheel */

static double wheel_slip(struct plant *plant, double travel)
{
    const struct plant_parameters *set = &plant->set;
    double slip = fault_size(plant, &plant->whole[PLANT_OUTPUT_WHEEL_SLIP]) / 100.0;
    plant->burst_wait_mm -= fabs(travel);
    if (plant->burst_wait_mm <= 0.0) {
        plant->burst_left_mm = draw_exponential(&plant->burst_noise, set->output_burst_length_mm);
        plant->burst_wait_mm = draw_exponential(&plant->burst_noise, set->output_burst_spacing_mm);
    }
    if (plant->burst_left_mm > 0.0) {
        plant->burst_left_mm -= fabs(travel);
        slip += set->output_burst_slip;
    }
    return limit(slip, 0.0, 1.0);
}

static void roll_output_wheel(struct plant *plant, double travel)
{
    const struct plant_parameters *set = &plant->set;
    plant->dirt = least(plant->dirt + fabs(travel) * set->output_dirt_per_mm, set->output_dirt_max);
    double larger = plant->dirt + fault_size(plant, &plant->whole[PLANT_OUTPUT_WHEEL_DIRTY]) / 100.0;
    double slip = wheel_slip(plant, travel);
    if (!plant->whole[PLANT_OUTPUT_WHEEL_STUCK].on)
        plant->wheel_mm += travel * (1.0 - slip) / (1.0 + larger);
    double angle = 2.0 * PI / set->output_turn_mm;
    double shown = plant->wheel_mm + set->output_run_out / angle * (1.0 - cos(angle * plant->wheel_mm));
    int64_t counts = floor_i32(shown / set->output_mm_per_count);
    plant->output_edges = (int32_t)(counts - plant->output_counts);
    plant->output_counts = counts;
}

/* ---------------------------------------------------------------------------- a millisecond */

static void move_strips(struct plant *plant, int shear)
{
    const struct plant_parameters *set = &plant->set;
    for (int32_t k = 0; k < set->lanes; k++)
        load_lane(plant, k);
    plant->cord_speed_mm_s = solve_cord_speed(plant, shear);
    double travel = plant->cord_speed_mm_s * MS_S;
    plant->cord_mm += travel;
    plant->film = least(plant->film + fabs(travel) * set->film_slip_per_mm, set->film_slip_max);
    plant->roller[PLANT_INFEED].force_N = 0.0;
    for (int32_t k = 0; k < set->lanes; k++) {
        move_ply(plant, k);
        feed_lane(plant, k);
    }
    drift_slip(plant, 0, plant->feed_mm);
    drift_slip(plant, 1, plant->cord_mm);
    roll_output_wheel(plant, travel);
}

static void cut(struct plant *plant, int shear)
{
    if (shear && !plant->shear_was) {
        plant->cuts++;
        plant->cut_at_mm = plant->cord_mm;
    }
    plant->shear_was = shear;
}

void plant_ms(struct plant *plant, uint8_t heaters, const int8_t *pulses, uint8_t enabled, uint8_t shear)
{
    plant->ms++;
    plant->output_edges = 0;
    if (pulses[0] != 0 || pulses[1] != 0 || pulses[2] != 0)
        plant->rest_ms = 0;
    cut(plant, shear != 0);
    if (plant->rest_ms < REST_MS) {
        plant->rest_ms++;
        turn_rollers(plant, pulses, enabled);
        move_strips(plant, shear != 0);
    } else {
        plant->cord_speed_mm_s = 0.0;
    }
    lane_inputs(plant);
    for (int32_t z = 0; z < plant->set.zones; z++)
        plant->block[z].on_ms += (heaters >> z) & 1;
    if (plant->ms % PLANT_STEP_MS == 0)
        thermal_step(plant);
}
