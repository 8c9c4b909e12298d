/* The reader of a report's members, and the two things read with it: the plan a take is held against, and lengths. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "base/json_members.h"
#include "railfold/check.h"
#include "railfold/depth_report.h"

typedef struct seen {
    int count;
    rf_json_member last;
} seen;

static void see(void *arg, const rf_json_member *member)
{
    seen *s = arg;
    s->count++;
    s->last = *member;
}

static int walk(const char *text, seen *s, size_t *broke_at)
{
    *s = (seen){0};
    return rf_json_members(text, strlen(text), see, s, broke_at);
}

static void members_come_in_order_and_nested_ones_do_not(void **state)
{
    (void)state;
    seen s;
    size_t at;
    assert_int_equal(walk(" {\"a\": {\"b\": [1, \"}\"]} , \"c\\\"d\":-2.5e1}\n", &s, &at), 1);
    assert_int_equal(s.count, 2);
    assert_int_equal(rf_json_is_named(&s.last, "c\\\"d"), 1);
    assert_true(rf_json_number_of(&s.last) == -25);
    assert_int_equal(walk("{}", &s, &at), 1);
    assert_int_equal(s.count, 0);
    assert_int_equal(walk("{\"command\": \"plan\"}", &s, &at), 1);
    assert_int_equal(rf_json_is_text(&s.last, "plan"), 1);
    assert_int_equal(rf_json_is_text(&s.last, "pla"), 0);
    assert_true(isnan(rf_json_number_of(&s.last)));
    assert_int_equal(walk("{\"step_mm\": 0.05x}", &s, &at), 1);
    assert_true(isnan(rf_json_number_of(&s.last)));
}

/* One was stricter than the other: what follows the object, and a comma with nothing behind it. */
static void both_readers_of_a_plan_take_the_same_texts(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int good;
        size_t broke_at;
    } texts[] = {
        {"{\"command\": \"plan\", \"step_mm\": 0.05}", 1, 0},
        {"{\"command\": \"plan\", \"step_mm\": 0.05} \n", 1, 0},
        {"{\"command\": \"plan\", \"step_mm\": 0.05} x", 0, 37},
        {"{\"command\": \"plan\", \"step_mm\": 0.05,}", 0, 36},
        {"{\"command\": \"plan\", \"step_mm\": }", 0, 31},
        {"{\"command\": \"plan\", \"step_mm\" 0.05}", 0, 30},
        {"{\"command\": \"plan\", \"x\": [1, 2, \"step_mm\": 0.05}", 0, 48},
        {"{\"command\": \"plan\", \"x\": [1]], \"step_mm\": 0.05}", 0, 28},
        {"{\"command\": \"plan\", \"step_mm\": \"0.05}", 0, 37},
        {"[\"command\"]", 0, 0},
        {"", 0, 0},
    };
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        rf_error err = {0};
        rf_check_plan plan;
        double step_mm, pixel_mm;
        seen s;
        size_t at;
        const char *text = texts[i].text;
        rf_status wanted = texts[i].good ? RF_OK : RF_ERR_INPUT;
        if (walk(text, &s, &at) != texts[i].good || (!texts[i].good && at != texts[i].broke_at))
            fail_msg("%s: broke at %zu", text, at);
        assert_int_equal(rf_check_plan_read(&plan, text, strlen(text), "plan.json", &err), wanted);
        assert_true(plan.step_mm == (texts[i].good ? 0.05 : 0));
        assert_int_equal(rf_report_lengths("plan.json", text, &step_mm, &pixel_mm, &err), wanted);
        assert_true(step_mm == (texts[i].good ? 0.05 : 0));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(members_come_in_order_and_nested_ones_do_not),
        cmocka_unit_test(both_readers_of_a_plan_take_the_same_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
