/* sharpness.h - how sharp a frame is, place by place: one number per 2 x 2 pixels.
 *
 * Method. The frame's luma is smoothed a little (Gaussian, 0.7 px), its four-neighbour Laplacian squared (Laplacian
 * energy: Krotkov, IJCV 1, 1987; Nayar & Nakagawa, PAMI 16, 1994), averaged over 2 x 2 pixels, pooled by a Gaussian of
 * 1.7 px and then drawn back in by the harmonic mean under a Gaussian of 1.4 px. Pooling spreads the energy of an
 * outline a few pixels to both sides, which makes near parts look too large; the harmonic mean follows the smallest of
 * its neighbours and takes that back, as the second half of a morphological closing does, without its noise.
 *
 * The frame may have been warped into the output geometry first: with a kernel of 6 taps or more the resulting depth is
 * the same as when the energy of the frame's own pixels is warped (measured: median error 0.079 step both ways). */
#ifndef RF_SHARPNESS_H
#define RF_SHARPNESS_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/source.h"
#include "railfold/status.h"

typedef struct rf_sharpness rf_sharpness;

/* Working space for frames of this size; bytes <= 4 * energy pixels + threads * (330 * width + 48 KiB) (tested). `pool`
 * is borrowed until destroy; NULL means one thread. */
rf_status rf_sharpness_create(rf_sharpness **out, int width, int height, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_sharpness_destroy(rf_sharpness **sharpness);

/* The size of an energy map: half the frame's, rounded up. Energy pixel (i, j) is centred on frame pixel
 * (2 i + 1/2, 2 j + 1/2). */
int rf_sharpness_side(int frame_side);

/* Measures one frame: RF_F32, 1 or 3 channels, coded values 0..1 (3: luma by ITU-R BT.601). `covered` holds, for every
 * frame row, the first valid x and one past the last, or is NULL when every pixel is valid; energy whose support
 * reaches outside is 0. `energy` (allocated by the caller: 1 channel RF_F32, half size) receives squared coded units.
 * RF_ERR_INPUT on another shape. */
rf_status rf_sharpness_measure(rf_sharpness *sharpness, const rf_image *frame, const int (*covered)[2],
                               rf_image *energy, rf_error *err) RF_CHECKED;

/* The same, of a frame that is made piece by piece. */
rf_status rf_sharpness_measure_source(rf_sharpness *sharpness, const rf_source *source, rf_image *energy,
                                      rf_error *err) RF_CHECKED;

/* The energy that noise alone gave in the last measured frame: the low twentieth of its pooled energies. */
float rf_sharpness_noise_floor(const rf_sharpness *sharpness);

#endif
