# --skip-bad goes on without what cannot be read, says which, and the report says why.
frames pebble 6
whole=$(wc -c <pebble/f2.jpg)
cp pebble/f2.jpg "$kept/f2.jpg"
head -c "$((whole / 3))" "$kept/f2.jpg" >pebble/f2.jpg
: >pebble/f4.jpg
echo text >pebble/f5.jpg
fails 3 '*pebble/f2.jpg*' merge -q pebble
works merge --skip-bad --report report.json pebble
for frame in f2 f4 f5; do
    holds "$kept/stderr" "pebble/$frame.jpg"
done
[ "$(field report.json '[f["used"] for f in r["frames"]]')" = "[True, False, True, False, False, True]" ] ||
    fault "used: $(field report.json '[f["used"] for f in r["frames"]]')"
[ "$(field report.json 'all(f["used"] == (f["reason"] is None) for f in r["frames"])')" = True ] || fault reasons
[ "$(picture pebble-merged.tif)" = "192x128 3 uint16" ] || fault "$(picture pebble-merged.tif)"
# A run that left frames out is not clean: a script can ask for that.
code=0
railfold merge --force --skip-bad --strict pebble >"$kept/stdout" 2>"$kept/stderr" || code=$?
[ "$code" = 7 ] || fault "--strict with left-out frames ended with $code"
# Nothing usable at all is an error, with or without it.
for frame in 1 3 6; do
    : >"pebble/f$frame.jpg"
done
fails 3 '*' merge -q --skip-bad -o none.tif pebble >/dev/null
