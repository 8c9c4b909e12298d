/* page.c - the page of a check, put together: verdict, findings, frames with the places marked, plots, table. */
#include <stdio.h>
#include <string.h>

#include "check/look.h"
#include "check/page_parts.h"
#include "railfold/memory.h"
#include "report/page_parts.h"

static void put(rf_text *html, const char *words)
{
    rf_text_add_bytes(html, words, strlen(words));
}

int rf_check_page_severity(const rf_check_result *result, int k)
{
    int gravest = -1;
    for (int i = 0; i < result->finding_count; i++) {
        const rf_check_finding *f = &result->findings[i];
        for (int j = 0; j < f->frame_count && f->frame_count < result->frame_count; j++)
            if (f->frames[j] == k && (int)f->severity > gravest)
                gravest = (int)f->severity;
    }
    return gravest;
}

static void put_head(rf_text *html, const rf_check_result *result, const char *title)
{
    static const char *const meaning[] = {"it can be merged as it is", "the merge will show something somewhere",
                                          "take it again"};
    put(html, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
              "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src "
              "'unsafe-inline'; script-src 'unsafe-inline'\">\n"
              "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n"
              "<link rel=\"icon\" href=\"data:,\">\n<title>");
    rf_text_add_escaped(html, title);
    rf_text_add(html, ": %s</title>\n<style>\n", rf_check_verdict_name(result->verdict));
    put(html, rf_page_style);
    put(html, rf_check_page_style);
    put(html, "</style>\n</head>\n<body>\n<header>\n<h1>");
    rf_text_add_escaped(html, title);
    const char *verdict = rf_check_verdict_name(result->verdict);
    rf_text_add(html, "</h1>\n<p class=\"verdict %s\"><strong>%s</strong> %s</p>\n", verdict, verdict,
                meaning[result->verdict]);
    rf_text_add(html, "<p class=\"soft\">%d frame%s, %d &#215; %d pixels, %.0f %% of the picture is subject",
                result->frame_count, result->frame_count == 1 ? "" : "s", result->width, result->height,
                100 * result->subject_share);
    if (result->focus_width_steps > 0)
        rf_text_add(html, "; each place stays sharp for about %.1f steps", result->focus_width_steps);
    put(html, ".</p>\n</header>\n<main>\n");
}

/* ---- findings ---- */

static void put_finding(rf_text *html, const rf_check_finding *f)
{
    rf_text_add(html, "<li class=\"%s\"><span class=\"badge\">%s</span> <strong>%s</strong> ",
                rf_check_severity_name(f->severity), rf_check_severity_name(f->severity), rf_check_kind_name(f->kind));
    rf_text_add_escaped(html, f->text);
    if (f->frame_count > 0 || f->place[2] > 0) {
        rf_text_add(html, " <button type=\"button\" class=\"show\" aria-label=\"Show %s", rf_check_kind_name(f->kind));
        if (f->frame_count > 0)
            rf_text_add(html, " at frame %d", f->frames[0]);
        put(html, "\"");
        if (f->frame_count > 0)
            rf_text_add(html, " data-frame=\"%d\"", f->frames[0]);
        if (f->place[2] > 0)
            rf_text_add(html, " data-place=\"%d %d %d %d\"", f->place[0], f->place[1], f->place[2], f->place[3]);
        put(html, ">show</button>");
    }
    put(html, "</li>\n");
}

static void put_findings(rf_text *html, const rf_check_result *result)
{
    put(html, "<section aria-labelledby=\"findings-title\"><h2 id=\"findings-title\">Findings</h2>\n");
    if (result->finding_count == 0)
        put(html, "<p>Nothing was found.</p>\n");
    put(html, "<ul class=\"findings\">\n");
    for (int i = 0; i < result->finding_count; i++)
        put_finding(html, &result->findings[i]);
    put(html, "</ul></section>\n");
}

/* ---- frames ---- */

static void put_ink(rf_text *html, const rf_check_result *result)
{
    rf_text_add(html,
                "<svg id=\"ink\" viewBox=\"-0.5 -0.5 %d %d\" preserveAspectRatio=\"none\" aria-hidden=\"true\">\n",
                result->width, result->height);
    double dot = 0.004 * (result->width > result->height ? result->width : result->height);
    put(html, "<g id=\"hot\" hidden>");
    for (int i = 0; i < result->spot_count - result->dust_count; i++)
        rf_text_add(html, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"%.1f\"/>", result->spots[i].x, result->spots[i].y, dot);
    put(html, "</g>\n<g id=\"dust\">");
    for (int i = result->spot_count - result->dust_count; i < result->spot_count; i++)
        rf_text_add(html, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"%.1f\"/>", result->spots[i].x, result->spots[i].y,
                    2 * result->spots[i].radius_px);
    put(html, "</g>\n<g id=\"places\">");
    for (int i = 0; i < result->finding_count; i++) {
        const rf_check_finding *f = &result->findings[i];
        if (f->place[2] > 0)
            rf_text_add(html, "<rect class=\"%s\" x=\"%d\" y=\"%d\" width=\"%d\" height=\"%d\"/>",
                        rf_check_severity_name(f->severity), f->place[0], f->place[1], f->place[2], f->place[3]);
    }
    put(html, "</g>\n</svg>\n");
}

/* The picture shown first: the reference, or the one next to it. */
static int first_picture(const rf_check_result *result)
{
    int best = 0;
    for (int i = 0; i < result->picture_count; i++)
        if (result->pictures[i].frame <= result->reference)
            best = i;
    return best;
}

static void put_toggle(rf_text *html, const char *id, const char *words, int count, int on)
{
    rf_text_add(html, "<label><input type=\"checkbox\" id=\"show-%s\"%s%s> %s (%d)</label>", id, on ? " checked" : "",
                count == 0 ? " disabled" : "", words, count);
}

static void put_viewer(rf_text *html, const rf_check_result *result)
{
    int places = 0;
    for (int i = 0; i < result->finding_count; i++)
        places += result->findings[i].place[2] > 0;
    if (result->picture_count == 0)
        return;
    rf_text_add(html,
                "<section aria-label=\"Frames\">\n<div class=\"view\"><div id=\"stage\" style=\"max-width:calc(62vh * "
                "%d / %d)\"><img id=\"picture\" width=\"%d\" height=\"%d\" alt=\"\">\n",
                result->width, result->height, result->width, result->height);
    put_ink(html, result);
    put(html, "</div></div>\n<p id=\"readout\" role=\"status\" aria-live=\"polite\"></p>\n<div class=\"controls\">"
              "<fieldset><legend>Mark</legend>");
    put_toggle(html, "places", "places of findings", places, 1);
    put_toggle(html, "dust", "dust", result->dust_count, 1);
    put_toggle(html, "hot", "hot pixels", result->spot_count - result->dust_count, 0);
    put(html,
        "</fieldset></div>\n<div class=\"strip\" role=\"listbox\" tabindex=\"0\" aria-label=\"Frames of the take; "
        "arrow keys choose one\" aria-orientation=\"horizontal\">\n");
    for (int i = 0; i < result->picture_count; i++) {
        const rf_check_picture *p = &result->pictures[i];
        int severity = rf_check_page_severity(result, p->frame);
        rf_text_add(html,
                    "<div role=\"option\" id=\"thumb-%d\" class=\"thumb%s%s\" aria-selected=\"%s\" data-frame=\"%d\" "
                    "aria-label=\"Frame %d, ",
                    i, severity >= 0 ? " " : "",
                    severity >= 0 ? rf_check_severity_name((rf_check_severity)severity) : "",
                    i == first_picture(result) ? "true" : "false", p->frame, p->frame);
        rf_text_add_escaped(html, rf_check_base_name(result->frames[p->frame].file));
        if (result->frames[p->frame].note[0] != '\0') {
            put(html, ", ");
            rf_text_add_escaped(html, result->frames[p->frame].note);
        }
        put(html, "\"><img alt=\"\" draggable=\"false\" src=\"data:image/jpeg;base64,");
        rf_text_add_base64(html, p->bytes, p->count);
        rf_text_add(html, "\"><span>%d</span></div>\n", p->frame);
    }
    put(html, "</div></section>\n");
}

static void put_row(rf_text *html, const rf_check_frame *f, int k)
{
    rf_text_add(html, "<tr id=\"row-%d\"><td>%d</td><td>", k, k);
    rf_text_add_escaped(html, rf_check_base_name(f->file));
    if (!f->used)
        put(html, "</td><td></td><td></td><td></td><td></td><td></td><td></td><td>");
    else {
        rf_text_add(html, "</td><td>%.1f</td><td>%.1f</td><td>%.5f</td><td>%.3f</td><td>%.1f</td><td>", f->shift_x_px,
                    f->shift_y_px, f->scale, f->gain, 100 * f->sharp_fraction);
        if (f->step > 0)
            rf_text_add(html, "%.1f", f->step);
        put(html, "</td><td>");
    }
    rf_text_add_escaped(html, f->note);
    put(html, "</td></tr>\n");
}

static void put_table(rf_text *html, const rf_check_result *result)
{
    static const char *const heads[] = {"frame", "file",     "right, px",   "down, px", "scale",
                                        "gain",  "sharp, %", "step, usual", "note"};
    put(html, "<section><details open><summary>Frames in numbers</summary><div class=\"scroll\"><table>\n<thead><tr>");
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++)
        rf_text_add(html, "<th scope=\"col\">%s</th>", heads[i]);
    put(html, "</tr></thead>\n<tbody>\n");
    for (int k = 0; k < result->frame_count; k++)
        put_row(html, &result->frames[k], k);
    put(html, "</tbody></table></div></details></section>\n</main>\n");
}

rf_status rf_check_page(const rf_check_result *result, const char *title, char **text, size_t *bytes, rf_error *err)
{
    rf_text html = {.err = err};
    *text = NULL;
    put_head(&html, result, title);
    put_findings(&html, result);
    put_viewer(&html, result);
    rf_check_page_plots(&html, result);
    put_table(&html, result);
    put(&html, "<footer><p class=\"soft\">Made by railfold. Everything is in this file; it needs no network.</p>"
               "</footer>\n<script>\n");
    put(&html, rf_check_page_script);
    put(&html, "</script>\n</body>\n</html>\n");
    return rf_text_finish(&html, text, bytes);
}
