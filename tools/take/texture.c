/* texture.c - see texture.h. */
#include "texture.h"

#include <math.h>

static inline uint32_t lattice(int x, int y, uint32_t seed)
{
    uint32_t h = (uint32_t)x * 0x9e3779b1u ^ (uint32_t)y * 0x85ebca77u ^ seed * 0xc2b2ae3du;
    h = (h ^ (h >> 15)) * 0x2c1b3c6du;
    h = (h ^ (h >> 12)) * 0x297a2d39u;
    return h ^ (h >> 15);
}

/* One of 16 directions, dotted with (x, y). */
static inline float gradient(uint32_t hash, float x, float y)
{
    static const float direction[16][2] = {
        {1, 0},  {0.9239f, 0.3827f},   {0.7071f, 0.7071f},   {0.3827f, 0.9239f},
        {0, 1},  {-0.3827f, 0.9239f},  {-0.7071f, 0.7071f},  {-0.9239f, 0.3827f},
        {-1, 0}, {-0.9239f, -0.3827f}, {-0.7071f, -0.7071f}, {-0.3827f, -0.9239f},
        {0, -1}, {0.3827f, -0.9239f},  {0.7071f, -0.7071f},  {0.9239f, -0.3827f},
    };
    const float *g = direction[hash & 15];
    return g[0] * x + g[1] * y;
}

float take_noise(float x, float y, uint32_t seed)
{
    float fx = floorf(x), fy = floorf(y);
    int ix = (int)fx, iy = (int)fy;
    float u = x - fx, v = y - fy;
    float su = u * u * u * (u * (u * 6 - 15) + 10), sv = v * v * v * (v * (v * 6 - 15) + 10);
    float a = gradient(lattice(ix, iy, seed), u, v), b = gradient(lattice(ix + 1, iy, seed), u - 1, v);
    float c = gradient(lattice(ix, iy + 1, seed), u, v - 1), d = gradient(lattice(ix + 1, iy + 1, seed), u - 1, v - 1);
    float top = a + (b - a) * su, bottom = c + (d - c) * su;
    return 1.5f * (top + (bottom - top) * sv);
}

float take_fractal(float x, float y, float octaves, float gain, uint32_t seed)
{
    float sum = 0, amplitude = 1, total = 0;
    for (float left = octaves; left > 0; left -= 1) {
        float share = left < 1 ? left : 1;
        sum += share * amplitude * take_noise(x, y, seed);
        total += amplitude * amplitude;
        amplitude *= gain;
        /* doubled and turned, so that lattice directions do not line up */
        float nx = 1.6f * x - 1.2f * y + 17.3f, ny = 1.2f * x + 1.6f * y - 9.1f;
        x = nx;
        y = ny;
        seed += 0x68e31da4u;
    }
    return total > 0 ? sum / sqrtf(total) : 0;
}

static uint32_t cell_hash(int x, int y, int period_x, uint32_t seed)
{
    if (period_x > 0) {
        x %= period_x;
        if (x < 0)
            x += period_x;
    }
    return lattice(x, y, seed);
}

take_cell take_cells(float x, float y, float jitter, int period_x, uint32_t seed)
{
    float fx = floorf(x), fy = floorf(y);
    take_cell cell = {.nearest = 1e9f, .second = 1e9f};
    float second_x = 0, second_y = 0;
    for (int dy = -1; dy <= 1; dy++)
        for (int dx = -1; dx <= 1; dx++) {
            uint32_t id = cell_hash((int)fx + dx, (int)fy + dy, period_x, seed);
            float px = fx + (float)dx + 0.5f + jitter * ((float)(id & 0xffff) / 65536.0f - 0.5f);
            float py = fy + (float)dy + 0.5f + jitter * ((float)(id >> 16) / 65536.0f - 0.5f);
            float d2 = (x - px) * (x - px) + (y - py) * (y - py);
            if (d2 < cell.nearest) {
                cell.second = cell.nearest;
                second_x = cell.at_x;
                second_y = cell.at_y;
                cell.nearest = d2;
                cell.at_x = px;
                cell.at_y = py;
                cell.id = id;
            } else if (d2 < cell.second) {
                cell.second = d2;
                second_x = px;
                second_y = py;
            }
        }
    float ax = second_x - cell.at_x, ay = second_y - cell.at_y;
    float apart = sqrtf(ax * ax + ay * ay);
    cell.border = apart > 1e-6f ? (cell.second - cell.nearest) / (2 * apart) : 0;
    cell.to_x = x - cell.at_x;
    cell.to_y = y - cell.at_y;
    cell.nearest = sqrtf(cell.nearest);
    cell.second = sqrtf(cell.second);
    return cell;
}

float take_cell_value(uint32_t id, uint32_t which)
{
    return (float)(lattice((int)id, (int)which, 0x5bd1e995u) >> 8) / 16777216.0f;
}
