# A source that is new in a folder of tests, whose object is not there yet while the others' are: make linked the test
# by the rule of another kind, without that object.
mkdir -p b/tests/fuzz
touch b/tests/fuzz/fuzz_map.o b/tests/test_cli_talk.o
for target in fuzz/fuzz_map test_cli_talk; do
    env -u MAKEFLAGS -u MFLAGS make -C "$cases/../.." -n V=1 "B=$PWD/b" "$PWD/b/tests/$target" >"$kept/commands" 2>"$kept/stderr" ||
        fault "make -n $target: $(cat "$kept/stderr")"
    grep -e "-o $PWD/b/tests/$target " "$kept/commands" >"$kept/link" || fault "$target is not linked"
    case $target in
    fuzz/*) wanted=tests/fuzz/replay.o ;;
    *) wanted=src/cli/talk.o ;;
    esac
    holds "$kept/link" "$PWD/b/$wanted"
done
