/* Rules of the check on looks made by hand, each beside the case it must not take for it: what moved and a long step,
 * frames that differ in direction and a smear, curves that peak between two frames. */
#include <math.h>
#include <string.h>

#include "check_made.h"
#include "railfold/memory.h"

enum { CELLS = COLUMNS * ROWS };

/* Cells of column x are in focus at 0.5 x; each curve a bell of that half-peak width. From `skip_at` on the frames
 * stand `skip` steps farther. */
static void focus_columns(made *m, int skip_at, double skip)
{
    for (int k = 0; k < COUNT; k++)
        for (int x = 0; x < COLUMNS; x++)
            for (int y = 0; y < ROWS; y++) {
                double off = k + (k >= skip_at ? skip : 0) - 0.5 * x;
                cell_at(m, k, x, y)->energy = (float)(0.01 * exp(-0.5 * off * off));
            }
    for (int k = 0; k < COUNT; k++)
        m->frames[k].sharp_fraction = 1.0 / COUNT;
    m->result.focus_width_steps = 2.35;
}

/* All of one strength, sharpest in frame x / 2. */
static void peaks_by_columns(made *m)
{
    for (int c = 0; c < CELLS; c++)
        m->peaks[c] = (rf_cell_peak){.frame = c % COLUMNS / 2, .position = (float)(c % COLUMNS / 2), .energy = 0.01f};
}

static void assert_nothing_found(const made *m)
{
    for (int i = 0; i < m->result.finding_count; i++)
        fail_msg("%s", m->result.findings[i].text);
}

/* ---- motion and long steps ---- */

/* Four cells apart from each other, each brighter on one side and darker on the other by `share` from frame 4 on:
 * groups of four quarters, fewer than one group must have had to be told. */
static void light_four_places(made *m, double share, double drift)
{
    static const int at[4][2] = {{1, 2}, {5, 1}, {9, 4}, {4, 7}};
    for (int k = 0; k < COUNT; k++)
        for (int c = 0; c < CELLS; c++)
            for (int i = 0; i < 4; i++) {
                double moved = 0, way = k + (k >= 4 ? 3 : 0); /* a step of four, of which `drift` tells */
                for (int p = 0; p < 4; p++)
                    if (k >= 4 && c % COLUMNS == at[p][0] && c / COLUMNS == at[p][1])
                        moved = i % 2 ? share : -share;
                m->cells[k * CELLS + c].luma[i] =
                    (float)(0.4 * (1 + moved + drift * way * (c % COLUMNS - c / COLUMNS) + 0.0002 * k * i));
            }
}

static void motion_in_several_small_places_is_found(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    light_four_places(m, 0.12, 0);
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    const rf_check_finding *f = found(m, RF_CHECK_MOVED);
    assert_non_null(f);
    assert_int_equal(f->frames[0], 4);
    assert_int_equal(f->place[2], CELL_PX); /* one of them, and it says that there are more */
    assert_int_equal(f->place[3], CELL_PX);
    assert_non_null(strstr(f->text, "and elsewhere"));
    drop(m);
    m = make(); /* before a backdrop in focus that says nothing: it moves against the subject by itself */
    light_four_places(m, 0.12, 0);
    const rf_check_finding backdrop = {.kind = RF_CHECK_BACKDROP};
    assert_int_equal(rf_check_add(&m->result, &backdrop, NULL, 0, &err, "a backdrop"), RF_OK);
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    assert_null(found(m, RF_CHECK_MOVED));
    drop(m);
}

/* Four times the way brings four times the change. Were the step one of the usual ones, something would have moved. */
static void change_over_a_long_step_is_no_motion(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    light_four_places(m, 0, 0.004);
    m->steps[4].length = 4;
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    m->steps[4].length = 1;
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    assert_non_null(found(m, RF_CHECK_MOVED));
    drop(m);
}

static void seem_long(made *m)
{
    for (int k = 1; k < COUNT; k++)
        m->steps[k] = (rf_step){.ratio = 1,
                                .against_near = 1,
                                .telling = 1,
                                .follow = 1,
                                .follow_near = 1,
                                .follow_error = 0.05,
                                .length = 1};
    m->steps[4].ratio = m->steps[4].against_near = 1.8;
    m->steps[4].length = 1.9;
    m->steps[4].follow = m->steps[4].follow_near = 1.5;
}

/* A take whose step to frame 4 seems long; for the rest see focus_columns and light_quarters. */
static made *with_long_step(int skip_at, double skip, double jump)
{
    made *m = make();
    focus_columns(m, skip_at, skip);
    peaks_by_columns(m);
    light_quarters(m, jump);
    seem_long(m);
    return m;
}

/* In a third of the cells the pattern of sharpness is another from frame 4 on, and their brightness jumps. */
static void what_moved_is_no_missing_step(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    focus_columns(m, COUNT, 0);
    peaks_by_columns(m);
    light_quarters(m, 0.12);
    for (int k = 4; k < COUNT; k++)
        for (int y = 2; y < 6; y++)
            for (int x = 3; x < 6; x++)
                cell_at(m, k, x, y)->energy = y % 2 ? 0.1f : 0.0001f;
    for (int k = 0; k < 4; k++)
        for (int y = 2; y < 6; y++)
            for (int x = 3; x < 6; x++)
                cell_at(m, k, x, y)->energy = y % 2 ? 0.0001f : 0.1f;
    seem_long(m);
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    assert_true(m->frames[4].step < 1.4); /* told by what stood still */
    assert_int_equal(rf_find_moved(&m->look, &err), RF_OK);
    assert_non_null(found(m, RF_CHECK_MOVED));
    drop(m);
}

static void long_step_beside_which_something_moved_is_told(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = with_long_step(4, 1.2, 0.12);
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    const rf_check_finding *f = found(m, RF_CHECK_MISSING_STEP);
    assert_non_null(f);
    assert_int_equal(f->frames[0], 4);
    drop(m);
}

/* One frame left out of a take with broad curves: 1.55 by the angle; the energies tell. */
static void step_long_by_what_changed_is_told(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = with_long_step(COUNT, 0, 0);
    m->steps[4].length = 1.55;
    m->steps[4].follow_near = 1.6;
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    m->steps[4].follow_near = 1.9;
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_non_null(found(m, RF_CHECK_MISSING_STEP));
    drop(m);
}

/* A take without a subject has steps of no known length. */
static void steps_of_no_subject_have_no_length(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    for (int c = 0; c < CELLS; c++)
        m->peaks[c].frame = -1;
    assert_int_equal(rf_pool_create(&m->look.pool, 1, &err), RF_OK);
    assert_int_equal(rf_look_gaps(&m->look, &err), RF_OK);
    for (int k = 1; k < COUNT; k++)
        assert_true(m->steps[k].length == 0);
    rf_pool_destroy(&m->look.pool);
    drop(m);
}

/* Frame 4 resembles frame 2 more than frame 3, as noise has it where a plate lies midway between 3 and 4: only if the
 * energies surely do not follow the rail did it go back. */
static void frames_to_both_sides_of_a_plate_are_in_order(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = with_long_step(COUNT, 0, 0);
    for (int k = 1; k < COUNT; k++)
        for (int back = 1; back <= k; back++)
            m->angle[k * RF_LOOK_SPAN + back - 1] = 0.2 * back;
    m->angle[4 * RF_LOOK_SPAN] = 0.175;
    m->angle[4 * RF_LOOK_SPAN + 1] = 0.115;
    m->steps[4] = (rf_step){.ratio = 1,
                            .against_near = 1.7,
                            .telling = 0.3,
                            .follow = 0.14,
                            .follow_near = 0.14,
                            .follow_error = 0.14,
                            .length = 3};
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    m->steps[4].follow_error = 0.05;
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_non_null(found(m, RF_CHECK_ORDER));
    drop(m);
}

/* A step over which the pattern of sharpness is not expected to change, as where a plate comes into focus as a whole,
 * is told neither long nor none, whatever the noise of it says. */
static void steps_that_tell_nothing_are_not_judged(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = with_long_step(COUNT, 0, 0);
    m->steps[3].telling = 0.3;
    m->steps[3].length = m->steps[3].against_near = 2;
    m->steps[3].follow_near = 1.5;
    m->steps[4] = m->steps[5];
    m->steps[7] = (rf_step){.ratio = 0.5, .against_near = 0.5, .telling = 0.3, .follow_error = 0.04, .in_focus = 40};
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    m->steps[3].telling = m->steps[7].telling = 1;
    assert_int_equal(rf_find_steps(&m->look, &err), RF_OK);
    const rf_check_finding *none = found(m, RF_CHECK_DUPLICATE), *far = found(m, RF_CHECK_MISSING_STEP);
    assert_true(none != NULL && none->frames[0] == 7);
    assert_true(far != NULL && far->frames[0] == 3);
    drop(m);
}

/* ---- shake ---- */

/* Detail from left to right and up and down of the whole frame. */
static void detail(made *m, int k, double across, double along)
{
    for (int c = 0; c < CELLS; c++) {
        m->cells[k * CELLS + c].energy = 0.01f;
        m->cells[k * CELLS + c].xx = (float)across;
        m->cells[k * CELLS + c].yy = (float)along;
    }
    m->steps[k].in_focus = 40;
}

/* Strands, lying in one frame and upright in the next: no frame is smeared, however little detail it has in one
 * direction. */
static void frames_of_strands_are_not_shaken(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    peaks_by_columns(m);
    m->result.focus_width_steps = 1.7;
    for (int k = 0; k < COUNT; k++) {
        int lying = (k == 0 ? 1 : k == COUNT - 1 ? k - 1 : k) % 2; /* the ends like their neighbours */
        detail(m, k, lying ? 1.4 : 0.6, lying ? 0.6 : 1.4);
    }
    assert_int_equal(rf_find_blur(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    drop(m);
    m = make(); /* every other frame has less in one direction: so has this take as a whole */
    peaks_by_columns(m);
    m->result.focus_width_steps = 1.7;
    for (int k = 0; k < COUNT; k++)
        detail(m, k, k % 2 ? 1 : 0.7, 1);
    detail(m, 0, 0.38, 0.95); /* an end that lies before most of what it shows differs more */
    assert_int_equal(rf_find_blur(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    drop(m);
}

/* Strands in the second frame, half of them blurred away in the first: with narrow curves no word on the first. */
static void end_of_narrow_curves_is_not_judged(void **state)
{
    (void)state;
    rf_error err = {0};
    for (int narrow = 0; narrow < 2; narrow++) {
        made *m = make();
        peaks_by_columns(m);
        m->result.focus_width_steps = narrow ? 1.76 : 3;
        for (int k = 0; k < COUNT; k++)
            detail(m, k, k == 0 ? 0.2 : 1, k == 0 ? 0.56 : 1);
        assert_int_equal(rf_find_blur(&m->look, &err), RF_OK);
        assert_int_equal(found(m, RF_CHECK_BLUR) == NULL, narrow);
        drop(m);
    }
}

/* A smear that takes a third in one direction, where no other frame differs. */
static void slight_shake_of_an_even_take_is_found(void **state)
{
    (void)state;
    rf_error err = {0};
    made *m = make();
    peaks_by_columns(m);
    m->result.focus_width_steps = 3;
    for (int k = 0; k < COUNT; k++)
        detail(m, k, k == 4 ? 0.6 : 1, k == 4 ? 0.9 : 1);
    assert_int_equal(rf_find_blur(&m->look, &err), RF_OK);
    assert_int_equal(m->result.finding_count, 1);
    const rf_check_finding *f = found(m, RF_CHECK_BLUR);
    assert_non_null(f);
    assert_int_equal(f->frames[0], 4);
    assert_non_null(strstr(f->text, "from left to right"));
    drop(m);
}

/* ---- curves between two frames ---- */

/* A stair whose treads all lie midway between two frames; `sigma`: of the bell, steps. */
static void stand_between_frames(made *m, double sigma)
{
    rf_error err = {0};
    for (int k = 0; k < COUNT; k++)
        for (int c = 0; c < CELLS; c++) {
            double off = (k - 2.5 - c % 3) / sigma, strength = 0.01 * (1 + 0.001 * c); /* 2.5, 3.5, 4.5 */
            m->cells[k * CELLS + c].energy = (float)(strength * exp(-0.5 * off * off));
        }
    assert_int_equal(rf_pool_create(&m->look.pool, 1, &err), RF_OK);
    assert_int_equal(rf_look_curves(&m->look, &err), RF_OK);
    assert_int_equal(rf_look_width(&m->look, &err), RF_OK);
    assert_int_equal(rf_find_focus(&m->look, &err), RF_OK);
    rf_pool_destroy(&m->look.pool);
}

static void coarse_steps_are_told_of_treads_between_two_frames(void **state)
{
    (void)state;
    made *m = make();
    stand_between_frames(m, 0.5);                   /* 1.18 steps wide at half height */
    assert_true(m->result.focus_width_steps > 1.7); /* as it seems: both frames see the tread alike */
    const rf_check_finding *f = found(m, RF_CHECK_COARSE_STEP);
    assert_non_null(f);
    assert_non_null(strstr(f->text, "sharp over only 1.2"));
    drop(m);
    m = make();
    stand_between_frames(m, 0.75); /* 1.77 */
    assert_nothing_found(m);
    drop(m);
}

/* A frame that cannot be read, beside all the peaks of a plate, cuts their curves off; it does not make steps coarse.
 */
static void hole_beside_the_peaks_is_no_coarse_step(void **state)
{
    (void)state;
    made *m = make();
    rf_error err = {0};
    for (int k = 0; k < COUNT; k++)
        for (int c = 0; c < CELLS; c++)
            m->cells[k * CELLS + c].energy = k == 4 ? -1 : (float)(0.01 * exp(-0.5 * (k - 3.2) * (k - 3.2)));
    assert_int_equal(rf_pool_create(&m->look.pool, 1, &err), RF_OK);
    assert_int_equal(rf_look_curves(&m->look, &err), RF_OK);
    assert_int_equal(rf_look_width(&m->look, &err), RF_OK);
    assert_int_equal(rf_find_focus(&m->look, &err), RF_OK);
    assert_nothing_found(m);
    assert_true(m->peaks[0].frame == 3 && m->peaks[0].width == 0 && m->peaks[0].top_width == 0);
    rf_pool_destroy(&m->look.pool);
    drop(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(motion_in_several_small_places_is_found),
        cmocka_unit_test(change_over_a_long_step_is_no_motion),
        cmocka_unit_test(what_moved_is_no_missing_step),
        cmocka_unit_test(long_step_beside_which_something_moved_is_told),
        cmocka_unit_test(step_long_by_what_changed_is_told),
        cmocka_unit_test(steps_of_no_subject_have_no_length),
        cmocka_unit_test(frames_to_both_sides_of_a_plate_are_in_order),
        cmocka_unit_test(steps_that_tell_nothing_are_not_judged),
        cmocka_unit_test(frames_of_strands_are_not_shaken),
        cmocka_unit_test(end_of_narrow_curves_is_not_judged),
        cmocka_unit_test(slight_shake_of_an_even_take_is_found),
        cmocka_unit_test(coarse_steps_are_told_of_treads_between_two_frames),
        cmocka_unit_test(hole_beside_the_peaks_is_no_coarse_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
