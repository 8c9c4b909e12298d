/* peaks.c - the focus curve, streamed: local maxima found as frames pass by, the best few kept. */
#include <math.h>

#include "base/hot.h"
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

/* The smallest energy that a frame has at each place; 0 as long as none reaches it. */
RF_HOT static void lower_row(float *restrict lowest, const float *restrict energy, int n)
{
    for (int i = 0; i < n; i++) {
        float e = energy[i], least = lowest[i];
        lowest[i] = (e > 0.0f) & ((e < least) | (least == 0.0f)) ? e : least;
    }
}

/* Where the frame is sharper than the one before and no less than the one after. A frame that does not reach a place
 * has no energy there; a maximum beside one may be the slope of a higher one. Less than the `least` peak kept is none.
 */
RF_HOT static void mark_peaks(const float *before, const float *restrict here, const float *after,
                              const float *restrict least, int n, uint8_t *restrict peaks)
{
    for (int i = 0; i < n; i++)
        peaks[i] = here[i] > least[i];
    for (int i = 0; before != NULL && i < n; i++)
        peaks[i] &= (before[i] < here[i]) & (before[i] > 0.0f);
    for (int i = 0; after != NULL && i < n; i++)
        peaks[i] &= (after[i] <= here[i]) & (after[i] > 0.0f);
}

static void take_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const take_job *job = arg;
    rf_depth *d = job->depth;
    int centre = job->centre, count = d->ring_count;
    for (int j = begin; j < end; j++) {
        const float *row[RF_FIT_POINTS], *here = rf_image_row_f32(&d->ring[centre], j);
        rf_focus *focus = rf_focus_row(d, j);
        float *least = rf_image_row_f32(&d->least, j);
        uint8_t *peaks = d->peaks + (size_t)thread * (size_t)d->energy_width;
        for (int r = 0; r < count; r++)
            row[r] = rf_image_row_f32(&d->ring[r], j);
        lower_row(rf_image_row_f32(&d->lowest, j), here, d->energy_width);
        mark_peaks(centre > 0 ? row[centre - 1] : NULL, here, centre + 1 < count ? row[centre + 1] : NULL, least,
                   d->energy_width, peaks);
        for (int i = 0; i < d->energy_width; i++) {
            if (!peaks[i])
                continue;
            float curve[RF_FIT_POINTS];
            for (int r = 0; r < count; r++)
                curve[r] = row[r][i];
            keep(&focus[i], (rf_peak){rf_peak_position(curve, d->ring_frame, count, centre), here[i]});
            least[i] = focus[i].peak[RF_DEPTH_PEAKS - 1].energy;
        }
    }
}

void rf_peaks_take(rf_depth *depth, int centre)
{
    take_job job = {depth, centre};
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, take_rows, &job);
}

static void end_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    for (int j = begin; j < end; j++)
        for (int i = 0; i < d->energy_width; i++)
            rf_focus_row(d, j)[i].lowest = rf_image_row_f32(&d->lowest, j)[i];
}

void rf_peaks_end(rf_depth *depth)
{
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, end_rows, depth);
}
