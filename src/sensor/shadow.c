/* shadow.c - frames kept for the search for shadows, and the order of its parts. */
#include "shadow.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"
#include "railfold/memory.h"

enum { BLOCK_ROWS = 32, WORKING_SIDE_PX = 1600, RUN_FRAMES = 8, TABLE = 4096, MASK_PX = 4, LEAST_PAIRS = 5 };

size_t rf_shadow_memory_bytes(int width, int height, int frame_count)
{
    int reduce = 1, frames = frame_count < RF_SHADOW_FRAMES ? frame_count : RF_SHADOW_FRAMES;
    while ((width > height ? width : height) / reduce > WORKING_SIDE_PX)
        reduce *= 2;
    size_t pixels = ((size_t)(width / reduce) + 32) * (size_t)(height / reduce);
    return pixels * (size_t)(2 * frames + 24 + 1) + ((size_t)2 << 20);
}

static void mask_faults(rf_shadow *s, const rf_sensor_map *known)
{
    for (int i = 0; i < known->bad_count; i++) {
        int x = known->bad[i].x / s->reduce, y = known->bad[i].y / s->reduce;
        for (int j = y - MASK_PX; j <= y + MASK_PX; j++)
            for (int k = x - MASK_PX; k <= x + MASK_PX; k++)
                if (k >= 0 && j >= 0 && k < s->width && j < s->height)
                    s->masked[(size_t)j * (size_t)s->width + (size_t)k] = 1;
    }
}

rf_status rf_shadow_create(rf_shadow **out, int width, int height, int reduce, int frame_count, rf_pool *pool,
                           rf_error *err)
{
    rf_status status;
    rf_shadow *s = NULL;
    *out = NULL;
    RF_TRY(rf_alloc(&s, 1, sizeof *s, "the search for dust", err));
    *s = (rf_shadow){.reduce = reduce, .extra = 1, .frame_count = frame_count, .pool = pool};
    while ((width > height ? width : height) / s->reduce > WORKING_SIDE_PX) {
        s->reduce *= 2;
        s->extra *= 2;
    }
    s->width = width / reduce / s->extra;
    s->height = height / reduce / s->extra;
    s->columns = (s->width + SHADOW_BLOCK_PX - 1) / SHADOW_BLOCK_PX;
    s->rows = (s->height + SHADOW_BLOCK_PX - 1) / SHADOW_BLOCK_PX;
    RF_TRY(rf_alloc(&s->log_of, TABLE + 2, sizeof *s->log_of, "the search for dust", err));
    for (int i = 0; i < TABLE + 2; i++)
        s->log_of[i] = logf(rf_linear_from_coded((float)i / TABLE) + SHADOW_DARKEST) - logf(SHADOW_DARKEST);
    RF_TRY(rf_alloc(&s->masked, (size_t)s->width * (size_t)s->height, 1, "the search for dust", err));
    RF_TRY(rf_alloc(&s->scratch, (size_t)rf_pool_threads(pool) * ((size_t)s->width + 4), sizeof *s->scratch,
                    "the search for dust", err));
    RF_TRY(rf_image_alloc(&s->plain, s->width, s->height, 1, RF_F32, "the search for dust", err));
    *out = s;
    return RF_OK;
done:
    rf_shadow_destroy(&s);
    return status;
}

void rf_shadow_destroy(rf_shadow **shadow)
{
    rf_shadow *s = *shadow;
    if (s == NULL)
        return;
    for (int i = 0; i < s->kept; i++)
        rf_free(s->logs[i]);
    rf_image_free(&s->plain);
    rf_image_free(&s->bx);
    rf_image_free(&s->by);
    rf_free(s->log_of);
    rf_free(s->masked);
    rf_free(s->scratch);
    rf_free(s->normal);
    rf_free(s);
    *shadow = NULL;
}

/* All of a short take; of a long one a run at its start, one in its middle, one at its end. */
static int is_wanted(const rf_shadow *s, int k)
{
    if (s->frame_count <= RF_SHADOW_FRAMES)
        return 1;
    for (int i = 0; i < 3; i++) {
        int begin = i * (s->frame_count - RUN_FRAMES) / 2;
        if (k >= begin && k < begin + RUN_FRAMES)
            return 1;
    }
    return 0;
}

/* ---- keeping a frame ---- */

typedef struct keep_job {
    rf_shadow *self;
    uint16_t *out;
} keep_job;

/* Luma to log luma, in place. */
RF_HOT_256 static void log_row(float *restrict row, const float *restrict table, int n)
{
    for (int x = 0; x < n; x++) {
        float at = row[x] * (float)TABLE;
        at = at > 0.0f ? at : 0.0f;
        at = at < (float)TABLE ? at : (float)TABLE;
        int low = (int)at;
        row[x] = table[low] + (at - (float)low) * (table[low + 1] - table[low]);
    }
}

static void log_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    const keep_job *job = arg;
    for (int y = begin; y < end; y++)
        log_row(rf_image_row_f32(&job->self->plain, y), job->self->log_of, job->self->width);
}

/* Binomial 1 4 6 4 1 both ways: a standard deviation of 1 px. */
RF_HOT static void smooth_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    const keep_job *job = arg;
    rf_shadow *s = job->self;
    int width = s->width, last = s->height - 1;
    float *column = s->scratch + (size_t)thread * ((size_t)width + 4) + 2, code = 65535.0f / SHADOW_LOG_RANGE / 256.0f;
    for (int y = begin; y < end; y++) {
        const float *row[5];
        for (int i = 0; i < 5; i++)
            row[i] = rf_image_row_f32(&s->plain, rf_clamp_int(y + i - 2, 0, last));
        for (int x = 0; x < width; x++)
            column[x] = row[0][x] + row[4][x] + 4.0f * (row[1][x] + row[3][x]) + 6.0f * row[2][x];
        for (int i = 1; i <= 2; i++)
            column[-i] = column[0], column[width - 1 + i] = column[width - 1];
        uint16_t *out = job->out + (size_t)y * (size_t)width;
        for (int x = 0; x < width; x++) {
            float sum = column[x - 2] + column[x + 2] + 4.0f * (column[x - 1] + column[x + 1]) + 6.0f * column[x];
            out[x] = (uint16_t)(sum * code + 0.5f);
        }
    }
}

rf_status rf_shadow_keep(rf_shadow *s, int k, const rf_image *luma, rf_error *err)
{
    rf_status status;
    uint16_t *logs = NULL;
    if (!is_wanted(s, k) || s->kept == RF_SHADOW_FRAMES)
        return RF_OK;
    if (luma->width / s->extra != s->width || luma->height / s->extra != s->height)
        return rf_fail(err, RF_ERR_INPUT, "a luma of %d x %d pixels does not fit the search's %d x %d", luma->width,
                       luma->height, s->width * s->extra, s->height * s->extra);
    RF_TRY(rf_alloc_raw(&logs, (size_t)s->width * (size_t)s->height, sizeof *logs, "the search for dust", err));
    keep_job job = {.self = s, .out = logs};
    rf_image_luma(luma, s->extra, &s->plain, s->pool);
    rf_pool_rows(s->pool, s->height, BLOCK_ROWS, log_rows, &job);
    rf_pool_rows(s->pool, s->height, BLOCK_ROWS, smooth_rows, &job);
    s->logs[s->kept] = logs;
    s->number[s->kept++] = k;
done:
    return status;
}

/* ---- the search ---- */

/* Frame `here` against the frame before it, in working pixels. */
static shadow_pair pair_of(const rf_shadow *s, const rf_pose *poses, int here)
{
    rf_pose back = rf_pose_invert(&poses[s->number[here]]);
    rf_pose way = rf_pose_compose(&poses[s->number[here - 1]], &back);
    double edge = (s->reduce - 1) / 2.0;
    return (shadow_pair){.here = here,
                         .before = here - 1,
                         .a = way.a,
                         .b = way.b,
                         .c = way.c,
                         .d = way.d,
                         .tx = (way.a * edge + way.b * edge + way.tx - edge) / s->reduce,
                         .ty = (way.c * edge + way.d * edge + way.ty - edge) / s->reduce};
}

/* Runs of at most RUN_FRAMES - 1 pairs: within one the slow change of focus counts as even. */
static void find_pairs(rf_shadow *s, const rf_pose *poses)
{
    s->pair_count = s->runs = 0;
    for (int i = 1; i < s->kept; i++) {
        if (s->number[i] != s->number[i - 1] + 1 || !poses[s->number[i]].usable || !poses[s->number[i - 1]].usable)
            continue;
        int follows = s->pair_count > 0 && s->pairs[s->pair_count - 1].here == i - 1;
        if (!follows || s->pair_count - s->run_begin[s->runs - 1] >= RUN_FRAMES - 1)
            s->run_begin[s->runs++] = s->pair_count;
        s->pairs[s->pair_count++] = pair_of(s, poses, i);
    }
    s->run_begin[s->runs] = s->pair_count;
}

/* ---- what is found ---- */

typedef struct found {
    shadow_suspect suspects[SHADOW_SUSPECTS_MAX];
    rf_dust_spot spots[SHADOW_SUSPECTS_MAX]; /* gain owned */
    int count;
} found;

static int is_known(const rf_dust_spot *spots, int count, const rf_dust_spot *spot)
{
    for (int i = 0; i < count; i++)
        if (hypotf(spot->x - spots[i].x, spot->y - spots[i].y) < fmaxf(spots[i].radius_px, spot->radius_px))
            return 1;
    return 0;
}

/* What is found is taken out, so that a second look sees what it hid; then each is fitted anew, the others being out.
 */
static rf_status look(rf_shadow *s, found *f, rf_error *err)
{
    rf_status status;
    shadow_suspect list[SHADOW_SUSPECTS_MAX];
    int count = 0, is_shadow;
    RF_TRY(rf_shadow_suspects(s, list, &count, err));
    for (int i = 0; i < count && f->count < SHADOW_SUSPECTS_MAX; i++) {
        RF_TRY(rf_shadow_fit(s, &list[i], &f->spots[f->count], &is_shadow, err));
        if (is_shadow)
            f->suspects[f->count++] = list[i];
    }
    for (int i = 0; i < f->count && count > 0; i++) {
        RF_TRY(rf_shadow_put_back(s, &f->suspects[i], err));
        RF_TRY(rf_shadow_fit(s, &f->suspects[i], &f->spots[i], &is_shadow, err));
        if (!is_shadow) {
            rf_free(f->spots[i].gain);
            f->count--;
            f->suspects[i] = f->suspects[f->count];
            f->spots[i] = f->spots[f->count];
            f->spots[f->count] = (rf_dust_spot){0};
            i--;
        }
    }
done:
    return status;
}

static rf_status add_spots(found *f, rf_sensor_map *map, rf_error *err)
{
    rf_status status;
    rf_dust_spot *spots = NULL;
    int before = map->dust_count;
    RF_TRY(rf_alloc(&spots, (size_t)(before + f->count), sizeof *spots, "the dust", err));
    if (before > 0)
        memcpy(spots, map->dust, (size_t)before * sizeof *spots);
    rf_free(map->dust);
    map->dust = spots;
    for (int i = 0; i < f->count; i++)
        if (!is_known(map->dust, map->dust_count, &f->spots[i])) {
            map->dust[map->dust_count++] = f->spots[i];
            f->spots[i].gain = NULL;
        }
done:
    return status;
}

rf_status rf_shadow_finish(rf_shadow *s, const rf_pose *poses, rf_sensor_map *map, rf_error *err)
{
    rf_status status = RF_OK;
    found *f = NULL;
    find_pairs(s, poses);
    if (s->pair_count < LEAST_PAIRS)
        return RF_OK;
    mask_faults(s, map);
    RF_TRY(rf_alloc(&f, 1, sizeof *f, "the dust", err));
    RF_TRY(rf_shadow_gather(s, err));
    RF_TRY(look(s, f, err));
    if (f->count > 0) {
        RF_TRY(look(s, f, err));
        RF_TRY(add_spots(f, map, err));
    }
done:
    for (int i = 0; f != NULL && i < SHADOW_SUSPECTS_MAX; i++)
        rf_free(f->spots[i].gain);
    rf_free(f);
    return status;
}
