/* fuzz_options.c - a command line against the option table of every command; the first byte chooses the command. */
#include "arguments.h"

#include <math.h>
#include <string.h>

#include "cli/values.h"

/* Whatever was taken lies in the range its row names. */
static void check_ranges(const rf_command *command, rf_invocation *call)
{
    const char *settings = call->settings;
    for (const rf_option *option = command->options; option->name != NULL; option++) {
        int whole;
        double number;
        if (!rf_options_given(command->options, &call->arguments, option->name))
            continue;
        const char *field = settings + option->offset;
        switch (option->kind) {
        case RF_OPTION_INTEGER:
            memcpy(&whole, field, sizeof whole);
            FUZZ_LAW((option->min == 0 && option->max == 0) || (whole >= option->min && whole <= option->max));
            break;
        case RF_OPTION_NUMBER:
        case RF_OPTION_LENGTH:
        case RF_OPTION_DURATION:
            memcpy(&number, field, sizeof number);
            FUZZ_LAW(isfinite(number));
            FUZZ_LAW((option->min == 0 && option->max == 0) || (number >= option->min && number <= option->max));
            FUZZ_LAW(option->kind != RF_OPTION_LENGTH || option->max > 0 || number > 0);
            break;
        default:
            break;
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    size_t commands = 0;
    while (rf_commands[commands] != NULL)
        commands++;
    if (bytes < 1)
        return 0;
    fuzz_arguments(rf_commands[data[0] % commands], data + 1, bytes - 1, check_ranges);
    return 0;
}
