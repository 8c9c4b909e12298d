/* quadtree.c - how closely each square of the map follows the surface, and which squares to halve. */
#include "depth/quadtree.h"

#include <math.h>

#include "railfold/memory.h"

static size_t at(const rf_quadtree *tree, int level, int column, int row)
{
    return (size_t)row * (size_t)tree->columns[level] + (size_t)column;
}

void rf_quadtree_free(rf_quadtree *tree)
{
    for (int level = 0; level < RF_QUAD_LEVELS; level++) {
        rf_free(tree->error[level]);
        rf_free(tree->split[level]);
    }
    *tree = (rf_quadtree){0};
}

/* A square between four neighbouring pixels is one piece when all are sure and none jumps against another. */
static float cell_error(const rf_depth_map *map, float edge, int x, int y)
{
    float low = INFINITY, high = -INFINITY;
    for (int j = 0; j < 2; j++)
        for (int i = 0; i < 2; i++) {
            if (x + i >= map->depth.width || y + j >= map->depth.height || !rf_depth_map_sure(map, x + i, y + j))
                return INFINITY;
            float depth = rf_image_row_f32(&map->depth, y + j)[x + i];
            low = fminf(low, depth);
            high = fmaxf(high, depth);
        }
    return high - low > edge ? INFINITY : 0;
}

static float surface_error(const rf_depth_map *map, int x0, int y0, int side)
{
    const float *top = rf_image_row_f32(&map->depth, y0), *bottom = rf_image_row_f32(&map->depth, y0 + side);
    float most = 0, share = 1.0f / (float)side;
    for (int j = 0; j <= side; j++) {
        float v = (float)j * share;
        float left = (1 - v) * top[x0] + v * bottom[x0], right = (1 - v) * top[x0 + side] + v * bottom[x0 + side];
        const float *row = rf_image_row_f32(&map->depth, y0 + j) + x0;
        for (int i = 0; i <= side; i++)
            most = fmaxf(most, fabsf(row[i] - left - (float)i * share * (right - left)));
    }
    return most;
}

static void measure_level(rf_quadtree *tree, int level)
{
    float edge = (float)rf_depth_map_edge(tree->map);
    for (int row = 0; row < tree->rows[level]; row++)
        for (int column = 0; column < tree->columns[level]; column++) {
            float *error = &tree->error[level][at(tree, level, column, row)];
            if (level == 0) {
                *error = cell_error(tree->map, edge, column, row);
                continue;
            }
            *error = 0;
            for (int k = 0; k < 4; k++) {
                int c = 2 * column + (k & 1), r = 2 * row + (k >> 1);
                int inside = c < tree->columns[level - 1] && r < tree->rows[level - 1];
                *error = fmaxf(*error, inside ? tree->error[level - 1][at(tree, level - 1, c, r)] : INFINITY);
            }
            if (isfinite(*error)) /* never below that of its parts, so that halving always helps */
                *error = fmaxf(*error, surface_error(tree->map, column << level, row << level, 1 << level));
        }
}

rf_status rf_quadtree_create(rf_quadtree *tree, const rf_depth_map *map, rf_error *err)
{
    rf_status status;
    *tree = (rf_quadtree){.map = map};
    for (int level = 0; level < RF_QUAD_LEVELS; level++) {
        int side = 1 << level;
        tree->columns[level] = (map->depth.width + side - 1) / side;
        tree->rows[level] = (map->depth.height + side - 1) / side;
        size_t count = (size_t)tree->columns[level] * (size_t)tree->rows[level];
        RF_TRY(rf_alloc_raw(&tree->error[level], count, sizeof *tree->error[level], "the mesh", err));
        RF_TRY(rf_alloc(&tree->split[level], count, 1, "the mesh", err));
        measure_level(tree, level);
    }
    return RF_OK;
done:
    rf_quadtree_free(tree);
    return status;
}

int rf_quadtree_is_split(const rf_quadtree *tree, int level, int column, int row)
{
    if (level < 1 || column < 0 || row < 0 || column >= tree->columns[level] || row >= tree->rows[level])
        return 0;
    return tree->split[level][at(tree, level, column, row)];
}

int rf_quadtree_is_whole(const rf_quadtree *tree, int level, int column, int row)
{
    return isfinite(tree->error[level][at(tree, level, column, row)]) != 0;
}

int rf_quadtree_is_leaf(const rf_quadtree *tree, int level, int column, int row)
{
    int top = level + 1 == RF_QUAD_LEVELS;
    return !rf_quadtree_is_split(tree, level, column, row) &&
           (top || rf_quadtree_is_split(tree, level + 1, column / 2, row / 2));
}

/* Halves a square and, so that it is reached, all that hold it. */
static void split(rf_quadtree *tree, int level, int column, int row)
{
    for (; level < RF_QUAD_LEVELS; level++, column /= 2, row /= 2) {
        uint8_t *flag = &tree->split[level][at(tree, level, column, row)];
        if (*flag)
            return;
        *flag = 1;
    }
}

void rf_quadtree_settle(rf_quadtree *tree, float tolerance, int smallest)
{
    tree->smallest = smallest;
    for (int level = 1; level < RF_QUAD_LEVELS; level++)
        for (int row = 0; row < tree->rows[level]; row++)
            for (int column = 0; column < tree->columns[level]; column++) {
                size_t i = at(tree, level, column, row);
                tree->split[level][i] = level > smallest && tree->error[level][i] > tolerance;
            }
    /* errors only grow with the level, so whatever holds a halved square is halved; now the neighbours of each halved
     * square must exist at its level, that is: what holds them is halved. Fine to coarse, one pass does. */
    for (int level = 1; level + 1 < RF_QUAD_LEVELS; level++)
        for (int row = 0; row < tree->rows[level]; row++)
            for (int column = 0; column < tree->columns[level]; column++) {
                if (!tree->split[level][at(tree, level, column, row)])
                    continue;
                static const int beside[4][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
                for (int k = 0; k < 4; k++) {
                    int c = column + beside[k][0], r = row + beside[k][1];
                    if (c >= 0 && r >= 0 && c < tree->columns[level] && r < tree->rows[level])
                        split(tree, level + 1, c / 2, r / 2);
                }
            }
}
