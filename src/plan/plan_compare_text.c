/* plan_compare_text.c - the full stops side by side, one row each. */
#include "plan/plan_parts.h"

#include <math.h>
#include <stdio.h>

typedef char number_text[PLAN_NUMBER_BYTES];

/* What stands against a row, in a word or two. */
static const char *remark(const rf_plan_result *plan)
{
    static const char *const words[] = {
        [RF_PLAN_WARN_DIFFRACTION] = "diffraction-bound",
        [RF_PLAN_WARN_RAIL] = "step below the rail",
        [RF_PLAN_WARN_OVERLAP] = "too little overlap",
        [RF_PLAN_WARN_FRAMES] = "too many frames",
        [RF_PLAN_WARN_REACH] = "travel too long",
        [RF_PLAN_WARN_FLICKER] = "flicker",
        [RF_PLAN_WARN_BACKDROP] = "backdrop shows",
        [RF_PLAN_WARN_HIGH_NA] = "high NA",
        [RF_PLAN_WARN_REVERSED] = "",
    };
    /* The order of the warnings is that of the list above, but a rail that cannot do it weighs more than softness. */
    for (int i = 0; i < plan->warning_count; i++)
        if (plan->warnings[i].kind != RF_PLAN_WARN_DIFFRACTION)
            return words[plan->warnings[i].kind];
    return plan->warning_count > 0 ? words[plan->warnings[0].kind] : "";
}

static void show_row(plan_text *text, const rf_plan_options *options, const rf_plan_result *plan)
{
    number_text effective, airy, blur, depth, step, knob = "-", frames = "-", time, stop;
    (void)snprintf(stop, sizeof stop, "f/%g", plan->f_number_marked);
    if (plan->knob_divisions_per_step > 0)
        (void)snprintf(knob, sizeof knob, "%.0f", plan->knob_divisions_per_step);
    else if (plan->knob_turns_per_step > 0)
        (void)plan_show_number(knob, plan->knob_turns_per_step);
    if (plan->frames > 0)
        (void)snprintf(frames, sizeof frames, "%d", plan->frames);
    plan_text_add(text, "%c %-5s %6s %7s %7s %9s %9s %6s %7s  %-12s %s\n",
                  plan->f_number_marked == options->f_number_marked ? '*' : ' ', stop,
                  plan_show_number(effective, plan->effective_f_number), plan_show_number(airy, plan->airy_diameter_px),
                  plan_show_number(blur, plan->worst_blur_px), plan_show_length(depth, plan->depth_of_field_mm),
                  plan_show_length(step, plan->step_mm), knob, frames,
                  plan->duration_s > 0 ? plan_show_duration(time, plan->duration_s) : "-", remark(plan));
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
    plan_text_add(&text, "        effec-    Airy   worst     depth             knob\n");
    plan_text_add(&text, "  stop    tive disc px blur px  of field      step  %s  frames  time\n",
                  options->divisions > 0 ? "div." : "turn");
    for (int i = 0; i < count; i++)
        show_row(&text, options, &rows[i]);
    plan_text_add(&text, "\n");
    if (options->f_number_marked > 0)
        plan_text_add(&text, "* the aperture given\n");
    if (count > 0 && rows[0].diffraction_f_number > 0)
        plan_text_add(&text, "Past f/%s diffraction costs more sharpness than it gives depth.\n",
                      plan_show_number(number, rows[0].diffraction_f_number));
    return plan_text_end(&text, out);
}
