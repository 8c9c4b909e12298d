#!/bin/sh
# Runs every test of a built tree: cmocka binaries, command-line tests, outside checks. Usage: tests/run.sh build/release
set -u
build=$1
passed=0
failed=0
skipped=0
note() { # note NAME STATUS LOG
    case $2 in
    0) passed=$((passed + 1)); echo "ok    $1" ;;
    77) skipped=$((skipped + 1)); echo "skip  $1: $(tail -n 1 "$3")" ;;
    *) failed=$((failed + 1)); echo "FAIL  $1 (status $2)"; sed 's/^/      /' "$3" | tail -n 60 ;;
    esac
}
mkdir -p "$build/log"
for source in tests/test_*.c; do
    [ -e "$source" ] || continue
    name=$(basename "$source" .c)
    "$build/tests/$name" >"$build/log/$name.log" 2>&1
    note "$name" $? "$build/log/$name.log"
done
for source in tests/fuzz/fuzz_*.c; do
    [ -e "$source" ] || continue
    name=$(basename "$source" .c)
    "$build/tests/fuzz/$name" "testdata/fuzz/${name#fuzz_}" >"$build/log/$name.log" 2>&1
    note "$name" $? "$build/log/$name.log"
done
if [ -x "$build/railfold" ] && [ -e tests/cli/run.sh ]; then
    for source in tests/cli/case-*.sh; do
        [ -e "$source" ] || continue
        name=$(basename "$source" .sh)
        sh tests/cli/run.sh "$build" "$source" >"$build/log/$name.log" 2>&1
        note "cli/$name" $? "$build/log/$name.log"
    done
fi
for source in tests/outside/check_*.py; do
    [ -e "$source" ] || continue
    name=$(basename "$source" .py)
    # These sanitizers must be the first library of a process, which Python's is not; the figures are the release build's.
    case $build in
    */asan | */tsan)
        if grep -q ctypes "$source"; then
            echo "loads the library, which is built with a sanitizer, into Python" >"$build/log/$name.log"
            note "outside/$name" 77 "$build/log/$name.log"
            continue
        fi
        ;;
    esac
    /usr/bin/python3 "$source" "$build" >"$build/log/$name.log" 2>&1
    note "outside/$name" $? "$build/log/$name.log"
done
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" -eq 0 ] && [ "$passed" -gt 0 ]
