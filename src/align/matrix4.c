/* matrix4.c - Cholesky on four unknowns. */
#include "matrix4.h"

#include <math.h>

int rf_factor4(double m[RF_N4][RF_N4])
{
    for (int c = 0; c < RF_N4; c++)
        for (int r = c; r < RF_N4; r++) {
            double sum = m[r][c];
            for (int k = 0; k < c; k++)
                sum -= m[r][k] * m[c][k];
            if (r == c) {
                if (!(sum > 0))
                    return 0;
                m[c][c] = sqrt(sum);
            } else {
                m[r][c] = sum / m[c][c];
            }
        }
    for (int r = 0; r < RF_N4; r++)
        for (int c = r + 1; c < RF_N4; c++)
            m[r][c] = 0;
    return 1;
}

void rf_solve4(double l[RF_N4][RF_N4], double v[RF_N4])
{
    for (int r = 0; r < RF_N4; r++) {
        for (int k = 0; k < r; k++)
            v[r] -= l[r][k] * v[k];
        v[r] /= l[r][r];
    }
    for (int r = RF_N4 - 1; r >= 0; r--) {
        for (int k = r + 1; k < RF_N4; k++)
            v[r] -= l[k][r] * v[k];
        v[r] /= l[r][r];
    }
}

void rf_invert4(double out[RF_N4][RF_N4], double l[RF_N4][RF_N4])
{
    for (int c = 0; c < RF_N4; c++) {
        double x[RF_N4] = {0};
        x[c] = 1;
        rf_solve4(l, x);
        for (int r = 0; r < RF_N4; r++)
            out[r][c] = x[r];
    }
}
