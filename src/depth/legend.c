/* legend.c - what the colours, lines and lengths of a view mean, in a strip on its right. */
#include "railfold/depth_draw.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "depth/letters.h"
#include "railfold/depth_view.h"

static const uint8_t PAPER[3] = {250, 250, 247}, INK[3] = {40, 42, 46}, FAINT[3] = {120, 122, 126};

/* Everything is measured in dots, so that the strip grows with the picture. */
enum { STRIP_DOTS = 118, BORDER = 8, BAR_WIDTH = 12, LINE = 12, TICK = 4 };

typedef struct pen {
    const rf_depth_map *map;
    const rf_legend *legend;
    rf_image *out;
    int dot, left; /* pixels of one dot; where the strip begins */
    double factor; /* map unit -> shown unit */
    const char *unit;
} pen;

static void write_at(const pen *p, int x_dots, int y_px, const char *text, const uint8_t colour[3])
{
    rf_draw_text(p->out, p->left + x_dots * p->dot, y_px, text, p->dot, colour);
}

/* Lengths below a tenth of a millimetre read better in micrometres. */
static void choose_unit(pen *p, double extent)
{
    p->factor = 1;
    p->unit = p->map->metric ? "mm" : "steps";
    if (p->map->metric && extent < 0.1) {
        p->factor = 1000;
        p->unit = "um";
    }
}

/* Digits enough to tell neighbouring marks apart, no more. */
static void show(char text[24], double value, double interval)
{
    int digits = (int)ceil(-log10(interval) - 1e-9);
    (void)snprintf(text, 24, "%.*f", digits > 0 ? digits : 0, fabs(value) < interval * 1e-6 ? 0 : value);
}

static void draw_bar(const pen *p, int top, int height)
{
    const rf_legend *legend = p->legend;
    int x = p->left + BORDER * p->dot, width = BAR_WIDTH * p->dot;
    for (int y = 0; y < height; y++) {
        uint8_t colour[3];
        rf_depth_colour((float)y / (float)(height > 1 ? height - 1 : 1), colour);
        rf_draw_box(p->out, x, top + y, width, 1, colour);
    }
    double near = legend->near * p->factor, far = legend->far * p->factor, extent = fabs(far - near);
    if (!(extent > 0))
        return;
    /* as many marks as stand two lines apart, eight at the most */
    double room = fmin(8, fmax(1, (double)height / (2 * LINE * p->dot)));
    double interval = rf_round_interval(extent / room * 1.5);
    for (double k = ceil(fmin(near, far) / interval - 1e-9); k * interval <= fmax(near, far) + 1e-9 * extent; k++) {
        double share = (k * interval - near) / (far - near);
        char text[24];
        int y = top + (int)(share * (height - 1) + 0.5);
        show(text, k * interval, interval);
        rf_draw_box(p->out, x + width, y - p->dot / 2, TICK * p->dot, p->dot, INK);
        write_at(p, BORDER + BAR_WIDTH + TICK + 3, y - RF_LETTER_BASE_ROWS * p->dot / 2, text, INK);
    }
}

static int write_line(const pen *p, int y, const char *text, const uint8_t colour[3])
{
    write_at(p, BORDER, y, text, colour);
    return y + LINE * p->dot;
}

/* A bar of a round length, about a fifth of the picture wide, on the picture's own scale. */
static int draw_scale_bar(const pen *p, int y)
{
    double most_mm = (STRIP_DOTS - 2 * BORDER) * p->dot * p->map->pixel_mm, mm = rf_round_interval(most_mm);
    int length = (int)(mm / p->map->pixel_mm + 0.5), x = p->left + BORDER * p->dot;
    char text[32];
    if (mm < 0.1)
        (void)snprintf(text, sizeof text, "%g um", mm * 1000);
    else
        (void)snprintf(text, sizeof text, "%g mm", mm);
    rf_draw_box(p->out, x, y + 3 * p->dot, length, p->dot, INK);
    rf_draw_box(p->out, x, y, p->dot, 4 * p->dot, INK);
    rf_draw_box(p->out, x + length - p->dot, y, p->dot, 4 * p->dot, INK);
    return write_line(p, y + 7 * p->dot, text, INK);
}

/* A patch of strokes and what it stands for. */
static int draw_hatch_key(const pen *p, int y)
{
    int x = p->left + BORDER * p->dot, side = 9 * p->dot;
    for (int j = 0; j < side; j++)
        for (int i = 0; i < side; i++) {
            static const uint8_t stroke[3] = {236, 236, 236}, ground[3] = {128, 128, 128};
            rf_draw_box(p->out, x + i, y + j, 1, 1, (i + j) / p->dot % 4 < 1 ? stroke : ground);
        }
    write_at(p, BORDER + 13, y + p->dot, "uncertain", INK);
    return y + LINE * p->dot;
}

static void draw_strip(const pen *p)
{
    const rf_legend *legend = p->legend;
    char text[48], number[24];
    int y = BORDER * p->dot, height = p->out->height;
    int lines = (legend->interval > 0 ? 2 : 0) + (p->map->pixel_mm > 0 ? 2 : 0) + (p->map->confidence.data != NULL);
    if (legend->bar) {
        int bar = height - 2 * y - (5 + lines) * LINE * p->dot;
        (void)snprintf(text, sizeof text, "%s, %s", p->map->levelled ? "off plane" : "depth", p->unit);
        y = write_line(p, y, text, INK);
        y = write_line(p, y, "near", FAINT);
        if (bar > 4 * LINE * p->dot) {
            draw_bar(p, y + 2 * p->dot, bar);
            y += bar + 6 * p->dot;
        }
        y = write_line(p, y, "far", FAINT) + LINE * p->dot / 2;
    }
    if (legend->interval > 0) {
        (void)snprintf(number, sizeof number, "%.6g", legend->interval * p->factor);
        (void)snprintf(text, sizeof text, "every %s %s", number, p->unit);
        y = write_line(p, y, "contours", INK);
        y = write_line(p, y, text, INK);
    }
    if (p->map->confidence.data != NULL)
        y = draw_hatch_key(p, y);
    if (p->map->pixel_mm > 0)
        (void)draw_scale_bar(p, y + 2 * p->dot);
}

rf_status rf_depth_legend(const rf_depth_map *map, const rf_image *view, const rf_legend *legend, rf_image *out,
                          rf_error *err)
{
    int side = view->height < view->width ? view->height : view->width;
    /* letters of 14 pixels at least, but on pictures so small that the strip would be the larger part */
    int dot = side < 300 ? 1 : side < 1200 ? 2 : side / 400;
    pen p = {.map = map, .legend = legend, .out = out, .dot = dot, .left = view->width};
    rf_status status =
        rf_image_alloc(out, view->width + STRIP_DOTS * p.dot, view->height, 3, RF_U8, "a view with its legend", err);
    if (status != RF_OK)
        return status;
    choose_unit(&p, fmax(fabs(legend->near), fabs(legend->far)));
    rf_draw_box(out, view->width, 0, STRIP_DOTS * p.dot, out->height, PAPER);
    for (int y = 0; y < view->height; y++)
        memcpy(rf_image_row(out, y), rf_image_row(view, y), 3 * (size_t)view->width);
    draw_strip(&p);
    return RF_OK;
}
