# The length of a step is told as far as the curves tell it: one frame left out as a number, four as "more than".
"$TOOLS/take-maker" --quiet --size 720x480 --frames 26 --hot-pixels 0 --dust 0 --seed 5 whole
left_out() { # left_out FOLDER COUNT: frames 11 and on, COUNT of them, are not there
    mkdir "$1"
    cp whole/frames/frame-00*.jpg "$1"
    for n in $(seq 11 $((10 + $2))); do rm "$1/frame-00$n.jpg"; done
    works check -q --report "$1.json" "$1"
    field "$1.json" '[f["text"] for f in r["findings"] if f["kind"] == "missing-step"]'
}
case $(left_out one 1) in
*"the rail went about "[12].[0-9]" steps"*) ;;
*) fault "one frame left out: $(cat one.json)" ;;
esac
case $(left_out four 4) in
*"the rail went more than "[2-5]" steps"*) ;;
*) fault "four frames left out: $(cat four.json)" ;;
esac
