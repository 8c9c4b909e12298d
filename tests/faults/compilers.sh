#!/bin/sh
# The same bytes whichever compiler built the program: a small rendered take merged by a gcc and by a clang build, by one
# thread and by three. Usage: compilers.sh BUILD
set -eu
build=$(cd "$1" && pwd)
root=$(cd "$(dirname "$0")/../.." && pwd)
command -v clang >/dev/null || { echo "compilers: no clang here, not tried"; exit 0; }
command -v gcc >/dev/null || { echo "compilers: no gcc here, not tried"; exit 0; }
for compiler in gcc clang; do
    make -s -C "$root" CC=$compiler "B=build/compiler-$compiler" program >/dev/null
done
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch"
"$build/tools/take-maker" --quiet --size 480x320 --frames 12 take
"$build/tools/take-maker" --quiet --size 300x200 --frames 9 --format tiff16 deep
for take in take deep; do
    for compiler in gcc clang; do
        for threads in 1 3; do
            for view in perspective parallel; do
                "$root/build/compiler-$compiler/railfold" merge -q --threads $threads --view $view --step 50um \
                    -o "$take-$compiler-$threads-$view.tif" --depth "$take-$compiler-$threads-$view-depth.tif" \
                    --confidence "$take-$compiler-$threads-$view-confidence.png" "$take/frames" >/dev/null
            done
            "$root/build/compiler-$compiler/railfold" merge -q --threads $threads -o "$take-$compiler-$threads.jpg" \
                --sigma "$take-$compiler-$threads-sigma.tif" --depth-view "$take-$compiler-$threads-view.png" "$take/frames" \
                >/dev/null
        done
    done
done
compared=0
for file in *-gcc-1*; do
    for other in gcc-3 clang-1 clang-3; do
        twin=$(echo "$file" | sed "s/gcc-1/$other/")
        cmp "$file" "$twin" || { echo "compilers: $file and $twin differ"; exit 1; }
        compared=$((compared + 1))
    done
done
echo "compilers: gcc and clang, one thread and three: $compared comparisons, the same bytes each time"
