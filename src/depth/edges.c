/* edges.c - where depth jumps from a place to the next, and which places lie near enough to be settled anew. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "depth/ballot.h"

enum { EDGE_REACH = 3 }; /* places: how near an edge a pixel must lie to be settled anew */

/* An edge is a jump from a place to the next: a steep slope is none. */
RF_HOT static void jump_row(const float *restrict above, const float *restrict here, const float *restrict below,
                            int width, uint8_t *restrict jump)
{
    for (int i = 0; i < width; i++) {
        int left = i > 0 ? i - 1 : 0, right = i + 1 < width ? i + 1 : i;
        float across = rf_higher(fabsf(here[i] - here[left]), fabsf(here[i] - here[right]));
        float down = rf_higher(fabsf(here[i] - above[i]), fabsf(here[i] - below[i]));
        jump[i] = rf_higher(across, down) > RF_APART_STEPS;
    }
}

static void jump_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    int last = b->way.height - 1;
    for (int j = begin; j < end; j++)
        jump_row(rf_image_row_f32(&b->way, rf_clamp_int(j - 1, 0, last)), rf_image_row_f32(&b->way, j),
                 rf_image_row_f32(&b->way, rf_clamp_int(j + 1, 0, last)), b->way.width, rf_image_row(&b->jump, j));
}

RF_HOT static void join_row(const uint8_t *restrict jump, int half, int width, uint8_t *restrict at_edge)
{
    for (int dx = -half; dx <= half; dx++)
        for (int i = dx < 0 ? -dx : 0; i < (dx > 0 ? width - dx : width); i++)
            at_edge[i] |= jump[i + dx];
}

static void edge_rows(void *arg, int begin, int end, int block, int thread)
{
    (void)block;
    (void)thread;
    rf_ballot *b = arg;
    for (int j = begin; j < end; j++) {
        uint8_t *at_edge = rf_image_row(&b->at_edge, j);
        memset(at_edge, 0, (size_t)b->way.width);
        for (int y = j - EDGE_REACH; y <= j + EDGE_REACH; y++)
            if (y >= 0 && y < b->way.height)
                join_row(rf_image_row(&b->jump, y), (int)sqrtf((float)(EDGE_REACH * EDGE_REACH - (y - j) * (y - j))),
                         b->way.width, at_edge);
    }
}

void rf_ballot_find_edges(rf_ballot *b)
{
    rf_pool_rows(b->d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, jump_rows, b);
    rf_pool_rows(b->d->pool, b->way.height, RF_DEPTH_BLOCK_ROWS, edge_rows, b);
}
