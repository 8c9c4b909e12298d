# The program itself, at work on frames it did not make: sockets, programs, processes and files elsewhere are refused.
shim=$(dirname "$TOOLS")/tests/fault.so
case $(basename "$(dirname "$TOOLS")") in
release | debug | clang) ;;
*) echo "not tried on a build that is watched by a sanitizer"; exit 77 ;;
esac
[ "$(uname -m)" = x86_64 ] || { echo "the shim knows the registers of x86-64 alone"; exit 77; }
frames pebble 3
mkdir out elsewhere
probe() { # probe ARGS...: what was refused in the midst of the run, one a line, with its errno; 0 is not refused
    FAULT_PROBE=$kept/probe FAULT_INSIDE=$PWD/out/more FAULT_OUTSIDE=$PWD/elsewhere/stray LD_PRELOAD=$shim \
        "$RAILFOLD" "$@" >"$kept/stdout" 2>"$kept/stderr" || fault "railfold $* failed: $(cat "$kept/stderr")"
    tr '\n' ' ' <"$kept/probe"
}
calls="socket 1 local-socket 1 execve 1 ptrace 1 kill 1 fork 1"
first=$(probe merge -q -o out/m.tif --depth out/d.tif --step 50um --pixel 20um pebble)
case $first in
"$calls outside 13 inside 0 ") ;;
"$calls outside 0 inside 0 ") echo "this kernel has no Landlock: files are not guarded" ;;
"socket 0 "*) echo "this kernel has no seccomp filter"; exit 77 ;;
*) fault "refused: $first" ;;
esac
for run in "check -q --report out/c.json pebble" "takes -q --report out/t.json pebble" \
    "depth out/d.tif --mesh out/s.ply --points 300" "merge -q --force -o out/m.png --page out/p.html pebble"; do
    # shellcheck disable=SC2086 # lists of words
    [ "$(probe $run)" = "$first" ] || fault "$run: $(cat "$kept/probe")"
done
[ "$(RAILFOLD_CONFINE=0 probe merge -q --force -o out/m.tif pebble | cut -d ' ' -f 1-4)" = "socket 0 local-socket 0" ] ||
    fault "RAILFOLD_CONFINE=0 does not leave it off"
