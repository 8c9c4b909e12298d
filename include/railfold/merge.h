/* merge.h - many frames into one picture, in memory that does not depend on how many.
 *
 * One round over the frames, led by the depth map z. Each pixel is a weighted mean of the frames focused near its
 * depth. Where one surface is seen alone, the weights are those of a local parabola fit,
 *
 *   w_k = K(k - z) (1 - q (k - z)^2),    q such that the second moment, sum of w_k (k - z)^2, is 0:
 *
 * to second order a disc's blur adds (its radius squared / 8) times the Laplacian, so the blur of the frames cancels
 * while their noise is averaged; K's support is the widest at which what is left of it costs less than the noise
 * (width.c). The outermost frames weigh slightly below 0, so a pixel can pass what the frames show at it by a little:
 * on rendered takes at most 5 of 255 levels, more than 2 in a thousandth of the pixels; never beside a clipped
 * highlight. Beside depth edges, within the blur they cast, and where a frame is missing,
 *
 *   w_k = 1 - ((k - z) / reach)^2,    reach: 1.85 times the focus distance at which blur costs as much as noise
 *
 * without frames focused more than 1.5 steps behind z, in which the pixel's own surface is among the near parts, and,
 * beside nearer parts, with the veil that their defocused outline lays over the ground removed (veil.h):
 *
 *   ground = (I_k - V_k) / T_k   in linear light, wherever the transmission T_k leaves enough to see.
 *
 * At the end the pixels across an outline get what the surface on its other side spills into them (antialias.h).
 *
 * Work goes tile by tile: a tile asks for the frames that count in it (tiles.h), and a frame is made only in the tiles
 * that ask for it.
 *
 * Sources: local regression: Cleveland, J. Am. Stat. Assoc. 74 (1979) 829; defocus error of a disc, I - disc_r * I ~
 * (r^2 / 8) Laplacian(I), by Taylor expansion; Laplacian pyramid: Burt and Adelson, IEEE Trans. Commun. 31 (1983) 532;
 * "over" compositing: Porter and Duff, SIGGRAPH 1984.
 *
 * Memory held, bytes per pixel for C channels: 4 C (accumulator) + 4 (weights) + 2 C (light of the near parts) + 1
 * (kernels), beside the caller's depth map (4); see rf_merge_bytes. */
#ifndef RF_MERGE_H
#define RF_MERGE_H

#include <stddef.h>

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/source.h"
#include "railfold/status.h"

typedef struct rf_merge_settings {
    int width, height, channels; /* output picture */
    int frame_count;
    float blur_px_per_step; /* disc radius gained per frame position of defocus */
    float noise;            /* standard deviation of one frame's luma noise, coded 0..1 */
    int veil;               /* 1: remove the veil beside nearer parts */
} rf_merge_settings;

/* Pixels that a frame covers wholly: columns [x_begin, x_end) of rows [y_begin, y_end); empty for a frame that takes no
 * part. May be smaller than the truth: that costs time only. */
typedef struct rf_merge_cover {
    int x_begin, y_begin, x_end, y_end;
} rf_merge_cover;

typedef struct rf_merge rf_merge;

/* The most a merge holds from create (the model given to it included) to destroy. */
size_t rf_merge_bytes(const rf_merge_settings *settings);

/* `depth`: frame positions (RF_F32, one channel, finite) that grow away from the camera: a smaller number is nearer and
 * lays its veil over larger ones; borrowed until rf_merge_finish. `model`: a picture (RF_F32,
 * coded, `channels` or 3 channels) that shows the near parts in focus; taken over, whatever the outcome. `covers`: one
 * a frame, read during the call; NULL when every frame covers every pixel. */
rf_status rf_merge_create(rf_merge **out, const rf_merge_settings *settings, const rf_merge_cover *covers,
                          const rf_image *depth, rf_image *model, rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_merge_destroy(rf_merge **merge);

/* Frame number k, in output geometry, coded 0..1, gain applied. */
void rf_merge_add(rf_merge *merge, int k, const rf_source *source);

/* Ends the round: the picture, RF_F32, clipped to 0..1, owned by `merge`. Pixels no frame covers are 0. */
const rf_image *rf_merge_finish(rf_merge *merge);

/* ---- pyramid: Burt and Adelson's 5-tap REDUCE and EXPAND, binomial 1 4 6 4 1, mirrored borders ---- */

/* out: (width + 1) / 2 by (height + 1) / 2, same channels, RF_F32, allocated by the caller. */
rf_status rf_pyramid_reduce(const rf_image *in, rf_image *out, rf_pool *pool, rf_error *err) RF_CHECKED;
/* out: any size that rf_pyramid_reduce takes to in's size. `sign` 0: out = expanded; +1: out += expanded; -1: out -=
 * expanded. */
rf_status rf_pyramid_expand(const rf_image *in, rf_image *out, int sign, rf_pool *pool, rf_error *err) RF_CHECKED;

#endif
