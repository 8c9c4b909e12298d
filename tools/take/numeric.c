/* numeric.c - see numeric.h. */
#include "numeric.h"

double take_sin(double angle_rad)
{
    double turns = floor(angle_rad / (2 * TAKE_PI) + 0.5);
    double x = angle_rad - turns * (2 * TAKE_PI);
    if (x > TAKE_PI / 2)
        x = TAKE_PI - x;
    if (x < -TAKE_PI / 2)
        x = -TAKE_PI - x;
    double s = x * x, term = x, sum = x;
    for (int n = 2; n <= 18; n += 2) {
        term *= -s / (n * (n + 1));
        sum += term;
    }
    return sum;
}

double take_cos(double angle_rad)
{
    return take_sin(angle_rad + TAKE_PI / 2);
}

float take_exp2(float x)
{
    x = clampf(x, -126, 126);
    float whole = floorf(x + 0.5f), t = (x - whole) * 0.693147181f; /* |t| <= 0.347 */
    float p =
        1 + t * (1 + t * (0.5f + t * (0.166666667f + t * (0.0416666667f + t * (0.00833333333f + t * 0.00138888889f)))));
    uint32_t bits = (uint32_t)((int32_t)whole + 127) << 23;
    float power;
    memcpy(&power, &bits, sizeof power);
    return p * power;
}

float take_log2(float x)
{
    uint32_t bits;
    memcpy(&bits, &x, sizeof bits);
    int32_t exponent = (int32_t)((bits >> 23) & 255) - 127;
    bits = (bits & 0x007fffffu) | 0x3f800000u;
    float m;
    memcpy(&m, &bits, sizeof m);
    if (m > 1.41421356f) {
        m *= 0.5f;
        exponent++;
    }
    /* ln m = 2 atanh((m - 1) / (m + 1)), argument within 0.172 */
    float a = (m - 1) / (m + 1), s = a * a;
    float ln = 2 * a * (1 + s * (0.333333333f + s * (0.2f + s * (0.142857143f + s * 0.111111111f))));
    return (float)exponent + ln * 1.44269504f;
}

float take_coded_from_linear(float linear)
{
    if (linear <= 0.0031308f)
        return linear <= 0 ? 0 : 12.92f * linear;
    return linear >= 1 ? 1 : 1.055f * take_pow(linear, 1 / 2.4f) - 0.055f;
}

float take_linear_from_coded(float coded)
{
    if (coded <= 0.04045f)
        return coded <= 0 ? 0 : coded / 12.92f;
    return coded >= 1 ? 1 : take_pow((coded + 0.055f) / 1.055f, 2.4f);
}
