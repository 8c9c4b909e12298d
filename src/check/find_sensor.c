/* find_sensor.c - hot pixels and dust, by the sensor module on a sample of whole frames. */
#include <stdio.h>
#include <string.h>

#include "check/look.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/sensor.h"

#define HOT_SHARE 2e-5 /* of the pixels; fewer than that every sensor has */
enum { HOT_MOST = 3, DUST_MANY = 4, SPOTS_NAMED = 4 };

typedef struct sample {
    const rf_look *look;
    int index[RF_SENSOR_SAMPLE_MAX], count;
    rf_image frames[2];
    int next;         /* being read */
    rf_status status; /* of that */
    rf_error why;
} sample;

static void read_next(void *arg)
{
    sample *s = arg;
    rf_frame_limits limits = rf_frame_limits_pixels(s->look->options->max_pixels);
    const rf_check_result *result = s->look->result;
    int k = s->index[s->next];
    s->why = (rf_error){0};
    s->status = RF_OK;
    if (!result->frames[k].used)
        return;
    s->status = rf_frame_read(s->look->options->frames[k], &limits, &s->frames[s->next % 2], NULL, NULL, &s->why);
}

static void start_reading(sample *s, int i)
{
    s->next = i;
    if (i < s->count)
        rf_pool_side(s->look->pool, read_next, s);
}

/* One walk over the sample, the next frame read meanwhile; *whole 0: a frame of it cannot be used. */
static rf_status walk(rf_look *look, sample *s, rf_sensor *sensor, int second, int *whole, rf_error *err)
{
    rf_status status = RF_OK;
    start_reading(s, 0);
    for (int i = 0; i < s->count && *whole; i++) {
        rf_pool_join(look->pool);
        int used = look->result->frames[s->index[i]].used;
        *whole = used && s->status != RF_ERR_INPUT;
        if (used && !*whole)
            RF_TRY(rf_look_unreadable(look, s->index[i], s->why.text, err));
        if (!*whole)
            continue;
        if (s->status != RF_OK)
            RF_TRY(rf_fail(err, s->status, "%s", s->why.text));
        start_reading(s, i + 1);
        const rf_image *frame = &s->frames[i % 2];
        RF_TRY(second ? rf_sensor_examine(sensor, frame, err) : rf_sensor_survey(sensor, frame, err));
    }
done:
    rf_pool_join(look->pool);
    return status;
}

static rf_status keep_spots(rf_check_result *result, const rf_sensor_map *map, rf_error *err)
{
    rf_status status;
    int count = map->hot_count + map->dust_count;
    RF_TRY(rf_alloc(&result->spots, (size_t)count, sizeof *result->spots, "the sensor's faults", err));
    for (int i = 0; i < map->hot_count; i++)
        result->spots[i] = (rf_check_spot){.x = map->hot[i].x, .y = map->hot[i].y};
    for (int i = 0; i < map->dust_count; i++) {
        const rf_dust_spot *d = &map->dust[i];
        result->spots[map->hot_count + i] =
            (rf_check_spot){(double)d->x, (double)d->y, (double)d->radius_px, (double)d->dip};
    }
    result->spot_count = count;
    result->dust_count = map->dust_count;
done:
    return status;
}

static rf_status add_dust(rf_look *look, const rf_sensor_map *map, rf_error *err)
{
    char where[160] = "";
    size_t used = 0;
    for (int i = 0; i < map->dust_count && i < SPOTS_NAMED && used < sizeof where - 32; i++)
        used += (size_t)snprintf(where + used, sizeof where - used, "%s%.0f, %.0f", i > 0 ? "; " : "",
                                 (double)map->dust[i].x, (double)map->dust[i].y);
    const rf_check_finding f = {.kind = RF_CHECK_SENSOR,
                                .severity = map->dust_count >= DUST_MANY ? RF_CHECK_WARNING : RF_CHECK_NOTE};
    return rf_check_add(look->result, &f, NULL, 0, err, "%d dust spot%s on the sensor (at %s%s): clean it",
                        map->dust_count, map->dust_count == 1 ? "" : "s", where,
                        map->dust_count > SPOTS_NAMED ? " ..." : "");
}

static rf_status judge(rf_look *look, const rf_sensor_map *map, rf_error *err)
{
    rf_status status = RF_OK;
    const rf_check_finding f = {.kind = RF_CHECK_SENSOR, .severity = RF_CHECK_NOTE};
    double pixels = (double)map->width * map->height;
    RF_TRY(keep_spots(look->result, map, err));
    if (map->dust_count > 0)
        RF_TRY(add_dust(look, map, err));
    if (map->hot_count > HOT_MOST && map->hot_count > HOT_SHARE * pixels)
        RF_TRY(rf_check_add(
            look->result, &f, NULL, 0, err,
            "%d hot pixels on the sensor: the merge repairs them; a shorter exposure or a cooler camera has "
            "fewer",
            map->hot_count));
done:
    return status;
}

rf_status rf_find_sensor(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    sample s = {.look = look};
    rf_sensor *sensor = NULL;
    rf_sensor_map map;
    int whole = 1, suspects = 0;
    memset(&map, 0, sizeof map);
    s.count = rf_sensor_sample(look->count, s.index);
    if (s.count == 0)
        return RF_OK;
    RF_TRY(rf_sensor_create(&sensor, look->result->width, look->result->height, look->channels, look->sample,
                            look->pool, err));
    RF_TRY(walk(look, &s, sensor, 0, &whole, err));
    if (whole)
        RF_TRY(rf_sensor_suspects(sensor, &suspects, err));
    if (suspects > 0)
        RF_TRY(walk(look, &s, sensor, 1, &whole, err));
    if (whole && suspects > 0)
        RF_TRY(rf_sensor_finish(sensor, &map, err));
    rf_sensor_destroy(&sensor);
    if (look->shadow != NULL)
        RF_TRY(rf_shadow_finish(look->shadow, look->poses, &map, err));
    map.width = look->result->width;
    map.height = look->result->height;
    RF_TRY(judge(look, &map, err));
done:
    rf_sensor_map_free(&map);
    rf_sensor_destroy(&sensor);
    for (int i = 0; i < 2; i++)
        rf_image_free(&s.frames[i]);
    return status;
}
