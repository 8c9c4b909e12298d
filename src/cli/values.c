/* values.c - numbers with units. The program never sets a locale, so strtod reads a decimal point everywhere. */
#include "cli/values.h"

#include <limits.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct unit {
    const char *name;
    double factor;
} unit;

/* To millimetres. The micro sign exists twice in Unicode (U+00B5 and the Greek letter U+03BC); both are typed. */
static const unit length_units[] = {{"nm", 1e-6},        {"um", 1e-3}, {"\xc2\xb5m", 1e-3},
                                    {"\xce\xbcm", 1e-3}, {"mm", 1},    {"cm", 10},
                                    {"m", 1000},         {"in", 25.4}, {NULL, 0}};
/* To seconds. */
static const unit duration_units[] = {{"us", 1e-6}, {"ms", 1e-3}, {"s", 1}, {"min", 60}, {"h", 3600}, {NULL, 0}};
/* To bytes: binary multiples, as tools that limit memory read them. */
static const unit size_units[] = {{"B", 1},           {"K", 1024},         {"KB", 1024},     {"KiB", 1024},
                                  {"M", 1048576},     {"MB", 1048576},     {"MiB", 1048576}, {"G", 1073741824},
                                  {"GB", 1073741824}, {"GiB", 1073741824}, {NULL, 0}};

/* A decimal number at the start of the text: strtod without its hexadecimal, "inf" and "nan". */
static int read_decimal(const char **text, double *number)
{
    const char *digits = *text + (**text == '-' || **text == '+');
    size_t length = strspn(digits, "0123456789.");
    if (length == 0 || (length == 1 && *digits == '.') || (digits[0] == '0' && (digits[1] == 'x' || digits[1] == 'X')))
        return 0;
    char *end;
    *number = strtod(*text, &end);
    *text = end;
    return isfinite(*number);
}

/* The unit that is the whole rest of the text, a blank before it allowed. */
static rf_value_fault read_unit(const char *text, const unit *units, const char *plain_unit, double *factor)
{
    text += strspn(text, " ");
    if (*text == '\0') {
        if (plain_unit == NULL)
            return RF_VALUE_NO_UNIT;
        text = plain_unit;
    }
    for (; units->name != NULL; units++)
        if (strcmp(units->name, text) == 0) {
            *factor = units->factor;
            return RF_VALUE_TAKEN;
        }
    return RF_VALUE_MALFORMED;
}

static rf_value_fault read_quantity(const char *text, const unit *units, const char *plain_unit, double *quantity)
{
    double number, factor;
    if (!read_decimal(&text, &number))
        return RF_VALUE_MALFORMED;
    rf_value_fault fault = read_unit(text, units, plain_unit, &factor);
    if (fault == RF_VALUE_TAKEN)
        *quantity = number * factor;
    return fault;
}

rf_value_fault rf_value_number(const char *text, double *number)
{
    double value;
    if (!read_decimal(&text, &value) || *text != '\0')
        return RF_VALUE_MALFORMED;
    *number = value;
    return RF_VALUE_TAKEN;
}

rf_value_fault rf_value_integer(const char *text, int *number)
{
    const char *digits = text + (*text == '-' || *text == '+');
    if (*digits == '\0' || digits[strspn(digits, "0123456789")] != '\0')
        return RF_VALUE_MALFORMED;
    long value = strtol(text, NULL, 10); /* at a limit of long when too large, which is out of int's range as well */
    if (value < INT_MIN || value > INT_MAX)
        return RF_VALUE_OUT_OF_RANGE;
    *number = (int)value;
    return RF_VALUE_TAKEN;
}

rf_value_fault rf_value_length(const char *text, const char *plain_unit, double *mm)
{
    return read_quantity(text, length_units, plain_unit, mm);
}

rf_value_fault rf_value_extent(const char *text, const char *plain_unit, double mm[2])
{
    double width, height, factor;
    if (!read_decimal(&text, &width))
        return RF_VALUE_MALFORMED;
    text += strspn(text, " ");
    if (*text != 'x' && *text != 'X')
        return RF_VALUE_MALFORMED;
    text++;
    text += strspn(text, " ");
    if (!read_decimal(&text, &height))
        return RF_VALUE_MALFORMED;
    rf_value_fault fault = read_unit(text, length_units, plain_unit, &factor);
    if (fault == RF_VALUE_TAKEN) {
        mm[0] = width * factor;
        mm[1] = height * factor;
    }
    return fault;
}

rf_value_fault rf_value_pixels(const char *text, int pixels[2])
{
    char width[16];
    size_t digits = strspn(text, "0123456789");
    if (digits == 0 || digits >= sizeof width || (text[digits] != 'x' && text[digits] != 'X'))
        return RF_VALUE_MALFORMED;
    memcpy(width, text, digits);
    width[digits] = '\0';
    int parsed[2];
    rf_value_fault fault = rf_value_integer(width, &parsed[0]);
    if (fault == RF_VALUE_TAKEN)
        fault = rf_value_integer(text + digits + 1, &parsed[1]);
    if (fault == RF_VALUE_TAKEN)
        memcpy(pixels, parsed, sizeof parsed);
    return fault;
}

rf_value_fault rf_value_duration(const char *text, const char *plain_unit, double *seconds)
{
    double number, divisor = 1, factor;
    if (!read_decimal(&text, &number))
        return RF_VALUE_MALFORMED;
    if (*text == '/') { /* shutter speeds are written as fractions */
        text++;
        if (!read_decimal(&text, &divisor) || !(divisor > 0))
            return RF_VALUE_MALFORMED;
    }
    rf_value_fault fault = read_unit(text, duration_units, plain_unit, &factor);
    if (fault == RF_VALUE_TAKEN)
        *seconds = number / divisor * factor;
    return fault;
}

rf_value_fault rf_value_size(const char *text, const char *plain_unit, size_t *bytes)
{
    double size;
    rf_value_fault fault = read_quantity(text, size_units, plain_unit, &size);
    if (fault != RF_VALUE_TAKEN)
        return fault;
    if (!(size >= 0) || size >= 0x1p62)
        return RF_VALUE_OUT_OF_RANGE;
    *bytes = (size_t)size;
    return RF_VALUE_TAKEN;
}

rf_value_fault rf_value_choice(const char *text, const char *words, int *position)
{
    size_t bytes = strlen(text);
    for (int i = 0; bytes > 0; i++) {
        size_t word = strcspn(words, "|");
        if (word == bytes && memcmp(words, text, bytes) == 0) {
            *position = i;
            return RF_VALUE_TAKEN;
        }
        if (words[word] == '\0')
            break;
        words += word + 1;
    }
    return RF_VALUE_MALFORMED;
}

void rf_value_list_words(const char *words, const char *prefix, char *out, size_t bytes)
{
    size_t used = 0;
    while (*words != '\0' && used < bytes) {
        size_t length = strcspn(words, "|");
        const char *rest = words[length] == '|' ? words + length + 1 : words + length;
        const char *joint = used == 0 ? "" : *rest == '\0' ? " or " : ", ";
        int written = snprintf(out + used, bytes - used, "%s%s%.*s", joint, prefix, (int)length, words);
        used += written > 0 ? (size_t)written : bytes;
        words = rest;
    }
}

static int has_range(const rf_option *option)
{
    return option->min < option->max;
}

/* What the option takes, as the words after "takes". */
static void describe_expected(const rf_option *option, char *out, size_t bytes)
{
    static const char *const nouns[] = {
        [RF_OPTION_INTEGER] = "a whole number",
        [RF_OPTION_NUMBER] = "a number",
        [RF_OPTION_LENGTH] = "a length with its unit, such as 0.05mm or 50um",
        [RF_OPTION_EXTENT] = "a width and height with their unit, such as 23.5x15.6mm",
        [RF_OPTION_PIXELS] = "a width and height in pixels, such as 6000x4000",
        [RF_OPTION_DURATION] = "a time with its unit, such as 30s or 2min",
        [RF_OPTION_SIZE] = "a size with its unit, such as 2G or 900M",
    };
    if (option->expected != NULL) {
        (void)snprintf(out, bytes, "%s", option->expected);
    } else if (option->kind == RF_OPTION_CHOICE) {
        rf_value_list_words(option->value, "", out, bytes);
    } else if (option->kind == RF_OPTION_PATH) {
        (void)snprintf(out, bytes, "a file name");
    } else if (has_range(option) && (option->kind == RF_OPTION_INTEGER || option->kind == RF_OPTION_NUMBER)) {
        (void)snprintf(out, bytes, "%s from %.10g to %.10g", nouns[option->kind], option->min, option->max);
    } else {
        (void)snprintf(out, bytes, "%s", nouns[option->kind]);
    }
}

static rf_value_fault check_range(const rf_option *option, double number)
{
    if (has_range(option))
        return number >= option->min && number <= option->max ? RF_VALUE_TAKEN : RF_VALUE_OUT_OF_RANGE;
    switch (option->kind) {
    case RF_OPTION_LENGTH:
    case RF_OPTION_EXTENT:
    case RF_OPTION_PIXELS:
    case RF_OPTION_SIZE:
        return number > 0 ? RF_VALUE_TAKEN : RF_VALUE_OUT_OF_RANGE;
    case RF_OPTION_DURATION:
        return number >= 0 ? RF_VALUE_TAKEN : RF_VALUE_OUT_OF_RANGE;
    default:
        return RF_VALUE_TAKEN;
    }
}

/* One number or a pair, whose range is checked before the field is touched. */
static rf_value_fault store_numbers(const rf_option *option, const char *text, void *field)
{
    double numbers[2] = {0, 0};
    int integers[2] = {0, 0};
    size_t size = 0;
    int count = 1;
    rf_value_fault fault;
    switch (option->kind) {
    case RF_OPTION_INTEGER:
        fault = rf_value_integer(text, integers);
        numbers[0] = integers[0];
        break;
    case RF_OPTION_PIXELS:
        fault = rf_value_pixels(text, integers);
        numbers[0] = integers[0];
        numbers[1] = integers[1];
        count = 2;
        break;
    case RF_OPTION_SIZE:
        fault = rf_value_size(text, option->plain_unit, &size);
        numbers[0] = (double)size;
        break;
    case RF_OPTION_LENGTH:
        fault = rf_value_length(text, option->plain_unit, numbers);
        break;
    case RF_OPTION_EXTENT:
        fault = rf_value_extent(text, option->plain_unit, numbers);
        count = 2;
        break;
    case RF_OPTION_DURATION:
        fault = rf_value_duration(text, option->plain_unit, numbers);
        break;
    default:
        fault = rf_value_number(text, numbers);
        break;
    }
    for (int i = 0; i < count && fault == RF_VALUE_TAKEN; i++)
        fault = check_range(option, numbers[i]);
    if (fault != RF_VALUE_TAKEN)
        return fault;
    if (option->kind == RF_OPTION_SIZE)
        memcpy(field, &size, sizeof size);
    else if (option->kind == RF_OPTION_INTEGER || option->kind == RF_OPTION_PIXELS)
        memcpy(field, integers, (size_t)count * sizeof integers[0]);
    else
        memcpy(field, numbers, (size_t)count * sizeof numbers[0]);
    return RF_VALUE_TAKEN;
}

rf_status rf_value_store(const rf_option *option, const char *text, void *field, rf_error *err)
{
    rf_value_fault fault = RF_VALUE_TAKEN;
    int position = 0;
    switch (option->kind) {
    case RF_OPTION_FLAG:
        break;
    case RF_OPTION_PATH:
        fault = *text == '\0' ? RF_VALUE_MALFORMED : RF_VALUE_TAKEN;
        /* fall through */
    case RF_OPTION_TEXT:
        memcpy(field, &text, sizeof text);
        break;
    case RF_OPTION_CHOICE:
        fault = rf_value_choice(text, option->value, &position);
        if (fault == RF_VALUE_TAKEN)
            memcpy(field, &position, sizeof position);
        break;
    case RF_OPTION_CUSTOM:
        fault = option->parse(text, field) ? RF_VALUE_TAKEN : RF_VALUE_MALFORMED;
        break;
    default:
        fault = store_numbers(option, text, field);
        break;
    }
    if (fault == RF_VALUE_TAKEN)
        return RF_OK;
    char expected[160];
    describe_expected(option, expected, sizeof expected);
    const char *why = fault == RF_VALUE_NO_UNIT        ? ", which names no unit"
                      : fault == RF_VALUE_OUT_OF_RANGE ? ", which is out of range"
                                                       : "";
    return rf_fail(err, RF_ERR_USAGE, "--%s takes %s, not '%.200s'%s", option->name, expected, text, why);
}
