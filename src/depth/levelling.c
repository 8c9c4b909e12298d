/* levelling.c - a plane through a depth map, and what is left above and below it. */
#include "railfold/depth_measure.h"

#include <math.h>

static double plane_at(const rf_depth_plane *plane, double x, double y)
{
    return plane->per_x * x + plane->per_y * y + plane->at_origin;
}

/* Tilt and what is left, over the known and sure pixels. */
static void judge(const rf_depth_map *map, rf_depth_plane *plane)
{
    double slope = hypot(plane->per_x, plane->per_y), low = INFINITY, high = -INFINITY, squares = 0, n = 0;
    plane->tilt_deg = NAN;
    if (map->metric && map->pixel_mm > 0)
        plane->tilt_deg = atan(slope / map->pixel_mm) * 57.29577951308232;
    plane->tilt_towards_deg = slope > 0 ? atan2(plane->per_y, plane->per_x) * 57.29577951308232 : (double)NAN;
    for (int y = 0; y < map->depth.height; y++) {
        const float *row = rf_image_row_f32(&map->depth, y);
        for (int x = 0; x < map->depth.width; x++) {
            if (!rf_depth_map_sure(map, x, y))
                continue;
            double left = (double)row[x] - plane_at(plane, x, y);
            low = fmin(low, left);
            high = fmax(high, left);
            squares += left * left;
            n += 1;
        }
    }
    plane->pixels = n;
    plane->peak_to_valley = n > 0 ? high - low : (double)NAN;
    plane->rms = n > 0 ? sqrt(squares / n) : (double)NAN;
}

rf_status rf_depth_plane_through(const rf_depth_map *map, const double p[6], rf_depth_plane *plane, rf_error *err)
{
    double z[3];
    for (int i = 0; i < 3; i++) {
        z[i] = rf_depth_at(map, p[2 * i], p[2 * i + 1]);
        if (!isfinite(z[i]))
            return rf_fail(err, RF_ERR_USAGE, "the depth at %g,%g is unknown; a plane needs three known places",
                           p[2 * i], p[2 * i + 1]);
    }
    double ux = p[2] - p[0], uy = p[3] - p[1], vx = p[4] - p[0], vy = p[5] - p[1], area = ux * vy - uy * vx;
    if (!(fabs(area) > 1e-9))
        return rf_fail(err, RF_ERR_USAGE,
                       "the places %g,%g and %g,%g and %g,%g lie on one line; a plane needs a triangle", p[0], p[1],
                       p[2], p[3], p[4], p[5]);
    plane->per_x = ((z[1] - z[0]) * vy - (z[2] - z[0]) * uy) / area;
    plane->per_y = ((z[2] - z[0]) * ux - (z[1] - z[0]) * vx) / area;
    plane->at_origin = z[0] - plane->per_x * p[0] - plane->per_y * p[1];
    judge(map, plane);
    return RF_OK;
}

typedef struct moments {
    double n, x, y, z;         /* count and means */
    double xx, xy, yy, xz, yz; /* sums of products about them */
} moments;

static void add_moments(const rf_depth_map *map, moments *m, int about_means)
{
    for (int y = 0; y < map->depth.height; y++) {
        const float *row = rf_image_row_f32(&map->depth, y);
        for (int x = 0; x < map->depth.width; x++) {
            if (!rf_depth_map_sure(map, x, y))
                continue;
            if (!about_means) {
                m->n += 1;
                m->x += x;
                m->y += y;
                m->z += (double)row[x];
                continue;
            }
            double dx = x - m->x, dy = y - m->y, dz = (double)row[x] - m->z;
            m->xx += dx * dx;
            m->xy += dx * dy;
            m->yy += dy * dy;
            m->xz += dx * dz;
            m->yz += dy * dz;
        }
    }
}

rf_status rf_depth_plane_fit(const rf_depth_map *map, rf_depth_plane *plane, rf_error *err)
{
    moments m = {0};
    add_moments(map, &m, 0);
    if (m.n >= 3) {
        m.x /= m.n;
        m.y /= m.n;
        m.z /= m.n;
        add_moments(map, &m, 1);
    }
    double area = m.xx * m.yy - m.xy * m.xy;
    if (!(m.n >= 3 && area > 1e-9 * m.xx * m.yy))
        return rf_fail(err, RF_ERR_INPUT, "%.0f pixels of known and sure depth are too few for a plane", m.n);
    plane->per_x = (m.xz * m.yy - m.yz * m.xy) / area;
    plane->per_y = (m.yz * m.xx - m.xz * m.xy) / area;
    plane->at_origin = m.z - plane->per_x * m.x - plane->per_y * m.y;
    judge(map, plane);
    return RF_OK;
}

void rf_depth_map_level(rf_depth_map *map, const rf_depth_plane *plane)
{
    for (int y = 0; y < map->depth.height; y++) {
        float *row = rf_image_row_f32(&map->depth, y);
        for (int x = 0; x < map->depth.width; x++)
            row[x] = (float)((double)row[x] - plane_at(plane, x, y));
    }
    map->levelled = 1;
}
