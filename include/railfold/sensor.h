/* sensor.h - faults that sit still on the sensor while the subject moves and refocuses: hot and dead pixels, dust.
 *
 * Left in the frames they draw dotted trails through the merged picture, one dot a frame, along the way the rail
 * drifts. They are found by looking at a SAMPLE of the take (rf_sensor_sample, at most 12 frames) twice: a survey of
 * every pixel, then an examination of the suspects. Subject matter is told from a fault by what the rail does to it: it
 * drifts, and above all it goes out of focus. The first and last frames are the most telling - any place of the picture
 * is at its softest in one of them - so the sample takes four from each end and the rest from between.
 *
 * Hot (dead) pixel: brighter (darker) by 4 % of white than all but one of 8 neighbours 3 px away, so that a spot up to
 * 5 px wide, as demosaicing and JPEG make of it, still counts, but no line, edge or corner does; in nearly all sampled
 * frames (none missing of 4, two of 12: a highlight may hide it); and by a like amount of linear light in all of them:
 * within a factor 2 of the median, where a speck of the subject loses 4/5 of its light to a blur disc of 2.2 px. Less
 * than 4 % over bright ground is left: it does not show. Nothing is repaired where persistent spots crowd (4 within 20
 * px, or more than 1 in 2000 samples of the picture), nor, in a take that changes little, when more than 3 in 10 of all
 * spots persist: then it is the subject that persists.
 *
 * Dust: light is lost by the same share in every frame, so the dip of log luma is the same. It is looked for at radii
 * of 3 to 17 px and dips of 4 to 40 %, and judged in frames where its surroundings, freed of a quadratic, vary by less
 * than 0.2 of the dip (three of them by less than 0.13): three quarters of these must agree in depth (within 15 %),
 * place (0.12 radii), growth (8 %) and shape, without a trend along the take. Dark details of the subject fail that:
 * their depth changes by a sixth and more over four frames at the end of the take, or other detail surrounds them. When
 * the take as a whole changes little at that scale (more than 3/4 of the local contrast is common to all frames; takes
 * of few frames, mostly) no dust is repaired. Dust over ground that is textured in nearly every frame is not found:
 * better a faint trail than a hole mended in the subject.
 *
 * Source: common practice in image restoration (defect maps from a set of frames, flat-field division); no publication
 * followed. The share of light lost is reckoned in linear light, through the sRGB curve (IEC 61966-2-1:1999) from the
 * coded luma (ITU-R BT.601): light of all colours is lost alike, and a power law of light passes that on to their sum.
 */
#ifndef RF_SENSOR_H
#define RF_SENSOR_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/pose.h"
#include "railfold/status.h"

enum { RF_SENSOR_SAMPLE_MIN = 4, RF_SENSOR_SAMPLE_MAX = 12 };

typedef struct rf_sensor rf_sensor;

/* One sample to replace: a channel of a pixel, and how far along the row, column and both diagonals its good neighbours
 * lie. */
typedef struct rf_bad_sample {
    int x, y, channel;
    unsigned char before[4], after[4]; /* px steps; 0 = none inside the picture */
} rf_bad_sample;

typedef struct rf_hot_pixel {
    int x, y;     /* its middle */
    float excess; /* coded 0..1 against its surroundings, mean over the sample; negative for a dead pixel */
} rf_hot_pixel;

typedef struct rf_dust_spot {
    float x, y;          /* middle, px */
    float radius_px;     /* where the dip is half as deep as in its middle */
    float dip;           /* share of the light lost in the middle, 0..0.4 */
    int left, top, side; /* the square it covers; parts may lie outside the picture */
    float *gain;         /* owned; side * side, share of the light kept, 0.6..1 */
} rf_dust_spot;

typedef struct rf_sensor_map {
    int width, height, channels; /* of the frames it holds for */
    rf_hot_pixel *hot;           /* owned; one a fault */
    int hot_count;
    rf_bad_sample *bad; /* owned; all samples these faults touch */
    int bad_count;
    rf_bad_sample *bad_luma; /* owned; all pixels they touch, for lumas (channel 0) */
    int bad_luma_count;
    rf_dust_spot *dust; /* owned */
    int dust_count;
} rf_sensor_map;

/* Which of `frame_count` frames to look at: fills index[] in rising order and returns how many, 0 when the take is too
 * short to tell (fewer than RF_SENSOR_SAMPLE_MIN). */
int rf_sensor_sample(int frame_count, int index[RF_SENSOR_SAMPLE_MAX]);

/* Bytes the search holds at the most, however many frames: 7 * width * height + 64 MiB (tested); of frames that come
 * without their luma one more. */
size_t rf_sensor_memory_bytes(int width, int height);

/* For frames of this shape (channels 1 or 3, RF_U8 or RF_U16). `pool` is borrowed until destroy; NULL means one thread.
 * RF_ERR_USAGE for another shape. */
rf_status rf_sensor_create(rf_sensor **out, int width, int height, int channels, rf_sample sample, rf_pool *pool,
                           rf_error *err) RF_CHECKED;
void rf_sensor_destroy(rf_sensor **sensor);

/* First look: each frame of the sample, all turned alike, in take order. `luma`: the frame's, of its size and sample
 * type (rf_image_luma); NULL: it is made here. RF_ERR_INPUT on another shape or one frame too many. */
rf_status rf_sensor_survey(rf_sensor *sensor, const rf_image *frame, const rf_image *luma, rf_error *err) RF_CHECKED;

/* May be left out; when RF_SENSOR_EARLY frames were surveyed: those once more. What may yet turn out to be a hot pixel
 * is from then on examined as the others are surveyed, and the second look does without colour, unless too much of the
 * subject persists as yet. The findings are the same. RF_ERR_INTERNAL at another time. */
enum { RF_SENSOR_EARLY = 4 };
rf_status rf_sensor_follow(rf_sensor *sensor, const rf_image *const frames[RF_SENSOR_EARLY], rf_error *err) RF_CHECKED;

/* Ends the first look: *count suspects. With 0 the second look can be left out. */
rf_status rf_sensor_suspects(rf_sensor *sensor, int *count, rf_error *err) RF_CHECKED;

/* After that: 1 when the second look must see the frames themselves; else their lumas will do. */
int rf_sensor_wants_colour(const rf_sensor *sensor);

/* Second look: the same frames again, in the same order. `frame` may be NULL where colour is not wanted, `luma` where
 * there is a frame. */
rf_status rf_sensor_examine(rf_sensor *sensor, const rf_image *frame, const rf_image *luma, rf_error *err) RF_CHECKED;

/* What was found; *map must be zeroed and is freed by the caller. */
rf_status rf_sensor_finish(rf_sensor *sensor, rf_sensor_map *map, rf_error *err) RF_CHECKED;

/* ---- dust once more, when the poses are known ----
 *
 * Shadows that stand still while the picture moves beneath them. The log luma of a frame less that of the frame before,
 * moved by what the poses say, holds the shadow less the shadow shifted, and what one step of focus changed; the
 * photographer's own unsteady hand tells them apart, for focus does not know which way the rail shook. Least squares
 * over all pairs give the gradient of the standing pattern, a matched filter the spots: this needs no even
 * surroundings, but it needs a rail that is not perfectly smooth (0.1 px of unevenness from frame to frame; below it
 * finds nothing).
 *
 * Source: Kuhn, Lin and Loranz, PASP 103, 1097 (1991), a sensor's own pattern from shifted exposures of one scene; from
 * memory. At most 24 frames are kept, reduced to 1600 px: all of a short take, of a long one three runs of 8. */
enum { RF_SHADOW_FRAMES = 24 };
typedef struct rf_shadow rf_shadow;

/* For frames of width x height whose lumas will be handed in reduced by `reduce`. `pool` is borrowed until destroy,
 * NULL is allowed. */
rf_status rf_shadow_create(rf_shadow **out, int width, int height, int reduce, int frame_count, rf_pool *pool,
                           rf_error *err) RF_CHECKED;
void rf_shadow_destroy(rf_shadow **shadow);
size_t rf_shadow_memory_bytes(int width, int height, int frame_count); /* held at the most */

/* Luma of frame k (any sample type, coded, width / reduce by height / reduce), in rising order; not all frames are
 * needed, and those that are not are passed over. */
rf_status rf_shadow_keep(rf_shadow *shadow, int k, const rf_image *luma, rf_error *err) RF_CHECKED;

/* poses[frame_count]: output pixel -> frame pixel, full size. Adds what was found, and is not there already, to *map,
 * whose size is that of the frames, empty or not. */
rf_status rf_shadow_finish(rf_shadow *shadow, const rf_pose *poses, rf_sensor_map *map, rf_error *err) RF_CHECKED;

int rf_sensor_map_is_empty(const rf_sensor_map *map);
void rf_sensor_map_free(rf_sensor_map *map);

/* Repairs one frame in place: bad samples from the good ones around them along whichever of four directions changes
 * least, dust divided out in linear light. The map is only read: several threads may repair different frames.
 * RF_ERR_INPUT on another shape. */
rf_status rf_sensor_repair(const rf_sensor_map *map, rf_image *frame, rf_error *err) RF_CHECKED;

/* The same for a frame's luma alone (RF_U8 or RF_U16, of the frame's size): what a repaired frame's luma would be but
 * for 2 levels of 255 where a direction is chosen otherwise. */
rf_status rf_sensor_repair_luma(const rf_sensor_map *map, rf_image *luma, rf_error *err) RF_CHECKED;

#endif
