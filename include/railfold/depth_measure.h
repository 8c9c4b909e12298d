/* depth_measure.h - lengths, profiles, planes and roughness from a depth map.
 *
 * Optical depth is not a calibrated gauge: it follows the focus of the lens, which noise, missing texture, tilt of the
 * rail and gloss lead astray. Sums run in double precision and in a fixed order. Depth is measured along the lens axis.
 */
#ifndef RF_DEPTH_MEASURE_H
#define RF_DEPTH_MEASURE_H

#include "railfold/depth_map.h"

/* Depth at a place, linear between the four pixels around it; NAN where one of those it needs is unknown. The place
 * must lie on the map: 0 <= x <= width - 1, 0 <= y <= height - 1. */
double rf_depth_at(const rf_depth_map *map, double x, double y);

/* The same for the confidence or sigma map; NAN when there is none. */
double rf_depth_confidence_at(const rf_depth_map *map, double x, double y);
double rf_depth_sigma_at(const rf_depth_map *map, double x, double y);

/* From (x0, y0) to (x1, y1). across, down in mm when pixel_mm is known, else pixels; depth in the map's unit; `along`
 * the way in the picture plane; `true_length` in mm, NAN unless both step and pixel are known. */
typedef struct rf_depth_distance {
    double across, down, along, depth, true_length;
} rf_depth_distance;
rf_depth_distance rf_depth_measure_distance(const rf_depth_map *map, const double line[4]);

/* ---- profile ---- */

typedef struct rf_profile {
    int count;
    double *block;                      /* owned; what follows points into it, count values each */
    double *x_px, *y_px;                /* the places */
    double *along;                      /* way from the start: mm when pixel_mm is known, else pixels */
    double *depth, *sigma, *confidence; /* NAN = unknown */
} rf_profile;

/* Samples from end to end, ends included, evenly spaced at no more than one pixel. RF_ERR_MEMORY. */
rf_status rf_profile_take(const rf_depth_map *map, const double line[4], rf_profile *profile, rf_error *err) RF_CHECKED;
void rf_profile_free(rf_profile *profile);

/* Roughness by the formulas of ISO 4287:1997 (4.2.1 Ra, 4.2.2 Rq, 4.1.3 Rz, 4.1.5 Rt) with `parts` sampling lengths, of
 * heights in any unit about their mean: Ra mean of |Z|, Rq root of the mean of Z^2, Rz mean over the sampling lengths
 * of highest peak plus deepest valley, Rt the same over the whole. No cutoff filter is applied, so that strictly these
 * are the primary profile's Pa, Pq, Pz, Pt (the same formulas). Returns 0, filling nothing, for fewer than 2 values a
 * part. */
typedef struct rf_roughness {
    double ra, rq, rz, rt;
    int parts, count;
} rf_roughness;
int rf_roughness_of(const double *heights, int count, int parts, rf_roughness *roughness);

/* The profile levelled by its least-squares line, then as above over its known samples, in five sampling lengths (ISO
 * 4288:1996, 4.4: the usual number). count 0 when too few are known. RF_ERR_MEMORY. */
enum { RF_SAMPLING_LENGTHS = 5 };
rf_status rf_profile_roughness(const rf_profile *profile, rf_roughness *roughness, rf_error *err) RF_CHECKED;

/* ---- plane ---- */

typedef struct rf_depth_plane {
    double per_x, per_y, at_origin; /* depth = per_x x + per_y y + at_origin, x and y in pixels */
    double tilt_deg;                /* against the picture plane; NAN unless step and pixel are known */
    double tilt_towards_deg;        /* where depth grows fastest: 0 = right, 90 = down; NAN when level */
    double peak_to_valley, rms;     /* of what is left after the plane, along the lens axis, over the pixels used */
    double pixels;                  /* how many were used */
} rf_depth_plane;

/* Through three places (x0, y0, x1, y1, x2, y2). RF_ERR_USAGE when one is unknown or they lie on one line. */
rf_status rf_depth_plane_through(const rf_depth_map *map, const double places[6], rf_depth_plane *plane,
                                 rf_error *err) RF_CHECKED;

/* Least squares over every known and sure pixel. RF_ERR_INPUT when these are fewer than 3 or on one line. */
rf_status rf_depth_plane_fit(const rf_depth_map *map, rf_depth_plane *plane, rf_error *err) RF_CHECKED;

/* Depth is counted from the plane from now on. */
void rf_depth_map_level(rf_depth_map *map, const rf_depth_plane *plane);

#endif
