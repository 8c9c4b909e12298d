/* source.h - a picture that is made piece by piece, where and when a piece is asked for.
 *
 * A frame in output geometry is never held whole: who works on a tile asks for that tile, gets it as floats in memory
 * that is still in the cache, and tiles nobody asks for are not computed at all. warp.h gives the source of a frame
 * seen through its pose; a whole picture in memory is a source too. */
#ifndef RF_SOURCE_H
#define RF_SOURCE_H

#include "railfold/image.h"
#include "railfold/pose.h"

/* Pieces begin at multiples of this many columns (any row): then a pixel is the same bytes whatever the piece. */
enum { RF_PIECE_COLUMNS = 64 };

typedef struct rf_piece {
    int x, y, width, height; /* output pixels, inside the picture; x a multiple of RF_PIECE_COLUMNS */
} rf_piece;

typedef enum rf_piece_kind {
    RF_PIECE_COLOUR, /* the source's channels, interleaved */
    RF_PIECE_LUMA    /* one channel: luma by ITU-R BT.601 */
} rf_piece_kind;

typedef struct rf_source rf_source;

struct rf_source {
    int width, height, channels; /* of the output; 1 or 3 channels */
    const int (*covered)[2];     /* borrowed; per row the first valid x and one past the last; NULL: all are valid */
    const rf_image *frame;       /* borrowed */
    const rf_pose *pose;         /* borrowed; NULL for a picture at rest */
    /* Fills `out` (rows stride_floats apart) with coded values 0..1, gains applied, not clipped; 0 where not covered.
     * May be called from several threads at once. */
    void (*read)(const rf_source *source, rf_piece piece, rf_piece_kind kind, float *out, size_t stride_floats);
};

/* A whole picture, RF_F32 with 1 or 3 channels, both arguments borrowed. Its values are passed on as they are, covered
 * or not. */
rf_source rf_source_of_image(const rf_image *image, const int (*covered)[2]);

/* The part of row y of the piece that is covered: columns counted from the piece's first; empty when *end <= *begin. */
static inline void rf_source_covered(const rf_source *source, rf_piece piece, int y, int *begin, int *end)
{
    int from = source->covered != NULL ? source->covered[y][0] : 0;
    int to = source->covered != NULL ? source->covered[y][1] : source->width;
    *begin = from > piece.x ? from - piece.x : 0;
    *end = to < piece.x + piece.width ? to - piece.x : piece.width;
}

#endif
