/* plan_read.c - the few numbers of a shooting plan's JSON a take can be held against. */
#include "base/json_members.h"
#include "railfold/check.h"

typedef struct reading {
    rf_check_plan *plan;
    int is_plan;
} reading;

static void take_member(void *arg, const rf_json_member *m)
{
    reading *r = arg;
    double value = rf_json_number_of(m);
    if (rf_json_is_named(m, "command"))
        r->is_plan = rf_json_is_text(m, "plan");
    if (!(value > 0 && value < 1e12))
        value = 0;
    if (rf_json_is_named(m, "step_mm"))
        r->plan->step_mm = value;
    else if (rf_json_is_named(m, "scale_per_step"))
        r->plan->scale_per_step = value;
    else if (rf_json_is_named(m, "f_number_marked"))
        r->plan->f_number = value;
    else if (rf_json_is_named(m, "shutter_s"))
        r->plan->shutter_s = value;
    else if (rf_json_is_named(m, "frames") && value < 1e6)
        r->plan->frames = (int)value;
}

rf_status rf_check_plan_read(rf_check_plan *plan, const char *text, size_t bytes, const char *name, rf_error *err)
{
    reading r = {.plan = plan};
    size_t broke_at;
    *plan = (rf_check_plan){0};
    if (!rf_json_members(text, bytes, take_member, &r, &broke_at)) {
        *plan = (rf_check_plan){0};
        if (broke_at == 0)
            return rf_fail(err, RF_ERR_INPUT, "%s is no plan: the JSON object of railfold plan --report was expected",
                           name);
        return rf_fail(err, RF_ERR_INPUT, "%s is no plan: its JSON breaks off or is malformed at byte %zu", name,
                       broke_at);
    }
    if (!r.is_plan)
        return rf_fail(err, RF_ERR_INPUT, "%s is no plan: its \"command\" is not \"plan\"", name);
    return RF_OK;
}
