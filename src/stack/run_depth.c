/* run_depth.c - passes 2 and 3: sharpness and depth, and the view of the near parts. Which frames are read, and how
 * large, follows from the blur gained a step: everything in the depth module suits about a pixel. */
#include <math.h>
#include <string.h>

#include "railfold/warp.h"
#include "run.h"

/* Blur gained a step, pixels of disc radius: below, steps count as too fine for reading depth off all of them; above,
 * frames as too large for reading it off their pixels. */
#define FINE_BLUR_PX 0.4
#define COARSE_BLUR_PX 1.7
#define SETTLED_SHARE 0.1 /* a size is kept when the blur told misses its range by less */
enum { FEWEST_FOR_DEPTH = 8, LARGEST_REDUCE = 4 };
enum { SMALLEST_SIDE_PX = 1500 }; /* of reduced frames, the longer side: in fewer pixels bristles are too thin */
enum { SECOND_LOOK_SIDE_PX = 256 };

/* Standard deviation of a frame's noise that the merge reckons with. The energy's floor is the square of what noise
 * leaves in a Laplacian after a Gaussian of 0.7 px (power gain 0.773, computed), as the low twentieth of a pooled,
 * drawn-in map, which is below its mean: the factor was measured on takes whose noise is known (1.9: JPEG and 16 bit
 * alike). */
static float noise_of_floor(float floor)
{
    float noise = 1.9f * sqrtf(floor / 0.773f);
    return noise < 0.0005f ? 0.0005f : noise > 0.05f ? 0.05f : noise;
}

/* ---- passes over some of the frames ---- */

typedef struct depth_run {
    rf_depth *depth;
    rf_reading reading;
    int small; /* a look: the output, too, is of the reduced size */
    rf_depth_look
        *frames;       /* its frames, as decoded: pass 1, and pass 0 where they were given, is shown them from here */
    int given, halved; /* they are the halved lumas */
} depth_run;

static rf_status add_to_depth(rf_run *run, int k, const rf_source *source, void *arg, rf_error *err)
{
    const depth_run *r = arg;
    (void)run;
    return rf_depth_add_source(r->depth, (k - r->reading.first) / r->reading.stride, source, err);
}

/* Keeps a copy of the frame as well: of a few small ones all together take less than one whole frame's depth does. */
static rf_status look_and_keep(rf_run *run, int k, const rf_source *source, void *arg, rf_error *err)
{
    depth_run *r = arg;
    const rf_image *frame = source->frame;
    rf_image *kept = &r->frames->luma[k - r->frames->first];
    rf_status status = rf_image_alloc_raw(kept, frame->width, frame->height, frame->channels, frame->sample,
                                          "the frames of a first look", err);
    if (status != RF_OK)
        return status;
    memcpy(kept->data, frame->data, (size_t)frame->height * frame->stride_bytes);
    return add_to_depth(run, k, source, arg, err);
}

static int shows_kept(const rf_run *run, const depth_run *r, int pass)
{
    if (r->small)
        return pass > 0 || r->given;
    return pass == 0 && r->reading.reduce == 2 && rf_run_has_halves(run);
}

static rf_status show_kept(rf_run *run, depth_run *r, int done, int total, rf_error *err)
{
    rf_status status = RF_OK;
    for (int k = r->reading.first; k < r->reading.end && status == RF_OK; k += r->reading.stride) {
        if (!run->take.report->frames[k].used)
            continue;
        const rf_image *kept = r->small && !r->halved ? &r->frames->luma[k - r->frames->first] : &run->halves[k];
        status = r->small ? RF_OK : rf_take_progress(&run->take, "depth", done + k, total, err);
        if (status == RF_OK)
            status = rf_run_show(run, k, kept, r->reading.reduce, add_to_depth, r, err);
    }
    return status;
}

/* Begins to decode what a pass reads. */
static void begin_pass(rf_run *run, const depth_run *r, int pass)
{
    rf_reading now = r->reading;
    if (shows_kept(run, r, pass))
        return;
    now.luma = pass == 0 && rf_run_reads_lumas(run);
    now.ahead = now.luma ? RF_FEED_AHEAD : now.ahead;
    now.reduce = pass == 0 ? now.reduce : 1; /* the near view is gathered at full size */
    rf_run_begin_pass(run, now);
}

/* One pass over the frames, all of them counted as `all`. */
static rf_status run_one_pass(rf_run *run, depth_run *r, int pass, int all, rf_error *err)
{
    int total = rf_depth_passes(r->depth) * all;
    rf_status status = shows_kept(run, r, pass) ? show_kept(run, r, pass * all, total, err)
                                                : rf_run_pass(run, "depth", pass * all, total,
                                                              r->small ? look_and_keep : add_to_depth, r, err);
    if (!r->small) { /* the next pass holds more */
        rf_run_forget_halves(run);
        rf_take_forget_lumas(&run->take);
    }
    return status;
}

static rf_status run_passes(rf_run *run, depth_run *r, rf_error *err)
{
    rf_status status;
    const rf_take *take = &run->take;
    const rf_reading *reading = &r->reading;
    int all = take->report->frame_count, some = (reading->end - 1 - reading->first) / reading->stride + 1;
    int reduce = r->small ? reading->reduce : 1, passes;
    rf_depth_options options = {.far_first = run->far_first,
                                .reduce = r->small ? 1 : reading->reduce,
                                .depth_alone = rf_run_wants_depth_alone(run)};
    begin_pass(run, r, 0);
    RF_TRY(rf_depth_create(&r->depth, take->info.width / reduce, take->info.height / reduce, some, &options, take->pool,
                           err));
    passes = rf_depth_passes(r->depth);
    for (int i = 0; i < passes; i++) {
        RF_TRY(rf_depth_begin_pass(r->depth, i, err));
        RF_TRY(run_one_pass(run, r, i, all, err));
        if (i + 1 < passes)
            begin_pass(run, r, i + 1);
        RF_TRY(rf_depth_end_pass(r->depth, err));
    }
done:
    return status;
}

/* ---- which frames, how large ---- */

/* With steps much finer than the depth of field a focus curve is dozens of frames wide and no sharper for it: depth is
 * then read off every stride-th frame, so that the blur gained from one to the next is about a pixel. What the take
 * tells of its blur decides; where it tells nothing, twice and four times the stride are tried before the first is
 * taken. */
static int next_stride(int stride, double blur, int count, int *unknown)
{
    int wanted = stride;
    if (blur > 0 && blur < FINE_BLUR_PX)
        wanted = (int)(stride / blur + 0.5);
    else if (!(blur > 0) && *unknown < 3)
        wanted = ++*unknown < 3 ? 2 * stride : 1;
    return wanted > 1 && count / wanted < FEWEST_FOR_DEPTH ? (blur > 0 ? stride : 1) : wanted;
}

/* With more pixels than a step's blur calls for, pooling and votes reach too few of them: near parts that are smooth
 * inside show the ground through. Frames are then measured reduced; outlines are brought back to full size. */
static int next_reduce(int reduce, double blur, const rf_frame_info *info)
{
    int longer = info->width > info->height ? info->width : info->height, wanted = 1;
    while (wanted < LARGEST_REDUCE && blur > COARSE_BLUR_PX * wanted && longer / (2 * wanted) >= SMALLEST_SIDE_PX)
        wanted *= 2;
    double least = reduce > 1 ? COARSE_BLUR_PX * reduce / 2 * (1 - SETTLED_SHARE) : 0;
    double most = reduce < LARGEST_REDUCE ? COARSE_BLUR_PX * reduce * (1 + SETTLED_SHARE) : INFINITY;
    return blur > least && blur < most ? reduce : wanted;
}

/* A second frame decoded ahead is held beside pass 1, which is to stay below what settling the edges takes (depth.h):
 * frames of 3 bytes a pixel fit. */
static int ahead_of(const rf_frame_info *info)
{
    return info->channels * (int)rf_sample_bytes(info->sample) <= 3 ? 2 : 1;
}

static rf_reading reading_of(int stride, int reduce, int count, const rf_frame_info *info)
{
    return (rf_reading){
        .first = (count - 1) % stride / 2, .end = count, .stride = stride, .reduce = reduce, .ahead = ahead_of(info)};
}

/* A look at a few frames in the middle of the take, reduced: the blur they tell, 0 when they do not or are too small to
 * be reduced. */
static rf_status look_at_blur(rf_run *run, rf_depth_look *look, double *blur, rf_error *err)
{
    rf_status status;
    const rf_frame_report *frames = run->take.report->frames;
    int used = 0, given = 0;
    depth_run r = {.reading = reading_of(1, look->reduce, look->end, &run->take.info), .small = 1, .frames = look};
    *blur = 0;
    r.reading.first = look->first;
    for (int k = look->first; k < look->end; k++) {
        used += frames[k].used;
        given += frames[k].used && look->luma[k - look->first].data != NULL;
    }
    if (look->reduce == 1 || used < RF_LOOK_FRAMES / 2)
        return RF_OK;
    r.halved = look->reduce == 2 && rf_run_has_halves(run);
    r.given = r.halved || given == used;
    RF_TRY(run_passes(run, &r, err));
    *blur = look->reduce * rf_depth_blur_px_per_step(r.depth);
done:
    rf_depth_destroy(&r.depth);
    for (int i = 0; i < RF_LOOK_FRAMES; i++)
        rf_image_free(&look->luma[i]);
    return status;
}

/* Near the picture's border not every frame covers every place. A depth found next to a frame that is missing there is
 * not known to be the sharpest: little confidence, and a deviation as measured on rendered takes. */
#define OPEN_STEPS 1.5
#define OPEN_CONFIDENCE 0.25f
#define OPEN_SIGMA_STEPS 1.0f
enum { OPEN_MARGIN_PX = 6 }; /* what the measure of sharpness looks at beyond a place */

static void doubt_row(rf_depth_maps *maps, int y, int from, int to, double k, float stride)
{
    const float *depth = rf_image_row_f32(&maps->depth, y);
    float *confidence = rf_image_row_f32(&maps->confidence, y), *sigma = rf_image_row_f32(&maps->sigma, y);
    for (int x = from; x < to; x++)
        if (fabs((double)depth[x] - k) <= OPEN_STEPS * (double)stride) {
            confidence[x] = fminf(confidence[x], OPEN_CONFIDENCE);
            sigma[x] = fmaxf(sigma[x], OPEN_SIGMA_STEPS * stride);
        }
}

static void doubt_uncovered(rf_run *run, rf_reading reading)
{
    int width = run->take.info.width, height = run->take.info.height, margin = OPEN_MARGIN_PX * reading.reduce;
    const int(*spans)[2] = (const int(*)[2])run->covered;
    for (int k = reading.first; k < reading.end; k += reading.stride) {
        if (!run->take.report->frames[k].used)
            continue;
        rf_warp_spans(&run->poses[k], width, height, width, height, run->covered);
        for (int y = 0; y < height; y++) {
            const int *above = spans[y > margin ? y - margin : 0];
            const int *below = spans[y + margin < height ? y + margin : height - 1];
            int begin = above[0] > below[0] ? above[0] : below[0], end = above[1] < below[1] ? above[1] : below[1];
            begin = begin > 0 ? begin + margin : 0;
            end = end < width ? end - margin : width;
            begin = begin < width ? begin : width;
            doubt_row(&run->maps, y, 0, begin, k, (float)reading.stride);
            doubt_row(&run->maps, y, end > begin ? end : begin, width, k, (float)reading.stride);
        }
    }
}

/* Positions among every stride-th frame become frame numbers. */
static void number_frames(rf_depth_maps *maps, rf_reading reading)
{
    for (int y = 0; y < maps->depth.height && reading.stride > 1; y++) {
        float *depth = rf_image_row_f32(&maps->depth, y);
        for (int x = 0; x < maps->depth.width; x++)
            depth[x] = (float)reading.first + (float)reading.stride * depth[x];
    }
    for (int y = 0; y < maps->sigma.height && reading.stride > 1; y++) {
        float *sigma = rf_image_row_f32(&maps->sigma, y);
        for (int x = 0; x < maps->sigma.width; x++)
            sigma[x] *= (float)reading.stride;
    }
}

/* Passes over the frames, again with others of them or at another size where the blur they told asks for it. Blur of
 * several pixels a step is told by small frames only: in whole ones a step takes all detail away. */
static rf_status find_depth(rf_run *run, depth_run *r, rf_error *err)
{
    rf_status status;
    rf_run_report *report = run->take.report;
    int unknown = 0, count = report->frame_count, sized = 0;
    rf_depth_look second = rf_run_look(&run->take, SECOND_LOOK_SIDE_PX);
    double blur;
    RF_TRY(look_at_blur(run, &run->look, &blur, err));
    r->reading = reading_of(1, blur > 0 ? next_reduce(1, blur, &run->take.info) : 1, count, &run->take.info);
    if (r->reading.reduce > 1)
        rf_take_forget_lumas(&run->take);
    for (;;) {
        RF_TRY(run_passes(run, r, err));
        blur = rf_depth_blur_px_per_step(r->depth);
        if (!(blur > 0) && unknown == 0 && r->reading.reduce == 1)
            RF_TRY(look_at_blur(run, &second, &blur, err));
        report->blur_px_per_step = blur / r->reading.stride;
        int reduce = blur > 0 && !sized ? next_reduce(r->reading.reduce, blur, &run->take.info) : r->reading.reduce;
        int stride = next_stride(r->reading.stride, blur, count, &unknown);
        if (stride == r->reading.stride && reduce == r->reading.reduce)
            break;
        sized |= reduce != r->reading.reduce; /* once: blur told at two sizes may differ a little */
        rf_depth_destroy(&r->depth);
        r->reading = reading_of(stride, stride > 1 ? 1 : reduce, count, &run->take.info);
    }
done:
    return status;
}

rf_status rf_run_depth(rf_run *run, rf_image *near_view, rf_error *err)
{
    rf_status status;
    depth_run r = {0};
    RF_TRY(find_depth(run, &r, err));
    RF_TRY(rf_depth_result(r.depth, &run->maps, err));
    number_frames(&run->maps, r.reading);
    if (run->maps.confidence.data != NULL)
        doubt_uncovered(run, r.reading);
    run->noise = noise_of_floor(rf_depth_noise_floor(r.depth));
    rf_depth_take_guide(r.depth, near_view);
done:
    rf_depth_destroy(&r.depth);
    return status;
}
