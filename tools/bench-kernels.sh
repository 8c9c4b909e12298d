#!/bin/sh
# Instructions of each hot function in one small merge, counted by valgrind: the same on every run and under any load.
# Usage: tools/bench-kernels.sh BUILD [OLD.json]
#
# Prints instructions a pixel of frame, most first, and writes them as JSON. With OLD.json functions that grew by more
# than 3 % and 0.2 instructions make the run fail. Valgrind offers 256-bit registers at the most.
# Variables: SIZE=600x400, FRAMES=10, LEAST=0.2 (share in % below which a function is left out), JSON=file
set -eu
build=$1
old=${2:-}
folder=$build/bench
json=${JSON:-$folder/kernels.json}
size=${SIZE:-600x400}
frames=${FRAMES:-10}
command -v callgrind_annotate >/dev/null || { echo "bench-kernels: valgrind is needed (apt-get install valgrind)" >&2; exit 1; }
mkdir -p "$folder"
take=$folder/take-$size-$frames-jpeg
[ -e "$take/truth/truth.json" ] ||
    "$build/tools/take-maker" --quiet --force --scene pebble --size "$size" --frames "$frames" --seed 1 "$take"
valgrind --quiet --tool=callgrind --callgrind-out-file="$folder/callgrind.out" "$build/railfold" merge --quiet --force \
    --threads 1 -o "$folder/merged.tif" --depth "$folder/depth.tif" "$take/frames" > /dev/null 2>&1
pixels=$((${size%x*} * ${size#*x} * frames))
callgrind_annotate --auto=no --threshold=100 "$folder/callgrind.out" | sed "s/( */(/" |
    awk -v pixels="$pixels" -v least="${LEAST:-0.2}" '
        $2 ~ /^\([0-9.]+%\)$/ && $3 == "PROGRAM" { gsub(",", "", $1); total = $1; next }
        $2 ~ /^\([0-9.]+%\)$/ && $3 ~ /:/ {
            gsub(",", "", $1)
            name = $3
            if (name ~ /\?\?\?:/) { library = $4; gsub(/.*\/|\]|\.so.*/, "", library); name = library }
            else { sub(/.*\//, "", name); sub(/\.(avx2|arch_x86_64_v4|default)[.0-9a-z]*$/, "", name) }
            sub(/\.(part|isra|constprop)\..*$/, "", name)
            sum[name] += $1
        }
        END {
            for (name in sum)
                if (100 * sum[name] >= least * total)
                    printf "%.4f %s\n", sum[name] / pixels, name | "sort -rn"
            close("sort -rn")
            printf "%.4f total\n", total / pixels
        }' > "$folder/kernels.txt"
awk 'BEGIN { print "{" } { printf "%s  \"%s\": %s", (NR > 1 ? ",\n" : ""), $2, $1 } END { print "\n}" }' \
    "$folder/kernels.txt" > "$json"
failed=0
if [ -n "$old" ]; then
    awk 'NR == FNR { if (split($0, part, "\"") >= 3) { value = part[3]; gsub(/[:, ]/, "", value); was[part[2]] = value }; next }
        {
            before = $2 in was ? was[$2] : 0
            grew = before > 0 && $1 > 1.03 * before && $1 > before + 0.2
            printf "%10.2f %10.2f  %s%s\n", before, $1, $2, grew ? "  MORE" : ""
            failed = failed || grew
        }
        END { exit failed }' "$old" "$folder/kernels.txt" || failed=1
else
    awk '{ printf "%10.2f  %s\n", $1, $2 }' "$folder/kernels.txt"
fi
rm -f "$folder/merged.tif" "$folder/depth.tif" "$folder/kernels.txt" "$folder/callgrind.out"
echo "instructions a pixel of frame; figures in $json"
exit $failed
