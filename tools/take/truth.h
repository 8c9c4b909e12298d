/* truth.h - what is true of a take, in files. */
#ifndef TAKE_TRUTH_H
#define TAKE_TRUTH_H

#include "lens.h"
#include "scene.h"
#include "sensor.h"

typedef struct truth_source {
    const take_options *options;
    const rail *plan;
    const scene *subject;
    const sensor *chip;
    lens *optics;
    rf_pool *pool;
} truth_source;

/* sharp.tif, depth.tif, subject.png, edges.png and textured.png into `folder`. */
rf_status truth_write_pictures(const truth_source *source, const char *folder, rf_error *err) RF_CHECKED;

/* truth.json into `folder`. */
rf_status truth_write_json(const truth_source *source, const char *folder, rf_error *err) RF_CHECKED;

/* "FOLDER/NAME" from rf_alloc. */
rf_status truth_path(char **out, const char *folder, const char *name, rf_error *err) RF_CHECKED;

#endif
