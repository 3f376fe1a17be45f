/* A stand-in for the Raspberry Pi Pico SDK: the functions that main_pico.c calls, named and typed as in the SDK's
 * reference ("Raspberry Pi Pico-series C/C++ SDK"), written from memory of it; sdk.c says what they do here. */
#ifndef SDK_H
#define SDK_H

#include <stdbool.h>
#include <stdint.h>

typedef unsigned int uint;

/* pico/stdlib.h, hardware/gpio.h, hardware/timer.h */
uint64_t time_us_64(void);
void busy_wait_us(uint64_t us);
void gpio_init(uint pin);
void gpio_pull_up(uint pin);
bool gpio_get(uint pin);

/* hardware/watchdog.h */
void watchdog_enable(uint32_t delay_ms, bool pause_on_debug);
void watchdog_update(void);

/* hardware/clocks.h */
enum clock_index { clk_sys };
uint32_t clock_get_hz(enum clock_index clock);

/* hardware/regs/addressmap.h, the board's header */
extern uint8_t stub_flash[];
#define XIP_BASE ((uintptr_t)stub_flash)
#define PICO_FLASH_SIZE_BYTES (2 * 1024 * 1024)

/* hardware/pio.h */
typedef struct pio_hw {
    volatile uint32_t txf[4];
} pio_hw_t;
typedef pio_hw_t *PIO;
extern pio_hw_t stub_pios[2];
#define pio0 (&stub_pios[0])
#define pio1 (&stub_pios[1])
typedef struct pio_program {
    const uint16_t *instructions;
    uint8_t length;
    int8_t origin;
} pio_program_t;
typedef struct {
    uint wrap_target, wrap, out_base, out_count, set_base, set_count, pull_bits;
    bool shift_right, autopull;
    float divider;
} pio_sm_config;
enum pio_fifo_join { PIO_FIFO_JOIN_NONE, PIO_FIFO_JOIN_TX, PIO_FIFO_JOIN_RX };
int pio_add_program(PIO pio, const pio_program_t *program);
pio_sm_config pio_get_default_sm_config(void);
void sm_config_set_wrap(pio_sm_config *config, uint wrap_target, uint wrap);
void sm_config_set_out_pins(pio_sm_config *config, uint base, uint count);
void sm_config_set_set_pins(pio_sm_config *config, uint base, uint count);
void sm_config_set_out_shift(pio_sm_config *config, bool shift_right, bool autopull, uint pull_threshold);
void sm_config_set_fifo_join(pio_sm_config *config, enum pio_fifo_join join);
void sm_config_set_clkdiv(pio_sm_config *config, float divider);
void pio_gpio_init(PIO pio, uint pin);
int pio_sm_set_consecutive_pindirs(PIO pio, uint sm, uint pin_base, uint pin_count, bool is_out);
int pio_sm_init(PIO pio, uint sm, uint initial_pc, const pio_sm_config *config);
void pio_sm_set_enabled(PIO pio, uint sm, bool enabled);
uint pio_get_dreq(PIO pio, uint sm, bool is_tx);

/* hardware/dma.h */
enum dma_channel_transfer_size { DMA_SIZE_8, DMA_SIZE_16, DMA_SIZE_32 };
typedef struct {
    enum dma_channel_transfer_size size;
    bool read_increment, write_increment;
    uint dreq;
} dma_channel_config;
int dma_claim_unused_channel(bool required);
dma_channel_config dma_channel_get_default_config(uint channel);
void channel_config_set_transfer_data_size(dma_channel_config *config, enum dma_channel_transfer_size size);
void channel_config_set_read_increment(dma_channel_config *config, bool increment);
void channel_config_set_write_increment(dma_channel_config *config, bool increment);
void channel_config_set_dreq(dma_channel_config *config, uint dreq);
void dma_channel_configure(uint channel, const dma_channel_config *config, volatile void *write_addr,
    const volatile void *read_addr, uint transfer_count, bool trigger);
void dma_channel_transfer_from_buffer_now(uint channel, const volatile void *read_addr, uint32_t transfer_count);

#endif
