/* lens_spread.c - the inner loop: every pixel of a grid spread by its own disc. */
#include "lens_private.h"

static inline int clamp_column(int x, int columns)
{
    return x < 0 ? 0 : x > columns ? columns : x;
}

typedef struct target {
    v4 *ends;
    float *weight;
    int stride, columns, row_begin, row_end;
} target;

static inline void spread_pixel(const target *t, const disc_table *discs, int index, int x, int y, v4 rgba)
{
    const disc_row *rows = discs->rows + discs->first[index];
    int reach = discs->reach[index];
    int from = y - reach < t->row_begin ? t->row_begin : y - reach;
    int to = y + reach >= t->row_end ? t->row_end - 1 : y + reach;
    int widest = -rows[0].left; /* row 0 is the longest */
    int inside = x - widest >= 0 && x + rows[0].right + 1 <= t->columns;
    int empty = rgba[3] <= 0;
    for (int row = from; row <= to; row++) {
        const disc_row *r = rows + (row < y ? y - row : row - y);
        v4 *ends = t->ends + (size_t)(row - t->row_begin) * (size_t)t->stride;
        float *weight = t->weight + (size_t)(row - t->row_begin) * (size_t)t->stride;
        int a0 = x + r->left, a1 = a0 + 1, b0 = x + r->right, b1 = b0 + 1;
        if (!inside) {
            a0 = clamp_column(a0, t->columns);
            a1 = clamp_column(a1, t->columns);
            b0 = clamp_column(b0, t->columns);
            b1 = clamp_column(b1, t->columns);
        }
        weight[a0] += r->begin[0];
        weight[a1] += r->begin[1];
        weight[b0] -= r->end[0];
        weight[b1] -= r->end[1];
        if (empty)
            continue;
        ends[a0] += rgba * v4_all(r->begin[0]);
        ends[a1] += rgba * v4_all(r->begin[1]);
        ends[b0] -= rgba * v4_all(r->end[0]);
        ends[b1] -= rgba * v4_all(r->end[1]);
    }
}

void spread_band(const lens *self, const spread_source *source, band_scratch *scratch, int columns, int row_begin,
                 int row_end)
{
    target t = {.ends = scratch->ends,
                .weight = scratch->weight,
                .stride = self->scratch_stride,
                .columns = columns,
                .row_begin = row_begin,
                .row_end = row_end};
    size_t cells = (size_t)(row_end - row_begin) * (size_t)t.stride;
    memset(t.ends, 0, cells * sizeof *t.ends);
    memset(t.weight, 0, cells * sizeof *t.weight);
    int from = row_begin - source->reach - source->row, to = row_end + source->reach - source->row;
    from = from < 0 ? 0 : from;
    to = to > source->height ? source->height : to;
    for (int y = from; y < to; y++) {
        const v4 *rgba = source->rgba + (size_t)y * (size_t)source->width;
        const uint16_t *disc = source->disc == NULL ? NULL : source->disc + (size_t)y * (size_t)source->width;
        for (int x = 0; x < source->width; x++) {
            int index = disc == NULL ? source->same_disc : disc[x];
            spread_pixel(&t, &self->discs, index, x + source->column, y + source->row, rgba[x]);
        }
    }
}
