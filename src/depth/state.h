/* state.h - what the depth module keeps between frames. Private to src/depth.
 *
 * "Way" is depth counted from near to far: the frame position, or its negative when frame 0 is focused farthest. All
 * planes at half size hold ways, so that a smaller number always means nearer. */
#ifndef RF_DEPTH_STATE_H
#define RF_DEPTH_STATE_H

#include "railfold/depth.h"
#include "railfold/sharpness.h"

enum { RF_FIT_POINTS = 5, RF_FIT_CENTRE = 2, RF_DEPTH_BLOCK_ROWS = 16 };
/* Frames whose energies are held: judged several at a time, for a place's peaks lie far apart in memory. */
enum { RF_RING = 8 };

/* Depths further apart than this belong to two surfaces; less than RF_SAME_STEPS apart, to one. */
#define RF_APART_STEPS 1.5f
#define RF_SAME_STEPS 1.0f

typedef struct rf_peak {
    float position; /* frame positions */
    float energy;   /* 0: no such peak */
} rf_peak;

/* Kept per energy pixel: the best peaks, best first, and the smallest energy. */
typedef struct rf_focus {
    rf_peak peak[RF_DEPTH_PEAKS];
    float lowest;
} rf_focus;

enum { RF_LONE = 1, RF_KNOWN = 2 };

typedef struct rf_defocus rf_defocus;

struct rf_depth {
    int width, height, frame_count, energy_width, energy_height;
    int cell; /* output pixels along the side of an energy pixel: 2, 4 or 8 */
    rf_depth_options options;
    rf_pool *pool;
    rf_sharpness *sharpness;
    int pass, in_pass, last_frame;
    rf_image ring[RF_RING]; /* energies, oldest first; freed after pass 0 */
    int ring_frame[RF_RING];
    int ring_count, ring_taken; /* how many are held, and how many of these are judged */
    rf_focus *focus;            /* energy_width * energy_height */
    float noise_floor;          /* of frames as pass 0 saw them */
    int quietest;               /* the frame it was found in */
    float full_size_floor;      /* the same of that frame at full size */
    int frames_seen;
    /* half size, made after pass 0 */
    rf_image way;            /* of the sharpest peak, guesses filled in */
    rf_image trust;          /* 0..1: how far `way` is a measurement */
    rf_image front;          /* way of the nearest surface that may reach here; freed when the edges are settled */
    unsigned char *known;    /* RF_KNOWN where many places agree on `way`, RF_LONE where trusted all the same, else 0 */
    rf_image guide_at;       /* way at which the guide picture is focused; freed with its weights */
    float (*guide_range)[2]; /* its lowest and highest per tile; freed likewise */
    /* full size, made in pass 1 */
    rf_image guide;        /* what the frames focused on the nearest part around show */
    rf_image guide_weight; /* freed when the pass ends */
    rf_defocus *defocus;   /* freed when the pass ends */
    double blur_px_per_step;
};

static inline rf_focus *rf_focus_row(const rf_depth *d, int j)
{
    return d->focus + (size_t)j * (size_t)d->energy_width;
}
/* Energy row and column of an output pixel; a last one that reduction left over takes its neighbour's. */
static inline int rf_energy_row(const rf_depth *d, int y)
{
    return y / d->cell < d->energy_height ? y / d->cell : d->energy_height - 1;
}
static inline int rf_energy_column(const rf_depth *d, int x)
{
    return x / d->cell < d->energy_width ? x / d->cell : d->energy_width - 1;
}
static inline float rf_way_sign(const rf_depth *d)
{
    return d->options.far_first ? -1.0f : 1.0f;
}
/* Of two numbers, neither of them NAN: fminf and fmaxf, which heed it, are calls. */
static inline float rf_lower(float a, float b)
{
    return a < b ? a : b;
}
static inline float rf_higher(float a, float b)
{
    return a > b ? a : b;
}
static inline int rf_clamp_int(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

/* peaks.c: takes the local maxima at ring entries [first, end), at most 8, into the best peaks. */
void rf_peaks_take(rf_depth *depth, int first, int end);
/* Position of the peak of e[0..count-1], taken at frames[0..], around entry `centre`. */
float rf_peak_position(const float *e, const int *frames, int count, int centre);

/* plane.c: the smallest (sign +1) or largest (-1) value within `radius` of every pixel; the median of 3 x 3. */
void rf_plane_extreme(const rf_image *in, rf_image *out, float radius, float sign, rf_pool *pool);
void rf_plane_median(const rf_image *in, rf_image *out, rf_pool *pool);
/* Row y, n pixels, of the plane at twice its size: bilinear within one surface, else the place that a pixel lies in. */
void rf_plane_finer(const rf_image *way, int y, int n, float *out);

/* fill.c: replaces values by a smooth continuation of their surroundings as their weight goes to 0. */
rf_status rf_plane_fill(rf_image *value, const rf_image *weight, rf_pool *pool, rf_error *err) RF_CHECKED;

/* back.c: continues known surfaces through faint places beside strong outlines, in way, trust and the peaks, and takes
 * trust from faint lone ones. guide_at holds the strongest energy around meanwhile. */
rf_status rf_back_grow(rf_depth *depth, rf_error *err) RF_CHECKED;

/* front.c: way, trust, front and guide_at from the peaks. */
rf_status rf_front_find(rf_depth *depth, rf_error *err) RF_CHECKED;

/* deviation.c: how far the depth map (full size, ways) scatters, and on how many differences a place that
 * rests (0 to 4); half size, freed by rf_deviation_free. */
typedef struct rf_deviation {
    rf_image steps, differences;
} rf_deviation;
rf_status rf_deviation_find(const rf_depth *depth, const rf_image *map, rf_deviation *found, rf_error *err) RF_CHECKED;
void rf_deviation_free(rf_deviation *found);

/* guide.c */
rf_status rf_guide_begin(rf_depth *depth, rf_error *err) RF_CHECKED;
void rf_guide_add(rf_depth *depth, int k, const rf_source *source);
void rf_guide_end(rf_depth *depth);

/* defocus.c: tiles are chosen after pass 0, watched in pass 1, solved at its end; 0 = the take does not tell. */
rf_status rf_defocus_begin(rf_depth *depth, rf_error *err) RF_CHECKED;
void rf_defocus_add(rf_depth *depth, int k, const rf_source *source);
double rf_defocus_solve(const rf_depth *depth);

/* outline.c: settles every pixel near a depth edge; *depth_map is made and receives ways at full size. */
rf_status rf_outline_settle(rf_depth *depth, rf_image *depth_map, rf_error *err) RF_CHECKED;

#endif
