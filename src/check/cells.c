/* cells.c - a grid fixed to the subject, measured on each frame's own pixels (interpolation fakes sharpness): a cell is
 * moved by its pose to the nearest whole pixel; only its brightness, which does not suffer, is taken between pixels.
 * The band is the four-neighbour Laplacian of the luma smoothed by the 3 x 3 binomial. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "check/look.h"

#define CLIPPED_LUMA 0.985f /* coded; a JPEG's white rings a little below 1 */
enum { BLOCK_ROWS = 16 };

typedef struct job {
    const rf_look *look;
    const rf_image *in;
    rf_image *out;
    const rf_image *luma, *band;
    rf_cell *cells;
    rf_pose pose;
} job;

static const float *clamped_row(const rf_image *image, int y)
{
    return rf_image_row_f32(image, y < 0 ? 0 : y >= image->height ? image->height - 1 : y);
}

RF_HOT static void smooth_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    const job *j = arg;
    int last = j->in->width - 1;
    (void)block;
    (void)thread;
    for (int y = row_begin; y < row_end; y++) {
        const float *a = clamped_row(j->in, y - 1), *b = clamped_row(j->in, y), *c = clamped_row(j->in, y + 1);
        float *out = rf_image_row_f32(j->out, y);
        for (int x = 1; x < last; x++)
            out[x] = (a[x - 1] + a[x + 1] + c[x - 1] + c[x + 1] + 2 * (a[x] + c[x] + b[x - 1] + b[x + 1]) + 4 * b[x]) *
                     (1 / 16.0f);
        out[0] = b[0];
        out[last] = b[last];
    }
}

RF_HOT static void band_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    const job *j = arg;
    int last = j->in->width - 1;
    (void)block;
    (void)thread;
    for (int y = row_begin; y < row_end; y++) {
        const float *a = clamped_row(j->in, y - 1), *b = clamped_row(j->in, y), *c = clamped_row(j->in, y + 1);
        float *out = rf_image_row_f32(j->out, y);
        for (int x = 1; x < last; x++)
            out[x] = 4 * b[x] - a[x] - c[x] - b[x - 1] - b[x + 1];
        out[0] = out[last] = 0;
    }
}

static double total(const rf_f8 *eight)
{
    double sum = 0;
    for (int i = 0; i < 8; i++)
        sum += (double)(*eight)[i];
    return sum;
}

/* A rectangle of whole pixels. */
typedef struct patch {
    int left, top, width, height;
} patch;

/* What the mean of a patch changes by when it moves by (right, down), parts of a pixel: its far edge less its near
 * one. */
static double moved_by(const rf_image *luma, patch p, double right, double down)
{
    double across = 0, along = 0;
    const float *above = rf_image_row_f32(luma, p.top - 1), *first = rf_image_row_f32(luma, p.top),
                *last = rf_image_row_f32(luma, p.top + p.height - 1), *below = rf_image_row_f32(luma, p.top + p.height);
    for (int i = 0; i < p.height; i++) {
        const float *row = rf_image_row_f32(luma, p.top + i) + p.left;
        across += (double)(row[p.width - 1] + row[p.width] - row[-1] - row[0]);
    }
    for (int i = p.left; i < p.left + p.width; i++)
        along += (double)(last[i] + below[i] - above[i] - first[i]);
    return 0.5 * (right * across + down * along) / ((double)p.width * p.height);
}

/* Its mean, eight columns at a time. */
RF_HOT_256 static double mean_of(const rf_image *luma, patch p)
{
    rf_f8 sum = {0};
    for (int y = p.top; y < p.top + p.height; y++) {
        const float *row = rf_image_row_f32(luma, y) + p.left;
        int x = 0;
        for (; x + 8 <= p.width; x += 8)
            sum += rf_load_f8(row + x);
        for (int i = 0; x + i < p.width; i++)
            sum[i] += row[x + i];
    }
    return total(&sum) / ((double)p.width * p.height);
}

/* Brightness of the quarters of a cell that lies at (x, y), between pixels. */
static void measure_quarters(const rf_image *luma, double x, double y, int side, float quarters[4])
{
    int left = (int)floor(x + 0.5), top = (int)floor(y + 0.5), half = side / 2;
    for (int i = 0; i < 4; i++) {
        int right = i % 2, low = i / 2;
        patch p = {left + right * half, top + low * half, right ? side - half : half, low ? side - half : half};
        quarters[i] = (float)(mean_of(luma, p) + moved_by(luma, p, x - left, y - top));
    }
}

/* Sums over a cell; eight columns at a time go into eight sums of their own, in registers. */
typedef struct sums {
    rf_f8 energy, xx, xy, yy, clipped;
} sums;

RF_HOT_PART void add_columns(sums *to, const float *up, const float *row, const float *down, const float *bright)
{
    const rf_f8 white = CLIPPED_LUMA - (rf_f8){0};
    rf_f8 here = rf_load_f8(row), luma = rf_load_f8(bright);
    rf_f8 gx = 0.5f * (rf_load_f8(row + 1) - rf_load_f8(row - 1)), gy = 0.5f * (rf_load_f8(down) - rf_load_f8(up));
    to->energy += here * here;
    to->xx += gx * gx;
    to->xy += gx * gy;
    to->yy += gy * gy;
    to->clipped -= __builtin_convertvector(luma >= white, rf_f8);
}

/* The columns past the last eight. */
static void add_rest(sums *to, const float *up, const float *row, const float *down, const float *bright, int n)
{
    for (int i = 0; i < n; i++) {
        float gx = 0.5f * (row[i + 1] - row[i - 1]), gy = 0.5f * (down[i] - up[i]);
        to->energy[i] += row[i] * row[i];
        to->xx[i] += gx * gx;
        to->xy[i] += gx * gy;
        to->yy[i] += gy * gy;
        to->clipped[i] += bright[i] >= CLIPPED_LUMA ? 1.0f : 0.0f;
    }
}

RF_HOT_256 static void measure(const rf_image *luma, const rf_image *band, int left, int top, int side, rf_cell *cell)
{
    sums all;
    memset(&all, 0, sizeof all);
    for (int y = top; y < top + side; y++) {
        const float *up = rf_image_row_f32(band, y - 1) + left, *row = rf_image_row_f32(band, y) + left,
                    *down = rf_image_row_f32(band, y + 1) + left, *bright = rf_image_row_f32(luma, y) + left;
        int x = 0;
        for (; x + 8 <= side; x += 8)
            add_columns(&all, up + x, row + x, down + x, bright + x);
        add_rest(&all, up + x, row + x, down + x, bright + x, side - x);
    }
    double n = (double)side * side;
    cell->energy = (float)(total(&all.energy) / n);
    cell->xx = (float)(total(&all.xx) / n);
    cell->xy = (float)(total(&all.xy) / n);
    cell->yy = (float)(total(&all.yy) / n);
    cell->clipped = (float)(total(&all.clipped) / n);
}

static void cell_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    const job *j = arg;
    const rf_look *look = j->look;
    int side = look->cell_px;
    double reduce = look->cell_reduce, edge = (reduce - 1) / 2;
    (void)block;
    (void)thread;
    for (int row = row_begin; row < row_end; row++)
        for (int column = 0; column < look->columns; column++) {
            double x, y, half = (side - 1) / 2.0;
            rf_pose_apply(&j->pose, reduce * (column * side + half) + edge, reduce * (row * side + half) + edge, &x,
                          &y);
            x = (x - edge) / reduce - half;
            y = (y - edge) / reduce - half;
            int left = (int)floor(x + 0.5), top = (int)floor(y + 0.5);
            int inside = left >= 1 && top >= 1 && left + side < j->luma->width && top + side < j->luma->height;
            rf_cell *cell = &j->cells[row * look->columns + column];
            *cell = (rf_cell){.energy = -1};
            if (!inside)
                continue;
            measure(j->luma, j->band, left, top, side, cell);
            measure_quarters(j->luma, x, y, side, cell->luma);
        }
}

void rf_cells_measure(const rf_look *look, int k, const rf_image *luma, rf_image *smooth, rf_image *band)
{
    job j = {.look = look, .in = luma, .out = smooth, .luma = luma, .band = band, .pose = look->poses[k]};
    j.cells = look->cells + (size_t)k * (size_t)rf_look_cells(look);
    rf_pool_rows(look->pool, luma->height, BLOCK_ROWS, smooth_rows, &j);
    j.in = smooth;
    j.out = band;
    rf_pool_rows(look->pool, luma->height, BLOCK_ROWS, band_rows, &j);
    rf_pool_rows(look->pool, look->rows, 1, cell_rows, &j);
}
