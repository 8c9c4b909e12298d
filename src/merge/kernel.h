/* kernel.h - how much a frame counts at a pixel, by its distance from the pixel's depth (private to the merge module).
 *
 * Plain kernels, 1 / (1 + (d / width)^4): a mean. It blurs: a frame d steps away shows a disc of radius r d, and to
 * second order blurring by a disc adds (r^2 d^2 / 8) times the Laplacian, which a mean of frames cannot lose.
 *
 * Local kernels, K(d) (1 - q d^2), K = (1 - |d / support|^3)^3 and q = sum K d^2 / sum K d^4 over the frames: the value
 * at d = 0 of the even parabola fitted to the frames around a pixel by weighted least squares (local regression:
 * Cleveland, J. Am. Stat. Assoc. 74, 1979, tricube weight; kernels of higher order: Gasser and Mueller, 1979). The
 * second moment sum w d^2 is zero by construction, so the Laplacians cancel: several frames are averaged, their noise
 * falls, and what the mean blurs is put back. Needs every frame within its support. */
#ifndef RF_MERGE_KERNEL_H
#define RF_MERGE_KERNEL_H

#include <stdint.h>

/* A kernel is one byte. Below RF_KERNEL_LOCAL: plain, its width in units of 1 / 32 step; from there on: local, its
 * support above RF_SUPPORT_MIN in units of 1 / 16 step. */
enum { RF_KERNEL_LOCAL = 128, RF_KERNEL_FRACTIONS = 32, RF_KERNEL_REACH = 10 };
#define RF_WIDTH_UNIT 32.0f
#define RF_WIDTH_MIN 0.35f /* below this only the nearest frame counts anyway */
#define RF_WIDTH_MAX 3.9f  /* flat ground: about ten frames take part */
#define RF_SUPPORT_UNIT 16.0f
#define RF_SUPPORT_MIN 2.0f /* less, and midway between two frames nothing is left of their weights */
#define RF_SUPPORT_MAX 9.9f
/* Frames further than this many widths from a pixel's depth do not count there: their weights sum to 1 % (the tail of
 * 1 / (1 + q^4) beyond 3). */
#define RF_WIDTH_REACH 3.0f
#define RF_FAR_WEIGHT 1e-16f /* of a frame beyond reach: it counts only where no other covers the pixel */

/* q by support and by depth. Depths more than RF_KERNEL_REACH from both ends of the take differ by their fraction alone
 * and share the entries in the middle. */
enum { RF_KERNEL_DEPTHS = 2 * RF_KERNEL_REACH * RF_KERNEL_FRACTIONS };
typedef struct rf_kernel_table {
    int last; /* frame of the take */
    float q[256 - RF_KERNEL_LOCAL][RF_KERNEL_DEPTHS + 1];
} rf_kernel_table;

static inline uint8_t rf_kernel_plain(float width)
{
    return (uint8_t)(width * RF_WIDTH_UNIT + 0.5f);
}
static inline uint8_t rf_kernel_local(float support)
{
    return (uint8_t)(RF_KERNEL_LOCAL + (int)((support - RF_SUPPORT_MIN) * RF_SUPPORT_UNIT + 0.5f));
}
static inline float rf_kernel_support(uint8_t kernel)
{
    return RF_SUPPORT_MIN + (float)(kernel - RF_KERNEL_LOCAL) * (1 / RF_SUPPORT_UNIT);
}
/* Frames further than this many steps from the depth do not count. */
static inline float rf_kernel_reach(uint8_t kernel)
{
    return kernel < RF_KERNEL_LOCAL ? (float)kernel * (RF_WIDTH_REACH / RF_WIDTH_UNIT) : rf_kernel_support(kernel);
}
/* The plain kernel that stands in where not every frame is there. */
static inline uint8_t rf_kernel_without(uint8_t kernel)
{
    return kernel < RF_KERNEL_LOCAL ? kernel : rf_kernel_plain(rf_kernel_support(kernel) * 0.25f);
}

/* Unnormalised weight of a local kernel at `steps` from its centre, q being given. */
static inline float rf_kernel_local_weight(float support, float q, float steps)
{
    float t = steps < 0 ? -steps / support : steps / support, tri = 1 - t * t * t;
    return t < 1 ? tri * tri * tri * (1 - q * steps * steps) : 0;
}

/* frame_count: at least 1. */
void rf_kernel_table_fill(rf_kernel_table *table, int frame_count);

/* q of a support where frames first..last are there, counted from the depth: (k - depth) for each. */
float rf_kernel_q(float support, double depth, int first, int last);

/* Weights of frame k along n pixels; returns whether any is worth the work. The cut takes plain weights to 0 at their
 * reach, so that no frame comes in with a jump. */
int rf_kernel_weigh_row(const rf_kernel_table *table, const float *depth, const uint8_t *kernel, float k, int n,
                        float *weight);

#endif
