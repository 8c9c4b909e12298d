/* plan_screen.c - the plan for people: what to set and do first, then why. */
#include "plan/plan_parts.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { SCREEN_COLUMNS = 79, VALUE_COLUMN = 22, NOTE_COLUMN = 36, CELL_BYTES = 160 };

/* Longer exposures are timed by hand. */
static const double LONGEST_DIAL_S = 36;

typedef char number_text[PLAN_NUMBER_BYTES];

/* One row of the table: label, value, and a note that may be empty. */
static RF_PRINTF(4, 5) void row(plan_text *text, const char *label, const char *value, const char *format, ...)
{
    char note[CELL_BYTES];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(note, sizeof note, format, args);
    va_end(args);
    plan_text_add(text, "  %-*s%-*s%s%s\n", VALUE_COLUMN - 2, label,
                  note[0] != '\0' ? NOTE_COLUMN - VALUE_COLUMN - 2 : 0, value, note[0] != '\0' ? "  " : "", note);
}

static void show_title(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text number;
    if (options->objective[1] > 0) {
        plan_text_add(text, "Objective %g/%g", options->objective[0], options->objective[1]);
    } else {
        if (plan->focal_mm > 0)
            plan_text_add(text, "%s mm lens", plan_show_number(number, plan->focal_mm));
        else
            plan_text_add(text, "Lens");
        plan_text_add(
            text, "%s at f/%g%s", options->reversed ? ", reversed," : "", plan->f_number_marked,
            options->goal != RF_PLAN_GOAL_NONE && plan->f_number_marked != options->f_number_marked ? " (found)" : "");
    }
    plan_text_add(text, ", %sx", plan_show_number(number, plan->magnification));
    if (options->subject_depth_mm > 0)
        plan_text_add(text, ", subject %s deep", plan_show_length(number, options->subject_depth_mm));
    plan_text_add(text, "\n\n");
}

/* What to do, as one or two sentences. */
static void show_summary(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text number;
    char words[512];
    size_t at = 0;
    if (!(options->objective[1] > 0))
        at += (size_t)snprintf(words + at, sizeof words - at, "Set f/%g", plan->f_number_marked);
    if (plan->shutter_s > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, "%s%s", at > 0 ? " and " : "Set ",
                               plan_show_shutter(number, plan->shutter_s));
    if (at > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, ". ");
    if (plan->knob_divisions_per_step > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, "Turn the knob %.0f division%s after each frame",
                               plan->knob_divisions_per_step, plan->knob_divisions_per_step > 1 ? "s" : "");
    else if (plan->knob_turns_per_step > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, "Turn the knob %s turn after each frame",
                               plan_show_number(number, plan->knob_turns_per_step));
    else
        at += (size_t)snprintf(words + at, sizeof words - at, "Move %s after each frame",
                               plan_show_length(number, plan->step_mm));
    at += (size_t)snprintf(words + at, sizeof words - at, ", always the same way.");
    if (plan->frames > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, " %d frames", plan->frames);
    if (plan->frames > 0 && plan->duration_s > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, " in %s", plan_show_duration(number, plan->duration_s));
    if (plan->frames > 0)
        at += (size_t)snprintf(words + at, sizeof words - at, ".");
    if (plan->warning_count > 0)
        (void)snprintf(words + at, sizeof words - at, " %d warning%s below.", plan->warning_count,
                       plan->warning_count > 1 ? "s" : "");
    plan_text_wrap(text, "  ", words, SCREEN_COLUMNS);
}

static void show_take(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text value, a, b;
    plan_text_add(text, "\nTake\n");
    if (plan->knob_divisions_per_step > 0)
        row(text, "step", plan_show_length(value, plan->step_mm), "%.0f division%s (%s turn); exact %s",
            plan->knob_divisions_per_step, plan->knob_divisions_per_step > 1 ? "s" : "",
            plan_show_number(a, plan->knob_turns_per_step), plan_show_length(b, plan->step_wanted_mm));
    else if (plan->knob_turns_per_step > 0)
        row(text, "step", plan_show_length(value, plan->step_mm), "%s turn of the knob",
            plan_show_number(a, plan->knob_turns_per_step));
    else
        row(text, "step", plan_show_length(value, plan->step_mm), "%s", "");
    (void)snprintf(value, sizeof value, "%.1f %%", 100 * plan->overlap);
    row(text, "overlap", value, "%s%g %% asked", plan->overlap < 0 ? "gaps between the frames; " : "",
        options->overlap_percent);
    if (plan->frames > 0) {
        (void)snprintf(value, sizeof value, "%d", plan->frames);
        row(text, "frames", value, "%d over the subject, %d before, %d after", plan->frames - 2 * options->guard_frames,
            options->guard_frames, options->guard_frames);
        row(text, "travel", plan_show_length(value, plan->travel_mm), "%s", "");
    }
    if (plan->frames > 0 && plan->duration_s > 0)
        row(text, "shooting time", plan_show_duration(value, plan->duration_s),
            "a frame: %s, %g s timer, %g s settling", plan_show_shutter(a, plan->shutter_s), options->timer_s,
            options->settle_s);
    if (plan->card_mb > 0) {
        (void)snprintf(value, sizeof value, "%s MB", plan_show_number(a, plan->card_mb));
        row(text, "card space", value, "%s MB a frame", plan_show_number(b, options->frame_mb));
    }
}

static void show_lens(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text value, a, b;
    plan_text_add(text, "Lens and light\n");
    (void)snprintf(value, sizeof value, "%sx", plan_show_number(a, plan->magnification));
    if (plan->extension_mm > 0)
        row(text, "magnification", value, "extension %s beyond infinity", plan_show_length(a, plan->extension_mm));
    else
        row(text, "magnification", value, "%s", "");
    if (plan->field_width_mm > 0) {
        (void)snprintf(value, sizeof value, "%.8s x %.8s mm", plan_show_number(a, plan->field_width_mm),
                       plan_show_number(b, plan->field_height_mm));
        if (plan->pixel_um > 0)
            row(text, "field", value, "a pixel covers %s um", plan_show_number(a, plan->pixel_um));
        else
            row(text, "field", value, "%s", "");
    }
    (void)snprintf(value, sizeof value, "f/%s", plan_show_number(a, plan->effective_f_number));
    if (fabs(plan->f_number - plan->f_number_marked) > 1e-9)
        row(text, "effective f-number", value, "f/%g on the ring is f/%.4f", plan->f_number_marked, plan->f_number);
    else if (plan->f_number > 0)
        row(text, "effective f-number", value, "%s", "");
    else
        row(text, "effective f-number", value, "from NA %g", plan->na);
    if (plan->exposure_factor > 0) {
        (void)snprintf(value, sizeof value, "%sx", plan_show_number(a, plan->exposure_factor));
        row(text, "exposure factor", value, "%s stops more than at infinity",
            plan_show_number(b, plan->exposure_stops));
    }
    if (plan->shutter_s > 0) {
        int inside = options->metering == RF_PLAN_METERED_THROUGH_LENS || options->objective[1] > 0;
        number_text dial = "", at = "";
        (void)plan_show_shutter(value, plan->shutter_s);
        if (plan->shutter_s < LONGEST_DIAL_S)
            (void)plan_show_shutter(dial, rf_plan_nearest_shutter_mark_s(plan->shutter_s));
        if (strcmp(dial, value) == 0)
            dial[0] = '\0';
        if (options->metered_f_number_marked > 0)
            (void)snprintf(at, sizeof at, "at f/%g ", options->metered_f_number_marked);
        row(text, "shutter", value, "metered %s %s%s%s%s", plan_show_shutter(a, options->shutter_s), at,
            inside ? "through the lens" : "outside", dial[0] != '\0' ? "; dial " : "", dial);
    }
    if (isfinite(plan->flicker_percent)) {
        (void)snprintf(value, sizeof value, "%s %%", plan_show_number(a, plan->flicker_percent));
        row(text, "flicker at most", value, "a lamp rippling by 100 %%, %g Hz mains", options->mains_hz);
    }
}

static void show_sharpness(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text value, a, b;
    plan_text_add(text, "Sharpness\n");
    double smaller = plan->wave_rules ? plan->depth_of_field_geometric_mm : plan->depth_of_field_wave_mm;
    (void)plan_show_length(value, plan->depth_of_field_mm);
    if (smaller > 0)
        row(text, "depth of field", value, "%s (%s only %s)", plan->wave_rules ? "wave-optical" : "geometric",
            plan->wave_rules ? "geometric" : "wave-optical", plan_show_length(a, smaller));
    else
        row(text, "depth of field", value, "wave-optical");
    (void)snprintf(value, sizeof value, "%s um", plan_show_number(a, plan->airy_diameter_um));
    if (plan->airy_diameter_px > 0)
        row(text, "Airy disc", value, "%s px; finest detail %s um on subject",
            plan_show_number(a, plan->airy_diameter_px), plan_show_number(b, plan->finest_detail_um));
    else
        row(text, "Airy disc", value, "finest detail %s um on subject", plan_show_number(b, plan->finest_detail_um));
    if (plan->blur_limit_um > 0) {
        (void)snprintf(value, sizeof value, "%s px", plan_show_number(a, plan->worst_blur_px));
        row(text, "worst blur", value, "between frames, with diffraction; limit %g px", options->blur_px);
        (void)snprintf(value, sizeof value, "f/%s", plan_show_number(a, plan->diffraction_f_number));
        if (plan->diffraction_f_number > 0)
            row(text, "diffraction past", value, "stopping down costs more than it gives");
    }
}

static void show_distances(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text value, a, b;
    if (!(plan->pupil_to_subject_mm > 0) && !(options->working_distance_mm > 0))
        return;
    plan_text_add(text, "Distances\n");
    if (plan->pupil_to_subject_mm > 0) {
        row(text, "pupil to subject", plan_show_length(value, plan->pupil_to_subject_mm),
            "entrance pupil; the barrel takes part of it");
        row(text, "subject to sensor", plan_show_length(value, plan->subject_to_sensor_mm), "thin lens");
    }
    double left_mm = options->working_distance_mm - plan->travel_mm;
    if (options->working_distance_mm > 0 && plan->travel_mm > 0)
        row(text, "working distance", plan_show_length(value, options->working_distance_mm), "%s %s",
            plan_show_length(a, fabs(left_mm)), left_mm > 0 ? "left at the last frame" : "too short for the travel");
    if (plan->scale_per_step > 0) {
        (void)snprintf(value, sizeof value, "+%s %%", plan_show_number(a, 100 * (plan->scale_per_step - 1)));
        if (plan->corner_shift_px_per_step > 0 && plan->frames > 0)
            row(text, "scale per step", value, "%s px at the corner, %s px over the take",
                plan_show_number(a, plan->corner_shift_px_per_step),
                plan_show_number(b, plan->corner_shift_px_over_take));
        else
            row(text, "scale per step", value, "%s", "");
    }
    if (plan->backdrop_blur_mm > 0) {
        (void)plan_show_length(b, options->backdrop_mm);
        if (plan->backdrop_blur_fraction > 0)
            row(text, "backdrop blur", plan_show_length(value, plan->backdrop_blur_mm),
                "%s %% of the frame width, %s behind", plan_show_number(a, 100 * plan->backdrop_blur_fraction), b);
        else
            row(text, "backdrop blur", plan_show_length(value, plan->backdrop_blur_mm), "%s behind", b);
    }
}

/* Which options would fill the gaps. */
static void show_missing(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    const char *const missing[] = {
        plan->pitch_um > 0 ? NULL : "pixels (--pitch, or --sensor and --pixels)",
        options->subject_depth_mm > 0 ? NULL : "frames (--subject-depth)",
        options->objective[1] > 0 || plan->focal_mm > 0 ? NULL : "distances (--focal)",
        options->lead_mm > 0 ? NULL : "knob (--lead, --divisions)",
        options->shutter_s > 0 ? NULL : "time (--shutter)",
        options->mains_hz > 0 ? NULL : "flicker (--mains)",
        options->objective[1] > 0 || options->backdrop_mm > 0 ? NULL : "backdrop (--backdrop)",
        options->frame_mb > 0 ? NULL : "card (--frame-mb)",
    };
    char words[400] = "";
    size_t at = 0;
    for (size_t i = 0; i < sizeof missing / sizeof missing[0]; i++)
        if (missing[i] != NULL)
            at += (size_t)snprintf(words + at, sizeof words - at, "%s%s", at > 0 ? ", " : "", missing[i]);
    if (at > 0)
        plan_text_wrap(text, "Left out: ", words, SCREEN_COLUMNS);
}

rf_status rf_plan_screen_text(const rf_plan_options *options, const rf_plan_result *result, char **out, rf_error *err)
{
    plan_text text = plan_text_begin(err);
    show_title(&text, options, result);
    show_summary(&text, options, result);
    show_take(&text, options, result);
    show_lens(&text, options, result);
    show_sharpness(&text, options, result);
    show_distances(&text, options, result);
    show_missing(&text, options, result);
    if (result->warning_count > 0)
        plan_text_add(&text, "\nWarnings\n");
    for (int i = 0; i < result->warning_count; i++)
        plan_text_wrap(&text, "! ", result->warnings[i].text, SCREEN_COLUMNS);
    plan_text_add(&text, "\nCare\n");
    for (int i = 0; rf_plan_cautions[i] != NULL; i++)
        plan_text_wrap(&text, "  ", rf_plan_cautions[i], SCREEN_COLUMNS);
    return plan_text_end(&text, out);
}
