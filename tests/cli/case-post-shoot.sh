# The script on a card of three takes, one bad: interrupted, gone on with, finished; the frames are untouched.
script=$cases/../../tools/post-shoot.sh
mkdir card
for take in 1 2 3; do
    fault_option=''
    [ "$take" != 2 ] || fault_option='--fault missing-step:4:6'
    # shellcheck disable=SC2086 # two words or none
    "$TOOLS/take-maker" --quiet --size 240x160 --frames 12 --hot-pixels 0 --dust 0 --seed "$take" $fault_option "t$take"
    for frame in t"$take"/frames/*; do
        sed "s/2024:03:14 09:/2024:03:14 1$take:/g" <"$frame" >"card/$take-$(basename "$frame")"
    done
done
before=$(cat card/* | cksum)
run() {
    code=0
    sh "$script" "$@" >"$kept/table" 2>"$kept/talk" || code=$?
}
run -o out --split card
[ "$code" = 0 ] && [ "$(tr '\n' ' ' <"$kept/table")" = "take-001 take-002 take-003 " ] || fault "$(cat "$kept/table" "$kept/talk")"
run -o out --one 1
[ "$code" = 0 ] || fault "--one ended with $code: $(cat "$kept/talk")"
run -o out --summary
[ "$code" = 1 ] || fault "a summary of a third of the takes ended with $code"
holds "$kept/table" 'not done'
stamp=$(cksum <out/take-001/merged.tif)
touch -d 2001-01-01 out/take-001/merged.tif
# interrupted while a take is under way: it is done again, the finished one is not
sh "$script" -o out card >"$kept/table" 2>"$kept/talk" &
script_id=$!
tries=0
until grep -q 'take-002: checking' "$kept/talk" || [ "$tries" -ge 600 ]; do
    sleep 0.1
    tries=$((tries + 1))
done
kill -TERM "$script_id"
code=0
wait "$script_id" || code=$?
[ "$code" = 130 ] || fault "interrupted, it ended with $code: $(cat "$kept/talk")"
[ ! -e out/take-002/done ] || fault "an interrupted take is marked as done"
[ -z "$(find out -name '.railfold-*')" ] || fault "a temporary file was left"
run -o out -j 2 card
[ "$code" = 7 ] || fault "with a bad take it ended with $code: $(cat "$kept/table" "$kept/talk")"
holds "$kept/talk" 'take-001: kept'
[ "$(grep -cE '(good|usable) +merged$' "$kept/table")" = 2 ] || fault "$(cat "$kept/table")"
holds "$kept/table" 'retake'
[ "$(find out/take-001/merged.tif -newermt 2002-01-01)" = '' ] || fault "a finished take was done again"
[ "$stamp" = "$(cksum <out/take-001/merged.tif)" ] || fault "a finished take changed"
[ ! -e out/take-002/merged.tif ] && [ -e out/take-003/depth.tif ] || fault "$(ls out/*)"
[ "$before" = "$(cat card/* | cksum)" ] || fault "the frames were touched"
run -o card/out card
[ "$code" = 2 ] || fault "OUT within the card ended with $code"
run
[ "$code" = 2 ] || fault "no card ended with $code"
run nowhere
[ "$code" = 3 ] || fault "a missing card ended with $code"
