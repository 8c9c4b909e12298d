/* depth.h - how deep everything lies: the frame position in which each pixel is sharpest, streamed.
 *
 * Depth is in frame positions (0 = focus plane of the first frame, growing with the take order, fractional). The caller
 * runs rf_depth_passes() passes over the frames, each warped into the output geometry:
 *
 *   for each pass: rf_depth_begin_pass; rf_depth_add_frame for each frame k, rising; rf_depth_end_pass
 *   rf_depth_result
 *
 * Method, two passes. Pass 0: the energy of every frame (sharpness.h) at half size; per energy pixel the best
 * RF_DEPTH_PEAKS local maxima of the focus curve are kept, each with its position from a parabola through
 * 1 / sqrt(energy) of up to five frames, weighted by the energies' squares (a parabola through a transform in which the
 * peak is one: Caruana et al., Anal. Chem. 58, 1986; weights after Guo, IEEE Signal Process. Mag. 28, 2011). Where no
 * peak stands above the noise, depth is continued from around. Weaker peaks that continue a nearer surface are taken
 * for its reach ("front"). Pass 1: a guide picture is gathered that shows every place as the frames focused on the
 * nearest part around show it: there that part's outline is sharp and the ground behind it smooth. Near depth edges
 * every pixel then takes the depth most of its like-coloured surroundings vote for, in three rounds.
 *
 * With `reduce` 2 or 4 pass 0 is given frames reduced that many times (the mean of each block), which suits steps that
 * blur by that many pixels; pass 1 and the maps stay at full size, and the voting goes on, twice finer a round, until
 * it is there.
 *
 * Memory does not grow with the number of frames but for 32 bytes a frame and thread: at most 36 bytes a pixel, maps
 * included (pass 0 keeps 19, pass 1 27, settling the edges 33, the maps 35); rf_depth_memory_bytes gives the sum,
 * tested. */
#ifndef RF_DEPTH_H
#define RF_DEPTH_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/source.h"
#include "railfold/status.h"

enum { RF_DEPTH_PEAKS = 3 };

typedef struct rf_depth rf_depth;

typedef struct rf_depth_options {
    int far_first;   /* 1: frame 0 is focused farthest (a retreating rail); 0: nearest */
    int reduce;      /* 1 (or 0), 2 or 4: pass 0 measures frames reduced that many times */
    int depth_alone; /* 1: the result is the depth; the other maps stay empty, their time and memory saved */
} rf_depth_options;

/* All RF_F32, one channel, output size; owned by the struct. */
typedef struct rf_depth_maps {
    rf_image depth;      /* frame positions; filled in everywhere */
    rf_image confidence; /* 0..1: 0 = no texture, depth is a guess from the surroundings */
    rf_image sigma;      /* standard deviation of depth in steps, where confidence is above 0 */
} rf_depth_maps;

/* RF_ERR_USAGE for fewer than 1 frame or an impossible size; RF_ERR_MEMORY. `options` NULL: defaults; `pool` is
 * borrowed until destroy, NULL means one thread. */
rf_status rf_depth_create(rf_depth **out, int width, int height, int frame_count, const rf_depth_options *options,
                          rf_pool *pool, rf_error *err) RF_CHECKED;
void rf_depth_destroy(rf_depth **depth);

int rf_depth_passes(const rf_depth *depth);
rf_status rf_depth_begin_pass(rf_depth *depth, int pass, rf_error *err) RF_CHECKED;

/* Frame k, in rising order (frames may be left out): RF_F32, 1 or 3 channels, coded 0..1, gains applied, output
 * geometry (in pass 0 reduced: width / reduce by height / reduce, rounded down). `covered`: per row the first valid x
 * and one past the last; NULL: all valid. RF_ERR_INPUT on another shape or order. */
rf_status rf_depth_add_frame(rf_depth *depth, int k, const rf_image *frame, const int (*covered)[2],
                             rf_error *err) RF_CHECKED;
/* The same, of a frame that is made piece by piece: only the pieces that matter are asked for. */
rf_status rf_depth_add_source(rf_depth *depth, int k, const rf_source *source, rf_error *err) RF_CHECKED;
rf_status rf_depth_end_pass(rf_depth *depth, rf_error *err) RF_CHECKED;

/* After the last pass: pixels of blur disc radius per step away from focus, estimated from the take on single surfaces;
 * 0 when no place was good enough to tell. */
double rf_depth_blur_px_per_step(const rf_depth *depth);

/* After the last pass: the energy that noise alone gives (sharpness.h), the least of all frames, at full size. */
float rf_depth_noise_floor(const rf_depth *depth);

/* After rf_depth_result: the guide picture of pass 1 (RF_F32, three channels, coded) goes over to the caller; *guide
 * must be zero-initialised or freed. Near parts are in focus in it, and nothing nearer than its surroundings is blurred
 * over it. */
void rf_depth_take_guide(rf_depth *depth, rf_image *guide);

/* After the last pass. The maps are allocated here; *maps must be zero-initialised or freed. */
rf_status rf_depth_result(rf_depth *depth, rf_depth_maps *maps, rf_error *err) RF_CHECKED;
void rf_depth_maps_free(rf_depth_maps *maps);

/* What a run holds at the most, its maps included. */
size_t rf_depth_memory_bytes(int width, int height, int frame_count, int threads);

#endif
