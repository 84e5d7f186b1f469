/* The requests of MODBUS Application Protocol V1.1b3, section 6, that the head serves. */
#include "head.h"

#define READ_MAX 125u       /* 6.3, 6.4, 6.17: registers */
#define WRITE_MAX 123u      /* 6.12 */
#define WRITE_READ_MAX 121u /* 6.17 */

#define MEI_IDENTIFY 0x0Eu       /* 6.21 */
#define IDENTIFY_EXTENDED 3u     /* codes 1 to 3 stream basic, regular and extended objects */
#define IDENTIFY_ONE 4u          /* one object */
#define CONFORMITY_BASIC 0x81u   /* basic objects, as a stream or one by one */
#define OBJECTS 3u
#define OBJECT_TEXT_MAX 22u

static const char objects[OBJECTS][OBJECT_TEXT_MAX] FLASH = {
    VENDOR_TEXT,
    PRODUCT_TEXT,
    VERSION_TEXT "+" MAP_HASH_TEXT,
};

static ONE_COPY uint16_t word_at(const uint8_t *at)
{
    return (uint16_t)(at[0] << 8 | at[1]);
}

static uint8_t *put_word(uint8_t *at, uint16_t value)
{
    *at++ = (uint8_t)(value >> 8);
    *at++ = (uint8_t)value;
    return at;
}

static bool quantity_right(uint16_t quantity, uint16_t most)
{
    return quantity >= 1u && quantity <= most;
}

/* Each of these turns the request in `pdu` into its answer. They return an exception code, and the
 * length of the answer in *count, which holds that of the request before. */

static uint8_t read_registers(struct head *head, uint8_t *pdu, uint16_t *count)
{
    uint8_t space = pdu[0] == FUNCTION_READ_INPUT ? SPACE_INPUT : SPACE_HOLDING;
    uint16_t address = word_at(pdu + 1);
    uint16_t quantity = word_at(pdu + 3);

    if (*count != 5u || !quantity_right(quantity, READ_MAX)) {
        return EXCEPTION_VALUE;
    }
    pdu[1] = (uint8_t)(quantity * 2u);
    *count = (uint16_t)(2u + quantity * 2u);
    return access_read(head, space, address, quantity, pdu + 2);
}

static uint8_t write_one(struct head *head, uint8_t *pdu, const uint16_t *count)
{
    if (*count != 5u) {
        return EXCEPTION_VALUE;
    }
    return access_write(head, word_at(pdu + 1), 1, pdu + 3); /* the answer is the request (6.6) */
}

static uint8_t write_registers(struct head *head, uint8_t *pdu, uint16_t *count)
{
    uint16_t quantity = word_at(pdu + 3);

    if (*count < 6u || !quantity_right(quantity, WRITE_MAX) || pdu[5] != quantity * 2u ||
        *count != 6u + pdu[5]) {
        return EXCEPTION_VALUE;
    }
    *count = 5;
    return access_write(head, word_at(pdu + 1), quantity, pdu + 6);
}

static uint8_t write_read_registers(struct head *head, uint8_t *pdu, uint16_t *count)
{
    uint16_t address = word_at(pdu + 1);
    uint16_t quantity = word_at(pdu + 3);
    uint16_t writes = word_at(pdu + 7);
    uint8_t failed;

    if (*count < 10u || !quantity_right(quantity, READ_MAX) || !quantity_right(writes, WRITE_READ_MAX) ||
        pdu[9] != writes * 2u || *count != 10u + pdu[9]) {
        return EXCEPTION_VALUE;
    }
    /* nothing is written where the reading would fail (figure 27) */
    failed = access_mapped(SPACE_HOLDING, address, quantity);
    if (failed == EXCEPTION_NONE) {
        failed = access_write(head, word_at(pdu + 5), writes, pdu + 10);
    }
    if (failed != EXCEPTION_NONE) {
        return failed;
    }
    pdu[1] = (uint8_t)(quantity * 2u);
    *count = (uint16_t)(2u + quantity * 2u);
    return access_read(head, SPACE_HOLDING, address, quantity, pdu + 2);
}

/* 6.18: reading does not clear the queue. */
static uint8_t read_events(const struct head *head, uint8_t *pdu, uint16_t *count)
{
    const struct events *events = &head->events;
    uint8_t shown = events->count < EVENTS_SHOWN ? events->count : (uint8_t)EVENTS_SHOWN;
    uint16_t words = (uint16_t)(shown * EVENT_WORDS);
    uint8_t *out = pdu + 1;
    uint8_t i;

    if (*count != 3u) {
        return EXCEPTION_VALUE;
    }
    if (word_at(pdu + 1) != REG_FIFO_ADDRESS) {
        return EXCEPTION_ADDRESS;
    }
    out = put_word(out, (uint16_t)(2u + words * 2u));
    out = put_word(out, words);
    for (i = 0; i < shown; i++) {
        const struct event *event = &events->queue[(uint8_t)(events->first + i) % EVENTS_KEPT];

        out = put_word(out, event->sequence);
        out = put_word(out, event->code);
        out = put_word(out, event->argument);
        out = put_word(out, (uint16_t)(event->ms >> 16));
        out = put_word(out, (uint16_t)event->ms);
    }
    *count = (uint16_t)(5u + words * 2u);
    return EXCEPTION_NONE;
}

/* 6.8.1, sub-function 0: the answer is the request, any number of data words long. */
static uint8_t diagnose(const uint8_t *pdu, const uint16_t *count)
{
    if (*count >= 3u && word_at(pdu + 1) != 0) {
        return EXCEPTION_FUNCTION;
    }
    return *count < 5u || *count % 2u == 0 ? EXCEPTION_VALUE : EXCEPTION_NONE;
}

static uint8_t *put_object(uint8_t *out, uint8_t object)
{
    char text[OBJECT_TEXT_MAX];
    uint8_t length;

    flash_copy(text, objects[object], sizeof text);
    length = (uint8_t)strlen(text);
    *out++ = object;
    *out++ = length;
    memcpy(out, text, length);
    return out + length;
}

/* 6.21. Codes above the conformity level are answered as basic. */
static uint8_t identify(uint8_t *pdu, uint16_t *count)
{
    uint8_t code = pdu[2];
    uint8_t first = pdu[3];
    uint8_t last = OBJECTS - 1u;
    uint8_t *out = pdu + 7;

    if (*count >= 2u && pdu[1] != MEI_IDENTIFY) {
        return EXCEPTION_FUNCTION;
    }
    if (*count != 4u || code < 1u || code > IDENTIFY_ONE) {
        return EXCEPTION_VALUE;
    }
    if (code == IDENTIFY_ONE) {
        last = first;
    }
    if (first >= OBJECTS) {
        if (code == IDENTIFY_ONE) {
            return EXCEPTION_ADDRESS;
        }
        first = 0; /* a stream restarts where the object is not known */
    }
    pdu[3] = CONFORMITY_BASIC;
    pdu[4] = 0; /* nothing follows */
    pdu[5] = 0;
    pdu[6] = (uint8_t)(last - first + 1);
    for (; first <= last; first++) {
        out = put_object(out, first);
    }
    *count = (uint16_t)(out - pdu);
    return EXCEPTION_NONE;
}

static uint8_t serve(struct head *head, uint8_t *pdu, uint16_t *count)
{
    switch (pdu[0]) {
    case FUNCTION_READ_HOLDING:
    case FUNCTION_READ_INPUT:
        return read_registers(head, pdu, count);
    case FUNCTION_WRITE_ONE:
        return write_one(head, pdu, count);
    case FUNCTION_WRITE:
        return write_registers(head, pdu, count);
    case FUNCTION_WRITE_READ:
        return write_read_registers(head, pdu, count);
    case FUNCTION_READ_FIFO:
        return read_events(head, pdu, count);
    case FUNCTION_DIAGNOSE:
        return diagnose(pdu, count);
    case FUNCTION_IDENTIFY:
        return identify(pdu, count);
    default:
        return EXCEPTION_FUNCTION;
    }
}

uint16_t server_answer(struct head *head, uint8_t *pdu, uint16_t count, uint8_t broadcast)
{
    uint8_t failed;

    /* V1.02, 2.1: what goes to all units can only be a write; 23 asks for an answer as well */
    if (broadcast && pdu[0] != FUNCTION_WRITE_ONE && pdu[0] != FUNCTION_WRITE) {
        return 0;
    }
    failed = serve(head, pdu, &count);
    if (broadcast) {
        return 0;
    }
    if (failed != EXCEPTION_NONE) {
        pdu[0] |= FUNCTION_FAILED;
        pdu[1] = failed;
        return 2;
    }
    return count;
}
