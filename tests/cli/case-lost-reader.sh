# A reader that goes away, or a full standard output, is told with exit code 5; what was written stands, whole.
frames pebble 3
lose() { # lose ARGS...: stdout is a pipe that nobody reads any more
    code=0
    RAILFOLD=$RAILFOLD /usr/bin/python3 -c 'import os, subprocess, sys
reading, writing = os.pipe()
os.close(reading)
sys.exit(subprocess.run([os.environ["RAILFOLD"], *sys.argv[1:]], stdout=writing).returncode)' "$@" 2>"$kept/stderr" || code=$?
    [ "$code" = 5 ] || fault "railfold $* ended with $code: $(cat "$kept/stderr")"
    [ "$(cat "$kept/stderr")" = "railfold $1: standard output cannot be written" ] || fault "$(cat "$kept/stderr")"
}
lose merge -q -o out.tif pebble
[ "$(picture out.tif)" = "192x128 3 uint16" ] || fault "out.tif is $(picture out.tif)"
lose check -q --report r.json pebble
field r.json 'r["verdict"]'
lose plan --magnification 2 --aperture 8
[ -z "$(find . -name '.railfold-*')" ] || fault "a temporary file was left"
