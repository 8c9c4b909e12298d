/* pair.h - how one frame lies against another: seed, coarse-to-fine refinement, and how well it is known. */
#ifndef RF_ALIGN_PAIR_H
#define RF_ALIGN_PAIR_H

#include <fftw3.h>

#include "levels.h"
#include "tile.h"

enum { RF_PAIR_UNKNOWNS = 4 };

/* Frame i -> frame j at the size of level 0: xj = c + shift + m R(turn) (xi - c). */
typedef struct rf_pair {
    int from, to; /* frame numbers, from < to */
    double shift_x, shift_y;
    double way;  /* 2 (m - 1) / (m + 1): the camera's way over the working distance */
    double turn; /* radians, x towards y */
    /* Information (1 / px^2) on (shift_x, shift_y, way * lever, turn * lever), lever half the diagonal. */
    double information[RF_PAIR_UNKNOWNS][RF_PAIR_UNKNOWNS];
    double log_gain, gain_sigma; /* ln(luma of j / luma of i); sigma 0: not known */
    double agreement;            /* 0..1, correlation of the bands where both are sharp */
    double blur; /* what j is blurrier than i by where it was read: half the difference of variance, pixels^2 */
    double log_sharpness; /* mean of ln(Laplacian energy) there, at its level */
    int level;            /* the finest it was read at */
    int tiles;            /* that agreed with the motion */
} rf_pair;

/* Room shared by all pairs of a take. */
typedef struct rf_pair_scratch {
    int width, height; /* of level 0 */
    rf_tile *tiles;    /* of level 0's grid */
    float *sort;       /* as many, and at least the coarse level's pixels */
    size_t sort_count;
    int fft_width, fft_height;
    float *plane;         /* fft_width * fft_height */
    fftwf_complex *cross; /* half spectrum */
    fftwf_plan forward, backward;
    float *window_x, *window_y;
} rf_pair_scratch;

rf_status rf_pair_scratch_alloc(rf_pair_scratch *scratch, const rf_levels *levels, rf_error *err) RF_CHECKED;
void rf_pair_scratch_free(rf_pair_scratch *scratch);

/* Half spectrum of the coarsest band under a Hann window; count complex numbers, see rf_pair_spectrum_count. */
size_t rf_pair_spectrum_count(const rf_pair_scratch *scratch);
void rf_pair_spectrum(rf_pair_scratch *scratch, const rf_levels *levels, fftwf_complex *spectrum);

typedef struct rf_pair_frame {
    const rf_levels *levels;
    const fftwf_complex *spectrum;
} rf_pair_frame;

/* Measures frame j against frame i. `guess` (may be NULL) is a motion of level 0 worth trying beside the correlation's
 * peaks; `way_guess` the expected change of scale. 0 when the frames share too little. */
int rf_pair_measure(rf_pair *pair, const rf_pair_frame *i, const rf_pair_frame *j, const rf_motion *guess,
                    double way_guess, rf_pair_scratch *scratch, rf_pool *pool);

/* Peaks of the correlation: whole-frame shifts (pixels of the coarsest level), best first. */
typedef struct rf_peak {
    double x, y, height;
} rf_peak;
int rf_pair_peaks(rf_pair_scratch *scratch, const rf_pair_frame *i, const rf_pair_frame *j, rf_peak *peaks, int room);

rf_motion rf_motion_between(double shift_x, double shift_y, double way, double turn);
double rf_motion_way(const rf_motion *motion);

/* ln of the ratio of brightness, by the median over the coarse level. */
void rf_pair_gain(rf_pair *pair, const rf_levels *i, const rf_levels *j, rf_pair_scratch *scratch);

#endif
