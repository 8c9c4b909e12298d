/* seed.c - windowed, magnitude-weighted phase correlation of the coarsest level.
 *
 * The cross spectrum is divided by the square root of its magnitude only: divided by all of it (Kuglin & Hines 1975),
 * the bins beyond the defocus null, whose sign is flipped and whose content is noise, would count in full. */
#include "pair.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

static const double PI = 3.14159265358979323846;

/* The next size that the transform takes quickly (factors 2, 3, 5), even. */
static int quick_size(int n)
{
    for (n += n % 2;; n += 2) {
        int m = n;
        while (m % 2 == 0)
            m /= 2;
        while (m % 3 == 0)
            m /= 3;
        while (m % 5 == 0)
            m /= 5;
        if (m == 1)
            return n;
    }
}

static void hann(float *window, int n)
{
    for (int i = 0; i < n; i++)
        window[i] = (float)(0.5 - 0.5 * cos(2 * PI * (i + 0.5) / n));
}

/* Two plans of 1100 x 735 pixels: 0.6 MB at the most, measured. */
enum { PLANNER_BYTES = 1 << 20 };

rf_status rf_pair_scratch_alloc(rf_pair_scratch *scratch, const rf_levels *levels, rf_error *err)
{
    rf_status status;
    void *room;
    const rf_level *fine = &levels->level[0], *coarse = &levels->level[levels->count - 1];
    memset(scratch, 0, sizeof *scratch);
    scratch->width = fine->width;
    scratch->height = fine->height;
    size_t tiles = (size_t)fine->across * (size_t)fine->down + 1;
    for (int l = 1; l < levels->count; l++) { /* small levels have smaller tiles, perhaps more of them */
        size_t count = (size_t)levels->level[l].across * (size_t)levels->level[l].down + 1;
        tiles = count > tiles ? count : tiles;
    }
    scratch->sort_count = (size_t)coarse->width * (size_t)coarse->height;
    scratch->sort_count = 2 * (scratch->sort_count > tiles ? scratch->sort_count : tiles);
    scratch->fft_width = quick_size(coarse->width);
    scratch->fft_height = quick_size(coarse->height);
    size_t area = (size_t)scratch->fft_width * (size_t)scratch->fft_height;
    RF_TRY(rf_alloc(&scratch->tiles, tiles, sizeof *scratch->tiles, "the alignment tiles", err));
    RF_TRY(rf_alloc(&scratch->sort, scratch->sort_count, sizeof *scratch->sort, "the alignment tiles", err));
    RF_TRY(rf_alloc(&scratch->plane, area, sizeof *scratch->plane, "the correlation", err));
    RF_TRY(rf_alloc(&scratch->cross, rf_pair_spectrum_count(scratch), sizeof *scratch->cross, "the correlation", err));
    RF_TRY(rf_alloc(&scratch->window_x, (size_t)coarse->width, sizeof(float), "the correlation", err));
    RF_TRY(rf_alloc(&scratch->window_y, (size_t)coarse->height, sizeof(float), "the correlation", err));
    hann(scratch->window_x, coarse->width);
    hann(scratch->window_y, coarse->height);
    /* The planner ends the program when it gets no memory, so it is seen beforehand that there is some. */
    RF_TRY(rf_alloc_raw(&room, PLANNER_BYTES, 1, "the planner of the correlation", err));
    rf_free(room);
    /* FFTW_ESTIMATE, not a timed plan: the same sums in every run. */
    scratch->forward =
        fftwf_plan_dft_r2c_2d(scratch->fft_height, scratch->fft_width, scratch->plane, scratch->cross, FFTW_ESTIMATE);
    scratch->backward =
        fftwf_plan_dft_c2r_2d(scratch->fft_height, scratch->fft_width, scratch->cross, scratch->plane, FFTW_ESTIMATE);
    if (scratch->forward == NULL || scratch->backward == NULL)
        RF_TRY(rf_fail(err, RF_ERR_MEMORY, "no plan for a transform of %d x %d pixels", scratch->fft_width,
                       scratch->fft_height));
    return RF_OK;
done:
    rf_pair_scratch_free(scratch);
    return status;
}

void rf_pair_scratch_free(rf_pair_scratch *scratch)
{
    if (scratch->forward != NULL)
        fftwf_destroy_plan(scratch->forward);
    if (scratch->backward != NULL)
        fftwf_destroy_plan(scratch->backward);
    rf_free(scratch->tiles);
    rf_free(scratch->sort);
    rf_free(scratch->plane);
    rf_free(scratch->cross);
    rf_free(scratch->window_x);
    rf_free(scratch->window_y);
    memset(scratch, 0, sizeof *scratch);
}

size_t rf_pair_spectrum_count(const rf_pair_scratch *scratch)
{
    return (size_t)(scratch->fft_width / 2 + 1) * (size_t)scratch->fft_height;
}

void rf_pair_spectrum(rf_pair_scratch *scratch, const rf_levels *levels, fftwf_complex *spectrum)
{
    const rf_level *coarse = &levels->level[levels->count - 1];
    memset(scratch->plane, 0, (size_t)scratch->fft_width * (size_t)scratch->fft_height * sizeof *scratch->plane);
    for (int y = 0; y < coarse->height; y++) {
        float *out = scratch->plane + (size_t)y * (size_t)scratch->fft_width;
        const float *in = coarse->band + (size_t)y * (size_t)coarse->width;
        for (int x = 0; x < coarse->width; x++)
            out[x] = in[x] * scratch->window_x[x] * scratch->window_y[y];
    }
    fftwf_execute_dft_r2c(scratch->forward, scratch->plane, spectrum);
}

/* conj(A) B / sqrt(|A B|), so that the peak lies at the shift of B's content against A's. */
static void cross_spectrum(fftwf_complex *out, const fftwf_complex *a, const fftwf_complex *b, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        float re = a[i][0] * b[i][0] + a[i][1] * b[i][1], im = a[i][0] * b[i][1] - a[i][1] * b[i][0];
        float magnitude = sqrtf(sqrtf(re * re + im * im)) + 1e-12f;
        out[i][0] = re / magnitude;
        out[i][1] = im / magnitude;
    }
}

/* Top of the parabola through three samples, from the middle one. */
static double parabola_top(double left, double middle, double right)
{
    double bend = left - 2 * middle + right;
    double top = bend < 0 ? 0.5 * (left - right) / bend : 0;
    return top > 0.5 ? 0.5 : top < -0.5 ? -0.5 : top;
}

static void insert_peak(rf_peak *peaks, int *count, int room, rf_peak peak)
{
    int at = *count < room ? (*count)++ : room;
    if (at == room && peak.height <= peaks[room - 1].height)
        return;
    if (at == room)
        at--;
    while (at > 0 && peaks[at - 1].height < peak.height) {
        peaks[at] = peaks[at - 1];
        at--;
    }
    peaks[at] = peak;
}

int rf_pair_peaks(rf_pair_scratch *scratch, const rf_pair_frame *i, const rf_pair_frame *j, rf_peak *peaks, int room)
{
    int w = scratch->fft_width, h = scratch->fft_height, count = 0;
    int reach_x = w * 2 / 5, reach_y = h * 2 / 5;
    cross_spectrum(scratch->cross, i->spectrum, j->spectrum, rf_pair_spectrum_count(scratch));
    fftwf_execute_dft_c2r(scratch->backward, scratch->cross, scratch->plane);
    for (int dy = -reach_y; dy <= reach_y; dy++) {
        int y = (dy + h) % h;
        const float *row = scratch->plane + (size_t)y * (size_t)w;
        const float *up = scratch->plane + (size_t)((y + h - 1) % h) * (size_t)w;
        const float *down = scratch->plane + (size_t)((y + 1) % h) * (size_t)w;
        for (int dx = -reach_x; dx <= reach_x; dx++) {
            int x = (dx + w) % w, l = (x + w - 1) % w, r = (x + 1) % w;
            float v = row[x];
            if (v <= 0 || v < row[l] || v <= row[r] || v < up[x] || v <= down[x] || v < up[l] || v < up[r] ||
                v < down[l] || v < down[r])
                continue;
            rf_peak peak = {.height = (double)v};
            peak.x = dx + parabola_top((double)row[l], (double)v, (double)row[r]);
            peak.y = dy + parabola_top((double)up[x], (double)v, (double)down[x]);
            insert_peak(peaks, &count, room, peak);
        }
    }
    return count;
}
