/* commands.c - which commands there are, in the order --help lists them. */
#include "cli/commands.h"

#include <string.h>

const rf_command *const rf_commands[] = {
    &command_merge, &command_check, &command_takes, &command_plan, &command_depth, NULL,
};

const rf_command *rf_command_find(const char *name)
{
    for (const rf_command *const *command = rf_commands; *command != NULL; command++)
        if (strcmp((*command)->name, name) == 0)
            return *command;
    return NULL;
}
