# --max-megapixels: a larger picture is refused by its header, by each command that reads pictures; a raised limit lets
# it pass. 192 x 128 pixels are 0.024576 megapixels.
frames pebble 4
works merge -q -o m.tif --depth d.tif --max-megapixels 0.0246 pebble
fails 3 '*pebble/f1.jpg: claims 192 x 128 pixels, 24576 in all; at most 24000 are allowed*' merge --max-megapixels 0.024 -o n.tif pebble
fails 3 '*none of the 4 frames can be read, the first: pebble/f1.jpg: claims 192 x 128 pixels*' check --max-megapixels 0.024 pebble
works check --max-megapixels 0.0246 pebble
works takes -q --max-megapixels 0.024 pebble
holds "$kept/stderr" '4 frames of the card cannot be read, the first: pebble/f1.jpg: claims 192 x 128 pixels'
works takes -q --max-megapixels 0.0246 pebble
[ ! -s "$kept/stderr" ] || fault "it said: $(cat "$kept/stderr")"
fails 3 'railfold depth: d.tif: claims 192 x 128 pixels*' depth --max-megapixels 0.024 d.tif
works depth --max-megapixels 0.0246 d.tif
fails 2 '*--max-megapixels*0.001*2000*' merge --max-megapixels 0 -o n.tif pebble
fails 2 '*--max-megapixels*' merge --max-megapixels 2001 -o n.tif pebble
