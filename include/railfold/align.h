/* align.h - where every frame of a rail take lies against the reference view, and how bright it is against it.
 *
 * Fed one luma image after the other, in take order; keeps a ring of the last frames' band-passed pyramids, so that the
 * memory does not grow with the take but for a few numbers a frame and a pair:
 *   bytes <= 48 * luma width * luma height + 2 MiB + 4 KiB a frame (tested).
 *
 * Method. Every frame is compared with the ones 1, 2 and 4 (3 where those fail) places before it. Seed: windowed,
 * magnitude-weighted phase correlation of a coarse level (Kuglin & Hines, "The phase correlation image alignment
 * method", 1975), several peaks tried. Refinement, coarse to fine: a symmetric Gauss-Newton solve (Lucas & Kanade 1981;
 * the inverse compositional family of Baker & Matthews, IJCV 56, 2004) on tiles, each with its own gain and blur
 * difference eliminated, weighted by the sharpness BOTH frames have there; a similarity is fitted to the tiles by
 * Tukey's biweight (c = 4.685). All pairs then enter one banded, robust least-squares problem for the frames' poses.
 *
 * Geometry. What two frames i < j both show sharply lies midway between their planes of focus, so the ratio of scale a
 * pair shows is m = (D + h) / (D - h), with h half the way the camera went and D the distance from the entrance pupil
 * to the plane of focus. Hence 2 (m - 1) / (m + 1) = (way from i to j) / D exactly: it adds up along the rail. The pose
 * wanted takes what is in focus in frame k from the reference view to frame k: scale s_k = 1 + (way from reference to
 * k) / D, the plain sum of the pairs' measures, not their product. A sideways shift does not depend on depth:
 * xf = c + s_k R_k (x - c) + t_k, c the picture's centre. */
#ifndef RF_ALIGN_H
#define RF_ALIGN_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/pose.h"
#include "railfold/status.h"

typedef struct rf_align rf_align;

typedef struct rf_align_options {
    int full_width, full_height; /* pixels of a frame; required */
    int reduce;                  /* 1, 2 or 4: luma pixel x is full pixel reduce * x + (reduce - 1) / 2 */
    int frame_count;             /* required, >= 1 */
    int reference;               /* whose view the output takes, from 0 */
    int no_gain;                 /* 1: every gain stays 1 */
} rf_align_options;

rf_align_options rf_align_options_default(void);

typedef enum rf_rail_way { RF_RAIL_STILL, RF_RAIL_ADVANCES, RF_RAIL_RETREATS } rf_rail_way;

typedef struct rf_align_frame {
    int usable;     /* 0: blank, takes no part */
    int measured;   /* 0: nothing sharp was shared with another frame; the pose is what the rail suggests */
    int blank;      /* hardly any contrast against the rest of the take: lamp off, lens covered, all white */
    int bumped;     /* stands apart from the path of its neighbours (jumped and came back, or jumped for good) */
    double bump_px; /* how far, when bumped */
    double
        residual_px; /* how well the pairs of this frame agree with the path, rms, full-size pixels; 0 not measured */
    int pair_count;  /* pairs with another frame that were measured and kept */
} rf_align_frame;

typedef struct rf_align_result {
    rf_align_frame *frames;        /* frame_count of them; borrowed, valid until rf_align_destroy */
    double scale_per_step;         /* mean gain of scale from a frame to the next: 1 + 1 / D, or 1 - 1 / D; 1 = none */
    double working_distance_steps; /* D in mean rail steps; 0 when no change of scale was seen */
    rf_rail_way way;
    int odd_steps;      /* steps a quarter or more longer or shorter than the mean: frames left out, rail moved */
    double residual_px; /* rms over all kept pairs, full-size pixels at the picture's corner */
    int pairs_measured, pairs_kept;
    int frames_measured, frames_blank, frames_bumped;
} rf_align_result;

/* RF_ERR_USAGE for options that cannot be; RF_ERR_MEMORY. `pool` is borrowed until destroy; NULL means one thread. */
rf_status rf_align_create(rf_align **out, const rf_align_options *options, rf_pool *pool, rf_error *err) RF_CHECKED;

/* The next frame in take order: RF_F32, one channel, full size / reduce (rounded down). RF_ERR_INPUT on another shape
 * or one frame too many. A frame the caller has to leave out is passed as luma NULL: it gets a pose from its
 * neighbours. */
rf_status rf_align_add_frame(rf_align *align, const rf_image *luma, rf_error *err) RF_CHECKED;

/* After the last frame: poses[frame_count]. RF_ERR_ALIGN, naming the frame numbers, when no two frames share anything
 * sharp (a single frame, or pictures under 32 pixels a side, are taken as they are). */
rf_status rf_align_solve(rf_align *align, rf_pose *poses, rf_align_result *result, rf_error *err) RF_CHECKED;

void rf_align_destroy(rf_align **align);

#endif
