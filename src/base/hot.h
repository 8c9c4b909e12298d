/* hot.h - marks a loop that is worth a wider instruction set: compiled for more than one, chosen when the program is
 * loaded.
 *
 * All versions do the same operations in the same order (-ffp-contract=off), so they give the same bytes; the release
 * build itself asks for no more than the base instruction set. */
#ifndef RF_HOT_H
#define RF_HOT_H

#if defined(__x86_64__) && defined(__GLIBC__) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__) &&    \
    !defined(__clang__)
#define RF_HOT_256 __attribute__((target_clones("avx2", "default")))
#if __GNUC__ >= 12
#define RF_HOT __attribute__((target_clones("arch=x86-64-v4", "avx2", "default")))
#else
#define RF_HOT RF_HOT_256
#endif
#else
#define RF_HOT_256 /* a loop that registers of more than 256 bits slow down: shuffles, short runs */
#define RF_HOT
#endif

/* A part of such a loop: must become part of every version of its caller. */
#if defined(__GNUC__)
#define RF_HOT_PART static inline __attribute__((always_inline))
#else
#define RF_HOT_PART static inline
#endif

/* Four or eight floats in a register or two, for loops whose sums the compiler would keep in memory (an extension of
 * gcc and clang; element by element the same operations as the plain loop). */
typedef float rf_f8 __attribute__((vector_size(32)));
typedef float rf_f4 __attribute__((vector_size(16)));
typedef int rf_i8 __attribute__((vector_size(32))); /* what comparing two rf_f8 gives: all bits or none */
#define rf_load_f8(from) (*(const rf_f8_anywhere *)(from))
#define rf_store_f8(to, value) (*(rf_f8_anywhere *)(to) = (value))
typedef float rf_f8_anywhere __attribute__((vector_size(32), aligned(4), may_alias));
typedef float rf_f4_anywhere __attribute__((vector_size(16), aligned(4), may_alias));
#define rf_load_f4(from) (*(const rf_f4_anywhere *)(from))
#define rf_store_f4(to, value) (*(rf_f4_anywhere *)(to) = (value))

#endif
