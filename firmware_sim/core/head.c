/* The head: brings the parts together and acts on written registers. */
#include "head.h"

#include <stddef.h>
#include <string.h>

static void read_inputs(struct head *head)
{
    head->inputs = port_inputs(head->port);
}

static void report_reset(struct head *head)
{
    event_put(head, EVENT_CODE_HEAD_RESET, head->reset_cause);
    if (head->reset_cause & RESET_CAUSE_WATCHDOG)
        alarm_set(head, ALARM_WATCHDOG_RESET, 1, true);
    if (head->reset_cause & RESET_CAUSE_BROWN_OUT)
        alarm_set(head, ALARM_BROWN_OUT_RESET, 1, true);
    if (store_unusable(head))
        alarm_set(head, ALARM_SETTINGS_DAMAGED, 1, true);
}

void head_init(struct head *head, const struct port *port, uint8_t reset_cause)
{
    memset(head, 0, sizeof *head);
    head->port = port;
    head->reset_cause = reset_cause;
    port_heaters(port, 0);
    access_preset(head, HOME_LIVE);
    store_load(head);
    head->unit_address = (uint8_t)head->settings.machine.unit_address;
    link_init(head);
    zones_init(head);
    feed_init(head);
    wheels_init(head);
    trim_start(head);
    state_init(head);
    report_reset(head);
}

void head_tick(struct head *head)
{
    head->ms++;
    read_inputs(head);
    wheels_tick(head);
    feed_tick(head);
    experiment_tick(head);
    zones_tick(head);
    guards_tick(head);
    state_tick(head);
    store_tick(head);
    link_tick(head);
}

void head_poll(struct head *head)
{
    link_poll(head);
}

uint8_t head_pulse(struct head *head)
{
    link_period(&head->link);
    return feed_pulse(&head->feed);
}

void head_receive(struct head *head, uint8_t byte)
{
    link_receive(&head->link, byte);
}

void head_sent(struct head *head)
{
    link_sent(&head->link);
}

void head_edge(struct head *head, uint8_t pins)
{
    wheels_edge(&head->wheels, pins);
}

ONE_COPY void head_overrun(struct head *head)
{
    if (head->feed.overruns != UINT16_MAX)
        head->feed.overruns = (uint16_t)(head->feed.overruns + 1u);
}

/* ------------------------------------------------------------------ what a written register does */

static int32_t magnitude(int32_t value)
{
    return value < 0 ? -value : value;
}

static bool under_way(uint8_t state)
{
    return state == STATE_EXECUTE || state == STATE_HOLDING || state == STATE_HELD || state == STATE_UNHOLDING;
}

static ONE_COPY uint8_t check_feed(const struct head *head, uint8_t entry, int32_t value)
{
    uint8_t state = head->machine.state;
    switch (entry) {
    case ENTRY_FEED_SPEED_MM_S:
    case ENTRY_FEED_PATH_SPEED_MM_S:
    case ENTRY_FEED_JOG_SPEED_MM_S:
        return magnitude(value) > head->settings.machine.speed_max_mm_s ? REFUSAL_OUT_OF_RANGE : REFUSAL_NONE;
    case ENTRY_FEED_SHEAR_AT_MM: /* a length already laid cannot be cut at */
        return value && under_way(state) && feed_cut_due(head, value) ? REFUSAL_OUT_OF_RANGE : REFUSAL_NONE;
    case ENTRY_FEED_JOG_LENGTH_MM:
        return value == 0 || state == STATE_IDLE || state == STATE_HELD ? REFUSAL_NONE : REFUSAL_WRONG_STATE;
    default:
        return REFUSAL_NONE;
    }
}

static uint8_t check_zone(const struct head *head, uint8_t zone, uint8_t entry, int32_t value)
{
    if (zone >= head->settings.machine.zones_fitted && value != 0)
        return REFUSAL_NOT_FITTED;
    if (entry == ENTRY_ZONE_MODE && value == ZONE_MODE_EXPERIMENT)
        return REFUSAL_NOT_SUPPORTED;
    if (entry == ENTRY_ZONE_SETPOINT_DEGC && value > head->settings.zone_settings[zone].setpoint_max_degC)
        return REFUSAL_SETPOINT_ABOVE_LIMIT;
    return REFUSAL_NONE;
}

/* What an experiment runs by stays as it was at its start. */
static uint8_t check_experiment(const struct head *head, uint8_t entry, int32_t value)
{
    if (entry == ENTRY_EXPERIMENT_RUN)
        return value ? experiment_allowed(head) : REFUSAL_NONE;
    return experiment_runs(head, head->experiment.zone) ? REFUSAL_WRONG_STATE : REFUSAL_NONE;
}

/* A save copies the settings byte by byte and must not see them change. */
static bool part_of_a_save(uint8_t block, uint8_t entry)
{
    return flash_u8(&reg_blocks[block].home) == HOME_SETTINGS || entry == ENTRY_COMMAND_STORE;
}

/* A jog moves in states that count as still; what must not change in motion waits for its end. */
static bool jog_would_mind(const struct head *head, uint8_t entry, int32_t value)
{
    if (head->feed.mode != FEED_JOG || (entry == ENTRY_FEED_JOG_LENGTH_MM && value == 0))
        return false;
    return KIND_WRITE(flash_u8(&reg_kinds[entry])) == WRITE_STILL;
}

uint8_t head_may_write(const struct head *head, uint8_t block, uint8_t instance, uint8_t entry, int32_t value)
{
    if (head->store.saving && part_of_a_save(block, entry))
        return REFUSAL_BUSY_SAVING;
    if (jog_would_mind(head, entry, value))
        return REFUSAL_WRONG_STATE;
    switch (block) {
    case BLOCK_COMMAND:
        return entry == ENTRY_COMMAND_COMMAND ? state_allows(head, (uint8_t)value) : REFUSAL_NONE;
    case BLOCK_FEED:
        return check_feed(head, entry, value);
    case BLOCK_ZONE:
        return check_zone(head, instance, entry, value);
    case BLOCK_EXPERIMENT:
        return check_experiment(head, entry, value);
    default:
        return REFUSAL_NONE;
    }
}

static ONE_COPY void use_store(struct head *head, uint16_t action)
{
    if (action == STORE_ACTION_SAVE)
        store_save(head);
    else if (action == STORE_ACTION_RELOAD)
        store_reload(head);
    else if (action == STORE_ACTION_DEFAULTS)
        access_preset(head, HOME_SETTINGS);
    feed_apply(head);
}

static ONE_COPY void command_written(struct head *head, uint8_t entry)
{
    struct command_regs *command = &head->live.command;
    NEAR(command);
    if (entry == ENTRY_COMMAND_COMMAND)
        state_command(head, (uint8_t)command->command);
    else if (entry == ENTRY_COMMAND_ACKNOWLEDGE)
        alarm_acknowledge(head, command->acknowledge);
    else if (entry == ENTRY_COMMAND_EVENTS_TAKEN)
        events_taken(&head->events, command->events_taken);
    else if (entry == ENTRY_COMMAND_STORE)
        use_store(head, command->store);
}

static void feed_written(struct head *head, uint8_t entry)
{
    if (entry == ENTRY_FEED_PATH_SPEED_MM_S)
        feed_path_written(head);
    else if (entry == ENTRY_FEED_SHEAR_AT_MM)
        feed_shear_written(head);
    else if (entry == ENTRY_FEED_JOG_LENGTH_MM)
        feed_jog(head);
}

/* A lowered limit takes the setpoint down with it. */
static void clamp_setpoints(struct head *head)
{
    for (uint8_t i = 0; i < ZONES; i++) {
        int16_t highest = head->settings.zone_settings[i].setpoint_max_degC;
        if (head->live.zone[i].setpoint_degC > highest)
            head->live.zone[i].setpoint_degC = highest;
    }
}

void head_written(struct head *head, uint8_t block, uint8_t entry)
{
    if (block == BLOCK_COMMAND)
        command_written(head, entry);
    else if (block == BLOCK_FEED)
        feed_written(head, entry);
    else if (entry == ENTRY_PATH_REFERENCE_SPEED_MM_S)
        feed_reference_written(head);
    else if (entry == ENTRY_EXPERIMENT_RUN)
        experiment_written(head);
    else if (block == BLOCK_DRIVE_SETTINGS || block == BLOCK_MACHINE)
        feed_apply(head);
    else if (block == BLOCK_ZONE_SETTINGS)
        clamp_setpoints(head);
}
