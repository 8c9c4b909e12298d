/* run_sensor.c - before anything else: a sample of the frames, looked at for faults of the sensor. Their lumas are kept
 * for the second look, and halved after it for the aligner and the depth. */
#include "run.h"

enum { SLOTS = RF_POOL_LANES + 1 }; /* one frame in hand, one in each lane */

typedef struct slot {
    rf_take *take;
    int frame, wants_whole, wants_luma;
    rf_image whole;
    rf_image *luma; /* one of those kept, or `passing` */
    rf_image passing;
    rf_status status;
    rf_error error;
} slot;

typedef struct look {
    rf_take *take;
    int index[RF_SENSOR_SAMPLE_MAX]; /* frames of the sample; -1: left out since */
    int count, kept;                 /* frames, and how many of them have their luma kept */
    int second, wants_whole;
    rf_image lumas[RF_SENSOR_SAMPLE_MAX];
    rf_image early[RF_SENSOR_EARLY]; /* the first frames, until they are seen once more */
    int early_count;
    slot slots[SLOTS];
} look;

static rf_status decode(slot *s, rf_error *err)
{
    rf_status status;
    const rf_frame_info *info = &s->take->info;
    if (!s->wants_whole)
        return rf_take_read_plane(s->take, s->frame, s->luma, err);
    RF_TRY(rf_take_read(s->take, s->frame, &s->whole, err));
    if (!s->wants_luma)
        return RF_OK;
    if (s->luma->data == NULL)
        RF_TRY(rf_image_alloc_raw(s->luma, info->width, info->height, 1, info->sample, "a frame's luma", err));
    rf_image_luma(&s->whole, 1, s->luma, NULL); /* the pool is at work on another frame */
done:
    return status;
}

static void decode_aside(void *arg)
{
    slot *s = arg;
    s->error = (rf_error){0};
    s->status = decode(s, &s->error);
}

static void start(look *l, int i)
{
    if (i >= l->count || l->index[i] < 0)
        return;
    slot *s = &l->slots[i % SLOTS];
    s->take = l->take;
    s->frame = l->index[i];
    s->luma = i < l->kept ? &l->lumas[i] : &s->passing;
    s->wants_whole = l->wants_whole;
    s->wants_luma = !l->second || i >= l->kept;
    s->status = RF_OK;
    if (s->wants_whole || s->wants_luma)
        rf_pool_side_on(l->take->pool, i % RF_POOL_LANES, decode_aside, s);
}

static void choose(look *l, const rf_take *take)
{
    int used[RF_SENSOR_SAMPLE_MAX], wanted = rf_sensor_sample(rf_take_used_count(take), used), seen = 0;
    for (int k = 0; k < take->report->frame_count && l->count < wanted; k++) {
        if (!take->report->frames[k].used)
            continue;
        if (seen++ == used[l->count])
            l->index[l->count++] = k;
    }
    l->kept = RF_SENSOR_LUMA_BYTES / (int)rf_sample_bytes(take->info.sample);
}

/* Begins to decode a look's first frames. */
static void begin_look(look *l, int second, int wants_whole)
{
    l->second = second;
    l->wants_whole = wants_whole;
    for (int i = 0; i < RF_POOL_LANES; i++)
        start(l, i);
}

static void wait_for_lanes(look *l)
{
    for (int lane = 0; lane < RF_POOL_LANES; lane++)
        rf_pool_join_on(l->take->pool, lane);
}

static void forget_early(look *l)
{
    for (int i = 0; i < RF_SENSOR_EARLY; i++)
        rf_image_free(&l->early[i]);
}

/* Frames of 3 bytes a pixel leave room to hold the first ones until there are enough to tell what to follow: then no
 * frame is decoded again for hot pixels. */
static rf_status hold_early(look *l, rf_sensor *sensor, slot *s, rf_error *err)
{
    const rf_image *shown[RF_SENSOR_EARLY];
    if (l->take->info.sample != RF_U8 || l->early_count >= RF_SENSOR_EARLY)
        return RF_OK;
    l->early[l->early_count++] = s->whole;
    s->whole = (rf_image){0};
    if (l->early_count < RF_SENSOR_EARLY)
        return RF_OK;
    for (int i = 0; i < RF_SENSOR_EARLY; i++)
        shown[i] = &l->early[i];
    rf_status status = rf_sensor_follow(sensor, shown, err);
    forget_early(l);
    return status;
}

static rf_status see(rf_run *run, look *l, rf_sensor *sensor, slot *s, rf_error *err)
{
    if (l->second)
        return rf_sensor_examine(sensor, l->wants_whole ? &s->whole : NULL, s->luma, err);
    rf_status status = rf_sensor_survey(sensor, &s->whole, s->luma, err);
    if (status == RF_OK && s->luma == &s->passing)
        status = rf_run_keep_half(run, s->frame, s->luma, run->take.pool, err);
    return status == RF_OK ? hold_early(l, sensor, s, err) : status;
}

/* Every frame of a look that was begun, the next ones decoded meanwhile. */
static rf_status look_at(rf_run *run, look *l, rf_sensor *sensor, rf_error *err)
{
    rf_status status = RF_OK;
    for (int i = 0; i < l->count; i++) {
        slot *s = &l->slots[i % SLOTS];
        rf_pool_join_on(l->take->pool, i % RF_POOL_LANES);
        start(l, i + RF_POOL_LANES);
        RF_TRY(rf_take_progress(l->take, "sensor", l->second * l->count + i, 2 * l->count, err));
        if (l->index[i] >= 0 && s->status != RF_OK) {
            RF_TRY(rf_take_bad_frame(l->take, s->frame, s->status, &s->error, err));
            rf_image_free(&l->lumas[i]);
            l->index[i] = -1;
        } else if (l->index[i] >= 0) {
            RF_TRY(see(run, l, sensor, s, err));
        }
    }
done:
    wait_for_lanes(l);
    for (int i = 0; i < SLOTS; i++)
        rf_image_free(&l->slots[i].whole); /* the other look may do without, and what lies between them */
    return status;
}

/* Their halves, and of large 8-bit frames the lumas themselves, go on to the aligner and the depth, repaired. */
static rf_status pass_on(rf_run *run, look *l, rf_error *err)
{
    rf_status status = RF_OK;
    rf_take *take = l->take;
    int reduce = rf_run_luma_reduce(take->info.width, take->info.height);
    if (!rf_sensor_map_is_empty(&take->sensor)) /* what was halved on the way is not repaired */
        rf_run_forget_halves(run);
    for (int i = 0; i < l->count && status == RF_OK; i++) {
        if (l->index[i] < 0 || l->lumas[i].data == NULL)
            continue;
        rf_image *luma = &take->lumas[l->index[i]];
        *luma = l->lumas[i];
        l->lumas[i] = (rf_image){0};
        status = rf_sensor_repair_luma(&take->sensor, luma, err);
        if (status == RF_OK)
            status = rf_run_keep_half(run, l->index[i], luma, take->pool, err);
        if (!rf_run_keeps_lumas(reduce, (int)rf_sample_bytes(luma->sample)))
            rf_image_free(luma);
    }
    return status;
}

static void end_look(look *l)
{
    wait_for_lanes(l);
    for (int i = 0; i < SLOTS; i++) {
        rf_image_free(&l->slots[i].whole);
        rf_image_free(&l->slots[i].passing);
    }
    for (int i = 0; i < l->count; i++)
        rf_image_free(&l->lumas[i]);
    forget_early(l);
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
    begin_look(&l, 0, 1); /* what the sensor's maps take from the system takes as long as a decode */
    RF_TRY(rf_sensor_create(&sensor, take->info.width, take->info.height, take->info.channels, take->info.sample,
                            take->pool, err));
    RF_TRY(look_at(run, &l, sensor, err));
    RF_TRY(rf_sensor_suspects(sensor, &suspects, err));
    if (suspects > 0) {
        begin_look(&l, 1, rf_sensor_wants_colour(sensor));
        RF_TRY(look_at(run, &l, sensor, err));
        RF_TRY(rf_sensor_finish(sensor, &take->sensor, err));
    }
    take->report->hot_pixels = take->sensor.hot_count;
    take->report->dust_spots = take->sensor.dust_count;
    RF_TRY(pass_on(run, &l, err));
    RF_TRY(rf_take_progress(take, "sensor", total, total, err));
done:
    rf_sensor_destroy(&sensor);
    end_look(&l);
    return status;
}
