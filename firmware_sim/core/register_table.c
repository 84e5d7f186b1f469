/* Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit. */
#include "register_table.h"

#include <stddef.h>

const struct reg_entry reg_entries[] FLASH = {
    {0, TYPE_U32, WRITE_NEVER, offsetof(struct identity_regs, map_hash), INT32_C(0), INT32_C(2147483647), INT32_C(0)},
    {2, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, version_major), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {3, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, version_minor), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {4, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, version_patch), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {5, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, board), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {6, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, reset_cause), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {7, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, settings_origin), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {8, TYPE_U16, WRITE_NEVER, offsetof(struct identity_regs, settings_sequence), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_U32, WRITE_NEVER, offsetof(struct telemetry_regs, head_ms), INT32_C(0), INT32_C(2147483647), INT32_C(0)},
    {2, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, state), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {3, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, inputs), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {4, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, status), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {5, TYPE_U32, WRITE_NEVER, offsetof(struct telemetry_regs, alarms_active), INT32_C(0), INT32_C(2147483647), INT32_C(0)},
    {7, TYPE_U32, WRITE_NEVER, offsetof(struct telemetry_regs, alarms_unacknowledged), INT32_C(0), INT32_C(2147483647), INT32_C(0)},
    {9, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, events_waiting), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {10, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, events_lost), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {11, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, refused_count), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {12, TYPE_I32, WRITE_NEVER, offsetof(struct telemetry_regs, feed_position_mm), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {14, TYPE_I16, WRITE_NEVER, offsetof(struct telemetry_regs, feed_speed_mm_s), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {15, TYPE_I16, WRITE_NEVER, offsetof(struct telemetry_regs, feed_target_mm_s), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {16, TYPE_I32, WRITE_NEVER, offsetof(struct telemetry_regs, length_to_go_mm), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {18, TYPE_I32, WRITE_NEVER, offsetof(struct telemetry_regs, output_position_mm), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {20, TYPE_I16, WRITE_NEVER, offsetof(struct telemetry_regs, output_speed_mm_s), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {21, TYPE_I16, WRITE_NEVER, offsetof(struct telemetry_regs, mismatch_mm), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {22, TYPE_I16, WRITE_NEVER, offsetof(struct telemetry_regs, trim_ppm), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {23, TYPE_U16, WRITE_NEVER, offsetof(struct telemetry_regs, pulse_overruns), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_I32, WRITE_NEVER, offsetof(struct drive_telemetry_regs, pulses), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {0, TYPE_I16, WRITE_NEVER, offsetof(struct zone_telemetry_regs, pv_degC), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {1, TYPE_I16, WRITE_NEVER, offsetof(struct zone_telemetry_regs, sp_degC), INT32_C(-32768), INT32_C(32767), INT32_C(0)},
    {2, TYPE_U16, WRITE_NEVER, offsetof(struct zone_telemetry_regs, op_percent), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {3, TYPE_U16, WRITE_NEVER, offsetof(struct zone_telemetry_regs, mode), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_I32, WRITE_NEVER, offsetof(struct lane_telemetry_regs, position_mm), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {0, TYPE_U16, WRITE_NEVER, offsetof(struct alarm_detail_regs, instances), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_U16, WRITE_NEVER, offsetof(struct refusal_regs, reason), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {1, TYPE_U16, WRITE_NEVER, offsetof(struct refusal_regs, address), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {2, TYPE_I32, WRITE_NEVER, offsetof(struct refusal_regs, value), INT32_MIN, INT32_C(2147483647), INT32_C(0)},
    {0, TYPE_U16, WRITE_NEVER, offsetof(struct link_counters_regs, frames_good), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {1, TYPE_U16, WRITE_NEVER, offsetof(struct link_counters_regs, frames_bad), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {2, TYPE_U16, WRITE_NEVER, offsetof(struct link_counters_regs, exceptions_sent), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {3, TYPE_U16, WRITE_NEVER, offsetof(struct link_counters_regs, bytes_lost), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_U16, WRITE_NEVER, offsetof(struct experiment_status_regs, end), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {1, TYPE_U16, WRITE_NEVER, offsetof(struct experiment_status_regs, zone), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {2, TYPE_U16, WRITE_NEVER, offsetof(struct experiment_status_regs, elapsed_s), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {3, TYPE_U16, WRITE_NEVER, offsetof(struct experiment_status_regs, switches), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {0, TYPE_U16, WRITE_ANY, offsetof(struct command_regs, command), INT32_C(0), INT32_C(10), INT32_C(0)},
    {1, TYPE_U32, WRITE_ANY, offsetof(struct command_regs, acknowledge), INT32_C(0), INT32_C(2147483647), INT32_C(0)},
    {3, TYPE_U16, WRITE_ANY, offsetof(struct command_regs, events_taken), INT32_C(0), INT32_C(65535), INT32_C(0)},
    {4, TYPE_U16, WRITE_STILL, offsetof(struct command_regs, store), INT32_C(0), INT32_C(3), INT32_C(0)},
    {0, TYPE_U16, WRITE_STILL, offsetof(struct feed_regs, source), INT32_C(0), INT32_C(2), INT32_C(0)},
    {1, TYPE_I16, WRITE_ANY, offsetof(struct feed_regs, speed_mm_s), INT32_C(-10000), INT32_C(10000), INT32_C(0)},
    {2, TYPE_I32, WRITE_STILL, offsetof(struct feed_regs, length_mm), INT32_C(0), INT32_C(2000000000), INT32_C(0)},
    {4, TYPE_I16, WRITE_ANY, offsetof(struct feed_regs, path_speed_mm_s), INT32_C(0), INT32_C(10000), INT32_C(0)},
    {5, TYPE_I16, WRITE_ANY, offsetof(struct feed_regs, trim_ppm), INT32_C(-20000), INT32_C(20000), INT32_C(0)},
    {6, TYPE_I32, WRITE_ANY, offsetof(struct feed_regs, shear_at_mm), INT32_C(0), INT32_C(2000000000), INT32_C(0)},
    {8, TYPE_U16, WRITE_STILL, offsetof(struct feed_regs, jog_drives), INT32_C(0), INT32_C(7), INT32_C(7)},
    {9, TYPE_I16, WRITE_STILL, offsetof(struct feed_regs, jog_speed_mm_s), INT32_C(1), INT32_C(10000), INT32_C(500)},
    {10, TYPE_I32, WRITE_STILL, offsetof(struct feed_regs, jog_length_mm), INT32_C(-500000), INT32_C(500000), INT32_C(0)},
    {12, TYPE_U16, WRITE_ANY, offsetof(struct feed_regs, strip_in), INT32_C(0), INT32_C(1), INT32_C(0)},
    {0, TYPE_U16, WRITE_ANY, offsetof(struct zone_regs, mode), INT32_C(0), INT32_C(3), INT32_C(0)},
    {1, TYPE_I16, WRITE_ANY, offsetof(struct zone_regs, setpoint_degC), INT32_C(0), INT32_C(25000), INT32_C(0)},
    {2, TYPE_U16, WRITE_ANY, offsetof(struct zone_regs, manual_op_percent), INT32_C(0), INT32_C(10000), INT32_C(0)},
    {0, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, kind), INT32_C(0), INT32_C(3), INT32_C(0)},
    {1, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, zone), INT32_C(0), INT32_C(2), INT32_C(0)},
    {2, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, op_low_percent), INT32_C(0), INT32_C(10000), INT32_C(0)},
    {3, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, op_high_percent), INT32_C(0), INT32_C(10000), INT32_C(10000)},
    {4, TYPE_I16, WRITE_ANY, offsetof(struct experiment_regs, switch_degC), INT32_C(0), INT32_C(25000), INT32_C(0)},
    {5, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, hysteresis_degC), INT32_C(0), INT32_C(2000), INT32_C(30)},
    {6, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, interval_s), INT32_C(1), INT32_C(3600), INT32_C(60)},
    {7, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, switchings), INT32_C(2), INT32_C(1000), INT32_C(10)},
    {8, TYPE_I16, WRITE_ANY, offsetof(struct experiment_regs, ceiling_degC), INT32_C(0), INT32_C(30000), INT32_C(12000)},
    {9, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, time_limit_s), INT32_C(10), INT32_C(36000), INT32_C(1800)},
    {10, TYPE_U16, WRITE_ANY, offsetof(struct experiment_regs, run), INT32_C(0), INT32_C(1), INT32_C(0)},
    {0, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, unit_address), INT32_C(1), INT32_C(247), INT32_C(1)},
    {1, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, zones_fitted), INT32_C(1), INT32_C(3), INT32_C(2)},
    {2, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, drives_fitted), INT32_C(1), INT32_C(3), INT32_C(3)},
    {3, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, lanes_fitted), INT32_C(1), INT32_C(8), INT32_C(5)},
    {4, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, speed_max_mm_s), INT32_C(10), INT32_C(10000), INT32_C(4000)},
    {5, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, acceleration_mm_s2), INT32_C(2), INT32_C(2000), INT32_C(40)},
    {6, TYPE_U32, WRITE_STILL, offsetof(struct machine_regs, output_mm_per_count), INT32_C(1000), INT32_C(10000000), INT32_C(50000)},
    {8, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, output_reversed), INT32_C(0), INT32_C(1), INT32_C(0)},
    {9, TYPE_U16, WRITE_STILL, offsetof(struct machine_regs, expected_slip_percent), INT32_C(0), INT32_C(2000), INT32_C(150)},
    {0, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, sensor), INT32_C(0), INT32_C(1), INT32_C(0)},
    {1, TYPE_U32, WRITE_STILL, offsetof(struct zone_settings_regs, divider_ohm), INT32_C(100), INT32_C(1000000), INT32_C(1000)},
    {3, TYPE_U32, WRITE_STILL, offsetof(struct zone_settings_regs, ntc_r25_ohm), INT32_C(100), INT32_C(1000000), INT32_C(10000)},
    {5, TYPE_I32, WRITE_STILL, offsetof(struct zone_settings_regs, ntc_a_per_K), INT32_C(0), INT32_C(2000000000), INT32_C(335394380)},
    {7, TYPE_I32, WRITE_STILL, offsetof(struct zone_settings_regs, ntc_b_per_K), INT32_C(0), INT32_C(2000000000), INT32_C(25646095)},
    {9, TYPE_I32, WRITE_STILL, offsetof(struct zone_settings_regs, ntc_c_per_K), INT32_C(-100000000), INT32_C(100000000), INT32_C(251582)},
    {11, TYPE_I32, WRITE_STILL, offsetof(struct zone_settings_regs, ntc_d_per_K), INT32_C(-100000000), INT32_C(100000000), INT32_C(10503)},
    {13, TYPE_I16, WRITE_STILL, offsetof(struct zone_settings_regs, sensor_offset_degC), INT32_C(-2000), INT32_C(2000), INT32_C(0)},
    {14, TYPE_U16, WRITE_ANY, offsetof(struct zone_settings_regs, kp_percent_per_degC), INT32_C(0), INT32_C(65535), INT32_C(600)},
    {15, TYPE_U16, WRITE_ANY, offsetof(struct zone_settings_regs, ti_s), INT32_C(0), INT32_C(65535), INT32_C(1200)},
    {16, TYPE_U16, WRITE_ANY, offsetof(struct zone_settings_regs, td_s), INT32_C(0), INT32_C(10000), INT32_C(40)},
    {17, TYPE_U16, WRITE_ANY, offsetof(struct zone_settings_regs, td_filter_s), INT32_C(0), INT32_C(1000), INT32_C(20)},
    {18, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, op_min_percent), INT32_C(0), INT32_C(10000), INT32_C(0)},
    {19, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, op_max_percent), INT32_C(0), INT32_C(10000), INT32_C(10000)},
    {20, TYPE_U16, WRITE_ANY, offsetof(struct zone_settings_regs, feed_forward_percent_per_mm_s), INT32_C(0), INT32_C(5000), INT32_C(0)},
    {21, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, window_ms), INT32_C(100), INT32_C(10000), INT32_C(1000)},
    {22, TYPE_I16, WRITE_STILL, offsetof(struct zone_settings_regs, setpoint_max_degC), INT32_C(0), INT32_C(25000), INT32_C(14000)},
    {23, TYPE_I16, WRITE_ANY, offsetof(struct zone_settings_regs, standby_degC), INT32_C(0), INT32_C(25000), INT32_C(6000)},
    {24, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, band_degC), INT32_C(10), INT32_C(2000), INT32_C(100)},
    {25, TYPE_I16, WRITE_STILL, offsetof(struct zone_settings_regs, over_temperature_degC), INT32_C(3000), INT32_C(30000), INT32_C(16000)},
    {26, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, under_temperature_degC), INT32_C(100), INT32_C(10000), INT32_C(800)},
    {27, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, effect_op_percent), INT32_C(1000), INT32_C(10000), INT32_C(6000)},
    {28, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, effect_rise_degC), INT32_C(10), INT32_C(2000), INT32_C(150)},
    {29, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, effect_time_s), INT32_C(5), INT32_C(600), INT32_C(45)},
    {30, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, uncommanded_rise_degC), INT32_C(50), INT32_C(5000), INT32_C(400)},
    {31, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, uncommanded_time_s), INT32_C(5), INT32_C(600), INT32_C(30)},
    {32, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, fall_rate_degC_s), INT32_C(10), INT32_C(5000), INT32_C(150)},
    {33, TYPE_U16, WRITE_STILL, offsetof(struct zone_settings_regs, stuck_time_s), INT32_C(5), INT32_C(3600), INT32_C(30)},
    {0, TYPE_U32, WRITE_STILL, offsetof(struct drive_settings_regs, pulses_per_m), INT32_C(100000), INT32_C(99800000), INT32_C(5092958)},
    {2, TYPE_I32, WRITE_STILL, offsetof(struct drive_settings_regs, ratio_ppm), INT32_C(-50000), INT32_C(50000), INT32_C(0)},
    {4, TYPE_U16, WRITE_STILL, offsetof(struct drive_settings_regs, reversed), INT32_C(0), INT32_C(1), INT32_C(0)},
    {0, TYPE_U32, WRITE_STILL, offsetof(struct lane_settings_regs, mm_per_pulse), INT32_C(10000), INT32_C(20000000), INT32_C(500000)},
    {0, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, link_timeout_ms), INT32_C(200), INT32_C(60000), INT32_C(2000)},
    {1, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, mismatch_limit_mm), INT32_C(100), INT32_C(30000), INT32_C(800)},
    {2, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, mismatch_window_mm), INT32_C(20), INT32_C(2000), INT32_C(150)},
    {3, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, lane_stall_mm), INT32_C(200), INT32_C(10000), INT32_C(1200)},
    {4, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, dwell_time_s), INT32_C(5), INT32_C(3600), INT32_C(240)},
    {5, TYPE_I16, WRITE_STILL, offsetof(struct guards_regs, dwell_temperature_degC), INT32_C(3000), INT32_C(20000), INT32_C(7700)},
    {6, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, permit_delay_ms), INT32_C(1), INT32_C(5000), INT32_C(50)},
    {7, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, path_timeout_ms), INT32_C(20), INT32_C(5000), INT32_C(250)},
    {8, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, start_timeout_s), INT32_C(10), INT32_C(7200), INT32_C(900)},
    {9, TYPE_U16, WRITE_STILL, offsetof(struct guards_regs, settle_time_s), INT32_C(0), INT32_C(600), INT32_C(5)},
};

const struct reg_block reg_blocks[BLOCK_COUNT] FLASH = {
    {0, 9, 1, SPACE_INPUT, HOME_INPUT, 0, 8, 0, sizeof(struct identity_regs)}, /* identity */
    {100, 24, 1, SPACE_INPUT, HOME_INPUT, 8, 18, 0, sizeof(struct telemetry_regs)}, /* telemetry */
    {124, 2, 3, SPACE_INPUT, HOME_INPUT, 26, 1, 0, sizeof(struct drive_telemetry_regs)}, /* drive_telemetry */
    {130, 4, 3, SPACE_INPUT, HOME_INPUT, 27, 4, 0, sizeof(struct zone_telemetry_regs)}, /* zone_telemetry */
    {142, 2, 8, SPACE_INPUT, HOME_INPUT, 31, 1, 0, sizeof(struct lane_telemetry_regs)}, /* lane_telemetry */
    {200, 1, 19, SPACE_INPUT, HOME_INPUT, 32, 1, 0, sizeof(struct alarm_detail_regs)}, /* alarm_detail */
    {240, 4, 1, SPACE_INPUT, HOME_INPUT, 33, 3, 0, sizeof(struct refusal_regs)}, /* refusal */
    {250, 4, 1, SPACE_INPUT, HOME_INPUT, 36, 4, 0, sizeof(struct link_counters_regs)}, /* link_counters */
    {260, 4, 1, SPACE_INPUT, HOME_INPUT, 40, 4, 0, sizeof(struct experiment_status_regs)}, /* experiment_status */
    {0, 5, 1, SPACE_HOLDING, HOME_LIVE, 44, 4, offsetof(struct live, command), sizeof(struct command_regs)}, /* command */
    {20, 13, 1, SPACE_HOLDING, HOME_LIVE, 48, 10, offsetof(struct live, feed), sizeof(struct feed_regs)}, /* feed */
    {40, 3, 3, SPACE_HOLDING, HOME_LIVE, 58, 3, offsetof(struct live, zone), sizeof(struct zone_regs)}, /* zone */
    {60, 11, 1, SPACE_HOLDING, HOME_LIVE, 61, 11, offsetof(struct live, experiment), sizeof(struct experiment_regs)}, /* experiment */
    {100, 10, 1, SPACE_HOLDING, HOME_SETTINGS, 72, 9, offsetof(struct settings, machine), sizeof(struct machine_regs)}, /* machine */
    {120, 34, 3, SPACE_HOLDING, HOME_SETTINGS, 81, 28, offsetof(struct settings, zone_settings), sizeof(struct zone_settings_regs)}, /* zone_settings */
    {260, 5, 3, SPACE_HOLDING, HOME_SETTINGS, 109, 3, offsetof(struct settings, drive_settings), sizeof(struct drive_settings_regs)}, /* drive_settings */
    {280, 2, 8, SPACE_HOLDING, HOME_SETTINGS, 112, 1, offsetof(struct settings, lane_settings), sizeof(struct lane_settings_regs)}, /* lane_settings */
    {300, 10, 1, SPACE_HOLDING, HOME_SETTINGS, 113, 10, offsetof(struct settings, guards), sizeof(struct guards_regs)}, /* guards */
};

const uint8_t alarm_reactions[ALARM_COUNT] FLASH = {
    REACTION_ABORT, /* over_temperature */
    REACTION_ABORT, /* sensor_open */
    REACTION_ABORT, /* sensor_shorted */
    REACTION_ABORT, /* sensor_stuck */
    REACTION_ABORT, /* sensor_detached */
    REACTION_ABORT, /* heating_without_effect */
    REACTION_ABORT, /* heat_without_command */
    REACTION_HOLD, /* under_temperature */
    REACTION_STOP, /* start_timeout */
    REACTION_HOLD, /* link_silent */
    REACTION_HOLD, /* feed_mismatch */
    REACTION_HOLD, /* lane_stopped */
    REACTION_STOP, /* strip_dwell */
    REACTION_ABORT, /* stop_input */
    REACTION_HOLD, /* permit_lost */
    REACTION_HOLD, /* pulse_overrun */
    REACTION_REPORT, /* watchdog_reset */
    REACTION_REPORT, /* brown_out_reset */
    REACTION_STOP, /* settings_damaged */
};

const uint32_t alarms_latched = 0x00038DF8UL;

const struct transition transitions[TRANSITION_COUNT] FLASH = {
    {STATE_STOPPED, COMMAND_RESET, STATE_RESETTING},
    {STATE_COMPLETE, COMMAND_RESET, STATE_RESETTING},
    {STATE_IDLE, COMMAND_START, STATE_STARTING},
    {STATE_EXECUTE, COMMAND_HOLD, STATE_HOLDING},
    {STATE_UNHOLDING, COMMAND_HOLD, STATE_HOLDING},
    {STATE_HELD, COMMAND_UNHOLD, STATE_UNHOLDING},
    {STATE_EXECUTE, COMMAND_COMPLETE, STATE_COMPLETING},
    {STATE_RESETTING, COMMAND_STOP, STATE_STOPPING},
    {STATE_IDLE, COMMAND_STOP, STATE_STOPPING},
    {STATE_STARTING, COMMAND_STOP, STATE_STOPPING},
    {STATE_EXECUTE, COMMAND_STOP, STATE_STOPPING},
    {STATE_HOLDING, COMMAND_STOP, STATE_STOPPING},
    {STATE_HELD, COMMAND_STOP, STATE_STOPPING},
    {STATE_UNHOLDING, COMMAND_STOP, STATE_STOPPING},
    {STATE_COMPLETING, COMMAND_STOP, STATE_STOPPING},
    {STATE_COMPLETE, COMMAND_STOP, STATE_STOPPING},
    {STATE_CLEARING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_STOPPED, COMMAND_ABORT, STATE_ABORTING},
    {STATE_RESETTING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_IDLE, COMMAND_ABORT, STATE_ABORTING},
    {STATE_STARTING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_EXECUTE, COMMAND_ABORT, STATE_ABORTING},
    {STATE_HOLDING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_HELD, COMMAND_ABORT, STATE_ABORTING},
    {STATE_UNHOLDING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_COMPLETING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_COMPLETE, COMMAND_ABORT, STATE_ABORTING},
    {STATE_STOPPING, COMMAND_ABORT, STATE_ABORTING},
    {STATE_ABORTED, COMMAND_CLEAR, STATE_CLEARING},
    {STATE_RESETTING, TRANSITION_DONE, STATE_IDLE},
    {STATE_STARTING, TRANSITION_DONE, STATE_EXECUTE},
    {STATE_EXECUTE, TRANSITION_DONE, STATE_COMPLETING},
    {STATE_HOLDING, TRANSITION_DONE, STATE_HELD},
    {STATE_UNHOLDING, TRANSITION_DONE, STATE_EXECUTE},
    {STATE_COMPLETING, TRANSITION_DONE, STATE_COMPLETE},
    {STATE_STOPPING, TRANSITION_DONE, STATE_STOPPED},
    {STATE_ABORTING, TRANSITION_DONE, STATE_ABORTED},
    {STATE_CLEARING, TRANSITION_DONE, STATE_STOPPED},
};
