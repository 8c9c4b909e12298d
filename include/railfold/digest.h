/* digest.h - SHA-256 (FIPS 180-4), so that a report can say which bytes went in and came out. */
#ifndef RF_DIGEST_H
#define RF_DIGEST_H

#include <stddef.h>
#include <stdint.h>

enum { RF_SHA256_BYTES = 32, RF_SHA256_TEXT_BYTES = 65 };

typedef struct rf_sha256 {
    uint32_t state[8];
    uint64_t bytes;    /* so far */
    uint8_t block[64]; /* the last, unfinished one */
} rf_sha256;

/* Begin, add any number of times, end once. Uses the processor's own instructions where it has them. */
void rf_sha256_begin(rf_sha256 *sha);
void rf_sha256_add(rf_sha256 *sha, const void *data, size_t bytes);
void rf_sha256_end(rf_sha256 *sha, uint8_t digest[RF_SHA256_BYTES]);

/* 64 hexadecimal digits and NUL. */
void rf_sha256_text(const uint8_t digest[RF_SHA256_BYTES], char text[RF_SHA256_TEXT_BYTES]);

#endif
