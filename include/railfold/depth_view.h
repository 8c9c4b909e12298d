/* depth_view.h - a depth map made visible. */
#ifndef RF_DEPTH_VIEW_H
#define RF_DEPTH_VIEW_H

#include "railfold/image.h"
#include "railfold/status.h"

/* The colour of t = 0 (near, light) to 1 (far, dark): lightness falls evenly from L* 92 to 18 while the hue goes from
 * straw over green-blue to violet, so that equal steps of depth look equal and no pair of hues that colour-blind eyes
 * confuse stands alone. Source of the spaces: CIE 15:2004 (L*a*b*), IEC 61966-2-1 (sRGB). */
void rf_depth_colour(float t, uint8_t rgb[3]);

/* `depth`: RF_F32, one channel; `confidence`: the same shape, 0..1, or NULL: colours fade to grey where it is low.
 * Values are spread from `near` (light) to `far` (dark), whichever is the larger; what is not finite is grey. `rgb`:
 * RF_U8, three channels, allocated by the caller. */
void rf_depth_colour_view(const rf_image *depth, const rf_image *confidence, float near, float far, rf_image *rgb,
                          rf_pool *pool);

/* The smallest and largest finite value, leaving out the given share at each end (0.001: 0.1 %). Returns 0 when there
 * is none. */
int rf_depth_range(const rf_image *depth, float share, float *low, float *high);

#endif
