/* summary.h - fills the run report from poses and maps (private to the stack module). */
#ifndef RF_SUMMARY_H
#define RF_SUMMARY_H

#include "take.h"

/* Copies poses into the frames' reports: matrix, shift, scale, rotation, gain. */
void rf_summary_poses(rf_take *take, const rf_pose *poses);

/* The largest axis-aligned box seen by every used frame (width 0 when there is none). Poses on a rail are near to
 * upright: the box is the cut of the frames' own upright cores. */
void rf_summary_covered(rf_take *take, const rf_pose *poses);

/* Share of the picture each frame is the sharpest in, from the depth map. */
rf_status rf_summary_sharp_fractions(rf_take *take, const rf_image *depth, rf_error *err) RF_CHECKED;

/* Smallest and largest depth, in the report's unit. */
void rf_summary_depth_range(rf_take *take, const rf_image *depth);

#endif
