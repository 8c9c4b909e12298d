/* shadow_parts.c - see shadow_fit.h: the parts of a round shadow, and their slopes as seen through pairs of frames. */
#include "shadow_fit.h"

#include <math.h>
#include <string.h>

#include "faults.h"

const float rf_shadow_at[KNOTS + 1] = {0.0f, 0.3f, 0.6f, 0.9f, 1.2f, 1.6f, 2.0f, 2.5f};

float rf_fit_hat(int b, float d)
{
    if (d <= rf_shadow_at[b])
        return b == 0 ? 1.0f : fmaxf(0.0f, (d - rf_shadow_at[b - 1]) / (rf_shadow_at[b] - rf_shadow_at[b - 1]));
    return fmaxf(0.0f, (rf_shadow_at[b + 1] - d) / (rf_shadow_at[b + 1] - rf_shadow_at[b]));
}

static void smooth(const shadow_fit *f, float *plane)
{
    int n = f->side;
    for (int pass = 0; pass < 2; pass++) {
        int step = pass == 0 ? 1 : n;
        memcpy(f->scratch, plane, rf_fit_area(f) * sizeof *plane);
        for (int j = 2; j < n - 2; j++)
            for (int i = 2; i < n - 2; i++) {
                const float *in = f->scratch + j * n + i;
                plane[j * n + i] =
                    (in[-2 * step] + in[2 * step] + 4.0f * (in[-step] + in[step]) + 6.0f * in[0]) * (1.0f / 16.0f);
            }
    }
}

void rf_fit_draw(shadow_fit *f)
{
    for (int b = 0; b < KNOTS; b++) {
        float *part = f->part + (size_t)b * rf_fit_area(f);
        for (int j = 0; j < f->side; j++)
            for (int i = 0; i < f->side; i++)
                part[j * f->side + i] =
                    -rf_fit_hat(b, hypotf((float)(f->left + i) - f->x, (float)(f->top + j) - f->y) / f->radius);
        smooth(f, part);
    }
}

static float sample(const shadow_fit *f, const float *part, float x, float y)
{
    int i = rf_clamp_int((int)floorf(x), 0, f->side - 2), j = rf_clamp_int((int)floorf(y), 0, f->side - 2);
    float u = x - (float)i, v = y - (float)j;
    const float *p = part + j * f->side + i;
    if (u < 0.0f || v < 0.0f || u > 1.0f || v > 1.0f)
        return 0.0f;
    return (1.0f - v) * ((1.0f - u) * p[0] + u * p[1]) + v * ((1.0f - u) * p[f->side] + u * p[f->side + 1]);
}

void rf_fit_slopes_small(shadow_fit *f)
{
    int n = f->side;
    for (int b = 0; b < KNOTS; b++) {
        const float *p = f->part + (size_t)b * rf_fit_area(f);
        float *sx = f->slope_x + (size_t)b * rf_fit_area(f), *sy = f->slope_y + (size_t)b * rf_fit_area(f);
        for (int j = 1; j < n - 1; j++)
            for (int i = 1; i < n - 1; i++) {
                sx[j * n + i] = 0.5f * (p[j * n + i + 1] - p[j * n + i - 1]);
                sy[j * n + i] = 0.5f * (p[(j + 1) * n + i] - p[(j - 1) * n + i]);
            }
    }
}

void rf_fit_slopes_true(shadow_fit *f)
{
    int n = f->side, pairs = f->shadow->pair_count;
    for (int b = 0; b < KNOTS; b++) {
        const float *p = f->part + (size_t)b * rf_fit_area(f);
        float *sx = f->slope_x + (size_t)b * rf_fit_area(f), *sy = f->slope_y + (size_t)b * rf_fit_area(f);
        for (int j = 0; j < n; j++)
            for (int i = 0; i < n; i++) {
                double x = 0, y = 0;
                for (int k = 0; k < pairs; k++) {
                    double change = (double)(p[j * n + i] - sample(f, p, (float)(i + f->dx[k]), (float)(j + f->dy[k])));
                    x += f->ux[k] * change;
                    y += f->uy[k] * change;
                }
                sx[j * n + i] = (float)x;
                sy[j * n + i] = (float)y;
            }
    }
}

int rf_fit_settle_shifts(shadow_fit *f)
{
    const rf_shadow *s = f->shadow;
    double xx = 0, xy = 0, yy = 0;
    for (int r = 0; r < s->runs; r++) {
        int begin = s->run_begin[r], end = s->run_begin[r + 1];
        double mean_x = 0, mean_y = 0;
        for (int k = begin; k < end; k++) {
            const shadow_pair *p = &s->pairs[k];
            f->dx[k] = p->a * (double)f->x + p->b * (double)f->y + p->tx - (double)f->x;
            f->dy[k] = p->c * (double)f->x + p->d * (double)f->y + p->ty - (double)f->y;
            mean_x += f->dx[k] / (end - begin);
            mean_y += f->dy[k] / (end - begin);
        }
        for (int k = begin; k < end; k++) {
            f->ux[k] = mean_x - f->dx[k];
            f->uy[k] = mean_y - f->dy[k];
            xx += f->ux[k] * f->ux[k], xy += f->ux[k] * f->uy[k], yy += f->uy[k] * f->uy[k];
        }
    }
    double ridge = 1e-3 * (xx + yy) + 1e-12;
    xx += ridge, yy += ridge;
    double determinant = xx * yy - xy * xy;
    if (!(determinant > 0))
        return 0;
    for (int k = 0; k < s->pair_count; k++) {
        double x = f->ux[k], y = f->uy[k];
        f->ux[k] = (yy * x - xy * y) / determinant;
        f->uy[k] = (xx * y - xy * x) / determinant;
    }
    return 1;
}
