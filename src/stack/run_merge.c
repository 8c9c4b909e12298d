/* run_merge.c - one pass over the frames; the merge, and its view to scale. */
#include "run.h"

#include <math.h>
#include <time.h>

#include "outputs.h"
#include "railfold/memory.h"
#include "railfold/parallel.h"
#include "railfold/warp.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

rf_status rf_run_show(rf_run *run, int k, const rf_image *frame, int reduce, rf_each_fn each, void *arg, rf_error *err)
{
    int width = run->take.info.width / reduce, height = run->take.info.height / reduce;
    rf_pose pose = rf_pose_reduced(&run->poses[k], reduce);
    rf_warp_spans(&pose, width, height, width, height, run->covered);
    rf_source source = rf_warp_source(frame, &pose, width, height, (const int(*)[2])run->covered);
    return each(run, k, &source, arg, err);
}

void rf_run_begin_pass(rf_run *run, rf_reading reading)
{
    rf_feed_stop(&run->feed);
    rf_feed_start(&run->feed, &run->take, reading);
}

rf_status rf_run_pass(rf_run *run, const char *stage, int done_before, int total, rf_each_fn each, void *arg,
                      rf_error *err)
{
    rf_status status;
    const rf_image *frame;
    int k;
    for (;;) {
        RF_TRY(rf_feed_next(&run->feed, &k, &frame, err));
        if (frame == NULL)
            break;
        RF_TRY(rf_take_progress(&run->take, stage, done_before + k, total, err));
        RF_TRY(rf_run_show(run, k, frame, run->feed.reading.reduce, each, arg, err));
    }
done:
    rf_feed_stop(&run->feed);
    return status;
}

/* Disc radius gained a step when the take does not tell: steps are commonly chosen near the depth of field, where the
 * blur of half a step is about half a pixel (common practice, no source). */
#define BLUR_UNKNOWN_PX 1.1f

enum { SHORT_ROW_SHARE = 64 }; /* a row shorter than the widest by more than this part of it is short */

static int span_px(const int span[2])
{
    return span[1] > span[0] ? span[1] - span[0] : 0;
}

/* A large rectangle that the pose's spans fill. A turned frame's first and last rows are short and would narrow it for
 * nothing: they are left out. */
static rf_merge_cover cover_of(rf_run *run, int k)
{
    int width = run->take.info.width, height = run->take.info.height, (*covered)[2] = run->covered, widest = 0;
    rf_warp_spans(&run->poses[k], width, height, width, height, covered);
    rf_merge_cover cover = {0, 0, width, height};
    for (int y = 0; y < height; y++)
        widest = span_px(covered[y]) > widest ? span_px(covered[y]) : widest;
    int enough = widest - widest / SHORT_ROW_SHARE;
    while (cover.y_begin < height && span_px(covered[cover.y_begin]) < enough)
        cover.y_begin++;
    while (cover.y_end > cover.y_begin && span_px(covered[cover.y_end - 1]) < enough)
        cover.y_end--;
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

int rf_run_wants_depth_alone(const rf_run *run)
{
    const rf_merge_options *o = run->take.options;
    return o->confidence == NULL && o->sigma == NULL && o->depth_view == NULL && o->page == NULL &&
           o->view != RF_VIEW_PARALLEL;
}

static void begin_depth_file(rf_run *run)
{
    const rf_run_report *report = run->take.report;
    rf_outputs outputs = {.depth = &run->maps.depth,
                          .far_first = run->far_first,
                          .direction_known = report->scale_per_step != 1,
                          .depth_file = &run->depth_file};
    rf_outputs_begin_depth(&run->take, &outputs, run->far_first ? (float)(report->frame_count - 1) : 0);
}

static rf_status merge_frames(rf_run *run, rf_image *near_view, rf_error *err)
{
    rf_status status;
    const rf_take *take = &run->take;
    int count = take->report->frame_count, ahead = rf_run_wants_depth_alone(run) ? RF_FEED_AHEAD : 1;
    rf_merge_cover *covers = NULL;
    rf_merge_settings settings = {.width = take->info.width,
                                  .height = take->info.height,
                                  .channels = take->info.channels,
                                  .frame_count = count,
                                  .noise = run->noise,
                                  .veil = 1};
    double blur = take->report->blur_px_per_step;
    run->take.digesting = take->options->digests;
    rf_run_begin_pass(run, (rf_reading){.end = count, .stride = 1, .reduce = 1, .ahead = ahead});
    settings.blur_px_per_step = blur > 0 ? (float)blur : BLUR_UNKNOWN_PX;
    RF_TRY(rf_alloc(&covers, (size_t)count, sizeof *covers, "the coverage", err));
    for (int k = 0; k < count; k++)
        if (take->report->frames[k].used)
            covers[number_from_near(run, k)] = cover_of(run, k);
    turn_depth(run, &run->maps.depth);
    RF_TRY(rf_merge_create(&run->merge, &settings, covers, &run->maps.depth, near_view, take->pool, err));
    begin_depth_file(run);
    RF_TRY(rf_run_pass(run, "merge", 0, count, add_to_merge, NULL, err));
    run->picture = rf_merge_finish(run->merge);
    rf_map_file_wait(&run->depth_file);
    turn_depth(run, &run->maps.depth);
done:
    rf_free(covers);
    return status;
}

rf_status rf_run_merge(rf_run *run, rf_error *err)
{
    rf_status status;
    rf_run_report *report = run->take.report;
    rf_image near_view = {0};
    double start = now_s();
    RF_TRY(rf_run_depth(run, &near_view, err));
    report->seconds_depth = now_s() - start;
    start = now_s();
    RF_TRY(merge_frames(run, &near_view, err));
    report->seconds_merge = now_s() - start;
done:
    rf_image_free(&near_view);
    return status;
}

rf_status rf_run_parallel(rf_run *run, rf_error *err)
{
    rf_parallel_result moved = {{0}, {0}, {0}, {0}};
    rf_run_report *report = run->take.report;
    rf_parallel_maps maps = {run->picture, &run->maps.depth, &run->maps.confidence, &run->maps.sigma};
    if (fabs(report->scale_per_step - 1) < 1e-9) {
        rf_status status = rf_run_report_warn(report, err,
                                              "no change of scale along the rail was seen: the parallel view is the "
                                              "same as the perspective one");
        return status;
    }
    rf_status status = rf_parallel_view(&maps, run->take.reference, report->scale_per_step, run->far_first, &moved,
                                        run->take.pool, err);
    if (status != RF_OK) {
        rf_parallel_free(&moved);
        return status;
    }
    rf_depth_maps_free(&run->maps);
    run->maps = (rf_depth_maps){moved.depth, moved.confidence, moved.sigma};
    run->parallel = moved.picture;
    run->picture = &run->parallel;
    return RF_OK;
}
