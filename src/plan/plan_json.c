/* plan_json.c - the plan as one JSON object, and the shooting card as CSV. */
#include "plan/plan_parts.h"

#include <math.h>

#ifndef RF_VERSION
#define RF_VERSION "unknown"
#endif

/* `lead` is what stands before the name: the comma, line break and indent. */
static void add_number(plan_text *text, const char *lead, const char *name, double number)
{
    plan_text_add(text, "%s\"%s\": ", lead, name);
    if (isfinite(number))
        plan_text_add_number(text, "%.10g", number);
    else
        plan_text_add(text, "null");
}

static void add_string(plan_text *text, const char *lead, const char *words)
{
    plan_text_add(text, "%s\"", lead);
    for (; *words != '\0'; words++)
        if (*words == '"' || *words == '\\')
            plan_text_add(text, "\\%c", *words);
        else if ((unsigned char)*words < 0x20)
            plan_text_add(text, "\\u%04x", (unsigned)*words);
        else
            plan_text_add(text, "%c", *words);
    plan_text_add(text, "\"");
}

/* 0 means "not given" in the options. */
static double given(double value)
{
    return value > 0 ? value : NAN;
}

static void add_inputs(plan_text *text, const rf_plan_options *options)
{
    const char *lead = ",\n    ";
    plan_text_add(text, ",\n  \"inputs\": {\n    \"reversed\": %s", options->reversed ? "true" : "false");
    add_number(text, lead, "pupil_ratio", options->pupil_ratio);
    add_number(text, lead, "objective_magnification", given(options->objective[0]));
    add_number(text, lead, "objective_na", given(options->objective[1]));
    add_number(text, lead, "subject_depth_mm", given(options->subject_depth_mm));
    add_number(text, lead, "blur_px", options->blur_px);
    add_number(text, lead, "wavelength_nm", options->wavelength_mm * 1e6);
    add_number(text, lead, "overlap_percent", options->overlap_percent);
    add_number(text, lead, "guard_frames", options->guard_frames);
    add_number(text, lead, "max_frames", given(options->max_frames));
    add_number(text, lead, "lead_mm", given(options->lead_mm));
    add_number(text, lead, "divisions", given(options->divisions));
    add_number(text, lead, "smallest_step_um", given(options->smallest_step_mm * 1000));
    add_number(text, lead, "working_distance_mm", given(options->working_distance_mm));
    add_number(text, lead, "metered_shutter_s", given(options->shutter_s));
    add_number(text, lead, "metered_f_number_marked", given(options->metered_f_number_marked));
    add_number(text, lead, "timer_s", options->timer_s);
    add_number(text, lead, "settle_s", options->settle_s);
    add_number(text, lead, "mains_hz", given(options->mains_hz));
    add_number(text, lead, "backdrop_mm", given(options->backdrop_mm));
    add_number(text, lead, "frame_mb", given(options->frame_mb));
    plan_text_add(text, "\n  }");
}

static void add_lens(plan_text *text, const char *lead, const rf_plan_result *plan)
{
    add_number(text, lead, "focal_mm", plan->focal_mm);
    add_number(text, lead, "magnification", plan->magnification);
    add_number(text, lead, "extension_mm", plan->extension_mm);
    add_number(text, lead, "f_number_marked", plan->f_number_marked);
    add_number(text, lead, "f_number", plan->f_number);
    add_number(text, lead, "effective_f_number", plan->effective_f_number);
    add_number(text, lead, "na", plan->na);
    add_number(text, lead, "medium_index", plan->medium_index);
    add_number(text, lead, "exposure_factor", plan->exposure_factor);
    add_number(text, lead, "exposure_stops", plan->exposure_stops);
    add_number(text, lead, "shutter_s", plan->shutter_s);
    add_number(text, lead, "airy_diameter_um", plan->airy_diameter_um);
    add_number(text, lead, "airy_diameter_px", plan->airy_diameter_px);
    add_number(text, lead, "finest_detail_um", plan->finest_detail_um);
    add_number(text, lead, "diffraction_f_number", plan->diffraction_f_number);
    add_number(text, lead, "blur_limit_um", plan->blur_limit_um);
    add_number(text, lead, "depth_of_field_geometric_mm", plan->depth_of_field_geometric_mm);
    add_number(text, lead, "depth_of_field_wave_mm", plan->depth_of_field_wave_mm);
    add_number(text, lead, "depth_of_field_wave_exact_mm", plan->depth_of_field_wave_exact_mm);
    add_number(text, lead, "depth_of_field_mm", plan->depth_of_field_mm);
    plan_text_add(text, "%s\"depth_of_field_rule\": \"%s\"", lead, plan->wave_rules ? "wave-optical" : "geometric");
    add_number(text, lead, "field_width_mm", plan->field_width_mm);
    add_number(text, lead, "field_height_mm", plan->field_height_mm);
    add_number(text, lead, "pixel_um", plan->pixel_um);
    add_number(text, lead, "pitch_um", plan->pitch_um);
    add_number(text, lead, "sensor_width_mm", plan->sensor_width_mm);
    add_number(text, lead, "sensor_height_mm", plan->sensor_height_mm);
    add_number(text, lead, "pixels_wide", plan->pixels_wide);
    add_number(text, lead, "pixels_high", plan->pixels_high);
}

static void add_take(plan_text *text, const char *lead, const rf_plan_result *plan)
{
    add_number(text, lead, "step_mm", plan->step_mm);
    add_number(text, lead, "step_wanted_mm", plan->step_wanted_mm);
    add_number(text, lead, "overlap", plan->overlap);
    add_number(text, lead, "worst_blur_px", plan->worst_blur_px);
    add_number(text, lead, "frames", given(plan->frames));
    add_number(text, lead, "travel_mm", plan->travel_mm);
    add_number(text, lead, "knob_turns_per_step", plan->knob_turns_per_step);
    add_number(text, lead, "knob_divisions_per_step", plan->knob_divisions_per_step);
    add_number(text, lead, "duration_s", plan->duration_s);
    add_number(text, lead, "card_mb", plan->card_mb);
    add_number(text, lead, "lens_to_subject_mm", plan->lens_to_subject_mm);
    add_number(text, lead, "pupil_to_subject_mm", plan->pupil_to_subject_mm);
    add_number(text, lead, "subject_to_sensor_mm", plan->subject_to_sensor_mm);
    add_number(text, lead, "scale_per_step", plan->scale_per_step);
    add_number(text, lead, "corner_shift_px_per_step", plan->corner_shift_px_per_step);
    add_number(text, lead, "scale_over_take", plan->scale_over_take);
    add_number(text, lead, "corner_shift_px_over_take", plan->corner_shift_px_over_take);
    add_number(text, lead, "backdrop_blur_mm", plan->backdrop_blur_mm);
    add_number(text, lead, "backdrop_blur_fraction", plan->backdrop_blur_fraction);
    add_number(text, lead, "flicker_percent", plan->flicker_percent);
}

static void add_warnings(plan_text *text, const char *lead, const char *item, const rf_plan_result *plan)
{
    plan_text_add(text, "%s\"warnings\": [", lead);
    for (int i = 0; i < plan->warning_count; i++) {
        plan_text_add(text, "%s%s", i > 0 ? "," : "", item);
        add_string(text, "", plan->warnings[i].text);
    }
    plan_text_add(text, "]%s\"warning_kinds\": [", lead);
    for (int i = 0; i < plan->warning_count; i++)
        add_string(text, i > 0 ? ", " : "", plan_warning_name(plan->warnings[i].kind));
    plan_text_add(text, "]");
}

rf_status rf_plan_json(const rf_plan_options *options, const rf_plan_result *result, const rf_plan_result *rows,
                       int count, char **out, rf_error *err)
{
    plan_text text = plan_text_begin(err);
    plan_text_add(&text, "{\n  \"railfold\": \"%s\",\n  \"format\": 1,\n  \"command\": \"plan\"", RF_VERSION);
    if (result != NULL) {
        add_lens(&text, ",\n  ", result);
        add_take(&text, ",\n  ", result);
        add_warnings(&text, ",\n  ", "\n    ", result);
    }
    plan_text_add(&text, ",\n  \"cautions\": [");
    for (int i = 0; rf_plan_cautions[i] != NULL; i++)
        add_string(&text, i > 0 ? ",\n    " : "\n    ", rf_plan_cautions[i]);
    plan_text_add(&text, "]");
    add_inputs(&text, options);
    if (count > 0)
        plan_text_add(&text, ",\n  \"compare\": [");
    for (int i = 0; i < count; i++) {
        plan_text_add(&text, "%s\n    {\"row\": %d", i > 0 ? "," : "", i);
        add_lens(&text, ", ", &rows[i]);
        add_take(&text, ", ", &rows[i]);
        add_warnings(&text, ", ", "", &rows[i]);
        plan_text_add(&text, "}");
    }
    if (count > 0)
        plan_text_add(&text, "]");
    plan_text_add(&text, "\n}\n");
    return plan_text_end(&text, out);
}

/* Knob readings come from whole divisions, counted in integers: they never drift. */
rf_status rf_plan_card_csv(const rf_plan_options *options, const rf_plan_result *result, char **out, rf_error *err)
{
    long long divisions = result->knob_divisions_per_step > 0 ? (long long)result->knob_divisions_per_step : 0;
    *out = NULL;
    if (result->frames <= 0)
        return rf_fail(err, RF_ERR_USAGE, "--csv needs --subject-depth MM: without it the card has no frames");
    plan_text text = plan_text_begin(err);
    plan_text_add(&text, "frame,knob_turns,knob_division,position_mm,focus_mm\n");
    for (int i = 0; i < result->frames; i++) {
        double position = i * result->step_mm, focus = (i - options->guard_frames) * result->step_mm;
        plan_text_add(&text, "%d,", i + 1);
        if (divisions > 0)
            plan_text_add(&text, "%lld,%lld,", i * divisions / options->divisions, i * divisions % options->divisions);
        else if (result->knob_turns_per_step > 0) {
            plan_text_add_number(&text, "%.4f", i * result->knob_turns_per_step);
            plan_text_add(&text, ",,");
        } else
            plan_text_add(&text, ",,");
        plan_text_add_number(&text, "%.5f", position);
        plan_text_add(&text, ",");
        plan_text_add_number(&text, "%.5f", focus);
        plan_text_add(&text, "\n");
    }
    return plan_text_end(&text, out);
}
