# --watch tells of a bump as soon as the frame is there, sleeps in between, and ends with 0 on a signal.
"$TOOLS/take-maker" --quiet --size 360x240 --frames 12 --hot-pixels 0 --dust 0 --fault bump:25:8 take
mkdir live
for k in 0 1 2 3 4 5; do cp "take/frames/frame-000$k.jpg" live/; done
"$RAILFOLD" check --watch live >"$kept/watch.txt" 2>"$kept/watch.err" &
watcher=$!
wait_for() { # wait_for TEXT: until the watch says it
    for _ in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27 28 29 30; do
        grep -qF -e "$1" "$kept/watch.txt" && return 0
        sleep 1
    done
    kill "$watcher"
    fault "the watch did not say '$1': $(cat "$kept/watch.txt" "$kept/watch.err")"
}
wait_for "6: "
cp take/frames/frame-0006.jpg take/frames/frame-0007.jpg live/
wait_for "8: "
lacks "$kept/watch.txt" bump
cp take/frames/frame-0008.jpg live/.arriving && mv live/.arriving live/frame-0008.jpg
wait_for "bump: frame-0008.jpg"
cp take/frames/frame-0009.jpg live/
wait_for "10: "
[ "$(grep -c bump "$kept/watch.txt")" = 1 ] || fault "the bump was told more than once: $(cat "$kept/watch.txt")"
before=$(awk '{ print $14 + $15 }' "/proc/$watcher/stat")
sleep 3
after=$(awk '{ print $14 + $15 }' "/proc/$watcher/stat")
[ $((after - before)) -le 2 ] || fault "it used $((after - before)) ticks of processor time while nothing happened"
kill -TERM "$watcher"
code=0
wait "$watcher" || code=$?
[ "$code" = 0 ] || fault "the watch ended with $code: $(cat "$kept/watch.err")"
fails 2 '*--report*' check --watch --report x.json live
fails 2 '*one folder*' check --watch live take
fails 3 '*' check --watch nowhere
