/* lens_raster.c - a raster layer: warp by depth, spread, lay over. */
#include "lens_private.h"

#include "railfold/memory.h"

typedef struct raster_job {
    exposure *e;
    const raster_layer *raster;
    const int *row_begin, *row_end;
    spread_source source;
    int first_row; /* of the chunk */
} raster_job;

/* Depth at a place of the layer, bilinear, continued at the edges. */
static float depth_at(const raster_layer *raster, float x, float y)
{
    x = clampf(x, 0, (float)(raster->width - 1));
    y = clampf(y, 0, (float)(raster->height - 1));
    int ix = (int)x, iy = (int)y;
    int nx = ix + 1 < raster->width ? ix + 1 : ix, ny = iy + 1 < raster->height ? iy + 1 : iy;
    float u = x - (float)ix, v = y - (float)iy;
    const float *a = raster->depth + (size_t)iy * (size_t)raster->width;
    const float *b = raster->depth + (size_t)ny * (size_t)raster->width;
    return mixf(mixf(a[ix], a[nx], u), mixf(b[ix], b[nx], u), v);
}

/* Colour at a place of the layer: 6 x 6 taps, transparent outside, no overshoot beyond 0 and full cover. */
static v4 colour_at(const raster_job *job, float x, float y)
{
    const raster_layer *raster = job->raster;
    const v4 none = {0, 0, 0, 0};
    float fx = floorf(x), fy = floorf(y);
    int ix = (int)fx - (LANCZOS_TAPS / 2 - 1), iy = (int)fy - (LANCZOS_TAPS / 2 - 1);
    if (ix < 0 || iy < 0 || ix + LANCZOS_TAPS > raster->width || iy + LANCZOS_TAPS > raster->height)
        return none;
    const float *across = job->e->self->lanczos[(int)((x - fx) * LANCZOS_PHASES + 0.5f)];
    const float *down = job->e->self->lanczos[(int)((y - fy) * LANCZOS_PHASES + 0.5f)];
    v4 sum = none;
    for (int j = 0; j < LANCZOS_TAPS; j++) {
        if (ix + LANCZOS_TAPS <= job->row_begin[iy + j] || ix >= job->row_end[iy + j])
            continue;
        const uint16_t *row = raster->rgba + ((size_t)(iy + j) * (size_t)raster->width + (size_t)ix) * 4;
        v4 line = none;
        for (int i = 0; i < LANCZOS_TAPS; i++) {
            u4 stored;
            memcpy(&stored, row + 4 * i, sizeof stored);
            line += __builtin_convertvector(stored, v4) * v4_all(across[i]);
        }
        sum += line * v4_all(down[j]);
    }
    const float colour = LAYER_WHITE / 65535, cover = 1.0f / 65535;
    sum *= (v4){colour, colour, colour, cover};
    for (int c = 0; c < 3; c++)
        sum[c] = maxf(sum[c], 0);
    sum[3] = clampf(sum[3], 0, 1);
    return sum;
}

/* Frame pixel -> layer pixel needs the depth there; the depth changes so little that two rounds settle it (the error
 * shrinks by |q| (k - r) slope / D^2, about a thousandth, a round). */
static void warp_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    raster_job *job = arg;
    const exposure *e = job->e;
    const rail_view *view = &e->self->plan->view;
    const raster_layer *raster = job->raster;
    const double d = view->distance, ahead = d - view->reference_focus, behind = d - e->frame->focus;
    for (int y = row_begin; y < row_end; y++) {
        v4 *out = e->self->warped + (size_t)y * (size_t)job->source.width;
        uint16_t *disc = e->self->warped_disc + (size_t)y * (size_t)job->source.width;
        double fy = y + job->source.row - view->cy;
        uint8_t used = 0;
        float z = 0;
        for (int x = 0; x < job->source.width; x++) {
            double fx = x + job->source.column - view->cx;
            double qx = e->cosine * fx + e->sine * fy, qy = e->cosine * fy - e->sine * fx;
            float lx = 0, ly = 0;
            if (x == 0)
                z = (float)e->frame->focus;
            for (int round = x == 0 ? -2 : 0; round < 2; round++) {
                double spread = (behind + (double)z) / d, back = d / (ahead + (double)z);
                lx = (float)((qx * spread + e->frame->shift_x) * back + view->cx - raster->x0);
                ly = (float)((qy * spread + e->frame->shift_y) * back + view->cy - raster->y0);
                z = depth_at(raster, lx, ly);
            }
            out[x] = colour_at(job, lx, ly);
            used |= out[x][3] > 0;
            disc[x] = (uint16_t)disc_index(&e->self->discs, blur_radius_px(e, z));
        }
        e->self->warped_used[y] = used;
    }
}

static void lay_over_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    raster_job *job = arg;
    lens *self = job->e->self;
    band_scratch *scratch = &self->scratch[thread];
    int width = self->plan->view.width;
    row_begin += job->first_row;
    row_end += job->first_row;
    spread_band(self, &job->source, scratch, width, row_begin, row_end);
    for (int y = row_begin; y < row_end; y++) {
        const v4 *ends = scratch->ends + (size_t)(y - row_begin) * (size_t)self->scratch_stride;
        const float *weights = scratch->weight + (size_t)(y - row_begin) * (size_t)self->scratch_stride;
        float *out = job->e->rgb + (size_t)y * (size_t)width * 3;
        v4 sum = {0, 0, 0, 0};
        float weight = 0;
        for (int x = 0; x < width; x++, out += 3) {
            sum += ends[x];
            weight += weights[x];
            if (weight < 1e-3f || sum[3] < 1e-6f)
                continue;
            v4 seen = sum * v4_all(1 / weight);
            float through = 1 - minf(seen[3], 1);
            for (int c = 0; c < 3; c++)
                out[c] = maxf(seen[c], 0) + through * out[c];
        }
    }
}

/* Largest blur of the layer in this exposure, px. */
static float largest_radius(const exposure *e, const raster_layer *raster)
{
    float largest = 0;
    for (size_t i = 0; i < (size_t)raster->width * (size_t)raster->height; i++)
        largest = maxf(largest, blur_radius_px(e, raster->depth[i]));
    return largest;
}

static rf_status make_room(lens *self, size_t width, size_t rows, rf_error *err)
{
    rf_status status = RF_OK;
    if (width * rows > self->warped_room || rows > self->warped_rows) {
        rf_free(self->warped);
        rf_free(self->warped_disc);
        rf_free(self->warped_used);
        self->warped = NULL;
        self->warped_disc = NULL;
        self->warped_used = NULL;
        self->warped_room = self->warped_rows = 0;
        RF_TRY(rf_alloc_raw(&self->warped, width * rows, sizeof *self->warped, "a warped layer", err));
        RF_TRY(rf_alloc_raw(&self->warped_disc, width * rows, sizeof *self->warped_disc, "a warped layer", err));
        RF_TRY(rf_alloc_raw(&self->warped_used, rows, 1, "a warped layer", err));
        self->warped_room = width * rows;
        self->warped_rows = rows;
    }
done:
    return status;
}

rf_status lens_raster(exposure *e, int layer_index, rf_error *err)
{
    rf_status status;
    lens *self = e->self;
    const rail_view *view = &self->plan->view;
    raster_job job = {.e = e,
                      .raster = &self->subject->layers[layer_index].raster,
                      .row_begin = self->row_begin[layer_index],
                      .row_end = self->row_end[layer_index]};
    int reach = self->discs.reach[disc_index(&self->discs, largest_radius(e, job.raster))], margin = reach + 1;
    job.source = (spread_source){.reach = reach, .width = view->width + 2 * margin, .column = -margin};
    RF_TRY(make_room(self, (size_t)job.source.width, (size_t)(CHUNK_ROWS + 2 * margin), err));
    job.source.rgba = self->warped;
    job.source.disc = self->warped_disc;
    for (job.first_row = 0; job.first_row < view->height; job.first_row += CHUNK_ROWS) {
        int rows = view->height - job.first_row < CHUNK_ROWS ? view->height - job.first_row : CHUNK_ROWS;
        job.source.row = job.first_row - margin;
        job.source.height = rows + 2 * margin;
        rf_pool_rows(self->pool, job.source.height, 16, warp_rows, &job);
        if (memchr(self->warped_used, 1, (size_t)job.source.height) != NULL)
            rf_pool_rows(self->pool, rows, BAND_ROWS, lay_over_rows, &job);
    }
    return RF_OK;
done:
    return status;
}

void lens_raster_depth(exposure *e, const raster_layer *raster)
{
    const rail_view *view = &e->self->plan->view;
    for (int y = 0; y < view->height; y++)
        for (int x = 0; x < view->width; x++) {
            int lx = x - raster->x0, ly = y - raster->y0;
            if (lx < 0 || ly < 0 || lx >= raster->width || ly >= raster->height)
                continue;
            size_t from = (size_t)ly * (size_t)raster->width + (size_t)lx,
                   to = (size_t)y * (size_t)view->width + (size_t)x;
            if (raster->rgba[4 * from + 3] < 32768)
                continue;
            e->depth[to] = raster->depth[from];
            e->subject[to] = 1;
        }
}
