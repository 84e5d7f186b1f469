/* The event queue: a ring that only the main loop touches. */
#include "head.h"

static struct event *event_at(struct events *events, uint8_t place)
{
    return &events->queue[(uint8_t)(events->first + place) % EVENTS_KEPT];
}

/* 0 is never given out: command.events_taken reads 0 after a reset and must name no event. */
static uint16_t after(uint16_t sequence)
{
    return sequence == UINT16_MAX ? 1u : (uint16_t)(sequence + 1u);
}

static void append(struct head *head, uint8_t code, uint16_t argument)
{
    struct events *events = &head->events;
    NEAR(events);
    struct event *event = event_at(events, events->count);

    events->sequence = after(events->sequence);
    event->sequence = events->sequence;
    event->code = code;
    event->argument = argument;
    event->ms = head->ms;
    events->count++;
}

void event_put(struct head *head, uint8_t code, uint16_t argument)
{
    struct events *events = &head->events;
    NEAR(events);
    uint16_t untold = (uint16_t)(events->lost - events->lost_told);
    uint8_t room = (uint8_t)(EVENTS_KEPT - events->count);

    /* the notice needs a place of its own beside the event */
    if (room < (untold ? 2u : 1u)) {
        events->sequence = after(events->sequence);
        events->lost++;
        return;
    }
    if (untold) {
        events->lost_told = events->lost;
        append(head, EVENT_CODE_EVENTS_LOST, untold);
    }
    append(head, code, argument);
}

void events_taken(struct events *events, uint16_t sequence)
{
    uint8_t place;

    for (place = 0; place < events->count; place++) {
        if (event_at(events, place)->sequence == sequence) {
            place++;
            events->first = (uint8_t)(events->first + place) % EVENTS_KEPT;
            events->count = (uint8_t)(events->count - place);
            return;
        }
    }
}
