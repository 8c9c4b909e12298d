/* Meshes: nothing is joined across a depth edge, and heights and colours are the map's. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "failing_memory.h"
#include "map_shapes.h"
#include "near.h"
#include "railfold/depth_draw.h"
#include "railfold/depth_mesh.h"
#include "railfold/memory.h"

/* ---- meshes ---- */

static void every_triangle_faces_the_camera_and_names_known_points(void **state)
{
    (void)state;
    rf_depth_map map = make_map(129, 97, dome);
    for (size_t most = 0; most <= 4000; most = most == 0 ? 60 : most * 4) {
        rf_mesh mesh = {0};
        assert_int_equal(rf_depth_mesh_build(&map, NULL, most, &mesh, NULL), RF_OK);
        assert_true(most == 0 ? mesh.points == 129 * 97 : mesh.points <= most);
        for (size_t i = 0; i < mesh.triangles; i++) {
            const float *p[3];
            for (int k = 0; k < 3; k++) {
                assert_true(mesh.corners[i][k] < mesh.points);
                p[k] = mesh.position[mesh.corners[i][k]];
            }
            assert_true((p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) > (p[1][1] - p[0][1]) * (p[2][0] - p[0][0]));
        }
        rf_mesh_free(&mesh);
    }
    rf_depth_map_free(&map);
}

/* Every inner side belongs to two triangles: counted by the area, which must be that of the map without overlap or gap.
 */
static void a_thinned_mesh_covers_the_map_without_gap_or_overlap(void **state)
{
    (void)state;
    rf_depth_map map = make_map(129, 97, dome);
    rf_mesh mesh = {0};
    double area = 0;
    assert_int_equal(rf_depth_mesh_build(&map, NULL, 700, &mesh, NULL), RF_OK);
    assert_true(mesh.points > 300);
    /* twice over: a point lies in one triangle only, so that equal areas leave no room for a gap */
    uint8_t *cover = calloc(128 * 96, 1);
    for (size_t i = 0; i < mesh.triangles; i++) {
        const float *p = mesh.position[mesh.corners[i][0]], *q = mesh.position[mesh.corners[i][1]],
                    *r = mesh.position[mesh.corners[i][2]];
        area += 0.5 * (double)((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]));
        for (int y = 0; y < 96; y++)
            for (int x = 0; x < 128; x++) {
                float at[2] = {((float)x + 0.37f) * 0.01f, -((float)y + 0.61f) * 0.01f};
                float a = (q[0] - p[0]) * (at[1] - p[1]) - (q[1] - p[1]) * (at[0] - p[0]);
                float b = (r[0] - q[0]) * (at[1] - q[1]) - (r[1] - q[1]) * (at[0] - q[0]);
                float c = (p[0] - r[0]) * (at[1] - r[1]) - (p[1] - r[1]) * (at[0] - r[0]);
                cover[y * 128 + x] = (uint8_t)(cover[y * 128 + x] + (a > 0 && b > 0 && c > 0));
            }
    }
    assert_near(area, 1.28 * 0.96, 1e-5);
    for (int i = 0; i < 128 * 96; i++)
        assert_int_equal(cover[i], 1);
    free(cover);
    rf_mesh_free(&mesh);
    rf_depth_map_free(&map);
}

static void no_triangle_bridges_a_cliff(void **state)
{
    (void)state;
    rf_depth_map map = make_map(128, 96, cliff);
    for (size_t most = 0; most <= 2000; most = most == 0 ? 120 : most * 4) {
        rf_mesh mesh = {0};
        assert_int_equal(rf_depth_mesh_build(&map, NULL, most, &mesh, NULL), RF_OK);
        for (size_t i = 0; i < mesh.triangles; i++) {
            int left = 0;
            for (int k = 0; k < 3; k++)
                left += mesh.position[mesh.corners[i][k]][0] < 0.3951f; /* x = 39 is the last of the near side */
            assert_true(left == 0 || left == 3);
        }
        rf_mesh_free(&mesh);
    }
    rf_depth_map_free(&map);
}

static void heights_are_in_mm_towards_the_camera_and_colours_follow(void **state)
{
    (void)state;
    rf_depth_map map = make_map(20, 10, slope);
    rf_image picture = grey_view(&map, 0);
    rf_mesh cloud = {0};
    for (int x = 0; x < 20; x++)
        ((uint8_t *)rf_image_row(&picture, 3))[3 * x] = (uint8_t)(x + 100);
    assert_int_equal(rf_depth_cloud_build(&map, &picture, 0, &cloud, NULL), RF_OK);
    assert_int_equal(cloud.points, 200);
    const float *p = cloud.position[3 * 20 + 7];
    assert_near((double)p[0], 0.07, 1e-6);
    assert_near((double)p[1], -0.03, 1e-6);
    assert_near((double)p[2], -0.035, 1e-6);
    assert_int_equal(cloud.colour[3 * 20 + 7][0], 107);
    rf_mesh_free(&cloud);
    assert_int_equal(rf_depth_cloud_build(&map, &picture, 60, &cloud, NULL), RF_OK);
    assert_true(cloud.points <= 60 && cloud.points > 20);
    rf_mesh_free(&cloud);
    rf_image_free(&picture);
    rf_depth_map_free(&map);
}

static void a_mesh_in_mm_needs_step_and_pixel_and_something_known(void **state)
{
    (void)state;
    rf_depth_map map = make_map(20, 10, flat);
    rf_mesh mesh = {0};
    rf_error err = {0};
    map.metric = 0;
    assert_int_equal(rf_depth_mesh_build(&map, NULL, 0, &mesh, &err), RF_ERR_USAGE);
    assert_non_null(strstr(err.text, "--step"));
    map.metric = 1;
    map.pixel_mm = 0;
    err = (rf_error){0};
    assert_int_equal(rf_depth_cloud_build(&map, NULL, 0, &mesh, &err), RF_ERR_USAGE);
    assert_non_null(strstr(err.text, "--pixel"));
    map.pixel_mm = 1;
    for (int y = 0; y < 10; y++)
        for (int x = 0; x < 20; x += 2)
            rf_image_row_f32(&map.depth, y)[x] = NAN;
    assert_int_equal(rf_depth_mesh_build(&map, NULL, 0, &mesh, NULL), RF_ERR_INPUT);
    assert_null(mesh.position);
    rf_depth_map_free(&map);
}

static void a_mesh_survives_every_failed_allocation(void **state)
{
    (void)state;
    rf_depth_map map = make_map(40, 30, dome);
    failing_memory memory = failing_memory_start();
    rf_status status;
    do {
        rf_mesh mesh = {0};
        failing_memory_arm(&memory);
        status = rf_depth_mesh_build(&map, NULL, 100, &mesh, NULL);
        rf_mesh_free(&mesh);
    } while (failing_memory_goes_on(&memory, status, NULL));
    assert_true(memory.failures >= 5);
    rf_depth_map_free(&map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_triangle_faces_the_camera_and_names_known_points),
        cmocka_unit_test(a_thinned_mesh_covers_the_map_without_gap_or_overlap),
        cmocka_unit_test(no_triangle_bridges_a_cliff),
        cmocka_unit_test(heights_are_in_mm_towards_the_camera_and_colours_follow),
        cmocka_unit_test(a_mesh_in_mm_needs_step_and_pixel_and_something_known),
        cmocka_unit_test(a_mesh_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
