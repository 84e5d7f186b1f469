/* The head: one struct, and the calls by which a port drives it.
 *
 * Who calls what:
 *   head_pulse     every 62.5 us, interrupt (PULSE_HZ); returns the drives to step
 *   head_receive   a byte came, interrupt
 *   head_sent      the last byte of an answer left, interrupt
 *   head_edge      a pin of the output wheel changed, interrupt
 *   head_tick      every millisecond, main loop
 *   head_poll      as often as the main loop comes round: answers requests
 *
 * Fields that interrupts write are marked `irq`; the main loop copies them under port.lock. All
 * others belong to the main loop.
 */
#ifndef PLYLANE_HEAD_H
#define PLYLANE_HEAD_H

#include <stdbool.h>
#include <stdint.h>

#include "events.h"
#include "experiment.h"
#include "feed.h"
#include "guards.h"
#include "link.h"
#include "port.h"
#include "register_table.h"
#include "state.h"
#include "store.h"
#include "trim.h"
#include "wheels.h"
#include "zones.h"

#define PULSE_HZ 16000u
#define PULSES_PER_TICK 16u /* calls of head_pulse in a millisecond */

struct head {
    const struct port *port;
    uint32_t ms; /* since reset */
    uint8_t reset_cause;
    uint8_t settings_origin;
    uint8_t unit_address;
    uint16_t inputs;       /* as read at the last tick, INPUT_ bits */
    uint16_t refused_count;
    struct refusal_regs refusal;
    struct live live;         /* holding registers that are not kept */
    struct settings settings; /* holding registers that are */
    struct link link;
    struct events events;
    struct machine machine;
    struct alarms alarms;
    struct guards guards;
    struct zones zones;
    struct experiment experiment;
    struct feed feed;
    struct wheels wheels;
    struct trim trim;
    struct store store;
};

/* Bring a head to life: settings from the store, everything off, state Stopped. */
void head_init(struct head *head, const struct port *port, uint8_t reset_cause);
void head_tick(struct head *head);
void head_poll(struct head *head);
uint8_t head_pulse(struct head *head);
void head_receive(struct head *head, uint8_t byte);
void head_sent(struct head *head);
void head_edge(struct head *head, uint8_t pins); /* pins: bit 0 A, bit 1 B */
/* The port says that a pulse period came too late. */
void head_overrun(struct head *head);

/* Hooks of the register access layer (access.c).
 * May this value go into that register now? REFUSAL_NONE or the reason. `entry` is the register's number in reg_kinds. */
uint8_t head_may_write(const struct head *head, uint8_t block, uint8_t instance, uint8_t entry, int32_t value);
/* The value is in place: act on it. */
void head_written(struct head *head, uint8_t block, uint8_t entry);
/* Fill one instance of an input block (snapshot.c); `out` is that block's struct. */
void snapshot_fill(const struct head *head, uint8_t block, uint8_t instance, void *out);

#endif
