/* Harms a roll in every way of one kind and plays what is left: harm KIND FILE SLICE
 *
 * KIND: flips (every bit, one at a time), cuts (every length below the whole), fails (the reads fail from call n on, or
 * one alone), twice (every byte in turn reads differently the second time and later).
 * For each case one line: "refused STATUS", or "played" and for each group its number and d (dark) or s (sound).
 * It stops with status 1 as soon as a group that is not dark differs in time or in a byte from the whole roll. */
#include "memory.h"

typedef struct {
    roll_group group;
    uint8_t *frames;
} whole_group;

static whole_group *whole;
static uint32_t slice, wholes, frame_bytes;

static void wrong(const char *what, uint32_t group)
{
    fprintf(stderr, "group %lu: %s\n", (unsigned long)group, what);
    exit(1);
}

static void keep_whole(const uint8_t *bytes, uint32_t size)
{
    static roll_t roll;
    memory_file file = memory_of(bytes, size);
    void *memory;
    uint32_t i;
    if (open_memory(&roll, &file, &memory) != ROLL_OK)
        exit(3);
    wholes = roll.header.groups;
    frame_bytes = roll.header.frame_bytes;
    whole = calloc(wholes, sizeof *whole);
    while (roll_enter(&roll) == ROLL_OK) {
        whole_group *keep = &whole[roll.shown_number];
        keep->group = roll.shown;
        keep->frames = malloc(roll.shown.frames * frame_bytes);
        for (i = 0; i < roll.shown.frames; i++)
            memcpy(keep->frames + i * frame_bytes, roll_frame(&roll, i), frame_bytes);
    }
    free(memory);
}

/* Play as a board would: when the index cannot be read, on from the next group that can be cued. */
static void play(memory_file *file)
{
    static roll_t roll;
    void *memory;
    uint32_t i, g = 0;
    int status = open_memory(&roll, file, &memory);
    if (status != ROLL_OK) {
        printf("refused %d\n", status);
        free(memory);
        return;
    }
    printf("played");
    while (g < roll.header.groups) {
        status = roll_enter(&roll);
        if (status != ROLL_OK) {
            printf(" %lud", (unsigned long)g);
            roll_cue(&roll, ++g);
            continue;
        }
        if (roll.shown_number != g || g >= wholes)
            wrong("it is not the one that comes next", g);
        if (memcmp(&roll.shown, &whole[g].group, sizeof roll.shown) != 0)
            wrong("it is not what it was", g);
        for (i = 0; i < roll.shown.frames; i++) {
            const uint8_t *frame = roll_frame(&roll, i);
            if ((frame == NULL) != (roll.dark != 0))
                wrong("dark in part", g);
            if (frame != NULL && memcmp(frame, whole[g].frames + i * frame_bytes, frame_bytes) != 0)
                wrong("a wrong byte is lit", g);
            roll_work(&roll, slice);
        }
        printf(" %lu%c", (unsigned long)g, roll.dark ? 'd' : 's');
        g++;
    }
    printf("\n");
    free(memory);
}

int main(int count, char **words)
{
    uint32_t size, n, single;
    uint8_t *bytes;
    memory_file file;
    if (count < 4)
        return 2;
    bytes = read_whole(words[2], &size);
    slice = (uint32_t)strtoul(words[3], NULL, 10);
    keep_whole(bytes, size);
    if (strcmp(words[1], "flips") == 0) {
        for (n = 0; n < 8 * size; n++) {
            bytes[n / 8] ^= (uint8_t)(1 << n % 8);
            file = memory_of(bytes, size);
            play(&file);
            bytes[n / 8] ^= (uint8_t)(1 << n % 8);
        }
    } else if (strcmp(words[1], "cuts") == 0) {
        for (n = 0; n < size; n++) {
            file = memory_of(bytes, n);
            play(&file);
        }
    } else if (strcmp(words[1], "fails") == 0) {
        uint32_t reads;
        file = memory_of(bytes, size);
        play(&file);
        reads = file.reads;
        for (single = 0; single < 2; single++)
            for (n = 0; n < reads; n++) {
                file = memory_of(bytes, size);
                file.fail_at = n;
                file.fail_for = single ? 1 : UINT32_MAX;
                play(&file);
            }
    } else if (strcmp(words[1], "twice") == 0) {
        for (n = 0; n < size; n++) {
            file = memory_of(bytes, size);
            file.once = n;
            play(&file);
        }
    } else {
        return 2;
    }
    for (n = 0; n < wholes; n++)
        free(whole[n].frames);
    free(whole);
    free(bytes);
    return 0;
}
