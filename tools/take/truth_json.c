/* truth_json.c - truth.json: every number a check may need. */
#include "truth.h"

#include "fault.h"

#include <stdarg.h>
#include <stdio.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

typedef struct text {
    char *bytes; /* owned */
    size_t length, room;
    rf_status status;
    rf_error *err;
} text;

RF_PRINTF(2, 3) static void put(text *t, const char *format, ...)
{
    char line[1024];
    va_list args;
    va_start(args, format);
    int length = vsnprintf(line, sizeof line, format, args);
    va_end(args);
    if (t->status != RF_OK || length < 0)
        return;
    size_t more = (size_t)length < sizeof line ? (size_t)length : sizeof line - 1;
    if (t->length + more + 1 > t->room) {
        char *larger = NULL;
        size_t room = 2 * t->room + more + 8192;
        t->status = rf_alloc(&larger, room, 1, "truth.json", t->err);
        if (t->status != RF_OK)
            return;
        if (t->length > 0)
            memcpy(larger, t->bytes, t->length);
        rf_free(t->bytes);
        t->bytes = larger;
        t->room = room;
    }
    memcpy(t->bytes + t->length, line, more + 1);
    t->length += more;
}

static void put_options(text *t, const take_options *o, const rail *plan)
{
    put(t,
        "  \"options\": {\"scene\": \"%s\", \"width\": %d, \"height\": %d, \"frames\": %d, \"seed\": %llu, \"format\": "
        "\"%s\",\n",
        take_scene_name(o->scene), o->width, o->height, o->frames, (unsigned long long)o->seed,
        take_format_name(o->format));
    put(t,
        "    \"quality\": %d, \"blur\": %.9g, \"distance\": %.9g, \"drift\": %.9g, \"bumps\": %.9g, \"roll\": %.9g,\n",
        o->quality, o->blur_px_per_step, o->distance_steps, o->drift_px_per_step, o->bump_px, o->roll_deg);
    put(t,
        "    \"flicker\": %.9g, \"noise\": %.9g, \"hot_pixels\": %d, \"dust\": %d, \"mtf\": %.9g, \"retreat\": %s, "
        "\"reference\": %d,\n",
        o->flicker, o->noise, o->hot_pixels, o->dust_spots, o->mtf_px, o->retreat ? "true" : "false", o->reference);
    if (o->fault.kind == FAULT_NONE)
        put(t, "    \"fault\": null},\n");
    else
        put(t, "    \"fault\": {\"kind\": \"%s\", \"strength\": %.9g, \"frame\": %d}},\n",
            take_fault_name(o->fault.kind), o->fault.strength, fault_frame(plan, &o->fault));
}

static void put_frame(text *t, const truth_source *source, int k)
{
    const rail *plan = source->plan;
    const rail_frame *frame = &plan->frames[k];
    rf_pose pose = rail_pose(&plan->view, frame);
    put(t, "    {\"index\": %d, \"file\": \"frames/frame-%04d.%s\", \"focus\": %.10g, \"position\": %.10g,\n", k, k,
        take_format_ending(source->options->format), frame->focus, rail_position_of(plan, frame->focus));
    put(t, "     \"matrix\": [%.12g, %.12g, %.12g, %.12g, %.12g, %.12g], \"scale\": %.12g, \"rotation_deg\": %.10g,\n",
        pose.a, pose.b, pose.tx, pose.c, pose.d, pose.ty, rf_pose_scale(&pose), frame->roll_rad * 180 / TAKE_PI);
    put(t,
        "     \"camera_shift_px\": [%.10g, %.10g], \"gain_linear\": %.10g, \"exposure_s\": %.10g, \"time_ms\": %lld,\n",
        frame->shift_x, frame->shift_y, frame->gain, frame->exposure_s, (long long)frame->time_ms);
    put(t, "     \"shake_px\": [%.10g, %.10g], \"moved_px\": %.10g}%s\n", frame->shake_x, frame->shake_y,
        frame->moved_px, k + 1 < plan->count ? "," : "");
}

static void put_sensor(text *t, const sensor *chip)
{
    put(t, "  \"sensor\": {\"full_electrons\": %g, \"read_electrons\": %g, \"noise\": %.9g,\n    \"hot_pixels\": [",
        (double)SENSOR_FULL_ELECTRONS, (double)SENSOR_READ_ELECTRONS, (double)chip->noise);
    for (int i = 0; i < chip->hot_count; i++) {
        const hot_pixel *hot = &chip->hot[i];
        put(t, "%s{\"x\": %d, \"y\": %d, \"added_linear\": [%.6g, %.6g, %.6g]}", i > 0 ? ",\n      " : "", hot->x,
            hot->y, (double)hot->added[0], (double)hot->added[1], (double)hot->added[2]);
    }
    put(t, "],\n    \"dust\": [");
    for (int i = 0; i < chip->dust_count; i++) {
        const dust_spot *dust = &chip->dust[i];
        put(t, "%s{\"x\": %.6g, \"y\": %.6g, \"radius_px\": %.6g, \"dip\": %.6g}", i > 0 ? ", " : "", (double)dust->x,
            (double)dust->y, (double)dust->radius, (double)dust->dip);
    }
    put(t, "]},\n");
}

static const char CONVENTIONS[] =
    "  \"conventions\": \"Origin at the centre of the top-left pixel, x right, y down. matrix [a, b, tx, c, d, ty] "
    "takes a pixel of"
    " the reference view (truth/sharp.tif) to the frame's pixel, for what is in focus in that frame. Anything else, "
    "seen at p in the"
    " reference view at scene depth z (steps): p_k = c + R [(p - c) (D + z - r) / D - t] D / (D + z - focus), c the "
    "picture centre,"
    " D = distance_steps, r = reference_focus, R the roll (rotation_deg), t = camera_shift_px. Scene depth z counts "
    "steps away from"
    " the camera; depth.tif holds frame positions: z for an advancing rail, frames - 1 - z for a retreating one. "
    "Defocus: an even"
    " disc of radius blur_px_per_step * |z - focus| px in linear light. Sharp picture and in-focus parts alike carry a "
    "Gaussian"
    " softness of mtf_px (standard deviation). Sensor: linear light * gain_linear * dust, + hot pixels, + noise, "
    "clipped, sRGB curve"
    " (IEC 61966-2-1). Dust keeps 1 - dip * 2^-(d / radius)^4 of the light at distance d.\",\n";

static void put_all(text *t, const truth_source *source)
{
    const rail *plan = source->plan;
    double factor = (plan->view.distance + 1) / plan->view.distance;
    put(t, "{\n  \"take\": 1,\n");
    put(t, "%.*s", (int)(sizeof CONVENTIONS / 2), CONVENTIONS);
    put(t, "%s", CONVENTIONS + sizeof CONVENTIONS / 2);
    put_options(t, source->options, plan);
    put(t, "  \"width\": %d, \"height\": %d, \"frame_count\": %d, \"reference\": %d, \"reference_focus\": %.10g,\n",
        plan->view.width, plan->view.height, plan->count, plan->reference, plan->view.reference_focus);
    put(t, "  \"distance_steps\": %.10g, \"scale_per_step\": %.12g, \"blur_px_per_step\": %.10g, \"mtf_px\": %.10g,\n",
        plan->view.distance, factor, plan->blur_px_per_step, source->options->mtf_px);
    put(t, "  \"subject_depth\": [%.10g, %.10g], \"backdrop_depth\": %.10g, \"step_px\": %.10g,\n", plan->subject_begin,
        plan->subject_end, (double)source->subject->back.depth, source->subject->unit_px / source->subject->unit_steps);
    if (source->options->scene == SCENE_GRID)
        put(t, "  \"grid_pitch_px\": %.10g,\n", (double)GRID_PITCH_UNITS * source->subject->unit_px);
    put_sensor(t, source->chip);
    put(t, "  \"frames\": [\n");
    for (int k = 0; k < plan->count; k++)
        put_frame(t, source, k);
    put(t, "  ]\n}\n");
}

rf_status truth_write_json(const truth_source *source, const char *folder, rf_error *err)
{
    rf_status status;
    text t = {.err = err};
    char *path = NULL;
    put_all(&t, source);
    RF_TRY(t.status);
    RF_TRY(truth_path(&path, folder, "truth.json", err));
    RF_TRY(rf_text_write(path, t.bytes, t.length, source->options->force, err));
done:
    rf_free(t.bytes);
    rf_free(path);
    return status;
}
