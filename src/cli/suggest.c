/* suggest.c - optimal string alignment distance by dynamic programming over three rows.
 *
 * Source of the distance: F. J. Damerau, "A technique for computer detection and correction of spelling errors",
 * Communications of the ACM 7(3), 1964 (the four kinds of slip); restricted form: no substring is edited twice. */
#include "cli/suggest.h"

#include <string.h>

enum { NAME_BYTES = 32, FAR = 1000 };

static int least(int a, int b)
{
    return a < b ? a : b;
}

int rf_suggest_distance(const char *a, const char *b)
{
    size_t length_a = strlen(a), length_b = strlen(b);
    if (length_a >= NAME_BYTES || length_b >= NAME_BYTES)
        return FAR;
    int rows[3][NAME_BYTES + 1];
    int *before = rows[0], *above = rows[1], *here = rows[2];
    for (size_t j = 0; j <= length_b; j++)
        above[j] = (int)j;
    for (size_t i = 1; i <= length_a; i++) {
        here[0] = (int)i;
        for (size_t j = 1; j <= length_b; j++) {
            here[j] = least(above[j] + 1, here[j - 1] + 1);
            here[j] = least(here[j], above[j - 1] + (a[i - 1] != b[j - 1]));
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                here[j] = least(here[j], before[j - 2] + 1);
        }
        int *spare = before;
        before = above;
        above = here;
        here = spare;
    }
    return above[length_b];
}

rf_suggestion rf_suggest_begin(const char *wanted)
{
    return (rf_suggestion){wanted, NULL, FAR};
}

void rf_suggest_offer(rf_suggestion *suggestion, const char *candidate)
{
    size_t length = strlen(suggestion->wanted);
    int distance = rf_suggest_distance(suggestion->wanted, candidate);
    /* A beginning that fits is a better guess than any slip of the finger. */
    if (length >= 2 && strncmp(suggestion->wanted, candidate, length) == 0)
        distance = 0;
    /* One slip in three letters, two in longer names: beyond that a guess is noise. */
    int near_enough = length < 4 ? 1 : length < 9 ? 2 : 3;
    if (distance <= near_enough && distance < suggestion->best_distance) {
        suggestion->best = candidate;
        suggestion->best_distance = distance;
    }
}
