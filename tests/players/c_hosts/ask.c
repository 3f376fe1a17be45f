/* Asks the decoder about a roll: ask FILE VERB ...
 *
 * find US ...: for each time "GROUP FRAME", "before GROUP" or "end"
 * due: for each group a line with the time of each frame
 * names ROOM: every name, cut to the room there is, a line each
 * level BYTE ...: the level of a frame, and the frame as dimmed to it */
#include "memory.h"

int main(int count, char **words)
{
    static roll_t roll;
    uint32_t size, number, i;
    uint8_t *bytes;
    memory_file file;
    void *memory;
    roll_group group;
    if (count < 3)
        return 2;
    bytes = read_whole(words[1], &size);
    file = memory_of(bytes, size);
    if (open_memory(&roll, &file, &memory) != ROLL_OK)
        return 3;
    if (strcmp(words[2], "find") == 0) {
        for (i = 3; i < (uint32_t)count; i++) {
            uint32_t us = (uint32_t)strtoul(words[i], NULL, 10);
            int status = roll_find(&roll, us, &number);
            if (status == ROLL_END) {
                puts("end");
                continue;
            }
            if (status != ROLL_OK || roll_group_at(&roll, number, &group) != ROLL_OK)
                return 4;
            if (us < group.start_us)
                printf("before %lu\n", (unsigned long)number);
            else
                printf("%lu %lu\n", (unsigned long)number, (unsigned long)roll_frame_at(&group, us));
        }
    } else if (strcmp(words[2], "due") == 0) {
        for (number = 0; number < roll.header.groups; number++) {
            if (roll_group_at(&roll, number, &group) != ROLL_OK)
                return 4;
            for (i = 0; i < group.frames; i++)
                printf(i ? " %lu" : "%lu", (unsigned long)roll_due_us(&group, i));
            puts("");
        }
    } else if (strcmp(words[2], "names") == 0) {
        char name[256];
        uint32_t room = (uint32_t)strtoul(words[3], NULL, 10);
        for (number = 0; roll_name(&roll, number, name, room) == ROLL_OK; number++)
            puts(name);
    } else if (strcmp(words[2], "level") == 0) {
        uint8_t *frame = malloc(roll.header.frame_bytes), *to = malloc(roll.header.frame_bytes);
        uint32_t level;
        if (frame == NULL || to == NULL || (uint32_t)count != 3 + roll.header.frame_bytes)
            return 4;
        for (i = 0; i < roll.header.frame_bytes; i++)
            frame[i] = (uint8_t)strtoul(words[3 + i], NULL, 10);
        level = roll_level(&roll, frame);
        roll_dim(&roll, frame, level, to);
        printf("%lu\n", (unsigned long)level);
        for (i = 0; i < roll.header.frame_bytes; i++)
            printf(i ? " %d" : "%d", to[i]);
        puts("");
        free(frame);
        free(to);
    } else {
        return 2;
    }
    free(memory);
    free(bytes);
    return 0;
}
