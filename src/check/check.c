/* check.c - the order of the looks. */
#include "railfold/check.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

#include "check/look.h"
#include "railfold/memory.h"

rf_check_options rf_check_options_default(void)
{
    return (rf_check_options){0};
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* What the finds that need no pixels are given. `metadata` from rf_alloc. */
static rf_status known_of(const rf_look *look, rf_check_known *known, rf_metadata **metadata, rf_error *err)
{
    rf_status status = rf_alloc(metadata, (size_t)look->count, sizeof **metadata, "the settings", err);
    if (status != RF_OK)
        return status;
    for (int k = 0; k < look->count; k++) {
        const rf_check_frame *frame = &look->result->frames[k];
        rf_metadata_init(&(*metadata)[k]);
        (*metadata)[k].exposure_s = frame->exposure_s;
        (*metadata)[k].f_number = frame->f_number;
        (*metadata)[k].iso = frame->iso;
    }
    *known = (rf_check_known){.files = look->options->frames,
                              .frame_count = look->count,
                              .width = look->result->width,
                              .height = look->result->height,
                              .metadata = *metadata};
    if (look->poses_known) {
        known->poses = look->poses;
        known->align_frames = look->aligned;
    }
    return RF_OK;
}

static rf_status find_all(rf_look *look, rf_error *err)
{
    rf_status status;
    rf_check_known known;
    rf_metadata *metadata = NULL;
    RF_TRY(known_of(look, &known, &metadata, err));
    RF_TRY(rf_find_path(&known, look->result, err));
    RF_TRY(rf_find_light(&known, look->result, err));
    RF_TRY(rf_find_steps(look, err));
    RF_TRY(rf_find_focus(look, err));
    RF_TRY(rf_find_cover(look, err));
    RF_TRY(rf_find_blur(look, err));
    RF_TRY(rf_find_moved(look, err));
    if (!look->options->unfinished)
        RF_TRY(rf_find_sensor(look, err));
    RF_TRY(rf_find_plan(look, err));
done:
    rf_free(metadata);
    return status;
}

rf_status rf_check_take(const rf_check_options *options, rf_check_result *result, rf_error *err)
{
    rf_look look;
    rf_status status;
    double start = now_s();
    RF_TRY(rf_look_open(&look, options, result, err));
    RF_TRY(rf_look_poses(&look, err));
    RF_TRY(rf_look_sensor_examine(&look, err));
    RF_TRY(rf_look_cells_read(&look, err));
    RF_TRY(rf_look_curves(&look, err));
    RF_TRY(rf_look_width(&look, err));
    RF_TRY(rf_look_gaps(&look, err));
    RF_TRY(find_all(&look, err));
    rf_check_settle(result);
    result->seconds = now_s() - start;
done:
    rf_look_close(&look);
    return status;
}

rf_status rf_check_quick(const rf_check_known *known, rf_check_result *result, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_find_path(known, result, err));
    RF_TRY(rf_find_light(known, result, err));
    rf_check_settle(result);
done:
    return status;
}
