/* arguments.c - from NUL-separated bytes to parsed settings. */
#include "arguments.h"

#include <string.h>

enum { MOST_ARGUMENTS = 200 };

static int split(char *text, size_t bytes, const char *arguments[MOST_ARGUMENTS])
{
    int count = 0;
    for (size_t at = 0; at < bytes && count < MOST_ARGUMENTS; at += strlen(text + at) + 1)
        arguments[count++] = text + at;
    return count;
}

void fuzz_arguments(const rf_command *command, const uint8_t *data, size_t bytes,
                    void (*run)(const rf_command *command, rf_invocation *call))
{
    rf_error err = {0};
    rf_invocation call = {0};
    const char *arguments[MOST_ARGUMENTS];
    char *text = malloc(bytes + 1), *settings = malloc(command->settings_bytes);
    FUZZ_LAW(text != NULL && settings != NULL);
    memcpy(text, data, bytes);
    text[bytes] = '\0';
    memcpy(settings, command->defaults, command->settings_bytes);
    int count = split(text, bytes, arguments);
    call.settings = settings;
    call.arguments.operands = malloc(((size_t)count + 1) * sizeof *call.arguments.operands);
    FUZZ_LAW(call.arguments.operands != NULL);
    rf_status status = rf_options_parse(command->options, count, arguments, settings, &call.arguments, &err);
    fuzz_check_failure(status, &err);
    FUZZ_LAW(status == RF_OK || status == RF_ERR_USAGE);
    FUZZ_LAW(call.arguments.operand_count >= 0 && call.arguments.operand_count <= count);
    if (status == RF_OK && run != NULL)
        run(command, &call);
    free(call.arguments.operands);
    free(settings);
    free(text);
}
