#!/bin/sh
# The law of the tree: a lower layer never includes a higher one, and only src/io includes a codec's headers.
# Public headers (include/railfold) belong to the layer named in the table below.
set -eu

fault=0
rank() {
    case $1 in
    base) echo 0 ;; image) echo 1 ;; io) echo 2 ;; sequence) echo 3 ;; align | sharpness | sensor) echo 4 ;;
    merge | depth) echo 5 ;; plan | check | report) echo 6 ;; stack) echo 7 ;; cli) echo 8 ;; *) echo - ;;
    esac
}
layer_of_header() {
    case $1 in
    status | memory | pool | digest) echo base ;;
    image | pose | mesh | source) echo image ;;
    frame_io | metadata | mesh_io) echo io ;;
    sequence | align | sharpness | sensor | merge | depth | plan | check | report | stack) echo "$1" ;;
    takes) echo check ;;
    warp) echo align ;;
    depth_report | page) echo report ;;
    depth_view | depth_map | depth_measure | depth_draw | depth_mesh | parallel) echo depth ;;
    *) echo unknown ;;
    esac
}
say() {
    echo "check-layers: $1" >&2
    fault=1
}

for file in src/*/*.c src/*/*.h include/railfold/*.h; do
    [ -e "$file" ] || continue
    case $file in
    src/*) layer=$(echo "$file" | cut -d/ -f2) ;;
    *) layer=$(layer_of_header "$(basename "$file" .h)") ;;
    esac
    here=$(rank "$layer")
    [ "$here" != - ] || { say "$file: no layer is known for it; add it to tools/check-layers.sh"; continue; }
    for name in $(sed -n 's|^ *# *include *"\([^"]*\)".*|\1|p' "$file"); do
        case $name in
        railfold/*) wanted=$(layer_of_header "$(basename "$name" .h)") ;;
        */*) wanted=${name%%/*} ;;
        *) wanted=$layer ;; # beside the file itself
        esac
        there=$(rank "$wanted")
        if [ "$there" = - ] || [ "$there" -gt "$here" ]; then
            say "$file ($layer) includes $name ($wanted), a higher layer"
        fi
        case $layer-$wanted in
        plan-base | plan-plan) ;;
        plan-*) say "$file: plan depends on base alone, not on $name" ;;
        align-io | sharpness-io | sensor-io | merge-io | depth-io | align-sequence | sharpness-sequence | sensor-sequence | merge-sequence | depth-sequence)
            say "$file: $layer knows no path and no file format, yet includes $name" ;;
        esac
    done
    case $layer in
    io) ;;
    *) if grep -qE '# *include *<(png|jpeglib|tiffio|tiff|libexif/.*)\.?h?>' "$file"; then
        say "$file: only src/io may include a codec's headers"
    fi ;;
    esac
    case $layer in
    cli) ;;
    *) if grep -nE '(^|[^a-z_])(printf|perror|exit|puts) *\(' "$file" | grep -vE '^[0-9]+: *(/?\*|//)' | grep -q .; then
        say "$file: nothing below the command line prints or exits"
    fi ;;
    esac
done
[ "$fault" -eq 0 ] && echo "layers: every include points down"
exit "$fault"
