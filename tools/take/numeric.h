/* numeric.h - elementary functions and small vectors that give the same bits on every machine.
 *
 * Only + - * / and sqrt are used, which IEEE 754 rounds exactly; the C library's exp, log, sin and pow may differ in
 * the last bit from one system to the next, and a take must have the same bytes everywhere. Polynomials: Taylor series
 * on a reduced range, good to about 1e-7 (relative), ample for making pictures. */
#ifndef TAKE_NUMERIC_H
#define TAKE_NUMERIC_H

#include <math.h>
#include <stdint.h>
#include <string.h>

#define TAKE_PI 3.14159265358979323846

typedef struct vec3 {
    float x, y, z;
} vec3;

double take_sin(double angle_rad);
double take_cos(double angle_rad);
float take_exp2(float x); /* -126..126, clipped outside */
float take_log2(float x); /* x > 0 */

/* sRGB transfer function, IEC 61966-2-1:1999, linear 0..1 (clipped) to coded 0..1. */
float take_coded_from_linear(float linear);
float take_linear_from_coded(float coded);

static inline float take_exp(float x)
{
    return take_exp2(x * 1.44269504f);
}
static inline float take_pow(float base, float exponent)
{
    return base <= 0 ? 0 : take_exp2(exponent * take_log2(base));
}
static inline float minf(float a, float b)
{
    return a < b ? a : b;
}
static inline float maxf(float a, float b)
{
    return a > b ? a : b;
}
static inline float clampf(float x, float low, float high)
{
    return x < low ? low : x > high ? high : x;
}
static inline float mixf(float a, float b, float t)
{
    return a + (b - a) * t;
}
static inline float smoothstep(float low, float high, float x)
{
    float t = clampf((x - low) / (high - low), 0, 1);
    return t * t * (3 - 2 * t);
}
static inline vec3 v3(float x, float y, float z)
{
    return (vec3){x, y, z};
}
static inline vec3 v3_add(vec3 a, vec3 b)
{
    return v3(a.x + b.x, a.y + b.y, a.z + b.z);
}
static inline vec3 v3_sub(vec3 a, vec3 b)
{
    return v3(a.x - b.x, a.y - b.y, a.z - b.z);
}
static inline vec3 v3_scale(vec3 a, float s)
{
    return v3(a.x * s, a.y * s, a.z * s);
}
static inline vec3 v3_mul(vec3 a, vec3 b)
{
    return v3(a.x * b.x, a.y * b.y, a.z * b.z);
}
static inline vec3 v3_mix(vec3 a, vec3 b, float t)
{
    return v3_add(a, v3_scale(v3_sub(b, a), t));
}
static inline float v3_dot(vec3 a, vec3 b)
{
    return a.x * b.x + a.y * b.y + a.z * b.z;
}
static inline vec3 v3_cross(vec3 a, vec3 b)
{
    return v3(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x);
}
static inline float v3_length(vec3 a)
{
    return sqrtf(v3_dot(a, a));
}
static inline vec3 v3_unit(vec3 a)
{
    float length = v3_length(a);
    return length > 1e-12f ? v3_scale(a, 1 / length) : v3(0, 0, -1);
}

#endif
