/* lens_backdrop.c - the soft print far behind: moved, spread by its (large) disc on its coarse grid, brought to size.
 */
#include "lens_private.h"

#include "railfold/memory.h"

static float catmull_rom(float t)
{
    t = fabsf(t);
    if (t < 1)
        return 1 + t * t * (1.5f * t - 2.5f);
    return t < 2 ? 2 + t * (-4 + t * (2.5f - 0.5f * t)) : 0;
}

/* Bicubic value of a coarse grid, continued at its edges. */
static v4 coarse_at(const float *rgb, int width, int height, float x, float y)
{
    float fx = floorf(x), fy = floorf(y);
    v4 sum = {0, 0, 0, 0};
    for (int j = -1; j <= 2; j++)
        for (int i = -1; i <= 2; i++) {
            int ix = (int)fx + i, iy = (int)fy + j;
            float weight = catmull_rom(x - (float)ix) * catmull_rom(y - (float)iy);
            ix = ix < 0 ? 0 : ix >= width ? width - 1 : ix;
            iy = iy < 0 ? 0 : iy >= height ? height - 1 : iy;
            const float *in = rgb + ((size_t)iy * (size_t)width + (size_t)ix) * 3;
            sum += (v4){in[0], in[1], in[2], 1} * v4_all(weight);
        }
    return sum;
}

typedef struct backdrop_job {
    exposure *e;
    const backdrop *back;
    int index, reach; /* of the disc, in coarse pixels */
    v4 *moved;        /* coarse grid on the frame */
    float *spread;    /* the same after the lens */
    band_scratch scratch;
} backdrop_job;

/* Coarse pixel i stands for picture pixel reduce * (i - margin) + (reduce - 1) / 2. */
static float picture_position(const backdrop *back, int i)
{
    return (float)back->reduce * (float)(i - back->margin) + 0.5f * (float)(back->reduce - 1);
}

static float coarse_position(const backdrop *back, float position)
{
    return (position - 0.5f * (float)(back->reduce - 1)) / (float)back->reduce + (float)back->margin;
}

static void move_backdrop(backdrop_job *job)
{
    const backdrop *back = job->back;
    const rail_view *view = &job->e->self->plan->view;
    rf_pose pose = rail_pose_at(view, job->e->frame, (double)back->depth), to_view = rf_pose_invert(&pose);
    for (int y = 0; y < back->height; y++)
        for (int x = 0; x < back->width; x++) {
            double vx, vy;
            rf_pose_apply(&to_view, (double)picture_position(back, x), (double)picture_position(back, y), &vx, &vy);
            job->moved[(size_t)y * (size_t)back->width + (size_t)x] =
                coarse_at(back->rgb, back->width, back->height, coarse_position(back, (float)vx),
                          coarse_position(back, (float)vy));
        }
}

/* The grid is small: one thread, in bands of the scratch's height. */
static void spread_backdrop(backdrop_job *job)
{
    const backdrop *back = job->back;
    const lens *self = job->e->self;
    spread_source source = {
        .rgba = job->moved, .same_disc = job->index, .width = back->width, .height = back->height, .reach = job->reach};
    for (int from = 0; from < back->height; from += BAND_ROWS) {
        int to = from + BAND_ROWS > back->height ? back->height : from + BAND_ROWS;
        spread_band(self, &source, &job->scratch, back->width, from, to);
        for (int y = from; y < to; y++) {
            const v4 *ends = job->scratch.ends + (size_t)(y - from) * (size_t)self->scratch_stride;
            const float *weights = job->scratch.weight + (size_t)(y - from) * (size_t)self->scratch_stride;
            v4 sum = {0, 0, 0, 0};
            float weight = 0;
            for (int x = 0; x < back->width; x++) {
                sum += ends[x];
                weight += weights[x];
                for (int c = 0; c < 3; c++)
                    job->spread[((size_t)y * (size_t)back->width + (size_t)x) * 3 + (size_t)c] =
                        sum[c] / maxf(weight, 1e-3f);
            }
        }
    }
}

static void enlarge_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const backdrop_job *job = arg;
    const backdrop *back = job->back;
    int width = job->e->self->plan->view.width;
    for (int y = row_begin; y < row_end; y++) {
        float *out = job->e->rgb + (size_t)y * (size_t)width * 3, cy = coarse_position(back, (float)y);
        for (int x = 0; x < width; x++, out += 3) {
            v4 seen = coarse_at(job->spread, back->width, back->height, coarse_position(back, (float)x), cy);
            for (int c = 0; c < 3; c++)
                out[c] = maxf(seen[c], 0);
        }
    }
}

rf_status lens_backdrop(exposure *e, rf_error *err)
{
    rf_status status;
    lens *self = e->self;
    const backdrop *back = &self->subject->back;
    size_t cells = (size_t)back->width * (size_t)back->height;
    backdrop_job job = {.e = e, .back = back, .scratch = self->scratch[0]};
    job.index = disc_index(&self->discs, blur_radius_px(e, back->depth) / (float)back->reduce);
    job.reach = self->discs.reach[job.index];
    RF_TRY(rf_alloc_raw(&job.moved, cells, sizeof *job.moved, "the backdrop", err));
    RF_TRY(rf_alloc_raw(&job.spread, cells * 3, sizeof *job.spread, "the backdrop", err));
    move_backdrop(&job);
    spread_backdrop(&job);
    rf_pool_rows(self->pool, self->plan->view.height, 32, enlarge_rows, &job);
    status = RF_OK;
done:
    rf_free(job.moved);
    rf_free(job.spread);
    return status;
}
