/* sort.c - frames by name or by capture time. */
#include "railfold/sequence.h"

#include <limits.h>
#include <stdint.h>
#include <stdlib.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

static int compare_paths(const void *a, const void *b)
{
    return rf_natural_compare(*(char *const *)a, *(char *const *)b);
}

typedef struct timed_path {
    int64_t time_ms;
    int position; /* in natural order, which equal times keep */
    char *path;
} timed_path;

static int compare_times(const void *a, const void *b)
{
    const timed_path *left = a, *right = b;
    if (left->time_ms != right->time_ms)
        return left->time_ms < right->time_ms ? -1 : 1;
    return (left->position > right->position) - (left->position < right->position);
}

/* The capture time; a frame that cannot be read stays behind its neighbour of `before_ms`: whether it is an error or
 * left out is not for the order to decide. */
static rf_status read_time(const char *path, int64_t before_ms, int64_t *time_ms, rf_error *err)
{
    /* Only the header is read, which costs no pixel memory: what is too large is for the reader to say. */
    const rf_frame_limits limits = {.max_pixels = INT64_MAX, .max_side_px = INT_MAX};
    rf_frame_info info;
    rf_metadata metadata;
    rf_error unread = {0};
    rf_metadata_init(&metadata);
    rf_status status = rf_frame_probe(path, &limits, &info, &metadata, &unread);
    *time_ms = status == RF_OK ? metadata.capture_time_ms : before_ms;
    rf_metadata_free(&metadata);
    if (status == RF_ERR_MEMORY)
        return rf_fail(err, status, "%s", unread.text);
    if (status == RF_OK && *time_ms == INT64_MIN)
        return rf_fail(err, RF_ERR_INPUT, "%s tells no capture time, which the order by time needs", path);
    return RF_OK;
}

rf_status rf_sequence_sort(rf_sequence *sequence, rf_order order, rf_error *err)
{
    timed_path *timed = NULL;
    rf_status status;
    if (sequence->count == 0)
        return RF_OK;
    qsort(sequence->paths, (size_t)sequence->count, sizeof *sequence->paths, compare_paths);
    if (order == RF_ORDER_NAME)
        return RF_OK;
    RF_TRY(rf_alloc(&timed, (size_t)sequence->count, sizeof *timed, "the capture times", err));
    for (int i = 0; i < sequence->count; i++) {
        timed[i].position = i;
        timed[i].path = sequence->paths[i];
        RF_TRY(read_time(timed[i].path, i > 0 ? timed[i - 1].time_ms : INT64_MIN, &timed[i].time_ms, err));
    }
    qsort(timed, (size_t)sequence->count, sizeof *timed, compare_times);
    for (int i = 0; i < sequence->count; i++)
        sequence->paths[i] = timed[i].path;
done:
    rf_free(timed);
    return status;
}
