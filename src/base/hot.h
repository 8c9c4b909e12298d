/* hot.h - marks a loop that is worth a wider instruction set: compiled twice, chosen when the program is loaded.
 *
 * Both versions do the same operations in the same order (-ffp-contract=off), so they give the same bytes; the release
 * build itself asks for no more than the base instruction set. */
#ifndef RF_HOT_H
#define RF_HOT_H

#if defined(__x86_64__) && defined(__GLIBC__) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__) &&    \
    !defined(__clang__)
#define RF_HOT __attribute__((target_clones("avx2", "default")))
#else
#define RF_HOT
#endif

/* A part of such a loop: must become part of both versions of its caller. */
#if defined(__GNUC__)
#define RF_HOT_PART static inline __attribute__((always_inline))
#else
#define RF_HOT_PART static inline
#endif

#endif
