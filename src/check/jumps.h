/* jumps.h - where the brightness of the subject jumps between two frames: something moved there.
 *
 * What moves by less than it is wide takes light from one side and brings it to the other; within a whole cell the two
 * cancel, so quarters of cells are looked at. Their mean brightness, gains taken off, changes smoothly from frame to
 * frame: focus spreads light about, it does not take it away, and over a long step it spreads as many times as much as
 * the step is long. Where something has moved the brightness jumps once, and neither before nor after: a jump of
 * several times the changes around it, in quarters that hang together. It tells in focus and out of it alike. What
 * moved often shows in several places, so all groups of a few quarters count. */
#ifndef RF_CHECK_JUMPS_H
#define RF_CHECK_JUMPS_H

#include "check/look.h"

enum { RF_JUMPS_AROUND = 3, RF_JUMPS_KEPT = 2 * RF_JUMPS_AROUND + 1 };

typedef struct rf_jumps {
    const rf_look *look;
    int columns, rows;             /* of quarters of cells */
    double *change;                /* KEPT x quarters: of ln brightness from frame k - 1 to k; NAN unknown */
    int changed_to[RF_JUMPS_KEPT]; /* the k that each of its rows holds; 0: none */
    double *sorted;
    int *mark, *stack;   /* quarters */
    unsigned char *near; /* cells: in or next to what jumped last */
} rf_jumps;

/* All that jumped between two frames. */
typedef struct rf_jump {
    int quarters;
    double change;               /* sum of |ln| over them */
    int largest, x0, y0, x1, y1; /* of them in the largest group, and the box around that */
} rf_jump;

/* `look` is borrowed until close, which takes what open left in any case. */
rf_status rf_jumps_open(rf_jumps *jumps, const rf_look *look, rf_error *err) RF_CHECKED;
void rf_jumps_close(rf_jumps *jumps);
/* What jumped between frames k - 1 and k, 1 <= k < count, if the step is `length` usual ones; near[] tells where. */
rf_jump rf_jumps_at(rf_jumps *jumps, int k, double length);

#endif
