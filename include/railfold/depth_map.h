/* depth_map.h - a finished depth map with all that is known of it: what is measured, drawn and handed on.
 *
 * Depth is counted along the lens axis from the focus plane of frame 0 and grows with the take order. x and y are
 * pixels of the map. pixel_mm is the size of a pixel on what is in focus in the reference frame; in a parallel view
 * (parallel.h) it holds at every depth. */
#ifndef RF_DEPTH_MAP_H
#define RF_DEPTH_MAP_H

#include <stddef.h>

#include "railfold/image.h"
#include "railfold/status.h"

/* ---- what a map file says of itself, as one line of text ---- */

typedef enum rf_map_kind { RF_MAP_UNSAID, RF_MAP_DEPTH, RF_MAP_CONFIDENCE, RF_MAP_SIGMA } rf_map_kind;

typedef struct rf_map_facts {
    rf_map_kind kind;
    int metric;           /* values in mm; else in steps (depth, sigma) or 0..1 (confidence) */
    double offset, scale; /* value = offset + scale * sample */
    double step_mm;       /* rail step; 0 unknown */
    double pixel_mm;      /* 0 unknown */
    int frames;           /* in the take; 0 unknown */
    int direction_known;  /* whether `nearer` is */
    int nearer;           /* depth grows towards the camera (a retreating rail) */
    int levelled;         /* counted from a plane laid through the map, not from frame 0 */
} rf_map_facts;

enum { RF_MAP_TEXT_BYTES = 512 };

/* "railfold map: kind=depth unit=mm ..."; numbers read back as the same float. */
void rf_map_text_write(const rf_map_facts *facts, char text[RF_MAP_TEXT_BYTES]);

/* Whether `text` (NULL: none) is such a line; *facts is filled, with kind RF_MAP_UNSAID, scale 1 when it is not. */
int rf_map_text_read(const char *text, rf_map_facts *facts);

/* ---- the map ---- */

/* Below this a depth is called uncertain: faded and hatched in views, left out of fits and meshes. */
#define RF_DEPTH_SURE 0.25f

/* A larger depth, in steps or mm, is a fault of the file and taken for unknown, so that differences and squares of
 * depths stay finite. */
#define RF_DEPTH_MOST 1e9

typedef struct rf_depth_map {
    rf_image depth;      /* RF_F32, one channel, owned; not finite = unknown */
    rf_image confidence; /* 0..1, the same size, or no data */
    rf_image sigma;      /* standard deviation of depth, the same size and unit, or no data */
    int metric;          /* depth and sigma are in mm; else in steps */
    double step_mm;      /* 0 unknown; above 0 whenever metric */
    double pixel_mm;     /* 0 unknown */
    int frames;          /* 0 unknown */
    int nearer;          /* depth grows towards the camera */
    int direction_known;
    int levelled; /* depth is counted from a plane laid through it */
} rf_depth_map;

void rf_depth_map_free(rf_depth_map *map);

/* Stored samples become values, in mm when a step is known; what is not finite or beyond RF_DEPTH_MOST becomes NaN.
 * `step_mm` and `pixel_mm` above 0 replace what the facts say. RF_ERR_INTERNAL never; the images of *map other than
 * depth stay empty. */
void rf_depth_map_from(rf_depth_map *map, rf_image *samples, const rf_map_facts *facts, double step_mm,
                       double pixel_mm);

/* "mm" or "step". */
const char *rf_depth_map_unit(const rf_depth_map *map);

/* Whether the depth of pixel (x, y) is known and, as far as a confidence map is there, sure. */
int rf_depth_map_sure(const rf_depth_map *map, int x, int y);

/* A jump between neighbours beyond this is a depth edge, not a slope, and is never bridged: half a step, or three
 * pixels' width (72 degrees) where that is more. Our own choice. */
double rf_depth_map_edge(const rf_depth_map *map);

#endif
