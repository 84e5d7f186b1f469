/* Modbus RTU framing.
 *
 * Who owns the buffer: interrupts fill it while the state is RECEIVING; the main loop takes it by
 * setting ANSWERING under lock and gives it back in open_line(), called under lock or, when the
 * answer has left, from the port's interrupt. In between, interrupts drop bytes and count them.
 *
 * The main loop reads the buffer while it still fills, to judge a frame as soon as it is whole. That
 * is safe without a lock because bytes below `count` stay as they are until the buffer starts anew,
 * and every new start changes `frame`: whoever takes the buffer looks at `frame` again under lock, and
 * what was read of an overwritten frame is thrown away.
 *
 * A frame ends with silence (V1.02, 2.5.1.1), but its length follows from its function, and when
 * that many bytes have come and their CRC is right nothing is gained by waiting. Bytes behind such a
 * frame are dropped, whether they came before it was judged or after.
 */
#include "head.h"

#define FRAME_MIN 4u          /* address, function, CRC */
#define CRC_START 0xFFFFu
#define LONG_SILENT UINT8_MAX /* for `silence` */

struct seen { /* what the main loop saw of a frame at one moment */
    uint16_t count;
    uint8_t frame;
    bool silent;
};

/* One byte into CRC-16/MODBUS (V1.02, 6.2.2), without a table: eight steps of the reflected polynomial
 * 0xA001 on a byte x come to x * 0xC0 (carry-less), and 0xC001 more where x has an odd number of ones. */
static IN_PLACE uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)(crc ^ byte);
    uint8_t odd = (uint8_t)(x ^ (x >> 4));
    uint16_t by_7 = (uint16_t)((uint16_t)(x << 8) >> 1); /* shifts by whole bytes are free on the AVR */
    uint16_t next = (uint16_t)(by_7 ^ (by_7 >> 1) ^ (crc >> 8));

    odd ^= (uint8_t)(odd >> 2);
    odd ^= (uint8_t)(odd >> 1);
    return odd & 1u ? (uint16_t)(next ^ 0xC001u) : next;
}

uint16_t link_crc(const uint8_t *bytes, uint16_t count)
{
    uint16_t crc = CRC_START;

    while (count--) {
        crc = crc_add(crc, *bytes++);
    }
    return crc;
}

/* irq or under lock: take bytes again; where bytes were dropped just now, only after a silence. */
static ONE_COPY void open_line(struct link *link)
{
    link->count = 0;
    link->frame++;
    link->state = link->silence < SILENCE_PERIODS ? LINK_SKIPPING : LINK_RECEIVING;
}

void link_init(struct head *head)
{
    struct link *link = &head->link;

    link->state = LINK_RECEIVING;
    link->silence = LONG_SILENT;
    link->crc = CRC_START;
}

void link_receive(struct link *link, uint8_t byte)
{
    bool fresh = link->silence >= SILENCE_PERIODS;

    link->silence = 0;
    if (link->state != LINK_RECEIVING) {
        link->bytes_lost++;
        return;
    }
    if (fresh && link->count != 0) { /* the main loop never came to judge the last frame */
        link->bytes_lost = (uint16_t)(link->bytes_lost + link->count);
        link->count = 0;
        link->frame++;
    }
    if (link->count < ADU_MAX) {
        link->buffer[link->count] = byte;
    }
    if (link->count <= ADU_MAX) {
        link->count++;
    }
}

void link_sent(struct link *link)
{
    open_line(link);
}

void link_period(struct link *link)
{
    if (link->silence < LONG_SILENT) {
        link->silence++;
    }
    if (link->state == LINK_SKIPPING && link->silence >= SILENCE_PERIODS) {
        link->state = LINK_RECEIVING;
    }
}

static struct seen look(struct head *head)
{
    struct link *link = &head->link;
    struct seen seen;
    uint8_t before = port_lock(head->port);

    seen.count = link->count;
    seen.frame = link->frame;
    seen.silent = link->silence >= SILENCE_PERIODS;
    port_unlock(head->port, before);
    return seen;
}

/* Length of the request that begins the buffer, 0 while it is not known. */
static uint16_t length_by_function(const uint8_t *buffer, uint16_t count)
{
    if (count < 2u) {
        return 0;
    }
    switch (buffer[1]) {
    case FUNCTION_READ_HOLDING:
    case FUNCTION_READ_INPUT:
    case FUNCTION_WRITE_ONE:
    case FUNCTION_DIAGNOSE: /* with one word of data; longer ones are judged at silence */
        return 8;
    case FUNCTION_READ_FIFO:
        return 6;
    case FUNCTION_IDENTIFY:
        return 7;
    case FUNCTION_WRITE:
        return count > 6u ? (uint16_t)(9u + buffer[6]) : 0;
    case FUNCTION_WRITE_READ:
        return count > 10u ? (uint16_t)(13u + buffer[10]) : 0;
    default:
        return 0;
    }
}

/* Carry the CRC on to the first `count` bytes. Over a frame with its own CRC it comes to 0. */
static bool crc_right(struct link *link, uint16_t count)
{
    while (link->crc_count < count) {
        link->crc = crc_add(link->crc, link->buffer[link->crc_count++]);
    }
    return link->crc_count == count && link->crc == 0;
}

/* How many bytes make a good frame, 0 none yet. */
static uint16_t judge(struct link *link, const struct seen *seen)
{
    bool fits = seen->count <= ADU_MAX;
    uint16_t held = fits ? seen->count : ADU_MAX;
    uint16_t whole = length_by_function(link->buffer, held);

    if (link->crc_frame != seen->frame) {
        link->crc_frame = seen->frame;
        link->crc = CRC_START;
        link->crc_count = 0;
    }
    if (whole != 0 && whole <= held && crc_right(link, whole)) {
        return whole;
    }
    if (crc_right(link, held) && seen->silent && fits && held >= FRAME_MIN) {
        return held;
    }
    return 0;
}

/* Take the buffer for `length` bytes of that frame, or with length 0 throw the frame away.
 * False when an interrupt was faster and the frame is gone. */
static bool take(struct head *head, uint8_t frame, uint16_t length)
{
    struct link *link = &head->link;
    uint8_t before = port_lock(head->port);
    bool there = link->state == LINK_RECEIVING && link->frame == frame;

    if (there && length == 0) {
        open_line(link);
    } else if (there) {
        link->state = LINK_ANSWERING;
        link->bytes_lost = (uint16_t)(link->bytes_lost + link->count - length);
        if (link->count == length) {
            link->silence = LONG_SILENT; /* nothing behind it: the next byte begins a frame */
        }
    }
    port_unlock(head->port, before);
    return there;
}

static void give_back(struct head *head)
{
    uint8_t before = port_lock(head->port);

    open_line(&head->link);
    port_unlock(head->port, before);
}

/* The buffer is ours and holds a good frame. */
static void answer(struct head *head, uint16_t count)
{
    struct link *link = &head->link;
    uint8_t *buffer = link->buffer;
    uint8_t unit = buffer[0];
    uint16_t length = 0;
    uint16_t crc;

    link->frames_good++;
    if (unit == head->unit_address) {
        link->quiet_ms = 0;
    }
    if (unit == head->unit_address || unit == UNIT_BROADCAST) {
        length = server_answer(head, buffer + 1, (uint16_t)(count - 3u), unit == UNIT_BROADCAST);
    }
    if (length == 0) {
        give_back(head);
        return;
    }
    if (buffer[1] & FUNCTION_FAILED) {
        link->exceptions_sent++;
    }
    length++;
    if (CRC_WHILE_SENDING) {
        port_transmit(head->port, buffer, (uint16_t)(length + 2u));
    }
    crc = link_crc(buffer, length);
    buffer[length] = (uint8_t)crc;
    buffer[length + 1u] = (uint8_t)(crc >> 8);
    if (!CRC_WHILE_SENDING) {
        port_transmit(head->port, buffer, (uint16_t)(length + 2u));
    }
}

void link_poll(struct head *head)
{
    struct seen seen;
    uint16_t length;

    if (head->link.state != LINK_RECEIVING) {
        return;
    }
    seen = look(head);
    length = judge(&head->link, &seen);
    if (length != 0) {
        if (take(head, seen.frame, length)) {
            answer(head, length);
        }
    } else if (seen.silent && seen.count != 0 && take(head, seen.frame, 0)) {
        head->link.frames_bad++;
    }
}

void link_tick(struct head *head)
{
    if (head->link.quiet_ms < UINT16_MAX) {
        head->link.quiet_ms++;
    }
}

ONE_COPY bool link_silent(const struct head *head)
{
    return head->link.quiet_ms > head->settings.guards.link_timeout_ms;
}
