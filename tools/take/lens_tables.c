/* lens_tables.c - resampling taps and near-focus profiles. */
#include "lens_private.h"

#include "railfold/memory.h"

/* Lanczos kernel of three lobes (C. E. Duchon, "Lanczos filtering in one and two dimensions", J. Appl. Meteor. 18,
 * 1979), taps normalised to sum 1. */
void lens_fill_lanczos(float table[LANCZOS_PHASES + 1][LANCZOS_TAPS])
{
    for (int phase = 0; phase <= LANCZOS_PHASES; phase++) {
        double taps[LANCZOS_TAPS], sum = 0, at = (double)phase / LANCZOS_PHASES;
        for (int i = 0; i < LANCZOS_TAPS; i++) {
            double x = i - (LANCZOS_TAPS / 2 - 1) - at, p = TAKE_PI * x;
            if (fabs(x) < 1e-9)
                taps[i] = 1;
            else if (fabs(x) >= 3)
                taps[i] = 0;
            else
                taps[i] = 3 * take_sin(p) * take_sin(p / 3) / (p * p);
            sum += taps[i];
        }
        for (int i = 0; i < LANCZOS_TAPS; i++)
            table[phase][i] = (float)(taps[i] / sum);
    }
}

/* Value at distance d of a Gaussian of standard deviation s spread over a disc of radius r: mean over rings and angles.
 */
static double profile_value(double d, double r, double s)
{
    enum { RINGS = 12, ANGLES = 24 };
    if (r < 1e-6)
        return (double)take_exp((float)(-d * d / (2 * s * s)));
    double sum = 0;
    for (int i = 0; i < RINGS; i++) {
        double ring = r * sqrt((i + 0.5) / RINGS); /* rings of equal area */
        for (int j = 0; j < ANGLES; j++) {
            double angle = TAKE_PI * (j + 0.5) / ANGLES; /* half a turn: the other half is its mirror */
            double square = d * d + ring * ring - 2 * d * ring * take_cos(angle);
            sum += (double)take_exp((float)(-square / (2 * s * s)));
        }
    }
    return sum / (RINGS * ANGLES);
}

rf_status lens_make_profiles(lens *self, rf_error *err)
{
    rf_status status;
    double end = PROFILE_LARGEST_PX + profile_tail_px(self);
    int radii = PROFILE_LARGEST_PX * PROFILE_RADIUS_STEPS + 1;
    /* Pixels are taken from a square: its corners lie at twice the squared reach (and hold 0). */
    self->profile_length = (int)(2 * end * end * PROFILE_SQUARES) + 2;
    RF_TRY(rf_alloc(&self->profiles, (size_t)radii * (size_t)self->profile_length, sizeof *self->profiles,
                    "the blur profiles", err));
    for (int i = 0; i < radii; i++) {
        double r = (double)i / PROFILE_RADIUS_STEPS, reach = r + profile_tail_px(self), sum = 0;
        float *profile = self->profiles + (size_t)i * (size_t)self->profile_length;
        for (int j = 0; j < self->profile_length; j++) {
            double square = (j + 0.5) / PROFILE_SQUARES;
            if (square > reach * reach)
                break;
            double value = profile_value(sqrt(square), r, self->mtf_px);
            profile[j] = (float)value;
            sum += value * TAKE_PI / PROFILE_SQUARES; /* a ring d^2 .. d^2 + 1/n has the area pi / n */
        }
        for (int j = 0; j < self->profile_length; j++)
            profile[j] = (float)((double)profile[j] / sum);
    }
    return RF_OK;
done:
    return status;
}
