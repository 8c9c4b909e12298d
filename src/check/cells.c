/* cells.c - a grid fixed to the subject, measured on each frame's own pixels (interpolation fakes sharpness): a cell is
 * moved by its pose to the nearest whole pixel; only its brightness, which does not suffer, is taken between pixels.
 * The band is the four-neighbour Laplacian of the luma smoothed by the 3 x 3 binomial. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "check/look.h"

#define CLIPPED_LUMA 0.985f /* coded; a JPEG's white rings a little below 1 */
/* Cells side by side are measured on a strip of their own: its luma as floats, smoothed, and its band, small enough to
 * stay near the processor. A pose that turns moves the cells of a row apart: then a strip holds fewer of them. */
enum { STRIP_PX = 512, EDGE = 3 }; /* EDGE: what the band of a pixel needs around it, and one for the tensor */

typedef struct job {
    const rf_look *look;
    const rf_image *luma;
    rf_cell *cells;
    rf_pose pose;
    float *scratch;
} job;

/* Rows of a strip; (left, top) is where its first pixel lies in the luma. */
typedef struct strip {
    rf_image luma, smooth, band;
    int left, top;
} strip;

static int clamp(int v, int low, int high)
{
    return v < low ? low : v > high ? high : v;
}

static int strip_width(const rf_look *look)
{
    return (look->cell_px > STRIP_PX ? look->cell_px : STRIP_PX) + 2 * EDGE;
}

static int strip_height(const rf_look *look)
{
    return 2 * look->cell_px + 2 * EDGE;
}

size_t rf_cells_scratch(const rf_look *look)
{
    return 3 * (size_t)strip_width(look) * (size_t)strip_height(look);
}

/* The 3 x 3 binomial of n pixels; at the luma's own ends the pixel itself. */
RF_HOT_256 static void smooth_row(float *restrict out, const float *restrict a, const float *restrict b,
                                  const float *restrict c, int n)
{
    for (int x = 1; x < n - 1; x++)
        out[x] = (a[x - 1] + a[x + 1] + c[x - 1] + c[x + 1] + 2 * (a[x] + c[x] + b[x - 1] + b[x + 1]) + 4 * b[x]) *
                 (1 / 16.0f);
    out[0] = b[0];
    out[n - 1] = b[n - 1];
}

RF_HOT_256 static void band_row(float *restrict out, const float *restrict a, const float *restrict b,
                                const float *restrict c, int n)
{
    for (int x = 1; x < n - 1; x++)
        out[x] = 4 * b[x] - a[x] - c[x] - b[x - 1] - b[x + 1];
    out[0] = out[n - 1] = 0;
}

static rf_image rows_of(float *at, int width, int height)
{
    return (rf_image){at, width, height, 1, RF_F32, (size_t)width * sizeof *at};
}

/* The strip around columns [left, right) and rows [top, bottom). Its outermost pixels may be wrong where the luma goes
 * on, but no cell reads those. */
static void fill_strip(strip *s, const job *j, float *scratch, int left, int top, int right, int bottom)
{
    const rf_image *luma = j->luma;
    size_t plane = (size_t)strip_width(j->look) * (size_t)strip_height(j->look), bytes = rf_sample_bytes(luma->sample);
    s->left = clamp(left - EDGE, 0, luma->width - 1);
    s->top = clamp(top - EDGE, 0, luma->height - 1);
    int width = clamp(right + EDGE, 1, luma->width) - s->left, height = clamp(bottom + EDGE, 1, luma->height) - s->top;
    s->luma = rows_of(scratch, width, height);
    s->smooth = rows_of(scratch + plane, width, height);
    s->band = rows_of(scratch + 2 * plane, width, height);
    for (int y = 0; y < height; y++)
        rf_row_to_f32(rf_image_row_f32(&s->luma, y),
                      (const char *)rf_image_row(luma, s->top + y) + (size_t)s->left * bytes, luma->sample,
                      (size_t)width);
    for (int y = 0; y < height; y++)
        smooth_row(rf_image_row_f32(&s->smooth, y), rf_image_row_f32(&s->luma, y > 0 ? y - 1 : 0),
                   rf_image_row_f32(&s->luma, y), rf_image_row_f32(&s->luma, y + 1 < height ? y + 1 : y), width);
    for (int y = 0; y < height; y++)
        band_row(rf_image_row_f32(&s->band, y), rf_image_row_f32(&s->smooth, y > 0 ? y - 1 : 0),
                 rf_image_row_f32(&s->smooth, y), rf_image_row_f32(&s->smooth, y + 1 < height ? y + 1 : y), width);
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

/* Where a cell lies in a frame's luma. */
typedef struct place {
    double x, y; /* between pixels */
    int left, top, inside;
} place;

static place place_of(const job *j, int column, int row)
{
    int side = j->look->cell_px;
    double reduce = j->look->cell_reduce, edge = (reduce - 1) / 2, half = (side - 1) / 2.0;
    place p;
    rf_pose_apply(&j->pose, reduce * (column * side + half) + edge, reduce * (row * side + half) + edge, &p.x, &p.y);
    p.x = (p.x - edge) / reduce - half;
    p.y = (p.y - edge) / reduce - half;
    p.left = (int)floor(p.x + 0.5);
    p.top = (int)floor(p.y + 0.5);
    p.inside = p.left >= 1 && p.top >= 1 && p.left + side < j->luma->width && p.top + side < j->luma->height;
    return p;
}

/* Measures the cells from `column` on that fit one strip; returns the first that does not. */
static int measure_strip(const job *j, float *scratch, int row, int column)
{
    const rf_look *look = j->look;
    int side = look->cell_px, end = column + 1, room = strip_width(look) - 2 * EDGE;
    place first = place_of(j, column, row);
    if (!first.inside)
        return end;
    int right = first.left + side, top = first.top, bottom = first.top + side;
    for (; end < look->columns; end++) {
        place p = place_of(j, end, row);
        int high = p.top < top ? p.top : top, low = p.top + side > bottom ? p.top + side : bottom;
        if (!p.inside || p.left < first.left || p.left + side - first.left > room || low - high > 2 * side)
            break;
        right = p.left + side > right ? p.left + side : right;
        top = high;
        bottom = low;
    }
    strip s;
    fill_strip(&s, j, scratch, first.left, top, right, bottom);
    for (int c = column; c < end; c++) {
        place p = place_of(j, c, row);
        rf_cell *cell = &j->cells[row * look->columns + c];
        measure(&s.luma, &s.band, p.left - s.left, p.top - s.top, side, cell);
        measure_quarters(&s.luma, p.x - s.left, p.y - s.top, side, cell->luma);
    }
    return end;
}

static void cell_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    const job *j = arg;
    float *scratch = j->scratch + (size_t)thread * rf_cells_scratch(j->look);
    (void)block;
    for (int row = row_begin; row < row_end; row++) {
        for (int column = 0; column < j->look->columns; column++)
            j->cells[row * j->look->columns + column] = (rf_cell){.energy = -1};
        for (int column = 0; column < j->look->columns;)
            column = measure_strip(j, scratch, row, column);
    }
}

void rf_cells_measure(const rf_look *look, int k, const rf_image *luma, float *scratch)
{
    job j = {.look = look, .luma = luma, .pose = look->poses[k], .scratch = scratch};
    j.cells = look->cells + (size_t)k * (size_t)rf_look_cells(look);
    rf_pool_rows(look->pool, look->rows, 1, cell_rows, &j);
}
