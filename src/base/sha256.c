/* sha256.c - SHA-256 (FIPS 180-4, sections 4.1.2, 5 and 6.2), in plain C and with the SHA instructions of x86. */
#include "railfold/digest.h"

#include <string.h>

#if defined(__x86_64__) && defined(__GNUC__)
#define HAVE_SHA_INSTRUCTIONS 1
#include <cpuid.h>
#include <immintrin.h>
#endif

/* Cube roots of the first 64 primes, 32 bits of each fraction (FIPS 180-4, 4.2.2). */
static const uint32_t round_constants[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

static uint32_t turn(uint32_t x, int bits)
{
    return x >> bits | x << (32 - bits);
}

static void schedule(uint32_t w[64], const uint8_t *block)
{
    for (int i = 0; i < 16; i++)
        w[i] = (uint32_t)block[4 * i] << 24 | (uint32_t)block[4 * i + 1] << 16 | (uint32_t)block[4 * i + 2] << 8 |
               block[4 * i + 3];
    for (int i = 16; i < 64; i++) {
        uint32_t a = turn(w[i - 15], 7) ^ turn(w[i - 15], 18) ^ w[i - 15] >> 3;
        uint32_t b = turn(w[i - 2], 17) ^ turn(w[i - 2], 19) ^ w[i - 2] >> 10;
        w[i] = w[i - 16] + a + w[i - 7] + b;
    }
}

/* One round on s[first], s[first + 1] ... taken round: the names turn where the standard moves the values. */
static void do_round(uint32_t s[8], int first, uint32_t sum)
{
    uint32_t a = s[first & 7], b = s[(first + 1) & 7], c = s[(first + 2) & 7];
    uint32_t e = s[(first + 4) & 7], f = s[(first + 5) & 7], g = s[(first + 6) & 7];
    uint32_t t = s[(first + 7) & 7] + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + sum;
    s[(first + 3) & 7] += t;
    s[(first + 7) & 7] = t + (turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c));
}

static void take_blocks_plain(uint32_t state[8], const uint8_t *data, size_t blocks)
{
    for (; blocks > 0; blocks--, data += 64) {
        uint32_t w[64], s[8];
        schedule(w, data);
        memcpy(s, state, sizeof s);
        for (int i = 0; i < 64; i += 8)
            for (int k = 0; k < 8; k++)
                do_round(s, 8 - k, round_constants[i + k] + w[i + k]);
        for (int i = 0; i < 8; i++)
            state[i] += s[i];
    }
}

#if HAVE_SHA_INSTRUCTIONS

static int has_sha_instructions(void)
{
    unsigned a, b, c, d;
    if (!__get_cpuid_count(7, 0, &a, &b, &c, &d) || (b >> 29 & 1) == 0)
        return 0;
    return __get_cpuid(1, &a, &b, &c, &d) && (c >> 19 & 1) != 0 && (c >> 9 & 1) != 0; /* SSE4.1 and SSSE3 */
}

/* The instructions keep the state as ABEF and CDGH and do two rounds at a time on words of the schedule, which they
 * make four at a time (Intel SDM, SHA256RNDS2, SHA256MSG1, SHA256MSG2). */
__attribute__((target("sha,sse4.1,ssse3"))) static void take_blocks_fast(uint32_t state[8], const uint8_t *data,
                                                                         size_t blocks)
{
    const __m128i turned = _mm_set_epi64x(0x0c0d0e0f08090a0b, 0x0405060700010203);
    __m128i low = _mm_shuffle_epi32(_mm_loadu_si128((const __m128i *)(const void *)state), 0xb1);
    __m128i high = _mm_shuffle_epi32(_mm_loadu_si128((const __m128i *)(const void *)(state + 4)), 0x1b);
    __m128i abef = _mm_alignr_epi8(low, high, 8), cdgh = _mm_blend_epi16(high, low, 0xf0);
    for (; blocks > 0; blocks--, data += 64) {
        __m128i abef_before = abef, cdgh_before = cdgh, w[4];
        for (int i = 0; i < 4; i++)
            w[i] = _mm_shuffle_epi8(_mm_loadu_si128((const __m128i *)(const void *)(data + 16 * i)), turned);
        for (int i = 0; i < 16; i++) {
            __m128i now = w[i % 4];
            __m128i sum = _mm_add_epi32(now, _mm_loadu_si128((const __m128i *)(const void *)(round_constants + 4 * i)));
            cdgh = _mm_sha256rnds2_epu32(cdgh, abef, sum);
            abef = _mm_sha256rnds2_epu32(abef, cdgh, _mm_shuffle_epi32(sum, 0x0e));
            __m128i next = _mm_sha256msg1_epu32(now, w[(i + 1) % 4]);
            next = _mm_add_epi32(next, _mm_alignr_epi8(w[(i + 3) % 4], w[(i + 2) % 4], 4));
            w[i % 4] = _mm_sha256msg2_epu32(next, w[(i + 3) % 4]);
        }
        abef = _mm_add_epi32(abef, abef_before);
        cdgh = _mm_add_epi32(cdgh, cdgh_before);
    }
    low = _mm_shuffle_epi32(abef, 0x1b);
    high = _mm_shuffle_epi32(cdgh, 0xb1);
    _mm_storeu_si128((__m128i *)(void *)state, _mm_blend_epi16(low, high, 0xf0));
    _mm_storeu_si128((__m128i *)(void *)(state + 4), _mm_alignr_epi8(high, low, 8));
}

#endif

static void take_blocks(uint32_t state[8], const uint8_t *data, size_t blocks)
{
#if HAVE_SHA_INSTRUCTIONS
    if (has_sha_instructions()) {
        take_blocks_fast(state, data, blocks);
        return;
    }
#endif
    take_blocks_plain(state, data, blocks);
}

void rf_sha256_begin(rf_sha256 *sha)
{
    static const uint32_t first[8] = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a,
                                      0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};
    *sha = (rf_sha256){.bytes = 0};
    memcpy(sha->state, first, sizeof first);
}

void rf_sha256_add(rf_sha256 *sha, const void *data, size_t bytes)
{
    const uint8_t *from = data;
    size_t held = sha->bytes % 64;
    sha->bytes += bytes;
    if (held > 0) {
        size_t some = bytes < 64 - held ? bytes : 64 - held;
        memcpy(sha->block + held, from, some);
        if (held + some < 64)
            return;
        take_blocks(sha->state, sha->block, 1);
        from += some;
        bytes -= some;
    }
    take_blocks(sha->state, from, bytes / 64);
    if (bytes % 64 > 0)
        memcpy(sha->block, from + bytes / 64 * 64, bytes % 64);
}

void rf_sha256_end(rf_sha256 *sha, uint8_t digest[RF_SHA256_BYTES])
{
    uint8_t tail[72] = {0x80};
    uint64_t bits = sha->bytes * 8;
    size_t zeros = (size_t)((119 - sha->bytes % 64) % 64); /* so that one, zeros and eight bytes fill the block */
    for (int i = 0; i < 8; i++)
        tail[1 + zeros + (size_t)i] = (uint8_t)(bits >> (56 - 8 * i));
    rf_sha256_add(sha, tail, 1 + zeros + 8);
    for (int i = 0; i < RF_SHA256_BYTES; i++)
        digest[i] = (uint8_t)(sha->state[i / 4] >> (24 - 8 * (i % 4)));
}

void rf_sha256_text(const uint8_t digest[RF_SHA256_BYTES], char text[RF_SHA256_TEXT_BYTES])
{
    static const char digits[] = "0123456789abcdef";
    for (int i = 0; i < RF_SHA256_BYTES; i++) {
        text[2 * i] = digits[digest[i] >> 4];
        text[2 * i + 1] = digits[digest[i] & 15];
    }
    text[2 * RF_SHA256_BYTES] = '\0';
}
