/* sensor.h - from light on the sensor to coded values: lamp gain, dust, hot pixels, noise, clipping, transfer function.
 */
#ifndef TAKE_SENSOR_H
#define TAKE_SENSOR_H

#include <stdint.h>

#include "options.h"
#include "rail.h"
#include "random.h"
#include "railfold/image.h"
#include "railfold/pool.h"

/* A small sensor at base sensitivity: electrons at white, and the noise of reading them out. Common practice, no
 * source. */
#define SENSOR_FULL_ELECTRONS 20000.0f
#define SENSOR_READ_ELECTRONS 5.0f

typedef struct hot_pixel {
    int x, y;
    float added[3]; /* linear light */
} hot_pixel;

typedef struct dust_spot {
    float x, y, radius; /* px; half of the dip at the radius */
    float dip;          /* share of the light lost in the middle */
} dust_spot;

typedef struct sensor {
    hot_pixel *hot; /* owned */
    int hot_count;
    dust_spot *dust; /* owned */
    int dust_count;
    float noise;
    uint64_t seed;
    float normal[1 << TAKE_NORMAL_BITS];
} sensor;

rf_status sensor_make(sensor *self, const take_options *options, rf_error *err) RF_CHECKED;
void sensor_free(sensor *self);

/* `rgb`: linear light, width * height * 3; changed in place (gain, dust, noise). `number` makes each frame's noise its
 * own. The coded picture goes to `out` (RF_U8 or RF_U16, 3 channels). */
void sensor_develop(const sensor *self, float *rgb, double gain, int number, rf_image *out, rf_pool *pool);

/* Linear light to coded values alone, for the truth. */
void sensor_code(const float *rgb, rf_image *out, rf_pool *pool);

#endif
