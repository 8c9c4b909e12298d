# Progress and talk go to stderr: one line a stage where lines stay, a line rewritten with always, silence with -q.
frames pebble 4
works merge -o a.tif pebble
cp "$kept/stderr" plain
[ "$(cat "$kept/stdout")" = a.tif ] || fault "stdout: $(cat "$kept/stdout")"
for stage in sensor align depth merge; do
    [ "$(grep -c "^$stage \([0-9]*\)/\1 in " plain)" = 1 ] || fault "no line for $stage: $(cat plain)"
done
holds plain "merged 4 frames of 192 x 128 pixels"
lacks plain "$(printf '\r')"
works merge --progress always -o b.tif pebble
holds "$kept/stderr" "$(printf '\rsensor ')"
works merge --progress never -o c.tif pebble
[ "$(wc -l <"$kept/stderr")" -lt "$(wc -l <plain)" ] || fault "never: $(cat "$kept/stderr")"
for when in auto always never; do
    works merge -q --force --progress "$when" -o c.tif pebble
    [ ! -s "$kept/stderr" ] || fault "-q talked: $(cat "$kept/stderr")"
done
# The same picture, whatever was said on the way.
same a.tif b.tif
same a.tif c.tif
