/* veil.c - transmission and veil of one tile in one frame; model and sources in veil.h. */
#include "veil.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "disc.h"
#include "railfold/memory.h"

enum {
    TILE = RF_VEIL_TILE,
    MARGIN = RF_DISC_RADIUS + 1,        /* cells around the tile at each level; one more for interpolation */
    CELLS_MAX = TILE + 2 * (MARGIN + 1) /* widest grid: level 0 */
};

#define GRID_FLOATS ((size_t)(CELLS_MAX + 1) * CELLS_MAX) /* of one channel */

/* One level: the tile with its margin in cells of 2^level pixels; channel 0 is the matte, then matte * colour. */
typedef struct grid {
    int level, cell_px, cells; /* cells per side */
    int step;                  /* every so many pixels one is looked at; 64 a cell are enough */
    int x0, y0;                /* full-resolution pixel of the first cell's corner */
    rf_veil_window window; /* cells of the blurred layer that are read, all RF_DISC_RADIUS and more from its sides */
    int reach;             /* of the disc, cells */
    int channels;          /* 1 + colours */
    float *layer;          /* cells^2 * channels */
    float *blurred;
    float *sums; /* (cells + 1) * cells * channels */
} grid;

size_t rf_veil_scratch_floats(int channels)
{
    return 3 * GRID_FLOATS * (size_t)(channels + 1);
}

static int clamp(int i, int low, int high)
{
    return i < low ? low : i > high ? high : i;
}

/* The first pixel from `from` on that the grid looks at, on an axis that begins at `start`. */
static int first_seen(const grid *g, int start, int from)
{
    int past = (from - start + g->step - 1 - g->step / 2) / g->step;
    return start + past * g->step + g->step / 2;
}

/* What a layer is gathered from: one row of the picture, and the depths that count. */
typedef struct layer_row {
    const float *depth;
    const uint16_t *light;
    int width, colours;
    float near, far;
} layer_row;

/* Cells [first, past) of a row. */
typedef struct cell_span {
    int first, past;
} cell_span;

/* Adds what is of the layer to `cells` cells from the one at `cell` on, whose first pixel is x of the (virtual,
 * border-repeated) picture; of its `side` pixels every `step`-th is looked at. Sums of whole numbers, one conversion a
 * cell. Returns from which of them to which anything was. */
RF_HOT_PART cell_span gather_cells(const layer_row *row, float *cell, int x, int cells, int side, int step, int colours,
                                   int at_border)
{
    float share = (float)(step * step) / (float)(side * side), light_share = share / RF_VEIL_WHITE;
    cell_span held = {cells, 0};
    for (int i = 0; i < cells; i++, x += side, cell += 1 + colours) {
        uint32_t count = 0, sums[3] = {0, 0, 0};
        for (int n = step / 2; n < side; n += step) {
            int at = at_border ? clamp(x + n, 0, row->width - 1) : x + n;
            uint32_t in = (row->depth[at] >= row->near) & (row->depth[at] < row->far);
            count += in;
            for (int c = 0; c < colours; c++)
                sums[c] += row->light[at * colours + c] & (0 - in);
        }
        if (count == 0)
            continue;
        held.first = i < held.first ? i : held.first;
        held.past = i + 1;
        cell[0] += share * (float)count;
        for (int c = 0; c < colours; c++)
            cell[1 + c] += light_share * (float)sums[c];
    }
    return held;
}

/* The same for each level and number of colours as constants, which leaves loops of known length. */
static cell_span gather_run(const layer_row *row, const grid *g, float *cell, int x, int cells)
{
    int at_border = x < 0 || x + cells * g->cell_px > row->width;
    if (at_border || row->colours != 3)
        return gather_cells(row, cell, x, cells, g->cell_px, g->step, row->colours, 1);
    switch (g->level) {
    case 0:
        return gather_cells(row, cell, x, cells, 1, 1, 3, 0);
    case 1:
        return gather_cells(row, cell, x, cells, 2, 1, 3, 0);
    case 2:
        return gather_cells(row, cell, x, cells, 4, 1, 3, 0);
    case 3:
        return gather_cells(row, cell, x, cells, 8, 1, 3, 0);
    default:
        return gather_cells(row, cell, x, cells, 16, 2, 3, 0);
    }
}

/* Where the run of pixels of one block that starts at i ends, at the latest `end`; all of i < 0 is one run. */
static int run_end(int i, int end)
{
    int next = i < 0 ? 0 : (i / RF_VEIL_BLOCK + 1) * RF_VEIL_BLOCK;
    return next < end ? next : end;
}

/* Runs of columns [begin, end) of the grid in which the blocks of one row hold anything of the wanted slices; a run is
 * of whole cells, for both blocks and cells begin at multiples of theirs. */
typedef struct column_runs {
    int count;
    int run[(TILE + 2 * MARGIN * (1 << (RF_VEIL_LEVELS - 1))) / RF_VEIL_BLOCK + 2][2];
} column_runs;

static void find_runs(column_runs *runs, const rf_veil_blocks *blocks, int block_row, uint64_t wanted, int x0, int x1)
{
    const uint64_t *bits = blocks->bits + (size_t)block_row * (size_t)blocks->across;
    runs->count = 0;
    for (int x = x0, next; x < x1; x = next) {
        next = run_end(x, x1);
        if ((bits[rf_veil_block_of(x, blocks->across)] & wanted) == 0)
            continue;
        if (runs->count == 0 || runs->run[runs->count - 1][1] != x)
            runs->run[runs->count++][0] = x;
        runs->run[runs->count - 1][1] = next;
    }
}

/* Widens [*first, *past) to hold [from, to) too. */
static void widen_span(int *first, int *past, int from, int to)
{
    *first = from < *first ? from : *first;
    *past = to > *past ? to : *past;
}

/* Fills grid->layer, as far as the blur reads it, with the parts whose depth lies in [near, far), and narrows the
 * window to the cells that the blur of those reaches and one more; returns whether there are any. Pixels outside the
 * picture repeat its border. */
static int gather_layer(const rf_veil_scene *scene, grid *g, float near, float far)
{
    const rf_veil_blocks *blocks = scene->blocks;
    uint64_t wanted = rf_veil_bins_between(blocks, near, far);
    int top = g->window.top - g->reach, bottom = g->window.bottom + g->reach, cleared = 0;
    int x_begin = g->x0 + (g->window.left - g->reach) * g->cell_px, y_end = g->y0 + bottom * g->cell_px;
    int x_end = g->x0 + (g->window.right + g->reach) * g->cell_px;
    layer_row from = {.width = scene->depth->width, .colours = g->channels - 1, .near = near, .far = far};
    size_t row_floats = (size_t)g->cells * (size_t)g->channels;
    rf_veil_window held = {g->cells, g->cells, 0, 0};
    column_runs runs;
    for (int y = g->y0 + top * g->cell_px, next_y; y < y_end; y = next_y) {
        next_y = run_end(y, y_end);
        find_runs(&runs, blocks, rf_veil_block_of(y, blocks->down), wanted, x_begin, x_end);
        if (runs.count > 0 && !cleared)
            memset(g->layer + (size_t)top * row_floats, 0, (size_t)(bottom - top) * row_floats * sizeof *g->layer);
        cleared |= runs.count > 0;
        for (int row = first_seen(g, g->y0, y); runs.count > 0 && row < next_y; row += g->step) {
            int inside = clamp(row, 0, scene->depth->height - 1);
            int j = (row - g->y0) >> g->level;
            float *cells = g->layer + (size_t)j * row_floats;
            from.depth = rf_image_row_f32(scene->depth, inside);
            from.light = rf_image_row(scene->light, inside);
            for (int i = 0; i < runs.count; i++) {
                int first = (runs.run[i][0] - g->x0) >> g->level, last = (runs.run[i][1] - g->x0) >> g->level;
                cell_span span = gather_run(&from, g, cells + first * g->channels, runs.run[i][0], last - first);
                if (span.past == 0)
                    continue;
                widen_span(&held.left, &held.right, first + span.first, first + span.past);
                widen_span(&held.top, &held.bottom, j, j + 1);
            }
        }
    }
    int around = g->reach + 1;
    g->window.left = clamp(held.left - around, g->window.left, g->window.right);
    g->window.top = clamp(held.top - around, g->window.top, g->window.bottom);
    g->window.right = clamp(held.right + around, g->window.left, g->window.right);
    g->window.bottom = clamp(held.bottom + around, g->window.top, g->window.bottom);
    return g->window.right - g->window.left > 1 && g->window.bottom - g->window.top > 1;
}

/* out = the row of cells at height v of the grid, linear between the two nearest. */
RF_HOT static void mix_rows(const grid *g, float v, float *restrict out)
{
    size_t row_floats = (size_t)g->cells * (size_t)g->channels;
    size_t begin = (size_t)(g->window.left * g->channels), end = (size_t)(g->window.right * g->channels);
    int row = (int)v;
    float fy = v - (float)row;
    const float *upper = g->blurred + (size_t)row * row_floats, *lower = fy > 0 ? upper + row_floats : upper;
    for (size_t i = begin; i < end; i++)
        out[i] = (1 - fy) * upper[i] + fy * lower[i];
}

/* One pixel of a grey picture: its layer's matte and light, linear between two cells. */
static inline void composite_grey(const float *restrict cell, const float *restrict next, float fx,
                                  float *restrict seen)
{
    float matte = (1 - fx) * cell[0] + fx * next[0];
    seen[1] += seen[0] * ((1 - fx) * cell[1] + fx * next[1]);
    seen[0] -= seen[0] * (matte > 1 ? 1 : matte);
}

/* The same for three colours, all four numbers at once. */
static inline void composite_colour(const float *restrict cell, const float *restrict next, float fx,
                                    float *restrict seen)
{
    rf_f4 layer = (1 - fx) * rf_load_f4(cell) + fx * rf_load_f4(next), before = rf_load_f4(seen);
    layer[0] = layer[0] > 1 ? -1 : -layer[0];
    rf_store_f4(seen, before + before[0] * layer);
}

/* Where the tile's i-th pixel along an axis lies among the cells. */
static inline float cell_position(const grid *g, int i)
{
    return ((float)(MARGIN * g->cell_px + i) + 0.5f) / (float)g->cell_px - 0.5f;
}

/* Narrows [*begin, *end) to the tile's pixels along an axis that lie between cells of [first, past). */
static void narrow(const grid *g, int first, int past, int *begin, int *end)
{
    while (*begin < *end && (int)cell_position(g, *begin) < first)
        ++*begin;
    while (*end > *begin && (int)cell_position(g, *end - 1) + 1 >= past)
        --*end;
}

/* V += T c; T *= 1 - a where the blurred layer is seen in the window, the grid's cells interpolated bilinearly between
 * their centres. */
RF_HOT_256 static void composite(const grid *g, rf_veil_window window, float *restrict seen)
{
    float mixed[CELLS_MAX * 4], fx[TILE];
    int at[TILE], next[TILE];
    narrow(g, g->window.left, g->window.right, &window.left, &window.right);
    narrow(g, g->window.top, g->window.bottom, &window.top, &window.bottom);
    for (int x = window.left; x < window.right; x++) {
        float u = cell_position(g, x);
        fx[x] = u - (float)(int)u;
        at[x] = (int)u * g->channels;
        next[x] = fx[x] > 0 ? at[x] + g->channels : at[x];
    }
    for (int y = window.top; y < window.bottom; y++) {
        float *row = seen + y * TILE * g->channels;
        mix_rows(g, cell_position(g, y), mixed);
        if (g->channels == 4)
            for (int x = window.left; x < window.right; x++)
                composite_colour(mixed + at[x], mixed + next[x], fx[x], row + 4 * x);
        else
            for (int x = window.left; x < window.right; x++)
                composite_grey(mixed + at[x], mixed + next[x], fx[x], row + 2 * x);
    }
}

/* A grid for a disc of `radius` pixels, and the cells between which the window's pixels lie. */
static void start_grid(grid *g, int level, float radius, int tile_x0, int tile_y0, rf_veil_window window)
{
    g->level = level;
    g->cell_px = 1 << level;
    g->step = g->cell_px > 8 ? g->cell_px / 8 : 1;
    g->cells = TILE / g->cell_px + 2 * MARGIN;
    g->x0 = tile_x0 - MARGIN * g->cell_px;
    g->y0 = tile_y0 - MARGIN * g->cell_px;
    g->reach = rf_disc_reach(radius / (float)g->cell_px);
    g->window = (rf_veil_window){.left = (int)cell_position(g, window.left),
                                 .top = (int)cell_position(g, window.top),
                                 .right = (int)cell_position(g, window.right - 1) + 2,
                                 .bottom = (int)cell_position(g, window.bottom - 1) + 2};
}

/* Lower bound of the nearest depth in the tile and the margin of the widest disc. */
static float nearest_depth(const rf_veil_blocks *blocks, int x0, int y0, int margin)
{
    uint64_t seen = 0;
    int last_x = rf_veil_block_of(x0 + TILE + margin - 1, blocks->across),
        last_y = rf_veil_block_of(y0 + TILE + margin - 1, blocks->down);
    for (int y = rf_veil_block_of(y0 - margin, blocks->down); y <= last_y; y++)
        for (int x = rf_veil_block_of(x0 - margin, blocks->across); x <= last_x; x++)
            seen |= blocks->bits[(size_t)y * (size_t)blocks->across + (size_t)x];
    int bin = 0;
    while (bin < RF_VEIL_BINS - 1 && !(seen >> bin & 1))
        bin++;
    return blocks->bins_per_step > 0 ? blocks->low + (float)bin / blocks->bins_per_step : blocks->low;
}

/* All is seen, and no veil. */
static void start_seen(rf_veil_window window, int channels, float *seen)
{
    int width = (window.right - window.left) * channels;
    for (int y = window.top; y < window.bottom; y++) {
        float *row = seen + (y * TILE + window.left) * channels;
        memset(row, 0, (size_t)width * sizeof *row);
        for (int i = 0; i < width; i += channels)
            row[i] = 1;
    }
}

int rf_veil_tile(const rf_veil_scene *scene, float k, int x0, int y0, rf_veil_window window, float *seen,
                 float *scratch)
{
    int colours = scene->light->channels, any = 0;
    size_t floats = GRID_FLOATS * (size_t)(colours + 1);
    grid g = {.channels = colours + 1, .layer = scratch, .blurred = scratch + floats, .sums = scratch + 2 * floats};
    float blur = scene->blur_px_per_step;
    float nearest = nearest_depth(scene->blocks, x0, y0, RF_DISC_RADIUS << (RF_VEIL_LEVELS - 1));
    float deepest = k - nearest; /* steps from the focus plane to the nearest part about */
    if (!(deepest >= scene->gap_steps))
        return 0;
    start_seen(window, g.channels, seen);
    /* Layers from the nearest part back to the focus plane; each covers a span of distances small against its radius.
     */
    float far_steps = deepest;
    while (far_steps >= scene->gap_steps) {
        float near_steps = far_steps / 1.2f < far_steps - 1 ? far_steps / 1.2f : far_steps - 1;
        if (near_steps < scene->gap_steps)
            near_steps = scene->gap_steps;
        float radius = blur * 0.5f * (far_steps + near_steps);
        int level = 0;
        while (level < RF_VEIL_LEVELS - 1 && radius > (float)(RF_DISC_RADIUS << level) - 0.5f)
            level++;
        if (radius > 0.6f) {
            start_grid(&g, level, radius, x0, y0, window);
            if (gather_layer(scene, &g, k - far_steps - (far_steps == deepest ? 1.0f : 0.0f), k - near_steps)) {
                rf_disc_grid cells = {g.cells, g.channels, g.layer, g.blurred, g.sums};
                rf_disc_mean(&cells, radius / (float)g.cell_px, g.window.left, g.window.top, g.window.right,
                             g.window.bottom);
                composite(&g, window, seen);
                any = 1;
            }
        }
        if (near_steps <= scene->gap_steps)
            break;
        far_steps = near_steps;
    }
    return any;
}
