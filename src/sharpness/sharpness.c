/* sharpness.c - Laplacian energy of one frame: measured and pooled, the noise floor told, then drawn back in. */
#include "railfold/sharpness.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"
#include "sharpness/state.h"

static const double SMOOTH_PX = 0.7;
static const double POOL_PX = 0.85;   /* in energy pixels: 1.7 frame pixels */
static const double DRAW_IN_PX = 0.7; /* 1.4 frame pixels: more loses thin bristles, less lets outlines grow */
static const float TINY_ENERGY = 1e-12f;
enum { BINS_PER_OCTAVE = 128, FLOORS_PER_OCTAVE = 4, FLOOR_LOWEST_OCTAVE = -44 };

static rf_kernel gaussian(double sigma, int radius)
{
    rf_kernel k = {{0}};
    double sum = 0.0, tap[5] = {0};
    for (int i = 0; i <= radius; i++) {
        tap[i] = exp(-0.5 * i * i / (sigma * sigma));
        sum += i == 0 ? tap[i] : 2.0 * tap[i];
    }
    for (int i = 0; i <= radius; i++)
        k.tap[i] = (float)(tap[i] / sum);
    return k;
}

int rf_sharpness_side(int frame_side)
{
    return (frame_side + 1) / 2;
}

rf_status rf_sharpness_create(rf_sharpness **out, int width, int height, rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_sharpness *s = NULL;
    *out = NULL;
    RF_TRY(rf_alloc(&s, 1, sizeof *s, "the sharpness measure", err));
    *s = (rf_sharpness){.width = width, .height = height, .pool = pool};
    s->energy_width = rf_sharpness_side(width);
    s->energy_height = rf_sharpness_side(height);
    s->smooth = gaussian(SMOOTH_PX, RF_SMOOTH_RADIUS);
    s->gather = gaussian(POOL_PX, RF_GATHER_RADIUS);
    s->draw_in = gaussian(DRAW_IN_PX, RF_DRAW_IN_RADIUS);
    RF_TRY(rf_image_alloc_raw(&s->pooled, s->energy_width, s->energy_height, 1, RF_F32, "the sharpness measure", err));
    size_t pooled = rf_pooled_scratch(width), drawn = rf_draw_in_scratch(s->energy_width);
    s->scratch_floats = pooled > drawn ? pooled : drawn;
    RF_TRY(rf_alloc(&s->scratch, (size_t)rf_pool_threads(pool) * s->scratch_floats, sizeof *s->scratch,
                    "the sharpness measure", err));
    RF_TRY(rf_alloc(&s->inside, (size_t)s->energy_height, sizeof *s->inside, "the sharpness measure", err));
    RF_TRY(rf_alloc(&s->counts, (size_t)rf_pool_threads(pool), sizeof *s->counts, "the sharpness measure", err));
    *out = s;
    return RF_OK;
done:
    rf_sharpness_destroy(&s);
    return status;
}

void rf_sharpness_destroy(rf_sharpness **sharpness)
{
    rf_sharpness *s = *sharpness;
    if (s == NULL)
        return;
    rf_image_free(&s->pooled);
    rf_free(s->scratch);
    rf_free(s->inside);
    rf_free(s->counts);
    rf_free(s);
    *sharpness = NULL;
}

float rf_sharpness_noise_floor(const rf_sharpness *sharpness)
{
    return sharpness->noise_floor;
}

/* Which energies have their support covered; *top and *bottom: the first and the last row with any. Returns whether
 * there are any. */
static int find_inside(rf_sharpness *s, const int (*covered)[2], int *top, int *bottom)
{
    *top = -1;
    for (int j = 0; j < s->energy_height; j++) {
        int begin = 0, end = s->width;
        for (int y = 2 * j - RF_SUPPORT_PX; covered != NULL && y <= 2 * j + 1 + RF_SUPPORT_PX; y++) {
            if (y < 0 || y >= s->height)
                continue;
            begin = covered[y][0] > begin ? covered[y][0] : begin;
            end = covered[y][1] < end ? covered[y][1] : end;
        }
        int first = begin <= 0 ? 0 : (begin + RF_SUPPORT_PX + 1) / 2;
        int last = end >= s->width ? s->energy_width : (end - RF_SUPPORT_PX) / 2;
        s->inside[j][0] = rf_within(first, 0, s->energy_width);
        s->inside[j][1] = rf_within(last, s->inside[j][0], s->energy_width);
        if (s->inside[j][0] == s->inside[j][1])
            continue;
        *top = *top < 0 ? j : *top;
        *bottom = j;
    }
    return *top >= 0;
}

/* The value below which a twentieth of the counted energies lie, to a quarter of an octave. */
static float low_twentieth(const rf_sharpness *s)
{
    long total = 0, below = 0;
    int threads = rf_pool_threads(s->pool);
    for (int t = 0; t < threads; t++)
        for (int b = 0; b < RF_FLOOR_BINS; b++)
            total += s->counts[t][b];
    for (int b = 0; b < RF_FLOOR_BINS; b++) {
        for (int t = 0; t < threads; t++)
            below += s->counts[t][b];
        if (20 * below >= total && total > 0) {
            float within = log2f(1.0f + ((float)(b % BINS_PER_OCTAVE) + 0.5f) / BINS_PER_OCTAVE);
            float quarter = floorf(within * FLOORS_PER_OCTAVE);
            return exp2f((float)(FLOOR_LOWEST_OCTAVE + b / BINS_PER_OCTAVE) + (quarter + 0.5f) / FLOORS_PER_OCTAVE);
        }
    }
    return TINY_ENERGY;
}

rf_status rf_sharpness_measure_source(rf_sharpness *s, const rf_source *source, rf_image *energy, rf_error *err)
{
    if (source->width != s->width || source->height != s->height || (source->channels != 1 && source->channels != 3))
        return rf_fail(err, RF_ERR_INPUT,
                       "a frame of %d x %d pixels and %d channels cannot be measured: %d x %d was announced",
                       source->width, source->height, source->channels, s->width, s->height);
    if (energy->width != s->energy_width || energy->height != s->energy_height || energy->channels != 1 ||
        energy->sample != RF_F32)
        return rf_fail(err, RF_ERR_INTERNAL, "an energy map of %d x %d pixels does not fit a frame of %d x %d",
                       energy->width, energy->height, s->width, s->height);
    int top, bottom;
    if (!find_inside(s, source->covered, &top, &bottom)) {
        rf_image_clear(energy, s->pool);
        s->noise_floor = TINY_ENERGY;
        return RF_OK;
    }
    rf_pooled_energy(s, source, top, bottom);
    s->noise_floor = low_twentieth(s);
    rf_draw_in(s, energy);
    return RF_OK;
}

rf_status rf_sharpness_measure(rf_sharpness *s, const rf_image *frame, const int (*covered)[2], rf_image *energy,
                               rf_error *err)
{
    if (frame->sample != RF_F32)
        return rf_fail(err, RF_ERR_INPUT, "a frame that is not of floats cannot be measured");
    rf_source source = rf_source_of_image(frame, covered);
    return rf_sharpness_measure_source(s, &source, energy, err);
}
