/* test_base.c - laws of status, memory and the row pool. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "base/pages.h"
#include "base/select.h"
#include "railfold/memory.h"
#include "railfold/pool.h"

static void first_message_wins(void **state)
{
    (void)state;
    rf_error err = {0};
    assert_int_equal(rf_fail(&err, RF_ERR_INPUT, "%s is %d", "a", 3), RF_ERR_INPUT);
    assert_int_equal(rf_fail(&err, RF_ERR_OUTPUT, "later"), RF_ERR_OUTPUT);
    assert_int_equal(err.code, RF_ERR_INPUT);
    assert_string_equal(err.text, "a is 3");
}

static void a_long_message_is_cut_not_overrun(void **state)
{
    (void)state;
    rf_error err = {0};
    char text[3000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    (void)rf_fail(&err, RF_ERR_INPUT, "%s", text);
    assert_int_equal(strlen(err.text), RF_ERROR_TEXT_BYTES - 1);
}

static int by_value(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

/* Against the sort of the C library: every place of short lists, a few of long ones, with and without ties. */
static void a_selected_value_is_the_one_sorting_puts_there(void **state)
{
    enum { MOST = 1000 };
    (void)state;
    float values[MOST], sorted[MOST], given[MOST];
    uint32_t seed = 1;
    for (size_t n = 1; n <= MOST; n += n < 40 ? 1 : 137)
        for (uint32_t kinds = 2; kinds < 100000; kinds *= 40) {
            for (size_t i = 0; i < n; i++) {
                seed = seed * 1664525u + 1013904223u;
                given[i] = (float)(seed >> 8) / (1 << 24) < 0.3f ? (float)i : (float)((seed >> 8) % kinds) - 7.0f;
            }
            memcpy(sorted, given, sizeof given);
            qsort(sorted, n, sizeof *sorted, by_value);
            for (size_t k = 0; k < n; k += 1 + n / 40) {
                memcpy(values, given, sizeof given);
                assert_true(rf_select(values, n, k) == sorted[k]);
                for (size_t i = 0; i < n; i++)
                    assert_true(i < k ? values[i] <= sorted[k] : values[i] >= sorted[k]);
            }
        }
}

static void blocks_are_aligned_zeroed_and_counted(void **state)
{
    (void)state;
    size_t before = rf_memory_held();
    uint8_t *block = NULL;
    assert_int_equal(rf_alloc(&block, 1000, 3, "a block", NULL), RF_OK);
    assert_int_equal((uintptr_t)block % RF_ALIGN_BYTES, 0);
    for (int i = 0; i < 3000; i++)
        assert_int_equal(block[i], 0);
    assert_int_equal(rf_memory_held(), before + 3000);
    assert_true(rf_memory_peak() >= before + 3000);
    rf_free(block);
    assert_int_equal(rf_memory_held(), before);
    rf_free(NULL);
}

/* Large ones are mapped on their own: the same laws. */
static void large_blocks_are_aligned_zeroed_and_counted(void **state)
{
    (void)state;
    size_t before = rf_memory_held(), bytes = ((size_t)9 << 20) + 17;
    for (int round = 0; round < 2; round++) { /* the second must not see what the first left */
        uint8_t *block = NULL, *raw = NULL;
        assert_int_equal(rf_alloc(&block, bytes, 1, "a block", NULL), RF_OK);
        assert_int_equal(rf_alloc_raw(&raw, bytes, 1, "a block", NULL), RF_OK);
        assert_int_equal((uintptr_t)block % RF_ALIGN_BYTES, 0);
        assert_int_equal((uintptr_t)raw % RF_ALIGN_BYTES, 0);
        for (size_t i = 0; i < bytes; i++)
            if (block[i] != 0)
                fail_msg("byte %zu is %d", i, block[i]);
        memset(block, 255, bytes);
        memset(raw, 255, bytes);
        assert_int_equal(rf_memory_held(), before + 2 * bytes);
        rf_free(block);
        rf_free(raw);
        assert_int_equal(rf_memory_held(), before);
    }
}

static void a_product_that_overflows_is_refused(void **state)
{
    (void)state;
    void *block = &block;
    rf_error err = {0};
    assert_int_equal(rf_alloc(&block, SIZE_MAX / 2, 3, "the map", &err), RF_ERR_MEMORY);
    assert_null(block);
    assert_non_null(strstr(err.text, "the map"));
}

static void the_limit_holds(void **state)
{
    (void)state;
    void *a = NULL, *b = NULL;
    rf_error err = {0};
    rf_memory_set_limit(rf_memory_held() + 1000);
    assert_int_equal(rf_alloc(&a, 900, 1, "a", NULL), RF_OK);
    assert_int_equal(rf_alloc(&b, 200, 1, "b", &err), RF_ERR_MEMORY);
    assert_non_null(strstr(err.text, "limit"));
    rf_memory_set_limit(0);
    assert_int_equal(rf_alloc(&b, 200, 1, "b", NULL), RF_OK);
    rf_free(a);
    rf_free(b);
}

static void the_nth_allocation_fails_on_request(void **state)
{
    (void)state;
    void *a = NULL, *b = NULL;
    rf_memory_fail_after(2);
    assert_int_equal(rf_alloc(&a, 8, 1, "a", NULL), RF_OK);
    assert_int_equal(rf_alloc(&b, 8, 1, "b", NULL), RF_ERR_MEMORY);
    assert_null(b);
    assert_int_equal(rf_alloc(&b, 8, 1, "b", NULL), RF_OK);
    rf_free(a);
    rf_free(b);
}

enum { ROWS = 1003, BLOCK = 7 };

typedef struct count_job {
    int seen[ROWS];
    int block_of[ROWS];
    int worst_thread;
} count_job;

static void count_rows(void *arg, int begin, int end, int block, int thread)
{
    count_job *job = arg;
    for (int y = begin; y < end; y++) {
        job->seen[y]++;
        job->block_of[y] = block;
    }
    if (begin == 0)
        job->worst_thread = thread;
}

static void check_pool(rf_pool *pool)
{
    for (int round = 0; round < 50; round++) {
        count_job job;
        memset(&job, 0, sizeof job);
        rf_pool_rows(pool, ROWS, BLOCK, count_rows, &job);
        for (int y = 0; y < ROWS; y++) {
            assert_int_equal(job.seen[y], 1);
            assert_int_equal(job.block_of[y], y / BLOCK);
        }
        assert_in_range(job.worst_thread, 0, rf_pool_threads(pool) - 1);
    }
}

static void every_row_runs_once_in_its_own_block(void **state)
{
    (void)state;
    check_pool(NULL);
    for (int threads = 1; threads <= 5; threads += 2) {
        rf_pool *pool = NULL;
        assert_int_equal(rf_pool_create(&pool, threads, NULL), RF_OK);
        assert_int_equal(rf_pool_threads(pool), threads);
        check_pool(pool);
        rf_pool_destroy(&pool);
        assert_null(pool);
    }
    assert_int_equal(rf_pool_blocks(ROWS, BLOCK), (ROWS + BLOCK - 1) / BLOCK);
    assert_int_equal(rf_pool_blocks(0, BLOCK), 0);
}

static void set_to_seven(void *arg)
{
    *(int *)arg = 7;
}

static void side_work_is_done_after_join(void **state)
{
    (void)state;
    rf_pool *pool = NULL;
    assert_int_equal(rf_pool_create(&pool, 2, NULL), RF_OK);
    for (int i = 0; i < 20; i++) {
        int value = 0;
        rf_pool_side(pool, set_to_seven, &value);
        check_pool(pool);
        rf_pool_join(pool);
        assert_int_equal(value, 7);
    }
    rf_pool_destroy(&pool);
    int value = 0;
    rf_pool_side(NULL, set_to_seven, &value);
    assert_int_equal(value, 7);
}

static void each_lane_is_done_after_its_join(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 3; threads++) {
        rf_pool *pool = NULL;
        assert_int_equal(rf_pool_create(&pool, threads, NULL), RF_OK);
        for (int i = 0; i < 20; i++) {
            int values[RF_POOL_LANE_BESIDE + 1] = {0};
            for (int lane = 0; lane <= RF_POOL_LANE_BESIDE; lane++)
                rf_pool_side_on(pool, lane, set_to_seven, &values[lane]);
            check_pool(pool);
            for (int lane = RF_POOL_LANE_BESIDE; lane >= 0; lane--) {
                rf_pool_join_on(pool, lane);
                assert_int_equal(values[lane], 7);
            }
        }
        rf_pool_destroy(&pool);
    }
}

/* Not touched, so that a system which promises what it has not would grant it. */
static void more_than_the_system_has_left_is_refused(void **state)
{
    (void)state;
    rf_error err = {0};
    void *block = NULL;
    size_t available = rf_memory_available();
    if (available == 0)
        skip();
    assert_int_equal(rf_alloc_raw(&block, available + ((size_t)256 << 20), 1, "the picture", &err), RF_ERR_MEMORY);
    assert_null(block);
    assert_non_null(strstr(err.text, "the picture"));
    assert_int_equal(rf_alloc_raw(&block, (size_t)64 << 20, 1, "the picture", NULL), RF_OK);
    rf_free(block);
    assert_int_equal(rf_memory_held(), 0);
}

/* Kept pages count what was held before (a page in front of each block and the small blocks apart, of which only the
 * large ones take notice), and go when nothing is held. */
static void check_kept(size_t blocks)
{
    size_t held = rf_memory_held(), room = blocks * (256 << 10);
    assert_true(rf_pages_kept() <= rf_memory_peak() - held + room);
    if (held == 0)
        assert_int_equal(rf_pages_kept(), 0);
}

/* Blocks of changing sizes, each of a pattern of its own that nobody else may write over. */
static void large_blocks_of_kept_pages_are_whole_and_zeroed(void **state)
{
    (void)state;
    enum { BLOCKS = 12, ROUNDS = 400 };
    uint32_t *block[BLOCKS] = {NULL}, random = 1;
    size_t count[BLOCKS] = {0};
    rf_memory_reset_peak();
    for (int round = 0; round < ROUNDS; round++) {
        random = random * 1664525u + 1013904223u;
        size_t i = (random >> 8) % BLOCKS;
        for (size_t at = 0; at < count[i]; at++)
            if (block[i][at] != (uint32_t)(i + at))
                fail_msg("block %zu was written over at %zu", i, at);
        rf_free(block[i]);
        count[i] = (random >> 12) % ((size_t)1 << 20);
        assert_int_equal(rf_alloc(&block[i], count[i], sizeof **block, "a block", NULL), RF_OK);
        for (size_t at = 0; at < count[i]; at++) {
            if (block[i][at] != 0)
                fail_msg("block %zu is not zero at %zu", i, at);
            block[i][at] = (uint32_t)(i + at);
        }
        check_kept(BLOCKS);
    }
    for (size_t i = 0; i < BLOCKS; i++) {
        rf_free(block[i]);
        check_kept(BLOCKS);
    }
}

static void pages_of_a_freed_block_serve_the_next(void **state)
{
    (void)state;
    if (!RF_PAGES)
        skip();
    enum { BYTES = 8 << 20 };
    char *block = NULL, *other = NULL;
    assert_int_equal(rf_alloc(&other, 1, BYTES, "a block", NULL), RF_OK);
    assert_int_equal(rf_alloc(&block, 1, BYTES, "a block", NULL), RF_OK);
    rf_free(block);
    assert_true(rf_pages_kept() >= BYTES);
    assert_int_equal(rf_alloc(&block, 1, BYTES / 2, "a block", NULL), RF_OK);
    assert_true(rf_pages_kept() >= BYTES / 2 - 4096 && rf_pages_kept() <= BYTES / 2 + 2 * 4096);
    rf_free(block);
    rf_free(other);
    assert_int_equal(rf_pages_kept(), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(more_than_the_system_has_left_is_refused),
        cmocka_unit_test(first_message_wins),
        cmocka_unit_test(a_long_message_is_cut_not_overrun),
        cmocka_unit_test(a_selected_value_is_the_one_sorting_puts_there),
        cmocka_unit_test(blocks_are_aligned_zeroed_and_counted),
        cmocka_unit_test(large_blocks_are_aligned_zeroed_and_counted),
        cmocka_unit_test(a_product_that_overflows_is_refused),
        cmocka_unit_test(the_limit_holds),
        cmocka_unit_test(the_nth_allocation_fails_on_request),
        cmocka_unit_test(every_row_runs_once_in_its_own_block),
        cmocka_unit_test(side_work_is_done_after_join),
        cmocka_unit_test(each_lane_is_done_after_its_join),
        cmocka_unit_test(large_blocks_of_kept_pages_are_whole_and_zeroed),
        cmocka_unit_test(pages_of_a_freed_block_serve_the_next),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
