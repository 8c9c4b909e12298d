/* shadow_find.c - where the gradients that were gathered point like those around a spot.
 *
 * For a dip of shape t the best depth is sum b . grad t / sum S |grad t|^2 (b right-hand sides, S normal matrix), and
 * by parts sum b . grad t = -sum div b t: one plane, convolved with Gaussians of two widths at four sizes. A depth over
 * its standard error is the score; it is told against the median score of the picture at that width. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/hot.h"
#include "base/select.h"
#include "faults.h"
#include "railfold/memory.h"
#include "shadow.h"

enum { BLOCK_ROWS = 16, LEVELS = 4, WIDTHS = 2, TAPS_MOST = 16, SAMPLE_EVERY = 5, NEAR_PX = 2 };
static const float RADIUS[WIDTHS] = {1.6f, 2.3f}; /* of a level: where the dip is half as deep */
static const float HALF_OVER_SIGMA = 1.17741f;
static const float ENERGY = 1.5707963f; /* sum of the square of a derivative of exp(-d^2 / 2 s^2), any s: pi / 2 */
static const float NORMAL_TO_MEDIAN = 1.4826f;
static const float LEAST_SCORE = 8.0f;                      /* clean takes reach 6 */
static const float LEAST_DEPTH = 0.025f, MOST_DEPTH = 0.7f; /* log luma */
static const float LEAST_RADIUS_PX = 2.5f;                  /* full pixels: smaller is no dust */
static const float LEAST_NORMAL = 0.03f;                    /* of the median: hardly seen */

typedef struct search {
    rf_shadow *self;
    rf_image source, across, score; /* of a level */
    float *normal;                  /* a block: mean trace around */
    float *sorted;
    int reduce, width, height; /* of the level, against working pixels */
    float radius, taps[TAPS_MOST + 1];
    int reach;
} search;

static void divergence_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const search *job = arg;
    const rf_shadow *s = job->self;
    for (int y = begin; y < end; y++) {
        float *out = rf_image_row_f32(&job->source, y);
        if (y == 0 || y == s->height - 1)
            continue;
        const float *bx = rf_image_row_f32(&s->bx, y);
        const float *above = rf_image_row_f32(&s->by, y - 1), *below = rf_image_row_f32(&s->by, y + 1);
        for (int x = 1; x + 1 < s->width; x++)
            out[x] = 0.5f * (bx[x + 1] - bx[x - 1] + below[x] - above[x]);
    }
}

/* In place: 2 x 2 pixels added up; rows are written behind those read. */
static void halve(search *job)
{
    job->width /= 2;
    job->height /= 2;
    job->reduce *= 2;
    for (int y = 0; y < job->height; y++) {
        const float *a = rf_image_row_f32(&job->source, 2 * y), *b = rf_image_row_f32(&job->source, 2 * y + 1);
        float *out = rf_image_row_f32(&job->source, y);
        for (int x = 0; x < job->width; x++)
            out[x] = a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1];
    }
}

RF_HOT static void across_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const search *job = arg;
    int reach = job->reach;
    for (int y = begin; y < end; y++) {
        const float *in = rf_image_row_f32(&job->source, y);
        float *restrict out = rf_image_row_f32(&job->across, y);
        memset(out, 0, (size_t)job->width * sizeof *out);
        for (int t = -reach; t <= reach; t++) {
            float tap = job->taps[abs(t)];
            for (int x = reach; x < job->width - reach; x++)
                out[x] += tap * in[x + t];
        }
    }
}

/* The score, and in its place 0 where the depth is out of range or hardly anything was seen. */
RF_HOT static void score_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const search *job = arg;
    int reach = job->reach;
    for (int y = begin; y < end; y++) {
        float *restrict out = rf_image_row_f32(&job->score, y);
        memset(out, 0, (size_t)job->width * sizeof *out);
        if (y < reach || y >= job->height - reach)
            continue;
        for (int t = -reach; t <= reach; t++) {
            const float *in = rf_image_row_f32(&job->across, y + t);
            float tap = job->taps[abs(t)];
            for (int x = 0; x < job->width; x++)
                out[x] += tap * in[x];
        }
        const float *normal = job->normal + (size_t)(y * job->reduce / SHADOW_BLOCK_PX) * (size_t)job->self->columns;
        for (int x = 0; x < job->width; x++) {
            float seen = normal[x * job->reduce / SHADOW_BLOCK_PX];
            out[x] = seen > 0.0f ? out[x] / sqrtf(ENERGY * seen) : 0.0f;
        }
    }
}

static float median(float *values, size_t count)
{
    return count > 0 ? rf_select(values, count, count / 2) : 0.0f;
}

/* Mean trace of the normal matrices over a spot of the width sought; 0 where next to nothing was seen. */
static void spread_normals(search *job)
{
    const rf_shadow *s = job->self;
    int reach = (int)(1.5f * job->radius * (float)job->reduce / SHADOW_BLOCK_PX + 0.5f);
    for (int row = 0; row < s->rows; row++)
        for (int column = 0; column < s->columns; column++) {
            float sum = 0.0f;
            int count = 0;
            for (int j = rf_clamp_int(row - reach, 0, row); j <= row + reach && j < s->rows; j++)
                for (int i = rf_clamp_int(column - reach, 0, column); i <= column + reach && i < s->columns; i++) {
                    sum += s->normal[j * s->columns + i].xx + s->normal[j * s->columns + i].yy;
                    count++;
                }
            job->normal[row * s->columns + column] = sum / (float)count;
        }
    size_t blocks = (size_t)s->columns * (size_t)s->rows;
    memcpy(job->sorted, job->normal, blocks * sizeof *job->sorted);
    float least = LEAST_NORMAL * median(job->sorted, blocks);
    for (size_t i = 0; i < blocks; i++)
        job->normal[i] = job->normal[i] > least ? job->normal[i] : 0.0f;
}

static float common_score(const search *job)
{
    size_t count = 0;
    for (int y = job->reach; y < job->height - job->reach; y += SAMPLE_EVERY) {
        const float *score = rf_image_row_f32(&job->score, y);
        for (int x = job->reach; x < job->width - job->reach; x += SAMPLE_EVERY)
            if (score[x] != 0.0f)
                job->sorted[count++] = fabsf(score[x]);
    }
    return NORMAL_TO_MEDIAN * median(job->sorted, count);
}

static int is_highest_nearby(const search *job, int x, int y)
{
    float score = rf_image_row_f32(&job->score, y)[x];
    for (int j = rf_clamp_int(y - NEAR_PX, 0, y); j <= y + NEAR_PX && j < job->height; j++)
        for (int i = rf_clamp_int(x - NEAR_PX, 0, x); i <= x + NEAR_PX && i < job->width; i++) {
            float other = rf_image_row_f32(&job->score, j)[i];
            if (other > score || (other == score && (j < y || (j == y && i < x))))
                return 0;
        }
    return 1;
}

/* The best SHADOW_SUSPECTS_MAX, best first; of those that cover each other the best alone. */
static void insert(shadow_suspect *list, int *count, shadow_suspect suspect)
{
    int at = 0;
    for (; at < *count && list[at].score >= suspect.score; at++)
        if (hypotf(list[at].x - suspect.x, list[at].y - suspect.y) < fmaxf(list[at].radius, suspect.radius))
            return;
    int kept = at;
    for (int i = at; i < *count; i++)
        if (hypotf(list[i].x - suspect.x, list[i].y - suspect.y) >= fmaxf(list[i].radius, suspect.radius))
            list[kept++] = list[i];
    *count = kept < SHADOW_SUSPECTS_MAX ? kept + 1 : SHADOW_SUSPECTS_MAX;
    if (at < SHADOW_SUSPECTS_MAX) {
        memmove(&list[at + 1], &list[at], (size_t)(*count - 1 - at) * sizeof *list);
        list[at] = suspect;
    }
}

static void keep_suspects(const search *job, shadow_suspect *list, int *count)
{
    float common = common_score(job), radius = job->radius * (float)job->reduce;
    if (!(common > 0.0f) || radius * (float)job->self->reduce < LEAST_RADIUS_PX)
        return;
    for (int y = job->reach; y < job->height - job->reach; y++)
        for (int x = job->reach; x < job->width - job->reach; x++) {
            float score = rf_image_row_f32(&job->score, y)[x];
            if (score < LEAST_SCORE * common || !is_highest_nearby(job, x, y))
                continue;
            int at_x = x * job->reduce, at_y = y * job->reduce;
            float seen = job->normal[(at_y / SHADOW_BLOCK_PX) * job->self->columns + at_x / SHADOW_BLOCK_PX];
            float depth = score / sqrtf(ENERGY * seen), middle = 0.5f * (float)(job->reduce - 1);
            if (depth >= LEAST_DEPTH && depth <= MOST_DEPTH)
                insert(list, count,
                       (shadow_suspect){.x = (float)at_x + middle,
                                        .y = (float)at_y + middle,
                                        .radius = radius,
                                        .score = score / common});
        }
}

static void set_width(search *job, float radius)
{
    float sigma = radius / HALF_OVER_SIGMA;
    job->radius = radius;
    job->reach = (int)(3.5f * sigma + 0.5f);
    for (int t = 0; t <= job->reach; t++)
        job->taps[t] = expf(-0.5f * (float)(t * t) / (sigma * sigma));
}

rf_status rf_shadow_suspects(rf_shadow *s, shadow_suspect *list, int *count, rf_error *err)
{
    rf_status status;
    search job = {.self = s, .reduce = 1, .width = s->width, .height = s->height};
    size_t blocks = (size_t)s->columns * (size_t)s->rows;
    size_t samples = ((size_t)s->width / SAMPLE_EVERY + 1) * ((size_t)s->height / SAMPLE_EVERY + 1);
    *count = 0;
    RF_TRY(rf_image_alloc(&job.source, s->width, s->height, 1, RF_F32, "the search for dust", err));
    RF_TRY(rf_image_alloc(&job.across, s->width, s->height, 1, RF_F32, "the search for dust", err));
    RF_TRY(rf_image_alloc(&job.score, s->width, s->height, 1, RF_F32, "the search for dust", err));
    RF_TRY(rf_alloc(&job.normal, blocks, sizeof *job.normal, "the search for dust", err));
    RF_TRY(rf_alloc(&job.sorted, blocks > samples ? blocks : samples, sizeof *job.sorted, "the search for dust", err));
    rf_pool_rows(s->pool, s->height, BLOCK_ROWS, divergence_rows, &job);
    for (int level = 0; level < LEVELS; level++) {
        if (level > 0)
            halve(&job);
        for (int i = 0; i < WIDTHS; i++) {
            set_width(&job, RADIUS[i]);
            spread_normals(&job);
            rf_pool_rows(s->pool, job.height, BLOCK_ROWS, across_rows, &job);
            rf_pool_rows(s->pool, job.height, BLOCK_ROWS, score_rows, &job);
            keep_suspects(&job, list, count);
        }
    }
done:
    rf_image_free(&job.source);
    rf_image_free(&job.across);
    rf_image_free(&job.score);
    rf_free(job.normal);
    rf_free(job.sorted);
    return status;
}
