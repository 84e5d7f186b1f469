/* Settings in two copies.
 *
 * A copy: mark, sequence (2), map hash (4), length (2), settings, CRC-32 (4) over all of that but the
 * mark. A save goes to the copy not in force: it first wipes the mark, then writes the rest, and the
 * mark last. A power cut at any byte leaves a copy without its mark, which is no copy, and the other
 * one untouched. A copy that has its mark and a wrong check has been damaged since it was written. */
#include "store.h"

#include <stddef.h>
#include <string.h>

#include "head.h"

#define MARK 0xA5u
#define BLANK 0xFFu
#define HEADER_BYTES 9u /* mark, sequence, hash, length */
#define BODY_BYTES ((uint16_t)sizeof(struct settings))
#define CHECK_AT (HEADER_BYTES + BODY_BYTES)
#define NO_SLOT 255u

_Static_assert(HEADER_BYTES + sizeof(struct settings) + 4u <= STORE_COPY_BYTES, "settings fit a copy");

enum verdict { COPY_NONE, COPY_FOREIGN, COPY_DAMAGED, COPY_GOOD };

ONE_COPY uint32_t store_crc(uint32_t check, uint8_t byte)
{
    check ^= byte;
    for (uint8_t i = 0; i < 8; i++)
        check = (check >> 1) ^ (check & 1u ? UINT32_C(0xEDB88320) : 0u);
    return check;
}

static ONE_COPY uint8_t byte_of(uint32_t value, uint8_t which)
{
    return (uint8_t)(value >> (8u * which));
}

static uint8_t header_byte(uint16_t sequence, uint16_t at)
{
    if (at <= 2)
        return byte_of(sequence, (uint8_t)(at - 1u));
    if (at <= 6)
        return byte_of(REG_MAP_HASH, (uint8_t)(at - 3u));
    return byte_of(BODY_BYTES, (uint8_t)(at - 7u));
}

static uint8_t read_byte(const struct head *head, uint8_t slot, uint16_t at)
{
    return port_store_read(head->port, (uint16_t)(slot * STORE_COPY_BYTES + at));
}

static uint16_t read_sequence(const struct head *head, uint8_t slot)
{
    return (uint16_t)(read_byte(head, slot, 1) | (uint16_t)read_byte(head, slot, 2) << 8);
}

static uint8_t judge_copy(const struct head *head, uint8_t slot)
{
    uint16_t sequence = read_sequence(head, slot);
    uint32_t check = UINT32_MAX;
    if (read_byte(head, slot, 0) != MARK)
        return COPY_NONE;
    for (uint16_t at = 1; at < CHECK_AT + 4u; at++) /* over its own bytes too it comes to 0 */
        check = store_crc(check, read_byte(head, slot, at));
    if (check != 0 || sequence == 0)
        return COPY_DAMAGED;
    for (uint16_t at = 3; at < HEADER_BYTES; at++)
        if (read_byte(head, slot, at) != header_byte(sequence, at))
            return COPY_FOREIGN; /* whole, but of other firmware: its layout is not ours */
    return COPY_GOOD;
}

static void copy_out(struct head *head, uint8_t slot)
{
    uint8_t *to = (uint8_t *)&head->settings;
    for (uint16_t i = 0; i < BODY_BYTES; i++)
        to[i] = read_byte(head, slot, (uint16_t)(HEADER_BYTES + i));
    head->store.slot = slot;
    head->store.sequence = read_sequence(head, slot);
}

static uint8_t choose(const struct head *head, const uint8_t verdict[2])
{
    if (verdict[0] != COPY_GOOD)
        return verdict[1] == COPY_GOOD ? 1u : NO_SLOT;
    if (verdict[1] != COPY_GOOD)
        return 0;
    /* sequence numbers wrap: the newer one is ahead by less than half the circle */
    return (int16_t)(uint16_t)(read_sequence(head, 1) - read_sequence(head, 0)) > 0 ? 1u : 0u;
}

/* Why neither copy is good: what is worse of the two. */
static uint8_t origin_without_copy(const uint8_t verdict[2])
{
    uint8_t worse = verdict[0] > verdict[1] ? verdict[0] : verdict[1];
    if (worse == COPY_NONE)
        return SETTINGS_ORIGIN_DEFAULTS;
    return worse == COPY_FOREIGN ? SETTINGS_ORIGIN_OTHER_FIRMWARE : SETTINGS_ORIGIN_DAMAGED;
}

void store_load(struct head *head)
{
    uint8_t verdict[2] = {judge_copy(head, 0), judge_copy(head, 1)};
    uint8_t slot = choose(head, verdict);
    bool damaged = verdict[0] == COPY_DAMAGED || verdict[1] == COPY_DAMAGED;
    head->store.slot = NO_SLOT;
    head->store.sequence = 0;
    access_preset(head, HOME_SETTINGS);
    if (slot == NO_SLOT) {
        head->settings_origin = origin_without_copy(verdict);
    } else {
        copy_out(head, slot);
        head->settings_origin = slot ? SETTINGS_ORIGIN_SECOND_COPY : SETTINGS_ORIGIN_FIRST_COPY;
        if (!access_settings_valid(head)) {
            access_preset(head, HOME_SETTINGS);
            head->settings_origin = SETTINGS_ORIGIN_DAMAGED;
        }
    }
    event_put(head, damaged ? EVENT_CODE_SETTINGS_FAILED : EVENT_CODE_SETTINGS_LOADED, head->settings_origin);
}

bool store_unusable(const struct head *head)
{
    return head->settings_origin >= SETTINGS_ORIGIN_DAMAGED;
}

void store_reload(struct head *head)
{
    store_load(head);
    alarm_set(head, ALARM_SETTINGS_DAMAGED, 1, store_unusable(head));
}

void store_save(struct head *head)
{
    struct store *store = &head->store;
    NEAR(store);
    store->slot = store->slot == 0 ? 1u : 0u;
    store->sequence = (uint16_t)(store->sequence + 1u);
    if (store->sequence == 0)
        store->sequence = 1;
    store->at = 0;
    store->check = UINT32_MAX;
    store->saving = true;
}

/* Bytes in the order they are written: wiped mark, header, settings, check, mark. */
static uint8_t next_byte(const struct head *head)
{
    const struct store *store = &head->store;
    NEAR(store);
    uint16_t at = store->at;
    if (at == 0)
        return BLANK;
    if (at < HEADER_BYTES)
        return header_byte(store->sequence, at);
    if (at < CHECK_AT)
        return ((const uint8_t *)&head->settings)[at - HEADER_BYTES];
    if (at < CHECK_AT + 4u)
        return byte_of(store->check, (uint8_t)(at - CHECK_AT));
    return MARK;
}

static void saved(struct head *head)
{
    head->store.saving = false;
    alarm_set(head, ALARM_SETTINGS_DAMAGED, 1, false);
    event_put(head, EVENT_CODE_SETTINGS_SAVED, head->store.sequence);
}

ONE_COPY void store_tick(struct head *head)
{
    struct store *store = &head->store;
    NEAR(store);
    if (!store->saving)
        return;
    bool last = store->at == CHECK_AT + 4u;
    uint8_t byte = next_byte(head);
    uint16_t at = (uint16_t)(store->slot * STORE_COPY_BYTES + (last ? 0u : store->at));
    if (!port_store_write(head->port, at, byte))
        return;
    if (store->at > 0 && store->at < CHECK_AT)
        store->check = store_crc(store->check, byte);
    store->at++;
    if (last)
        saved(head);
}
