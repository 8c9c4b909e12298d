/* reading.c - decoders on their lanes, and what the luma of one size gives for the smaller ones. */
#include "check/reading.h"

#include <string.h>

#include "railfold/frame_io.h"

typedef struct reader {
    const rf_look *look;
    int frame, wanted;
    rf_seen *seen;
    rf_status status;
    rf_error err;
} reader;

/* Room for a luma, kept from frame to frame. */
static rf_status shape(rf_image *luma, int width, int height, rf_sample sample, rf_error *err)
{
    if (luma->data != NULL && luma->width == width && luma->height == height && luma->sample == sample)
        return RF_OK;
    return rf_image_alloc(luma, width, height, 1, sample, "a frame's luma", err);
}

/* A mean of means is the mean: the smaller luma needs no decode of its own. The pool is at work on another frame. */
static rf_status reduce_to(const rf_image *from, int reduce, rf_sample sample, rf_image *to, rf_error *err)
{
    rf_status status = shape(to, from->width / reduce, from->height / reduce, sample, err);
    if (status == RF_OK)
        rf_image_luma(from, reduce, to, NULL);
    return status;
}

static rf_status read_frame(reader *r, rf_error *err)
{
    rf_status status = RF_OK;
    const rf_look *look = r->look;
    const char *file = look->options->frames[r->frame];
    rf_frame_limits limits = rf_frame_limits_pixels(look->options->max_pixels);
    if (r->wanted == RF_SEE_PLANE)
        return rf_frame_read_luma_as(file, &limits, 1, look->sample, &r->seen->whole, NULL, NULL, err);
    if (r->wanted & RF_SEE_WHOLE) {
        RF_TRY(rf_frame_read(file, &limits, &r->seen->whole, NULL, NULL, err));
        if (r->wanted & RF_SEE_CELLS)
            RF_TRY(reduce_to(&r->seen->whole, look->cell_reduce, look->cell_sample, &r->seen->cells, err));
    } else if (r->wanted & RF_SEE_CELLS) {
        RF_TRY(rf_frame_read_luma_as(file, &limits, look->cell_reduce, look->cell_sample, &r->seen->cells, NULL, NULL,
                                     err));
    }
    if (r->wanted & RF_SEE_LUMA)
        RF_TRY(reduce_to(&r->seen->cells, look->align_reduce / look->cell_reduce, RF_F32, &r->seen->luma, err));
done:
    return status;
}

static void read_aside(void *arg)
{
    reader *r = arg;
    r->err = (rf_error){0};
    r->status = read_frame(r, &r->err);
}

static void start(rf_look *look, const rf_visit *visit, reader *readers, int i)
{
    if (i >= visit->count)
        return;
    reader *r = &readers[i % RF_LOOK_SLOTS];
    r->look = look;
    r->seen = &look->slots[i % RF_LOOK_SLOTS];
    r->frame = visit->frames[i];
    r->wanted = look->result->frames[r->frame].used ? visit->wanted(look, r->frame) : 0;
    r->status = RF_OK;
    if (r->wanted != 0)
        rf_pool_side_on(look->pool, i % RF_POOL_LANES, read_aside, r);
}

static rf_status tell(const rf_look *look, const rf_visit *visit, int done, rf_error *err)
{
    const rf_check_options *o = look->options;
    if (visit->stage != NULL && o->progress != NULL &&
        o->progress(o->progress_arg, visit->stage, done, look->count) != 0)
        return rf_fail(err, RF_ERR_STOPPED, "stopped while looking at frame %d of %d", done, look->count);
    return RF_OK;
}

rf_status rf_look_visit(rf_look *look, const rf_visit *visit, rf_error *err)
{
    rf_status status = RF_OK;
    reader readers[RF_LOOK_SLOTS];
    memset(readers, 0, sizeof readers);
    for (int i = 0; i < RF_POOL_LANES; i++)
        start(look, visit, readers, i);
    for (int i = 0; i < visit->count; i++) {
        reader *now = &readers[i % RF_LOOK_SLOTS];
        rf_pool_join_on(look->pool, i % RF_POOL_LANES);
        start(look, visit, readers, i + RF_POOL_LANES);
        RF_TRY(tell(look, visit, i, err));
        if (now->status == RF_ERR_INPUT)
            RF_TRY(rf_look_unreadable(look, now->frame, now->err.text, err));
        else if (now->status != RF_OK)
            RF_TRY(rf_fail(err, now->status, "%s", now->err.text));
        int used = look->result->frames[now->frame].used;
        RF_TRY(visit->fn(look, now->frame, used ? now->seen : NULL, visit->arg, err));
    }
    RF_TRY(tell(look, visit, visit->count, err));
done:
    for (int lane = 0; lane < RF_POOL_LANES; lane++)
        rf_pool_join_on(look->pool, lane);
    return status;
}
