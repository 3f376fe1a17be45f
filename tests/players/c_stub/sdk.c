/* What the stand-in for the SDK does: time is made believe, flash is a file, and each transfer to a state machine is a
 * line on the standard output, "TIME_US PIN BYTES-IN-HEX", once the whole of it has left. The bytes are taken then, as
 * late as a transfer could read them, so that a buffer that is changed too early is seen.
 *
 * Environment: STUB_ROLL, the roll's file; STUB_OFFSET, where in flash it lies; STUB_UNTIL, the microsecond at which the
 * board loses its power; STUB_BUSY, microseconds that each call of watchdog_update takes besides; STUB_SPOILT, the
 * microsecond from which on its flash reads FF. Status 0: switched off then. 3: the watchdog would have reset it. 4:
 * something was done that a board would not survive. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sdk.h"

enum { MOST_CHANNELS = 12, BYTE_US = 10 };

uint8_t stub_flash[PICO_FLASH_SIZE_BYTES];
pio_hw_t stub_pios[2];

static uint64_t now_us, until_us, fed_us, busy_us, spoilt_us;
static uint32_t watchdog_ms;
static uint program_at[2];
static struct {
    bool claimed, running;
    dma_channel_config config;
    volatile uint32_t *to;
    const volatile uint8_t *from;
    uint32_t bytes;
    uint64_t begun_us, ends_us;
} channels[MOST_CHANNELS];
static struct {
    pio_sm_config config;
    bool out, enabled;
} machines[8];

static void die(const char *why)
{
    fprintf(stderr, "%s\n", why);
    exit(4);
}

static void land(uint channel)
{
    uint machine = (uint)(channels[channel].to - stub_pios[0].txf) % 4 + 4 * (channels[channel].to >= stub_pios[1].txf);
    uint32_t k;
    channels[channel].running = false;
    printf("%llu %u ", (unsigned long long)channels[channel].begun_us, machines[machine].config.out_base);
    for (k = 0; k < channels[channel].bytes; k++)
        printf("%02x", channels[channel].from[k]);
    printf("\n");
}

static void advance(uint64_t to_us)
{
    uint channel;
    for (channel = 0; channel < MOST_CHANNELS; channel++)
        if (channels[channel].running && channels[channel].ends_us <= to_us)
            land(channel);
    now_us = to_us;
    if (spoilt_us && now_us >= spoilt_us) {
        memset(stub_flash, 0xff, sizeof stub_flash);
        spoilt_us = 0;
    }
    if (now_us >= until_us) {
        fflush(stdout);
        exit(0);
    }
    if (watchdog_ms && now_us - fed_us > 1000ull * watchdog_ms) {
        fprintf(stderr, "the watchdog was not fed for %llu us\n", (unsigned long long)(now_us - fed_us));
        exit(3);
    }
}

static uint64_t number_of(const char *name, uint64_t otherwise)
{
    const char *text = getenv(name);
    return text ? strtoull(text, NULL, 10) : otherwise;
}

__attribute__((constructor)) static void power_on(void)
{
    uint64_t offset = number_of("STUB_OFFSET", 0);
    const char *name = getenv("STUB_ROLL");
    FILE *file = name ? fopen(name, "rb") : NULL;
    memset(stub_flash, 0xff, sizeof stub_flash); /* as flash is when it is empty */
    if (file != NULL) {
        if (fread(stub_flash + offset, 1, sizeof stub_flash - offset, file) == 0)
            die("the roll is empty");
        fclose(file);
    }
    until_us = number_of("STUB_UNTIL", 1000000);
    busy_us = number_of("STUB_BUSY", 0);
    spoilt_us = number_of("STUB_SPOILT", 0);
}

uint64_t time_us_64(void)
{
    advance(now_us + 1); /* looking takes its time too */
    return now_us;
}

void busy_wait_us(uint64_t us)
{
    advance(now_us + us);
}

void gpio_init(uint pin)
{
    (void)pin;
}

void gpio_pull_up(uint pin)
{
    (void)pin;
}

bool gpio_get(uint pin)
{
    (void)pin;
    return now_us < 50000; /* pressed then */
}

void watchdog_enable(uint32_t delay_ms, bool pause_on_debug)
{
    (void)pause_on_debug;
    watchdog_ms = delay_ms;
    fed_us = now_us;
}

void watchdog_update(void)
{
    fed_us = now_us;
    advance(now_us + busy_us);
}

uint32_t clock_get_hz(enum clock_index clock)
{
    (void)clock;
    return 125000000;
}

int pio_add_program(PIO pio, const pio_program_t *program)
{
    int at = (int)program_at[pio == pio1];
    if (program->length + at > 32)
        die("no room for the program");
    program_at[pio == pio1] += program->length;
    return at;
}

pio_sm_config pio_get_default_sm_config(void)
{
    pio_sm_config config;
    memset(&config, 0, sizeof config);
    return config;
}

void sm_config_set_wrap(pio_sm_config *config, uint wrap_target, uint wrap)
{
    config->wrap_target = wrap_target;
    config->wrap = wrap;
}

void sm_config_set_out_pins(pio_sm_config *config, uint base, uint count)
{
    config->out_base = base;
    config->out_count = count;
}

void sm_config_set_set_pins(pio_sm_config *config, uint base, uint count)
{
    config->set_base = base;
    config->set_count = count;
}

void sm_config_set_out_shift(pio_sm_config *config, bool shift_right, bool autopull, uint pull_threshold)
{
    config->shift_right = shift_right;
    config->autopull = autopull;
    config->pull_bits = pull_threshold;
}

void sm_config_set_fifo_join(pio_sm_config *config, enum pio_fifo_join join)
{
    (void)config;
    (void)join;
}

void sm_config_set_clkdiv(pio_sm_config *config, float divider)
{
    config->divider = divider;
}

void pio_gpio_init(PIO pio, uint pin)
{
    (void)pio;
    if (pin > 29)
        die("no such pin");
}

static uint machine_of(PIO pio, uint sm)
{
    if (sm > 3)
        die("no such state machine");
    return sm + 4 * (pio == pio1);
}

int pio_sm_set_consecutive_pindirs(PIO pio, uint sm, uint pin_base, uint pin_count, bool is_out)
{
    (void)pin_base;
    machines[machine_of(pio, sm)].out = is_out && pin_count == 1;
    return 0;
}

int pio_sm_init(PIO pio, uint sm, uint initial_pc, const pio_sm_config *config)
{
    if (config->wrap_target != initial_pc || config->wrap != initial_pc + 3 || config->out_base != config->set_base
        || config->out_count != 1 || config->set_count != 1)
        die("the state machine is not set up for the program");
    if (config->shift_right || !config->autopull || config->pull_bits != 8)
        die("bytes would not leave most significant bit first");
    if (125e6f / config->divider != 8e6f)
        die("a cycle is not 125 ns");
    machines[machine_of(pio, sm)].config = *config;
    return 0;
}

void pio_sm_set_enabled(PIO pio, uint sm, bool enabled)
{
    machines[machine_of(pio, sm)].enabled = enabled;
}

uint pio_get_dreq(PIO pio, uint sm, bool is_tx)
{
    return machine_of(pio, sm) % 4 + 8 * (pio == pio1) + 4 * !is_tx; /* RP2040 datasheet, table of DREQs */
}

int dma_claim_unused_channel(bool required)
{
    int channel;
    for (channel = 0; channel < MOST_CHANNELS; channel++)
        if (!channels[channel].claimed) {
            channels[channel].claimed = true;
            return channel;
        }
    if (required)
        die("no channel is left");
    return -1;
}

dma_channel_config dma_channel_get_default_config(uint channel)
{
    dma_channel_config config = {DMA_SIZE_32, true, false, 0x3f};
    (void)channel;
    return config;
}

void channel_config_set_transfer_data_size(dma_channel_config *config, enum dma_channel_transfer_size size)
{
    config->size = size;
}

void channel_config_set_read_increment(dma_channel_config *config, bool increment)
{
    config->read_increment = increment;
}

void channel_config_set_write_increment(dma_channel_config *config, bool increment)
{
    config->write_increment = increment;
}

void channel_config_set_dreq(dma_channel_config *config, uint dreq)
{
    config->dreq = dreq;
}

void dma_channel_configure(uint channel, const dma_channel_config *config, volatile void *write_addr,
    const volatile void *read_addr, uint transfer_count, bool trigger)
{
    (void)read_addr;
    if (config->size != DMA_SIZE_8 || !config->read_increment || config->write_increment)
        die("the channel would not feed a state machine with bytes");
    channels[channel].config = *config;
    channels[channel].to = write_addr;
    if (trigger)
        dma_channel_transfer_from_buffer_now(channel, read_addr, transfer_count);
}

void dma_channel_transfer_from_buffer_now(uint channel, const volatile void *read_addr, uint32_t transfer_count)
{
    uint machine = (uint)(channels[channel].to - stub_pios[0].txf) % 4 + 4 * (channels[channel].to >= stub_pios[1].txf);
    if (channels[channel].running)
        die("a channel is started while it runs");
    if (!machines[machine].enabled || !machines[machine].out)
        die("the state machine does not run");
    if (channels[channel].bytes && now_us < channels[channel].ends_us + 280)
        die("the line was not low for the 280 us that a WS2812B-V5 wants");
    channels[channel].running = true;
    channels[channel].from = read_addr;
    channels[channel].bytes = transfer_count;
    channels[channel].begun_us = now_us;
    channels[channel].ends_us = now_us + BYTE_US * transfer_count;
}
