/* kernel.h - how much a frame counts at a pixel, by its distance from the pixel's depth (private to the merge module).
 *
 * Plain kernels, 1 - (d / reach)^2: a mean, with the least blur for the noise it leaves (of all weights by distance of
 * a given variance the parabola has the smallest sum of squares: Epanechnikov, Theory Probab. Appl. 14, 1969). It
 * blurs: a frame d steps away shows a disc of radius r d, and to second order blurring by a disc adds (r^2 d^2 / 8)
 * times the Laplacian, which a mean of frames cannot lose.
 *
 * Local kernels, K(d) (1 - q d^2), K = 1 - (d / support)^2 and q = sum K d^2 / sum K d^4 over the frames: the value at
 * d = 0 of the even parabola fitted to the frames around a pixel by weighted least squares (local regression:
 * Cleveland, J. Am. Stat. Assoc. 74, 1979; kernels of higher order: Gasser and Mueller, 1979). The second moment
 * sum w d^2 is zero by construction, so the Laplacians cancel: several frames are averaged, their noise falls, and what
 * the mean blurs is put back. Needs every frame within its support, and nothing but the pixel's own surface in view:
 * there is no veil to take off. */
#ifndef RF_MERGE_KERNEL_H
#define RF_MERGE_KERNEL_H

#include <stdint.h>

/* A kernel is one byte. Below RF_KERNEL_LOCAL: plain, its reach in units of 1 / 19 step; from there on: local, its
 * support above RF_SUPPORT_MIN in units of 1 / 16 step. */
enum { RF_KERNEL_LOCAL = 128, RF_KERNEL_FRACTIONS = 32, RF_KERNEL_REACH = 10 };
#define RF_REACH_UNIT 19.0f
#define RF_REACH_MAX 6.63f /* flat ground: about eight frames take part */
/* A plain kernel takes frames no further behind its depth: in those the pixel's own surface is among the near parts
 * whose veil is taken off, which leaves nothing of it. */
#define RF_REACH_BEHIND 1.5f
#define RF_SUPPORT_UNIT 16.0f
#define RF_SUPPORT_MIN 1.75f /* less, and midway between two frames nothing is left of their weights */
#define RF_SUPPORT_MAX 8.4f
#define RF_FAR_WEIGHT 1e-16f /* of a frame beyond reach: it counts only where no other covers the pixel */

/* q by support and by depth. Depths more than RF_KERNEL_REACH from both ends of the take differ by their fraction alone
 * and share the entries in the middle. */
enum { RF_KERNEL_DEPTHS = 2 * RF_KERNEL_REACH * RF_KERNEL_FRACTIONS };
typedef struct rf_kernel_table {
    int last; /* frame of the take */
    float q[256 - RF_KERNEL_LOCAL][RF_KERNEL_DEPTHS + 1];
} rf_kernel_table;

static inline uint8_t rf_kernel_plain(float reach)
{
    return (uint8_t)(reach * RF_REACH_UNIT + 0.5f);
}
static inline uint8_t rf_kernel_local(float support)
{
    return (uint8_t)(RF_KERNEL_LOCAL + (int)((support - RF_SUPPORT_MIN) * RF_SUPPORT_UNIT + 0.5f));
}
static inline float rf_kernel_support(uint8_t kernel)
{
    return RF_SUPPORT_MIN + (float)(kernel - RF_KERNEL_LOCAL) * (1 / RF_SUPPORT_UNIT);
}
/* Frames focused further than this many steps before the depth do not count. */
static inline float rf_kernel_reach(uint8_t kernel)
{
    return kernel < RF_KERNEL_LOCAL ? (float)kernel * (1 / RF_REACH_UNIT) : rf_kernel_support(kernel);
}
/* The same behind the depth. */
static inline float rf_kernel_reach_behind(uint8_t kernel)
{
    float reach = rf_kernel_reach(kernel);
    return kernel < RF_KERNEL_LOCAL && reach > RF_REACH_BEHIND ? RF_REACH_BEHIND : reach;
}
/* The plain kernel that stands in where not every frame is there. */
static inline uint8_t rf_kernel_without(uint8_t kernel)
{
    return kernel < RF_KERNEL_LOCAL ? kernel : rf_kernel_plain(rf_kernel_support(kernel) * 0.5f);
}

/* Unnormalised weight of a local kernel at `steps` from its centre, q being given. */
static inline float rf_kernel_local_weight(float support, float q, float steps)
{
    float d2 = steps * steps, within = 1 - d2 / (support * support);
    return within > 0 ? within * (1 - q * d2) : 0;
}

/* frame_count: at least 1. */
void rf_kernel_table_fill(rf_kernel_table *table, int frame_count);

/* q of a support where frames first..last are there, counted from the depth: (k - depth) for each. */
float rf_kernel_q(float support, double depth, int first, int last);

/* What a frame is to a pixel, as bits: it counts; what veils it there is to be taken off. */
enum { RF_PIXEL_COUNTS = 1, RF_PIXEL_VEILED = 2 };

/* Weights of frame k along n pixels; adds to `columns`, one a pixel, what the frame is to each, and returns what it is
 * to any. */
int rf_kernel_weigh_row(const rf_kernel_table *table, const float *depth, const uint8_t *kernel, float k, int n,
                        float *weight, int *columns);

#endif
