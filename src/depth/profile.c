/* profile.c - depth at a place, along a line, and how rough the line is. */
#include "railfold/depth_measure.h"

#include <math.h>

#include "railfold/memory.h"

/* Linear interpolation; a neighbour of weight 0 is not asked, so that a whole-numbered place is its pixel. */
static double image_at(const rf_image *image, double x, double y)
{
    int x0 = (int)floor(x), y0 = (int)floor(y);
    double part[2][2] = {{1 - (x - x0), x - x0}, {1 - (y - y0), y - y0}}, sum = 0;
    for (int j = 0; j < 2; j++)
        for (int i = 0; i < 2; i++) {
            double weight = part[0][i] * part[1][j];
            if (!(weight > 0))
                continue;
            float value = rf_image_row_f32(image, y0 + j)[x0 + i];
            if (!isfinite(value))
                return NAN;
            sum += weight * (double)value;
        }
    return sum;
}

double rf_depth_at(const rf_depth_map *map, double x, double y)
{
    return image_at(&map->depth, x, y);
}

double rf_depth_confidence_at(const rf_depth_map *map, double x, double y)
{
    return map->confidence.data != NULL ? image_at(&map->confidence, x, y) : (double)NAN;
}

double rf_depth_sigma_at(const rf_depth_map *map, double x, double y)
{
    return map->sigma.data != NULL ? image_at(&map->sigma, x, y) : (double)NAN;
}

rf_depth_distance rf_depth_measure_distance(const rf_depth_map *map, const double line[4])
{
    double pixel = map->pixel_mm > 0 ? map->pixel_mm : 1;
    rf_depth_distance d = {.across = (line[2] - line[0]) * pixel, .down = (line[3] - line[1]) * pixel};
    d.along = hypot(d.across, d.down);
    d.depth = rf_depth_at(map, line[2], line[3]) - rf_depth_at(map, line[0], line[1]);
    d.true_length = map->metric && map->pixel_mm > 0 ? hypot(d.along, d.depth) : (double)NAN;
    return d;
}

rf_status rf_profile_take(const rf_depth_map *map, const double line[4], rf_profile *profile, rf_error *err)
{
    enum { COLUMNS = 6 };
    double length_px = hypot(line[2] - line[0], line[3] - line[1]);
    int steps = (int)ceil(length_px), count = steps + 1;
    double *block = NULL, pixel = map->pixel_mm > 0 ? map->pixel_mm : 1;
    rf_status status = rf_alloc(&block, (size_t)count, COLUMNS * sizeof *block, "a profile", err);
    if (status != RF_OK)
        return status;
    *profile = (rf_profile){.count = count, .block = block};
    double **columns[COLUMNS] = {&profile->x_px,  &profile->y_px,  &profile->along,
                                 &profile->depth, &profile->sigma, &profile->confidence};
    for (int i = 0; i < COLUMNS; i++)
        *columns[i] = block + (size_t)i * (size_t)count;
    for (int i = 0; i < count; i++) {
        double share = steps > 0 ? (double)i / steps : 0;
        double x = i == steps ? line[2] : line[0] + share * (line[2] - line[0]);
        double y = i == steps ? line[3] : line[1] + share * (line[3] - line[1]);
        profile->x_px[i] = x;
        profile->y_px[i] = y;
        profile->along[i] = share * length_px * pixel;
        profile->depth[i] = rf_depth_at(map, x, y);
        profile->sigma[i] = rf_depth_sigma_at(map, x, y);
        profile->confidence[i] = rf_depth_confidence_at(map, x, y);
    }
    return RF_OK;
}

void rf_profile_free(rf_profile *profile)
{
    rf_free(profile->block);
    *profile = (rf_profile){0};
}

/* ---- roughness ---- */

static double span_of(const double *heights, int begin, int end)
{
    double low = heights[begin], high = heights[begin];
    for (int i = begin + 1; i < end; i++) {
        low = fmin(low, heights[i]);
        high = fmax(high, heights[i]);
    }
    return high - low;
}

int rf_roughness_of(const double *heights, int count, int parts, rf_roughness *roughness)
{
    if (parts < 1 || count < 2 * parts)
        return 0;
    double mean = 0, sum = 0, squares = 0, spans = 0;
    for (int i = 0; i < count; i++)
        mean += heights[i];
    mean /= count;
    for (int i = 0; i < count; i++) {
        sum += fabs(heights[i] - mean);
        squares += (heights[i] - mean) * (heights[i] - mean);
    }
    for (int p = 0; p < parts; p++)
        spans += span_of(heights, (int)((int64_t)count * p / parts), (int)((int64_t)count * (p + 1) / parts));
    *roughness = (rf_roughness){.ra = sum / count,
                                .rq = sqrt(squares / count),
                                .rz = spans / parts,
                                .rt = span_of(heights, 0, count),
                                .parts = parts,
                                .count = count};
    return 1;
}

/* The known samples less their least-squares line, into `heights`; returns how many. */
static int level_profile(const rf_profile *profile, double *heights)
{
    double n = 0, mean_x = 0, mean_z = 0, xx = 0, xz = 0;
    for (int i = 0; i < profile->count; i++)
        if (isfinite(profile->depth[i])) {
            mean_x += profile->along[i];
            mean_z += profile->depth[i];
            n += 1;
        }
    mean_x /= fmax(n, 1);
    mean_z /= fmax(n, 1);
    for (int i = 0; i < profile->count; i++)
        if (isfinite(profile->depth[i])) {
            xx += (profile->along[i] - mean_x) * (profile->along[i] - mean_x);
            xz += (profile->along[i] - mean_x) * (profile->depth[i] - mean_z);
        }
    int count = 0;
    double slope = xx > 0 ? xz / xx : 0;
    for (int i = 0; i < profile->count; i++)
        if (isfinite(profile->depth[i]))
            heights[count++] = profile->depth[i] - mean_z - slope * (profile->along[i] - mean_x);
    return count;
}

rf_status rf_profile_roughness(const rf_profile *profile, rf_roughness *roughness, rf_error *err)
{
    double *heights = NULL;
    *roughness = (rf_roughness){0};
    rf_status status = rf_alloc(&heights, (size_t)profile->count, sizeof *heights, "a levelled profile", err);
    if (status != RF_OK)
        return status;
    (void)rf_roughness_of(heights, level_profile(profile, heights), RF_SAMPLING_LENGTHS, roughness);
    rf_free(heights);
    return RF_OK;
}
