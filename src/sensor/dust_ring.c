/* dust_ring.c - the surroundings of a suspect: a quadratic through a ring around it, and the crop less that. */
#include <math.h>
#include <string.h>

#include "base/hot.h"
#include "faults.h"

enum { TERMS = DUST_RING_TERMS };

int rf_dust_solve(int n, double m[TERMS][TERMS + 1], double *x)
{
    for (int i = 0; i < n; i++) {
        int pivot = i;
        for (int r = i + 1; r < n; r++)
            if (fabs(m[r][i]) > fabs(m[pivot][i]))
                pivot = r;
        if (fabs(m[pivot][i]) < 1e-12)
            return 0;
        for (int c = 0; c <= n; c++) {
            double keep = m[i][c];
            m[i][c] = m[pivot][c], m[pivot][c] = keep;
        }
        for (int r = i + 1; r < n; r++)
            for (int c = n; c >= i; c--)
                m[r][c] -= m[i][c] * m[r][i] / m[i][i];
    }
    for (int i = n - 1; i >= 0; i--) {
        x[i] = m[i][n];
        for (int c = i + 1; c < n; c++)
            x[i] -= m[i][c] * x[c];
        x[i] /= m[i][i];
    }
    return 1;
}

static void terms_of(const dust_ring *ring, int at, double term[TERMS])
{
    double u = (double)((float)(at % DUST_SIDE - DUST_REACH) - ring->x) / DUST_REACH;
    double v = (double)((float)(at / DUST_SIDE - DUST_REACH) - ring->y) / DUST_REACH;
    term[0] = 1, term[1] = u, term[2] = v, term[3] = u * u, term[4] = u * v, term[5] = v * v;
}

int rf_dust_ring_find(dust_ring *ring, const float *crop, float x, float y, float from, float to)
{
    double term[TERMS];
    int all = 0;
    memset(ring, 0, sizeof *ring);
    ring->x = x;
    ring->y = y;
    for (int at = 0; at < DUST_AREA; at++) {
        float across = (float)(at % DUST_SIDE - DUST_REACH) - x, down = (float)(at / DUST_SIDE - DUST_REACH) - y;
        float distance = sqrtf(across * across + down * down);
        if (distance < from || distance > to)
            continue;
        all++;
        if (isnan(crop[at]))
            continue;
        ring->at[ring->count++] = (uint16_t)at;
        terms_of(ring, at, term);
        for (int r = 0; r < TERMS; r++)
            for (int c = r; c < TERMS; c++)
                ring->matrix[r][c] += term[r] * term[c];
    }
    for (int r = 0; r < TERMS; r++)
        for (int c = 0; c < r; c++)
            ring->matrix[r][c] = ring->matrix[c][r];
    return 2 * ring->count >= all;
}

/* One row of the crop less the quadratic q; out of the picture 0. */
RF_HOT static void level_row(const float *restrict crop, float *restrict rest, const double q[TERMS], double v,
                             double middle)
{
    double c0 = q[0] + v * (q[2] + v * q[5]), c1 = q[1] + v * q[4], c2 = q[3];
    for (int i = 0; i < DUST_SIDE; i++) {
        double u = ((double)(i - DUST_REACH) - middle) * (1.0 / DUST_REACH);
        float left = crop[i] - (float)(c0 + u * (c1 + u * c2));
        rest[i] = left == left ? left : 0.0f;
    }
}

int rf_dust_ring_level(const dust_ring *ring, const float *crop, float *rest, float *spread)
{
    double m[TERMS][TERMS + 1], term[TERMS], q[TERMS], square = 0;
    for (int r = 0; r < TERMS; r++) {
        memcpy(m[r], ring->matrix[r], sizeof ring->matrix[r]);
        m[r][TERMS] = 0;
    }
    for (int i = 0; i < ring->count; i++) {
        terms_of(ring, ring->at[i], term);
        for (int r = 0; r < TERMS; r++)
            m[r][TERMS] += term[r] * (double)crop[ring->at[i]];
    }
    if (!rf_dust_solve(TERMS, m, q))
        return 0;
    for (int y = 0; y < DUST_SIDE; y++)
        level_row(crop + y * DUST_SIDE, rest + y * DUST_SIDE, q,
                  (double)((float)(y - DUST_REACH) - ring->y) / DUST_REACH, (double)ring->x);
    for (int i = 0; i < ring->count; i++)
        square += (double)rest[ring->at[i]] * (double)rest[ring->at[i]];
    *spread = (float)sqrt(square / ring->count);
    return 1;
}
