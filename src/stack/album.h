/* album.h - what the page of a run shows, gathered on the way: reduced frames, pictures, maps (private to the stack
 * module).
 *
 * At most ALBUM_FRAMES frames are kept, as JPEG, so that it does not grow with the take. */
#ifndef RF_ALBUM_H
#define RF_ALBUM_H

#include "outputs.h"
#include "railfold/page.h"
#include "railfold/source.h"

enum { ALBUM_FRAMES = 24 };

typedef struct rf_album {
    int frame_count;
    rf_page_picture frames[ALBUM_FRAMES]; /* bytes owned */
    rf_image sum, moved, small;           /* scratch of the reduction */
} rf_album;

/* Frame k of the take, seen through its pose: kept when it is one of those chosen, evenly spread over the take. */
rf_status rf_album_add(rf_album *album, const rf_take *take, int k, const rf_source *source, rf_error *err) RF_CHECKED;
void rf_album_free(rf_album *album);

/* The page as text, from rf_alloc. */
rf_status rf_album_page(rf_album *album, const rf_take *take, const rf_outputs *outputs, char **text, size_t *bytes,
                        rf_error *err) RF_CHECKED;

#endif
