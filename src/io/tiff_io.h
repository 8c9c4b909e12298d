/* tiff_io.h - what the TIFF sources share: a handle whose messages stay with it, and the EXIF directory. */
#ifndef RF_TIFF_IO_H
#define RF_TIFF_IO_H

#include <tiffio.h>

#include "io_codec.h"

#if TIFFLIB_VERSION < 20221213
#error "libtiff 4.5 or newer is needed: older ones print errors, or keep them in a global handler"
#endif

/* Where libtiff's messages end up: the first error of a handle, never stderr. */
typedef struct tiff_messages {
    int errors;
    int lost; /* a tag was dropped for want of memory, or because the disk or card failed */
    char text[RF_CODEC_MESSAGE_BYTES];
} tiff_messages;

/* Opens on a descriptor that stays the caller's: end with TIFFCleanup, not TIFFClose. NULL: see messages. */
TIFF *tiff_open(int fd, const char *path, const char *mode, int64_t most_bytes, tiff_messages *messages);

/* EXIF values of the first directory (Orientation, Make, Model) and its EXIF directory, as values and as a compact
 * block. Leaves the first directory current; returns 0 when it could not. */
rf_status tiff_read_exif(TIFF *tiff, rf_metadata *metadata, int *directory_kept, rf_error *err) RF_CHECKED;

/* Writes an EXIF directory and leaves a fresh, empty first directory; *offset is 0 when there is nothing to say. */
int tiff_write_exif(TIFF *tiff, const rf_metadata *metadata, const rf_exif_extra *extra, uint64_t *offset);

/* ---- tiff_pack.c: rows in, packed strips out, some at a time ---- */

typedef struct tiff_pack tiff_pack;

enum { RF_TIFF_STRIPS = 16 }; /* that a round makes at the most */

rf_status tiff_pack_create(tiff_pack **pack, const rf_picture_spec *spec, rf_error *err) RF_CHECKED;
void tiff_pack_destroy(tiff_pack **pack);
int tiff_pack_rows_per_strip(const tiff_pack *pack);
void tiff_pack_take(tiff_pack *pack, const void *row); /* not when it is full */
int tiff_pack_is_full(const tiff_pack *pack);
/* Packs what was taken in, by the spec's pool, and returns how many strips it made; where they lie stays good through
 * one more round. Only the last round may end in a part strip. */
int tiff_pack_run(tiff_pack *pack);
void *tiff_pack_strip(const tiff_pack *pack, int i, size_t *bytes); /* 0 bytes: it could not be packed */

/* ---- between tiff_read.c (what is in the file) and tiff_pixels.c (how to get it out) ---- */

typedef struct tiff_reader {
    TIFF *tiff;
    tiff_messages messages;
    uint32_t width, height;
    int samples;         /* a pixel, as stored, extras included */
    size_t sample_bytes; /* 1, 2 or 4 */
    int planes;          /* 1 contiguous, or `samples` */
    int inverted;        /* MinIsWhite */
    uint8_t palette[3][256];
    int has_palette;
    int compression;
    uint32_t rows_per_strip;
    void *block; /* strip, tile or row as decoded */
} tiff_reader;

rf_status tiff_read_pixels(rf_decoder *decoder, rf_image *image, rf_error *err) RF_CHECKED;
rf_status tiff_fail(const rf_decoder *decoder, rf_error *err);

#endif
