/* depth_draw.h - pictures of a depth map beyond its colours (depth_view.h): contours, shaded relief, draped views,
 * legend.
 *
 * All pictures are RF_U8 with three channels. Where the confidence is below RF_DEPTH_SURE strokes are laid over the
 * picture; what is unknown is plain grey. No function draws a surface across a depth edge (rf_depth_map_edge). */
#ifndef RF_DEPTH_DRAW_H
#define RF_DEPTH_DRAW_H

#include "railfold/depth_map.h"

/* The map less its pixel noise, for slopes and contours: binomial weights in 5 x 5 pixels, over neighbours on the same
 * side of every depth edge. `out`: RF_F32, one channel, allocated by the caller. */
void rf_depth_smooth(const rf_depth_map *map, rf_image *out, rf_pool *pool);

/* Strokes from lower left to upper right over whatever is uncertain, about 1/150 of the width apart. */
void rf_depth_hatch(const rf_depth_map *map, rf_image *rgb, rf_pool *pool);

/* Round numbers for people: the 1, 2 or 5 times a power of ten that is next below `value` (above 0). */
double rf_round_interval(double value);

/* Contour lines at whole multiples of `interval` (in the map's unit), every fifth heavier. `smooth`: rf_depth_smooth.
 */
void rf_depth_contours(const rf_depth_map *map, const rf_image *smooth, double interval, rf_image *rgb, rf_pool *pool);

/* How many pixels' width one unit of depth stands for, times `exaggerate`: true to scale when step and pixel are known,
 * else such that the middle 98 % of the depths span a quarter of the width. 0 when all is one depth. */
double rf_depth_pixels_per_unit(const rf_depth_map *map, double exaggerate);

/* Grey, lit from the upper left at 45 degrees. Slopes: weighted differences in 3 x 3 pixels (Horn, Proc. IEEE 69,
 * 1981); light: Lambert's cosine law. */
void rf_depth_relief(const rf_depth_map *map, const rf_image *smooth, double pixels_per_unit, rf_image *rgb,
                     rf_pool *pool);

typedef struct rf_drape_view {
    double turn_deg; /* how far the viewer stands to the right of the lens axis, -80 to 80 */
    double lean_deg; /* how far the picture leans back from the viewer, as if laid on a table: 0 to 85 */
    double pixels_per_unit;
    int frame_width, frame_height; /* of the drawn picture; 0 = as needed */
    int (*stop)(void);             /* asked once a row; nonzero ends the drawing (RF_ERR_STOPPED). May be NULL */
} rf_drape_view;

/* `skin` (the size of the map) laid over the relief and seen along parallel rays. Each pixel stands alone at its own
 * depth and meets only neighbours it is joined to; what no pixel covers is dark background. Maps above 1200 pixels are
 * thinned by a whole factor. *rgb is allocated here. RF_ERR_MEMORY, RF_ERR_STOPPED. */
rf_status rf_depth_drape(const rf_depth_map *map, const rf_image *skin, const rf_drape_view *view, rf_image *rgb,
                         rf_error *err) RF_CHECKED;

/* Left and right eye's views side by side (parallel viewing), `apart_deg` between the eyes, `view` from between them;
 * the frame is as large as needed. Errors as of rf_depth_drape. */
rf_status rf_depth_stereo(const rf_depth_map *map, const rf_image *skin, const rf_drape_view *view, double apart_deg,
                          rf_image *rgb, rf_error *err) RF_CHECKED;

typedef struct rf_legend {
    double near, far; /* the map's unit: upper and lower end of the colour bar */
    double interval;  /* of contours; 0 = none */
    int bar;          /* whether there is a colour bar */
} rf_legend;

/* `view` with a strip on its right: colour bar with round marks in mm, um or steps, which end is near, contour
 * interval, a scale bar when pixel_mm is known, and what the strokes mean. *out is allocated here. RF_ERR_MEMORY. */
rf_status rf_depth_legend(const rf_depth_map *map, const rf_image *view, const rf_legend *legend, rf_image *out,
                          rf_error *err) RF_CHECKED;

#endif
