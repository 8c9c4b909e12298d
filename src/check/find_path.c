/* find_path.c - bumps: the camera jumps sideways, far beyond the take's own jitter. */
#include <math.h>
#include <stdlib.h>

#include "check/look.h"
#include "railfold/memory.h"

#define USUAL_STEPS 5.0       /* a bump is so many times the usual step off its like, */
#define LEAST_BUMP_PX 2.0     /* and so many pixels, */
#define LEAST_BUMP_SHARE 1e-3 /* and this share of the width */
#define LOST_SHARE 0.05       /* a jump over this share of the width cuts off the picture's edge */

enum { MANY_FRAMES = 10 };

typedef struct path {
    int count;
    int *frame;    /* those with a pose of their own */
    double *x, *y; /* shift of the picture centre */
    double *away;  /* of step i (from i - 1 to i) from the usual step */
    double *sorted;
    double usual_x, usual_y, limit;
} path;

static rf_status read_path(path *p, const rf_check_known *known, rf_error *err)
{
    rf_status status;
    size_t room = (size_t)known->frame_count;
    RF_TRY(rf_alloc(&p->frame, room, sizeof *p->frame, "the path", err));
    RF_TRY(rf_alloc(&p->x, room, sizeof *p->x, "the path", err));
    RF_TRY(rf_alloc(&p->y, room, sizeof *p->y, "the path", err));
    RF_TRY(rf_alloc(&p->away, room, sizeof *p->away, "the path", err));
    RF_TRY(rf_alloc(&p->sorted, room, sizeof *p->sorted, "the path", err));
    for (int k = 0; k < known->frame_count; k++) {
        if (!known->align_frames[k].measured || known->align_frames[k].blank)
            continue;
        rf_pose_shift_px(&known->poses[k], known->width, known->height, &p->x[p->count], &p->y[p->count]);
        p->frame[p->count++] = k;
    }
done:
    return status;
}

static void free_path(path *p)
{
    rf_free(p->frame);
    rf_free(p->x);
    rf_free(p->y);
    rf_free(p->away);
    rf_free(p->sorted);
}

static double usual_step(path *p, const double *shift)
{
    for (int i = 1; i < p->count; i++)
        p->sorted[i - 1] = (shift[i] - shift[i - 1]) / (p->frame[i] - p->frame[i - 1]);
    return rf_median(p->sorted, p->count - 1);
}

static void measure_steps(path *p, int width)
{
    p->usual_x = usual_step(p, p->x);
    p->usual_y = usual_step(p, p->y);
    for (int i = 1; i < p->count; i++) {
        int steps = p->frame[i] - p->frame[i - 1];
        p->away[i] = hypot(p->x[i] - p->x[i - 1] - steps * p->usual_x, p->y[i] - p->y[i - 1] - steps * p->usual_y);
        p->sorted[i - 1] = p->away[i];
    }
    double jitter = rf_median(p->sorted, p->count - 1);
    if (p->count >= MANY_FRAMES) /* the quartile of a normal jitter, brought to its median (Rayleigh's law) */
        jitter = fmax(jitter, rf_quantile(p->sorted, p->count - 1, 0.75) / 1.414);
    p->limit = fmax(USUAL_STEPS * jitter, fmax(LEAST_BUMP_PX, LEAST_BUMP_SHARE * width));
}

static const char *direction(double x, double y)
{
    static const char *const names[8] = {"right", "right and down", "down", "left and down",
                                         "left",  "left and up",    "up",   "right and up"};
    int eighth = (int)floor(atan2(y, x) / 0.78539816339744831 + 8.5) % 8;
    return names[eighth];
}

static rf_status add_bump(const path *p, int i, const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    double x = p->x[i] - p->x[i - 1], y = p->y[i] - p->y[i - 1];
    int back = i + 1 < p->count && hypot(p->x[i + 1] - p->x[i - 1], p->y[i + 1] - p->y[i - 1]) < 0.4 * p->away[i];
    int lost = p->away[i] > LOST_SHARE * known->width;
    const rf_check_finding f = {.kind = RF_CHECK_BUMP, .severity = lost ? RF_CHECK_FAULT : RF_CHECK_WARNING};
    return rf_check_add(result, &f, &p->frame[i], 1, err, "%s: the picture jumps %.1f px %s against the frame before%s",
                        rf_check_base_name(known->files[p->frame[i]]), p->away[i], direction(x, y),
                        back ? " and is back in the next one" : "; something was bumped or slipped");
}

rf_status rf_find_path(const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    rf_status status = RF_OK;
    path p = {0};
    if (known->poses == NULL || known->align_frames == NULL || known->frame_count < 3)
        return RF_OK;
    RF_TRY(read_path(&p, known, err));
    if (p.count < 3)
        goto done;
    measure_steps(&p, known->width);
    for (int i = 1; i < p.count; i++) {
        if (!(p.away[i] > p.limit))
            continue;
        RF_TRY(add_bump(&p, i, known, result, err));
        if (i + 1 < p.count && hypot(p.x[i + 1] - p.x[i - 1], p.y[i + 1] - p.y[i - 1]) < 0.4 * p.away[i])
            i++; /* the way back is the same bump */
    }
done:
    free_path(&p);
    return status;
}
