/* depth_outputs.c - the files `railfold depth` writes. */
#include "cli/depth_run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "railfold/depth_draw.h"
#include "railfold/depth_mesh.h"
#include "railfold/depth_view.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/mesh_io.h"
#include "cli/stop.h"

typedef struct work {
    rf_batch *batch;
    const depth_settings *set;
    const rf_depth_map *map;
    rf_image picture; /* empty when none was given */
    rf_image smooth;
    double pixels_per_unit, interval;
} work;

rf_status depth_beside(const char *path, const char *ending, char **name, rf_error *err)
{
    const char *dot = strrchr(path, '.');
    size_t stem = dot != NULL && strchr(dot, '/') == NULL ? (size_t)(dot - path) : strlen(path);
    rf_status status = rf_alloc(name, stem + strlen(ending) + 1, 1, "a file name", err);
    if (status == RF_OK) {
        memcpy(*name, path, stem);
        strcpy(*name + stem, ending);
    }
    return status;
}

static int ends_with(const char *path, const char *ending)
{
    size_t n = strlen(path), m = strlen(ending);
    return n >= m && strcasecmp(path + n - m, ending) == 0;
}

/* ---- views ---- */

static rf_status start_view(const work *w, rf_image *view, rf_error *err)
{
    return rf_image_alloc(view, w->map->depth.width, w->map->depth.height, 3, RF_U8, "a view", err);
}

static rf_status finish_flat_view(const work *w, const char *path, rf_image *view, rf_legend legend, rf_error *err)
{
    rf_image out = {0};
    if (w->interval > 0) {
        rf_depth_contours(w->map, &w->smooth, w->interval, view, NULL);
        legend.interval = w->interval;
    }
    rf_depth_hatch(w->map, view, NULL);
    rf_status status = rf_depth_legend(w->map, view, &legend, &out, err);
    if (status == RF_OK)
        status = rf_batch_add_picture(w->batch, path, &out, NULL, w->set->common.force, err);
    rf_image_free(&out);
    return status;
}

static rf_legend legend_for(const work *w)
{
    float low = 0, high = 0;
    (void)rf_depth_range(&w->map->depth, 0.001f, &low, &high);
    double near = (double)(w->map->nearer ? high : low), far = (double)(w->map->nearer ? low : high);
    return (rf_legend){.near = near, .far = far, .bar = high > low};
}

static void colour(const work *w, const rf_legend *legend, rf_image *view)
{
    const rf_image *confidence = w->map->confidence.data != NULL ? &w->map->confidence : NULL;
    rf_depth_colour_view(&w->map->depth, confidence, (float)legend->near, (float)legend->far, view, NULL);
}

static rf_status write_colour(const work *w, rf_error *err)
{
    rf_image view = {0};
    rf_legend legend = legend_for(w);
    rf_status status = start_view(w, &view, err);
    if (status == RF_OK) {
        colour(w, &legend, &view);
        status = finish_flat_view(w, w->set->colour, &view, legend, err);
    }
    rf_image_free(&view);
    return status;
}

static rf_status write_relief(const work *w, rf_error *err)
{
    rf_image view = {0};
    rf_status status = start_view(w, &view, err);
    if (status == RF_OK) {
        rf_depth_relief(w->map, &w->smooth, w->pixels_per_unit, &view, NULL);
        rf_legend legend = legend_for(w);
        legend.bar = 0;
        status = finish_flat_view(w, w->set->relief, &view, legend, err);
    }
    rf_image_free(&view);
    return status;
}

/* What is laid over the relief: the merged picture, or the depth's colours in the relief's light. */
static rf_status make_skin(const work *w, rf_image *skin, rf_error *err)
{
    rf_status status;
    rf_image light = {0};
    rf_legend legend = legend_for(w);
    RF_TRY(start_view(w, skin, err));
    if (w->picture.data != NULL) {
        for (int y = 0; y < skin->height; y++)
            memcpy(rf_image_row(skin, y), rf_image_row(&w->picture, y), 3 * (size_t)skin->width);
    } else {
        RF_TRY(start_view(w, &light, err));
        colour(w, &legend, skin);
        rf_depth_relief(w->map, &w->smooth, w->pixels_per_unit, &light, NULL);
        for (int y = 0; y < skin->height; y++) {
            uint8_t *row = rf_image_row(skin, y);
            const uint8_t *lamp = rf_image_row(&light, y);
            for (int i = 0; i < 3 * skin->width; i++)
                row[i] = (uint8_t)((row[i] * (70 + lamp[i]) + 140) / 280);
        }
    }
    if (w->interval > 0)
        rf_depth_contours(w->map, &w->smooth, w->interval, skin, NULL);
    rf_depth_hatch(w->map, skin, NULL);
done:
    rf_image_free(&light);
    return status;
}

static rf_status write_draped(const work *w, rf_error *err)
{
    enum { EYES_APART_DEG = 6 };
    rf_status status;
    rf_image skin = {0}, view = {0};
    RF_TRY(make_skin(w, &skin, err));
    if (w->set->drape != NULL) {
        rf_drape_view from = {.turn_deg = w->set->angle[0],
                              .lean_deg = w->set->angle[1],
                              .pixels_per_unit = w->pixels_per_unit,
                              .stop = rf_stop_asked};
        RF_TRY(rf_depth_drape(w->map, &skin, &from, &view, err));
        RF_TRY(rf_batch_add_picture(w->batch, w->set->drape, &view, NULL, w->set->common.force, err));
        rf_image_free(&view);
    }
    if (w->set->stereo != NULL) {
        const rf_drape_view from = {.pixels_per_unit = w->pixels_per_unit, .stop = rf_stop_asked};
        RF_TRY(rf_depth_stereo(w->map, &skin, &from, EYES_APART_DEG, &view, err));
        RF_TRY(rf_batch_add_picture(w->batch, w->set->stereo, &view, NULL, w->set->common.force, err));
    }
done:
    rf_image_free(&view);
    rf_image_free(&skin);
    return status;
}

/* ---- hand-on ---- */

/* MESH.mtl and MESH.png beside MESH.obj. */
static rf_status write_obj(const work *w, const rf_mesh *mesh, rf_error *err)
{
    rf_status status = RF_OK;
    char *material = NULL, *texture = NULL;
    int force = w->set->common.force;
    const char *path = w->set->mesh;
    if (w->picture.data == NULL)
        return rf_mesh_write_obj(w->batch, path, mesh, NULL, force, err);
    RF_TRY(depth_beside(path, ".mtl", &material, err));
    RF_TRY(depth_beside(path, ".png", &texture, err));
    if (strchr(path, '\n') != NULL) {
        status = rf_fail(err, RF_ERR_OUTPUT, "%s holds a line break, which a mesh cannot name its material by", path);
        goto done;
    }
    const char *slash = strrchr(path, '/');
    size_t folder = slash != NULL ? (size_t)(slash + 1 - path) : 0;
    RF_TRY(rf_batch_add_picture(w->batch, texture, &w->picture, NULL, force, err));
    RF_TRY(rf_mesh_write_mtl(w->batch, material, texture + folder, force, err));
    RF_TRY(rf_mesh_write_obj(w->batch, path, mesh, material + folder, force, err));
done:
    rf_free(material);
    rf_free(texture);
    return status;
}

static rf_status write_mesh(const work *w, rf_error *err)
{
    rf_mesh mesh = {0};
    const rf_image *picture = w->picture.data != NULL ? &w->picture : NULL;
    rf_status status = rf_depth_mesh_build(w->map, picture, (size_t)w->set->points, &mesh, err);
    if (status == RF_OK)
        status = ends_with(w->set->mesh, ".obj")
                     ? write_obj(w, &mesh, err)
                     : rf_mesh_write_ply(w->batch, w->set->mesh, &mesh, w->set->common.force, err);
    rf_mesh_free(&mesh);
    return status;
}

static rf_status write_cloud(const work *w, rf_error *err)
{
    rf_mesh cloud = {0};
    const rf_image *picture = w->picture.data != NULL ? &w->picture : NULL;
    rf_status status = rf_depth_cloud_build(w->map, picture, (size_t)w->set->points, &cloud, err);
    if (status == RF_OK)
        status = ends_with(w->set->cloud, ".xyz")
                     ? rf_mesh_write_xyz(w->batch, w->set->cloud, &cloud, w->set->common.force, err)
                     : rf_mesh_write_ply(w->batch, w->set->cloud, &cloud, w->set->common.force, err);
    rf_mesh_free(&cloud);
    return status;
}

static rf_status write_levelled(const work *w, rf_error *err)
{
    char text[RF_MAP_TEXT_BYTES];
    const rf_depth_map *map = w->map;
    rf_map_facts facts = {.kind = RF_MAP_DEPTH,
                          .metric = map->metric,
                          .scale = 1,
                          .step_mm = map->step_mm,
                          .pixel_mm = map->pixel_mm,
                          .frames = map->frames,
                          .direction_known = map->direction_known,
                          .nearer = map->nearer,
                          .levelled = 1};
    rf_map_text_write(&facts, text);
    return rf_batch_add_picture(w->batch, w->set->levelled, &map->depth, text, w->set->common.force, err);
}

static rf_status write_profile(const work *w, const rf_profile *profile, rf_error *err)
{
    rf_status status = RF_OK;
    char *text = NULL;
    size_t bytes;
    if (w->set->csv != NULL) {
        RF_TRY(rf_profile_csv(w->map, profile, &text, &bytes, err));
        if (strcmp(w->set->csv, "-") == 0)
            (void)fwrite(text, 1, bytes, stdout); /* main looks at the stream's state */
        else
            RF_TRY(rf_batch_add_text(w->batch, w->set->csv, text, bytes, w->set->common.force, err));
        rf_free(text);
        text = NULL;
    }
    if (w->set->plot != NULL) {
        RF_TRY(rf_profile_svg(w->map, profile, &text, &bytes, err));
        RF_TRY(rf_batch_add_text(w->batch, w->set->plot, text, bytes, w->set->common.force, err));
    }
done:
    rf_free(text);
    return status;
}

/* Contours in the map's unit; a round interval that gives about ten lines unless a length was named. */
static rf_status find_interval(work *w, rf_error *err)
{
    const depth_interval *asked = &w->set->contours;
    float low, high;
    if (asked->given == 0)
        return RF_OK;
    if (asked->given == 1) {
        if (!asked->in_steps && !w->map->metric)
            return rf_fail(err, RF_ERR_USAGE,
                           "--contours %gmm: the rail step is unknown; --step LEN, or contours in steps, "
                           "were expected",
                           asked->length);
        w->interval = asked->length * (asked->in_steps && w->map->metric ? w->map->step_mm : 1);
        return RF_OK;
    }
    if (rf_depth_range(&w->map->depth, 0.01f, &low, &high) && high > low)
        w->interval = rf_round_interval((double)(high - low) / 8);
    return RF_OK;
}

/* One output after the other; a stop asked for in between ends it, and nothing has its name yet. */
typedef rf_status (*output_fn)(const work *w, rf_error *err);

static rf_status write_if(const char *wanted, output_fn fn, const work *w, rf_error *err)
{
    if (wanted == NULL)
        return RF_OK;
    return rf_stop_asked() ? rf_fail(err, RF_ERR_STOPPED, "stopped; nothing was written") : fn(w, err);
}

rf_status depth_write_outputs(rf_batch *batch, const depth_settings *set, const rf_depth_map *map,
                              const rf_profile *profile, rf_error *err)
{
    rf_status status;
    work w = {
        .batch = batch, .set = set, .map = map, .pixels_per_unit = rf_depth_pixels_per_unit(map, set->exaggerate)};
    int views = set->colour != NULL || set->relief != NULL || set->drape != NULL || set->stereo != NULL;
    RF_TRY(find_interval(&w, err));
    if (set->picture != NULL)
        RF_TRY(depth_load_picture(set, map, &w.picture, err));
    if (views) {
        RF_TRY(rf_image_alloc(&w.smooth, map->depth.width, map->depth.height, 1, RF_F32, "a smoothed map", err));
        rf_depth_smooth(map, &w.smooth, NULL);
    }
    RF_TRY(write_if(set->mesh, write_mesh, &w, err)); /* first what may be refused */
    RF_TRY(write_if(set->cloud, write_cloud, &w, err));
    RF_TRY(write_if(set->levelled, write_levelled, &w, err));
    RF_TRY(write_if(set->colour, write_colour, &w, err));
    RF_TRY(write_if(set->relief, write_relief, &w, err));
    RF_TRY(write_if(set->drape != NULL ? set->drape : set->stereo, write_draped, &w, err));
    if (profile != NULL)
        RF_TRY(write_profile(&w, profile, err));
done:
    rf_image_free(&w.picture);
    rf_image_free(&w.smooth);
    return status;
}
