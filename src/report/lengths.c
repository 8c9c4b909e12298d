/* lengths.c - rail step and pixel size from a report. */
#include "railfold/depth_report.h"

#include <string.h>

#include "base/json_members.h"

typedef struct lengths {
    double step_mm, pixel_mm;
} lengths;

static void take_member(void *arg, const rf_json_member *m)
{
    lengths *l = arg;
    int micro = rf_json_is_named(m, "pixel_um");
    double number = rf_json_number_of(m) * (micro ? 0.001 : 1);
    if (!(number >= 1e-9 && number <= 1e6)) /* what a rail and a lens can have */
        return;
    if (rf_json_is_named(m, "step_mm"))
        l->step_mm = number;
    else if (micro || rf_json_is_named(m, "pixel_mm"))
        l->pixel_mm = number;
}

rf_status rf_report_lengths(const char *path, const char *text, double *step_mm, double *pixel_mm, rf_error *err)
{
    lengths l = {0};
    size_t broke_at;
    int whole = rf_json_members(text, strlen(text), take_member, &l, &broke_at);
    *step_mm = whole ? l.step_mm : 0;
    *pixel_mm = whole ? l.pixel_mm : 0;
    if (!whole)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: is no report; one JSON object, as plan --report writes it, was expected (byte %zu)", path,
                       broke_at);
    return RF_OK;
}
