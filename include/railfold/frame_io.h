/* frame_io.h - frames in, pictures out. The only module that knows file formats.
 *
 * In: JPEG (baseline, progressive; grey, YCbCr 4:4:4, 4:2:2, 4:2:0; CMYK is refused), PNG (8/16 bit, grey, RGB,
 * palette, alpha dropped), TIFF (8/16 bit, grey/RGB, strips and tiles, planar and contiguous,
 * none/LZW/deflate/PackBits, BigTIFF, both byte orders). Recognised by content, never by the ending. EXIF orientation
 * is applied: what comes out is upright. Out: TIFF (8/16 bit or 32-bit float; deflate, whole numbers with predictor;
 * BigTIFF when needed), PNG (8/16 bit), JPEG (8 bit, quality 95, 4:4:4), by ending. */
#ifndef RF_FRAME_IO_H
#define RF_FRAME_IO_H

#include <stdint.h>

#include "railfold/digest.h"
#include "railfold/image.h"
#include "railfold/metadata.h"
#include "railfold/status.h"

/* Tells whether a file was written to since: two equal stamps are of the same bytes, as far as the system knows. */
typedef struct rf_file_stamp {
    int64_t bytes, modified_ns;
} rf_file_stamp;

typedef struct rf_frame_info {
    int width, height;  /* pixels, upright (after EXIF orientation) */
    int channels;       /* 1 or 3 as read (palette -> 3, alpha dropped) */
    rf_sample sample;   /* RF_U8 or RF_U16 as read */
    int orientation;    /* EXIF 1..8 that was, or will be, undone */
    const char *format; /* "JPEG", "PNG" or "TIFF" (static text) */
    rf_file_stamp stamp;
} rf_frame_info;

typedef struct rf_frame_limits {
    int64_t max_pixels; /* refused from the header, before memory is taken */
    int max_side_px;
} rf_frame_limits;

rf_frame_limits rf_frame_limits_default(void); /* RF_MAX_PIXELS, RF_MAX_SIDE_PX */

/* The default with another pixel count; 0 or less keeps it. */
rf_frame_limits rf_frame_limits_pixels(int64_t max_pixels);

/* 1 when the first bytes are those of a format railfold reads, 0 when not, -1 when the file cannot be opened. A TIFF
 * container around sensor data (DNG version, colour filter array, a preview as first picture: camera raw) is 0. A
 * damaged picture is 1: reading it tells what is wrong. */
int rf_frame_is_known(const char *path);

/* 1 when the file is an output of railfold: TIFF/PNG/JPEG whose Software text starts with "railfold". */
int rf_frame_is_own_output(const char *path);

/* Header only. `metadata` may be NULL; else it must be initialised and is filled. RF_ERR_INPUT names the file and
 * fault. */
rf_status rf_frame_probe(const char *path, const rf_frame_limits *limits, rf_frame_info *info, rf_metadata *metadata,
                         rf_error *err) RF_CHECKED;

/* The whole frame, upright, in its own sample type. *image is reused when it already has the right shape, else
 * reallocated; the caller frees it. `info` and `metadata` may be NULL. A truncated or damaged file is RF_ERR_INPUT: no
 * half frame is ever returned, on any failure *image is freed and zeroed. A frame whose orientation is not 1 takes the
 * memory of a second one while it is turned. Safe to call from several threads at once on different images. */
rf_status rf_frame_read(const char *path, const rf_frame_limits *limits, rf_image *image, rf_frame_info *info,
                        rf_metadata *metadata, rf_error *err) RF_CHECKED;

/* Luma of the frame, RF_F32, one channel, 0..1, reduced by `reduce` = 1, 2, 4 or 8 (size: width / reduce by
 * height / reduce, rounded down): pixel (x, y) is the mean of its reduce x reduce block, so full-resolution position
 * X = reduce * x + (reduce - 1) / 2. JPEG decodes at reduced size and without colour: the same mean, rounded to 8 bits
 * (libjpeg-turbo's scaled inverse DCT averages neighbouring outputs of the whole one). *luma as *image above. */
rf_status rf_frame_read_luma(const char *path, const rf_frame_limits *limits, int reduce, rf_image *luma,
                             rf_frame_info *info, rf_metadata *metadata, rf_error *err) RF_CHECKED;

/* The same in another sample type, rounded: RF_U8 loses nothing of a JPEG's. */
rf_status rf_frame_read_luma_as(const char *path, const rf_frame_limits *limits, int reduce, rf_sample sample,
                                rf_image *luma, rf_frame_info *info, rf_metadata *metadata, rf_error *err) RF_CHECKED;

/* SHA-256 of the file's bytes, and the stamp it had (may be NULL). RF_ERR_INPUT names the file and fault. */
rf_status rf_file_digest(const char *path, char text[RF_SHA256_TEXT_BYTES], rf_file_stamp *stamp,
                         rf_error *err) RF_CHECKED;

/* ---- pictures out ---- */

typedef struct rf_writer rf_writer;

typedef struct rf_picture_spec {
    int width, height, channels; /* channels 1 or 3 */
    rf_sample sample;            /* RF_U8, RF_U16 (TIFF, PNG) or RF_F32 (TIFF only) */
    const rf_metadata *metadata; /* ICC and EXIF to carry over, or NULL */
    const char
        *description; /* UTF-8 text kept in the file (TIFF ImageDescription, PNG tEXt/iTXt, JPEG comment) or NULL */
    int jpeg_quality; /* 1..100; 0 means 95 */
    rf_pool *pool;    /* packs TIFF and PNG, until commit or abort, into the same bytes as without; NULL: none */
} rf_picture_spec;

/* Which sample type an output name stands for by its ending (.tif/.tiff RF_U16, .png RF_U16, .jpg/.jpeg RF_U8);
 * RF_ERR_USAGE naming the ending otherwise. */
rf_status rf_writer_sample_for(const char *path, rf_sample *sample, rf_error *err) RF_CHECKED;

/* Opens a temporary file ".railfold-..." beside `path`, after removing those that killed runs left of it. Same spec and
 * rows, same bytes: no time stamps. An ICC profile for another number of channels is left out. A symbolic link at
 * `path` is replaced, not followed. RF_ERR_OUTPUT when `path` exists and force is 0, the folder is missing or closed,
 * or the format cannot hold the spec.
 */
rf_status rf_writer_open(rf_writer **out, const char *path, const rf_picture_spec *spec, int force,
                         rf_error *err) RF_CHECKED;

/* The next `rows` rows (top to bottom) in the spec's sample type. */
rf_status rf_writer_rows(rf_writer *writer, const void *data, size_t stride_bytes, int rows, rf_error *err) RF_CHECKED;

/* After the last row: writes what the format still has to, with the spec's pool. What follows, commit or
 * rf_batch_add_writer, does this itself where it was not; done before, it waits for the disk alone and may run beside
 * other work. */
rf_status rf_writer_end_rows(rf_writer *writer, rf_error *err) RF_CHECKED;

/* Finishes, flushes to disk and renames over `path`; frees the writer either way. */
rf_status rf_writer_commit(rf_writer **writer, rf_error *err) RF_CHECKED;

/* Removes the temporary file and frees the writer. NULL is fine. */
void rf_writer_abort(rf_writer **writer);

/* open + rows + commit for a whole picture. */
rf_status rf_picture_write(const char *path, const rf_image *image, const rf_metadata *metadata,
                           const char *description, int force, rf_error *err) RF_CHECKED;

/* A picture (RF_U8) as JPEG in memory, with the ICC profile of `metadata` (NULL: none) when it fits the channels; no
 * other metadata. *bytes from rf_alloc. */
rf_status rf_picture_encode_jpeg(const rf_image *image, const rf_metadata *metadata, int quality, uint8_t **bytes,
                                 size_t *count, rf_error *err) RF_CHECKED;

/* A text file (report, list, page) by the same rule: temporary name, flush, rename. "-" writes nothing here: the CLI
 * does. */
rf_status rf_text_write(const char *path, const char *text, size_t bytes, int force, rf_error *err) RF_CHECKED;

/* ---- outputs that belong together ---- */

typedef struct rf_batch rf_batch;

/* Outputs are added finished, under temporary names, and get their names all at once: rf_batch_name leaves either all
 * of them or, with RF_ERR_OUTPUT, none, and what they were to replace is back (a file system without RENAME_EXCHANGE
 * excepted). A failed add frees what it was given and leaves the others as they are. Destroy removes what has no name
 * yet. */
rf_status rf_batch_create(rf_batch **batch, rf_error *err) RF_CHECKED;
rf_status rf_batch_add_writer(rf_batch *batch, rf_writer **writer, rf_error *err) RF_CHECKED;
rf_status rf_batch_add_picture(rf_batch *batch, const char *path, const rf_image *image, const char *description,
                               int force, rf_error *err) RF_CHECKED;
rf_status rf_batch_add_text(rf_batch *batch, const char *path, const char *text, size_t bytes, int force,
                            rf_error *err) RF_CHECKED;
/* SHA-256 of an output that was added and has no name yet. */
rf_status rf_batch_digest(const rf_batch *batch, const char *path, char text[RF_SHA256_TEXT_BYTES],
                          rf_error *err) RF_CHECKED;
rf_status rf_batch_name(rf_batch *batch, rf_error *err) RF_CHECKED;
void rf_batch_destroy(rf_batch **batch);

/* A single-channel map as float (32-bit float TIFF, or 16-bit PNG), and the description text it carries. For depth and
 * confidence maps; values as stored. *description from rf_alloc or NULL. */
rf_status rf_map_read(const char *path, const rf_frame_limits *limits, rf_image *map, char **description,
                      rf_error *err) RF_CHECKED;

#endif
