/* pages.c - blocks put together from kept pages and new ones; see pages.h.
 *
 * mremap moves what was mapped as one: a block remembers the pieces it was put together from (in its first bytes, in
 * front of what the caller gets) and comes apart into them again. Blocks of some size ask for pages of 2 MB, and only
 * whole ones of those are moved, from boundary to boundary: that costs next to nothing. */
#define _GNU_SOURCE /* mremap, mincore */
#include "base/pages.h"

#if RF_PAGES

#include <pthread.h>
#include <stdint.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#ifndef MADV_POPULATE_WRITE
#define MADV_POPULATE_WRITE 23 /* Linux 5.14 */
#endif

enum { PIECES_MOST = 30, KEPT_MOST = 256, PAGE_LEAST = 4096, HUGE_BYTES = 2 << 20 };

typedef struct piece {
    char *at;
    size_t bytes;
} piece;

/* In front of a block, a page of its own. */
typedef struct front {
    int count;
    size_t bytes[PIECES_MOST + 1]; /* of the pieces, in order */
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

static void remove_kept(int i, int count)
{
    for (int n = i; n < i + count; n++)
        shelf.bytes -= shelf.kept[n].bytes;
    shelf.count -= count;
    memmove(&shelf.kept[i], &shelf.kept[i + count], (size_t)(shelf.count - i) * sizeof *shelf.kept);
}

static int smallest_kept(void)
{
    int least = 0;
    for (int i = 1; i < shelf.count; i++)
        least = shelf.kept[i].bytes < shelf.kept[least].bytes ? i : least;
    return least;
}

static void trim(size_t most)
{
    while (shelf.bytes > most && shelf.count > 0) {
        int i = smallest_kept();
        piece *least = &shelf.kept[i];
        size_t unit = least->bytes > HUGE_BYTES ? HUGE_BYTES : page_bytes();
        size_t over = (shelf.bytes - most + unit - 1) / unit * unit;
        over = over < least->bytes ? over : least->bytes;
        (void)munmap(least->at + least->bytes - over, over);
        least->bytes -= over;
        shelf.bytes -= over;
        if (least->bytes == 0)
            remove_kept(i, 1);
    }
}

static void keep_piece(char *at, size_t bytes)
{
    if (shelf.count == KEPT_MOST) {
        int least = smallest_kept();
        (void)munmap(shelf.kept[least].at, shelf.kept[least].bytes);
        remove_kept(least, 1);
    }
    int i = shelf.count++;
    for (; i > 0 && shelf.kept[i - 1].at > at; i--)
        shelf.kept[i] = shelf.kept[i - 1];
    shelf.kept[i] = (piece){at, bytes};
    shelf.bytes += bytes;
}

static size_t past_boundary(const char *at)
{
    return (uintptr_t)at % HUGE_BYTES;
}

/* Parted at the first boundary of 2 MB. */
static void keep(char *at, size_t bytes)
{
    size_t head = past_boundary(at) == 0 ? 0 : HUGE_BYTES - past_boundary(at);
    if (head > 0 && head < bytes) {
        keep_piece(at, head);
        at += head;
        bytes -= head;
    }
    keep_piece(at, bytes);
}

/* How many pieces from i on lie one after the other, up to what suffices; *bytes: how much they are. */
static int run_from(int i, size_t enough, size_t *bytes)
{
    int n = i;
    for (*bytes = 0; n < shelf.count && *bytes < enough && n - i <= PIECES_MOST; n++) {
        if (n > i && shelf.kept[n].at != shelf.kept[n - 1].at + shelf.kept[n - 1].bytes)
            break;
        *bytes += shelf.kept[n].bytes;
    }
    return n - i;
}

/* A block of kept pages where they lie, from the run that leaves the least over; NULL when none suffices. */
static char *take_in_place(size_t bytes, front *made)
{
    size_t least = (size_t)-1, all;
    int best = -1, count = 0;
    for (int i = 0; i < shelf.count; i++) {
        int n = run_from(i, bytes, &all);
        if (all >= bytes && all < least) {
            best = i;
            count = n;
            least = all;
        }
    }
    if (best < 0)
        return NULL;
    char *block = shelf.kept[best].at;
    for (int n = 0; n < count; n++)
        made->bytes[made->count++] = shelf.kept[best + n].bytes;
    made->bytes[count - 1] -= least - bytes;
    remove_kept(best, count);
    if (least > bytes)
        keep(block + bytes, least - bytes);
    return block;
}

/* The largest piece that begins on a boundary; -1 when there is none of a whole page of 2 MB. */
static int largest_whole(void)
{
    int most = -1;
    for (int i = 0; i < shelf.count; i++)
        if (past_boundary(shelf.kept[i].at) == 0 && shelf.kept[i].bytes >= HUGE_BYTES &&
            (most < 0 || shelf.kept[i].bytes > shelf.kept[most].bytes))
            most = i;
    return most;
}

/* Moves kept pages under the first bytes of a block on a boundary, *filled of them; 0 when that left a hole in it. */
static int move_under(char *block, size_t bytes, front *made, size_t *filled)
{
    int i;
    while (bytes - *filled >= HUGE_BYTES && made->count < PIECES_MOST && (i = largest_whole()) >= 0) {
        piece from = shelf.kept[i];
        char *to = block + *filled;
        size_t n = (from.bytes < bytes - *filled ? from.bytes : bytes - *filled) / HUGE_BYTES * HUGE_BYTES;
        remove_kept(i, 1);
        if (mremap(from.at, n, n, MREMAP_MAYMOVE | MREMAP_FIXED, to) == MAP_FAILED) {
            (void)munmap(from.at, from.bytes); /* what lay where they were to go may be gone */
            return mmap(to, n, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED, -1, 0) != MAP_FAILED;
        }
        if (n < from.bytes)
            keep(from.at + n, from.bytes - n);
        made->bytes[made->count++] = n;
        *filled += n;
    }
    return 1;
}

/* New pages on a boundary of 2 MB, those of 4 KB where a whole one does not fit: no more is taken than asked for. */
static char *map_on_boundary(size_t bytes)
{
    char *map = mmap(NULL, bytes + HUGE_BYTES, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (map == MAP_FAILED)
        return NULL;
    size_t before = past_boundary(map) == 0 ? 0 : HUGE_BYTES - past_boundary(map);
    if (before > 0)
        (void)munmap(map, before);
    (void)munmap(map + before + bytes, HUGE_BYTES - before);
    (void)madvise(map + before, bytes, MADV_HUGEPAGE); /* a wish */
    return map + before;
}

/* A new block, kept pages under its first bytes, *filled of them; NULL when the system has none. */
static char *take_new(size_t bytes, front *made, size_t *filled)
{
    char *block;
    if (bytes < 2 * HUGE_BYTES) {
        block = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
        return block == MAP_FAILED ? NULL : block;
    }
    block = map_on_boundary(bytes);
    if (block == NULL || move_under(block, bytes, made, filled))
        return block;
    (void)munmap(block, bytes);
    return NULL;
}

/* New pages from `at` on. Made at once they cost less than one by one as they are touched. Only those of 2 MB, where
 * the system gives them, are left to be made when they are touched: they are few, and whoever fills a block does so
 * mostly on all threads, while here one would clear them all. Not where zeros are asked for: to read a page first and
 * then write to it would, on older systems, part it. */
static void make_pages(char *at, size_t bytes, int zeroed)
{
    if (!zeroed && bytes >= HUGE_BYTES && past_boundary(at) == 0) {
        unsigned char there = 0;
        *(volatile char *)at = 0;
        if (mincore(at + HUGE_BYTES / 2, page_bytes(), &there) == 0 && (there & 1) != 0) {
            size_t huge = bytes / HUGE_BYTES * HUGE_BYTES;
            at += huge;
            bytes -= huge;
        }
    }
    if (bytes > 0)
        (void)madvise(at, bytes, MADV_POPULATE_WRITE); /* an older system makes them when touched */
}

void *rf_pages_take(size_t bytes, int zeroed, size_t most_kept)
{
    size_t all = whole(bytes), page = page_bytes(), filled = all;
    front made = {.count = 0};
    if (all == 0)
        return NULL;
    pthread_mutex_lock(&shelf.lock);
    char *block = take_in_place(all, &made);
    if (block == NULL) {
        filled = 0;
        block = take_new(all, &made, &filled);
    }
    trim(most_kept);
    pthread_mutex_unlock(&shelf.lock);
    if (block == NULL)
        return NULL;
    if (filled < all) {
        make_pages(block + filled, all - filled, zeroed);
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
