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
rm -f "$build/failed"
# each TOOL FLAGS FILE...: the tool on every file, as many at once as there are processors; what they say, file by file. One
# file a run: over several, clang-tidy 14 loses track of va_start.
each() {
    tool=$1
    options=$2
    shift 2
    rm -rf "$build/$tool"
    mkdir -p "$build/$tool"
    export tool options build
    # shellcheck disable=SC2016 # expanded by the inner shell, where $options is a list of flags
    printf '%s\n' "$@" | xargs -P "$(nproc)" -n 1 sh -c '
        out=$build/$tool/$(echo "$1" | tr / _)
        case $tool in
        clang-tidy) clang-tidy --quiet "$1" -- $options >"$out" 2>/dev/null ;;
        *) $tool $options "$1" >"$out" 2>&1 ;;
        esac || echo "$1: $tool ended with $?" >>"$build/failed"' each
    cat "$build/$tool"/*
}
if command -v gcc >/dev/null; then
    ran=$((ran + 1))
    each gcc "$flags -O1 -fanalyzer -c -o /dev/null" "$@" |
        sed -n 's/^\([^: ]*\):\([0-9]*\):[0-9]*: warning: \(.*\) \[-W\(analyzer[a-z-]*\)\]$/\1 \4 \2 \3/p' >>"$log"
else
    echo "analyse: gcc is missing"
fi
if command -v clang-tidy >/dev/null; then
    ran=$((ran + 1))
    each clang-tidy "$flags" "$@" | sed "s|^$PWD/||" |
        sed -n 's/^\([^: ]*\):\([0-9]*\):[0-9]*: [a-z]*: \(.*\) \[\([A-Za-z0-9.,-]*\)\]$/\1 \4 \2 \3/p' >>"$log"
else
    echo "analyse: clang-tidy is missing"
fi
if command -v cppcheck >/dev/null; then
    ran=$((ran + 1))
    # variableScope: locals stand at the head of a block where they belong together. constVariable, constParameter: an
    # array of pointers or rows that is handed on as not const cannot be const before C23.
    cppcheck -j "$(nproc)" --std=c11 --enable=warning,performance,portability,style --quiet -Iinclude -Isrc -DRF_VERSION='"0"' \
        --suppress=variableScope --suppress=constVariable --suppress=constParameter \
        --template='{file} {id} {line} {message}' "$@" >"$build/cppcheck" 2>&1 ||
        echo "cppcheck ended with $?" >>"$build/failed"
    sed -n '/^[^ ]*\.[ch] [a-zA-Z]* [0-9]* /p' "$build/cppcheck" >>"$log"
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
[ ! -e "$build/failed" ] || cat "$build/failed" # what an analyser did not get through, it did not find clean
[ ! -s "$build/analyse-new" ] && [ ! -e "$build/failed" ] && [ "$ran" -gt 0 ]
