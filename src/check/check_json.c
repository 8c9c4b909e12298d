/* check_json.c - the result of a check as one JSON object. */
#include "check/look.h"
#include "report/json.h"

static void write_finding(rf_json *json, const rf_check_result *result, const rf_check_finding *finding)
{
    rf_json_open(json, NULL, '{', 0);
    rf_json_text(json, "kind", rf_check_kind_name(finding->kind));
    rf_json_open(json, "frames", '[', 1);
    for (int i = 0; i < finding->frame_count; i++)
        rf_json_integer(json, NULL, finding->frames[i]);
    rf_json_close(json, ']');
    rf_json_open(json, "files", '[', 1);
    for (int i = 0; i < finding->frame_count && result->frames != NULL; i++)
        rf_json_text(json, NULL, result->frames[finding->frames[i]].file);
    rf_json_close(json, ']');
    rf_json_text(json, "severity", rf_check_severity_name(finding->severity));
    if (finding->place[2] > 0) {
        rf_json_open(json, "place", '[', 1);
        for (int i = 0; i < 4; i++)
            rf_json_integer(json, NULL, finding->place[i]);
        rf_json_close(json, ']');
    } else {
        rf_json_null(json, "place");
    }
    rf_json_text(json, "text", finding->text);
    rf_json_close(json, '}');
}

static void write_frame(rf_json *json, const rf_check_frame *frame, int index)
{
    rf_json_open(json, NULL, '{', 1);
    rf_json_integer(json, "index", index);
    rf_json_text(json, "file", frame->file);
    rf_json_boolean(json, "used", frame->used);
    rf_json_open(json, "shift_px", '[', 1);
    rf_json_number(json, NULL, frame->shift_x_px);
    rf_json_number(json, NULL, frame->shift_y_px);
    rf_json_close(json, ']');
    rf_json_number(json, "scale", frame->scale);
    rf_json_number(json, "gain", frame->gain);
    rf_json_number(json, "sharp_fraction", frame->sharp_fraction);
    rf_json_known(json, "step", frame->step);
    rf_json_known(json, "exposure_s", frame->exposure_s);
    rf_json_known(json, "f_number", frame->f_number);
    rf_json_known(json, "iso", frame->iso);
    if (frame->capture_time_ms != INT64_MIN)
        rf_json_integer(json, "capture_time_ms", frame->capture_time_ms);
    else
        rf_json_null(json, "capture_time_ms");
    rf_json_text(json, "note", frame->note);
    rf_json_close(json, '}');
}

static void write_spots(rf_json *json, const char *name, const rf_check_spot *spots, int count)
{
    rf_json_open(json, name, '[', 0);
    for (int i = 0; i < count; i++) {
        rf_json_open(json, NULL, '{', 1);
        rf_json_number(json, "x", spots[i].x);
        rf_json_number(json, "y", spots[i].y);
        if (spots[i].radius_px > 0) {
            rf_json_number(json, "radius_px", spots[i].radius_px);
            rf_json_number(json, "dip", spots[i].dip);
        }
        rf_json_close(json, '}');
    }
    rf_json_close(json, ']');
}

rf_status rf_check_json(const rf_check_result *result, char **text, size_t *bytes, rf_error *err)
{
    rf_json json;
    rf_json_begin_report(&json, 1, "check", err);
    rf_json_text(&json, "verdict", rf_check_verdict_name(result->verdict));
    rf_json_open(&json, "findings", '[', 0);
    for (int i = 0; i < result->finding_count; i++)
        write_finding(&json, result, &result->findings[i]);
    rf_json_close(&json, ']');
    rf_json_integer(&json, "width", result->width);
    rf_json_integer(&json, "height", result->height);
    rf_json_integer(&json, "reference", result->reference);
    rf_json_open(&json, "frames", '[', 0);
    for (int k = 0; k < result->frame_count; k++)
        write_frame(&json, &result->frames[k], k);
    rf_json_close(&json, ']');
    rf_json_known(&json, "working_distance_steps", result->working_distance_steps);
    rf_json_known(&json, "focus_width_steps", result->focus_width_steps);
    rf_json_known(&json, "blur_px_per_step", result->blur_px_per_step);
    rf_json_number(&json, "subject_share", result->subject_share);
    write_spots(&json, "hot_pixels", result->spots, result->spot_count - result->dust_count);
    write_spots(&json, "dust_spots", result->spots + result->spot_count - result->dust_count, result->dust_count);
    rf_json_number(&json, "seconds", result->seconds);
    rf_json_close(&json, '}');
    return rf_json_finish(&json, text, bytes);
}
