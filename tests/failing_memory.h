/* failing_memory.h - a run again and again, each time with a later allocation failing, until none was left to fail.
 *
 *     failing_memory memory = failing_memory_start();
 *     do {
 *         ... what is not tried is made here
 *         failing_memory_arm(&memory);
 *         rf_status status = the run(&err);
 *         ... everything of this round is given back
 *     } while (failing_memory_goes_on(&memory, status, &err));
 *     assert_true(memory.failures > 20);
 */
#ifndef RF_TEST_FAILING_MEMORY_H
#define RF_TEST_FAILING_MEMORY_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "railfold/memory.h"
#include "railfold/status.h"

enum { FAILING_MEMORY_MOST = 4000 }; /* a run that fails longer than that never succeeds */

typedef struct failing_memory {
    long at;      /* the allocation that fails, from 1; a test may add to it where each is like the one before */
    int failures; /* rounds that said so */
    size_t held;  /* bytes held before the first round, and after each */
} failing_memory;

static inline failing_memory failing_memory_start(void)
{
    return (failing_memory){.at = 1, .held = rf_memory_held()};
}

static inline void failing_memory_arm(const failing_memory *memory)
{
    rf_memory_fail_after(memory->at);
}

/* After a round: it either succeeded, or told the lack of memory; nothing is left of it. `err` may be NULL. */
static inline int failing_memory_goes_on(failing_memory *memory, rf_status status, const rf_error *err)
{
    rf_memory_fail_after(0);
    assert_int_equal(rf_memory_held(), memory->held);
    if (status == RF_OK)
        return 0;
    assert_int_equal(status, RF_ERR_MEMORY);
    assert_true(err == NULL || err->text[0] != '\0');
    memory->failures++;
    memory->at++;
    assert_true(memory->at < FAILING_MEMORY_MOST);
    return 1;
}

#endif
