/* image.h - the one picture type.
 *
 * Coordinates, for the whole project: origin at the CENTRE of the top-left pixel, x right, y down, in pixels. Samples
 * are interleaved (channel fastest). Sample values stay in the file's own encoding (no colour conversion): 0..255 for
 * RF_U8, 0..65535 for RF_U16, and 0..1 (white = 1) for RF_F32. Colour order is R, G, B. */
#ifndef RF_IMAGE_H
#define RF_IMAGE_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/pool.h"
#include "railfold/status.h"

typedef enum rf_sample { RF_U8, RF_U16, RF_F32 } rf_sample;

typedef struct rf_image {
    void *data;        /* owned; rows start on RF_ALIGN_BYTES */
    int width, height; /* pixels */
    int channels;      /* 1 grey or 3 RGB */
    rf_sample sample;
    size_t stride_bytes; /* from one row to the next */
} rf_image;

/* The largest width or height, and pixel count, anything in railfold accepts unless told otherwise. */
enum { RF_MAX_SIDE_PX = 100000 };
#define RF_MAX_PIXELS ((int64_t)400 * 1000 * 1000)

size_t rf_sample_bytes(rf_sample sample);

/* A zeroed picture. *image must be zero-initialised or freed. RF_ERR_MEMORY on failure. */
rf_status rf_image_alloc(rf_image *image, int width, int height, int channels, rf_sample sample, const char *what,
                         rf_error *err) RF_CHECKED;
/* The same, not zeroed: for a picture that is filled whole before it is read. */
rf_status rf_image_alloc_raw(rf_image *image, int width, int height, int channels, rf_sample sample, const char *what,
                             rf_error *err) RF_CHECKED;
/* Zeroes all rows on all threads. */
void rf_image_clear(rf_image *image, rf_pool *pool);
void rf_image_free(rf_image *image); /* nulls it; fine on a zeroed one */

static inline void *rf_image_row(const rf_image *image, int y)
{
    return (char *)image->data + (size_t)y * image->stride_bytes;
}
static inline float *rf_image_row_f32(const rf_image *image, int y)
{
    return (float *)rf_image_row(image, y);
}

/* One row, n samples (pixels * channels), between a file's own sample type and float 0..1. Writing rounds to nearest
 * and clips. */
void rf_row_to_f32(float *out, const void *in, rf_sample sample, size_t n);
void rf_row_from_f32(void *out, const float *in, rf_sample sample, size_t n);

/* Whole picture to float 0..1; `out` has the same shape and RF_F32. */
void rf_image_to_f32(const rf_image *in, rf_image *out, rf_pool *pool);

/* Luma (Rec. ITU-R BT.601 weights 0.299, 0.587, 0.114, on coded values) of a picture, one channel, each output pixel
 * the mean of a reduce x reduce block (1 <= reduce <= 1024; rest rows and columns are dropped), rounded when `out`
 * holds whole numbers. `out` is allocated by the caller: width / reduce by height / reduce, any sample type. */
void rf_image_luma(const rf_image *in, int reduce, rf_image *out, rf_pool *pool);

/* A picture of one channel halved, as sharp as its pixels can show: pixel (x, y) lies amid the four from (2x, 2y) on,
 * and along both directions six samples are weighted 128, 26 and -26 of 256 by their distance of 1/2, 3/2 and 5/2;
 * beyond the edge lie those of the edge. `out`: allocated by the caller, width / 2 by height / 2, of the same sample
 * type, RF_U8 or RF_U16. Source of the weights: of the filters tried, those whose halves gave depth and picture as the
 * halved decode of a JPEG does; means of 2 x 2 are too soft for that (docs/speed-history.md). */
void rf_image_halve(const rf_image *in, rf_image *out, rf_pool *pool);

/* sRGB transfer function (IEC 61966-2-1:1999), coded 0..1 to linear light 0..1 and back; values outside are clipped. */
float rf_linear_from_coded(float coded);
float rf_coded_from_linear(float linear);

#endif
