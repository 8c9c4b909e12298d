/* page.c - the page of a run, put together: head, warnings, viewer, plots, table, data blocks, script.
 *
 * Data blocks are script elements of a type that browsers do not run. "<" within them is written as \u003c, so that no
 * text of a file can end the block (HTML Living Standard, 4.12.1.3). */
#include "railfold/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "railfold/depth_view.h"
#include "railfold/memory.h"
#include "report/page_parts.h"
#include "report/text.h"

static void put(rf_text *html, const char *words)
{
    rf_text_add_bytes(html, words, strlen(words));
}

static void put_picture(rf_text *html, const rf_page_picture *picture)
{
    put(html, "data:image/jpeg;base64,");
    rf_text_add_base64(html, picture->bytes, picture->count);
}

static int frames_used(const rf_run_report *report)
{
    int used = 0;
    for (int k = 0; k < report->frame_count; k++)
        used += report->frames[k].used;
    return used;
}

static void put_head(rf_text *html, const rf_page *page)
{
    const rf_run_report *report = page->report;
    put(html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
        "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">\n"
        "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<link rel=\"icon\" href=\"data:,\">\n"
        "<title>");
    rf_text_add_escaped(html, page->title);
    put(html, "</title>\n<style>\n");
    put(html, rf_page_style);
    put(html, "</style>\n</head>\n<body>\n<header>\n<h1>");
    rf_text_add_escaped(html, page->title);
    rf_text_add(html, "</h1>\n<p class=\"soft\">%d of %d frames, %d &#215; %d pixels", frames_used(report),
                report->frame_count, report->width, report->height);
    if (report->step_mm > 0)
        rf_text_add(html, ", step %.4g mm, depth %.4g to %.4g mm", report->step_mm, report->depth_min,
                    report->depth_max);
    else
        put(html, ", depth in frame positions (no rail step was given)");
    if (report->pixel_mm > 0)
        rf_text_add(html, ", a pixel covers %.4g um", report->pixel_mm * 1000);
    put(html, report->view != NULL && strcmp(report->view, "parallel") == 0
                  ? ". To scale at every depth; a single frame lies right where it is sharp.</p>\n</header>\n<main>\n"
                  : ".</p>\n</header>\n<main>\n");
}

/* ---- warnings ---- */

static int count_warnings(const rf_run_report *report)
{
    int count = report->warning_count;
    for (int k = 0; k < report->frame_count; k++)
        count += !report->frames[k].used + report->frames[k].warning_count;
    return count;
}

static void put_warnings(rf_text *html, const rf_run_report *report)
{
    if (count_warnings(report) == 0) {
        put(html, "<section aria-label=\"Warnings\"><p>No warnings.</p></section>\n");
        return;
    }
    put(html, "<section class=\"warnings\" aria-labelledby=\"warnings-title\"><h2 "
              "id=\"warnings-title\">Warnings</h2>\n<ul>\n");
    for (int i = 0; i < report->warning_count; i++) {
        put(html, "<li>");
        rf_text_add_escaped(html, report->warnings[i]);
        put(html, "</li>\n");
    }
    for (int k = 0; k < report->frame_count; k++) {
        const rf_frame_report *frame = &report->frames[k];
        if (!frame->used) {
            rf_text_add(html, "<li>Frame %d was left out: ", k);
            rf_text_add_escaped(html, frame->reason);
            put(html, "</li>\n");
        }
        for (int j = 0; j < frame->warning_count; j++) {
            rf_text_add(html, "<li>Frame %d: ", k);
            rf_text_add_escaped(html, frame->warnings[j]);
            put(html, "</li>\n");
        }
    }
    put(html, "</ul></section>\n");
}

/* ---- viewer ---- */

static void put_key(rf_text *html, const rf_page *page)
{
    double unit = page->report->step_mm > 0 ? page->report->step_mm : 1;
    put(html, "<div class=\"key\" id=\"depth-key\" hidden><span>");
    rf_text_add(html, "near %.3g</span><i style=\"background:linear-gradient(90deg", (double)page->depth_near * unit);
    for (int i = 0; i <= 12; i++) {
        uint8_t c[3];
        rf_depth_colour((float)i / 12, c);
        rf_text_add(html, ",#%02x%02x%02x", c[0], c[1], c[2]);
    }
    rf_text_add(html, ")\"></i><span>%.3g %s far; grey: confidence is low</span></div>\n",
                (double)page->depth_far * unit, page->report->step_mm > 0 ? "mm" : "steps");
}

static void put_viewer(rf_text *html, const rf_page *page)
{
    const rf_run_report *report = page->report;
    /* a tall picture stays within the window */
    rf_text_add(html, "<section aria-label=\"Pictures\">\n<div id=\"stage\" style=\"max-width:calc(86vh * %d / %d)\" ",
                report->width, report->height);
    put(html, "tabindex=\"0\" role=\"group\" aria-label=\"Picture. Arrow keys move a cross and tell the depth, Enter "
              "starts and ends a line, Escape clears it, F shows the frame, M the "
              "merged picture, D the depth.\" aria-describedby=\"readout\">\n");
    rf_text_add(html,
                "<img id=\"merged\" width=\"%d\" height=\"%d\" alt=\"The merged picture\" draggable=\"false\" src=\"",
                report->width, report->height);
    put_picture(html, &page->merged);
    put(html, "\">\n<img id=\"depth-view\" class=\"over\" alt=\"Depth as colours\" draggable=\"false\" hidden src=\"");
    put_picture(html, &page->depth_view);
    put(html, "\">\n<svg id=\"ink\" aria-hidden=\"true\"><line id=\"rule-halo\" class=\"halo\" hidden></line>"
              "<line id=\"rule\" class=\"rule\" hidden></line><line id=\"cross-x\" class=\"cross\" hidden></line>"
              "<line id=\"cross-y\" class=\"cross\" hidden></line></svg>\n</div>\n"
              "<div class=\"controls\">\n<fieldset><legend>Show</legend>"
              "<label><input type=\"radio\" name=\"show\" id=\"show-merged\" checked> merged</label>"
              "<label><input type=\"radio\" name=\"show\" id=\"show-depth\"> depth</label>"
              "<label><input type=\"radio\" name=\"show\" id=\"show-frames\"> one frame</label></fieldset>\n"
              "<div class=\"slider\" id=\"frame-control\"><label for=\"frame\">Frame</label>"
              "<input type=\"range\" id=\"frame\" min=\"0\" max=\"0\" step=\"1\" value=\"0\">"
              "<output id=\"frame-name\" for=\"frame\"></output></div>\n</div>\n");
    put_key(html, page);
    put(html, "<p id=\"readout\" role=\"status\" aria-live=\"polite\">Move over the picture for the depth; click for "
              "the frame a "
              "place came from; drag a line for its profile.</p>\n</section>\n");
}

static void put_profile(rf_text *html)
{
    put(html,
        "<section id=\"profile\" aria-labelledby=\"profile-title\" hidden><h2 id=\"profile-title\">Profile along the "
        "line</h2>\n<figure><svg class=\"plot\" id=\"plot-profile\" role=\"img\" aria-labelledby=\"profile-text\" "
        "></svg>\n<figcaption><span id=\"profile-text\"></span> Near is up; band: one standard deviation; tinted where "
        "the "
        "confidence is low. Read from a reduced map: railfold depth measures on the full one. Optical depth is not a "
        "calibrated gauge.</figcaption></figure>\n<div class=\"numbers\">");
    static const char *const ids[] = {"x0", "y0", "x1", "y1"};
    static const char *const names[] = {"from x", "y", "to x", "y"};
    for (int i = 0; i < 4; i++)
        rf_text_add(html, "<label>%s <input type=\"number\" id=\"%s\" min=\"0\" step=\"1\" value=\"0\"></label>",
                    names[i], ids[i]);
    put(html,
        "<button type=\"button\" id=\"draw\">Draw</button><button type=\"button\" id=\"clear\">Clear</button></div>\n"
        "</section>\n");
}

static void put_plots(rf_text *html)
{
    static const struct {
        const char *id, *title, *words;
    } plots[] = {
        {"plot-sharp", "Sharpness by frame",
         "Share of the picture, in per cent, that is sharpest in each frame. A high end "
         "means that the take began or ended inside the subject."},
        {"plot-drift", "Drift",
         "How far each frame had moved against the reference, in pixels. A jump is a bump of the desk."},
        {"plot-gain", "Lamp", "Brightness of each frame against the reference; 1 is equal. The merge evens it out."}};
    put(html, "<section aria-label=\"Plots\"><div class=\"plots\">\n");
    for (size_t i = 0; i < sizeof plots / sizeof plots[0]; i++)
        rf_text_add(
            html,
            "<figure><h2>%s</h2><svg class=\"plot\" id=\"%s\" role=\"img\" aria-label=\"%s; the table below holds the "
            "numbers\"></svg><figcaption>%s</figcaption></figure>\n",
            plots[i].title, plots[i].id, plots[i].title, plots[i].words);
    put(html, "</div></section>\n");
}

static void put_table(rf_text *html, const rf_run_report *report)
{
    put(html, "<section><details><summary>Frames in numbers</summary><div class=\"scroll\"><table>\n<thead><tr>"
              "<th scope=\"col\">frame</th><th scope=\"col\">file</th><th scope=\"col\">moved x, px</th><th "
              "scope=\"col\">moved y, px"
              "</th><th scope=\"col\">scale</th><th scope=\"col\">gain</th><th scope=\"col\">sharpest, %</th><th "
              "scope=\"col\">used"
              "</th></tr></thead>\n<tbody>\n");
    for (int k = 0; k < report->frame_count; k++) {
        const rf_frame_report *frame = &report->frames[k];
        rf_text_add(html, "<tr><td>%d</td><td>", k);
        rf_text_add_escaped(html, frame->file);
        if (frame->used)
            rf_text_add(
                html, "</td><td>%.2f</td><td>%.2f</td><td>%.5f</td><td>%.4f</td><td>%.2f</td><td>yes</td></tr>\n",
                frame->shift_x_px, frame->shift_y_px, frame->scale, frame->gain[1], 100 * frame->sharp_fraction);
        else
            put(html, "</td><td></td><td></td><td></td><td></td><td></td><td>left out</td></tr>\n");
    }
    put(html, "</tbody></table></div></details></section>\n</main>\n");
}

/* ---- data blocks ---- */

static rf_status put_run(rf_text *html, const rf_run_report *report, rf_error *err)
{
    char *json = NULL;
    size_t bytes;
    rf_status status = rf_run_report_json(report, &json, &bytes, err);
    if (status != RF_OK)
        return status;
    put(html, "<script type=\"application/json\" id=\"run\">\n");
    for (const char *from = json; *from != '\0';) {
        size_t plain = strcspn(from, "<");
        rf_text_add_bytes(html, from, plain);
        from += plain;
        if (*from == '<') {
            put(html, "\\u003c");
            from++;
        }
    }
    put(html, "</script>\n");
    rf_free(json);
    return RF_OK;
}

/* Twenty steps an octave from 0.001 up: 0.001 to 6.9 steps within 2 %. */
static int sigma_code(float sigma)
{
    double code = sigma > 0.001f ? 20 * log2((double)sigma / 0.001) + 0.5 : 0;
    return code < 255 ? (int)code : 255;
}

/* Depth as 16 bit, low byte first, 0..65534 over its range; 65535 = unknown. Confidence as 8 bit; sigma, where it is
 * known, as its logarithm. */
static rf_status put_samples(rf_text *html, const rf_page *page, rf_error *err)
{
    rf_status status;
    uint8_t *samples = NULL;
    const rf_image *depth = page->depth;
    size_t count = (size_t)depth->width * (size_t)depth->height, i = 0;
    double unit = page->report->step_mm > 0 ? page->report->step_mm : 1;
    float low = 0, high = 0;
    (void)rf_depth_range(depth, 0, &low, &high);
    if (!(isfinite(low) && isfinite(high) && high > low))
        high = low + 1;
    RF_TRY(rf_alloc_raw(&samples, count, 2, "the page", err));
    for (int y = 0; y < depth->height; y++)
        for (int x = 0; x < depth->width; x++, i++) {
            float value = rf_image_row_f32(depth, y)[x];
            unsigned sample = isfinite(value) ? (unsigned)((value - low) / (high - low) * 65534 + 0.5f) : 65535;
            samples[2 * i] = (uint8_t)(sample & 255);
            samples[2 * i + 1] = (uint8_t)(sample >> 8);
        }
    rf_text_add(
        html,
        "<script type=\"application/json\" id=\"page-data\">{\"depth\": {\"width\": %d, \"height\": %d, \"low\": %.9g, "
        "\"high\": %.9g, \"step_mm\": %.9g, \"pixel_mm\": %.9g, \"nearer\": %s}}</script>\n",
        depth->width, depth->height, (double)low * unit, (double)high * unit, page->report->step_mm,
        page->report->pixel_mm, page->nearer ? "true" : "false");
    put(html, "<script type=\"text/plain\" id=\"depth-samples\">");
    rf_text_add_base64(html, samples, 2 * count);
    i = 0;
    for (int y = 0; y < depth->height; y++)
        for (int x = 0; x < depth->width; x++)
            samples[i++] = (uint8_t)(fminf(fmaxf(rf_image_row_f32(page->confidence, y)[x], 0), 1) * 255 + 0.5f);
    put(html, "</script>\n<script type=\"text/plain\" id=\"confidence-samples\">");
    rf_text_add_base64(html, samples, count);
    i = 0;
    for (int y = 0; page->sigma != NULL && y < depth->height; y++)
        for (int x = 0; x < depth->width; x++)
            samples[i++] = (uint8_t)sigma_code(rf_image_row_f32(page->sigma, y)[x]);
    put(html, "</script>\n<script type=\"text/plain\" id=\"sigma-samples\">");
    rf_text_add_base64(html, samples, i);
    put(html, "</script>\n");
done:
    rf_free(samples);
    return status;
}

static void put_frames(rf_text *html, const rf_page *page)
{
    for (int i = 0; i < page->frame_count; i++) {
        rf_text_add(html, "<script type=\"text/plain\" class=\"frame-picture\" data-frame=\"%d\">",
                    page->frames[i].frame);
        rf_text_add_base64(html, page->frames[i].bytes, page->frames[i].count);
        put(html, "</script>\n");
    }
}

rf_status rf_page_html(const rf_page *page, char **text, size_t *bytes, rf_error *err)
{
    rf_text html = {.err = err};
    *text = NULL;
    put_head(&html, page);
    put_warnings(&html, page->report);
    put_viewer(&html, page);
    put_profile(&html);
    put_plots(&html);
    put_table(&html, page->report);
    put(&html,
        "<footer><p class=\"soft\">Made by railfold. Everything is in this file; it needs no network.</p></footer>\n");
    rf_status status = put_run(&html, page->report, err);
    if (status == RF_OK)
        status = put_samples(&html, page, err);
    if (status != RF_OK) {
        rf_free(html.bytes);
        return status;
    }
    put_frames(&html, page);
    put(&html, "<script>\n");
    put(&html, rf_page_script);
    put(&html, "</script>\n</body>\n</html>\n");
    return rf_text_finish(&html, text, bytes);
}
