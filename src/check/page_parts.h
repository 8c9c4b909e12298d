/* page_parts.h - the parts of a check's page (private to the check). */
#ifndef RF_CHECK_PAGE_PARTS_H
#define RF_CHECK_PAGE_PARTS_H

#include "railfold/check.h"
#include "report/text.h"

extern const char rf_check_page_style[];  /* behind the style of the run's page */
extern const char rf_check_page_script[]; /* ECMAScript 2015 without a library */

/* page_plots.c: one figure a quantity, over the frames; those with a finding are marked. */
void rf_check_page_plots(rf_text *html, const rf_check_result *result);

/* The gravest severity of the findings that name frame k alone or with others, or -1. */
int rf_check_page_severity(const rf_check_result *result, int k);

#endif
