/* Registers by address: reading, checking and storing, driven by the generated table.
 *
 * Table entries live in flash; each is copied to the stack when it is needed.
 */
#include "head.h"

/* One instance of a block that is read only, built on the stack when somebody reads it. */
union input {
    struct identity_regs identity;
    struct telemetry_regs telemetry;
    struct drive_telemetry_regs drive;
    struct zone_telemetry_regs zone;
    struct lane_telemetry_regs lane;
    struct alarm_detail_regs alarm;
    struct refusal_regs refusal;
    struct link_counters_regs counters;
    struct experiment_status_regs experiment;
};

#define NO_BLOCK 255u /* for place.number: nothing found yet */

struct place { /* of one register */
    struct reg_block block;
    struct reg_entry entry;
    uint8_t number; /* index in reg_blocks */
    uint8_t index;  /* in reg_entries */
    uint8_t instance;
};

struct fault { /* what is wrong with a write: REFUSAL_NONE, or why and where */
    uint8_t reason;
    uint16_t address;
    int32_t value;
};

static bool wide(const struct reg_entry *entry)
{
    return entry->kind & TYPE_WIDE;
}

static int32_t limit(const struct reg_entry *entry, uint8_t which)
{
    const uint16_t *row = reg_limits[entry->limits];
    uint16_t low = flash_u16(&row[which]);

    if (wide(entry)) {
        return (int32_t)((uint32_t)flash_u16(&row[LIMITS + which]) << 16 | low);
    }
    return entry->kind & TYPE_SIGNED ? (int16_t)low : (int32_t)low;
}

static ONE_COPY void take_block(struct place *place, uint8_t number)
{
    if (place->number != number) {
        place->number = number;
        flash_copy(&place->block, &reg_blocks[number], sizeof place->block);
    }
}

/* The block around an address; the word within it is left in *word. The search begins at the block that is in
 * *place: what is read or written next is mostly in the same or in the one behind it. */
static bool find_block(uint8_t space, uint16_t address, struct place *place, uint8_t *word)
{
    uint8_t number = place->number == NO_BLOCK ? 0 : place->number;
    uint8_t left;

    for (left = BLOCK_COUNT; left != 0; left--) {
        const struct reg_block *block = &reg_blocks[number];
        uint16_t at = (uint16_t)(address - flash_u16(&block->address)); /* far too big where it comes before */
        uint8_t words = flash_u8(&block->words);

        if (at < (uint16_t)(words * flash_u8(&block->instances)) && flash_u8(&block->space) == space) {
            take_block(place, number);
            place->instance = 0;
            for (; at >= words; at = (uint16_t)(at - words)) {
                place->instance++;
            }
            *word = (uint8_t)at;
            return true;
        }
        number++;
        if (number == BLOCK_COUNT) {
            number = 0;
        }
    }
    return false;
}

/* The register that covers an address, perhaps with its second word. */
static bool find(uint8_t space, uint16_t address, struct place *place, uint8_t *word)
{
    if (!find_block(space, address, place, word)) {
        return false;
    }
    place->index = (uint8_t)(place->block.first + place->block.entries);
    do {
        place->index--;
    } while (flash_u8(&reg_entries[place->index].word) > *word);
    flash_copy(&place->entry, &reg_entries[place->index], sizeof place->entry);
    *word = (uint8_t)(*word - place->entry.word);
    return true;
}

/* On to the register behind it; false at the end of the block. */
static bool find_next(struct place *place)
{
    place->index++;
    if (place->index == (uint8_t)(place->block.first + place->block.entries)) {
        place->index = place->block.first;
        place->instance++;
    }
    flash_copy(&place->entry, &reg_entries[place->index], sizeof place->entry);
    return place->instance < place->block.instances;
}

static int32_t load(const uint8_t *from, const struct reg_entry *entry)
{
    int16_t narrow;
    int32_t value;

    if (wide(entry)) {
        memcpy(&value, from + entry->offset, sizeof value);
        return value;
    }
    memcpy(&narrow, from + entry->offset, sizeof narrow);
    return entry->kind & TYPE_SIGNED ? narrow : (int32_t)(uint16_t)narrow;
}

static ONE_COPY void store(uint8_t *to, const struct reg_entry *entry, int32_t value)
{
    int16_t narrow = (int16_t)value;

    if (wide(entry)) {
        memcpy(to + entry->offset, &value, sizeof value);
    } else {
        memcpy(to + entry->offset, &narrow, sizeof narrow);
    }
}

/* ------------------------------------------------------------------------------------- reading */

static uint8_t *put_word(uint8_t *out, uint16_t word)
{
    *out++ = (uint8_t)(word >> 8);
    *out++ = (uint8_t)word;
    return out;
}

/* Words `from` up to `to` of one instance, high word first; returns where the next ones go. */
static ONE_COPY uint8_t *put_words(const struct reg_block *block, const uint8_t *data, uint8_t from, uint8_t to,
                          uint8_t *out)
{
    const struct reg_entry *entry = &reg_entries[block->first];
    uint8_t word;

    for (word = 0; word < to; word++, entry++) {
        const uint8_t *at = data + flash_u8(&entry->offset);
        uint16_t narrow;

        if (flash_u8(&entry->kind) & TYPE_WIDE) {
            uint32_t value;

            memcpy(&value, at, sizeof value);
            if (word >= from) {
                out = put_word(out, (uint16_t)(value >> 16));
            }
            word++;
            narrow = (uint16_t)value;
        } else {
            memcpy(&narrow, at, sizeof narrow);
        }
        if (word >= from && word < to) {
            out = put_word(out, narrow);
        }
    }
    return out;
}

static const uint8_t *holding_const(const struct head *head, const struct reg_block *block, uint8_t instance)
{
    const uint8_t *home = block->home == HOME_LIVE ? (const uint8_t *)&head->live
                                                   : (const uint8_t *)&head->settings;

    return home + block->offset + (uint16_t)(instance * block->size);
}

uint8_t access_mapped(uint8_t space, uint16_t address, uint16_t count)
{
    struct place place = {.number = NO_BLOCK};
    uint8_t word;

    while (count != 0) {
        uint8_t run;

        if (!find_block(space, address, &place, &word)) {
            return EXCEPTION_ADDRESS;
        }
        run = (uint8_t)(place.block.words - word);
        if (count <= run) {
            break;
        }
        address = (uint16_t)(address + run);
        count = (uint16_t)(count - run);
    }
    return EXCEPTION_NONE;
}

uint8_t access_read(const struct head *head, uint8_t space, uint16_t address, uint16_t count, uint8_t *out)
{
    struct place place = {.number = NO_BLOCK};
    union input input;
    uint8_t word;
    bool found = false;

    while (count != 0) {
        const uint8_t *data = (const uint8_t *)&input;
        uint8_t run;

        if (!found && !find_block(space, address, &place, &word)) {
            return EXCEPTION_ADDRESS;
        }
        run = (uint8_t)(place.block.words - word);
        if (count < run) {
            run = (uint8_t)count;
        }
        if (place.block.home == HOME_INPUT) {
            snapshot_fill(head, place.number, place.instance, &input);
        } else {
            data = holding_const(head, &place.block, place.instance);
        }
        out = put_words(&place.block, data, word, (uint8_t)(word + run), out);
        address = (uint16_t)(address + run);
        count = (uint16_t)(count - run);
        place.instance++; /* the next one lies right behind it, if there is one */
        found = place.instance < place.block.instances;
        word = 0;
    }
    return EXCEPTION_NONE;
}

/* ------------------------------------------------------------------------------------- writing */

static ONE_COPY uint8_t *holding(struct head *head, const struct place *place)
{
    uint8_t *home = place->block.home == HOME_LIVE ? (uint8_t *)&head->live : (uint8_t *)&head->settings;

    return home + place->block.offset + (uint16_t)(place->instance * place->block.size);
}

static ONE_COPY uint16_t word_of(const uint8_t *in)
{
    return (uint16_t)(in[0] << 8 | in[1]);
}

/* The value that a register would get; `in` points to its first word. */
static int32_t value_of(const struct reg_entry *entry, const uint8_t *in)
{
    uint16_t word = word_of(in);

    if (wide(entry)) {
        return (int32_t)((uint32_t)word << 16 | word_of(in + 2));
    }
    return entry->kind & TYPE_SIGNED ? (int16_t)word : (int32_t)word;
}

static bool in_range(const struct reg_entry *entry, int32_t value)
{
    /* a u32 above INT32_MAX is negative here and falls below its least of 0 or more */
    return value >= limit(entry, LIMIT_MIN) && value <= limit(entry, LIMIT_MAX);
}

static uint8_t why_not(const struct head *head, const struct place *place, int32_t value)
{
    if (KIND_WRITE(place->entry.kind) == WRITE_NEVER) {
        return REFUSAL_READ_ONLY;
    }
    if (!in_range(&place->entry, value)) {
        return REFUSAL_OUT_OF_RANGE;
    }
    if (KIND_WRITE(place->entry.kind) == WRITE_STILL && !state_still(head)) {
        return REFUSAL_WRONG_STATE;
    }
    return head_may_write(head, place->number, place->instance, place->index, value);
}

/* A write goes over its registers four times, so that nothing is stored before all is known to be
 * right, addresses before values (V1.1b3, section 6, state diagrams), and nothing acts before all is
 * stored. */
enum step { STEP_PLACES, STEP_VALUES, STEP_STORE, STEP_ACT };

static uint8_t check_place(bool known, const struct place *place, uint8_t word, uint16_t left)
{
    if (!known) {
        return REFUSAL_NO_SUCH_ADDRESS;
    }
    return word != 0 || (wide(&place->entry) && left < 2u) ? REFUSAL_HALF_OF_PAIR : REFUSAL_NONE;
}

static uint8_t do_step(struct head *head, uint8_t step, const struct place *place, int32_t value)
{
    switch (step) {
    case STEP_VALUES:
        return why_not(head, place, value);
    case STEP_STORE:
        store(holding(head, place), &place->entry, value);
        break;
    case STEP_ACT:
        head_written(head, place->number, place->instance, place->index);
        break;
    default:
        break;
    }
    return REFUSAL_NONE;
}

static void walk(struct head *head, uint8_t step, uint16_t address, uint16_t count, const uint8_t *in,
                 struct fault *fault)
{
    struct place place = {.number = NO_BLOCK};
    uint8_t word;
    bool known;

    known = find(SPACE_HOLDING, address, &place, &word);
    for (;;) {
        uint8_t words;

        fault->address = address;
        fault->value = word_of(in);
        fault->reason = check_place(known, &place, word, count);
        if (fault->reason != REFUSAL_NONE) {
            return;
        }
        fault->value = value_of(&place.entry, in);
        fault->reason = do_step(head, step, &place, fault->value);
        if (fault->reason != REFUSAL_NONE) {
            return;
        }
        words = wide(&place.entry) ? 2u : 1u;
        address = (uint16_t)(address + words);
        count = (uint16_t)(count - words);
        in += 2u * words;
        if (count == 0) {
            return;
        }
        word = 0;
        known = find_next(&place) || find(SPACE_HOLDING, address, &place, &word);
    }
}

static uint8_t refuse(struct head *head, const struct fault *fault)
{
    head->refusal.reason = fault->reason;
    head->refusal.address = fault->address;
    head->refusal.value = fault->value;
    head->refused_count++;
    /* a client that asks again and again must not crowd out what alarms have to tell */
    if (head->events.count < EVENTS_KEPT / 2u) {
        event_put(head, EVENT_CODE_WRITE_REFUSED, fault->address);
    }
    switch (fault->reason) {
    case REFUSAL_NO_SUCH_ADDRESS:
    case REFUSAL_HALF_OF_PAIR:
        return EXCEPTION_ADDRESS;
    case REFUSAL_BUSY_SAVING:
        return EXCEPTION_BUSY;
    default:
        return EXCEPTION_FAILURE;
    }
}

uint8_t access_write(struct head *head, uint16_t address, uint16_t count, const uint8_t *in)
{
    struct fault fault;
    uint8_t step;

    for (step = STEP_PLACES; step <= STEP_ACT; step++) {
        walk(head, step, address, count, in, &fault);
        if (fault.reason != REFUSAL_NONE) {
            return refuse(head, &fault);
        }
    }
    return EXCEPTION_NONE;
}

/* ----------------------------------------------------------------------------- whole sets at once */

void access_preset(struct head *head, uint8_t home)
{
    struct place place = {.number = NO_BLOCK};

    uint8_t number;

    for (number = 0; number < BLOCK_COUNT; number++) {
        uint8_t i;

        take_block(&place, number);
        for (i = 0; place.block.home == home && i < place.block.entries; i++) {
            flash_copy(&place.entry, &reg_entries[place.block.first + i], sizeof place.entry);
            for (place.instance = 0; place.instance < place.block.instances; place.instance++) {
                store(holding(head, &place), &place.entry, limit(&place.entry, LIMIT_PRESET));
            }
        }
    }
}

static bool block_valid(const struct reg_block *block, const uint8_t *data)
{
    struct reg_entry entry;
    uint8_t i;

    for (i = 0; i < block->entries; i++) {
        flash_copy(&entry, &reg_entries[block->first + i], sizeof entry);
        if (!in_range(&entry, load(data, &entry))) {
            return false;
        }
    }
    return true;
}

uint8_t access_settings_valid(const struct settings *settings)
{
    struct reg_block block;
    uint8_t number;
    uint8_t instance;

    for (number = 0; number < BLOCK_COUNT; number++) {
        const uint8_t *data = (const uint8_t *)settings;

        flash_copy(&block, &reg_blocks[number], sizeof block);
        if (block.home != HOME_SETTINGS) {
            continue;
        }
        data += block.offset;
        for (instance = 0; instance < block.instances; instance++, data += block.size) {
            if (!block_valid(&block, data)) {
                return 0;
            }
        }
    }
    return 1;
}
