/* jpeg_fixture.h - JPEG files of any layout, made with libjpeg itself. */
#ifndef RF_TEST_JPEG_FIXTURE_H
#define RF_TEST_JPEG_FIXTURE_H

#include "io_fixture.h"

#include <jpeglib.h>

typedef struct jpeg_kind {
    J_COLOR_SPACE in, stored;
    int h, v; /* luma sampling factors */
    int progressive, restart_rows;
    int quality;
} jpeg_kind;

static inline void jpeg_make(const char *path, const rf_image *image, jpeg_kind kind, const uint8_t *exif,
                             size_t exif_bytes)
{
    struct jpeg_compress_struct lib;
    struct jpeg_error_mgr errors;
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    lib.err = jpeg_std_error(&errors);
    jpeg_create_compress(&lib);
    jpeg_stdio_dest(&lib, file);
    lib.image_width = (JDIMENSION)image->width;
    lib.image_height = (JDIMENSION)image->height;
    lib.input_components = image->channels;
    lib.in_color_space = kind.in;
    jpeg_set_defaults(&lib);
    jpeg_set_colorspace(&lib, kind.stored);
    jpeg_set_quality(&lib, kind.quality, TRUE);
    lib.comp_info[0].h_samp_factor = kind.h;
    lib.comp_info[0].v_samp_factor = kind.v;
    lib.restart_in_rows = kind.restart_rows;
    if (kind.progressive)
        jpeg_simple_progression(&lib);
    jpeg_start_compress(&lib, TRUE);
    if (exif != NULL)
        jpeg_write_marker(&lib, JPEG_APP0 + 1, exif, (unsigned)exif_bytes);
    for (int y = 0; y < image->height; y++) {
        JSAMPROW row = rf_image_row(image, y);
        jpeg_write_scanlines(&lib, &row, 1);
    }
    jpeg_finish_compress(&lib);
    jpeg_destroy_compress(&lib);
    fclose(file);
}

#endif
