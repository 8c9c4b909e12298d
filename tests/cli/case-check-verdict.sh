# One verdict line first, findings, a row a frame; 0 whatever was found, 7 under --strict when the verdict is not good.
"$TOOLS/take-maker" --quiet --size 360x240 --frames 14 --hot-pixels 0 --dust 0 clean
"$TOOLS/take-maker" --quiet --size 360x240 --frames 14 --hot-pixels 0 --dust 0 --fault shake:5:8 shaken
works check clean/frames
[ "$(head -n 1 "$kept/stdout")" = "good: nothing found in 14 frames" ] || fault "$(cat "$kept/stdout")"
[ "$(grep -c '^frame-00' "$kept/stdout")" = 14 ] || fault "not one row a frame: $(cat "$kept/stdout")"
works check --strict -q clean/frames
works check --report report.json shaken/frames
case $(head -n 1 "$kept/stdout") in
*": frame-0008.jpg is shaken"*) ;;
*) fault "$(cat "$kept/stdout")" ;;
esac
[ "$(field report.json '[(f["kind"], f["frames"]) for f in r["findings"]]')" = "[('blur', [8])]" ] || fault "$(cat report.json)"
[ "$(field report.json 'r["frames"][8]["note"]')" = blur ] || fault "$(cat report.json)"
[ "$(field report.json '" ".join(sorted(r))')" = "blur_px_per_step command dust_spots findings focus_width_steps format frames \
height hot_pixels railfold reference seconds subject_share verdict width working_distance_steps" ] ||
    fault "fields: $(field report.json '" ".join(sorted(r))')"
[ "$(field report.json 'set(f["severity"] for f in r["findings"]) <= {"note", "warning", "fault"}')" = True ] || fault severity
code=0
railfold check -q --strict shaken/frames >strict.txt || code=$?
[ "$code" = 7 ] || fault "--strict ended with $code"
# An unreadable frame is a finding; a take without any readable one is an error. An existing report is kept.
truncate -s 400 clean/frames/frame-0003.jpg
works check -q --report - clean/frames
cp "$kept/stdout" cut.json
[ "$(field cut.json 'r["verdict"], r["findings"][0]["kind"], r["frames"][3]["used"]')" = "('retake', 'unreadable', False)" ] ||
    fault "$(cat cut.json)"
fails 5 '*report.json*' check -q --report report.json shaken/frames
mkdir empty
fails 3 '*' check empty
fails 3 '*' check nowhere
