#!/bin/sh
# Installs the Debian packages that building and testing need and that are missing. Without root it prints the command.
set -eu

packages="pkg-config libpng-dev libjpeg-dev libtiff-dev libfftw3-dev libexif-dev zlib1g-dev libcmocka-dev
python3 python3-numpy python3-scipy python3-opencv python3-skimage python3-pil"

missing=
for package in $packages; do
    # libjpeg-dev may be a virtual name that another package provides.
    state=$(dpkg-query -W -f='${db:Status-Abbrev}' "$package" 2>/dev/null || true)
    case $state in
    ii*) ;;
    *) missing="$missing $package" ;;
    esac
done
command -v cc >/dev/null 2>&1 || missing="$missing gcc libc6-dev"
[ -n "$missing" ] || exit 0

if ! command -v apt-get >/dev/null 2>&1; then
    echo "setup: these packages (Debian names) are missing:$missing; install them with your package manager" >&2
    exit 1
fi
if [ "$(id -u)" -ne 0 ]; then
    echo "setup: packages are missing; run once, then try again:" >&2
    echo "  sudo apt-get install -y --no-install-recommends$missing" >&2
    exit 1
fi
echo "setup: installing$missing"
apt-get update -qq
# shellcheck disable=SC2086 # a list of package names, split on purpose
DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
