#!/bin/sh
# Searches for inputs that break a reader. Usage: tools/fuzz.sh build/fuzz SECONDS [NAME...]
#
# Each entry of tests/fuzz runs for SECONDS from the seeds in testdata/fuzz/NAME and from what earlier runs kept in
# BUILD/corpus/NAME; what breaks it lands in BUILD/found/NAME-*, the log in BUILD/log. An input may take 20 s, one
# allocation 512 MB, the process 1 GB. Ends with 1 when something was found.
set -u
build=$1
seconds=$2
shift 2
[ $# -gt 0 ] || set -- $(ls tests/fuzz/fuzz_*.c | sed 's|.*/fuzz_\(.*\)\.c|\1|')
mkdir -p "$build/found" "$build/log"
found=0
for name in "$@"; do
    mkdir -p "$build/corpus/$name"
    log=$build/log/$name.log
    dictionary=
    [ ! -e "tests/fuzz/$name.dict" ] || dictionary=-dict=tests/fuzz/$name.dict
    # shellcheck disable=SC2086 # nothing, or one option
    nice -n 19 "$build/tests/fuzz/fuzz_$name" -max_total_time="$seconds" -timeout=20 -rss_limit_mb=1024 \
        -malloc_limit_mb=512 -max_len=65536 -print_final_stats=1 -artifact_prefix="$build/found/$name-" $dictionary \
        "$build/corpus/$name" "testdata/fuzz/$name" >"$log" 2>&1
    code=$?
    state=$(grep -E 'cov: ' "$log" | tail -n 1 | sed 's/.*\(cov: [0-9]* ft: [0-9]*\).*/\1/')
    runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    echo "$name: ${runs:-?} executions, ${state:-no coverage printed}, exit code $code"
    [ "$code" = 0 ] || found=1
done
[ "$found" = 0 ] || echo "something was found: see $build/found and $build/log"
exit "$found"
