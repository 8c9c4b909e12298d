/* mesh_write.c - PLY, OBJ and XYZ. Numbers are written byte by byte, so that the machine's byte order does not
 * matter, and streamed, so that a large mesh is held once.
 */
#include "railfold/mesh_io.h"

#include <stdio.h>
#include <string.h>

#include "io_codec.h"

/* Numbers on their way to the file, so that not every one is a call. */
typedef struct block {
    FILE *file;
    size_t used;
    unsigned char bytes[1 << 14];
} block;

enum { RECORD_BYTES = 64 }; /* no point or triangle is longer */

static void flush_block(block *b)
{
    (void)fwrite(b->bytes, 1, b->used, b->file); /* the stream keeps its fault until `finish` asks */
    b->used = 0;
}

static void add_u32(block *b, uint32_t value)
{
    for (int i = 0; i < 4; i++)
        b->bytes[b->used++] = (unsigned char)(value >> (8 * i) & 255);
}

static void add_float(block *b, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    add_u32(b, bits);
}

static rf_status finish(rf_batch *batch, rf_outfile *out, rf_error *err)
{
    if (ferror(out->file)) {
        rf_status status = rf_outfile_short(out, err);
        rf_outfile_abort(out);
        return status;
    }
    return rf_batch_add_outfile(batch, out, err);
}

static void add_ply_head(FILE *file, const rf_mesh *mesh)
{
    fputs("ply\nformat binary_little_endian 1.0\ncomment " RF_SOFTWARE ", unit mm, z towards the camera\n", file);
    (void)fprintf(file, "element vertex %zu\nproperty float x\nproperty float y\nproperty float z\n", mesh->points);
    if (mesh->colour != NULL)
        fputs("property uchar red\nproperty uchar green\nproperty uchar blue\n", file);
    if (mesh->confidence != NULL)
        fputs("property float confidence\n", file);
    if (mesh->triangles > 0)
        (void)fprintf(file, "element face %zu\nproperty list uchar int vertex_indices\n", mesh->triangles);
    fputs("end_header\n", file);
}

rf_status rf_mesh_write_ply(rf_batch *batch, const char *path, const rf_mesh *mesh, int force, rf_error *err)
{
    rf_outfile out = {0};
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    block b = {.file = out.file};
    add_ply_head(out.file, mesh);
    for (size_t i = 0; i < mesh->points; i++) {
        if (sizeof b.bytes - b.used < RECORD_BYTES)
            flush_block(&b);
        for (int k = 0; k < 3; k++)
            add_float(&b, mesh->position[i][k]);
        for (int k = 0; mesh->colour != NULL && k < 3; k++)
            b.bytes[b.used++] = mesh->colour[i][k];
        if (mesh->confidence != NULL)
            add_float(&b, mesh->confidence[i]);
    }
    for (size_t i = 0; i < mesh->triangles; i++) {
        if (sizeof b.bytes - b.used < RECORD_BYTES)
            flush_block(&b);
        b.bytes[b.used++] = 3;
        for (int k = 0; k < 3; k++)
            add_u32(&b, mesh->corners[i][k]);
    }
    flush_block(&b);
    return finish(batch, &out, err);
}

rf_status rf_mesh_write_obj(rf_batch *batch, const char *path, const rf_mesh *mesh, const char *material, int force,
                            rf_error *err)
{
    rf_outfile out = {0};
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    fputs("# " RF_SOFTWARE ", unit mm, z towards the camera\n", out.file);
    if (material != NULL)
        (void)fprintf(out.file, "mtllib %s\nusemtl surface\n", material);
    for (size_t i = 0; i < mesh->points; i++)
        (void)fprintf(out.file, "v %.9g %.9g %.9g\n", (double)mesh->position[i][0], (double)mesh->position[i][1],
                      (double)mesh->position[i][2]);
    for (size_t i = 0; i < mesh->points; i++)
        (void)fprintf(out.file, "vt %.7g %.7g\n", (double)mesh->texture[i][0], (double)mesh->texture[i][1]);
    for (size_t i = 0; i < mesh->triangles; i++) {
        unsigned long p = mesh->corners[i][0] + 1ul, q = mesh->corners[i][1] + 1ul, r = mesh->corners[i][2] + 1ul;
        (void)fprintf(out.file, "f %lu/%lu %lu/%lu %lu/%lu\n", p, p, q, q, r, r);
    }
    return finish(batch, &out, err);
}

rf_status rf_mesh_write_mtl(rf_batch *batch, const char *path, const char *texture, int force, rf_error *err)
{
    rf_outfile out = {0};
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    (void)fprintf(out.file, "# " RF_SOFTWARE "\nnewmtl surface\nKa 1 1 1\nKd 1 1 1\nKs 0 0 0\nillum 1\nmap_Kd %s\n",
                  texture);
    return finish(batch, &out, err);
}

rf_status rf_mesh_write_xyz(rf_batch *batch, const char *path, const rf_mesh *mesh, int force, rf_error *err)
{
    rf_outfile out = {0};
    rf_status status = rf_outfile_open(&out, path, force, err);
    if (status != RF_OK)
        return status;
    for (size_t i = 0; i < mesh->points; i++) {
        (void)fprintf(out.file, "%.9g %.9g %.9g", (double)mesh->position[i][0], (double)mesh->position[i][1],
                      (double)mesh->position[i][2]);
        if (mesh->colour != NULL)
            (void)fprintf(out.file, " %d %d %d", mesh->colour[i][0], mesh->colour[i][1], mesh->colour[i][2]);
        (void)fputc('\n', out.file);
    }
    return finish(batch, &out, err);
}
