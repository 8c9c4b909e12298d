/* matrix4.h - symmetric positive 4 x 4 matrices: the unknowns of one pair. */
#ifndef RF_ALIGN_MATRIX4_H
#define RF_ALIGN_MATRIX4_H

enum { RF_N4 = 4 };

/* Replaces m by its lower Cholesky factor L (m = L L^T); 0 when m is not positive. */
int rf_factor4(double m[RF_N4][RF_N4]);

/* v := inverse of (L L^T) times v. */
void rf_solve4(double l[RF_N4][RF_N4], double v[RF_N4]);

/* out := inverse of L L^T. */
void rf_invert4(double out[RF_N4][RF_N4], double l[RF_N4][RF_N4]);

#endif
