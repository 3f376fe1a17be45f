/* For a fuzzer: whatever the bytes, the decoder neither crashes nor depends on how its work is cut into slices.
 *
 * Input: a byte of flags, one that gives the slice of work and the group to begin with, one that gives a read, then a
 * roll. With flag 1 its checksums and its length are put right first, so that mutations get past them. It is played in
 * these slices and in one go; both must be refused alike, or show the same. With flag 2 it is played once more with that
 * read failing, with flag 4 all from there on: what is lit then must be what was lit before. Without -DALONE for
 * libFuzzer; with it a program that takes inputs as files. */
#include "memory.h"

#define MOST_NEEDS (1u << 19)
#define MOST_SHOWN (1u << 16) /* bytes of frames, and groups; what comes later is left out, for speed */
#define MOST_GROUPS 2048

static uint32_t le(const uint8_t *from, uint32_t n)
{
    uint32_t value = 0;
    while (n--)
        value = value << 8 | from[n];
    return value;
}

static void put(uint8_t *to, uint32_t value)
{
    uint32_t k;
    for (k = 0; k < 4; k++)
        to[k] = (uint8_t)(value >> 8 * k);
}

/* RFC 1952, section 8. */
static uint32_t crc32(uint32_t crc, const uint8_t *from, uint32_t n)
{
    static uint32_t table[256];
    uint32_t k, bit;
    if (!table[1])
        for (k = 0; k < 256; k++)
            for (table[k] = k, bit = 0; bit < 8; bit++)
                table[k] = table[k] & 1 ? table[k] >> 1 ^ 0xedb88320u : table[k] >> 1;
    for (crc = ~crc; n--; from++)
        crc = crc >> 8 ^ table[(crc ^ *from) & 255];
    return ~crc;
}

static void repair(uint8_t *roll, uint32_t size)
{
    uint32_t units_at, index_at, units, groups, end, u, g;
    if (size < 68)
        return;
    memcpy(roll, "ROLL\2", 5);
    put(roll + 12, size);
    units = le(roll + 22, 2);
    groups = le(roll + 20, 2);
    units_at = 68 + 8u * roll[6] + 4u * roll[7] + 13u * roll[8] + le(roll + 10, 2);
    index_at = units_at + 14 * units;
    end = index_at + 8 * groups + 8 * ((groups + 15) / 16);
    if (!groups || end + 4 > size)
        return;
    for (u = 0; u < units; u++) {
        uint8_t *record = roll + units_at + 14 * u;
        uint32_t at = le(record, 4), bytes = le(record + 4, 3);
        if (at <= size && bytes <= size - at)
            put(record + 10, crc32(crc32(0, roll + at, bytes), record, 10));
    }
    for (g = 0; g < groups; g += 16) {
        uint8_t *page = roll + index_at + g / 16 * 136;
        uint32_t bytes = 8 * (groups - g < 16 ? groups - g : 16) + 4;
        put(page + bytes, crc32(0, page, bytes));
    }
    put(roll + end, crc32(0, roll, end));
}

/* Play from a group on; `sums` gets a number for each group that was shown, by its bytes and its time, 0 for dark. With
 * fail_at that read fails, and where the index cannot be read the next group is tried. The status of opening it. */
static int play(memory_file *file, uint32_t slice, uint32_t first, uint32_t sums[MOST_GROUPS])
{
    static roll_t roll;
    void *memory;
    uint32_t i, shown = 0, g;
    int status = roll_measure(&roll, memory_read, file, file->size);
    memset(sums, 0, MOST_GROUPS * sizeof *sums);
    if (status != ROLL_OK)
        return status;
    if (roll.needs > MOST_NEEDS)
        return -1;
    file->reads = 0;
    status = open_memory(&roll, file, &memory);
    g = status == ROLL_OK ? first % roll.header.groups : UINT32_MAX;
    if (status == ROLL_OK)
        roll_cue(&roll, g);
    while (status == ROLL_OK && shown < MOST_SHOWN && g < roll.header.groups && g < MOST_GROUPS) {
        uint32_t sum;
        if (roll_enter(&roll) != ROLL_OK) {
            if (file->fail_at == UINT32_MAX)
                abort(); /* nothing failed to be read */
            roll_cue(&roll, ++g);
            continue;
        }
        if (roll.shown_number != g)
            abort();
        sum = crc32(0, (const uint8_t *)&roll.shown, sizeof roll.shown);
        for (i = 0; i < roll.shown.frames; i++) {
            const uint8_t *frame = roll_frame(&roll, i);
            if ((frame == NULL) != (roll.dark != 0) || (frame != NULL && roll_level(&roll, frame) > 256))
                abort();
            if (frame != NULL)
                sum = crc32(sum, frame, roll.header.frame_bytes);
            shown += roll.header.frame_bytes;
            roll_work(&roll, slice == UINT32_MAX ? roll_share(&roll, i) : slice);
        }
        sums[g++] = roll.dark ? 0 : sum | 1;
    }
    free(memory);
    return status;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint32_t whole[MOST_GROUPS], cut[MOST_GROUPS], failed[MOST_GROUPS];
    uint32_t slice, first, n, g;
    memory_file file;
    uint8_t *roll;
    int status;
    if (size < 3 || size > 1 << 20)
        return 0;
    n = (uint32_t)size - 3;
    roll = malloc(n + !n);
    if (roll == NULL)
        abort();
    memcpy(roll, data + 3, n);
    if (data[0] & 1)
        repair(roll, n);
    slice = data[1] & 3 ? 1u << (data[1] & 15) : UINT32_MAX;
    first = data[1] >> 4;
    file = memory_of(roll, n);
    status = play(&file, 0, first, whole);
    if (play(&file, slice, first, cut) != status || memcmp(whole, cut, sizeof whole) != 0)
        abort();
    if (data[0] & 2 && status == ROLL_OK) {
        file.fail_at = data[2];
        file.fail_for = data[0] & 4 ? UINT32_MAX : 1;
        status = play(&file, slice, first, failed);
        for (g = 0; g < MOST_GROUPS; g++)
            if (failed[g] && failed[g] != whole[g])
                abort();
    }
    free(roll);
    return 0;
}

#ifdef ALONE
int main(int count, char **words)
{
    int k;
    for (k = 1; k < count; k++) {
        uint32_t size;
        uint8_t *bytes = read_whole(words[k], &size);
        LLVMFuzzerTestOneInput(bytes, size);
        free(bytes);
    }
    return 0;
}
#endif
