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
    uint8_t number; /* index in reg_blocks */
    uint8_t instance;
    uint8_t entry; /* the register's number in reg_kinds */
    uint8_t kind;
    uint8_t word; /* its place in the instance, in registers */
};

struct fault { /* what is wrong with a write: REFUSAL_NONE, or why and where */
    uint8_t reason;
    uint16_t address;
    int32_t value;
};

static ONE_COPY uint8_t words_of(uint8_t kind)
{
    return kind & TYPE_WIDE ? 2u : 1u;
}

static int32_t joined(uint8_t kind, uint16_t high, uint16_t low)
{
    if (kind & TYPE_WIDE) {
        return (int32_t)((uint32_t)high << 16 | low);
    }
    return kind & TYPE_SIGNED ? (int16_t)low : (int32_t)low;
}

static ONE_COPY uint16_t limit_word(uint8_t row, uint8_t which)
{
    return flash_u16(&reg_values[flash_u8(&reg_limits[row][which])]);
}

static int32_t limit(const struct place *place, uint8_t which)
{
    uint8_t row = flash_u8(&reg_limits_at[place->entry - ENTRY_FIRST_HOLDING]);
    uint16_t high = place->kind & TYPE_WIDE ? limit_word((uint8_t)(row + 1u), which) : 0;

    return joined(place->kind, high, limit_word(row, which));
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

        if (at < (uint16_t)(words * flash_u8(&block->instances)) &&
            (flash_u8(&block->home) == HOME_INPUT) == (space == SPACE_INPUT)) {
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

static void take_entry(struct place *place, uint8_t entry, uint8_t word)
{
    place->entry = entry;
    place->word = word;
    place->kind = flash_u8(&reg_kinds[entry]);
}

static void first_entry(struct place *place)
{
    take_entry(place, place->block.first, 0);
}

/* On to the register behind it; false at the end of the block. */
static ONE_COPY bool next_entry(struct place *place)
{
    take_entry(place, (uint8_t)(place->entry + 1u), (uint8_t)(place->word + words_of(place->kind)));
    if (place->word == place->block.words) {
        place->instance++;
        first_entry(place);
    }
    return place->instance < place->block.instances;
}

/* The register that covers an address, perhaps with its second word: *word is then 1. */
static bool find(uint8_t space, uint16_t address, struct place *place, uint8_t *word)
{
    if (!find_block(space, address, place, word)) {
        return false;
    }
    first_entry(place);
    while ((uint8_t)(place->word + words_of(place->kind)) <= *word) {
        next_entry(place);
    }
    *word = (uint8_t)(*word - place->word);
    return true;
}

static uint16_t instance_at(const struct place *place)
{
    return (uint16_t)(place->block.offset + 2u * (uint16_t)(place->instance * place->block.words));
}

static ONE_COPY uint8_t *holding(struct head *head, const struct place *place)
{
    uint8_t *home = place->block.home == HOME_LIVE ? (uint8_t *)&head->live : (uint8_t *)&head->settings;

    return home + instance_at(place) + 2u * place->word;
}

static ONE_COPY int32_t load(const uint8_t *from, uint8_t kind)
{
    uint16_t narrow;
    int32_t value;

    if (kind & TYPE_WIDE) {
        memcpy(&value, from, sizeof value);
        return value;
    }
    memcpy(&narrow, from, sizeof narrow);
    return joined(kind, 0, narrow);
}

static ONE_COPY void store(uint8_t *to, uint8_t kind, int32_t value)
{
    int16_t narrow = (int16_t)value;

    if (kind & TYPE_WIDE) {
        memcpy(to, &value, sizeof value);
    } else {
        memcpy(to, &narrow, sizeof narrow);
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
static uint8_t *put_words(uint8_t entry, const uint8_t *data, uint8_t from, uint8_t to, uint8_t *out)
{
    uint8_t word;

    for (word = 0; word < to; word++, entry++) {
        uint8_t kind = flash_u8(&reg_kinds[entry]);
        uint32_t value = (uint32_t)load(data + 2u * word, kind);

        if (kind & TYPE_WIDE) {
            if (word >= from) {
                out = put_word(out, (uint16_t)(value >> 16));
            }
            word++;
        }
        if (word >= from && word < to) {
            out = put_word(out, (uint16_t)value);
        }
    }
    return out;
}

static const uint8_t *holding_const(const struct head *head, const struct place *place)
{
    const uint8_t *home = place->block.home == HOME_LIVE ? (const uint8_t *)&head->live
                                                         : (const uint8_t *)&head->settings;

    return home + instance_at(place);
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
            data = holding_const(head, &place);
        }
        out = put_words(place.block.first, data, word, (uint8_t)(word + run), out);
        address = (uint16_t)(address + run);
        count = (uint16_t)(count - run);
        place.instance++; /* the next one lies right behind it, if there is one */
        found = place.instance < place.block.instances;
        word = 0;
    }
    return EXCEPTION_NONE;
}

/* ------------------------------------------------------------------------------------- writing */

static ONE_COPY uint16_t word_of(const uint8_t *in)
{
    return (uint16_t)(in[0] << 8 | in[1]);
}

/* The value that a register would get; `in` points to its first word. */
static int32_t value_of(uint8_t kind, const uint8_t *in)
{
    uint16_t word = word_of(in);

    if (kind & TYPE_WIDE) {
        return joined(kind, word, word_of(in + 2));
    }
    return joined(kind, 0, word);
}

static bool in_range(const struct place *place, int32_t value)
{
    /* a u32 above INT32_MAX is negative here and falls below its least of 0 or more */
    return value >= limit(place, LIMIT_MIN) && value <= limit(place, LIMIT_MAX);
}

static uint8_t why_not(const struct head *head, const struct place *place, int32_t value)
{
    if (KIND_WRITE(place->kind) == WRITE_NEVER) {
        return REFUSAL_READ_ONLY;
    }
    if (!in_range(place, value)) {
        return REFUSAL_OUT_OF_RANGE;
    }
    if (KIND_WRITE(place->kind) == WRITE_STILL && !state_still(head)) {
        return REFUSAL_WRONG_STATE;
    }
    return head_may_write(head, place->number, place->instance, place->entry, value);
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
    return word != 0 || (words_of(place->kind) > 1u && left < 2u) ? REFUSAL_HALF_OF_PAIR : REFUSAL_NONE;
}

static uint8_t do_step(struct head *head, uint8_t step, const struct place *place, int32_t value)
{
    switch (step) {
    case STEP_VALUES:
        return why_not(head, place, value);
    case STEP_STORE:
        store(holding(head, place), place->kind, value);
        break;
    case STEP_ACT:
        head_written(head, place->number, place->entry);
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
        fault->value = value_of(place.kind, in);
        fault->reason = do_step(head, step, &place, fault->value);
        if (fault->reason != REFUSAL_NONE) {
            return;
        }
        words = words_of(place.kind);
        address = (uint16_t)(address + words);
        count = (uint16_t)(count - words);
        in += 2u * words;
        if (count == 0) {
            return;
        }
        word = 0;
        known = next_entry(&place) || find(SPACE_HOLDING, address, &place, &word);
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

/* Go over every register of a home: put it to its preset value, or only look whether it is within its range. */
static ONE_COPY bool go_over(struct head *head, uint8_t home, bool preset)
{
    struct place place = {.number = NO_BLOCK};
    uint8_t number;

    for (number = 0; number < BLOCK_COUNT; number++) {
        take_block(&place, number);
        if (place.block.home != home) {
            continue;
        }
        place.instance = 0;
        first_entry(&place);
        do {
            uint8_t *at = holding(head, &place);

            if (preset) {
                store(at, place.kind, limit(&place, LIMIT_PRESET));
            } else if (!in_range(&place, load(at, place.kind))) {
                return false;
            }
        } while (next_entry(&place));
    }
    return true;
}

ONE_COPY void access_preset(struct head *head, uint8_t home)
{
    go_over(head, home, true);
}

bool access_settings_valid(struct head *head)
{
    return go_over(head, HOME_SETTINGS, false);
}
