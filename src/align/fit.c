/* fit.c - iteratively reweighted least squares over the tiles. */
#include "fit.h"

#include <math.h>
#include <string.h>

#include "matrix4.h"

enum { ROUNDS = 6 };

static void swap_pairs(float *pairs, int i, int j)
{
    float value = pairs[2 * i], weight = pairs[2 * i + 1];
    pairs[2 * i] = pairs[2 * j];
    pairs[2 * i + 1] = pairs[2 * j + 1];
    pairs[2 * j] = value;
    pairs[2 * j + 1] = weight;
}

static float middle_of_three(float a, float b, float c)
{
    float low = a < b ? a : b, high = a < b ? b : a;
    return c < low ? low : c > high ? high : c;
}

/* Parts the pairs as quicksort does, but follows only the part in which the weights reach half of all (Hoare's FIND,
 * 1961, with weights). */
float rf_weighted_median(float *pairs, int n)
{
    double total = 0, below = 0; /* below: weight of what lies under the part looked at */
    int begin = 0, end = n;
    for (int i = 0; i < n; i++)
        total += (double)pairs[2 * i + 1];
    while (begin < end) {
        float pivot = middle_of_three(pairs[2 * begin], pairs[2 * (begin + (end - begin) / 2)], pairs[2 * end - 2]);
        double lower = 0, equal = 0;
        int less = begin, at = begin, more = end; /* [begin, less) < pivot, [less, at) = pivot, [more, end) > pivot */
        while (at < more) {
            float value = pairs[2 * at];
            if (value < pivot) {
                lower += (double)pairs[2 * at + 1];
                swap_pairs(pairs, less++, at++);
            } else if (value > pivot) {
                swap_pairs(pairs, at, --more);
            } else {
                equal += (double)pairs[2 * at++ + 1];
            }
        }
        if (less > begin && below + lower >= 0.5 * total) {
            end = less;
        } else if (below + lower + equal >= 0.5 * total || more == end) {
            return pivot;
        } else {
            below += lower + equal;
            begin = more;
        }
    }
    return 0;
}

double rf_tile_strength(const rf_tile *tile)
{
    return 0.5 * (tile->xx + tile->yy);
}

double rf_tile_error(const rf_tile *t, const double step[4], double lever)
{
    double u = step[0] + (t->x * step[2] - t->y * step[3]) / lever;
    double v = step[1] + (t->y * step[2] + t->x * step[3]) / lever;
    double trace = t->xx + t->yy, lift = 1e-3 * trace; /* a tile with one edge says nothing along it */
    double det = t->xx * t->yy - t->xy * t->xy + lift * (trace + lift);
    double bx = t->bx - t->xx * u - t->xy * v, by = t->by - t->xy * u - t->yy * v;
    double squared = ((t->yy + lift) * bx * bx - 2 * t->xy * bx * by + (t->xx + lift) * by * by) / det;
    return sqrt(2 * squared / trace);
}

static void add_tile(double m[4][4], double v[4], const rf_tile *t, double w, double lever)
{
    double jx[4] = {1, 0, t->x / lever, -t->y / lever}, jy[4] = {0, 1, t->y / lever, t->x / lever};
    for (int r = 0; r < 4; r++) {
        double px = jx[r] * t->xx + jy[r] * t->xy, py = jx[r] * t->xy + jy[r] * t->yy;
        for (int c = 0; c < 4; c++)
            m[r][c] += w * (px * jx[c] + py * jy[c]);
        v[r] += w * (jx[r] * t->bx + jy[r] * t->by);
    }
}

/* A tile's information is capped: weight / (strength + typical strength). Past that, what is wrong with a tile is not
 * noise but its content (another depth, an edge in front), and that does not shrink. */
static double capped(const rf_tile *tile, double typical)
{
    return (double)tile->weight / (rf_tile_strength(tile) + typical);
}

static double typical_strength(const rf_tile *tiles, int count, float *sort)
{
    int n = 0;
    for (int t = 0; t < count; t++)
        if (tiles[t].weight > 0) {
            sort[2 * n] = (float)rf_tile_strength(&tiles[t]);
            sort[2 * n + 1] = tiles[t].weight;
            n++;
        }
    return n > 0 ? (double)rf_weighted_median(sort, n) + 1e-20 : 0;
}

/* The deviation of a tile, by the weighted median of what the tiles show against the fit. */
static double tile_sigma(const rf_fit *fit, rf_tile *tiles, int count, double typical, double lever, float *sort)
{
    int n = 0;
    for (int t = 0; t < count; t++)
        if (tiles[t].weight > 0) {
            tiles[t].error = rf_tile_error(&tiles[t], fit->step, lever);
            sort[2 * n] = (float)tiles[t].error;
            sort[2 * n + 1] = (float)(capped(&tiles[t], typical) * rf_tile_strength(&tiles[t]));
            n++;
        }
    return 1.4826 * (double)rf_weighted_median(sort, n) + 1e-3;
}

/* One weighted solution; tiles further than `reach` from the last one are left out. */
static int fit_once(rf_fit *fit, const rf_tile *tiles, int count, double typical, double reach, double lever,
                    double stiff)
{
    double m[4][4] = {{0}}, v[4] = {0}, inlying = 0, total = 0, squares = 0;
    fit->inliers = 0;
    for (int t = 0; t < count; t++) {
        const rf_tile *tile = &tiles[t];
        if (!(tile->weight > 0))
            continue;
        double w = capped(tile, typical), share = w * rf_tile_strength(tile);
        double e = reach > 0 ? tile->error / reach : 0;
        double keep = e < 1 ? (1 - e * e) * (1 - e * e) : 0;
        total += share;
        inlying += share * keep;
        squares += share * share * keep;
        fit->inliers += keep > 0.2;
        if (keep > 0)
            add_tile(m, v, tile, w * keep, lever);
    }
    for (int r = 0; r < 4; r++) {
        for (int c = 0; c < 4; c++) /* unequal weights on equal errors: worth this many tiles fewer */
            fit->matrix[r][c] = m[r][c] * (inlying / (squares + 1e-30));
        m[r][r] += inlying * (1e-9 + (r >= 2 ? stiff : 0));
    }
    if (!rf_factor4(m))
        return 0;
    rf_solve4(m, v);
    memcpy(fit->step, v, sizeof v);
    fit->inlier_share = inlying / (total + 1e-30);
    return 1;
}

int rf_fit_tiles(rf_fit *fit, rf_tile *tiles, int count, double lever, double stiff, float *sort)
{
    double typical = typical_strength(tiles, count, sort), reach = 0;
    memset(fit, 0, sizeof *fit);
    if (!(typical > 0))
        return 0;
    for (int round = 0; round < ROUNDS; round++) {
        if (!fit_once(fit, tiles, count, typical, reach, lever, stiff))
            return 0;
        fit->sigma = tile_sigma(fit, tiles, count, typical, lever, sort);
        reach = RF_TUKEY * fit->sigma;
    }
    return 1;
}
