/* run_align.c - pass 1: reduced luma of every frame into the aligner. */
#include "run.h"

#include <stdio.h>

enum { LUMA_SIDE_PX = 2200 }; /* registration gains nothing from more pixels along the longer side */

static int settle_reduce(const rf_frame_info *info)
{
    int longer = info->width > info->height ? info->width : info->height, reduce = 1;
    while (reduce < 4 && longer / (2 * reduce) >= LUMA_SIDE_PX / 2)
        reduce *= 2;
    return reduce;
}

/* One frame's luma; a frame that cannot be read is left out when the run allows it (*read = 0). */
static rf_status read_luma(rf_run *run, int k, int reduce, rf_image *luma, int *read, rf_error *err)
{
    rf_take *take = &run->take;
    rf_frame_info info;
    rf_error frame_err = {0};
    *read = 0;
    rf_status status = rf_frame_read_luma(take->options->frames[k], &take->limits, reduce, luma, &info, NULL, &frame_err);
    if (status != RF_OK)
        return rf_take_bad_frame(take, k, status, &frame_err, err);
    *read = 1;
    return RF_OK;
}

static rf_status report_result(rf_run *run, const rf_align_result *result, rf_error *err)
{
    rf_take *take = &run->take;
    rf_run_report *report = take->report;
    rf_status status = RF_OK;
    report->scale_per_step = result->scale_per_step;
    report->working_distance_steps = result->working_distance_steps;
    run->far_first = result->way == RF_RAIL_RETREATS;
    for (int k = 0; k < report->frame_count && status == RF_OK; k++) {
        const rf_align_frame *frame = &result->frames[k];
        if (!report->frames[k].used)
            continue;
        if (!frame->usable)
            rf_take_leave_out(take, k, "blank: next to no contrast against the rest of the take");
        else if (!frame->measured)
            status = rf_frame_report_warn(&report->frames[k], err,
                                          "shares nothing sharp with its neighbours; its pose is what the rail suggests");
        else if (frame->bumped)
            status = rf_frame_report_warn(&report->frames[k], err, "stands %.1f px off the path of its neighbours",
                                          frame->bump_px);
    }
    return status;
}

static rf_status no_align(rf_run *run)
{
    for (int k = 0; k < run->take.report->frame_count; k++)
        run->poses[k] = rf_pose_identity();
    return RF_OK;
}

/* Feeds every frame to the aligner; *moved: the reference turned out unreadable and is another one now. */
static rf_status feed_aligner(rf_run *run, rf_align *align, int reduce, int *moved, rf_error *err)
{
    rf_take *take = &run->take;
    int count = take->report->frame_count, reference = take->reference, read;
    rf_status status = RF_OK;
    rf_image luma = {0};
    *moved = 0;
    for (int k = 0; k < count && !*moved; k++) {
        RF_TRY(rf_take_progress(take, "align", k, count, err));
        read = 0;
        if (take->report->frames[k].used)
            RF_TRY(read_luma(run, k, reduce, &luma, &read, err));
        RF_TRY(rf_align_add_frame(align, read ? &luma : NULL, err));
        *moved = take->reference != reference;
    }
    RF_TRY(rf_take_progress(take, "align", count, count, err));
done:
    rf_image_free(&luma);
    return status;
}

static rf_status solve(rf_run *run, rf_align *align, rf_error *err)
{
    rf_align_result result;
    rf_status status = rf_align_solve(align, run->poses, &result, err);
    if (status == RF_OK)
        status = report_result(run, &result, err);
    for (int k = 0; k < run->take.report->frame_count; k++) {
        rf_pose still = rf_pose_identity();
        if (!run->take.options->no_align && k != run->take.reference)
            continue; /* the reference stays where it is, to the last bit: it alone covers every pixel */
        for (int c = 0; c < 3; c++)
            still.gain[c] = run->poses[k].gain[c];
        run->poses[k] = still;
    }
    return status;
}

rf_status rf_run_align(rf_run *run, rf_error *err)
{
    rf_take *take = &run->take;
    rf_status status = RF_OK;
    rf_align *align = NULL;
    int moved = 1;
    if (take->options->no_align && take->options->no_gain)
        return no_align(run);
    rf_align_options options = rf_align_options_default();
    options.full_width = take->info.width;
    options.full_height = take->info.height;
    options.reduce = settle_reduce(&take->info);
    options.frame_count = take->report->frame_count;
    options.no_gain = take->options->no_gain;
    while (moved) { /* starts over in the rare case that the reference cannot be read */
        rf_align_destroy(&align);
        options.reference = take->reference;
        RF_TRY(rf_align_create(&align, &options, take->pool, err));
        RF_TRY(feed_aligner(run, align, options.reduce, &moved, err));
    }
    RF_TRY(solve(run, align, err));
done:
    rf_align_destroy(&align);
    return status;
}
