/* disc.h - the mean over a disc around each cell of a grid (private to the merge module).
 *
 * Of a row of the disc the cells that lie in it wholly are one difference of running sums (after Crow, SIGGRAPH 1984,
 * who sums along both axes); those on its rim, which it covers in part, are added one by one. */
#ifndef RF_MERGE_DISC_H
#define RF_MERGE_DISC_H

enum { RF_DISC_RADIUS = 6 }; /* cells; the widest */

/* A square grid of `cells` x `cells`, `channels` floats each, row by row. */
typedef struct rf_disc_grid {
    int cells, channels;
    const float *from;
    float *to;   /* the means; as large as `from` */
    float *sums; /* scratch of (cells + 1) * cells * channels floats */
} rf_disc_grid;

/* Cells that a disc of `radius` cells (above 0.5; more than RF_DISC_RADIUS counts as that) reaches to each side. */
int rf_disc_reach(float radius);

/* Means for the cells in rows [top, bottom) and columns [left, right), which lie at least the disc's reach from the
 * sides of the grid; only what the disc reaches from there is read. */
void rf_disc_mean(const rf_disc_grid *grid, float radius, int left, int top, int right, int bottom);

#endif
