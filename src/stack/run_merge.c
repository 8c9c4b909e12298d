/* run_merge.c - passes 2 to 4: sharpness and depth, the view of the near parts, the merge. */
#include "run.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "railfold/memory.h"
#include "railfold/parallel.h"
#include "railfold/warp.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

rf_status rf_run_pass(rf_run *run, const char *stage, rf_stride which, int done_before, int total, rf_each_fn each,
                      void *arg, rf_error *err)
{
    rf_status status;
    rf_feed feed;
    const rf_image *frame;
    int k, reduce = which.reduce > 1 ? which.reduce : 1;
    int width = run->take.info.width / reduce, height = run->take.info.height / reduce;
    rf_feed_start(&feed, &run->take, which);
    for (;;) {
        RF_TRY(rf_feed_next(&feed, &k, &frame, err));
        if (frame == NULL)
            break;
        RF_TRY(rf_take_progress(&run->take, stage, done_before + k, total, err));
        rf_pose pose = rf_pose_reduced(&run->poses[k], reduce);
        rf_warp_spans(&pose, width, height, width, height, run->covered);
        rf_source source = rf_warp_source(frame, &pose, width, height, (const int(*)[2])run->covered);
        RF_TRY(each(run, k, &source, arg, err));
    }
done:
    rf_feed_stop(&feed);
    return status;
}

/* Disc radius gained a step when the take does not tell: steps are commonly chosen near the depth of field, where the
 * blur of half a step is about half a pixel (common practice, no source). */
#define BLUR_UNKNOWN_PX 1.1f
#define FINE_BLUR_PX                                                                                                   \
    0.4 /* blur gained a step below which steps count as too fine for reading depth off all of them                    \
         */
enum { FEWEST_FOR_DEPTH = 8 };

/* Standard deviation of a frame's noise that the merge reckons with. The energy's floor is the square of what noise
 * leaves in a Laplacian after a Gaussian of 0.7 px (power gain 0.773, computed), as the low twentieth of a pooled,
 * drawn-in map, which is below its mean: the factor was measured on takes whose noise is known (1.9: JPEG and 16 bit
 * alike). */
static float noise_of_floor(float floor)
{
    float noise = 1.9f * sqrtf(floor / 0.773f);
    return noise < 0.0005f ? 0.0005f : noise > 0.05f ? 0.05f : noise;
}

/* ---- depth, and the view of the near parts ---- */

typedef struct depth_pass {
    rf_depth *depth;
    rf_stride which;
} depth_pass;

static rf_status add_to_depth(rf_run *run, int k, const rf_source *source, void *arg, rf_error *err)
{
    const depth_pass *pass = arg;
    (void)run;
    return rf_depth_add_source(pass->depth, (k - pass->which.first) / pass->which.stride, source, err);
}

static rf_status run_depth(rf_run *run, depth_pass *pass, rf_error *err)
{
    rf_status status;
    const rf_take *take = &run->take;
    int count = take->report->frame_count, some = (count - 1 - pass->which.first) / pass->which.stride + 1;
    rf_depth_options options = {.far_first = run->far_first, .reduce = pass->which.reduce};
    RF_TRY(rf_depth_create(&pass->depth, take->info.width, take->info.height, some, &options, take->pool, err));
    int passes = rf_depth_passes(pass->depth);
    for (int i = 0; i < passes; i++) {
        rf_stride which = pass->which;
        which.reduce = i == 0 ? which.reduce : 1; /* the near view is gathered at full size */
        RF_TRY(rf_depth_begin_pass(pass->depth, i, err));
        RF_TRY(rf_run_pass(run, "depth", which, i * count, passes * count, add_to_depth, pass, err));
        RF_TRY(rf_depth_end_pass(pass->depth, err));
    }
done:
    return status;
}

/* With steps much finer than the depth of field a focus curve is dozens of frames wide and no sharper for it: depth is
 * then read off every stride-th frame, so that the blur gained from one to the next is about a pixel. What the take
 * tells of its blur decides; where it tells nothing, twice and four times the stride are tried before the first is
 * taken. */
static int next_stride(int stride, double blur, int count, int *unknown)
{
    int wanted = stride;
    if (blur > 0 && blur < FINE_BLUR_PX)
        wanted = (int)(stride / blur + 0.5);
    else if (!(blur > 0) && *unknown < 3)
        wanted = ++*unknown < 3 ? 2 * stride : 1;
    return wanted > 1 && count / wanted < FEWEST_FOR_DEPTH ? (blur > 0 ? stride : 1) : wanted;
}

/* Positions among every stride-th frame become frame numbers. */
static void number_frames(rf_depth_maps *maps, rf_stride which)
{
    for (int y = 0; y < maps->depth.height && which.stride > 1; y++) {
        float *depth = rf_image_row_f32(&maps->depth, y), *sigma = rf_image_row_f32(&maps->sigma, y);
        for (int x = 0; x < maps->depth.width; x++) {
            depth[x] = (float)which.first + (float)which.stride * depth[x];
            sigma[x] *= (float)which.stride;
        }
    }
}

static rf_status find_depth(rf_run *run, rf_depth **depth_at, rf_error *err)
{
    rf_status status;
    rf_run_report *report = run->take.report;
    depth_pass pass = {.which = {0, 1, getenv("RFR") ? atoi(getenv("RFR")) : 1}};
    int unknown = 0;
    for (;;) {
        RF_TRY(run_depth(run, &pass, err));
        double blur = rf_depth_blur_px_per_step(pass.depth);
        int stride = next_stride(pass.which.stride, blur, report->frame_count, &unknown);
        report->blur_px_per_step = blur / pass.which.stride;
        if (stride == pass.which.stride)
            break;
        rf_depth_destroy(&pass.depth);
        pass.which = (rf_stride){(report->frame_count - 1) % stride / 2, stride, 1};
    }
    RF_TRY(rf_depth_result(pass.depth, &run->maps, err));
    number_frames(&run->maps, pass.which);
    run->noise = noise_of_floor(rf_depth_noise_floor(pass.depth));
    fprintf(stderr,"noise %g blur %g\n",(double)run->noise,report->blur_px_per_step);
done:
    *depth_at = pass.depth;
    return status;
}

/* ---- merge ---- */

/* The largest rectangle of whole rows and columns, cut from all four sides, that the pose's spans fill. */
static rf_merge_cover cover_of(rf_run *run, int k)
{
    int width = run->take.info.width, height = run->take.info.height, (*covered)[2] = run->covered;
    rf_warp_spans(&run->poses[k], width, height, width, height, covered);
    rf_merge_cover cover = {0, 0, width, height};
    while (cover.y_begin < height && covered[cover.y_begin][0] >= covered[cover.y_begin][1])
        cover.y_begin++;
    while (cover.y_end > cover.y_begin && covered[cover.y_end - 1][0] >= covered[cover.y_end - 1][1])
        cover.y_end--;
    /* A turned frame's corners would narrow it for nothing: rows shorter than most give way. */
    int margin = 2 + (int)(fabs(run->poses[k].c) * width);
    cover.y_begin += cover.y_begin > 0 ? margin : 0;
    cover.y_end -= cover.y_end < height ? margin : 0;
    for (int y = cover.y_begin; y < cover.y_end; y++) {
        cover.x_begin = covered[y][0] > cover.x_begin ? covered[y][0] : cover.x_begin;
        cover.x_end = covered[y][1] < cover.x_end ? covered[y][1] : cover.x_end;
    }
    return cover;
}

/* The merge numbers frames from near to far; a rail that retreats took the farthest first. */
static int number_from_near(const rf_run *run, int k)
{
    return run->far_first ? run->take.report->frame_count - 1 - k : k;
}

/* Frame positions to numbers from near to far, or back. */
static void turn_depth(const rf_run *run, rf_image *depth)
{
    float last = (float)(run->take.report->frame_count - 1);
    for (int y = 0; y < depth->height && run->far_first; y++) {
        float *row = rf_image_row_f32(depth, y);
        for (int x = 0; x < depth->width; x++)
            row[x] = last - row[x];
    }
}

static rf_status add_to_merge(rf_run *run, int k, const rf_source *source, void *arg, rf_error *err)
{
    (void)arg;
    rf_merge_add(run->merge, number_from_near(run, k), source);
    return run->take.options->page != NULL ? rf_album_add(&run->album, &run->take, k, source, err) : RF_OK;
}

static rf_status merge_frames(rf_run *run, rf_image *near_view, rf_error *err)
{
    rf_status status;
    const rf_take *take = &run->take;
    int count = take->report->frame_count;
    rf_merge_cover *covers = NULL;
    rf_merge_settings settings = {.width = take->info.width,
                                  .height = take->info.height,
                                  .channels = take->info.channels,
                                  .frame_count = count,
                                  .noise = run->noise,
                                  .veil = 1};
    double blur = take->report->blur_px_per_step;
    settings.blur_px_per_step = blur > 0 ? (float)blur : BLUR_UNKNOWN_PX;
    RF_TRY(rf_alloc(&covers, (size_t)count, sizeof *covers, "the coverage", err));
    for (int k = 0; k < count; k++)
        if (take->report->frames[k].used)
            covers[number_from_near(run, k)] = cover_of(run, k);
    turn_depth(run, &run->maps.depth);
    RF_TRY(rf_merge_create(&run->merge, &settings, covers, &run->maps.depth, near_view, take->pool, err));
    RF_TRY(rf_run_pass(run, "merge", (rf_stride){0, 1, 1}, 0, count, add_to_merge, NULL, err));
    run->picture = rf_merge_finish(run->merge);
    turn_depth(run, &run->maps.depth);
done:
    rf_free(covers);
    return status;
}

rf_status rf_run_merge(rf_run *run, rf_error *err)
{
    rf_status status;
    rf_run_report *report = run->take.report;
    rf_depth *depth = NULL;
    rf_image near_view = {0};
    double start = now_s();
    RF_TRY(find_depth(run, &depth, err));
    rf_depth_take_guide(depth, &near_view);
    rf_depth_destroy(&depth);
    report->seconds_depth = now_s() - start;
    start = now_s();
    RF_TRY(merge_frames(run, &near_view, err));
    report->seconds_merge = now_s() - start;
done:
    rf_image_free(&near_view);
    rf_depth_destroy(&depth);
    return status;
}

rf_status rf_run_parallel(rf_run *run, rf_error *err)
{
    rf_image depth = {0}, confidence = {0};
    rf_run_report *report = run->take.report;
    rf_parallel_maps maps = {run->picture, &run->maps.depth, &run->maps.confidence};
    if (fabs(report->scale_per_step - 1) < 1e-9) {
        rf_status status = rf_run_report_warn(report, err,
                                              "no change of scale along the rail was seen: the parallel view is the "
                                              "same as the perspective one");
        return status;
    }
    rf_status status = rf_parallel_view(&maps, run->take.reference, report->scale_per_step, run->far_first,
                                        &run->parallel, &depth, &confidence, run->take.pool, err);
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
