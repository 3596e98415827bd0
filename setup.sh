#!/usr/bin/env bash
# Installs what Glassine needs on Debian 12 or 13 and Ubuntu 22.04 or 24.04:
# system libraries (only the missing ones), then the neural models. Safe to run
# again at any time. Rust itself is not installed here: see README.md.
#
#   ./setup.sh         only install what is missing
#   ./setup.sh demo    that, then build and run the main job on the samples
#   ./setup.sh check   that and what the tests use, then all tests
#   ./setup.sh tests   only install, with what the tests use
#   ./setup.sh packing only install, with what `make package` uses
set -euo pipefail
cd "$(dirname "$0")"
then=
case "${1:-}" in
'' | tests | packing) ;;
demo) then=demo ;;
check) then=check && set -- tests ;;
*)
    printf 'error: %s\nhint: %s\n' "\`$1\` is nothing that setup.sh does" "use demo, check, tests or nothing" >&2
    exit 2
    ;;
esac

fail() { # FACT HINT
    printf 'error: %s\nhint: %s\n' "$1" "$2" >&2
    exit 1
}

# The bindings to libheif and libtesseract are generated at build time, hence
# clang.
packages="build-essential pkg-config clang libclang-dev
    libtesseract-dev libleptonica-dev tesseract-ocr tesseract-ocr-eng
    libheif-dev python3 python3-pip"
# HEIC pictures of telephones are HEVC inside; newer releases keep that decoder
# in a package of its own.
optional="libheif-plugin-libde265"
if [ "${1:-}" = tests ]; then
    # What the tests check our work with: a browser for the pages, Poppler for
    # PDF, xmllint for archives, ImageMagick and heif-enc for pictures, a database
    # server for the backlog of many machines.
    packages="$packages poppler-utils libxml2-utils imagemagick libheif-examples postgresql"
    command -v chromium >/dev/null || command -v chromium-browser >/dev/null ||
        optional="$optional chromium chromium-driver"
    optional="$optional libheif-plugin-x265"
fi
[ "${1:-}" != packing ] || packages="$packages dpkg-dev patchelf xz-utils"

have() { [ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]; }
known() { apt-cache show "$1" >/dev/null 2>&1; }

if command -v apt-get >/dev/null; then
    asroot=
    [ "$(id -u)" = 0 ] || asroot=sudo
    missing=
    for p in $packages; do have "$p" || missing="$missing $p"; done
    maybe=
    for p in $optional; do have "$p" || maybe="$maybe $p"; done
    if [ -n "$missing" ]; then
        echo "setup: installing$missing" >&2
        $asroot apt-get update -qq ||
            fail "the package lists could not be read" "check the network, then run this again"
    fi
    for p in $maybe; do if known "$p"; then missing="$missing $p"; fi; done
    if [ -n "$missing" ]; then
        # shellcheck disable=SC2086 # one word a package
        $asroot env DEBIAN_FRONTEND=noninteractive DEBCONF_NOWARNINGS=yes \
            apt-get install -y -qq --no-install-recommends $missing >/dev/null ||
            fail "packages could not be installed:$missing" "install them by hand, then run this again"
    fi
    echo "setup: system packages all there" >&2
else
    echo "setup: no apt-get here; these are needed under your system's names:" $packages >&2
fi

command -v cargo >/dev/null ||
    fail "Rust is missing (cargo was not found)" "install Rust 1.92 or newer with rustup, then run this again"

./models/fetch.sh
# Left out where it cannot be had: the test that uses it says so.
[ "${1:-}" != tests ] || ./tests/fetch.sh || true

# make itself came with the packages above, so that a bare system needs no more
# than this script.
[ -z "$then" ] || GLASSINE_READY=1 exec make "$then"
