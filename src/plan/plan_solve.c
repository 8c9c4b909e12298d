/* plan_solve.c - the searches: over the full stops that a ring carries, and over whole divisions of the knob.
 *
 * Sharpest means the least worst blur: the Airy disc and the disc of defocus half a step off the focus plane, added in
 * quadrature. While the step follows the depth of field the defocus part hardly changes, so the widest aperture whose
 * take keeps to the limits wins; the search makes no use of that. */
#include "plan/plan_parts.h"

#include <math.h>

static const double WIDEST_MARK = 2.8;  /* taken where no lens was named: what bellows lenses usually open to */
static const double SMALLEST_MARK = 45; /* smaller marks are rare and far past the diffraction limit */
static const double COMPARE_FROM = 1.4;

/* The step that fits a number of frames: depth over the gaps, rounded UP to the knob so that the count holds. */
static double step_that_fits(const rf_plan_options *options, int max_frames)
{
    int gaps = max_frames - 1 - 2 * options->guard_frames;
    double division = plan_division_mm(options);
    if (gaps < 1)
        return NAN;
    double step = options->subject_depth_mm / gaps;
    if (division > 0) {
        double units = rf_plan_whole_units(step, division);
        step = (units * division < step * (1 - 1e-9) ? units + 1 : units) * division;
    }
    return fmax(step, options->smallest_step_mm);
}

/* Whether a plan keeps to what was asked: frames, overlap, and a step that the rail can do. */
static int keeps_limits(const rf_plan_options *options, const rf_plan_result *plan)
{
    double asked = options->overlap_percent / 100;
    if (options->max_frames > 0 && plan->frames > options->max_frames)
        return 0;
    if (plan->step_wanted_mm < fmax(plan_division_mm(options), options->smallest_step_mm) * (1 - 1e-9))
        return 0;
    return plan->overlap >= asked - 1e-9;
}

static rf_status no_solution(const rf_plan_options *options, const rf_plan_result *last, rf_error *err)
{
    if (options->max_frames > 0 && last->frames > options->max_frames)
        return rf_fail(err, RF_ERR_USAGE,
                       "--max-frames %d cannot be kept: even f/%g needs %d frames at %g %% overlap; expected more "
                       "frames, less --overlap or a larger --blur",
                       options->max_frames, last->f_number_marked, last->frames, options->overlap_percent);
    return rf_fail(
        err, RF_ERR_USAGE,
        "no full stop to f/%g has a depth of field that holds a step of %.4g mm at %g %% overlap; expected a "
        "smaller step or less --overlap",
        last->f_number_marked, last->step_mm, options->overlap_percent);
}

/* The smallest full stop that is still within the blur limit, at least the widest one allowed. */
static double stop_before_diffraction(const rf_plan_options *options, const rf_plan_result *setup, double widest)
{
    double best = NAN;
    for (int i = 0; i < RF_PLAN_FULL_STOPS; i++) {
        double mark = rf_plan_full_stop_mark(i);
        if (mark < widest)
            continue;
        if (!(best > 0) || !plan_derive(options, setup, mark, options->step_mm).wave_rules)
            best = mark;
    }
    return best;
}

/* Tries the full stops from `widest` on: the sharpest that keeps the limits, or the first. */
static rf_status search_stops(const rf_plan_options *options, const rf_plan_result *setup, double widest,
                              int first_wins, rf_plan_result *result, rf_error *err)
{
    rf_plan_result plan = *setup;
    double best_blur = INFINITY;
    int found = 0;
    for (int i = -1; i < RF_PLAN_FULL_STOPS; i++) {
        double mark = i < 0 ? widest : rf_plan_full_stop_mark(i); /* the lens's own widest mark need be no full stop */
        if ((i >= 0 && mark <= widest) || (i >= 0 && mark > SMALLEST_MARK))
            continue;
        plan = plan_derive(options, setup, mark, options->step_mm);
        double blur = plan.pitch_um > 0 ? plan.worst_blur_px : plan.airy_diameter_um;
        if (!keeps_limits(options, &plan) || blur >= best_blur)
            continue;
        *result = plan;
        best_blur = blur;
        found = 1;
        if (first_wins)
            break;
    }
    return found ? RF_OK : no_solution(options, &plan, err);
}

static rf_status solve_step(const rf_plan_options *options, const rf_plan_result *setup, rf_plan_result *result,
                            rf_error *err)
{
    if (options->step_mm > 0)
        return rf_fail(err, RF_ERR_USAGE, "--step %g does not go with --solve step, which looks for it",
                       options->step_mm);
    if (!(options->f_number_marked > 0) && !(options->objective[1] > 0))
        return rf_fail(err, RF_ERR_USAGE, "--solve step needs --aperture N or --objective M/NA");
    *result = plan_derive(options, setup, options->f_number_marked, 0);
    if (options->max_frames == 0 || result->frames <= options->max_frames)
        return RF_OK;
    double step = step_that_fits(options, options->max_frames);
    if (!(step > 0))
        return rf_fail(err, RF_ERR_USAGE,
                       "--max-frames %d leaves no step: with %d guard frames on either side it takes %d",
                       options->max_frames, options->guard_frames, 2 + 2 * options->guard_frames);
    *result = plan_derive(options, setup, options->f_number_marked, step);
    return RF_OK;
}

rf_status plan_solve(const rf_plan_options *options, const rf_plan_result *setup, rf_plan_result *result, rf_error *err)
{
    double given = options->f_number_marked, widest = given > 0 ? given : WIDEST_MARK;
    if (!(options->subject_depth_mm > 0))
        return rf_fail(err, RF_ERR_USAGE, "--solve needs --subject-depth MM, the depth that is to be sharp");
    if (options->goal == RF_PLAN_GOAL_STEP)
        return solve_step(options, setup, result, err);
    if (options->goal == RF_PLAN_GOAL_APERTURE)
        return search_stops(options, setup, widest, 0, result, err);
    if (given > 0 || options->objective[1] > 0) {
        *result = plan_derive(options, setup, given, options->step_mm);
        return RF_OK;
    }
    if (!(setup->pitch_um > 0))
        return rf_fail(err, RF_ERR_USAGE,
                       "--solve frames without --aperture needs --pitch UM (or --sensor with --pixels)");
    return search_stops(options, setup, stop_before_diffraction(options, setup, widest), 1, result, err);
}

rf_status rf_plan_compare(const rf_plan_options *options, rf_plan_result rows[RF_PLAN_COMPARE_MAX], int *count,
                          rf_error *err)
{
    rf_plan_options common = *options;
    rf_plan_result setup;
    rf_status status;
    double own = options->f_number_marked;
    int own_done = !(own > 0);
    *count = 0;
    if (!(own > 0) && !(options->metered_f_number_marked > 0))
        common.shutter_s = 0; /* a time metered at no known aperture says nothing about the others */
    RF_TRY(plan_setup(options, &setup, err));
    if (options->objective[1] > 0)
        return rf_fail(err, RF_ERR_USAGE, "--compare does not go with --objective %g/%g, whose aperture is fixed",
                       options->objective[0], options->objective[1]);
    for (int i = 0; i < RF_PLAN_FULL_STOPS; i++) {
        double mark = rf_plan_full_stop_mark(i);
        int in_range = mark >= COMPARE_FROM && mark <= SMALLEST_MARK;
        if (!own_done && own <= mark) {
            if (own < mark || !in_range)
                rows[(*count)++] = plan_derive(&common, &setup, own, options->step_mm);
            own_done = 1;
        }
        if (in_range)
            rows[(*count)++] = plan_derive(&common, &setup, mark, options->step_mm);
    }
    if (!own_done)
        rows[(*count)++] = plan_derive(&common, &setup, own, options->step_mm);
    for (int i = 0; i < *count; i++)
        plan_warn(&common, &rows[i]);
done:
    return status;
}
