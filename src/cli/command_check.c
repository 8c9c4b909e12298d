/* command_check.c - railfold check: is the take good? */
#include <stdio.h>
#include <string.h>

#include "railfold/check.h"
#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "cli/commands.h"
#include "cli/destination.h"
#include "cli/frames.h"
#include "cli/progress.h"
#include "cli/stop.h"
#include "cli/talk.h"

typedef struct check_settings {
    rf_common common;
    rf_frame_options frames;
    const char *plan;
    int threads;
} check_settings;

static const check_settings defaults = {.frames.order = RF_ORDER_AS_GIVEN};

#define FIELD(field) .offset = offsetof(check_settings, field)

/* clang-format off */
static const rf_option options[] = {
    RF_ROWS_FRAMES(check_settings),
    {.name = "threads", .kind = RF_OPTION_INTEGER, FIELD(threads), .value = "N", .min = 1, .max = 256,
     .help = "how many threads work; default one per processor"},
    RF_ROW_PROGRESS,
    RF_ROW_STRICT,
    {.name = NULL},
};
/* clang-format on */

static rf_status write_report(const check_settings *set, const rf_check_result *result, rf_error *err)
{
    char *text = NULL;
    size_t bytes = 0;
    rf_status status = RF_OK;
    if (set->common.report == NULL)
        return RF_OK;
    RF_TRY(rf_check_json(result, &text, &bytes, err));
    if (strcmp(set->common.report, "-") == 0)
        (void)fwrite(text, 1, bytes, stdout);
    else
        RF_TRY(rf_text_write(set->common.report, text, bytes, set->common.force, err));
done:
    rf_free(text);
    return status;
}

static void print_result(const rf_check_result *result)
{
    rf_talk(stdout, "%s", rf_check_verdict_name(result->verdict));
    for (int i = 0; i < result->finding_count; i++)
        rf_talk(stdout, "%-7s %-15s %s", rf_check_severity_name(result->findings[i].severity),
                rf_check_kind_name(result->findings[i].kind), result->findings[i].text);
}

static rf_status run_check(rf_invocation *call, rf_error *err)
{
    const check_settings *set = call->settings;
    rf_sequence take;
    rf_check_result result;
    rf_progress progress;
    const char *folder;
    rf_status status;
    rf_sequence_init(&take);
    rf_check_result_init(&result);
    RF_TRY(rf_frames_gather(&set->frames, &call->arguments, &take, &folder, err));
    rf_check_options check = rf_check_options_default();
    check.frames = (const char *const *)take.paths;
    check.frame_count = take.count;
    check.threads = set->threads;
    rf_progress_init(&progress, stderr, (rf_progress_when)set->common.progress, set->common.quiet);
    check.progress = rf_progress_step;
    check.progress_arg = &progress;
    status = rf_check_take(&check, &result, err);
    rf_progress_end(&progress);
    if (status != RF_OK)
        goto done;
    RF_TRY(write_report(set, &result, err));
    if (set->common.report == NULL || strcmp(set->common.report, "-") != 0)
        print_result(&result);
done:
    rf_check_result_free(&result);
    rf_sequence_free(&take);
    return status;
}

const rf_command command_check = {
    .name = "check",
    .summary = "look whether a take is good, before the specimen is gone",
    .operands = "FOLDER|FRAME...",
    .about = "Looks at a take.\n",
    .options = options,
    .defaults = &defaults,
    .settings_bytes = sizeof defaults,
    .run = run_check,
};
