/* report.c - the run report: its life, its warnings, its JSON form. */
#include "railfold/report.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "railfold/memory.h"
#include "report/json.h"

/* Version of the field list; raised when a field changes its meaning. */
enum { REPORT_FORMAT = 1, WARNING_ROOM_LEAST = 4 };

void rf_run_report_init(rf_run_report *report)
{
    memset(report, 0, sizeof *report);
    report->scale_per_step = 1;
}

static void free_texts(char **texts, int count)
{
    for (int i = 0; i < count; i++)
        rf_free(texts[i]);
    rf_free(texts);
}

void rf_run_report_free(rf_run_report *report)
{
    for (int i = 0; i < report->frame_count; i++) {
        rf_free(report->frames[i].file);
        free_texts(report->frames[i].warnings, report->frames[i].warning_count);
    }
    for (int i = 0; i < report->output_count; i++)
        rf_free(report->outputs[i].file);
    rf_free(report->frames);
    rf_free(report->output);
    free_texts(report->warnings, report->warning_count);
    rf_run_report_init(report);
}

/* Appends a copy; the list doubles whenever it is full, at WARNING_ROOM_LEAST and at each power of two above. */
static rf_status add_text(char ***texts, int *count, const char *text, rf_error *err)
{
    char *copy = NULL, **larger;
    rf_status status;
    RF_TRY(rf_alloc(&copy, strlen(text) + 1, 1, "a warning", err));
    if (*count == 0 || (*count >= WARNING_ROOM_LEAST && (*count & (*count - 1)) == 0)) {
        size_t room = *count == 0 ? WARNING_ROOM_LEAST : 2 * (size_t)*count;
        RF_TRY(rf_alloc(&larger, room, sizeof *larger, "the list of warnings", err));
        if (*count > 0)
            memcpy(larger, *texts, (size_t)*count * sizeof *larger);
        rf_free(*texts);
        *texts = larger;
    }
    memcpy(copy, text, strlen(text));
    (*texts)[(*count)++] = copy;
    copy = NULL;
done:
    rf_free(copy);
    return status;
}

rf_status rf_run_report_warn(rf_run_report *report, rf_error *err, const char *format, ...)
{
    char text[RF_WARNING_BYTES];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    return add_text(&report->warnings, &report->warning_count, text, err);
}

rf_status rf_frame_report_warn(rf_frame_report *frame, rf_error *err, const char *format, ...)
{
    char text[RF_WARNING_BYTES];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    return add_text(&frame->warnings, &frame->warning_count, text, err);
}

static void write_numbers(rf_json *json, const char *name, const double *values, int count)
{
    rf_json_open(json, name, '[', 1);
    for (int i = 0; i < count; i++)
        rf_json_number(json, NULL, values[i]);
    rf_json_close(json, ']');
}

static void write_texts(rf_json *json, const char *name, char *const *texts, int count)
{
    rf_json_open(json, name, '[', 0);
    for (int i = 0; i < count; i++)
        rf_json_text(json, NULL, texts[i]);
    rf_json_close(json, ']');
}

/* "gain" is one number: that of luma (Rec. ITU-R BT.601 weights); the channels follow only where they differ. */
static void write_gain(rf_json *json, const double gain[3], int channels)
{
    int differ = channels == 3 && (gain[0] != gain[1] || gain[1] != gain[2]);
    rf_json_number(json, "gain", differ ? 0.299 * gain[0] + 0.587 * gain[1] + 0.114 * gain[2] : gain[0]);
    if (differ)
        write_numbers(json, "gain_rgb", gain, 3);
}

static void write_frame(rf_json *json, const rf_frame_report *frame, int index, int channels)
{
    rf_json_open(json, NULL, '{', 1);
    rf_json_integer(json, "index", index);
    rf_json_text(json, "file", frame->file);
    rf_json_boolean(json, "used", frame->used);
    rf_json_text(json, "reason", frame->used || frame->reason[0] == '\0' ? NULL : frame->reason);
    if (frame->used) {
        const rf_pose *pose = &frame->pose;
        const double matrix[6] = {pose->a, pose->b, pose->tx, pose->c, pose->d, pose->ty};
        const double shift_px[2] = {frame->shift_x_px, frame->shift_y_px};
        write_numbers(json, "matrix", matrix, 6);
        write_numbers(json, "shift_px", shift_px, 2);
        rf_json_number(json, "scale", frame->scale);
        rf_json_number(json, "rotation_deg", frame->rotation_deg);
        write_gain(json, frame->gain, channels);
    } else { /* not measured, or not to be relied on */
        static const char *const names[] = {"matrix", "shift_px", "scale", "rotation_deg", "gain"};
        for (size_t i = 0; i < sizeof names / sizeof *names; i++)
            rf_json_null(json, names[i]);
    }
    rf_json_number(json, "sharp_fraction", frame->sharp_fraction);
    rf_json_text(json, "sha256", frame->sha256[0] != '\0' ? frame->sha256 : NULL);
    write_texts(json, "warnings", frame->warnings, frame->warning_count);
    rf_json_close(json, '}');
}

static void write_covered(rf_json *json, const int covered[4])
{
    if (covered[2] <= 0) {
        rf_json_null(json, "covered");
        return;
    }
    rf_json_open(json, "covered", '[', 1);
    for (int i = 0; i < 4; i++)
        rf_json_integer(json, NULL, covered[i]);
    rf_json_close(json, ']');
}

static void write_outputs(rf_json *json, const rf_run_report *report)
{
    rf_json_open(json, "outputs", '[', 0);
    for (int i = 0; i < report->output_count; i++) {
        rf_json_open(json, NULL, '{', 1);
        rf_json_text(json, "kind", report->outputs[i].kind);
        rf_json_text(json, "file", report->outputs[i].file);
        rf_json_text(json, "sha256", report->outputs[i].sha256);
        rf_json_close(json, '}');
    }
    rf_json_close(json, ']');
}

static void write_depth(rf_json *json, const rf_run_report *report)
{
    if (report->depth_unit == NULL) {
        rf_json_null(json, "depth");
        return;
    }
    rf_json_open(json, "depth", '{', 1);
    rf_json_text(json, "unit", report->depth_unit);
    rf_json_text(json, "zero", "focus plane of frame 0");
    if (report->depth_direction != 0)
        rf_json_text(json, "direction", report->depth_direction > 0 ? "farther" : "nearer");
    else
        rf_json_null(json, "direction");
    rf_json_number(json, "min", report->depth_min);
    rf_json_number(json, "max", report->depth_max);
    rf_json_close(json, '}');
}

static void write_seconds(rf_json *json, const rf_run_report *report)
{
    rf_json_open(json, "seconds", '{', 1);
    rf_json_number(json, "align", report->seconds_align);
    rf_json_number(json, "depth", report->seconds_depth);
    rf_json_number(json, "merge", report->seconds_merge);
    rf_json_number(json, "write", report->seconds_write);
    rf_json_number(json, "total", report->seconds_total);
    rf_json_close(json, '}');
}

rf_status rf_run_report_json(const rf_run_report *report, char **text, size_t *bytes, rf_error *err)
{
    rf_json json;
    rf_json_begin_report(&json, REPORT_FORMAT, report->command, err);
    rf_json_text(&json, "output", report->output);
    rf_json_integer(&json, "width", report->width);
    rf_json_integer(&json, "height", report->height);
    rf_json_integer(&json, "channels", report->channels);
    rf_json_integer(&json, "reference", report->reference);
    rf_json_text(&json, "view", report->view);
    rf_json_known(&json, "step_mm", report->step_mm);
    rf_json_known(&json, "pixel_mm", report->pixel_mm);
    rf_json_open(&json, "frames", '[', 0);
    for (int i = 0; i < report->frame_count; i++)
        write_frame(&json, &report->frames[i], i, report->channels);
    rf_json_close(&json, ']');
    write_outputs(&json, report);
    write_covered(&json, report->covered);
    write_depth(&json, report);
    rf_json_number(&json, "scale_per_step", report->scale_per_step);
    rf_json_known(&json, "working_distance_steps", report->working_distance_steps);
    rf_json_known(&json, "blur_px_per_step", report->blur_px_per_step);
    rf_json_integer(&json, "hot_pixels", report->hot_pixels);
    rf_json_integer(&json, "dust_spots", report->dust_spots);
    write_texts(&json, "warnings", report->warnings, report->warning_count);
    write_seconds(&json, report);
    rf_json_integer(&json, "peak_memory_bytes", (int64_t)report->peak_memory_bytes);
    rf_json_integer(&json, "threads", report->threads);
    rf_json_close(&json, '}');
    return rf_json_finish(&json, text, bytes);
}
