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
    int index[RF_SENSOR_SAMPLE_MAX], count;
    rf_image frame;
} sample;

/* One walk over the sample; *whole 0: a frame of it cannot be used. */
static rf_status walk(rf_look *look, sample *s, rf_sensor *sensor, int second, int *whole, rf_error *err)
{
    rf_status status = RF_OK;
    rf_frame_limits limits = rf_frame_limits_pixels(look->options->max_pixels);
    for (int i = 0; i < s->count && *whole; i++) {
        rf_error why = {0};
        *whole = look->result->frames[s->index[i]].used;
        if (!*whole)
            continue;
        status = rf_frame_read(look->options->frames[s->index[i]], &limits, &s->frame, NULL, NULL, &why);
        if (status == RF_ERR_INPUT) {
            *whole = 0;
            RF_TRY(rf_look_unreadable(look, s->index[i], why.text, err));
            continue;
        }
        if (status != RF_OK)
            return rf_fail(err, status, "%s", why.text);
        RF_TRY(second ? rf_sensor_examine(sensor, &s->frame, err) : rf_sensor_survey(sensor, &s->frame, err));
    }
    return RF_OK;
done:
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
    sample s = {.count = 0};
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
    if (whole && suspects > 0) {
        RF_TRY(rf_sensor_finish(sensor, &map, err));
        RF_TRY(judge(look, &map, err));
    }
done:
    rf_sensor_map_free(&map);
    rf_sensor_destroy(&sensor);
    rf_image_free(&s.frame);
    return status;
}
