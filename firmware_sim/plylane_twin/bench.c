#include "bench.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>

#include "../core/port.h"

#define CLOCK_HZ 16000000u
#define FLASH_BYTES 32768u
#define RAM_TOP 0x8FFu
#define ERASED 0xFFu
#define RESPONSE_CYCLES 4u /* data sheet, interrupt response time; libsimavr counts none */
#define RETI_CYCLES 4u     /* counted by libsimavr after its own hook */
#define SOURCE_CHIP_NOISE 24u
#define SOURCE_MEMORY 27u
#define REGISTERS_END 0x100u
/* data addresses of the ATmega328P */
#define A_PINB 0x23u
#define A_PINC 0x26u
#define A_PIND 0x29u
#define A_PORTB 0x25u
#define A_EECR 0x3Fu
#define A_MCUSR 0x54u
#define A_ADMUX 0x7Cu
#define A_UCSR0A 0xC0u
#define A_UCSR0C 0xC2u
#define A_UBRR0L 0xC4u
#define EEPE 0x02u
#define EEMPE 0x04u
#define ARM_CYCLES 4u /* EEPE counts within four cycles of EEMPE */
#define VECTOR_RX 18
/* pins: firmware_sim/uno/pins.h */
enum bench_port { PORT_B, PORT_C, PORT_D };
#define WHEEL_FIRST 2
#define STEP_FIRST 4
#define DIRECTION_INFEED 0x80u /* port D */
#define DIRECTION_PRESS 0x01u  /* port B, all of these */
#define DRIVERS_OFF 0x02u
#define LOAD 0x04u
#define SHEAR 0x08u
#define DATA 4
#define CLOCK 0x20u
#define HEATER_FIRST 3
#define CHAIN_STOP_CLOSED 0x0100u
#define CHAIN_PERMIT 0x0200u

static struct bench *bench_of(struct avr_t *avr)
{
    return avr->custom.data;
}

static uint64_t ns_of(uint64_t cycle)
{
    return cycle * 125u / 2u; /* 62.5 ns */
}

static uint64_t cycle_of(uint64_t ns)
{
    return (ns * 2u + 124u) / 125u;
}

/* ------------------------------------------------------------------------------------- pins in */

/* A level from outside. libsimavr lifts pulled-up inputs at every write to their port unless it is told
 * what holds them, so both are told. */
static void drive_pin(struct bench *bench, uint32_t port, int pin, uint8_t mask, uint8_t levels)
{
    avr_ioport_external_t held = {.name = port & 0x7Fu, .mask = mask, .value = levels};
    avr_ioctl(bench->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &held);
    avr_raise_irq(avr_io_getirq(bench->avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin), levels >> pin & 1u);
}

static uint8_t wheel_levels(const struct bench *bench)
{
    static const uint8_t pins[4] = {0, 1, 3, 2}; /* A is bit 0 and leads forwards */
    return (uint8_t)(pins[bench->wheel_at] << WHEEL_FIRST);
}

static void show_wheel(struct bench *bench)
{
    const uint8_t mask = 3u << WHEEL_FIRST;
    /* Where the program has not chosen edges yet libsimavr would look at a low pin in every cycle. */
    avr_extint_set_strict_lvl_trig(bench->avr, 0, 0);
    avr_extint_set_strict_lvl_trig(bench->avr, 1, 0);
    drive_pin(bench, 'D', WHEEL_FIRST, mask, wheel_levels(bench));
    drive_pin(bench, 'D', WHEEL_FIRST + 1, mask, wheel_levels(bench));
}

static void turn_wheel(struct bench *bench)
{
    int32_t step = bench->edges_left < 0 ? -1 : 1;
    bench->wheel_at = (uint8_t)(bench->wheel_at + step) & 3u;
    bench->edges_left -= step;
    show_wheel(bench);
}

static uint8_t chain_levels(const struct bench *bench)
{
    uint8_t bit = bench->chain & 1u;
    if (bench->chain_state != BENCH_CHAIN_SOUND)
        bit = bench->chain_state == BENCH_CHAIN_HIGH;
    return (uint8_t)(bit << DATA);
}

static void show_chain(struct bench *bench)
{
    drive_pin(bench, 'B', DATA, 1u << DATA, chain_levels(bench));
}

/* Two 74HC165: load is asynchronous while low, a rising clock shifts, their serial input is grounded. */
static void load_chain(struct bench *bench)
{
    uint16_t inputs = bench->plant.inputs;
    bench->chain = inputs & 0xFFu;
    if (!(inputs & INPUT_STOP))
        bench->chain |= CHAIN_STOP_CLOSED;
    if (inputs & INPUT_PERMIT)
        bench->chain |= CHAIN_PERMIT;
}

/* ------------------------------------------------------------------------------------- pins out */

static void count_tick(struct bench *bench, uint64_t now)
{
    struct bench_probe *probe = &bench->probe;
    if (bench->tick_at != 0u) {
        uint32_t period = (uint32_t)(now - bench->tick_at);
        uint32_t bin = period / BENCH_TICK_BIN;
        probe->tick_min = probe->ticks == 0u || period < probe->tick_min ? period : probe->tick_min;
        probe->tick_max = period > probe->tick_max ? period : probe->tick_max;
        probe->tick_bins[bin < BENCH_BINS ? bin : BENCH_BINS - 1u]++;
        probe->ticks++;
    }
    bench->tick_at = now;
}

static void port_b(struct bench *bench, uint8_t before, uint8_t after, uint64_t now)
{
    if (before & ~after & LOAD)
        count_tick(bench, now);
    if (!(after & LOAD))
        load_chain(bench);
    else if (after & ~before & CLOCK)
        bench->chain >>= 1;
    if ((before ^ after) & (LOAD | CLOCK))
        show_chain(bench);
    if ((before ^ after) & DIRECTION_PRESS)
        bench->direction_at[1] = now;
    bench->shear = (after & SHEAR) != 0u;
}

static void port_c(struct bench *bench, uint8_t before, uint8_t after, uint64_t now)
{
    for (uint8_t z = 0; z < PLANT_ZONES; z++) {
        uint8_t bit = (uint8_t)(1u << (HEATER_FIRST + z));
        if (after & ~before & bit)
            bench->heater_since[z] = now;
        if (before & ~after & bit)
            bench->heater_on[z] += now - bench->heater_since[z];
    }
    bench->heaters = (after >> HEATER_FIRST) & 7u;
    if (bench->heaters == 0u && before >> HEATER_FIRST & 7u)
        bench->heaters_off_at = now;
}

static bool backwards(const struct bench *bench, uint8_t drive)
{
    return drive == PLANT_INFEED ? (bench->pins.out[PORT_D] & DIRECTION_INFEED) != 0u
                                 : (bench->pins.out[PORT_B] & DIRECTION_PRESS) != 0u;
}

static void step_rises(struct bench *bench, uint8_t drive, uint64_t now)
{
    struct bench_probe *probe = &bench->probe;
    int8_t way = backwards(bench, drive) ? -1 : 1;
    uint32_t set_before = (uint32_t)(now - bench->direction_at[drive != PLANT_INFEED]);
    bench->steps[drive] = (int8_t)(bench->steps[drive] + way);
    bench->step_rose_at[drive] = now;
    probe->steps[drive]++;
    probe->net_steps[drive] += way;
    if (set_before < probe->direction_before_step_min)
        probe->direction_before_step_min = set_before;
    if (drive == bench->edge_drive && bench->edge_count < bench->edge_room)
        bench->edge_cycles[bench->edge_count++] = now;
}

static void port_d(struct bench *bench, uint8_t before, uint8_t after, uint64_t now)
{
    if ((before ^ after) & DIRECTION_INFEED)
        bench->direction_at[0] = now;
    for (uint8_t d = 0; d < PLANT_DRIVES; d++) {
        uint8_t bit = (uint8_t)(1u << (STEP_FIRST + d));
        if (after & ~before & bit)
            step_rises(bench, d, now);
        if (before & ~after & bit && now - bench->step_rose_at[d] < bench->probe.step_high_min)
            bench->probe.step_high_min = (uint32_t)(now - bench->step_rose_at[d]);
    }
}

/* Drivers have a pull-up on their enable input: nothing driven is off. */
static void show_enable(struct bench *bench)
{
    bench->enabled = bench->powered && (bench->pins.ddr[PORT_B] & DRIVERS_OFF)
        && !(bench->pins.out[PORT_B] & DRIVERS_OFF);
}

static void port_shows(struct bench *bench, enum bench_port port, uint8_t out)
{
    static void (*const changed[3])(struct bench *, uint8_t, uint8_t, uint64_t) = {port_b, port_c, port_d};
    uint8_t before = bench->pins.out[port];
    bench->pins.out[port] = out;
    if (before != out)
        changed[port](bench, before, out, bench->avr->cycle);
    show_enable(bench);
}

static void port_written(struct bench *bench, enum bench_port port, uint8_t value)
{
    port_shows(bench, port, value & bench->pins.ddr[port]);
}

static uint8_t port_register(const struct bench *bench, enum bench_port port)
{
    return bench->avr->data[A_PORTB + 3u * port];
}

static void direction_written(struct bench *bench, enum bench_port port, uint8_t value)
{
    bench->pins.ddr[port] = value;
    port_shows(bench, port, port_register(bench, port) & value);
}

#define PORT_HOOKS(name, port)                                                       \
    static void on_##name(struct avr_irq_t *irq, uint32_t value, void *bench)        \
    {                                                                                \
        (void)irq;                                                                   \
        port_written(bench, port, (uint8_t)value);                                   \
    }                                                                                \
    static void on_##name##_ddr(struct avr_irq_t *irq, uint32_t value, void *bench)  \
    {                                                                                \
        (void)irq;                                                                   \
        direction_written(bench, port, (uint8_t)value);                              \
    }
PORT_HOOKS(b, PORT_B)
PORT_HOOKS(c, PORT_C)
PORT_HOOKS(d, PORT_D)

/* ------------------------------------------------------------------------------------- converter */

/* A conversion starts: sample what stands on the pin now. libsimavr would scale by 1023 and by whole
 * millivolts; with its reference set to 1023 it hands through the code it is given. */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct bench *bench = param;
    int32_t channel = bench->avr->data[A_ADMUX] & 7u;
    double noise = 0.0;
    (void)irq;
    (void)value;
    if (channel >= PLANT_ZONES)
        return;
    double share = plant_pin_share(&bench->plant, channel, &noise);
    uint32_t code = (uint32_t)plant_code(share + noise * plant_normal(&bench->noise[channel]));
    avr_raise_irq(avr_io_getirq(bench->avr, AVR_IOCTL_ADC_GETIRQ, channel), code);
}

/* ------------------------------------------------------------------------------------- line */

/* libsimavr tells of a character when it is written to the transmitter; it is complete a character later. */
static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct bench *bench = param;
    uint64_t now = bench->avr->cycle;
    (void)irq;
    if (bench->awaited && now >= bench->came_at) {
        uint32_t wait = (uint32_t)(now - bench->came_at);
        uint32_t bin = wait / BENCH_ANSWER_BIN;
        bench->awaited = false;
        bench->probe.answers++;
        bench->probe.answer_bins[bin < BENCH_BINS ? bin : BENCH_BINS - 1u]++;
        bench->probe.answer_max = wait > bench->probe.answer_max ? wait : bench->probe.answer_max;
    }
    bench->sent_at = (now > bench->sent_at ? now : bench->sent_at) + bench->character_cycles;
    characters_put(&bench->to_host, (uint8_t)value, ns_of(bench->sent_at));
}

/* libsimavr takes the speed when UBRR is written; on the chip U2X and the frame count whenever they are
 * written. So UBRR is written again with what it holds. */
static void on_uart_set(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct bench *bench = param;
    const uint32_t baud = A_UBRR0L - 32u;
    if (address == A_UCSR0C)
        avr->data[address] = value;
    avr->io[baud].w.c(avr, A_UBRR0L, avr->data[A_UBRR0L], avr->io[baud].w.param);
    uint32_t divisor = avr->data[A_UBRR0L] + 256u * (avr->data[A_UBRR0L + 1u] & 0x0Fu) + 1u;
    uint32_t bits = 10u + (avr->data[A_UCSR0C] >> 5 & 1u) + (avr->data[A_UCSR0C] >> 3 & 1u);
    bench->character_cycles = bits * divisor * (avr->data[A_UCSR0A] & 2u ? 8u : 16u);
}

/* libsimavr shows a character to the program a character time after it was given: it is given when its start
 * bit falls. Its XON is not waited for: a line does not wait. */
static void give_character(struct bench *bench)
{
    struct character next = characters_take(&bench->to_head);
    bench->came_at = cycle_of(next.at_ns);
    bench->awaited = true;
    bench->probe.received++;
    avr_raise_irq(avr_io_getirq(bench->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), next.value);
}

static uint64_t character_due(const struct bench *bench)
{
    const struct characters *queue = &bench->to_head;
    if (queue->count == 0u)
        return UINT64_MAX;
    uint64_t complete = cycle_of(queue->kept[queue->first].at_ns);
    return complete > bench->character_cycles ? complete - bench->character_cycles : 0u;
}

bool bench_line_busy(const struct bench *bench)
{
    return bench->to_head.count != 0u || bench->to_host.count != 0u || bench->avr->cycle < bench->sent_at
        || bench->avr->cycle < bench->came_at + 4u * BENCH_MS_CYCLES;
}

/* ------------------------------------------------------------------------------------- settings memory */

uint8_t *bench_settings(struct bench *bench)
{
    avr_eeprom_desc_t all = {.ee = NULL, .offset = 0, .size = BENCH_SETTINGS_BYTES};
    avr_ioctl(bench->avr, AVR_IOCTL_EEPROM_GET, &all);
    return all.ee;
}

static void begin_write(struct bench *bench, uint64_t now)
{
    const uint8_t *data = bench->avr->data;
    bench->write_to = (uint16_t)(data[0x41] | data[0x42] << 8) & (BENCH_SETTINGS_BYTES - 1u);
    bench->write_done_at = now + BENCH_EEPROM_CYCLES;
    bench->writes++;
    if (bench->writes == bench->cut_at_write)
        bench->cut_at = now + BENCH_EEPROM_CYCLES / 2u;
}

static void end_write(struct bench *bench)
{
    bench->write_done_at = 0;
    bench->avr->data[A_EECR] &= (uint8_t)~EEPE;
}

static avr_cycle_count_t on_write_done(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    end_write(param);
    return 0;
}

/* libsimavr writes a byte at once and never shows EEPE; the chip shows it for 3.4 ms. Called after
 * libsimavr's own. */
static void on_eecr(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct bench *bench = param;
    uint64_t now = avr->cycle;
    bool armed = bench->write_armed_at != 0u && now - bench->write_armed_at <= ARM_CYCLES;
    if (bench->write_done_at == 0u && value & EEPE && armed) {
        bench->write_armed_at = 0;
        begin_write(bench, now);
        avr_cycle_timer_register(avr, BENCH_EEPROM_CYCLES, on_write_done, bench);
    } else if (value & EEMPE) {
        bench->write_armed_at = now;
    }
    if (bench->write_done_at != 0u)
        avr->data[address] |= EEPE;
}

/* ------------------------------------------------------------------------------------- interrupts */

static void vector_runs(struct bench *bench, int number)
{
    struct bench_vector *vector = &bench->probe.vector[number];
    struct avr_t *avr = bench->avr;
    if (vector->waiting && avr->cycle - vector->raised_at > vector->worst_wait)
        vector->worst_wait = (uint32_t)(avr->cycle - vector->raised_at);
    vector->waiting = false;
    vector->entered_at = avr->cycle;
    avr->cycle += RESPONSE_CYCLES;
    avr->run_cycle_count = avr->run_cycle_count > RESPONSE_CYCLES ? avr->run_cycle_count - RESPONSE_CYCLES : 1u;
}

static void vector_ends(struct bench *bench, int number)
{
    struct bench_vector *vector = &bench->probe.vector[number];
    if (vector->entered_at == 0u)
        return; /* began before measuring did */
    uint32_t took = (uint32_t)(bench->avr->cycle - vector->entered_at) + RETI_CYCLES;
    vector->count++;
    vector->total += took;
    vector->worst = took > vector->worst ? took : vector->worst;
}

static void on_running(struct avr_irq_t *irq, uint32_t value, void *param)
{
    int number = (int)(irq->irq / 256u);
    if (value)
        vector_runs(param, number);
    else
        vector_ends(param, number);
}

static void on_pending(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct bench *bench = param;
    struct bench_vector *vector = &bench->probe.vector[irq->irq / 256u];
    if (!value || vector->waiting)
        return;
    if (vector->raised_at != 0u) {
        uint32_t apart = (uint32_t)(bench->avr->cycle - vector->raised_at);
        vector->apart_min = vector->apart_min == 0u || apart < vector->apart_min ? apart : vector->apart_min;
        vector->apart_max = apart > vector->apart_max ? apart : vector->apart_max;
    }
    vector->waiting = true;
    vector->raised_at = bench->avr->cycle;
}

/* ------------------------------------------------------------------------------------- running */

static avr_cycle_count_t on_stop(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

static void no_sleep(struct avr_t *avr, avr_cycle_count_t cycles)
{
    bench_of(avr)->probe.busy -= cycles; /* counted back: what is not slept is worked */
}

/* A timer of our own at the cycle where the run is to stop lets libsimavr run up to there in one go. */
static void arm_stop(struct bench *bench)
{
    struct avr_t *avr = bench->avr;
    avr->run_cycle_limit = bench->profile != NULL ? BENCH_PROFILE_CYCLES : BENCH_MS_CYCLES;
    avr_cycle_timer_register(avr, bench->stop_at - avr->cycle, on_stop, bench);
}

static void pins_float(struct bench *bench)
{
    for (int port = PORT_B; port <= PORT_D; port++)
        direction_written(bench, (enum bench_port)port, 0);
}

/* After any reset libsimavr has cleared registers and timers but not the last values of its signals. */
static void forget_signals(struct bench *bench, uint32_t port, uint16_t pin_register, uint8_t levels)
{
    struct avr_irq_t *irq = avr_io_getirq(bench->avr, AVR_IOCTL_IOPORT_GETIRQ(port), 0);
    for (int i = 0; i < IOPORT_IRQ_COUNT; i++)
        irq[i].value = i < 8 ? levels >> i & 1u : 0u;
    bench->avr->data[pin_register] = levels; /* what holds the inputs goes on holding them */
}

static void (*chip_reset)(struct avr_t *avr); /* of libsimavr, the same for every ATmega328P */

static void on_reset(struct avr_t *avr)
{
    struct bench *bench = bench_of(avr);
    chip_reset(avr);
    if (bench->write_done_at != 0u) { /* a byte being written is finished whatever the program does */
        avr->data[A_EECR] |= EEPE;
        avr_cycle_timer_register(avr, bench->write_done_at - avr->cycle, on_write_done, bench);
    }
    forget_signals(bench, 'B', A_PINB, chain_levels(bench));
    forget_signals(bench, 'C', A_PINC, 0);
    forget_signals(bench, 'D', A_PIND, wheel_levels(bench));
    pins_float(bench);
    for (int i = 0; i < BENCH_VECTORS; i++)
        bench->probe.vector[i].waiting = false;
    bench->tick_at = 0;
    bench->reset_at = avr->cycle;
    if (bench->powered) {
        bench->resets++;
        arm_stop(bench);
    }
}

static bool alive(const struct bench *bench)
{
    return bench->powered && !bench->crashed;
}

static void look_after(struct bench *bench, int state)
{
    if (bench->profile != NULL && state == cpu_Running)
        bench->profile[bench->avr->pc / 2u % BENCH_PROFILE_WORDS]++;
    if (state == cpu_Crashed || state == cpu_Done || state == cpu_Stopped)
        bench->crashed = true;
    if (bench->cut_at != 0u && bench->avr->cycle >= bench->cut_at)
        bench_stop(bench);
}

static void run_to(struct bench *bench, uint64_t cycle)
{
    struct avr_t *avr = bench->avr;
    uint64_t from = avr->cycle;
    bench->stop_at = cycle;
    if (alive(bench) && avr->cycle < cycle) {
        arm_stop(bench);
        while (alive(bench) && avr->cycle < cycle)
            look_after(bench, avr_run(avr));
    }
    bench->probe.busy += avr->cycle - from;
    if (avr->cycle < cycle)
        avr->cycle = cycle; /* without power time goes on */
}

static uint64_t first_of(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static uint64_t edge_due(const struct bench *bench, uint64_t begin)
{
    int64_t all = bench->edges_all < 0 ? -(int64_t)bench->edges_all : bench->edges_all;
    int64_t left = bench->edges_left < 0 ? -(int64_t)bench->edges_left : bench->edges_left;
    if (left == 0)
        return UINT64_MAX;
    return begin + (uint64_t)((2 * (all - left) + 1) * (int64_t)BENCH_MS_CYCLES / (2 * all));
}

static void run_ms(struct bench *bench, uint64_t begin)
{
    const uint64_t end = begin + BENCH_MS_CYCLES;
    for (uint64_t next = begin; next < end;) {
        next = first_of(end, first_of(character_due(bench), edge_due(bench, begin)));
        if (bench->cut_at > bench->avr->cycle)
            next = first_of(next, bench->cut_at);
        run_to(bench, next);
        while (character_due(bench) <= bench->avr->cycle)
            give_character(bench);
        while (edge_due(bench, begin) <= bench->avr->cycle)
            turn_wheel(bench);
    }
}

/* ------------------------------------------------------------------------------------- the plant */

static void heat(struct bench *bench, uint64_t end)
{
    for (uint8_t z = 0; z < PLANT_ZONES; z++) {
        if (bench->heaters >> z & 1u) {
            bench->heater_on[z] += end - bench->heater_since[z];
            bench->heater_since[z] = end;
        }
        bench->plant.block[z].on_ms += (double)bench->heater_on[z] / BENCH_MS_CYCLES;
        bench->heater_on[z] = 0;
    }
}

static void plant_turn(struct bench *bench, uint64_t end)
{
    heat(bench, end);
    plant_ms(&bench->plant, 0, bench->steps, bench->enabled ? 7u : 0u, bench->shear);
    memset(bench->steps, 0, sizeof bench->steps);
    bench->edges_all = bench->edges_left = bench->plant.output_edges;
}

void bench_advance(struct bench *bench, uint32_t ms)
{
    for (uint32_t k = 0; k < ms; k++) {
        uint64_t begin = bench->now_ms * BENCH_MS_CYCLES;
        run_ms(bench, begin);
        bench->now_ms++;
        plant_turn(bench, begin + BENCH_MS_CYCLES);
    }
}

/* ------------------------------------------------------------------------------------- power */

static void fill_memory(struct bench *bench)
{
    struct plant_stream stream;
    plant_stream_init(&stream, bench->avr->cycle, SOURCE_MEMORY);
    for (uint32_t at = REGISTERS_END; at <= RAM_TOP; at++)
        bench->avr->data[at] = (uint8_t)(plant_uniform(&stream) * 256.0);
}

void bench_start(struct bench *bench, uint8_t cause)
{
    const uint8_t reset_line = 2u;
    bench_stop(bench);
    if (cause != reset_line)
        fill_memory(bench);
    avr_reset(bench->avr);
    bench->avr->data[A_MCUSR] = cause;
    bench->powered = true;
    bench->crashed = false;
    bench->cut_at = 0;
    bench->writes = 0;
    show_wheel(bench);
    show_chain(bench);
    show_enable(bench);
}

void bench_stop(struct bench *bench)
{
    if (bench->write_done_at != 0u) {
        bench_settings(bench)[bench->write_to] = ERASED; /* erased first, then written: it never came */
        end_write(bench);
    }
    bench->powered = false;
    bench->awaited = false;
    pins_float(bench);
}

/* ------------------------------------------------------------------------------------- beginning */

static void complain(struct avr_t *avr, const int level, const char *format, va_list arguments)
{
    if (avr != NULL && bench_of(avr) != NULL && level <= LOG_ERROR)
        vsnprintf(bench_of(avr)->message, BENCH_MESSAGE, format, arguments);
}

static void hook_port(struct bench *bench, uint32_t port, avr_irq_notify_t written, avr_irq_notify_t ddr)
{
    struct avr_irq_t *irq = avr_io_getirq(bench->avr, AVR_IOCTL_IOPORT_GETIRQ(port), 0);
    avr_irq_register_notify(irq + IOPORT_IRQ_REG_PORT, written, bench);
    avr_irq_register_notify(irq + IOPORT_IRQ_DIRECTION_ALL, ddr, bench);
}

static void hook_vectors(struct bench *bench)
{
    for (int number = 1; number < BENCH_VECTORS; number++) {
        struct avr_irq_t *irq = avr_get_interrupt_irq(bench->avr, (uint8_t)number);
        if (irq == NULL)
            continue;
        avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_running, bench);
        avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_pending, bench);
    }
}

static void hook_line(struct bench *bench)
{
    uint32_t quiet = 0; /* neither sleeps while the program polls nor prints what it sends */
    avr_ioctl(bench->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &quiet);
    avr_irq_register_notify(avr_io_getirq(bench->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, bench);
    avr_register_io_write(bench->avr, A_UCSR0A, on_uart_set, bench);
    avr_register_io_write(bench->avr, A_UCSR0C, on_uart_set, bench);
}

static void hook_all(struct bench *bench)
{
    struct avr_t *avr = bench->avr;
    hook_port(bench, 'B', on_b, on_b_ddr);
    hook_port(bench, 'C', on_c, on_c_ddr);
    hook_port(bench, 'D', on_d, on_d_ddr);
    hook_vectors(bench);
    hook_line(bench);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, bench);
    avr_register_io_write(avr, A_EECR, on_eecr, bench);
    chip_reset = avr->reset;
    avr->reset = on_reset;
    avr->sleep = no_sleep;
}

static void make_chip(struct bench *bench)
{
    struct avr_t *avr = avr_make_mcu_by_name("atmega328p");
    bench->avr = avr;
    avr_init(avr);
    avr->custom.data = bench;
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = 1023; /* see on_conversion */
    bench->ram_top = RAM_TOP;
    bench->character_cycles = 1496;
    hook_all(bench);
}

int32_t bench_open(struct bench *bench, const char *elf, uint64_t seed)
{
    elf_firmware_t program;
    memset(bench, 0, sizeof *bench);
    avr_global_logger_set(complain);
    if (elf_read_firmware(elf, &program) != 0 || program.flashsize == 0u)
        return -1;
    if (program.flashbase + program.flashsize > FLASH_BYTES)
        return -2;
    make_chip(bench);
    program.frequency = program.vcc = program.avcc = program.aref = 0; /* ours */
    avr_load_firmware(bench->avr, &program);
    free(program.flash);
    bench->flash_bytes = program.flashsize;
    bench->symbols = program.symbol;
    bench->symbol_count = program.symbolcount;
    bench->static_bytes = (uint32_t)(bench_symbol(bench, "_end") - (int32_t)REGISTERS_END);
    for (uint64_t z = 0; z < PLANT_ZONES; z++)
        plant_stream_init(&bench->noise[z], seed, SOURCE_CHIP_NOISE + z);
    bench_measure(bench);
    return 0;
}

void bench_close(struct bench *bench)
{
    avr_symbol_t **symbols = bench->symbols;
    for (uint32_t i = 0; i < bench->symbol_count; i++)
        free(symbols[i]);
    free(symbols);
    if (bench->avr != NULL) {
        avr_terminate(bench->avr);
        free(bench->avr);
    }
    bench->avr = NULL;
    bench->symbols = NULL;
    bench->symbol_count = 0;
}

/* ------------------------------------------------------------------------------------- doors */

void bench_send(struct bench *bench, const uint8_t *bytes, uint16_t count, uint64_t first_ns)
{
    characters_put_run(&bench->to_head, bytes, count, first_ns, BENCH_CHARACTER_NS);
}

uint16_t bench_take(struct bench *bench, uint8_t *bytes, uint64_t *at_ns, uint16_t room)
{
    return characters_take_run(&bench->to_host, bytes, at_ns, room);
}

uint64_t bench_cycle(const struct bench *bench)
{
    return bench->avr->cycle;
}

uint8_t bench_peek(const struct bench *bench, uint16_t address)
{
    return address <= RAM_TOP ? bench->avr->data[address] : 0u;
}

void bench_poke(struct bench *bench, uint16_t address, uint8_t value)
{
    if (address <= RAM_TOP)
        bench->avr->data[address] = value;
}

void bench_stall(struct bench *bench, uint32_t cycles)
{
    if (alive(bench))
        bench->avr->cycle += cycles;
}

int32_t bench_symbol_at(const struct bench *bench, uint32_t index, const char **name)
{
    avr_symbol_t **symbols = bench->symbols;
    *name = symbols[index]->symbol;
    return (int32_t)(symbols[index]->addr & 0x7FFFFFFFu);
}

int32_t bench_symbol(const struct bench *bench, const char *name)
{
    avr_symbol_t **symbols = bench->symbols;
    for (uint32_t i = 0; i < bench->symbol_count; i++)
        if (strcmp(symbols[i]->symbol, name) == 0)
            return (int32_t)(symbols[i]->addr & 0xFFFFu);
    return -1;
}

void bench_measure(struct bench *bench)
{
    memset(&bench->probe, 0, sizeof bench->probe);
    bench->probe.step_high_min = UINT32_MAX;
    bench->probe.direction_before_step_min = UINT32_MAX;
    bench->probe.since = bench->avr->cycle;
    bench->tick_at = 0;
}
