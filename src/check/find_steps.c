/* find_steps.c - steps left out, frames taken twice, and a rail that went back. */
#include <math.h>
#include <stdio.h>

#include "check/look.h"
#include "railfold/memory.h"

#define LONG_STEP 1.45 /* ratio against the steps around it; a step left out gives 1.6 and more */
#define LEAST_LONG 1.6 /* usual steps */
#define SURELY_LONG 2.5
#define NO_STEP 0.42
#define BACK_RATIO 0.75   /* an earlier frame is so much nearer than the one before */
#define LEAST_ANGLE 0.12  /* radians; below it two frames are alike anyway */
#define LEAST_SHARP 0.01  /* share of the subject in focus to both sides of a long step: else nothing is lost there */
#define LEAST_AROUND 0.01 /* the same around a step that was none */

static double sharp_in(const rf_look *look, int begin, int end)
{
    double share = 0;
    for (int k = begin < 0 ? 0 : begin; k < end && k < look->count; k++)
        share += look->result->frames[k].sharp_fraction;
    return share;
}

/* The earlier frame that frame k resembles clearly more than it does the one before; -1: none, as it should be. */
static int came_back_to(const rf_look *look, int k)
{
    double last = rf_look_angle(look, k, 1), nearest = BACK_RATIO * last;
    int found = -1;
    if (last < LEAST_ANGLE)
        return -1;
    for (int back = 2; back <= RF_LOOK_SPAN; back++) {
        double angle = rf_look_angle(look, k, back);
        if (angle >= 0 && angle < nearest) {
            nearest = angle;
            found = k - back;
        }
    }
    return found;
}

static const char *name_of(const rf_look *look, int k)
{
    return rf_check_base_name(look->options->frames[k]);
}

/* Frames in a row that are out of place are one finding. `frames` has room for all. */
static rf_status find_order(rf_look *look, int *frames, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_ORDER, .severity = RF_CHECK_FAULT};
    rf_status status = RF_OK;
    for (int k = 2; k < look->count && status == RF_OK; k++) {
        int earlier = came_back_to(look, k), first = k, n = 0;
        if (earlier < 0)
            continue;
        for (; k < look->count && came_back_to(look, k) >= 0; k++)
            frames[n++] = k;
        status =
            rf_check_add(look->result, &f, frames, n, err,
                         "%s lies next to %s, not to %s before it: the rail went back, or the files are out of order",
                         name_of(look, first), name_of(look, earlier), name_of(look, first - 1));
    }
    return status;
}

/* A frame out of its place leaves a long step before it too: that is told once. Where the settings changed the energies
 * of dark and bright parts changed by different factors. */
static int told_otherwise(const rf_look *look, int k)
{
    if (rf_check_found_at(look->result, RF_CHECK_SETTINGS, k))
        return 1;
    for (int i = k - 1; i <= k + 3; i++)
        if (i >= 0 && rf_check_found_at(look->result, RF_CHECK_ORDER, i))
            return 1;
    return 0;
}

static int is_long(const rf_look *look, int k)
{
    return look->steps[k].against_near > LONG_STEP && look->steps[k].length > LEAST_LONG &&
           fmin(sharp_in(look, k - 2, k), sharp_in(look, k, k + 2)) > LEAST_SHARP;
}

static int is_none(const rf_look *look, int k)
{
    double near = look->steps[k].against_near;
    return near > 0 && near < NO_STEP && sharp_in(look, k - 2, k + 2) > LEAST_AROUND;
}

/* With steps so fine that neighbours look alike anyway, equal ones cannot be told. */
#define FINEST_WIDTH_STEPS 7.0

static rf_status find_duplicates(rf_look *look, int *frames, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_DUPLICATE, .severity = RF_CHECK_NOTE};
    rf_status status = RF_OK;
    for (int k = 1; k < look->count && status == RF_OK; k++) {
        int first = k, n = 0;
        for (; k < look->count && is_none(look, k) && !told_otherwise(look, k); k++)
            frames[n++] = k;
        if (n == 0)
            continue;
        status =
            rf_check_add(look->result, &f, frames, n, err,
                         "%s%s the same slice as %s: the rail did not move, or the timer fired twice",
                         name_of(look, first), n > 1 ? " and those after it show" : " shows", name_of(look, first - 1));
    }
    return status;
}

/* Beside frames that were taken twice the curves are stretched, and an even step looks longer. */
static int beside_duplicate(const rf_look *look, int k)
{
    for (int i = k - 3; i <= k + 3; i++)
        if (i >= 0 && rf_check_found_at(look->result, RF_CHECK_DUPLICATE, i))
            return 1;
    return 0;
}

static rf_status find_missing(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    for (int k = 1; k < look->count && status == RF_OK; k++) {
        double length = look->steps[k].length, width = look->result->focus_width_steps;
        if (!is_long(look, k) || told_otherwise(look, k) || (beside_duplicate(look, k) && length < SURELY_LONG))
            continue;
        const rf_check_finding f = {.kind = RF_CHECK_MISSING_STEP,
                                    .severity = length > width ? RF_CHECK_FAULT : RF_CHECK_WARNING};
        status =
            rf_check_add(look->result, &f, &k, 1, err,
                         "between %s and %s the rail went about %.1f steps: a frame is missing or the knob was turned "
                         "twice%s",
                         name_of(look, k - 1), name_of(look, k), length,
                         length > width ? "; what lies between is sharp in neither" : "");
    }
    return status;
}

rf_status rf_find_steps(rf_look *look, rf_error *err)
{
    rf_status status;
    int *frames = NULL;
    RF_TRY(rf_alloc(&frames, (size_t)look->count, sizeof *frames, "the findings", err));
    for (int k = 1; k < look->count; k++)
        look->result->frames[k].step = look->steps[k].length;
    RF_TRY(find_order(look, frames, err));
    if (look->result->focus_width_steps < FINEST_WIDTH_STEPS)
        RF_TRY(find_duplicates(look, frames, err));
    if (!rf_check_found(look->result, RF_CHECK_ORDER)) /* out of order, the curves tell no lengths */
        RF_TRY(find_missing(look, err));
done:
    rf_free(frames);
    return status;
}
