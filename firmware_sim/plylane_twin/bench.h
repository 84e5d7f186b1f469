/* The board bench: the board's own binary in libsimavr, wired to the plant.
 *
 * Time is counted in clock cycles of the chip, 16000 to the millisecond. In each millisecond the chip
 * runs; characters reach its UART and edges its wheel pins at their own cycles. Then the plant takes
 * what the pins did (pulses by their rising edges, heaters by their share of the millisecond) and the
 * edges it answers with are spread evenly over the next millisecond.
 *
 * What libsimavr 1.6 leaves out or gets wrong, and what is done about it, stands in docs/bench.md and
 * beside the code in bench.c.
 */
#ifndef PLYLANE_BENCH_H
#define PLYLANE_BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include "characters.h"
#include "plant.h"

#define BENCH_MS_CYCLES 16000u
#define BENCH_CHARACTER_NS 95486u /* eleven bits at 115200 baud, as the host sends them */
#define BENCH_SETTINGS_BYTES 1024u
#define BENCH_EEPROM_CYCLES 54400u /* 3.4 ms: a byte erased and written (ATmega328P data sheet) */
#define BENCH_VECTORS 26
#define BENCH_BINS 64
#define BENCH_TICK_BIN 400u   /* cycles: 25 us */
#define BENCH_ANSWER_BIN 1600u /* cycles: 100 us */
#define BENCH_MESSAGE 160
#define BENCH_PROFILE_WORDS 16384
#define BENCH_PROFILE_CYCLES 61u /* between two samples; shares no factor with a millisecond */

enum bench_chain { BENCH_CHAIN_SOUND, BENCH_CHAIN_LOW, BENCH_CHAIN_HIGH }; /* data wire of the shift registers */

/* An interrupt, cycles. `worst` is from the response to its last instruction, both included. */
struct bench_vector {
    uint64_t raised_at;
    uint64_t entered_at;
    uint64_t total;
    uint32_t count;
    uint32_t worst;
    uint32_t worst_wait; /* from the flag to the response */
    uint32_t apart_min;  /* from one flag to the next */
    uint32_t apart_max;
    bool waiting;
};

/* What has been measured since bench_measure(). */
struct bench_probe {
    struct bench_vector vector[BENCH_VECTORS];
    int64_t steps[PLANT_DRIVES];       /* rising edges, whatever their direction */
    int64_t net_steps[PLANT_DRIVES];   /* signed by the direction pin, drivers on or off */
    uint32_t step_high_min;            /* cycles */
    uint32_t direction_before_step_min;
    uint32_t ticks;                    /* loads of the shift registers */
    uint32_t tick_min;                 /* cycles between two of them */
    uint32_t tick_max;
    uint32_t tick_bins[BENCH_BINS];    /* of the period, BENCH_TICK_BIN wide */
    uint32_t answers;
    uint32_t answer_max;               /* last stop bit of a request to the answer's start bit */
    uint32_t answer_bins[BENCH_BINS];  /* BENCH_ANSWER_BIN wide */
    uint32_t received;                 /* characters that came in */
    uint64_t busy;                     /* cycles not asleep */
    uint64_t since;                    /* cycle of bench_measure() */
};

struct bench_pins {
    uint8_t out[3]; /* ports B, C, D: 1 where the chip drives high */
    uint8_t ddr[3];
};

struct avr_t;

struct bench {
    struct plant plant;
    struct avr_t *avr;
    uint64_t now_ms;
    bool powered;
    bool crashed;                    /* left its program or slept without interrupts */
    char message[BENCH_MESSAGE];     /* last thing libsimavr complained about */
    /* ---- the binary ---- */
    uint32_t flash_bytes;            /* program and initial values */
    uint32_t static_bytes;           /* .data, .bss and .noinit */
    uint16_t ram_top;
    /* ---- pins ---- */
    struct bench_pins pins;
    uint8_t heaters;                 /* now, a bit a zone */
    uint8_t enabled;                 /* now, 0 or 1 */
    uint8_t shear;
    uint8_t wheel_at;                /* of the four steps of a quadrature cycle */
    uint8_t chain_state;             /* enum bench_chain */
    uint16_t chain;                  /* what is still in the shift registers, next bit lowest */
    int8_t steps[PLANT_DRIVES];      /* net pulses in this millisecond */
    uint64_t heater_since[PLANT_ZONES];
    uint64_t heater_on[PLANT_ZONES]; /* cycles in this millisecond */
    uint64_t heaters_off_at;         /* cycle at which the last heater pin fell */
    struct plant_stream noise[PLANT_ZONES];
    int32_t edges_left;              /* of the output wheel, signed */
    int32_t edges_all;
    /* ---- line ---- */
    struct characters to_head;
    struct characters to_host;
    uint32_t character_cycles;       /* of the chip's transmitter */
    uint64_t sent_at;                /* when the character that is being sent is complete, cycles */
    uint64_t came_at;                /* when the last character to the head was complete */
    bool awaited;                    /* an answer to it may come */
    /* ---- settings memory ---- */
    uint64_t write_armed_at;
    uint64_t write_done_at;          /* 0: none under way */
    uint16_t write_to;
    uint32_t writes;                 /* begun since power-on */
    uint32_t cut_at_write;           /* power fails half way through this write; 0 never */
    uint64_t cut_at;                 /* power fails at this cycle; 0 never */
    /* ---- resets ---- */
    uint32_t resets;                 /* by the chip itself, since bench_open */
    uint64_t reset_at;
    /* ---- measuring ---- */
    struct bench_probe probe;
    uint64_t step_rose_at[PLANT_DRIVES];
    uint64_t direction_at[2];
    uint64_t tick_at;
    uint64_t *edge_cycles;           /* where rising edges of one drive are noted, NULL nowhere */
    uint32_t edge_room;
    uint32_t edge_count;
    uint8_t edge_drive;
    uint32_t *profile;               /* a count for each word of flash, NULL: no profile */
    uint64_t stop_at;                /* inner: the run stops at this cycle */
    void *symbols;
    uint32_t symbol_count;
};

/* Load a binary; power is off, settings memory erased. 0, or -1: not readable as an AVR program, -2: too
 * large for an ATmega328P. The plant is set up on its own. */
int32_t bench_open(struct bench *bench, const char *elf, uint64_t seed);
void bench_close(struct bench *bench);
/* Power returns or the reset line was pulled. `cause`: RESET_CAUSE_ bits of the map, which are the chip's.
 * Unless the cause is the reset line alone, memory comes up with arbitrary content. */
void bench_start(struct bench *bench, uint8_t cause);
/* Power fails, or the chip is held in reset; a byte of settings being written is left erased. */
void bench_stop(struct bench *bench);
void bench_advance(struct bench *bench, uint32_t ms);
void bench_send(struct bench *bench, const uint8_t *bytes, uint16_t count, uint64_t first_ns);
uint16_t bench_take(struct bench *bench, uint8_t *bytes, uint64_t *at_ns, uint16_t room);
/* The chip is receiving or sending a character, or one is on its way. */
bool bench_line_busy(const struct bench *bench);
uint64_t bench_cycle(const struct bench *bench);
/* Any address of data memory, registers and ports included; a poke goes past all side effects. */
uint8_t bench_peek(const struct bench *bench, uint16_t address);
void bench_poke(struct bench *bench, uint16_t address, uint8_t value);
/* Value of a symbol (data addresses without the linker's offset), -1 if there is none. */
int32_t bench_symbol(const struct bench *bench, const char *name);
/* Symbol number `index`, below symbol_count: its name and its value as the linker knows it. */
int32_t bench_symbol_at(const struct bench *bench, uint32_t index, const char **name);
uint8_t *bench_settings(struct bench *bench);
/* The chip stands still for so many cycles while its timers go on, as in a stretch with interrupts off. */
void bench_stall(struct bench *bench, uint32_t cycles);
/* Forget what was measured. */
void bench_measure(struct bench *bench);

#endif
