/* The event queue that function 24 shows. Oldest first; when full the newest is dropped and counted.
 * A dropped event uses up its number, so the gap shows where it was; the first event that finds room
 * again is preceded by EVENT_CODE_EVENTS_LOST with the number of events dropped since the last one. */
#ifndef PLYLANE_EVENTS_H
#define PLYLANE_EVENTS_H

#include <stdint.h>

#define EVENTS_KEPT 16u
#define EVENT_WORDS 5u  /* sequence, code, argument, ms high, ms low */
#define EVENTS_SHOWN 6u /* function 24 carries at most 31 registers */

struct event {
    uint16_t sequence; /* 1, 2, ... 65535, 1: never 0 */
    uint8_t code;      /* enum event_code */
    uint16_t argument;
    uint32_t ms;
};

struct events {
    uint8_t first; /* index of the oldest */
    uint8_t count;
    uint16_t sequence; /* of the last event given a number */
    uint16_t lost;      /* since reset; wraps */
    uint16_t lost_told; /* how many of them an event has told of */
    struct event queue[EVENTS_KEPT];
};

struct head;
void event_put(struct head *head, uint8_t code, uint16_t argument);
/* Drop the events up to and including that sequence number; a number not in the queue drops none. */
void events_taken(struct events *events, uint16_t sequence);

#endif
