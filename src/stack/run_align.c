/* run_align.c - pass 1: reduced luma of every frame into the aligner. */
#include "run.h"

#include <stdio.h>
#include <string.h>

#include "railfold/check.h"
#include "railfold/sensor.h"

enum { LUMA_SIDE_PX = 2200 }; /* registration gains nothing from more pixels along the longer side */

int rf_run_luma_reduce(int width, int height)
{
    int longer = width > height ? width : height, reduce = 1;
    while (reduce < 4 && longer / (2 * reduce) >= LUMA_SIDE_PX / 2)
        reduce *= 2;
    return reduce;
}

int rf_run_reads_lumas(const rf_run *run)
{
    return rf_run_luma_reduce(run->take.info.width, run->take.info.height) > 1;
}

enum { LARGEST_LOOK_REDUCE = 4 };

rf_depth_look rf_run_look(const rf_take *take, int side_px)
{
    int longer = take->info.width > take->info.height ? take->info.width : take->info.height;
    rf_depth_look look = {.end = take->report->frame_count, .reduce = 1};
    while (look.reduce < LARGEST_LOOK_REDUCE && longer / (2 * look.reduce) >= side_px)
        look.reduce *= 2;
    if (look.end > RF_LOOK_FRAMES) {
        look.first = (look.end - RF_LOOK_FRAMES) / 2;
        look.end = look.first + RF_LOOK_FRAMES;
    }
    return look;
}

void rf_run_forget_look(rf_run *run)
{
    for (int i = 0; i < RF_LOOK_FRAMES; i++)
        rf_image_free(&run->look.luma[i]);
}

/* A copy of frame k's luma for the depth's first look, when that wants it and will not be shown the halved ones. */
static rf_status keep_for_look(rf_run *run, int k, const rf_image *luma, int reduce, rf_error *err)
{
    rf_depth_look *look = &run->look;
    if (k < look->first || k >= look->end || reduce != look->reduce || reduce == 1 ||
        (reduce == 2 && rf_run_halves_all(run) && run->halves[k].data != NULL))
        return RF_OK;
    rf_image *kept = &look->luma[k - look->first];
    rf_status status =
        rf_image_alloc_raw(kept, luma->width, luma->height, 1, RF_F32, "the frames of a first look", err);
    if (status == RF_OK)
        memcpy(kept->data, luma->data, (size_t)luma->height * luma->stride_bytes);
    return status;
}

enum { SLOTS = RF_POOL_LANES + 1 }; /* one luma in hand, one in each lane */

typedef struct luma_slot {
    rf_run *run;
    int frame, reduce, halves;
    rf_image plane; /* a repaired luma, where the sensor has faults */
    rf_image luma;
    rf_status status;
    rf_error error;
} luma_slot;

/* Lumas in take order, the next ones decoded while the last is worked on. */
typedef struct luma_feed {
    rf_run *run;
    int reduce, halves;     /* lumas are made from halved ones, which are kept */
    luma_slot slots[SLOTS]; /* frame k in slot k % SLOTS, decoded on lane k % RF_POOL_LANES */
} luma_feed;

/* From the frame's halved luma, where it is kept or is to be. */
static rf_status read_luma(luma_slot *s, rf_error *err)
{
    rf_status status;
    rf_run *run = s->run;
    rf_image *half = &run->halves[s->frame], plane = {0};
    if (half->data == NULL && s->halves) {
        RF_TRY(rf_take_read_plane(&run->take, s->frame, &plane, err));
        RF_TRY(rf_run_keep_half(run, s->frame, &plane, NULL, err)); /* the pool is at work on another frame */
    }
    if (half->data == NULL)
        return rf_take_read_luma(&run->take, s->frame, s->reduce, &s->plane, &s->luma, err);
    if (s->luma.data == NULL)
        RF_TRY(rf_image_alloc_raw(&s->luma, run->take.info.width / s->reduce, run->take.info.height / s->reduce, 1,
                                  RF_F32, "a frame's luma", err));
    rf_image_luma(half, s->reduce / 2, &s->luma, NULL);
done:
    rf_image_free(&plane);
    return status;
}

static void decode_aside(void *arg)
{
    luma_slot *s = arg;
    s->error = (rf_error){0};
    s->status = read_luma(s, &s->error);
}

static void start(luma_feed *feed, int k)
{
    const rf_run_report *report = feed->run->take.report;
    luma_slot *s = &feed->slots[k % SLOTS];
    if (k >= report->frame_count)
        return;
    s->run = feed->run;
    s->frame = k;
    s->reduce = feed->reduce;
    s->halves = feed->halves;
    if (report->frames[k].used)
        rf_pool_side_on(feed->run->take.pool, k % RF_POOL_LANES, decode_aside, s);
}

static void end_feed(luma_feed *feed)
{
    for (int lane = 0; lane < RF_POOL_LANES; lane++)
        rf_pool_join_on(feed->run->take.pool, lane);
    for (int i = 0; i < SLOTS; i++) {
        rf_image_free(&feed->slots[i].plane);
        rf_image_free(&feed->slots[i].luma);
    }
}

/* What a look at poses and gains tells of the take (check.h): warnings and faults become warnings of the run. */
static rf_status warn_of_take(rf_run *run, const rf_align_result *result, rf_error *err)
{
    rf_take *take = &run->take;
    rf_check_result found;
    rf_check_known known = {.files = take->options->frames,
                            .frame_count = take->report->frame_count,
                            .width = take->info.width,
                            .height = take->info.height,
                            .poses = run->poses,
                            .align_frames = result->frames};
    rf_check_result_init(&found);
    rf_status status = rf_check_quick(&known, &found, err);
    for (int i = 0; i < found.finding_count && status == RF_OK; i++)
        if (found.findings[i].severity != RF_CHECK_NOTE)
            status = rf_run_report_warn(take->report, err, "%s", found.findings[i].text);
    rf_check_result_free(&found);
    return status;
}

static rf_status report_result(rf_run *run, const rf_align_result *result, rf_error *err)
{
    rf_take *take = &run->take;
    rf_run_report *report = take->report;
    rf_status status = RF_OK;
    report->scale_per_step = result->scale_per_step;
    report->working_distance_steps = result->working_distance_steps;
    run->far_first = result->way == RF_RAIL_RETREATS;
    for (int k = 0; k < report->frame_count && status == RF_OK; k++) {
        const rf_align_frame *frame = &result->frames[k];
        if (!report->frames[k].used)
            continue;
        if (!frame->usable)
            rf_take_leave_out(take, k, "blank: next to no contrast against the rest of the take");
        else if (!frame->measured)
            status =
                rf_frame_report_warn(&report->frames[k], err,
                                     "shares nothing sharp with its neighbours; its pose is what the rail suggests");
        else if (frame->bumped)
            status = rf_frame_report_warn(&report->frames[k], err, "stands %.1f px off the path of its neighbours",
                                          frame->bump_px);
    }
    return status;
}

static rf_status no_align(rf_run *run)
{
    for (int k = 0; k < run->take.report->frame_count; k++)
        run->poses[k] = rf_pose_identity();
    return RF_OK;
}

/* Waits for frame k's luma and starts on another; *luma is NULL for a frame that is not used, or cannot be read where
 * the run allows that. */
static rf_status next_luma(luma_feed *feed, int k, const rf_image **luma, rf_error *err)
{
    rf_take *take = &feed->run->take;
    rf_status status = RF_OK;
    luma_slot *s = &feed->slots[k % SLOTS];
    *luma = NULL;
    rf_pool_join_on(take->pool, k % RF_POOL_LANES);
    if (take->report->frames[k].used) {
        if (s->status == RF_OK)
            *luma = &s->luma;
        else
            status = rf_take_bad_frame(take, k, s->status, &s->error, err);
    }
    if (status == RF_OK)
        start(feed, k + RF_POOL_LANES);
    return status;
}

/* Feeds every frame to the aligner; *moved: the reference turned out unreadable and is another one now. */
static rf_status feed_aligner(rf_run *run, rf_align *align, rf_shadow *shadow, int reduce, int *moved, rf_error *err)
{
    rf_take *take = &run->take;
    int count = take->report->frame_count, reference = take->reference;
    rf_status status = RF_OK;
    luma_feed feed = {.run = run, .reduce = reduce, .halves = rf_run_halves_all(run)};
    *moved = 0;
    for (int k = 0; k < RF_POOL_LANES; k++)
        start(&feed, k);
    for (int k = 0; k < count && !*moved; k++) {
        const rf_image *luma;
        RF_TRY(rf_take_progress(take, "align", k, count, err));
        RF_TRY(next_luma(&feed, k, &luma, err));
        RF_TRY(rf_align_add_frame(align, luma, err));
        if (luma != NULL && shadow != NULL)
            RF_TRY(rf_shadow_keep(shadow, k, luma, err));
        if (luma != NULL)
            RF_TRY(keep_for_look(run, k, luma, reduce, err));
        *moved = take->reference != reference;
    }
    RF_TRY(rf_take_progress(take, "align", count, count, err));
done:
    end_feed(&feed);
    return status;
}

static rf_status solve(rf_run *run, rf_align *align, rf_error *err)
{
    rf_align_result result;
    rf_status status = rf_align_solve(align, run->poses, &result, err);
    if (status == RF_OK)
        status = report_result(run, &result, err);
    if (status == RF_OK)
        status = warn_of_take(run, &result, err);
    for (int k = 0; k < run->take.report->frame_count; k++) {
        rf_pose still = rf_pose_identity();
        if (!run->take.options->no_align && k != run->take.reference)
            continue; /* the reference stays where it is, to the last bit: it alone covers every pixel */
        for (int c = 0; c < 3; c++)
            still.gain[c] = run->poses[k].gain[c];
        run->poses[k] = still;
    }
    return status;
}

/* Dust is looked for again once the poses are known; not where frames are to stay as they lie, for then nothing moves,
 * and not where it is to be left alone. */
static rf_status open_shadow(rf_run *run, rf_shadow **shadow, int reduce, rf_error *err)
{
    const rf_take *take = &run->take;
    if (take->options->no_align || take->options->no_repair)
        return RF_OK;
    return rf_shadow_create(shadow, take->info.width, take->info.height, reduce, take->report->frame_count, take->pool,
                            err);
}

rf_status rf_run_align(rf_run *run, rf_error *err)
{
    rf_take *take = &run->take;
    rf_status status = RF_OK;
    rf_align *align = NULL;
    rf_shadow *shadow = NULL;
    int moved = 1;
    run->look = rf_run_look(take, RF_LOOK_SIDE_PX);
    if (take->options->no_align && take->options->no_gain)
        return no_align(run);
    rf_align_options options = rf_align_options_default();
    options.full_width = take->info.width;
    options.full_height = take->info.height;
    options.reduce = rf_run_luma_reduce(take->info.width, take->info.height);
    options.frame_count = take->report->frame_count;
    options.no_gain = take->options->no_gain;
    while (moved) { /* starts over in the rare case that the reference cannot be read */
        rf_align_destroy(&align);
        rf_shadow_destroy(&shadow);
        options.reference = take->reference;
        RF_TRY(rf_align_create(&align, &options, take->pool, err));
        RF_TRY(open_shadow(run, &shadow, options.reduce, err));
        RF_TRY(feed_aligner(run, align, shadow, options.reduce, &moved, err));
    }
    if (!rf_run_halves_all(run))
        rf_run_forget_halves(run);
    RF_TRY(solve(run, align, err));
    if (shadow != NULL)
        RF_TRY(rf_shadow_finish(shadow, run->poses, &take->sensor, err));
    RF_TRY(rf_run_dust_found(run, take->report->dust_spots, err));
    take->report->dust_spots = take->sensor.dust_count;
done:
    rf_align_destroy(&align);
    rf_shadow_destroy(&shadow);
    return status;
}
