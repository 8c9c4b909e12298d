/* halve.c - a picture half as large, as sharp as its pixels can show. */
#include "railfold/image.h"

#include "base/hot.h"

enum { BLOCK_ROWS = 32, PIXELS = 512, REACH = 2, TAPS = 6 };

/* Of a pixel's own two, the next and the second next, on both sides; shares of 256, 128 a side. */
static const float OWN = 128.0f / 256.0f, NEXT = 26.0f / 256.0f, SECOND = -26.0f / 256.0f;

/* Filtered downwards: the even and the odd columns from 2 * first on, n of each. */
#define HALVE_DOWN(name, type)                                                                                         \
    RF_HOT static void name(const void *const rows[TAPS], int first, int n, float *restrict even, float *restrict odd) \
    {                                                                                                                  \
        const type *restrict a = (const type *)rows[0] + 2 * first, *restrict b = (const type *)rows[1] + 2 * first;   \
        const type *restrict c = (const type *)rows[2] + 2 * first, *restrict d = (const type *)rows[3] + 2 * first;   \
        const type *restrict e = (const type *)rows[4] + 2 * first, *restrict f = (const type *)rows[5] + 2 * first;   \
        for (int x = 0; x < n; x++) {                                                                                  \
            int i = 2 * x, j = 2 * x + 1;                                                                              \
            even[x] = OWN * (float)(c[i] + d[i]) + NEXT * (float)(b[i] + e[i]) + SECOND * (float)(a[i] + f[i]);        \
            odd[x] = OWN * (float)(c[j] + d[j]) + NEXT * (float)(b[j] + e[j]) + SECOND * (float)(a[j] + f[j]);         \
        }                                                                                                              \
    }

HALVE_DOWN(halve_down_u8, uint8_t)
HALVE_DOWN(halve_down_u16, uint16_t)

/* Filtered across, from columns of which one more lies on either side. */
#define HALVE_ACROSS(name, type, white)                                                                                \
    RF_HOT static void name(const float *restrict even, const float *restrict odd, int n, type *restrict out)          \
    {                                                                                                                  \
        for (int x = 0; x < n; x++) {                                                                                  \
            float v = OWN * (even[x] + odd[x]) + NEXT * (odd[x - 1] + even[x + 1]) +                                   \
                      SECOND * (even[x - 1] + odd[x + 1]) + 0.5f;                                                      \
            v = v > 0.0f ? v : 0.0f;                                                                                   \
            out[x] = (type)(int)(v < (white) ? v : (white));                                                           \
        }                                                                                                              \
    }

HALVE_ACROSS(halve_across_u8, uint8_t, 255.0f)
HALVE_ACROSS(halve_across_u16, uint16_t, 65535.0f)

typedef struct halve_job {
    const rf_image *in;
    rf_image *out;
} halve_job;

/* So many columns of row y at a time that what lies between the two filters stays near. */
static void halve_row(const halve_job *job, int y)
{
    const rf_image *in = job->in, *out = job->out;
    const void *rows[TAPS];
    for (int i = 0; i < TAPS; i++) {
        int from = 2 * y + i - REACH;
        rows[i] = rf_image_row(in, from < 0 ? 0 : from >= in->height ? in->height - 1 : from);
    }
    for (int x = 0; x < out->width; x += PIXELS) {
        float even_room[PIXELS + 2], odd_room[PIXELS + 2], *even = even_room + 1, *odd = odd_room + 1;
        int n = out->width - x < PIXELS ? out->width - x : PIXELS, before = x > 0, after = x + n < out->width;
        if (in->sample == RF_U8)
            halve_down_u8(rows, x - before, n + before + after, even - before, odd - before);
        else
            halve_down_u16(rows, x - before, n + before + after, even - before, odd - before);
        if (!before)
            even[-1] = odd[-1] = even[0];
        if (!after)
            even[n] = odd[n] = odd[n - 1];
        if (in->sample == RF_U8)
            halve_across_u8(even, odd, n, (uint8_t *)rf_image_row(out, y) + x);
        else
            halve_across_u16(even, odd, n, (uint16_t *)rf_image_row(out, y) + x);
    }
}

static void halve_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const halve_job *job = arg;
    for (int y = begin; y < end; y++)
        halve_row(job, y);
}

void rf_image_halve(const rf_image *in, rf_image *out, rf_pool *pool)
{
    halve_job job = {.in = in, .out = out};
    rf_pool_rows(pool, out->height, BLOCK_ROWS, halve_rows, &job);
}
