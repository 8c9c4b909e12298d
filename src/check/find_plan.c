/* find_plan.c - the take against its shooting plan. */
#include <math.h>

#include "check/look.h"

#define STEP_SHARE 0.15 /* of the step, by the change of scale */
#define STOP_SHARE 0.08 /* of the f-number: a third stop is 0.12 */

static rf_status compare_frames(rf_look *look, const rf_check_plan *plan, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_PLAN, .severity = RF_CHECK_WARNING};
    if (plan->frames <= 0 || look->options->unfinished || look->count >= plan->frames)
        return RF_OK;
    return rf_check_add(look->result, &f, NULL, 0, err, "the take has %d frames, the plan %d", look->count,
                        plan->frames);
}

/* A change of scale below a few times the aligner's own error says nothing about the step. */
static rf_status compare_step(rf_look *look, const rf_check_plan *plan, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_PLAN, .severity = RF_CHECK_WARNING};
    double steps = look->result->working_distance_steps, planned = plan->scale_per_step - 1;
    double corner_px = 0.5 * hypot(look->result->width, look->result->height) / look->align_reduce;
    if (!(steps > 0) || !(planned > 0) || planned * corner_px * (look->count - 1) < 2)
        return RF_OK;
    double ratio = 1 / steps / planned;
    if (fabs(ratio - 1) < STEP_SHARE)
        return RF_OK;
    if (plan->step_mm > 0)
        return rf_check_add(look->result, &f, NULL, 0, err,
                            "by the change of scale the step was %.3g mm; the plan says %.3g mm", ratio * plan->step_mm,
                            plan->step_mm);
    return rf_check_add(look->result, &f, NULL, 0, err,
                        "by the change of scale the steps were %.2f times those of the plan", ratio);
}

static rf_status compare_settings(rf_look *look, const rf_check_plan *plan, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_PLAN, .severity = RF_CHECK_WARNING};
    int k = look->result->reference;
    double f_number = look->result->frames[k].f_number, exposure_s = look->result->frames[k].exposure_s;
    if (f_number > 0 && plan->f_number > 0 && fabs(log(f_number / plan->f_number)) > STOP_SHARE)
        return rf_check_add(look->result, &f, NULL, 0, err, "the aperture was f/%.3g; the plan says f/%.3g", f_number,
                            plan->f_number);
    if (exposure_s > 0 && plan->shutter_s > 0 && fabs(log(exposure_s / plan->shutter_s)) > 2 * STOP_SHARE)
        return rf_check_add(look->result, &f, NULL, 0, err, "the exposure was %.3g s; the plan says %.3g s", exposure_s,
                            plan->shutter_s);
    return RF_OK;
}

rf_status rf_find_plan(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    const rf_check_plan *plan = look->options->plan;
    if (plan == NULL)
        return RF_OK;
    RF_TRY(compare_frames(look, plan, err));
    RF_TRY(compare_step(look, plan, err));
    RF_TRY(compare_settings(look, plan, err));
done:
    return status;
}
