/* An example: a board that plays one roll on strings of the WS2812 kind, with the Raspberry Pi Pico SDK.
 *
 * Compiled and run against a stand-in for the SDK by this project's tests, not tried on a board. Build it with roll.c
 * as any program of the SDK (libraries pico_stdlib hardware_pio hardware_dma hardware_watchdog), and put the roll into
 * flash beside it, from ROLL_OFFSET on: `picotool load -o 0x10100000 quay.roll -t bin`.
 *
 * First of all, whatever lies in flash, it sends zeros to the pins of WIRED, which is yours to fill in: pixels keep what
 * they showed before a reset. Then it reads the roll, sends zeros to the pins that the roll names, waits for START_PIN
 * to be drawn to ground, plays, and is dark again at the end, after any error, and after the watchdog's reset. It plays
 * up to eight strings without a clock line, at 800 kbit/s each; a roll with others is refused. The usual cautions of a
 * supply, its fuses and its wires are not a program's business: see what the audit says, and ask those who are licensed
 * for mains.
 */
#include <string.h>

#include "hardware/clocks.h"
#include "hardware/dma.h"
#include "hardware/pio.h"
#include "hardware/watchdog.h"
#include "pico/stdlib.h"

#include "roll.h"

#ifndef WIRED
#define WIRED {16, 300} /* pin and pixels, or more pixels, of each string: "{16, 300}, {17, 150}" */
#endif
#define ROLL_OFFSET (1024 * 1024) /* of the roll in flash: behind the program */
#define START_PIN 22
#define MEMORY_BYTES (160 * 1024)
#define WATCHDOG_MS 2000
#define MOST_STRINGS 8
#define MOST_CHANNELS 4 /* bytes of a pixel */
#define BYTE_US 10    /* eight bits of 1.25 us */
#define RESET_US 300  /* low for so long after a frame: WS2812B-V5 asks for 280 at least */

/* One bit in ten cycles of 125 ns: high for 3, then as the bit is for 3, low for 4. A one is high for 750 ns, a zero for
 * 375 ns. The line is low while there is nothing to send. Words by the RP2040 datasheet, section 3.4 (instructions):
 *
 *     out x, 1          0110 0000 0010 0001    low, and waits here while the FIFO is empty
 *     set pins, 1 [2]   1110 0010 0000 0001
 *     mov pins, x [2]   1010 0010 0000 0001
 *     set pins, 0 [2]   1110 0010 0000 0000    with the next out: four cycles
 */
#define PIO_HZ 8000000
static const uint16_t bit_words[] = {0x6021, 0xe201, 0xa201, 0xe200};
static const struct pio_program bit_program = {.instructions = bit_words, .length = 4, .origin = -1};

typedef struct {
    uint32_t pin, first_byte, bytes; /* which pin gets which bytes of `wire` */
} string_t;

static const uint32_t wired[][2] = {WIRED};
typedef char wired_is_no_longer[sizeof wired / sizeof wired[0] <= MOST_STRINGS ? 1 : -1];
static uint32_t memory[MEMORY_BYTES / 4];
static uint8_t wire[32 * 1024]; /* what is on its way out, while the decoder makes the next */
static roll_t roll;
static string_t string[MOST_STRINGS];
static uint channels[MOST_STRINGS];
static uint32_t strings; /* those that are set up */
static uint64_t quiet_us; /* when all strings have been low for long enough */

static int read_flash(void *ctx, uint32_t at, void *to, uint32_t n)
{
    (void)ctx;
    memcpy(to, (const void *)(XIP_BASE + ROLL_OFFSET + at), n);
    return 0;
}

/* ---- the wires -------------------------------------------------------------------------------------------------- */

/* Have a string's state machine and its channel on this pin. All strings must be quiet. */
static void set_up_string(uint32_t number, uint pin)
{
    static uint offsets[2];
    static bool begun[MOST_STRINGS];
    PIO pio = number < 4 ? pio0 : pio1;
    uint machine = number % 4;
    pio_sm_config config = pio_get_default_sm_config();
    dma_channel_config transfer;
    if (!begun[number]) {
        if (machine == 0)
            offsets[number / 4] = (uint)pio_add_program(pio, &bit_program);
        channels[number] = (uint)dma_claim_unused_channel(true);
    }
    begun[number] = true;
    pio_sm_set_enabled(pio, machine, false);
    sm_config_set_wrap(&config, offsets[number / 4], offsets[number / 4] + 3);
    sm_config_set_out_pins(&config, pin, 1);
    sm_config_set_set_pins(&config, pin, 1);
    sm_config_set_out_shift(&config, false, true, 8); /* most significant bit first, a byte at a time */
    sm_config_set_fifo_join(&config, PIO_FIFO_JOIN_TX);
    sm_config_set_clkdiv(&config, (float)clock_get_hz(clk_sys) / PIO_HZ);
    pio_gpio_init(pio, pin);
    pio_sm_set_consecutive_pindirs(pio, machine, pin, 1, true);
    pio_sm_init(pio, machine, offsets[number / 4], &config);
    pio_sm_set_enabled(pio, machine, true);

    transfer = dma_channel_get_default_config(channels[number]);
    channel_config_set_transfer_data_size(&transfer, DMA_SIZE_8); /* the byte stands in all four, so on top too */
    channel_config_set_read_increment(&transfer, true);
    channel_config_set_write_increment(&transfer, false);
    channel_config_set_dreq(&transfer, pio_get_dreq(pio, machine, true));
    dma_channel_configure(channels[number], &transfer, &pio->txf[machine], wire, 0, false);
}

/* Until a time since power-on, the watchdog fed. */
static void wait_until(uint64_t us)
{
    while (time_us_64() < us) {
        uint64_t left = us - time_us_64();
        watchdog_update();
        busy_wait_us(left < 100000 ? left : 100000);
    }
    watchdog_update();
}

/* What lies in `wire`, down all strings. */
static void send(void)
{
    uint32_t number, most = 0;
    wait_until(quiet_us);
    for (number = 0; number < strings; number++) {
        const string_t *one = &string[number];
        dma_channel_transfer_from_buffer_now(channels[number], wire + one->first_byte, one->bytes);
        most = one->bytes > most ? one->bytes : most;
    }
    quiet_us = time_us_64() + most * BYTE_US + RESET_US;
}

static void send_dark(void)
{
    wait_until(quiet_us); /* nothing is under way any more */
    memset(wire, 0, sizeof wire);
    send();
}

/* Zeros to the pins of WIRED. The bytes that a string of three a pixel has no use for leave at its end. */
static void send_dark_to_wired(void)
{
    for (; strings < sizeof wired / sizeof wired[0]; strings++) {
        uint32_t bytes = wired[strings][1] * MOST_CHANNELS;
        string[strings] = (string_t){wired[strings][0], 0, bytes < sizeof wire ? bytes : sizeof wire};
        set_up_string(strings, string[strings].pin);
    }
    send_dark();
}

/* For good: until power is taken away. */
static void stay_dark(void)
{
    for (;;) {
        send_dark();
        wait_until(time_us_64() + 1000000); /* a pixel that was plugged in meanwhile goes dark too */
    }
}

/* ---- the show --------------------------------------------------------------------------------------------------- */

/* Open the roll and set up its strings. 0: it is none for this board. */
static int get_ready(void)
{
    uint8_t start[16];
    uint32_t number;
    read_flash(NULL, 0, start, sizeof start);
    number = start[12] | start[13] << 8 | start[14] << 16 | (uint32_t)start[15] << 24; /* file_bytes, section 3 */
    if (number > PICO_FLASH_SIZE_BYTES - ROLL_OFFSET)
        return 0;
    if (roll_measure(&roll, read_flash, NULL, number) != ROLL_OK || roll_open(&roll, memory, sizeof memory) != ROLL_OK)
        return 0;
    if (roll.header.strings > MOST_STRINGS || roll.header.frame_bytes > sizeof wire)
        return 0;
    for (number = 0; number < roll.header.strings; number++)
        if (roll.string[number].clock_pin != ROLL_NO_PIN)
            return 0;
    wait_until(quiet_us);
    for (strings = 0; strings < roll.header.strings; strings++) {
        const roll_string *its = &roll.string[strings];
        string[strings] = (string_t){its->pin, its->first_byte, its->pixels * its->channels};
        set_up_string(strings, its->pin);
    }
    return 1;
}

static void play(void)
{
    uint32_t number, i, ahead = 0;
    uint64_t zero;
    for (number = 0; number < strings; number++)
        if (string[number].bytes * BYTE_US > ahead)
            ahead = string[number].bytes * BYTE_US; /* a frame's time is when it has arrived */
    zero = time_us_64() + ahead;
    while (roll_enter(&roll) == ROLL_OK) {
        for (i = 0; i < roll.shown.frames; i++) {
            const uint8_t *frame;
            if (zero + roll_due_us(&roll.shown, i + 1) < time_us_64())
                continue; /* its time is over: on to the one that stands */
            frame = roll_frame(&roll, i);
            wait_until(quiet_us);
            if (frame != NULL)
                roll_dim(&roll, frame, roll_level(&roll, frame), wire); /* the second net */
            else
                memset(wire, 0, roll.header.frame_bytes);
            wait_until(zero + roll_due_us(&roll.shown, i) - ahead);
            send();
            roll_work(&roll, roll_share(&roll, i));
        }
    }
    wait_until(zero + roll.shown.end_us - ahead);
}

int main(void)
{
    watchdog_enable(WATCHDOG_MS, true);
    send_dark_to_wired();
    gpio_init(START_PIN);
    gpio_pull_up(START_PIN);
    if (!get_ready())
        stay_dark();
    send_dark();
    while (roll_work(&roll, 1000) == ROLL_BUSY)
        watchdog_update();
    while (gpio_get(START_PIN))
        wait_until(time_us_64() + 1000);
    play();
    stay_dark();
    return 0;
}
