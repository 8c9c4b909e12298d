/* run_halves.c - halved lumas: of a frame decoded whole for the sensor, or for this, one is kept for the aligner and
 * for reading depth off frames half as large, which then decode nothing. All are made by one filter, as depth compares
 * the sharpness of frames; those that nothing was kept of are decoded small, all of them. */
#include "run.h"

enum { LEAST_SIDE_PX = 3000 }; /* the longer one: depth is not read off halves of smaller frames */

int rf_run_halves_all(const rf_run *run)
{
    const rf_frame_info *info = &run->take.info;
    int longer = info->width > info->height ? info->width : info->height;
    return run->take.report->frame_count <= rf_run_halves_most((int)rf_sample_bytes(info->sample)) &&
           longer >= LEAST_SIDE_PX;
}

rf_status rf_run_keep_half(rf_run *run, int k, const rf_image *luma, rf_pool *pool, rf_error *err)
{
    rf_image *half = &run->halves[k];
    if (rf_run_luma_reduce(luma->width, luma->height) < 2)
        return RF_OK;
    rf_status status =
        rf_image_alloc_raw(half, luma->width / 2, luma->height / 2, 1, luma->sample, "the halved lumas", err);
    if (status == RF_OK)
        rf_image_halve(luma, half, pool);
    return status;
}

int rf_run_has_halves(const rf_run *run)
{
    for (int k = 0; k < run->take.report->frame_count; k++)
        if (run->take.report->frames[k].used && run->halves[k].data == NULL)
            return 0;
    return 1;
}

rf_status rf_run_dust_found(rf_run *run, int known, rf_error *err)
{
    rf_status status = RF_OK;
    rf_take *take = &run->take;
    rf_sensor_map found = {.width = take->info.width,
                           .height = take->info.height,
                           .channels = take->info.channels,
                           .dust = take->sensor.dust + known, /* borrowed */
                           .dust_count = take->sensor.dust_count - known};
    if (found.dust_count == 0)
        return RF_OK;
    for (int k = 0; k < take->report->frame_count && status == RF_OK; k++)
        if (take->lumas[k].data != NULL)
            status = rf_sensor_repair_luma(&found, &take->lumas[k], err);
    rf_run_forget_halves(run);
    return status;
}

void rf_run_forget_halves(rf_run *run)
{
    for (int k = 0; run->halves != NULL && k < run->take.report->frame_count; k++)
        rf_image_free(&run->halves[k]);
}
