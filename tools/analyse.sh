#!/bin/sh
# gcc -fanalyzer, clang-tidy and cppcheck over src/. Usage: tools/analyse.sh BUILD [FILE.c...]
#
# Findings become lines "FILE CHECK"; those in tools/analyse-known.txt were looked at and are none. Anything else is
# printed with the whole message, and ends the script with 1. An analyser that is not installed is passed over, loudly.
set -u
build=$1
shift
[ $# -gt 0 ] || set -- src/*/*.c
whole=$([ $# -gt 20 ] && echo yes)
mkdir -p "$build"
log=$build/analyse.log
flags="-std=c17 -D_XOPEN_SOURCE=700 -D_FILE_OFFSET_BITS=64 -Iinclude -Isrc -pthread -DRF_VERSION=\"0\"
$(pkg-config --cflags libpng libjpeg libtiff-4 fftw3f libexif zlib 2>/dev/null)"
: >"$log"
ran=0
if command -v gcc >/dev/null; then
    ran=$((ran + 1))
    for file in "$@"; do
        # shellcheck disable=SC2086 # a list of flags
        gcc $flags -O1 -fanalyzer -c -o /dev/null "$file" 2>&1
    done | sed -n 's/^\([^: ]*\):\([0-9]*\):[0-9]*: warning: \(.*\) \[-W\(analyzer[a-z-]*\)\]$/\1 \4 \2 \3/p' >>"$log"
else
    echo "analyse: gcc is missing"
fi
if command -v clang-tidy >/dev/null; then
    ran=$((ran + 1))
    for file in "$@"; do # one a run: over several, clang-tidy 14 loses track of va_start
        # shellcheck disable=SC2086
        clang-tidy --quiet "$file" -- $flags 2>/dev/null
    done | sed "s|^$PWD/||" |
        sed -n 's/^\([^: ]*\):\([0-9]*\):[0-9]*: [a-z]*: \(.*\) \[\([A-Za-z0-9.,-]*\)\]$/\1 \4 \2 \3/p' >>"$log"
else
    echo "analyse: clang-tidy is missing"
fi
if command -v cppcheck >/dev/null; then
    ran=$((ran + 1))
    # variableScope: locals stand at the head of a block where they belong together. constVariable, constParameter: an
    # array of pointers or rows that is handed on as not const cannot be const before C23.
    cppcheck --std=c11 --enable=warning,performance,portability,style --quiet -Iinclude -Isrc -DRF_VERSION='"0"' \
        --suppress=variableScope --suppress=constVariable --suppress=constParameter \
        --template='{file} {id} {line} {message}' "$@" 2>&1 | grep '^[^ ]*\.[ch] [a-zA-Z]* [0-9]* ' >>"$log"
else
    echo "analyse: cppcheck is missing"
fi
sort -u -o "$log" "$log"
# "FILE CHECK" of a line that is no comment, up to the reason
known=$(sed -n 's/^\([a-z][^ ]* [^ ]*\) .*/\1/p' tools/analyse-known.txt)
echo "$known" | sort -u >"$build/analyse-known"
awk 'NR == FNR { known[$0] = 1; next } !(($1 " " $2) in known)' "$build/analyse-known" "$log" >"$build/analyse-new"
sed 's/^\([^ ]*\) \([^ ]*\) \([0-9]*\) \(.*\)/\1:\3: \4 [\2]/' "$build/analyse-new"
if [ -n "$whole" ] && [ "$ran" = 3 ]; then # what is fixed leaves the list
    awk 'NR == FNR { seen[$1 " " $2] = 1; next } !($0 in seen) { print "tools/analyse-known.txt: no longer found: " $0 }' \
        "$log" "$build/analyse-known"
fi
echo "$ran analysers, $# files, $(wc -l <"$log") findings, of which $(wc -l <"$build/analyse-new") are new"
[ ! -s "$build/analyse-new" ] && [ "$ran" -gt 0 ]
