/* state.h - what the depth module keeps between frames. Private to src/depth. */
#ifndef RF_DEPTH_STATE_H
#define RF_DEPTH_STATE_H

#include "railfold/depth.h"
#include "railfold/sharpness.h"

enum { RF_FIT_POINTS = 5, RF_FIT_CENTRE = 2, RF_DEPTH_BLOCK_ROWS = 16 };

typedef struct rf_peak {
    float position; /* frame positions */
    float energy;   /* 0: no such peak */
} rf_peak;

/* Kept per energy pixel: the best peaks, best first, and the smallest and summed energy for the noise floor. */
typedef struct rf_focus {
    rf_peak peak[RF_DEPTH_PEAKS];
    float lowest, total;
} rf_focus;

struct rf_depth {
    int width, height, frame_count, energy_width, energy_height;
    rf_depth_options options;
    rf_pool *pool;
    rf_sharpness *sharpness;
    int pass, in_pass, last_frame;
    rf_image ring[RF_FIT_POINTS]; /* energies, oldest first */
    int ring_frame[RF_FIT_POINTS];
    int ring_count;
    rf_focus *focus; /* energy_width * energy_height */
    float noise_floor;
    int frames_seen;
};

/* Takes the local maxima at ring entry `centre` into the best peaks; entries begin..ring_count-1 are its neighbours. */
void rf_peaks_take(rf_depth *depth, int centre);

/* Position of the peak of e[0..count-1], taken at frames[0..], around entry `centre`. */
float rf_peak_position(const float *e, const int *frames, int count, int centre);

#endif
