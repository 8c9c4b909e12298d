# --skip-bad goes on without what cannot be read, says which, and the report says why.
frames pebble 6
whole=$(wc -c <pebble/f2.jpg)
cp pebble/f2.jpg "$kept/f2.jpg"
head -c "$((whole / 3))" "$kept/f2.jpg" >pebble/f2.jpg
: >pebble/f4.jpg
echo text >pebble/f5.jpg
fails 3 '*pebble/f[245].jpg*' merge -q pebble
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
# -q leaves only what --strict is about.
[ "$(railfold merge -q --force --skip-bad pebble 2>&1 >/dev/null)" = "" ] || fault "-q talked"
[ "$(railfold merge -q --force --skip-bad --strict pebble 2>&1 >/dev/null | wc -l)" = 3 ] || fault "-q hid what --strict counts"
# The frame whose view was wanted may be the bad one.
cp pebble/f3.jpg pebble/f7.jpg
head -c "$((whole / 3))" "$kept/f2.jpg" >pebble/f1.jpg
works merge --force --skip-bad --reference first --report report.json pebble
[ "$(field report.json 'r["reference"]')" = 2 ] || fault "reference: $(field report.json 'r["reference"]')"
rm pebble/f7.jpg
# Nothing usable at all is an error, with or without it.
for frame in 1 3 6; do
    : >"pebble/f$frame.jpg"
done
# Left without a frame, it told the name of the first, and not why. f2 shows that it is damaged only when it is decoded.
fails 3 '*none of the 6 frames can be used, the first: pebble/f1.jpg: is empty*' merge -q --skip-bad -o none.tif pebble
: >pebble/f2.jpg
fails 3 '*none of the 6 frames can be read, the first: pebble/f1.jpg: is empty*' merge -q --skip-bad -o none.tif pebble
