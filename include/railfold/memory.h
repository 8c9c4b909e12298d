/* memory.h - allocation with every size checked, and a running account of what is held.
 *
 * All pixel memory goes through here, so that the run can report its peak and tests can make the n-th allocation fail.
 *
 * Pages of freed large blocks are kept for the next ones while anything is held: kept and held together are never more
 * than what was held at the most. */
#ifndef RF_MEMORY_H
#define RF_MEMORY_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

/* Rows and blocks start on this boundary: a cache line, and the widest vector load in use. */
enum { RF_ALIGN_BYTES = 64 };

/* count * size bytes, aligned to RF_ALIGN_BYTES, zeroed, into *out. RF_ERR_MEMORY when the product overflows, exceeds
 * the limit set below or, from 64 MB on, what rf_memory_available says, or the system refuses; `what` names the thing
 * in the message ("the depth map"). On failure *out is NULL. A zero product gives a valid pointer. Release with
 * rf_free. */
rf_status rf_alloc(void *out, size_t count, size_t size, const char *what, rf_error *err) RF_CHECKED;

/* As rf_alloc, not zeroed: for buffers that are filled whole before they are read. */
rf_status rf_alloc_raw(void *out, size_t count, size_t size, const char *what, rf_error *err) RF_CHECKED;

/* Frees what rf_alloc gave; NULL is allowed. */
void rf_free(void *block);

/* a * b into *product; 0 when it would overflow. */
int rf_multiply(size_t a, size_t b, size_t *product);

/* The process-wide account (atomic counters, the one piece of state that must be shared): bytes held now and at the
 * most since the last reset. `limit` 0 means none. */
size_t rf_memory_held(void);
size_t rf_memory_peak(void);
void rf_memory_reset_peak(void);
void rf_memory_set_limit(size_t bytes);

/* Bytes that the system can give this process now without killing any: memory free or droppable, and swap, within the
 * control groups that hold the process. 0: it does not tell. */
size_t rf_memory_available(void);

/* Test hook: the n-th allocation from now fails (1 = the next); 0 switches it off. */
void rf_memory_fail_after(long allocations);

#endif
