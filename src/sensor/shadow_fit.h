/* shadow_fit.h - the model of a shadow: its parts, and what the pairs make of them (private to the sensor module). */
#ifndef RF_SHADOW_FIT_H
#define RF_SHADOW_FIT_H

#include "shadow.h"

enum { KNOTS = SHADOW_KNOTS };
extern const float rf_shadow_at[KNOTS + 1]; /* radii of the knots; from the last one on there is no shadow */

typedef struct shadow_fit {
    rf_shadow *shadow;
    int left, top, side;                               /* window, working pixels */
    float x, y, radius;                                /* working pixels */
    double dx[RF_SHADOW_FRAMES], dy[RF_SHADOW_FRAMES]; /* shift of each pair at the middle */
    double ux[RF_SHADOW_FRAMES], uy[RF_SHADOW_FRAMES]; /* minus that, its mean over the run taken off, whitened */
    float *part, *slope_x, *slope_y, *scratch;         /* KNOTS * side * side; scratch side * side */
    double depth[KNOTS];                               /* at the knots, log luma lost */
} shadow_fit;

static inline size_t rf_fit_area(const shadow_fit *f)
{
    return (size_t)f->side * (size_t)f->side;
}

/* What knot b contributes at d radii. */
float rf_fit_hat(int b, float d);
/* Each knot's part over the window, smoothed as the frames were. */
void rf_fit_draw(shadow_fit *f);
/* Slopes by central differences: right for small shifts, and quick. */
void rf_fit_slopes_small(shadow_fit *f);
/* Slopes as the pairs' true shifts would give them. */
void rf_fit_slopes_true(shadow_fit *f);
/* Shifts at the spot, and the whitened regressors: their products with the changes of a plane are its slopes. 0 when
 * the picture hardly moved. */
int rf_fit_settle_shifts(shadow_fit *f);

#endif
