/* mesh_build.c - triangles over the squares of the quadtree.
 *
 * A leaf whose neighbours are no finer is two triangles; else it is a fan about its middle, which takes in the middle
 * of every side that a finer neighbour halves. */
#include "railfold/depth_mesh.h"

#include <math.h>
#include <string.h>

#include "depth/quadtree.h"
#include "railfold/memory.h"

typedef struct builder {
    const rf_depth_map *map;
    const rf_image *picture;
    rf_quadtree tree;
    rf_mesh *mesh;    /* NULL while only counting */
    uint32_t *number; /* per pixel: point number + 1, 0 = none yet */
    size_t points, triangles;
} builder;

static void set_point(const builder *b, rf_mesh *mesh, size_t i, int x, int y)
{
    float pixel = (float)b->map->pixel_mm, depth = rf_image_row_f32(&b->map->depth, y)[x];
    mesh->position[i][0] = (float)x * pixel;
    mesh->position[i][1] = -(float)y * pixel;
    mesh->position[i][2] = b->map->nearer ? depth : -depth;
    mesh->texture[i][0] = ((float)x + 0.5f) / (float)b->map->depth.width;
    mesh->texture[i][1] = 1 - ((float)y + 0.5f) / (float)b->map->depth.height;
    if (mesh->colour != NULL)
        memcpy(mesh->colour[i], (const uint8_t *)rf_image_row(b->picture, y) + 3 * x, 3);
    if (mesh->confidence != NULL)
        mesh->confidence[i] = rf_image_row_f32(&b->map->confidence, y)[x];
}

static uint32_t point_at(builder *b, int x, int y)
{
    uint32_t *number = &b->number[(size_t)y * (size_t)b->map->depth.width + (size_t)x];
    if (*number == 0) {
        if (b->mesh != NULL)
            set_point(b, b->mesh, b->points, x, y);
        *number = (uint32_t)++b->points;
    }
    return *number - 1;
}

/* Corners clockwise in the map, which is counter-clockwise with y up when they are taken in the order a, c, b. */
static void add_triangle(builder *b, uint32_t p, uint32_t q, uint32_t r)
{
    if (b->mesh != NULL) {
        b->mesh->corners[b->triangles][0] = p;
        b->mesh->corners[b->triangles][1] = r;
        b->mesh->corners[b->triangles][2] = q;
    }
    b->triangles++;
}

static void add_pair(builder *b, int x, int y, int side)
{
    const float *top = rf_image_row_f32(&b->map->depth, y), *bottom = rf_image_row_f32(&b->map->depth, y + side);
    uint32_t a = point_at(b, x, y), c = point_at(b, x + side, y), d = point_at(b, x + side, y + side),
             e = point_at(b, x, y + side);
    if (fabsf(top[x] - bottom[x + side]) <= fabsf(top[x + side] - bottom[x])) { /* along the smaller step */
        add_triangle(b, a, c, d);
        add_triangle(b, a, d, e);
    } else {
        add_triangle(b, a, c, e);
        add_triangle(b, c, d, e);
    }
}

static void add_leaf(builder *b, int level, int column, int row)
{
    static const int beside[4][2] = {{0, -1}, {1, 0}, {0, 1}, {-1, 0}};
    static const int corner[5][2] = {{0, 0}, {2, 0}, {2, 2}, {0, 2}, {0, 0}}; /* clockwise, in halves of a side */
    int side = 1 << level, x = column * side, y = row * side, finer[4], any = 0;
    for (int k = 0; k < 4; k++) {
        finer[k] = rf_quadtree_is_split(&b->tree, level, column + beside[k][0], row + beside[k][1]);
        any |= finer[k];
    }
    if (!any) {
        add_pair(b, x, y, side);
        return;
    }
    int half = side / 2;
    uint32_t middle = point_at(b, x + half, y + half);
    for (int k = 0; k < 4; k++) {
        const int *from = corner[k], *to = corner[k + 1];
        uint32_t p = point_at(b, x + from[0] * half, y + from[1] * half),
                 q = point_at(b, x + to[0] * half, y + to[1] * half);
        if (finer[k]) {
            uint32_t between = point_at(b, x + (from[0] + to[0]) / 2 * half, y + (from[1] + to[1]) / 2 * half);
            add_triangle(b, p, between, middle);
            add_triangle(b, between, q, middle);
        } else {
            add_triangle(b, p, q, middle);
        }
    }
}

static void walk(builder *b)
{
    size_t pixels = (size_t)b->map->depth.width * (size_t)b->map->depth.height;
    memset(b->number, 0, pixels * sizeof *b->number);
    b->points = b->triangles = 0;
    for (int level = b->tree.smallest; level < RF_QUAD_LEVELS; level++)
        for (int row = 0; row < b->tree.rows[level]; row++)
            for (int column = 0; column < b->tree.columns[level]; column++)
                if (rf_quadtree_is_leaf(&b->tree, level, column, row) &&
                    rf_quadtree_is_whole(&b->tree, level, column, row))
                    add_leaf(b, level, column, row);
}

static size_t count_points(builder *b, float tolerance, int smallest)
{
    rf_quadtree_settle(&b->tree, tolerance, smallest);
    walk(b);
    return b->points;
}

/* The smallest square that edges leave room for, then the tightest tolerance, by halving the interval of its logarithm.
 */
static void choose_fineness(builder *b, size_t most_points)
{
    int smallest = 0;
    if (most_points == 0) {
        (void)count_points(b, -1, 0);
        return;
    }
    while (smallest + 1 < RF_QUAD_LEVELS && count_points(b, 1e30f, smallest) > most_points)
        smallest++;
    float tight = 1e-7f, loose = 1e6f;
    if (count_points(b, -1, smallest) <= most_points)
        return;
    for (int i = 0; i < 20; i++) {
        float tolerance = sqrtf(tight * loose);
        if (count_points(b, tolerance, smallest) <= most_points)
            loose = tolerance;
        else
            tight = tolerance;
    }
    (void)count_points(b, loose, smallest);
}

static rf_status alloc_mesh(const builder *b, rf_mesh *mesh, rf_error *err)
{
    rf_status status;
    mesh->points = b->points;
    mesh->triangles = b->triangles;
    RF_TRY(rf_alloc_raw(&mesh->position, b->points, sizeof *mesh->position, "the mesh", err));
    RF_TRY(rf_alloc_raw(&mesh->texture, b->points, sizeof *mesh->texture, "the mesh", err));
    if (b->picture != NULL)
        RF_TRY(rf_alloc_raw(&mesh->colour, b->points, sizeof *mesh->colour, "the mesh", err));
    if (b->map->confidence.data != NULL)
        RF_TRY(rf_alloc_raw(&mesh->confidence, b->points, sizeof *mesh->confidence, "the mesh", err));
    if (b->triangles > 0)
        RF_TRY(rf_alloc_raw(&mesh->corners, b->triangles, sizeof *mesh->corners, "the mesh", err));
    return RF_OK;
done:
    rf_mesh_free(mesh);
    return status;
}

static rf_status check_scale(const rf_depth_map *map, rf_error *err)
{
    if (!map->metric)
        return rf_fail(err, RF_ERR_USAGE, "the rail step is unknown; a mesh in mm needs --step LEN");
    if (!(map->pixel_mm > 0))
        return rf_fail(err, RF_ERR_USAGE, "the size of a pixel is unknown; a mesh in mm needs --pixel LEN");
    return RF_OK;
}

rf_status rf_depth_mesh_build(const rf_depth_map *map, const rf_image *picture, size_t most_points, rf_mesh *mesh,
                              rf_error *err)
{
    builder b = {.map = map, .picture = picture};
    rf_status status = check_scale(map, err);
    if (status != RF_OK)
        return status;
    if (most_points > 0 && most_points < 4)
        return rf_fail(err, RF_ERR_USAGE, "%zu points make no surface; at least 4 were expected", most_points);
    size_t pixels = (size_t)map->depth.width * (size_t)map->depth.height;
    RF_TRY(rf_quadtree_create(&b.tree, map, err));
    RF_TRY(rf_alloc_raw(&b.number, pixels, sizeof *b.number, "the mesh", err));
    choose_fineness(&b, most_points);
    if (b.triangles == 0)
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "no piece of the surface is known well enough, and joined, for a mesh"));
    RF_TRY(alloc_mesh(&b, mesh, err));
    b.mesh = mesh;
    walk(&b);
done:
    rf_quadtree_free(&b.tree);
    rf_free(b.number);
    return status;
}

static size_t visit_grid(builder *b, int stride, rf_mesh *cloud)
{
    size_t count = 0;
    for (int y = stride / 2; y < b->map->depth.height; y += stride)
        for (int x = stride / 2; x < b->map->depth.width; x += stride) {
            if (!rf_depth_map_sure(b->map, x, y))
                continue;
            if (cloud != NULL)
                set_point(b, cloud, count, x, y);
            count++;
        }
    return count;
}

rf_status rf_depth_cloud_build(const rf_depth_map *map, const rf_image *picture, size_t most_points, rf_mesh *cloud,
                               rf_error *err)
{
    builder b = {.map = map, .picture = picture};
    int stride = 1;
    rf_status status = check_scale(map, err);
    if (status != RF_OK)
        return status;
    for (b.points = visit_grid(&b, 1, NULL); most_points > 0 && b.points > most_points;)
        b.points = visit_grid(&b, ++stride, NULL);
    if (b.points == 0)
        return rf_fail(err, RF_ERR_INPUT, "no pixel is known well enough for a point");
    status = alloc_mesh(&b, cloud, err);
    if (status == RF_OK)
        (void)visit_grid(&b, stride, cloud);
    return status;
}
