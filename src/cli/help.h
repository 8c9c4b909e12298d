/* help.h - what the tables have to say: help texts and the shell completion. */
#ifndef RF_HELP_H
#define RF_HELP_H

#include <stdio.h>

#include "cli/commands.h"

void rf_help_program(FILE *out);
void rf_help_command(FILE *out, const rf_command *command);

/* The bash completion script, as kept in tools/completion.bash. */
void rf_help_completion(FILE *out);

#endif
