/* band.c - banded Cholesky; the textbook form (Golub & Van Loan, Matrix Computations, section on banded systems). */
#include "band.h"

#include <math.h>
#include <string.h>

#include "railfold/memory.h"

rf_status rf_band_alloc(rf_band *band, int size, int width, rf_error *err)
{
    rf_status status;
    *band = (rf_band){.size = size, .width = width};
    RF_TRY(rf_alloc(&band->rows, (size_t)size * (size_t)width, sizeof *band->rows, "the rail's equations", err));
    RF_TRY(rf_alloc(&band->right, (size_t)size, sizeof *band->right, "the rail's equations", err));
    return RF_OK;
done:
    rf_band_free(band);
    return status;
}

void rf_band_free(rf_band *band)
{
    rf_free(band->rows);
    rf_free(band->right);
    memset(band, 0, sizeof *band);
}

void rf_band_clear(rf_band *band)
{
    memset(band->rows, 0, (size_t)band->size * (size_t)band->width * sizeof *band->rows);
    memset(band->right, 0, (size_t)band->size * sizeof *band->right);
}

void rf_band_add(rf_band *band, const int *at, const double *coefficient, int count, double value, double weight)
{
    for (int i = 0; i < count; i++) {
        double w = weight * coefficient[i];
        band->right[at[i]] += w * value;
        for (int j = 0; j < count; j++)
            if (at[j] <= at[i])
                band->rows[at[i] * band->width + at[i] - at[j]] += w * coefficient[j];
    }
}

int rf_band_solve(rf_band *band)
{
    int n = band->size, width = band->width;
    double *x = band->right;
    for (int r = 0; r < n; r++) {
        double *row = band->rows + r * width;
        int first = r - width + 1 > 0 ? r - width + 1 : 0;
        for (int c = first; c <= r; c++) {
            double *other = band->rows + c * width, sum = row[r - c];
            int from = c - width + 1 > first ? c - width + 1 : first;
            for (int k = from; k < c; k++)
                sum -= row[r - k] * other[c - k];
            if (c < r)
                row[r - c] = sum / other[0];
            else if (sum > 0)
                row[0] = sqrt(sum);
            else
                return 0;
        }
    }
    for (int r = 0; r < n; r++) {
        for (int k = 1; k < width && k <= r; k++)
            x[r] -= band->rows[r * width + k] * x[r - k];
        x[r] /= band->rows[r * width];
    }
    for (int r = n - 1; r >= 0; r--) {
        for (int k = 1; k < width && r + k < n; k++)
            x[r] -= band->rows[(r + k) * width + k] * x[r + k];
        x[r] /= band->rows[r * width];
    }
    return 1;
}
