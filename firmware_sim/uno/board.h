/* The parts of the port and who owns what; what the core calls is declared in core/flash.h. Everything here runs on the one head of the board. */
#ifndef PLYLANE_BOARD_H
#define PLYLANE_BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "../core/head.h"

#define CLOCK_HZ 16000000UL

extern struct head head; /* main.c; its irq fields belong to the interrupts */

/* startup.c: what the chip's reset flags said, RESET_CAUSE_ bits. */
uint8_t startup_reset_cause(void);

/* pulse.c */
void pulse_start(void);
/* Milliseconds that have begun and have no tick yet. */
uint8_t pulse_ticks_due(void);
void pulse_tick_done(void);

/* serial.c */
void serial_start(void);

/* converter.c */
void converter_start(void);
/* Begin the next batch of samples; call every BATCH_MS. */
void converter_batch(void);
#define BATCH_MS 10u

/* pins.c */
void pins_start(void);
uint8_t pins_wheel(void);

/* Signs of life, one a task, each set by its task; the watchdog is fed when all are there. They live
 * in GPIOR0, where setting a bit is one instruction that no interrupt can split. */
#define ALIVE GPIOR0
#define ALIVE_TICK 0u      /* main loop */
#define ALIVE_POLL 1u      /* main loop */
#define ALIVE_CONVERTER 2u /* irq */
#define ALIVE_PULSE 3u     /* irq */
#define ALIVE_ALL 0x0Fu
#define BYTE_CAME 7u       /* not a task: the serial interrupt has something for head_poll */

#endif
