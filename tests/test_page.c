/* The run's page: what comes out of files is escaped, bytes are carried unchanged, nothing leaks when memory ends. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "railfold/frame_io.h"
#include "railfold/memory.h"
#include "railfold/page.h"
#include "failing_memory.h"
#include "report/text.h"

static char *finish(rf_text *text)
{
    char *out = NULL;
    size_t bytes = 0;
    assert_int_equal(rf_text_finish(text, &out, &bytes), RF_OK);
    assert_int_equal(bytes, strlen(out));
    return out;
}

/* RFC 4648, section 10. */
static void base64_gives_the_vectors_of_its_rfc(void **state)
{
    static const char *const vectors[][2] = {{"", ""},
                                             {"f", "Zg=="},
                                             {"fo", "Zm8="},
                                             {"foo", "Zm9v"},
                                             {"foob", "Zm9vYg=="},
                                             {"fooba", "Zm9vYmE="},
                                             {"foobar", "Zm9vYmFy"}};
    (void)state;
    for (size_t i = 0; i < sizeof vectors / sizeof vectors[0]; i++) {
        rf_text text = {0};
        rf_text_add_base64(&text, vectors[i][0], strlen(vectors[i][0]));
        char *out = finish(&text);
        assert_string_equal(out, vectors[i][1]);
        rf_free(out);
    }
}

static void base64_takes_every_byte(void **state)
{
    (void)state;
    uint8_t bytes[256];
    rf_text text = {0};
    for (int i = 0; i < 256; i++)
        bytes[i] = (uint8_t)i;
    rf_text_add_base64(&text, bytes + 250, 6);
    char *out = finish(&text);
    assert_string_equal(out, "+vv8/f7/");
    rf_free(out);
}

static void nothing_in_a_name_reaches_the_markup(void **state)
{
    (void)state;
    rf_text text = {0};
    rf_text_add_escaped(&text, "<a href=\"x\" b='y'>&\x01\x7f\tend");
    char *out = finish(&text);
    assert_string_equal(out, "&lt;a href=&quot;x&quot; b=&#39;y&#39;&gt;&amp;\xef\xbf\xbd\xef\xbf\xbd\tend");
    rf_free(out);
}

/* ---- a page of a small run ---- */

typedef struct fixture {
    rf_run_report report;
    rf_image depth, confidence;
    rf_page_picture frames[2];
    rf_page page;
} fixture;

static void make_page(fixture *f)
{
    static const char *const names[] = {"</script><b>.jpg", "two.jpg", "three.jpg"};
    rf_error err = {0};
    memset(f, 0, sizeof *f);
    rf_run_report_init(&f->report);
    f->report.command = "merge";
    f->report.view = "perspective";
    f->report.width = 8;
    f->report.height = 6;
    f->report.channels = 3;
    f->report.frame_count = 3;
    assert_int_equal(rf_alloc(&f->report.frames, 3, sizeof *f->report.frames, "test", &err), RF_OK);
    for (int k = 0; k < 3; k++) {
        rf_frame_report *frame = &f->report.frames[k];
        assert_int_equal(rf_alloc(&frame->file, strlen(names[k]) + 1, 1, "test", &err), RF_OK);
        strcpy(frame->file, names[k]);
        frame->used = k != 1;
        frame->pose = rf_pose_identity();
        frame->scale = frame->gain[0] = frame->gain[1] = frame->gain[2] = 1;
    }
    strcpy(f->report.frames[1].reason, "it is <broken>");
    assert_int_equal(rf_run_report_warn(&f->report, &err, "the %s & all", "<end>"), RF_OK);
    assert_int_equal(rf_image_alloc(&f->depth, 4, 3, 1, RF_F32, "test", &err), RF_OK);
    assert_int_equal(rf_image_alloc(&f->confidence, 4, 3, 1, RF_F32, "test", &err), RF_OK);
    for (int i = 0; i < 12; i++) {
        rf_image_row_f32(&f->depth, i / 4)[i % 4] = (float)i;
        rf_image_row_f32(&f->confidence, i / 4)[i % 4] = 1;
    }
    rf_image_row_f32(&f->depth, 1)[1] = NAN;
    f->frames[0] = (rf_page_picture){.bytes = "abc", .count = 3, .frame = 0};
    f->frames[1] = (rf_page_picture){.bytes = "defg", .count = 4, .frame = 2};
    f->page = (rf_page){.report = &f->report,
                        .title = "moss & \"more\" <i>",
                        .merged = {.bytes = "merged", .count = 6},
                        .depth_view = {.bytes = "depth", .count = 5},
                        .frames = f->frames,
                        .frame_count = 2,
                        .depth = &f->depth,
                        .confidence = &f->confidence,
                        .depth_far = 11};
}

static void free_page(fixture *f)
{
    rf_run_report_free(&f->report);
    rf_image_free(&f->depth);
    rf_image_free(&f->confidence);
}

static int count(const char *text, const char *part)
{
    int n = 0;
    for (const char *at = strstr(text, part); at != NULL; at = strstr(at + 1, part))
        n++;
    return n;
}

static void a_page_escapes_names_and_closes_what_it_opens(void **state)
{
    (void)state;
    fixture f;
    char *text = NULL;
    size_t bytes = 0;
    make_page(&f);
    assert_int_equal(rf_page_html(&f.page, &text, &bytes, NULL), RF_OK);
    assert_int_equal(bytes, strlen(text));
    assert_int_equal(count(text, "<b>.jpg"), 0);
    assert_int_equal(count(text, "\\u003c/script>\\u003cb>.jpg"), count(text, "\\u003cb>.jpg"));
    assert_true(count(text, "\\u003cb>.jpg") >= 1);                /* in the data block */
    assert_true(count(text, "&lt;/script&gt;&lt;b&gt;.jpg") >= 1); /* in the table */
    assert_int_equal(count(text, "moss &amp; &quot;more&quot; &lt;i&gt;"), 2);
    assert_int_equal(count(text, "<li>the &lt;end&gt; &amp; all</li>"), 1);
    assert_int_equal(count(text, "Frame 1 was left out: it is &lt;broken&gt;"), 1);
    static const char *const elements[] = {"script", "section", "figure",   "table", "div",
                                           "svg",    "label",   "fieldset", "main"};
    for (size_t i = 0; i < sizeof elements / sizeof elements[0]; i++) {
        char open[32], close[32];
        (void)snprintf(open, sizeof open, "<%s", elements[i]);
        (void)snprintf(close, sizeof close, "</%s>", elements[i]);
        assert_true(count(text, open) > 0);
        assert_int_equal(count(text, open), count(text, close));
    }
    assert_non_null(strstr(text, "base64,bWVyZ2Vk\""));
    assert_non_null(strstr(text, "data-frame=\"2\">ZGVmZw==<"));
    rf_free(text);
    free_page(&f);
}

/* Twelve samples of 16 bit, low byte first: 0, 5958 (= 65534/11), ... and 65535 for the unknown fifth. */
static void depth_samples_are_spread_over_16_bit(void **state)
{
    (void)state;
    fixture f;
    char *text = NULL;
    size_t bytes = 0;
    make_page(&f);
    assert_int_equal(rf_page_html(&f.page, &text, &bytes, NULL), RF_OK);
    rf_text wanted = {0};
    uint8_t samples[24];
    for (int i = 0; i < 12; i++) {
        unsigned sample = i == 5 ? 65535 : (unsigned)floor(65534.0 * i / 11 + 0.5);
        samples[2 * i] = (uint8_t)(sample & 255);
        samples[2 * i + 1] = (uint8_t)(sample >> 8);
    }
    rf_text_add(&wanted, "id=\"depth-samples\">");
    rf_text_add_base64(&wanted, samples, sizeof samples);
    char *block = finish(&wanted);
    assert_non_null(strstr(text, block));
    rf_free(block);
    rf_free(text);
    free_page(&f);
}

static void a_page_survives_every_failed_allocation(void **state)
{
    (void)state;
    fixture f;
    make_page(&f);
    failing_memory memory = failing_memory_start();
    rf_status status;
    do {
        char *text = NULL;
        size_t bytes;
        failing_memory_arm(&memory);
        status = rf_page_html(&f.page, &text, &bytes, NULL);
        rf_free(text);
    } while (failing_memory_goes_on(&memory, status, NULL));
    assert_true(memory.failures >= 3);
    free_page(&f);
}

static void a_picture_in_memory_is_the_picture_on_disk(void **state)
{
    (void)state;
    rf_image image = {0}, back = {0};
    uint8_t *bytes = NULL;
    size_t count_bytes = 0;
    rf_error err = {0};
    assert_int_equal(rf_image_alloc(&image, 37, 23, 3, RF_U8, "test", NULL), RF_OK);
    for (int y = 0; y < 23; y++)
        for (int i = 0; i < 111; i++)
            ((uint8_t *)rf_image_row(&image, y))[i] = (uint8_t)(2 * i + 3 * y);
    assert_int_equal(rf_picture_encode_jpeg(&image, NULL, 100, &bytes, &count_bytes, &err), RF_OK);
    char path[] = "/tmp/railfold-page-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, count_bytes), (ssize_t)count_bytes);
    close(fd);
    assert_int_equal(rf_frame_read(path, NULL, &back, NULL, NULL, &err), RF_OK);
    unlink(path);
    assert_int_equal(back.width, 37);
    for (int y = 0; y < 23; y++)
        for (int i = 0; i < 111; i++) /* quality 100 still rounds in the colour transform and the cosines */
            assert_true(abs(((uint8_t *)rf_image_row(&image, y))[i] - ((uint8_t *)rf_image_row(&back, y))[i]) <= 4);
    rf_free(bytes);
    rf_image_free(&image);
    rf_image_free(&back);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(base64_gives_the_vectors_of_its_rfc),
        cmocka_unit_test(base64_takes_every_byte),
        cmocka_unit_test(nothing_in_a_name_reaches_the_markup),
        cmocka_unit_test(a_page_escapes_names_and_closes_what_it_opens),
        cmocka_unit_test(depth_samples_are_spread_over_16_bit),
        cmocka_unit_test(a_page_survives_every_failed_allocation),
        cmocka_unit_test(a_picture_in_memory_is_the_picture_on_disk),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
