/* fault.h - one thing gone wrong in a take, for tests of take inspection (list in options.h). */
#ifndef TAKE_FAULT_H
#define TAKE_FAULT_H

#include "rail.h"
#include "railfold/pool.h"

/* Before frames are placed: number of frames, blur and distance in steps (coarse, fine); light (clipped). */
void fault_set_steps(rail *plan, const take_fault *fault);

/* The frame at which it happens. */
int fault_frame(const rail *plan, const take_fault *fault);

/* Position of frame k along the rail, in steps from the first frame: k when nothing is wrong. */
double fault_position(const rail *plan, const take_fault *fault, int k);

/* After frames are placed: offsets, lamp, settings, smear, movement. */
void fault_disturb(rail *plan, const take_fault *fault, uint64_t seed);

/* Moves an end of the subject out of reach (uncovered). */
void fault_uncover(rail *plan, const take_fault *fault, int retreat);

/* Smears a frame along (shake_x, shake_y) px, end to end. */
rf_status fault_smear(const rail_frame *frame, float *rgb, int width, int height, rf_pool *pool,
                      rf_error *err) RF_CHECKED;

#endif
