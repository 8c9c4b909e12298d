/* sensor.c - the sample, and the two looks at it: hot.c and dust.c do the finding. */
#include "railfold/sensor.h"

#include "faults.h"
#include "railfold/memory.h"

struct rf_sensor {
    int width, height, channels;
    rf_sample sample;
    rf_pool *pool;
    hot_finder hot;
    dust_finder dust;
    rf_image luma; /* of frames that come without */
};

int rf_sensor_sample(int frame_count, int index[RF_SENSOR_SAMPLE_MAX])
{
    enum { AT_EACH_END = 4, BETWEEN = RF_SENSOR_SAMPLE_MAX - 2 * AT_EACH_END };
    int count = 0;
    if (frame_count < RF_SENSOR_SAMPLE_MIN)
        return 0;
    if (frame_count <= RF_SENSOR_SAMPLE_MAX) {
        for (int k = 0; k < frame_count; k++)
            index[count++] = k;
        return count;
    }
    int rest = frame_count - 2 * AT_EACH_END;
    for (int k = 0; k < AT_EACH_END; k++)
        index[count++] = k;
    for (int i = 0; i < BETWEEN; i++)
        index[count++] = AT_EACH_END + (2 * i + 1) * rest / (2 * BETWEEN);
    for (int k = frame_count - AT_EACH_END; k < frame_count; k++)
        index[count++] = k;
    return count;
}

size_t rf_sensor_memory_bytes(int width, int height)
{
    return 7 * (size_t)width * (size_t)height + ((size_t)64 << 20);
}

rf_status rf_sensor_create(rf_sensor **out, int width, int height, int channels, rf_sample sample, rf_pool *pool,
                           rf_error *err)
{
    rf_status status;
    rf_sensor *s = NULL;
    *out = NULL;
    if (width < 1 || height < 1 || (channels != 1 && channels != 3) || (sample != RF_U8 && sample != RF_U16))
        return rf_fail(err, RF_ERR_USAGE,
                       "sensor faults are looked for in 8- or 16-bit frames of 1 or 3 channels, not %d x "
                       "%d pixels of %d",
                       width, height, channels);
    RF_TRY(rf_alloc(&s, 1, sizeof *s, "the sensor faults", err));
    *s = (rf_sensor){.width = width, .height = height, .channels = channels, .sample = sample, .pool = pool};
    RF_TRY(rf_hot_open(&s->hot, width, height, channels, sample, pool, err));
    RF_TRY(rf_dust_open(&s->dust, width, height, sample, pool, err));
    *out = s;
    return RF_OK;
done:
    rf_sensor_destroy(&s);
    return status;
}

void rf_sensor_destroy(rf_sensor **sensor)
{
    rf_sensor *s = *sensor;
    if (s == NULL)
        return;
    rf_hot_close(&s->hot);
    rf_dust_close(&s->dust);
    rf_image_free(&s->luma);
    rf_free(s);
    *sensor = NULL;
}

static rf_status check_shape(const rf_sensor *s, const rf_image *frame, int channels, rf_error *err)
{
    if (frame->width != s->width || frame->height != s->height || frame->channels != channels ||
        frame->sample != s->sample)
        return rf_fail(err, RF_ERR_INPUT,
                       "a frame of %d x %d pixels and %d channels does not fit the sensor's %d x %d and %d",
                       frame->width, frame->height, frame->channels, s->width, s->height, channels);
    return RF_OK;
}

/* *luma becomes the frame's, made here when none was given. */
static rf_status see(rf_sensor *s, const rf_image *frame, const rf_image **luma, int seen, int most, rf_error *err)
{
    rf_status status = RF_OK;
    if (frame != NULL)
        RF_TRY(check_shape(s, frame, s->channels, err));
    if (*luma != NULL)
        RF_TRY(check_shape(s, *luma, 1, err));
    if (seen >= most)
        return rf_fail(err, RF_ERR_INPUT, "a frame too many to look at: %d were announced", most);
    if (*luma != NULL)
        return RF_OK;
    *luma = frame;
    if (s->channels == 1)
        return RF_OK;
    if (s->luma.data == NULL)
        RF_TRY(rf_image_alloc_raw(&s->luma, s->width, s->height, 1, s->sample, "the search for dust", err));
    rf_image_luma(frame, 1, &s->luma, s->pool);
    *luma = &s->luma;
done:
    return status;
}

rf_status rf_sensor_survey(rf_sensor *s, const rf_image *frame, const rf_image *luma, rf_error *err)
{
    rf_status status;
    RF_TRY(see(s, frame, &luma, s->hot.surveyed, RF_SENSOR_SAMPLE_MAX, err));
    rf_hot_survey(&s->hot, frame, s->pool);
    rf_dust_survey(&s->dust, luma, s->pool);
done:
    return status;
}

rf_status rf_sensor_suspects(rf_sensor *s, int *count, rf_error *err)
{
    rf_status status = RF_OK;
    int changes;
    *count = 0;
    if (s->hot.surveyed < RF_SENSOR_SAMPLE_MIN)
        return RF_OK;
    RF_TRY(rf_dust_take_changes(&s->dust, s->pool, &changes, err));
    RF_TRY(rf_hot_suspects(&s->hot, changes, s->pool, err));
    RF_TRY(rf_dust_suspects(&s->dust, s->pool, err));
    *count = s->hot.count + s->dust.count;
done:
    return status;
}

rf_status rf_sensor_follow(rf_sensor *s, const rf_image *const frames[RF_SENSOR_EARLY], rf_error *err)
{
    rf_status status = RF_OK;
    if (s->hot.surveyed != RF_SENSOR_EARLY || s->hot.followed)
        return rf_fail(err, RF_ERR_INTERNAL, "hot pixels are followed once, from %d frames on, not from %d",
                       RF_SENSOR_EARLY, s->hot.surveyed);
    for (int i = 0; i < RF_SENSOR_EARLY && status == RF_OK; i++)
        status = check_shape(s, frames[i], s->channels, err);
    return status == RF_OK ? rf_hot_follow(&s->hot, frames, RF_SENSOR_EARLY, s->pool, err) : status;
}

int rf_sensor_wants_colour(const rf_sensor *s)
{
    return s->hot.count > 0 && !s->hot.followed;
}

rf_status rf_sensor_examine(rf_sensor *s, const rf_image *frame, const rf_image *luma, rf_error *err)
{
    rf_status status;
    if (frame == NULL && (luma == NULL || rf_sensor_wants_colour(s)))
        return rf_fail(err, RF_ERR_INTERNAL, "%d hot pixels cannot be examined without the frame", s->hot.count);
    RF_TRY(see(s, frame, &luma, s->dust.examined, s->hot.surveyed, err));
    if (!s->hot.followed)
        rf_hot_examine(&s->hot, frame, s->pool);
    rf_dust_examine(&s->dust, luma, s->pool);
done:
    return status;
}

rf_status rf_sensor_finish(rf_sensor *s, rf_sensor_map *map, rf_error *err)
{
    rf_status status = RF_OK;
    *map = (rf_sensor_map){.width = s->width, .height = s->height, .channels = s->channels};
    if (s->dust.examined < RF_SENSOR_SAMPLE_MIN)
        return RF_OK;
    RF_TRY(rf_hot_finish(&s->hot, map, err));
    RF_TRY(rf_dust_finish(&s->dust, map, s->pool, err));
    return RF_OK;
done:
    rf_sensor_map_free(map);
    return status;
}
