/* exif_memory.c - see exif_memory.h. */
#include "exif_memory.h"

#include <stdlib.h>

/* libexif hands its allocators no argument to note it in. */
static _Thread_local int ran_out;

static void *note(void *block)
{
    ran_out |= block == NULL;
    return block;
}

static void *allocate(ExifLong bytes)
{
    return note(calloc(bytes > 0 ? bytes : 1, 1)); /* zeroed, as libexif's own */
}

static void *reallocate(void *block, ExifLong bytes)
{
    return note(realloc(block, bytes > 0 ? bytes : 1));
}

ExifMem *rf_exif_memory_new(void)
{
    ran_out = 0;
    return note(exif_mem_new(allocate, reallocate, free));
}

int rf_exif_memory_ran_out(void)
{
    return ran_out;
}
