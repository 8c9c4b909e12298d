/* observe.c - opening a take, and the two looks at its frames: poses, then cells. What the second needs is kept from
 * the first, as far as a fixed room goes. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "check/look.h"
#include "check/pictures.h"
#include "check/reading.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"

enum { ALIGN_SIDE_PX = 1000, CELL_SIDE_PX = 3200, CELLS_ALONG = 60, LEAST_CELLS_ALONG = 15, LEAST_CELL_PX = 8 };
/* Lumas kept for the cells: those of 38 frames of 24 megapixels; frames beyond are decoded again. */
static const size_t KEPT_BYTES = (size_t)256 << 20;
enum { FINE_FRAMES = 400 }; /* longer takes get fewer cells, so that frames x cells does not grow */

rf_status rf_look_unreadable(rf_look *look, int k, const char *why, rf_error *err)
{
    look->result->frames[k].used = 0;
    const rf_check_finding f = {.kind = RF_CHECK_UNREADABLE, .severity = RF_CHECK_FAULT};
    const char *file = look->options->frames[k];
    size_t bytes = strlen(file);
    int repeats = strncmp(why, file, bytes) == 0 && strncmp(why + bytes, ": ", 2) == 0;
    return rf_check_add(look->result, &f, &k, 1, err, "%s cannot be read: %s", rf_check_base_name(file),
                        why + (repeats ? bytes + 2 : 0));
}

static int reduce_for(int longer, int side_px)
{
    int reduce = 1;
    while (reduce < 8 && longer / reduce > side_px)
        reduce *= 2;
    return reduce;
}

static int cells_along(int frame_count)
{
    if (frame_count <= FINE_FRAMES)
        return CELLS_ALONG;
    int along = (int)(CELLS_ALONG * sqrt((double)FINE_FRAMES / frame_count));
    return along > LEAST_CELLS_ALONG ? along : LEAST_CELLS_ALONG;
}

/* ---- opening: headers alone ---- */

static void keep_metadata(rf_check_frame *frame, const rf_metadata *metadata)
{
    frame->exposure_s = metadata->exposure_s;
    frame->f_number = metadata->f_number;
    frame->iso = metadata->iso;
    frame->capture_time_ms = metadata->capture_time_ms;
}

static int same_kind(const rf_frame_info *a, const rf_frame_info *b)
{
    return a->width == b->width && a->height == b->height && a->sample == b->sample && a->channels == b->channels;
}

/* The shape most frames have. */
static int usual_shape(const rf_look *look, const rf_frame_info *infos)
{
    int best = -1, most = 0;
    for (int k = 0; k < look->count; k++) {
        int same = 0;
        for (int j = 0; look->result->frames[k].used && j < look->count; j++)
            same += look->result->frames[j].used && same_kind(&infos[k], &infos[j]);
        if (same > most) {
            most = same;
            best = k;
        }
        if (2 * same > look->count)
            break;
    }
    return best;
}

/* `first`: what is wrong with the first frame that cannot be read, if one cannot. */
static rf_status judge_shapes(rf_look *look, const rf_frame_info *infos, const rf_error *first, rf_error *err)
{
    rf_status status = RF_OK;
    int usual = usual_shape(look, infos);
    if (usual < 0)
        return rf_fail(err, RF_ERR_INPUT, "none of the %d frames can be read, the first: %s", look->count, first->text);
    look->result->width = infos[usual].width;
    look->result->height = infos[usual].height;
    look->channels = infos[usual].channels;
    look->sample = infos[usual].sample;
    look->cell_sample = RF_U8;
    for (int k = 0; k < look->count; k++)
        if (look->result->frames[k].used && strcmp(infos[k].format, "JPEG") != 0)
            look->cell_sample =
                RF_U16; /* a mean of pixels has more digits than they; a JPEG's luma is rounded anyway */
    for (int k = 0; k < look->count && status == RF_OK; k++) {
        const rf_frame_info *i = &infos[k], *u = &infos[usual];
        if (!look->result->frames[k].used || same_kind(i, u))
            continue;
        look->result->frames[k].used = 0;
        const rf_check_finding f = {.kind = RF_CHECK_SIZE, .severity = RF_CHECK_FAULT};
        status = rf_check_add(look->result, &f, &k, 1, err,
                              "%s is %d x %d pixels, %d-bit, %d channel%s; most of the take is %d x %d, %d-bit, %d",
                              rf_check_base_name(look->options->frames[k]), i->width, i->height,
                              i->sample == RF_U8 ? 8 : 16, i->channels, i->channels == 1 ? "" : "s", u->width,
                              u->height, u->sample == RF_U8 ? 8 : 16, u->channels);
    }
    return status;
}

static rf_status probe_all(rf_look *look, rf_error *err)
{
    rf_status status;
    rf_frame_info *infos = NULL;
    rf_frame_limits limits = rf_frame_limits_pixels(look->options->max_pixels);
    rf_error first = {0};
    RF_TRY(rf_alloc(&infos, (size_t)look->count, sizeof *infos, "the frames", err));
    for (int k = 0; k < look->count; k++) {
        rf_error why = {0};
        rf_metadata metadata;
        rf_metadata_init(&metadata);
        look->result->frames[k].used = 1;
        look->result->frames[k].capture_time_ms = INT64_MIN;
        rf_status found = rf_frame_probe(look->options->frames[k], &limits, &infos[k], &metadata, &why);
        if (found == RF_OK)
            keep_metadata(&look->result->frames[k], &metadata);
        rf_metadata_free(&metadata);
        if (found != RF_OK && first.code == RF_OK)
            first = why;
        if (found == RF_ERR_INPUT)
            RF_TRY(rf_look_unreadable(look, k, why.text, err));
        else if (found != RF_OK)
            RF_TRY(rf_fail(err, found, "%s", why.text));
    }
    RF_TRY(judge_shapes(look, infos, &first, err));
done:
    rf_free(infos);
    return status;
}

static rf_status alloc_frames(rf_look *look, rf_error *err)
{
    rf_status status;
    rf_check_result *result = look->result;
    size_t count = (size_t)look->count;
    RF_TRY(rf_alloc(&result->frames, count, sizeof *result->frames, "the frames", err));
    result->frame_count = look->count;
    for (int k = 0; k < look->count; k++) {
        const char *file = look->options->frames[k];
        RF_TRY(rf_alloc(&result->frames[k].file, strlen(file) + 1, 1, "the frames", err));
        memcpy(result->frames[k].file, file, strlen(file));
        result->frames[k].scale = result->frames[k].gain = 1;
    }
    RF_TRY(rf_alloc(&look->all, count, sizeof *look->all, "the frames", err));
    for (int k = 0; k < look->count; k++)
        look->all[k] = k;
    RF_TRY(rf_alloc(&look->kept, count, sizeof *look->kept, "the frames", err));
    RF_TRY(rf_alloc(&look->poses, count, sizeof *look->poses, "the poses", err));
    RF_TRY(rf_alloc(&look->aligned, count, sizeof *look->aligned, "the poses", err));
    RF_TRY(rf_alloc(&look->steps, count, sizeof *look->steps, "the poses", err));
    RF_TRY(rf_alloc(&look->angle, count * RF_LOOK_SPAN, sizeof *look->angle, "the distances of frames", err));
done:
    return status;
}

rf_status rf_look_open(rf_look *look, const rf_check_options *options, rf_check_result *result, rf_error *err)
{
    rf_status status;
    memset(look, 0, sizeof *look);
    look->options = options;
    look->result = result;
    look->count = options->frame_count;
    if (look->count < 1)
        return rf_fail(err, RF_ERR_USAGE, "check: %d frames; expected at least 1", look->count);
    RF_TRY(rf_pool_create(&look->pool, options->threads, err));
    RF_TRY(alloc_frames(look, err));
    RF_TRY(probe_all(look, err));
    int longer = result->width > result->height ? result->width : result->height;
    look->align_reduce = reduce_for(longer, ALIGN_SIDE_PX);
    look->cell_reduce = reduce_for(longer, CELL_SIDE_PX);
    int width = result->width / look->cell_reduce, height = result->height / look->cell_reduce;
    int side = (width > height ? width : height) / cells_along(look->count);
    look->cell_px = side > LEAST_CELL_PX ? side : LEAST_CELL_PX;
    look->columns = width / look->cell_px;
    look->rows = height / look->cell_px;
    size_t cells = (size_t)rf_look_cells(look);
    RF_TRY(rf_alloc(&look->cells, cells * (size_t)look->count, sizeof *look->cells, "the cells", err));
    RF_TRY(rf_alloc(&look->peaks, cells, sizeof *look->peaks, "the cells", err));
    if (!options->unfinished) {
        RF_TRY(rf_look_sensor_open(look, err));
        RF_TRY(rf_shadow_create(&look->shadow, result->width, result->height, look->cell_reduce, look->count,
                                look->pool, err));
    }
done:
    return status;
}

void rf_look_close(rf_look *look)
{
    rf_shadow_destroy(&look->shadow);
    rf_look_sensor_close(look);
    for (int i = 0; i < RF_LOOK_SLOTS; i++) {
        rf_image_free(&look->slots[i].whole);
        rf_image_free(&look->slots[i].cells);
        rf_image_free(&look->slots[i].luma);
    }
    for (int k = 0; look->kept != NULL && k < look->count; k++)
        rf_image_free(&look->kept[k]);
    rf_free(look->kept);
    rf_free(look->all);
    rf_pool_destroy(&look->pool);
    rf_free(look->poses);
    rf_free(look->aligned);
    rf_free(look->cells);
    rf_free(look->peaks);
    rf_free(look->steps);
    rf_free(look->angle);
}

/* ---- pass 1 ---- */

static int wanted_for_poses(const rf_look *look, int k)
{
    return RF_SEE_LUMA | RF_SEE_CELLS | (rf_look_is_sampled(look, k) ? RF_SEE_WHOLE : 0);
}

static void keep_cells(rf_look *look, int k, rf_image *cells)
{
    size_t bytes = (size_t)cells->height * cells->stride_bytes, most = look->options->kept_bytes;
    if (look->kept_bytes + bytes > (most != 0 ? most : KEPT_BYTES))
        return;
    look->kept_bytes += bytes;
    look->kept[k] = *cells;
    *cells = (rf_image){0};
}

static rf_status feed_align(rf_look *look, int k, rf_seen *seen, void *arg, rf_error *err)
{
    rf_status status;
    RF_TRY(rf_align_add_frame(arg, seen != NULL ? &seen->luma : NULL, err));
    RF_TRY(rf_look_sensor_survey(look, k, seen != NULL ? &seen->whole : NULL, err));
    if (seen == NULL)
        return RF_OK;
    if (look->options->pictures)
        RF_TRY(rf_check_picture_keep(look->result, k, &seen->luma, err));
    if (look->shadow != NULL)
        RF_TRY(rf_shadow_keep(look->shadow, k, &seen->cells, err));
    keep_cells(look, k, &seen->cells);
done:
    return status;
}

/* From pixels of the reduced luma (which the aligner was told are the frame) to full-size ones. */
static rf_pose full_size(const rf_pose *reduced, int reduce)
{
    rf_pose pose = *reduced;
    double edge = (reduce - 1) / 2.0;
    pose.tx = reduce * reduced->tx + edge - (reduced->a * edge + reduced->b * edge);
    pose.ty = reduce * reduced->ty + edge - (reduced->c * edge + reduced->d * edge);
    return pose;
}

static void keep_poses(rf_look *look, const rf_align_result *aligned)
{
    rf_check_result *result = look->result;
    for (int k = 0; k < look->count; k++) {
        rf_check_frame *frame = &result->frames[k];
        look->poses[k] = full_size(&look->poses[k], look->align_reduce);
        look->aligned[k] = aligned->frames[k];
        look->aligned[k].bump_px *= look->align_reduce;
        look->aligned[k].residual_px *= look->align_reduce;
        rf_pose_shift_px(&look->poses[k], result->width, result->height, &frame->shift_x_px, &frame->shift_y_px);
        frame->scale = rf_pose_scale(&look->poses[k]);
        frame->gain = look->poses[k].gain[0];
    }
    result->working_distance_steps = aligned->working_distance_steps;
    look->poses_known = 1;
}

static rf_status add_unaligned(rf_look *look, const char *why, rf_error *err)
{
    const rf_check_finding f = {.kind = RF_CHECK_COARSE_STEP, .severity = RF_CHECK_FAULT};
    for (int k = 0; k < look->count; k++)
        look->poses[k] = rf_pose_identity();
    return rf_check_add(look->result, &f, NULL, 0, err, "no two frames can be laid over each other: %s", why);
}

rf_status rf_look_poses(rf_look *look, rf_error *err)
{
    rf_status status;
    rf_align *align = NULL;
    rf_align_result aligned;
    rf_error why = {0};
    rf_align_options options = rf_align_options_default();
    options.full_width = look->result->width / look->align_reduce;
    options.full_height = look->result->height / look->align_reduce;
    options.frame_count = look->count;
    int reference = look->count / 2;
    while (reference > 0 && !look->result->frames[reference].used)
        reference--;
    options.reference = look->result->reference = reference;
    RF_TRY(rf_align_create(&align, &options, look->pool, err));
    const rf_visit visit = {"poses", look->all, look->count, wanted_for_poses, feed_align, align};
    RF_TRY(rf_look_visit(look, &visit, err));
    status = rf_align_solve(align, look->poses, &aligned, &why);
    if (status == RF_OK)
        keep_poses(look, &aligned);
    else if (status == RF_ERR_ALIGN)
        RF_TRY(add_unaligned(look, why.text, err));
    else
        RF_TRY(rf_fail(err, status, "%s", why.text));
done:
    rf_align_destroy(&align);
    return status;
}

/* ---- pass 2 ---- */

static int wanted_for_cells(const rf_look *look, int k)
{
    return look->kept[k].data != NULL ? 0 : RF_SEE_CELLS;
}

static rf_status feed_cells(rf_look *look, int k, rf_seen *seen, void *arg, rf_error *err)
{
    (void)err;
    if (seen != NULL)
        rf_cells_measure(look, k, look->kept[k].data != NULL ? &look->kept[k] : &seen->cells, arg);
    for (int c = 0; seen == NULL && c < rf_look_cells(look); c++)
        look->cells[(size_t)k * (size_t)rf_look_cells(look) + (size_t)c].energy = -1;
    rf_image_free(&look->kept[k]);
    return RF_OK;
}

rf_status rf_look_cells_read(rf_look *look, rf_error *err)
{
    rf_status status;
    float *scratch = NULL;
    if (!look->poses_known) /* nothing is known to stand still */
        rf_shadow_destroy(&look->shadow);
    RF_TRY(rf_alloc_raw(&scratch, (size_t)rf_pool_threads(look->pool) * rf_cells_scratch(look), sizeof *scratch,
                        "the cells", err));
    const rf_visit visit = {"cells", look->all, look->count, wanted_for_cells, feed_cells, scratch};
    RF_TRY(rf_look_visit(look, &visit, err));
done:
    rf_free(scratch);
    return status;
}
