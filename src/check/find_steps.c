/* find_steps.c - steps left out, frames taken twice, and a rail that went back. */
#include <math.h>
#include <stdio.h>

#include "check/jumps.h"
#include "railfold/memory.h"

#define LONG_STEP 1.45   /* ratio against the steps around it; a step left out gives 1.6 and more */
#define LEAST_LONG 1.6   /* usual steps, by the angle; */
#define NEARLY_LONG 1.5  /* or this many, */
#define SURE_FOLLOW 1.75 /* when the energies changed so many times as much as over the steps around */
#define SURELY_LONG 2.5
#define LONG_FOLLOW 1.25 /* and the energies changed so many times as much as over the steps around */
/* Where all that changes is a plate that comes into focus as a whole, or lies midway between two frames, the pattern of
 * sharpness hardly changes over a step, and its noise tells nothing of the way. */
#define TELLS_LONG 0.5     /* of what the take's most telling steps are expected to change */
#define TELLS_NONE 0.35    /* the same: of such a step no length is told, but whether there was one */
#define LONG_ERROR 0.1     /* standard error of that: a flat plate comes into focus at once, and no length fits */
#define LONG_OF_WIDTH 0.35 /* of the focus curves' width: a shorter gap is bridged by them, and shows nowhere */
#define NO_STEP 0.25       /* of the change that a usual step makes ... */
#define NO_STEP_ERROR 0.08
#define LITTLE 0.8      /* ... and of its angle, for noise alone makes some */
#define BACKWARD (-0.5) /* the change of a usual step, the other way round */
#define NOT_FORWARD 0.3
#define FAR_STEP 1.8       /* ratio against the steps around */
#define FAR_ANGLE 0.6      /* radians from the frame before */
enum { LEAST_CELLS = 12 }; /* in focus around a step that was none */
enum { NEAR_STEPS = 4, LEAST_MOVED = 10 /* quarters of cells */ };
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

/* The frame that frame k lies next to when it is not the one before; -1: all is well. Blurred before and behind its
 * focus a flat subject looks alike: only when the energies do not follow the way of the rail does likeness tell. */
static int out_of_place(const rf_look *look, int k)
{
    const rf_step *step = &look->steps[k];
    int earlier = came_back_to(look, k);
    if (step->follow + 3 * step->follow_error < BACKWARD)
        return earlier >= 0 ? earlier : k - 2;
    int far_off = step->against_near > FAR_STEP && rf_look_angle(look, k, 1) > FAR_ANGLE; /* no cells to follow, then */
    /* Two frames with a plate midway between them differ in nothing but noise, and follow nothing. */
    return step->follow + 2 * step->follow_error < NOT_FORWARD || far_off ? earlier : -1;
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
        int earlier = out_of_place(look, k), first = k, n = 0;
        if (earlier < 0)
            continue;
        for (; k < look->count && out_of_place(look, k) >= 0; k++)
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
    const rf_step *step = &look->steps[k];
    double least = step->follow_near > SURE_FOLLOW ? NEARLY_LONG : LEAST_LONG;
    return step->against_near > LONG_STEP && step->length > least && step->follow_near > LONG_FOLLOW &&
           step->follow_error < LONG_ERROR && step->telling > TELLS_LONG &&
           fmin(sharp_in(look, k - 2, k), sharp_in(look, k, k + 2)) > LEAST_SHARP;
}

static int is_far(const rf_look *look, int k)
{
    return is_long(look, k) && look->steps[k].length > SURELY_LONG;
}

/* Cells that come into focus there must say so, and no step beside it that spoils the fit. */
static int is_none(const rf_look *look, int k)
{
    const rf_step *step = &look->steps[k];
    if (step->telling < TELLS_NONE || fabs(step->follow) > NO_STEP || step->follow_error > NO_STEP_ERROR ||
        step->against_near > LITTLE || step->in_focus + look->steps[k - 1].in_focus < LEAST_CELLS)
        return 0;
    return !(k > 1 && is_far(look, k - 1)) && !(k + 1 < look->count && is_far(look, k + 1)) &&
           sharp_in(look, k - 2, k + 2) > LEAST_AROUND;
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

/* The angle of step k over the usual one around it; `without`: cells to leave out, or NULL. 0: not known. */
static double angle_ratio(const rf_look *look, int k, const unsigned char *without)
{
    double near[2 * NEAR_STEPS];
    int n = 0;
    for (int i = k - NEAR_STEPS; i <= k + NEAR_STEPS; i++) {
        double angle = i >= 1 && i < look->count && i != k ? rf_look_angle_without(look, i - 1, i, without) : -1;
        if (angle >= 0)
            near[n++] = angle;
    }
    double usual = rf_median(near, n), here = rf_look_angle_without(look, k - 1, k, without);
    return usual > 0 && here > 0 ? here / usual : 0;
}

/* What moved changes the pattern of sharpness as a long step does, but only where it moved: the length by the rest.
 * Once more, for a step held too long hides part of what moved. */
static void settle_length(rf_look *look, rf_jumps *jumps, int k)
{
    rf_step *step = &look->steps[k], as_seen = *step;
    double all = angle_ratio(look, k, NULL);
    for (int round = 0; round < 2; round++) {
        rf_jump jump = rf_jumps_at(jumps, k, step->length);
        double rest = jump.quarters >= LEAST_MOVED ? angle_ratio(look, k, jumps->near) : 0;
        if (!(rest > 0) || !(all > 0) || rest >= all)
            return;
        step->length = as_seen.length * rest / all;
        step->against_near = as_seen.against_near * rest / all;
    }
}

/* Slices that no frame shows sharp leave the curves to guess how far it is across them: measured on rendered takes,
 * lengths up to twice the curves' width are within an eighth, and beyond come out up to 1.6 times. */
#define TOLD_WIDTHS 2.0

static void length_text(char *text, size_t bytes, double length, double width)
{
    if (length > TOLD_WIDTHS * width)
        (void)snprintf(text, bytes, "more than %.0f steps", floor(TOLD_WIDTHS * width));
    else
        (void)snprintf(text, bytes, "about %.1f steps", length);
}

static rf_status find_missing(rf_look *look, rf_jumps *jumps, rf_error *err)
{
    rf_status status = RF_OK;
    double width = look->result->focus_width_steps;
    for (int k = 1; k < look->count && status == RF_OK; k++) {
        if (!is_long(look, k) || told_otherwise(look, k))
            continue;
        settle_length(look, jumps, k);
        double length = look->steps[k].length;
        if (!is_long(look, k) || length < LONG_OF_WIDTH * width || (beside_duplicate(look, k) && length < SURELY_LONG))
            continue;
        char steps[48];
        length_text(steps, sizeof steps, length, width);
        const rf_check_finding f = {.kind = RF_CHECK_MISSING_STEP,
                                    .severity = length > width ? RF_CHECK_FAULT : RF_CHECK_WARNING};
        status = rf_check_add(look->result, &f, &k, 1, err,
                              "between %s and %s the rail went %s: a frame is missing or the knob was turned twice%s",
                              name_of(look, k - 1), name_of(look, k), steps,
                              length > width ? "; what lies between is sharp in neither" : "");
    }
    return status;
}

rf_status rf_find_steps(rf_look *look, rf_error *err)
{
    rf_status status;
    int *frames = NULL;
    rf_jumps jumps = {0};
    RF_TRY(rf_alloc(&frames, (size_t)look->count, sizeof *frames, "the findings", err));
    RF_TRY(find_order(look, frames, err));
    if (look->result->focus_width_steps < FINEST_WIDTH_STEPS && !rf_check_found(look->result, RF_CHECK_ORDER))
        RF_TRY(find_duplicates(look, frames, err));
    if (!rf_check_found(look->result, RF_CHECK_ORDER)) { /* out of order, the curves tell no lengths */
        RF_TRY(rf_jumps_open(&jumps, look, err));
        RF_TRY(find_missing(look, &jumps, err));
    }
    for (int k = 1; k < look->count; k++)
        look->result->frames[k].step = look->steps[k].length;
done:
    rf_jumps_close(&jumps);
    rf_free(frames);
    return status;
}
