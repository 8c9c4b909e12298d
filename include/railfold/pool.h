/* pool.h - one thing: run a function over blocks of rows on several threads.
 *
 * Blocks are fixed by the row count alone, never by the thread count, and every block writes its own rows (or its own
 * slot of a partial sum): the result is the same bytes from 1 or N threads. */
#ifndef RF_POOL_H
#define RF_POOL_H

#include "railfold/status.h"

typedef struct rf_pool rf_pool;

/* Starts threads - 1 workers (the caller is the remaining one). threads < 1 means one per online processor. */
rf_status rf_pool_create(rf_pool **out, int threads, rf_error *err) RF_CHECKED;
void rf_pool_destroy(rf_pool **pool);
int rf_pool_threads(const rf_pool *pool);

/* Work on rows [row_begin, row_end). `block` numbers the block from 0; `thread` is 0..threads-1, for scratch. */
typedef void (*rf_rows_fn)(void *arg, int row_begin, int row_end, int block, int thread);

/* Splits rows 0..rows-1 in blocks of `block_rows` and returns when all are done. A NULL pool runs in place. */
void rf_pool_rows(rf_pool *pool, int rows, int block_rows, rf_rows_fn fn, void *arg);

/* How many blocks rf_pool_rows makes: the size of a table of partial sums. */
int rf_pool_blocks(int rows, int block_rows);

/* Runs fn(arg) on a thread of its own beside the caller's work (decode of the next frame). At most one at a time;
 * rf_pool_join waits for it. With a NULL pool or one thread it runs at once, in place. */
void rf_pool_side(rf_pool *pool, void (*fn)(void *arg), void *arg);
void rf_pool_join(rf_pool *pool);

/* The same on one of several lanes, 0 to RF_POOL_LANES - 1, which run beside each other: a decoder is one thread, and
 * where the work between is short one alone would set the pace. Lane 0 is the one above. */
enum { RF_POOL_LANES = 2, RF_POOL_LANE_BESIDE = RF_POOL_LANES }; /* the last: for work that is beside decoders, too */
void rf_pool_side_on(rf_pool *pool, int lane, void (*fn)(void *arg), void *arg);
void rf_pool_join_on(rf_pool *pool, int lane);

#endif
