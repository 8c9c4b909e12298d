/* options.c - the command line against the table. */
#include "cli/options.h"

#include <assert.h>
#include <string.h>

#include "cli/suggest.h"
#include "cli/values.h"

/* clang-format off */
const rf_option rf_options_common[] = {
    {.name = "report", .kind = RF_OPTION_PATH, .offset = offsetof(rf_common, report), .value = "FILE",
     .help = "write a report as JSON; - is standard output"},
    {.name = "force", .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, force),
     .help = "overwrite outputs that exist"},
    {.name = "quiet", .letter = 'q', .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, quiet),
     .help = "say nothing but errors"},
    {.name = "help", .letter = 'h', .kind = RF_OPTION_FLAG, .offset = offsetof(rf_common, help),
     .help = "show this help"},
    {.name = NULL},
};
/* clang-format on */

/* What is left to read, and where to put it. */
typedef struct reader {
    const rf_option *table;
    const char *const *argv;
    int argc, at;
    char *settings;
    rf_arguments *arguments;
} reader;

static int same_name(const rf_option *option, const char *name, size_t bytes)
{
    return strncmp(option->name, name, bytes) == 0 && option->name[bytes] == '\0';
}

const rf_option *rf_options_find(const rf_option *table, const char *name, size_t name_bytes)
{
    for (const rf_option *option = table; option->name != NULL; option++)
        if (same_name(option, name, name_bytes))
            return option;
    for (const rf_option *option = rf_options_common; option->name != NULL; option++)
        if (same_name(option, name, name_bytes))
            return option;
    return NULL;
}

static const rf_option *find_letter(const rf_option *table, char letter)
{
    for (const rf_option *option = table; option->name != NULL; option++)
        if (option->letter == letter)
            return option;
    for (const rf_option *option = rf_options_common; option->name != NULL; option++)
        if (option->letter == letter)
            return option;
    return NULL;
}

/* The bit of an option in rf_arguments.given: the common rows first, then the command's own. */
static uint64_t given_bit(const rf_option *table, const rf_option *wanted)
{
    unsigned index = 0;
    for (const rf_option *option = rf_options_common; option->name != NULL; option++, index++)
        if (option == wanted)
            return UINT64_C(1) << index;
    index += (unsigned)(wanted - table);
    assert(index < 64);
    return UINT64_C(1) << index;
}

int rf_options_given(const rf_option *table, const rf_arguments *arguments, const char *name)
{
    const rf_option *option = rf_options_find(table, name, strlen(name));
    assert(option != NULL);
    return (arguments->given & given_bit(table, option)) != 0;
}

static rf_status unknown_option(const reader *line, const char *text, size_t name_bytes, rf_error *err)
{
    char name[64];
    size_t bytes = name_bytes < sizeof name - 1 ? name_bytes : sizeof name - 1;
    memcpy(name, text + 2, bytes);
    name[bytes] = '\0';
    rf_suggestion suggestion = rf_suggest_begin(name);
    for (const rf_option *option = line->table; option->name != NULL; option++)
        rf_suggest_offer(&suggestion, option->name);
    for (const rf_option *option = rf_options_common; option->name != NULL; option++)
        rf_suggest_offer(&suggestion, option->name);
    if (suggestion.best != NULL)
        return rf_fail(err, RF_ERR_USAGE, "there is no option --%s; did you mean --%s?", name, suggestion.best);
    return rf_fail(err, RF_ERR_USAGE, "there is no option --%s; --help lists them", name);
}

static int is_known_option(const reader *line, const char *text)
{
    if (strncmp(text, "--", 2) == 0)
        return text[2] == '\0' || rf_options_find(line->table, text + 2, strcspn(text + 2, "=")) != NULL;
    return text[0] == '-' && text[1] != '\0' && text[2] == '\0' && find_letter(line->table, text[1]) != NULL;
}

/* `attached` is the value written in the same argument, or NULL: then the next argument is the value. */
static rf_status take_option(reader *line, const rf_option *option, const char *attached, rf_error *err)
{
    void *field = line->settings + option->offset;
    line->arguments->given |= given_bit(line->table, option);
    if (option->kind == RF_OPTION_FLAG) {
        const int on = 1;
        if (attached != NULL)
            return rf_fail(err, RF_ERR_USAGE, "--%s takes no value, yet '%.200s' was given", option->name, attached);
        memcpy(field, &on, sizeof on);
        return RF_OK;
    }
    if (attached == NULL) {
        const char *next = line->at < line->argc ? line->argv[line->at] : NULL;
        if (next == NULL)
            return rf_fail(err, RF_ERR_USAGE, "--%s needs a value (%s), yet the command line ends", option->name,
                           option->value);
        if (is_known_option(line, next))
            return rf_fail(err, RF_ERR_USAGE, "--%s needs a value (%s), yet the option %.200s follows", option->name,
                           option->value, next);
        attached = next;
        line->at++;
    }
    return rf_value_store(option, attached, field, err);
}

static rf_status read_long(reader *line, const char *text, rf_error *err)
{
    size_t name_bytes = strcspn(text + 2, "=");
    const rf_option *option = rf_options_find(line->table, text + 2, name_bytes);
    if (option == NULL)
        return unknown_option(line, text, name_bytes, err);
    return take_option(line, option, text[2 + name_bytes] == '=' ? text + 2 + name_bytes + 1 : NULL, err);
}

/* "-qv" is -q -v; "-oFILE" is -o FILE; "-output" is a slip, never the file "utput". */
static rf_status read_letters(reader *line, const char *text, rf_error *err)
{
    size_t name_bytes = strcspn(text + 1, "=");
    if (name_bytes > 1 && rf_options_find(line->table, text + 1, name_bytes) != NULL)
        return rf_fail(err, RF_ERR_USAGE, "there is no option %.200s; did you mean -%.200s?", text, text);
    for (const char *letter = text + 1; *letter != '\0'; letter++) {
        const rf_option *option = find_letter(line->table, *letter);
        if (option == NULL)
            return rf_fail(err, RF_ERR_USAGE,
                           "there is no option -%.1s in '%.200s'; a name that starts with a dash goes after --", letter,
                           text);
        int takes_value = option->kind != RF_OPTION_FLAG;
        rf_status status = take_option(line, option, takes_value && letter[1] != '\0' ? letter + 1 : NULL, err);
        if (status != RF_OK || takes_value)
            return status;
    }
    return RF_OK;
}

rf_status rf_options_parse(const rf_option *table, int argc, const char *const *argv, void *settings,
                           rf_arguments *arguments, rf_error *err)
{
    reader line = {.table = table, .argv = argv, .argc = argc, .settings = settings, .arguments = arguments};
    rf_status status = RF_OK;
    int options_ended = 0;
    arguments->operand_count = 0;
    arguments->given = 0;
    while (line.at < argc && status == RF_OK && !((const rf_common *)settings)->help) {
        const char *text = argv[line.at++];
        if (options_ended || text[0] != '-' || text[1] == '\0')
            arguments->operands[arguments->operand_count++] = text;
        else if (strcmp(text, "--") == 0)
            options_ended = 1;
        else if (text[1] == '-')
            status = read_long(&line, text, err);
        else
            status = read_letters(&line, text, err);
    }
    return status;
}
