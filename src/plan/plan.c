/* plan.c - from a complete set-up to the plan at one aperture.
 *
 * Depth of field: the geometric one holds the blur disc to c, but below c = 2 lambda N_eff nothing is that sharp, so
 * the larger of the geometric and the wave-optical depth is used (docs/plan.md). The step is that depth less the
 * overlap, rounded down to the knob. */
#include "plan/plan_parts.h"

#include <limits.h>
#include <math.h>

static double known(double value)
{
    return value > 0 ? value : NAN;
}

double plan_division_mm(const rf_plan_options *options)
{
    return options->divisions > 0 ? options->lead_mm / options->divisions : 0;
}

static void set_light(const rf_plan_options *options, rf_plan_result *plan, double f_number_marked)
{
    double m = plan->magnification, wavelength_um = options->wavelength_mm * 1000;
    if (options->objective[1] > 0) {
        plan->f_number_marked = plan->f_number = plan->exposure_factor = plan->diffraction_f_number = NAN;
        plan->na = options->objective[1];
        plan->effective_f_number = m / (2 * plan->na);
    } else {
        double factor = rf_plan_bellows_factor(m, plan->pupil_ratio);
        plan->f_number_marked = f_number_marked;
        plan->f_number = rf_plan_exact_f_number(f_number_marked);
        plan->effective_f_number = plan->f_number * factor;
        plan->na = m / (2 * plan->effective_f_number);
        plan->exposure_factor = factor * factor;
        plan->diffraction_f_number = plan->blur_limit_um / (2 * wavelength_um) / factor;
    }
    plan->exposure_stops = log2(plan->exposure_factor);
    double metered = options->metered_f_number_marked > 0 ? options->metered_f_number_marked : options->f_number_marked;
    double opening = metered > 0 ? plan->f_number / rf_plan_exact_f_number(metered) : 1;
    int through_lens = options->metering == RF_PLAN_METERED_THROUGH_LENS || options->objective[1] > 0;
    plan->shutter_s = known(options->shutter_s) * opening * opening * (through_lens ? 1 : plan->exposure_factor);
    plan->flicker_percent = rf_plan_flicker_percent(known(options->mains_hz), plan->shutter_s);
    plan->airy_diameter_um = rf_plan_airy_diameter_um(plan->effective_f_number, wavelength_um);
    plan->airy_diameter_px = plan->airy_diameter_um / plan->pitch_um;
    plan->finest_detail_um = rf_plan_rayleigh_um(plan->effective_f_number, wavelength_um) / m;
}

static void set_depth(const rf_plan_options *options, rf_plan_result *plan)
{
    double n = plan->medium_index;
    plan->depth_of_field_geometric_mm =
        rf_plan_depth_geometric_mm(plan->effective_f_number, plan->blur_limit_um / 1000, plan->magnification, n);
    plan->depth_of_field_wave_mm = rf_plan_depth_wave_mm(plan->na, options->wavelength_mm, n);
    plan->depth_of_field_wave_exact_mm = rf_plan_depth_wave_exact_mm(plan->na, options->wavelength_mm, n);
    plan->wave_rules = !(plan->depth_of_field_geometric_mm >= plan->depth_of_field_wave_mm);
    plan->depth_of_field_mm = plan->wave_rules ? plan->depth_of_field_wave_mm : plan->depth_of_field_geometric_mm;
}

static void set_step(const rf_plan_options *options, rf_plan_result *plan, double step_mm)
{
    double division = plan_division_mm(options), m = plan->magnification;
    plan->step_wanted_mm = step_mm > 0 ? step_mm : plan->depth_of_field_mm * (1 - options->overlap_percent / 100);
    plan->step_mm = plan->step_wanted_mm;
    plan->knob_divisions_per_step = NAN;
    if (division > 0) { /* no knob can be set to less than one division: plan_warn says what that costs */
        plan->knob_divisions_per_step = fmax(rf_plan_whole_units(plan->step_wanted_mm, division), 1);
        plan->step_mm = plan->knob_divisions_per_step * division;
    }
    plan->knob_turns_per_step = plan->step_mm / known(options->lead_mm);
    plan->overlap = 1 - plan->step_mm / plan->depth_of_field_mm;
    double defocus_um = plan->step_mm / 2 * m * m / (plan->effective_f_number * plan->medium_index) * 1000;
    plan->worst_blur_px = hypot(plan->airy_diameter_um, defocus_um) / plan->pitch_um;
}

static void set_take(const rf_plan_options *options, rf_plan_result *plan)
{
    double frames = rf_plan_frames(known(options->subject_depth_mm), plan->step_mm, options->guard_frames);
    plan->frames = frames >= INT_MAX ? INT_MAX : frames > 0 ? (int)frames : 0;
    plan->travel_mm = (frames - 1) * plan->step_mm;
    plan->duration_s = frames * (plan->shutter_s + options->timer_s + options->settle_s);
    plan->card_mb = frames * known(options->frame_mb);
    double corner_px = hypot(plan->pixels_wide, plan->pixels_high) / 2;
    plan->scale_per_step = rf_plan_scale_per_step(plan->pupil_to_subject_mm, plan->step_mm);
    plan->scale_over_take = pow(plan->scale_per_step, frames - 1);
    plan->corner_shift_px_per_step = corner_px * (plan->scale_per_step - 1);
    plan->corner_shift_px_over_take = corner_px * (plan->scale_over_take - 1);
    plan->backdrop_blur_mm = rf_plan_backdrop_blur_mm(plan->magnification, plan->focal_mm / plan->f_number,
                                                      plan->pupil_to_subject_mm, known(options->backdrop_mm));
    plan->backdrop_blur_fraction = plan->backdrop_blur_mm / plan->sensor_width_mm;
}

rf_plan_result plan_derive(const rf_plan_options *options, const rf_plan_result *setup, double f_number_marked,
                           double step_mm)
{
    rf_plan_result plan = *setup;
    set_light(options, &plan, f_number_marked);
    set_depth(options, &plan);
    set_step(options, &plan, step_mm);
    set_take(options, &plan);
    return plan;
}

rf_status rf_plan_compute(const rf_plan_options *options, rf_plan_result *result, rf_error *err)
{
    rf_plan_result setup;
    rf_status status;
    RF_TRY(plan_setup(options, &setup, err));
    if (options->goal != RF_PLAN_GOAL_NONE) {
        RF_TRY(plan_solve(options, &setup, result, err));
    } else {
        if (!(options->f_number_marked > 0) && !(options->objective[1] > 0))
            return rf_fail(err, RF_ERR_USAGE,
                           "the aperture is not known: expected --aperture N, --objective M/NA or --solve aperture");
        *result = plan_derive(options, &setup, options->f_number_marked, options->step_mm);
    }
    if (result->frames > RF_PLAN_FRAMES_MAX)
        return rf_fail(err, RF_ERR_USAGE,
                       "--subject-depth %g at a step of %.4g mm needs more than %d frames; expected a smaller depth, a "
                       "larger step or --max-frames with --solve",
                       options->subject_depth_mm, result->step_mm, RF_PLAN_FRAMES_MAX);
    plan_warn(options, result);
done:
    return status;
}
