/* Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit. */
#include "register_table.h"

#include <stddef.h>

_Static_assert(sizeof(struct identity_regs) == 18u, "no gaps");
_Static_assert(sizeof(struct telemetry_regs) == 58u, "no gaps");
_Static_assert(sizeof(struct drive_telemetry_regs) == 4u, "no gaps");
_Static_assert(sizeof(struct zone_telemetry_regs) == 8u, "no gaps");
_Static_assert(sizeof(struct lane_telemetry_regs) == 4u, "no gaps");
_Static_assert(sizeof(struct alarm_detail_regs) == 2u, "no gaps");
_Static_assert(sizeof(struct refusal_regs) == 8u, "no gaps");
_Static_assert(sizeof(struct link_counters_regs) == 10u, "no gaps");
_Static_assert(sizeof(struct experiment_status_regs) == 8u, "no gaps");
_Static_assert(sizeof(struct command_regs) == 10u, "no gaps");
_Static_assert(sizeof(struct feed_regs) == 28u, "no gaps");
_Static_assert(sizeof(struct path_reference_regs) == 8u, "no gaps");
_Static_assert(sizeof(struct zone_regs) == 6u, "no gaps");
_Static_assert(sizeof(struct experiment_regs) == 22u, "no gaps");
_Static_assert(sizeof(struct machine_regs) == 26u, "no gaps");
_Static_assert(sizeof(struct zone_settings_regs) == 74u, "no gaps");
_Static_assert(sizeof(struct drive_settings_regs) == 10u, "no gaps");
_Static_assert(sizeof(struct lane_settings_regs) == 4u, "no gaps");
_Static_assert(sizeof(struct guards_regs) == 26u, "no gaps");

const uint8_t reg_kinds[] FLASH = {
    REG_KIND(TYPE_U32, WRITE_NEVER), /* identity.map_hash */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.version_major */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.version_minor */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.version_patch */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.board */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.reset_cause */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.settings_origin */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* identity.settings_sequence */
    REG_KIND(TYPE_U32, WRITE_NEVER), /* telemetry.head_ms */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.state */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.inputs */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.status */
    REG_KIND(TYPE_U32, WRITE_NEVER), /* telemetry.alarms_active */
    REG_KIND(TYPE_U32, WRITE_NEVER), /* telemetry.alarms_unacknowledged */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.events_waiting */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.events_lost */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.refused_count */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* telemetry.feed_position_mm */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* telemetry.feed_speed_mm_s */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* telemetry.feed_target_mm_s */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* telemetry.length_to_go_mm */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* telemetry.output_position_mm */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* telemetry.output_speed_mm_s */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* telemetry.mismatch_mm */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* telemetry.trim_ppm */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.pulse_overruns */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* telemetry.laid_mm */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* telemetry.length_error_mm */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* telemetry.trim_state */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* drive_telemetry.pulses */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* zone_telemetry.pv_degC */
    REG_KIND(TYPE_I16, WRITE_NEVER), /* zone_telemetry.sp_degC */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* zone_telemetry.op_percent */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* zone_telemetry.mode */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* lane_telemetry.position_mm */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* alarm_detail.instances */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* refusal.reason */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* refusal.address */
    REG_KIND(TYPE_I32, WRITE_NEVER), /* refusal.value */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* link_counters.frames_good */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* link_counters.frames_bad */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* link_counters.exceptions_sent */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* link_counters.bytes_lost */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* link_counters.edges_missed */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* experiment_status.end */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* experiment_status.zone */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* experiment_status.elapsed_s */
    REG_KIND(TYPE_U16, WRITE_NEVER), /* experiment_status.switches */
    REG_KIND(TYPE_U16, WRITE_ANY), /* command.command */
    REG_KIND(TYPE_U32, WRITE_ANY), /* command.acknowledge */
    REG_KIND(TYPE_U16, WRITE_ANY), /* command.events_taken */
    REG_KIND(TYPE_U16, WRITE_STILL), /* command.store */
    REG_KIND(TYPE_U16, WRITE_STILL), /* feed.source */
    REG_KIND(TYPE_I16, WRITE_ANY), /* feed.speed_mm_s */
    REG_KIND(TYPE_I32, WRITE_STILL), /* feed.length_mm */
    REG_KIND(TYPE_I16, WRITE_ANY), /* feed.path_speed_mm_s */
    REG_KIND(TYPE_I16, WRITE_ANY), /* feed.trim_ppm */
    REG_KIND(TYPE_I32, WRITE_ANY), /* feed.shear_at_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* feed.jog_drives */
    REG_KIND(TYPE_I16, WRITE_STILL), /* feed.jog_speed_mm_s */
    REG_KIND(TYPE_I32, WRITE_STILL), /* feed.jog_length_mm */
    REG_KIND(TYPE_U16, WRITE_ANY), /* feed.strip_in */
    REG_KIND(TYPE_U16, WRITE_ANY), /* feed.trim_mode */
    REG_KIND(TYPE_U16, WRITE_ANY), /* path_reference.stamp_ms */
    REG_KIND(TYPE_I32, WRITE_ANY), /* path_reference.position_mm */
    REG_KIND(TYPE_I16, WRITE_ANY), /* path_reference.speed_mm_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone.mode */
    REG_KIND(TYPE_I16, WRITE_ANY), /* zone.setpoint_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone.manual_op_percent */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.kind */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.zone */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.op_low_percent */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.op_high_percent */
    REG_KIND(TYPE_I16, WRITE_ANY), /* experiment.switch_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.hysteresis_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.interval_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.switchings */
    REG_KIND(TYPE_I16, WRITE_ANY), /* experiment.ceiling_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.time_limit_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* experiment.run */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.unit_address */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.zones_fitted */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.drives_fitted */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.lanes_fitted */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.speed_max_mm_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.acceleration_mm_s2 */
    REG_KIND(TYPE_U32, WRITE_STILL), /* machine.output_mm_per_count */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.output_reversed */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.expected_slip_percent */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.trim_max_percent */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.shear_to_nozzle_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* machine.path_delay_ms */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.sensor */
    REG_KIND(TYPE_U32, WRITE_STILL), /* zone_settings.divider_ohm */
    REG_KIND(TYPE_U32, WRITE_STILL), /* zone_settings.ntc_r25_ohm */
    REG_KIND(TYPE_I32, WRITE_STILL), /* zone_settings.ntc_a_per_K */
    REG_KIND(TYPE_I32, WRITE_STILL), /* zone_settings.ntc_b_per_K */
    REG_KIND(TYPE_I32, WRITE_STILL), /* zone_settings.ntc_c_per_K */
    REG_KIND(TYPE_I32, WRITE_STILL), /* zone_settings.ntc_d_per_K */
    REG_KIND(TYPE_I16, WRITE_STILL), /* zone_settings.sensor_offset_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.kp_percent_per_degC */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.ti_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.td_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.td_filter_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.op_min_percent */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.op_max_percent */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.feed_forward_percent_per_mm_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.window_ms */
    REG_KIND(TYPE_I16, WRITE_STILL), /* zone_settings.setpoint_max_degC */
    REG_KIND(TYPE_I16, WRITE_ANY), /* zone_settings.standby_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.band_degC */
    REG_KIND(TYPE_I16, WRITE_STILL), /* zone_settings.over_temperature_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.under_temperature_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.effect_op_percent */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.effect_rise_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.effect_time_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.uncommanded_rise_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.uncommanded_time_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.fall_rate_degC_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.stuck_time_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* zone_settings.rail_codes */
    REG_KIND(TYPE_I16, WRITE_ANY), /* zone_settings.feed_forward_first_percent_per_mm_s */
    REG_KIND(TYPE_U16, WRITE_ANY), /* zone_settings.feed_forward_after_mm */
    REG_KIND(TYPE_U32, WRITE_STILL), /* drive_settings.pulses_per_m */
    REG_KIND(TYPE_I32, WRITE_STILL), /* drive_settings.ratio_ppm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* drive_settings.reversed */
    REG_KIND(TYPE_U32, WRITE_STILL), /* lane_settings.mm_per_pulse */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.link_timeout_ms */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.mismatch_limit_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.mismatch_window_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.lane_stall_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.dwell_time_s */
    REG_KIND(TYPE_I16, WRITE_STILL), /* guards.dwell_temperature_degC */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.permit_delay_ms */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.path_timeout_ms */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.start_timeout_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.guide_length_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.settle_time_s */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.path_limit_mm */
    REG_KIND(TYPE_U16, WRITE_STILL), /* guards.wheel_limit_mm */
};

const uint8_t reg_limits_at[] FLASH = {
    0, /* command.command */
    1, /* command.acknowledge */
    3, /* command.events_taken */
    4, /* command.store */
    4, /* feed.source */
    5, /* feed.speed_mm_s */
    6, /* feed.length_mm */
    8, /* feed.path_speed_mm_s */
    9, /* feed.trim_ppm */
    6, /* feed.shear_at_mm */
    10, /* feed.jog_drives */
    11, /* feed.jog_speed_mm_s */
    12, /* feed.jog_length_mm */
    14, /* feed.strip_in */
    15, /* feed.trim_mode */
    3, /* path_reference.stamp_ms */
    16, /* path_reference.position_mm */
    5, /* path_reference.speed_mm_s */
    4, /* zone.mode */
    18, /* zone.setpoint_degC */
    8, /* zone.manual_op_percent */
    4, /* experiment.kind */
    19, /* experiment.zone */
    8, /* experiment.op_low_percent */
    20, /* experiment.op_high_percent */
    18, /* experiment.switch_degC */
    21, /* experiment.hysteresis_degC */
    22, /* experiment.interval_s */
    23, /* experiment.switchings */
    24, /* experiment.ceiling_degC */
    25, /* experiment.time_limit_s */
    26, /* experiment.run */
    27, /* machine.unit_address */
    28, /* machine.zones_fitted */
    29, /* machine.drives_fitted */
    30, /* machine.lanes_fitted */
    31, /* machine.speed_max_mm_s */
    32, /* machine.acceleration_mm_s2 */
    33, /* machine.output_mm_per_count */
    26, /* machine.output_reversed */
    35, /* machine.expected_slip_percent */
    36, /* machine.trim_max_percent */
    37, /* machine.shear_to_nozzle_mm */
    38, /* machine.path_delay_ms */
    26, /* zone_settings.sensor */
    39, /* zone_settings.divider_ohm */
    41, /* zone_settings.ntc_r25_ohm */
    43, /* zone_settings.ntc_a_per_K */
    45, /* zone_settings.ntc_b_per_K */
    47, /* zone_settings.ntc_c_per_K */
    49, /* zone_settings.ntc_d_per_K */
    51, /* zone_settings.sensor_offset_degC */
    52, /* zone_settings.kp_percent_per_degC */
    53, /* zone_settings.ti_s */
    54, /* zone_settings.td_s */
    55, /* zone_settings.td_filter_s */
    8, /* zone_settings.op_min_percent */
    20, /* zone_settings.op_max_percent */
    56, /* zone_settings.feed_forward_percent_per_mm_s */
    57, /* zone_settings.window_ms */
    58, /* zone_settings.setpoint_max_degC */
    59, /* zone_settings.standby_degC */
    60, /* zone_settings.band_degC */
    61, /* zone_settings.over_temperature_degC */
    62, /* zone_settings.under_temperature_degC */
    63, /* zone_settings.effect_op_percent */
    64, /* zone_settings.effect_rise_degC */
    65, /* zone_settings.effect_time_s */
    66, /* zone_settings.uncommanded_rise_degC */
    67, /* zone_settings.uncommanded_time_s */
    68, /* zone_settings.fall_rate_degC_s */
    69, /* zone_settings.stuck_time_s */
    70, /* zone_settings.rail_codes */
    71, /* zone_settings.feed_forward_first_percent_per_mm_s */
    8, /* zone_settings.feed_forward_after_mm */
    72, /* drive_settings.pulses_per_m */
    74, /* drive_settings.ratio_ppm */
    26, /* drive_settings.reversed */
    76, /* lane_settings.mm_per_pulse */
    78, /* guards.link_timeout_ms */
    79, /* guards.mismatch_limit_mm */
    80, /* guards.mismatch_window_mm */
    81, /* guards.lane_stall_mm */
    82, /* guards.dwell_time_s */
    83, /* guards.dwell_temperature_degC */
    84, /* guards.permit_delay_ms */
    85, /* guards.path_timeout_ms */
    86, /* guards.start_timeout_s */
    87, /* guards.guide_length_mm */
    88, /* guards.settle_time_s */
    89, /* guards.path_limit_mm */
    90, /* guards.wheel_limit_mm */
};

const uint8_t reg_limits[][LIMITS] FLASH = {
    {0, 1, 0},
    {0, 2, 0},
    {0, 3, 0},
    {0, 2, 0},
    {0, 4, 0},
    {5, 6, 0},
    {0, 7, 0},
    {0, 8, 0},
    {0, 6, 0},
    {9, 10, 0},
    {0, 11, 11},
    {12, 6, 13},
    {14, 15, 0},
    {16, 11, 0},
    {0, 12, 12},
    {0, 17, 12},
    {18, 7, 0},
    {19, 8, 0},
    {0, 20, 0},
    {0, 17, 0},
    {0, 6, 6},
    {0, 21, 22},
    {12, 23, 24},
    {17, 25, 1},
    {0, 26, 27},
    {1, 28, 29},
    {0, 12, 0},
    {12, 30, 12},
    {12, 4, 17},
    {12, 4, 4},
    {12, 31, 32},
    {1, 6, 33},
    {17, 21, 34},
    {25, 35, 36},
    {0, 37, 0},
    {0, 21, 38},
    {0, 25, 39},
    {0, 36, 0},
    {0, 13, 0},
    {40, 41, 25},
    {0, 42, 0},
    {40, 41, 6},
    {0, 42, 0},
    {0, 7, 43},
    {0, 8, 44},
    {0, 7, 45},
    {0, 8, 46},
    {47, 48, 49},
    {50, 51, 4},
    {47, 48, 52},
    {50, 51, 0},
    {53, 21, 0},
    {0, 2, 54},
    {0, 2, 55},
    {0, 6, 34},
    {0, 25, 56},
    {0, 57, 0},
    {40, 6, 25},
    {0, 20, 58},
    {0, 20, 59},
    {1, 21, 40},
    {60, 26, 61},
    {40, 6, 39},
    {25, 6, 59},
    {1, 21, 38},
    {32, 54, 62},
    {63, 57, 64},
    {32, 54, 22},
    {1, 57, 38},
    {32, 23, 22},
    {65, 66, 67},
    {68, 57, 0},
    {69, 70, 71},
    {12, 72, 73},
    {74, 36, 0},
    {2, 0, 0},
    {6, 75, 15},
    {0, 76, 11},
    {77, 78, 21},
    {40, 26, 79},
    {56, 21, 38},
    {77, 6, 55},
    {32, 23, 80},
    {60, 10, 81},
    {12, 57, 63},
    {56, 57, 82},
    {1, 83, 84},
    {32, 25, 85},
    {0, 86, 32},
    {63, 6, 87},
    {56, 6, 88},
};

const uint16_t reg_values[] FLASH = {
    0x0000u,
    0x000Au,
    0xFFFFu,
    0x7FFFu,
    0x0003u,
    0xD8F0u,
    0x2710u,
    0x9400u,
    0x7735u,
    0xB1E0u,
    0x4E20u,
    0x0007u,
    0x0001u,
    0x01F4u,
    0x5EE0u,
    0xA120u,
    0xFFF8u,
    0x0002u,
    0x6C00u,
    0x88CAu,
    0x61A8u,
    0x07D0u,
    0x001Eu,
    0x0E10u,
    0x003Cu,
    0x03E8u,
    0x7530u,
    0x2EE0u,
    0x8CA0u,
    0x0708u,
    0x00F7u,
    0x0008u,
    0x0005u,
    0x0FA0u,
    0x0028u,
    0x9680u,
    0xC350u,
    0x0098u,
    0x0096u,
    0x0320u,
    0x0064u,
    0x4240u,
    0x000Fu,
    0xB64Cu,
    0x13FDu,
    0x540Fu,
    0x0187u,
    0x1F00u,
    0xE100u,
    0xD6BEu,
    0xFA0Au,
    0x05F5u,
    0x2907u,
    0xF830u,
    0x0258u,
    0x04B0u,
    0x0014u,
    0x1388u,
    0x36B0u,
    0x1770u,
    0x0BB8u,
    0x3E80u,
    0x002Du,
    0x0032u,
    0x0190u,
    0x0042u,
    0x0CCCu,
    0x0148u,
    0xEC78u,
    0x86A0u,
    0xD3C0u,
    0xB65Eu,
    0x05F2u,
    0x004Du,
    0x3CB0u,
    0x2D00u,
    0x0131u,
    0x00C8u,
    0xEA60u,
    0x05DCu,
    0x00F0u,
    0x1E14u,
    0x00FAu,
    0x1C20u,
    0x0384u,
    0x0050u,
    0x0041u,
    0x012Cu,
    0x0078u,
};

const struct reg_block reg_blocks[BLOCK_COUNT] FLASH = {
    {0, 0, 9, 1, HOME_INPUT, 0}, /* identity */
    {100, 0, 29, 1, HOME_INPUT, 8}, /* telemetry */
    {129, 0, 2, 3, HOME_INPUT, 29}, /* drive_telemetry */
    {135, 0, 4, 3, HOME_INPUT, 30}, /* zone_telemetry */
    {147, 0, 2, 8, HOME_INPUT, 34}, /* lane_telemetry */
    {200, 0, 1, 25, HOME_INPUT, 35}, /* alarm_detail */
    {240, 0, 4, 1, HOME_INPUT, 36}, /* refusal */
    {250, 0, 5, 1, HOME_INPUT, 39}, /* link_counters */
    {260, 0, 4, 1, HOME_INPUT, 44}, /* experiment_status */
    {0, offsetof(struct live, command), 5, 1, HOME_LIVE, 48}, /* command */
    {20, offsetof(struct live, feed), 14, 1, HOME_LIVE, 52}, /* feed */
    {80, offsetof(struct live, path_reference), 4, 1, HOME_LIVE, 63}, /* path_reference */
    {40, offsetof(struct live, zone), 3, 3, HOME_LIVE, 66}, /* zone */
    {60, offsetof(struct live, experiment), 11, 1, HOME_LIVE, 69}, /* experiment */
    {100, offsetof(struct settings, machine), 13, 1, HOME_SETTINGS, 80}, /* machine */
    {120, offsetof(struct settings, zone_settings), 37, 3, HOME_SETTINGS, 92}, /* zone_settings */
    {260, offsetof(struct settings, drive_settings), 5, 3, HOME_SETTINGS, 123}, /* drive_settings */
    {280, offsetof(struct settings, lane_settings), 2, 8, HOME_SETTINGS, 126}, /* lane_settings */
    {300, offsetof(struct settings, guards), 13, 1, HOME_SETTINGS, 127}, /* guards */
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

const uint16_t transitions[TRANSITION_COUNT] FLASH = {
    TRANSITION(STATE_STOPPED, COMMAND_RESET, STATE_RESETTING),
    TRANSITION(STATE_COMPLETE, COMMAND_RESET, STATE_RESETTING),
    TRANSITION(STATE_IDLE, COMMAND_START, STATE_STARTING),
    TRANSITION(STATE_EXECUTE, COMMAND_HOLD, STATE_HOLDING),
    TRANSITION(STATE_UNHOLDING, COMMAND_HOLD, STATE_HOLDING),
    TRANSITION(STATE_HELD, COMMAND_UNHOLD, STATE_UNHOLDING),
    TRANSITION(STATE_EXECUTE, COMMAND_COMPLETE, STATE_COMPLETING),
    TRANSITION(STATE_RESETTING, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_IDLE, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_STARTING, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_EXECUTE, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_HOLDING, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_HELD, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_UNHOLDING, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_COMPLETING, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_COMPLETE, COMMAND_STOP, STATE_STOPPING),
    TRANSITION(STATE_CLEARING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_STOPPED, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_RESETTING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_IDLE, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_STARTING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_EXECUTE, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_HOLDING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_HELD, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_UNHOLDING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_COMPLETING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_COMPLETE, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_STOPPING, COMMAND_ABORT, STATE_ABORTING),
    TRANSITION(STATE_ABORTED, COMMAND_CLEAR, STATE_CLEARING),
    TRANSITION(STATE_RESETTING, TRANSITION_DONE, STATE_IDLE),
    TRANSITION(STATE_STARTING, TRANSITION_DONE, STATE_EXECUTE),
    TRANSITION(STATE_EXECUTE, TRANSITION_DONE, STATE_COMPLETING),
    TRANSITION(STATE_HOLDING, TRANSITION_DONE, STATE_HELD),
    TRANSITION(STATE_UNHOLDING, TRANSITION_DONE, STATE_EXECUTE),
    TRANSITION(STATE_COMPLETING, TRANSITION_DONE, STATE_COMPLETE),
    TRANSITION(STATE_STOPPING, TRANSITION_DONE, STATE_STOPPED),
    TRANSITION(STATE_ABORTING, TRANSITION_DONE, STATE_ABORTED),
    TRANSITION(STATE_CLEARING, TRANSITION_DONE, STATE_STOPPED),
};
