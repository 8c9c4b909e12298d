/* fuzz_plan.c - the options of `railfold plan`, and the plan that follows from them, on the screen and as JSON. */
#include "arguments.h"

#include <string.h>

#include "railfold/memory.h"
#include "railfold/plan.h"

enum { MOST_HELD_BYTES = 16 << 20 };

/* Into the settings that the run will read; files are never written. */
static void to_stdout(const rf_command *command, char *settings, const char *name, int given)
{
    static const char *const path = "-";
    const rf_option *option = rf_options_find(command->options, name, strlen(name));
    const char *const none = NULL;
    memcpy(settings + option->offset, given ? &path : &none, sizeof path);
}

static void run(const rf_command *command, rf_invocation *call)
{
    char *settings = malloc(command->settings_bytes);
    FUZZ_LAW(settings != NULL);
    for (int pass = 0; pass < 3; pass++) { /* the screen, the report, the card */
        rf_error err = {0};
        rf_invocation once = *call;
        memcpy(settings, call->settings, command->settings_bytes);
        to_stdout(command, settings, "report", pass == 1);
        to_stdout(command, settings, "csv", pass == 2);
        once.settings = settings;
        rf_status status = command->run(&once, &err);
        fuzz_check_failure(status, &err);
        FUZZ_LAW(status == RF_OK || status == RF_ERR_USAGE || status == RF_ERR_INPUT);
    }
    free(settings);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    fuzz_silence_stdout();
    fuzz_arguments(&command_plan, data, bytes, run);
    fuzz_check_memory(MOST_HELD_BYTES);
    return 0;
}
