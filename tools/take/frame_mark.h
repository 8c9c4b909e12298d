/* frame_mark.h - frames are written with the library's own writer, which signs what it writes; a signed picture is
 * taken for a merged one and left out of a take. This puts the tool's name in place of the signature. */
#ifndef TAKE_FRAME_MARK_H
#define TAKE_FRAME_MARK_H

#include "railfold/status.h"

/* Rewrites the Software text of a JPEG, PNG or TIFF in place (same length; a PNG's check sums follow). */
rf_status frame_mark(const char *path, rf_error *err) RF_CHECKED;

#endif
