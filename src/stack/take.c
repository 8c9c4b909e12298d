/* take.c - one shape for all frames, the reference, and frames handed out one at a time. */
#include "take.h"

#include <stdio.h>
#include <string.h>

#include "railfold/memory.h"

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

rf_status rf_take_check_unchanged(const rf_take *take, int k, const rf_file_stamp *stamp, rf_error *err)
{
    if (stamp->bytes == take->stamps[k].bytes && stamp->modified_ns == take->stamps[k].modified_ns)
        return RF_OK;
    return rf_fail(err, RF_ERR_INPUT, "%s changed while it was being merged: it was written to",
                   take->options->frames[k]);
}

static rf_status check_shape(const rf_take *take, int k, const rf_frame_info *now, rf_error *err)
{
    const rf_frame_info *info = &take->info;
    if (now->width == info->width && now->height == info->height && now->channels == info->channels &&
        now->sample == info->sample)
        return RF_OK;
    return rf_fail(err, RF_ERR_INPUT, "%s changed while it was being merged: it is no longer %d x %d pixels",
                   take->options->frames[k], info->width, info->height);
}

rf_status rf_take_read(const rf_take *take, int k, rf_image *image, rf_error *err)
{
    rf_status status;
    rf_frame_info now;
    RF_TRY(rf_frame_read(take->options->frames[k], &take->limits, image, &now, NULL, err));
    RF_TRY(check_shape(take, k, &now, err));
    RF_TRY(rf_take_check_unchanged(take, k, &now.stamp, err));
done:
    return status;
}

rf_status rf_take_read_plane(const rf_take *take, int k, rf_image *luma, rf_error *err)
{
    rf_status status;
    rf_frame_info now;
    RF_TRY(rf_frame_read_luma_as(take->options->frames[k], &take->limits, 1, take->info.sample, luma, &now, NULL, err));
    RF_TRY(check_shape(take, k, &now, err));
    RF_TRY(rf_take_check_unchanged(take, k, &now.stamp, err));
    RF_TRY(rf_sensor_repair_luma(&take->sensor, luma, err));
done:
    return status;
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

/* No frame is left: the sentence names the first and why. A reason opens with the file's name or does not have it. */
static rf_status none_left(const rf_take *take, const char *deed, rf_error *err)
{
    const char *file = take->options->frames[0], *reason = take->report->frames[0].reason;
    int named = strncmp(reason, file, strlen(file)) == 0;
    return rf_fail(err, RF_ERR_INPUT, "none of the %d frames can be %s, the first: %s%s%s", take->report->frame_count,
                   deed, named ? "" : file, named ? "" : ": ", reason);
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
        take->stamps[k] = info.stamp;
        if (first < 0) {
            first = k;
            take->info = info;
        }
        status = same_shape(take, first, k, &info, err);
        if (status != RF_OK)
            return status;
    }
    if (first < 0)
        return none_left(take, "read", err);
    return RF_OK;
}

rf_status rf_take_open(rf_take *take, const rf_merge_options *options, rf_run_report *report, rf_error *err)
{
    take->options = options;
    take->report = report;
    take->limits = rf_frame_limits_pixels(options->max_pixels);
    rf_status status = rf_alloc(&take->stamps, (size_t)options->frame_count, sizeof *take->stamps, "the frames", err);
    if (status == RF_OK)
        status = rf_alloc(&take->lumas, (size_t)options->frame_count, sizeof *take->lumas, "the frames", err);
    if (status == RF_OK)
        status = probe_all(take, err);
    if (status != RF_OK)
        return status;
    return rf_take_settle_reference(take, err);
}

rf_status rf_take_settle_reference(rf_take *take, rf_error *err)
{
    rf_frame_info info;
    if (rf_take_used_count(take) == 0)
        return none_left(take, "used", err);
    take->reference = settle_reference(take);
    return rf_frame_probe(take->options->frames[take->reference], &take->limits, &info, &take->metadata, err);
}

void rf_take_forget_lumas(rf_take *take)
{
    for (int k = 0; take->lumas != NULL && k < take->options->frame_count; k++)
        rf_image_free(&take->lumas[k]);
}

void rf_take_close(rf_take *take)
{
    rf_take_forget_lumas(take);
    rf_free(take->lumas);
    rf_free(take->stamps);
    rf_metadata_free(&take->metadata);
    rf_sensor_map_free(&take->sensor);
}

rf_status rf_take_read_luma(const rf_take *take, int k, int reduce, rf_image *plane, rf_image *luma, rf_error *err)
{
    rf_status status;
    rf_frame_info now;
    if (rf_sensor_map_is_empty(&take->sensor)) {
        RF_TRY(rf_frame_read_luma(take->options->frames[k], &take->limits, reduce, luma, &now, NULL, err));
        RF_TRY(check_shape(take, k, &now, err));
        RF_TRY(rf_take_check_unchanged(take, k, &now.stamp, err));
        return RF_OK;
    }
    RF_TRY(rf_take_read_plane(take, k, plane, err));
    if (luma->data == NULL)
        RF_TRY(
            rf_image_alloc_raw(luma, plane->width / reduce, plane->height / reduce, 1, RF_F32, "a frame's luma", err));
    rf_image_luma(plane, reduce, luma, NULL); /* the pool is at work on the frame before */
done:
    return status;
}

/* ---- feed ---- */

/* The file was decoded a moment ago: its bytes are still in memory. */
static rf_status digest_frame(rf_take *take, int k, rf_error *err)
{
    rf_file_stamp stamp;
    rf_status status = rf_file_digest(take->options->frames[k], take->report->frames[k].sha256, &stamp, err);
    return status == RF_OK ? rf_take_check_unchanged(take, k, &stamp, err) : status;
}

static void decode_ahead(void *arg)
{
    rf_feed_slot *slot = arg;
    rf_take *take = slot->take;
    slot->err = (rf_error){0};
    if (slot->reduce > 1 || slot->luma) {
        slot->status = slot->reduce > 1
                           ? rf_take_read_luma(take, slot->k, slot->reduce, &slot->plane, slot->image, &slot->err)
                           : rf_take_read_plane(take, slot->k, slot->image, &slot->err);
        return;
    }
    slot->status = rf_take_read(take, slot->k, slot->image, &slot->err);
    if (slot->status == RF_OK && take->digesting)
        slot->status = digest_frame(take, slot->k, &slot->err);
    if (slot->status == RF_OK)
        slot->status = rf_sensor_repair(&take->sensor, slot->image, &slot->err);
}

static int is_wanted(const rf_feed *feed, int k)
{
    return feed->take->report->frames[k].used && (k - feed->reading.first) % feed->reading.stride == 0;
}

/* Begins as many frames as may be decoded at once. Of the images one is with the caller. */
static void begin_next(rf_feed *feed)
{
    int ahead = feed->reading.ahead;
    for (; feed->next < feed->reading.end && feed->begun < feed->taken + ahead; feed->next++) {
        if (!is_wanted(feed, feed->next))
            continue;
        rf_feed_slot *slot = &feed->slots[feed->begun % ahead];
        slot->take = feed->take;
        slot->k = feed->next;
        slot->reduce = feed->reading.reduce;
        slot->luma = feed->reading.luma;
        slot->frame = slot->image = &feed->images[feed->begun % (ahead + 1)];
        slot->status = RF_OK;
        if (slot->luma && slot->reduce == 1 && feed->take->lumas[slot->k].data != NULL)
            slot->frame = &feed->take->lumas[slot->k];
        else
            rf_pool_side_on(feed->take->pool, feed->begun % ahead, decode_ahead, slot);
        feed->begun++;
    }
}

void rf_feed_start(rf_feed *feed, rf_take *take, rf_reading reading)
{
    memset(feed, 0, sizeof *feed);
    feed->take = take;
    feed->reading = reading;
    if (reading.ahead < 1 || rf_pool_threads(take->pool) < 2)
        feed->reading.ahead = 1;
    feed->next = reading.first;
    feed->started = 1;
    begin_next(feed);
}

rf_status rf_feed_next(rf_feed *feed, int *k, const rf_image **frame, rf_error *err)
{
    *frame = NULL;
    *k = feed->reading.end;
    while (*frame == NULL && feed->taken < feed->begun) {
        int lane = feed->taken % feed->reading.ahead;
        rf_feed_slot *slot = &feed->slots[lane];
        rf_pool_join_on(feed->take->pool, lane);
        *k = slot->k;
        if (slot->status == RF_OK) {
            *frame = slot->frame;
        } else {
            rf_status status = rf_take_bad_frame(feed->take, slot->k, slot->status, &slot->err, err);
            if (status != RF_OK)
                return status;
            *k = feed->reading.end;
        }
        feed->taken++;
        begin_next(feed);
    }
    return RF_OK;
}

void rf_feed_stop(rf_feed *feed)
{
    if (!feed->started)
        return;
    for (int i = 0; i < RF_FEED_AHEAD; i++) {
        rf_pool_join_on(feed->take->pool, i);
        rf_image_free(&feed->slots[i].plane);
    }
    for (int i = 0; i <= RF_FEED_AHEAD; i++)
        rf_image_free(&feed->images[i]);
    feed->started = 0;
}
