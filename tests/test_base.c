/* test_base.c - laws of status, memory and the row pool. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

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
            int values[RF_POOL_LANES] = {0};
            for (int lane = 0; lane < RF_POOL_LANES; lane++)
                rf_pool_side_on(pool, lane, set_to_seven, &values[lane]);
            check_pool(pool);
            for (int lane = RF_POOL_LANES - 1; lane >= 0; lane--) {
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(more_than_the_system_has_left_is_refused),
        cmocka_unit_test(first_message_wins),
        cmocka_unit_test(a_long_message_is_cut_not_overrun),
        cmocka_unit_test(blocks_are_aligned_zeroed_and_counted),
        cmocka_unit_test(large_blocks_are_aligned_zeroed_and_counted),
        cmocka_unit_test(a_product_that_overflows_is_refused),
        cmocka_unit_test(the_limit_holds),
        cmocka_unit_test(the_nth_allocation_fails_on_request),
        cmocka_unit_test(every_row_runs_once_in_its_own_block),
        cmocka_unit_test(side_work_is_done_after_join),
        cmocka_unit_test(each_lane_is_done_after_its_join),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
