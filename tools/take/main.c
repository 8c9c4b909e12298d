/* take-maker - renders a rail-stepped macro take whose truth is known exactly.
 *
 * The subject is a set of depth layers that hide one another (scene.h), modelled procedurally from a seed. Each frame
 * is the scene through a thin lens from its place on the rail: true perspective by depth (rail.h), a defocus disc of
 * radius blur * |depth - focus|, layers laid over one another from far to near in linear light (lens.h). A small sensor
 * adds lamp gain, dust, hot pixels and noise (sensor.h). The truth is the same scene through the same code with no
 * defocus. Only exactly rounded arithmetic is used (numeric.h): a seed gives the same pixels on every machine and any
 * number of threads. */
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "fault.h"
#include "lens.h"
#include "options.h"
#include "rail.h"
#include "scene.h"
#include "sensor.h"
#include "truth.h"

#include "railfold/frame_io.h"
#include "railfold/memory.h"

static rf_status make_folder(const char *path, rf_error *err)
{
    if (mkdir(path, 0777) != 0 && errno != EEXIST)
        return rf_fail(err, RF_ERR_OUTPUT, "%s: the folder cannot be made: %s", path, strerror(errno));
    return RF_OK;
}

static rf_status write_frame(const take_options *options, const rail_frame *frame, int number, const rf_image *image,
                             const char *folder, rf_error *err)
{
    rf_status status;
    char *path = NULL, name[40];
    rf_writer *writer = NULL;
    rf_metadata metadata;
    rf_metadata_init(&metadata);
    metadata.exposure_s = frame->exposure_s;
    metadata.f_number = 8;
    metadata.iso = 100;
    metadata.focal_length_mm = 100;
    metadata.capture_time_ms = frame->time_ms;
    snprintf(metadata.camera, sizeof metadata.camera, "Bench camera");
    snprintf(metadata.software, sizeof metadata.software,
             "take maker"); /* a file signed by railfold is an output, no frame */
    snprintf(name, sizeof name, "frame-%04d.%s", number, take_format_ending(options->format));
    RF_TRY(truth_path(&path, folder, name, err));
    rf_picture_spec spec = {.width = image->width,
                            .height = image->height,
                            .channels = 3,
                            .sample = image->sample,
                            .metadata = &metadata,
                            .jpeg_quality = options->quality};
    RF_TRY(rf_writer_open(&writer, path, &spec, options->force, err));
    RF_TRY(rf_writer_rows(writer, image->data, image->stride_bytes, image->height, err));
    RF_TRY(rf_writer_commit(&writer, err));
done:
    rf_writer_abort(&writer);
    rf_metadata_free(&metadata);
    rf_free(path);
    return status;
}

static rf_status write_frames(const truth_source *source, const char *folder, rf_error *err)
{
    rf_status status;
    const take_options *options = source->options;
    const rail *plan = source->plan;
    rf_image image = {0};
    float *rgb = NULL;
    RF_TRY(rf_alloc_raw(&rgb, (size_t)options->width * (size_t)options->height * 3, sizeof *rgb, "a frame", err));
    RF_TRY(rf_image_alloc(&image, options->width, options->height, 3,
                          take_format_is_16_bit(options->format) ? RF_U16 : RF_U8, "a frame", err));
    for (int k = 0; k < plan->count; k++) {
        RF_TRY(lens_expose(source->optics, &plan->frames[k], rgb, err));
        RF_TRY(fault_smear(&plan->frames[k], rgb, options->width, options->height, source->pool, err));
        sensor_develop(source->chip, rgb, plan->frames[k].gain * plan->light, k, &image, source->pool);
        RF_TRY(write_frame(options, &plan->frames[k], k, &image, folder, err));
        if (!options->quiet)
            fprintf(stderr, "\rframe %d of %d%s", k + 1, plan->count, k + 1 == plan->count ? "\n" : "");
    }
done:
    rf_free(rgb);
    rf_image_free(&image);
    return status;
}

static rf_status make_take(const take_options *options, rf_error *err)
{
    rf_status status;
    rail plan = {0};
    scene subject = {0};
    sensor chip = {0};
    lens *optics = NULL;
    rf_pool *pool = NULL;
    char *frames = NULL, *truth = NULL;
    RF_TRY(make_folder(options->folder, err));
    RF_TRY(truth_path(&frames, options->folder, "frames", err));
    RF_TRY(truth_path(&truth, options->folder, "truth", err));
    RF_TRY(make_folder(frames, err));
    RF_TRY(make_folder(truth, err));
    RF_TRY(rf_pool_create(&pool, options->threads, err));
    RF_TRY(rail_plan(&plan, options, err));
    RF_TRY(sensor_make(&chip, options, err));
    RF_TRY(scene_make(&subject, options, &plan, pool, err));
    RF_TRY(lens_open(&optics, &subject, &plan, options->mtf_px, pool, err));
    truth_source source = {
        .options = options, .plan = &plan, .subject = &subject, .chip = &chip, .optics = optics, .pool = pool};
    RF_TRY(truth_write_json(&source, truth, err));
    RF_TRY(truth_write_pictures(&source, truth, err));
    RF_TRY(write_frames(&source, frames, err));
done:
    lens_close(&optics);
    scene_free(&subject);
    sensor_free(&chip);
    rail_free(&plan);
    rf_pool_destroy(&pool);
    rf_free(frames);
    rf_free(truth);
    return status;
}

static int exit_code(rf_status status)
{
    switch (status) {
    case RF_OK:
        return 0;
    case RF_ERR_USAGE:
        return 2;
    case RF_ERR_OUTPUT:
        return 5;
    case RF_ERR_MEMORY:
        return 6;
    default:
        return 1;
    }
}

int main(int argc, char **argv)
{
    rf_error err = {0};
    take_options options = take_options_default();
    int help = 0;
    rf_status status = take_options_parse(&options, argc, argv, &help, &err);
    if (status == RF_OK && help) {
        take_options_help();
        return 0;
    }
    if (status == RF_OK)
        status = make_take(&options, &err);
    if (status != RF_OK)
        fprintf(stderr, "take-maker: %s\n", err.text);
    return exit_code(status);
}
