/* plan_compare_text.c - the full stops side by side, one row each. */
#include "plan/plan_parts.h"

#include <stdio.h>
#include <string.h>

typedef char number_text[PLAN_NUMBER_BYTES];

/* The step in knob units where there are any. */
static const char *show_step(char *out, const rf_plan_result *plan)
{
    char number[PLAN_NUMBER_BYTES];
    if (plan->knob_divisions_per_step > 0)
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%.0f", plan->knob_divisions_per_step);
    else if (plan->knob_turns_per_step > 0)
        (void)snprintf(out, PLAN_NUMBER_BYTES, "%s", plan_show_number(number, plan->knob_turns_per_step));
    else
        (void)plan_show_length(out, plan->step_mm);
    return out;
}

static void show_row(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text stop, effective, blur, depth, step, frames = "-", shutter = "-", time = "-";
    (void)snprintf(stop, sizeof stop, "f/%g", plan->f_number_marked);
    if (plan->frames > 0)
        (void)snprintf(frames, sizeof frames, "%d", plan->frames);
    if (plan->shutter_s > 0)
        (void)plan_show_shutter(shutter, plan->shutter_s);
    if (plan->duration_s > 0)
        (void)plan_show_duration(time, plan->duration_s);
    plan_text_add(text, "%c %-6s%7s%8s%9s%9s%8s%9s  %s", plan->f_number_marked == options->f_number_marked ? '*' : ' ',
                  stop, plan_show_number(effective, plan->effective_f_number),
                  plan_show_number(blur, plan->worst_blur_px), plan_show_length(depth, plan->depth_of_field_mm),
                  show_step(step, plan), frames, shutter, time);
    int pad = 12 - (int)strlen(time); /* only before a word, so that no line ends in blanks */
    const char *joint = "";
    for (int i = 0; i < plan->warning_count; i++) {
        rf_plan_warning_kind kind = plan->warnings[i].kind;
        int gap_of_rail = kind == RF_PLAN_WARN_OVERLAP && i > 0 && plan->warnings[i - 1].kind == RF_PLAN_WARN_RAIL;
        if (kind == RF_PLAN_WARN_DIFFRACTION || gap_of_rail)
            continue; /* the first is said once, between the rows; the second is the same trouble */
        plan_text_add(text, "%*s%s%s", pad, "", joint, plan_warning_name(kind));
        joint = ", ";
        pad = 0;
    }
    plan_text_add(text, "\n");
}

rf_status rf_plan_compare_text(const rf_plan_options *options, const rf_plan_result *rows, int count, char **out,
                               rf_error *err)
{
    number_text number;
    plan_text text = plan_text_begin(err);
    if (count > 0 && rows[0].focal_mm > 0)
        plan_text_add(&text, "%s mm lens, ", plan_show_number(number, rows[0].focal_mm));
    if (count > 0)
        plan_text_add(&text, "%sx", plan_show_number(number, rows[0].magnification));
    if (options->subject_depth_mm > 0)
        plan_text_add(&text, ", subject %s deep", plan_show_length(number, options->subject_depth_mm));
    plan_text_add(&text, ", overlap %g %%\n\n", options->overlap_percent);
    plan_text_add(&text, "  stop    N eff blur px    depth%9s  frames  shutter  time\n",
                  options->divisions > 0 ? "divis."
                  : options->lead_mm > 0 ? "turns"
                                         : "step");
    for (int i = 0; i < count; i++) {
        if (rows[i].wave_rules && rows[i].pitch_um > 0 && (i == 0 || !rows[i - 1].wave_rules))
            plan_text_add(&text, "  -- past f/%s diffraction costs more sharpness than it gives depth --\n",
                          plan_show_number(number, rows[i].diffraction_f_number));
        show_row(&text, options, &rows[i]);
    }
    if (options->f_number_marked > 0)
        plan_text_add(&text, "\n* the aperture given\n");
    else if (options->shutter_s > 0 && !(options->metered_f_number_marked > 0))
        plan_text_add(&text, "\nLeft out: time (--metered-at, the aperture that --shutter was metered at)\n");
    return plan_text_end(&text, out);
}
