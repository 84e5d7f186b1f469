/* Master feed and drives.
 *
 * The master moves a whole number of nanometres every millisecond, so a speed in um/s is also its
 * move in nm a tick, and an acceleration in mm/s2 is also its change in um/s a tick. Each drive
 * turns that into phase:
 *     total = nm * pulses_per_m * 4096 + rest      (64 bits, exact)
 *     step  = total >> 16, rest = total & 0xFFFF
 * and head_pulse adds `step` sixteen times; a pulse is 10^9 units of phase. Nothing is ever rounded
 * away, so over any length a drive is within one pulse of its ratio to the master.
 *
 * Late and early ticks: head_pulse counts in `left` how many of the sixteen periods a step still has;
 * it goes on with the last step when a tick is late, and the tick puts what was run too little or too
 * much into `owed` and `rest`, so the main loop may be late without a drive losing its place. After
 * LATE_PERIODS without a tick the drives stand: a main loop that hangs must not keep rollers turning.
 *
 * More than a pulse a period: the master is slowed so that no drive is asked for it, all drives keep
 * their ratios, and `overrun_drives` names the one that is too fast for the wanted speed. What a drive is
 * owed after late or early ticks is worked off by an eighth a tick.
 *
 * Path position (source path_position): the robot stamps where it is with its own clock. What is least between
 * a stamp and its arrival, forgotten by 1 ms in LEAST_DELAY_MS, is taken as the offset of the two clocks; from the
 * stamp, so aligned, the position is carried forward by the speed to now (plus path_delay_ms). The master moves at that
 * speed plus what closes the gap at FOLLOW_PER_S, never backwards: the cord cannot be pulled back.
 *
 * Trim: a length to go counts nanometres before the trim, position_um and the drives move by
 * nm * (1 + trim), the remainder carried. So over a length L each drive gets L * (1 + trim). A jog is
 * never trimmed. While the master moves, the trim in force goes to a new value by TRIM_STEP_PPM a
 * tick, so that it cannot jerk the drives.
 */
#ifndef PLYLANE_FEED_H
#define PLYLANE_FEED_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

#define PHASE_PER_PULSE 1000000000
#define LATE_PERIODS 96  /* 6 ms: at full rate on the board an answer and the braking can cost five */
#define TRIM_STEP_PPM 40 /* 4 % of the speed a second */
#define SHEAR_ON_MS 200u

#define FOLLOW_PER_S 12            /* a gap to the path closes with a time constant of a twelfth of a second */
#define GAP_MAX_UM INT32_C(2000)   /* of the gap, what is closed at that rate: 12 mm/s at most */
#define LEAST_DELAY_MS 4096u       /* clocks may drift by 1 ms in so long, 244 ppm */

enum feed_mode { FEED_REST, FEED_RUN, FEED_JOG };

struct drive {
    volatile int32_t phase;  /* irq: 0..PHASE_PER_PULSE-1 */
    volatile int32_t step;   /* main loop under lock: signed, a head_pulse */
    volatile int8_t fresh;   /* irq, main loop under lock: net pulses since the last tick */
    int32_t pulses;          /* net pulses since reset, as of the last tick */
    int32_t owed;            /* sixteens of steps that it still has to get, over what the split says */
    int32_t rest;            /* remainder of the last split, in 65536ths of a step */
    uint32_t ratio;          /* pulses a metre times 4096, ratio_ppm included */
};

struct feed {
    volatile int8_t left;     /* irq, main loop under lock: periods left of the steps, negative when late */
    uint8_t mode;             /* enum feed_mode: of the motion under way */
    uint8_t next_mode;        /* what it shall be; to and from a jog only at standstill */
    bool jog_waits;           /* a jog was written and has not begun */
    uint8_t moving_drives;    /* drives that follow the master now (jog may leave some out) */
    uint8_t enabled;          /* driver enable mask last given to the port */
    uint8_t backwards;        /* a bit a drive, before drive_settings.reversed */
    uint8_t reversed;         /* a bit a drive */
    uint8_t tight_drives;     /* the fastest drive, if it lowers the ceiling below speed_max */
    int32_t ceiling_um_s;     /* highest speed of the master */
    int32_t speed_um_s;       /* master speed now = nm a millisecond */
    int32_t target_um_s;      /* speed it is heading for */
    int32_t position_um;      /* since zero, trimmed; with jogs of all drives */
    int32_t position_rest_nm; /* 0..999 */
    int32_t stood_um;         /* position_um where the master last stood */
    int32_t trim_rest[2];     /* remainder of the trim: 0..999 millionths, thousandths of a nm */
    int32_t trim_ppm;         /* in force */
    int32_t length_um;        /* of this run, 0 where it has no end */
    int32_t to_go_um;         /* of it, before the trim: the master has moved length_um - to_go_um */
    int32_t to_go_rest_nm;    /* 0..999, on top of to_go_um */
    int32_t jog_to_go_nm;     /* signed */
    bool length_done;
    uint16_t path_age_ms;     /* since the last new reference of the path, saturating */
    uint16_t path_stamp_ms;   /* the last reference of path_position: the robot's clock, */
    int32_t path_um;          /* where it was by then */
    int16_t path_speed_mm_s;  /* and its speed, as on the wire */
    uint16_t path_offset_ms;  /* head's clock less the robot's, at the least delay seen */
    int32_t gap_um;           /* path position now less what the master has moved */
    volatile uint16_t overruns; /* irq */
    uint8_t overrun_drives;   /* asked for more than a pulse a period since last looked at */
    uint8_t shear_state;      /* 0 idle, 1 armed */
    uint8_t shear_ms;         /* counts down while the shear is on */
    struct drive drive[DRIVES]; /* last: AVR reaches near fields cheaper */
};

struct head;
void feed_init(struct head *head);
void feed_apply(struct head *head);  /* settings changed: ratios anew */
void feed_zero(struct head *head);   /* a run starts: position, length */
void feed_run(struct head *head);    /* follow the chosen source; a length goes on with what is left */
void feed_rest(struct head *head);   /* slow down to standstill */
/* Stand at once (abort) and drop driver enable; the shear lets go and is disarmed. */
void feed_halt(struct head *head);
void feed_enable(struct head *head, bool enabled);
/* Jog registers were written. Length 0 ends a jog; another length while one is under way slows down
 * first and then begins from standstill. Enables the drives. */
void feed_jog(struct head *head);
bool feed_at_rest(const struct head *head); /* stands, and every pulse is out */
int32_t feed_to_go_um(const struct head *head); /* what is left of a length, 0 or more */
void feed_tick(struct head *head);   /* 1 kHz: includes the shear */
uint8_t feed_pulse(struct feed *feed); /* irq: bit mask of drives to step */
void feed_path_written(struct head *head);     /* a path speed was written */
void feed_reference_written(struct head *head); /* a reference with stamp and position */
/* What the master has moved in this run, before the trim. */
int32_t feed_master_um(const struct feed *feed);
/* How far the position is from where it was then, either way. */
uint32_t feed_gone_um(const struct feed *feed, int32_t then_um);
bool feed_follows(const struct head *head);    /* the source is a path */
bool feed_path_stale(const struct head *head);
/* Arms the shear, or disarms it (0). It fires only while a run feeds or slows down, never at rest or
 * in a jog: hands may be at the strip then. */
void feed_shear_written(struct head *head);
/* So much is laid that a cut now lies at `at_um` or behind: the shear is machine.shear_to_nozzle_mm upstream. */
bool feed_cut_due(const struct head *head, int32_t at_um);

/* Add to a remainder below 1000 and take the whole thousands out; rounds down, leaves 0..999. The sum
 * must not overflow. Several times quicker than a division on the AVR. */
int32_t take_thousands(int32_t *rest, int32_t add);
/* The upper limit wins where the limits are crossed. */
int32_t clamp(int32_t value, int32_t low, int32_t high);

#endif
