# A frame that cannot be used: exit code 3, one sentence that names it, nothing written.
mkdir empty
fails 3 '*empty*' merge empty
mkdir notes
echo "moss, 25 frames" >notes/readme.txt
fails 3 '*notes*' merge notes
mkdir raw
head -c 4096 /dev/urandom >raw/IMG_0001.CR3
fails 3 '*raw*raw*' merge raw
fails 3 '*nowhere*' merge nowhere

frames pebble 5
fails 3 '*pebble/f9.jpg*' merge -o x.tif pebble/f1.jpg pebble/f9.jpg
fails 3 '*pebble*folder*' merge -o x.tif pebble/f1.jpg pebble
fails 3 '*raw/IMG_0001.CR3*raw*' merge -o x.tif raw/IMG_0001.CR3
mkfifo pipe
fails 3 '*pipe*' merge -o x.tif pipe
rm pipe

# Each fault in the middle of an otherwise good take.
whole=$(wc -c <pebble/f3.jpg)
cp pebble/f3.jpg "$kept/f3.jpg"
head -c "$((whole / 2))" "$kept/f3.jpg" >pebble/f3.jpg
fails 3 '*pebble/f3.jpg*' merge -q pebble
: >pebble/f3.jpg
fails 3 '*pebble/f3.jpg*' merge -q pebble
echo "this is no picture" >pebble/f3.jpg
fails 3 '*pebble/f3.jpg*' merge -q pebble
rm pebble/f3.jpg
ln -s nowhere.jpg pebble/f3.jpg
fails 3 '*pebble/f3.jpg*' merge -q pebble
rm pebble/f3.jpg
cp "$kept/f3.jpg" pebble/f3.jpg
for ending in png tif; do
    frames "$ending" 4 --ending "$ending" --depth 16
    whole=$(wc -c <"$ending/f2.$ending")
    cp "$ending/f2.$ending" "$kept/f2"
    head -c "$((whole / 2))" "$kept/f2" >"$ending/f2.$ending"
    fails 3 "*$ending/f2.$ending*" merge -q "$ending"
done
