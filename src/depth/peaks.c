/* peaks.c - the focus curve, streamed: local maxima found as frames pass by, the best few kept. */
#include <math.h>

#include "depth/state.h"

static const float SMALLEST_SHARE = 1e-3f;

/* Sums of weight * x^i and weight * y * x^i, y = -1 / sqrt(energy). Real focus curves fall slower than the Gaussian
 * that a parabola through logarithms stands for: their fits are drawn to whole frames by up to 0.07 step. 1 /
 * sqrt(energy), the inverse of the amplitude of detail, is close to a parabola of the distance from focus. */
typedef struct fit_sums {
    float s[5], t[3];
} fit_sums;

static void fit_add(fit_sums *f, float x, float share)
{
    share = share > SMALLEST_SHARE ? share : SMALLEST_SHARE;
    float w = share * share, y = -1.0f / sqrtf(share), x2 = x * x;
    f->s[0] += w;
    f->s[1] += w * x;
    f->s[2] += w * x2;
    f->s[3] += w * x2 * x;
    f->s[4] += w * x2 * x2;
    f->t[0] += w * y;
    f->t[1] += w * y * x;
    f->t[2] += w * y * x2;
}

/* -b / 2c of the least-squares parabola a + b x + c x^2, by Cramer's rule; 0 when it does not open downwards. */
static float fit_vertex(const fit_sums *f)
{
    const float *s = f->s, *t = f->t;
    float b =
        s[0] * (t[1] * s[4] - s[3] * t[2]) - t[0] * (s[1] * s[4] - s[3] * s[2]) + s[2] * (s[1] * t[2] - t[1] * s[2]);
    float c =
        s[0] * (s[2] * t[2] - t[1] * s[3]) - s[1] * (s[1] * t[2] - t[1] * s[2]) + t[0] * (s[1] * s[3] - s[2] * s[2]);
    float determinant =
        s[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (s[1] * s[4] - s[3] * s[2]) + s[2] * (s[1] * s[3] - s[2] * s[2]);
    if (!(determinant > 0.0f) || !(c < 0.0f))
        return 0.0f;
    return -0.5f * b / c;
}

float rf_peak_position(const float *e, const int *frames, int count, int centre)
{
    fit_sums sums = {{0}, {0}};
    float top = e[centre] > 0.0f ? 1.0f / e[centre] : 0.0f;
    int used = 1;
    fit_add(&sums, 0.0f, 1.0f);
    /* Outwards as long as the curve falls: past a valley another surface's peak begins. */
    for (int i = centre - 1; i >= 0 && e[i] < e[i + 1] && e[i] > 0.0f; i--, used++)
        fit_add(&sums, (float)(frames[i] - frames[centre]), e[i] * top);
    for (int i = centre + 1; i < count && e[i] <= e[i - 1] && e[i] > 0.0f; i++, used++)
        fit_add(&sums, (float)(frames[i] - frames[centre]), e[i] * top);
    if (centre == 0 || centre == count - 1 || used < 3)
        return (float)frames[centre];
    /* Beyond half the way to a neighbour that would be the sharper one. */
    float offset = fit_vertex(&sums), low = 0.5f * (float)(frames[centre - 1] - frames[centre]);
    float high = 0.5f * (float)(frames[centre + 1] - frames[centre]);
    offset = offset < low ? low : offset > high ? high : offset;
    return (float)frames[centre] + offset;
}

static void keep(rf_focus *focus, rf_peak peak)
{
    int at = RF_DEPTH_PEAKS - 1;
    for (; at > 0 && peak.energy > focus->peak[at - 1].energy; at--)
        focus->peak[at] = focus->peak[at - 1];
    focus->peak[at] = peak;
}

typedef struct take_job {
    rf_depth *depth;
    int centre;
} take_job;

static void take_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const take_job *job = arg;
    rf_depth *d = job->depth;
    int centre = job->centre, count = d->ring_count;
    for (int j = begin; j < end; j++) {
        const float *row[RF_FIT_POINTS];
        rf_focus *focus = d->focus + (size_t)j * (size_t)d->energy_width;
        for (int r = 0; r < count; r++)
            row[r] = rf_image_row_f32(&d->ring[r], j);
        const float *here = row[centre];
        for (int i = 0; i < d->energy_width; i++) {
            float e = here[i];
            if (e > 0.0f && (e < focus[i].lowest || focus[i].lowest == 0.0f))
                focus[i].lowest = e;
            /* A frame that does not reach here has no energy; a maximum beside one may be the slope of a higher one. */
            if ((centre > 0 && (row[centre - 1][i] >= e || row[centre - 1][i] <= 0.0f)) ||
                (centre + 1 < count && (row[centre + 1][i] > e || row[centre + 1][i] <= 0.0f)) ||
                !(e > focus[i].peak[RF_DEPTH_PEAKS - 1].energy))
                continue;
            float curve[RF_FIT_POINTS];
            for (int r = 0; r < count; r++)
                curve[r] = row[r][i];
            keep(&focus[i], (rf_peak){rf_peak_position(curve, d->ring_frame, count, centre), e});
        }
    }
}

void rf_peaks_take(rf_depth *depth, int centre)
{
    take_job job = {depth, centre};
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, take_rows, &job);
}
