/* Machine states. Which command leads where is the generated `transitions` table; what a state does
 * on entry and when it is done is below. */
#include "state.h"

#include "head.h"

/* A state that only passes through stays this long, so that a client polling at 50 Hz can see it. */
#define PASSING_MS 100u

static uint8_t next_state(uint8_t from, uint8_t command)
{
    uint16_t wanted = (uint16_t)TRANSITION((uint16_t)from, (uint16_t)command, 0u);
    for (uint8_t i = 0; i < TRANSITION_COUNT; i++) {
        uint16_t to = flash_u16(&transitions[i]) ^ wanted;
        if (to < 32u)
            return (uint8_t)to;
    }
    return 0;
}

static void run_begins(struct head *head)
{
    feed_zero(head);
    wheels_zero(head);
    guards_start(head);
    trim_start(head);
}

/* Heaters may work everywhere but on the way to, in and out of Stopped and Aborted. */
static bool heaters_allowed(uint8_t state)
{
    return state != STATE_STOPPED && state != STATE_STOPPING && state != STATE_ABORTING &&
           state != STATE_ABORTED && state != STATE_CLEARING;
}

/* Strip stands in the guide, or the host is gone while nothing is fed. */
static bool standby_wanted(const struct head *head)
{
    uint8_t state = head->machine.state;
    return state == STATE_HELD || state == STATE_COMPLETE || (link_silent(head) && !state_feeding(head));
}

static void enter(struct head *head, uint8_t state)
{
    uint8_t before = head->machine.state;
    head->machine.state = state;
    head->machine.entered_ms = head->ms;
    if (state == STATE_STOPPING || state == STATE_ABORTING)
        zones_forget(head);
    zones_enable(head, heaters_allowed(state));
    zones_standby(head, standby_wanted(head));
    switch (state) {
    case STATE_STARTING:
        run_begins(head);
        break;
    case STATE_EXECUTE:
        if (before == STATE_UNHOLDING)
            guards_start(head);
        feed_enable(head, true);
        feed_run(head);
        break;
    case STATE_HOLDING:
    case STATE_COMPLETING:
    case STATE_STOPPING:
        feed_rest(head);
        break;
    case STATE_ABORTING:
        feed_halt(head);
        break;
    case STATE_STOPPED:
    case STATE_COMPLETE:
        head->live.feed.shear_at_mm = 0; /* armed for this run only */
        feed_shear_written(head);
        feed_enable(head, false);
        break;
    default:
        break;
    }
    event_put(head, EVENT_CODE_STATE_ENTERED, state);
}

void state_init(struct head *head)
{
    head->machine.state = 0;
    enter(head, STATE_STOPPED);
}

ONE_COPY uint16_t settle_ms(const struct head *head)
{
    return (uint16_t)(head->settings.guards.settle_time_s * 1000u); /* at most 65 s */
}

/* Feeding begins warm, and not before the motion system permits it. */
static bool ready_to_feed(const struct head *head)
{
    return zones_settled(head, settle_ms(head)) && (head->inputs & INPUT_PERMIT);
}

static bool work_done(const struct head *head)
{
    switch (head->machine.state) {
    case STATE_STARTING:
    case STATE_UNHOLDING:
        return ready_to_feed(head);
    case STATE_EXECUTE:
        return head->feed.length_done;
    case STATE_HOLDING:
    case STATE_STOPPING:
        return feed_at_rest(head);
    case STATE_COMPLETING:
        return feed_at_rest(head) && head->feed.shear_ms == 0;
    case STATE_RESETTING:
    case STATE_ABORTING:
    case STATE_CLEARING:
        return head->ms - head->machine.entered_ms >= PASSING_MS;
    default:
        return false;
    }
}

void state_tick(struct head *head)
{
    if (standby_wanted(head) != head->zones.standby)
        zones_standby(head, standby_wanted(head));
    if (!work_done(head))
        return;
    uint8_t to = next_state(head->machine.state, TRANSITION_DONE);
    if (to != 0)
        enter(head, to);
}

/* These lead towards heat and motion, so nothing that would undo them at once may stand. */
static bool needs_calm(uint8_t command)
{
    return command == COMMAND_RESET || command == COMMAND_START || command == COMMAND_UNHOLD ||
           command == COMMAND_CLEAR;
}

uint8_t state_allows(const struct head *head, uint8_t command)
{
    if (command == COMMAND_NONE)
        return REFUSAL_NONE;
    if (command >= TRANSITION_DONE || next_state(head->machine.state, command) == 0)
        return REFUSAL_NO_SUCH_TRANSITION;
    if (needs_calm(command) && alarms_blocking(head))
        return REFUSAL_ALARM_STANDING;
    if (command == COMMAND_START && !zones_wanted(head))
        return REFUSAL_ZONES_OFF;
    if (needs_calm(command) && head->feed.mode == FEED_JOG)
        return REFUSAL_WRONG_STATE;
    return REFUSAL_NONE;
}

void state_command(struct head *head, uint8_t command)
{
    if (command != COMMAND_NONE && state_allows(head, command) == REFUSAL_NONE)
        enter(head, next_state(head->machine.state, command));
}

void state_react(struct head *head, uint8_t reaction)
{
    uint8_t command = COMMAND_NONE;
    if (reaction == REACTION_HOLD)
        command = COMMAND_HOLD;
    else if (reaction == REACTION_STOP)
        command = COMMAND_STOP;
    else if (reaction == REACTION_ABORT)
        command = COMMAND_ABORT;
    state_command(head, command);
}

bool state_still(const struct head *head)
{
    uint8_t state = head->machine.state;
    return state == STATE_STOPPED || state == STATE_IDLE || state == STATE_HELD ||
           state == STATE_COMPLETE || state == STATE_ABORTED;
}

bool state_feeding(const struct head *head)
{
    return head->machine.state == STATE_EXECUTE;
}
