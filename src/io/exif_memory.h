/* exif_memory.h - libexif drops what it has no memory for without a word; with this memory it is known afterwards. */
#ifndef RF_EXIF_MEMORY_H
#define RF_EXIF_MEMORY_H

#include <libexif/exif-mem.h>

/* The memory of the next parse or build of this thread; NULL when there is none. */
ExifMem *rf_exif_memory_new(void);
/* Whether anything was refused to this thread since. */
int rf_exif_memory_ran_out(void);

#endif
