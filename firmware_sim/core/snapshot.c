/* What the input registers show. Everything comes from copies that the last tick took, so all blocks
 * read in one request belong to the same millisecond. */
#include "head.h"

#include <math.h>

/* Of mm or mm/s, from um or um/s, cut off towards zero; saturates. */
static ONE_COPY int16_t hundredths(int32_t um)
{
    const int32_t most = INT16_MAX * INT32_C(10);
    int32_t rest = 0;
    um = take_thousands(&rest, clamp(um, -most, most) * 100);
    return (int16_t)(um < 0 && rest != 0 ? um + 1 : um);
}

static uint16_t status_bits(const struct head *head)
{
    uint16_t bits = 0;
    if (zones_settled(head, 0))
        bits |= STATUS_AT_TEMPERATURE;
    if (head->feed.speed_um_s != 0)
        bits |= STATUS_MOVING;
    if (head->zones.enabled)
        bits |= STATUS_HEATERS_ENABLED;
    if (head->feed.enabled)
        bits |= STATUS_DRIVES_ENABLED;
    if (!feed_path_stale(head))
        bits |= STATUS_PATH_FRESH;
    if (head->store.saving)
        bits |= STATUS_SAVING;
    if (head->feed.shear_state != 0)
        bits |= STATUS_SHEAR_ARMED;
    if (head->feed.mode == FEED_JOG)
        bits |= STATUS_JOGGING;
    return bits;
}

static int32_t length_to_go_um(const struct head *head)
{
    if (head->live.feed.source != FEED_SOURCE_LENGTH)
        return 0;
    return feed_to_go_um(head);
}

static int32_t length_error_um(const struct head *head)
{
    bool follows = head->live.feed.source == FEED_SOURCE_PATH_POSITION;
    return (int32_t)((uint32_t)head->trim.error_um + (follows ? (uint32_t)head->feed.gap_um : 0u));
}

static void fill_telemetry(const struct head *head, struct telemetry_regs *out)
{
    out->head_ms = head->ms;
    out->state = head->machine.state;
    out->inputs = (uint16_t)((head->inputs & INPUT_STOP ? INPUTS_STOP_TRIPPED : 0u) |
                             (head->inputs & INPUT_PERMIT ? INPUTS_PERMIT_GIVEN : 0u));
    out->status = status_bits(head);
    out->alarms_active = alarms_active(head);
    out->alarms_unacknowledged = head->alarms.unacknowledged;
    out->events_waiting = head->events.count;
    out->events_lost = head->events.lost;
    out->refused_count = head->refused_count;
    out->feed_position_mm = head->feed.position_um;
    out->feed_speed_mm_s = hundredths(head->feed.speed_um_s);
    out->feed_target_mm_s = hundredths(head->feed.target_um_s);
    out->length_to_go_mm = length_to_go_um(head);
    out->output_position_mm = head->wheels.output_um;
    out->output_speed_mm_s = hundredths(head->wheels.speed_um_s);
    out->mismatch_mm = hundredths(head->guards.mismatch_um);
    out->trim_ppm = head->feed.trim_ppm;
    out->pulse_overruns = head->guards.overruns_seen;
    out->laid_mm = trim_laid_um(head);
    out->length_error_mm = hundredths(length_error_um(head));
    out->trim_state = trim_state(head);
}

static void fill_zone(const struct zone_state *zone, struct zone_telemetry_regs *out)
{
    out->pv_degC = in_hundredths(zone->pv_degC);
    out->sp_degC = zone->sp_wire;
    out->op_percent = (uint16_t)in_hundredths(zone->op_percent);
    out->mode = zone->mode;
}

static void fill_identity(const struct head *head, struct identity_regs *out)
{
    out->map_hash = REG_MAP_HASH;
    out->version_major = VERSION_MAJOR;
    out->version_minor = VERSION_MINOR;
    out->version_patch = VERSION_PATCH;
    out->board = port_board(head->port);
    out->reset_cause = head->reset_cause;
    out->settings_origin = head->settings_origin;
    out->settings_sequence = head->store.sequence;
}

static void fill_counters(const struct head *head, struct link_counters_regs *out)
{
    const struct link *link = &head->link;
    NEAR(link);
    out->frames_good = link->frames_good;
    out->frames_bad = link->frames_bad;
    out->exceptions_sent = link->exceptions_sent;
    uint8_t before = port_lock(head->port);
    out->bytes_lost = link->bytes_lost; /* two bytes each, written by interrupts */
    out->edges_missed = head->wheels.output_errors;
    port_unlock(head->port, before);
}

static void fill_experiment(const struct experiment *now, struct experiment_status_regs *out)
{
    out->end = now->end;
    out->zone = now->zone;
    out->elapsed_s = now->elapsed_s;
    out->switches = now->switches;
}

void snapshot_fill(const struct head *head, uint8_t block, uint8_t instance, void *out)
{
    switch (block) {
    case BLOCK_IDENTITY:
        fill_identity(head, out);
        break;
    case BLOCK_TELEMETRY:
        fill_telemetry(head, out);
        break;
    case BLOCK_DRIVE_TELEMETRY:
        ((struct drive_telemetry_regs *)out)->pulses = head->feed.drive[instance].pulses;
        break;
    case BLOCK_ZONE_TELEMETRY:
        fill_zone(&head->zones.zone[instance], out);
        break;
    case BLOCK_LANE_TELEMETRY:
        ((struct lane_telemetry_regs *)out)->position_mm = wheels_lane_um(head, instance);
        break;
    case BLOCK_ALARM_DETAIL:
        ((struct alarm_detail_regs *)out)->instances = head->alarms.instances[instance];
        break;
    case BLOCK_REFUSAL:
        *(struct refusal_regs *)out = head->refusal;
        break;
    case BLOCK_EXPERIMENT_STATUS:
        fill_experiment(&head->experiment, out);
        break;
    case BLOCK_LINK_COUNTERS:
        fill_counters(head, out);
        break;
    default:
        break;
    }
}
