/* canopy.c - see canopy.h. */
#include "canopy.h"

#include "railfold/memory.h"

rf_status canopy_make(canopy *self, vec3 low, vec3 high, rf_error *err)
{
    const float side = CANOPY_BOX_UNITS;
    *self = (canopy){.x0 = low.x, .y0 = low.y, .z0 = low.z};
    self->nx = (int)ceilf((high.x - low.x) / side) + 2;
    self->ny = (int)ceilf((high.y - low.y) / side) + 2;
    self->nz = (int)ceilf((high.z - low.z) / side) + 2;
    return rf_alloc(&self->area, (size_t)self->nx * (size_t)self->ny * (size_t)self->nz, sizeof *self->area,
                    "the canopy", err);
}

void canopy_free(canopy *self)
{
    rf_free(self->area);
    *self = (canopy){0};
}

static inline float *box_at(const canopy *self, int x, int y, int z)
{
    return self->area + ((size_t)z * (size_t)self->ny + (size_t)y) * (size_t)self->nx + (size_t)x;
}

/* The box below a place, and the place's position in it; 0 when outside. */
static int locate(const canopy *self, vec3 at, int box[3], float part[3])
{
    const float side = CANOPY_BOX_UNITS;
    float p[3] = {(at.x - self->x0) / side, (at.y - self->y0) / side, (at.z - self->z0) / side};
    int n[3] = {self->nx, self->ny, self->nz};
    for (int i = 0; i < 3; i++) {
        if (!(p[i] >= 0 && p[i] < (float)(n[i] - 1)))
            return 0;
        box[i] = (int)p[i];
        part[i] = p[i] - (float)box[i];
    }
    return 1;
}

void canopy_add(canopy *self, vec3 at, float area)
{
    int b[3];
    float t[3];
    if (!locate(self, at, b, t))
        return;
    area /= (float)(CANOPY_BOX_UNITS * CANOPY_BOX_UNITS);
    for (int corner = 0; corner < 8; corner++) {
        int i = corner & 1, j = corner >> 1 & 1, k = corner >> 2;
        *box_at(self, b[0] + i, b[1] + j, b[2] + k) +=
            area * (i ? t[0] : 1 - t[0]) * (j ? t[1] : 1 - t[1]) * (k ? t[2] : 1 - t[2]);
    }
}

static float density(const canopy *self, vec3 at)
{
    int b[3];
    float t[3], sum = 0;
    if (!locate(self, at, b, t))
        return 0;
    for (int k = 0; k < 2; k++)
        for (int j = 0; j < 2; j++) {
            const float *row = box_at(self, b[0], b[1] + j, b[2] + k);
            sum += mixf(row[0], row[1], t[0]) * (j ? t[1] : 1 - t[1]) * (k ? t[2] : 1 - t[2]);
        }
    return sum;
}

float canopy_through(const canopy *self, vec3 at, vec3 direction, float skip, float reach)
{
    const float side = CANOPY_BOX_UNITS;
    float thickness = 0;
    if (self->area == NULL)
        return 1;
    for (float along = skip; along < reach; along += side)
        thickness += density(self, v3_add(at, v3_scale(direction, along)));
    return take_exp(-0.6f *
                    thickness); /* 0.6: mean projection of leaves that lie every way (0.5) and their width in boxes */
}

float canopy_room(const canopy *self, vec3 at)
{
    static const vec3 ways[5] = {
        {0, 0, -1}, {-0.6f, -0.5f, -0.62f}, {0.6f, -0.5f, -0.62f}, {0, -0.95f, -0.3f}, {0, 0.7f, -0.71f}};
    float sum = 0;
    for (int i = 0; i < 5; i++)
        sum += canopy_through(self, at, ways[i], 4, 60);
    return sum / 5;
}
