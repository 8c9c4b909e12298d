/* test_sha256.c - SHA-256 against the standard's own examples, and against itself cut in pieces. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "../src/base/sha256.c" /* both ways of taking blocks, whatever this processor has */

static void digest_of(const void *data, size_t bytes, char text[RF_SHA256_TEXT_BYTES])
{
    rf_sha256 sha;
    uint8_t digest[RF_SHA256_BYTES];
    rf_sha256_begin(&sha);
    rf_sha256_add(&sha, data, bytes);
    rf_sha256_end(&sha, digest);
    rf_sha256_text(digest, text);
}

/* FIPS 180-2, appendix B (the examples that FIPS 180-4 refers to), and RFC 6234's empty message. */
static void examples_of_the_standard_come_out(void **state)
{
    (void)state;
    static const char *const cases[][2] = {{"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
                                           {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                                            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
                                           {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"}};
    char text[RF_SHA256_TEXT_BYTES];
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        digest_of(cases[i][0], strlen(cases[i][0]), text);
        assert_string_equal(text, cases[i][1]);
    }
}

static void a_million_letters_come_out(void **state)
{
    (void)state;
    rf_sha256 sha;
    uint8_t digest[RF_SHA256_BYTES], letters[1000];
    char text[RF_SHA256_TEXT_BYTES];
    memset(letters, 'a', sizeof letters);
    rf_sha256_begin(&sha);
    for (int i = 0; i < 1000; i++)
        rf_sha256_add(&sha, letters, sizeof letters);
    rf_sha256_end(&sha, digest);
    rf_sha256_text(digest, text);
    assert_string_equal(text, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"); /* appendix B.3 */
}

static void pieces_of_any_length_give_the_same(void **state)
{
    (void)state;
    uint8_t data[300];
    char whole[RF_SHA256_TEXT_BYTES], cut[RF_SHA256_TEXT_BYTES];
    for (size_t i = 0; i < sizeof data; i++)
        data[i] = (uint8_t)(i * 37 + 11);
    for (size_t bytes = 0; bytes <= sizeof data; bytes++) {
        digest_of(data, bytes, whole);
        for (size_t piece = 1; piece < 140; piece += 9) {
            rf_sha256 sha;
            uint8_t digest[RF_SHA256_BYTES];
            rf_sha256_begin(&sha);
            for (size_t at = 0; at < bytes; at += piece)
                rf_sha256_add(&sha, data + at, bytes - at < piece ? bytes - at : piece);
            rf_sha256_end(&sha, digest);
            rf_sha256_text(digest, cut);
            assert_string_equal(cut, whole);
        }
    }
}

static void both_ways_of_taking_blocks_agree(void **state)
{
    (void)state;
#if HAVE_SHA_INSTRUCTIONS
    uint8_t data[64 * 9];
    uint32_t seed = 12345;
    if (!has_sha_instructions())
        skip();
    for (size_t i = 0; i < sizeof data; i++)
        data[i] = (uint8_t)((seed = seed * 1664525u + 1013904223u) >> 24);
    for (size_t blocks = 0; blocks <= 9; blocks++) {
        uint32_t plain[8] = {1, 2, 3, 4, 5, 6, 7, 8}, fast[8] = {1, 2, 3, 4, 5, 6, 7, 8};
        take_blocks_plain(plain, data, blocks);
        take_blocks_fast(fast, data, blocks);
        assert_memory_equal(plain, fast, sizeof plain);
    }
#else
    skip();
#endif
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(examples_of_the_standard_come_out),
        cmocka_unit_test(a_million_letters_come_out),
        cmocka_unit_test(pieces_of_any_length_give_the_same),
        cmocka_unit_test(both_ways_of_taking_blocks_agree),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
