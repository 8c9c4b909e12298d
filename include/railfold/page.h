/* page.h - the page of a run: one HTML file that holds everything, opens from disk and asks the network for nothing
 * (its content policy forbids it). Knows no picture format: it is handed encoded bytes.
 *
 * Text from files (names, warnings) is escaped wherever it goes. Every control can be reached by keyboard and has a
 * name. */
#ifndef RF_PAGE_H
#define RF_PAGE_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/image.h"
#include "railfold/report.h"

typedef struct rf_page_picture {
    const void *bytes; /* JPEG; borrowed */
    size_t count;
    int frame; /* of the take, for single frames */
} rf_page_picture;

typedef struct rf_page {
    const rf_run_report *report; /* width and height above 0 */
    const char *title;           /* of the take: the folder's or the output's name */
    rf_page_picture merged, depth_view;
    const rf_page_picture *frames; /* in take order */
    int frame_count;               /* may be 0 */
    const rf_image *depth;         /* RF_F32, frame positions, reduced */
    const rf_image *confidence;    /* RF_F32, 0..1, the same size */
    const rf_image *sigma;         /* RF_F32, steps, the same size; may be NULL */
    float depth_near, depth_far;   /* light and dark end of the depth view's colours, frame positions */
    int nearer;                    /* depth grows towards the camera */
} rf_page;

/* *text from rf_alloc, NUL-terminated; *bytes without the NUL. RF_ERR_MEMORY. */
rf_status rf_page_html(const rf_page *page, char **text, size_t *bytes, rf_error *err) RF_CHECKED;

#endif
