/* run_sensor.c - before anything else: a sample of the frames, looked at for faults of the sensor. What else its
 * decodes give is kept: reduced lumas for the aligner, and the first frames whole for the second look. */
#include <string.h>

#include "run.h"

enum { SLOTS = RF_POOL_LANES + 1 }; /* one frame in hand, one in each lane */

typedef struct slot {
    rf_take *take;
    int frame, reduce; /* reduce 0: no luma is wanted */
    rf_image whole, luma;
    rf_status status;
    rf_error error;
} slot;

typedef struct look {
    rf_take *take;
    int index[RF_SENSOR_SAMPLE_MAX]; /* frames of the sample */
    int count;
    slot slots[SLOTS];
} look;

static rf_status decode(slot *s, rf_error *err)
{
    rf_status status;
    const rf_frame_info *info = &s->take->info;
    RF_TRY(rf_take_read(s->take, s->frame, &s->whole, err));
    if (s->reduce == 0)
        return RF_OK;
    RF_TRY(
        rf_image_alloc(&s->luma, info->width / s->reduce, info->height / s->reduce, 1, RF_U16, "a frame's luma", err));
    rf_image_luma(&s->whole, s->reduce, &s->luma, NULL); /* the pool is at work on another frame */
done:
    return status;
}

static void decode_aside(void *arg)
{
    slot *s = arg;
    s->error = (rf_error){0};
    s->status = decode(s, &s->error);
}

static void start(look *l, int i, int reduce)
{
    if (i >= l->count)
        return;
    slot *s = &l->slots[i % SLOTS];
    s->take = l->take;
    s->frame = l->index[i];
    s->reduce = reduce;
    rf_pool_side_on(l->take->pool, i % RF_POOL_LANES, decode_aside, s);
}

static void choose(look *l, rf_take *take)
{
    int used[RF_SENSOR_SAMPLE_MAX], wanted = rf_sensor_sample(rf_take_used_count(take), used), seen = 0;
    for (int k = 0; k < take->report->frame_count && l->count < wanted; k++) {
        if (!take->report->frames[k].used)
            continue;
        if (seen++ == used[l->count])
            l->index[l->count++] = k;
    }
}

static rf_status survey(rf_run *run, rf_sensor *sensor, slot *s, rf_error *err)
{
    rf_status status = rf_sensor_survey(sensor, &s->whole, err);
    if (status == RF_OK && s->luma.data != NULL) {
        run->early[run->early_count++] = (rf_early){.frame = s->frame, .luma = s->luma};
        s->luma = (rf_image){0};
    }
    return status;
}

/* Every frame of the sample, the next ones decoded meanwhile; frames that are left out drop out of it. */
static rf_status look_at(rf_run *run, look *l, rf_sensor *sensor, int second, rf_error *err)
{
    rf_status status = RF_OK;
    int kept = 0, count = l->count, index[RF_SENSOR_SAMPLE_MAX];
    int reduce = rf_run_luma_reduce(run->take.info.width, run->take.info.height);
    reduce = second || reduce < 2 ? 0 : reduce; /* lumas of full size would take more room than they are worth */
    memcpy(index, l->index, sizeof index);
    for (int i = 0; i < RF_POOL_LANES; i++)
        start(l, i, reduce);
    for (int i = 0; i < count; i++) {
        slot *s = &l->slots[i % SLOTS];
        rf_pool_join_on(l->take->pool, i % RF_POOL_LANES);
        start(l, i + RF_POOL_LANES, reduce);
        RF_TRY(rf_take_progress(l->take, "sensor", second * count + i, 2 * count, err));
        if (s->status != RF_OK) {
            RF_TRY(rf_take_bad_frame(l->take, s->frame, s->status, &s->error, err));
            continue;
        }
        RF_TRY(second ? rf_sensor_examine(sensor, &s->whole, err) : survey(run, sensor, s, err));
        index[kept++] = s->frame;
    }
    memcpy(l->index, index, sizeof index);
    l->count = kept;
done:
    for (int lane = 0; lane < RF_POOL_LANES; lane++)
        rf_pool_join_on(l->take->pool, lane);
    return status;
}

static void free_look(look *l)
{
    for (int i = 0; i < SLOTS; i++) {
        rf_image_free(&l->slots[i].whole);
        rf_image_free(&l->slots[i].luma);
    }
}

void rf_run_forget_early(rf_run *run)
{
    for (int i = 0; i < run->early_count; i++)
        rf_image_free(&run->early[i].luma);
    run->early_count = 0;
}

rf_status rf_run_sensor(rf_run *run, rf_error *err)
{
    rf_status status = RF_OK;
    rf_take *take = &run->take;
    rf_sensor *sensor = NULL;
    look l = {.take = take};
    int suspects, total;
    /* Dust may be found later, when nothing was here. */
    take->sensor =
        (rf_sensor_map){.width = take->info.width, .height = take->info.height, .channels = take->info.channels};
    if (take->options->no_repair)
        return RF_OK;
    choose(&l, take);
    if (l.count == 0)
        return RF_OK;
    total = 2 * l.count;
    RF_TRY(rf_sensor_create(&sensor, take->info.width, take->info.height, take->info.channels, take->info.sample,
                            take->pool, err));
    RF_TRY(look_at(run, &l, sensor, 0, err));
    RF_TRY(rf_sensor_suspects(sensor, &suspects, err));
    if (suspects > 0) {
        RF_TRY(look_at(run, &l, sensor, 1, err));
        RF_TRY(rf_sensor_finish(sensor, &take->sensor, err));
    }
    take->report->hot_pixels = take->sensor.hot_count;
    take->report->dust_spots = take->sensor.dust_count;
    if (!rf_sensor_map_is_empty(&take->sensor)) /* the aligner is to see repaired frames */
        rf_run_forget_early(run);
    RF_TRY(rf_take_progress(take, "sensor", total, total, err));
done:
    rf_sensor_destroy(&sensor);
    free_look(&l);
    return status;
}
