/* depth_report.h - what `railfold depth` found out, as JSON, CSV and SVG; and two numbers out of another report. */
#ifndef RF_DEPTH_REPORT_H
#define RF_DEPTH_REPORT_H

#include "railfold/depth_map.h"
#include "railfold/depth_measure.h"

typedef struct rf_depth_report {
    const char *file;        /* of the map; borrowed */
    const rf_depth_map *map; /* after levelling, if it was */
    double low, high;        /* range of the map as read, in its unit; NAN when nothing is known */
    double known, sure;      /* shares of the pixels, 0..1 */
    int has_at, has_distance, has_profile, has_plane;
    double at[2], at_depth, at_sigma, at_confidence; /* NAN where unknown */
    double distance_line[4];
    rf_depth_distance distance;
    double profile_line[4];
    rf_roughness roughness; /* of the profile; count 0 = too few known samples */
    int profile_samples;
    int plane_fitted; /* else through three places */
    rf_depth_plane plane;
} rf_depth_report;

/* One JSON object, format 1. *text from rf_alloc. */
rf_status rf_depth_report_json(const rf_depth_report *report, char **text, size_t *bytes, rf_error *err) RF_CHECKED;

/* The profile as CSV: x_px,y_px,along_UNIT,depth_UNIT,sigma_UNIT,confidence; what is unknown is left empty. */
rf_status rf_profile_csv(const rf_depth_map *map, const rf_profile *profile, char **text, size_t *bytes,
                         rf_error *err) RF_CHECKED;

/* The profile as an SVG picture: near is up, axes in mm (or what is known), the band of one standard deviation where
 * sigma is known, a grey ground where the confidence is low, a gap where depth is unknown. Stands alone: no script, no
 * font file. */
rf_status rf_profile_svg(const rf_depth_map *map, const rf_profile *profile, char **text, size_t *bytes,
                         rf_error *err) RF_CHECKED;

/* Step and pixel from the text of a report (`railfold plan --report`: step_mm, pixel_um; `merge --report`: step_mm,
 * pixel_mm), 0 where it has none. RF_ERR_INPUT, naming `path`, when it is not one JSON object. */
rf_status rf_report_lengths(const char *path, const char *text, double *step_mm, double *pixel_mm,
                            rf_error *err) RF_CHECKED;

#endif
