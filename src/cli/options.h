/* options.h - one table of options per command drives parsing, --help and the shell completion.
 *
 * To add an option: add a field to the command's settings struct (its default goes into `defaults`), add one row to the
 * command's table, and use the field. Then name it in docs/railfold.1 and run `railfold --completion >
 * tools/completion.bash`; a test fails while either is missing. A row looks like
 *
 *   {.name = "step", .kind = RF_OPTION_LENGTH, .offset = offsetof(merge_settings, step_mm), .value = "LEN",
 *    .help = "rail step between frames"},
 *
 * with the table between clang-format off and on. The type of the field follows from the kind, see rf_option_kind. To
 * add a command: see commands.h. */
#ifndef RF_OPTIONS_H
#define RF_OPTIONS_H

#include <stddef.h>
#include <stdint.h>

#include "railfold/status.h"

typedef enum rf_option_kind {
    RF_OPTION_FLAG,     /* int: 1 when given; takes no value */
    RF_OPTION_TEXT,     /* const char *, may be empty */
    RF_OPTION_PATH,     /* const char *, not empty; the shell completes file names */
    RF_OPTION_INTEGER,  /* int */
    RF_OPTION_NUMBER,   /* double */
    RF_OPTION_LENGTH,   /* double, millimetres: "0.05mm", "50um"; nm um mm cm m in */
    RF_OPTION_EXTENT,   /* double[2], millimetres: "23.5x15.6mm" */
    RF_OPTION_PIXELS,   /* int[2]: "6000x4000" */
    RF_OPTION_DURATION, /* double, seconds: "30s", "1/60s", "2min"; us ms s min h */
    RF_OPTION_SIZE,     /* size_t, bytes: "2G", "900M", binary multiples */
    RF_OPTION_CHOICE,   /* int: the position of the word in `value`, "name|time" */
    RF_OPTION_CUSTOM    /* whatever `parse` fills; `expected` says what it takes */
} rf_option_kind;

typedef struct rf_option {
    const char *name; /* long name, without the dashes; NULL ends a table */
    char letter;      /* short name, or 0 */
    rf_option_kind kind;
    size_t offset;          /* of the field in the command's settings */
    const char *value;      /* what --help calls the value ("FILE"); the words of an RF_OPTION_CHOICE */
    const char *help;       /* one phrase for --help, lower case, no full stop */
    double min, max;        /* inclusive range in the field's unit; both 0: a length or size above 0, any number else */
    const char *plain_unit; /* unit meant by a number without one; NULL: such a number is refused */
    const char *expected;   /* what the value must be, for messages; NULL: follows from the kind */
    int (*parse)(const char *text, void *field); /* RF_OPTION_CUSTOM: 0 when the text cannot be taken */
} rf_option;

typedef enum rf_progress_when { RF_PROGRESS_AUTO, RF_PROGRESS_ALWAYS, RF_PROGRESS_NEVER } rf_progress_when;

/* What the shared rows fill: every command's settings struct starts with one of these. */
typedef struct rf_common {
    int help, quiet, force; /* these and report hold for every command */
    const char *report;     /* path, "-" for stdout, or NULL */
    int verbose, strict;    /* only where the command takes the rows below into its table */
    int progress;           /* rf_progress_when */
} rf_common;

#define RF_ROW_VERBOSE                                                                                                 \
    {                                                                                                                  \
        .name = "verbose", .letter = 'v', .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, verbose),              \
        .help = "say more on the way"                                                                                  \
    }
#define RF_ROW_STRICT                                                                                                  \
    {                                                                                                                  \
        .name = "strict", .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, strict),                               \
        .help = "end with exit code 7 when there were warnings"                                                        \
    }
#define RF_ROW_PROGRESS                                                                                                \
    {                                                                                                                  \
        .name = "progress", .kind = RF_OPTION_CHOICE, .offset = offsetof(rf_common, progress),                         \
        .value = "auto|always|never", .help = "draw a progress line: auto is on a terminal only"                       \
    }

/* For a settings struct of type `type` with a double max_megapixels, 0 when it was not given. The most is what a
 * picture of 2^31 pixels leaves room for: pixels are counted in int. */
#define RF_ROW_MAX_MEGAPIXELS(type)                                                                                    \
    {                                                                                                                  \
        .name = "max-megapixels", .kind = RF_OPTION_NUMBER, .offset = offsetof(type, max_megapixels), .value = "N",    \
        .min = 0.001, .max = 2000, .help = "refuse larger pictures by their header; default 400"                       \
    }

/* The rows every command has: --report, --force, -q, --help. */
extern const rf_option rf_options_common[];

/* The result of parsing. `operands` has room for argc entries and is the caller's. */
typedef struct rf_arguments {
    const char **operands;
    int operand_count;
    uint64_t given; /* one bit an option, see rf_options_given */
} rf_arguments;

/* Reads argv[0..argc-1] (without the command's name) into `settings`. Options and operands may be mixed; "--" ends the
 * options; of a repeated option the last counts; --help stops the reading. RF_ERR_USAGE with one sentence that names
 * the option, the value and what was expected. */
rf_status rf_options_parse(const rf_option *table, int argc, const char *const *argv, void *settings,
                           rf_arguments *arguments, rf_error *err) RF_CHECKED;

/* Whether the option was on the command line, whatever its value. */
int rf_options_given(const rf_option *table, const rf_arguments *arguments, const char *name);

/* The row of a long name in the table or among the common rows; NULL when there is none. */
const rf_option *rf_options_find(const rf_option *table, const char *name, size_t name_bytes);

#endif
