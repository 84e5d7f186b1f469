#include "twin.h"

#include <string.h>

#include "periods.h"

/* ---- the port ---- */

static uint16_t serve_converter(void *context, uint8_t zone)
{
    struct twin *twin = context;
    return zone < PLANT_ZONES ? twin->plant.converter[zone] : 0u;
}

static void serve_heaters(void *context, uint8_t mask)
{
    struct twin *twin = context;
    twin->heaters = mask;
}

static uint16_t serve_inputs(void *context)
{
    struct twin *twin = context;
    return twin->plant.inputs;
}

static void serve_drives(void *context, uint8_t enabled, uint8_t backwards)
{
    struct twin *twin = context;
    twin->enabled = enabled;
    twin->backwards = backwards;
}

static void serve_shear(void *context, uint8_t on)
{
    struct twin *twin = context;
    twin->shear = on;
}

static void store_finish(struct settings_memory *store, uint64_t now_ns)
{
    if (store->writing && store->free_ns <= now_ns) {
        store->bytes[store->at] = store->value;
        store->writing = false;
    }
}

static uint8_t serve_store_read(void *context, uint16_t at)
{
    struct twin *twin = context;
    if (twin->store.writing && twin->store.at == at % STORE_BYTES) {
        return twin->store.value; /* a real read waits for the write */
    }
    return twin->store.bytes[at % STORE_BYTES];
}

static uint8_t serve_store_write(void *context, uint16_t at, uint8_t value)
{
    struct twin *twin = context;
    struct settings_memory *store = &twin->store;
    store_finish(store, twin->now_ns);
    if (store->writing) {
        return 0;
    }
    store->at = at % STORE_BYTES;
    store->value = value;
    store->free_ns = twin->now_ns + STORE_WRITE_NS;
    store->writing = true;
    return 1;
}

static void serve_transmit(void *context, const uint8_t *bytes, uint16_t count)
{
    struct twin *twin = context;
    struct twin_link *link = &twin->link;
    if (link->direct) {
        link->answered = count < ADU_MAX ? count : ADU_MAX;
        memcpy(link->answer, bytes, link->answered);
        return;
    }
    link->sending = bytes;
    link->left = count;
    link->next_ns = twin->now_ns + TWIN_CHARACTER_NS;
}

static uint8_t take_lock(void *context)
{
    (void)context; /* one thread: nothing can come between */
    return 0;
}

static void give_lock(void *context, uint8_t before)
{
    (void)context;
    (void)before;
}

void twin_init(struct twin *twin)
{
    memset(twin, 0, sizeof *twin);
    memset(twin->store.bytes, ERASED, STORE_BYTES);
    twin->port = (struct port){
        .context = twin,
        .converter = serve_converter,
        .heaters = serve_heaters,
        .inputs = serve_inputs,
        .drives = serve_drives,
        .shear = serve_shear,
        .store_read = serve_store_read,
        .store_write = serve_store_write,
        .transmit = serve_transmit,
        .lock = take_lock,
        .unlock = give_lock,
        .board = BOARD_TWIN,
    };
}

/* ---- power ---- */

void twin_start(struct twin *twin, uint8_t reset_cause)
{
    twin_stop(twin);
    memset(&twin->head, 0, sizeof twin->head);
    twin->powered = true;
    twin->wheel_at = 0; /* where the core takes the pins to be at reset */
    head_init(&twin->head, &twin->port, reset_cause);
}

void twin_stop(struct twin *twin)
{
    struct settings_memory *store = &twin->store;
    store_finish(store, twin->now_ns);
    if (store->writing) {
        store->bytes[store->at] = ERASED; /* erased first, then written: the write never came */
        store->writing = false;
    }
    twin->powered = false;
    twin->heaters = twin->enabled = twin->backwards = twin->shear = 0;
    twin->link.sending = NULL;
    twin->link.left = 0;
}

/* ---- time ---- */

static void deliver(struct twin *twin)
{
    while (characters_due(&twin->link.to_head, twin->now_ns)) {
        struct character next = characters_take(&twin->link.to_head);
        if (twin->powered) {
            head_receive(&twin->head, next.value);
        }
    }
}

static void send(struct twin *twin)
{
    struct twin_link *link = &twin->link;
    while (link->sending != NULL && link->next_ns <= twin->now_ns) {
        characters_put(&link->to_host, *link->sending++, link->next_ns);
        link->next_ns += TWIN_CHARACTER_NS;
        if (--link->left == 0u) {
            link->sending = NULL;
            head_sent(&twin->head);
        }
    }
}

static void count_pulses(struct twin *twin, uint8_t *pulses)
{
    uint8_t step = head_pulse(&twin->head);
    for (uint8_t drive = 0; step != 0u; drive++, step >>= 1) {
        pulses[drive] = (uint8_t)(pulses[drive] + (step & 1u));
    }
}

/* Does anything happen on the line within this millisecond? */
static bool line_busy(const struct twin *twin, uint64_t end_ns)
{
    return twin->link.sending != NULL || twin->head.link.count != 0u
        || characters_due(&twin->link.to_head, end_ns);
}

static void periods(struct twin *twin, uint8_t *pulses)
{
    const uint64_t end_ns = twin->now_ns + (uint64_t)PULSES_PER_TICK * PERIOD_NS;
    if (!line_busy(twin, end_ns)) {
        quiet_periods(&twin->head, PULSES_PER_TICK, pulses);
        twin->now_ns = end_ns;
        return;
    }
    for (uint8_t k = 0; k < PULSES_PER_TICK; k++) {
        twin->now_ns += PERIOD_NS;
        count_pulses(twin, pulses);
        deliver(twin);
        send(twin);
        head_poll(&twin->head);
    }
}

static void without_power(struct twin *twin)
{
    static const int8_t still[PLANT_DRIVES];
    twin->now_ns += (uint64_t)PULSES_PER_TICK * PERIOD_NS;
    deliver(twin);
    plant_ms(&twin->plant, 0, still, 0, 0);
}

/* The pins of the output wheel, one count after the other; forwards A leads B. */
static void turn_wheel(struct twin *twin)
{
    static const uint8_t pins[4] = {0, 1, 3, 2};
    const int32_t edges = twin->plant.output_edges;
    const uint8_t step = edges < 0 ? 3u : 1u;
    for (int32_t left = edges < 0 ? -edges : edges; left > 0; left--) {
        twin->wheel_at = (uint8_t)((twin->wheel_at + step) & 3u);
        head_edge(&twin->head, pins[twin->wheel_at]);
    }
}

static void with_power(struct twin *twin)
{
    uint8_t pulses[8] = {0}; /* one for each bit in the mask of head_pulse */
    int8_t steps[PLANT_DRIVES];
    const uint8_t backwards = twin->backwards;
    periods(twin, pulses);
    for (uint8_t drive = 0; drive < PLANT_DRIVES; drive++) {
        steps[drive] = (int8_t)((backwards >> drive & 1u) != 0u ? -pulses[drive] : pulses[drive]);
    }
    plant_ms(&twin->plant, twin->heaters, steps, twin->enabled, twin->shear);
    turn_wheel(twin);
    store_finish(&twin->store, twin->now_ns);
    head_tick(&twin->head);
    head_poll(&twin->head);
}

void twin_advance(struct twin *twin, uint32_t ms)
{
    for (uint32_t k = 0; k < ms; k++) {
        if (twin->powered) {
            with_power(twin);
        } else {
            without_power(twin);
        }
    }
}

/* ---- doors ---- */

/* The silence that parts two frames. */
static void keep_silent(struct twin *twin)
{
    for (uint8_t k = 0; k < SILENCE_PERIODS; k++) {
        link_period(&twin->head.link);
    }
    head_poll(&twin->head);
}

uint16_t twin_exchange(struct twin *twin, const uint8_t *frame, uint16_t count)
{
    struct twin_link *link = &twin->link;
    if (!twin->powered || link->sending != NULL) {
        return 0;
    }
    keep_silent(twin);
    link->direct = true;
    link->answered = 0;
    for (uint16_t k = 0; k < count; k++) {
        head_receive(&twin->head, frame[k]);
    }
    head_poll(&twin->head);
    if (link->answered == 0u) {
        keep_silent(twin); /* a function of unknown length ends with silence */
    }
    if (link->answered != 0u) {
        head_sent(&twin->head);
    }
    link->direct = false;
    return link->answered;
}

void twin_send(struct twin *twin, const uint8_t *bytes, uint16_t count, uint64_t first_ns)
{
    characters_put_run(&twin->link.to_head, bytes, count, first_ns, TWIN_CHARACTER_NS);
}

uint16_t twin_take(struct twin *twin, uint8_t *bytes, uint64_t *at_ns, uint16_t room)
{
    return characters_take_run(&twin->link.to_host, bytes, at_ns, room);
}
