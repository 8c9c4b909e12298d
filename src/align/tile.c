/* tile.c - resamples a tile of frame j onto frame i and forms the normal equations of the shift that is left.
 *
 * With T the band of frame i, I the resampled band of frame j and M their mean, the difference is modelled as
 *     I - T = -(u dM/dx + v dM/dy) + a M + b Laplacian(M)
 * u, v the shift left; a a gain, b a difference of blur (to first order a difference of the variances of the two blurs
 * adds half of it times the Laplacian). a and b are of no interest and are eliminated. Taking the gradient of the mean
 * treats both frames alike, so that neither blur pulls the answer. */
#include "tile.h"

#include <math.h>
#include <string.h>

#include "base/hot.h"

enum {
    MARGIN = 2, /* for the five-point derivative */
    LANES = 20, /* 16 + 2 * MARGIN */
    SOURCE_ROWS = LANES + 10,
    FEATURES = 4,
    SUMS = 16, /* 10 products of features, 4 with the difference, the mean's and the difference's squares */
    TILE_MAX = 16
};

/* Lagrange's interpolation through six points, at -2..3 from the base; exact to the fifth degree and smooth a little
 * outside 0..1 too, so that one base serves a whole row of a tile. */
RF_HOT_PART void lagrange_row(float *restrict out, const float *restrict at, size_t step, const float *restrict f,
                              int n)
{
    for (int i = 0; i < n; i++) {
        float a = f[i] + 2, b = f[i] + 1, c = f[i], d = f[i] - 1, e = f[i] - 2, g = f[i] - 3;
        float ab = a * b, bc = b * c, abc = a * bc, de = d * e, eg = e * g, deg = d * eg;
        size_t k = (size_t)i;
        out[i] = (at[k + 5 * step] * (abc * de) - at[k] * (bc * deg)) * (1.0f / 120) +
                 (at[k + step] * (a * c * deg) - at[k + 4 * step] * (abc * d * g)) * (1.0f / 24) +
                 (at[k + 3 * step] * (abc * eg) - at[k + 2 * step] * (ab * deg)) * (1.0f / 12);
    }
}

/* Frame j at the positions of the side x side patch whose first pixel lies at (x, y): first along rows, then down
 * columns. 0 when part of what it needs lies outside. */
RF_HOT_PART int resample_patch(float *restrict patch, const rf_level *level, const rf_motion *motion, double x,
                               double y, int side)
{
    float rows[SOURCE_ROWS * LANES], f[LANES];
    double a = motion->a, b = motion->b, last = side - 1, middle = last / 2;
    double y_low = y + (b < 0 ? b * last : 0), y_high = y + a * last + (b > 0 ? b * last : 0);
    if (!(y_low >= 2 && y_high < level->height - 3 && x > -1e6 && x < 1e6))
        return 0;
    int row_first = (int)floor(y_low) - 2, row_count = (int)floor(y_high) + 4 - row_first;
    if (row_count > SOURCE_ROWS)
        return 0;
    for (int r = 0; r < row_count; r++) {
        double start = x - b / a * (row_first + r - y), slope = a + b * b / a;
        int base = (int)floor(start + (slope - 1) * middle);
        if (base < 2 || base + side + 3 > level->width)
            return 0;
        for (int i = 0; i < side; i++)
            f[i] = (float)(start - base) + (float)(slope - 1) * (float)i;
        const float *at = level->band + (size_t)(row_first + r) * (size_t)level->width + base - 2;
        lagrange_row(rows + r * LANES, at, 1, f, side);
    }
    for (int j = 0; j < side; j++) {
        double start = y + a * j;
        int base = (int)floor(start + b * middle);
        for (int i = 0; i < side; i++)
            f[i] = (float)(start - base) + (float)b * (float)i;
        lagrange_row(patch + j * LANES, rows + (base - 2 - row_first) * LANES, LANES, f, side);
    }
    return 1;
}

/* sums[s][lane], added over the tile's rows: lanes keep the compiler free to use vectors without reordering a sum. */
RF_HOT_PART void add_products(float sums[SUMS][TILE_MAX], const float *restrict mean, const float *restrict difference,
                              int n)
{
    for (int j = 0; j < n; j++) {
        const float *m = mean + (j + MARGIN) * LANES + MARGIN, *d = difference + (j + MARGIN) * LANES + MARGIN;
        for (int i = 0; i < n; i++) {
            float gx = (8 * (m[i + 1] - m[i - 1]) - (m[i + 2] - m[i - 2])) * (1.0f / 12);
            float gy = (8 * (m[i + LANES] - m[i - LANES]) - (m[i + 2 * LANES] - m[i - 2 * LANES])) * (1.0f / 12);
            float v = m[i], lap = (m[i - 1] + m[i + 1]) + (m[i - LANES] + m[i + LANES]) - 4 * v, r = d[i];
            sums[0][i] += gx * gx, sums[1][i] += gx * gy, sums[2][i] += gx * v, sums[3][i] += gx * lap;
            sums[4][i] += gy * gy, sums[5][i] += gy * v, sums[6][i] += gy * lap;
            sums[7][i] += v * v, sums[8][i] += v * lap, sums[9][i] += lap * lap;
            sums[10][i] += gx * r, sums[11][i] += gy * r, sums[12][i] += v * r, sums[13][i] += lap * r;
            sums[14][i] += r * r;
        }
    }
}

/* Schur complement: the two nuisances out of the 4 x 4 system. */
static void eliminate(rf_tile *tile, const double s[SUMS])
{
    double vv = s[7] * 1.001 + 1e-12, vl = s[8], ll = s[9] * 1.001 + 1e-12, det = vv * ll - vl * vl;
    double xv = s[2], xl = s[3], yv = s[5], yl = s[6], rv = s[12], rl = s[13];
    double p = (ll * xv - vl * xl) / det, q = (vv * xl - vl * xv) / det;
    double u = (ll * yv - vl * yl) / det, w = (vv * yl - vl * yv) / det;
    tile->xx = s[0] - (p * xv + q * xl);
    tile->xy = s[1] - (p * yv + q * yl);
    tile->yy = s[4] - (u * yv + w * yl);
    tile->bx = -(s[10] - (p * rv + q * rl));
    tile->by = -(s[11] - (u * rv + w * rl));
    /* difference = -(g . shift) + a M + b L: the b that fits best for a given shift */
    tile->blur[0] = (vv * rl - vl * rv) / det;
    tile->blur[1] = q;
    tile->blur[2] = w;
    tile->common = s[7];
    tile->differing = s[14];
}

RF_HOT_PART void compare_sides(rf_tile *tile, const rf_level *level_i, const rf_level *level_j, const rf_motion *motion,
                               double centre_x, double centre_y, int tile_x, int tile_y, int n)
{
    float patch[LANES * LANES], mean[LANES * LANES], difference[LANES * LANES], sums[SUMS][TILE_MAX];
    int x0 = level_i->left + tile_x * n - MARGIN, y0 = level_i->top + tile_y * n - MARGIN;
    double x = x0 - centre_x, y = y0 - centre_y;
    double xj = centre_x + motion->shift_x + motion->a * x - motion->b * y;
    double yj = centre_y + motion->shift_y + motion->b * x + motion->a * y;
    int inside = x0 >= 0 && y0 >= 0 && x0 + n + 2 * MARGIN <= level_i->width && y0 + n + 2 * MARGIN <= level_i->height;
    if (!inside || !resample_patch(patch, level_j, motion, xj, yj, n + 2 * MARGIN)) {
        tile->weight = 0;
        return;
    }
    tile->x = x + MARGIN + (n - 1) / 2.0;
    tile->y = y + MARGIN + (n - 1) / 2.0;
    int side = n + 2 * MARGIN;
    for (int j = 0; j < side; j++) {
        const float *t = level_i->band + (size_t)(y0 + j) * (size_t)level_i->width + x0;
        for (int i = 0; i < side; i++) {
            mean[j * LANES + i] = 0.5f * (t[i] + patch[j * LANES + i]);
            difference[j * LANES + i] = patch[j * LANES + i] - t[i];
        }
    }
    memset(sums, 0, sizeof sums);
    add_products(sums, mean, difference, n);
    double total[SUMS] = {0};
    for (int s = 0; s < SUMS; s++)
        for (int i = 0; i < n; i++)
            total[s] += (double)sums[s][i];
    eliminate(tile, total);
}

/* The usual side once more as a constant: whole vectors, no ends of loops. */
RF_HOT static void compare(rf_tile *tile, const rf_level *level_i, const rf_level *level_j, const rf_motion *motion,
                           double centre_x, double centre_y, int tile_x, int tile_y)
{
    if (level_i->tile == TILE_MAX)
        compare_sides(tile, level_i, level_j, motion, centre_x, centre_y, tile_x, tile_y, TILE_MAX);
    else
        compare_sides(tile, level_i, level_j, motion, centre_x, centre_y, tile_x, tile_y, level_i->tile);
}

void rf_tile_compare(rf_tile *tile, const rf_level *level_i, const rf_level *level_j, const rf_motion *motion,
                     double centre_x, double centre_y, int tile_x, int tile_y)
{
    compare(tile, level_i, level_j, motion, centre_x, centre_y, tile_x, tile_y);
}
