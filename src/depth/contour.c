/* contour.c - smoothing within surfaces, contour lines, strokes over what is uncertain. */
#include "railfold/depth_draw.h"

#include <math.h>

enum { BLOCK_ROWS = 32, REACH = 2 };

typedef struct draw_job {
    const rf_depth_map *map;
    const rf_image *smooth;
    rf_image *out;
    float edge, interval;
} draw_job;

static void smooth_rows(void *arg, int begin, int end, int block, int thread)
{
    static const float weights[2 * REACH + 1] = {1, 4, 6, 4, 1};
    const draw_job *job = arg;
    const rf_image *depth = &job->map->depth;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++)
        for (int x = 0; x < depth->width; x++) {
            float middle = rf_image_row_f32(depth, y)[x], sum = 0, weight = 0;
            for (int j = -REACH; j <= REACH; j++) {
                if (y + j < 0 || y + j >= depth->height)
                    continue;
                const float *row = rf_image_row_f32(depth, y + j);
                for (int i = x < REACH ? -x : -REACH; i <= REACH && x + i < depth->width; i++) {
                    float w = weights[j + REACH] * weights[i + REACH];
                    if (fabsf(row[x + i] - middle) <= job->edge) { /* false for what is unknown */
                        sum += w * row[x + i];
                        weight += w;
                    }
                }
            }
            rf_image_row_f32(job->out, y)[x] = weight > 0 ? sum / weight : middle;
        }
}

void rf_depth_smooth(const rf_depth_map *map, rf_image *out, rf_pool *pool)
{
    draw_job job = {.map = map, .out = out, .edge = (float)rf_depth_map_edge(map)};
    rf_pool_rows(pool, map->depth.height, BLOCK_ROWS, smooth_rows, &job);
}

static void blend(uint8_t *rgb, float share, float tone)
{
    for (int c = 0; c < 3; c++)
        rgb[c] = (uint8_t)((1 - share) * (float)rgb[c] + share * tone + 0.5f);
}

/* Strokes run to the lower left; one that would be a dot is left out: single pixels are only faded. */
static int stroke_at(const rf_depth_map *map, int x, int y)
{
    int unsure = 0;
    if (rf_depth_map_sure(map, x, y))
        return 0;
    for (int i = -3; i <= 3; i++)
        unsure += x + i < 0 || y - i < 0 || x + i >= map->depth.width || y - i >= map->depth.height ||
                  !rf_depth_map_sure(map, x + i, y - i);
    return unsure >= 4;
}

static void hatch_rows(void *arg, int begin, int end, int block, int thread)
{
    const draw_job *job = arg;
    int width = job->map->depth.width, period = width / 150 > 6 ? width / 150 : 6, stroke = (period + 3) / 5;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++) {
        uint8_t *out = rf_image_row(job->out, y);
        for (int x = 0; x < width; x++)
            if ((x + y) % period < stroke && stroke_at(job->map, x, y))
                blend(out + 3 * x, 0.75f, 236);
    }
}

void rf_depth_hatch(const rf_depth_map *map, rf_image *rgb, rf_pool *pool)
{
    draw_job job = {.map = map, .out = rgb};
    rf_pool_rows(pool, map->depth.height, BLOCK_ROWS, hatch_rows, &job);
}

double rf_round_interval(double value)
{
    double power = pow(10, floor(log10(value) + 1e-9)), rest = value / power;
    return power * (rest >= 5 - 1e-9 ? 5 : rest >= 2 - 1e-9 ? 2 : 1);
}

/* How much of pixel x a line through the nearest multiple of the interval covers: its distance is the depth still to go
 * over the slope. 0 where the slope crosses a depth edge or is unknown. */
static float line_cover(const draw_job *job, int x, int y, float width_px, int every)
{
    const rf_image *smooth = job->smooth;
    const float *row = rf_image_row_f32(smooth, y), *up = rf_image_row_f32(smooth, y - 1),
                *down = rf_image_row_f32(smooth, y + 1);
    float dx = 0.5f * (row[x + 1] - row[x - 1]), dy = 0.5f * (down[x] - up[x]), slope = sqrtf(dx * dx + dy * dy);
    float interval = job->interval * (float)every, level = row[x] / interval;
    if (!(slope <= job->edge) || slope < 1e-12f)
        return 0;
    /* lines that stand closer than three pixels would run into one dark patch */
    float crowd = fminf(1, interval / slope / 3 - 0.5f);
    float distance = fabsf(level - roundf(level)) * interval / slope;
    float cover = fminf(fmaxf(0.5f * width_px + 0.5f - distance, 0), 1);
    return cover * fmaxf(crowd, 0);
}

static void contour_rows(void *arg, int begin, int end, int block, int thread)
{
    const draw_job *job = arg;
    int width = job->map->depth.width, height = job->map->depth.height;
    float thin = fmaxf(1, (float)width / 1600);
    (void)block;
    (void)thread;
    for (int y = begin > 0 ? begin : 1; y < end && y + 1 < height; y++) {
        uint8_t *out = rf_image_row(job->out, y);
        for (int x = 1; x + 1 < width; x++) {
            if (!rf_depth_map_sure(job->map, x, y)) /* a line says more than is known here */
                continue;
            float cover = fmaxf(0.7f * line_cover(job, x, y, thin, 1), line_cover(job, x, y, 2 * thin, 5));
            float luma = 0.299f * out[3 * x] + 0.587f * out[3 * x + 1] + 0.114f * out[3 * x + 2];
            blend(out + 3 * x, cover, luma > 105 ? 16 : 240);
        }
    }
}

void rf_depth_contours(const rf_depth_map *map, const rf_image *smooth, double interval, rf_image *rgb, rf_pool *pool)
{
    draw_job job = {
        .map = map, .smooth = smooth, .out = rgb, .edge = (float)rf_depth_map_edge(map), .interval = (float)interval};
    rf_pool_rows(pool, map->depth.height, BLOCK_ROWS, contour_rows, &job);
}
