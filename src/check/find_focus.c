/* find_focus.c - steps too coarse for the slices to meet, or wastefully fine, from the width of the focus curves.
 *
 * A cell's energy falls to half its peak where the disc of defocus has grown to about HALF_RADIUS_PX pixels of the luma
 * it is measured on; the full width of the curve, in steps, so gives the disc's growth a step. Calibrated on rendered
 * takes whose growth is known (docs/check.md). */
#include <math.h>

#include "check/look.h"
#include "railfold/memory.h"

#define HALF_RADIUS_PX 1.3
#define COARSE_STEPS 1.55 /* half-peak width below it: half a step off focus shows */
#define GRAVE_STEPS 1.25
/* A curve narrower than a step reads as 1 to 2 steps wide, the wider the nearer to the middle between two frames it
 * peaks. The bell through its three highest frames does not depend on that, but noise narrows it, and a soft frame
 * beside the peak: of its widths the median counts. */
#define UNSURE_STEPS 2.1
#define COARSE_TOP 1.5
#define FINE_STEPS 4.5
#define WIDTH_QUANTILE 0.25 /* cells over a slope or a depth edge have wider curves */
enum { LEAST_CURVES = 20 };

rf_status rf_find_focus(rf_look *look, rf_error *err)
{
    const rf_check_result *result = look->result;
    double width = result->focus_width_steps, top = look->top_width_steps;
    int straddled = width < UNSURE_STEPS && top > 0 && top < COARSE_TOP;
    rf_check_finding f = {.kind = RF_CHECK_COARSE_STEP, .severity = RF_CHECK_WARNING};
    if (!(width > 0) || rf_check_found(result, RF_CHECK_ORDER)) /* out of order, the curves have no width */
        return RF_OK;
    if (width < COARSE_STEPS || straddled) {
        width = straddled && top < width ? top : width;
        f.severity = width < GRAVE_STEPS ? RF_CHECK_FAULT : RF_CHECK_WARNING;
        return rf_check_add(
            look->result, &f, NULL, 0, err,
            "the steps are too long: a place is sharp over only %.1f of them, between two frames it is in "
            "neither (about %.1f px of blur radius a step); halve the step",
            width, 2 * HALF_RADIUS_PX * look->cell_reduce / width);
    }
    f = (rf_check_finding){.kind = RF_CHECK_FINE_STEP, .severity = RF_CHECK_NOTE};
    if (width > FINE_STEPS)
        return rf_check_add(
            look->result, &f, NULL, 0, err,
            "the steps are finer than needed: every place is sharp over %.1f of them; a step %.1f times as "
            "long would do",
            width, width / 2.5);
    return RF_OK;
}

rf_status rf_look_width(rf_look *look, rf_error *err)
{
    rf_status status;
    double *sorted = NULL;
    int n = 0, tops = 0;
    RF_TRY(rf_alloc(&sorted, (size_t)rf_look_cells(look) + 1, sizeof *sorted, "the cells", err));
    for (int c = 0; c < rf_look_cells(look); c++)
        if (look->peaks[c].frame >= 0 && look->peaks[c].width > 0)
            sorted[n++] = (double)look->peaks[c].width;
    if (n >= LEAST_CURVES) {
        look->result->focus_width_steps = rf_quantile(sorted, n, WIDTH_QUANTILE);
        look->result->blur_px_per_step = 2 * HALF_RADIUS_PX * look->cell_reduce / look->result->focus_width_steps;
    }
    for (int c = 0; c < rf_look_cells(look); c++)
        if (look->peaks[c].frame >= 0 && look->peaks[c].top_width > 0)
            sorted[tops++] = (double)look->peaks[c].top_width;
    if (tops >= LEAST_CURVES)
        look->top_width_steps = rf_median(sorted, tops);
done:
    rf_free(sorted);
    return status;
}
