/* Master feed and drives.
 *
 * The master moves a whole number of nanometres every millisecond. Each drive turns that into phase:
 *     total = nm * pulses_per_m * 4096 + rest      (64 bits, exact)
 *     step  = total >> 16, rest = total & 0xFFFF
 * and head_pulse adds `step` sixteen times; a pulse is 10^9 units of phase. Nothing is ever rounded
 * away, so over any length a drive is within one pulse of its ratio to the master.
 */
#ifndef PLYLANE_FEED_H
#define PLYLANE_FEED_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

#define PHASE_PER_PULSE 1000000000L

enum feed_mode { FEED_REST, FEED_RUN, FEED_JOG };

struct drive {
    volatile int32_t phase;  /* irq: 0..PHASE_PER_PULSE-1 */
    volatile int32_t step;   /* main loop under lock: signed, a head_pulse */
    volatile int32_t pulses; /* irq: net pulses since reset */
    int32_t rest;            /* remainder of the last split, 0..65535 */
    uint32_t ratio;          /* pulses a metre times 4096, ratio_ppm included */
    int32_t pulses_seen;     /* copy of pulses at the last tick */
};

struct feed {
    struct drive drive[DRIVES];
    uint8_t mode;             /* enum feed_mode */
    uint8_t moving_drives;    /* drives that follow the master now (jog may leave some out) */
    uint8_t enabled;          /* driver enable mask last given to the port */
    int32_t speed_um_s;       /* master speed now = nm a millisecond */
    int32_t target_um_s;      /* speed it is heading for */
    int32_t position_um;      /* since zero */
    int32_t position_rest_nm; /* 0..999 */
    int32_t trim_rest;        /* remainder of the trim, millionths of a nm */
    int64_t to_go_nm;         /* of a length or jog, signed */
    bool length_done;
    uint16_t path_age_ms;     /* since the path-speed reference was written, saturating */
    volatile uint16_t overruns; /* irq */
    uint8_t overrun_drives;   /* drives that were asked for more than one pulse a period, since last looked at */
    uint8_t shear_state;      /* 0 idle, 1 armed; counts down while the shear is on */
    uint16_t shear_ms;
};

struct head;
void feed_init(struct head *head);
void feed_apply(struct head *head);  /* settings changed: ratios anew */
void feed_zero(struct head *head);   /* a run starts: position, length */
void feed_run(struct head *head);    /* follow the chosen source */
void feed_rest(struct head *head);   /* slow down to standstill */
void feed_halt(struct head *head);   /* stand at once (abort) and drop driver enable */
void feed_enable(struct head *head, bool enabled);
void feed_jog(struct head *head);    /* jog registers were written */
bool feed_at_rest(const struct head *head);
int32_t feed_to_go_um(const struct head *head); /* what is left of a length, 0 or more */
void feed_tick(struct head *head);   /* 1 kHz: includes the shear */
uint8_t feed_pulse(struct feed *feed); /* irq: bit mask of drives to step */
void feed_path_written(struct head *head);
void feed_shear_written(struct head *head);

#endif
