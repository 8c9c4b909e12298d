/* run_sensor.c - before anything else: a sample of the frames, looked at for faults of the sensor. */
#include <string.h>

#include "run.h"

typedef struct look {
    rf_take *take;
    int index[RF_SENSOR_SAMPLE_MAX]; /* frames of the sample */
    int count, next;                 /* next: being decoded */
    rf_image images[2];
    rf_status status[2];
    rf_error error[2];
} look;

static void decode_next(void *arg)
{
    look *l = arg;
    int at = l->next % 2;
    l->error[at] = (rf_error){0};
    l->status[at] = rf_take_read(l->take, l->index[l->next], &l->images[at], &l->error[at]);
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

typedef rf_status (*look_fn)(rf_sensor *sensor, const rf_image *frame, rf_error *err);

/* Every frame of the sample through `fn`, the next one decoded meanwhile; frames that are left out drop out of it. */
static rf_status look_at(look *l, rf_sensor *sensor, look_fn fn, int done, int total, rf_error *err)
{
    rf_status status = RF_OK;
    int kept = 0, count = l->count;
    l->next = 0;
    if (count > 0)
        rf_pool_side(l->take->pool, decode_next, l);
    for (int i = 0; i < count; i++) {
        rf_pool_join(l->take->pool);
        rf_status fault = l->status[i % 2];
        rf_error why = l->error[i % 2];
        int at = l->index[i];
        l->next = i + 1;
        if (l->next < count)
            rf_pool_side(l->take->pool, decode_next, l);
        RF_TRY(rf_take_progress(l->take, "sensor", done + i, total, err));
        if (fault != RF_OK) {
            RF_TRY(rf_take_bad_frame(l->take, at, fault, &why, err));
            continue;
        }
        RF_TRY(fn(sensor, &l->images[i % 2], err));
        l->index[kept++] = at; /* never ahead of the one being decoded */
    }
    l->count = kept;
done:
    rf_pool_join(l->take->pool);
    return status;
}

rf_status rf_run_sensor(rf_run *run, rf_error *err)
{
    rf_status status = RF_OK;
    rf_take *take = &run->take;
    rf_sensor *sensor = NULL;
    look l = {.take = take};
    int suspects, total;
    if (take->options->no_repair)
        return RF_OK;
    choose(&l, take);
    if (l.count == 0)
        return RF_OK;
    total = 2 * l.count;
    RF_TRY(rf_sensor_create(&sensor, take->info.width, take->info.height, take->info.channels, take->info.sample,
                            take->pool, err));
    RF_TRY(look_at(&l, sensor, rf_sensor_survey, 0, total, err));
    RF_TRY(rf_sensor_suspects(sensor, &suspects, err));
    if (suspects > 0) {
        RF_TRY(look_at(&l, sensor, rf_sensor_examine, total / 2, total, err));
        RF_TRY(rf_sensor_finish(sensor, &take->sensor, err));
    }
    take->report->hot_pixels = take->sensor.hot_count;
    take->report->dust_spots = take->sensor.dust_count;
    RF_TRY(rf_take_progress(take, "sensor", total, total, err));
done:
    rf_sensor_destroy(&sensor);
    rf_image_free(&l.images[0]);
    rf_image_free(&l.images[1]);
    return status;
}
