# Faults injected into calls and allocations, signals, kills, full disks, frames that change: a sample; `make faults` has all.
build=$(dirname "$TOOLS")
case $(basename "$build") in
release | debug | clang) ;;
*) echo "not tried on a build that is watched by a sanitizer"; exit 77 ;;
esac
/usr/bin/python3 "$cases/../faults/inject.py" "$build" --quick || fault "a fault was not dealt with"
/usr/bin/python3 "$cases/../faults/night.py" "$build" --quick || fault "a mishap was not dealt with"
