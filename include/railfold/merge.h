/* merge.h - many frames into one picture, in memory that does not depend on how many.
 *
 * Two rounds over the frames. The SOFT round knows no depth: each pixel is the mean of all frames weighted by the fourth
 * power of their sharpness there. It gives a first picture. The FINAL round knows the depth map: each pixel is the mean of
 * the frames focused near its depth, weighted by the inverse of the error each one makes there:
 *
 *   w_k = 1 / (1 + ((k - z) / width)^4),    width: the focus distance at which blur costs as much as noise (merge_width)
 *
 * and, beside nearer parts, with the veil that their defocused outline lays over the ground removed (veil.h):
 *
 *   ground = (I_k - V_k) / T_k   in linear light, wherever the transmission T_k leaves enough to see.
 *
 * Sources: defocus error of a disc, I - disc_r * I ~ (r^2 / 8) Laplacian(I), by Taylor expansion; Laplacian pyramid: Burt
 * and Adelson, IEEE Trans. Commun. 31 (1983) 532; "over" compositing: Porter and Duff, SIGGRAPH 1984.
 *
 * Memory held, bytes per pixel for C channels: 4 C (accumulator) + 4 (weights) + 4 C (picture) + 1 (width) + 4 (depth, the
 * caller's); see rf_merge_bytes. */
#ifndef RF_MERGE_H
#define RF_MERGE_H

#include <stddef.h>

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/status.h"

/* The columns [begin, end) of one output row that a frame covers; empty when end <= begin. */
typedef struct rf_span {
    int begin, end;
} rf_span;

typedef struct rf_merge_settings {
    int width, height, channels;   /* output picture */
    float blur_px_per_step;        /* disc radius gained per frame position of defocus */
    float noise;                   /* standard deviation of one frame's luma noise, coded 0..1 */
    int veil;                      /* 1: remove the veil beside nearer parts */
} rf_merge_settings;

typedef struct rf_merge rf_merge;

size_t rf_merge_bytes(const rf_merge_settings *settings);

rf_status rf_merge_create(rf_merge **out, const rf_merge_settings *settings, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_merge_destroy(rf_merge **merge);

/* Soft round. `frame`: RF_F32 in output geometry, coded 0..1, gain applied; `spans`: one a row; `sharpness`: RF_F32 one
 * channel, pooled energy in units of its noise (1 = noise level). Order of frames does not matter beyond rounding. */
void rf_merge_add_soft(rf_merge *merge, const rf_image *frame, const rf_span *spans, const rf_image *sharpness);

/* Ends the soft round: the picture so far, RF_F32, owned by `merge`, valid until the next call that ends a round. Pixels no
 * frame covers are 0. */
const rf_image *rf_merge_finish_soft(rf_merge *merge);

/* Starts a final round with depth in frame positions (RF_F32, one channel, borrowed until the round ends). The picture of
 * the round before is the model of the near parts. May be called again after rf_merge_finish for a better model. */
rf_status rf_merge_begin(rf_merge *merge, const rf_image *depth, float blur_px_per_step, float noise, rf_error *err) RF_CHECKED;

/* Final round: frame number k as above. */
void rf_merge_add(rf_merge *merge, int k, const rf_image *frame, const rf_span *spans);
const rf_image *rf_merge_finish(rf_merge *merge);

/* ---- pyramid: Burt and Adelson's 5-tap REDUCE and EXPAND, binomial 1 4 6 4 1, mirrored borders ---- */

/* out: (width + 1) / 2 by (height + 1) / 2, same channels, RF_F32, allocated by the caller. */
rf_status rf_pyramid_reduce(const rf_image *in, rf_image *out, rf_pool *pool, rf_error *err) RF_CHECKED;
/* out: any size that rf_pyramid_reduce takes to in's size. `sign` 0: out = expanded; +1: out += expanded; -1: out -= expanded. */
rf_status rf_pyramid_expand(const rf_image *in, rf_image *out, int sign, rf_pool *pool, rf_error *err) RF_CHECKED;

#endif
