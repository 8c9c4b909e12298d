/* band.h - a symmetric positive banded system, solved by Cholesky's factors. */
#ifndef RF_ALIGN_BAND_H
#define RF_ALIGN_BAND_H

#include "railfold/status.h"

typedef struct rf_band {
    int size, width; /* unknowns; entries kept of each row, the diagonal first */
    double *rows;    /* rows[r * width + k]: element (r, r - k) */
    double *right;   /* right-hand side, then the solution */
} rf_band;

rf_status rf_band_alloc(rf_band *band, int size, int width, rf_error *err) RF_CHECKED;
void rf_band_free(rf_band *band);
void rf_band_clear(rf_band *band);

/* Adds the squared residual weight * (sum coefficient[i] * x[at[i]] - value)^2. */
void rf_band_add(rf_band *band, const int *at, const double *coefficient, int count, double value, double weight);

/* In place; 0 when the system is singular. */
int rf_band_solve(rf_band *band);

#endif
