/* Plays a roll on a Cortex-M3 that qemu makes believe (machine mps2-an385), and tells what it took.
 *
 * The command line after the program's name is the roll's file, read from the host by semihosting (Arm's specification,
 * "Semihosting for AArch32 and AArch64": the operation in r0, its arguments in r1, bkpt 0xab). Run with -icount shift=0,
 * where each instruction takes one nanosecond of the machine's time; its SysTick counts 25 MHz (Arm's AN385), so a tick is
 * forty instructions. The first line calibrates that on a loop of known length.
 */
#include <stdint.h>
#include <string.h>

#include "roll.h"

extern uint8_t roll_memory[], roll_file[], top_of_stack[];

enum { SYS_OPEN = 1, SYS_WRITE0 = 4, SYS_READ = 6, SYS_FLEN = 12, SYS_GET_CMDLINE = 21, SYS_EXIT = 24 };
#define MEMORY_BYTES 0x300000u
#define TICK 40u
#define PAINT 0x5aa5c33cu
#define PAINTED 16384u

static volatile uint32_t *const systick = (uint32_t *)0xe000e010; /* control, reload, current (ARMv7-M, B3.3) */

static uint32_t host(uint32_t operation, const void *arguments)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = arguments;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static void leave(const char *why)
{
    host(SYS_WRITE0, why);
    host(SYS_EXIT, (const void *)(uintptr_t)(*why ? 0x20023 : 0x20026)); /* a run-time error, or a normal end */
    for (;;) {}
}

static void tell(const char *name, uint64_t value)
{
    char text[64], *at = text + sizeof text - 1;
    *at = 0;
    *--at = '\n';
    do {
        *--at = (char)('0' + value % 10);
        value /= 10;
    } while (value);
    host(SYS_WRITE0, name);
    host(SYS_WRITE0, " ");
    host(SYS_WRITE0, at);
}

/* ---- the clock -------------------------------------------------------------------------------------------------- */

static uint32_t ticks_since(uint32_t *then)
{
    uint32_t now = systick[2], gone = (*then - now) & 0xffffff;
    *then = now;
    return gone;
}

/* ---- the roll --------------------------------------------------------------------------------------------------- */

static int read_flash(void *ctx, uint32_t at, void *to, uint32_t n)
{
    (void)ctx;
    memcpy(to, roll_file + at, n);
    return 0;
}

/* CRC-32 of everything shown: each frame's due time, 4 bytes, then its bytes (a dark one as none). */
static uint32_t sum_of(uint32_t crc, const uint8_t *from, uint32_t n)
{
    static uint32_t table[256];
    uint32_t k, bit;
    if (!table[1])
        for (k = 0; k < 256; k++)
            for (table[k] = k, bit = 0; bit < 8; bit++)
                table[k] = table[k] >> 1 ^ (table[k] & 1 ? 0xedb88320u : 0);
    for (crc = ~crc; n--; from++)
        crc = crc >> 8 ^ table[(crc ^ *from) & 255];
    return ~crc;
}

/* ---- the stack: painted below here, and how far down it was used since ------------------------------------------ */

static uint32_t *stack_now(void)
{
    uint32_t *sp;
    __asm__ volatile("mov %0, sp" : "=r"(sp));
    return sp;
}

__attribute__((noinline)) static void paint(void)
{
    uint32_t *at = stack_now(), n;
    for (n = 1; n < PAINTED / 4; n++)
        at[-(int32_t)n] = PAINT;
}

__attribute__((noinline)) static uint32_t painted_over(void)
{
    uint32_t *at = stack_now() - PAINTED / 4 + 1, n = PAINTED / 4 - 1;
    while (n && *at == PAINT)
        at++, n--;
    return 4 * n;
}

int main(void);

int main(void)
{
    static roll_t roll;
    static char line[512];
    uint32_t command[2], open_words[3], read_words[3], handle, size, then, i, sum = 0, frames = 0, groups_dark = 0;
    uint32_t loops = 100000, worst = 0, worst_group = 0, opening, stack;
    uint64_t all = 0;
    const char *name;
    int status;

    systick[1] = 0xffffff;
    systick[2] = 0;
    systick[0] = 5; /* on, by the processor's clock */
    then = systick[2];
    __asm__ volatile("1: subs %0, #1\n bne 1b" : "+r"(loops) : : "cc");
    tell("calibration", ticks_since(&then) * TICK); /* two instructions, 100,000 times */

    command[0] = (uint32_t)(uintptr_t)line;
    command[1] = sizeof line;
    if (host(SYS_GET_CMDLINE, command) != 0 || (name = strchr(line, ' ')) == NULL)
        leave("no roll is named\n");
    open_words[0] = (uint32_t)(uintptr_t)++name;
    open_words[1] = 1; /* "rb" */
    open_words[2] = strlen(name);
    handle = host(SYS_OPEN, open_words);
    if (handle == UINT32_MAX)
        leave("the roll cannot be opened\n");
    size = host(SYS_FLEN, &handle);
    read_words[0] = handle;
    read_words[1] = (uint32_t)(uintptr_t)roll_file;
    read_words[2] = size;
    if (host(SYS_READ, read_words) != 0)
        leave("the roll cannot be read\n");

    (void)ticks_since(&then);
    paint();
    status = roll_measure(&roll, read_flash, NULL, size);
    if (status == ROLL_OK)
        status = roll.needs <= MEMORY_BYTES ? roll_open(&roll, roll_memory, MEMORY_BYTES) : ROLL_NO_MEMORY;
    stack = painted_over();
    opening = ticks_since(&then) * TICK;
    tell("status", (uint64_t)status);
    if (status != ROLL_OK)
        leave("the roll is refused\n");
    tell("stack_opening", stack);
    tell("opening", opening);
    tell("record", sizeof roll);
    tell("needs", roll.needs);

    while (roll_work(&roll, 1000) == ROLL_BUSY) {}
    paint();
    (void)ticks_since(&then);
    while (roll_enter(&roll) == ROLL_OK) {
        groups_dark += roll.dark;
        for (i = 0; i < roll.shown.frames; i++) {
            const uint8_t *frame = roll_frame(&roll, i);
            uint32_t due = roll_due_us(&roll.shown, i), spent;
            uint8_t due_bytes[4] = {(uint8_t)due, (uint8_t)(due >> 8), (uint8_t)(due >> 16), (uint8_t)(due >> 24)};
            roll_work(&roll, roll_share(&roll, i));
            spent = ticks_since(&then); /* since the frame before, with roll_enter if it was a group's last */
            all += spent;
            if (spent > worst) {
                worst = spent;
                worst_group = roll.shown_number;
            }
            frames++;
            stack = painted_over();
            sum = sum_of(sum, due_bytes, 4);
            if (frame != NULL)
                sum = sum_of(sum, frame, roll.header.frame_bytes);
            (void)ticks_since(&then);
        }
    }
    tell("stack_playing", stack);
    tell("groups", roll.header.groups);
    tell("dark", groups_dark);
    tell("frames", frames);
    tell("frame_bytes", roll.header.frame_bytes);
    tell("instructions", all * TICK);
    tell("worst", worst * TICK);
    tell("worst_group", worst_group);
    tell("sum", sum);
    leave("");
    return 0;
}

void reset(void);
void reset(void)
{
    main();
}

__attribute__((section(".vectors"), used)) static const void *const vectors[16] = {
    top_of_stack, (const void *)reset, (const void *)reset, (const void *)reset,
};
