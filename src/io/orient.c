/* orient.c - turns a stored picture upright.
 *
 * EXIF orientation (CIPA DC-008, tag 0x0112) names where the stored row 0 and column 0 belong: 1 top-left, 2 top-right,
 * 3 bottom-right, 4 bottom-left, 5 left-top, 6 right-top, 7 right-bottom, 8 left-bottom. */
#include "io_codec.h"

#include <string.h>

enum { BLOCK_PX = 32 }; /* a block of rows and columns stays in the first-level cache while it is transposed */

int rf_orientation_swaps_sides(int orientation)
{
    return orientation >= 5;
}

int rf_orientation_mirrors_x(int orientation)
{
    return orientation == 2 || orientation == 3 || orientation == 7 || orientation == 8;
}

int rf_orientation_mirrors_y(int orientation)
{
    return orientation == 3 || orientation == 4 || orientation == 6 || orientation == 7;
}

typedef struct turn {
    const char *origin;                   /* the stored pixel that becomes upright (0, 0) */
    ptrdiff_t step_x_bytes, step_y_bytes; /* in the stored picture, for one step in the upright one */
} turn;

/* Called with a constant pixel_bytes, so that each copy is a plain load and store. */
static inline void turn_pixels(const turn *t, rf_image *upright, size_t pixel_bytes)
{
    for (int block_y = 0; block_y < upright->height; block_y += BLOCK_PX) {
        int end_y = upright->height - block_y < BLOCK_PX ? upright->height : block_y + BLOCK_PX;
        for (int block_x = 0; block_x < upright->width; block_x += BLOCK_PX) {
            int end_x = upright->width - block_x < BLOCK_PX ? upright->width : block_x + BLOCK_PX;
            for (int y = block_y; y < end_y; y++) {
                const char *from = t->origin + y * t->step_y_bytes + block_x * t->step_x_bytes;
                char *to = (char *)rf_image_row(upright, y) + (size_t)block_x * pixel_bytes;
                for (int x = block_x; x < end_x; x++, from += t->step_x_bytes, to += pixel_bytes)
                    memcpy(to, from, pixel_bytes);
            }
        }
    }
}

void rf_orient(const rf_image *stored, rf_image *upright, int orientation)
{
    size_t pixel_bytes = (size_t)stored->channels * rf_sample_bytes(stored->sample);
    ptrdiff_t along_x = (ptrdiff_t)pixel_bytes, along_y = (ptrdiff_t)stored->stride_bytes;
    const char *origin = stored->data;
    if (rf_orientation_mirrors_x(orientation)) {
        origin += (stored->width - 1) * along_x;
        along_x = -along_x;
    }
    if (rf_orientation_mirrors_y(orientation)) {
        origin += (stored->height - 1) * along_y;
        along_y = -along_y;
    }
    int swap = rf_orientation_swaps_sides(orientation);
    turn t = {.origin = origin, .step_x_bytes = swap ? along_y : along_x, .step_y_bytes = swap ? along_x : along_y};
    switch (pixel_bytes) {
    case 1:
        turn_pixels(&t, upright, 1);
        break;
    case 2:
        turn_pixels(&t, upright, 2);
        break;
    case 3:
        turn_pixels(&t, upright, 3);
        break;
    case 4:
        turn_pixels(&t, upright, 4);
        break;
    case 6:
        turn_pixels(&t, upright, 6);
        break;
    default:
        turn_pixels(&t, upright, pixel_bytes);
        break;
    }
}
