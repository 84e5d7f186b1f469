/* The head on the ATmega328P: brings the parts up and runs the main loop. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "board.h"

/* So many ticks behind, the drives come first: an answer may take two milliseconds, and what is asked can wait. */
#define BEHIND_TICKS 2u

struct head head;

static void start(void)
{
    pins_start();
    converter_start();
    head_init(&head, 0, startup_reset_cause()); /* the port is linked in: core/flash.h */
    head.wheels.output_pins = pins_wheel(); /* where the wheel stands is no edge; interrupts are still off */
    serial_start();
    pulse_start();
    SMCR = 1u << SE; /* sleep is idle: clocks, timers and interrupts go on */
    wdt_enable(WDTO_250MS);
    sei();
}

/* A main loop that comes this late has let the drives stand (feed.h). With no drive turning nothing is lost:
 * reading settings back takes longer than that. */
static void watch_lateness(uint8_t due)
{
    if (due < LATE_PERIODS / PULSES_PER_TICK || head.feed.speed_um_s == 0)
        return;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        head_overrun(&head);
    }
}

static void tick(void)
{
    static uint8_t batch_ms;
    watch_lateness(pulse_ticks_due());
    pulse_tick_done();
    if (++batch_ms == BATCH_MS) {
        batch_ms = 0;
        converter_batch();
    }
    head_tick(&head);
    ALIVE |= 1u << ALIVE_TICK;
}

static void poll(void)
{
    ALIVE &= (uint8_t)~(1u << BYTE_CAME);
    head_poll(&head);
    ALIVE |= 1u << ALIVE_POLL;
}

/* Every task has run since the last time. An interrupt's bit set between looking and clearing is lost and
 * comes again. */
static void feed_watchdog(void)
{
    if ((ALIVE & ALIVE_ALL) != ALIVE_ALL)
        return;
    wdt_reset();
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        ALIVE &= (uint8_t)~ALIVE_ALL;
    }
}

/* Nothing to do until an interrupt comes, and every interrupt wakes; sei takes effect after sleep. */
static void rest(void)
{
    cli();
    if (pulse_ticks_due() == 0 && !(ALIVE & (1u << BYTE_CAME))) {
        sei();
        sleep_cpu();
    }
    sei();
}

int main(void)
{
    start();
    for (;;) {
        if (pulse_ticks_due() != 0) {
            tick();
            if (pulse_ticks_due() < BEHIND_TICKS)
                poll();
            feed_watchdog();
        } else if (ALIVE & (1u << BYTE_CAME)) {
            poll();
        } else {
            rest();
        }
    }
}
