/* summary.c - numbers for the report. */
#include "summary.h"

#include <math.h>

#include "railfold/depth_view.h"
#include "railfold/memory.h"

void rf_summary_poses(rf_take *take, const rf_pose *poses)
{
    int width = take->info.width, height = take->info.height;
    for (int k = 0; k < take->report->frame_count; k++) {
        rf_frame_report *frame = &take->report->frames[k];
        frame->pose = poses[k];
        rf_pose_shift_px(&poses[k], width, height, &frame->shift_x_px, &frame->shift_y_px);
        frame->scale = rf_pose_scale(&poses[k]);
        frame->rotation_deg = rf_pose_rotation_deg(&poses[k]);
        for (int c = 0; c < 3; c++)
            frame->gain[c] = poses[k].gain[c];
    }
}

/* Cuts [*low, *high] down to the columns (or rows) that the frame shows along the whole of the other axis. */
static void cut(double *low, double *high, double a, double b, double other_min, double other_max, double shift,
                double last)
{
    /* 0 <= a x + b y + shift <= last for every y in [other_min, other_max]; a > 0 on a rail. */
    double slack_low = fmin(b * other_min, b * other_max), slack_high = fmax(b * other_min, b * other_max);
    *low = fmax(*low, (0 - shift - slack_low) / a);
    *high = fmin(*high, (last - shift - slack_high) / a);
}

void rf_summary_covered(rf_take *take, const rf_pose *poses)
{
    double last_x = take->info.width - 1, last_y = take->info.height - 1;
    double x0 = 0, x1 = last_x, y0 = 0, y1 = last_y;
    for (int k = 0; k < take->report->frame_count; k++) {
        if (!take->report->frames[k].used || !(poses[k].a > 0) || !(poses[k].d > 0))
            continue;
        cut(&x0, &x1, poses[k].a, poses[k].b, 0, last_y, poses[k].tx, last_x);
        cut(&y0, &y1, poses[k].d, poses[k].c, 0, last_x, poses[k].ty, last_y);
    }
    int *covered = take->report->covered;
    covered[0] = (int)ceil(x0 - 1e-9);
    covered[1] = (int)ceil(y0 - 1e-9);
    covered[2] = (int)floor(x1 + 1e-9) - covered[0] + 1;
    covered[3] = (int)floor(y1 + 1e-9) - covered[1] + 1;
    if (covered[2] < 1 || covered[3] < 1)
        covered[0] = covered[1] = covered[2] = covered[3] = 0;
}

void rf_summary_depth_range(rf_take *take, const rf_image *depth)
{
    float low = 0, high = 0;
    double unit = take->report->step_mm > 0 ? take->report->step_mm : 1;
    (void)rf_depth_range(depth, 0, &low, &high);
    take->report->depth_min = low * unit;
    take->report->depth_max = high * unit;
}

rf_status rf_summary_sharp_fractions(rf_take *take, const rf_image *depth, rf_error *err)
{
    rf_run_report *report = take->report;
    enum { TURNS = 4 }; /* neighbours mostly count for one frame: each its own counter */
    size_t count = (size_t)report->frame_count;
    int64_t *seen = NULL;
    rf_status status = rf_alloc(&seen, count * TURNS, sizeof *seen, "the report", err);
    if (status != RF_OK)
        return status;
    for (int y = 0; y < depth->height; y++) {
        const float *row = rf_image_row_f32(depth, y);
        for (int x = 0; x < depth->width; x++) {
            int k = (int)(row[x] + 0.5f);
            if (row[x] >= 0 && k < report->frame_count)
                seen[TURNS * k + x % TURNS]++;
        }
    }
    for (size_t k = 0; k < count; k++) {
        int64_t all = seen[TURNS * k] + seen[TURNS * k + 1] + seen[TURNS * k + 2] + seen[TURNS * k + 3];
        report->frames[k].sharp_fraction = (double)all / ((double)depth->width * depth->height);
    }
    rf_free(seen);
    return RF_OK;
}
