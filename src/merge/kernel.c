/* kernel.c - weights of a frame along a row; see kernel.h. */
#include "kernel.h"

#include <math.h>

#include "base/hot.h"

float rf_kernel_q(float support, double depth, int first, int last)
{
    double m2 = 0, m4 = 0;
    int from = (int)floor(depth - (double)support), to = (int)ceil(depth + (double)support);
    for (int k = from > first ? from : first; k <= to && k <= last; k++) {
        double d = k - depth, w = (double)rf_kernel_local_weight(support, 0, (float)d);
        m2 += w * d * d;
        m4 += w * d * d * d * d;
    }
    return m4 > 0 ? (float)(m2 / m4) : 0;
}

/* The table is made for a take of at most 2 RF_KERNEL_REACH + 1 frames. */
static int shorter(int last)
{
    return last < 2 * RF_KERNEL_REACH ? last : 2 * RF_KERNEL_REACH;
}

void rf_kernel_table_fill(rf_kernel_table *table, int frame_count)
{
    table->last = frame_count - 1;
    for (int code = RF_KERNEL_LOCAL; code < 256; code++)
        for (int f = 0; f <= RF_KERNEL_DEPTHS; f++)
            table->q[code - RF_KERNEL_LOCAL][f] = rf_kernel_q(
                rf_kernel_support((uint8_t)code), ((double)f + 0.5) / RF_KERNEL_FRACTIONS, 0, shorter(table->last));
}

/* The entry for a depth; those beyond the take have the outermost one. `middle`: by how many frames the take is longer
 * than the one the table is made for. */
RF_HOT_PART int entry_of(float depth, int middle)
{
    int whole = (int)depth, at = (int)((depth - (float)whole) * RF_KERNEL_FRACTIONS), inside = whole - middle;
    inside = inside > RF_KERNEL_REACH ? inside : RF_KERNEL_REACH;
    int entry = (whole < inside ? whole : inside) * RF_KERNEL_FRACTIONS + at;
    entry = entry > 0 ? entry : 0;
    return entry < RF_KERNEL_DEPTHS ? entry : RF_KERNEL_DEPTHS;
}

/* Adds the weights of local kernels; products in place of conditions, so that it becomes vectors. */
RF_HOT static int weigh_local(const rf_kernel_table *table, const float *restrict depth, const uint8_t *restrict kernel,
                              float k, int n, float *restrict weight, int *restrict columns)
{
    const float *q = &table->q[0][0];
    int middle = table->last - shorter(table->last), row = 0;
    for (int x = 0; x < n; x++) {
        int local = kernel[x] >= RF_KERNEL_LOCAL, code = (kernel[x] - RF_KERNEL_LOCAL) & -local;
        float d = k - depth[x], d2 = d * d, support = RF_SUPPORT_MIN + (float)code * (1 / RF_SUPPORT_UNIT);
        float within = 1 - d2 / (support * support);
        within = (within > 0 ? within : 0) * (float)local;
        weight[x] += within * (1 - q[code * (RF_KERNEL_DEPTHS + 1) + entry_of(depth[x], middle)] * d2);
        int counts = within > 0 ? RF_PIXEL_COUNTS : 0;
        columns[x] |= counts;
        row |= counts;
    }
    return row;
}

RF_HOT int rf_kernel_weigh_row(const rf_kernel_table *table, const float *restrict depth,
                               const uint8_t *restrict kernel, float k, int n, float *restrict weight,
                               int *restrict columns)
{
    int local = 0, row = 0;
    for (int x = 0; x < n; x++) {
        float reach = (float)(int)kernel[x] * (1 / RF_REACH_UNIT), d = k - depth[x], d2 = d * d;
        float within = 1 - d2 / (reach * reach);
        within = within > 0 ? within : 0;
        within = ((d <= RF_REACH_BEHIND) & (kernel[x] < RF_KERNEL_LOCAL)) ? within : 0;
        weight[x] = within + RF_FAR_WEIGHT / (1 + d2 * d2);
        int counts = within > 0 ? RF_PIXEL_COUNTS | RF_PIXEL_VEILED : 0;
        columns[x] |= counts;
        row |= counts;
        local |= kernel[x] >= RF_KERNEL_LOCAL;
    }
    return local ? row | weigh_local(table, depth, kernel, k, n, weight, columns) : row;
}
