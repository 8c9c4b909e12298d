/* frame-copy.c - developer tool: reads a frame, says what it is, writes it again. For the outside checks of src/io.
 *
 *   frame-copy IN [OUT [DESCRIPTION]]      frame in, picture out (16-bit frames stay 16-bit; .jpg takes the high byte)
 *   frame-copy --luma REDUCE IN OUT.tif    the reduced luma, as 32-bit float
 *   frame-copy --map IN [OUT.tif]          a map in, as 32-bit float out, its text to stdout
 *   frame-copy --known FILE...             one line a file: known, own output */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

static void print_info(const rf_frame_info *info, const rf_metadata *metadata)
{
    printf("format %s\nsize %d %d\nchannels %d\nbits %d\norientation %d\n", info->format, info->width, info->height,
           info->channels, info->sample == RF_U8 ? 8 : 16, info->orientation);
    printf("icc %zu\nexif %zu\nexposure_s %.9g\nf_number %.9g\niso %.9g\nfocal_length_mm %.9g\n", metadata->icc_bytes,
           metadata->exif_bytes, metadata->exposure_s, metadata->f_number, metadata->iso, metadata->focal_length_mm);
    if (metadata->capture_time_ms == INT64_MIN)
        printf("capture_time_ms unknown\n");
    else
        printf("capture_time_ms %" PRId64 "\n", metadata->capture_time_ms);
    printf("camera %s\n", metadata->camera);
}

/* 16 bits to 8 where the output holds no more. */
static rf_status fit_to(const char *path, rf_image *image, rf_error *err)
{
    rf_sample holds = RF_U8;
    rf_status status = rf_writer_sample_for(path, &holds, err);
    if (status != RF_OK || holds == RF_U16 || image->sample == RF_U8)
        return status;
    rf_image small = {0};
    status = rf_image_alloc(&small, image->width, image->height, image->channels, RF_U8, "the picture", err);
    for (int y = 0; status == RF_OK && y < image->height; y++)
        for (int i = 0; i < image->width * image->channels; i++)
            ((uint8_t *)rf_image_row(&small, y))[i] = (uint8_t)(((uint16_t *)rf_image_row(image, y))[i] >> 8);
    rf_image_free(image);
    *image = small;
    return status;
}

static rf_status copy_frame(const char *in, const char *out, const char *description, rf_error *err)
{
    rf_status status;
    rf_image image = {0};
    rf_frame_info info;
    rf_metadata metadata;
    rf_metadata_init(&metadata);
    RF_TRY(rf_frame_read(in, NULL, &image, &info, &metadata, err));
    print_info(&info, &metadata);
    if (out != NULL) {
        RF_TRY(fit_to(out, &image, err));
        RF_TRY(rf_picture_write(out, &image, &metadata, description, 1, err));
    }
done:
    rf_image_free(&image);
    rf_metadata_free(&metadata);
    return status;
}

static rf_status copy_luma(const char *reduce, const char *in, const char *out, rf_error *err)
{
    rf_status status;
    rf_image luma = {0};
    RF_TRY(rf_frame_read_luma(in, NULL, atoi(reduce), &luma, NULL, NULL, err));
    RF_TRY(rf_picture_write(out, &luma, NULL, NULL, 1, err));
done:
    rf_image_free(&luma);
    return status;
}

static rf_status copy_map(const char *in, const char *out, rf_error *err)
{
    rf_status status;
    rf_image map = {0};
    char *description = NULL;
    RF_TRY(rf_map_read(in, NULL, &map, &description, err));
    printf("size %d %d\ndescription %s\n", map.width, map.height, description != NULL ? description : "");
    if (out != NULL)
        RF_TRY(rf_picture_write(out, &map, NULL, description, 1, err));
done:
    rf_image_free(&map);
    rf_free(description);
    return status;
}

int main(int argc, char **argv)
{
    rf_error err = {0};
    rf_status status = RF_OK;
    if (argc >= 3 && strcmp(argv[1], "--known") == 0) {
        for (int i = 2; i < argc; i++)
            printf("%d %d %s\n", rf_frame_is_known(argv[i]), rf_frame_is_own_output(argv[i]), argv[i]);
    } else if (argc == 5 && strcmp(argv[1], "--luma") == 0) {
        status = copy_luma(argv[2], argv[3], argv[4], &err);
    } else if (argc >= 3 && argc <= 4 && strcmp(argv[1], "--map") == 0) {
        status = copy_map(argv[2], argc > 3 ? argv[3] : NULL, &err);
    } else if (argc >= 2 && argc <= 4) {
        status = copy_frame(argv[1], argc > 2 ? argv[2] : NULL, argc > 3 ? argv[3] : NULL, &err);
    } else {
        fprintf(stderr,
                "usage: frame-copy IN [OUT [DESCRIPTION]] | --luma REDUCE IN OUT | --map IN [OUT] | --known FILE...\n");
        return 2;
    }
    if (status != RF_OK)
        fprintf(stderr, "%s\n", err.text);
    return status == RF_OK ? 0 : 1;
}
