/* draw_in.c - pooled energies drawn in by the harmonic mean. */
#include <string.h>

#include "base/hot.h"
#include "sharpness/state.h"

static const float FLOOR_SHARE = 0.2f; /* keeps reciprocals finite; 0.03 to 1 give the same depth */

enum {
    WINDOW = 2 * RF_DRAW_IN_RADIUS + 1,
    BLOCK_ROWS = 64,
    MARGIN = 16 /* floats to either side of a row of sums */
};

typedef struct draw_in_job {
    rf_sharpness *s;
    float add; /* before a reciprocal is taken */
    rf_image *energy;
} draw_in_job;

static size_t row_floats(int energy_width)
{
    return ((size_t)energy_width + 15) / 16 * 16;
}

size_t rf_draw_in_scratch(int energy_width)
{
    return (WINDOW + 1) * row_floats(energy_width) + 2 * MARGIN;
}

RF_HOT static void invert(const float *restrict row, int n, float add, float *restrict out)
{
    for (int i = 0; i < n; i++)
        out[i] = 1.0f / (row[i] + add);
}

RF_HOT static void mean_down(const rf_kernel *k, const float *const row[WINDOW], int width, float *restrict sum)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2], t3 = k->tap[3], t4 = k->tap[4];
    const float *a = row[0], *b = row[1], *c = row[2], *d = row[3], *e = row[4], *f = row[5], *g = row[6], *h = row[7],
                *l = row[8];
    for (int i = 0; i < width; i++)
        sum[i] = t0 * e[i] + t1 * (d[i] + f[i]) + t2 * (c[i] + g[i]) + t3 * (b[i] + h[i]) + t4 * (a[i] + l[i]);
}

/* Along the row, and back from reciprocals; `sum` has room for the radius on both sides. */
RF_HOT static void mean_across(const rf_kernel *k, float *sum, int width, float *restrict out)
{
    const float t0 = k->tap[0], t1 = k->tap[1], t2 = k->tap[2], t3 = k->tap[3], t4 = k->tap[4];
    for (int i = 1; i <= RF_DRAW_IN_RADIUS; i++) {
        sum[-i] = sum[0];
        sum[width - 1 + i] = sum[width - 1];
    }
    for (int i = 0; i < width; i++)
        out[i] = 1.0f / (t0 * sum[i] + t1 * (sum[i - 1] + sum[i + 1]) + t2 * (sum[i - 2] + sum[i + 2]) +
                         t3 * (sum[i - 3] + sum[i + 3]) + t4 * (sum[i - 4] + sum[i + 4]));
}

static void draw_in_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const draw_in_job *job = arg;
    rf_sharpness *s = job->s;
    int width = s->energy_width, done = -1;
    size_t stride = row_floats(width);
    float *ring = s->scratch + (size_t)thread * s->scratch_floats, *sum = ring + WINDOW * stride + MARGIN;
    for (int j = begin; j < end; j++) {
        const float *window[WINDOW];
        float *out = rf_image_row_f32(job->energy, j);
        for (int n = 0; n < WINDOW; n++) {
            int at = rf_within(j - RF_DRAW_IN_RADIUS + n, 0, s->energy_height - 1);
            float *row = ring + (size_t)(at % WINDOW) * stride;
            if (at > done) {
                invert(rf_image_row_f32(&s->pooled, at), width, job->add, row);
                done = at;
            }
            window[n] = row;
        }
        mean_down(&s->draw_in, window, width, sum);
        mean_across(&s->draw_in, sum, width, out);
        memset(out, 0, (size_t)s->inside[j][0] * sizeof *out);
        memset(out + s->inside[j][1], 0, (size_t)(width - s->inside[j][1]) * sizeof *out);
    }
}

void rf_draw_in(rf_sharpness *s, rf_image *energy)
{
    draw_in_job job = {.s = s, .add = FLOOR_SHARE * s->noise_floor, .energy = energy};
    rf_pool_rows(s->pool, s->energy_height, BLOCK_ROWS, draw_in_rows, &job);
}
