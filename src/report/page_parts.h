/* page_parts.h - the fixed parts of the run's page (private to the report module). */
#ifndef RF_PAGE_PARTS_H
#define RF_PAGE_PARTS_H

extern const char rf_page_style[];
extern const char rf_page_script[];

#endif
