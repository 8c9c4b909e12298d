/* main.c - from the command line to a command, and from its status to an exit code. */
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "railfold/memory.h"
#include "cli/commands.h"
#include "cli/exit_code.h"
#include "cli/help.h"
#include "cli/stop.h"
#include "cli/suggest.h"
#include "cli/talk.h"

static rf_exit_code fail(const char *command, const rf_error *err)
{
    rf_talk(stderr, "railfold%s%s: %s", command != NULL ? " " : "", command != NULL ? command : "",
            err->text[0] != '\0' ? err->text : "it failed without saying why, which is a fault of railfold");
    return rf_exit_code_of(err->code);
}

static rf_exit_code unknown_command(const char *name)
{
    rf_error err = {0};
    struct stat what;
    rf_suggestion suggestion = rf_suggest_begin(name);
    for (const rf_command *const *command = rf_commands; *command != NULL; command++)
        rf_suggest_offer(&suggestion, (*command)->name);
    if (name[0] == '-')
        (void)rf_fail(&err, RF_ERR_USAGE, "a command was expected before '%.200s'; railfold --help lists them", name);
    else if (suggestion.best != NULL)
        (void)rf_fail(&err, RF_ERR_USAGE, "there is no command '%s'; did you mean %s?", name, suggestion.best);
    else if (stat(name, &what) == 0)
        (void)rf_fail(&err, RF_ERR_USAGE, "a command was expected, not the name '%.200s'; did you mean railfold merge?",
                      name);
    else
        (void)rf_fail(&err, RF_ERR_USAGE, "there is no command '%.200s'; railfold --help lists them", name);
    return fail(NULL, &err);
}

/* Results that never reached the reader are no results. */
static rf_exit_code close_stdout(const char *command, rf_exit_code code)
{
    rf_error err = {0};
    if (fflush(stdout) == 0 && !ferror(stdout))
        return code;
    (void)rf_fail(&err, RF_ERR_OUTPUT, "standard output cannot be written");
    rf_exit_code failed = fail(command, &err);
    return code == RF_EXIT_DONE || code == RF_EXIT_WARNINGS ? failed : code;
}

static rf_exit_code run_command(const rf_command *command, int argc, const char *const *argv)
{
    rf_error err = {0};
    rf_status status;
    rf_exit_code code;
    void *settings = NULL;
    rf_invocation call = {0};
    RF_TRY(rf_alloc_raw(&settings, 1, command->settings_bytes, "the settings", &err));
    RF_TRY(
        rf_alloc(&call.arguments.operands, (size_t)argc + 1, sizeof *call.arguments.operands, "the arguments", &err));
    memcpy(settings, command->defaults, command->settings_bytes);
    call.settings = settings;
    RF_TRY(rf_options_parse(command->options, argc, argv, settings, &call.arguments, &err));
    if (((const rf_common *)settings)->help)
        rf_help_command(stdout, command);
    else
        RF_TRY(command->run(&call, &err));
done:
    if (status != RF_OK) {
        err.code = status;
        code = fail(command->name, &err);
    } else {
        code = call.warnings > 0 && ((const rf_common *)settings)->strict ? RF_EXIT_WARNINGS : RF_EXIT_DONE;
    }
    code = close_stdout(command->name, code);
    rf_free(call.arguments.operands);
    rf_free(settings);
    return code;
}

int main(int argc, char **argv)
{
    const char *const *arguments = (const char *const *)argv;
    if (argc < 2) {
        rf_help_program(stderr);
        return RF_EXIT_USAGE;
    }
    const char *first = arguments[1];
    if (strcmp(first, "--help") == 0 || strcmp(first, "-h") == 0)
        rf_help_program(stdout);
    else if (strcmp(first, "--version") == 0)
        printf("railfold %s\n", RF_VERSION);
    else if (strcmp(first, "--completion") == 0)
        rf_help_completion(stdout);
    else {
        const rf_command *command = rf_command_find(first);
        if (command == NULL)
            return (int)unknown_command(first);
        rf_stop_install();
        return (int)run_command(command, argc - 2, arguments + 2);
    }
    return (int)close_stdout(NULL, RF_EXIT_DONE);
}
