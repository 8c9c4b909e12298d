#!/bin/sh
# Runs one command-line case in a scratch folder of its own. Usage: tests/cli/run.sh [--update] build/release CASE.sh
#
# A case NAME.sh is a POSIX shell script, run with -eu after helpers.sh. Beside it may lie
#   NAME.exit   the exit code the script must end with (0 when there is no such file); 77 skips the case
#   NAME.out    what it must write to stdout, exactly; or NAME.out.glob, one shell pattern a line
#   NAME.err    the same for stderr
# --update rewrites those of NAME.exit, NAME.out and NAME.err that exist. Look at the difference before keeping it.
# RAILFOLD is the program, TOOLS the folder of the built tools. RAILFOLD may be set from outside, for instance to a
# wrapper that runs the program under another tool.
set -eu
update=0
if [ "$1" = --update ]; then
    update=1
    shift
fi
here=$(cd "$(dirname "$0")" && pwd)
build=$(cd "$1" && pwd)
case_file=$(cd "$(dirname "$2")" && pwd)/$(basename "$2")
stem=${case_file%.sh}
RAILFOLD=${RAILFOLD:-$build/railfold}
TOOLS=$build/tools
export RAILFOLD TOOLS LC_ALL=C
unset TERM

scratch=$(mktemp -d)
trap 'chmod -R u+rwx "$scratch" && rm -rf "$scratch"' EXIT
mkdir "$scratch/work"
set +e
(cd "$scratch/work" && exec sh -eu -c '. "$1"; . "$2"' case "$here/helpers.sh" "$case_file") \
    >"$scratch/out" 2>"$scratch/err" </dev/null
code=$?
set -e

fault=0
complain() {
    echo "$(basename "$stem"): $1"
    fault=1
}
compare() { # compare STREAM
    if [ -e "$stem.$1" ]; then
        [ "$update" = 0 ] || cp "$scratch/$1" "$stem.$1"
        diff -u "$stem.$1" "$scratch/$1" || complain "$1 is not as expected"
    elif [ -e "$stem.$1.glob" ]; then
        /usr/bin/python3 "$here/match_lines.py" "$stem.$1.glob" "$scratch/$1" || complain "$1 does not match"
    fi
}
if [ "$code" = 77 ]; then
    cat "$scratch/out"
    exit 77
fi
expected=0
if [ -e "$stem.exit" ]; then
    [ "$update" = 0 ] || echo "$code" >"$stem.exit"
    expected=$(cat "$stem.exit")
fi
[ "$code" = "$expected" ] || complain "ended with exit code $code, where $expected was expected"
compare out
compare err
if [ "$fault" != 0 ]; then
    echo "--- stdout"
    cat "$scratch/out"
    echo "--- stderr"
    cat "$scratch/err"
fi
exit "$fault"
