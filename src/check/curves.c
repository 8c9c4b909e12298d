/* curves.c - from cells to focus curves, their peaks, and the distances between frames. */
#include <math.h>
#include <stdlib.h>

#include "check/look.h"
#include "railfold/memory.h"

#define FLAT_QUANTILE 0.10     /* cells below it in energy show the noise alone */
#define LEAST_PEAK_NOISE 12.0f /* a peak stands so many times above the noise, */
#define LEAST_PEAK_SHARE 0.02f /* and is no less than this share of the take's strong peaks */

/* A bell exp(-x^2 / 2 s^2) bends by 1 / s^2 a step in its logarithm and is sqrt(8 ln 2) s wide at half its height. */
#define BELL_WIDTH 5.545177f
#define STEADY 0.4f /* least energy over greatest, in takes of STEADY_FRAMES and more */
enum { STEADY_FRAMES = 10 };

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double rf_quantile(double *values, int count, double share)
{
    if (count < 1)
        return 0;
    qsort(values, (size_t)count, sizeof *values, compare_doubles);
    double at = share * (count - 1);
    int low = (int)at, high = low + 1 < count ? low + 1 : low;
    return values[low] + (at - low) * (values[high] - values[low]);
}

double rf_median(double *values, int count)
{
    return rf_quantile(values, count, 0.5);
}

/* The calmest tenth of the calmest frame. */
static void find_noise(rf_look *look, double *sorted)
{
    double least = -1;
    for (int k = 0; k < look->count; k++) {
        int n = 0;
        for (int c = 0; c < rf_look_cells(look); c++)
            if (rf_look_frame(look, k)[c].energy >= 0)
                sorted[n++] = (double)rf_look_frame(look, k)[c].energy;
        double flat = rf_quantile(sorted, n, FLAT_QUANTILE);
        if (n > 0 && (least < 0 || flat < least))
            least = flat;
    }
    look->noise = least > 1e-8 ? least : 1e-8;
}

/* A frame that does not show the cell is a hole in its curve, and not its flank. */
static int seen_through(const rf_look *look, int cell, int first, int last)
{
    for (int k = first; k <= last; k++)
        if (rf_look_frame(look, k)[cell].energy < 0)
            return 0;
    return 1;
}

static void find_peak(const rf_look *look, int cell, rf_cell_peak *peak)
{
    int best = -1, n = look->count;
    float most = 0, least = 1e30f;
    for (int k = 0; k < n; k++) {
        float signal = rf_look_signal(look, k, cell);
        if (rf_look_frame(look, k)[cell].energy >= 0 && signal < least)
            least = signal;
        if (signal > most) {
            most = signal;
            best = k;
        }
    }
    *peak = (rf_cell_peak){.frame = best, .position = (float)best, .energy = most};
    peak->steady = n >= STEADY_FRAMES && least > STEADY * most;
    if (best < 1 || best > n - 2)
        return;
    float half = 0.5f * most, floor_energy = 0.01f * most;
    float a = logf(fmaxf(rf_look_signal(look, best - 1, cell), floor_energy)), b = logf(most),
          c = logf(fmaxf(rf_look_signal(look, best + 1, cell), floor_energy)), bend = 2 * b - a - c;
    if (bend > 1e-6f) {
        peak->position += 0.5f * (c - a) / bend;
        if (seen_through(look, cell, best - 1, best + 1))
            peak->top_width = sqrtf(BELL_WIDTH / bend);
    }
    int left = best, right = best;
    while (left > 0 && rf_look_signal(look, left, cell) > half)
        left--;
    while (right < n - 1 && rf_look_signal(look, right, cell) > half)
        right++;
    float l = rf_look_signal(look, left, cell), l1 = rf_look_signal(look, left + 1, cell);
    float r = rf_look_signal(look, right, cell), r1 = rf_look_signal(look, right - 1, cell);
    if (l > half || r > half || !seen_through(look, cell, left, right))
        return;
    peak->width = ((float)right - (half - r) / (r1 - r)) - ((float)left + (half - l) / (l1 - l));
}

/* Cells with too little to be sharp are no part of the subject. */
static void find_peaks(rf_look *look, double *sorted)
{
    int n = 0, subject = 0, cells = rf_look_cells(look);
    for (int c = 0; c < cells; c++) {
        find_peak(look, c, &look->peaks[c]);
        sorted[n++] = (double)look->peaks[c].energy;
    }
    float strong = (float)rf_quantile(sorted, n, 0.9);
    for (int c = 0; c < cells; c++) {
        rf_cell_peak *peak = &look->peaks[c];
        if (peak->steady || peak->energy < LEAST_PEAK_NOISE * (float)look->noise ||
            peak->energy < LEAST_PEAK_SHARE * strong)
            peak->frame = -1;
        subject += peak->frame >= 0;
    }
    look->result->subject_share = cells > 0 ? (double)subject / cells : 0;
    for (int c = 0; c < cells; c++)
        if (look->peaks[c].frame >= 0)
            look->result->frames[look->peaks[c].frame].sharp_fraction += 1.0 / subject;
}

double rf_look_angle_without(const rf_look *look, int i, int j, const unsigned char *without)
{
    const rf_cell *a = rf_look_frame(look, i), *b = rf_look_frame(look, j);
    double both = 0, sum_a = 0, sum_b = 0;
    for (int c = 0; c < rf_look_cells(look); c++) {
        if (a[c].energy < 0 || b[c].energy < 0 || look->peaks[c].frame < 0 || (without != NULL && without[c]))
            continue;
        double p = (double)rf_look_signal(look, i, c), q = (double)rf_look_signal(look, j, c);
        both += sqrt(p * q);
        sum_a += p;
        sum_b += q;
    }
    if (!(sum_a > 0) || !(sum_b > 0))
        return -1;
    double cosine = both / sqrt(sum_a * sum_b);
    return acos(cosine < 1 ? cosine : 1);
}

static void angle_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    rf_look *look = arg;
    (void)block;
    (void)thread;
    for (int k = row_begin; k < row_end; k++)
        for (int back = 1; back <= RF_LOOK_SPAN; back++)
            look->angle[k * RF_LOOK_SPAN + back - 1] =
                k - back >= 0 ? rf_look_angle_without(look, k - back, k, NULL) : -1;
}

rf_status rf_look_curves(rf_look *look, rf_error *err)
{
    rf_status status;
    double *sorted = NULL;
    RF_TRY(rf_alloc(&sorted, (size_t)rf_look_cells(look) + 1, sizeof *sorted, "the cells", err));
    find_noise(look, sorted);
    find_peaks(look, sorted);
    rf_pool_rows(look->pool, look->count, 1, angle_rows, look);
done:
    rf_free(sorted);
    return status;
}
