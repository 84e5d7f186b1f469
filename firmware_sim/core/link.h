/* Modbus RTU framing. MODBUS over Serial Line V1.02, 2.5.1; PDUs in server.c. */
#ifndef PLYLANE_LINK_H
#define PLYLANE_LINK_H

#include <stdbool.h>
#include <stdint.h>

#include "registers.h"

#define ADU_MAX 256u         /* V1.1b3, 4.1 */
#define SILENCE_PERIODS 28u  /* t3.5 above 19200 baud: 1750 us in periods of head_pulse */

#define UNIT_BROADCAST 0u

/* V1.1b3, section 6 */
enum modbus_function {
    FUNCTION_READ_HOLDING = 3,
    FUNCTION_READ_INPUT = 4,
    FUNCTION_WRITE_ONE = 6,
    FUNCTION_DIAGNOSE = 8,
    FUNCTION_WRITE = 16,
    FUNCTION_WRITE_READ = 23,
    FUNCTION_READ_FIFO = 24,
    FUNCTION_IDENTIFY = 43,
    FUNCTION_FAILED = 0x80 /* set in the function of an exception response */
};

/* V1.1b3, section 7 */
enum modbus_exception {
    EXCEPTION_NONE = 0,
    EXCEPTION_FUNCTION = 1,
    EXCEPTION_ADDRESS = 2,
    EXCEPTION_VALUE = 3, /* the request's structure */
    EXCEPTION_FAILURE = 4,
    EXCEPTION_BUSY = 6
};

enum link_state { LINK_RECEIVING, LINK_SKIPPING, LINK_ANSWERING };

struct link {
    volatile uint16_t count;  /* irq, main loop under lock: bytes received, ADU_MAX + 1 = too many */
    volatile uint8_t state;   /* irq, main loop under lock: enum link_state */
    volatile uint8_t silence; /* irq, main loop under lock: periods since the last byte, saturating */
    volatile uint8_t frame;   /* irq, main loop under lock: changes whenever the buffer starts anew */
    uint8_t crc_frame;        /* frame that crc belongs to */
    uint16_t crc;             /* over the first crc_count bytes of the buffer */
    uint16_t crc_count;
    uint16_t quiet_ms;        /* since the last good request to this unit, saturating */
    uint16_t frames_good;
    uint16_t frames_bad;
    uint16_t exceptions_sent;
    volatile uint16_t bytes_lost; /* irq, main loop under lock */
    uint8_t buffer[ADU_MAX]; /* irq while RECEIVING, main loop while ANSWERING; last: AVR reaches near fields cheaper */
};

struct head;
/* CRC-16/MODBUS; the low byte goes first on the wire. */
uint16_t link_crc(const uint8_t *bytes, uint16_t count);
void link_init(struct head *head);
void link_receive(struct link *link, uint8_t byte); /* irq */
void link_sent(struct link *link);                  /* irq */
void link_period(struct link *link);                /* irq, every head_pulse: counts silence */
/* Judge what has come; answer a whole frame. Main loop. */
void link_poll(struct head *head);
void link_tick(struct head *head); /* 1 kHz */
bool link_silent(const struct head *head); /* no good request for longer than guards.link_timeout_ms */

/* server.c: PDU in `pdu`, `count` bytes; the answer replaces it, its length is returned, 0 = no answer.
 * `broadcast`: act, never answer. */
uint16_t server_answer(struct head *head, uint8_t *pdu, uint16_t count, uint8_t broadcast);

/* access.c: register reads and writes. Return 0 or the exception code; a refused write changes nothing
 * and is explained in head->refusal. */
uint8_t access_mapped(uint8_t space, uint16_t address, uint16_t count); /* 0: all of them are in the map */
uint8_t access_read(const struct head *head, uint8_t space, uint16_t address, uint16_t count, uint8_t *out);
uint8_t access_write(struct head *head, uint16_t address, uint16_t count, const uint8_t *in);
/* Put every holding register of that home (HOME_LIVE, HOME_SETTINGS) to its preset value. */
void access_preset(struct head *head, uint8_t home);
/* Is every stored value within its range? (for settings read back from the store) */
bool access_settings_valid(struct head *head);

#endif
