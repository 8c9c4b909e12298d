/* write_map.h - float pictures into files (private to the stack module). */
#ifndef RF_WRITE_MAP_H
#define RF_WRITE_MAP_H

#include "railfold/depth_map.h"
#include "railfold/frame_io.h"
#include "railfold/pool.h"
#include "railfold/stack.h"

int rf_path_ends_with(const char *path, const char *ending); /* in upper or lower case */

/* What becomes of a float on its way to a file: (value - offset) / scale; a float map's values are then rounded to
 * whole multiples of `grain`. */
typedef struct rf_map_scale {
    float offset, scale, grain;
} rf_map_scale;

rf_status rf_write_rows(rf_writer *writer, const rf_image *image, rf_sample sample, rf_map_scale scale, rf_pool *pool,
                        rf_error *err) RF_CHECKED;

typedef struct rf_map_job {
    const rf_merge_options *options;
    const char *path;
    const rf_image *map; /* RF_F32, steps, or 0 to 1 for confidence */
    rf_map_facts facts;  /* scale and offset are filled in */
    float turned_at;     /* above 0: the map's values are this less what is to be written (float maps alone) */
    rf_pool *pool;
} rf_map_job;

/* A map as 32-bit float TIFF (values as they are) or 16-bit PNG (spread over its range); the text says how to read it.
 * The writer is left open, on failure too; the caller commits or aborts it. */
rf_status rf_write_map(const rf_map_job *job, rf_writer **writer, rf_error *err) RF_CHECKED;

/* A map's file that is packed by one thread beside other work. */
typedef struct rf_map_file {
    rf_map_job job;
    rf_pool *pool;
    rf_writer *writer;
    rf_status status;
    rf_error err;
    int begun;
} rf_map_file;

/* Begins to write, where the path is a TIFF; else nothing happens. *file, zeroed before, and the map stay as they are
 * until the end, or until it was waited for. */
void rf_map_file_begin(rf_map_file *file, const rf_map_job *job, rf_pool *pool);
void rf_map_file_wait(rf_map_file *file);

/* Waits for a file that was begun and hands over its open writer, on failure too. */
rf_status rf_map_file_end(rf_map_file *file, rf_writer **writer, rf_error *err) RF_CHECKED;
void rf_map_file_drop(rf_map_file *file); /* fine on a zeroed one and after the end */

#endif
