/* motion.c - parts of the subject that move against the rest: tiles of neighbouring frames, laid over each other by the
 * frames' poses, are shifted until they fit (Lucas & Kanade, IJCAI 1981), after a search where the fit is bad. What is
 * left after the common motion of all tiles is the subject's own. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "check/look.h"
#include "railfold/memory.h"

enum { TILE = 24, STRIDE = 12, ROUNDS = 12, SEARCH_PX = 18, SIDE_PX = 1000, MIN_GROUP = 5 };
#define LEAST_CONTRAST 4e-4     /* smaller eigenvalue of the gradient tensor, coded values squared a pixel */
#define GOOD_FIT 0.85           /* correlation of two tiles that show the same */
#define BAD_FIT 0.75            /* below it a search is worth its time */
#define LEAST_MOTION_PX 1.0     /* against the rest, pixels of the motion luma */

typedef struct tile_fit {
    int good;
    float x, y; /* pixels of the motion luma */
} tile_fit;

struct rf_motion_state {
    rf_image frames[2];
    int numbers[2]; /* -1: empty */
    int extra;      /* reduction from the cell luma */
    int columns, rows;
    tile_fit *fits;
    int *group;
    double *sorted;
    double reduce; /* full-size pixels per pixel of the motion luma */
};

rf_status rf_motion_create(rf_motion_state **out, const rf_look *look, int luma_width, int luma_height, rf_error *err)
{
    rf_status status;
    rf_motion_state *s = NULL;
    RF_TRY(rf_alloc(&s, 1, sizeof *s, "the tiles", err));
    int longer = luma_width > luma_height ? luma_width : luma_height;
    s->extra = 1;
    while (longer / s->extra > SIDE_PX)
        s->extra++;
    int width = luma_width / s->extra, height = luma_height / s->extra;
    s->reduce = (double)s->extra * look->cell_reduce;
    s->columns = width >= TILE ? (width - TILE) / STRIDE + 1 : 0;
    s->rows = height >= TILE ? (height - TILE) / STRIDE + 1 : 0;
    size_t tiles = (size_t)s->columns * (size_t)s->rows;
    for (int i = 0; i < 2; i++) {
        s->numbers[i] = -1;
        RF_TRY(rf_image_alloc(&s->frames[i], width, height, 1, RF_F32, "the luma for motion", err));
    }
    RF_TRY(rf_alloc(&s->fits, tiles, sizeof *s->fits, "the tiles", err));
    RF_TRY(rf_alloc(&s->group, 2 * tiles, sizeof *s->group, "the tiles", err));
    RF_TRY(rf_alloc(&s->sorted, tiles + 1, sizeof *s->sorted, "the tiles", err));
    *out = s;
    return RF_OK;
done:
    rf_motion_destroy(&s);
    return status;
}

void rf_motion_destroy(rf_motion_state **state)
{
    rf_motion_state *s = *state;
    if (s == NULL)
        return;
    rf_image_free(&s->frames[0]);
    rf_image_free(&s->frames[1]);
    rf_free(s->fits);
    rf_free(s->group);
    rf_free(s->sorted);
    rf_free(s);
    *state = NULL;
}

/* ---- one tile ---- */

typedef struct patch {
    float value[TILE * TILE], gx[TILE * TILE], gy[TILE * TILE];
    double mean, spread, xx, xy, yy;
} patch;

static void take_patch(patch *p, const rf_image *image, int left, int top)
{
    double sum = 0, square = 0;
    p->xx = p->xy = p->yy = 0;
    for (int y = 0; y < TILE; y++) {
        const float *row = rf_image_row_f32(image, top + y), *up = rf_image_row_f32(image, top + y - (top + y > 0)),
                    *down = rf_image_row_f32(image, top + y + (top + y < image->height - 1));
        for (int x = 0; x < TILE; x++) {
            int at = y * TILE + x, here = left + x;
            float before = row[here - (here > 0)], after = row[here + (here < image->width - 1)];
            p->value[at] = row[here];
            p->gx[at] = 0.5f * (after - before);
            p->gy[at] = 0.5f * (down[here] - up[here]);
            sum += (double)row[here];
            square += (double)row[here] * (double)row[here];
            p->xx += (double)(p->gx[at] * p->gx[at]);
            p->xy += (double)(p->gx[at] * p->gy[at]);
            p->yy += (double)(p->gy[at] * p->gy[at]);
        }
    }
    p->mean = sum / (TILE * TILE);
    p->spread = square - sum * p->mean;
}

static double smaller_eigenvalue(const patch *p)
{
    return 0.5 * (p->xx + p->yy - sqrt((p->xx - p->yy) * (p->xx - p->yy) + 4 * p->xy * p->xy)) / (TILE * TILE);
}

/* The tile at (left, top), fractions allowed, bilinear; 0 when it is not all inside. */
static int sample(float *out, const rf_image *image, double left, double top)
{
    int x0 = (int)floor(left), y0 = (int)floor(top);
    if (x0 < 0 || y0 < 0 || x0 + TILE >= image->width || y0 + TILE >= image->height)
        return 0;
    float u = (float)(left - x0), v = (float)(top - y0);
    for (int y = 0; y < TILE; y++) {
        const float *a = rf_image_row_f32(image, y0 + y) + x0, *b = rf_image_row_f32(image, y0 + y + 1) + x0;
        for (int x = 0; x < TILE; x++)
            out[y * TILE + x] = (1 - v) * ((1 - u) * a[x] + u * a[x + 1]) + v * ((1 - u) * b[x] + u * b[x + 1]);
    }
    return 1;
}

static double correlation(const patch *p, const float *other)
{
    double sum = 0, square = 0, cross = 0;
    for (int i = 0; i < TILE * TILE; i++) {
        sum += (double)other[i];
        square += (double)(other[i] * other[i]);
        cross += (double)(other[i] * p->value[i]);
    }
    double spread = square - sum * sum / (TILE * TILE);
    return spread > 1e-9 && p->spread > 1e-9 ? (cross - sum * p->mean) / sqrt(spread * p->spread) : 0;
}

/* Refines (x, y), a guess of where in `to` the patch stands; returns the correlation there. */
static double refine(const patch *p, const rf_image *to, double *x, double *y)
{
    float other[TILE * TILE];
    double det = p->xx * p->yy - p->xy * p->xy;
    for (int round = 0; round < ROUNDS; round++) {
        if (!sample(other, to, *x, *y))
            return 0;
        double sum = 0, bx = 0, by = 0;
        for (int i = 0; i < TILE * TILE; i++)
            sum += (double)other[i];
        for (int i = 0; i < TILE * TILE; i++) {
            double d = (double)p->value[i] - p->mean - ((double)other[i] - sum / (TILE * TILE));
            bx += d * (double)p->gx[i];
            by += d * (double)p->gy[i];
        }
        double dx = (p->yy * bx - p->xy * by) / det, dy = (p->xx * by - p->xy * bx) / det;
        double limit = 2 / fmax(2, hypot(dx, dy));
        *x += dx * limit;
        *y += dy * limit;
        if (hypot(dx, dy) < 0.02)
            break;
    }
    return sample(other, to, *x, *y) ? correlation(p, other) : 0;
}

static void search(const patch *p, const rf_image *to, double *x, double *y)
{
    float other[TILE * TILE];
    double best = -1, x0 = *x, y0 = *y;
    for (int dy = -SEARCH_PX; dy <= SEARCH_PX; dy += 2)
        for (int dx = -SEARCH_PX; dx <= SEARCH_PX; dx += 2) {
            if (!sample(other, to, floor(x0 + dx), floor(y0 + dy)))
                continue;
            double fit = correlation(p, other);
            if (fit > best) {
                best = fit;
                *x = floor(x0 + dx);
                *y = floor(y0 + dy);
            }
        }
}

typedef struct fit_job {
    rf_motion_state *state;
    const rf_image *from, *to;
    rf_pose from_pose, to_pose; /* reference -> frame, pixels of the motion luma */
} fit_job;

static void fit_tile(const fit_job *job, int column, int row, tile_fit *fit)
{
    double half = (TILE - 1) / 2.0, cx = column * STRIDE + half, cy = row * STRIDE + half, ax, ay, bx, by;
    patch p;
    *fit = (tile_fit){0};
    rf_pose_apply(&job->from_pose, cx, cy, &ax, &ay);
    rf_pose_apply(&job->to_pose, cx, cy, &bx, &by);
    int left = (int)floor(ax - half + 0.5), top = (int)floor(ay - half + 0.5);
    if (left < 0 || top < 0 || left + TILE > job->from->width || top + TILE > job->from->height)
        return;
    take_patch(&p, job->from, left, top);
    if (smaller_eigenvalue(&p) < LEAST_CONTRAST)
        return;
    double x0 = bx - half + (left - (ax - half)), y0 = by - half + (top - (ay - half)), x = x0, y = y0;
    double good = refine(&p, job->to, &x, &y);
    if (good < BAD_FIT) {
        x = x0, y = y0;
        search(&p, job->to, &x, &y);
        good = refine(&p, job->to, &x, &y);
    }
    *fit = (tile_fit){good >= GOOD_FIT, (float)(x - x0), (float)(y - y0)};
}

static void fit_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    const fit_job *job = arg;
    (void)block;
    (void)thread;
    for (int row = row_begin; row < row_end; row++)
        for (int column = 0; column < job->state->columns; column++)
            fit_tile(job, column, row, &job->state->fits[row * job->state->columns + column]);
}

/* ---- all tiles ---- */

static void take_off_common(rf_motion_state *s)
{
    int tiles = s->columns * s->rows;
    for (int axis = 0; axis < 2; axis++) {
        int n = 0;
        for (int t = 0; t < tiles; t++)
            if (s->fits[t].good)
                s->sorted[n++] = (double)(axis == 0 ? s->fits[t].x : s->fits[t].y);
        float common = (float)rf_median(s->sorted, n);
        for (int t = 0; t < tiles; t++)
            *(axis == 0 ? &s->fits[t].x : &s->fits[t].y) -= common;
    }
}

static int moves(const tile_fit *fit)
{
    return fit->good && hypotf(fit->x, fit->y) >= (float)LEAST_MOTION_PX;
}

/* Connected tiles that move alike, from `seed` on; marks them and fills the summary. */
static void grow_group(rf_motion_state *s, int seed, rf_tile_motion *motion)
{
    int tiles = s->columns * s->rows, *stack = s->group + tiles, top = 0;
    int x0 = s->columns, y0 = s->rows, x1 = -1, y1 = -1;
    const tile_fit first = s->fits[seed];
    stack[top++] = seed;
    s->group[seed] = 1;
    *motion = (rf_tile_motion){0};
    while (top > 0) {
        int t = stack[--top], x = t % s->columns, y = t / s->columns;
        motion->tiles++;
        motion->x_px += s->fits[t].x;
        motion->y_px += s->fits[t].y;
        x0 = x < x0 ? x : x0, x1 = x > x1 ? x : x1, y0 = y < y0 ? y : y0, y1 = y > y1 ? y : y1;
        for (int ny = y - 1; ny <= y + 1; ny++)
            for (int nx = x - 1; nx <= x + 1; nx++) {
                int n = ny * s->columns + nx;
                if (nx < 0 || ny < 0 || nx >= s->columns || ny >= s->rows || s->group[n] || !moves(&s->fits[n]) ||
                    hypotf(s->fits[n].x - first.x, s->fits[n].y - first.y) > 0.35f * hypotf(first.x, first.y) + 0.3f)
                    continue;
                s->group[n] = 1;
                stack[top++] = n;
            }
    }
    motion->x_px *= (float)(s->reduce / motion->tiles);
    motion->y_px *= (float)(s->reduce / motion->tiles);
    motion->place[0] = (int)(x0 * STRIDE * s->reduce);
    motion->place[1] = (int)(y0 * STRIDE * s->reduce);
    motion->place[2] = (int)(((x1 - x0) * STRIDE + TILE) * s->reduce);
    motion->place[3] = (int)(((y1 - y0) * STRIDE + TILE) * s->reduce);
}

static rf_tile_motion largest_group(rf_motion_state *s)
{
    rf_tile_motion best = {0}, motion;
    int tiles = s->columns * s->rows;
    memset(s->group, 0, (size_t)tiles * sizeof *s->group);
    for (int t = 0; t < tiles; t++) {
        if (s->group[t] || !moves(&s->fits[t]))
            continue;
        grow_group(s, t, &motion);
        if (motion.tiles > best.tiles)
            best = motion;
    }
    return best.tiles >= MIN_GROUP ? best : (rf_tile_motion){0};
}

static rf_pose reduced_pose(const rf_pose *full, double reduce)
{
    rf_pose pose = *full;
    double edge = (reduce - 1) / 2;
    pose.tx = (full->a * edge + full->b * edge + full->tx - edge) / reduce;
    pose.ty = (full->c * edge + full->d * edge + full->ty - edge) / reduce;
    return pose;
}

void rf_motion_add(rf_motion_state *s, rf_look *look, int k, const rf_image *luma)
{
    int here = k % 2, before = 1 - here;
    s->numbers[here] = -1;
    look->motions[k] = (rf_tile_motion){0};
    if (luma == NULL || s->columns < 1 || s->rows < 1)
        return;
    rf_image_luma(luma, s->extra, &s->frames[here], look->pool);
    s->numbers[here] = k;
    if (s->numbers[before] != k - 1 || !look->poses_known)
        return;
    fit_job job = {.state = s, .from = &s->frames[before], .to = &s->frames[here]};
    job.from_pose = reduced_pose(&look->poses[k - 1], s->reduce);
    job.to_pose = reduced_pose(&look->poses[k], s->reduce);
    rf_pool_rows(look->pool, s->rows, 1, fit_rows, &job);
    take_off_common(s);
    look->motions[k] = largest_group(s);
}
