/* Characters on their way along the serial line, each with the moment it is complete. */
#ifndef PLYLANE_CHARACTERS_H
#define PLYLANE_CHARACTERS_H

#include <stdbool.h>
#include <stdint.h>

#define LINE_KEPT 4096u /* characters on their way, each direction */

struct character {
    uint64_t at_ns; /* complete */
    uint8_t value;
};

struct characters { /* oldest first */
    struct character kept[LINE_KEPT];
    uint16_t first;
    uint16_t count;
    uint32_t lost; /* found it full */
};

void characters_put(struct characters *queue, uint8_t value, uint64_t at_ns);
/* A run of them: the first complete at first_ns, the rest one after another. */
void characters_put_run(struct characters *queue, const uint8_t *bytes, uint16_t count, uint64_t first_ns,
                        uint64_t each_ns);
/* The oldest; there must be one. */
struct character characters_take(struct characters *queue);
/* Up to `room` of them; returns how many. */
uint16_t characters_take_run(struct characters *queue, uint8_t *bytes, uint64_t *at_ns, uint16_t room);
bool characters_due(const struct characters *queue, uint64_t now_ns);

#endif
