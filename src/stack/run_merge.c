/* run_merge.c - passes 2 to 4: sharpness and depth, the first picture, the view of the near parts, the final merge. */
#include "run.h"

#include <math.h>
#include <time.h>

#include "railfold/memory.h"
#include "railfold/parallel.h"
#include "railfold/sharpness.h"
#include "railfold/warp.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void warp(rf_run *run, int k, const rf_image *frame)
{
    for (int y = 0; y < frame->height; y++)
        rf_warp_span(&run->poses[k], frame->width, frame->height, run->warped.width, y, &run->spans[y].begin,
                     &run->spans[y].end);
    rf_warp_image(frame, &run->poses[k], &run->warped, NULL, run->take.pool);
}

rf_status rf_run_pass(rf_run *run, const char *stage, int done_before, int total, rf_each_fn each, void *arg, rf_error *err)
{
    rf_status status;
    rf_feed feed;
    const rf_image *frame;
    int k;
    RF_TRY(rf_feed_start(&feed, &run->take, err));
    for (;;) {
        RF_TRY(rf_feed_next(&feed, &k, &frame, err));
        if (frame == NULL)
            break;
        RF_TRY(rf_take_progress(&run->take, stage, done_before + k, total, err));
        warp(run, k, frame);
        RF_TRY(each(run, k, arg, err));
    }
done:
    rf_feed_stop(&feed);
    return status;
}

/* Disc radius gained a step when the take does not tell: steps are commonly chosen near the depth of field, where the blur
 * of half a step is about half a pixel (common practice, no source). */
#define BLUR_UNKNOWN_PX 1.1f

/* Standard deviation of a frame's noise that the merge reckons with. The energy's floor is the square of what noise leaves
 * in a Laplacian after a Gaussian of 0.7 px (power gain 0.773, computed), as the low twentieth of a pooled, drawn-in map,
 * which is below its mean: the factor was measured on takes whose noise is known (1.9: JPEG and 16 bit alike). */
static float noise_of_floor(float floor)
{
    float noise = 1.9f * sqrtf(floor / 0.773f);
    return noise < 0.0005f ? 0.0005f : noise > 0.05f ? 0.05f : noise;
}

/* ---- pass 2: sharpness, focus peaks, first picture ---- */

typedef struct first_pass {
    rf_depth *depth;
    rf_sharpness *sharpness;
    rf_image energy;
    float floor; /* the least noise floor of all frames */
} first_pass;

static rf_status add_first(rf_run *run, int k, void *arg, rf_error *err)
{
    first_pass *pass = arg;
    rf_status status;
    RF_TRY(rf_depth_add_frame(pass->depth, k, &run->warped, (const int(*)[2])run->spans, err));
    RF_TRY(rf_sharpness_measure(pass->sharpness, &run->warped, (const int(*)[2])run->spans, &pass->energy, err));
    float floor = rf_sharpness_noise_floor(pass->sharpness);
    pass->floor = pass->floor == 0 || floor < pass->floor ? floor : pass->floor;
    rf_merge_add_soft(run->merge, &run->warped, run->spans, &pass->energy, floor);
done:
    return status;
}

static rf_status add_later(rf_run *run, int k, void *arg, rf_error *err)
{
    first_pass *pass = arg;
    return rf_depth_add_frame(pass->depth, k, &run->warped, (const int(*)[2])run->spans, err);
}

static rf_status add_final(rf_run *run, int k, void *arg, rf_error *err)
{
    const int *round = arg;
    rf_merge_add(run->merge, k, &run->warped, run->spans);
    if (*round == 0 && run->take.options->page != NULL)
        return rf_album_add(&run->album, &run->take, k, &run->warped, err);
    return RF_OK;
}

rf_status rf_run_merge(rf_run *run, rf_error *err)
{
    rf_status status;
    rf_take *take = &run->take;
    int count = take->report->frame_count;
    first_pass pass = {0};
    rf_depth_options options = {.far_first = run->far_first};
    rf_merge_settings settings = {.width = take->info.width,
                                  .height = take->info.height,
                                  .channels = take->info.channels,
                                  .veil = 1};
    double start = now_s();
    RF_TRY(rf_depth_create(&pass.depth, take->info.width, take->info.height, count, &options, take->pool, err));
    RF_TRY(rf_merge_create(&run->merge, &settings, take->pool, err));
    RF_TRY(rf_sharpness_create(&pass.sharpness, take->info.width, take->info.height, take->pool, err));
    RF_TRY(rf_image_alloc(&pass.energy, rf_sharpness_side(take->info.width), rf_sharpness_side(take->info.height), 1,
                          RF_F32, "the sharpness of a frame", err));
    int passes = rf_depth_passes(pass.depth);
    for (int i = 0; i < passes; i++) {
        RF_TRY(rf_depth_begin_pass(pass.depth, i, err));
        RF_TRY(rf_run_pass(run, "depth", i * count, passes * count, i == 0 ? add_first : add_later, &pass, err));
        RF_TRY(rf_depth_end_pass(pass.depth, err));
    }
    RF_TRY(rf_depth_result(pass.depth, &run->maps, err));
    take->report->blur_px_per_step = rf_depth_blur_px_per_step(pass.depth);
    rf_depth_destroy(&pass.depth);
    take->report->seconds_depth = now_s() - start;
    start = now_s();
    (void)rf_merge_finish_soft(run->merge);
    run->noise = noise_of_floor(pass.floor);
    float blur = take->report->blur_px_per_step > 0 ? (float)take->report->blur_px_per_step : BLUR_UNKNOWN_PX;
    for (int round = 0; round < 2; round++) {
        RF_TRY(rf_merge_begin(run->merge, &run->maps.depth, blur, run->noise, err));
        RF_TRY(rf_run_pass(run, "merge", round * count, 2 * count, add_final, &round, err));
        run->picture = rf_merge_finish(run->merge);
    }
    take->report->seconds_merge = now_s() - start;
done:
    rf_image_free(&pass.energy);
    rf_sharpness_destroy(&pass.sharpness);
    rf_depth_destroy(&pass.depth);
    return status;
}

rf_status rf_run_parallel(rf_run *run, rf_error *err)
{
    rf_image depth = {0}, confidence = {0};
    rf_run_report *report = run->take.report;
    rf_parallel_maps maps = {run->picture, &run->maps.depth, &run->maps.confidence};
    if (fabs(report->scale_per_step - 1) < 1e-9) {
        rf_status status = rf_run_report_warn(report, err, "no change of scale along the rail was seen: the parallel view is the "
                                                           "same as the perspective one");
        return status;
    }
    rf_status status = rf_parallel_view(&maps, run->take.reference, report->scale_per_step, run->far_first, &run->parallel,
                                        &depth, &confidence, run->take.pool, err);
    if (status != RF_OK) {
        rf_image_free(&depth);
        rf_image_free(&confidence);
        return status;
    }
    rf_image_free(&run->maps.depth);
    rf_image_free(&run->maps.confidence);
    run->maps.depth = depth;
    run->maps.confidence = confidence;
    run->picture = &run->parallel;
    return RF_OK;
}
