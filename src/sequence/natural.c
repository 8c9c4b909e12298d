/* natural.c - the order people number files in: f2 before f10. */
#include "railfold/sequence.h"

#include <string.h>

static int is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static size_t digit_run(const char *text)
{
    size_t length = 0;
    while (is_digit(text[length]))
        length++;
    return length;
}

/* Two runs of digits by value, however long they are; moves both on. */
static int compare_runs(const char **a, const char **b)
{
    while (**a == '0')
        ++*a;
    while (**b == '0')
        ++*b;
    size_t length_a = digit_run(*a), length_b = digit_run(*b);
    int order = length_a != length_b ? (length_a < length_b ? -1 : 1) : memcmp(*a, *b, length_a);
    *a += length_a;
    *b += length_b;
    return order;
}

int rf_natural_compare(const char *a, const char *b)
{
    const char *at_a = a, *at_b = b;
    while (*at_a != '\0' && *at_b != '\0') {
        int order;
        if (is_digit(*at_a) && is_digit(*at_b)) {
            order = compare_runs(&at_a, &at_b);
        } else {
            order = (unsigned char)*at_a - (unsigned char)*at_b;
            at_a++;
            at_b++;
        }
        if (order != 0)
            return order;
    }
    if (*at_a != *at_b)
        return *at_a == '\0' ? -1 : 1;
    return strcmp(a, b); /* f1 and f01: any order will do, as long as it is always the same */
}
