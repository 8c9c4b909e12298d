#!/bin/sh
# Command-line tests with the program under memcheck. Usage: tools/valgrind.sh BUILD CASE...
#
# A fault or a leak ends the program with 99, which no case expects; what memcheck says lies in BUILD/log/memcheck-*.
set -u
build=$(cd "$1" && pwd)
shift
command -v valgrind >/dev/null || { echo "valgrind is missing: apt-get install valgrind"; exit 1; }
rm -f "$build"/log/memcheck-*
mkdir -p "$build/log"
cat >"$build/railfold-memcheck" <<END
#!/bin/sh
exec valgrind --quiet --error-exitcode=99 --leak-check=full --errors-for-leak-kinds=definite,indirect \\
    --log-file=$build/log/memcheck-%p "$build/railfold" "\$@"
END
chmod +x "$build/railfold-memcheck"
failed=0
for name in "$@"; do
    log=$build/log/memcheck-case-$name.log
    if RAILFOLD_CONFINE=0 RAILFOLD=$build/railfold-memcheck sh tests/cli/run.sh "$build" "tests/cli/case-$name.sh" >"$log" 2>&1; then
        echo "ok    memcheck/$name"
    else
        echo "FAIL  memcheck/$name"
        tail -n 20 "$log"
        failed=$((failed + 1))
    fi
done
find "$build/log" -name 'memcheck-[0-9]*' -size 0 -delete
if [ -n "$(find "$build/log" -name 'memcheck-[0-9]*')" ]; then
    head -n 40 "$build"/log/memcheck-[0-9]*
    failed=$((failed + 1))
fi
echo "$(($# - (failed > $# ? $# : failed))) passed, $failed failed"
[ "$failed" = 0 ]
