/* sensor_scene.h - takes made from plane waves, moved and blurred exactly: by phase and by the Gaussian's transfer
 * function. */
#ifndef RF_TEST_SENSOR_SCENE_H
#define RF_TEST_SENSOR_SCENE_H

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#include "railfold/image.h"

enum { WIDTH = 200, HEIGHT = 150, WAVES = 40, FRAMES = 20 };
static const double TURN = 6.283185307179586;

typedef struct scene {
    double drift_px, blur_px;   /* per frame; blur: standard deviation gained per frame off the middle one */
    double contrast;            /* of each wave, linear light */
    double finest, coarsest;    /* waves per pixel */
    int speck, blob;            /* a bright dot, or a dark disc of 8 px, that belongs to the subject */
    int hot, smear, dead, dust; /* faults */
    int channels;
    rf_sample sample;
    double jitter_px; /* to either side and up and down, a uniform deviate a frame */
} scene;

static uint32_t next(uint32_t *state)
{
    return *state = *state * 1664525u + 1013904223u;
}
static double uniform(uint32_t *state)
{
    return (double)(next(state) >> 8) / 16777216.0;
}

/* Where the scene lies in frame k. */
static void shift_of(const scene *s, int k, double *x, double *y)
{
    uint32_t state = 77u + 1013u * (uint32_t)k;
    (void)uniform(&state);
    *x = s->drift_px * k + s->jitter_px * (2 * uniform(&state) - 1);
    *y = s->jitter_px * (2 * uniform(&state) - 1);
}

static const int HOT[3][2] = {{40, 50}, {150, 20}, {101, 149}}, DEAD[2] = {70, 110};
static const double DUST_X = 120.3, DUST_Y = 70.6, DUST_RADIUS = 8, DUST_DIP = 0.2;

static double dust_gain(double x, double y)
{
    double square = ((x - DUST_X) * (x - DUST_X) + (y - DUST_Y) * (y - DUST_Y)) / (DUST_RADIUS * DUST_RADIUS);
    return 1 - DUST_DIP * exp2(-square); /* half the dip at the radius */
}

/* A dot of 2.5 px^2, or a disc of 8 px radius, spread by a Gaussian (the disc's own edge taken as one of 5.7 px). */
static double spot(double x, double y, double area, double own, double sigma)
{
    double variance = own * own + sigma * sigma;
    return area / (TURN * variance) * exp(-(x * x + y * y) / (2 * variance));
}

static void set_sample(rf_image *frame, int x, int y, int c, double linear)
{
    float coded = rf_coded_from_linear((float)linear);
    char *row = rf_image_row(frame, y);
    rf_row_from_f32(row + (size_t)(x * frame->channels + c) * rf_sample_bytes(frame->sample), &coded, frame->sample, 1);
}

static inline double linear_sample(const rf_image *frame, int x, int y, int c)
{
    float coded;
    const char *row = rf_image_row(frame, y);
    rf_row_to_f32(&coded, row + (size_t)(x * frame->channels + c) * rf_sample_bytes(frame->sample), frame->sample, 1);
    return (double)rf_linear_from_coded(coded);
}

static double fault_light(const scene *s, int x, int y, int c)
{
    double added = 0;
    for (int i = 0; i < s->hot; i++) {
        int dx = abs(HOT[i][0] - x), dy = abs(HOT[i][1] - y);
        if (dx == 0 && dy == 0 && (c == i % s->channels || s->smear))
            added += 0.4;
        else if (s->smear && dx <= 1 && dy <= 1)
            added += 0.15;
    }
    return added;
}

/* Frame k; `faults` 0 leaves the sensor clean. */
static void render(const scene *s, int k, int faults, rf_image *frame)
{
    static double light[HEIGHT][WIDTH];
    uint32_t state = 7;
    double sigma = 0.6 + s->blur_px * abs(k - FRAMES / 2), shift, down;
    shift_of(s, k, &shift, &down);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            light[y][x] = 0.3;
            if (s->speck)
                light[y][x] += 0.6 * spot(x - 100 - shift, y - 80 - down, 2.5, 0.6, sigma);
            if (s->blob)
                light[y][x] -= 0.15 * spot(x - 100 - shift, y - 80 - down, 201, 5.7, sigma);
        }
    for (int i = 0; i < WAVES; i++) {
        double f = s->coarsest + (s->finest - s->coarsest) * uniform(&state), angle = TURN * uniform(&state);
        double phase = TURN * uniform(&state), fx = f * cos(angle), fy = f * sin(angle);
        double amplitude = s->contrast * exp(-0.5 * TURN * TURN * f * f * sigma * sigma);
        for (int y = 0; amplitude > 1e-5 && y < HEIGHT; y++)
            for (int x = 0; x < WIDTH; x++)
                light[y][x] += amplitude * sin(TURN * (fx * (x - shift) + fy * (y - down)) + phase);
    }
    state = 1000u + (uint32_t)k;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++)
            for (int c = 0; c < s->channels; c++) {
                double value = light[y][x];
                value = fmax(value, 0.01) * (faults && s->dust ? dust_gain(x, y) : 1) + 0.003 * (uniform(&state) - 0.5);
                value = faults && s->dead && x == DEAD[0] && y == DEAD[1]
                            ? 0
                            : value + (faults ? fault_light(s, x, y, c) : 0);
                set_sample(frame, x, y, c, value);
            }
}

#endif
