/* What the programs of these tests share: a roll in memory that can be made to fail, and playing it whole. */
#ifndef MEMORY_H
#define MEMORY_H

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "roll.h"

typedef struct {
    const uint8_t *bytes;
    uint32_t size;
    uint32_t reads;   /* calls so far */
    uint32_t fail_at; /* the number of the call that fails; UINT32_MAX: none */
    uint32_t fail_for; /* how many fail from there on */
    uint32_t once;    /* UINT32_MAX, or a byte that reads differently the second time and later */
    uint32_t seen;    /* times that it was read */
} memory_file;

static int memory_read(void *ctx, uint32_t at, void *to, uint32_t n)
{
    memory_file *file = ctx;
    uint32_t call = file->reads++;
    if (at > file->size || n > file->size - at)
        abort(); /* never asked beyond the end */
    if (call >= file->fail_at && call - file->fail_at < file->fail_for) {
        memset(to, 0xa5, n); /* what a driver may leave behind */
        return -1;
    }
    memcpy(to, file->bytes + at, n);
    if (file->once - at < n && file->seen++)
        ((uint8_t *)to)[file->once - at] ^= 0x04;
    return 0;
}

static inline memory_file memory_of(const uint8_t *bytes, uint32_t size)
{
    memory_file file = {0, 0, 0, UINT32_MAX, UINT32_MAX, UINT32_MAX, 0};
    file.bytes = bytes;
    file.size = size;
    return file;
}

/* Measure, take exactly the memory that is needed, open. The status; *memory is to be freed. */
static inline int open_memory(roll_t *roll, memory_file *file, void **memory)
{
    int status = roll_measure(roll, memory_read, file, file->size);
    *memory = NULL;
    if (status != ROLL_OK)
        return status;
    *memory = malloc(roll->needs);
    if (*memory == NULL)
        abort();
    memset(*memory, 0xa5, roll->needs); /* nothing may be taken for granted of it */
    return roll_open(roll, *memory, roll->needs);
}

/* Not every program has files. */
static inline uint8_t *read_whole(const char *name, uint32_t *size)
{
    FILE *file = fopen(name, "rb");
    uint8_t *bytes;
    long length;
    if (file == NULL || fseek(file, 0, SEEK_END) != 0 || (length = ftell(file)) < 0)
        exit(3);
    rewind(file);
    bytes = malloc((size_t)length + 1);
    if (bytes == NULL || fread(bytes, 1, (size_t)length, file) != (size_t)length)
        exit(3);
    fclose(file);
    *size = (uint32_t)length;
    return bytes;
}

#endif
