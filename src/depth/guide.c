/* guide.c - the guide picture: every place as the frames show it that are focused on the nearest part around it. There
 * the outline of that part is sharp and the ground behind it smooth, which no other picture of the take offers. */
#include <math.h>

#include "base/hot.h"
#include "depth/state.h"
#include "railfold/memory.h"

static const float WIDTH_STEPS = 0.6f; /* standard deviation of a frame's weight over its distance */
static const float REACH_STEPS = 1.5f;

enum { TILE = RF_PIECE_COLUMNS, PLACES = TILE / 2 };

static int tiles(int side)
{
    return (side + TILE - 1) / TILE;
}

/* The places of a tile: rows [place.y, place.y + height), columns likewise. */
static rf_piece places_of(const rf_depth *d, rf_piece tile)
{
    int top = rf_energy_row(d, tile.y), left = rf_energy_column(d, tile.x);
    return (rf_piece){left, top, rf_energy_column(d, tile.x + tile.width - 1) + 1 - left,
                      rf_energy_row(d, tile.y + tile.height - 1) + 1 - top};
}

static rf_piece tile_at(const rf_depth *d, int i)
{
    int across = tiles(d->width);
    rf_piece tile = {i % across * TILE, i / across * TILE, TILE, TILE};
    tile.width = tile.x + TILE > d->width ? d->width - tile.x : TILE;
    tile.height = tile.y + TILE > d->height ? d->height - tile.y : TILE;
    return tile;
}

RF_HOT_256 static void widen(const float *at, int n, float *range)
{
    float low = range[0], high = range[1];
    for (int i = 0; i < n; i++) {
        low = at[i] < low ? at[i] : low;
        high = at[i] > high ? at[i] : high;
    }
    range[0] = low;
    range[1] = high;
}

/* Between which ways each tile's places lie: most frames have nothing in most tiles. */
static void range_tiles(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_depth *d = arg;
    for (int i = begin; i < end; i++) {
        rf_piece places = places_of(d, tile_at(d, i));
        d->guide_range[i][0] = INFINITY;
        d->guide_range[i][1] = -INFINITY;
        for (int j = places.y; j < places.y + places.height; j++)
            widen(rf_image_row_f32(&d->guide_at, j) + places.x, places.width, d->guide_range[i]);
    }
}

rf_status rf_guide_begin(rf_depth *d, rf_error *err)
{
    rf_status status;
    int count = tiles(d->width) * tiles(d->height);
    RF_TRY(rf_alloc_raw(&d->guide_range, (size_t)count, sizeof *d->guide_range, "the guide picture", err));
    rf_pool_rows(d->pool, count, 1, range_tiles, d);
    RF_TRY(rf_image_alloc_raw(&d->guide, d->width, d->height, 3, RF_F32, "the guide picture", err));
    RF_TRY(rf_image_alloc_raw(&d->guide_weight, d->width, d->height, 1, RF_F32, "the guide picture", err));
    rf_image_clear(&d->guide, d->pool);
    rf_image_clear(&d->guide_weight, d->pool);
done:
    return status;
}

typedef struct guide_job {
    rf_depth *d;
    const rf_source *source;
    float way;
} guide_job;

RF_HOT_256 static int any_near(const float *at, int n, float way)
{
    int any = 0;
    for (int i = 0; i < n; i++)
        any |= fabsf(way - at[i]) <= REACH_STEPS;
    return any;
}

/* Shrinks a tile to what holds all places that the frame counts at, and weighs those; returns whether there are any. */
static int weigh_tile(const guide_job *job, rf_piece *tile, float weight[PLACES][PLACES])
{
    const rf_depth *d = job->d;
    rf_piece places = places_of(d, *tile);
    int top = places.y, below = places.y + places.height, left = places.x, beside = places.x + places.width;
    int first_row = below, last_row = -1, first = beside, last = -1;
    for (int j = top; j < below; j++) {
        const float *at = rf_image_row_f32(&d->guide_at, j);
        if (!any_near(at + left, beside - left, job->way))
            continue;
        first_row = j < first_row ? j : first_row;
        last_row = j;
        for (int i = left; i < beside; i++)
            if (fabsf(job->way - at[i]) <= REACH_STEPS) {
                first = i < first ? i : first;
                last = i > last ? i : last;
            }
    }
    if (last < 0)
        return 0;
    int right = last + 1 < d->energy_width ? (last + 1) * d->cell : d->width; /* what reduction left over is in it */
    int bottom = last_row + 1 < d->energy_height ? (last_row + 1) * d->cell : d->height;
    right = right < tile->x + tile->width ? right : tile->x + tile->width;
    bottom = bottom < tile->y + tile->height ? bottom : tile->y + tile->height;
    *tile = (rf_piece){first * d->cell, first_row * d->cell, right - first * d->cell, bottom - first_row * d->cell};
    for (int j = first_row; j <= last_row; j++) {
        const float *at = rf_image_row_f32(&d->guide_at, j);
        for (int i = first; i <= last; i++) {
            float away = (job->way - at[i]) * (1.0f / WIDTH_STEPS);
            weight[j - first_row][i - first] =
                fabsf(away) > REACH_STEPS / WIDTH_STEPS ? 0.0f : expf(-0.5f * away * away);
        }
    }
    return 1;
}

/* Pixels [first, last) of a row; `each`: their weights, once for each of three samples. */
RF_HOT static void add_row(float *restrict sum, float *restrict total, const float *restrict from,
                           const float *restrict each, int first, int last, int grey)
{
    for (int x = first; x < last; x++)
        total[x] += each[3 * x];
    if (grey)
        for (int x = first; x < last; x++)
            for (int c = 0; c < 3; c++)
                sum[3 * x + c] += each[3 * x] * from[x];
    else
        for (int n = 3 * first; n < 3 * last; n++)
            sum[n] += each[n] * from[n];
}

/* A row of the places' weights, one for each sample of the tile's pixels. */
static void spread(const rf_depth *d, rf_piece tile, const float weight[PLACES], float each[3 * TILE])
{
    int last = d->energy_width - 1 - tile.x / d->cell; /* a last pixel that reduction left over takes its neighbour's */
    for (int n = 0, i = 0; n < 3 * tile.width; i++)
        for (int end = n + 3 * d->cell; n < end && n < 3 * TILE; n++)
            each[n] = weight[i < last ? i : last];
}

static void add_tiles(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const guide_job *job = arg;
    rf_depth *d = job->d;
    size_t channels = (size_t)job->source->channels;
    float weight[PLACES][PLACES], each[3 * TILE], colours[3 * TILE * TILE];
    for (int i = begin; i < end; i++) {
        rf_piece tile = tile_at(d, i);
        const float *range = d->guide_range[i];
        if (range[0] - job->way > REACH_STEPS || job->way - range[1] > REACH_STEPS || !weigh_tile(job, &tile, weight))
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
    guide_job job = {d, source, rf_way_sign(d) * (float)k};
    rf_pool_rows(d->pool, tiles(d->width) * tiles(d->height), 1, add_tiles, &job);
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
    rf_image_free(&d->guide_at);
    rf_free(d->guide_range);
    d->guide_range = NULL;
}
