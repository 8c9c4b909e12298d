/* completion.c - the bash completion script, written from the tables. */
#include "cli/help.h"

#include <ctype.h>
#include <string.h>

static const char script_head[] =
    "# bash completion for railfold. Written by `railfold --completion`: change the tables, not this file.\n"
    "_railfold() {\n"
    "    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} words=\n"
    "    # --option=value arrives as three words.\n"
    "    if [ \"$word\" = = ]; then\n"
    "        word=\n"
    "    elif [ \"$before\" = = ]; then\n"
    "        before=${COMP_WORDS[COMP_CWORD - 2]}\n"
    "    fi\n"
    "    COMPREPLY=()\n";

/* Where no words are offered, the shell's own completion of file names takes over. */
static const char script_tail[] = "    [ -z \"$words\" ] || COMPREPLY=($(compgen -W \"$words\" -- \"$word\"))\n"
                                  "}\n"
                                  "complete -o default -o bashdefault -F _railfold railfold\n";

/* The words of "auto|always|never"; a capital stands for something the user makes up and is passed over. */
static void print_words(FILE *out, const char *words)
{
    const char *blank = "";
    fputs("words=\"", out);
    while (*words != '\0') {
        int length = (int)strcspn(words, "|");
        if (!isupper((unsigned char)*words)) {
            fprintf(out, "%s%.*s", blank, length, words);
            blank = " ";
        }
        words += length;
        words += *words == '|';
    }
    fputc('"', out);
}

static void print_values(FILE *out, const rf_command *command, const rf_option *table)
{
    for (const rf_option *option = table; option->name != NULL; option++) {
        if (option->kind == RF_OPTION_FLAG)
            continue;
        fprintf(out, "        %s:--%s", command->name, option->name);
        if (option->letter != 0)
            fprintf(out, " | %s:-%c", command->name, option->letter);
        fputs(") ", out);
        if (strchr(option->value, '|') != NULL)
            print_words(out, option->value);
        else if (option->kind != RF_OPTION_PATH)
            fputs("compopt +o default +o bashdefault", out);
        fputs(" ;;\n", out);
    }
}

static void print_names(FILE *out, const rf_option *table)
{
    for (; table->name != NULL; table++) {
        if (table->letter != 0)
            fprintf(out, " -%c", table->letter);
        fprintf(out, " --%s", table->name);
    }
}

void rf_help_completion(FILE *out)
{
    fputs(script_head, out);
    fputs("    if [ \"$COMP_CWORD\" -eq 1 ]; then\n        words=\"", out);
    for (const rf_command *const *command = rf_commands; *command != NULL; command++)
        fprintf(out, "%s ", (*command)->name);
    fputs("--help --version --completion\"\n    else\n        case \"${COMP_WORDS[1]}:$before\" in\n", out);
    for (const rf_command *const *command = rf_commands; *command != NULL; command++) {
        print_values(out, *command, (*command)->options);
        print_values(out, *command, rf_options_common);
    }
    fputs("        *)\n            case \"${COMP_WORDS[1]}:$word\" in\n", out);
    for (const rf_command *const *command = rf_commands; *command != NULL; command++) {
        fprintf(out, "            %s:-*) words=\"", (*command)->name);
        print_names(out, (*command)->options);
        print_names(out, rf_options_common);
        fputs("\" ;;\n", out);
    }
    fputs("            esac ;;\n        esac\n    fi\n", out);
    fputs(script_tail, out);
}
