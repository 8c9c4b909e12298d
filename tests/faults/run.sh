#!/bin/sh
# make faults: everything that tests/cli/case-faults.sh samples, and the same bytes from another compiler.
set -eu
build=$1
here=$(cd "$(dirname "$0")" && pwd)
/usr/bin/python3 "$here/inject.py" "$build"
/usr/bin/python3 "$here/night.py" "$build"
sh "$here/compilers.sh" "$build"
