/* pages.h - large blocks straight from the system, and their pages kept for the next one (private to the base module).
 *
 * A page that a program touches first costs an interrupt, a clearing and, on a virtual machine, a call of its host:
 * more than most loops then do with it. So pages are asked for by the block and not one by one as they are touched, and
 * those of freed blocks serve the next one: where they lie when that suffices, else moved under it (mremap), at the
 * price of their page table entries. */
#ifndef RF_PAGES_H
#define RF_PAGES_H

#include <stddef.h>

/* Whether blocks come from here; elsewhere the C library gives them. */
#if defined(__linux__) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define RF_PAGES 1
#else
#define RF_PAGES 0
#endif

/* A block of `bytes`, on a page boundary, its contents undefined or zeroed; NULL when the system has none. Of the pages
 * kept, at most `most_kept` bytes stay kept besides. */
#if RF_PAGES
void *rf_pages_take(size_t bytes, int zeroed, size_t most_kept);

/* Takes the block back; of all pages kept now, at most `most_kept` bytes stay so. */
void rf_pages_give(void *block, size_t most_kept);

/* Lets go of what is kept beyond `most_kept` bytes. */
void rf_pages_trim(size_t most_kept);

/* Bytes kept. */
size_t rf_pages_kept(void);
#else
static inline void *rf_pages_take(size_t bytes, int zeroed, size_t most_kept)
{
    (void)bytes, (void)zeroed, (void)most_kept;
    return NULL;
}
static inline void rf_pages_give(void *block, size_t most_kept)
{
    (void)block, (void)most_kept;
}
static inline void rf_pages_trim(size_t most_kept)
{
    (void)most_kept;
}
static inline size_t rf_pages_kept(void)
{
    return 0;
}
#endif

#endif
