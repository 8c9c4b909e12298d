/* light.c - Lambert's law, a Blinn-Phong highlight (J. F. Blinn, "Models of light reflection", SIGGRAPH 1977), and a
 * two-colour room. Strengths are chosen by eye. */
#include "light.h"

static const vec3 TO_KEY = {-0.5571f, -0.6189f, -0.5536f}, TO_FILL = {0.7532f, -0.0885f, -0.6518f};
static const vec3 KEY = {2.55f, 2.32f, 1.98f}, FILL = {0.16f, 0.19f, 0.25f};
static const vec3 ROOM_ABOVE = {0.30f, 0.33f, 0.37f}, ROOM_BELOW = {0.13f, 0.11f, 0.085f};

vec3 light_key_direction(void)
{
    return v3_unit(TO_KEY);
}

static float highlight(vec3 normal, vec3 to_light, float shine)
{
    vec3 halfway = v3_unit(v3_add(to_light, v3(0, 0, -1)));
    float cosine = maxf(v3_dot(normal, halfway), 0);
    return (shine + 8) / 25.0f * take_pow(cosine, shine);
}

vec3 light_shade(const material *surface, vec3 normal, float key, float room)
{
    float lit = v3_dot(normal, TO_KEY), filled = v3_dot(normal, TO_FILL);
    float above = 0.5f - 0.5f * normal.y;
    vec3 light = v3_scale(KEY, key * maxf(lit, 0));
    light = v3_add(light, v3_scale(FILL, room * maxf(filled, 0)));
    light = v3_add(light, v3_scale(v3_mix(ROOM_BELOW, ROOM_ABOVE, above), room));
    vec3 seen = v3_mul(surface->albedo, light);
    if (surface->translucent > 0) {
        float behind = surface->translucent * (maxf(-lit, 0) + 0.25f * (1 - fabsf(lit)));
        vec3 filtered = v3_mul(surface->albedo, v3(1.25f, 1.15f, 0.45f));
        seen = v3_add(seen, v3_mul(filtered, v3_scale(KEY, key * behind)));
    }
    if (surface->gloss > 0) {
        /* More mirror at a grazing view (Schlick's weight). */
        float grazing = 1 - clampf(-normal.z, 0, 1), edge = grazing * grazing * grazing;
        float strength = surface->gloss * (0.25f + 0.75f * edge + 0.2f);
        float glint = key * highlight(normal, TO_KEY, surface->shine) * (lit > 0 ? 1 : 0);
        vec3 mirror = v3_scale(KEY, strength * glint * 0.12f);
        mirror = v3_add(mirror, v3_scale(ROOM_ABOVE, surface->gloss * edge * above * room * 0.35f));
        seen = v3_add(seen, mirror);
    }
    return seen;
}
