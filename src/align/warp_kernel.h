/* warp_kernel.h - the six weights of warp.h, and which poses take which way (private to the align module). */
#ifndef RF_WARP_KERNEL_H
#define RF_WARP_KERNEL_H

/* w[n] = f (1 - f) (q0 + q1 g + q2 g^2 + q3 g^3), g = f - 1/2, for taps 0..2, mirrored for 5..3; tap 2 has 1 - f and
 * tap 3 has f besides. From the least-squares design named in warp.h. */
static const float RF_WARP_KERNEL[3][4] = {{0.137616431f, -0.049791465f, -0.082524545f, 0.028928517f},
                                           {-0.588815813f, 0.371383143f, 0.196078526f, -0.114644586f},
                                           {0.451199382f, -0.873487833f, -0.113553981f, 0.20497636f}};

typedef struct rf_six {
    float w[6];
} rf_six;

static inline rf_six rf_warp_six(float f)
{
    rf_six out;
    float g = f - 0.5f, g2 = g * g, p = f - f * f;
    for (int n = 0; n < 3; n++) {
        const float *q = RF_WARP_KERNEL[n];
        float even = q[0] + q[2] * g2, odd = (q[1] + q[3] * g2) * g;
        out.w[n] = p * (even + odd);
        out.w[5 - n] = p * (even - odd);
    }
    out.w[2] += 1 - f;
    out.w[3] += f;
    return out;
}

#endif
