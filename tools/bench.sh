#!/bin/sh
# Merges takes and says where the time and the memory go, beside the machine's floor.
# Usage: tools/bench.sh BUILD [OLD.json]
#
# Each case is WIDTHxHEIGHT:FRAMES:FORMAT; its take is rendered once and kept in BUILD/bench. The figures of all cases go
# into one JSON file, {"CASE": {figure: value}}. With OLD.json, such a file of before, every figure is shown beside the
# old one, and CPU seconds or memory that grew past the noise make the run fail.
# Variables: BENCH=full for every case, CASES="..." for others, TAKE=folder of frames instead of cases,
#            THREADS=N (one a processor), RUNS=N (the fastest counts; 2), JSON=file (BUILD/bench/bench.json)
set -eu
build=$1
old=${2:-}
folder=$build/bench
json=${JSON:-$folder/bench.json}
quick="3000x2000:20:jpeg 1500x1000:20:tiff16"
full="3000x2000:20:jpeg 3000x2000:100:jpeg 3000x2000:20:tiff8 3000x2000:20:tiff16 6000x4000:20:jpeg 6000x4000:20:tiff16
9488x6324:20:jpeg"
case ${BENCH:-quick} in
full) cases=$full ;;
*) cases=$quick ;;
esac
cases=${CASES:-$cases}
[ -z "${TAKE:-}" ] || cases=take
mkdir -p "$folder"

# The figures of one case out of a file of all.
section() {
    awk -v name="\"$2\":" '$1 == name { on = 1; next } on && /^ *}/ { exit } on' "$1"
}

failed=0
printf '{\n' > "$json.part"
comma=
for case in $cases; do
    if [ "$case" = take ]; then
        take=$TAKE
    else
        size=${case%%:*}
        rest=${case#*:}
        take=$folder/take-$size-${rest%:*}-${rest#*:}
        # A rendering that was stopped leaves its truth and fewer frames.
        if [ "$(find "$take/frames" -type f 2>/dev/null | wc -l)" -ne "${rest%:*}" ]; then
            echo "bench: rendering $case"
            "$build/tools/take-maker" --quiet --force --scene pebble --size "$size" --frames "${rest%:*}" \
                --format "${rest#*:}" --seed 1 "$take"
        fi
    fi
    [ -d "$take/frames" ] && take=$take/frames
    echo "== $case"
    set -- --threads "${THREADS:-0}" --runs "${RUNS:-2}" --json "$folder/case.json"
    if [ -n "$old" ]; then
        section "$old" "$case" > "$folder/old.json"
        [ ! -s "$folder/old.json" ] || set -- "$@" --old "$folder/old.json"
    fi
    "$build/tools/bench" "$@" "$take" "$folder/merged.tif" "$folder/depth.tif" || failed=1
    printf '%s"%s": ' "$comma" "$case" >> "$json.part"
    cat "$folder/case.json" >> "$json.part"
    comma=', '
done
printf '}\n' >> "$json.part"
mv "$json.part" "$json"
rm -f "$folder/merged.tif" "$folder/depth.tif" "$folder/case.json" "$folder/old.json"
echo "figures in $json"
exit $failed
