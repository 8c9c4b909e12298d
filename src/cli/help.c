/* help.c - help texts, from the same tables that drive the parser. */
#include "cli/help.h"

#include <string.h>

enum { TEXT_COLUMN = 28, LINE_COLUMNS = 79 };

/* The text from the column on, wrapped at blanks; `at` is the column the cursor stands in. */
static void print_wrapped(FILE *out, const char *text, int at)
{
    if (at + 2 > TEXT_COLUMN) {
        fputc('\n', out);
        at = 0;
    }
    fprintf(out, "%*s", TEXT_COLUMN - at, "");
    at = TEXT_COLUMN;
    while (*text != '\0') {
        int word = (int)strcspn(text, " ");
        if (at > TEXT_COLUMN && at + 1 + word > LINE_COLUMNS) {
            fprintf(out, "\n%*s", TEXT_COLUMN, "");
            at = TEXT_COLUMN;
        }
        at += fprintf(out, "%s%.*s", at > TEXT_COLUMN ? " " : "", word, text);
        text += word;
        text += strspn(text, " ");
    }
    fputc('\n', out);
}

static void print_option(FILE *out, const rf_option *option)
{
    int at = option->letter != 0 ? fprintf(out, "  -%c, --%s", option->letter, option->name)
                                 : fprintf(out, "      --%s", option->name);
    if (option->kind != RF_OPTION_FLAG)
        at += fprintf(out, " %s", option->value);
    print_wrapped(out, option->help, at);
}

static void print_options(FILE *out, const rf_option *table)
{
    for (; table->name != NULL; table++)
        print_option(out, table);
}

void rf_help_command(FILE *out, const rf_command *command)
{
    fprintf(out, "railfold %s [options]%s%s\n\n%s\noptions:\n", command->name, *command->operands != '\0' ? " " : "",
            command->operands, command->about);
    print_options(out, command->options);
    print_options(out, rf_options_common);
}

void rf_help_program(FILE *out)
{
    fprintf(out,
            "railfold %s - folds a rail-stepped macro take into one sharp picture\n\n"
            "railfold COMMAND [options] ...\n\ncommands:\n",
            RF_VERSION);
    for (const rf_command *const *command = rf_commands; *command != NULL; command++) {
        int at = fprintf(out, "  %s", (*command)->name);
        print_wrapped(out, (*command)->summary, at);
    }
    fputs("\noptions:\n", out);
    static const rf_option own[] = {
        {.name = "version", .help = "show the version"},
        {.name = "help", .letter = 'h', .help = "show this help; railfold COMMAND --help shows a command's"},
        {.name = "completion", .help = "write the completion script for bash"},
        {.name = NULL},
    };
    print_options(out, own);
    fputs("\nexit codes:\n"
          "  0  done                           5  an output cannot be written\n"
          "  1  a fault of railfold itself     6  not enough memory\n"
          "  2  a mistake on the command line  7  done, with warnings, under --strict\n"
          "  3  an input cannot be used      130  interrupted, outputs untouched\n"
          "  4  frames cannot be aligned\n",
          out);
}
