/* takes.c - see takes.h. */
#include "railfold/takes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/sequence.h"
#include "report/json.h"

enum { THUMB_PX = 48, SHIFT_PX = 3 };
#define LEAST_LIKENESS 0.75
#define SETTING_SHARE 0.05
#define USUAL_TIMES 4.0
#define LEAST_GAP_S 30.0
#define UNKNOWN_LIKENESS 2.0

void rf_takes_init(rf_takes *takes)
{
    memset(takes, 0, sizeof *takes);
}

void rf_takes_free(rf_takes *takes)
{
    for (int i = 0; i < takes->frame_count; i++)
        rf_free(takes->frames[i].path);
    rf_free(takes->frames);
    rf_free(takes->groups);
    rf_takes_init(takes);
}

const char *rf_takes_reason_name(rf_takes_reason reason)
{
    static const char *const names[] = {"first", "time", "settings", "size", "picture"};
    return names[reason];
}

/* A frame that cannot be read is counted, and the first one's fault kept; other faults are passed on. */
static rf_status note_unreadable(rf_takes *takes, rf_takes_frame *frame, rf_status fault, const rf_error *why,
                                 rf_error *err)
{
    if (fault != RF_ERR_INPUT)
        return rf_fail(err, fault, "%s", why->text);
    frame->width = frame->height = 0;
    if (takes->unreadable_count++ == 0)
        takes->unreadable = *why;
    return RF_OK;
}

static rf_status read_headers(const rf_takes_options *options, rf_takes *takes, rf_error *err)
{
    rf_status status;
    rf_frame_limits limits = rf_frame_limits_pixels(options->max_pixels);
    RF_TRY(rf_alloc(&takes->frames, (size_t)options->count, sizeof *takes->frames, "the frames", err));
    for (int i = 0; i < options->count; i++) {
        rf_takes_frame *frame = &takes->frames[i];
        rf_frame_info info = {0};
        rf_metadata metadata;
        size_t bytes = strlen(options->paths[i]);
        RF_TRY(rf_alloc(&frame->path, bytes + 1, 1, "the frames", err));
        memcpy(frame->path, options->paths[i], bytes);
        takes->frame_count++;
        rf_metadata_init(&metadata);
        frame->capture_time_ms = INT64_MIN;
        frame->likeness = UNKNOWN_LIKENESS;
        rf_error why = {0};
        rf_status fault = rf_frame_probe(frame->path, &limits, &info, &metadata, &why);
        if (fault == RF_OK) {
            frame->width = info.width;
            frame->height = info.height;
            frame->capture_time_ms = metadata.capture_time_ms;
            frame->exposure_s = metadata.exposure_s;
            frame->f_number = metadata.f_number;
            frame->iso = metadata.iso;
            frame->focal_length_mm = metadata.focal_length_mm;
        }
        rf_metadata_free(&metadata);
        if (fault != RF_OK)
            RF_TRY(note_unreadable(takes, frame, fault, &why, err));
        if (options->progress != NULL &&
            options->progress(options->progress_arg, "headers", i + 1, options->count) != 0)
            return rf_fail(err, RF_ERR_STOPPED, "stopped at frame %d of %d", i + 1, options->count);
    }
done:
    return status;
}

static int by_time(const void *a, const void *b)
{
    const rf_takes_frame *x = a, *y = b;
    if (x->capture_time_ms != y->capture_time_ms)
        return x->capture_time_ms < y->capture_time_ms ? -1 : 1;
    return rf_natural_compare(x->path, y->path);
}

/* Frames that cannot be read are ordered as their neighbours in the list: the one before, else the one after. */
static void lend_times(rf_takes *takes)
{
    rf_takes_frame *frames = takes->frames;
    for (int i = 1; i < takes->frame_count; i++)
        if (frames[i].width == 0 && (frames[i - 1].width > 0 || frames[i - 1].capture_time_ms != INT64_MIN))
            frames[i].capture_time_ms = frames[i - 1].capture_time_ms;
    for (int i = takes->frame_count - 2; i >= 0; i--)
        if (frames[i].width == 0 && frames[i].capture_time_ms == INT64_MIN)
            frames[i].capture_time_ms = frames[i + 1].capture_time_ms;
}

/* By time, when every frame that can be read has one. */
static void settle_order(rf_takes *takes)
{
    lend_times(takes);
    for (int i = 0; i < takes->frame_count; i++)
        if (takes->frames[i].capture_time_ms == INT64_MIN)
            return;
    if (takes->frame_count > 1)
        qsort(takes->frames, (size_t)takes->frame_count, sizeof *takes->frames, by_time);
}

/* ---- pictures ---- */

typedef struct thumb {
    int width, height; /* 0: none */
    float value[THUMB_PX * THUMB_PX];
} thumb;

static void shrink(const rf_image *luma, thumb *out)
{
    int longer = luma->width > luma->height ? luma->width : luma->height;
    double ratio = longer > THUMB_PX ? (double)longer / THUMB_PX : 1;
    out->width = (int)(luma->width / ratio);
    out->height = (int)(luma->height / ratio);
    for (int y = 0; y < out->height; y++)
        for (int x = 0; x < out->width; x++) {
            int x0 = (int)(x * ratio), x1 = (int)((x + 1) * ratio), y0 = (int)(y * ratio), y1 = (int)((y + 1) * ratio);
            double sum = 0;
            for (int v = y0; v < y1; v++)
                for (int u = x0; u < x1; u++)
                    sum += (double)rf_image_row_f32(luma, v)[u];
            out->value[y * THUMB_PX + x] = (float)(sum / ((x1 - x0) * (y1 - y0)));
        }
}

/* Correlation of a with b moved by (dx, dy). */
static double likeness_at(const thumb *a, const thumb *b, int dx, int dy)
{
    double n = 0, sa = 0, sb = 0, aa = 0, bb = 0, ab = 0;
    for (int y = 0; y < a->height; y++)
        for (int x = 0; x < a->width; x++) {
            int u = x + dx, v = y + dy;
            if (u < 0 || v < 0 || u >= b->width || v >= b->height)
                continue;
            double p = (double)a->value[y * THUMB_PX + x], q = (double)b->value[v * THUMB_PX + u];
            n++, sa += p, sb += q, aa += p * p, bb += q * q, ab += p * q;
        }
    double spread = (aa - sa * sa / n) * (bb - sb * sb / n);
    return n > 0 && spread > 1e-12 ? (ab - sa * sb / n) / sqrt(spread) : 0;
}

static double likeness(const thumb *a, const thumb *b)
{
    double best = -1;
    if (a->width != b->width || a->height != b->height || a->width < 2 * SHIFT_PX || a->height < 2 * SHIFT_PX)
        return UNKNOWN_LIKENESS;
    for (int dy = -SHIFT_PX; dy <= SHIFT_PX; dy++)
        for (int dx = -SHIFT_PX; dx <= SHIFT_PX; dx++)
            best = fmax(best, likeness_at(a, b, dx, dy));
    return best;
}

static rf_status look_at_pictures(const rf_takes_options *options, rf_takes *takes, rf_error *err)
{
    rf_status status = RF_OK;
    rf_frame_limits limits = rf_frame_limits_pixels(options->max_pixels);
    rf_image luma = {0};
    thumb *thumbs = NULL;
    RF_TRY(rf_alloc(&thumbs, 2, sizeof *thumbs, "the thumbnails", err));
    for (int i = 0; i < takes->frame_count; i++) {
        thumb *here = &thumbs[i % 2], *before = &thumbs[1 - i % 2];
        here->width = here->height = 0;
        int longer =
            takes->frames[i].width > takes->frames[i].height ? takes->frames[i].width : takes->frames[i].height;
        int reduce = longer >= 8 * THUMB_PX ? 8 : longer >= 2 * THUMB_PX ? 2 : 1;
        if (takes->frames[i].width > 0) {
            rf_error why = {0};
            rf_status fault = rf_frame_read_luma(takes->frames[i].path, &limits, reduce, &luma, NULL, NULL, &why);
            if (fault == RF_OK)
                shrink(&luma, here);
            else
                RF_TRY(note_unreadable(takes, &takes->frames[i], fault, &why, err));
        }
        if (i > 0 && here->width > 0 && before->width > 0)
            takes->frames[i].likeness = likeness(before, here);
        if (options->progress != NULL &&
            options->progress(options->progress_arg, "pictures", i + 1, options->count) != 0)
            RF_TRY(rf_fail(err, RF_ERR_STOPPED, "stopped at frame %d of %d", i + 1, options->count));
    }
done:
    rf_image_free(&luma);
    rf_free(thumbs);
    return status;
}

/* ---- where takes begin ---- */

static double seconds_between(const rf_takes_frame *a, const rf_takes_frame *b)
{
    if (a->capture_time_ms == INT64_MIN || b->capture_time_ms == INT64_MIN)
        return 0;
    return (double)(b->capture_time_ms - a->capture_time_ms) / 1000;
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static rf_status settle_gap(const rf_takes_options *options, rf_takes *takes, rf_error *err)
{
    rf_status status;
    double *sorted = NULL;
    int n = 0;
    takes->gap_s = options->gap_s;
    if (options->gap_s > 0)
        return RF_OK;
    RF_TRY(rf_alloc(&sorted, (size_t)takes->frame_count, sizeof *sorted, "the intervals", err));
    for (int i = 1; i < takes->frame_count; i++) {
        double s = seconds_between(&takes->frames[i - 1], &takes->frames[i]);
        if (s > 0)
            sorted[n++] = s;
    }
    qsort(sorted, (size_t)n, sizeof *sorted, compare_doubles);
    takes->gap_s = n > 0 ? fmax(LEAST_GAP_S, USUAL_TIMES * sorted[n / 2]) : LEAST_GAP_S;
done:
    rf_free(sorted);
    return status;
}

static int differ(double a, double b)
{
    return a > 0 && b > 0 && fabs(log(a / b)) > SETTING_SHARE;
}

/* RF_TAKES_FIRST: the frame belongs to the take of the one before. */
static rf_takes_reason reason_to_split(const rf_takes *takes, int i)
{
    const rf_takes_frame *a = &takes->frames[i - 1], *b = &takes->frames[i];
    if (seconds_between(a, b) > takes->gap_s)
        return RF_TAKES_TIME;
    if (a->width > 0 && b->width > 0 && (a->width != b->width || a->height != b->height))
        return RF_TAKES_SIZE;
    if (differ(a->exposure_s, b->exposure_s) || differ(a->f_number, b->f_number) || differ(a->iso, b->iso) ||
        differ(a->focal_length_mm, b->focal_length_mm))
        return RF_TAKES_SETTINGS;
    return b->likeness < LEAST_LIKENESS ? RF_TAKES_PICTURE : RF_TAKES_FIRST;
}

static rf_status group(rf_takes *takes, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_alloc(&takes->groups, (size_t)takes->frame_count, sizeof *takes->groups, "the takes", err));
    for (int i = 0; i < takes->frame_count; i++) {
        rf_takes_reason reason = i > 0 ? reason_to_split(takes, i) : RF_TAKES_FIRST;
        if (i > 0 && reason == RF_TAKES_FIRST) {
            takes->groups[takes->group_count - 1].count++;
            continue;
        }
        takes->groups[takes->group_count++] =
            (rf_take_group){.first = i,
                            .count = 1,
                            .reason = reason,
                            .after_s = i > 0 ? seconds_between(&takes->frames[i - 1], &takes->frames[i]) : 0};
    }
done:
    return status;
}

rf_status rf_takes_split(const rf_takes_options *options, rf_takes *takes, rf_error *err)
{
    rf_status status;
    if (options->count < 1)
        return rf_fail(err, RF_ERR_INPUT, "no frames to split into takes");
    RF_TRY(read_headers(options, takes, err));
    settle_order(takes);
    if (!options->no_look)
        RF_TRY(look_at_pictures(options, takes, err));
    RF_TRY(settle_gap(options, takes, err));
    RF_TRY(group(takes, err));
done:
    return status;
}

static void write_take(rf_json *json, const rf_takes *takes, int index)
{
    const rf_take_group *g = &takes->groups[index];
    const rf_takes_frame *first = &takes->frames[g->first], *last = &takes->frames[g->first + g->count - 1];
    rf_json_open(json, NULL, '{', 0);
    rf_json_integer(json, "index", index);
    rf_json_text(json, "reason", rf_takes_reason_name(g->reason));
    rf_json_integer(json, "count", g->count);
    if (first->capture_time_ms != INT64_MIN)
        rf_json_integer(json, "start_ms", first->capture_time_ms);
    else
        rf_json_null(json, "start_ms");
    rf_json_number(json, "seconds", seconds_between(first, last));
    rf_json_known(json, "after_s", g->after_s);
    rf_json_known(json, "exposure_s", first->exposure_s);
    rf_json_known(json, "f_number", first->f_number);
    rf_json_known(json, "iso", first->iso);
    rf_json_open(json, "files", '[', 0);
    for (int i = 0; i < g->count; i++)
        rf_json_text(json, NULL, takes->frames[g->first + i].path);
    rf_json_close(json, ']');
    rf_json_close(json, '}');
}

rf_status rf_takes_json(const rf_takes *takes, char **text, size_t *bytes, rf_error *err)
{
    rf_json json;
    rf_json_begin_report(&json, 1, "takes", err);
    rf_json_number(&json, "gap_s", takes->gap_s);
    rf_json_integer(&json, "frames", takes->frame_count);
    rf_json_integer(&json, "unreadable", takes->unreadable_count);
    rf_json_open(&json, "takes", '[', 0);
    for (int i = 0; i < takes->group_count; i++)
        write_take(&json, takes, i);
    rf_json_close(&json, ']');
    rf_json_close(&json, '}');
    return rf_json_finish(&json, text, bytes);
}
