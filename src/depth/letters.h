/* letters.h - boxes and short texts in a picture (private to the depth module). */
#ifndef RF_LETTERS_H
#define RF_LETTERS_H

#include "railfold/image.h"

enum { RF_LETTER_COLUMNS = 5, RF_LETTER_ROWS = 9, RF_LETTER_BASE_ROWS = 7 };

/* RF_U8, three channels; what lies outside is cut off. */
void rf_draw_box(rf_image *rgb, int x0, int y0, int width, int height, const uint8_t colour[3]);

/* Small letters, digits and . , - ( ) / = ; anything else is a blank. (x, y) is the top left; a dot is `dot` pixels
 * wide. */
void rf_draw_text(rf_image *rgb, int x, int y, const char *text, int dot, const uint8_t colour[3]);
int rf_draw_text_width(const char *text, int dot);

#endif
