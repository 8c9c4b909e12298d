/* depth_tell.c - what was measured, for people. */
#include "cli/depth_run.h"

#include <math.h>
#include <stdio.h>

#include "cli/talk.h"

enum { LENGTH_BYTES = 48 };

/* Four digits, in mm, or um below 0.1 mm; "unknown" for what is not finite. */
static const char *show_mm(char out[LENGTH_BYTES], double mm)
{
    if (!isfinite(mm))
        (void)snprintf(out, LENGTH_BYTES, "unknown");
    else if (fabs(mm) < 0.1 && mm != 0)
        (void)snprintf(out, LENGTH_BYTES, "%.4g um", mm * 1000);
    else
        (void)snprintf(out, LENGTH_BYTES, "%.4g mm", mm);
    return out;
}

static const char *show_depth(char out[LENGTH_BYTES], const rf_depth_map *map, double depth)
{
    if (map->metric)
        return show_mm(out, depth);
    if (isfinite(depth))
        (void)snprintf(out, LENGTH_BYTES, "%.4g steps", depth);
    else
        (void)snprintf(out, LENGTH_BYTES, "unknown");
    return out;
}

/* Both ends of a range in one unit: that of the larger. */
static void show_range(char out[2 * LENGTH_BYTES], const rf_depth_map *map, double low, double high)
{
    double most = fmax(fabs(low), fabs(high));
    if (!isfinite(most) || !map->metric)
        (void)snprintf(out, 2 * LENGTH_BYTES, isfinite(most) ? "%.4g to %.4g steps" : "unknown", low, high);
    else
        (void)snprintf(out, 2 * LENGTH_BYTES, most < 0.1 ? "%.4g to %.4g um" : "%.4g to %.4g mm",
                       most < 0.1 ? low * 1000 : low, most < 0.1 ? high * 1000 : high);
}

static const char *show_across(char out[LENGTH_BYTES], const rf_depth_map *map, double length)
{
    if (map->pixel_mm > 0)
        return show_mm(out, length);
    (void)snprintf(out, LENGTH_BYTES, "%.5g px", length);
    return out;
}

static void tell_map(const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    char a[LENGTH_BYTES], range[2 * LENGTH_BYTES];
    rf_talk(stdout, "%s: %d x %d pixels", report->file, map->depth.width, map->depth.height);
    show_range(range, map, report->low, report->high);
    printf("  depth       %s from the %s", range,
           map->levelled ? "plane it was levelled by" : "focus plane of frame 0");
    printf("%s\n", !map->direction_known ? ""
                   : map->nearer         ? ", growing towards the camera"
                                         : ", growing away from the camera");
    printf("  step        %s", map->metric ? show_mm(a, map->step_mm) : "unknown");
    if (map->frames > 0)
        printf(", %d frames", map->frames);
    if (!map->metric)
        printf(": depth in frame positions; --step LEN gives mm");
    if (map->pixel_mm > 0)
        printf("\n  pixel       %s on the subject\n", show_mm(a, map->pixel_mm));
    else
        printf("\n  pixel       unknown: x and y in pixels; --pixel LEN gives mm\n");
    printf("  known       %.1f %% of the pixels", 100 * report->known);
    if (map->confidence.data != NULL)
        printf("; %.1f %% with a confidence of %.2f or more\n", 100 * report->sure, (double)RF_DEPTH_SURE);
    else
        printf("; how sure they are, the confidence map tells (--confidence FILE)\n");
}

static void tell_plane(const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    const rf_depth_plane *plane = &report->plane;
    char a[LENGTH_BYTES], b[LENGTH_BYTES];
    printf("plane %s\n", report->plane_fitted ? "fitted to every sure pixel" : "through the three places");
    if (isfinite(plane->tilt_deg))
        printf("  tilt        %.3f degrees", plane->tilt_deg);
    else
        printf("  tilt        %.5g %s a pixel", hypot(plane->per_x, plane->per_y), map->metric ? "mm" : "steps");
    if (isfinite(plane->tilt_towards_deg))
        printf(", depth grows fastest towards %.1f degrees (0 right, 90 down)", plane->tilt_towards_deg);
    printf("\n  flatness    %s peak to valley, %s RMS, along the lens axis, over %.0f pixels\n",
           show_depth(a, map, plane->peak_to_valley), show_depth(b, map, plane->rms), plane->pixels);
}

static void tell_at(const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    char a[LENGTH_BYTES];
    printf("at %.6g,%.6g  %s", report->at[0], report->at[1], show_depth(a, map, report->at_depth));
    if (map->metric && isfinite(report->at_depth))
        printf(" (%.4g steps)", report->at_depth / map->step_mm);
    if (isfinite(report->at_sigma))
        printf(", standard deviation %s", show_depth(a, map, report->at_sigma));
    if (isfinite(report->at_confidence))
        printf(", confidence %.2f%s", report->at_confidence,
               report->at_confidence < (double)RF_DEPTH_SURE ? " (a guess from the surroundings)" : "");
    printf("\n");
}

static void tell_distance(const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    const rf_depth_distance *d = &report->distance;
    const double *line = report->distance_line;
    char a[LENGTH_BYTES];
    printf("from %.6g,%.6g to %.6g,%.6g\n", line[0], line[1], line[2], line[3]);
    printf("  along x     %s\n", show_across(a, map, d->across));
    printf("  along y     %s\n", show_across(a, map, d->down));
    printf("  along z     %s%s\n", show_depth(a, map, d->depth), map->levelled ? ", off the plane" : "");
    if (map->metric && map->pixel_mm > 0)
        printf("  true        %s\n", show_mm(a, d->true_length));
    else
        printf("  true        unknown: needs the rail step and the size of a pixel (--step, --pixel)\n");
}

static void tell_profile(const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    const rf_roughness *r = &report->roughness;
    char a[LENGTH_BYTES], b[LENGTH_BYTES], c[LENGTH_BYTES], d[LENGTH_BYTES];
    printf("profile of %d samples\n", report->profile_samples);
    if (r->count == 0) {
        printf("  roughness   too few known samples\n");
        return;
    }
    printf("  roughness   Ra %s, Rq %s, Rz %s, Rt %s\n", show_depth(a, map, r->ra), show_depth(b, map, r->rq),
           show_depth(c, map, r->rz), show_depth(d, map, r->rt));
    printf("              ISO 4287 formulas on %d samples, levelled by a line, no cutoff filter;\n"
           "              optical depth is not a calibrated gauge\n",
           r->count);
}

void depth_tell(const depth_settings *set, const rf_depth_report *report)
{
    int measures = report->has_at || report->has_distance || report->has_profile || report->has_plane;
    int files = set->csv != NULL || set->plot != NULL || set->colour != NULL || set->relief != NULL ||
                set->drape != NULL || set->stereo != NULL || set->mesh != NULL || set->cloud != NULL ||
                set->levelled != NULL;
    if (!measures && !files)
        tell_map(report);
    if (report->has_plane)
        tell_plane(report);
    if (report->has_at)
        tell_at(report);
    if (report->has_distance)
        tell_distance(report);
    if (report->has_profile)
        tell_profile(report);
}
