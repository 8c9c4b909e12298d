/* find_moved.c - part of the subject moved or drooped between two frames (jumps.h). */
#include "check/jumps.h"

#define LEAST_MEAN 0.05        /* ln brightness, over what jumped */
#define MEAN_AT_LONG_STEP 0.15 /* the same, where a long step changes brightness by itself */
#define GRAVE_SHARE 0.02       /* of the picture */
enum { LEAST_QUARTERS = 10 };

static rf_status add_moved(rf_look *look, int k, const rf_jump *j, rf_error *err)
{
    int side = look->cell_px * look->cell_reduce / 2;
    double share = j->quarters / 4.0 / rf_look_cells(look);
    rf_check_finding f = {
        .kind = RF_CHECK_MOVED,
        .severity = share > GRAVE_SHARE ? RF_CHECK_FAULT : RF_CHECK_WARNING,
        .place = {j->x0 * side, j->y0 * side, (j->x1 - j->x0 + 1) * side, (j->y1 - j->y0 + 1) * side}};
    return rf_check_add(look->result, &f, &k, 1, err,
                        "part of the subject (%d x %d px at %d, %d%s) moved between %s and %s", f.place[2], f.place[3],
                        f.place[0], f.place[1], j->quarters > j->largest ? ", and elsewhere" : "",
                        rf_check_base_name(look->options->frames[k - 1]), rf_check_base_name(look->options->frames[k]));
}

/* Where the step was no common one, the pose is in doubt or the light changed, brightness changes anyhow. */
static int step_in_doubt(const rf_look *look, int k)
{
    const rf_check_result *r = look->result;
    for (int i = k - 1; i <= k + 1; i++)
        if (rf_check_found_at(r, RF_CHECK_ORDER, i) || rf_check_found_at(r, RF_CHECK_BUMP, i) ||
            rf_check_found_at(r, RF_CHECK_SETTINGS, i) || rf_check_found_at(r, RF_CHECK_LAMP, i))
            return 1;
    /* A smear inside the take comes and goes; that of an end comes alone. */
    if ((k == 1 && rf_check_found_at(r, RF_CHECK_BLUR, 0)) ||
        (k == look->count - 1 && rf_check_found_at(r, RF_CHECK_BLUR, k)))
        return 1;
    return !look->result->frames[k].used || !look->result->frames[k - 1].used;
}

rf_status rf_find_moved(rf_look *look, rf_error *err)
{
    rf_status status;
    rf_jumps jumps = {0};
    if (look->count < 5 || !look->poses_known || rf_check_found(look->result, RF_CHECK_ORDER) ||
        rf_check_found(look->result, RF_CHECK_COARSE_STEP) || /* every step is a long one, then */
        rf_check_found(look->result, RF_CHECK_BACKDROP))      /* which goes another way than the subject anyhow */
        return RF_OK;
    RF_TRY(rf_jumps_open(&jumps, look, err));
    for (int k = 1; k < look->count; k++) {
        rf_jump j = rf_jumps_at(&jumps, k, look->steps[k].length);
        double least = rf_check_found_at(look->result, RF_CHECK_MISSING_STEP, k) ? MEAN_AT_LONG_STEP : LEAST_MEAN;
        if (j.quarters >= LEAST_QUARTERS && j.change > least * j.quarters && !step_in_doubt(look, k))
            RF_TRY(add_moved(look, k, &j, err));
    }
done:
    rf_jumps_close(&jumps);
    return status;
}
