/* album.c - reduced pictures for the page of a run. */
#include "album.h"

#include <math.h>
#include <string.h>

#include "railfold/depth_view.h"
#include "railfold/memory.h"
#include "railfold/warp.h"

enum { PICTURE_SIDE = 1400, FRAME_SIDE = 900, SAMPLE_SIDE = 640, PICTURE_QUALITY = 85, FRAME_QUALITY = 75 };

static void reduced_size(const rf_image *from, int most, int *width, int *height)
{
    int side = from->width > from->height ? from->width : from->height;
    double scale = side > most ? (double)most / side : 1;
    *width = (int)fmax(1, floor(from->width * scale + 0.5));
    *height = (int)fmax(1, floor(from->height * scale + 0.5));
}

/* Mean of the source area that one reduced pixel covers, parts of pixels by their share. */
static void reduce_row(const rf_image *from, rf_image *to, int y)
{
    float *out = rf_image_row_f32(to, y);
    double y0 = (double)y * from->height / to->height, y1 = (double)(y + 1) * from->height / to->height;
    double per_x = (double)from->width / to->width;
    int channels = from->channels;
    memset(out, 0, (size_t)to->width * (size_t)channels * sizeof *out);
    for (int sy = (int)y0; sy < from->height && sy < y1; sy++) {
        const float *in = rf_image_row_f32(from, sy);
        const uint8_t *in8 = from->sample == RF_U8 ? rf_image_row(from, sy) : NULL;
        const uint16_t *in16 = from->sample == RF_U16 ? rf_image_row(from, sy) : NULL;
        double share_y = (fmin(y1, sy + 1) - fmax(y0, sy)) / (y1 - y0);
        for (int x = 0; x < to->width; x++) {
            double x0 = x * per_x, x1 = (x + 1) * per_x;
            for (int sx = (int)x0; sx < from->width && sx < x1; sx++) {
                float share = (float)(share_y * (fmin(x1, sx + 1) - fmax(x0, sx)) / per_x);
                for (int c = 0; c < channels; c++)
                    out[x * channels + c] += share * (in8 != NULL    ? (float)in8[sx * channels + c] / 255
                                                      : in16 != NULL ? (float)in16[sx * channels + c] / 65535
                                                                     : in[sx * channels + c]);
            }
        }
    }
}

static void reduce_rows(void *arg, int begin, int end, int block, int thread)
{
    rf_image *const *images = arg;
    (void)block;
    (void)thread;
    for (int y = begin; y < end; y++)
        reduce_row(images[0], images[1], y);
}

static rf_status shape(rf_image *image, int width, int height, int channels, rf_sample sample, rf_error *err)
{
    if (image->data != NULL && image->width == width && image->height == height && image->channels == channels &&
        image->sample == sample)
        return RF_OK;
    rf_image_free(image);
    return rf_image_alloc(image, width, height, channels, sample, "a picture of the page", err);
}

/* The pose between reduced pictures that does what `pose` does between pictures of width x height. */
static rf_pose reduced_pose(const rf_pose *pose, double width, double height, const rf_image *reduced)
{
    double sx = width / reduced->width, sy = height / reduced->height;
    double x0 = 0.5 * sx - 0.5, y0 = 0.5 * sy - 0.5; /* where the middle of the first reduced pixel lies */
    rf_pose out = *pose;
    out.b = pose->b * sy / sx;
    out.c = pose->c * sx / sy;
    out.tx = (pose->a * x0 + pose->b * y0 + pose->tx - x0) / sx;
    out.ty = (pose->c * x0 + pose->d * y0 + pose->ty - y0) / sy;
    return out;
}

/* `from` (any sample type) reduced and then, unless `pose` is NULL, moved into place; as JPEG. */
static rf_status encode(rf_album *album, const rf_take *take, const rf_image *from, const rf_pose *pose, int side,
                        int quality, rf_page_picture *out, rf_error *err)
{
    rf_status status;
    int width, height;
    uint8_t *bytes = NULL;
    reduced_size(from, side, &width, &height);
    RF_TRY(shape(&album->sum, width, height, from->channels, RF_F32, err));
    RF_TRY(shape(&album->small, width, height, from->channels, RF_U8, err));
    rf_image source = *from, *images[2] = {&source, &album->sum};
    rf_pool_rows(take->pool, height, 16, reduce_rows, images);
    const rf_image *reduced = &album->sum;
    if (pose != NULL) {
        rf_pose small = reduced_pose(pose, from->width, from->height, &album->sum);
        RF_TRY(shape(&album->moved, width, height, from->channels, RF_F32, err));
        rf_warp_image(&album->sum, &small, &album->moved, NULL, take->pool);
        reduced = &album->moved;
    }
    for (int y = 0; y < height; y++)
        rf_row_from_f32(rf_image_row(&album->small, y), rf_image_row_f32(reduced, y), RF_U8,
                        (size_t)width * (size_t)from->channels);
    RF_TRY(rf_picture_encode_jpeg(&album->small, &take->metadata, quality, &bytes, &out->count, err));
    out->bytes = bytes;
done:
    return status;
}

/* The i-th of `kept` frames out of `count`: both ends and what lies evenly between. */
static int chosen(int i, int kept, int count)
{
    return kept < 2 ? 0 : (int)(((int64_t)i * (count - 1) + (kept - 1) / 2) / (kept - 1));
}

/* Where the page shows frame k. In the parallel view what is in focus in frame k has moved by the scale of depth k
 * (parallel.h), so the whole frame is shown at that scale: it lies right where it is sharp. */
static rf_pose shown_pose(const rf_take *take, int k, const rf_pose *pose)
{
    double scale = 1 + (k - take->reference) * (take->report->scale_per_step - 1);
    if (take->options->view != RF_VIEW_PARALLEL || !(scale > 0.1))
        return *pose;
    rf_pose to_reference = rf_pose_similarity(1 / scale, 0, 0, 0, take->info.width, take->info.height);
    return rf_pose_compose(pose, &to_reference);
}

rf_status rf_album_add(rf_album *album, const rf_take *take, int k, const rf_source *source, rf_error *err)
{
    int count = take->report->frame_count, kept = count < ALBUM_FRAMES ? count : ALBUM_FRAMES, wanted = 0;
    for (int i = 0; i < kept; i++)
        wanted |= chosen(i, kept, count) == k;
    if (!wanted || album->frame_count == ALBUM_FRAMES)
        return RF_OK;
    rf_page_picture *picture = &album->frames[album->frame_count];
    rf_pose pose = shown_pose(take, k, source->pose);
    rf_status status = encode(album, take, source->frame, &pose, FRAME_SIDE, FRAME_QUALITY, picture, err);
    if (status != RF_OK)
        return status;
    picture->frame = k;
    album->frame_count++;
    return RF_OK;
}

static void free_picture(rf_page_picture *picture)
{
    rf_free((void *)(uintptr_t)picture->bytes);
    *picture = (rf_page_picture){0};
}

void rf_album_free(rf_album *album)
{
    for (int i = 0; i < album->frame_count; i++)
        free_picture(&album->frames[i]);
    rf_image_free(&album->sum);
    rf_image_free(&album->moved);
    rf_image_free(&album->small);
    album->frame_count = 0;
}

/* Every so many pixels one: a mean across a depth edge would be the depth of nothing. */
static rf_status thin(const rf_image *from, int side, rf_image *to, rf_error *err)
{
    int width, height;
    reduced_size(from, side, &width, &height);
    rf_status status = rf_image_alloc(to, width, height, 1, RF_F32, "the page's depth", err);
    if (status != RF_OK)
        return status;
    for (int y = 0; y < height; y++) {
        const float *in = rf_image_row_f32(from, (int)((y + 0.5) * from->height / height));
        for (int x = 0; x < width; x++)
            rf_image_row_f32(to, y)[x] = in[(int)((x + 0.5) * from->width / width)];
    }
    return RF_OK;
}

/* Colours of a map that is thinned to half as much again as the view, then reduced: a colour is easier to average than
 * a depth edge, and what is held does not grow with the frames' size. */
static rf_status encode_depth_view(rf_album *album, const rf_take *take, const rf_outputs *outputs, rf_page *page,
                                   rf_page_picture *out, rf_error *err)
{
    rf_status status;
    rf_image depth = {0}, confidence = {0}, colours = {0};
    float low = 0, high = 1;
    if (!rf_depth_range(outputs->depth, 0.001f, &low, &high))
        low = 0, high = 1;
    page->depth_near = outputs->far_first ? high : low;
    page->depth_far = outputs->far_first ? low : high;
    RF_TRY(thin(outputs->depth, PICTURE_SIDE * 3 / 2, &depth, err));
    RF_TRY(thin(outputs->confidence, PICTURE_SIDE * 3 / 2, &confidence, err));
    RF_TRY(rf_image_alloc(&colours, depth.width, depth.height, 3, RF_U8, "the page's depth view", err));
    rf_depth_colour_view(&depth, &confidence, page->depth_near, page->depth_far, &colours, take->pool);
    RF_TRY(encode(album, take, &colours, NULL, PICTURE_SIDE, PICTURE_QUALITY, out, err));
done:
    rf_image_free(&depth);
    rf_image_free(&confidence);
    rf_image_free(&colours);
    return status;
}

/* The last folder of the take, else the output's name: what the photographer calls it. */
static const char *title_of(const rf_take *take, char *out, size_t bytes)
{
    const char *path = take->options->frames[0], *end = strrchr(path, '/');
    if (end == NULL) {
        path = take->options->output;
        end = path + strlen(path);
    }
    const char *begin = end;
    while (begin > path && begin[-1] != '/')
        begin--;
    size_t count = (size_t)(end - begin) < bytes - 1 ? (size_t)(end - begin) : bytes - 1;
    memcpy(out, begin, count);
    out[count] = '\0';
    return out;
}

rf_status rf_album_page(rf_album *album, const rf_take *take, const rf_outputs *outputs, char **text, size_t *bytes,
                        rf_error *err)
{
    rf_status status;
    char title[256];
    rf_page page = {.report = take->report,
                    .title = title_of(take, title, sizeof title),
                    .frames = album->frames,
                    .frame_count = album->frame_count,
                    .nearer = outputs->far_first};
    rf_image depth = {0}, confidence = {0}, sigma = {0};
    RF_TRY(encode(album, take, outputs->picture, NULL, PICTURE_SIDE, PICTURE_QUALITY, &page.merged, err));
    RF_TRY(encode_depth_view(album, take, outputs, &page, &page.depth_view, err));
    RF_TRY(thin(outputs->depth, SAMPLE_SIDE, &depth, err));
    RF_TRY(thin(outputs->confidence, SAMPLE_SIDE, &confidence, err));
    RF_TRY(thin(outputs->sigma, SAMPLE_SIDE, &sigma, err));
    page.depth = &depth;
    page.sigma = &sigma;
    page.confidence = &confidence;
    RF_TRY(rf_page_html(&page, text, bytes, err));
done:
    free_picture(&page.merged);
    free_picture(&page.depth_view);
    rf_image_free(&depth);
    rf_image_free(&confidence);
    rf_image_free(&sigma);
    return status;
}
