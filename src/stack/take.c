/* take.c - one shape for all frames, the reference, and frames handed out one at a time. */
#include "take.h"

#include <stdio.h>
#include <string.h>

static const char *sample_name(rf_sample sample)
{
    return sample == RF_U8 ? "8-bit" : "16-bit";
}

void rf_take_leave_out(rf_take *take, int k, const char *reason)
{
    rf_frame_report *frame = &take->report->frames[k];
    frame->used = 0;
    (void)snprintf(frame->reason, sizeof frame->reason, "%s", reason);
}

rf_status rf_take_bad_frame(rf_take *take, int k, rf_status fault, const rf_error *why, rf_error *err)
{
    if (fault != RF_ERR_INPUT || !take->options->skip_bad)
        return rf_fail(err, fault, "%s", why->text);
    rf_take_leave_out(take, k, why->text);
    return k == take->reference ? rf_take_settle_reference(take, err) : RF_OK;
}

int rf_take_used_count(const rf_take *take)
{
    int used = 0;
    for (int k = 0; k < take->report->frame_count; k++)
        used += take->report->frames[k].used;
    return used;
}

rf_status rf_take_progress(const rf_take *take, const char *stage, int done, int total, rf_error *err)
{
    const rf_merge_options *options = take->options;
    if (options->progress != NULL && options->progress(options->progress_arg, stage, done, total) != 0)
        return rf_fail(err, RF_ERR_STOPPED, "stopped during stage %s, at %d of %d; no output was written", stage, done,
                       total);
    return RF_OK;
}

/* The reference named by the options; when that frame is not used, the nearest one that is. */
static int settle_reference(const rf_take *take)
{
    int count = take->report->frame_count, wanted = take->options->reference;
    if (wanted == RF_REFERENCE_MIDDLE)
        wanted = count / 2;
    else if (wanted == RF_REFERENCE_FIRST)
        wanted = 0;
    else if (wanted == RF_REFERENCE_LAST)
        wanted = count - 1;
    for (int away = 0; away < count; away++) {
        if (wanted - away >= 0 && take->report->frames[wanted - away].used)
            return wanted - away;
        if (wanted + away < count && take->report->frames[wanted + away].used)
            return wanted + away;
    }
    return wanted;
}

static rf_status same_shape(const rf_take *take, int first, int k, const rf_frame_info *info, rf_error *err)
{
    const rf_frame_info *want = &take->info;
    const char *a = take->options->frames[first], *b = take->options->frames[k];
    if (info->width != want->width || info->height != want->height)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s is %d x %d pixels but %s is %d x %d; all frames of a take must have one size", b,
                       info->width, info->height, a, want->width, want->height);
    if (info->sample != want->sample)
        return rf_fail(err, RF_ERR_INPUT, "%s has %s samples but %s has %s; all frames of a take must have one depth",
                       b, sample_name(info->sample), a, sample_name(want->sample));
    if (info->channels != want->channels)
        return rf_fail(err, RF_ERR_INPUT, "%s has %d channel%s but %s has %d; all frames of a take must be alike", b,
                       info->channels, info->channels == 1 ? "" : "s", a, want->channels);
    return RF_OK;
}

static rf_status probe_all(rf_take *take, rf_error *err)
{
    const rf_merge_options *options = take->options;
    int first = -1;
    for (int k = 0; k < options->frame_count; k++) {
        rf_frame_info info;
        rf_error frame_err = {0};
        rf_status status = rf_frame_probe(options->frames[k], &take->limits, &info, NULL, &frame_err);
        if (status != RF_OK) {
            if (!options->skip_bad || status != RF_ERR_INPUT)
                return rf_fail(err, status, "%s", frame_err.text);
            rf_take_leave_out(take, k, frame_err.text);
            continue;
        }
        take->report->frames[k].used = 1;
        if (first < 0) {
            first = k;
            take->info = info;
        }
        status = same_shape(take, first, k, &info, err);
        if (status != RF_OK)
            return status;
    }
    if (first < 0)
        return rf_fail(err, RF_ERR_INPUT, "none of the %d frames can be read, the first is %s", options->frame_count,
                       options->frames[0]);
    return RF_OK;
}

rf_status rf_take_open(rf_take *take, const rf_merge_options *options, rf_run_report *report, rf_error *err)
{
    take->options = options;
    take->report = report;
    take->limits = rf_frame_limits_default();
    rf_status status = probe_all(take, err);
    if (status != RF_OK)
        return status;
    return rf_take_settle_reference(take, err);
}

rf_status rf_take_settle_reference(rf_take *take, rf_error *err)
{
    rf_frame_info info;
    if (rf_take_used_count(take) == 0)
        return rf_fail(err, RF_ERR_INPUT, "none of the %d frames can be used, the first is %s",
                       take->report->frame_count, take->options->frames[0]);
    take->reference = settle_reference(take);
    return rf_frame_probe(take->options->frames[take->reference], &take->limits, &info, &take->metadata, err);
}

void rf_take_close(rf_take *take)
{
    rf_metadata_free(&take->metadata);
    rf_sensor_map_free(&take->sensor);
}

static rf_status read_whole(const rf_take *take, int k, rf_image *image, rf_error *err)
{
    rf_status status = rf_frame_read(take->options->frames[k], &take->limits, image, NULL, NULL, err);
    return status == RF_OK ? rf_sensor_repair(&take->sensor, image, err) : status;
}

rf_status rf_take_read_luma(const rf_take *take, int k, int reduce, rf_image *whole, rf_image *luma, rf_error *err)
{
    rf_status status;
    if (rf_sensor_map_is_empty(&take->sensor))
        return rf_frame_read_luma(take->options->frames[k], &take->limits, reduce, luma, NULL, NULL, err);
    RF_TRY(read_whole(take, k, whole, err));
    if (luma->data == NULL)
        RF_TRY(rf_image_alloc(luma, whole->width / reduce, whole->height / reduce, 1, RF_F32, "a frame's luma", err));
    rf_image_luma(whole, reduce, luma, NULL); /* the pool is at work on the frame before */
done:
    return status;
}

/* ---- feed ---- */

static void decode_ahead(void *arg)
{
    rf_feed *feed = arg;
    rf_image *image = &feed->images[1 - feed->front];
    feed->side_error = (rf_error){0};
    feed->side_status = feed->reading.reduce > 1 ? rf_take_read_luma(feed->take, feed->next, feed->reading.reduce,
                                                                     &feed->whole, image, &feed->side_error)
                                                 : read_whole(feed->take, feed->next, image, &feed->side_error);
}

static void begin_next(rf_feed *feed, int from)
{
    const rf_run_report *report = feed->take->report;
    feed->next = from;
    while (feed->next < feed->reading.end &&
           (!report->frames[feed->next].used || (feed->next - feed->reading.first) % feed->reading.stride != 0))
        feed->next++;
    if (feed->next < feed->reading.end)
        rf_pool_side(feed->take->pool, decode_ahead, feed);
}

void rf_feed_start(rf_feed *feed, rf_take *take, rf_reading reading)
{
    memset(feed, 0, sizeof *feed);
    feed->take = take;
    feed->reading = reading;
    feed->started = 1;
    begin_next(feed, reading.first);
}

rf_status rf_feed_next(rf_feed *feed, int *k, const rf_image **frame, rf_error *err)
{
    const rf_frame_info *info = &feed->take->info;
    *frame = NULL;
    *k = feed->next;
    if (feed->next >= feed->reading.end)
        return RF_OK;
    rf_pool_join(feed->take->pool);
    if (feed->side_status != RF_OK) {
        rf_status status = rf_take_bad_frame(feed->take, *k, feed->side_status, &feed->side_error, err);
        if (status != RF_OK)
            return status;
        begin_next(feed, *k + 1);
        return rf_feed_next(feed, k, frame, err);
    }
    feed->front = 1 - feed->front;
    const rf_image *image = &feed->images[feed->front];
    int reduce = feed->reading.reduce;
    if (image->width != info->width / reduce || image->height != info->height / reduce ||
        (reduce == 1 && (image->channels != info->channels || image->sample != info->sample)))
        return rf_fail(err, RF_ERR_INPUT, "%s changed while it was being merged: it is no longer %d x %d pixels",
                       feed->take->options->frames[*k], info->width, info->height);
    *frame = image;
    begin_next(feed, *k + 1);
    return RF_OK;
}

void rf_feed_stop(rf_feed *feed)
{
    if (!feed->started)
        return;
    rf_pool_join(feed->take->pool);
    rf_image_free(&feed->images[0]);
    rf_image_free(&feed->images[1]);
    rf_image_free(&feed->whole);
    feed->started = 0;
}
