/* fuzz_report.c - the report of a plan, as `merge --plan` and `depth --plan` read it from a file, and as `check --plan`
 * does; and its bytes as a text that a report of our own carries. */
#include "fuzz.h"

#include <math.h>
#include <string.h>

#include "railfold/check.h"
#include "railfold/memory.h"
#include "cli/lengths.h"
#include "report/json.h"

enum { MOST_HELD_BYTES = 64 << 20 };

static void read_lengths(const uint8_t *data, size_t bytes)
{
    rf_error err = {0};
    double step_mm = 0, pixel_mm = 0;
    rf_status status = rf_lengths_of_report(fuzz_file(0, data, bytes), &step_mm, &pixel_mm, &err);
    fuzz_check_failure(status, &err);
    FUZZ_LAW(status != RF_OK || (isfinite(step_mm) && isfinite(pixel_mm) && (step_mm > 0 || pixel_mm > 0)));
}

static void read_plan(const char *text, size_t bytes)
{
    rf_error err = {0};
    rf_check_plan plan;
    rf_status status = rf_check_plan_read(&plan, text, bytes, "plan.json", &err);
    fuzz_check_failure(status, &err);
    FUZZ_LAW(status != RF_OK || (isfinite(plan.step_mm) && isfinite(plan.scale_per_step) && isfinite(plan.f_number) &&
                                 isfinite(plan.shutter_s) && plan.frames >= 0));
}

/* As `value` of a member, the text must come out as one JSON line whose object both readers walk through. */
static void write_text(char *text)
{
    rf_error err = {0};
    rf_json json;
    char *written = NULL;
    size_t written_bytes = 0;
    double step_mm = 0, pixel_mm = 0;
    rf_check_plan plan;
    rf_json_begin(&json, &err);
    rf_json_open(&json, NULL, '{', 0);
    rf_json_text(&json, "command", "plan");
    rf_json_text(&json, "value", text);
    rf_json_number(&json, "step_mm", 0.05);
    rf_json_close(&json, '}');
    FUZZ_LAW(rf_json_finish(&json, &written, &written_bytes) == RF_OK);
    FUZZ_LAW(rf_lengths_of_report(fuzz_file(1, (const uint8_t *)written, written_bytes), &step_mm, &pixel_mm, &err) ==
             RF_OK);
    FUZZ_LAW(step_mm == 0.05);
    FUZZ_LAW(rf_check_plan_read(&plan, written, written_bytes, "plan.json", &err) == RF_OK && plan.step_mm == 0.05);
    rf_free(written);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    char *text = malloc(bytes + 1);
    FUZZ_LAW(text != NULL);
    memcpy(text, data, bytes);
    read_lengths(data, bytes);
    read_plan((const char *)data, bytes); /* no NUL follows: a step too far is seen */
    text[bytes] = '\0';
    write_text(text);
    free(text);
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}
