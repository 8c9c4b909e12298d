/* drape.c - a picture laid over the relief, seen along parallel rays.
 *
 * Every pixel is one small square at its own depth. A corner of it lies at the mean depth of those of the four pixels
 * around the corner that are joined to it (no depth edge between); where surfaces are smooth the squares close up, at a
 * depth edge they part. Drawn at twice the size with a depth buffer, then reduced, which smooths the outlines. */
#include "railfold/depth_draw.h"

#include <math.h>
#include <string.h>

#include "railfold/depth_view.h"
#include "railfold/memory.h"

enum { MOST_SIDE = 1200, OVER = 2, MARGIN = 24 };
static const uint8_t BACKGROUND[3] = {44, 46, 49};

typedef struct scene {
    const rf_depth_map *map;
    const rf_image *skin;
    int thin, columns, rows; /* every thin-th pixel is drawn */
    float edge, per_unit, middle;
    float ct, st, cl, sl; /* cosine and sine of turn and lean */
    float left, top;      /* screen position of the canvas corner */
    rf_image canvas;      /* OVER times as large as the picture */
    float *nearest;       /* per canvas pixel, towards the viewer */
} scene;

/* The pixel in the middle of a thinned one, along one axis. */
static int middle_of(const scene *s, int thinned, int side)
{
    int at = thinned * s->thin + s->thin / 2;
    return at < side ? at : side - 1;
}

static float depth_of(const scene *s, int column, int row)
{
    const rf_image *depth = &s->map->depth;
    return rf_image_row_f32(depth, middle_of(s, row, depth->height))[middle_of(s, column, depth->width)];
}

/* Column and row in thinned pixels, depth in the map's unit -> screen, and how near to the viewer. */
static void project(const scene *s, float column, float row, float depth, float out[3])
{
    float x = column - 0.5f * (float)s->columns, y = row - 0.5f * (float)s->rows;
    float height = (depth - s->middle) * s->per_unit;
    float across = x * s->ct - height * s->st, toward = x * s->st + height * s->ct;
    out[0] = across;
    out[1] = y * s->cl - toward * s->sl;
    out[2] = y * s->sl + toward * s->cl;
}

/* The corner (i, j = 0 or 1) of a pixel's square. */
static void corner(const scene *s, int column, int row, int i, int j, float out[3])
{
    float own = depth_of(s, column, row), sum = 0;
    int count = 0;
    for (int b = row + j - 1; b <= row + j; b++)
        for (int a = column + i - 1; a <= column + i; a++) {
            if (a < 0 || b < 0 || a >= s->columns || b >= s->rows)
                continue;
            float depth = depth_of(s, a, b);
            if (fabsf(depth - own) <= s->edge) {
                sum += depth;
                count++;
            }
        }
    project(s, (float)(column + i), (float)(row + j), sum / (float)count, out);
}

static void paint(scene *s, int x, int y, float near, const uint8_t colour[3])
{
    float *nearest = s->nearest + (size_t)y * (size_t)s->canvas.width + (size_t)x;
    if (near <= *nearest)
        return;
    *nearest = near;
    memcpy((uint8_t *)rf_image_row(&s->canvas, y) + 3 * x, colour, 3);
}

/* Twice the area of p, q, r, signed. */
static float turn_of(const float *p, const float *q, float x, float y)
{
    return (q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0]);
}

static void triangle(scene *s, const float *p, const float *q, const float *r, const uint8_t colour[3])
{
    float area = turn_of(p, q, r[0], r[1]);
    if (!(fabsf(area) > 1e-6f))
        return;
    /* within the canvas before they become whole: a corner may lie farther off than an int can say */
    float right = (float)s->canvas.width - 1, bottom = (float)s->canvas.height - 1;
    int x0 = (int)ceilf(fminf(fmaxf(0, fminf(p[0], fminf(q[0], r[0]))), right + 1));
    int y0 = (int)ceilf(fminf(fmaxf(0, fminf(p[1], fminf(q[1], r[1]))), bottom + 1));
    int x1 = (int)floorf(fmaxf(-1, fminf(right, fmaxf(p[0], fmaxf(q[0], r[0])))));
    int y1 = (int)floorf(fmaxf(-1, fminf(bottom, fmaxf(p[1], fmaxf(q[1], r[1])))));
    for (int y = y0; y <= y1; y++)
        for (int x = x0; x <= x1; x++) {
            float a = turn_of(q, r, (float)x, (float)y) / area, b = turn_of(r, p, (float)x, (float)y) / area,
                  c = 1 - a - b;
            if (a >= 0 && b >= 0 && c >= 0)
                paint(s, x, y, a * p[2] + b * q[2] + c * r[2], colour);
        }
}

/* Mean colour of the pixels that one thinned pixel stands for. */
static void skin_colour(const scene *s, int column, int row, uint8_t colour[3])
{
    int sums[3] = {0}, count = 0;
    for (int y = row * s->thin; y < (row + 1) * s->thin && y < s->skin->height; y++)
        for (int x = column * s->thin; x < (column + 1) * s->thin && x < s->skin->width; x++, count++)
            for (int c = 0; c < 3; c++)
                sums[c] += ((const uint8_t *)rf_image_row(s->skin, y))[3 * x + c];
    int sure =
        rf_depth_map_sure(s->map, middle_of(s, column, s->map->depth.width), middle_of(s, row, s->map->depth.height));
    for (int c = 0; c < 3; c++) {
        int mean = (sums[c] + count / 2) / count;
        colour[c] = (uint8_t)(sure ? mean : (mean + 3 * BACKGROUND[c] + 2) / 4);
    }
}

/* A few pixels far from their neighbours can make every square cover the canvas: it must be possible to stop that. */
static rf_status draw(scene *s, int (*stop)(void), rf_error *err)
{
    for (int row = 0; row < s->rows; row++) {
        if (stop != NULL && stop())
            return rf_fail(err, RF_ERR_STOPPED, "stopped while a view was drawn");
        for (int column = 0; column < s->columns; column++) {
            float at[4][3];
            uint8_t colour[3];
            if (!isfinite(depth_of(s, column, row)))
                continue;
            for (int k = 0; k < 4; k++) {
                corner(s, column, row, k & 1, k >> 1, at[k]);
                at[k][0] = (at[k][0] - s->left) * OVER - 0.5f;
                at[k][1] = (at[k][1] - s->top) * OVER - 0.5f;
            }
            skin_colour(s, column, row, colour);
            triangle(s, at[0], at[1], at[3], colour);
            triangle(s, at[0], at[3], at[2], colour);
        }
    }
    return RF_OK;
}

/* The screen box that all pixels fall into. */
static void find_box(const scene *s, float box[4])
{
    box[0] = box[1] = INFINITY;
    box[2] = box[3] = -INFINITY;
    for (int row = 0; row < s->rows; row++)
        for (int column = 0; column < s->columns; column++) {
            float depth = depth_of(s, column, row), at[3];
            if (!isfinite(depth))
                continue;
            project(s, (float)column + 0.5f, (float)row + 0.5f, depth, at);
            box[0] = fminf(box[0], at[0]);
            box[1] = fminf(box[1], at[1]);
            box[2] = fmaxf(box[2], at[0]);
            box[3] = fmaxf(box[3], at[1]);
        }
}

static void reduce(const rf_image *canvas, rf_image *rgb)
{
    for (int y = 0; y < rgb->height; y++) {
        uint8_t *out = rf_image_row(rgb, y);
        for (int i = 0; i < 3 * rgb->width; i++) {
            int at = i / 3 * 3 * OVER + i % 3, sum = 0;
            for (int j = 0; j < OVER; j++) {
                const uint8_t *in = rf_image_row(canvas, OVER * y + j);
                for (int k = 0; k < OVER; k++)
                    sum += in[at + 3 * k];
            }
            out[i] = (uint8_t)((sum + OVER * OVER / 2) / (OVER * OVER));
        }
    }
}

static void set_up(scene *s, const rf_depth_map *map, const rf_image *skin, const rf_drape_view *view)
{
    const float degree = 0.017453292f;
    float low = 0, high = 0;
    int side = map->depth.width > map->depth.height ? map->depth.width : map->depth.height;
    *s = (scene){.map = map, .skin = skin};
    s->thin = (side + MOST_SIDE - 1) / MOST_SIDE;
    s->columns = (map->depth.width + s->thin - 1) / s->thin;
    s->rows = (map->depth.height + s->thin - 1) / s->thin;
    s->edge = (float)rf_depth_map_edge(map) * (float)s->thin;
    (void)rf_depth_range(&map->depth, 0.01f, &low, &high);
    s->middle = isfinite(low) && isfinite(high) ? 0.5f * (low + high) : 0;
    s->per_unit = (float)(view->pixels_per_unit / s->thin * (map->nearer ? 1 : -1));
    s->ct = cosf((float)view->turn_deg * degree);
    s->st = sinf((float)view->turn_deg * degree);
    s->cl = cosf((float)view->lean_deg * degree);
    s->sl = sinf((float)view->lean_deg * degree);
}

rf_status rf_depth_drape(const rf_depth_map *map, const rf_image *skin, const rf_drape_view *view, rf_image *rgb,
                         rf_error *err)
{
    rf_status status;
    scene s;
    float box[4];
    set_up(&s, map, skin, view);
    int width = view->frame_width, height = view->frame_height;
    /* What a few wild depths would make larger is cut: they must not cost the memory of a large map. */
    float most = 6.0f * (float)(s.columns > s.rows ? s.columns : s.rows);
    find_box(&s, box);
    if (!(box[2] >= box[0]))
        box[0] = box[1] = box[2] = box[3] = 0;
    if (width == 0)
        width = (int)fminf(box[2] - box[0], most) + 2 * MARGIN;
    if (height == 0)
        height = (int)fminf(box[3] - box[1], most) + 2 * MARGIN;
    s.left = 0.5f * (box[0] + box[2] - (float)width);
    s.top = 0.5f * (box[1] + box[3] - (float)height);
    RF_TRY(rf_image_alloc(rgb, width, height, 3, RF_U8, "the draped view", err));
    RF_TRY(rf_image_alloc(&s.canvas, OVER * width, OVER * height, 3, RF_U8, "the draped view", err));
    size_t pixels = (size_t)s.canvas.width * (size_t)s.canvas.height;
    RF_TRY(rf_alloc_raw(&s.nearest, pixels, sizeof *s.nearest, "the draped view", err));
    for (size_t i = 0; i < pixels; i++)
        s.nearest[i] = -INFINITY;
    for (int y = 0; y < s.canvas.height; y++)
        for (int x = 0; x < s.canvas.width; x++)
            memcpy((uint8_t *)rf_image_row(&s.canvas, y) + 3 * x, BACKGROUND, 3);
    RF_TRY(draw(&s, view->stop, err));
    reduce(&s.canvas, rgb);
done:
    rf_free(s.nearest);
    rf_image_free(&s.canvas);
    if (status != RF_OK)
        rf_image_free(rgb);
    return status;
}

rf_status rf_depth_stereo(const rf_depth_map *map, const rf_image *skin, const rf_drape_view *view, double apart_deg,
                          rf_image *rgb, rf_error *err)
{
    enum { GAP = 12 };
    rf_status status;
    rf_image eyes[2] = {{0}, {0}};
    rf_drape_view eye = *view;
    eye.turn_deg = view->turn_deg - 0.5 * apart_deg;
    eye.frame_width = eye.frame_height = 0;
    RF_TRY(rf_depth_drape(map, skin, &eye, &eyes[0], err));
    eye.turn_deg = view->turn_deg + 0.5 * apart_deg;
    eye.frame_width = eyes[0].width;
    eye.frame_height = eyes[0].height;
    RF_TRY(rf_depth_drape(map, skin, &eye, &eyes[1], err));
    RF_TRY(rf_image_alloc(rgb, 2 * eye.frame_width + GAP, eye.frame_height, 3, RF_U8, "the stereo pair", err));
    for (int y = 0; y < rgb->height; y++) {
        uint8_t *row = rf_image_row(rgb, y);
        size_t bytes = 3 * (size_t)eye.frame_width;
        memcpy(row, rf_image_row(&eyes[0], y), bytes);
        memcpy(row + bytes + 3 * GAP, rf_image_row(&eyes[1], y), bytes);
    }
done:
    rf_image_free(&eyes[0]);
    rf_image_free(&eyes[1]);
    return status;
}
