/* profile_plot.c - a profile as CSV and as an SVG picture. */
#include "railfold/depth_report.h"

#include <math.h>
#include <stdio.h>

#include "report/text.h"

/* ---- CSV ---- */

static void add_field(rf_text *text, double value, const char *format, char after)
{
    char number[32] = "";
    if (isfinite(value))
        (void)snprintf(number, sizeof number, format, value);
    rf_text_add(text, "%s%c", number, after);
}

rf_status rf_profile_csv(const rf_depth_map *map, const rf_profile *profile, char **text, size_t *bytes, rf_error *err)
{
    rf_text csv = {.err = err};
    const char *unit = rf_depth_map_unit(map);
    rf_text_add(&csv, "x_px,y_px,along_%s,depth_%s,sigma_%s,confidence\n", map->pixel_mm > 0 ? "mm" : "px", unit, unit);
    for (int i = 0; i < profile->count; i++) {
        add_field(&csv, profile->x_px[i], "%.6g", ',');
        add_field(&csv, profile->y_px[i], "%.6g", ',');
        add_field(&csv, profile->along[i], "%.9g", ',');
        add_field(&csv, profile->depth[i], "%.9g", ',');
        add_field(&csv, profile->sigma[i], "%.6g", ',');
        add_field(&csv, profile->confidence[i], "%.6g", '\n');
    }
    return rf_text_finish(&csv, text, bytes);
}

/* ---- SVG ---- */

enum { WIDTH = 960, HEIGHT = 420, LEFT = 84, RIGHT = 24, TOP = 40, BOTTOM = 58, MARKS_MOST = 40 };

typedef struct axis {
    double low, high, begin, end; /* values, and the pixels they stand at */
    double interval, factor;      /* of the marks, in shown units; value -> shown unit */
    const char *unit;
} axis;

static double place(const axis *a, double value)
{
    return a->begin + (value - a->low) / (a->high - a->low) * (a->end - a->begin);
}

static void choose_marks(axis *a, int most, int metric, const char *plain)
{
    double extent = fmax(fabs(a->high), fabs(a->low));
    a->factor = 1;
    a->unit = metric ? "mm" : plain;
    if (metric && extent < 0.1) {
        a->factor = 1000;
        a->unit = "um";
    }
    double rough = (a->high - a->low) * a->factor / most, power = pow(10, floor(log10(rough)));
    a->interval = power * (rough / power <= 1 ? 1 : rough / power <= 2 ? 2 : rough / power <= 5 ? 5 : 10);
}

static void add_marks(rf_text *svg, const axis *a, int vertical)
{
    int digits = (int)ceil(-log10(a->interval) - 1e-9);
    digits = digits > 0 ? digits : 0;
    /* counted first: the intervals were chosen for about ten, whatever the numbers are */
    double first = ceil(a->low * a->factor / a->interval - 1e-9), last = a->high * a->factor / a->interval + 1e-9;
    int count = (int)fmin(fmax(last - first, -1), MARKS_MOST - 1) + 1;
    for (int i = 0; i < count; i++) {
        double shown = (first + i) * a->interval, at = place(a, shown / a->factor);
        if (fabs(shown) < a->interval * 1e-6)
            shown = 0;
        if (vertical)
            rf_text_add(
                svg,
                "<path class=\"grid\" d=\"M%d %.2fH%d\"/><text x=\"%d\" y=\"%.2f\" text-anchor=\"end\">%.*f</text>\n",
                LEFT, at, WIDTH - RIGHT, LEFT - 8, at + 4, digits, shown);
        else
            rf_text_add(svg,
                        "<path class=\"grid\" d=\"M%.2f %dV%d\"/><text x=\"%.2f\" y=\"%d\" "
                        "text-anchor=\"middle\">%.*f</text>\n",
                        at, TOP, HEIGHT - BOTTOM, at, HEIGHT - BOTTOM + 18, digits, shown);
    }
}

static int usable(const rf_profile *profile, int i)
{
    return isfinite(profile->depth[i]) != 0;
}

static void find_axes(const rf_depth_map *map, const rf_profile *profile, axis *x, axis *y)
{
    double low = INFINITY, high = -INFINITY;
    for (int i = 0; i < profile->count; i++) {
        /* a deviation of several steps says "unknown"; it may leave the picture */
        double sigma = isfinite(profile->sigma[i]) ? profile->sigma[i] : 0;
        if (!usable(profile, i))
            continue;
        low = fmin(low, profile->depth[i] - fmin(sigma, 2 * fmax(map->step_mm, map->metric ? 0 : 1)));
        high = fmax(high, profile->depth[i] + fmin(sigma, 2 * fmax(map->step_mm, map->metric ? 0 : 1)));
    }
    if (!(high >= low))
        low = high = 0;
    double room = fmax(0.06 * (high - low), high - low > 0 ? 0 : 1e-3 + 0.01 * fabs(high));
    *y = (axis){.low = low - room, .high = high + room};
    y->begin = map->nearer ? HEIGHT - BOTTOM : TOP; /* near is up */
    y->end = map->nearer ? TOP : HEIGHT - BOTTOM;
    double last = profile->along[profile->count - 1];
    *x = (axis){.low = 0, .high = last > 0 ? last : 1, .begin = LEFT, .end = WIDTH - RIGHT};
    choose_marks(x, 10, map->pixel_mm > 0, "px");
    choose_marks(y, 8, map->metric, "steps");
}

/* Runs of samples for which `inside` holds: calls draw(first, past the last). */
typedef int (*inside_fn)(const rf_profile *profile, int i);
typedef struct plot {
    rf_text *svg;
    const rf_profile *profile;
    axis x, y;
} plot;

static void each_run(const plot *p, inside_fn inside, void (*draw)(const plot *p, int begin, int end))
{
    for (int i = 0; i < p->profile->count;) {
        int begin = i;
        while (i < p->profile->count && inside(p->profile, i))
            i++;
        if (i > begin)
            draw(p, begin, i);
        else
            i++;
    }
}

static int is_unsure(const rf_profile *profile, int i)
{
    return profile->confidence[i] < (double)RF_DEPTH_SURE;
}

static int has_band(const rf_profile *profile, int i)
{
    return usable(profile, i) && isfinite(profile->sigma[i]);
}

static void draw_ground(const plot *p, int begin, int end)
{
    double from = place(&p->x, p->profile->along[begin]), to = place(&p->x, p->profile->along[end - 1]);
    rf_text_add(p->svg, "<rect class=\"unsure\" x=\"%.2f\" y=\"%d\" width=\"%.2f\" height=\"%d\"/>\n", from, TOP,
                fmax(to - from, 1), HEIGHT - BOTTOM - TOP);
}

static void draw_band(const plot *p, int begin, int end)
{
    rf_text_add(p->svg, "<path class=\"band\" d=\"");
    for (int i = begin; i < end; i++)
        rf_text_add(p->svg, "%c%.2f %.2f", i == begin ? 'M' : 'L', place(&p->x, p->profile->along[i]),
                    place(&p->y, p->profile->depth[i] - p->profile->sigma[i]));
    for (int i = end - 1; i >= begin; i--)
        rf_text_add(p->svg, "L%.2f %.2f", place(&p->x, p->profile->along[i]),
                    place(&p->y, p->profile->depth[i] + p->profile->sigma[i]));
    rf_text_add(p->svg, "Z\"/>\n");
}

static void draw_line(const plot *p, int begin, int end)
{
    rf_text_add(p->svg, "<path class=\"line\" d=\"");
    for (int i = begin; i < end; i++)
        rf_text_add(p->svg, "%c%.2f %.2f", i == begin ? 'M' : 'L', place(&p->x, p->profile->along[i]),
                    place(&p->y, p->profile->depth[i]));
    rf_text_add(p->svg, "\"/>\n");
}

static void add_head(rf_text *svg, const rf_depth_map *map, const rf_profile *profile)
{
    int last = profile->count - 1;
    rf_text_add(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" width=\"%d\" height=\"%d\" role=\"img\" "
        "aria-labelledby=\"title\">\n<title id=\"title\">Depth profile from pixel %.6g, %.6g to %.6g, %.6g</title>\n"
        "<style>text{font:13px sans-serif;fill:#33363b}.grid{stroke:#dcdcd6;fill:none}.line{stroke:#1f4e79;"
        "stroke-width:1.6;fill:none;stroke-linejoin:round}.band{fill:#7fa3c7;fill-opacity:.45}.unsure{fill:#efe6d8}"
        "</style>\n<rect width=\"%d\" height=\"%d\" fill=\"#fdfdfb\"/>\n"
        "<clipPath id=\"field\"><rect x=\"%d\" y=\"%d\" width=\"%d\" height=\"%d\"/></clipPath>\n",
        WIDTH, HEIGHT, WIDTH, HEIGHT, profile->x_px[0], profile->y_px[0], profile->x_px[last], profile->y_px[last],
        WIDTH, HEIGHT, LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM);
    rf_text_add(svg, "<text x=\"%d\" y=\"22\">%s, near is up%s%s</text>\n", LEFT,
                map->levelled ? "departure from the plane" : "depth from the focus plane of frame 0",
                map->sigma.data != NULL ? "; band: one standard deviation" : "",
                map->confidence.data != NULL ? "; tinted: confidence below 0.25" : "");
}

rf_status rf_profile_svg(const rf_depth_map *map, const rf_profile *profile, char **text, size_t *bytes, rf_error *err)
{
    rf_text svg = {.err = err};
    plot p = {.svg = &svg, .profile = profile};
    find_axes(map, profile, &p.x, &p.y);
    add_head(&svg, map, profile);
    each_run(&p, is_unsure, draw_ground);
    add_marks(&svg, &p.x, 0);
    add_marks(&svg, &p.y, 1);
    rf_text_add(&svg, "<g clip-path=\"url(#field)\">\n");
    each_run(&p, has_band, draw_band);
    each_run(&p, usable, draw_line);
    rf_text_add(&svg, "</g>\n<text x=\"%d\" y=\"%d\" text-anchor=\"middle\">along the line, %s</text>\n",
                (LEFT + WIDTH - RIGHT) / 2, HEIGHT - 14, p.x.unit);
    rf_text_add(&svg,
                "<text transform=\"translate(22 %d) rotate(-90)\" text-anchor=\"middle\">depth, %s</text>\n</svg>\n",
                (TOP + HEIGHT - BOTTOM) / 2, p.y.unit);
    return rf_text_finish(&svg, text, bytes);
}
