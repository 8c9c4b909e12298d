/* test_picture.h - pictures of repeatable noise. */
#ifndef RF_TEST_TEST_PICTURE_H
#define RF_TEST_TEST_PICTURE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "near.h"
#include "railfold/memory.h"
#include "railfold/merge.h"

static inline rf_image make(int width, int height, int channels)
{
    rf_image image = {0};
    assert_int_equal(rf_image_alloc(&image, width, height, channels, RF_F32, "a test picture", NULL), RF_OK);
    return image;
}

/* Repeatable noise in 0..1. */
static inline float noise_at(unsigned x, unsigned y, unsigned c, unsigned seed)
{
    unsigned h = x * 374761393u + y * 668265263u + c * 2246822519u + seed * 3266489917u;
    h = (h ^ (h >> 13)) * 1274126177u;
    return (float)((h ^ (h >> 16)) & 0xffffff) / (float)0xffffff;
}

static inline void fill_noise(rf_image *image, unsigned seed, float low, float high)
{
    for (int y = 0; y < image->height; y++)
        for (int x = 0; x < image->width * image->channels; x++)
            rf_image_row_f32(image, y)[x] = low + (high - low) * noise_at((unsigned)x, (unsigned)y, 0, seed);
}

static inline double worst(const rf_image *a, const rf_image *b)
{
    double most = 0;
    for (int y = 0; y < a->height; y++)
        for (int x = 0; x < a->width * a->channels; x++)
            most = fmax(most, fabs((double)(rf_image_row_f32(a, y)[x] - rf_image_row_f32(b, y)[x])));
    return most;
}

static inline void fill_spans(int (*spans)[2], int height, int begin, int end)
{
    for (int y = 0; y < height; y++)
        spans[y][0] = begin, spans[y][1] = end;
}

#endif
