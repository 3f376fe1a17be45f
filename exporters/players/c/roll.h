/* roll.h, roll.c: a decoder of rolls, version 2 (exporters/ROLL.md), in C99: two files to copy into a program.
 *
 * A roll holds every frame's bytes of the pixel strings of one board, as they go down the wire, and when each frame is
 * due. This decoder takes no memory of its own (no malloc), needs memcpy, memset and memcmp and nothing else of a
 * library, reads through one function of yours, and is indifferent to the machine's byte order and alignment.
 *
 *     static int my_read(void *ctx, uint32_t at, void *to, uint32_t n);    // n bytes from byte `at`; 0 is well
 *     static uint32_t memory[20000];                                       // must be aligned for uint32_t
 *     static roll_t roll;                                                  // some 2.2 KB: not on a small stack
 *
 *     if (roll_measure(&roll, my_read, ctx, file_bytes) != ROLL_OK         // reads 68 bytes, sets roll.needs
 *         || roll_open(&roll, memory, sizeof memory) != ROLL_OK)           // reads and checks the head
 *         stay_dark();
 *     roll_cue(&roll, 0);                                                  // from the first group; see roll_find
 *     while (roll_work(&roll, 1000) == ROLL_BUSY) {}                       // ready before the song starts
 *     while (roll_enter(&roll) == ROLL_OK) {                               // the group that was made ready is shown
 *         for (uint32_t i = 0; i < roll.shown.frames; i++) {
 *             const uint8_t *frame = roll_frame(&roll, i);                 // NULL: dark
 *             wait_until(roll_due_us(&roll.shown, i));
 *             send(frame);                                                 // header.frame_bytes bytes, all strings
 *             roll_work(&roll, roll_share(&roll, i));                      // a share of what is to come
 *         }
 *     }
 *     wait_until(roll.shown.end_us); go_dark();                            // the end, or a read that failed
 *
 * What it promises
 *   - roll_open refuses all that section 13 of the page refuses, for whatever bytes.
 *   - A payload is inflated only after its checksum passed; the checksum is taken again while it is inflated, so that
 *     storage which reads differently the second time is noticed as well. A group whose unit, or a unit that it leans
 *     on, is broken is dark from its start to its end (roll_frame gives NULL); the next one starts in time. Stricter
 *     than the page asks: a distance beyond the window, and a last block that is not one stored byte, are broken too.
 *   - No frame is shown of what was not checked, however small the slices of work and whatever the reads return.
 *   - Work is done in slices that you bound (roll_work), so that inflating spreads over the frames; roll_share says
 *     how much is due. If a group is entered before it is ready, roll_enter does the rest there and then: it may be
 *     late, it is never wrong. A jump into the middle of a chain, which encoders must not ask for, is all left to it.
 *   - Its numbers have 32 bits, but for the sums of roll_level, which have 64.
 *
 * Memory: roll.needs bytes, for two units, two frames, the window of deflate (4 or 8 KiB) and the tables of strings,
 * supplies and draws; a roll_t; and some 450 bytes of stack to open it, 200 to play. Code: 6.1 KB for a Cortex-M with
 * Thumb-2, 6.6 without, and 0.6 KB more with the second net, names and times (benchmarks/board_c.py).
 *
 * Second net: roll_level adds up what a frame draws of each supply, by the roll's own figures (section 5), and says how
 * far it must be dimmed to stay within what this board may draw: 256 is not at all. roll_dim dims into a buffer of
 * yours: the frame itself must stay as it is, the next one counts from it. The figures are those of a chip table. They
 * replace no fuse, and no reading of your own strings.
 */
#ifndef ROLL_H
#define ROLL_H

#include <stdint.h>

#ifndef ROLL_PIECE
#define ROLL_PIECE 128 /* bytes read at a time of a payload, at least 1 */
#endif

#define ROLL_NO_PIN 255

enum {
    ROLL_OK = 0,
    ROLL_BUSY,        /* more work is left */
    ROLL_END,         /* no group is left */
    ROLL_FAILED_READ, /* the read function failed, or gave an index that does not match its checksum */
    ROLL_NOT_A_ROLL,  /* another magic */
    ROLL_NO_VERSION,  /* a version that is not known here */
    ROLL_CUT_SHORT,   /* or grown: not as long as the header says, or too short for its head */
    ROLL_BAD_FIELD,   /* a field out of its range, or one that the rest of the head does not bear out */
    ROLL_BAD_STRING,  /* an order that is not one, a pin twice */
    ROLL_BAD_DRAW,    /* a draw outside its string, of no supply, or beyond its limit */
    ROLL_BAD_NAME,    /* names that are not text, do not fill their bytes, or stand twice */
    ROLL_BAD_UNIT,    /* a payload outside the payloads, a depth that no unit before leads to */
    ROLL_BAD_GROUP,   /* times that do not meet or break a limit, frames that its unit does not have */
    ROLL_BAD_CRC,     /* a page of the index, or the head, does not match its checksum */
    ROLL_NO_MEMORY    /* less than roll.needs, or not aligned */
};

/* Reads n bytes from byte `at` of the roll. Returns 0, or anything else if it could not. Never asked beyond the end. */
typedef int (*roll_read)(void *ctx, uint32_t at, void *to, uint32_t n);

typedef struct {
    uint32_t start_us, end_us;    /* of the song; frame i is due at roll_due_us(group, i) */
    uint32_t unit, first, frames; /* its frames are those of the unit from `first` on */
} roll_group;

typedef struct {
    uint32_t pin, clock_pin; /* as the board names them; ROLL_NO_PIN: no clock line */
    uint32_t pixels;
    uint32_t channels;   /* bytes of a pixel, 3 or 4 */
    uint32_t first_byte; /* of the string in a frame */
    char order[8];       /* "grb" */
} roll_string;

typedef struct {
    uint32_t string, supply, law; /* law 0: a pixel's channels add up; 1: its largest one counts */
    uint32_t first_pixel, pixels;
    uint32_t idle_ua, channel_ua;
} roll_draw;

typedef struct {
    uint32_t version, window_bits, strings, supplies, draws, most_frames, names_bytes, file_bytes, frame_bytes;
    uint32_t groups, units, most_unit_bytes, most_payload_bytes, song_us;
} roll_header;

/* ---- what follows up to roll_t is the decoder's own business ---- */

#define ROLL_FAST_BITS 7 /* codes up to these lengths are looked up, longer ones are searched */

typedef struct {
    uint32_t payload_at, payload_bytes, frames, depth, how; /* the record of the unit that is held, or was */
    uint32_t unit;
    uint32_t sound; /* it is held, inflated and checked */
    uint8_t *bytes;
} roll_slot;

typedef struct {
    roll_slot *slot;
    uint32_t next; /* the frame of the unit that is applied next */
    uint8_t *frame; /* what stands */
} roll_hand;

/* Yours to read are the fields that are said to be; none is yours to write. Those that are used often stand first,
 * where short instructions reach them. It holds pointers into itself: it must stay where it is. */
typedef struct {
    uint8_t dark; /* yours: the shown group is broken, or none is shown yet */
    uint8_t failed, next_is, far_done, job, one, chained, applies;
    roll_slot *loading; /* the unit that is being loaded, and how far */
    int32_t budget;
    uint32_t hold, held, crc, limit, unit, target, payload_left, history, taken, made, copy, mask, lits, known;
    uint32_t head_at;
    uint32_t far_frames; /* from the shown group to the one whose unit is being loaded */
    roll_hand *now, *ahead; /* what is shown; what is made ready */

    roll_header header; /* yours */

    /* history: bytes inflated since the chain began, the last of them in the window; `taken` of them went out of it,
     * and there may be `full` with this unit. They became `made` bytes of `limit` in the slot. Of quotes: `copy` and
     * `run` bytes are left to be quoted and spelled out, `word` is what was read of the next pair, and the unit before
     * has `behind` bytes in the other slot. */
    uint32_t payload_at, codes, stored, run, word, distance, behind, full, payload_crc, ring_unit;
    const uint8_t *in, *in_end;
    uint8_t *window;
    uint32_t until; /* the frame before which `ahead` is ready */
    uint32_t names_at, units_at, index_at, payloads_at, page_number;

    uint32_t shown_number; /* yours */
    roll_group shown; /* yours */
    roll_group next;
    roll_slot slot[2];
    roll_hand hand[2];
    roll_read read;
    void *ctx;

    uint32_t needs;            /* yours: bytes of memory that roll_open wants */
    const roll_string *string; /* yours: [strings] */
    const roll_draw *draw;     /* yours: [draws] */
    const uint32_t *milliamps; /* yours: [supplies], what this board may draw of each */
    uint8_t song_sha256[32];   /* yours */

    uint16_t lit[16 + (1 << ROLL_FAST_BITS) + 288], dist[16 + (1 << ROLL_FAST_BITS) + 32];
    uint8_t lengths[320];
    uint8_t record[14];
    uint8_t page[136];
    uint8_t piece[ROLL_PIECE];
} roll_t;

/* ---- opening ---- */

/* Read the header and set what follows from it, roll->needs first of all. ROLL_OK or why the roll is refused. */
int roll_measure(roll_t *roll, roll_read read, void *ctx, uint32_t file_bytes);

/* Check the whole head and take `memory`, which stays in use: `bytes` of it, aligned for uint32_t. Once after each
 * roll_measure. */
int roll_open(roll_t *roll, void *memory, uint32_t bytes);

/* A name as the roll has it, UTF-8, cut to `room` - 1 bytes and ended with a zero. Names: 0 title, 1 controller,
 * 2 + 2 i string i, 3 + 2 i its chip, 2 + 2 strings + i supply i. */
int roll_name(const roll_t *roll, uint32_t which, char *to, uint32_t room);

/* ---- time ---- */

/* The group that stands at a time of the song; the first one before its start. ROLL_END from the show's end on. */
int roll_find(roll_t *roll, uint32_t us, uint32_t *number);

/* One entry of the index, of a page whose checksum was compared. */
int roll_group_at(roll_t *roll, uint32_t number, roll_group *group);

/* When a frame latches, microseconds of the song; i = frames gives the end. */
uint32_t roll_due_us(const roll_group *group, uint32_t i);

/* The frame that stands at a time within the group, start_us <= us < end_us. */
uint32_t roll_frame_at(const roll_group *group, uint32_t us);

/* ---- playing ---- */

/* Show nothing, and make this group ready. */
void roll_cue(roll_t *roll, uint32_t number);

/* Do some of the work that is to come, about `most` bytes' worth; 0 is none. ROLL_BUSY: more is left.
 * ROLL_OK: nothing to do for now. ROLL_FAILED_READ: the index could not be read; the next call tries again. */
int roll_work(roll_t *roll, uint32_t most);

/* How much of that work to do while frame i of the shown group stands, for all to be done in time, evenly. */
uint32_t roll_share(const roll_t *roll, uint32_t i);

/* The group that was made ready is now the shown one, and the next will be made ready. ROLL_OK; ROLL_END after the
 * last; ROLL_FAILED_READ if its place in the index cannot be read: go dark, and look again with roll_find. */
int roll_enter(roll_t *roll);

/* Frame i of the shown group, header.frame_bytes bytes, valid until the next call of this or of roll_enter. i never
 * falls within a group; frames left out are counted over. NULL: the group is dark. */
const uint8_t *roll_frame(roll_t *roll, uint32_t i);

/* ---- the second net ---- */

/* What part of its light a frame may keep for no supply to be exceeded: 0-256, 256 is all of it. */
uint32_t roll_level(const roll_t *roll, const uint8_t *frame);

/* Each byte of the frame x level / 256, rounded down. */
void roll_dim(const roll_t *roll, const uint8_t *frame, uint32_t level, uint8_t *to);

#endif
