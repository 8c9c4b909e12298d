/* gains.c - brightness of every frame against the reference, from the ratios of pairs. */
#include "band.h"
#include "rail.h"

enum { ROUNDS = 8 };

static const double JUMP = 0.05; /* a ratio this far from the rest is an error, not noise */

/* Gains: the same problem with one unknown a frame. */
rf_status rf_rail_gains(rf_place *places, int frames, int reference, const rf_pair *pairs, const double *weight,
                        int pair_count, rf_error *err)
{
    rf_status status;
    rf_band band = {0};
    RF_TRY(rf_band_alloc(&band, frames, RF_RAIL_SPAN + 1, err));
    for (int round = 0; round < ROUNDS; round++) {
        rf_band_clear(&band);
        for (int p = 0; p < pair_count; p++) {
            const rf_pair *q = &pairs[p];
            if (!(weight[p] > 0.1) || !(q->gain_sigma > 0))
                continue;
            double e = round == 0 ? 0 : (q->log_gain - (places[q->to].log_gain - places[q->from].log_gain)) / JUMP;
            double keep = 1 / (1 + e * e); /* Cauchy: gains come in jumps */
            rf_band_add(&band, (int[]){q->from, q->to}, (double[]){-1, 1}, 2, q->log_gain,
                        keep / (q->gain_sigma * q->gain_sigma + 1e-6));
        }
        for (int k = 0; k < frames; k++) {
            rf_band_add(&band, (int[]){k}, (double[]){1}, 1, 0, k == reference ? 1e10 : 1e-6);
            if (k + 1 < frames)
                rf_band_add(&band, (int[]){k, k + 1}, (double[]){-1, 1}, 2, 0, 1);
        }
        if (!rf_band_solve(&band))
            break;
        for (int k = 0; k < frames; k++)
            places[k].log_gain = band.right[k];
    }
done:
    rf_band_free(&band);
    return status;
}
