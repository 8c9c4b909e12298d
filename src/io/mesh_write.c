/* mesh_write.c - PLY, OBJ and XYZ. Numbers are written byte by byte, so that the machine's byte order does not matter.
 */
#include "railfold/mesh_io.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"

#ifndef RF_VERSION
#define RF_VERSION "unknown"
#endif

/* A file under construction; after the first failure every call does nothing. */
typedef struct body {
    char *bytes;
    size_t used, room;
    rf_status status;
    rf_error *err;
} body;

enum { LINE_BYTES = 512 };

static void make_room(body *b, size_t more)
{
    char *larger;
    if (b->status != RF_OK || b->room - b->used >= more)
        return;
    size_t room = b->room + b->room / 2 + more + 65536;
    b->status = rf_alloc_raw(&larger, room, 1, "the mesh file", b->err);
    if (b->status != RF_OK)
        return;
    if (b->used > 0)
        memcpy(larger, b->bytes, b->used);
    rf_free(b->bytes);
    b->bytes = larger;
    b->room = room;
}

static void add(body *b, const char *format, ...) RF_PRINTF(2, 3);
static void add(body *b, const char *format, ...)
{
    make_room(b, LINE_BYTES);
    if (b->status != RF_OK)
        return;
    va_list arguments;
    va_start(arguments, format);
    int count = vsnprintf(b->bytes + b->used, LINE_BYTES, format, arguments);
    va_end(arguments);
    b->used += count < LINE_BYTES ? (size_t)count : LINE_BYTES - 1;
}

/* Room must have been made. */
static void add_u32(body *b, uint32_t value)
{
    for (int i = 0; i < 4; i++)
        b->bytes[b->used++] = (char)(value >> (8 * i) & 255);
}

static void add_float(body *b, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    add_u32(b, bits);
}

static rf_status finish(body *b, const char *path, int force)
{
    if (b->status == RF_OK)
        b->status = rf_text_write(path, b->bytes, b->used, force, b->err);
    rf_free(b->bytes);
    return b->status;
}

static void add_ply_head(body *b, const rf_mesh *mesh)
{
    add(b, "ply\nformat binary_little_endian 1.0\ncomment railfold " RF_VERSION ", unit mm, z towards the camera\n");
    add(b, "element vertex %zu\nproperty float x\nproperty float y\nproperty float z\n", mesh->points);
    if (mesh->colour != NULL)
        add(b, "property uchar red\nproperty uchar green\nproperty uchar blue\n");
    if (mesh->confidence != NULL)
        add(b, "property float confidence\n");
    if (mesh->triangles > 0)
        add(b, "element face %zu\nproperty list uchar int vertex_indices\n", mesh->triangles);
    add(b, "end_header\n");
}

rf_status rf_mesh_write_ply(const char *path, const rf_mesh *mesh, int force, rf_error *err)
{
    enum { POINT_BYTES = 19, FACE_BYTES = 13 };
    body b = {.err = err};
    add_ply_head(&b, mesh);
    for (size_t i = 0; i < mesh->points; i++) {
        make_room(&b, POINT_BYTES);
        if (b.status != RF_OK)
            break;
        for (int k = 0; k < 3; k++)
            add_float(&b, mesh->position[i][k]);
        for (int k = 0; mesh->colour != NULL && k < 3; k++)
            b.bytes[b.used++] = (char)mesh->colour[i][k];
        if (mesh->confidence != NULL)
            add_float(&b, mesh->confidence[i]);
    }
    for (size_t i = 0; i < mesh->triangles; i++) {
        make_room(&b, FACE_BYTES);
        if (b.status != RF_OK)
            break;
        b.bytes[b.used++] = 3;
        for (int k = 0; k < 3; k++)
            add_u32(&b, mesh->corners[i][k]);
    }
    return finish(&b, path, force);
}

rf_status rf_mesh_write_obj(const char *path, const rf_mesh *mesh, const char *material, int force, rf_error *err)
{
    body b = {.err = err};
    add(&b, "# railfold " RF_VERSION ", unit mm, z towards the camera\n");
    if (material != NULL)
        add(&b, "mtllib %s\nusemtl surface\n", material);
    for (size_t i = 0; i < mesh->points; i++)
        add(&b, "v %.9g %.9g %.9g\n", (double)mesh->position[i][0], (double)mesh->position[i][1],
            (double)mesh->position[i][2]);
    for (size_t i = 0; i < mesh->points; i++)
        add(&b, "vt %.7g %.7g\n", (double)mesh->texture[i][0], (double)mesh->texture[i][1]);
    for (size_t i = 0; i < mesh->triangles; i++) {
        unsigned long p = mesh->corners[i][0] + 1ul, q = mesh->corners[i][1] + 1ul, r = mesh->corners[i][2] + 1ul;
        add(&b, "f %lu/%lu %lu/%lu %lu/%lu\n", p, p, q, q, r, r);
    }
    return finish(&b, path, force);
}

rf_status rf_mesh_write_mtl(const char *path, const char *texture, int force, rf_error *err)
{
    body b = {.err = err};
    add(&b, "# railfold " RF_VERSION "\nnewmtl surface\nKa 1 1 1\nKd 1 1 1\nKs 0 0 0\nillum 1\nmap_Kd %s\n", texture);
    return finish(&b, path, force);
}

rf_status rf_mesh_write_xyz(const char *path, const rf_mesh *mesh, int force, rf_error *err)
{
    body b = {.err = err};
    for (size_t i = 0; i < mesh->points; i++) {
        add(&b, "%.9g %.9g %.9g", (double)mesh->position[i][0], (double)mesh->position[i][1],
            (double)mesh->position[i][2]);
        if (mesh->colour != NULL)
            add(&b, " %d %d %d", mesh->colour[i][0], mesh->colour[i][1], mesh->colour[i][2]);
        add(&b, "\n");
    }
    return finish(&b, path, force);
}
