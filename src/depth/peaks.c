/* peaks.c - the focus curve, streamed: local maxima found as frames pass by, the best few kept. */
#include <float.h>
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

/* What does not count is added as 0, which leaves a sum as it is. */
RF_HOT_PART void fit_add(fit_sums *f, float x, float share, int counts)
{
    share = share > SMALLEST_SHARE ? share : SMALLEST_SHARE;
    float square = share * share, y = -1.0f / sqrtf(share), x2 = x * x, w = counts ? square : 0.0f;
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
RF_HOT_PART float fit_vertex(const fit_sums *f)
{
    const float *s = f->s, *t = f->t;
    float b =
        s[0] * (t[1] * s[4] - s[3] * t[2]) - t[0] * (s[1] * s[4] - s[3] * s[2]) + s[2] * (s[1] * t[2] - t[1] * s[2]);
    float c =
        s[0] * (s[2] * t[2] - t[1] * s[3]) - s[1] * (s[1] * t[2] - t[1] * s[2]) + t[0] * (s[1] * s[3] - s[2] * s[2]);
    float determinant =
        s[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (s[1] * s[4] - s[3] * s[2]) + s[2] * (s[1] * s[3] - s[2] * s[2]);
    int opens = (determinant > 0.0f) & (c < 0.0f);
    return opens ? -0.5f * b / c : 0.0f;
}

float rf_peak_position(const float *e, const int *frames, int count, int centre)
{
    fit_sums sums = {{0}, {0}};
    float top = e[centre] > 0.0f ? 1.0f / e[centre] : 0.0f;
    int used = 1;
    fit_add(&sums, 0.0f, 1.0f, 1);
    /* Outwards as long as the curve falls: past a valley another surface's peak begins. */
    for (int i = centre - 1; i >= 0 && e[i] < e[i + 1] && e[i] > 0.0f; i--, used++)
        fit_add(&sums, (float)(frames[i] - frames[centre]), e[i] * top, 1);
    for (int i = centre + 1; i < count && e[i] <= e[i - 1] && e[i] > 0.0f; i++, used++)
        fit_add(&sums, (float)(frames[i] - frames[centre]), e[i] * top, 1);
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

/* ---- many places at once ---- */

enum { PLACES = 256 };

/* Curves of n places, e[r][i] that of place i at window entry r, and where they have their peaks. */
typedef struct curves {
    float e[RF_FIT_POINTS][PLACES], at[PLACES];
} curves;

/* The positions that rf_peak_position gives around the middle of whole windows, to the last bit. */
RF_HOT static void fit_middle(curves *c, int n, const int *frames)
{
    float x[RF_FIT_POINTS], frame = (float)frames[RF_FIT_CENTRE];
    for (int r = 0; r < RF_FIT_POINTS; r++)
        x[r] = (float)(frames[r] - frames[RF_FIT_CENTRE]);
    float low = 0.5f * x[RF_FIT_CENTRE - 1], high = 0.5f * x[RF_FIT_CENTRE + 1];
    const float *a = c->e[0], *b = c->e[1], *m = c->e[2], *d = c->e[3], *e = c->e[4];
    for (int i = 0; i < n; i++) {
        fit_sums sums = {{0}, {0}};
        float top = m[i] > 0.0f ? 1.0f / m[i] : 0.0f;
        int left = (b[i] < m[i]) & (b[i] > 0.0f), lefts = left & (a[i] < b[i]) & (a[i] > 0.0f);
        int right = (d[i] <= m[i]) & (d[i] > 0.0f), rights = right & (e[i] <= d[i]) & (e[i] > 0.0f);
        fit_add(&sums, 0.0f, 1.0f, 1);
        fit_add(&sums, x[1], b[i] * top, left);
        fit_add(&sums, x[0], a[i] * top, lefts);
        fit_add(&sums, x[3], d[i] * top, right);
        fit_add(&sums, x[4], e[i] * top, rights);
        float offset = fit_vertex(&sums);
        offset = offset < low ? low : offset > high ? high : offset;
        c->at[i] = left + lefts + right + rights < 2 ? frame : frame + offset;
    }
}

/* Which of n places have a local maximum `here` of more than `least`, as one bit of their marks; the least energy above
 * 0 so far. */
RF_HOT static void mark(const float *restrict before, const float *restrict here, const float *restrict after,
                        const float *restrict least, int n, int bit, uint8_t *restrict marks, float *restrict lowest)
{
    for (int i = 0; i < n; i++) {
        float e = here[i];
        /* A frame that does not reach here has no energy; a maximum beside one may be the slope of a higher one. */
        int rises = (before[i] < e) & (before[i] > 0.0f), falls = (after[i] <= e) & (after[i] > 0.0f);
        marks[i] |= (uint8_t)((rises & falls & (e > least[i])) << bit);
        lowest[i] = e > 0.0f && e < lowest[i] ? e : lowest[i];
    }
}

typedef struct take_job {
    rf_depth *depth;
    int first, end; /* ring entries to be taken */
} take_job;

/* The entries that entry `centre` is judged with: two to each side, at an end of the take what there is (the last but
 * one sees three before it). */
static int window_of(const rf_depth *d, int centre, int *count)
{
    int last = centre + RF_FIT_CENTRE < d->ring_count ? centre + RF_FIT_CENTRE : d->ring_count - 1;
    int first = centre - RF_FIT_CENTRE;
    if (last == d->ring_count - 1)
        first = last - RF_FIT_POINTS + 1;
    first = first > 0 ? first : 0;
    *count = last - first + 1;
    return first;
}

/* The maxima of one ring entry into the peaks of n places, counted from `left` and from `focus` on. */
static void take_entry(const rf_depth *d, int centre, int j, int left, const uint16_t *place, int n, rf_focus *focus)
{
    curves c;
    int count, first = window_of(d, centre, &count), at = centre - first;
    int middle = count == RF_FIT_POINTS && at == RF_FIT_CENTRE;
    for (int r = 0; r < count; r++) {
        const float *row = rf_image_row_f32(&d->ring[first + r], j) + left;
        for (int i = 0; i < n; i++)
            c.e[r][i] = row[place[i]];
    }
    if (middle)
        fit_middle(&c, n, d->ring_frame + first);
    for (int i = 0; i < n; i++) {
        float curve[RF_FIT_POINTS], e = c.e[at][i];
        if (!(e > focus[place[i]].peak[RF_DEPTH_PEAKS - 1].energy)) /* what came before may have filled it */
            continue;
        for (int r = 0; !middle && r < count; r++)
            curve[r] = c.e[r][i];
        float position = middle ? c.at[i] : rf_peak_position(curve, d->ring_frame + first, count, at);
        keep(&focus[place[i]], (rf_peak){position, e});
    }
}

/* n places of row j from `left` on: each is visited once for all entries of the batch. */
static void take_places(const take_job *job, int j, int left, int n)
{
    const rf_depth *d = job->depth;
    rf_focus *focus = rf_focus_row(d, j) + left;
    uint8_t marks[PLACES] = {0};
    float lowest[PLACES], none[PLACES], least[PLACES];
    uint16_t place[RF_RING][PLACES];
    int found[RF_RING] = {0};
    for (int i = 0; i < n; i++) {
        lowest[i] = INFINITY;
        none[i] = FLT_TRUE_MIN; /* beyond the take: lower than anything */
        least[i] = focus[i].peak[RF_DEPTH_PEAKS - 1].energy;
    }
    for (int t = job->first; t < job->end; t++)
        mark(t > 0 ? rf_image_row_f32(&d->ring[t - 1], j) + left : none, rf_image_row_f32(&d->ring[t], j) + left,
             t + 1 < d->ring_count ? rf_image_row_f32(&d->ring[t + 1], j) + left : none, least, n, t - job->first,
             marks, lowest);
    for (int i = 0; i < n; i++) {
        if (lowest[i] < focus[i].lowest || (focus[i].lowest == 0.0f && lowest[i] < INFINITY))
            focus[i].lowest = lowest[i];
        for (unsigned bits = marks[i], t = 0; bits != 0; bits >>= 1, t++)
            if (bits & 1)
                place[t][found[t]++] = (uint16_t)i;
    }
    for (int t = job->first; t < job->end; t++)
        if (found[t - job->first] > 0)
            take_entry(d, t, j, left, place[t - job->first], found[t - job->first], focus);
}

static void take_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const take_job *job = arg;
    int width = job->depth->energy_width;
    for (int j = begin; j < end; j++)
        for (int left = 0; left < width; left += PLACES)
            take_places(job, j, left, width - left < PLACES ? width - left : PLACES);
}

void rf_peaks_take(rf_depth *depth, int first, int end)
{
    take_job job = {depth, first, end};
    if (first < end)
        rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, take_rows, &job);
}
