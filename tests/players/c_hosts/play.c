/* Plays a roll to the standard output: play FILE SLICE [GROUP ...]
 *
 * First a line "opened STATUS NEEDS"; with status 0 then for each group one of 16 bytes (number, start_us, end_us,
 * frames as int32, 0 for dark; little-endian), and its frames unless it is dark. SLICE is the work done at each frame,
 * "share" for roll_share's, 0 for none but what roll_enter must do; "skip" is 0 and shows every third frame alone. The
 * groups are played in order, or those named, each through roll_cue; A,N,B cues A, works N times, and plays B. */
#include "memory.h"

static void put(uint32_t value)
{
    int k;
    for (k = 0; k < 4; k++)
        putchar((int)(value >> 8 * k & 255));
}

int main(int count, char **words)
{
    static roll_t roll;
    uint32_t size, g, i, given;
    uint8_t *bytes;
    memory_file file;
    void *memory;
    int status, share, skip, named = count > 3;
    if (count < 3)
        return 2;
    bytes = read_whole(words[1], &size);
    share = strcmp(words[2], "share") == 0;
    skip = strcmp(words[2], "skip") == 0;
    given = share || skip ? 0 : (uint32_t)strtoul(words[2], NULL, 10);
    file = memory_of(bytes, size);
    status = open_memory(&roll, &file, &memory);
    printf("opened %d %lu\n", status, (unsigned long)roll.needs);
    for (g = 0; status == ROLL_OK && (!named || g < (uint32_t)count - 3); g++) {
        if (named) {
            char *rest;
            roll_cue(&roll, (uint32_t)strtoul(words[3 + g], &rest, 10));
            if (*rest == ',') {
                for (i = (uint32_t)strtoul(rest + 1, &rest, 10); i; i--)
                    roll_work(&roll, 1);
                roll_cue(&roll, (uint32_t)strtoul(rest + 1, NULL, 10));
            }
        }
        status = roll_enter(&roll);
        if (status != ROLL_OK)
            break;
        put(roll.shown_number);
        put(roll.shown.start_us);
        put(roll.shown.end_us);
        put(roll.dark ? 0 : skip ? (roll.shown.frames + 2) / 3 : roll.shown.frames);
        for (i = 0; i < roll.shown.frames; i++) {
            const uint8_t *frame;
            if (skip && i % 3)
                continue;
            frame = roll_frame(&roll, i);
            if ((frame == NULL) != (roll.dark != 0))
                return 4;
            if (frame != NULL)
                fwrite(frame, 1, roll.header.frame_bytes, stdout);
            if (share)
                roll_work(&roll, roll_share(&roll, i));
            else if (given)
                roll_work(&roll, given);
        }
    }
    free(memory);
    free(bytes);
    return fflush(stdout) != 0;
}
