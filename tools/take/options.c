/* options.c - one table drives parsing and help, so that they cannot drift apart. */
#include "options.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef enum value_kind {
    VALUE_NONE,
    VALUE_SIZE,
    VALUE_INT,
    VALUE_SEED,
    VALUE_NUMBER,
    VALUE_SCENE,
    VALUE_FORMAT,
    VALUE_FAULT
} value_kind;

typedef struct option_row {
    const char *name, *value;
    value_kind kind;
    size_t offset;
    double low, high;
    const char *text;
} option_row;

#define AT(field) offsetof(take_options, field)

static const option_row ROWS[] = {
    {"--scene", "NAME", VALUE_SCENE, AT(scene), 0, 0, "pebble (default), plane, stairs, grid, bristles or dome"},
    {"--size", "WxH", VALUE_SIZE, AT(width), 0, 0, "picture size in pixels (1200x800)"},
    {"--frames", "N", VALUE_INT, AT(frames), 1, 2000, "frames over the depth of the subject (30)"},
    {"--seed", "S", VALUE_SEED, AT(seed), 0, 0, "same seed, same bytes (1)"},
    {"--format", "NAME", VALUE_FORMAT, AT(format), 0, 0, "jpeg (default), png8, png16, tiff8 or tiff16"},
    {"--quality", "N", VALUE_INT, AT(quality), 1, 100, "of a JPEG (95)"},
    {"--blur", "PX", VALUE_NUMBER, AT(blur_px_per_step), 0, 50,
     "radius the defocus disc gains per step off focus (1.1)"},
    {"--distance", "STEPS", VALUE_NUMBER, AT(distance_steps), 20, 1e9,
     "entrance pupil to focus plane, in rail steps (1500)"},
    {"--drift", "PX", VALUE_NUMBER, AT(drift_px_per_step), 0, 1000, "steady sideways drift per frame (0.3)"},
    {"--bumps", "PX", VALUE_NUMBER, AT(bump_px), 0, 1000,
     "random sideways offset of each frame, standard deviation (0.6)"},
    {"--roll", "DEG", VALUE_NUMBER, AT(roll_deg), 0, 20, "random roll of each frame, standard deviation (0.02)"},
    {"--flicker", "SHARE", VALUE_NUMBER, AT(flicker), 0, 0.5, "random gain of the lamp, standard deviation (0.01)"},
    {"--noise", "FACTOR", VALUE_NUMBER, AT(noise), 0, 100,
     "shot and read noise against a small sensor at base sensitivity (1)"},
    {"--hot-pixels", "N", VALUE_INT, AT(hot_pixels), 0, 1000000, "fixed on the sensor (12)"},
    {"--dust", "N", VALUE_INT, AT(dust_spots), 0, 1000, "soft dark spots, fixed on the sensor (1)"},
    {"--mtf", "PX", VALUE_NUMBER, AT(mtf_px), 0.3, 5, "softness of lens and sensor, standard deviation (0.6)"},
    {"--retreat", NULL, VALUE_NONE, AT(retreat), 0, 0, "the rail moves away from the subject: far to near"},
    {"--reference", "N", VALUE_INT, AT(reference), 0, 1999,
     "frame whose view the truth takes, from 0 (the middle one)"},
    {"--fault", "F", VALUE_FAULT, AT(fault), 0, 0, "spoil the take: KIND:STRENGTH[:FRAME], see below"},
    {"--threads", "N", VALUE_INT, AT(threads), 1, 256, "(one per processor); the bytes do not depend on it"},
    {"--force", NULL, VALUE_NONE, AT(force), 0, 0, "overwrite files of an earlier take"},
    {"--quiet", NULL, VALUE_NONE, AT(quiet), 0, 0, "no progress on stderr"},
};
enum { ROW_COUNT = sizeof ROWS / sizeof ROWS[0] };

/* From one end of the take to the other; the backdrop's disc is four times as large. */
enum { LARGEST_BLUR_PX = 400 };

static const char *const SCENES[] = {"pebble", "plane", "stairs", "grid", "bristles", "dome"};
static const char *const FORMATS[] = {"jpeg", "png8", "png16", "tiff8", "tiff16"};
static const char *const ENDINGS[] = {"jpg", "png", "png", "tif", "tif"};
static const char *const FAULTS[] = {"none",   "bump",     "shake", "lamp",    "missing-step",    "double",
                                     "back",   "settings", "moved", "clipped", "uncovered-start", "uncovered-end",
                                     "coarse", "fine"};
enum { SCENE_COUNT = 6, FORMAT_COUNT = 5, FAULT_COUNT = 14 };

take_options take_options_default(void)
{
    return (take_options){.width = 1200,
                          .height = 800,
                          .frames = 30,
                          .seed = 1,
                          .quality = 95,
                          .blur_px_per_step = 1.1,
                          .distance_steps = 1500,
                          .drift_px_per_step = 0.3,
                          .bump_px = 0.6,
                          .roll_deg = 0.02,
                          .flicker = 0.01,
                          .noise = 1,
                          .hot_pixels = 12,
                          .dust_spots = 1,
                          .reference = -1,
                          .mtf_px = 0.6};
}

const char *take_scene_name(take_scene_kind kind)
{
    return SCENES[kind];
}
const char *take_format_name(take_format format)
{
    return FORMATS[format];
}
const char *take_format_ending(take_format format)
{
    return ENDINGS[format];
}
int take_format_is_16_bit(take_format format)
{
    return format == FORMAT_PNG16 || format == FORMAT_TIFF16;
}
const char *take_fault_name(take_fault_kind kind)
{
    return FAULTS[kind];
}

static int find_name(const char *const *names, int count, const char *name, size_t length)
{
    for (int i = 0; i < count; i++)
        if (strlen(names[i]) == length && strncmp(names[i], name, length) == 0)
            return i;
    return -1;
}

static rf_status parse_number(const char *name, const char *value, double low, double high, double *out, rf_error *err)
{
    char *end;
    *out = strtod(value, &end);
    if (end == value || *end != '\0' || !(*out >= low && *out <= high))
        return rf_fail(err, RF_ERR_USAGE, "%s: \"%s\" is not a number from %g to %g", name, value, low, high);
    return RF_OK;
}

static rf_status parse_size(const char *value, take_options *options, rf_error *err)
{
    char rest;
    if (sscanf(value, "%6dx%6d%c", &options->width, &options->height, &rest) != 2 || options->width < 16 ||
        options->height < 16 || options->width > 20000 || options->height > 20000)
        return rf_fail(err, RF_ERR_USAGE, "--size: \"%s\" is not WIDTHxHEIGHT with sides of 16 to 20000 pixels", value);
    return RF_OK;
}

static rf_status parse_fault(const char *value, take_fault *fault, rf_error *err)
{
    const char *colon = strchr(value, ':');
    char *end = NULL;
    int kind = colon == NULL ? -1 : find_name(FAULTS, FAULT_COUNT, value, (size_t)(colon - value));
    fault->frame = -1;
    if (kind > 0) {
        fault->kind = (take_fault_kind)kind;
        fault->strength = strtod(colon + 1, &end);
        if (end != colon + 1 && *end == ':') {
            char *last;
            long frame = strtol(end + 1, &last, 10);
            if (last != end + 1 && frame >= 0 && frame < 2000)
                fault->frame = (int)frame;
            end = fault->frame >= 0 ? last : end;
        }
        if (end != colon + 1 && *end == '\0' && fault->strength > 0 && fault->strength < 1e4)
            return RF_OK;
    }
    return rf_fail(err, RF_ERR_USAGE,
                   "--fault: \"%s\" is not KIND:STRENGTH[:FRAME] with a kind from --help and a strength above 0",
                   value);
}

static rf_status parse_value(const option_row *row, const char *value, take_options *options, rf_error *err)
{
    void *at = (char *)options + row->offset;
    rf_status status = RF_OK;
    double number;
    int index;
    switch (row->kind) {
    case VALUE_NONE:
        *(int *)at = 1;
        return RF_OK;
    case VALUE_SIZE:
        return parse_size(value, options, err);
    case VALUE_INT:
        RF_TRY(parse_number(row->name, value, row->low, row->high, &number, err));
        if (number != floor(number))
            return rf_fail(err, RF_ERR_USAGE, "%s: \"%s\" is not a whole number", row->name, value);
        *(int *)at = (int)number;
        return RF_OK;
    case VALUE_SEED: {
        char *end;
        errno = 0;
        *(uint64_t *)at = strtoull(value, &end, 10);
        if (end == value || *end != '\0' || errno != 0 || value[0] == '-')
            return rf_fail(err, RF_ERR_USAGE, "%s: \"%s\" is not a whole number from 0 on", row->name, value);
        return RF_OK;
    }
    case VALUE_NUMBER:
        return parse_number(row->name, value, row->low, row->high, at, err);
    case VALUE_SCENE:
        if ((index = find_name(SCENES, SCENE_COUNT, value, strlen(value))) < 0)
            return rf_fail(err, RF_ERR_USAGE, "--scene: \"%s\" is not pebble, plane, stairs, grid, bristles or dome",
                           value);
        options->scene = (take_scene_kind)index;
        return RF_OK;
    case VALUE_FORMAT:
        if ((index = find_name(FORMATS, FORMAT_COUNT, value, strlen(value))) < 0)
            return rf_fail(err, RF_ERR_USAGE, "--format: \"%s\" is not jpeg, png8, png16, tiff8 or tiff16", value);
        options->format = (take_format)index;
        return RF_OK;
    case VALUE_FAULT:
    default:
        return parse_fault(value, at, err);
    }
done:
    return status;
}

static const option_row *find_row(const char *argument, size_t length)
{
    for (int i = 0; i < ROW_COUNT; i++)
        if (strlen(ROWS[i].name) == length && strncmp(ROWS[i].name, argument, length) == 0)
            return &ROWS[i];
    return NULL;
}

static rf_status check_whole(const take_options *options, rf_error *err)
{
    if (options->folder == NULL)
        return rf_fail(err, RF_ERR_USAGE, "no folder is given; expected: take-maker [options] FOLDER");
    if (options->reference >= options->frames)
        return rf_fail(err, RF_ERR_USAGE, "--reference: frame %d does not exist, the take has %d", options->reference,
                       options->frames);
    if (options->fault.frame >= options->frames)
        return rf_fail(err, RF_ERR_USAGE, "--fault: frame %d does not exist, the take has %d", options->fault.frame,
                       options->frames);
    if (options->fault.kind == FAULT_MOVED && options->scene != SCENE_PEBBLE && options->scene != SCENE_BRISTLES)
        return rf_fail(err, RF_ERR_USAGE, "--fault: nothing in the %s scene can move; use pebble or bristles",
                       take_scene_name(options->scene));
    if (options->blur_px_per_step * options->frames > LARGEST_BLUR_PX)
        return rf_fail(
            err, RF_ERR_USAGE,
            "--blur: %g px a step over %d frames makes discs above %d px; expected less blur or fewer frames",
            options->blur_px_per_step, options->frames, LARGEST_BLUR_PX);
    if (options->distance_steps < 4.0 * options->frames)
        return rf_fail(err, RF_ERR_USAGE,
                       "--distance: %g steps are too near for %d frames; expected at least 4 steps a frame",
                       options->distance_steps, options->frames);
    return RF_OK;
}

rf_status take_options_parse(take_options *options, int argc, char **argv, int *help, rf_error *err)
{
    rf_status status;
    *help = 0;
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i];
        if (strcmp(argument, "--help") == 0 || strcmp(argument, "-h") == 0) {
            *help = 1;
            return RF_OK;
        }
        if (argument[0] != '-') {
            if (options->folder != NULL)
                return rf_fail(err, RF_ERR_USAGE, "\"%s\": one folder is enough, \"%s\" is given already", argument,
                               options->folder);
            options->folder = argument;
            continue;
        }
        const char *equals = strchr(argument, '=');
        size_t length = equals == NULL ? strlen(argument) : (size_t)(equals - argument);
        const option_row *row = find_row(argument, length);
        if (row == NULL)
            return rf_fail(err, RF_ERR_USAGE, "%.*s: no such option; see --help", (int)length, argument);
        const char *value = equals == NULL ? NULL : equals + 1;
        if (row->kind == VALUE_NONE && value != NULL)
            return rf_fail(err, RF_ERR_USAGE, "%s takes no value", row->name);
        if (row->kind != VALUE_NONE && value == NULL) {
            if (i + 1 >= argc)
                return rf_fail(err, RF_ERR_USAGE, "%s: a value is missing (%s)", row->name, row->value);
            value = argv[++i];
        }
        RF_TRY(parse_value(row, value, options, err));
    }
    return check_whole(options, err);
done:
    return status;
}

void take_options_help(void)
{
    printf("take-maker [options] FOLDER\n\n"
           "Renders a rail-stepped macro take whose truth is known exactly, for the demo and for tests.\n"
           "Writes FOLDER/frames/frame-0000.*, FOLDER/truth/sharp.tif (16 bit, all in focus, the reference view),\n"
           "depth.tif (32-bit float, frame positions), subject.png, edges.png, textured.png (masks) and truth.json.\n\n"
           "options (default):\n");
    for (int i = 0; i < ROW_COUNT; i++) {
        char name[40];
        snprintf(name, sizeof name, "%s %s", ROWS[i].name, ROWS[i].value == NULL ? "" : ROWS[i].value);
        printf("  %-19s %s\n", name, ROWS[i].text);
    }
    printf("  %-19s %s\n\n", "--help", "this text");
    printf(
        "faults, one a take (FRAME: two thirds into the take when left out):\n"
        "  bump:PX[:FRAME]              the camera jumps sideways before FRAME and stays there\n"
        "  shake:PX[:FRAME]             FRAME is smeared along a line of that length\n"
        "  lamp:SHARE                   the lamp fades steadily by that share over the take\n"
        "  missing-step:N[:FRAME]       the rail goes N steps too far before FRAME\n"
        "  double:N[:FRAME]             FRAME is taken N times more at the same place\n"
        "  back:N[:FRAME]               FRAME lies N steps back of the frame before it; the rail goes on from there\n"
        "  settings:FACTOR[:FRAME]      the exposure time is changed by FACTOR from FRAME on, in EXIF and pixels\n"
        "  moved:PX[:FRAME]             part of the moss has moved from FRAME on (scenes with bristles)\n"
        "  clipped:FACTOR               FACTOR times the light: highlights clip\n"
        "  uncovered-start:STEPS        the subject begins so far before the first frame's focus\n"
        "  uncovered-end:STEPS          the subject ends so far behind the last frame's focus\n"
        "  coarse:FACTOR                steps FACTOR times as long, so fewer frames over the same subject: slices do "
        "not meet\n"
        "  fine:FACTOR                  steps FACTOR times shorter, so more frames: more overlap than needed\n\n"
        "exit codes: 0 done, 1 internal fault, 2 usage, 5 output cannot be written, 6 not enough memory\n");
}
