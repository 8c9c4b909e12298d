/* pages.c - blocks put together from kept pages and new ones; see pages.h.
 *
 * mremap moves what was mapped as one: a block remembers the pieces it was put together from (in its first bytes, in
 * front of what the caller gets) and comes apart into them again. */
#define _GNU_SOURCE /* mremap */
#include "base/pages.h"

#if RF_PAGES

#include <pthread.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#ifndef MADV_POPULATE_WRITE
#define MADV_POPULATE_WRITE 23 /* Linux 5.14 */
#endif

enum { PIECES_MOST = 30, KEPT_MOST = 128, PAGE_LEAST = 4096 };

typedef struct piece {
    char *at;
    size_t bytes;
} piece;

/* In front of a block, a page of its own. */
typedef struct front {
    int count;
    size_t bytes[PIECES_MOST + 1]; /* of the pieces, in order; the last one may be new */
} front;

/* The pages of a process are one; so is what is kept of them. */
static struct {
    pthread_mutex_t lock;
    piece kept[KEPT_MOST];
    int count;
    size_t bytes;
} shelf = {.lock = PTHREAD_MUTEX_INITIALIZER};

static size_t page_bytes(void)
{
    long bytes = sysconf(_SC_PAGESIZE);
    return bytes > PAGE_LEAST ? (size_t)bytes : PAGE_LEAST;
}

/* What a block takes with its front, in whole pages; 0 when it would overflow. */
static size_t whole(size_t bytes)
{
    size_t page = page_bytes(), most = (size_t)-1 / 2;
    return bytes < most ? (bytes + page - 1) / page * page + page : 0;
}

static void drop_last(void)
{
    piece last = shelf.kept[--shelf.count];
    shelf.bytes -= last.bytes;
    (void)munmap(last.at, last.bytes);
}

static void trim(size_t most)
{
    while (shelf.bytes > most && shelf.count > 0) {
        piece *last = &shelf.kept[shelf.count - 1];
        size_t over = (shelf.bytes - most + page_bytes() - 1) / page_bytes() * page_bytes();
        if (over >= last->bytes) {
            drop_last();
            continue;
        }
        last->bytes -= over;
        shelf.bytes -= over;
        (void)munmap(last->at + last->bytes, over);
    }
}

static void keep(char *at, size_t bytes)
{
    if (shelf.count == KEPT_MOST)
        drop_last();
    int i = shelf.count++;
    for (; i > 0 && shelf.kept[i - 1].bytes < bytes; i--) /* the largest first */
        shelf.kept[i] = shelf.kept[i - 1];
    shelf.kept[i] = (piece){at, bytes};
    shelf.bytes += bytes;
}

/* Moves kept pages under the block's first bytes, *filled of them; 0 when that left a hole in the block. */
static int move_under(char *block, size_t bytes, front *made, size_t *filled_at)
{
    size_t filled = 0;
    int good = 1;
    while (good && filled < bytes && made->count < PIECES_MOST && shelf.count > 0) {
        int i = shelf.count - 1;
        while (i > 0 && shelf.kept[i].bytes < bytes - filled) /* the smallest that suffices, else the largest */
            i--;
        piece from = shelf.kept[i];
        size_t n = from.bytes < bytes - filled ? from.bytes : bytes - filled;
        memmove(&shelf.kept[i], &shelf.kept[i + 1], (size_t)(--shelf.count - i) * sizeof *shelf.kept);
        shelf.bytes -= from.bytes;
        if (mremap(from.at, n, n, MREMAP_MAYMOVE | MREMAP_FIXED, block + filled) == MAP_FAILED) {
            (void)munmap(from.at, from.bytes); /* what lay where they were to go may be gone */
            good = mmap(block + filled, n, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED, -1, 0) !=
                   MAP_FAILED;
            break;
        }
        if (n < from.bytes)
            keep(from.at + n, from.bytes - n);
        made->bytes[made->count++] = n;
        filled += n;
    }
    *filled_at = filled;
    return good;
}

void *rf_pages_take(size_t bytes, int zeroed, size_t most_kept)
{
    size_t all = whole(bytes), page = page_bytes(), filled = 0;
    front made = {.count = 0};
    char *block = all == 0 ? MAP_FAILED : mmap(NULL, all, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (block == MAP_FAILED)
        return NULL;
    pthread_mutex_lock(&shelf.lock);
    int good = move_under(block, all, &made, &filled);
    trim(most_kept);
    pthread_mutex_unlock(&shelf.lock);
    if (!good) {
        (void)munmap(block, all);
        return NULL;
    }
    /* An older system makes the pages as they are touched. */
    if (filled < all) {
        (void)madvise(block + filled, all - filled, MADV_POPULATE_WRITE);
        made.bytes[made.count++] = all - filled;
    }
    if (zeroed && filled > page)
        memset(block + page, 0, filled - page);
    memcpy(block, &made, sizeof made);
    return block + page;
}

void rf_pages_give(void *block, size_t most_kept)
{
    front made;
    char *at = (char *)block - page_bytes();
    memcpy(&made, at, sizeof made);
    pthread_mutex_lock(&shelf.lock);
    for (int i = 0; i < made.count; i++) {
        keep(at, made.bytes[i]);
        at += made.bytes[i];
    }
    trim(most_kept);
    pthread_mutex_unlock(&shelf.lock);
}

void rf_pages_trim(size_t most_kept)
{
    pthread_mutex_lock(&shelf.lock);
    trim(most_kept);
    pthread_mutex_unlock(&shelf.lock);
}

size_t rf_pages_kept(void)
{
    pthread_mutex_lock(&shelf.lock);
    size_t bytes = shelf.bytes;
    pthread_mutex_unlock(&shelf.lock);
    return bytes;
}

#endif
