/* stack.c - the order of the stages, and nothing else. */
#include "railfold/stack.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

#include "outputs.h"
#include "railfold/memory.h"
#include "run.h"
#include "summary.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

rf_merge_options rf_merge_options_default(void)
{
    return (rf_merge_options){.reference = RF_REFERENCE_MIDDLE, .view = RF_VIEW_PERSPECTIVE};
}

static rf_status start_report(const rf_merge_options *options, rf_run_report *report, rf_error *err)
{
    rf_status status;
    report->command = "merge";
    report->view = options->view == RF_VIEW_PARALLEL ? "parallel" : "perspective";
    report->step_mm = options->step_mm;
    report->pixel_mm = options->pixel_mm;
    report->scale_per_step = 1;
    RF_TRY(rf_alloc(&report->output, strlen(options->output) + 1, 1, "the report", err));
    strcpy(report->output, options->output);
    RF_TRY(rf_alloc(&report->frames, (size_t)options->frame_count, sizeof *report->frames, "the report", err));
    report->frame_count = options->frame_count;
    for (int k = 0; k < options->frame_count; k++) {
        rf_frame_report *frame = &report->frames[k];
        frame->pose = rf_pose_identity();
        frame->scale = frame->gain[0] = frame->gain[1] = frame->gain[2] = 1;
        RF_TRY(rf_alloc(&frame->file, strlen(options->frames[k]) + 1, 1, "the report", err));
        strcpy(frame->file, options->frames[k]);
    }
    return RF_OK;
done:
    return status;
}

/* Faults of the sensor, depth, merge: each is over before the next begins. While edges are settled, when the depth
 * module holds most, no frame is decoded; while it takes frames in it holds less by more than
 * the frames, of which two are decoded ahead when they are small enough (run_depth.c). */
size_t rf_stack_memory_bytes(int width, int height, int channels, int sample_bytes, int frame_count, int threads,
                             rf_view view)
{
    rf_merge_settings merge = {.width = width, .height = height, .channels = channels};
    size_t pixels = (size_t)width * (size_t)height, decoded = 2 * pixels * (size_t)(channels * sample_bytes);
    size_t maps = 12 * pixels, merging = decoded + maps + rf_merge_bytes(&merge);
    size_t depth = rf_depth_memory_bytes(width, height, frame_count, threads);
    /* One frame in hand, one in each lane, and what is kept of the sample: its lumas and, where those are too many,
     * what passes and the halves of it. While the first frames are held fewer lumas are. */
    size_t reduce = (size_t)rf_run_luma_reduce(width, height), lumas = pixels / (reduce * reduce);
    size_t slots = RF_POOL_LANES + 1, in_flight = decoded / 2 * slots, plane = pixels * (size_t)sample_bytes;
    size_t passing = sample_bytes > 1 ? slots * plane + RF_SENSOR_SAMPLE_MAX / 2 * plane / 4 : 0;
    size_t seen = RF_SENSOR_LUMA_BYTES * pixels, seen_early = (RF_SENSOR_EARLY + RF_POOL_LANES) * (decoded / 2 + plane);
    size_t looking = in_flight + (sample_bytes > 1 || seen + in_flight > seen_early ? seen : seen_early - in_flight) +
                     passing + rf_sensor_memory_bytes(width, height);
    /* The sample's lumas; others to be repaired or halved, frames that must be decoded whole for it, and what is kept
     * of the halves; lumas as floats, those kept for the depth's first look, the aligner (align.h), and the search for
     * dust that goes along. */
    size_t kept = reduce > 1 ? RF_LOOK_FRAMES : 0, halves = (size_t)rf_run_halves_most(sample_bytes);
    halves = reduce > 1 ? (frame_count < (int)halves ? (size_t)frame_count : halves) * (plane / 4) : 0;
    size_t passed_on = rf_run_keeps_lumas((int)reduce, sample_bytes) ? seen : 0;
    size_t aligning = passed_on + slots * plane + RF_POOL_LANES * (decoded / 2) + halves +
                      (4 * (slots + kept) + 48) * lumas + ((size_t)2 << 20) + ((size_t)frame_count << 12) +
                      rf_shadow_memory_bytes(width, height, frame_count);
    /* The depth's first pass sees lumas, the sample's among them, or frames, and holds 17 bytes a pixel less than the
     * most. */
    size_t reading = reduce > 1 ? passed_on + slots * plane : in_flight;
    depth += reading > 17 * pixels ? reading - 17 * pixels : 0;
    size_t most = merging > depth ? merging : depth;
    most = most > aligning ? most : aligning;
    /* The picture, the maps and one map's copy beside the picture and the maps moved to scale. */
    size_t scaling = view == RF_VIEW_PARALLEL ? pixels * (size_t)(8 * channels + 28) : 0;
    most = most > scaling ? most : scaling;
    return (most > looking ? most : looking) + ((size_t)16 << 20);
}

static rf_status check_memory(const rf_run *run, rf_error *err)
{
    const rf_frame_info *info = &run->take.info;
    size_t limit = run->take.options->memory_bytes;
    size_t need =
        rf_stack_memory_bytes(info->width, info->height, info->channels, (int)rf_sample_bytes(info->sample),
                              run->take.options->frame_count, rf_pool_threads(run->take.pool), run->take.options->view);
    if (limit != 0 && need > limit)
        return rf_fail(err, RF_ERR_MEMORY, "frames of %d x %d pixels need %zu MB but --memory allows %zu MB",
                       info->width, info->height, (need + 999999) / 1000000, limit / 1000000);
    size_t available = limit == 0 ? rf_memory_available() : 0; /* else the system would kill this run, or another one */
    if (available != 0 && need > available)
        return rf_fail(
            err, RF_ERR_MEMORY,
            "frames of %d x %d pixels need %zu MB but the system has %zu MB left; --memory tries all the same",
            info->width, info->height, (need + 999999) / 1000000, available / 1000000);
    return RF_OK;
}

static rf_status start_run(rf_run *run, const rf_merge_options *options, rf_run_report *report, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_outputs_check(options, err));
    RF_TRY(start_report(options, report, err));
    RF_TRY(rf_pool_create(&run->take.pool, options->threads, err));
    report->threads = rf_pool_threads(run->take.pool);
    RF_TRY(rf_take_open(&run->take, options, report, err));
    const rf_frame_info *info = &run->take.info;
    report->width = info->width;
    report->height = info->height;
    report->channels = info->channels;
    RF_TRY(check_memory(run, err));
    RF_TRY(rf_alloc(&run->halves, (size_t)options->frame_count, sizeof *run->halves, "the halved lumas", err));
    RF_TRY(rf_alloc(&run->poses, (size_t)options->frame_count, sizeof *run->poses, "the poses", err));
    RF_TRY(rf_alloc(&run->covered, (size_t)info->height, sizeof *run->covered, "the coverage", err));
done:
    return status;
}

static void end_run(rf_run *run)
{
    rf_feed_stop(&run->feed);
    rf_run_forget_halves(run);
    rf_free(run->halves);
    rf_run_forget_look(run);
    rf_map_file_drop(&run->depth_file);
    rf_merge_destroy(&run->merge);
    rf_album_free(&run->album);
    rf_depth_maps_free(&run->maps);
    rf_image_free(&run->parallel);
    rf_free(run->covered);
    rf_free(run->poses);
    rf_take_close(&run->take);
    rf_pool_destroy(&run->take.pool);
}

static rf_status write_page(rf_run *run, const rf_outputs *outputs, rf_batch *batch, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    const rf_merge_options *options = run->take.options;
    rf_status status = rf_album_page(&run->album, &run->take, outputs, &text, &bytes, err);
    if (status == RF_OK)
        status = rf_batch_add_text(batch, options->page, text, bytes, options->force, err);
    rf_free(text);
    return status;
}

/* The bytes that came out, while they wait for their names; the picture's are known. */
static rf_status digest_outputs(const rf_merge_options *options, const rf_batch *batch, const char *picture_sha256,
                                rf_run_report *report, rf_error *err)
{
    const struct {
        const char *kind, *path;
    } outputs[RF_REPORT_OUTPUTS_MOST] = {{"picture", options->output},        {"depth", options->depth},
                                         {"confidence", options->confidence}, {"sigma", options->sigma},
                                         {"depth_view", options->depth_view}, {"page", options->page}};
    for (int i = 0; i < RF_REPORT_OUTPUTS_MOST; i++) {
        rf_output_report *output = &report->outputs[report->output_count];
        if (outputs[i].path == NULL)
            continue;
        rf_status status = RF_OK;
        if (i == 0)
            memcpy(output->sha256, picture_sha256, RF_SHA256_TEXT_BYTES);
        else
            status = rf_batch_digest(batch, outputs[i].path, output->sha256, err);
        if (status == RF_OK)
            status = rf_alloc(&output->file, strlen(outputs[i].path) + 1, 1, "the report", err);
        if (status != RF_OK)
            return status;
        strcpy(output->file, outputs[i].path);
        output->kind = outputs[i].kind;
        report->output_count++;
    }
    return RF_OK;
}

static rf_status run_stages(rf_run *run, rf_run_report *report, rf_batch *batch, rf_error *err)
{
    double start = now_s();
    rf_status status = rf_run_sensor(run, err);
    if (status == RF_OK)
        status = rf_run_align(run, err);
    report->seconds_align = now_s() - start;
    report->reference = run->take.reference;
    if (status != RF_OK)
        return status;
    rf_summary_poses(&run->take, run->poses);
    rf_summary_covered(&run->take, run->poses);
    status = rf_run_merge(run, err); /* fills seconds_depth and seconds_merge */
    if (status != RF_OK)
        return status;
    if (run->take.options->view == RF_VIEW_PARALLEL) {
        status = rf_run_parallel(run, err);
        if (status != RF_OK)
            return status;
    }
    double write_start = now_s();
    char picture_sha256[RF_SHA256_TEXT_BYTES] = "";
    report->depth_unit = report->step_mm > 0 ? "mm" : "frame";
    if (report->scale_per_step != 1)
        report->depth_direction = run->far_first ? -1 : 1;
    rf_summary_depth_range(&run->take, &run->maps.depth);
    rf_outputs outputs = {.picture = run->picture,
                          .depth = &run->maps.depth,
                          .confidence = &run->maps.confidence,
                          .sigma = &run->maps.sigma,
                          .far_first = run->far_first,
                          .direction_known = report->scale_per_step != 1,
                          .depth_file = &run->depth_file};
    status = rf_summary_sharp_fractions(&run->take, &run->maps.depth, err);
    if (status == RF_OK)
        status = rf_outputs_write(&run->take, &outputs, batch, picture_sha256, err);
    if (status == RF_OK && run->take.options->page != NULL)
        status = write_page(run, &outputs, batch, err);
    if (status == RF_OK && run->take.options->digests)
        status = digest_outputs(run->take.options, batch, picture_sha256, report, err);
    report->seconds_write = now_s() - write_start;
    return status;
}

rf_status rf_stack_merge(const rf_merge_options *options, rf_run_report *report, rf_error *err)
{
    rf_run run;
    double start = now_s();
    memset(&run, 0, sizeof run);
    rf_metadata_init(&run.take.metadata);
    rf_memory_reset_peak();
    rf_batch *own = NULL;
    rf_status status = options->batch == NULL ? rf_batch_create(&own, err) : RF_OK;
    if (status == RF_OK)
        status = start_run(&run, options, report, err);
    if (status == RF_OK)
        status = run_stages(&run, report, own != NULL ? own : options->batch, err);
    end_run(&run);
    if (status == RF_OK && own != NULL)
        status = rf_batch_name(own, err);
    rf_batch_destroy(&own);
    report->seconds_total = now_s() - start;
    report->peak_memory_bytes = rf_memory_peak();
    return status;
}
