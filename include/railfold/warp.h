/* warp.h - a frame seen from the reference view: one resampling, with a kernel of six taps.
 *
 * The kernel: for a fraction f of a pixel, the six weights that come closest, in least squares over the frequencies up
 * to 0.7 of Nyquist weighted by 1 / (frequency^2 + (0.02)^2) as pictures are, to a pure delay, with the weights' sum
 * held at 1 (the design of fractional delays by least squares: Laakso, Valimaki, Karjalainen & Laine, "Splitting the
 * unit delay", IEEE Signal Processing Magazine 13(1), 1996), written as polynomials in f (Farrow's structure, 1988)
 * that are exactly 0, 0, 1, 0, 0, 0 at f = 0. Response at the worst f: within 0.8 % up to 0.15 cycles a pixel, 2.7 % up
 * to 0.3, where Lanczos' kernel of three lobes has 2.5 % and a window's ripple from 0.2 on.
 * tests/outside/check_align.py derives the coefficients again. */
#ifndef RF_WARP_H
#define RF_WARP_H

#include "railfold/image.h"
#include "railfold/pool.h"
#include "railfold/pose.h"
#include "railfold/source.h"

/* Frame pixels the kernel reads on either side of a position: 2 before, 3 after. */
enum { RF_WARP_BEFORE_PX = 2, RF_WARP_AFTER_PX = 3 };

/* Output pixels [*x_begin, *x_end) of row y, of a picture `width` wide, whose kernel lies wholly inside the frame;
 * empty (both 0) when there are none. No border is ever invented. A pose that moves by whole pixels covers all it can.
 */
void rf_warp_span(const rf_pose *pose, int frame_width, int frame_height, int width, int y, int *x_begin, int *x_end);

/* The same for rows 0..height - 1. */
void rf_warp_spans(const rf_pose *pose, int frame_width, int frame_height, int width, int height, int (*covered)[2]);

/* The frame (any sample type, as 0..1) through the pose, times its gains, as a source of pieces of a picture of
 * width x height pixels; everything is borrowed, `covered` is what rf_warp_spans gives. Outside the spans the pixels
 * are 0. Not clipped: an overshoot stays. Luma is read up to a 64th of a pixel off along either axis. A pose that moves
 * by whole pixels copies the samples exactly (times the gain). Needs no memory but the stack (about 80 KiB). */
rf_source rf_warp_source(const rf_image *frame, const rf_pose *pose, int width, int height, const int (*covered)[2]);

/* Rows [row_begin, row_end) of the output, `width` pixels of frame->channels floats, each row stride_floats after the
 * last, the first at `out`. Each output pixel depends on nothing but the frame and the pose: any split into calls gives
 * the same bytes. */
void rf_warp_rows(const rf_image *frame, const rf_pose *pose, int width, int row_begin, int row_end, float *out,
                  size_t stride_floats);

/* Whole picture: `out` is RF_F32 with the frame's channels, of any size. `covered` (may be NULL) is RF_U8, one channel,
 * of out's size: 255 inside the spans, 0 outside. */
void rf_warp_image(const rf_image *frame, const rf_pose *pose, rf_image *out, rf_image *covered, rf_pool *pool);

/* The six weights for a position f of the way from tap 2 to tap 3. */
void rf_warp_weights(float f, float weights[6]);

#endif
