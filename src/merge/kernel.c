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

/* The entry for a depth of 0..last. */
static inline int entry_of(float depth, int last)
{
    int whole = (int)depth, at = (int)((depth - (float)whole) * RF_KERNEL_FRACTIONS);
    int from_end = last - whole; /* a short take's entries are its own depths */
    if (last > 2 * RF_KERNEL_REACH && whole >= RF_KERNEL_REACH)
        whole = from_end > RF_KERNEL_REACH ? RF_KERNEL_REACH : 2 * RF_KERNEL_REACH - from_end;
    return whole * RF_KERNEL_FRACTIONS + at;
}

RF_HOT int rf_kernel_weigh_row(const rf_kernel_table *table, const float *restrict depth,
                               const uint8_t *restrict kernel, float k, int n, float *restrict weight)
{
    const float reach2 = RF_WIDTH_REACH * RF_WIDTH_REACH, cut = 1 / (1 + reach2 * reach2);
    int local = 0, worth = 0;
    for (int x = 0; x < n; x++) {
        float w = (float)(int)kernel[x] * (1 / RF_WIDTH_UNIT), d = k - depth[x], w2 = w * w, d2 = d * d;
        float share = w2 * w2 / (w2 * w2 + d2 * d2), within = share - cut;
        within = within > 0 ? within : 0;
        weight[x] = within + RF_FAR_WEIGHT * share;
        int plain = kernel[x] < RF_KERNEL_LOCAL;
        worth |= plain & (within > 0);
        local |= !plain;
    }
    if (!local)
        return worth;
    for (int x = 0; x < n; x++) {
        if (kernel[x] < RF_KERNEL_LOCAL)
            continue;
        float support = rf_kernel_support(kernel[x]), d = k - depth[x];
        float far = RF_FAR_WEIGHT / (1 + d * d * d * d);
        if (!(fabsf(d) < support)) {
            weight[x] = far;
            continue;
        }
        float q = table->q[kernel[x] - RF_KERNEL_LOCAL][entry_of(depth[x], table->last)];
        weight[x] = rf_kernel_local_weight(support, q, d) + far;
        worth = 1;
    }
    return worth;
}
