/* rail.c - see rail.h. */
#include "rail.h"

#include <math.h>

#include "fault.h"
#include "numeric.h"
#include "railfold/memory.h"
#include "random.h"

/* Thu 2024-03-14 09:30:00, any plausible time will do; a frame each 12 s: settle, expose, move the rail. */
static const int64_t FIRST_FRAME_MS = 1710408600000;
static const double FRAME_INTERVAL_S = 12.0, EXPOSURE_S = 0.5;

static void place_frames(rail *plan, const take_options *options)
{
    take_random random = take_random_start(options->seed, "rail");
    double direction = 2 * TAKE_PI * take_random_uniform(&random);
    double drift_x = options->drift_px_per_step * take_cos(direction);
    double drift_y = options->drift_px_per_step * take_sin(direction);
    double time_s = 0;
    for (int k = 0; k < plan->count; k++) {
        rail_frame *frame = &plan->frames[k];
        double position = fault_position(plan, &options->fault, k);
        frame->focus = options->retreat ? plan->farthest - position : position;
        frame->shift_x = drift_x * k + options->bump_px * take_random_normal(&random);
        frame->shift_y = drift_y * k + options->bump_px * take_random_normal(&random);
        frame->roll_rad = options->roll_deg * TAKE_PI / 180 * take_random_normal(&random);
        frame->gain = 1 + options->flicker * take_random_normal(&random);
        if (frame->gain < 0.1)
            frame->gain = 0.1;
        frame->exposure_s = EXPOSURE_S;
        frame->time_ms = FIRST_FRAME_MS + (int64_t)(1000 * time_s);
        time_s += FRAME_INTERVAL_S + 0.4 * take_random_normal(&random);
    }
}

/* The reference frame is the measure of all others: no offset, no roll, gain 1. */
static void refer_to(rail *plan, int reference)
{
    rail_frame base = plan->frames[reference];
    for (int k = 0; k < plan->count; k++) {
        rail_frame *frame = &plan->frames[k];
        frame->shift_x -= base.shift_x;
        frame->shift_y -= base.shift_y;
        frame->roll_rad -= base.roll_rad;
        frame->gain /= base.gain;
    }
    plan->view.reference_focus = base.focus;
}

rf_status rail_plan(rail *plan, const take_options *options, rf_error *err)
{
    rf_status status;
    *plan = (rail){.count = options->frames, .blur_px_per_step = options->blur_px_per_step};
    plan->view = (rail_view){.width = options->width,
                             .height = options->height,
                             .cx = (options->width - 1) / 2.0,
                             .cy = (options->height - 1) / 2.0,
                             .distance = options->distance_steps};
    fault_set_steps(plan, &options->fault);
    plan->reference = options->reference >= 0 ? options->reference : plan->count / 2;
    if (plan->reference >= plan->count)
        return rf_fail(err, RF_ERR_USAGE, "--reference: frame %d does not exist, the take has %d", plan->reference,
                       plan->count);
    RF_TRY(rf_alloc(&plan->frames, (size_t)plan->count, sizeof *plan->frames, "the rail positions", err));
    for (int k = 0; k < plan->count; k++)
        plan->farthest = fmax(plan->farthest, fault_position(plan, &options->fault, k));
    /* A careful photographer starts a step before the subject and ends a step behind it. */
    double spare = plan->count > 8 ? 1.0 : plan->count > 2 ? 0.4 : 0;
    plan->subject_begin = plan->nearest + spare;
    plan->subject_end = fmax(plan->farthest - spare, plan->subject_begin + 0.1);
    fault_uncover(plan, &options->fault, options->retreat);
    place_frames(plan, options);
    fault_disturb(plan, &options->fault, options->seed);
    refer_to(plan, plan->reference);
    return RF_OK;
done:
    rail_free(plan);
    return status;
}

void rail_free(rail *plan)
{
    rf_free(plan->frames);
    plan->frames = NULL;
}

rf_pose rail_pose_at(const rail_view *view, const rail_frame *frame, double z)
{
    double distance = view->distance, magnification = distance / (distance + z - frame->focus);
    double scale = magnification * (distance + z - view->reference_focus) / distance;
    double cosine = take_cos(frame->roll_rad), sine = take_sin(frame->roll_rad);
    double tx = magnification * frame->shift_x, ty = magnification * frame->shift_y;
    rf_pose pose = rf_pose_identity();
    pose.a = pose.d = scale * cosine;
    pose.c = scale * sine;
    pose.b = -pose.c;
    pose.tx = view->cx - (cosine * tx - sine * ty) - pose.a * view->cx - pose.b * view->cy;
    pose.ty = view->cy - (sine * tx + cosine * ty) - pose.c * view->cx - pose.d * view->cy;
    return pose;
}

rf_pose rail_pose(const rail_view *view, const rail_frame *frame)
{
    return rail_pose_at(view, frame, frame->focus);
}

double rail_position_of(const rail *plan, double z)
{
    int last = plan->count - 1;
    if (last < 1)
        return z - plan->frames[0].focus;
    for (int k = 0; k < last; k++) {
        double a = plan->frames[k].focus, b = plan->frames[k + 1].focus;
        if (a != b && (z - a) * (z - b) <= 0)
            return k + (z - a) / (b - a);
    }
    /* Beyond an end: on at the pace of one step a frame. */
    double first_off = fabs(z - plan->frames[0].focus), last_off = fabs(z - plan->frames[last].focus);
    return first_off < last_off ? -first_off : last + last_off;
}

double rail_margin_px(const rail *plan, double z)
{
    const rail_view *view = &plan->view;
    double worst = 0;
    for (int k = 0; k < plan->count; k++) {
        rf_pose to_view, pose = rail_pose_at(view, &plan->frames[k], z);
        to_view = rf_pose_invert(&pose);
        for (int corner = 0; corner < 4; corner++) {
            double x, y, fx = corner & 1 ? view->width - 1 : 0, fy = corner & 2 ? view->height - 1 : 0;
            rf_pose_apply(&to_view, fx, fy, &x, &y);
            worst = fmax(worst, fmax(fmax(-x, x - (view->width - 1)), fmax(-y, y - (view->height - 1))));
        }
    }
    return worst;
}
