/* mesh.c - the one thing a mesh needs of its own. */
#include "railfold/mesh.h"

#include "railfold/memory.h"

void rf_mesh_free(rf_mesh *mesh)
{
    rf_free(mesh->position);
    rf_free(mesh->texture);
    rf_free(mesh->colour);
    rf_free(mesh->confidence);
    rf_free(mesh->corners);
    *mesh = (rf_mesh){0};
}
