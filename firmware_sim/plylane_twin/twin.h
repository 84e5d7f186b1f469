/* The twin: a head, the plant it stands in, and a port that joins them in virtual time.
 *
 * Time is counted in nanoseconds since the twin was made and moves in periods of head_pulse
 * (62.5 us); sixteen of them make the millisecond in which the plant and head_tick run once.
 * Within a millisecond: characters, pulses and requests first, then the plant, the edges of the
 * output wheel that it produced, head_tick and head_poll.
 */
#ifndef PLYLANE_TWIN_H
#define PLYLANE_TWIN_H

#include <stdbool.h>
#include <stdint.h>

#include "characters.h"
#include "head.h"
#include "plant.h"

#define PERIOD_NS 62500u
#define TWIN_CHARACTER_NS 95486u /* eleven bits at 115200 baud */
#define STORE_WRITE_NS 4000000u  /* a byte of the settings memory, erased and written */
#define ERASED 0xFFu

struct settings_memory {
    uint8_t bytes[STORE_BYTES];
    uint64_t free_ns; /* when the write under way is done */
    uint16_t at;
    uint8_t value;
    bool writing;
};

struct twin_link {
    struct characters to_head;
    struct characters to_host;
    const uint8_t *sending; /* NULL: nothing */
    uint16_t left;          /* of the answer being sent */
    uint64_t next_ns;       /* when its next character is complete */
    bool direct;            /* an answer goes to `answer`, at once */
    uint8_t answer[ADU_MAX];
    uint16_t answered;
};

struct twin {
    struct head head;
    struct plant plant;
    struct port port;
    uint64_t now_ns;
    bool powered;
    uint8_t heaters;
    uint8_t enabled;
    uint8_t backwards;
    uint8_t shear;
    uint8_t wheel_at; /* of the four steps of a quadrature cycle */
    struct settings_memory store;
    struct twin_link link;
};

/* Everything at rest, settings memory erased, power off. The plant is set up on its own. */
void twin_init(struct twin *twin);
/* Power returns, or the reset line was pulled: the head starts anew with that cause. */
void twin_start(struct twin *twin, uint8_t reset_cause);
/* Power fails, or the head is held in reset; a byte of settings being written is left erased. */
void twin_stop(struct twin *twin);
void twin_advance(struct twin *twin, uint32_t ms);
/* Hand over a whole frame and take the answer (twin->link.answer); returns its length. No time passes. */
uint16_t twin_exchange(struct twin *twin, const uint8_t *frame, uint16_t count);
/* Characters on their way to the head, the first complete at first_ns, the rest one after another. */
void twin_send(struct twin *twin, const uint8_t *bytes, uint16_t count, uint64_t first_ns);
/* Take up to `room` characters that the head has sent; returns how many. */
uint16_t twin_take(struct twin *twin, uint8_t *bytes, uint64_t *at_ns, uint16_t room);

#endif
