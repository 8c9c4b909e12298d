#!/bin/sh
# Installs the Debian packages that building and testing need and that are missing. Without root it prints the command.
# `setup.sh check` also installs what only some tests use; where that cannot be had, these tests are skipped.
set -eu

packages="pkg-config libpng-dev libjpeg-dev libtiff-dev libfftw3-dev libexif-dev zlib1g-dev libdeflate-dev libcmocka-dev
python3 python3-numpy python3-scipy python3-opencv python3-skimage python3-pil"

extra=
[ "${1-}" = check ] && extra="chromium assimp-utils"

is_missing() {
    # libjpeg-dev may be a virtual name that another package provides.
    case $(dpkg-query -W -f='${db:Status-Abbrev}' "$1" 2>/dev/null || true) in
    ii*) return 1 ;;
    esac
}
install() {
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

missing=
for package in $packages; do
    is_missing "$package" && missing="$missing $package"
done
command -v cc >/dev/null 2>&1 || missing="$missing gcc libc6-dev"
if [ -n "$missing" ]; then
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
    # shellcheck disable=SC2086 # a list of package names, split on purpose
    install $missing
fi

wanted=
for package in $extra; do
    is_missing "$package" && wanted="$wanted $package"
done
[ -n "$wanted" ] || exit 0
if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" -eq 0 ]; then
    echo "setup: installing$wanted"
    # shellcheck disable=SC2086
    install $wanted && exit 0
fi
echo "setup: without$wanted some tests are skipped" >&2
