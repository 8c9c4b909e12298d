/* commands.h - the table of commands.
 *
 * To add a command: write src/cli/command_NAME.c, which holds the command's settings struct (rf_common first), its
 * `defaults`, its table of options, its run function and one `const rf_command command_NAME`; declare that below and
 * put it into the table in commands.c. Parsing, --help, the completion, the wording and printing of errors, exit codes
 * and
 * --strict are done for it. Its run function prints results to stdout, talk to stderr, and returns the status of the
 * first failure. Then add it to docs/railfold.1, run `railfold --completion > tools/completion.bash`, and add
 * tests/cli/case-*.sh. To add an option to a command: see options.h. */
#ifndef RF_COMMANDS_H
#define RF_COMMANDS_H

#include <stddef.h>

#include "railfold/status.h"
#include "cli/options.h"

typedef struct rf_invocation {
    const void *settings; /* the command's own struct, filled */
    rf_arguments arguments;
    int warnings; /* out: how many warnings the run gave; --strict ends with 7 when there are any */
} rf_invocation;

typedef struct rf_command {
    const char *name;
    const char *summary;  /* one phrase for the list of commands */
    const char *operands; /* "FOLDER|FRAME...", or "" when it takes none */
    const char *about;    /* paragraphs for --help, each line at most 79 columns, ends with a newline */
    const rf_option *options;
    const void *defaults; /* a settings struct; copied before parsing */
    size_t settings_bytes;
    rf_status (*run)(rf_invocation *call, rf_error *err);
} rf_command;

extern const rf_command command_merge;
extern const rf_command command_plan;
extern const rf_command command_check;
extern const rf_command command_takes;
extern const rf_command command_depth;

extern const rf_command *const rf_commands[]; /* NULL ends it */

const rf_command *rf_command_find(const char *name);

#endif
