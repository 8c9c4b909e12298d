/* depth_json.c - the findings of `railfold depth` as JSON. */
#include "railfold/depth_report.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "report/json.h"

#ifndef RF_VERSION
#define RF_VERSION "unknown"
#endif

static void add_line(rf_json *json, const char *name, const double *numbers, int count)
{
    rf_json_open(json, name, '[', 1);
    for (int i = 0; i < count; i++)
        rf_json_number(json, NULL, numbers[i]);
    rf_json_close(json, ']');
}

static void add_map(rf_json *json, const rf_depth_report *report)
{
    const rf_depth_map *map = report->map;
    rf_json_integer(json, "width", map->depth.width);
    rf_json_integer(json, "height", map->depth.height);
    rf_json_text(json, "unit", rf_depth_map_unit(map));
    rf_json_text(json, "zero", "focus plane of frame 0");
    rf_json_text(json, "direction", !map->direction_known ? NULL : map->nearer ? "nearer" : "farther");
    rf_json_known(json, "step_mm", map->step_mm);
    rf_json_known(json, "pixel_mm", map->pixel_mm);
    rf_json_known(json, "frames", map->frames);
    rf_json_number(json, "min", report->low);
    rf_json_number(json, "max", report->high);
    rf_json_number(json, "known_share", report->known);
    rf_json_number(json, "sure_share", map->confidence.data != NULL ? report->sure : (double)NAN);
}

static void add_measures(rf_json *json, const rf_depth_report *report)
{
    if (report->has_plane) {
        const rf_depth_plane *plane = &report->plane;
        rf_json_open(json, "plane", '{', 0);
        rf_json_text(json, "from", report->plane_fitted ? "fit" : "three places");
        rf_json_number(json, "per_x", plane->per_x);
        rf_json_number(json, "per_y", plane->per_y);
        rf_json_number(json, "at_origin", plane->at_origin);
        rf_json_number(json, "tilt_deg", plane->tilt_deg);
        rf_json_number(json, "tilt_towards_deg", plane->tilt_towards_deg);
        rf_json_number(json, "peak_to_valley", plane->peak_to_valley);
        rf_json_number(json, "rms", plane->rms);
        rf_json_number(json, "pixels", plane->pixels);
        rf_json_close(json, '}');
    }
    if (report->has_at) {
        rf_json_open(json, "at", '{', 1);
        add_line(json, "place_px", report->at, 2);
        rf_json_number(json, "depth", report->at_depth);
        rf_json_number(json, "sigma", report->at_sigma);
        rf_json_number(json, "confidence", report->at_confidence);
        rf_json_close(json, '}');
    }
    if (report->has_distance) {
        rf_json_open(json, "distance", '{', 0);
        add_line(json, "line_px", report->distance_line, 4);
        rf_json_text(json, "across_unit", report->map->pixel_mm > 0 ? "mm" : "px");
        rf_json_number(json, "across", report->distance.across);
        rf_json_number(json, "down", report->distance.down);
        rf_json_number(json, "along", report->distance.along);
        rf_json_number(json, "depth", report->distance.depth);
        rf_json_number(json, "true_mm", report->distance.true_length);
        rf_json_close(json, '}');
    }
    if (report->has_profile) {
        int enough = report->roughness.count > 0;
        rf_json_open(json, "profile", '{', 0);
        add_line(json, "line_px", report->profile_line, 4);
        rf_json_integer(json, "samples", report->profile_samples);
        rf_json_number(json, "ra", enough ? report->roughness.ra : (double)NAN);
        rf_json_number(json, "rq", enough ? report->roughness.rq : (double)NAN);
        rf_json_number(json, "rz", enough ? report->roughness.rz : (double)NAN);
        rf_json_number(json, "rt", enough ? report->roughness.rt : (double)NAN);
        rf_json_text(json, "formulas", "ISO 4287, levelled by a line, no cutoff filter");
        rf_json_text(json, "caution", "optical depth is not a calibrated gauge");
        rf_json_close(json, '}');
    }
}

rf_status rf_depth_report_json(const rf_depth_report *report, char **text, size_t *bytes, rf_error *err)
{
    rf_json json;
    rf_json_begin_report(&json, 1, "depth", err);
    rf_json_text(&json, "map", report->file);
    add_map(&json, report);
    add_measures(&json, report);
    rf_json_close(&json, '}');
    return rf_json_finish(&json, text, bytes);
}
