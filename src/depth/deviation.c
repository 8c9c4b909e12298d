/* deviation.c - how far depth scatters about the surface it lies on, told by the map itself.
 *
 * A focus curve alone overrates the error of its peak: pooling and the votes of neighbours take much of it out. What is
 * left shows as roughness of the map. Second differences z(-3) - 2 z(0) + z(3), in four directions, are blind to the
 * surface's slope; over independent errors their variance is 6 times that of one (von Neumann's successive differences,
 * Ann. Math. Stat. 12, 1941, taken one order further). Their mean size around a place gives its deviation, as
 * sqrt(pi / 2) times the mean size of a Gaussian is its standard deviation; the mean size rather than the mean square,
 * so that a few large ones do not decide. Beside depth edges it is also uncertain which share of the energy came from
 * the other side. */
#include <math.h>
#include <stdlib.h>

#include "base/hot.h"
#include "depth/state.h"
#include "railfold/memory.h"

enum { LAG = 3, BOX_RADIUS = 3 }; /* energy pixels; twice a box of 7: a window of about 2.8 px standard deviation */
enum { WINDOW_PLACES = 49 * 49 };

static const float SIZE_TO_DEVIATION = 1.2533141f / 2.4494897f;
static const float EDGE_STEPS = 0.2f, EDGE_REACH = 1.5f; /* beside an edge; how far: energy pixels */
/* What the shape of the focus curve leaves between frames: the same all over a surface level with the sensor, so that
 * no scatter shows it. */
static const float LEAST_STEPS = 0.02f;

typedef struct deviation_job {
    const rf_image *depth; /* full size, ways */
    int cell;              /* full pixels along an energy pixel */
    rf_image *size;        /* of the differences, summed; an energy pixel each */
    rf_image *count;       /* how many */
    const rf_image *from;
    rf_image *to;
} deviation_job;

/* ---- differences ---- */

static float depth_at(const deviation_job *job, int i, int j)
{
    return rf_image_row_f32(job->depth, job->cell * j)[job->cell * i];
}

static void difference_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    static const int WAY[4][2] = {{LAG, 0}, {0, LAG}, {LAG, LAG}, {LAG, -LAG}};
    const deviation_job *job = arg;
    int width = job->size->width, height = job->size->height;
    for (int j = begin; j < end; j++) {
        float *size = rf_image_row_f32(job->size, j), *count = rf_image_row_f32(job->count, j);
        for (int i = 0; i < width; i++) {
            float here = depth_at(job, i, j), sum = 0.0f, n = 0.0f;
            for (int w = 0; w < 4; w++) {
                int x = WAY[w][0], y = WAY[w][1];
                if (i - x < 0 || i + x >= width || j - abs(y) < 0 || j + abs(y) >= height)
                    continue;
                float bend = fabsf(depth_at(job, i - x, j - y) - 2.0f * here + depth_at(job, i + x, j + y));
                if (bend < RF_APART_STEPS) { /* more is another surface */
                    sum += bend;
                    n += 1.0f;
                }
            }
            size[i] = sum;
            count[i] = n;
        }
    }
}

/* ---- gathering ---- */

RF_HOT static void across_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const deviation_job *job = arg;
    int width = job->from->width;
    for (int j = begin; j < end; j++) {
        const float *from = rf_image_row_f32(job->from, j);
        float *to = rf_image_row_f32(job->to, j);
        for (int i = 0; i < width; i++) {
            int first = i - BOX_RADIUS > 0 ? i - BOX_RADIUS : 0;
            int last = i + BOX_RADIUS < width ? i + BOX_RADIUS : width - 1;
            float sum = 0.0f;
            for (int x = first; x <= last; x++)
                sum += from[x];
            to[i] = sum;
        }
    }
}

RF_HOT static void down_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const deviation_job *job = arg;
    int width = job->from->width, height = job->from->height;
    for (int j = begin; j < end; j++) {
        float *to = rf_image_row_f32(job->to, j);
        int first = j - BOX_RADIUS > 0 ? j - BOX_RADIUS : 0;
        int last = j + BOX_RADIUS < height ? j + BOX_RADIUS : height - 1;
        for (int i = 0; i < width; i++)
            to[i] = 0.0f;
        for (int y = first; y <= last; y++) {
            const float *from = rf_image_row_f32(job->from, y);
            for (int i = 0; i < width; i++)
                to[i] += from[i];
        }
    }
}

static void gather(rf_image *plane, rf_image *spare, rf_pool *pool)
{
    deviation_job across = {.from = plane, .to = spare}, down = {.from = spare, .to = plane};
    for (int twice = 0; twice < 2; twice++) {
        rf_pool_rows(pool, plane->height, RF_DEPTH_BLOCK_ROWS, across_rows, &across);
        rf_pool_rows(pool, plane->height, RF_DEPTH_BLOCK_ROWS, down_rows, &down);
    }
}

/* ---- distance from depth edges ---- */

static void edge_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const deviation_job *job = arg;
    int width = job->to->width, height = job->to->height;
    for (int j = begin; j < end; j++)
        for (int i = 0; i < width; i++) {
            float low = INFINITY, high = -INFINITY;
            for (int n = 0; n < 9; n++) {
                float z = depth_at(job, rf_clamp_int(i + n % 3 - 1, 0, width - 1),
                                   rf_clamp_int(j + n / 3 - 1, 0, height - 1));
                low = rf_lower(low, z);
                high = rf_higher(high, z);
            }
            rf_image_row_f32(job->to, j)[i] = high - low > RF_SAME_STEPS ? 0.0f : INFINITY;
        }
}

/* Distances by two sweeps that add 1 along and sqrt 2 across (Borgefors, Comput. Vis. Graph. Image Process. 34, 1986).
 * One thread: each place needs the one before. */
static void spread_distance(rf_image *distance, int way)
{
    int width = distance->width, height = distance->height;
    for (int n = 0; n < height; n++) {
        int j = way > 0 ? n : height - 1 - n;
        float *row = rf_image_row_f32(distance, j);
        const float *before = n > 0 ? rf_image_row_f32(distance, j - way) : NULL;
        for (int m = 0; m < width; m++) {
            int i = way > 0 ? m : width - 1 - m;
            float best = row[i];
            if (m > 0)
                best = rf_lower(best, row[i - way] + 1.0f);
            if (before != NULL) {
                best = rf_lower(best, before[i] + 1.0f);
                best = rf_lower(best, i > 0 ? before[i - 1] + 1.4142136f : INFINITY);
                best = rf_lower(best, i + 1 < width ? before[i + 1] + 1.4142136f : INFINITY);
            }
            row[i] = best;
        }
    }
}

/* ---- all together ---- */

static void finish_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const deviation_job *job = arg;
    for (int j = begin; j < end; j++) {
        float *deviation = rf_image_row_f32(job->size, j);
        float *count = rf_image_row_f32(job->count, j);
        const float *distance = rf_image_row_f32(job->from, j);
        for (int i = 0; i < job->size->width; i++) {
            float scatter = count[i] > 0.0f ? SIZE_TO_DEVIATION * deviation[i] / count[i] : 0.0f;
            float edge = EDGE_STEPS * expf(-distance[i] / EDGE_REACH);
            deviation[i] = sqrtf(scatter * scatter + edge * edge + LEAST_STEPS * LEAST_STEPS);
            count[i] *= 1.0f / WINDOW_PLACES;
        }
    }
}

rf_status rf_deviation_find(const rf_depth *depth, const rf_image *map, rf_deviation *found, rf_error *err)
{
    rf_status status;
    rf_image spare = {0};
    deviation_job job = {.depth = map, .cell = depth->cell, .size = &found->steps, .count = &found->differences};
    rf_image *plane[] = {&found->steps, &found->differences, &spare};
    for (int i = 0; i < 3; i++)
        RF_TRY(rf_image_alloc_raw(plane[i], depth->energy_width, depth->energy_height, 1, RF_F32, "the depth deviation",
                                  err));
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, difference_rows, &job);
    gather(&found->steps, &spare, depth->pool);
    gather(&found->differences, &spare, depth->pool);
    job.to = &spare;
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, edge_rows, &job);
    spread_distance(&spare, 1);
    spread_distance(&spare, -1);
    job.from = &spare;
    rf_pool_rows(depth->pool, depth->energy_height, RF_DEPTH_BLOCK_ROWS, finish_rows, &job);
done:
    rf_image_free(&spare);
    return status;
}

void rf_deviation_free(rf_deviation *found)
{
    rf_image_free(&found->steps);
    rf_image_free(&found->differences);
}
