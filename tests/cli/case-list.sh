# Frames from a list: from a file, from standard input, with NUL bytes, in the list's own order.
frames pebble 3
order() { # order ARGS...: the frames of the run, in take order
    works merge --force -q -o out.tif --report report.json "$@"
    field report.json '" ".join(f["file"] for f in r["frames"])'
}
check() { # check WANTED GOT
    [ "$1" = "$2" ] || fault "frames were '$2', not '$1'"
}
printf 'pebble/f3.jpg\npebble/f1.jpg\n' >list.txt
check "pebble/f3.jpg pebble/f1.jpg" "$(order --list list.txt)"
check "pebble/f3.jpg pebble/f1.jpg" "$(order --list - <list.txt)"
check "pebble/f1.jpg pebble/f3.jpg" "$(order --order name --list list.txt)"
check "pebble/f1.jpg pebble/f3.jpg" "$(order --reverse --list list.txt)"
printf '\357\273\277pebble/f1.jpg\r\n\r\n\npebble/f2.jpg\r\npebble/f3.jpg' >windows.txt
check "pebble/f1.jpg pebble/f2.jpg pebble/f3.jpg" "$(order --list windows.txt)"
printf 'pebble/f2.jpg\0pebble/f3.jpg\0' >list0.txt
check "pebble/f2.jpg pebble/f3.jpg" "$(order --list0 list0.txt)"
check "pebble/f2.jpg pebble/f3.jpg" "$(order --list0=- <list0.txt)"
# A frame may be named twice.
printf 'pebble/f2.jpg\npebble/f2.jpg\n' >twice.txt
check "pebble/f2.jpg pebble/f2.jpg" "$(order --list twice.txt)"
rm out.tif report.json

: >empty.txt
fails 3 '*empty.txt*' merge -o x.tif --list empty.txt
fails 3 '*standard input*' merge -o x.tif --list - </dev/null
fails 3 '*missing.txt*' merge -o x.tif --list missing.txt
fails 3 '*list0.txt*' merge -o x.tif --list list0.txt
printf 'pebble/f1.jpg\n\npebble/f9.jpg\n' >gap.txt
fails 3 '*gap.txt*line 3*pebble/f9.jpg*' merge -o x.tif --list gap.txt
fails 3 '*pebble*' merge -o x.tif --list pebble
fails 2 '*--output*' merge --list list.txt
