/* page_plots.c - the curves of a take as SVG: how it moved, how far it stepped, where it was sharp, how the light was.
 */
#include <math.h>

#include "check/look.h"
#include "check/page_parts.h"

enum { WIDTH = 460, HEIGHT = 220, LEFT = 58, RIGHT = 12, TOP = 14, BOTTOM = 40, LINES = 2 };

typedef double (*value_fn)(const rf_check_frame *frame); /* NAN: none */

typedef struct plot {
    const char *id, *title, *words, *up;
    value_fn value[LINES];
    const char *name[LINES];
    double steady; /* drawn as a line of its own, and within the scale; NAN: none */
    int bars;
} plot;

static double moved_right(const rf_check_frame *f)
{
    return f->used ? f->shift_x_px : (double)NAN;
}
static double moved_down(const rf_check_frame *f)
{
    return f->used ? f->shift_y_px : (double)NAN;
}
static double step_of(const rf_check_frame *f)
{
    return f->used && f->step > 0 ? f->step : (double)NAN;
}
static double sharp_of(const rf_check_frame *f)
{
    return f->used ? 100 * f->sharp_fraction : (double)NAN;
}
static double light_of(const rf_check_frame *f)
{
    return f->used && f->gain > 0 ? 1 / f->gain : (double)NAN;
}

typedef struct scale {
    double low, high, interval;
    int digits, last; /* last: frame number at the right end */
} scale;

static double across(const scale *s, int k)
{
    return LEFT + (double)k / (s->last > 0 ? s->last : 1) * (WIDTH - LEFT - RIGHT);
}

static double up(const scale *s, double value)
{
    return HEIGHT - BOTTOM - (value - s->low) / (s->high - s->low) * (HEIGHT - BOTTOM - TOP);
}

/* 1, 2 or 5 times a power of ten, so that `most` intervals or fewer span the way. */
static double even_interval(double way, int most)
{
    double rough = way / most, power = pow(10, floor(log10(rough))), rest = rough / power;
    return power * (rest <= 1 ? 1 : rest <= 2 ? 2 : rest <= 5 ? 5 : 10);
}

static scale scale_of(const plot *p, const rf_check_result *result)
{
    scale s = {.low = INFINITY, .high = -INFINITY, .last = result->frame_count - 1};
    for (int k = 0; k < result->frame_count; k++)
        for (int i = 0; i < LINES && p->value[i] != NULL; i++) {
            double value = p->value[i](&result->frames[k]);
            if (isfinite(value)) {
                s.low = fmin(s.low, value);
                s.high = fmax(s.high, value);
            }
        }
    if (isfinite(p->steady)) {
        s.low = fmin(s.low, p->steady);
        s.high = fmax(s.high, p->steady);
    }
    if (!(s.low <= s.high))
        s.low = 0, s.high = 1;
    double room = fmax(0.06 * (s.high - s.low), 0.01 * fmax(fabs(s.high), 0.1));
    s.low = p->bars ? 0 : s.low - room;
    s.high += room;
    s.interval = even_interval(s.high - s.low, 5);
    s.digits = s.interval < 1 ? (int)ceil(-log10(s.interval) - 1e-9) : 0;
    return s;
}

static void put_marks(rf_text *html, const plot *p, const scale *s)
{
    for (double v = ceil(s->low / s->interval) * s->interval; v <= s->high; v += s->interval) {
        double shown = fabs(v) < 1e-9 * s->interval ? 0 : v;
        rf_text_add(html,
                    "<path class=\"grid\" d=\"M%d %.1fH%d\"/><text x=\"%d\" y=\"%.1f\" text-anchor=\"end\">%.*f</text>",
                    LEFT, up(s, v), WIDTH - RIGHT, LEFT - 6, up(s, v) + 4, s->digits, shown);
    }
    int every = (int)fmax(1, even_interval(fmax(s->last, 1), 8));
    for (int k = 0; k <= s->last; k += every)
        rf_text_add(html, "<text x=\"%.1f\" y=\"%d\" text-anchor=\"middle\">%d</text>", across(s, k),
                    HEIGHT - BOTTOM + 18, k);
    rf_text_add(html,
                "<text x=\"%d\" y=\"%d\" text-anchor=\"middle\">frame</text><text transform=\"translate(14 %d) "
                "rotate(-90)\" text-anchor=\"middle\">%s</text>\n",
                (LEFT + WIDTH - RIGHT) / 2, HEIGHT - 6, (TOP + HEIGHT - BOTTOM) / 2, p->up);
    if (isfinite(p->steady))
        rf_text_add(html, "<path class=\"steady\" d=\"M%d %.1fH%d\"/>", LEFT, up(s, p->steady), WIDTH - RIGHT);
}

static void put_line(rf_text *html, const plot *p, int i, const scale *s, const rf_check_result *result)
{
    static const char *const classes[LINES] = {"one", "two"};
    int drawing = 0;
    rf_text_add(html, "<path class=\"%s%s\" d=\"M%d %d", classes[i], p->bars ? " bars" : "", LEFT, HEIGHT - BOTTOM);
    for (int k = 0; k < result->frame_count; k++) {
        double value = p->value[i](&result->frames[k]);
        if (!isfinite(value)) {
            drawing = 0;
            continue;
        }
        if (p->bars)
            rf_text_add(html, "M%.1f %dV%.1f", across(s, k), HEIGHT - BOTTOM, up(s, value));
        else
            rf_text_add(html, "%c%.1f %.1f", drawing ? 'L' : 'M', across(s, k), up(s, value));
        drawing = 1;
    }
    rf_text_add(html, "\"/>\n");
    if (p->name[i] != NULL)
        rf_text_add(html, "<text class=\"n%d\" x=\"%d\" y=\"%d\" text-anchor=\"end\">%s</text>", i + 1,
                    WIDTH - RIGHT - 44 * (1 - i), TOP - 3, p->name[i]);
}

/* Frames that a finding names: a mark on the frame axis, filled by severity. */
static void put_findings(rf_text *html, const scale *s, const rf_check_result *result)
{
    for (int k = 0; k < result->frame_count; k++) {
        int severity = rf_check_page_severity(result, k);
        if (severity >= 0)
            rf_text_add(html, "<path class=\"%s\" d=\"M%.1f %dl-4 7h8z\"/>",
                        rf_check_severity_name((rf_check_severity)severity), across(s, k), HEIGHT - BOTTOM);
    }
}

static void put_plot(rf_text *html, const plot *p, const rf_check_result *result)
{
    scale s = scale_of(p, result);
    rf_text_add(html,
                "<figure><h2>%s</h2><svg class=\"plot\" id=\"%s\" viewBox=\"0 0 %d %d\" role=\"img\" aria-label=\"%s; "
                "the table below holds the numbers\" data-left=\"%d\" data-right=\"%d\" data-last=\"%d\">\n",
                p->title, p->id, WIDTH, HEIGHT, p->title, LEFT, WIDTH - RIGHT, s.last > 0 ? s.last : 1);
    put_marks(html, p, &s);
    for (int i = 0; i < LINES && p->value[i] != NULL; i++)
        put_line(html, p, i, &s, result);
    put_findings(html, &s, result);
    rf_text_add(html, "<path class=\"now\" d=\"M%d %dV%d\"/></svg><figcaption>%s</figcaption></figure>\n", LEFT, TOP,
                HEIGHT - BOTTOM, p->words);
}

void rf_check_page_plots(rf_text *html, const rf_check_result *result)
{
    const plot plots[] = {
        {"plot-moved",
         "Moved",
         "How far the picture had moved against the reference. A jump is a bump of the desk.",
         "pixels",
         {moved_right, moved_down},
         {"right", "down"},
         (double)NAN,
         0},
        {"plot-steps",
         "Steps",
         "Way of the rail before each frame; 1 is the take's usual step. No bar: not known.",
         "usual steps",
         {step_of, NULL},
         {NULL, NULL},
         1,
         1},
        {"plot-sharp",
         "Sharp by frame",
         "Share of the subject that is sharpest in each frame. A high end means that the take began or ended inside "
         "the "
         "subject.",
         "per cent",
         {sharp_of, NULL},
         {NULL, NULL},
         (double)NAN,
         1},
        {"plot-light",
         "Light",
         "Brightness of each frame against the reference, exposure included.",
         "times",
         {light_of, NULL},
         {NULL, NULL},
         1,
         0},
    };
    rf_text_add(html, "<section aria-label=\"Plots\"><div class=\"plots\">\n");
    for (size_t i = 0; i < sizeof plots / sizeof plots[0]; i++)
        put_plot(html, &plots[i], result);
    rf_text_add(html, "</div></section>\n");
}
