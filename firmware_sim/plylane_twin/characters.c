#include "characters.h"

void characters_put(struct characters *queue, uint8_t value, uint64_t at_ns)
{
    if (queue->count == LINE_KEPT) {
        queue->lost++;
        return;
    }
    struct character *place = &queue->kept[(queue->first + queue->count) % LINE_KEPT];
    place->value = value;
    place->at_ns = at_ns;
    queue->count++;
}

void characters_put_run(struct characters *queue, const uint8_t *bytes, uint16_t count, uint64_t first_ns,
                        uint64_t each_ns)
{
    for (uint16_t k = 0; k < count; k++) {
        characters_put(queue, bytes[k], first_ns);
        first_ns += each_ns;
    }
}

struct character characters_take(struct characters *queue)
{
    struct character oldest = queue->kept[queue->first];
    queue->first = (uint16_t)((queue->first + 1u) % LINE_KEPT);
    queue->count--;
    return oldest;
}

uint16_t characters_take_run(struct characters *queue, uint8_t *bytes, uint64_t *at_ns, uint16_t room)
{
    uint16_t taken = 0;
    while (taken < room && queue->count != 0u) {
        struct character next = characters_take(queue);
        bytes[taken] = next.value;
        at_ns[taken] = next.at_ns;
        taken++;
    }
    return taken;
}

bool characters_due(const struct characters *queue, uint64_t now_ns)
{
    return queue->count != 0u && queue->kept[queue->first].at_ns <= now_ns;
}
