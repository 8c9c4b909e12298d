/* utf8.c - see utf8.h. */
#include "report/utf8.h"

size_t rf_utf8_part(const unsigned char *text, int *well_formed)
{
    unsigned char lead = text[0], low = 0x80, high = 0xbf;
    size_t length = lead < 0x80 ? 1 : lead < 0xc2 ? 0 : lead < 0xe0 ? 2 : lead < 0xf0 ? 3 : lead < 0xf5 ? 4 : 0;
    *well_formed = length > 0;
    if (length == 0)
        return 1;
    if (lead == 0xe0)
        low = 0xa0;
    if (lead == 0xed)
        high = 0x9f;
    if (lead == 0xf0)
        low = 0x90;
    if (lead == 0xf4)
        high = 0x8f;
    for (size_t i = 1; i < length; i++) {
        if (text[i] < low || text[i] > high) {
            *well_formed = 0;
            return i;
        }
        low = 0x80;
        high = 0xbf;
    }
    return length;
}
