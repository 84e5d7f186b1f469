/* The plant of the twin: blocks, strips, rollers, wheels. Every simulated number comes from here.
 * Equations, parameters and faults are written out in docs/twin.md.
 *
 * One call advances one millisecond. All state sits in struct plant; nothing is shared between two of
 * them. The same parameters, seed and calls give the same bits. Zones, drives and lanes count from 0.
 */
#ifndef PLYLANE_PLANT_H
#define PLYLANE_PLANT_H

#include <stdint.h>

#define PLANT_ZONES 3
#define PLANT_DRIVES 3
#define PLANT_LANES 8
#define PLANT_CURVES 64
#define PLANT_GUIDE_CELLS 16
#define PLANT_CELLS 20        /* stack in the guide, then in the nip */
#define PLANT_WHEEL_SLOTS 40  /* pulses a turn of a lane wheel */
#define PLANT_WHEEL_EDGES 41
#define PLANT_BATCHES 4       /* batches of samples that make one converter reading */
#define PLANT_BATCH_SAMPLES 16
#define PLANT_STEP_MS 10      /* thermal step */

enum plant_zone { PLANT_GUIDE = 0, PLANT_NIP = 1 };
enum plant_drive { PLANT_INFEED = 0, PLANT_PRESS = 1, PLANT_OUTFEED = 2 };

/* What can be switched on and off at any time. `size` and `over_mm` of plant_fault() in brackets;
 * over_mm is feed travel over which the fault grows from nothing to its size, 0 at once. */
enum plant_fault_kind {
    PLANT_LANE_JAM = 0,           /* a lane: extra drag in the guide [N, over_mm] */
    PLANT_HEAD_JAM = 1,           /* every lane [N a lane, over_mm] */
    PLANT_STRIP_OUT = 2,          /* a lane: the strip ends; off threads a new one */
    PLANT_LANE_WHEEL_STUCK = 3,   /* a lane */
    PLANT_OUTPUT_WHEEL_STUCK = 4,
    PLANT_OUTPUT_WHEEL_DIRTY = 5, /* larger wheel [% of diameter, over_mm] */
    PLANT_OUTPUT_WHEEL_SLIP = 6,  /* [% of travel lost, over_mm] */
    PLANT_SENSOR_OPEN = 7,        /* a zone */
    PLANT_SENSOR_SHORTED = 8,     /* a zone */
    PLANT_SENSOR_STUCK = 9,       /* a zone: the reading stays as it is */
    PLANT_SENSOR_DETACHED = 10,   /* a zone: sensor off its block [% of contact lost] */
    PLANT_HEATER_OPEN = 11,       /* a zone */
    PLANT_HEATER_SHORTED = 12,    /* a zone: on without command */
    PLANT_LOST_STEPS = 13,        /* a drive [full steps, rounded up to fours; spread over over_mm] */
    PLANT_FILM = 14,              /* adhesive on the rollers [% slip added at nominal load, over_mm] */
    PLANT_STOP_TRIPPED = 15,
    PLANT_PERMIT_LOST = 16,
    PLANT_SUPPLY_LOW = 17,        /* [% below nominal voltage] */
    PLANT_FAULT_KINDS = 18
};

/* All lengths mm, forces N, speeds mm/s, temperatures degC, powers W. Filled by plant_parameters.py. */
struct plant_parameters {
    int32_t zones;  /* 1..3 */
    int32_t lanes;  /* 1..8 */
    /* heat */
    double block_heat_J_K[PLANT_ZONES];
    double block_start_K[PLANT_ZONES]; /* above air when the run begins */
    double heater_W[PLANT_ZONES]; /* at nominal supply */
    double loss_W_K[PLANT_ZONES];
    double link_W_K[PLANT_ZONES]; /* from zone z to zone z + 1 */
    double supply_drift_fraction;
    double supply_drift_time_s;
    double air_mean_degC;
    double air_swing_K;
    double air_start_h;          /* hours after the morning mean at time zero */
    double guide_length_mm;
    double nip_length_mm;
    double stack_heat_J_mm_K;    /* of a millimetre of the whole stack */
    double stack_contact_W_mm_K; /* block to the mean of the stack, a millimetre of heated length */
    /* sensors and converter */
    double sensor_lag_s;
    double sensor_air_lag_s;     /* once off the block */
    double sensor_noise_K;
    double seating_error_K;      /* largest, at seating_reference_K above air */
    double seating_reference_K;
    double divider_ohm;
    double ntc_r25_ohm;
    double ntc_A;                /* R = R25 exp(A + B/T + C/T^2 + D/T^3) */
    double ntc_B_K;
    double ntc_C_K2;
    double ntc_D_K3;
    /* drives and rollers */
    double pulses_per_mm;
    int32_t pulses_per_cycle;    /* pulses in four full steps */
    double rotor_time_ms;
    double roller_radius_mm;
    double bearing_torque_Nm;
    double pull_out_torque_Nm;
    double pull_out_half_rev_s;
    double detent_fraction;
    double nominal_speed_mm_s;
    double nominal_slip;
    double slip_speed_factor;
    double slip_drift;
    double slip_drift_length_mm;
    double film_slip_per_mm;
    double film_slip_max;
    double infeed_nominal_N;     /* traction a lane at which slip is nominal */
    double infeed_limit_N;
    double press_nominal_N;
    double press_limit_N;
    double outfeed_nominal_N;
    double outfeed_limit_N;
    /* strips */
    double magazine_N;
    double drag_N;
    double drag_viscous_N_s_mm;
    double drag_edge_mm_s;       /* speed below which dry friction is rounded off */
    double drag_variation;
    double drag_correlation_mm;
    double strip_mean_variation;
    double laying_N;
    double shear_drag_N;
    double slack_min_mm;
    double slack_max_mm;
    double buckling_N;
    double strip_stiffness_N_mm;
    double slack_relaxation_s;
    double glue_yield_N;
    double glue_viscous_N_s_mm;
    double infeed_to_press_mm;
    double strip_length_mm;
    double first_joint_mm[PLANT_LANES];
    double joint_gap_max_mm;
    double joint_step_fraction;  /* of the strip's thickness, largest */
    double joint_drag_N;         /* for a step as high as the whole thickness */
    double joint_drag_length_mm;
    double lane_offset_mm[PLANT_LANES];
    /* curves of the part, against cord length */
    int32_t curves;
    double curve_start_mm[PLANT_CURVES];
    double curve_length_mm[PLANT_CURVES];
    double curve_per_mm[PLANT_CURVES]; /* signed curvature */
    double curve_period_mm;            /* 0: does not repeat */
    /* wheels */
    double output_mm_per_count;
    double output_turn_mm;
    double output_run_out;
    double output_burst_spacing_mm;
    double output_burst_length_mm;
    double output_burst_slip;
    double output_dirt_per_mm;
    double output_dirt_max;
    double lane_mm_per_pulse;
    double lane_scatter;
};

/* One stream of random numbers. */
struct plant_stream {
    uint64_t s[4];
    double spare;
    int32_t has_spare;
};

struct plant_fault_state {
    int32_t on;
    double size;
    double over_mm;
    double since_mm; /* feed travel when it was switched on */
};

struct plant_block {
    double degC;       /* true temperature */
    double sensor_degC;
    double seating_K;  /* error of the reading at seating_reference_K above air */
    double on_ms;      /* heater on within the present step */
    int32_t batch[PLANT_BATCHES];
    int32_t batch_at;
    uint16_t reading;
    struct plant_stream noise;
};

struct plant_roller {
    int64_t pulses;       /* net, as given */
    int64_t lost;         /* net pulses lost for good: whole cycles */
    int32_t cycle;        /* pulses that moved nothing in the cycle under way, signed; 0 none */
    int32_t forced;       /* cycles a fault has had lost */
    double slip_N;        /* traction at which it slips by its whole speed, were it linear so far */
    double limit_N;       /* traction at which it slips freely */
    double pending_mm;    /* given but not yet turned */
    double travel_mm;     /* surface travel */
    double speed_mm_s;
    double force_N;       /* traction it gave in the last millisecond */
};

struct plant_lane {
    double fed_mm;        /* strip that has passed the infeed wheel */
    double ply_mm;        /* ply that has passed the press */
    double slack_mm;      /* strip between infeed and press beyond the straight length; below 0 taut */
    double room_mm;       /* buckling room */
    double push_N;        /* compression at the infeed side */
    double behind_N;      /* drag of the strip behind an open joint, borne by the infeed alone */
    double shear_N;       /* pull of the cord on the ply */
    double speed_mm_s;    /* of the ply at the press */
    double drag_N;        /* dry drag in the guide now, jam included */
    double variation;     /* Ornstein-Uhlenbeck, of the drag */
    double strip_mean;    /* of the strip in the guide, relative */
    double varied_mm;     /* ply_mm up to which variation has been drawn */
    double edge_left_mm;  /* of a joint's step in the press */
    double edge_N;
    double next_joint_mm; /* fed_mm at which the next joint reaches the infeed */
    double gap_left_mm;   /* of a gap that is passing the infeed */
    double step_fraction; /* thickness step of the joint under way */
    double joint_at_mm;   /* ply_mm at which the joint under way reaches the press */
    int32_t joint_under_way; /* between infeed and press */
    int32_t joint_open;   /* its ends do not touch yet */
    int32_t joints;       /* passed the infeed */
    double gaps_mm;       /* gaps left open in the cord */
    int32_t stuck;        /* does not move although the feed does */
    double tail_mm;       /* strip_out: ply_mm at which the end leaves the press */
    double wheel_mm;      /* travel of the lane wheel */
    double edge_mm[PLANT_WHEEL_EDGES]; /* rising edges round the wheel */
    int32_t slot;
    int64_t turn;
    int64_t wheel_pulses; /* slots passed, signed */
    struct plant_stream drag_noise;
    struct plant_stream joint_noise;
};

struct plant {
    struct plant_parameters set;
    /* ---- what the head sees after plant_ms() ---- */
    uint16_t converter[PLANT_ZONES]; /* sum of 64 readings of 10 bits: share of the reference, 65536 = full */
    int32_t output_edges;            /* net counts of the output wheel in this millisecond */
    uint16_t inputs;                 /* INPUT_ bits of core/port.h */
    /* ---- truth, for tests and reports ---- */
    int64_t ms;
    double cord_mm;                  /* true length of cord that left the outfeed */
    double cord_speed_mm_s;
    double feed_mm;                  /* surface travel of the infeed roller */
    double air_degC;
    double supply_fraction;          /* of nominal voltage */
    int32_t cuts;
    double cut_at_mm;                /* cord_mm at the last cut */
    double heater_J[PLANT_ZONES];    /* given to each block since the start */
    double air_J[PLANT_ZONES];       /* lost to air */
    double stack_J[PLANT_ZONES];     /* given to the stack */
    double carried_J;                /* left with the cord, above the air it came in with */
    double carried_W[PLANT_ZONES];   /* block to stack in the last thermal step */
    double stack_degC[PLANT_CELLS];  /* mean over the section, along the way */
    struct plant_block block[PLANT_ZONES];
    struct plant_roller roller[PLANT_DRIVES];
    struct plant_lane lane[PLANT_LANES];
    struct plant_fault_state lane_jam[PLANT_LANES];
    struct plant_fault_state strip_out[PLANT_LANES];
    struct plant_fault_state lane_wheel_stuck[PLANT_LANES];
    struct plant_fault_state sensor[PLANT_ZONES][4]; /* open, shorted, stuck, detached */
    struct plant_fault_state heater[PLANT_ZONES][2]; /* open, shorted */
    struct plant_fault_state lost_steps[PLANT_DRIVES];
    struct plant_fault_state whole[PLANT_FAULT_KINDS]; /* those of no lane, zone or drive, by kind */
    /* ---- inner state ---- */
    int32_t shear_was;
    double rotor_share;              /* of what is pending that turns in a millisecond */
    int32_t rollers_rest;            /* none turns in this millisecond */
    int32_t rest_ms;                 /* since the rollers last turned */
    double thermal_mm;               /* mean ply travel within the present thermal step */
    double supply_drift;
    double slip_drift[2];            /* infeed; press and outfeed; relative to nominal slip */
    double slip_drawn_mm[2];
    double film;                     /* slip added by the ordinary film */
    double wheel_mm;                 /* travel of the output wheel's rim over clean cord */
    int64_t output_counts;
    double burst_left_mm;
    double burst_wait_mm;
    double dirt;                     /* growth of the wheel's diameter, relative */
    struct plant_stream supply_noise;
    struct plant_stream slip_noise[2];
    struct plant_stream burst_noise;
};

/* Everything cold, at rest, strips threaded up to the press. */
void plant_init(struct plant *plant, const struct plant_parameters *set, uint64_t seed);
/* One millisecond. heaters, enabled: a bit a zone or drive; pulses: net pulses of each drive in it. */
void plant_ms(struct plant *plant, uint8_t heaters, const int8_t *pulses, uint8_t enabled, uint8_t shear);
/* Switch a fault. Returns 0, or -1 where kind or index does not exist. */
int32_t plant_fault(struct plant *plant, int32_t kind, int32_t index, double size, double over_mm, int32_t on);
/* 1 while the fault is on. */
int32_t plant_fault_on(const struct plant *plant, int32_t kind, int32_t index);
/* Drag that a jam adds to a lane now, N. */
double plant_jam_N(const struct plant *plant, int32_t lane);
/* Signed curvature of the part at a cord length, 1/mm. */
double plant_curvature(const struct plant_parameters *set, double cord_mm);
/* Resistance of the sensor, ohm. */
double plant_ntc_ohm(const struct plant_parameters *set, double degC);
/* Share of the reference at a zone's converter pin, 0..1, before the converter samples it; *noise gets the
 * r.m.s. noise on it. For a converter that is simulated elsewhere. */
double plant_pin_share(const struct plant *plant, int32_t zone, double *noise);
/* The converter's code, 0..1023, for a share of the reference. */
int32_t plant_code(double share);
/* For tests of the noise: next uniform in [0, 1) and next standard normal of a stream. */
void plant_stream_init(struct plant_stream *stream, uint64_t seed, uint64_t source);
double plant_uniform(struct plant_stream *stream);
double plant_normal(struct plant_stream *stream);

#endif
