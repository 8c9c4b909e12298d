/* truth.c - see truth.h. Masks: 255 = yes. */
#include "truth.h"

#include <stdio.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

rf_status truth_path(char **out, const char *folder, const char *name, rf_error *err)
{
    rf_status status;
    size_t bytes = strlen(folder) + strlen(name) + 2;
    RF_TRY(rf_alloc(out, bytes, 1, "a path", err));
    snprintf(*out, bytes, "%s/%s", folder, name);
    return RF_OK;
done:
    return status;
}

static rf_status write_picture(const truth_source *source, const char *folder, const char *name, const rf_image *image,
                               const char *description, rf_error *err)
{
    rf_status status;
    char *path = NULL;
    RF_TRY(truth_path(&path, folder, name, err));
    RF_TRY(rf_picture_write(path, image, NULL, description, source->options->force, err));
done:
    rf_free(path);
    return status;
}

/* The depth jumps by more than a step within the 3 x 3 pixels around. */
static int at_an_edge(const float *depth, int width, int height, int x, int y)
{
    float low = 1e30f, high = -1e30f;
    for (int j = -1; j <= 1; j++)
        for (int i = -1; i <= 1; i++) {
            int nx = x + i < 0 ? 0 : x + i >= width ? width - 1 : x + i;
            int ny = y + j < 0 ? 0 : y + j >= height ? height - 1 : y + j;
            float here = depth[(size_t)ny * (size_t)width + (size_t)nx];
            low = minf(low, here);
            high = maxf(high, here);
        }
    return high - low > 1;
}

/* The coded green varies by more than 2 % (standard deviation in 7 x 7 pixels): enough to tell its focus. */
static int is_textured(const float *rgb, int width, int height, int x, int y)
{
    float sum = 0, square = 0;
    int count = 0;
    for (int j = -3; j <= 3; j++)
        for (int i = -3; i <= 3; i++) {
            if (x + i < 0 || y + j < 0 || x + i >= width || y + j >= height)
                continue;
            float v = rgb[((size_t)(y + j) * (size_t)width + (size_t)(x + i)) * 3 + 1];
            sum += v;
            square += v * v;
            count++;
        }
    float mean = sum / (float)count;
    return square / (float)count - mean * mean > 0.02f * 0.02f;
}

typedef struct mask_job {
    const float *rgb, *depth;
    const uint8_t *subject;
    rf_image *mask;
    int which; /* 0 subject, 1 edges, 2 textured */
} mask_job;

static void mask_rows(void *arg, int row_begin, int row_end, int block, int thread)
{
    (void)block;
    (void)thread;
    const mask_job *job = arg;
    int width = job->mask->width, height = job->mask->height;
    for (int y = row_begin; y < row_end; y++) {
        uint8_t *out = rf_image_row(job->mask, y);
        for (int x = 0; x < width; x++) {
            int yes = job->subject[(size_t)y * (size_t)width + (size_t)x];
            if (job->which == 1)
                yes = at_an_edge(job->depth, width, height, x, y);
            if (job->which == 2)
                yes = yes && is_textured(job->rgb, width, height, x, y);
            out[x] = yes ? 255 : 0;
        }
    }
}

static rf_status write_masks(const truth_source *source, const char *folder, mask_job *job, rf_error *err)
{
    static const char *const names[3] = {"subject.png", "edges.png", "textured.png"};
    rf_status status;
    for (job->which = 0; job->which < 3; job->which++) {
        rf_pool_rows(source->pool, job->mask->height, 32, mask_rows, job);
        RF_TRY(write_picture(source, folder, names[job->which], job->mask, NULL, err));
    }
    return RF_OK;
done:
    return status;
}

rf_status truth_write_pictures(const truth_source *source, const char *folder, rf_error *err)
{
    rf_status status;
    int width = source->plan->view.width, height = source->plan->view.height;
    size_t pixels = (size_t)width * (size_t)height;
    float *rgb = NULL, *depth = NULL;
    uint8_t *subject = NULL;
    rf_image sharp = {0}, map = {0}, mask = {0};
    RF_TRY(rf_alloc_raw(&rgb, pixels * 3, sizeof *rgb, "the sharp picture", err));
    RF_TRY(rf_alloc_raw(&depth, pixels, sizeof *depth, "the depth map", err));
    RF_TRY(rf_alloc_raw(&subject, pixels, 1, "the subject mask", err));
    RF_TRY(lens_truth(source->optics, rgb, depth, subject, err));
    for (size_t i = 0; i < pixels * 3; i++)
        rgb[i] *= (float)source->plan->light;
    RF_TRY(rf_image_alloc(&sharp, width, height, 3, RF_U16, "the sharp picture", err));
    sensor_code(rgb, &sharp, source->pool);
    RF_TRY(write_picture(source, folder, "sharp.tif", &sharp, "sharp all through, view of the reference frame", err));
    rf_image_free(&sharp);
    RF_TRY(rf_image_alloc(&map, width, height, 1, RF_F32, "the depth map", err));
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            rf_image_row_f32(&map, y)[x] =
                (float)rail_position_of(source->plan, (double)depth[(size_t)y * (size_t)width + (size_t)x]);
    RF_TRY(write_picture(source, folder, "depth.tif", &map, "depth in frame positions", err));
    for (size_t i = 0; i < pixels * 3; i++)
        rgb[i] = take_coded_from_linear(rgb[i]);
    RF_TRY(rf_image_alloc(&mask, width, height, 1, RF_U8, "a mask", err));
    mask_job job = {.rgb = rgb, .depth = depth, .subject = subject, .mask = &mask};
    RF_TRY(write_masks(source, folder, &job, err));
done:
    rf_free(rgb);
    rf_free(depth);
    rf_free(subject);
    rf_image_free(&sharp);
    rf_image_free(&map);
    rf_image_free(&mask);
    return status;
}
