/* plan_advice.c - what the plan warns of, and the usual cautions. */
#include "plan/plan_parts.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* A ripple of 1 % is the least that shows as a step between neighbouring frames (common practice, no source). */
static const double FLICKER_LIMIT_PERCENT = 1;
/* A backdrop whose blur disc spans less of the frame width keeps visible structure (common practice, no source). */
static const double BACKDROP_LIMIT = 0.05;
/* Past this share the paraxial lambda/NA^2 is worth a word beside the exact depth. */
static const double PARAXIAL_ERROR = 0.1;

const char *const rf_plan_cautions[] = {
    "Lamps are hot and glare: let them cool, shade your eyes, keep paper away.",
    "Blades and pins: cut away from the hand, count them out and back in.",
    "Old specimens: pest-control residue (arsenic, mercury); gloves, air, no food.",
    "Rails, clamps and bellows pinch: fingers off before the knob turns.",
    "Local codes and licensed practice come first, for mains and for poisons.",
    NULL,
};

const char *plan_warning_name(rf_plan_warning_kind kind)
{
    static const char *const names[] = {
        [RF_PLAN_WARN_DIFFRACTION] = "diffraction",
        [RF_PLAN_WARN_RAIL] = "rail",
        [RF_PLAN_WARN_OVERLAP] = "overlap",
        [RF_PLAN_WARN_FRAMES] = "frames",
        [RF_PLAN_WARN_REACH] = "reach",
        [RF_PLAN_WARN_FLICKER] = "flicker",
        [RF_PLAN_WARN_BACKDROP] = "backdrop",
        [RF_PLAN_WARN_HIGH_NA] = "high-na",
        [RF_PLAN_WARN_REVERSED] = "reversed",
    };
    return names[kind];
}

static RF_PRINTF(3, 4) void add(rf_plan_result *plan, rf_plan_warning_kind kind, const char *format, ...)
{
    va_list args;
    if (plan->warning_count >= RF_PLAN_WARNINGS_MAX)
        return;
    rf_plan_warning *warning = &plan->warnings[plan->warning_count++];
    warning->kind = kind;
    va_start(args, format);
    (void)vsnprintf(warning->text, sizeof warning->text, format, args);
    va_end(args);
}

static void warn_of_diffraction(const rf_plan_options *options, rf_plan_result *plan)
{
    char airy[PLAN_NUMBER_BYTES], least[PLAN_NUMBER_BYTES], limit[PLAN_NUMBER_BYTES];
    if (!plan->wave_rules || !(plan->pitch_um > 0))
        return;
    (void)plan_show_number(airy, plan->airy_diameter_px);
    (void)plan_show_number(least, 2 * options->wavelength_mm * 1000 * plan->effective_f_number / plan->pitch_um);
    (void)plan_show_number(limit, plan->diffraction_f_number);
    if (plan->diffraction_f_number >= 1)
        add(plan, RF_PLAN_WARN_DIFFRACTION,
            "diffraction-bound: the Airy disc spans %s px, and past f/%s stopping down costs more sharpness than it "
            "gives "
            "depth",
            airy, limit);
    else
        add(plan, RF_PLAN_WARN_DIFFRACTION,
            "diffraction-bound: the Airy disc spans %s px; a blur limit below %s px is out of reach here", airy, least);
}

static void warn_of_rail(const rf_plan_options *options, rf_plan_result *plan)
{
    double division = plan_division_mm(options), least = fmax(division, options->smallest_step_mm);
    char wanted[PLAN_NUMBER_BYTES], rail[PLAN_NUMBER_BYTES];
    if (!(plan->step_wanted_mm < least * (1 - 1e-9)))
        return;
    (void)plan_show_length(wanted, plan->step_wanted_mm);
    (void)plan_show_length(rail, least);
    double overlap = 1 - least / plan->depth_of_field_mm;
    add(plan, RF_PLAN_WARN_RAIL,
        "the step of %s is below the %s that the rail can do: at %s the frames would %s %.0f %%; stop down, lower "
        "--overlap or gear the rail down",
        wanted, rail, rail, overlap >= 0 ? "overlap by" : "leave gaps of", 100 * fabs(overlap));
}

static void warn_of_frames(const rf_plan_options *options, rf_plan_result *plan)
{
    double asked = options->overlap_percent / 100;
    if (plan->overlap < 0)
        add(plan, RF_PLAN_WARN_OVERLAP,
            "gaps: the step is longer than the depth of field by %.0f %%, so bands of the subject are sharp in no "
            "frame",
            -100 * plan->overlap);
    else if (plan->overlap < asked - 1e-9)
        add(plan, RF_PLAN_WARN_OVERLAP, "the overlap is %.0f %%, less than the %.0f %% asked for", 100 * plan->overlap,
            options->overlap_percent);
    if (options->max_frames > 0 && plan->frames > options->max_frames)
        add(plan, RF_PLAN_WARN_FRAMES,
            "%d frames are more than the %d allowed: --solve step or --solve aperture finds a way", plan->frames,
            options->max_frames);
}

static void warn_of_reach(const rf_plan_options *options, rf_plan_result *plan)
{
    double measured = options->working_distance_mm;
    double room = measured > 0 ? measured : fmin(plan->lens_to_subject_mm, plan->pupil_to_subject_mm);
    char travel[PLAN_NUMBER_BYTES], distance[PLAN_NUMBER_BYTES];
    if (!(plan->travel_mm >= room))
        return;
    (void)plan_show_length(travel, plan->travel_mm);
    (void)plan_show_length(distance, room);
    add(plan, RF_PLAN_WARN_REACH, "the travel of %s is longer than the %s of %s: the lens would run into the subject",
        travel, measured > 0 ? "working distance" : "distance from lens to subject", distance);
}

static void warn_of_light(rf_plan_result *plan, const rf_plan_options *options)
{
    char shutter[PLAN_NUMBER_BYTES], error[PLAN_NUMBER_BYTES], even[PLAN_NUMBER_BYTES];
    if (plan->flicker_percent > FLICKER_LIMIT_PERCENT) {
        double ripple_hz = 2 * options->mains_hz;
        (void)plan_show_shutter(shutter, plan->shutter_s);
        (void)plan_show_number(error, plan->flicker_percent);
        (void)plan_show_number(even, ceil(plan->shutter_s * ripple_hz) / ripple_hz * 1000);
        add(plan, RF_PLAN_WARN_FLICKER,
            "flicker: at %s a lamp rippling on %g Hz mains can change a frame by %s %%; %s ms (whole ripples) or 1/2 s "
            "and "
            "longer evens it out",
            shutter, options->mains_hz, error, even);
    }
    if (plan->backdrop_blur_fraction < BACKDROP_LIMIT) {
        char share[PLAN_NUMBER_BYTES];
        add(plan, RF_PLAN_WARN_BACKDROP,
            "the backdrop is not blurred enough: its disc is %s %% of the frame width, under 5 %%; move it back or "
            "open up",
            plan_show_number(share, 100 * plan->backdrop_blur_fraction));
    }
}

void plan_warn(const rf_plan_options *options, rf_plan_result *plan)
{
    char number[PLAN_NUMBER_BYTES];
    warn_of_diffraction(options, plan);
    warn_of_rail(options, plan);
    warn_of_frames(options, plan);
    warn_of_reach(options, plan);
    warn_of_light(plan, options);
    if (plan->wave_rules && plan->depth_of_field_wave_mm > plan->depth_of_field_wave_exact_mm * (1 + PARAXIAL_ERROR))
        add(plan, RF_PLAN_WARN_HIGH_NA,
            "at NA %g the exact depth of field is only %s: set --overlap %.0f to keep the overlap asked for", plan->na,
            plan_show_length(number, plan->depth_of_field_wave_exact_mm),
            ceil(100 -
                 (100 - options->overlap_percent) * plan->depth_of_field_wave_exact_mm / plan->depth_of_field_wave_mm));
    if (options->reversed && options->pupil_ratio != 1)
        add(plan, RF_PLAN_WARN_REVERSED,
            "reversed with a pupil ratio of %g: ring marks hold for the lens the right way round; f/%g is taken as "
            "that of "
            "the reversed lens, which is the mark divided by %g",
            options->pupil_ratio, plan->f_number_marked, options->pupil_ratio);
}
