/* find_sensor.c - hot pixels and dust, by the sensor module on a sample of whole frames. */
#include <stdio.h>
#include <string.h>

#include "check/reading.h"
#include "railfold/memory.h"
#include "railfold/sensor.h"

#define HOT_SHARE 2e-5 /* of the pixels; fewer than that every sensor has */
enum { HOT_MOST = 3, DUST_MANY = 4, SPOTS_NAMED = 4 };

rf_status rf_look_sensor_open(rf_look *look, rf_error *err)
{
    rf_look_sensor *s = &look->sensor;
    s->count = rf_sensor_sample(look->count, s->index);
    s->whole = s->count > 0;
    for (int i = 0; i < s->count; i++)
        s->whole &= look->result->frames[s->index[i]].used;
    return s->whole ? rf_sensor_create(&s->search, look->result->width, look->result->height, look->channels,
                                       look->sample, look->pool, err)
                    : RF_OK;
}

void rf_look_sensor_close(rf_look *look)
{
    rf_sensor_destroy(&look->sensor.search);
    rf_sensor_map_free(&look->sensor.map);
}

int rf_look_is_sampled(const rf_look *look, int k)
{
    const rf_look_sensor *s = &look->sensor;
    for (int i = 0; s->search != NULL && i < s->count; i++)
        if (s->index[i] == k)
            return 1;
    return 0;
}

rf_status rf_look_sensor_survey(rf_look *look, int k, const rf_image *whole, rf_error *err)
{
    rf_look_sensor *s = &look->sensor;
    if (!rf_look_is_sampled(look, k))
        return RF_OK;
    if (whole != NULL)
        return rf_sensor_survey(s->search, whole, NULL, err);
    s->whole = 0; /* a sample with a gap tells nothing */
    rf_sensor_destroy(&s->search);
    return RF_OK;
}

static int wanted_again(const rf_look *look, int k)
{
    (void)k;
    return rf_sensor_wants_colour(look->sensor.search) ? RF_SEE_WHOLE : RF_SEE_PLANE;
}

static rf_status examine(rf_look *look, int k, rf_seen *seen, void *arg, rf_error *err)
{
    (void)arg, (void)k;
    if (seen == NULL)
        look->sensor.whole = 0;
    if (!look->sensor.whole)
        return RF_OK;
    return rf_sensor_wants_colour(look->sensor.search)
               ? rf_sensor_examine(look->sensor.search, &seen->whole, NULL, err)
               : rf_sensor_examine(look->sensor.search, NULL, &seen->whole, err);
}

rf_status rf_look_sensor_examine(rf_look *look, rf_error *err)
{
    rf_status status = RF_OK;
    rf_look_sensor *s = &look->sensor;
    int suspects = 0;
    if (s->search == NULL)
        return RF_OK;
    RF_TRY(rf_sensor_suspects(s->search, &suspects, err));
    const rf_visit again = {NULL, s->index, s->count, wanted_again, examine, NULL};
    if (suspects > 0)
        RF_TRY(rf_look_visit(look, &again, err));
    if (suspects > 0 && s->whole)
        RF_TRY(rf_sensor_finish(s->search, &s->map, err));
done:
    rf_sensor_destroy(&s->search);
    for (int i = 0; i < RF_LOOK_SLOTS; i++)
        rf_image_free(&look->slots[i].whole);
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
    rf_status status;
    rf_sensor_map *map = &look->sensor.map;
    if (look->sensor.count == 0)
        return RF_OK;
    if (look->shadow != NULL)
        RF_TRY(rf_shadow_finish(look->shadow, look->poses, map, err));
    map->width = look->result->width;
    map->height = look->result->height;
    RF_TRY(judge(look, map, err));
done:
    return status;
}
