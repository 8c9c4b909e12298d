/* lens_private.h - shared by the lens_*.c files. */
#ifndef TAKE_LENS_PRIVATE_H
#define TAKE_LENS_PRIVATE_H

#include "disc.h"
#include "lens.h"

/* Four floats in one register (gcc and clang). Lanes: red, green, blue, alpha. */
typedef float v4 __attribute__((vector_size(16)));
typedef uint16_t u4 __attribute__((vector_size(8)));

static inline v4 v4_all(float value)
{
    return (v4){value, value, value, value};
}

enum {
    BAND_ROWS = 48,              /* rows of the frame a thread works on at a time */
    CHUNK_ROWS = 10 * BAND_ROWS, /* rows of the frame a raster layer is warped for at a time */
    LARGEST_DISC_PX = 1000,
    LANCZOS_TAPS = 6,
    LANCZOS_PHASES = 1024,
    PROFILE_RADIUS_STEPS = 8, /* near-focus profiles, radii a pixel */
    PROFILE_LARGEST_PX = 3,   /* above it a strand's blur is a plain disc */
    PROFILE_SQUARES = 24      /* table steps a square pixel of distance squared */
};

/* Room for one band: what discs begin and end (to be summed along rows), and what is entered pixel by pixel. */
typedef struct band_scratch {
    v4 *ends;      /* BAND_ROWS x (width + 2) */
    v4 *direct;    /* same shape */
    float *weight; /* same shape */
} band_scratch;

struct lens {
    const scene *subject;
    const rail *plan;
    rf_pool *pool;
    double mtf_px;
    disc_table discs;
    float lanczos[LANCZOS_PHASES + 1][LANCZOS_TAPS];
    float *profiles; /* near-focus spread of a strand's patch: [radius][distance squared] */
    int profile_length;
    band_scratch *scratch; /* one a thread */
    int threads;
    int scratch_stride;    /* width + 2 */
    v4 *warped;            /* rows of a raster layer on the frame's grid, with a margin */
    uint16_t *warped_disc; /* disc index of each */
    uint8_t *warped_used;  /* one a row: has any cover */
    size_t warped_room, warped_rows;
    int *row_begin[SCENE_MAX_LAYERS], *row_end[SCENE_MAX_LAYERS]; /* covered columns of each raster row */
};

/* Coordinates of one exposure. */
typedef struct exposure {
    lens *self;
    const rail_frame *frame;
    double blur; /* px per step; 0 for the truth */
    double cosine, sine;
    float *rgb;   /* picture so far */
    float *depth; /* not NULL: depths are wanted, not colours */
    uint8_t *subject;
} exposure;

static inline float blur_radius_px(const exposure *e, float z)
{
    return (float)e->blur * fabsf(z - (float)e->frame->focus);
}

/* lens_tables.c */
void lens_fill_lanczos(float table[LANCZOS_PHASES + 1][LANCZOS_TAPS]);
rf_status lens_make_profiles(lens *self, rf_error *err) RF_CHECKED;

/* lens_raster.c */
rf_status lens_raster(exposure *e, int layer_index, rf_error *err) RF_CHECKED;
void lens_raster_depth(exposure *e, const raster_layer *raster);

/* lens_strands.c */
void lens_strands(exposure *e, const strand_layer *strands);

/* lens_backdrop.c */
rf_status lens_backdrop(exposure *e, rf_error *err) RF_CHECKED;

/* lens_spread.c: spreads a grid of pixels over bands. */
typedef struct spread_source {
    const v4 *rgba;       /* premultiplied */
    const uint16_t *disc; /* disc index of each pixel, or NULL: `same_disc` for all */
    int same_disc;
    int width, height;
    int column, row; /* target pixel that its first one stands for */
    int reach;       /* largest reach of any disc in it, px */
} spread_source;

/* Enters rows [row_begin, row_end) of the target, `columns` wide, into scratch (cleared here). */
void spread_band(const lens *self, const spread_source *source, band_scratch *scratch, int columns, int row_begin,
                 int row_end);

#endif
