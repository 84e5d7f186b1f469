/* Measuring wheels: quadrature at the output, one pulse track a lane.
 *
 * Lengths are exact: counts times calibration, the remainder below a micrometre carried, rounded down.
 * A lane's input counts after two equal samples, so a level must stand for 2 ms: 250 pulses a second.
 */
#ifndef PLYLANE_WHEELS_H
#define PLYLANE_WHEELS_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

#define SPEED_SLOTS 10u   /* output speed over ten steps of ten milliseconds */
#define SPEED_SLOT_MS 10u

struct wheels {
    volatile int32_t output_counts;   /* irq */
    volatile uint8_t output_pins;     /* irq: last A and B */
    volatile uint16_t output_errors;  /* irq: both pins changed at once, saturating */
    int32_t output_seen;              /* copy at the last tick */
    int32_t output_um;                /* since zero */
    int32_t output_rest_nm;           /* 0..999 */
    int32_t speed_um_s;               /* over 100 ms */
    int32_t slot_from_um;             /* output_um when the slot under way began */
    int16_t slot_um[SPEED_SLOTS];     /* moved in the last ten slots */
    uint8_t slot_at;
    uint8_t slot_ms;
    bool backwards;                   /* last direction of the master feed */
    uint16_t lane_sample;             /* inputs at the last tick */
    uint16_t lane_inputs;             /* lane bits that stood for two ticks */
    int32_t lane_pulses[LANES];       /* since zero, signed by the direction of feed */
};

struct head;
void wheels_init(struct head *head);
void wheels_zero(struct head *head);
void wheels_edge(struct wheels *wheels, uint8_t pins); /* irq */
void wheels_tick(struct head *head);                   /* 1 kHz, uses head->inputs */
int32_t wheels_lane_um(const struct head *head, uint8_t lane);

#endif
