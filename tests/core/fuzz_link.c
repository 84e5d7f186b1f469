/* mkdir -p build && clang -std=c11 -g -O1 -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=undefined -I firmware_sim/core tests/core/fuzz_link.c firmware_sim/core/?*.c -o build/fuzz_link && build/fuzz_link -max_len=2048 -max_total_time=120
 *
 * Fuzzes the whole head through its serial line. What is trusted: the port. What is not: every byte
 * on the line, when it comes, how often the main loop comes round, and when the answer has left.
 * Checked, whatever the input:
 *   1. no crash, no out-of-bounds access, no undefined behaviour (sanitizers)
 *   2. a frame is counted as good only where the bytes received since the frame began start with at
 *      least four bytes whose CRC is right, by a CRC of its own
 *   3. an answer follows only such a frame, and only one that was addressed to this unit
 *   4. an answer has 5 to 256 bytes, begins with the unit's address and the function asked for
 *      (or that with bit 7 set and an exception code), and its CRC is right
 *   5. after the input, silence and a good request bring a good answer
 *
 * Input: a list of steps; the low bits of a step's first byte are its size (see step()).
 */
#include <stdio.h>
#include <stdlib.h>

#include "head.h"

#define UNIT 1u
#define CHECK(what)                                             \
    do {                                                        \
        if (!(what)) {                                          \
            fprintf(stderr, "line %d: %s\n", __LINE__, #what);  \
            abort();                                            \
        }                                                       \
    } while (0)

static struct head head;
static uint8_t memory[STORE_BYTES];
static uint8_t frame[4096]; /* received since the frame began */
static size_t received;
static uint8_t answered[ADU_MAX];
static uint16_t answer_bytes; /* 0 nothing under way */
static const uint8_t *script; /* interrupts inside the main loop: bytes that come just before a lock */
static size_t script_bytes;

static uint16_t crc_by_bits(const uint8_t *bytes, size_t count)
{
    uint16_t crc = 0xFFFF;

    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (uint16_t)(crc & 1u ? crc >> 1 ^ 0xA001u : crc >> 1);
        }
    }
    return crc;
}

static void receive(uint8_t byte)
{
    bool taken = head.link.state == LINK_RECEIVING;

    if (taken && head.link.silence >= SILENCE_PERIODS) {
        received = 0;
    }
    if (taken && received < sizeof frame) {
        frame[received++] = byte;
    }
    head_receive(&head, byte);
}

static bool begins_well(void)
{
    for (size_t count = 4; count <= received && count <= ADU_MAX; count++) {
        if (crc_by_bits(frame, count - 2) == (frame[count - 2] | frame[count - 1] << 8)) {
            return true;
        }
    }
    return false;
}

static void poll(void)
{
    uint16_t good = head.link.frames_good;
    uint16_t bad = head.link.frames_bad;
    uint16_t before = answer_bytes;

    head_poll(&head);
    if (head.link.frames_good != good) {
        CHECK(begins_well());
    }
    if (answer_bytes != before) {
        CHECK(head.link.frames_good != good && before == 0);
        CHECK(frame[0] == UNIT && answered[0] == UNIT);
        CHECK((answered[1] | 0x80) == (frame[1] | 0x80));
    }
    if (head.link.frames_good != good || head.link.frames_bad != bad) {
        received = 0;
    }
}

static void sent(void)
{
    if (answer_bytes != 0) {
        answer_bytes = 0;
        received = 0;
        head_sent(&head);
    }
}

/* ---------------------------------------------------------------------------------------- port */

static uint16_t converter(void *context, uint8_t zone)
{
    (void)context;
    return (uint16_t)(44582u + zone);
}

static void heaters(void *context, uint8_t mask)
{
    (void)context;
    (void)mask;
}

static uint16_t inputs(void *context)
{
    (void)context;
    return INPUT_PERMIT;
}

static void drives(void *context, uint8_t enabled, uint8_t backwards)
{
    (void)context;
    (void)enabled;
    (void)backwards;
}

static void shear(void *context, uint8_t on)
{
    (void)context;
    (void)on;
}

static uint8_t store_read(void *context, uint16_t at)
{
    (void)context;
    CHECK(at < STORE_BYTES);
    return memory[at];
}

static uint8_t store_write(void *context, uint16_t at, uint8_t value)
{
    (void)context;
    CHECK(at < STORE_BYTES);
    memory[at] = value;
    return 1;
}

static void transmit(void *context, const uint8_t *bytes, uint16_t count)
{
    (void)context;
    CHECK(answer_bytes == 0);
    CHECK(count >= 5 && count <= ADU_MAX);
    CHECK(crc_by_bits(bytes, count - 2u) == (bytes[count - 2] | bytes[count - 1] << 8));
    CHECK(!(bytes[1] & 0x80) || (count == 5 && bytes[2] >= 1 && bytes[2] <= 6));
    memcpy(answered, bytes, count);
    answer_bytes = count;
}

static uint8_t lock(void *context)
{
    (void)context;
    if (script_bytes != 0) {
        script_bytes--;
        receive(*script++);
    }
    return 0;
}

static void unlock(void *context, uint8_t before)
{
    (void)context;
    (void)before;
}

static const struct port port = {
    .converter = converter,
    .heaters = heaters,
    .inputs = inputs,
    .drives = drives,
    .shear = shear,
    .store_read = store_read,
    .store_write = store_write,
    .transmit = transmit,
    .lock = lock,
    .unlock = unlock,
    .board = BOARD_TWIN,
};

/* --------------------------------------------------------------------------------------- steps */

static void pass(unsigned periods)
{
    for (unsigned i = 0; i < periods; i++) {
        head_pulse(&head);
    }
}

/* The steps' bytes as a frame with a right CRC, to this unit, to all or to another. */
static void receive_framed(uint8_t unit, const uint8_t *bytes, size_t count)
{
    uint8_t framed[2 + 256];
    uint16_t crc;

    framed[0] = unit;
    memcpy(framed + 1, bytes, count);
    crc = crc_by_bits(framed, count + 1);
    for (size_t i = 0; i <= count; i++) {
        receive(framed[i]);
    }
    receive((uint8_t)crc);
    receive((uint8_t)(crc >> 8));
}

static size_t step(const uint8_t *data, size_t size)
{
    uint8_t low = data[0] & 31u;
    size_t bytes = low < size - 1 ? low : size - 1;

    switch (data[0] >> 5) {
    case 0: /* raw bytes */
        for (size_t i = 0; i < bytes; i++) {
            receive(data[1 + i]);
        }
        return 1 + bytes;
    case 1:
        receive_framed(UNIT, data + 1, bytes);
        return 1 + bytes;
    case 2: /* a long one */
        bytes = low * 8u < size - 1 ? low * 8u : size - 1;
        receive_framed(UNIT, data + 1, bytes);
        return 1 + bytes;
    case 3:
        receive_framed(low & 1u ? 0 : 17, data + 1, bytes);
        return 1 + bytes;
    case 4:
        pass(low);
        return 1;
    case 5: /* the main loop comes round; bytes may come in the midst of it */
        script = data + 1;
        script_bytes = bytes < 4 ? bytes : 4;
        bytes = script_bytes;
        poll();
        script_bytes = 0;
        return 1 + bytes;
    case 6:
        sent();
        return 1;
    default:
        for (uint8_t i = 0; i < low; i++) {
            pass(PULSES_PER_TICK);
            head_tick(&head);
        }
        return 1;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t echo[] = {FUNCTION_DIAGNOSE, 0, 0, 0xA5, 0x37};

    memset(memory, 0xFF, sizeof memory);
    received = 0;
    answer_bytes = 0;
    script_bytes = 0;
    head_init(&head, &port, RESET_CAUSE_POWER_ON);
    while (size > 0) {
        size_t used = step(data, size);

        data += used;
        size -= used;
    }
    sent();
    pass(SILENCE_PERIODS);
    poll();
    sent();
    receive_framed(UNIT, echo, sizeof echo);
    poll();
    CHECK(answer_bytes == 8 && memcmp(answered + 1, echo, sizeof echo) == 0);
    return 0;
}
