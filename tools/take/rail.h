/* rail.h - where the camera was, frame by frame: positions, sideways offsets, roll, lamp, settings.
 *
 * Scene depth z is counted in rail steps from the focus plane of the nearest frame, growing away from the camera. A
 * frame has its focus plane at z = focus. With c the picture centre, D the working distance in steps, t the camera's
 * sideways offset in pixels of the focus plane, R its roll, r the focus of the reference view, a point seen at p in the
 * reference view lies at z and is seen in frame k at p_k = c + R [ (p - c) (D + z - r) / D - t ] D / (D + z - focus).
 * For what is in focus (z = focus) that is a similarity of scale (D + focus - r) / D. */
#ifndef TAKE_RAIL_H
#define TAKE_RAIL_H

#include <stdint.h>

#include "options.h"
#include "railfold/pose.h"

typedef struct rail_frame {
    double focus;            /* steps, scene depth in focus */
    double shift_x, shift_y; /* t, pixels of the focus plane */
    double roll_rad;
    double gain; /* in linear light, reference = 1 */
    double exposure_s;
    double shake_x, shake_y; /* smear from end to end, pixels */
    double moved_px;         /* how far the loose part of the subject has moved */
    int64_t time_ms;         /* since 1970, as if UTC */
} rail_frame;

typedef struct rail_view {
    int width, height;
    double cx, cy;          /* picture centre */
    double distance;        /* D */
    double reference_focus; /* r */
} rail_view;

typedef struct rail {
    rail_view view;
    rail_frame *frames; /* owned */
    int count;
    int reference;            /* frame number */
    double nearest, farthest; /* focus of the end frames, before any fault */
    double blur_px_per_step;
    double subject_begin, subject_end; /* where the subject is to lie, steps */
    double light;                      /* exposure of the whole take, 1 = as meant */
} rail;

rf_status rail_plan(rail *plan, const take_options *options, rf_error *err) RF_CHECKED;
void rail_free(rail *plan);

/* Output (reference view) pixel -> frame pixel for what lies at depth z, and for what is in focus. */
rf_pose rail_pose_at(const rail_view *view, const rail_frame *frame, double z);
rf_pose rail_pose(const rail_view *view, const rail_frame *frame);

/* Scene depth -> frame position (fractional) in which it is sharpest; the first one where the rail went back. */
double rail_position_of(const rail *plan, double z);

/* How far, in pixels of the reference view, any frame looks beyond the picture's edge at depth z. */
double rail_margin_px(const rail *plan, double z);

#endif
