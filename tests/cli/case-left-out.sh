# What lies in the folder but is no frame is left out, and named under -v; nothing is left out of an explicit list.
frames pebble 3
cp pebble/f1.jpg pebble/.hidden.jpg
echo text >pebble/notes.txt
head -c 5000 /dev/zero >pebble/f1.NEF
mkdir pebble/crops
: >pebble/empty
works merge -o pebble/merged.tif pebble
lacks "$kept/stderr" notes.txt
works merge -v -o pebble/again.tif --depth pebble/depth.tif --report report.json pebble
for name in .hidden.jpg notes.txt f1.NEF crops empty merged.tif; do
    holds "$kept/stderr" "left out: pebble/$name ("
done
[ "$(field report.json 'len(r["frames"])')" = 3 ] || fault "frames: $(field report.json 'len(r["frames"])')"
# Its own pictures and maps in the folder do not grow into the next run, whatever their format.
works merge -o pebble/p.png pebble
works merge -o pebble/p.jpg pebble
works merge -v -o last.tif --report last.json pebble
for name in merged.tif again.tif depth.tif p.png p.jpg; do
    holds "$kept/stderr" "left out: pebble/$name (an output of railfold)"
done
[ "$(field last.json 'len(r["frames"])')" = 3 ] || fault "frames: $(field last.json 'len(r["frames"])')"
