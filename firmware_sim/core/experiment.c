/* Relay, step and doublet on one zone.
 *
 * The relay has hysteresis (K.J. Astrom, T. Hagglund, Automatica 20 (1984) 645-651) and free levels, so
 * it may be biased: its limit cycle then shows gain, lag and dead time (Q.G. Wang, C.C. Hang, B. Zou,
 * Ind. Eng. Chem. Res. 36 (1997); both memory). */
#include "experiment.h"

#include <math.h>
#include <string.h>

#include "head.h"

#define LEVELS_OF_STEP 2u
#define LEVELS_OF_DOUBLET 4u

static ONE_COPY bool going(const struct head *head)
{
    return head->experiment.end == EXPERIMENT_END_RUNNING;
}

static ONE_COPY bool state_fits(const struct head *head)
{
    return head->machine.state == STATE_IDLE || head->machine.state == STATE_EXECUTE;
}

uint8_t experiment_allowed(const struct head *head)
{
    const struct experiment_regs *set = &head->live.experiment;
    NEAR(set);
    if (set->zone >= head->settings.machine.zones_fitted)
        return REFUSAL_NOT_FITTED;
    if (!state_fits(head) || going(head) || isnan(head->zones.zone[set->zone].pv_degC))
        return REFUSAL_WRONG_STATE;
    if (set->kind == EXPERIMENT_KIND_NONE || set->op_low_percent >= set->op_high_percent)
        return REFUSAL_OUT_OF_RANGE;
    if (set->switch_degC > head->settings.zone_settings[set->zone].setpoint_max_degC)
        return REFUSAL_SETPOINT_ABOVE_LIMIT;
    return REFUSAL_NONE;
}

static void finish(struct head *head, uint8_t end)
{
    struct experiment *now = &head->experiment;
    now->end = end;
    head->live.experiment.run = 0;
    event_put(head, EVENT_CODE_EXPERIMENT_ENDED, (uint16_t)((uint16_t)now->zone << 8 | end));
}

void experiment_written(struct head *head)
{
    struct experiment *now = &head->experiment;
    NEAR(now);
    if (!head->live.experiment.run) {
        if (going(head))
            finish(head, EXPERIMENT_END_STOPPED);
        return;
    }
    memset(now, 0, sizeof *now);
    now->zone = (uint8_t)head->live.experiment.zone;
    now->began_ms = head->ms;
    now->op = (uint16_t)in_hundredths(head->zones.zone[now->zone].op_percent);
    now->end = EXPERIMENT_END_RUNNING;
}

bool experiment_runs(const struct head *head, uint8_t zone)
{
    return going(head) && head->experiment.zone == zone;
}

static uint8_t why_end(const struct head *head)
{
    const struct experiment_regs *set = &head->live.experiment;
    NEAR(set);
    float pv_degC = head->zones.zone[head->experiment.zone].pv_degC;
    if (isnan(pv_degC))
        return EXPERIMENT_END_SENSOR_FAILED;
    if (in_hundredths(pv_degC) > set->ceiling_degC)
        return EXPERIMENT_END_TOO_HOT;
    if (!state_fits(head))
        return EXPERIMENT_END_STATE_LEFT;
    if (link_silent(head))
        return EXPERIMENT_END_LINK_SILENT;
    if (head->experiment.elapsed_s >= set->time_limit_s)
        return EXPERIMENT_END_OUT_OF_TIME;
    return EXPERIMENT_END_RUNNING;
}

void experiment_tick(struct head *head)
{
    struct experiment *now = &head->experiment;
    if (!going(head))
        return;
    if (head->ms - now->began_ms >= ((uint32_t)now->elapsed_s + 1u) * UINT32_C(1000))
        now->elapsed_s++;
    uint8_t end = why_end(head);
    if (end != EXPERIMENT_END_RUNNING)
        finish(head, end);
}

/* Outputs and temperatures below are in hundredths, as on the wire. */

static uint16_t relay_output(struct head *head, int16_t pv)
{
    const struct experiment_regs *set = &head->live.experiment;
    NEAR(set);
    struct experiment *now = &head->experiment;
    NEAR(now);
    int16_t away = (int16_t)(pv - set->switch_degC);
    int16_t least = (int16_t)set->hysteresis_degC;
    if (away > least)
        now->high = false;
    else if (away < -least || (now->switches == 0 && away < 0))
        now->high = true;
    return now->high ? set->op_high_percent : set->op_low_percent;
}

/* The level of an interval: step low, high; doublet middle, high, low, middle. */
static uint16_t level_output(const struct experiment_regs *set, uint16_t level)
{
    uint16_t low = set->op_low_percent, high = set->op_high_percent;
    if (set->kind == EXPERIMENT_KIND_STEP)
        return level == 0 ? low : high;
    if (level == 1u)
        return high;
    return level == 2u ? low : (uint16_t)((low + high) / 2u);
}

static bool all_done(const struct head *head, uint16_t level)
{
    const struct experiment_regs *set = &head->live.experiment;
    NEAR(set);
    if (set->kind == EXPERIMENT_KIND_RELAY)
        return head->experiment.switches > set->switchings;
    return level >= (set->kind == EXPERIMENT_KIND_STEP ? LEVELS_OF_STEP : LEVELS_OF_DOUBLET);
}

uint16_t experiment_output(struct head *head, float pv_degC)
{
    struct experiment *now = &head->experiment;
    const struct experiment_regs *set = &head->live.experiment;
    NEAR(set);
    uint16_t level = now->elapsed_s / set->interval_s;
    if (!going(head))
        return now->op;
    if (all_done(head, level)) {
        finish(head, EXPERIMENT_END_FINISHED);
        return now->op;
    }
    uint16_t op = set->kind == EXPERIMENT_KIND_RELAY ? relay_output(head, in_hundredths(pv_degC))
                                                     : level_output(set, level);
    if (op != now->op || now->switches == 0)
        now->switches++;
    now->op = op;
    return op;
}
