/* Output trim: what the cord's length is believed to be, and the loop that makes it the length wanted.
 *
 * The loop. error_um is the master feed (before the trim) less the cord laid. Trim is 48 ppm for each micrometre of
 * it, so an error closes over 21 mm of feed, plus its integral over the feed with an integral length of 98 mm: a
 * little over four times that, so well damped. Lengths, not times: the speed does not matter and a stop stops the
 * loop too. All whole numbers.
 *
 * Doubt. The feed less the loss through slip, as learned, says what the output wheel should show. The wheel is in
 * doubt where they part by more than SLIP_UM within a hop of 8 mm, or by more than CREEP_UM in all hops together, of
 * which an eighth is forgotten in each. Then what it lost is given back, from then on the feed stands in for it and
 * the trim is its mean of before, until GOOD_HOPS hops in a row agree. The loss learns a 128th of that sum in a hop,
 * so a step of the slip by s makes the sum 48 mm * s: some 2 % is the least that is seen, depending on where the
 * run-out is. As strips are picked up after a stop the rollers slip some 0.5 mm more: PICK_UP_HOPS are left out of
 * the sum. If the lane wheels then fall behind the feed too, it is the rollers that slip: the loss goes up by a
 * percent and the wheel is trusted again.
 *
 * Drift. Dirt on the wheel is too slow for that. The lane wheels are the witness: the median over the lanes of strip
 * length less laid length, each lane with an anchor of its own that follows the median over 130 mm; so joints, and
 * the longer ways of outer lanes in a curve, are forgotten. The median is sought by small steps of the drift towards
 * each lane. Lane wheels do not tell their way, and strips give back their slack at a stop: edges that come while the
 * feed stands are taken for those of a wheel that turns backwards. As a run or a jog begins, the anchors are set anew
 * for SETTLE_HOPS so that the drift stays what it was: strips take up their slack then. Beyond guards.wheel_limit_mm
 * (joints' gaps make lane wheels show too little: FURTHER_UM more that way) the trim freezes; over each metre from
 * then on the drift's change is looked at, and once it is less than STEADY_UM the wheel is trusted again and the
 * lanes' word is taken for what went missing. */
#ifndef PLYLANE_TRIM_H
#define PLYLANE_TRIM_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

#define HOP_UM 8192
#define SLIP_UM 500
#define CREEP_UM 900
#define GOOD_HOPS 10u
#define PICK_UP_HOPS 2u
#define SETTLE_HOPS 12u
#define WATCH_HOPS 128u /* a metre */
#define STEADY_UM 500
#define ERROR_MAX_UM 2000

struct trim {
    int32_t laid_um;            /* since the run started */
    int32_t error_um;           /* wanted less laid, of what the run fed */
    int32_t integral;           /* 2048ths of a ppm */
    int32_t integral_kept;      /* its mean over the last quarter of a metre: what a freeze falls back to */
    int32_t fed_seen_um;        /* positions at the last look */
    int32_t wheel_seen_um;
    int32_t master_seen_um;
    int32_t rest;               /* of the loss: 0..131071 */
    int16_t loss;               /* of a hop through slip, 1/16 um: up to a quarter of it, far beyond feed_mismatch */
    int16_t hop_fed_um;
    int16_t hop_off_um;         /* what the wheel shows too little in this hop */
    int16_t off_um;             /* and in those before, each hop an eighth of it forgotten */
    int16_t drift;              /* lane wheels less laid length, 8 um */
    int16_t drift_from;         /* when the metre under watch began */
    uint16_t anchor[LANES];     /* of a lane, 8 um, wraps */
    uint8_t hops;               /* good ones since the doubt, or those of the metre under watch */
    uint8_t settled;            /* hops since the run or a jog began */
    uint8_t picked_up;          /* and since the last standstill */
    uint8_t doubt;              /* enum trim_state: automatic for none, or why not */
    bool by_feed;               /* the feed stands in for the wheel */
};

struct head;
void trim_start(struct head *head); /* a run starts */
void trim_look(struct head *head);  /* every 10 ms */
/* An edge of a lane wheel's track came while the feed stood. */
void trim_given_back(struct head *head, uint8_t lane);
/* What the trim is heading for, ppm. */
int32_t trim_wanted_ppm(const struct head *head);
int32_t trim_laid_um(const struct head *head); /* up to this tick */
uint8_t trim_state(const struct head *head);   /* enum trim_state */

#endif
