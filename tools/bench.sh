#!/bin/sh
# Merges a take and says where the time and the memory go, beside the machine's floor.
# Usage: tools/bench.sh BUILD [OLD.json]
# Variables: TAKE=folder of frames (else one of SIZE=3000x2000 and FRAMES=16 is rendered), THREADS=N (one a processor),
#            RUNS=N (the fastest counts; 2), JSON=file for the figures (BUILD/bench/bench.json)
set -eu
build=$1
old=${2:-}
folder=$build/bench
json=${JSON:-$folder/bench.json}
mkdir -p "$folder"
take=${TAKE:-}
if [ -z "$take" ]; then
    take=$folder/take-${SIZE:=3000x2000}-${FRAMES:=16}
    if [ ! -e "$take/truth/truth.json" ]; then
        echo "bench: rendering a take of $FRAMES frames, $SIZE"
        "$build/tools/take-maker" --quiet --force --scene pebble --size "$SIZE" --frames "$FRAMES" --seed 1 "$take"
    fi
fi
[ -d "$take/frames" ] && take=$take/frames
set -- --threads "${THREADS:-0}" --runs "${RUNS:-2}" --json "$json"
[ -n "$old" ] && set -- "$@" --old "$old"
"$build/tools/bench" "$@" "$take" "$folder/merged.tif" "$folder/depth.tif"
rm -f "$folder/merged.tif" "$folder/depth.tif"
echo "figures in $json"
