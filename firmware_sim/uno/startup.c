/* What happens between reset and main: heaters off first of all, then the cause of the reset is kept, the
 * watchdog stilled and the stack painted. Sections .init0 to .init3 are run in this order by the
 * C library's start-up code, without calls: these functions have no frame and no return. */
#include <avr/io.h>
#include <avr/wdt.h>

#include "board.h"
#include "pins.h"

#define RESET_FLAGS 0x0Fu

static uint8_t reset_flags __attribute__((section(".noinit"))); /* before .bss is cleared */

/* The first instructions after the reset vector. Pins float (and external resistors keep the heaters
 * off) until here; a boot loader may have left them otherwise. No register may be taken for granted. */
__attribute__((naked, used, section(".init0"))) void startup_heaters_off(void)
{
    __asm__ volatile("cbi %0, 3\n\tcbi %0, 4\n\tcbi %0, 5\n\t"
                     "sbi %1, 3\n\tsbi %1, 4\n\tsbi %1, 5\n\t"
                     "sbi %2, 1\n\tsbi %3, 1" /* drivers off */
                     :
                     : "I"(_SFR_IO_ADDR(PORTC)), "I"(_SFR_IO_ADDR(DDRC)), "I"(_SFR_IO_ADDR(PORTB)),
                       "I"(_SFR_IO_ADDR(DDRB)));
}

/* Fill what the stack may use, so that its deepest use can be seen afterwards: from _end, the first byte
 * behind the variables, up to the top of memory. r16, r30, r31 are free; r2 is not (see below). */
__attribute__((naked, used, section(".init1"))) void startup_paint(void)
{
    __asm__ volatile("ldi r30, lo8(_end)\n\tldi r31, hi8(_end)\n\tldi r16, 0xA5\n"
                     "1:\tst Z+, r16\n\tcpi r30, lo8(%0 + 1)\n\tbrne 1b\n\t"
                     "cpi r31, hi8(%0 + 1)\n\tbrne 1b"
                     :
                     : "i"(RAMEND));
}

/* A boot loader has to clear MCUSR before it can still the watchdog; some hand its value over in r2. With
 * MCUSR empty and r2 a possible value, that is taken. After power-on the other flags mean nothing: the
 * supply rose through the brown-out level. */
__attribute__((naked, used, section(".init3"))) void startup_cause(void)
{
    register uint8_t handed_over __asm__("r2");
    __asm__ volatile("" : "=r"(handed_over));
    uint8_t flags = MCUSR;
    MCUSR = 0;
    wdt_disable(); /* it goes on at its shortest period after it has reset the chip */
    if (flags == 0 && handed_over <= RESET_FLAGS)
        flags = handed_over;
    if (flags & (1u << PORF))
        flags = 1u << PORF;
    reset_flags = flags;
}

/* The chip's flags are the map's: power-on, external, brown-out, watchdog. */
uint8_t startup_reset_cause(void)
{
    return reset_flags & RESET_FLAGS;
}
