/* json_members.h - the members of a JSON object, one after the other, for what reads a few of them from a report. */
#ifndef RF_JSON_MEMBERS_H
#define RF_JSON_MEMBERS_H

#include <stddef.h>

/* One member of the outermost object: its name as written between the quotes, escapes undone by nobody, and its value
 * as written: a text with its quotes, a number, brackets and all. Neither ends with a NUL. */
typedef struct rf_json_member {
    const char *name, *value;
    size_t name_bytes, value_bytes;
} rf_json_member;

typedef void (*rf_json_member_fn)(void *arg, const rf_json_member *member);

/* Hands each member of the object that `text` is to `fn`, in order. 1 when it is one object and nothing else,
 * well-formed as far as brackets, texts, colons and commas go (RFC 8259); else 0, and *broke_at is the byte where it is
 * not. Values are not looked into otherwise. `text` needs no NUL behind it. */
int rf_json_members(const char *text, size_t bytes, rf_json_member_fn fn, void *arg, size_t *broke_at);

/* Whether a member bears that name; whether its value is that text (without escapes); its value as a number, NAN when
 * it is none. */
int rf_json_is_named(const rf_json_member *member, const char *name);
int rf_json_is_text(const rf_json_member *member, const char *text);
double rf_json_number_of(const rf_json_member *member);

#endif
