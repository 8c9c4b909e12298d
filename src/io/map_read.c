/* map_read.c - a depth or confidence map and its text, values as stored. */
#include "io_codec.h"

#include <string.h>

#include "railfold/memory.h"

static void to_float(const rf_image *stored, rf_image *map)
{
    for (int y = 0; y < stored->height; y++) {
        const uint8_t *in8 = rf_image_row(stored, y);
        const uint16_t *in16 = rf_image_row(stored, y);
        float *out = rf_image_row_f32(map, y);
        for (int x = 0; x < stored->width; x++)
            out[x] = stored->sample == RF_U8 ? (float)in8[x] : (float)in16[x];
    }
}

rf_status rf_map_read(const char *path, const rf_frame_limits *limits, rf_image *map, char **description, rf_error *err)
{
    rf_status status;
    rf_decoder decoder;
    rf_image stored = {0};
    if (description != NULL)
        *description = NULL;
    RF_TRY(rf_decoder_open(&decoder, path, limits, 1, err));
    if (decoder.channels != 1 || decoder.format == &rf_read_jpeg)
        RF_TRY(rf_fail(err, RF_ERR_INPUT,
                       "%s: a %s of %d channels is no map; a TIFF or PNG of one channel was expected", path,
                       decoder.format->name, decoder.channels));
    RF_TRY(rf_image_shape(map, decoder.width, decoder.height, 1, RF_F32, path, err));
    if (decoder.sample == RF_F32) {
        RF_TRY(decoder.format->read(&decoder, map, err));
    } else {
        RF_TRY(rf_image_shape(&stored, decoder.width, decoder.height, 1, decoder.sample, path, err));
        RF_TRY(decoder.format->read(&decoder, &stored, err));
        to_float(&stored, map);
    }
    if (description != NULL) {
        *description = decoder.description;
        decoder.description = NULL;
    }
done:
    if (status != RF_OK)
        rf_image_free(map);
    rf_image_free(&stored);
    rf_decoder_close(&decoder);
    return status;
}
