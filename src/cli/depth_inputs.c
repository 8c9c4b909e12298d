/* depth_inputs.c - what `railfold depth` reads: maps, the picture under them, a report with step and pixel. */
#include "cli/depth_run.h"

#include <math.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "cli/lengths.h"

static const char *const KIND_NAMES[] = {"unsaid", "depth", "confidence", "standard deviation"};

static rf_frame_limits limits_of(const depth_settings *set)
{
    return rf_frame_limits_pixels((int64_t)(set->max_megapixels * 1e6));
}

static rf_status read_map(const depth_settings *set, const char *path, rf_map_kind wanted, rf_image *samples,
                          rf_map_facts *facts, rf_error *err)
{
    rf_frame_limits limits = limits_of(set);
    rf_frame_info info;
    char *text = NULL;
    rf_status status = rf_map_read(path, &limits, samples, &text, err);
    if (status != RF_OK)
        return status;
    int said = rf_map_text_read(text, facts);
    rf_free(text);
    if (said && facts->kind != wanted)
        return rf_fail(err, RF_ERR_INPUT, "%s: is a %s map; a %s map was expected", path, KIND_NAMES[facts->kind],
                       KIND_NAMES[wanted]);
    if (said)
        return RF_OK;
    /* Values of another program: a float is taken as it stands; whole numbers may be anything, a photograph too. */
    rf_error unread = {0};
    int whole = rf_frame_probe(path, &limits, &info, NULL, &unread) == RF_OK && info.sample != RF_F32;
    if (whole)
        return rf_fail(err, RF_ERR_INPUT,
                       "%s: is no depth map; a map that railfold wrote, or a TIFF of 32-bit float, was expected", path);
    return RF_OK;
}

static rf_status check_known(const char *path, const rf_image *depth, rf_error *err)
{
    for (int y = 0; y < depth->height; y++) {
        const float *row = rf_image_row_f32(depth, y);
        for (int x = 0; x < depth->width; x++)
            if (isfinite(row[x]))
                return RF_OK;
    }
    return rf_fail(err, RF_ERR_INPUT, "%s: not one of its %d x %d pixels holds a depth", path, depth->width,
                   depth->height);
}

/* Confidence is a share. What a file says beyond that, or leaves open, is brought back into 0..1. */
static void clip_shares(rf_image *map)
{
    for (int y = 0; y < map->height; y++) {
        float *row = rf_image_row_f32(map, y);
        for (int x = 0; x < map->width; x++)
            row[x] = row[x] > 0 ? fminf(row[x], 1) : 0; /* NaN is 0 */
    }
}

/* A map beside the depth map; scaled to `per_unit` of what it holds. */
static rf_status load_beside(const depth_settings *set, const char *path, rf_map_kind kind, const rf_depth_map *map,
                             rf_image *out, rf_error *err)
{
    rf_map_facts facts;
    rf_image samples = {0};
    rf_depth_map scaled;
    rf_status status = read_map(set, path, kind, &samples, &facts, err);
    if (status == RF_OK && (samples.width != map->depth.width || samples.height != map->depth.height))
        status = rf_fail(err, RF_ERR_INPUT, "%s: has %d x %d pixels where the depth map has %d x %d", path,
                         samples.width, samples.height, map->depth.width, map->depth.height);
    if (status != RF_OK) {
        rf_image_free(&samples);
        return status;
    }
    if (kind == RF_MAP_CONFIDENCE) { /* no length in it */
        facts.metric = 0;
        facts.step_mm = 0;
        rf_depth_map_from(&scaled, &samples, &facts, 0, 0);
        clip_shares(&scaled.depth);
    } else {
        rf_depth_map_from(&scaled, &samples, &facts, map->step_mm, 0);
    }
    *out = scaled.depth;
    return RF_OK;
}

rf_status depth_load(const depth_settings *set, const char *path, rf_depth_map *map, rf_error *err)
{
    rf_status status;
    rf_map_facts facts;
    rf_image samples = {0};
    double step_mm = 0, pixel_mm = 0;
    *map = (rf_depth_map){0};
    if (set->plan != NULL)
        RF_TRY(rf_lengths_of_report(set->plan, &step_mm, &pixel_mm, err));
    RF_TRY(read_map(set, path, RF_MAP_DEPTH, &samples, &facts, err));
    rf_depth_map_from(map, &samples, &facts, set->step_mm > 0 ? set->step_mm : step_mm,
                      set->pixel_mm > 0 ? set->pixel_mm : pixel_mm);
    RF_TRY(check_known(path, &map->depth, err));
    if (set->confidence != NULL)
        RF_TRY(load_beside(set, set->confidence, RF_MAP_CONFIDENCE, map, &map->confidence, err));
    if (set->sigma != NULL)
        RF_TRY(load_beside(set, set->sigma, RF_MAP_SIGMA, map, &map->sigma, err));
done:
    rf_image_free(&samples);
    if (status != RF_OK)
        rf_depth_map_free(map);
    return status;
}

rf_status depth_load_picture(const depth_settings *set, const rf_depth_map *map, rf_image *picture, rf_error *err)
{
    rf_status status;
    rf_image stored = {0};
    rf_frame_limits limits = limits_of(set);
    RF_TRY(rf_frame_read(set->picture, &limits, &stored, NULL, NULL, err));
    if (stored.width != map->depth.width || stored.height != map->depth.height)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "%s: has %d x %d pixels where the depth map has %d x %d", set->picture,
                       stored.width, stored.height, map->depth.width, map->depth.height));
    RF_TRY(rf_image_alloc(picture, stored.width, stored.height, 3, RF_U8, "the picture", err));
    for (int y = 0; y < stored.height; y++) {
        const uint8_t *in8 = rf_image_row(&stored, y);
        const uint16_t *in16 = rf_image_row(&stored, y);
        uint8_t *out = rf_image_row(picture, y);
        for (int i = 0; i < 3 * stored.width; i++) {
            int from = stored.channels == 3 ? i : i / 3;
            out[i] = stored.sample == RF_U8 ? in8[from] : (uint8_t)((in16[from] + 128) / 257);
        }
    }
done:
    rf_image_free(&stored);
    return status;
}
