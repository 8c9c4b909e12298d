/* depth_run.h - what the files of `railfold depth` share. */
#ifndef RF_DEPTH_RUN_H
#define RF_DEPTH_RUN_H

#include "railfold/depth_map.h"
#include "railfold/depth_measure.h"
#include "railfold/depth_report.h"
#include "railfold/frame_io.h"
#include "cli/options.h"

/* A number of places as "X,Y" or "X0,Y0,X1,Y1" ... */
typedef struct depth_places {
    int count; /* of numbers; 0 = the option was not given */
    double at[6];
} depth_places;

typedef struct depth_interval {
    int given;     /* 1: `length`; 2: a round one is to be found */
    double length; /* mm, or steps */
    int in_steps;
} depth_interval;

typedef struct depth_settings {
    rf_common common;
    /* inputs */
    const char *confidence, *sigma, *picture, *plan;
    double step_mm, pixel_mm, max_megapixels;
    /* measures */
    depth_places at, distance, profile, plane; /* plane: 6 numbers, or count -1 for a fit */
    /* outputs */
    const char *csv, *plot, *levelled;
    const char *colour, *relief, *drape, *stereo;
    const char *mesh, *cloud;
    depth_interval contours;
    double angle[2];
    double exaggerate;
    int points;
} depth_settings;

/* depth_inputs.c: the map beside its confidence and deviation, in mm where a step is known. */
rf_status depth_load(const depth_settings *set, const char *path, rf_depth_map *map, rf_error *err) RF_CHECKED;

/* The merged picture that lies under the map, RF_U8 with three channels, of the same size. */
rf_status depth_load_picture(const depth_settings *set, const rf_depth_map *map, rf_image *picture,
                             rf_error *err) RF_CHECKED;

/* depth_outputs.c: every file that was asked for, into the batch. `profile` may be NULL. */
rf_status depth_write_outputs(rf_batch *batch, const depth_settings *set, const rf_depth_map *map,
                              const rf_profile *profile, rf_error *err) RF_CHECKED;

/* The texture and material beside an .obj: its name with another ending, from rf_alloc. */
rf_status depth_beside(const char *path, const char *ending, char **name, rf_error *err) RF_CHECKED;

/* depth_tell.c: the findings, for people, to standard output. */
void depth_tell(const depth_settings *set, const rf_depth_report *report);

#endif
