#!/usr/bin/env python3
"""Makes the sample photographs and what is expected of each.

    make.py [NAME...]     all, or those whose names contain one of NAME

Writes ../photos/*.jpg and their lines of ../expected.jsonl. Every photograph
has its own seed, so making one again changes no other.
"""

import io
import json
import pathlib
import sys
import zlib

import numpy as np
from PIL import Image

import scenes

OUT = pathlib.Path(__file__).resolve().parent.parent
# Photographs are saved as finely as fits into this many bytes.
LARGEST = 225_000


def save(pixels, path, orientation, taken):
    picture = Image.fromarray(pixels)
    exif = Image.Exif()
    if orientation != 1:
        # The telephone saves what its sensor saw and says how to turn it.
        picture = picture.transpose({6: Image.Transpose.ROTATE_90, 3: Image.Transpose.ROTATE_180}[orientation])
        exif[0x0112] = orientation
    if taken:
        exif[0x010F] = "Tarn Valley"
        exif.get_ifd(0x8769)[0x9003] = taken
    for quality in range(88, 40, -3):
        buffer = io.BytesIO()
        picture.save(buffer, "JPEG", quality=quality, optimize=True, exif=exif)
        if buffer.tell() <= LARGEST:
            break
    path.write_bytes(buffer.getvalue())
    return quality, buffer.tell()


def main(wanted):
    (OUT / "photos").mkdir(exist_ok=True)
    file = OUT / "expected.jsonl"
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    expected = {line["image"]: line for line in map(json.loads, lines)}
    for scene in scenes.ALL:
        name = scene.__name__.replace("_", "-").removeprefix("s")
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        if wanted and not any(w in name for w in wanted):
            continue
        pixels, labels, fields, more = scene(rng)
        image = f"tarn-{name}.jpg"
        quality, size = save(pixels, OUT / "photos" / image, more.get("orientation", 1), more.get("taken"))
        print(f"{image}: quality {quality}, {size // 1024} KiB", flush=True)
        line = {
            "image": image,
            "text": "\n\n".join("\n".join(lines) for lines in labels),
            "fields": fields,
            "handwritten": more.get("handwritten", []),
            # No gazetteer knows Tarnshire, and no label names its country.
            "ambiguous": more.get("ambiguous", []) + ["country", "stateProvince", "county"],
            "hard": more.get("hard", []),
            "doubts": more.get("doubts", []),
        }
        expected[image] = line
    with open(file, "w", encoding="utf-8") as out:
        out.writelines(json.dumps(expected[k], ensure_ascii=False) + "\n" for k in sorted(expected))


if __name__ == "__main__":
    main(sys.argv[1:])
