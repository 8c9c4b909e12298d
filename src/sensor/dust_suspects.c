/* dust_suspects.c - from the survey's statistics to the places that may be dust, and what the judge says of each. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"
#include "railfold/memory.h"

enum {
    BLOCK_ROWS = 16,
    SAME_SPOT_PX = 4,
    QUIET_MIN = 3 /* frames a verdict needs */
};
static const float STEADY = 0.2f;       /* D's spread over quiet frames, as a share of its mean, at most */
static const float SHOWS = 0.01f;       /* D, rms over the frames: above the noise of a frame at base sensitivity */
static const double MOST_COMMON = 0.75; /* share of the square of D common to all frames */

/* Of one row of a level: where D shows at all, the share of its square that all frames have in common, added up. */
typedef struct row_share {
    double shares;
    int count;
} row_share;

typedef struct suspect_job {
    dust_level *level;
    int frames;
    row_share *rows; /* of common_share */
} suspect_job;

static void share_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const suspect_job *job = arg;
    const dust_level *level = job->level;
    float frames = (float)job->frames;
    for (int y = begin; y < end; y++) {
        const float *sum = rf_image_row_f32(&level->sum, y), *square = rf_image_row_f32(&level->square, y);
        for (int x = 0; x < level->width; x++)
            if (square[x] > SHOWS * SHOWS * frames) {
                job->rows[y].shares += (double)(sum[x] * sum[x] / (frames * square[x]));
                job->rows[y].count++;
            }
    }
}

/* The same on average over the pixels: 1 when nothing moves or refocuses, one over the frame count where only noise is
 * left. */
static rf_status common_share(dust_level *level, int frames, rf_pool *pool, double *share, rf_error *err)
{
    suspect_job job = {.level = level, .frames = frames};
    double shares = 0;
    int64_t count = 0;
    int rows = level->sum.height;
    rf_status status = rf_alloc(&job.rows, (size_t)rows, sizeof *job.rows, "the search for dust", err);
    if (status != RF_OK)
        return status;
    rf_pool_rows(pool, rows, BLOCK_ROWS, share_rows, &job);
    for (int y = 0; y < rows; y++) {
        shares += job.rows[y].shares;
        count += job.rows[y].count;
    }
    *share = count > 0 ? shares / (double)count : 1;
    rf_free(job.rows);
    return RF_OK;
}

rf_status rf_dust_take_changes(dust_finder *self, rf_pool *pool, int *changes, rf_error *err)
{
    double share = 1;
    rf_status status = RF_OK;
    if (self->levels > 0)
        status = common_share(&self->level[0], self->surveyed, pool, &share, err);
    *changes = self->take_changes = self->levels > 0 && share <= MOST_COMMON;
    return status;
}

/* Scores take the place of the sums. */
RF_HOT_256 static void score_row(float *restrict quiet_sum, const float *restrict quiet_square,
                                 const uint8_t *restrict quiet, int width)
{
    for (int x = 0; x < width; x++) {
        int count = quiet[x] > 0 ? quiet[x] : 1;
        float n = (float)count, mean = quiet_sum[x] / n, variance = quiet_square[x] / n - mean * mean;
        float spread = sqrtf(variance > 0.0f ? variance : 0.0f), steady = 1.0f - spread / (STEADY * mean);
        quiet_sum[x] = count < QUIET_MIN || !(steady > 0.0f) ? 0.0f : n * steady;
    }
}

static void score_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const suspect_job *job = arg;
    dust_level *level = job->level;
    for (int y = begin; y < end; y++)
        score_row(rf_image_row_f32(&level->quiet_sum, y), rf_image_row_f32(&level->quiet_square, y),
                  level->quiet + (size_t)y * (size_t)level->width, level->width);
}

static int is_highest_nearby(const dust_level *level, int x, int y, float score)
{
    for (int j = rf_clamp_int(y - SAME_SPOT_PX, 0, y); j <= y + SAME_SPOT_PX && j < level->height; j++) {
        const float *others = rf_image_row_f32(&level->quiet_sum, j);
        for (int i = rf_clamp_int(x - SAME_SPOT_PX, 0, x); i <= x + SAME_SPOT_PX && i < level->width; i++)
            if (others[i] > score || (others[i] == score && (j < y || (j == y && i < x))))
                return 0;
    }
    return 1;
}

/* Keeps the best DUST_SUSPECTS_MAX, best first. */
static void insert(dust_finder *self, dust_suspect suspect)
{
    int at = self->count;
    while (at > 0 && self->suspects[at - 1].score < suspect.score)
        at--;
    if (at >= DUST_SUSPECTS_MAX)
        return;
    int last = self->count < DUST_SUSPECTS_MAX ? self->count++ : DUST_SUSPECTS_MAX - 1;
    memmove(&self->suspects[at + 1], &self->suspects[at], (size_t)(last - at) * sizeof suspect);
    self->suspects[at] = suspect;
}

rf_status rf_dust_suspects(dust_finder *self, rf_pool *pool, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_alloc(&self->suspects, DUST_SUSPECTS_MAX, sizeof *self->suspects, "the suspected dust", err));
    if (!self->take_changes)
        return RF_OK;
    for (int l = 0; l < self->levels; l++) {
        dust_level *level = &self->level[l];
        suspect_job job = {.level = level};
        rf_pool_rows(pool, level->height, BLOCK_ROWS, score_rows, &job);
        for (int y = DUST_RING_PX; y < level->height - DUST_RING_PX; y++)
            for (int x = DUST_RING_PX; x < level->width - DUST_RING_PX; x++) {
                float score = rf_image_row_f32(&level->quiet_sum, y)[x];
                if (score <= 0.0f || !is_highest_nearby(level, x, y, score))
                    continue;
                int reduce = level->reduce;
                insert(self, (dust_suspect){.x = reduce * x + reduce / 2,
                                            .y = reduce * y + reduce / 2,
                                            .radius_px = 4.0f * (float)reduce,
                                            .score = score});
            }
    }
    for (int i = 0; i < self->count; i++)
        RF_TRY(rf_alloc(&self->suspects[i].crops, (size_t)self->surveyed * DUST_AREA, sizeof(float),
                        "the suspected dust", err));
done:
    return status;
}

/* ---- verdict ---- */

static int covered_already(const rf_sensor_map *map, const rf_dust_spot *spot)
{
    for (int i = 0; i < map->dust_count; i++) {
        const rf_dust_spot *other = &map->dust[i];
        if (hypotf(spot->x - other->x, spot->y - other->y) < other->radius_px + spot->radius_px)
            return 1;
    }
    return 0;
}

typedef struct verdict {
    rf_dust_spot spot;
    int is_dust;
    rf_status status;
    rf_error error;
} verdict;

typedef struct judge_job {
    const dust_finder *self;
    verdict *verdicts; /* a suspect */
} judge_job;

static void judge_suspects(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const judge_job *job = arg;
    for (int i = begin; i < end; i++) {
        verdict *v = &job->verdicts[i];
        v->status = rf_dust_judge(&job->self->suspects[i], job->self->examined, &v->spot, &v->is_dust, &v->error);
    }
}

rf_status rf_dust_finish(dust_finder *self, rf_sensor_map *map, rf_pool *pool, rf_error *err)
{
    rf_status status = RF_OK;
    judge_job job = {.self = self};
    if (self->count == 0)
        return RF_OK;
    RF_TRY(rf_alloc(&job.verdicts, (size_t)self->count, sizeof *job.verdicts, "the dust", err));
    RF_TRY(rf_alloc(&map->dust, (size_t)self->count, sizeof *map->dust, "the dust", err));
    rf_pool_rows(pool, self->count, 1, judge_suspects, &job);
    for (int i = 0; i < self->count; i++) {
        verdict *v = &job.verdicts[i];
        if (v->status != RF_OK)
            RF_TRY(rf_fail(err, v->status, "%s", v->error.text));
        if (v->is_dust && !covered_already(map, &v->spot)) {
            map->dust[map->dust_count++] = v->spot;
            v->spot.gain = NULL;
        }
    }
done:
    for (int i = 0; job.verdicts != NULL && i < self->count; i++)
        rf_free(job.verdicts[i].spot.gain);
    rf_free(job.verdicts);
    return status;
}
