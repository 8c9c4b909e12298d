/* memory.c - checked, aligned, counted allocation. A block's size and where it came from lie in front of it. */
#define _DEFAULT_SOURCE /* MAP_ANONYMOUS, madvise */
#include "railfold/memory.h"

#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

typedef struct account {
    atomic_size_t held, peak, limit;
    atomic_long fail_after;
} account;

/* The memory of a process is one; its account is too. Everything else in railfold is passed by argument. */
static account memory_account;

int rf_multiply(size_t a, size_t b, size_t *product)
{
    if (b != 0 && a > SIZE_MAX / b)
        return 0;
    *product = a * b;
    return 1;
}

static int test_hook_fails(void)
{
    if (atomic_load_explicit(&memory_account.fail_after, memory_order_relaxed) <= 0)
        return 0;
    return atomic_fetch_sub(&memory_account.fail_after, 1) == 1;
}

static void count_peak(size_t held)
{
    size_t peak = atomic_load(&memory_account.peak);
    while (held > peak && !atomic_compare_exchange_weak(&memory_account.peak, &peak, held)) {
    }
}

typedef struct header {
    void *origin; /* what the system gave */
    size_t bytes;
    size_t mapped; /* bytes of a mapping of its own; 0: from malloc */
} header;

enum { PAGE_BYTES = 4096, HUGE_BYTES = 2 << 20, LARGE_BYTES = 64 << 20 };

/* A sanitizer watches the ends of what malloc gives. */
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define RF_MAPPED_FROM SIZE_MAX
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer) || __has_feature(memory_sanitizer)
#define RF_MAPPED_FROM SIZE_MAX
#endif
#endif
#ifndef RF_MAPPED_FROM
#define RF_MAPPED_FROM ((size_t)4 << 20)
#endif

/* Pictures get a mapping of their own that asks for pages of 2 MB: one fault in place of 512. A page the block does not
 * fill stays one of 4 KB, so that no more is resident than asked for. */
static char *map_block(size_t bytes, header *head)
{
    size_t mapped = bytes + HUGE_BYTES;
    void *origin = mmap(NULL, mapped, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (origin == MAP_FAILED)
        return NULL;
    uintptr_t start = (uintptr_t)origin, at = (start + HUGE_BYTES - 1) / HUGE_BYTES * HUGE_BYTES;
    char *aligned = (char *)origin + (at - start);
#ifdef MADV_HUGEPAGE
    (void)madvise(aligned, bytes / HUGE_BYTES * HUGE_BYTES, MADV_HUGEPAGE); /* a wish */
#endif
    *head = (header){.origin = origin, .mapped = mapped};
    return aligned;
}

/* A block of `bytes` on its boundary, zeroed or not. Large zeroed ones come as pages that are zero already; one write
 * to each keeps an accumulator from reading them first, which would cost a second fault on the write and stop all
 * threads. */
static void *obtain(size_t bytes, int zeroed)
{
    size_t padded = bytes + 2 * RF_ALIGN_BYTES;
    header head = {0};
    char *origin = padded >= RF_MAPPED_FROM ? map_block(padded, &head) : NULL;
    if (origin == NULL)
        head.origin = origin = zeroed ? calloc(1, padded) : malloc(padded);
    if (origin == NULL)
        return NULL;
    uintptr_t at = ((uintptr_t)origin + sizeof head + RF_ALIGN_BYTES - 1) / RF_ALIGN_BYTES * RF_ALIGN_BYTES;
    char *block = origin + (at - (uintptr_t)origin);
    head.bytes = bytes;
    memcpy(block - sizeof head, &head, sizeof head);
    for (size_t i = 0; zeroed && i < bytes; i += PAGE_BYTES)
        ((volatile char *)block)[i] = 0;
    return block;
}

static rf_status allocate(void *out, size_t count, size_t size, int zeroed, const char *what, rf_error *err)
{
    void *block = NULL;
    size_t bytes = 0;
    memcpy(out, &block, sizeof block);
    if (!rf_multiply(count, size, &bytes) || bytes > SIZE_MAX / 2)
        return rf_fail(err, RF_ERR_MEMORY, "%s: %zu items of %zu bytes are more than memory can address", what, count,
                       size);
    /* Reserve first, then check: two threads cannot both slip under the limit. */
    size_t held = atomic_fetch_add(&memory_account.held, bytes) + bytes;
    size_t limit = atomic_load(&memory_account.limit);
    if (limit != 0 && held > limit) {
        atomic_fetch_sub(&memory_account.held, bytes);
        return rf_fail(err, RF_ERR_MEMORY, "%s needs %zu bytes, %zu in all, over the memory limit of %zu bytes", what,
                       bytes, held, limit);
    }
    /* The system promises more than it has, and kills when all is taken: a large block is asked for by its real size.
     */
    size_t available = bytes >= LARGE_BYTES ? rf_memory_available() : 0;
    if (available != 0 && bytes > available) {
        atomic_fetch_sub(&memory_account.held, bytes);
        return rf_fail(err, RF_ERR_MEMORY, "%s needs %zu bytes, and the system has %zu left", what, bytes, available);
    }
    block = test_hook_fails() ? NULL : obtain(bytes, zeroed);
    if (block == NULL) {
        atomic_fetch_sub(&memory_account.held, bytes);
        return rf_fail(err, RF_ERR_MEMORY, "%s: the system has no %zu bytes left", what, bytes);
    }
    count_peak(held);
    memcpy(out, &block, sizeof block);
    return RF_OK;
}

rf_status rf_alloc_raw(void *out, size_t count, size_t size, const char *what, rf_error *err)
{
    return allocate(out, count, size, 0, what, err);
}

rf_status rf_alloc(void *out, size_t count, size_t size, const char *what, rf_error *err)
{
    return allocate(out, count, size, 1, what, err);
}

void rf_free(void *block)
{
    header head;
    if (block == NULL)
        return;
    memcpy(&head, (char *)block - sizeof head, sizeof head);
    atomic_fetch_sub(&memory_account.held, head.bytes);
    if (head.mapped != 0)
        (void)munmap(head.origin, head.mapped);
    else
        free(head.origin);
}

size_t rf_memory_held(void)
{
    return atomic_load(&memory_account.held);
}

size_t rf_memory_peak(void)
{
    return atomic_load(&memory_account.peak);
}

void rf_memory_reset_peak(void)
{
    atomic_store(&memory_account.peak, atomic_load(&memory_account.held));
}

void rf_memory_set_limit(size_t bytes)
{
    atomic_store(&memory_account.limit, bytes);
}

void rf_memory_fail_after(long allocations)
{
    atomic_store(&memory_account.fail_after, allocations);
}
