/* lens.c - see lens.h. */
#include "lens.h"

#include "lens_private.h"
#include "railfold/memory.h"

/* The largest disc of any layer in any frame, px; the backdrop counts on its coarse grid. */
static double largest_disc_px(const scene *subject, const rail *plan)
{
    const backdrop *back = &subject->back;
    double largest = fmax((double)back->depth - plan->nearest, plan->farthest - (double)back->depth) / back->reduce;
    for (int i = 0; i < subject->count; i++) {
        const raster_layer *raster = &subject->layers[i].raster;
        if (subject->layers[i].kind != LAYER_RASTER)
            continue;
        float low = raster->depth[0], high = low;
        for (size_t p = 0; p < (size_t)raster->width * (size_t)raster->height; p++) {
            low = minf(low, raster->depth[p]);
            high = maxf(high, raster->depth[p]);
        }
        largest = fmax(largest, fmax((double)high - plan->nearest, plan->farthest - (double)low));
    }
    return largest * plan->blur_px_per_step;
}

static rf_status find_covered(lens *self, int index, rf_error *err)
{
    rf_status status;
    const raster_layer *raster = &self->subject->layers[index].raster;
    RF_TRY(rf_alloc(&self->row_begin[index], (size_t)raster->height, sizeof(int), "a layer's outline", err));
    RF_TRY(rf_alloc(&self->row_end[index], (size_t)raster->height, sizeof(int), "a layer's outline", err));
    for (int y = 0; y < raster->height; y++) {
        const uint16_t *row = raster->rgba + (size_t)y * (size_t)raster->width * 4;
        int begin = 0, end = raster->width;
        while (begin < end && row[4 * begin + 3] == 0)
            begin++;
        while (end > begin && row[4 * end - 1] == 0)
            end--;
        self->row_begin[index][y] = begin;
        self->row_end[index][y] = end;
    }
    return RF_OK;
done:
    return status;
}

rf_status lens_open(lens **out, const scene *subject, const rail *plan, double mtf_px, rf_pool *pool, rf_error *err)
{
    rf_status status;
    lens *self = NULL;
    *out = NULL;
    RF_TRY(rf_alloc(&self, 1, sizeof *self, "the lens", err));
    self->subject = subject;
    self->plan = plan;
    self->pool = pool;
    self->mtf_px = mtf_px;
    self->threads = rf_pool_threads(pool);
    int widest = plan->view.width > subject->back.width ? plan->view.width : subject->back.width;
    self->scratch_stride = widest + 2;
    RF_TRY(rf_alloc(&self->scratch, (size_t)self->threads, sizeof *self->scratch, "the lens", err));
    for (int i = 0; i < self->threads; i++) {
        band_scratch *scratch = &self->scratch[i];
        size_t cells = (size_t)BAND_ROWS * (size_t)self->scratch_stride;
        RF_TRY(rf_alloc(&scratch->ends, cells, sizeof *scratch->ends, "the lens", err));
        RF_TRY(rf_alloc(&scratch->direct, cells, sizeof *scratch->direct, "the lens", err));
        RF_TRY(rf_alloc(&scratch->weight, cells, sizeof *scratch->weight, "the lens", err));
    }
    double largest_px = largest_disc_px(subject, plan);
    if (largest_px > LARGEST_DISC_PX) {
        status = rf_fail(err, RF_ERR_USAGE, "--blur: discs of %.0f px radius are more than this tool draws (%d px)",
                         largest_px, LARGEST_DISC_PX);
        goto done;
    }
    RF_TRY(disc_table_make(&self->discs, largest_px, err));
    RF_TRY(lens_make_profiles(self, err));
    lens_fill_lanczos(self->lanczos);
    for (int i = 0; i < subject->count; i++)
        if (subject->layers[i].kind == LAYER_RASTER)
            RF_TRY(find_covered(self, i, err));
    *out = self;
    return RF_OK;
done:
    lens_close(&self);
    return status;
}

void lens_close(lens **at)
{
    lens *self = *at;
    if (self == NULL)
        return;
    for (int i = 0; self->scratch != NULL && i < self->threads; i++) {
        rf_free(self->scratch[i].ends);
        rf_free(self->scratch[i].direct);
        rf_free(self->scratch[i].weight);
    }
    for (int i = 0; i < SCENE_MAX_LAYERS; i++) {
        rf_free(self->row_begin[i]);
        rf_free(self->row_end[i]);
    }
    rf_free(self->scratch);
    rf_free(self->profiles);
    rf_free(self->warped);
    rf_free(self->warped_disc);
    rf_free(self->warped_used);
    disc_table_free(&self->discs);
    rf_free(self);
    *at = NULL;
}

static rf_status expose_layers(exposure *e, rf_error *err)
{
    rf_status status;
    const scene *subject = e->self->subject;
    RF_TRY(lens_backdrop(e, err));
    for (int i = 0; i < subject->count; i++) {
        if (subject->layers[i].kind == LAYER_RASTER)
            RF_TRY(lens_raster(e, i, err));
        else
            lens_strands(e, &subject->layers[i].strands);
    }
    return RF_OK;
done:
    return status;
}

rf_status lens_expose(lens *self, const rail_frame *frame, float *rgb, rf_error *err)
{
    exposure e = {.self = self,
                  .frame = frame,
                  .blur = self->plan->blur_px_per_step,
                  .cosine = take_cos(frame->roll_rad),
                  .sine = take_sin(frame->roll_rad),
                  .rgb = rgb};
    return expose_layers(&e, err);
}

rf_status lens_truth(lens *self, float *rgb, float *depth, uint8_t *subject, rf_error *err)
{
    rf_status status;
    const rail *plan = self->plan;
    rail_frame still = {
        .focus = plan->view.reference_focus, .gain = 1, .moved_px = plan->frames[plan->reference].moved_px};
    exposure e = {.self = self, .frame = &still, .cosine = 1, .rgb = rgb};
    RF_TRY(expose_layers(&e, err));
    size_t pixels = (size_t)self->plan->view.width * (size_t)self->plan->view.height;
    for (size_t i = 0; i < pixels; i++) {
        depth[i] = self->subject->back.depth;
        subject[i] = 0;
    }
    e.depth = depth;
    e.subject = subject;
    for (int i = 0; i < self->subject->count; i++) {
        if (self->subject->layers[i].kind == LAYER_RASTER)
            lens_raster_depth(&e, &self->subject->layers[i].raster);
        else
            lens_strands(&e, &self->subject->layers[i].strands);
    }
    return RF_OK;
done:
    return status;
}
