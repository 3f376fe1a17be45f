/* A decoder of rolls, version 2. roll.h says how it is used, exporters/ROLL.md what a roll is ("section" below). */

#include "roll.h"

#include <string.h>

enum { HEADER = 68, STRING = 8, SUPPLY = 4, DRAW = 13, UNIT = 14, UNIT_CHECKED = 10, ENTRY = 8, PAGE = 136 };
enum { PAGE_ENTRIES = 16, MOST_DEPTH = 15, STEP = 3, CHANGES = 4 };
enum { COLUMNS = 0, PAIRS = 8, ROWS = 16, QUOTES = 24 };
#define MOST_PRODUCT 0x3fffffffu
#define MOST_UNIT_BYTES 0x1000000u
#define MOST_FRAME_BYTES 0x100000u
#define NONE 0xffffffffu
#define MOST_PENDING 1024u /* bytes that are inflated before they are taken on: with a match more, they fit a window */
#define BIT_OF(letter) (1u << ((letter) & 31))
#define RGB (BIT_OF('r') | BIT_OF('g') | BIT_OF('b'))

/* Costs, in some fifteen instructions, so that slices are of even length, and of what is left of a unit on the average
 * (benchmarks/board_c.py). The tables of a block are several pieces of work, the larger one two: COST_LITS each. */
enum { COST_HEADER = 250, COST_LITS = 325, COST_LITERAL = 5, COST_MATCH = 9 };
enum { COST_BLOCK = 1200, COST_PAYLOAD_BYTE = 10, COST_END = 600, COST_TAKE = 3 };

/* How the group after the shown one is entered. */
enum { UNREAD, WAITS, GOES_ON, JUMPS, IS_DARK, NO_MORE };

/* What is being done: nothing, summing up a payload, or where inflating stands. */
enum { IDLE, SUM, BETWEEN, STORED, LENGTHS, SORT, LOOK_UP, DISTS, CODED };

/* ---- bytes ------------------------------------------------------------------------------------------------------ */

static uint32_t le(const uint8_t *from, unsigned n)
{
    uint32_t value = 0;
    while (n--)
        value = value << 8 | from[n];
    return value;
}

static uint32_t least(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

static uint32_t greatest(uint32_t a, uint32_t b)
{
    return a > b ? a : b;
}

/* CRC-32 by half bytes (section 1); the register is not inverted here. */
static uint32_t crc_more(uint32_t crc, const uint8_t *from, uint32_t n)
{
    static const uint32_t table[16] = {
        0x00000000, 0x1db71064, 0x3b6e20c8, 0x26d930ac, 0x76dc4190, 0x6b6b51f4, 0x4db26158, 0x5005713c,
        0xedb88320, 0xf00f9344, 0xd6d6a3e8, 0xcb61b38c, 0x9b64c2b0, 0x86d3d2d4, 0xa00ae278, 0xbdbdf21c,
    };
    while (n--) {
        crc ^= *from++;
        crc = crc >> 4 ^ table[crc & 15];
        crc = crc >> 4 ^ table[crc & 15];
    }
    return crc;
}

static int get(const roll_t *r, uint32_t at, void *to, uint32_t n)
{
    if (at > r->header.file_bytes || n > r->header.file_bytes - at || r->read(r->ctx, at, to, n) != 0)
        return ROLL_FAILED_READ;
    return ROLL_OK;
}

/* ---- the index -------------------------------------------------------------------------------------------------- */

static uint32_t page_entries(const roll_t *r, uint32_t page)
{
    return least(PAGE_ENTRIES, r->header.groups - PAGE_ENTRIES * page);
}

/* A page of the index at hand, its checksum compared. */
static int load_page(roll_t *r, uint32_t page)
{
    uint32_t covered = ENTRY * page_entries(r, page) + 4;
    if (r->page_number == page)
        return ROLL_OK;
    r->page_number = NONE;
    if (get(r, r->index_at + PAGE * page, r->page, covered + 4) != ROLL_OK)
        return ROLL_FAILED_READ;
    if (~crc_more(NONE, r->page, covered) != le(r->page + covered, 4))
        return ROLL_BAD_CRC;
    r->page_number = page;
    return ROLL_OK;
}

int roll_group_at(roll_t *r, uint32_t number, roll_group *group)
{
    const uint8_t *entry;
    int status;
    if (number >= r->header.groups)
        return ROLL_END;
    status = load_page(r, number / PAGE_ENTRIES);
    if (status != ROLL_OK)
        return status;
    entry = r->page + ENTRY * (number % PAGE_ENTRIES);
    group->start_us = le(entry, 4);
    group->unit = le(entry + 4, 2);
    group->first = entry[6];
    group->frames = entry[7];
    group->end_us = le(entry + ENTRY, 4); /* the start of the next entry, or the page's end_us */
    return ROLL_OK;
}

int roll_find(roll_t *r, uint32_t us, uint32_t *number)
{
    uint32_t low = 0, high = r->header.groups; /* the first group that starts after us lies in low..high */
    roll_group group;
    int status;
    while (low < high) {
        uint32_t middle = (low + high) / 2;
        status = roll_group_at(r, middle, &group);
        if (status != ROLL_OK)
            return status;
        if (group.start_us <= us)
            low = middle + 1;
        else
            high = middle;
    }
    *number = low ? low - 1 : 0;
    status = roll_group_at(r, *number, &group);
    return status == ROLL_OK && us >= group.end_us ? ROLL_END : status;
}

uint32_t roll_due_us(const roll_group *group, uint32_t i)
{
    return group->start_us + i * (group->end_us - group->start_us) / group->frames;
}

uint32_t roll_frame_at(const roll_group *group, uint32_t us)
{
    return ((us - group->start_us + 1) * group->frames - 1) / (group->end_us - group->start_us);
}

/* ---- opening ---------------------------------------------------------------------------------------------------- */

/* A field of a record: its bytes, its least and its greatest value; 0: as much as its bytes hold. */
typedef struct {
    uint8_t bytes, low, high;
} field;

static const field header_fields[14] = {
    {1, 2, 2}, {1, 12, 13}, {1, 1, 32}, {1, 0, 32}, {1, 0, 64}, {1, 1, 0}, {2, 6, 0}, {4, 0, 0},
    {4, 3, 0}, {2, 1, 0}, {2, 1, 0}, {4, 1, 0}, {4, 6, 0}, {4, 0, 0},
};
static const field string_fields[3] = {{1, 0, 254}, {1, 0, 0}, {2, 1, 0}};
static const field draw_fields[7] = {{1, 0, 31}, {1, 0, 31}, {1, 0, 1}, {2, 0, 0}, {2, 1, 0}, {3, 0, 0}, {3, 0, 0}};
static const field unit_fields[5] = {{4, 0, 0}, {3, 6, 0}, {1, 1, 0}, {1, 0, 15}, {1, 0, 31}};

/* The values of a record's first n fields into as many uint32_t of a struct. 0: one is out of its range. */
static int unpack(void *to, const field *fields, uint32_t n, const uint8_t *from)
{
    uint32_t *values = to;
    int sound = 1;
    for (; n; n--, fields++) {
        uint32_t value = le(from, fields->bytes);
        from += fields->bytes;
        if (value < fields->low || (fields->high && value > fields->high))
            sound = 0;
        *values++ = value;
    }
    return sound;
}

int roll_measure(roll_t *r, roll_read read, void *ctx, uint32_t file_bytes)
{
    uint8_t *h = r->page; /* until roll_open, which sums it up, too */
    roll_header *header = &r->header;
    int sound;
    memset(r, 0, sizeof *r);
    r->read = read;
    r->ctx = ctx;
    r->page_number = r->ring_unit = NONE;
    header->file_bytes = file_bytes;
    if (get(r, 0, h, least(HEADER, file_bytes)) != ROLL_OK)
        return ROLL_FAILED_READ;
    if (memcmp(h, "ROLL", 4) != 0)
        return ROLL_NOT_A_ROLL;
    if (file_bytes > 4 && h[4] != 2)
        return ROLL_NO_VERSION;
    if (file_bytes < HEADER)
        return ROLL_CUT_SHORT;
    sound = unpack(header, header_fields, 14, h + 4);
    memcpy(r->song_sha256, h + 36, 32);
    if (!sound || header->frame_bytes > MOST_FRAME_BYTES || header->most_unit_bytes > MOST_UNIT_BYTES
        || header->most_unit_bytes != header->most_frames * header->frame_bytes)
        return ROLL_BAD_FIELD; /* most_frames and most_payload_bytes are compared with the units */
    r->names_at = HEADER + STRING * header->strings + SUPPLY * header->supplies + DRAW * header->draws;
    r->units_at = r->names_at + header->names_bytes;
    r->index_at = r->units_at + UNIT * header->units;
    r->payloads_at = r->index_at + ENTRY * header->groups + 8 * ((header->groups + 15) / PAGE_ENTRIES) + 4;
    if (header->file_bytes != file_bytes || r->payloads_at > file_bytes)
        return ROLL_CUT_SHORT;
    r->needs = header->strings * (uint32_t)sizeof(roll_string) + header->draws * (uint32_t)sizeof(roll_draw)
        + 4 * header->supplies + 2 * (header->frame_bytes + header->most_unit_bytes) + (1u << header->window_bits);
    return ROLL_OK;
}

/* The next n bytes of the head, summed up. A read that fails is remembered, and gives nothing. */
static void head(roll_t *r, void *to, uint32_t n)
{
    if (get(r, r->head_at, to, n) != ROLL_OK) {
        r->failed = 1;
        memset(to, 0, n);
    }
    r->crc = crc_more(r->crc, to, n);
    r->head_at += n;
}

/* Section 4: the letters r, g, b and perhaps w, each once. The channels, or 0. */
static uint32_t channels_of(const char *order)
{
    uint32_t found = 0, channels;
    for (channels = 0; channels < 4 && order[channels]; channels++)
        found |= order[channels] / 32 == 'r' / 32 ? BIT_OF(order[channels]) : 1;
    return found == (channels == 4 ? RGB | BIT_OF('w') : RGB) ? channels : 0;
}

static int check_tables(roll_t *r, roll_string *s, roll_draw *d, uint32_t *milliamps)
{
    uint8_t row[DRAW], pins[32]; /* a bit for each pin */
    uint32_t i, j, first = 0;
    memset(pins, 0, sizeof pins);
    for (i = r->header.strings; i; i--, s++) {
        head(r, row, STRING);
        memset(s->order, 0, sizeof s->order);
        memcpy(s->order, row + 4, 4);
        s->channels = channels_of(s->order);
        s->first_byte = first;
        if (!unpack(s, string_fields, 3, row) || !s->channels)
            return ROLL_BAD_STRING;
        first += s->pixels * s->channels;
        for (j = 0; j < 2; j++) {
            if (row[j] != ROLL_NO_PIN && pins[row[j] / 8] >> row[j] % 8 & 1)
                return ROLL_BAD_STRING;
            pins[row[j] / 8] |= (uint8_t)(1u << row[j] % 8);
        }
    }
    if (first != r->header.frame_bytes)
        return ROLL_BAD_FIELD;
    for (i = r->header.supplies; i; i--, milliamps++) {
        head(r, row, SUPPLY);
        *milliamps = le(row, 4);
    }
    for (i = r->header.draws; i; i--, d++) {
        const roll_string *string;
        head(r, row, DRAW);
        if (!unpack(d, draw_fields, 7, row) || d->string >= r->header.strings || d->supply >= r->header.supplies)
            return ROLL_BAD_DRAW;
        string = &r->string[d->string];
        if (d->first_pixel + d->pixels > string->pixels
            || d->idle_ua + string->channels * d->channel_ua > MOST_PRODUCT / d->pixels)
            return ROLL_BAD_DRAW;
    }
    return ROLL_OK;
}

/* UTF-8 as RFC 3629 has it, without 0-31 and 127. */
static int is_text(const uint8_t *at, const uint8_t *end)
{
    while (at < end) {
        uint32_t code = *at++, more = code < 0x80 ? 0 : code < 0xe0 ? 1 : code < 0xf0 ? 2 : 3, n;
        if (code < 32 || code == 127 || (more && code < 0xc2) || code > 0xf4)
            return 0;
        for (code &= 0x3fu >> more, n = more; n; n--) {
            if (at == end || (*at & 0xc0) != 0x80)
                return 0;
            code = code << 6 | (*at++ & 0x3f);
        }
        if (more == 2 ? code < 0x800 || code - 0xd800 < 0x800 : more == 3 && code - 0x10000 > 0xfffff)
            return 0;
    }
    return 1;
}

/* The first names are in pairs, the second of which is a chip's; those of the strings differ, and of the supplies. */
static int check_names(roll_t *r)
{
    uint32_t pairs = 2 + 2 * r->header.strings, n, i;
    uint8_t *name = (uint8_t *)r->lit, *other = r->page, length; /* the tables are not needed yet */
    uint16_t places[2 + 2 * 32 + 32];
    for (n = 0; n < pairs + r->header.supplies; n++) {
        places[n] = (uint16_t)(r->head_at - r->names_at);
        head(r, name, 1);
        length = *name;
        if (r->head_at + length > r->units_at || (!length && n))
            return ROLL_BAD_NAME;
        head(r, name + 1, length);
        if (!is_text(name + 1, name + 1 + length))
            return ROLL_BAD_NAME;
        if (n < pairs && n % 2)
            continue;
        for (i = n < pairs ? 2 : pairs; i < n; i += n < pairs ? 2 : 1) {
            uint32_t same = 0;
            do {
                if (same > length)
                    return ROLL_BAD_NAME;
                if (get(r, r->names_at + places[i] + same, other, 1) != ROLL_OK)
                    return ROLL_FAILED_READ;
            } while (*other == name[same++]);
        }
    }
    return r->head_at == r->units_at ? ROLL_OK : ROLL_BAD_NAME;
}

static int check_units(roll_t *r)
{
    uint32_t u, payload = 0, frames = 0, depth = MOST_DEPTH;
    for (u = 0; u < r->header.units; u++) {
        roll_slot unit;
        uint8_t row[UNIT];
        head(r, row, UNIT);
        if (!unpack(&unit, unit_fields, 5, row))
            return ROLL_BAD_FIELD;
        if (unit.payload_at < r->payloads_at || unit.payload_at > r->header.file_bytes
            || unit.payload_bytes > r->header.file_bytes - unit.payload_at || (unit.depth && unit.depth != depth + 1))
            return ROLL_BAD_UNIT;
        depth = unit.depth;
        payload = greatest(payload, unit.payload_bytes);
        frames = greatest(frames, unit.frames);
    }
    return payload == r->header.most_payload_bytes && frames == r->header.most_frames ? ROLL_OK : ROLL_BAD_FIELD;
}

static int check_groups(roll_t *r)
{
    uint32_t g, end_us = 0;
    for (g = 0; g < r->header.groups; g++) {
        roll_group group;
        uint32_t span;
        uint8_t frames;
        int status = roll_group_at(r, g, &group);
        if (status != ROLL_OK)
            return status;
        if (g % PAGE_ENTRIES == 0) {
            uint32_t bytes = ENTRY * page_entries(r, g / PAGE_ENTRIES) + 8;
            r->crc = crc_more(r->crc, r->page, bytes);
            r->head_at += bytes;
        }
        span = group.end_us - group.start_us;
        if ((g && group.start_us != end_us) || group.end_us < group.start_us || !group.frames || span < group.frames
            || span > MOST_PRODUCT / group.frames || group.unit >= r->header.units)
            return ROLL_BAD_GROUP;
        if (get(r, r->units_at + UNIT * group.unit + 7, &frames, 1) != ROLL_OK)
            return ROLL_FAILED_READ;
        if (group.first + group.frames > frames)
            return ROLL_BAD_GROUP;
        end_us = group.end_us;
    }
    return ROLL_OK;
}

int roll_open(roll_t *r, void *memory, uint32_t bytes)
{
    roll_string *strings = memory;
    roll_draw *draws = (void *)(strings + r->header.strings);
    uint32_t *milliamps = (void *)(draws + r->header.draws), k;
    uint8_t *rest = (void *)(milliamps + r->header.supplies), crc[4];
    int status;
    if (!r->needs || bytes < r->needs || (uintptr_t)memory % 4)
        return ROLL_NO_MEMORY;
    r->string = strings;
    r->draw = draws;
    r->milliamps = milliamps;
    r->window = rest;
    r->mask = (1u << r->header.window_bits) - 1;
    rest += r->mask + 1;
    for (k = 0; k < 2; k++) {
        r->hand[k].slot = r->slot;
        r->hand[k].frame = rest;
        r->slot[k].bytes = rest + r->header.frame_bytes;
        rest = r->slot[k].bytes + r->header.most_unit_bytes;
    }
    r->now = r->hand;
    r->ahead = r->hand + 1;
    r->loading = r->slot;
    r->crc = crc_more(NONE, r->page, HEADER);
    r->head_at = HEADER;
    status = check_tables(r, strings, draws, milliamps);
    if (status == ROLL_OK)
        status = check_names(r);
    if (status == ROLL_OK)
        status = check_units(r);
    if (status == ROLL_OK)
        status = check_groups(r);
    if (r->failed)
        return ROLL_FAILED_READ;
    if (status != ROLL_OK)
        return status;
    if (get(r, r->head_at, crc, 4) != ROLL_OK)
        return ROLL_FAILED_READ;
    if (~r->crc != le(crc, 4))
        return ROLL_BAD_CRC;
    roll_cue(r, 0);
    return ROLL_OK;
}

int roll_name(const roll_t *r, uint32_t which, char *to, uint32_t room)
{
    uint32_t at = r->names_at;
    uint8_t length = 0;
    if (which >= 2 + 2 * r->header.strings + r->header.supplies || !room)
        return ROLL_END;
    do {
        at += length;
        if (get(r, at++, &length, 1) != ROLL_OK)
            return ROLL_FAILED_READ;
    } while (which--);
    room = least(length, room - 1);
    to[room] = 0;
    return get(r, at, to, room);
}

/* ---- frames in a slot -------------------------------------------------------------------------------------------- */

/* n bytes, `stride` apart, to or onto every step-th byte. */
static void lay(uint8_t *to, uint32_t step, const uint8_t *from, uint32_t stride, uint32_t n, uint32_t how)
{
    if (how & CHANGES)
        for (; n; n--, to += step, from += stride)
            *to = (uint8_t)(*to + *from);
    else
        for (; n; n--, to += step, from += stride)
            *to = *from;
}

/* n bytes at `to`, where the stretch has come to, or fewer of them: what lies `distance` before. How many. */
static uint32_t quote(const roll_t *r, uint8_t *to, uint32_t n)
{
    uint32_t far = r->distance, before = far - r->made;
    const roll_slot *other = r->slot + (r->loading == r->slot);
    if (far <= r->made) {
        const uint8_t *from = to - far;
        uint32_t left = n, some;
        for (; left; left -= some, to += some) { /* what is made goes on as it began, so twice as much each time */
            some = least(left, (uint32_t)(to - from));
            memcpy(to, from, some);
        }
    } else if (before <= r->behind) {
        n = least(n, before);
        memcpy(to, other->bytes + r->behind - before, n);
    } else {
        n = least(n, before - r->behind);
        memset(to, 0, n);
    }
    return n;
}

/* What is inflated and not yet taken, into the slot, as far as the budget goes: as quotes, or just as it is, which is a
 * run of all there are. 0: section 9 does not allow it. */
static int take(roll_t *r)
{
    const roll_slot *slot = r->loading;
    uint32_t step = (slot->how & STEP) + 1;
    do {
        uint32_t at = r->taken & r->mask, n = 0;
        const uint8_t *from = r->window + at;
        uint8_t *to = slot->bytes + r->made;
        if (r->copy) {
            n = quote(r, to, r->copy);
            r->copy -= n;
        } else if (r->run) {
            n = least(least(r->run, r->history - r->taken), r->mask + 1 - at);
            if (slot->how < QUOTES + CHANGES) {
                memcpy(to, from, n);
            } else {
                n = quote(r, to, least(n, r->distance));
                lay(to, 1, from, 1, n, CHANGES);
                r->budget -= (int32_t)(n / 2);
            }
            r->run -= n;
            r->taken += n;
        } else {
            uint32_t left = r->limit - r->made, word = r->word << 8 | *from;
            r->taken++;
            r->word = word;
            if (!left)
                return 0;
            if (word > 0xffff) {
                uint32_t first = (word >> 8 & 255) * step, second = (word & 255) * step;
                r->word = word == 0x10000 ? 2 : 1; /* what comes next: a distance, or a pair */
                if (word > 0x1ffff) {
                    r->distance = first + (second << 8);
                    if (!r->distance)
                        return 0;
                } else {
                    if (first + second >= left + step)
                        return 0;
                    r->copy = least(first, left); /* the last cell may have fewer bytes */
                    r->run = least(second, left - r->copy);
                }
            }
        }
        r->made += n;
        r->budget -= COST_TAKE + (int32_t)(n / 8);
    } while (r->budget > 0 && (r->copy || r->taken != r->history));
    return 1;
}

/* ---- inflating (RFC 1951) --------------------------------------------------------------------------------------- */

/* Another piece of the payload. The checksum runs along: what is inflated must be what was checked. */
static int refill(roll_t *r)
{
    uint32_t n = least(ROLL_PIECE, r->payload_left);
    if (!n || get(r, r->payload_at, r->piece, n) != ROLL_OK)
        return 0;
    r->crc = crc_more(r->crc, r->piece, n);
    r->payload_at += n;
    r->payload_left -= n;
    r->in = r->piece;
    r->in_end = r->piece + n;
    return 1;
}

/* Bits at hand, at least n of them, at most 32. 0: the payload ended, or could not be read. */
static int fill(roll_t *r, uint32_t n)
{
    while (r->held <= 24 && (r->in < r->in_end || refill(r))) {
        r->hold |= (uint32_t)*r->in++ << r->held;
        r->held += 8;
    }
    if (r->held < n)
        r->payload_crc++; /* whatever comes of it, it is not sound */
    return r->held >= n;
}

/* The next n bits, at most 16. NONE: the payload ended. */
static uint32_t bits(roll_t *r, uint32_t n)
{
    uint32_t value = r->hold & ((1u << n) - 1);
    if (r->held < n) {
        if (!fill(r, n))
            return NONE;
        value = r->hold & ((1u << n) - 1);
    }
    r->hold >>= n;
    r->held -= n;
    return value;
}

/* Tables for codes: how many there are of each length (16), what begins with a code of at most ROLL_FAST_BITS (FAST
 * entries; symbol << 4 | length, 0 for a longer one), all symbols by their codes. */
#define FAST (1u << ROLL_FAST_BITS)
#define FAST_OF(table) ((table) + 16)
#define SYMBOLS_OF(table) ((table) + 16 + FAST)

/* Counts and symbols for codes of these lengths: 1 if they are a code. One of one bit may stand alone, or none. */
static int sort_codes(uint16_t *table, const uint8_t *lengths, uint32_t n)
{
    uint16_t place[16];
    uint32_t length, i, at = 0;
    int32_t left = 1;
    memset(table, 0, (16 + FAST) * sizeof *table);
    for (i = 0; i < n; i++)
        table[lengths[i]]++;
    for (length = 1; length < 16; length++) {
        place[length] = (uint16_t)at;
        at += table[length];
        left = 2 * left - table[length];
        if (left < 0)
            return 0;
    }
    for (i = 0; i < n; i++)
        if (lengths[i])
            SYMBOLS_OF(table)[place[lengths[i]]++] = (uint16_t)i;
    return !left || at == table[1];
}

/* What short codes stand for. */
static void look_up(uint16_t *table)
{
    const uint16_t *next = SYMBOLS_OF(table);
    uint32_t length, i, at, code = 0; /* code: its bits as they stand in the stream, the first one lowest */
    for (length = 1; length <= ROLL_FAST_BITS; length++)
        for (i = 0; i < table[length]; i++, next++) {
            uint32_t bit = 1u << (length - 1);
            for (at = code; at < FAST; at += 1u << length)
                FAST_OF(table)[at] = (uint16_t)(*next << 4 | length);
            for (; code & bit; bit >>= 1)
                code ^= bit;
            code |= bit;
        }
}

/* Both for a table of few codes. */
static int build(uint16_t *table, const uint8_t *lengths, uint32_t n)
{
    int sound = sort_codes(table, lengths, n);
    look_up(table);
    return sound;
}

/* The next symbol. NONE: there is no such code, or the payload ended. At least five bytes follow on the last code of a
 * block, so that all bits of the longest code may be asked for. */
static uint32_t symbol(roll_t *r, const uint16_t *table)
{
    uint32_t found, hold, length = 0;
    if (r->held < 15 && !fill(r, 15))
        return NONE;
    hold = r->hold;
    found = FAST_OF(table)[hold & (FAST - 1)];
    if (found) {
        length = found & 15;
        found >>= 4;
    } else { /* longer than what is looked up: bit by bit, which takes its time */
        int32_t code = 0;
        const uint16_t *first = SYMBOLS_OF(table);
        do {
            if (++length == 16)
                return NONE;
            code = 2 * code + (int32_t)(hold & 1) - table[length];
            hold >>= 1;
            first += table[length];
        } while (code >= 0);
        found = first[code];
        r->budget -= (int32_t)length;
    }
    r->hold >>= length;
    r->held -= length;
    return found;
}

/* Between two blocks: the next one's header. 0 if it is none, or a final one. */
static int open_block(roll_t *r)
{
    static const uint8_t turn[19] = {16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15};
    uint32_t kind = bits(r, 3), n;
    r->one = 0;
    if (kind == 0) {
        (void)bits(r, r->held & 7);
        r->stored = bits(r, 16);
        n = bits(r, 16);
        r->one = r->stored == 1;
        r->job = r->stored ? STORED : BETWEEN;
        return n != NONE && (r->stored ^ n) == 0xffff;
    }
    r->job = LENGTHS;
    if (kind == 2) { /* the fixed codes: RFC 1951, 3.2.6 */
        r->lits = 288;
        r->codes = r->known = 320;
        for (n = 0; n < 320; n++)
            r->lengths[n] = n < 144 ? 8 : n < 256 ? 9 : n < 280 ? 7 : n < 288 ? 8 : 5;
        return 1;
    }
    r->lits = bits(r, 5) + 257;
    r->codes = r->lits + bits(r, 5) + 1;
    r->known = 0;
    n = bits(r, 4) + 4;
    if (kind != 4 || r->lits > 286 || r->codes > r->lits + 30 || n < 4)
        return 0;
    memset(r->lengths, 0, 19);
    for (kind = 0; kind < n; kind++)
        r->lengths[turn[kind]] = bits(r, 3) & 7;
    return build(r->dist, r->lengths, 19);
}

/* Another length of a block's own codes, or some (RFC 1951, 3.2.7); at last the first table. 0: there is none. */
static int read_lengths(roll_t *r)
{
    uint8_t *next = r->lengths + r->known;
    uint32_t code, times = 1;
    r->budget -= COST_LITERAL;
    if (r->known == r->codes) {
        r->budget -= COST_LITS; /* so that what comes next is likely to begin a slice */
        r->job = SORT;
        return r->lengths[256];
    }
    code = symbol(r, r->dist);
    if (code > 18 || (code == 16 && !r->known))
        return 0;
    if (code > 15)
        times = code == 18 ? bits(r, 7) + 11 : bits(r, code - 14) + 3;
    if (times > r->codes - r->known)
        return 0;
    memset(next, code == 16 ? next[-1] : code > 16 ? 0 : (int)code, times);
    r->known += times;
    return 1;
}

/* What a length's or a distance's symbol stands for (RFC 1951, 3.2.5): 1 << kept symbols in a row have as many extra
 * bits, and one more than those before. */
static uint32_t spread(roll_t *r, uint32_t code, uint32_t kept)
{
    uint32_t extra = code >> kept;
    if (extra < 2)
        return code;
    extra--;
    return ((code - (extra << kept)) << extra) + bits(r, extra);
}

/* Symbols of a coded block into the window, to its end, until enough is pending or the budget is spent. 0: one that may
 * not stand here. */
static int copy_coded(roll_t *r)
{
    uint8_t *window = r->window;
    uint32_t mask = r->mask, made = r->history;
    while (r->budget > 0 && made - r->taken < MOST_PENDING) {
        uint32_t code = symbol(r, r->lit), length, distance;
        if (code < 256) {
            r->budget -= COST_LITERAL;
            window[made++ & mask] = (uint8_t)code;
            continue;
        }
        if (code == 256) {
            r->job = BETWEEN;
            break;
        }
        if (code > 285)
            return 0;
        length = code == 285 ? 258 : 3 + spread(r, code - 257, 2);
        code = symbol(r, r->dist);
        if (code > 29)
            return 0;
        distance = 1 + spread(r, code, 1);
        if (distance > mask + 1 || distance > made)
            return 0;
        r->budget -= COST_MATCH + (int32_t)(length / 2);
        for (; length; length--, made++)
            window[made & mask] = window[(made - distance) & mask];
    }
    r->history = made;
    return 1;
}

/* ROLL_BUSY, ROLL_OK when the payload has ended as section 9 says, or ROLL_BAD_UNIT. */
static int inflate(roll_t *r)
{
    while (r->budget > 0) {
        int sound = 1;
        if (r->history > r->full)
            return ROLL_BAD_UNIT;
        if (r->copy || r->taken != r->history) {
            sound = take(r);
        } else if (r->job == CODED) {
            sound = copy_coded(r);
        } else if (r->job == LENGTHS) {
            sound = read_lengths(r);
        } else if (r->job > LENGTHS) { /* the tables, one after another */
            r->budget -= COST_LITS;
            if (r->job == SORT)
                sound = sort_codes(r->lit, r->lengths, r->lits);
            else if (r->job == LOOK_UP)
                look_up(r->lit);
            else
                sound = build(r->dist, r->lengths + r->lits, r->codes - r->lits);
            r->job++;
        } else if (r->job == STORED) {
            r->window[r->history++ & r->mask] = (uint8_t)bits(r, 8);
            r->budget -= COST_LITERAL;
            if (--r->stored == 0)
                r->job = BETWEEN;
        } else if (r->in == r->in_end && !r->payload_left) {
            sound = r->one && !(r->held | (r->crc ^ r->payload_crc) | (r->made ^ r->limit));
            return sound ? ROLL_OK : ROLL_BAD_UNIT;
        } else {
            r->budget -= COST_HEADER;
            sound = open_block(r);
        }
        if (!sound)
            return ROLL_BAD_UNIT;
    }
    return ROLL_BUSY;
}

/* ---- loading a unit, step by step: each gives ROLL_BUSY, ROLL_OK or what is wrong ------------------------------- */

static int holds(const roll_slot *slot, uint32_t unit)
{
    return slot->sound && slot->unit == unit;
}

static roll_slot *slot_of(roll_t *r, uint32_t unit)
{
    return holds(r->slot, unit) ? r->slot : holds(r->slot + 1, unit) ? r->slot + 1 : 0;
}

static roll_slot *other_than(roll_t *r, const roll_slot *slot)
{
    return r->slot + (slot == r->slot);
}

/* Begin to load a unit. If its record cannot be read, or cannot be right, that shows when it is summed up. */
static void begin_unit(roll_t *r, uint32_t unit)
{
    roll_slot *slot = r->loading;
    slot->sound = 0;
    slot->unit = r->unit = unit;
    r->job = SUM;
    r->crc = NONE;
    r->payload_left = r->limit = r->made = r->copy = 0;
    if (get(r, r->units_at + UNIT * unit, r->record, UNIT) == ROLL_OK && unpack(slot, unit_fields, 5, r->record)) {
        r->payload_at = slot->payload_at;
        r->payload_left = slot->payload_bytes;
        r->limit = least(slot->frames * r->header.frame_bytes, r->header.most_unit_bytes);
    }
}

/* The CRC of the payload and of its record, before any of it is inflated: that is begun then. */
static int sum_payload(roll_t *r)
{
    const roll_slot *slot = r->loading;
    for (; r->payload_left; r->budget -= ROLL_PIECE) {
        if (r->budget <= 0)
            return ROLL_BUSY;
        if (!refill(r))
            break;
    }
    if (!r->limit || r->payload_left || ~crc_more(r->crc, r->record, UNIT_CHECKED) != le(r->record + UNIT_CHECKED, 4))
        return ROLL_BAD_UNIT;
    if (!slot->depth)
        r->history = r->behind = 0;
    else if (r->ring_unit != r->unit - 1)
        return ROLL_BAD_UNIT;
    r->payload_crc = r->crc; /* for when it is read again */
    r->crc = NONE;
    r->payload_at = slot->payload_at;
    r->payload_left = slot->payload_bytes;
    r->in = r->in_end;
    r->hold = r->held = 0;
    r->job = BETWEEN;
    r->ring_unit = NONE;
    r->distance = r->header.frame_bytes;
    r->run = slot->how < QUOTES ? r->limit : 0;
    r->word = 1;
    r->taken = r->history;
    r->full = r->history + r->limit;
    return ROLL_BUSY;
}

/* ---- frames that stand ------------------------------------------------------------------------------------------ */

/* One frame of columns, pairs or rows, onto the one before it. */
static void apply_dense(const roll_t *r, const roll_hand *hand)
{
    const roll_slot *slot = hand->slot;
    uint32_t how = slot->how, step = (how & STEP) + 1, n = slot->frames, k, b;
    uint32_t width = (how & QUOTES) == PAIRS ? 2 : 1, stride = (how & QUOTES) == ROWS ? 1 : n * width;
    const uint8_t *from = slot->bytes;
    for (k = 0; k < step; k++) {
        uint32_t plane = (r->header.frame_bytes - k + step - 1) / step;
        const uint8_t *first = from + hand->next * (stride == 1 ? plane : width);
        for (b = 0; b < width; b++) /* of a tile */
            lay(hand->frame + k + b * step, width * step, first + b, stride, plane / width, how);
        if (plane % width) /* the last tile is a narrower one */
            lay(hand->frame + k + (plane - 1) * step, 1, from + (plane - 1) * n + hand->next, 1, 1, how);
        from += n * plane;
    }
}

static void take_in_hand(roll_hand *hand, roll_slot *slot)
{
    hand->slot = slot;
    hand->next = 0;
}

/* At most `most` frames, so that `until` is the next one. Values that no later frame counts from are passed over: each
 * frame stands for itself. */
static void apply(const roll_t *r, roll_hand *hand, uint32_t until, uint32_t most)
{
    const roll_slot *slot = hand->slot;
    uint32_t n = r->header.frame_bytes;
    if (hand->next + 1 < until && !(slot->how & CHANGES))
        hand->next = until - 1;
    for (; hand->next < until && most; hand->next++, most--) {
        if (slot->how == ROWS)
            memcpy(hand->frame, slot->bytes + hand->next * n, n);
        else
            apply_dense(r, hand);
    }
}

/* ---- what is to come -------------------------------------------------------------------------------------------- */

/* Frames of a unit into the hand ahead, up to the next group's first, or to the end if more units follow on it. */
static void begin_ahead(roll_t *r, roll_slot *slot, uint32_t until)
{
    take_in_hand(r->ahead, slot);
    if (!slot->depth)
        memset(r->ahead->frame, 0, r->header.frame_bytes);
    r->applies = 1;
    r->until = until;
}

/* Load `target` into a slot. If it leans, and the other slot does not hold what it leans on, it is entered through its
 * chain: the units of that are loaded into both slots in turn, for quotes from the one before, and their frames applied
 * from darkness on. It takes both slots and the hand ahead, so it is left until nothing is shown and it is the next. If
 * the other slot does, but that was not the last to be inflated, the chain is inflated for the window alone. */
static void begin_load(roll_t *r, roll_slot *slot, uint32_t target, int follows)
{
    r->loading = slot;
    r->target = target;
    begin_unit(r, target);
    r->chained = slot->depth && !follows;
    if (r->chained && (!r->dark || r->next_is != WAITS))
        r->job = IDLE;
    else if (r->chained || r->ring_unit != target - 1)
        begin_unit(r, target - slot->depth); /* which is the same again if it leans on none */
}

/* Make the next group ready, or begin to. */
static void plan_next(roll_t *r)
{
    uint32_t end = r->shown.first + r->shown.frames;
    roll_slot *slot = slot_of(r, r->next.unit), *standing = r->dark ? 0 : r->now->slot;
    int follows = standing && !r->next.first && r->shown.unit + 1 == r->next.unit && end == standing->frames;
    if (slot && ((slot == standing && r->next.first == end) || (follows && slot->depth))) {
        r->next_is = GOES_ON;
    } else if (slot && (!slot->depth || slot->how == ROWS)) { /* whose frames count from nothing before */
        begin_ahead(r, slot, r->next.first);
    } else if (slot || r->job == IDLE || r->target != r->next.unit) {
        begin_load(r, other_than(r, r->now->slot), r->next.unit, follows);
    }
}

/* Look for the next unit that is not at hand, and begin to load it where none lies that is wanted before. */
static void plan_far(roll_t *r)
{
    uint32_t wanted = 0, n = r->shown_number + 1 + (r->next_is == IS_DARK), last = n + PAGE_ENTRIES;
    roll_slot *slot = r->dark ? 0 : r->now->slot;
    roll_group far;
    r->far_done = 1;
    r->far_frames = 0;
    do {
        if (slot)
            wanted |= slot == r->slot ? 1 : 2;
        if (wanted == 3 || n == last || roll_group_at(r, n, &far) != ROLL_OK)
            return;
        slot = slot_of(r, far.unit);
        r->far_frames += slot ? far.frames : 0;
        n++;
    } while (slot);
    begin_load(r, r->slot + (wanted & 1), far.unit, holds(r->slot + !(wanted & 1), far.unit - 1));
    r->far_done = r->job == IDLE;
}

static void plan(roll_t *r)
{
    if (r->next_is == UNREAD) {
        int status = roll_group_at(r, r->shown_number + 1, &r->next);
        r->next_is = status == ROLL_OK ? WAITS : status == ROLL_END ? NO_MORE : UNREAD;
    }
    if (r->next_is == WAITS)
        plan_next(r);
    if (r->next_is > WAITS && r->job == IDLE && !r->far_done)
        plan_far(r);
}

/* A piece of what is under way: first of what the hand ahead waits for. */
static void work(roll_t *r)
{
    int status;
    if (r->applies) {
        apply(r, r->ahead, r->until, 1);
        r->budget -= (int32_t)r->header.frame_bytes;
        if (r->ahead->next < r->until)
            return;
        r->applies = 0;
        if (r->chained && r->unit != r->target) {
            r->loading = other_than(r, r->loading);
            begin_unit(r, r->unit + 1);
        } else {
            r->next_is = JUMPS;
        }
        return;
    }
    status = r->job == SUM ? sum_payload(r) : inflate(r);
    if (status == ROLL_BUSY)
        return;
    r->job = IDLE;
    if (status != ROLL_OK) { /* dark if it was to be next, else forgotten until it is */
        r->ring_unit = NONE;
        r->far_done = 1;
        r->chained = 0;
        if (r->next_is == WAITS && r->next.unit == r->target)
            r->next_is = IS_DARK;
    } else {
        r->loading->sound = 1;
        if (r->loading->how >= QUOTES)
            r->loading->how = ROWS; /* that is what they are now */
        r->behind = r->loading->how == ROWS ? r->limit : 0;
        r->ring_unit = r->unit;
        if (r->chained)
            begin_ahead(r, r->loading, r->unit == r->target ? r->next.first : r->loading->frames);
        else if (r->unit != r->target)
            begin_unit(r, r->unit + 1);
    }
}

int roll_work(roll_t *r, uint32_t most)
{
    r->budget = (int32_t)least(most, 0x7fffffff);
    for (;;) {
        if (!r->applies && r->job == IDLE)
            plan(r);
        if (!r->applies && r->job == IDLE)
            return r->next_is == UNREAD ? ROLL_FAILED_READ : ROLL_OK;
        if (r->budget <= 0)
            return ROLL_BUSY;
        work(r);
    }
}

uint32_t roll_share(const roll_t *r, uint32_t i)
{
    uint32_t frames = r->shown.frames, left = 0;
    const roll_slot *slot = r->loading;
    if (r->applies)
        left = (r->until - r->ahead->next) * r->header.frame_bytes;
    if (r->job != IDLE) {
        uint32_t whole = r->limit / 2, payload = r->payload_left + (uint32_t)(r->in_end - r->in);
        left += whole - r->made / 2 + COST_END;
        if (r->job == SUM)
            left += payload + COST_BLOCK, payload = slot->payload_bytes;
        left += COST_PAYLOAD_BYTE * payload;
        left *= 1 + r->target - r->unit; /* those that are loaded after it may be as long */
        if (r->next_is > WAITS || r->target != r->next.unit)
            frames += r->far_frames;
        else
            left += r->next.first * r->header.frame_bytes;
    }
    frames -= least(i + 1, frames - 1); /* all shall be done a frame before it is wanted */
    return left / frames + 64;
}

void roll_cue(roll_t *r, uint32_t number)
{
    memset(&r->shown, 0, sizeof r->shown);
    r->shown.frames = 1;
    r->shown_number = number - 1;
    r->dark = 1;
    r->job = IDLE;
    r->applies = r->chained = r->far_done = 0;
    r->far_frames = 0;
    r->next_is = UNREAD;
    plan(r);
}

int roll_enter(roll_t *r)
{
    if (r->next_is == UNREAD)
        plan(r);
    while (r->next_is == WAITS)
        if (roll_work(r, 1000) == ROLL_OK)
            r->dark = 1; /* it was left until now; if it was not, this is set below */
    if (r->next_is == UNREAD)
        return ROLL_FAILED_READ;
    if (r->next_is == NO_MORE)
        return ROLL_END;
    if (r->next_is == GOES_ON) {
        roll_slot *slot = slot_of(r, r->next.unit);
        apply(r, r->now, r->shown.first + r->shown.frames, NONE);
        if (slot != r->now->slot)
            take_in_hand(r->now, slot);
    } else if (r->next_is == JUMPS) {
        roll_hand *ahead = r->ahead;
        r->ahead = r->now;
        r->now = ahead;
    }
    r->dark = r->next_is == IS_DARK;
    r->shown = r->next;
    r->shown_number++;
    r->next_is = UNREAD;
    r->far_done = 0;
    r->far_frames -= least(r->far_frames, r->shown.frames);
    plan(r);
    return ROLL_OK;
}

const uint8_t *roll_frame(roll_t *r, uint32_t i)
{
    if (r->dark || i >= r->shown.frames)
        return 0;
    apply(r, r->now, r->shown.first + i + 1, NONE);
    return r->now->frame;
}

/* ---- the second net --------------------------------------------------------------------------------------------- */

/* The sum of a run's bytes, or of each pixel's largest one. */
static uint32_t light_of(const roll_string *string, const roll_draw *draw, const uint8_t *frame)
{
    uint32_t channels = string->channels, sum = 0, pixel, c;
    const uint8_t *from = frame + string->first_byte + channels * draw->first_pixel;
    for (pixel = 0; pixel < draw->pixels; pixel++) {
        uint32_t largest = 0;
        for (c = 0; c < channels; c++, from++) {
            if (draw->law == 0)
                sum += *from;
            else if (*from > largest)
                largest = *from;
        }
        sum += largest;
    }
    return sum;
}

uint32_t roll_level(const roll_t *r, const uint8_t *frame)
{
    uint32_t level = 256, own, supply, d;
    for (supply = 0; supply < r->header.supplies; supply++, level = least(level, own)) {
        uint64_t idle = 0, light = 0, most = (uint64_t)r->milliamps[supply] * 1000;
        uint32_t step;
        for (d = 0; d < r->header.draws; d++) {
            const roll_draw *draw = &r->draw[d];
            uint32_t sum, channel = draw->channel_ua;
            if (draw->supply != supply)
                continue;
            sum = light_of(&r->string[draw->string], draw, frame);
            idle += draw->pixels * draw->idle_ua;
            light += sum / 255 * channel + sum % 255 * channel / 255; /* section 5.4 */
        }
        own = 256;
        step = (uint32_t)(light >> 8);
        if (idle + light > most)
            for (light += r->header.draws; own && idle + light > most; own--) /* each run was rounded down */
                light -= step;
    }
    return level;
}

void roll_dim(const roll_t *r, const uint8_t *frame, uint32_t level, uint8_t *to)
{
    uint32_t i;
    for (i = 0; i < r->header.frame_bytes; i++)
        to[i] = (uint8_t)(frame[i] * level >> 8);
}
