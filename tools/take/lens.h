/* lens.h - what the sensor would see: a scene through a thin lens from one place on the rail, in linear light.
 *
 * Each layer is brought to the frame by true perspective (rail.h), spread by the defocus disc of each of its points
 * (radius = blur * |z - focus|) and laid over what lies behind it. A raster layer is spread together with its own
 * coverage, so that a slanted surface keeps its brightness; see disc.h for the spreading itself. */
#ifndef TAKE_LENS_H
#define TAKE_LENS_H

#include "rail.h"
#include "railfold/pool.h"
#include "scene.h"

typedef struct lens lens;

/* `subject` and `plan` must outlive the lens. Holds about 24 bytes a pixel. */
rf_status lens_open(lens **out, const scene *subject, const rail *plan, double mtf_px, rf_pool *pool,
                    rf_error *err) RF_CHECKED;
void lens_close(lens **at);

/* One frame, interleaved RGB, width * height * 3 floats, before lamp gain, sensor and noise. */
rf_status lens_expose(lens *self, const rail_frame *frame, float *rgb, rf_error *err) RF_CHECKED;

/* The sharp picture of the reference view (the same code with no defocus), the depth of what is seen there in steps,
 * and 1 where that is the subject and not the backdrop. */
rf_status lens_truth(lens *self, float *rgb, float *depth, uint8_t *subject, rf_error *err) RF_CHECKED;

#endif
