/* ballot.h - what outline.c, edges.c and weigh.c share: the planes of a vote. Private to src/depth. */
#ifndef RF_DEPTH_BALLOT_H
#define RF_DEPTH_BALLOT_H

#include "depth/state.h"

/* Places: a round window, less the single one at its top and its bottom, in rows of a fixed length. */
enum { VOTE_RADIUS = 7, VOTE_ROWS = 2 * VOTE_RADIUS - 1, VOTE_COLUMNS = 2 * VOTE_RADIUS + 2 };
enum { FAINTNESS = 2 }; /* kinds of places by how faint they are */

/* A vote's planes, all of the places' size: at first the energy pixels, then twice as fine each time. */
typedef struct rf_ballot {
    rf_depth *d;
    rf_image way;       /* what each place votes for */
    rf_image weight;    /* and how much */
    rf_image far, near; /* the farthest and the nearest around; in the first round, as what follows */
    rf_image farther;   /* the farthest further around */
    rf_image strongest; /* energy around */
    rf_image jump;      /* RF_U8: 1 where depth jumps, else 0 */
    rf_image at_edge;   /* RF_U8: 1 where a jump is near enough for the place to be settled anew */
    rf_image colour[3]; /* of the guide */
    rf_image *out;      /* of the places' size, or twice as fine */
    int round, finer;   /* the first two rounds stay at the energy pixels */
    int cell;           /* output pixels along the side of a place */
    rf_image faint;     /* RF_U8, energy pixels: 0 to FAINTNESS - 1 */
    float spatial[FAINTNESS][VOTE_ROWS][VOTE_COLUMNS]; /* by faint; 0 outside the round window */
    float lowest_way;
    int bins;
    float *scratch; /* BIN_LANES * bins per thread */
} rf_ballot;

/* weigh.c: how much each place's vote counts in the round; faint places are found in the first. */
void rf_ballot_weigh(rf_ballot *b);
/* edges.c: the places to be settled anew. */
void rf_ballot_find_edges(rf_ballot *b);

#endif
