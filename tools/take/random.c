/* random.c - see random.h. */
#include "random.h"

#include <math.h>

take_random take_random_start(uint64_t seed, const char *purpose)
{
    uint64_t state = take_hash(seed);
    for (; *purpose != '\0'; purpose++)
        state = take_hash(state ^ (uint64_t)(unsigned char)*purpose);
    return (take_random){state};
}

uint64_t take_random_bits(take_random *random)
{
    uint64_t bits = take_hash(random->state);
    random->state += 0x9e3779b97f4a7c15u;
    return bits;
}

double take_random_uniform(take_random *random)
{
    return (double)(take_random_bits(random) >> 11) * 0x1p-53;
}

float take_random_between(take_random *random, float low, float high)
{
    return low + (high - low) * (float)take_random_uniform(random);
}

int take_random_below(take_random *random, int limit)
{
    return (int)(take_random_uniform(random) * limit);
}

/* Sum of twelve uniforms: mean 6, variance 1, no function whose last bit could differ. */
double take_random_normal(take_random *random)
{
    double sum = -6;
    for (int i = 0; i < 12; i++)
        sum += take_random_uniform(random);
    return sum;
}

/* Integrates the normal density from the centre outwards in steps of 1/512 standard deviation and inverts it. */
void take_normal_table(float table[1 << TAKE_NORMAL_BITS])
{
    const int half = 1 << (TAKE_NORMAL_BITS - 1);
    const double step = 1.0 / 512;
    double area = 0, x = 0, density = 0.39894228040143267794; /* 1 / sqrt(2 pi) */
    double variance = 0;
    for (int i = 0; i < half; i++) {
        double wanted = (i + 0.5) / (2.0 * half);
        for (;;) {
            /* d/dx exp(-x^2/2) = -x exp(-x^2/2), by the midpoint rule */
            double middle = density * (1 - x * step / 2), next = density - (x + step / 2) * middle * step;
            double gain = (density + next) / 2 * step;
            if (area + gain >= wanted) {
                double value = x + step * (wanted - area) / gain;
                table[half + i] = (float)value;
                table[half - 1 - i] = (float)-value;
                variance += value * value;
                break;
            }
            area += gain;
            density = next;
            x += step;
        }
    }
    float unit = (float)(1 / sqrt(variance / half));
    for (int i = 0; i < 2 * half; i++)
        table[i] *= unit;
}
