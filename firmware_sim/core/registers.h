/* Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit. */
#ifndef PLYLANE_REGISTERS_H
#define PLYLANE_REGISTERS_H

#include <stdint.h>

#define REG_MAP_HASH 0x84275C85UL
#define REG_FIFO_ADDRESS 768u
#define VERSION_MAJOR 0u
#define VERSION_MINOR 1u
#define VERSION_PATCH 0u
#define VERSION_TEXT "0.1.0"
#define MAP_HASH_TEXT "84275c85"
#define VENDOR_TEXT "plylane"
#define PRODUCT_TEXT "press head controller"
#define ZONES 3u
#define DRIVES 3u
#define LANES 8u

/* Machine states of ISA-TR88.00.02; the numbers are its state numbers (memory). */
enum state {
    STATE_CLEARING = 1,
    STATE_STOPPED = 2,
    STATE_STARTING = 3,
    STATE_IDLE = 4,
    STATE_EXECUTE = 6,
    STATE_STOPPING = 7,
    STATE_ABORTING = 8,
    STATE_ABORTED = 9,
    STATE_HOLDING = 10,
    STATE_HELD = 11,
    STATE_UNHOLDING = 12,
    STATE_RESETTING = 15,
    STATE_COMPLETING = 16,
    STATE_COMPLETE = 17,
};

/* Commands of ISA-TR88.00.02; the numbers are its command numbers (memory). */
enum command {
    COMMAND_NONE = 0,
    COMMAND_RESET = 1,
    COMMAND_START = 2,
    COMMAND_STOP = 3,
    COMMAND_HOLD = 4,
    COMMAND_UNHOLD = 5,
    COMMAND_ABORT = 8,
    COMMAND_CLEAR = 9,
    COMMAND_COMPLETE = 10,
};

/* What sets the output of a zone. */
enum zone_mode {
    ZONE_MODE_OFF = 0,
    ZONE_MODE_MANUAL = 1,
    ZONE_MODE_AUTOMATIC = 2,
    ZONE_MODE_EXPERIMENT = 3,
};

/* How an experiment moves the output of its zone. */
enum experiment_kind {
    EXPERIMENT_KIND_NONE = 0,
    EXPERIMENT_KIND_RELAY = 1,
    EXPERIMENT_KIND_STEP = 2,
    EXPERIMENT_KIND_DOUBLET = 3,
};

/* How the last experiment stands or ended. */
enum experiment_end {
    EXPERIMENT_END_NONE = 0,
    EXPERIMENT_END_RUNNING = 1,
    EXPERIMENT_END_FINISHED = 2,
    EXPERIMENT_END_STOPPED = 3,
    EXPERIMENT_END_TOO_HOT = 4,
    EXPERIMENT_END_OUT_OF_TIME = 5,
    EXPERIMENT_END_LINK_SILENT = 6,
    EXPERIMENT_END_SENSOR_FAILED = 7,
    EXPERIMENT_END_STATE_LEFT = 8,
};

/* Temperature sensor of a zone. */
enum sensor_kind {
    SENSOR_KIND_NTC = 0,
    SENSOR_KIND_PT1000 = 1,
};

/* Where the master feed takes its speed from. */
enum feed_source {
    FEED_SOURCE_SET_SPEED = 0,
    FEED_SOURCE_LENGTH = 1,
    FEED_SOURCE_PATH = 2,
    FEED_SOURCE_PATH_POSITION = 3,
};

/* What sets the trim of the master feed: nothing, trim_ppm, or the output wheel. */
enum trim_mode {
    TRIM_MODE_OFF = 0,
    TRIM_MODE_FIXED = 1,
    TRIM_MODE_AUTOMATIC = 2,
};

/* What the trim does, or why automatic trim is frozen: output wheel against feed, or against the lane wheels. */
enum trim_state {
    TRIM_STATE_OFF = 0,
    TRIM_STATE_FIXED = 1,
    TRIM_STATE_AUTOMATIC = 2,
    TRIM_STATE_WHEEL_SLIPS = 3,
    TRIM_STATE_WHEEL_DRIFTS = 4,
};

/* What to do with the stored settings. */
enum store_action {
    STORE_ACTION_NONE = 0,
    STORE_ACTION_SAVE = 1,
    STORE_ACTION_RELOAD = 2,
    STORE_ACTION_DEFAULTS = 3,
};

/* Where the settings in force came from at the last reset. */
enum settings_origin {
    SETTINGS_ORIGIN_DEFAULTS = 0,
    SETTINGS_ORIGIN_FIRST_COPY = 1,
    SETTINGS_ORIGIN_SECOND_COPY = 2,
    SETTINGS_ORIGIN_DAMAGED = 3,
    SETTINGS_ORIGIN_OTHER_FIRMWARE = 4,
};

/* What the core runs on. */
enum board {
    BOARD_ATMEGA328P = 1,
    BOARD_TWIN = 2,
};

/* What a guard makes the head do. */
enum reaction {
    REACTION_REPORT = 0,
    REACTION_HOLD = 1,
    REACTION_STOP = 2,
    REACTION_ABORT = 3,
};

/* Why the head changed nothing on the last refused write. */
enum refusal {
    REFUSAL_NONE = 0,
    REFUSAL_OUT_OF_RANGE = 1,
    REFUSAL_WRONG_STATE = 2,
    REFUSAL_HALF_OF_PAIR = 3,
    REFUSAL_READ_ONLY = 4,
    REFUSAL_BUSY_SAVING = 5,
    REFUSAL_NO_SUCH_TRANSITION = 6,
    REFUSAL_NOT_FITTED = 7,
    REFUSAL_ALARM_STANDING = 8,
    REFUSAL_NOT_SUPPORTED = 9,
    REFUSAL_SETPOINT_ABOVE_LIMIT = 10,
    REFUSAL_NO_SUCH_ADDRESS = 11,
    REFUSAL_ZONES_OFF = 12,
};

/* What an event in the queue tells. Arguments: reset cause; state; of alarms 256 x alarm + zone, drive or lane from 0; number of the save; origin of settings; length in mm; 256 x zone + mode; events lost; address of the register; 256 x zone + ExperimentEnd. */
enum event_code {
    EVENT_CODE_HEAD_RESET = 1,
    EVENT_CODE_STATE_ENTERED = 2,
    EVENT_CODE_ALARM_RAISED = 3,
    EVENT_CODE_ALARM_CLEARED = 4,
    EVENT_CODE_ALARM_ACKNOWLEDGED = 5,
    EVENT_CODE_SETTINGS_SAVED = 6,
    EVENT_CODE_SETTINGS_LOADED = 7,
    EVENT_CODE_SETTINGS_FAILED = 8,
    EVENT_CODE_SHEAR_FIRED = 9,
    EVENT_CODE_LENGTH_REACHED = 10,
    EVENT_CODE_ZONE_MODE = 11,
    EVENT_CODE_EVENTS_LOST = 12,
    EVENT_CODE_WRITE_REFUSED = 13,
    EVENT_CODE_EXPERIMENT_ENDED = 14,
};

/* Switch inputs, as read. */
#define INPUTS_STOP_TRIPPED 0x0001u
#define INPUTS_PERMIT_GIVEN 0x0002u

/* What the head is doing. */
#define STATUS_AT_TEMPERATURE 0x0001u
#define STATUS_MOVING 0x0002u
#define STATUS_HEATERS_ENABLED 0x0004u
#define STATUS_DRIVES_ENABLED 0x0008u
#define STATUS_PATH_FRESH 0x0010u
#define STATUS_SAVING 0x0020u
#define STATUS_SHEAR_ARMED 0x0040u
#define STATUS_JOGGING 0x0080u

/* Why the head last reset. */
#define RESET_CAUSE_POWER_ON 0x0001u
#define RESET_CAUSE_EXTERNAL 0x0002u
#define RESET_CAUSE_BROWN_OUT 0x0004u
#define RESET_CAUSE_WATCHDOG 0x0008u

/* Alarms: the number is the bit in the alarm registers. */
enum alarm {
    ALARM_OVER_TEMPERATURE = 0,
    ALARM_SENSOR_OPEN = 1,
    ALARM_SENSOR_SHORTED = 2,
    ALARM_SENSOR_STUCK = 3,
    ALARM_SENSOR_DETACHED = 4,
    ALARM_HEATING_WITHOUT_EFFECT = 5,
    ALARM_HEAT_WITHOUT_COMMAND = 6,
    ALARM_UNDER_TEMPERATURE = 7,
    ALARM_START_TIMEOUT = 8,
    ALARM_LINK_SILENT = 9,
    ALARM_FEED_MISMATCH = 10,
    ALARM_LANE_STOPPED = 11,
    ALARM_STRIP_DWELL = 12,
    ALARM_STOP_INPUT = 13,
    ALARM_PERMIT_LOST = 14,
    ALARM_PULSE_OVERRUN = 15,
    ALARM_WATCHDOG_RESET = 16,
    ALARM_BROWN_OUT_RESET = 17,
    ALARM_SETTINGS_DAMAGED = 18,
    ALARM_WHEEL_SLIPS = 19,
    ALARM_WHEEL_DRIFTS = 20,
    ALARM_LENGTH_OFF = 21,
    ALARM_PATH_STALE = 22,
    ALARM_PATH_REVERSED = 23,
    ALARM_PATH_TOO_FAST = 24,
    ALARM_COUNT = 25
};

#define TRANSITION_COUNT 38u

/* Registers as they travel: every field is the integer on the wire. Without gaps on any
 * processor, so that a register's place in its block is its place in the struct. */
#pragma pack(push, 2)
struct identity_regs { /* Who answers. */
    uint32_t map_hash;
    uint16_t version_major;
    uint16_t version_minor;
    uint16_t version_patch;
    uint16_t board;
    uint16_t reset_cause;
    uint16_t settings_origin;
    uint16_t settings_sequence;
};

struct telemetry_regs { /* One coherent snapshot. Read it together with the drive, zone and lane blocks that follow it. */
    uint32_t head_ms; /* [1 ms] */
    uint16_t state;
    uint16_t inputs;
    uint16_t status;
    uint32_t alarms_active;
    uint32_t alarms_unacknowledged;
    uint16_t events_waiting;
    uint16_t events_lost;
    uint16_t refused_count;
    int32_t feed_position_mm; /* [0.001 mm] */
    int16_t feed_speed_mm_s; /* [0.01 mm/s] */
    int16_t feed_target_mm_s; /* [0.01 mm/s] */
    int32_t length_to_go_mm; /* [0.001 mm] */
    int32_t output_position_mm; /* [0.001 mm] */
    int16_t output_speed_mm_s; /* [0.01 mm/s] */
    int16_t mismatch_mm; /* [0.01 mm] */
    int32_t trim_ppm; /* [1 ppm] */
    uint16_t pulse_overruns;
    int32_t laid_mm; /* [0.001 mm] */
    int16_t length_error_mm; /* [0.01 mm] */
    uint16_t trim_state;
};

struct drive_telemetry_regs { /* A drive. */
    int32_t pulses;
};

struct zone_telemetry_regs { /* A zone. */
    int16_t pv_degC; /* [0.01 degC] */
    int16_t sp_degC; /* [0.01 degC] */
    uint16_t op_percent; /* [0.01 %] */
    uint16_t mode;
};

struct lane_telemetry_regs { /* A lane. */
    int32_t position_mm; /* [0.001 mm] */
};

struct alarm_detail_regs { /* Which zones, drives or lanes an alarm concerns, in the order of the alarm table. */
    uint16_t instances;
};

struct refusal_regs { /* The last refused write. */
    uint16_t reason;
    uint16_t address;
    int32_t value;
};

struct link_counters_regs { /* Counts since reset; they wrap. */
    uint16_t frames_good;
    uint16_t frames_bad;
    uint16_t exceptions_sent;
    uint16_t bytes_lost;
    uint16_t edges_missed;
};

struct experiment_status_regs { /* The experiment under way, or the last one. */
    uint16_t end;
    uint16_t zone;
    uint16_t elapsed_s; /* [1 s] */
    uint16_t switches;
};

struct command_regs { /* Commands. Each acts when written and reads back as last accepted. */
    uint16_t command;
    uint32_t acknowledge;
    uint16_t events_taken;
    uint16_t store;
};

struct feed_regs { /* Master feed, not stored. */
    uint16_t source;
    int16_t speed_mm_s; /* [0.01 mm/s] */
    int32_t length_mm; /* [0.001 mm] */
    int16_t path_speed_mm_s; /* [0.01 mm/s] */
    int16_t trim_ppm; /* [1 ppm] */
    int32_t shear_at_mm; /* [0.001 mm] */
    uint16_t jog_drives;
    int16_t jog_speed_mm_s; /* [0.01 mm/s] */
    int32_t jog_length_mm; /* [0.001 mm] */
    uint16_t strip_in;
    uint16_t trim_mode;
};

struct path_reference_regs { /* Where the robot is on its path, for source path_position. Write all three in one request: the speed, last, makes them count. A stamp not newer than the last one is ignored. */
    uint16_t stamp_ms; /* [1 ms] */
    int32_t position_mm; /* [0.001 mm] */
    int16_t speed_mm_s; /* [0.01 mm/s] */
};

struct zone_regs { /* A zone, not stored: a head comes up with its zones off, and stop and abort switch them off. */
    uint16_t mode;
    int16_t setpoint_degC; /* [0.01 degC] */
    uint16_t manual_op_percent; /* [0.01 %] */
};

struct experiment_regs { /* An experiment moves a zone's output to learn how the zone answers, then gives the zone back to its mode. It ends by itself when the zone gets too hot, time is over, the link falls silent or the machine leaves Idle and Execute. */
    uint16_t kind;
    uint16_t zone;
    uint16_t op_low_percent; /* [0.01 %] */
    uint16_t op_high_percent; /* [0.01 %] */
    int16_t switch_degC; /* [0.01 degC] */
    uint16_t hysteresis_degC; /* [0.01 degC] */
    uint16_t interval_s; /* [1 s] */
    uint16_t switchings;
    int16_t ceiling_degC; /* [0.01 degC] */
    uint16_t time_limit_s; /* [1 s] */
    uint16_t run;
};

struct machine_regs { /* What is fitted. */
    uint16_t unit_address;
    uint16_t zones_fitted;
    uint16_t drives_fitted;
    uint16_t lanes_fitted;
    uint16_t speed_max_mm_s; /* [0.01 mm/s] */
    uint16_t acceleration_mm_s2; /* [1 mm/s2] */
    uint32_t output_mm_per_count; /* [1e-06 mm] */
    uint16_t output_reversed;
    uint16_t expected_slip_percent; /* [0.01 %] */
    uint16_t trim_max_percent; /* [0.01 %] */
    uint16_t shear_to_nozzle_mm; /* [0.01 mm] */
    uint16_t path_delay_ms; /* [1 ms] */
};

struct zone_settings_regs { /* A zone. */
    uint16_t sensor;
    uint32_t divider_ohm; /* [1 ohm] */
    uint32_t ntc_r25_ohm; /* [1 ohm] */
    int32_t ntc_a_per_K; /* [1e-11 1/K] */
    int32_t ntc_b_per_K; /* [1e-11 1/K] */
    int32_t ntc_c_per_K; /* [1e-11 1/K] */
    int32_t ntc_d_per_K; /* [1e-11 1/K] */
    int16_t sensor_offset_degC; /* [0.01 degC] */
    uint16_t kp_percent_per_degC; /* [0.01 %/degC] */
    uint16_t ti_s; /* [0.1 s] */
    uint16_t td_s; /* [0.1 s] */
    uint16_t td_filter_s; /* [0.1 s] */
    uint16_t op_min_percent; /* [0.01 %] */
    uint16_t op_max_percent; /* [0.01 %] */
    uint16_t feed_forward_percent_per_mm_s; /* [0.01 %/(mm/s)] */
    uint16_t window_ms; /* [1 ms] */
    int16_t setpoint_max_degC; /* [0.01 degC] */
    int16_t standby_degC; /* [0.01 degC] */
    uint16_t band_degC; /* [0.01 degC] */
    int16_t over_temperature_degC; /* [0.01 degC] */
    uint16_t under_temperature_degC; /* [0.01 degC] */
    uint16_t effect_op_percent; /* [0.01 %] */
    uint16_t effect_rise_degC; /* [0.01 degC] */
    uint16_t effect_time_s; /* [1 s] */
    uint16_t uncommanded_rise_degC; /* [0.01 degC] */
    uint16_t uncommanded_time_s; /* [1 s] */
    uint16_t fall_rate_degC_s; /* [0.01 degC/s] */
    uint16_t stuck_time_s; /* [1 s] */
    uint16_t rail_codes;
    int16_t feed_forward_first_percent_per_mm_s; /* [0.01 %/(mm/s)] */
    uint16_t feed_forward_after_mm; /* [1 mm] */
};

struct drive_settings_regs { /* A drive: infeed, press, outfeed, in this order. */
    uint32_t pulses_per_m; /* [0.01 1/m] */
    int32_t ratio_ppm; /* [1 ppm] */
    uint16_t reversed;
};

struct lane_settings_regs { /* A lane. */
    uint32_t mm_per_pulse; /* [1e-06 mm] */
};

struct guards_regs { /* Limits of the guards that are not a zone's. */
    uint16_t link_timeout_ms; /* [1 ms] */
    uint16_t mismatch_limit_mm; /* [0.01 mm] */
    uint16_t mismatch_window_mm; /* [1 mm] */
    uint16_t lane_stall_mm; /* [0.01 mm] */
    uint16_t dwell_time_s; /* [1 s] */
    int16_t dwell_temperature_degC; /* [0.01 degC] */
    uint16_t permit_delay_ms; /* [1 ms] */
    uint16_t path_timeout_ms; /* [1 ms] */
    uint16_t start_timeout_s; /* [1 s] */
    uint16_t guide_length_mm; /* [1 mm] */
    uint16_t settle_time_s; /* [1 s] */
    uint16_t path_limit_mm; /* [0.01 mm] */
    uint16_t wheel_limit_mm; /* [0.01 mm] */
};

struct live {
    struct command_regs command;
    struct feed_regs feed;
    struct path_reference_regs path_reference;
    struct zone_regs zone[3];
    struct experiment_regs experiment;
};
struct settings {
    struct machine_regs machine;
    struct zone_settings_regs zone_settings[3];
    struct drive_settings_regs drive_settings[3];
    struct lane_settings_regs lane_settings[8];
    struct guards_regs guards;
};
#pragma pack(pop)

enum reg_block_id {
    BLOCK_IDENTITY = 0,
    BLOCK_TELEMETRY = 1,
    BLOCK_DRIVE_TELEMETRY = 2,
    BLOCK_ZONE_TELEMETRY = 3,
    BLOCK_LANE_TELEMETRY = 4,
    BLOCK_ALARM_DETAIL = 5,
    BLOCK_REFUSAL = 6,
    BLOCK_LINK_COUNTERS = 7,
    BLOCK_EXPERIMENT_STATUS = 8,
    BLOCK_COMMAND = 9,
    BLOCK_FEED = 10,
    BLOCK_PATH_REFERENCE = 11,
    BLOCK_ZONE = 12,
    BLOCK_EXPERIMENT = 13,
    BLOCK_MACHINE = 14,
    BLOCK_ZONE_SETTINGS = 15,
    BLOCK_DRIVE_SETTINGS = 16,
    BLOCK_LANE_SETTINGS = 17,
    BLOCK_GUARDS = 18,
    BLOCK_COUNT = 19
};

/* Each register's number in reg_kinds. */
#define ENTRY_IDENTITY_MAP_HASH 0u
#define ENTRY_IDENTITY_VERSION_MAJOR 1u
#define ENTRY_IDENTITY_VERSION_MINOR 2u
#define ENTRY_IDENTITY_VERSION_PATCH 3u
#define ENTRY_IDENTITY_BOARD 4u
#define ENTRY_IDENTITY_RESET_CAUSE 5u
#define ENTRY_IDENTITY_SETTINGS_ORIGIN 6u
#define ENTRY_IDENTITY_SETTINGS_SEQUENCE 7u
#define ENTRY_TELEMETRY_HEAD_MS 8u
#define ENTRY_TELEMETRY_STATE 9u
#define ENTRY_TELEMETRY_INPUTS 10u
#define ENTRY_TELEMETRY_STATUS 11u
#define ENTRY_TELEMETRY_ALARMS_ACTIVE 12u
#define ENTRY_TELEMETRY_ALARMS_UNACKNOWLEDGED 13u
#define ENTRY_TELEMETRY_EVENTS_WAITING 14u
#define ENTRY_TELEMETRY_EVENTS_LOST 15u
#define ENTRY_TELEMETRY_REFUSED_COUNT 16u
#define ENTRY_TELEMETRY_FEED_POSITION_MM 17u
#define ENTRY_TELEMETRY_FEED_SPEED_MM_S 18u
#define ENTRY_TELEMETRY_FEED_TARGET_MM_S 19u
#define ENTRY_TELEMETRY_LENGTH_TO_GO_MM 20u
#define ENTRY_TELEMETRY_OUTPUT_POSITION_MM 21u
#define ENTRY_TELEMETRY_OUTPUT_SPEED_MM_S 22u
#define ENTRY_TELEMETRY_MISMATCH_MM 23u
#define ENTRY_TELEMETRY_TRIM_PPM 24u
#define ENTRY_TELEMETRY_PULSE_OVERRUNS 25u
#define ENTRY_TELEMETRY_LAID_MM 26u
#define ENTRY_TELEMETRY_LENGTH_ERROR_MM 27u
#define ENTRY_TELEMETRY_TRIM_STATE 28u
#define ENTRY_DRIVE_TELEMETRY_PULSES 29u
#define ENTRY_ZONE_TELEMETRY_PV_DEGC 30u
#define ENTRY_ZONE_TELEMETRY_SP_DEGC 31u
#define ENTRY_ZONE_TELEMETRY_OP_PERCENT 32u
#define ENTRY_ZONE_TELEMETRY_MODE 33u
#define ENTRY_LANE_TELEMETRY_POSITION_MM 34u
#define ENTRY_ALARM_DETAIL_INSTANCES 35u
#define ENTRY_REFUSAL_REASON 36u
#define ENTRY_REFUSAL_ADDRESS 37u
#define ENTRY_REFUSAL_VALUE 38u
#define ENTRY_LINK_COUNTERS_FRAMES_GOOD 39u
#define ENTRY_LINK_COUNTERS_FRAMES_BAD 40u
#define ENTRY_LINK_COUNTERS_EXCEPTIONS_SENT 41u
#define ENTRY_LINK_COUNTERS_BYTES_LOST 42u
#define ENTRY_LINK_COUNTERS_EDGES_MISSED 43u
#define ENTRY_EXPERIMENT_STATUS_END 44u
#define ENTRY_EXPERIMENT_STATUS_ZONE 45u
#define ENTRY_EXPERIMENT_STATUS_ELAPSED_S 46u
#define ENTRY_EXPERIMENT_STATUS_SWITCHES 47u
#define ENTRY_COMMAND_COMMAND 48u
#define ENTRY_COMMAND_ACKNOWLEDGE 49u
#define ENTRY_COMMAND_EVENTS_TAKEN 50u
#define ENTRY_COMMAND_STORE 51u
#define ENTRY_FEED_SOURCE 52u
#define ENTRY_FEED_SPEED_MM_S 53u
#define ENTRY_FEED_LENGTH_MM 54u
#define ENTRY_FEED_PATH_SPEED_MM_S 55u
#define ENTRY_FEED_TRIM_PPM 56u
#define ENTRY_FEED_SHEAR_AT_MM 57u
#define ENTRY_FEED_JOG_DRIVES 58u
#define ENTRY_FEED_JOG_SPEED_MM_S 59u
#define ENTRY_FEED_JOG_LENGTH_MM 60u
#define ENTRY_FEED_STRIP_IN 61u
#define ENTRY_FEED_TRIM_MODE 62u
#define ENTRY_PATH_REFERENCE_STAMP_MS 63u
#define ENTRY_PATH_REFERENCE_POSITION_MM 64u
#define ENTRY_PATH_REFERENCE_SPEED_MM_S 65u
#define ENTRY_ZONE_MODE 66u
#define ENTRY_ZONE_SETPOINT_DEGC 67u
#define ENTRY_ZONE_MANUAL_OP_PERCENT 68u
#define ENTRY_EXPERIMENT_KIND 69u
#define ENTRY_EXPERIMENT_ZONE 70u
#define ENTRY_EXPERIMENT_OP_LOW_PERCENT 71u
#define ENTRY_EXPERIMENT_OP_HIGH_PERCENT 72u
#define ENTRY_EXPERIMENT_SWITCH_DEGC 73u
#define ENTRY_EXPERIMENT_HYSTERESIS_DEGC 74u
#define ENTRY_EXPERIMENT_INTERVAL_S 75u
#define ENTRY_EXPERIMENT_SWITCHINGS 76u
#define ENTRY_EXPERIMENT_CEILING_DEGC 77u
#define ENTRY_EXPERIMENT_TIME_LIMIT_S 78u
#define ENTRY_EXPERIMENT_RUN 79u
#define ENTRY_MACHINE_UNIT_ADDRESS 80u
#define ENTRY_MACHINE_ZONES_FITTED 81u
#define ENTRY_MACHINE_DRIVES_FITTED 82u
#define ENTRY_MACHINE_LANES_FITTED 83u
#define ENTRY_MACHINE_SPEED_MAX_MM_S 84u
#define ENTRY_MACHINE_ACCELERATION_MM_S2 85u
#define ENTRY_MACHINE_OUTPUT_MM_PER_COUNT 86u
#define ENTRY_MACHINE_OUTPUT_REVERSED 87u
#define ENTRY_MACHINE_EXPECTED_SLIP_PERCENT 88u
#define ENTRY_MACHINE_TRIM_MAX_PERCENT 89u
#define ENTRY_MACHINE_SHEAR_TO_NOZZLE_MM 90u
#define ENTRY_MACHINE_PATH_DELAY_MS 91u
#define ENTRY_ZONE_SETTINGS_SENSOR 92u
#define ENTRY_ZONE_SETTINGS_DIVIDER_OHM 93u
#define ENTRY_ZONE_SETTINGS_NTC_R25_OHM 94u
#define ENTRY_ZONE_SETTINGS_NTC_A_PER_K 95u
#define ENTRY_ZONE_SETTINGS_NTC_B_PER_K 96u
#define ENTRY_ZONE_SETTINGS_NTC_C_PER_K 97u
#define ENTRY_ZONE_SETTINGS_NTC_D_PER_K 98u
#define ENTRY_ZONE_SETTINGS_SENSOR_OFFSET_DEGC 99u
#define ENTRY_ZONE_SETTINGS_KP_PERCENT_PER_DEGC 100u
#define ENTRY_ZONE_SETTINGS_TI_S 101u
#define ENTRY_ZONE_SETTINGS_TD_S 102u
#define ENTRY_ZONE_SETTINGS_TD_FILTER_S 103u
#define ENTRY_ZONE_SETTINGS_OP_MIN_PERCENT 104u
#define ENTRY_ZONE_SETTINGS_OP_MAX_PERCENT 105u
#define ENTRY_ZONE_SETTINGS_FEED_FORWARD_PERCENT_PER_MM_S 106u
#define ENTRY_ZONE_SETTINGS_WINDOW_MS 107u
#define ENTRY_ZONE_SETTINGS_SETPOINT_MAX_DEGC 108u
#define ENTRY_ZONE_SETTINGS_STANDBY_DEGC 109u
#define ENTRY_ZONE_SETTINGS_BAND_DEGC 110u
#define ENTRY_ZONE_SETTINGS_OVER_TEMPERATURE_DEGC 111u
#define ENTRY_ZONE_SETTINGS_UNDER_TEMPERATURE_DEGC 112u
#define ENTRY_ZONE_SETTINGS_EFFECT_OP_PERCENT 113u
#define ENTRY_ZONE_SETTINGS_EFFECT_RISE_DEGC 114u
#define ENTRY_ZONE_SETTINGS_EFFECT_TIME_S 115u
#define ENTRY_ZONE_SETTINGS_UNCOMMANDED_RISE_DEGC 116u
#define ENTRY_ZONE_SETTINGS_UNCOMMANDED_TIME_S 117u
#define ENTRY_ZONE_SETTINGS_FALL_RATE_DEGC_S 118u
#define ENTRY_ZONE_SETTINGS_STUCK_TIME_S 119u
#define ENTRY_ZONE_SETTINGS_RAIL_CODES 120u
#define ENTRY_ZONE_SETTINGS_FEED_FORWARD_FIRST_PERCENT_PER_MM_S 121u
#define ENTRY_ZONE_SETTINGS_FEED_FORWARD_AFTER_MM 122u
#define ENTRY_DRIVE_SETTINGS_PULSES_PER_M 123u
#define ENTRY_DRIVE_SETTINGS_RATIO_PPM 124u
#define ENTRY_DRIVE_SETTINGS_REVERSED 125u
#define ENTRY_LANE_SETTINGS_MM_PER_PULSE 126u
#define ENTRY_GUARDS_LINK_TIMEOUT_MS 127u
#define ENTRY_GUARDS_MISMATCH_LIMIT_MM 128u
#define ENTRY_GUARDS_MISMATCH_WINDOW_MM 129u
#define ENTRY_GUARDS_LANE_STALL_MM 130u
#define ENTRY_GUARDS_DWELL_TIME_S 131u
#define ENTRY_GUARDS_DWELL_TEMPERATURE_DEGC 132u
#define ENTRY_GUARDS_PERMIT_DELAY_MS 133u
#define ENTRY_GUARDS_PATH_TIMEOUT_MS 134u
#define ENTRY_GUARDS_START_TIMEOUT_S 135u
#define ENTRY_GUARDS_GUIDE_LENGTH_MM 136u
#define ENTRY_GUARDS_SETTLE_TIME_S 137u
#define ENTRY_GUARDS_PATH_LIMIT_MM 138u
#define ENTRY_GUARDS_WHEEL_LIMIT_MM 139u
#define ENTRY_FIRST_HOLDING 48u

#endif
