# Without --output the picture lies beside the folder and is called after it.
frames pebble 2
expect() { # expect PATH ARGS...: the run writes PATH and prints it
    path=$1
    shift
    works merge "$@"
    [ "$(cat "$kept/stdout")" = "$path" ] || fault "merge $* wrote $(cat "$kept/stdout"), not $path"
    [ "$(picture "$path")" = "192x128 3 uint16" ] || fault "$path: $(picture "$path")"
    rm "$path"
}
expect pebble-merged.tif pebble
expect pebble-merged.tif pebble/
expect pebble-merged.tif pebble///
expect ./pebble-merged.tif ./pebble
expect "$PWD/pebble-merged.tif" "$PWD/pebble"
expect "$PWD/pebble-merged.tif" pebble/.
mkdir pebble/inner
expect "$PWD/pebble-merged.tif" pebble/inner/..
ln -s pebble moss
expect moss-merged.tif moss
cd pebble
expect "${PWD%/*}/pebble-merged.tif" .
expect "${PWD%/*}/pebble-merged.tif" ./
cd inner
expect "${PWD%/*/*}/pebble-merged.tif" ..
cd ../..
rmdir pebble/inner
mv pebble -- -take
expect -take-merged.tif -- -take
mv -- -take 'p 1.2'
expect 'p 1.2-merged.tif' 'p 1.2'
