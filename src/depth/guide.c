/* guide.c - the guide picture: every place as the frames show it that are focused on the nearest part around it. There
 * the outline of that part is sharp and the ground behind it smooth, which no other picture of the take offers. */
#include <math.h>

#include "base/hot.h"
#include "depth/state.h"
#include "railfold/memory.h"

static const float WIDTH_STEPS = 0.6f; /* standard deviation of a frame's weight over its distance */
static const float REACH_STEPS = 2.0f;

rf_status rf_guide_begin(rf_depth *d, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_image_alloc_raw(&d->guide, d->width, d->height, 3, RF_F32, "the guide picture", err));
    RF_TRY(rf_image_alloc_raw(&d->guide_weight, d->width, d->height, 1, RF_F32, "the guide picture", err));
    rf_image_clear(&d->guide, d->pool);
    rf_image_clear(&d->guide_weight, d->pool);
done:
    return status;
}

enum { TILE = RF_PIECE_COLUMNS, PLACES = TILE / 2 };

typedef struct guide_job {
    rf_depth *d;
    const rf_source *source;
    float way;
    int across; /* tiles in a row */
} guide_job;

/* Weights of the frame at the energy pixels under a tile; returns whether it has any. */
static int weigh_tile(const guide_job *job, rf_piece tile, float weight[PLACES][PLACES])
{
    const rf_depth *d = job->d;
    int top = rf_energy_row(d, tile.y), rows = rf_energy_row(d, tile.y + tile.height - 1) - top + 1, any = 0;
    int left = rf_energy_column(d, tile.x), columns = rf_energy_column(d, tile.x + tile.width - 1) - left + 1;
    for (int j = 0; j < rows; j++) {
        const float *at = rf_image_row_f32(&d->guide_at, top + j) + left;
        for (int i = 0; i < columns; i++)
            any |= fabsf(job->way - at[i]) <= REACH_STEPS;
    }
    for (int j = 0; any && j < rows; j++) {
        const float *at = rf_image_row_f32(&d->guide_at, top + j) + left;
        for (int i = 0; i < columns; i++) {
            float away = (job->way - at[i]) * (1.0f / WIDTH_STEPS);
            weight[j][i] = fabsf(away) > REACH_STEPS / WIDTH_STEPS ? 0.0f : expf(-0.5f * away * away);
        }
    }
    return any;
}

RF_HOT static void add_row(float *restrict sum, float *restrict total, const float *restrict from,
                           const float *restrict each, int first, int last, int grey)
{
    for (int x = first; x < last; x++)
        total[x] += each[x];
    if (grey)
        for (int x = first; x < last; x++)
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += each[x] * from[x];
    else
        for (int x = first; x < last; x++)
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += each[x] * from[3 * x + c];
}

/* A row of the places' weights, one for each of the tile's pixels. */
static void spread(const rf_depth *d, rf_piece tile, const float weight[PLACES], float each[TILE])
{
    int last = d->energy_width - 1 - tile.x / d->cell; /* a last pixel that reduction left over takes its neighbour's */
    for (int x = 0, i = 0; x < tile.width; i++)
        for (int end = x + d->cell; x < end && x < TILE; x++)
            each[x] = weight[i < last ? i : last];
}

static void add_tiles(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const guide_job *job = arg;
    rf_depth *d = job->d;
    size_t channels = (size_t)job->source->channels;
    float weight[PLACES][PLACES], each[TILE], colours[3 * TILE * TILE];
    for (int i = begin; i < end; i++) {
        rf_piece tile = {i % job->across * TILE, i / job->across * TILE, TILE, TILE};
        tile.width = tile.x + TILE > d->width ? d->width - tile.x : TILE;
        tile.height = tile.y + TILE > d->height ? d->height - tile.y : TILE;
        if (!weigh_tile(job, tile, weight))
            continue;
        job->source->read(job->source, tile, RF_PIECE_COLOUR, colours, TILE * channels);
        for (int y = 0; y < tile.height; y++) {
            int first, last, top = rf_energy_row(d, tile.y);
            if (y % d->cell == 0)
                spread(d, tile, weight[rf_energy_row(d, tile.y + y) - top], each);
            rf_source_covered(job->source, tile, tile.y + y, &first, &last);
            add_row(rf_image_row_f32(&d->guide, tile.y + y) + 3 * (size_t)tile.x,
                    rf_image_row_f32(&d->guide_weight, tile.y + y) + tile.x, colours + (size_t)y * TILE * channels,
                    each, first, last, channels == 1);
        }
    }
}

void rf_guide_add(rf_depth *d, int k, const rf_source *source)
{
    int across = (d->width + TILE - 1) / TILE, down = (d->height + TILE - 1) / TILE;
    guide_job job = {d, source, rf_way_sign(d) * (float)k, across};
    rf_pool_rows(d->pool, across * down, 1, add_tiles, &job);
}

static void divide_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    for (int y = begin; y < end; y++) {
        float *sum = rf_image_row_f32(&d->guide, y);
        const float *total = rf_image_row_f32(&d->guide_weight, y);
        for (int x = 0; x < d->width; x++) {
            float scale = total[x] > 0.0f ? 1.0f / total[x] : 0.0f;
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] *= scale;
        }
    }
}

void rf_guide_end(rf_depth *d)
{
    rf_pool_rows(d->pool, d->height, RF_DEPTH_BLOCK_ROWS, divide_rows, d);
    rf_image_free(&d->guide_weight);
}
