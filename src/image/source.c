/* source.c - a picture at rest as a source of pieces. */
#include "railfold/source.h"

#include <string.h>

static void read_image(const rf_source *source, rf_piece piece, rf_piece_kind kind, float *out, size_t stride_floats)
{
    size_t channels = (size_t)source->channels, n = (size_t)piece.width;
    for (int y = 0; y < piece.height; y++) {
        const float *from = rf_image_row_f32(source->frame, piece.y + y) + (size_t)piece.x * channels;
        float *to = out + (size_t)y * stride_floats;
        if (kind == RF_PIECE_COLOUR || channels == 1)
            memcpy(to, from, n * channels * sizeof *to);
        else
            for (size_t x = 0; x < n; x++)
                to[x] = 0.299f * from[3 * x] + 0.587f * from[3 * x + 1] + 0.114f * from[3 * x + 2];
    }
}

rf_source rf_source_of_image(const rf_image *image, const int (*covered)[2])
{
    return (rf_source){.width = image->width,
                       .height = image->height,
                       .channels = image->channels,
                       .covered = covered,
                       .frame = image,
                       .read = read_image};
}
