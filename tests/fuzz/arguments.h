/* arguments.h - an input as a command line: its arguments end with NUL bytes. */
#ifndef FUZZ_ARGUMENTS_H
#define FUZZ_ARGUMENTS_H

#include "fuzz.h"
#include "cli/commands.h"

/* Parses the arguments of `command` into a fresh settings struct as main.c does, and when that went well and `run` is
 * not NULL hands it over. */
void fuzz_arguments(const rf_command *command, const uint8_t *data, size_t bytes,
                    void (*run)(const rf_command *command, rf_invocation *call));

#endif
