/* pose.c - small algebra of 2 x 3 matrices. */
#include "railfold/pose.h"

#include <math.h>

static const double RAD_TO_DEG = 57.295779513082320877;

rf_pose rf_pose_identity(void)
{
    return (rf_pose){.a = 1, .d = 1, .gain = {1, 1, 1}, .usable = 1};
}

rf_pose rf_pose_similarity(double scale, double rotation_rad, double shift_x_px, double shift_y_px, int width,
                           int height)
{
    rf_pose pose = rf_pose_identity();
    double cx = (width - 1) / 2.0, cy = (height - 1) / 2.0;
    pose.a = pose.d = scale * cos(rotation_rad);
    pose.c = scale * sin(rotation_rad);
    pose.b = -pose.c;
    pose.tx = cx + shift_x_px - pose.a * cx - pose.b * cy;
    pose.ty = cy + shift_y_px - pose.c * cx - pose.d * cy;
    return pose;
}

void rf_pose_apply(const rf_pose *pose, double x, double y, double *xf, double *yf)
{
    *xf = pose->a * x + pose->b * y + pose->tx;
    *yf = pose->c * x + pose->d * y + pose->ty;
}

rf_pose rf_pose_invert(const rf_pose *pose)
{
    rf_pose inverse = *pose;
    double det = pose->a * pose->d - pose->b * pose->c;
    inverse.a = pose->d / det;
    inverse.b = -pose->b / det;
    inverse.c = -pose->c / det;
    inverse.d = pose->a / det;
    inverse.tx = -(inverse.a * pose->tx + inverse.b * pose->ty);
    inverse.ty = -(inverse.c * pose->tx + inverse.d * pose->ty);
    return inverse;
}

rf_pose rf_pose_compose(const rf_pose *outer, const rf_pose *inner)
{
    rf_pose both = *outer;
    both.a = outer->a * inner->a + outer->b * inner->c;
    both.b = outer->a * inner->b + outer->b * inner->d;
    both.c = outer->c * inner->a + outer->d * inner->c;
    both.d = outer->c * inner->b + outer->d * inner->d;
    rf_pose_apply(outer, inner->tx, inner->ty, &both.tx, &both.ty);
    for (int i = 0; i < 3; i++)
        both.gain[i] = outer->gain[i] * inner->gain[i];
    both.usable = outer->usable && inner->usable;
    return both;
}

rf_pose rf_pose_reduced(const rf_pose *pose, int reduce)
{
    rf_pose reduced = *pose;
    double middle = (reduce - 1) / 2.0; /* of the first mean, where it lies in the whole picture */
    rf_pose_apply(pose, middle, middle, &reduced.tx, &reduced.ty);
    reduced.tx = (reduced.tx - middle) / reduce;
    reduced.ty = (reduced.ty - middle) / reduce;
    return reduced;
}

double rf_pose_scale(const rf_pose *pose)
{
    return sqrt(fabs(pose->a * pose->d - pose->b * pose->c));
}

double rf_pose_rotation_deg(const rf_pose *pose)
{
    return atan2(pose->c - pose->b, pose->a + pose->d) * RAD_TO_DEG;
}

void rf_pose_shift_px(const rf_pose *pose, int width, int height, double *x_px, double *y_px)
{
    double cx = (width - 1) / 2.0, cy = (height - 1) / 2.0;
    rf_pose_apply(pose, cx, cy, x_px, y_px);
    *x_px -= cx;
    *y_px -= cy;
}
