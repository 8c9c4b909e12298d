/* check_made.h - what the check has seen of a take, made by hand. */
#ifndef RF_TEST_CHECK_MADE_H
#define RF_TEST_CHECK_MADE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "check/look.h"

enum { COLUMNS = 12, ROWS = 10, COUNT = 8, CELL_PX = 8 };

typedef struct made {
    rf_look look;
    rf_check_options options;
    rf_check_result result;
    const char *files[COUNT];
    rf_check_frame frames[COUNT];
    rf_pose poses[COUNT];
    rf_step steps[COUNT];
    rf_cell cells[COUNT * COLUMNS * ROWS];
    rf_cell_peak peaks[COLUMNS * ROWS];
    double angle[COUNT * RF_LOOK_SPAN];
} made;

static inline made *make(void)
{
    made *m = calloc(1, sizeof *m);
    assert_non_null(m);
    m->options = rf_check_options_default();
    m->options.frames = m->files;
    m->options.frame_count = COUNT;
    for (int k = 0; k < COUNT; k++) {
        m->files[k] = "pebble.jpg";
        m->frames[k].used = 1;
        m->poses[k] = rf_pose_identity();
        m->steps[k] = (rf_step){.ratio = 1, .follow = 1};
    }
    m->look = (rf_look){.options = &m->options,
                        .result = &m->result,
                        .count = COUNT,
                        .cell_reduce = 1,
                        .cell_px = CELL_PX,
                        .columns = COLUMNS,
                        .rows = ROWS,
                        .poses = m->poses,
                        .poses_known = 1,
                        .cells = m->cells,
                        .noise = 1e-6,
                        .peaks = m->peaks,
                        .steps = m->steps,
                        .angle = m->angle};
    rf_check_result_init(&m->result);
    m->result.frames = m->frames;
    m->result.frame_count = COUNT;
    return m;
}

static inline void drop(made *m)
{
    m->result.frames = NULL; /* not from rf_alloc */
    rf_check_result_free(&m->result);
    free(m);
}

static inline rf_cell *cell_at(made *m, int k, int x, int y)
{
    return &m->cells[(k * ROWS + y) * COLUMNS + x];
}

static inline const rf_check_finding *found(const made *m, rf_check_kind kind)
{
    for (int i = 0; i < m->result.finding_count; i++)
        if (m->result.findings[i].kind == kind)
            return &m->result.findings[i];
    return NULL;
}

/* From frame 4 on light has gone from the left to the right half of 12 cells: their means stay. */
static inline void light_quarters(made *m, double share)
{
    for (int k = 0; k < COUNT; k++)
        for (int y = 0; y < ROWS; y++)
            for (int x = 0; x < COLUMNS; x++)
                for (int i = 0; i < 4; i++) {
                    double moved = k >= 4 && x >= 3 && x < 6 && y >= 2 && y < 6 ? (i % 2 ? share : -share) : 0;
                    double drift = 0.0005 * k * (x - y); /* as focus moves on */
                    cell_at(m, k, x, y)->luma[i] = (float)(0.4 * (1 + moved + drift));
                }
}

#endif
