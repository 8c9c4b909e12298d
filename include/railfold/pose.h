/* pose.h - where a frame lies against the output picture.
 *
 * A pose takes an OUTPUT pixel to the FRAME pixel to read (coordinates as in image.h):
 *   [xf, yf] = [a b tx; c d ty] [x, y, 1]. On a rail it is a similarity: a = d = s cos r, c = -b = s sin r. */
#ifndef RF_POSE_H
#define RF_POSE_H

typedef struct rf_pose {
    double a, b, tx, c, d, ty;
    double gain[3]; /* R, G, B (grey: [0]): multiply the frame's coded samples by this to match the reference frame */
    int usable;     /* 0: the frame could not be aligned (or was skipped) and takes no part in the merge */
} rf_pose;

rf_pose rf_pose_identity(void);
/* s scale, rotation_rad, and the shift of the picture centre (width, height): xf = c + s R (x - c) + shift. */
rf_pose rf_pose_similarity(double scale, double rotation_rad, double shift_x_px, double shift_y_px, int width,
                           int height);
void rf_pose_apply(const rf_pose *pose, double x, double y, double *xf, double *yf);
rf_pose rf_pose_invert(const rf_pose *pose);                         /* frame pixel -> output pixel; gains kept */
rf_pose rf_pose_compose(const rf_pose *outer, const rf_pose *inner); /* outer(inner(p)); gains multiplied */
/* The same between pictures whose pixels are means of reduce x reduce of these. */
rf_pose rf_pose_reduced(const rf_pose *pose, int reduce);
double rf_pose_scale(const rf_pose *pose);
double rf_pose_rotation_deg(const rf_pose *pose);
void rf_pose_shift_px(const rf_pose *pose, int width, int height, double *x_px,
                      double *y_px); /* of the picture centre */

#endif
