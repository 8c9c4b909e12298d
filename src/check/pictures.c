/* pictures.c - frames kept small for the page of a check. */
#include "check/pictures.h"

#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

enum { SIDE_PX = 640, QUALITY = 72 };

/* Whether frame k is one of those kept of `count`: both ends and what lies evenly between. */
static int is_wanted(int k, int count)
{
    if (count <= RF_CHECK_PICTURES)
        return 1;
    int64_t i = ((int64_t)k * (RF_CHECK_PICTURES - 1) + count / 2) / (count - 1);
    return ((int64_t)i * (count - 1) + (RF_CHECK_PICTURES - 1) / 2) / (RF_CHECK_PICTURES - 1) == k;
}

static void reduce_row(const rf_image *luma, int reduce, int y, uint8_t *out, int width)
{
    for (int x = 0; x < width; x++) {
        float sum = 0.0f;
        for (int j = 0; j < reduce; j++)
            for (int i = 0; i < reduce; i++)
                sum += rf_image_row_f32(luma, reduce * y + j)[reduce * x + i];
        sum *= 255.0f / (float)(reduce * reduce);
        out[x] = (uint8_t)(sum < 0.0f ? 0.0f : sum > 255.0f ? 255.0f : sum + 0.5f);
    }
}

rf_status rf_check_picture_keep(rf_check_result *result, int k, const rf_image *luma, rf_error *err)
{
    rf_status status;
    rf_image small = {0};
    int longer = luma->width > luma->height ? luma->width : luma->height, reduce = (longer + SIDE_PX - 1) / SIDE_PX;
    if (!is_wanted(k, result->frame_count) || result->picture_count == RF_CHECK_PICTURES)
        return RF_OK;
    if (result->pictures == NULL)
        RF_TRY(rf_alloc(&result->pictures, RF_CHECK_PICTURES, sizeof *result->pictures, "the page", err));
    int width = luma->width / reduce, height = luma->height / reduce;
    RF_TRY(rf_image_alloc(&small, width > 0 ? width : 1, height > 0 ? height : 1, 1, RF_U8, "the page", err));
    for (int y = 0; y < height; y++)
        reduce_row(luma, reduce, y, rf_image_row(&small, y), width);
    rf_check_picture *picture = &result->pictures[result->picture_count];
    RF_TRY(rf_picture_encode_jpeg(&small, NULL, QUALITY, &picture->bytes, &picture->count, err));
    picture->frame = k;
    result->picture_count++;
done:
    rf_image_free(&small);
    return status;
}
