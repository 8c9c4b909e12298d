/* depth.c - the passes over the frames, and what is kept between them. */
#include "depth/state.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

rf_status rf_depth_create(rf_depth **out, int width, int height, int frame_count, const rf_depth_options *options,
                          rf_pool *pool, rf_error *err)
{
    rf_status status;
    rf_depth *d = NULL;
    *out = NULL;
    int reduce = options != NULL && options->reduce > 1 ? options->reduce : 1;
    if (width < reduce || height < reduce || frame_count < 1 || (reduce != 1 && reduce != 2 && reduce != 4))
        return rf_fail(err, RF_ERR_USAGE, "a depth map of %d x %d pixels from %d frames reduced by %d cannot be made",
                       width, height, frame_count, reduce);
    RF_TRY(rf_alloc(&d, 1, sizeof *d, "the depth map", err));
    *d = (rf_depth){.width = width, .height = height, .frame_count = frame_count, .pool = pool, .pass = -1};
    if (options != NULL)
        d->options = *options;
    d->cell = 2 * reduce;
    d->energy_width = rf_sharpness_side(width / reduce);
    d->energy_height = rf_sharpness_side(height / reduce);
    RF_TRY(rf_sharpness_create(&d->sharpness, width / reduce, height / reduce, pool, err));
    for (int i = 0; i < RF_RING; i++)
        RF_TRY(
            rf_image_alloc_raw(&d->ring[i], d->energy_width, d->energy_height, 1, RF_F32, "the focus energies", err));
    RF_TRY(rf_alloc(&d->focus, (size_t)d->energy_width * (size_t)d->energy_height, sizeof *d->focus, "the focus peaks",
                    err));
    *out = d;
    return RF_OK;
done:
    rf_depth_destroy(&d);
    return status;
}

void rf_depth_destroy(rf_depth **depth)
{
    rf_depth *d = *depth;
    if (d == NULL)
        return;
    rf_sharpness_destroy(&d->sharpness);
    for (int i = 0; i < RF_RING; i++)
        rf_image_free(&d->ring[i]);
    rf_image *plane[] = {&d->way, &d->trust, &d->front, &d->guide_at, &d->guide, &d->guide_weight};
    for (size_t i = 0; i < sizeof plane / sizeof *plane; i++)
        rf_image_free(plane[i]);
    rf_free(d->defocus);
    rf_free(d->guide_range);
    rf_free(d->focus);
    rf_free(d->known);
    rf_free(d);
    *depth = NULL;
}

int rf_depth_passes(const rf_depth *depth)
{
    (void)depth;
    return 2;
}

rf_status rf_depth_begin_pass(rf_depth *d, int pass, rf_error *err)
{
    if (pass != d->pass + 1 || d->in_pass || pass >= rf_depth_passes(d))
        return rf_fail(err, RF_ERR_INTERNAL, "depth pass %d was begun out of turn", pass);
    d->pass = pass;
    d->in_pass = 1;
    d->last_frame = -1;
    if (pass == 0)
        return RF_OK;
    rf_status status = rf_guide_begin(d, err);
    return status == RF_OK ? rf_defocus_begin(d, err) : status;
}

/* Frames are judged once two later ones are there, all at a time that the ring holds; then those go that no frame to
 * come is judged with. */
static void judge_frames(rf_depth *d)
{
    int end = d->ring_count - RF_FIT_CENTRE, gone = end - RF_FIT_CENTRE;
    rf_peaks_take(d, d->ring_taken, end);
    rf_image oldest[RF_RING];
    memcpy(oldest, d->ring, (size_t)gone * sizeof *oldest);
    memmove(d->ring, d->ring + gone, (size_t)(d->ring_count - gone) * sizeof *d->ring);
    memcpy(d->ring + d->ring_count - gone, oldest, (size_t)gone * sizeof *oldest);
    memmove(d->ring_frame, d->ring_frame + gone, (size_t)(d->ring_count - gone) * sizeof *d->ring_frame);
    d->ring_count -= gone;
    d->ring_taken = end - gone;
}

/* Pass 0. */
static rf_status measure_frame(rf_depth *d, int k, const rf_source *source, rf_error *err)
{
    if (d->ring_count == RF_RING)
        judge_frames(d);
    rf_status status = rf_sharpness_measure_source(d->sharpness, source, &d->ring[d->ring_count], err);
    if (status != RF_OK)
        return status;
    d->ring_frame[d->ring_count++] = k;
    float noise = rf_sharpness_noise_floor(d->sharpness);
    if (d->frames_seen++ == 0 || noise < d->noise_floor) {
        d->noise_floor = d->full_size_floor = noise;
        d->quietest = k;
    }
    return RF_OK;
}

/* How much noise a reduced frame has lost depends on its grain: measured anew at full size. */
static rf_status measure_full_size(rf_depth *d, const rf_source *source, rf_error *err)
{
    rf_status status;
    rf_sharpness *sharpness = NULL;
    rf_image energy = {0};
    RF_TRY(rf_sharpness_create(&sharpness, d->width, d->height, d->pool, err));
    RF_TRY(rf_image_alloc_raw(&energy, rf_sharpness_side(d->width), rf_sharpness_side(d->height), 1, RF_F32,
                              "the focus energies", err));
    RF_TRY(rf_sharpness_measure_source(sharpness, source, &energy, err));
    d->full_size_floor = rf_sharpness_noise_floor(sharpness);
done:
    rf_image_free(&energy);
    rf_sharpness_destroy(&sharpness);
    return status;
}

rf_status rf_depth_add_source(rf_depth *d, int k, const rf_source *source, rf_error *err)
{
    if (!d->in_pass)
        return rf_fail(err, RF_ERR_INTERNAL, "frame %d was given to the depth map outside a pass", k);
    if (k <= d->last_frame || k >= d->frame_count)
        return rf_fail(err, RF_ERR_INPUT, "frame %d follows frame %d of %d: depth needs rising order", k, d->last_frame,
                       d->frame_count);
    int reduce = d->pass == 0 ? d->cell / 2 : 1, width = d->width / reduce, height = d->height / reduce;
    if (source->width != width || source->height != height || (source->channels != 1 && source->channels != 3))
        return rf_fail(err, RF_ERR_INPUT, "frame %d has %d x %d pixels and %d channels: depth was announced %d x %d", k,
                       source->width, source->height, source->channels, width, height);
    d->last_frame = k;
    if (d->pass == 0)
        return measure_frame(d, k, source, err);
    rf_guide_add(d, k, source);
    rf_defocus_add(d, k, source);
    return d->cell > 2 && k == d->quietest ? measure_full_size(d, source, err) : RF_OK;
}

rf_status rf_depth_add_frame(rf_depth *d, int k, const rf_image *frame, const int (*covered)[2], rf_error *err)
{
    if (frame->sample != RF_F32)
        return rf_fail(err, RF_ERR_INPUT, "frame %d is not of floats: depth cannot be told from it", k);
    rf_source source = rf_source_of_image(frame, covered);
    return rf_depth_add_source(d, k, &source, err);
}

/* The last frames are judged; what only pass 0 needs is let go. */
static rf_status finish_measuring(rf_depth *d, rf_error *err)
{
    rf_peaks_take(d, d->ring_taken, d->ring_count);
    rf_sharpness_destroy(&d->sharpness);
    for (int i = 0; i < RF_RING; i++)
        rf_image_free(&d->ring[i]);
    return rf_front_find(d, err);
}

rf_status rf_depth_end_pass(rf_depth *d, rf_error *err)
{
    if (!d->in_pass || d->last_frame < 0)
        return rf_fail(err, RF_ERR_INPUT, "depth pass %d ended without a frame", d->pass);
    d->in_pass = 0;
    if (d->pass == 0)
        return finish_measuring(d, err);
    rf_guide_end(d);
    d->blur_px_per_step = 0.5 * d->cell * rf_defocus_solve(d);
    rf_free(d->defocus);
    d->defocus = NULL;
    return RF_OK;
}

double rf_depth_blur_px_per_step(const rf_depth *depth)
{
    return depth->blur_px_per_step;
}

float rf_depth_noise_floor(const rf_depth *depth)
{
    return depth->full_size_floor;
}

void rf_depth_take_guide(rf_depth *depth, rf_image *guide)
{
    rf_image_free(guide);
    *guide = depth->guide;
    depth->guide = (rf_image){0};
}
