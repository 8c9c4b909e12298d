/* find_moved.c - part of the subject moved or drooped between two frames (motion.c did the measuring). */
#include <math.h>

#include "check/look.h"

#define GRAVE_PX 4.0 /* of the motion luma's full-size pixels; beyond it the part shows twice */

rf_status rf_find_moved(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    for (int k = 1; k < look->count && status == RF_OK; k++) {
        const rf_tile_motion *m = &look->motions[k];
        double way = hypot((double)m->x_px, (double)m->y_px);
        if (m->tiles == 0)
            continue;
        rf_check_finding f = {.kind = RF_CHECK_MOVED,
                              .severity = way > GRAVE_PX * look->align_reduce ? RF_CHECK_FAULT : RF_CHECK_WARNING,
                              .place = {m->place[0], m->place[1], m->place[2], m->place[3]}};
        status = rf_check_add(look->result, &f, &k, 1, err,
                              "part of the subject (%d x %d px at %d, %d) moved by %.1f px between %s and %s", m->place[2],
                              m->place[3], m->place[0], m->place[1], way,
                              rf_check_base_name(look->options->frames[k - 1]),
                              rf_check_base_name(look->options->frames[k]));
    }
    return status;
}
