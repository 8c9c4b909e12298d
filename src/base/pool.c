/* pool.c - a fixed set of workers that take row blocks off a shared counter, and side threads.
 *
 * Which thread takes which block is chance; what a block computes is not, so results never depend on it. */
#include "railfold/pool.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stddef.h>
#include <unistd.h>

#include "railfold/memory.h"

enum { MAX_THREADS = 256 };

typedef struct worker {
    rf_pool *pool;
    pthread_t thread;
    int index;
} worker;

typedef struct side_lane {
    pthread_t thread;
    int running;
    void (*fn)(void *);
    void *arg;
} side_lane;

struct rf_pool {
    int threads, started;
    worker *workers;
    pthread_mutex_t lock;
    pthread_cond_t work_ready, work_done;
    int stopping;
    unsigned round; /* counts jobs, so that a worker never takes one twice */
    int busy;       /* workers still in this round */
    rf_rows_fn fn;
    void *arg;
    int rows, block_rows;
    atomic_int next_block; /* beyond the last: all are taken */
    side_lane lanes[RF_POOL_LANE_BESIDE + 1];
};

int rf_pool_blocks(int rows, int block_rows)
{
    return rows <= 0 ? 0 : (rows + block_rows - 1) / block_rows;
}

static void run_block(rf_rows_fn fn, void *arg, int rows, int block_rows, int block, int thread)
{
    int begin = block * block_rows;
    int end = rows - begin < block_rows ? rows : begin + block_rows;
    fn(arg, begin, end, block, thread);
}

/* Takes blocks until none is left. The job does not change while any worker is busy with it. */
static void take_blocks(rf_pool *pool, int thread)
{
    int blocks = rf_pool_blocks(pool->rows, pool->block_rows), block;
    while ((block = atomic_fetch_add(&pool->next_block, 1)) < blocks)
        run_block(pool->fn, pool->arg, pool->rows, pool->block_rows, block, thread);
}

static void *worker_main(void *arg)
{
    worker *self = arg;
    rf_pool *pool = self->pool;
    unsigned seen = 0;
    pthread_mutex_lock(&pool->lock);
    for (;;) {
        while (!pool->stopping && pool->round == seen)
            pthread_cond_wait(&pool->work_ready, &pool->lock);
        if (pool->stopping)
            break;
        seen = pool->round;
        pthread_mutex_unlock(&pool->lock);
        take_blocks(pool, self->index);
        pthread_mutex_lock(&pool->lock);
        if (--pool->busy == 0)
            pthread_cond_signal(&pool->work_done);
    }
    pthread_mutex_unlock(&pool->lock);
    return NULL;
}

rf_status rf_pool_create(rf_pool **out, int threads, rf_error *err)
{
    rf_status status;
    rf_pool *pool = NULL;
    *out = NULL;
    if (threads < 1) {
        long online = sysconf(_SC_NPROCESSORS_ONLN);
        threads = online > 0 ? (int)online : 1;
    }
    if (threads > MAX_THREADS)
        threads = MAX_THREADS;
    RF_TRY(rf_alloc(&pool, 1, sizeof *pool, "the thread pool", err));
    pthread_mutex_init(&pool->lock, NULL);
    pthread_cond_init(&pool->work_ready, NULL);
    pthread_cond_init(&pool->work_done, NULL);
    pool->threads = threads;
    RF_TRY(rf_alloc(&pool->workers, (size_t)threads, sizeof *pool->workers, "the thread pool", err));
    for (int i = 1; i < threads; i++) {
        pool->workers[i] = (worker){.pool = pool, .index = i};
        if (pthread_create(&pool->workers[i].thread, NULL, worker_main, &pool->workers[i]) != 0)
            break; /* fewer workers do the same work */
        pool->started++;
    }
    *out = pool;
    return RF_OK;
done:
    if (pool != NULL)
        rf_pool_destroy(&pool);
    return status;
}

void rf_pool_destroy(rf_pool **pool_at)
{
    rf_pool *pool = *pool_at;
    if (pool == NULL)
        return;
    for (int lane = 0; lane <= RF_POOL_LANE_BESIDE; lane++)
        rf_pool_join_on(pool, lane);
    pthread_mutex_lock(&pool->lock);
    pool->stopping = 1;
    pthread_cond_broadcast(&pool->work_ready);
    pthread_mutex_unlock(&pool->lock);
    for (int i = 1; i <= pool->started; i++)
        pthread_join(pool->workers[i].thread, NULL);
    pthread_cond_destroy(&pool->work_done);
    pthread_cond_destroy(&pool->work_ready);
    pthread_mutex_destroy(&pool->lock);
    rf_free(pool->workers);
    rf_free(pool);
    *pool_at = NULL;
}

int rf_pool_threads(const rf_pool *pool)
{
    return pool == NULL ? 1 : pool->threads;
}

void rf_pool_rows(rf_pool *pool, int rows, int block_rows, rf_rows_fn fn, void *arg)
{
    int blocks = rf_pool_blocks(rows, block_rows);
    if (pool == NULL || pool->started == 0 || blocks < 2) {
        for (int block = 0; block < blocks; block++)
            run_block(fn, arg, rows, block_rows, block, 0);
        return;
    }
    pthread_mutex_lock(&pool->lock);
    pool->fn = fn;
    pool->arg = arg;
    pool->rows = rows;
    pool->block_rows = block_rows;
    atomic_store(&pool->next_block, 0);
    pool->busy = pool->started;
    pool->round++;
    pthread_cond_broadcast(&pool->work_ready);
    pthread_mutex_unlock(&pool->lock);
    take_blocks(pool, 0);
    pthread_mutex_lock(&pool->lock);
    while (pool->busy > 0)
        pthread_cond_wait(&pool->work_done, &pool->lock);
    pthread_mutex_unlock(&pool->lock);
}

static void *side_main(void *arg)
{
    side_lane *lane = arg;
    lane->fn(lane->arg);
    return NULL;
}

void rf_pool_side_on(rf_pool *pool, int lane, void (*fn)(void *arg), void *arg)
{
    if (pool == NULL || pool->threads < 2) {
        fn(arg);
        return;
    }
    rf_pool_join_on(pool, lane);
    side_lane *side = &pool->lanes[lane];
    side->fn = fn;
    side->arg = arg;
    side->running = pthread_create(&side->thread, NULL, side_main, side) == 0;
    if (!side->running)
        fn(arg);
}

void rf_pool_join_on(rf_pool *pool, int lane)
{
    if (pool != NULL && pool->lanes[lane].running) {
        pthread_join(pool->lanes[lane].thread, NULL);
        pool->lanes[lane].running = 0;
    }
}

void rf_pool_side(rf_pool *pool, void (*fn)(void *arg), void *arg)
{
    rf_pool_side_on(pool, 0, fn, arg);
}

void rf_pool_join(rf_pool *pool)
{
    rf_pool_join_on(pool, 0);
}
