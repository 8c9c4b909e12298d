# Numbers count by value; capture times count when asked for; --reverse turns either around.
order() { # order ARGS...: the numbers of the frames of the run, in take order
    works merge --force -q -o out.tif --report report.json "$@"
    field report.json '" ".join(f["file"].split("/f")[1].split(".")[0] for f in r["frames"])'
}
check() { # check WANTED GOT
    [ "$1" = "$2" ] || fault "frames were '$2', not '$1'"
}
frames pebble 11 --times -1 --size 64x48
check "1 2 3 4 5 6 7 8 9 10 11" "$(order pebble)"
check "11 10 9 8 7 6 5 4 3 2 1" "$(order --reverse pebble)"
check "11 10 9 8 7 6 5 4 3 2 1" "$(order --order time pebble)"
check "1 2 3 4 5 6 7 8 9 10 11" "$(order --order=time --reverse pebble)"
# What the shell makes of a pattern (f1 f10 f11 f2 ...) is put right.
check "1 2 3 4 5 6 7 8 9 10 11" "$(order pebble/*.jpg)"
check "9 10" "$(order pebble/f10.jpg pebble/f9.jpg)"
rm out.tif report.json
frames untimed 2
fails 3 '*untimed/f1.jpg*time*' merge --order time untimed
