/* utf8.h - what of a text is UTF-8 (The Unicode Standard 15.0, table 3-7; section 3.9: one U+FFFD for each maximal part
 * of an ill-formed sequence). */
#ifndef RF_REPORT_UTF8_H
#define RF_REPORT_UTF8_H

#include <stddef.h>

/* A whole sequence, or the maximal part of an ill-formed one: its bytes, at least one, never beyond the text's NUL. */
size_t rf_utf8_part(const unsigned char *text, int *well_formed);

#endif
