/* command_depth.c - railfold depth: a depth map looked at, measured and handed on. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "railfold/depth_view.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "cli/commands.h"
#include "cli/confine.h"
#include "cli/depth_run.h"
#include "cli/destination.h"
#include "cli/values.h"

static const depth_settings defaults = {.angle = {20, 40}, .exaggerate = 1};

/* ---- values of a form of their own; each takes the whole text or returns 0 ---- */

/* Up to `most` numbers with commas between; how many, or 0 when the text is something else. */
static int parse_numbers(const char *text, double *numbers, int most)
{
    for (int count = 0; count < most;) {
        char part[40];
        size_t bytes = strcspn(text, ",");
        if (bytes >= sizeof part)
            return 0;
        memcpy(part, text, bytes);
        part[bytes] = '\0';
        if (rf_value_number(part, &numbers[count]) != RF_VALUE_TAKEN || !isfinite(numbers[count]))
            return 0;
        count++;
        if (text[bytes] == '\0')
            return count;
        text += bytes + 1;
    }
    return 0;
}

static int parse_places(const char *text, void *field, int wanted)
{
    depth_places places = {0};
    places.count = parse_numbers(text, places.at, wanted);
    if (places.count != wanted)
        return 0;
    memcpy(field, &places, sizeof places);
    return 1;
}

static int parse_place(const char *text, void *field)
{
    return parse_places(text, field, 2);
}

static int parse_line(const char *text, void *field)
{
    return parse_places(text, field, 4);
}

static int parse_plane(const char *text, void *field)
{
    static const depth_places fit = {.count = -1};
    if (strcmp(text, "fit") != 0)
        return parse_places(text, field, 6);
    memcpy(field, &fit, sizeof fit);
    return 1;
}

static int parse_angle(const char *text, void *field)
{
    double angle[2];
    if (parse_numbers(text, angle, 2) != 2 || fabs(angle[0]) > 80 || angle[1] < 0 || angle[1] > 85)
        return 0;
    memcpy(field, angle, sizeof angle);
    return 1;
}

/* "0.2mm", "0.5step", "auto". */
static int parse_contours(const char *text, void *field)
{
    depth_interval interval = {.given = 1};
    size_t bytes = strlen(text);
    char part[40];
    if (strcmp(text, "auto") == 0) {
        interval.given = 2;
    } else if (bytes > 4 && bytes < sizeof part && strcmp(text + bytes - 4, "step") == 0) {
        memcpy(part, text, bytes - 4);
        part[bytes - 4] = '\0';
        interval.in_steps = 1;
        if (rf_value_number(part, &interval.length) != RF_VALUE_TAKEN || !(interval.length > 0))
            return 0;
    } else if (rf_value_length(text, NULL, &interval.length) != RF_VALUE_TAKEN || !(interval.length > 0)) {
        return 0;
    }
    memcpy(field, &interval, sizeof interval);
    return 1;
}

#define FIELD(field) .offset = offsetof(depth_settings, field)

/* clang-format off */
static const rf_option options[] = {
    {.name = "at", .kind = RF_OPTION_CUSTOM, FIELD(at), .value = "X,Y",
     .help = "depth at a pixel, counted from 0,0 at the top left",
     .expected = "a place as X,Y in pixels", .parse = parse_place},
    {.name = "distance", .kind = RF_OPTION_CUSTOM, FIELD(distance), .value = "X0,Y0,X1,Y1",
     .help = "between two pixels: along x, y and z, and true",
     .expected = "two places as X0,Y0,X1,Y1 in pixels", .parse = parse_line},
    {.name = "profile", .kind = RF_OPTION_CUSTOM, FIELD(profile), .value = "X0,Y0,X1,Y1",
     .help = "depth along a line, and its roughness",
     .expected = "two places as X0,Y0,X1,Y1 in pixels", .parse = parse_line},
    {.name = "csv", .kind = RF_OPTION_PATH, FIELD(csv), .value = "FILE", .help = "the profile as a table; - = stdout"},
    {.name = "plot", .kind = RF_OPTION_PATH, FIELD(plot), .value = "FILE", .help = "the profile as a picture: .svg"},
    {.name = "plane", .kind = RF_OPTION_CUSTOM, FIELD(plane), .value = "fit|X0,Y0,X1,Y1,X2,Y2",
     .help = "level the map by a fitted plane or one through three pixels, before all else; tilt and flatness",
     .expected = "fit, or three places as X0,Y0,X1,Y1,X2,Y2 in pixels", .parse = parse_plane},
    {.name = "levelled", .kind = RF_OPTION_PATH, FIELD(levelled), .value = "FILE", .help = "the levelled map: .tif"},
    {.name = "colour", .kind = RF_OPTION_PATH, FIELD(colour), .value = "FILE",
     .help = "depth as colours, with a legend: .png"},
    {.name = "relief", .kind = RF_OPTION_PATH, FIELD(relief), .value = "FILE",
     .help = "the surface in slanting light: .png"},
    {.name = "contours", .kind = RF_OPTION_CUSTOM, FIELD(contours), .value = "LEN|auto",
     .help = "contour lines in the views, as 0.2mm or 0.5step apart; auto: a round length",
     .expected = "a length as 0.2mm, steps as 0.5step, or auto", .parse = parse_contours},
    {.name = "drape", .kind = RF_OPTION_PATH, FIELD(drape), .value = "FILE",
     .help = "the picture (or the colours) over the relief, seen aslant: .png or .jpg"},
    {.name = "angle", .kind = RF_OPTION_CUSTOM, FIELD(angle), .value = "TURN,LEAN",
     .help = "of --drape, in degrees: to the right, and leaning back; default 20,40",
     .expected = "degrees as TURN,LEAN, TURN from -80 to 80 and LEAN from 0 to 85", .parse = parse_angle},
    {.name = "stereo", .kind = RF_OPTION_PATH, FIELD(stereo), .value = "FILE",
     .help = "left and right eye's view side by side: .png or .jpg"},
    {.name = "exaggerate", .kind = RF_OPTION_NUMBER, FIELD(exaggerate), .value = "FACTOR", .min = 0.01, .max = 1000,
     .help = "stretch the relief of the views by this; default 1"},
    {.name = "mesh", .kind = RF_OPTION_PATH, FIELD(mesh), .value = "FILE",
     .help = "the surface in mm: .ply (binary) or .obj"},
    {.name = "cloud", .kind = RF_OPTION_PATH, FIELD(cloud), .value = "FILE", .help = "its points in mm: .ply or .xyz"},
    {.name = "points", .kind = RF_OPTION_INTEGER, FIELD(points), .value = "N", .min = 4, .max = 2000000000,
     .help = "at most so many in mesh and cloud; default every pixel"},
    {.name = "picture", .kind = RF_OPTION_PATH, FIELD(picture), .value = "FILE",
     .help = "the merged picture: skin of --drape and --stereo, colours of mesh and cloud"},
    {.name = "confidence", .kind = RF_OPTION_PATH, FIELD(confidence), .value = "FILE",
     .help = "confidence map of the merge: low confidence is hatched, and left out of fits and meshes"},
    {.name = "sigma", .kind = RF_OPTION_PATH, FIELD(sigma), .value = "FILE",
     .help = "standard deviation map of the merge: the band of --plot"},
    {.name = "step", .kind = RF_OPTION_LENGTH, FIELD(step_mm), .value = "LEN",
     .help = "rail step between frames, in place of the one the map carries"},
    {.name = "pixel", .kind = RF_OPTION_LENGTH, FIELD(pixel_mm), .value = "LEN",
     .help = "size of a pixel on the subject, in place of the one the map carries"},
    {.name = "plan", .kind = RF_OPTION_PATH, FIELD(plan), .value = "FILE",
     .help = "take step and pixel from a report of railfold plan"},
    RF_ROW_MAX_MEGAPIXELS(depth_settings),
    {.name = NULL},
};
/* clang-format on */

/* ---- checks before anything is read ---- */

static rf_status check_together(const depth_settings *set, const rf_arguments *arguments, rf_error *err)
{
    int drawn = set->drape != NULL || set->stereo != NULL, flat = set->colour != NULL || set->relief != NULL;
    if (arguments->operand_count != 1)
        return rf_fail(err, RF_ERR_USAGE, "one depth map was expected, not %d", arguments->operand_count);
    if ((set->csv != NULL || set->plot != NULL) && set->profile.count == 0)
        return rf_fail(err, RF_ERR_USAGE, "--%s needs --profile X0,Y0,X1,Y1", set->csv != NULL ? "csv" : "plot");
    if (set->levelled != NULL && set->plane.count == 0)
        return rf_fail(err, RF_ERR_USAGE, "--levelled needs --plane");
    if (set->contours.given != 0 && !flat && !drawn)
        return rf_fail(err, RF_ERR_USAGE,
                       "--contours needs a view to draw them in: --colour, --relief, --drape or --stereo");
    if (rf_options_given(options, arguments, "angle") && set->drape == NULL)
        return rf_fail(err, RF_ERR_USAGE, "--angle needs --drape FILE");
    if (set->points != 0 && set->mesh == NULL && set->cloud == NULL)
        return rf_fail(err, RF_ERR_USAGE, "--points needs --mesh FILE or --cloud FILE");
    if (set->picture != NULL && !drawn && set->mesh == NULL && set->cloud == NULL)
        return rf_fail(err, RF_ERR_USAGE, "--picture needs --drape, --stereo, --mesh or --cloud");
    if (set->csv != NULL && strcmp(set->csv, "-") == 0 && set->common.report != NULL &&
        strcmp(set->common.report, "-") == 0)
        return rf_fail(err, RF_ERR_USAGE, "--csv and --report cannot both go to standard output");
    return RF_OK;
}

enum { DESTINATIONS = 12 };

static rf_status check_destinations(const depth_settings *set, const char *map, rf_error *err)
{
    rf_status status = RF_OK;
    char *material = NULL, *texture = NULL;
    const char *dot = set->mesh != NULL ? strrchr(set->mesh, '.') : NULL;
    if (set->picture != NULL && dot != NULL && strcmp(dot, ".obj") == 0) {
        RF_TRY(depth_beside(set->mesh, ".mtl", &material, err));
        RF_TRY(depth_beside(set->mesh, ".png", &texture, err));
    }
    const rf_destination list[DESTINATIONS] = {{"--csv", set->csv, NULL},
                                               {"--plot", set->plot, "svg"},
                                               {"--levelled", set->levelled, "tif|tiff"},
                                               {"--colour", set->colour, "png"},
                                               {"--relief", set->relief, "png"},
                                               {"--drape", set->drape, "png|jpg|jpeg"},
                                               {"--stereo", set->stereo, "png|jpg|jpeg"},
                                               {"--mesh", set->mesh, "ply|obj"},
                                               {"--cloud", set->cloud, "ply|xyz"},
                                               {"--report", set->common.report, NULL},
                                               {"the material of --mesh", material, NULL},
                                               {"the texture of --mesh", texture, NULL}};
    const char *inputs[5] = {map};
    int count = 1;
    const char *const more[4] = {set->confidence, set->sigma, set->picture, set->plan};
    for (int i = 0; i < 4; i++)
        if (more[i] != NULL)
            inputs[count++] = more[i];
    RF_TRY(rf_destinations_check_names(list, DESTINATIONS, err));
    RF_TRY(rf_destinations_check(list, DESTINATIONS, inputs, count, set->common.force, err));
    (void)rf_confine(list, DESTINATIONS);
done:
    rf_free(material);
    rf_free(texture);
    return status;
}

static rf_status check_inside(const char *option, const depth_places *places, const rf_depth_map *map, rf_error *err)
{
    for (int i = 0; i + 1 < places->count; i += 2) {
        double x = places->at[i], y = places->at[i + 1];
        if (!(x >= 0 && y >= 0 && x <= map->depth.width - 1 && y <= map->depth.height - 1))
            return rf_fail(err, RF_ERR_USAGE, "--%s: %g,%g lies outside the map, whose pixels run from 0,0 to %d,%d",
                           option, x, y, map->depth.width - 1, map->depth.height - 1);
    }
    return RF_OK;
}

static rf_status check_places(const depth_settings *set, const rf_depth_map *map, rf_error *err)
{
    rf_status status;
    RF_TRY(check_inside("at", &set->at, map, err));
    RF_TRY(check_inside("distance", &set->distance, map, err));
    RF_TRY(check_inside("profile", &set->profile, map, err));
    RF_TRY(check_inside("plane", &set->plane, map, err));
    if (set->mesh != NULL || set->cloud != NULL) {
        const char *option = set->mesh != NULL ? "mesh" : "cloud";
        if (!map->metric)
            RF_TRY(rf_fail(err, RF_ERR_USAGE, "--%s is in mm, and the rail step is unknown: --step LEN was expected",
                           option));
        if (!(map->pixel_mm > 0))
            RF_TRY(rf_fail(err, RF_ERR_USAGE,
                           "--%s is in mm, and the size of a pixel is unknown: --pixel LEN was expected", option));
    }
done:
    return status;
}

/* ---- measures ---- */

static void survey(rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    float low = NAN, high = NAN;
    double known = 0, sure = 0, pixels = (double)map->depth.width * map->depth.height;
    (void)rf_depth_range(&map->depth, 0, &low, &high);
    for (int y = 0; y < map->depth.height; y++)
        for (int x = 0; x < map->depth.width; x++) {
            known += isfinite(rf_image_row_f32(&map->depth, y)[x]) ? 1 : 0;
            sure += rf_depth_map_sure(map, x, y);
        }
    report->low = (double)low;
    report->high = (double)high;
    report->known = known / pixels;
    report->sure = sure / pixels;
}

static rf_status level(const depth_settings *set, rf_depth_map *map, rf_depth_report *report, rf_error *err)
{
    if (set->plane.count == 0)
        return RF_OK;
    report->has_plane = 1;
    report->plane_fitted = set->plane.count < 0;
    rf_status status = report->plane_fitted ? rf_depth_plane_fit(map, &report->plane, err)
                                            : rf_depth_plane_through(map, set->plane.at, &report->plane, err);
    if (status == RF_OK)
        rf_depth_map_level(map, &report->plane);
    return status;
}

static rf_status measure(const depth_settings *set, rf_depth_report *report, rf_profile *profile, rf_error *err)
{
    const rf_depth_map *map = report->map;
    rf_status status = RF_OK;
    if (set->at.count > 0) {
        report->has_at = 1;
        memcpy(report->at, set->at.at, sizeof report->at);
        report->at_depth = rf_depth_at(map, report->at[0], report->at[1]);
        report->at_sigma = rf_depth_sigma_at(map, report->at[0], report->at[1]);
        report->at_confidence = rf_depth_confidence_at(map, report->at[0], report->at[1]);
    }
    if (set->distance.count > 0) {
        report->has_distance = 1;
        memcpy(report->distance_line, set->distance.at, sizeof report->distance_line);
        report->distance = rf_depth_measure_distance(map, report->distance_line);
    }
    if (set->profile.count > 0) {
        report->has_profile = 1;
        memcpy(report->profile_line, set->profile.at, sizeof report->profile_line);
        RF_TRY(rf_profile_take(map, report->profile_line, profile, err));
        report->profile_samples = profile->count;
        RF_TRY(rf_profile_roughness(profile, &report->roughness, err));
    }
done:
    return status;
}

static int is_stdout(const char *path)
{
    return path != NULL && strcmp(path, "-") == 0;
}

/* The report is the last output; then all of them get their names. */
static rf_status write_report(const depth_settings *set, const rf_depth_report *report, rf_batch *batch, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_status status = RF_OK;
    const char *path = set->common.report;
    if (path != NULL)
        RF_TRY(rf_depth_report_json(report, &text, &bytes, err));
    if (path != NULL && !is_stdout(path))
        RF_TRY(rf_batch_add_text(batch, path, text, bytes, set->common.force, err));
    RF_TRY(rf_batch_name(batch, err));
    if (is_stdout(path))
        (void)fwrite(text, 1, bytes, stdout); /* main looks at the stream's state */
done:
    rf_free(text);
    return status;
}

static rf_status run_depth(rf_invocation *call, rf_error *err)
{
    const depth_settings *set = call->settings;
    rf_depth_map map = {0};
    rf_profile profile = {0};
    rf_batch *batch = NULL;
    rf_status status;
    RF_TRY(check_together(set, &call->arguments, err));
    const char *path = call->arguments.operands[0];
    RF_TRY(check_destinations(set, path, err));
    RF_TRY(depth_load(set, path, &map, err));
    rf_depth_report report = {.file = path, .map = &map};
    RF_TRY(check_places(set, &map, err));
    survey(&report);
    RF_TRY(level(set, &map, &report, err));
    RF_TRY(measure(set, &report, &profile, err));
    RF_TRY(rf_batch_create(&batch, err));
    RF_TRY(depth_write_outputs(batch, set, &map, report.has_profile ? &profile : NULL, err));
    RF_TRY(write_report(set, &report, batch, err));
    if (!is_stdout(set->common.report) && !is_stdout(set->csv))
        depth_tell(set, &report);
done:
    rf_batch_destroy(&batch);
    rf_profile_free(&profile);
    rf_depth_map_free(&map);
    return status;
}

const rf_command command_depth = {
    .name = "depth",
    .summary = "look at a depth map, measure on it, hand it on",
    .operands = "MAP",
    .about = "Tells what a depth map holds, and draws, measures or hands it on. MAP is what\n"
             "merge --depth wrote; it carries step, pixel and direction. Optical depth is\n"
             "not a calibrated gauge.\n"
             "\n"
             "  railfold depth pebble-depth.tif\n"
             "  railfold depth pebble-depth.tif --distance 200,310,840,420\n"
             "  railfold depth pebble-depth.tif --profile 0,400,1199,400 --plot ridge.svg\n"
             "  railfold depth pebble-depth.tif --colour pebble.png --contours 0.2mm\n"
             "  railfold depth pebble-depth.tif --pixel 6um --mesh pebble.ply --points 200000\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_depth,
};
