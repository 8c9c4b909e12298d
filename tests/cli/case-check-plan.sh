# --plan holds the take against what plan --report wrote; anything else is refused.
"$TOOLS/take-maker" --quiet --size 360x240 --frames 12 --hot-pixels 0 --dust 0 take
railfold plan --focal 100 --magnification 2 --aperture 11 --sensor 36x24 --pixels 6000x4000 --subject-depth 5 \
    --step 100um --report plan.json >/dev/null
works check -q --plan plan.json --report checked.json take/frames
[ "$(field checked.json 'any(f["kind"] == "plan" and "12 frames" in f["text"] for f in r["findings"])')" = True ] ||
    fault "the missing frames were not told: $(cat checked.json)"
[ "$(field checked.json 'any("f/8" in f["text"] and "f/11" in f["text"] for f in r["findings"])')" = True ] ||
    fault "the other aperture was not told: $(cat checked.json)"
echo '{"command": "merge"}' >merge.json
fails 3 '*merge.json is no plan*' check --plan merge.json take/frames
echo 'frames: 3' >text.txt
fails 3 '*text.txt is no plan*' check --plan text.txt take/frames
fails 3 '*nowhere.json*' check --plan nowhere.json take/frames
