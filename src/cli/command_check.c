/* command_check.c - railfold check: is the take good? */
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "railfold/check.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "cli/check_view.h"
#include "cli/commands.h"
#include "cli/confine.h"
#include "cli/destination.h"
#include "cli/frames.h"
#include "cli/progress.h"
#include "cli/stop.h"
#include "cli/talk.h"

typedef struct check_settings {
    rf_common common;
    rf_frame_options frames;
    const char *plan, *page;
    int watch, threads;
    double max_megapixels;
} check_settings;

static const check_settings defaults = {.frames.order = RF_ORDER_AS_GIVEN};

enum { PLAN_BYTES_MOST = 1 << 20 };

#define FIELD(field) .offset = offsetof(check_settings, field)

/* clang-format off */
static const rf_option options[] = {
    {.name = "plan", .kind = RF_OPTION_PATH, FIELD(plan), .value = "FILE",
     .help = "hold the take against what railfold plan --report wrote"},
    {.name = "page", .kind = RF_OPTION_PATH, FIELD(page), .value = "FILE",
     .help = "the findings as one HTML page: places, plots, frames"},
    {.name = "watch", .kind = RF_OPTION_FLAG, FIELD(watch),
     .help = "stay, and check again as frames arrive in the folder; Ctrl-C ends it"},
    RF_ROWS_FRAMES(check_settings),
    {.name = "threads", .kind = RF_OPTION_INTEGER, FIELD(threads), .value = "N", .min = 1, .max = 256,
     .help = "how many threads work; default one per processor"},
    RF_ROW_MAX_MEGAPIXELS(check_settings),
    RF_ROW_PROGRESS,
    {.name = "strict", .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, strict),
     .help = "end with exit code 7 when the verdict is not good"},
    {.name = NULL},
};
/* clang-format on */

static rf_status read_plan(const char *path, rf_check_plan *plan, rf_error *err)
{
    rf_status status;
    char *text = NULL;
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return rf_fail(err, RF_ERR_INPUT, "the plan %s cannot be read: %s", path,
                       errno == ENOENT ? "there is no such file" : strerror(errno));
    RF_TRY(rf_alloc(&text, PLAN_BYTES_MOST, 1, "the plan", err));
    size_t bytes = fread(text, 1, PLAN_BYTES_MOST, file);
    if (ferror(file))
        RF_TRY(rf_fail(err, RF_ERR_INPUT, "the plan %s cannot be read", path));
    RF_TRY(rf_check_plan_read(plan, text, bytes, path, err));
done:
    rf_free(text);
    (void)fclose(file);
    return status;
}

static rf_status write_report(const check_settings *set, const rf_check_result *result, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_status status = RF_OK;
    if (set->common.report == NULL)
        return RF_OK;
    RF_TRY(rf_check_json(result, &text, &bytes, err));
    if (strcmp(set->common.report, "-") == 0)
        (void)fwrite(text, 1, bytes, stdout); /* main looks at the stream's state */
    else
        RF_TRY(rf_text_write(set->common.report, text, bytes, set->common.force, err));
done:
    rf_free(text);
    return status;
}

/* The folder's name, else the first frame's folder: what the photographer calls the take. */
static void name_take(const rf_sequence *take, const rf_arguments *arguments, char *out, size_t room)
{
    const char *path = arguments->operand_count == 1 ? arguments->operands[0] : take->paths[0];
    const char *end = path + strlen(path);
    if (arguments->operand_count != 1 && strrchr(path, '/') != NULL)
        end = strrchr(path, '/');
    while (end > path + 1 && end[-1] == '/')
        end--;
    const char *begin = end;
    while (begin > path && begin[-1] != '/')
        begin--;
    size_t bytes = (size_t)(end - begin) < room - 1 ? (size_t)(end - begin) : room - 1;
    memcpy(out, begin, bytes);
    out[bytes] = '\0';
}

static rf_status write_page(const check_settings *set, const rf_check_result *result, const rf_sequence *take,
                            const rf_arguments *arguments, rf_error *err)
{
    char *text = NULL, title[256];
    size_t bytes = 0;
    rf_status status = RF_OK;
    if (set->page == NULL)
        return RF_OK;
    name_take(take, arguments, title, sizeof title);
    RF_TRY(rf_check_page(result, title, &text, &bytes, err));
    RF_TRY(rf_text_write(set->page, text, bytes, set->common.force, err));
done:
    rf_free(text);
    return status;
}

static rf_status watch(const check_settings *set, const rf_arguments *arguments, const rf_check_options *check,
                       rf_error *err)
{
    if (set->common.report != NULL || set->page != NULL)
        return rf_fail(err, RF_ERR_USAGE, "--watch has no end to report on: leave %s out",
                       set->page != NULL ? "--page" : "--report");
    if (set->frames.list != NULL || set->frames.list0 != NULL || arguments->operand_count != 1)
        return rf_fail(err, RF_ERR_USAGE, "--watch needs one folder, and no list");
    (void)rf_confine(NULL, 0);
    return rf_check_watch(arguments->operands[0], &set->frames, check, err);
}

static rf_status gather(const check_settings *set, const rf_arguments *arguments, rf_sequence *take, rf_error *err)
{
    const char *folder;
    const rf_destination results[] = {{"--report", set->common.report, NULL}, {"--page", set->page, "html|htm"}};
    rf_status status;
    RF_TRY(rf_destinations_check_names(results, 2, err));
    RF_TRY(rf_frames_gather(&set->frames, arguments, take, &folder, err));
    RF_TRY(rf_destinations_check(results, 2, (const char *const *)take->paths, take->count, set->common.force, err));
    if (rf_stop_asked())
        status = rf_fail(err, RF_ERR_STOPPED, "stopped; nothing was written");
    else
        (void)rf_confine(results, 2);
done:
    return status;
}

static int stop_between(void *arg, const char *stage, int done, int total)
{
    (void)arg, (void)stage, (void)done, (void)total;
    return rf_stop_asked();
}

static rf_status run_check(rf_invocation *call, rf_error *err)
{
    const check_settings *set = call->settings;
    rf_sequence take;
    rf_check_result result;
    rf_check_plan plan;
    rf_progress progress;
    rf_status status;
    rf_check_options check = rf_check_options_default();
    rf_sequence_init(&take);
    rf_check_result_init(&result);
    check.threads = set->threads;
    check.max_pixels = (int64_t)(set->max_megapixels * 1e6);
    if (set->plan != NULL) {
        RF_TRY(read_plan(set->plan, &plan, err));
        check.plan = &plan;
    }
    if (set->watch) {
        check.progress = stop_between;
        return watch(set, &call->arguments, &check, err);
    }
    RF_TRY(gather(set, &call->arguments, &take, err));
    check.frames = (const char *const *)take.paths;
    check.frame_count = take.count;
    check.pictures = set->page != NULL;
    rf_progress_init(&progress, stderr, (rf_progress_when)set->common.progress, set->common.quiet);
    check.progress = rf_progress_step;
    check.progress_arg = &progress;
    status = rf_check_take(&check, &result, err);
    rf_progress_end(&progress);
    if (status != RF_OK)
        goto done;
    RF_TRY(write_report(set, &result, err));
    RF_TRY(write_page(set, &result, &take, &call->arguments, err));
    call->warnings = result.verdict != RF_CHECK_GOOD;
    if (set->common.report == NULL || strcmp(set->common.report, "-") != 0)
        rf_check_view_print(&result);
    else if (set->common.strict && call->warnings > 0) /* the exit code needs its reason, and stdout is for a program */
        rf_talk(stderr, "%s: %s", rf_check_verdict_name(result.verdict), result.findings[0].text);
done:
    rf_check_result_free(&result);
    rf_sequence_free(&take);
    return status;
}

const rf_command command_check = {
    .name = "check",
    .summary = "look whether a take is good, before the specimen is gone",
    .operands = "FOLDER|FRAME...",
    .about = "Reads a take at reduced size and says in one line whether it is good, usable or to be\n"
             "taken again, and why: bumps, shaken frames, steps left out or taken twice, ends that\n"
             "are not covered, light that changes, clipped whites, parts that moved. Findings and\n"
             "one row a frame follow. The exit code is 0 when the check ran, whatever it found; see\n"
             "--strict.\n"
             "\n"
             "  railfold check pebble\n"
             "  railfold check --plan plan.json --page check.html pebble\n"
             "  railfold check --watch pebble                during the take\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_check,
};
