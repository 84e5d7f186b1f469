/* Guards watch, alarms remember. A guard raises its alarm; the reaction comes from the alarm table. */
#ifndef PLYLANE_GUARDS_H
#define PLYLANE_GUARDS_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

struct alarms {
    uint32_t unacknowledged;
    uint8_t instances[ALARM_COUNT]; /* for which its condition stands */
};

struct zone_watch {
    int16_t effect_from;      /* PV when the output went high, hundredths as all below */
    int16_t cold_from;        /* PV that a zone without output must not rise from */
    int16_t fall_from;        /* PV a second ago */
    uint16_t effect_s;
    uint16_t cold_s;
    uint16_t still_s;         /* seconds without a change of the reading */
    uint16_t still_reading;
};

struct guards {
    struct zone_watch zone[ZONES];
    int32_t mismatch_um;      /* leaky sum of feed less slip less output */
    int32_t mismatch_rest;    /* of what it forgets */
    uint16_t lane_from[LANES]; /* feed at the lane's last pulse, 64 um, wraps */
    uint8_t lane_seen[LANES]; /* the lane's pulses, as far as to see whether there were any */
    uint16_t permit_away_ms;
    uint16_t dwell_s;         /* that strip has been in the hot guide */
    int32_t dwell_from_um;    /* feed when it came in */
    uint8_t ms;               /* 0..9: last digit of a clock for the slower guards */
    uint8_t hundredths;       /* 0..9, of a second */
    uint8_t tenths;           /* 0..9 */
    uint16_t overruns_seen;
};

struct head;
void guards_tick(struct head *head); /* 1 kHz */
void guards_start(struct head *head); /* a run starts: forget lengths */
void alarm_set(struct head *head, uint8_t alarm, uint8_t instances, bool stands);
void alarm_acknowledge(struct head *head, uint32_t mask);
/* Alarms whose condition stands and that forbid leaving Aborted, Stopped or Held. */
bool alarms_blocking(const struct head *head);
uint32_t alarms_active(const struct head *head); /* a bit an alarm */
/* What the last 10 ms fed and laid, for the guards of lengths; not while a jog leaves drives out. */
void guards_lengths(struct head *head, int16_t fed_um, int16_t laid_um);

#endif
