/* Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit. */
#include "register_table.h"

#include <stddef.h>

const struct reg_entry reg_entries[] FLASH = {
    {0, REG_KIND(TYPE_U32, WRITE_NEVER), offsetof(struct identity_regs, map_hash), 0}, /* map_hash */
    {2, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, version_major), 0}, /* version_major */
    {3, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, version_minor), 0}, /* version_minor */
    {4, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, version_patch), 0}, /* version_patch */
    {5, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, board), 0}, /* board */
    {6, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, reset_cause), 0}, /* reset_cause */
    {7, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, settings_origin), 0}, /* settings_origin */
    {8, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct identity_regs, settings_sequence), 0}, /* settings_sequence */
    {0, REG_KIND(TYPE_U32, WRITE_NEVER), offsetof(struct telemetry_regs, head_ms), 0}, /* head_ms */
    {2, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, state), 0}, /* state */
    {3, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, inputs), 0}, /* inputs */
    {4, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, status), 0}, /* status */
    {5, REG_KIND(TYPE_U32, WRITE_NEVER), offsetof(struct telemetry_regs, alarms_active), 0}, /* alarms_active */
    {7, REG_KIND(TYPE_U32, WRITE_NEVER), offsetof(struct telemetry_regs, alarms_unacknowledged), 0}, /* alarms_unacknowledged */
    {9, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, events_waiting), 0}, /* events_waiting */
    {10, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, events_lost), 0}, /* events_lost */
    {11, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, refused_count), 0}, /* refused_count */
    {12, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct telemetry_regs, feed_position_mm), 0}, /* feed_position_mm */
    {14, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct telemetry_regs, feed_speed_mm_s), 0}, /* feed_speed_mm_s */
    {15, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct telemetry_regs, feed_target_mm_s), 0}, /* feed_target_mm_s */
    {16, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct telemetry_regs, length_to_go_mm), 0}, /* length_to_go_mm */
    {18, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct telemetry_regs, output_position_mm), 0}, /* output_position_mm */
    {20, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct telemetry_regs, output_speed_mm_s), 0}, /* output_speed_mm_s */
    {21, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct telemetry_regs, mismatch_mm), 0}, /* mismatch_mm */
    {22, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct telemetry_regs, trim_ppm), 0}, /* trim_ppm */
    {24, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, pulse_overruns), 0}, /* pulse_overruns */
    {25, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct telemetry_regs, laid_mm), 0}, /* laid_mm */
    {27, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct telemetry_regs, length_error_mm), 0}, /* length_error_mm */
    {28, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct telemetry_regs, trim_state), 0}, /* trim_state */
    {0, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct drive_telemetry_regs, pulses), 0}, /* pulses */
    {0, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct zone_telemetry_regs, pv_degC), 0}, /* pv_degC */
    {1, REG_KIND(TYPE_I16, WRITE_NEVER), offsetof(struct zone_telemetry_regs, sp_degC), 0}, /* sp_degC */
    {2, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct zone_telemetry_regs, op_percent), 0}, /* op_percent */
    {3, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct zone_telemetry_regs, mode), 0}, /* mode */
    {0, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct lane_telemetry_regs, position_mm), 0}, /* position_mm */
    {0, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct alarm_detail_regs, instances), 0}, /* instances */
    {0, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct refusal_regs, reason), 0}, /* reason */
    {1, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct refusal_regs, address), 0}, /* address */
    {2, REG_KIND(TYPE_I32, WRITE_NEVER), offsetof(struct refusal_regs, value), 0}, /* value */
    {0, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct link_counters_regs, frames_good), 0}, /* frames_good */
    {1, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct link_counters_regs, frames_bad), 0}, /* frames_bad */
    {2, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct link_counters_regs, exceptions_sent), 0}, /* exceptions_sent */
    {3, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct link_counters_regs, bytes_lost), 0}, /* bytes_lost */
    {4, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct link_counters_regs, edges_missed), 0}, /* edges_missed */
    {0, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct experiment_status_regs, end), 0}, /* end */
    {1, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct experiment_status_regs, zone), 0}, /* zone */
    {2, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct experiment_status_regs, elapsed_s), 0}, /* elapsed_s */
    {3, REG_KIND(TYPE_U16, WRITE_NEVER), offsetof(struct experiment_status_regs, switches), 0}, /* switches */
    {0, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct command_regs, command), 0}, /* command */
    {1, REG_KIND(TYPE_U32, WRITE_ANY), offsetof(struct command_regs, acknowledge), 1}, /* acknowledge */
    {3, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct command_regs, events_taken), 3}, /* events_taken */
    {4, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct command_regs, store), 4}, /* store */
    {0, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct feed_regs, source), 4}, /* source */
    {1, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct feed_regs, speed_mm_s), 5}, /* speed_mm_s */
    {2, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct feed_regs, length_mm), 6}, /* length_mm */
    {4, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct feed_regs, path_speed_mm_s), 8}, /* path_speed_mm_s */
    {5, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct feed_regs, trim_ppm), 9}, /* trim_ppm */
    {6, REG_KIND(TYPE_I32, WRITE_ANY), offsetof(struct feed_regs, shear_at_mm), 6}, /* shear_at_mm */
    {8, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct feed_regs, jog_drives), 10}, /* jog_drives */
    {9, REG_KIND(TYPE_I16, WRITE_STILL), offsetof(struct feed_regs, jog_speed_mm_s), 11}, /* jog_speed_mm_s */
    {10, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct feed_regs, jog_length_mm), 12}, /* jog_length_mm */
    {12, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct feed_regs, strip_in), 14}, /* strip_in */
    {13, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct feed_regs, trim_mode), 15}, /* trim_mode */
    {0, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct path_reference_regs, stamp_ms), 3}, /* stamp_ms */
    {1, REG_KIND(TYPE_I32, WRITE_ANY), offsetof(struct path_reference_regs, position_mm), 16}, /* position_mm */
    {3, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct path_reference_regs, speed_mm_s), 5}, /* speed_mm_s */
    {0, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_regs, mode), 4}, /* mode */
    {1, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct zone_regs, setpoint_degC), 18}, /* setpoint_degC */
    {2, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_regs, manual_op_percent), 8}, /* manual_op_percent */
    {0, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, kind), 4}, /* kind */
    {1, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, zone), 19}, /* zone */
    {2, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, op_low_percent), 8}, /* op_low_percent */
    {3, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, op_high_percent), 20}, /* op_high_percent */
    {4, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct experiment_regs, switch_degC), 18}, /* switch_degC */
    {5, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, hysteresis_degC), 21}, /* hysteresis_degC */
    {6, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, interval_s), 22}, /* interval_s */
    {7, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, switchings), 23}, /* switchings */
    {8, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct experiment_regs, ceiling_degC), 24}, /* ceiling_degC */
    {9, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, time_limit_s), 25}, /* time_limit_s */
    {10, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct experiment_regs, run), 26}, /* run */
    {0, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, unit_address), 27}, /* unit_address */
    {1, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, zones_fitted), 28}, /* zones_fitted */
    {2, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, drives_fitted), 29}, /* drives_fitted */
    {3, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, lanes_fitted), 30}, /* lanes_fitted */
    {4, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, speed_max_mm_s), 31}, /* speed_max_mm_s */
    {5, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, acceleration_mm_s2), 32}, /* acceleration_mm_s2 */
    {6, REG_KIND(TYPE_U32, WRITE_STILL), offsetof(struct machine_regs, output_mm_per_count), 33}, /* output_mm_per_count */
    {8, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, output_reversed), 26}, /* output_reversed */
    {9, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, expected_slip_percent), 35}, /* expected_slip_percent */
    {10, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, trim_max_percent), 36}, /* trim_max_percent */
    {11, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, shear_to_nozzle_mm), 37}, /* shear_to_nozzle_mm */
    {12, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct machine_regs, path_delay_ms), 38}, /* path_delay_ms */
    {0, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, sensor), 26}, /* sensor */
    {1, REG_KIND(TYPE_U32, WRITE_STILL), offsetof(struct zone_settings_regs, divider_ohm), 39}, /* divider_ohm */
    {3, REG_KIND(TYPE_U32, WRITE_STILL), offsetof(struct zone_settings_regs, ntc_r25_ohm), 41}, /* ntc_r25_ohm */
    {5, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct zone_settings_regs, ntc_a_per_K), 43}, /* ntc_a_per_K */
    {7, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct zone_settings_regs, ntc_b_per_K), 45}, /* ntc_b_per_K */
    {9, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct zone_settings_regs, ntc_c_per_K), 47}, /* ntc_c_per_K */
    {11, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct zone_settings_regs, ntc_d_per_K), 49}, /* ntc_d_per_K */
    {13, REG_KIND(TYPE_I16, WRITE_STILL), offsetof(struct zone_settings_regs, sensor_offset_degC), 51}, /* sensor_offset_degC */
    {14, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_settings_regs, kp_percent_per_degC), 52}, /* kp_percent_per_degC */
    {15, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_settings_regs, ti_s), 53}, /* ti_s */
    {16, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_settings_regs, td_s), 54}, /* td_s */
    {17, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_settings_regs, td_filter_s), 55}, /* td_filter_s */
    {18, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, op_min_percent), 8}, /* op_min_percent */
    {19, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, op_max_percent), 20}, /* op_max_percent */
    {20, REG_KIND(TYPE_U16, WRITE_ANY), offsetof(struct zone_settings_regs, feed_forward_percent_per_mm_s), 56}, /* feed_forward_percent_per_mm_s */
    {21, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, window_ms), 57}, /* window_ms */
    {22, REG_KIND(TYPE_I16, WRITE_STILL), offsetof(struct zone_settings_regs, setpoint_max_degC), 58}, /* setpoint_max_degC */
    {23, REG_KIND(TYPE_I16, WRITE_ANY), offsetof(struct zone_settings_regs, standby_degC), 59}, /* standby_degC */
    {24, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, band_degC), 60}, /* band_degC */
    {25, REG_KIND(TYPE_I16, WRITE_STILL), offsetof(struct zone_settings_regs, over_temperature_degC), 61}, /* over_temperature_degC */
    {26, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, under_temperature_degC), 62}, /* under_temperature_degC */
    {27, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, effect_op_percent), 63}, /* effect_op_percent */
    {28, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, effect_rise_degC), 64}, /* effect_rise_degC */
    {29, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, effect_time_s), 65}, /* effect_time_s */
    {30, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, uncommanded_rise_degC), 66}, /* uncommanded_rise_degC */
    {31, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, uncommanded_time_s), 67}, /* uncommanded_time_s */
    {32, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, fall_rate_degC_s), 68}, /* fall_rate_degC_s */
    {33, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, stuck_time_s), 69}, /* stuck_time_s */
    {34, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct zone_settings_regs, rail_codes), 70}, /* rail_codes */
    {0, REG_KIND(TYPE_U32, WRITE_STILL), offsetof(struct drive_settings_regs, pulses_per_m), 71}, /* pulses_per_m */
    {2, REG_KIND(TYPE_I32, WRITE_STILL), offsetof(struct drive_settings_regs, ratio_ppm), 73}, /* ratio_ppm */
    {4, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct drive_settings_regs, reversed), 26}, /* reversed */
    {0, REG_KIND(TYPE_U32, WRITE_STILL), offsetof(struct lane_settings_regs, mm_per_pulse), 75}, /* mm_per_pulse */
    {0, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, link_timeout_ms), 77}, /* link_timeout_ms */
    {1, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, mismatch_limit_mm), 78}, /* mismatch_limit_mm */
    {2, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, mismatch_window_mm), 79}, /* mismatch_window_mm */
    {3, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, lane_stall_mm), 80}, /* lane_stall_mm */
    {4, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, dwell_time_s), 81}, /* dwell_time_s */
    {5, REG_KIND(TYPE_I16, WRITE_STILL), offsetof(struct guards_regs, dwell_temperature_degC), 82}, /* dwell_temperature_degC */
    {6, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, permit_delay_ms), 83}, /* permit_delay_ms */
    {7, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, path_timeout_ms), 84}, /* path_timeout_ms */
    {8, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, start_timeout_s), 85}, /* start_timeout_s */
    {9, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, guide_length_mm), 86}, /* guide_length_mm */
    {10, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, settle_time_s), 87}, /* settle_time_s */
    {11, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, path_limit_mm), 88}, /* path_limit_mm */
    {12, REG_KIND(TYPE_U16, WRITE_STILL), offsetof(struct guards_regs, wheel_limit_mm), 89}, /* wheel_limit_mm */
};

const uint16_t reg_limits[][LIMITS] FLASH = {
    {0x0000u, 0x000Au, 0x0000u},
    {0x0000u, 0xFFFFu, 0x0000u},
    {0x0000u, 0x7FFFu, 0x0000u},
    {0x0000u, 0xFFFFu, 0x0000u},
    {0x0000u, 0x0003u, 0x0000u},
    {0xD8F0u, 0x2710u, 0x0000u},
    {0x0000u, 0x9400u, 0x0000u},
    {0x0000u, 0x7735u, 0x0000u},
    {0x0000u, 0x2710u, 0x0000u},
    {0xB1E0u, 0x4E20u, 0x0000u},
    {0x0000u, 0x0007u, 0x0007u},
    {0x0001u, 0x2710u, 0x01F4u},
    {0x5EE0u, 0xA120u, 0x0000u},
    {0xFFF8u, 0x0007u, 0x0000u},
    {0x0000u, 0x0001u, 0x0001u},
    {0x0000u, 0x0002u, 0x0001u},
    {0x6C00u, 0x9400u, 0x0000u},
    {0x88CAu, 0x7735u, 0x0000u},
    {0x0000u, 0x61A8u, 0x0000u},
    {0x0000u, 0x0002u, 0x0000u},
    {0x0000u, 0x2710u, 0x2710u},
    {0x0000u, 0x07D0u, 0x001Eu},
    {0x0001u, 0x0E10u, 0x003Cu},
    {0x0002u, 0x03E8u, 0x000Au},
    {0x0000u, 0x7530u, 0x2EE0u},
    {0x000Au, 0x8CA0u, 0x0708u},
    {0x0000u, 0x0001u, 0x0000u},
    {0x0001u, 0x00F7u, 0x0001u},
    {0x0001u, 0x0003u, 0x0002u},
    {0x0001u, 0x0003u, 0x0003u},
    {0x0001u, 0x0008u, 0x0005u},
    {0x000Au, 0x2710u, 0x0FA0u},
    {0x0002u, 0x07D0u, 0x0028u},
    {0x03E8u, 0x9680u, 0xC350u},
    {0x0000u, 0x0098u, 0x0000u},
    {0x0000u, 0x07D0u, 0x0096u},
    {0x0000u, 0x03E8u, 0x0320u},
    {0x0000u, 0xC350u, 0x0000u},
    {0x0000u, 0x01F4u, 0x0000u},
    {0x0064u, 0x4240u, 0x03E8u},
    {0x0000u, 0x000Fu, 0x0000u},
    {0x0064u, 0x4240u, 0x2710u},
    {0x0000u, 0x000Fu, 0x0000u},
    {0x0000u, 0x9400u, 0xB64Cu},
    {0x0000u, 0x7735u, 0x13FDu},
    {0x0000u, 0x9400u, 0x540Fu},
    {0x0000u, 0x7735u, 0x0187u},
    {0x1F00u, 0xE100u, 0xD6BEu},
    {0xFA0Au, 0x05F5u, 0x0003u},
    {0x1F00u, 0xE100u, 0x2907u},
    {0xFA0Au, 0x05F5u, 0x0000u},
    {0xF830u, 0x07D0u, 0x0000u},
    {0x0000u, 0xFFFFu, 0x0258u},
    {0x0000u, 0xFFFFu, 0x04B0u},
    {0x0000u, 0x2710u, 0x0028u},
    {0x0000u, 0x03E8u, 0x0014u},
    {0x0000u, 0x1388u, 0x0000u},
    {0x0064u, 0x2710u, 0x03E8u},
    {0x0000u, 0x61A8u, 0x36B0u},
    {0x0000u, 0x61A8u, 0x1770u},
    {0x000Au, 0x07D0u, 0x0064u},
    {0x0BB8u, 0x7530u, 0x3E80u},
    {0x0064u, 0x2710u, 0x0320u},
    {0x03E8u, 0x2710u, 0x1770u},
    {0x000Au, 0x07D0u, 0x0096u},
    {0x0005u, 0x0258u, 0x002Du},
    {0x0032u, 0x1388u, 0x0190u},
    {0x0005u, 0x0258u, 0x001Eu},
    {0x000Au, 0x1388u, 0x0096u},
    {0x0005u, 0x0E10u, 0x001Eu},
    {0x0042u, 0x0CCCu, 0x0148u},
    {0x86A0u, 0xD3C0u, 0xB65Eu},
    {0x0001u, 0x05F2u, 0x004Du},
    {0x3CB0u, 0xC350u, 0x0000u},
    {0xFFFFu, 0x0000u, 0x0000u},
    {0x2710u, 0x2D00u, 0xA120u},
    {0x0000u, 0x0131u, 0x0007u},
    {0x00C8u, 0xEA60u, 0x07D0u},
    {0x0064u, 0x7530u, 0x0320u},
    {0x0014u, 0x07D0u, 0x0096u},
    {0x00C8u, 0x2710u, 0x04B0u},
    {0x0005u, 0x0E10u, 0x00F0u},
    {0x0BB8u, 0x4E20u, 0x1E14u},
    {0x0001u, 0x1388u, 0x0032u},
    {0x0014u, 0x1388u, 0x00FAu},
    {0x000Au, 0x1C20u, 0x0384u},
    {0x0005u, 0x03E8u, 0x0050u},
    {0x0000u, 0x0041u, 0x0005u},
    {0x0032u, 0x2710u, 0x012Cu},
    {0x0014u, 0x2710u, 0x0078u},
};

const struct reg_block reg_blocks[BLOCK_COUNT] FLASH = {
    {0, 9, 1, SPACE_INPUT, HOME_INPUT, 0, 8, 0, sizeof(struct identity_regs)}, /* identity */
    {100, 29, 1, SPACE_INPUT, HOME_INPUT, 8, 21, 0, sizeof(struct telemetry_regs)}, /* telemetry */
    {129, 2, 3, SPACE_INPUT, HOME_INPUT, 29, 1, 0, sizeof(struct drive_telemetry_regs)}, /* drive_telemetry */
    {135, 4, 3, SPACE_INPUT, HOME_INPUT, 30, 4, 0, sizeof(struct zone_telemetry_regs)}, /* zone_telemetry */
    {147, 2, 8, SPACE_INPUT, HOME_INPUT, 34, 1, 0, sizeof(struct lane_telemetry_regs)}, /* lane_telemetry */
    {200, 1, 25, SPACE_INPUT, HOME_INPUT, 35, 1, 0, sizeof(struct alarm_detail_regs)}, /* alarm_detail */
    {240, 4, 1, SPACE_INPUT, HOME_INPUT, 36, 3, 0, sizeof(struct refusal_regs)}, /* refusal */
    {250, 5, 1, SPACE_INPUT, HOME_INPUT, 39, 5, 0, sizeof(struct link_counters_regs)}, /* link_counters */
    {260, 4, 1, SPACE_INPUT, HOME_INPUT, 44, 4, 0, sizeof(struct experiment_status_regs)}, /* experiment_status */
    {0, 5, 1, SPACE_HOLDING, HOME_LIVE, 48, 4, offsetof(struct live, command), sizeof(struct command_regs)}, /* command */
    {20, 14, 1, SPACE_HOLDING, HOME_LIVE, 52, 11, offsetof(struct live, feed), sizeof(struct feed_regs)}, /* feed */
    {80, 4, 1, SPACE_HOLDING, HOME_LIVE, 63, 3, offsetof(struct live, path_reference), sizeof(struct path_reference_regs)}, /* path_reference */
    {40, 3, 3, SPACE_HOLDING, HOME_LIVE, 66, 3, offsetof(struct live, zone), sizeof(struct zone_regs)}, /* zone */
    {60, 11, 1, SPACE_HOLDING, HOME_LIVE, 69, 11, offsetof(struct live, experiment), sizeof(struct experiment_regs)}, /* experiment */
    {100, 13, 1, SPACE_HOLDING, HOME_SETTINGS, 80, 12, offsetof(struct settings, machine), sizeof(struct machine_regs)}, /* machine */
    {120, 35, 3, SPACE_HOLDING, HOME_SETTINGS, 92, 29, offsetof(struct settings, zone_settings), sizeof(struct zone_settings_regs)}, /* zone_settings */
    {260, 5, 3, SPACE_HOLDING, HOME_SETTINGS, 121, 3, offsetof(struct settings, drive_settings), sizeof(struct drive_settings_regs)}, /* drive_settings */
    {280, 2, 8, SPACE_HOLDING, HOME_SETTINGS, 124, 1, offsetof(struct settings, lane_settings), sizeof(struct lane_settings_regs)}, /* lane_settings */
    {300, 13, 1, SPACE_HOLDING, HOME_SETTINGS, 125, 13, offsetof(struct settings, guards), sizeof(struct guards_regs)}, /* guards */
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
    REACTION_REPORT, /* wheel_slips */
    REACTION_REPORT, /* wheel_drifts */
    REACTION_REPORT, /* length_off */
    REACTION_HOLD, /* path_stale */
    REACTION_HOLD, /* path_reversed */
    REACTION_HOLD, /* path_too_fast */
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
