#!/bin/sh
# Makes the demo take (a lichen-crusted pebble with moss bristles), merges it and says where the pictures are.
# Usage: tools/demo.sh build/release
set -eu

build=$1
take=$build/demo/pebble
out=$build/demo

mkdir -p "$out"
if [ ! -e "$take/truth.json" ]; then
    echo "demo: rendering the take (36 frames)"
    rm -rf "$take"
    "$build/tools/take-maker" --scene pebble --size 1200x800 --frames 36 --seed 1 --format jpeg "$take"
fi
echo "demo: merging it"
"$build/railfold" merge --force --step 0.1mm -o "$out/pebble.tif" --depth "$out/pebble-depth.tif" \
    --confidence "$out/pebble-confidence.tif" --depth-view "$out/pebble-depth-view.png" \
    --report "$out/pebble-report.json" "$take/frames" >/dev/null
"$build/railfold" merge --force -q -o "$out/pebble.jpg" "$take/frames" >/dev/null
cat <<EOF

The demo is done.
  frames            $take/frames
  merged picture    $out/pebble.tif (16 bit), $out/pebble.jpg
  depth map         $out/pebble-depth.tif (32-bit float, mm)
  its coloured view $out/pebble-depth-view.png
  run report        $out/pebble-report.json
EOF
