/* suggest.h - the name that was probably meant. */
#ifndef RF_SUGGEST_H
#define RF_SUGGEST_H

/* Edit distance of two short names: insertions, deletions, substitutions and swaps of neighbours each count 1 (optimal
 * string alignment). Names over 31 bytes are far from everything. */
int rf_suggest_distance(const char *a, const char *b);

/* A running search for the nearest candidate. */
typedef struct rf_suggestion {
    const char *wanted;
    const char *best; /* NULL until one is near enough to be worth naming */
    int best_distance;
} rf_suggestion;

rf_suggestion rf_suggest_begin(const char *wanted);
void rf_suggest_offer(rf_suggestion *suggestion, const char *candidate);

#endif
