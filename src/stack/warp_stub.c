#include "railfold/warp.h"
#include <math.h>
#include <string.h>
typedef struct job { const rf_image *f; const rf_pose *p; rf_image *o; rf_span *s; } job;
static float get(const rf_image *f, int x, int y, int c) { const void *r = rf_image_row(f, y); size_t i = (size_t)(x * f->channels + c);
 return f->sample == RF_U8 ? (float)((const uint8_t *)r)[i] / 255.f : f->sample == RF_U16 ? (float)((const uint16_t *)r)[i] / 65535.f : ((const float *)r)[i]; }
static void rows(void *a, int b, int e, int bl, int t) { job *j = a; (void)bl; (void)t;
 for (int y = b; y < e; y++) { rf_span s = {1 << 30, -1}; float *o = rf_image_row_f32(j->o, y); memset(o, 0, (size_t)j->o->width * (size_t)j->o->channels * 4);
  for (int x = 0; x < j->o->width; x++) { double xf, yf; rf_pose_apply(j->p, x, y, &xf, &yf);
   if (xf < 0 || yf < 0 || xf > j->f->width - 1 || yf > j->f->height - 1) continue;
   int xi = (int)floor(xf), yi = (int)floor(yf); double wx[6], wy[6], sx = 0, sy = 0;
   for (int i = 0; i < 6; i++) { double u = i - 2 - (xf - xi), v = i - 2 - (yf - yi); double q = 3.14159265358979;
     wx[i] = fabs(u) < 1e-9 ? 1 : fabs(u) >= 3 ? 0 : 3 * sin(q * u) * sin(q * u / 3) / (q * q * u * u); wy[i] = fabs(v) < 1e-9 ? 1 : fabs(v) >= 3 ? 0 : 3 * sin(q * v) * sin(q * v / 3) / (q * q * v * v); sx += wx[i]; sy += wy[i]; }
   for (int c = 0; c < j->o->channels; c++) { double sum = 0; for (int i = 0; i < 6; i++) { int yy = yi + i - 2; yy = yy < 0 ? 0 : yy >= j->f->height ? j->f->height - 1 : yy; double r = 0;
     for (int k = 0; k < 6; k++) { int xx = xi + k - 2; xx = xx < 0 ? 0 : xx >= j->f->width ? j->f->width - 1 : xx; r += wx[k] * (double)get(j->f, xx, yy, c); } sum += wy[i] * r; }
     o[x * j->o->channels + c] = (float)(sum / sx / sy * j->p->gain[c]); }
   if (x < s.begin) s.begin = x;
   s.end = x + 1; }
  if (s.end < 0) s = (rf_span){0, 0};
  j->s[y] = s; } }
rf_status rf_warp_frame(const rf_image *frame, const rf_pose *pose, rf_image *out, rf_span *spans, rf_pool *pool, rf_error *err) { job j = {frame, pose, out, spans}; (void)err; rf_pool_rows(pool, out->height, 16, rows, &j); return RF_OK; }
