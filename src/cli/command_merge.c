/* command_merge.c - railfold merge: one take, one picture. */
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/stack.h"
#include "cli/commands.h"
#include "cli/confine.h"
#include "cli/destination.h"
#include "cli/frames.h"
#include "cli/lengths.h"
#include "cli/progress.h"
#include "cli/stop.h"
#include "cli/talk.h"
#include "cli/values.h"

typedef struct merge_settings {
    rf_common common;
    rf_frame_options frames;
    const char *output, *depth, *confidence, *sigma, *depth_view, *page, *plan;
    int reference;
    double step_mm, pixel_mm;
    int view; /* rf_view, in the order of the words below */
    int no_align, no_gain, no_repair, skip_bad;
    int threads;
    double max_megapixels;
    size_t memory_bytes;
} merge_settings;

static const merge_settings defaults = {
    .frames.order = RF_ORDER_AS_GIVEN, .reference = RF_REFERENCE_MIDDLE, .view = RF_VIEW_PERSPECTIVE};

static int parse_reference(const char *text, void *field)
{
    static const int places[] = {RF_REFERENCE_FIRST, RF_REFERENCE_MIDDLE, RF_REFERENCE_LAST};
    int reference;
    if (rf_value_choice(text, "first|middle|last", &reference) == RF_VALUE_TAKEN)
        reference = places[reference];
    else if (rf_value_integer(text, &reference) != RF_VALUE_TAKEN || reference < 0)
        return 0;
    memcpy(field, &reference, sizeof reference);
    return 1;
}

#define FIELD(field) .offset = offsetof(merge_settings, field)

/* clang-format off */
static const rf_option options[] = {
    {.name = "output", .letter = 'o', .kind = RF_OPTION_PATH, FIELD(output), .value = "FILE",
     .help = "merged picture: .tif or .png (16 bit), .jpg (8 bit); default FOLDER-merged.tif beside the folder"},
    {.name = "depth", .kind = RF_OPTION_PATH, FIELD(depth), .value = "FILE",
     .help = "depth map: .tif (32-bit float, frame positions or mm) or .png (16 bit, scale in its text)"},
    {.name = "confidence", .kind = RF_OPTION_PATH, FIELD(confidence), .value = "FILE",
     .help = "how far each depth can be trusted, 0 to 1: .tif or .png"},
    {.name = "sigma", .kind = RF_OPTION_PATH, FIELD(sigma), .value = "FILE",
     .help = "standard deviation of each depth, in its unit: .tif or .png"},
    {.name = "depth-view", .kind = RF_OPTION_PATH, FIELD(depth_view), .value = "FILE",
     .help = "the depth map as a coloured picture: .png"},
    {.name = "page", .kind = RF_OPTION_PATH, FIELD(page), .value = "FILE",
     .help = "the run as one HTML page: pictures, plots, warnings"},
    RF_ROWS_FRAMES(merge_settings),
    {.name = "reference", .kind = RF_OPTION_CUSTOM, FIELD(reference), .value = "first|middle|last|N",
     .help = "the frame whose view the picture takes, N from 0; default middle",
     .expected = "first, middle, last or a frame number from 0", .parse = parse_reference},
    {.name = "step", .kind = RF_OPTION_LENGTH, FIELD(step_mm), .value = "LEN",
     .help = "rail step between frames, as 0.05mm or 50um: depth comes out in mm"},
    {.name = "view", .kind = RF_OPTION_CHOICE, FIELD(view), .value = "perspective|parallel",
     .help = "as the lens sees it from the reference frame (default), or to scale at every depth"},
    {.name = "pixel", .kind = RF_OPTION_LENGTH, FIELD(pixel_mm), .value = "LEN",
     .help = "size of a pixel on the subject in focus, as 1.2um"},
    {.name = "plan", .kind = RF_OPTION_PATH, FIELD(plan), .value = "FILE",
     .help = "take step and pixel from a report of railfold plan"},
    {.name = "no-align", .kind = RF_OPTION_FLAG, FIELD(no_align), .help = "take the frames as they lie"},
    {.name = "no-gain", .kind = RF_OPTION_FLAG, FIELD(no_gain), .help = "leave the brightness of the frames alone"},
    {.name = "no-repair", .kind = RF_OPTION_FLAG, FIELD(no_repair), .help = "leave hot pixels and dust alone"},
    {.name = "skip-bad", .kind = RF_OPTION_FLAG, FIELD(skip_bad), .help = "go on without frames that cannot be read"},
    {.name = "threads", .kind = RF_OPTION_INTEGER, FIELD(threads), .value = "N", .min = 1, .max = 256,
     .help = "how many threads work; default one per processor"},
    RF_ROW_MAX_MEGAPIXELS(merge_settings),
    {.name = "memory", .kind = RF_OPTION_SIZE, FIELD(memory_bytes), .value = "SIZE",
     .help = "hold no more than this, as 2G or 900M, or do not start"},
    RF_ROW_PROGRESS,
    RF_ROW_STRICT,
    RF_ROW_VERBOSE,
    {.name = NULL},
};
/* clang-format on */

static rf_status check_reference(const merge_settings *set, int frame_count, rf_error *err)
{
    if (set->reference >= frame_count)
        return rf_fail(err, RF_ERR_USAGE, "--reference %d is beyond the take, whose %d frame%s count from 0",
                       set->reference, frame_count, frame_count == 1 ? "" : "s");
    return RF_OK;
}

/* The frames, and the list that names them: all that must not be written to. *inputs from rf_alloc. */
static rf_status list_inputs(const merge_settings *set, const rf_sequence *take, const char ***inputs, int *count,
                             rf_error *err)
{
    const char *list = set->frames.list != NULL ? set->frames.list : set->frames.list0;
    rf_status status = rf_alloc(inputs, (size_t)take->count + 2, sizeof **inputs, "the list of inputs", err);
    if (status != RF_OK)
        return status;
    for (*count = 0; *count < take->count; ++*count)
        (*inputs)[*count] = take->paths[*count];
    if (list != NULL && strcmp(list, "-") != 0)
        (*inputs)[(*count)++] = list;
    if (set->plan != NULL)
        (*inputs)[(*count)++] = set->plan;
    return RF_OK;
}

enum { DESTINATIONS = 7 };

static void list_destinations(const merge_settings *set, const char *output, rf_destination list[DESTINATIONS])
{
    list[0] = (rf_destination){"--output", output, "tif|tiff|png|jpg|jpeg"};
    list[1] = (rf_destination){"--depth", set->depth, "tif|tiff|png"};
    list[2] = (rf_destination){"--confidence", set->confidence, "tif|tiff|png"};
    list[3] = (rf_destination){"--depth-view", set->depth_view, "png"};
    list[4] = (rf_destination){"--sigma", set->sigma, "tif|tiff|png"};
    list[5] = (rf_destination){"--page", set->page, "html|htm"};
    list[6] = (rf_destination){"--report", set->common.report, NULL};
}

/* Frames and outputs, settled before any work. *output_owned is the default name when one was made. */
static rf_status prepare(const merge_settings *set, const rf_arguments *arguments, rf_sequence *take,
                         char **output_owned, rf_error *err)
{
    rf_destination destinations[DESTINATIONS];
    const char *folder = NULL, **inputs = NULL;
    int input_count = 0;
    rf_status status;
    list_destinations(set, set->output, destinations);
    RF_TRY(rf_destinations_check_names(destinations, DESTINATIONS, err));
    RF_TRY(rf_frames_gather(&set->frames, arguments, take, &folder, err));
    if (set->output == NULL && folder == NULL) {
        status = rf_fail(err, RF_ERR_USAGE, "--output FILE is needed when the take is not a folder");
        goto done;
    }
    if (set->output == NULL)
        RF_TRY(rf_destination_beside(output_owned, folder, "-merged.tif", err));
    RF_TRY(check_reference(set, take->count, err));
    RF_TRY(list_inputs(set, take, &inputs, &input_count, err));
    list_destinations(set, set->output != NULL ? set->output : *output_owned, destinations);
    RF_TRY(rf_destinations_check(destinations, DESTINATIONS, inputs, input_count, set->common.force, err));
    if (rf_stop_asked())
        status = rf_fail(err, RF_ERR_STOPPED, "stopped; nothing was written");
    else
        (void)rf_confine(destinations, DESTINATIONS);
done:
    rf_free(inputs);
    return status;
}

static rf_merge_options merge_options(const merge_settings *set, const rf_sequence *take, const char *output)
{
    rf_merge_options merge = rf_merge_options_default();
    merge.frames = (const char *const *)take->paths;
    merge.frame_count = take->count;
    merge.output = output;
    merge.depth = set->depth;
    merge.confidence = set->confidence;
    merge.sigma = set->sigma;
    merge.depth_view = set->depth_view;
    merge.page = set->page;
    merge.reference = set->reference;
    merge.step_mm = set->step_mm;
    merge.pixel_mm = set->pixel_mm;
    merge.view = (rf_view)set->view;
    merge.no_align = set->no_align;
    merge.no_gain = set->no_gain;
    merge.no_repair = set->no_repair;
    merge.skip_bad = set->skip_bad;
    merge.force = set->common.force;
    merge.threads = set->threads;
    merge.max_pixels = (int64_t)(set->max_megapixels * 1e6);
    merge.memory_bytes = set->memory_bytes;
    merge.digests = set->common.report != NULL;
    return merge;
}

/* What --step and --pixel do not say, the plan's report may. */
static rf_status take_lengths(const merge_settings *set, rf_merge_options *merge, rf_error *err)
{
    double step_mm, pixel_mm;
    if (set->plan == NULL)
        return RF_OK;
    rf_status status = rf_lengths_of_report(set->plan, &step_mm, &pixel_mm, err);
    if (status == RF_OK && !(merge->step_mm > 0))
        merge->step_mm = step_mm;
    if (status == RF_OK && !(merge->pixel_mm > 0))
        merge->pixel_mm = pixel_mm;
    return status;
}

/* The report is the last output; then all of them get their names. */
static rf_status write_report(const merge_settings *set, const rf_run_report *report, rf_batch *batch, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_status status = RF_OK;
    const char *path = set->common.report;
    if (path != NULL)
        RF_TRY(rf_run_report_json(report, &text, &bytes, err));
    if (path != NULL && strcmp(path, "-") != 0)
        RF_TRY(rf_batch_add_text(batch, path, text, bytes, set->common.force, err));
    RF_TRY(rf_batch_name(batch, err));
    if (path != NULL && strcmp(path, "-") == 0)
        (void)fwrite(text, 1, bytes, stdout); /* main looks at the stream's state */
done:
    rf_free(text);
    return status;
}

/* Results: the paths written, one a line; the report stands alone when it goes to the same place. */
static void print_paths(const merge_settings *set, const char *output)
{
    if (set->common.report != NULL && strcmp(set->common.report, "-") == 0)
        return;
    rf_destination list[DESTINATIONS];
    list_destinations(set, output, list);
    for (int i = 0; i < DESTINATIONS; i++)
        if (list[i].path != NULL)
            puts(list[i].path);
}

/* "left out: FILE (reason)"; a reason that opens with the file's name need not repeat it. */
static void tell_unused(const rf_frame_report *frame)
{
    size_t bytes = strlen(frame->file);
    int repeats = strncmp(frame->reason, frame->file, bytes) == 0 && strncmp(frame->reason + bytes, ": ", 2) == 0;
    rf_talk(stderr, "left out: %s (%s)", frame->file, frame->reason + (repeats ? bytes + 2 : 0));
}

/* Tells what was not as it should be, that of single frames under -v, and returns how many times. With --strict this
 * decides the exit code, so it is told even with -q. */
static int tell_warnings(const merge_settings *set, const rf_run_report *report)
{
    int told = !set->common.quiet || set->common.strict, unused = 0, frame_warnings = 0;
    for (int i = 0; told && i < report->warning_count; i++)
        rf_talk(stderr, "warning: %s", report->warnings[i]);
    for (int i = 0; i < report->frame_count; i++) {
        const rf_frame_report *frame = &report->frames[i];
        if (told && !frame->used)
            tell_unused(frame);
        for (int j = 0; told && set->common.verbose && j < frame->warning_count; j++)
            rf_talk(stderr, "warning: %s: %s", frame->file, frame->warnings[j]);
        unused += !frame->used;
        frame_warnings += frame->warning_count;
    }
    if (told && !set->common.verbose && frame_warnings > 0)
        rf_talk(stderr, "warning: %d about single frames; -v tells them", frame_warnings);
    return report->warning_count + unused + frame_warnings;
}

static void tell_summary(const rf_run_report *report)
{
    char count[32], took[32], memory[32];
    int used = 0;
    for (int i = 0; i < report->frame_count; i++)
        used += report->frames[i].used;
    rf_talk(stderr, "merged %s of %d x %d pixels in %s, holding %s at most",
            rf_talk_count(count, sizeof count, used, "frame"), report->width, report->height,
            rf_talk_duration(took, sizeof took, report->seconds_total),
            rf_talk_bytes(memory, sizeof memory, (double)report->peak_memory_bytes));
}

static rf_status run_merge(rf_invocation *call, rf_error *err)
{
    const merge_settings *set = call->settings;
    char *output_owned = NULL;
    rf_sequence take;
    rf_run_report report;
    rf_progress progress;
    rf_batch *batch = NULL;
    rf_status status;
    rf_sequence_init(&take);
    rf_run_report_init(&report);
    RF_TRY(prepare(set, &call->arguments, &take, &output_owned, err));
    const char *output = set->output != NULL ? set->output : output_owned;
    if (set->common.verbose && !set->common.quiet)
        rf_frames_tell_left_out(&take);
    rf_merge_options merge = merge_options(set, &take, output);
    RF_TRY(rf_batch_create(&batch, err));
    merge.batch = batch;
    RF_TRY(take_lengths(set, &merge, err));
    rf_progress_init(&progress, stderr, (rf_progress_when)set->common.progress, set->common.quiet);
    merge.progress = rf_progress_step;
    merge.progress_arg = &progress;
    status = rf_stack_merge(&merge, &report, err);
    rf_progress_end(&progress);
    if (status != RF_OK)
        goto done;
    RF_TRY(write_report(set, &report, batch, err));
    call->warnings = tell_warnings(set, &report);
    if (!set->common.quiet)
        tell_summary(&report);
    print_paths(set, output);
done:
    rf_batch_destroy(&batch);
    rf_run_report_free(&report);
    rf_sequence_free(&take);
    rf_free(output_owned);
    return status;
}

const rf_command command_merge = {
    .name = "merge",
    .summary = "fold a take into one picture that is sharp from front to back",
    .operands = "FOLDER|FRAME...",
    .about = "Merges the frames of one take, shot along a rail, and writes the paths of what\n"
             "it made to standard output. Frames are JPEG, PNG or TIFF, all of one size and\n"
             "depth.\n"
             "\n"
             "  railfold merge pebble                            writes pebble-merged.tif\n"
             "  railfold merge --step 50um --depth depth.tif pebble\n"
             "  find moss -name '*.jpg' | sort -V | railfold merge --list - -o moss.jpg\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_merge,
};
