/* outputs.h - what a merge writes: picture, maps, coloured view (private to the stack module). */
#ifndef RF_OUTPUTS_H
#define RF_OUTPUTS_H

#include "railfold/digest.h"
#include "take.h"
#include "write_map.h"

typedef struct rf_outputs {
    const rf_image *picture;    /* RF_F32, coded 0..1 */
    const rf_image *depth;      /* RF_F32, frame positions; may be NULL with frames too few */
    const rf_image *confidence; /* RF_F32, 0..1 */
    const rf_image *sigma;      /* RF_F32, steps */
    int far_first;              /* depth grows towards the camera */
    int direction_known;        /* whether far_first is */
    rf_map_file *depth_file;    /* the depth map's, begun before or not */
} rf_outputs;

/* Every path that a run is to write is fit to be written: known ending, folder there, nothing replaced without force,
 * not a frame of the take, no two alike. Asked before work starts. */
rf_status rf_outputs_check(const rf_merge_options *options, rf_error *err) RF_CHECKED;

/* Begins the depth map's file, where the options name one, so that it is packed beside the merge; of the outputs depth
 * and its direction are wanted. turned_at: see rf_map_job. */
void rf_outputs_begin_depth(const rf_take *take, const rf_outputs *outputs, float turned_at);

/* Writes all of them under temporary names into the batch. Where the options ask for digests *picture_sha256 receives
 * the picture's, taken while the maps are written. */
rf_status rf_outputs_write(const rf_take *take, const rf_outputs *outputs, rf_batch *batch,
                           char picture_sha256[RF_SHA256_TEXT_BYTES], rf_error *err) RF_CHECKED;

#endif
