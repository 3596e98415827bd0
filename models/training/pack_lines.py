"""Packs the handwritten lines into one file: grey, height 64, WebP, with their text.

    pack_lines.py HANDWRITING_FOLDER OUT.npz
"""

import csv, io, sys, tarfile

import cv2
import numpy as np

from alphabet import encode, fold_hand


def main(folder, out):
    rows = list(csv.reader(open(folder + "/lines.tsv", encoding="utf8"), delimiter="\t", quoting=csv.QUOTE_NONE))[1:]
    tars, blobs, meta, skipped = {}, [], [], 0
    for name, source, split, writer, text in rows:
        if split == "train" and encode(fold_hand(text)) is None:
            skipped += 1; continue
        if source not in tars:
            t = tarfile.open(f"{folder}/{source}.tar")
            tars[source] = {m.name: m for m in t.getmembers()}, t
        members, tar = tars[source]
        member = members.get(name) or members.get("./" + name) or members[name.split("/")[-1]]
        image = cv2.imdecode(np.frombuffer(tar.extractfile(member).read(), np.uint8), cv2.IMREAD_GRAYSCALE)
        ok, blob = cv2.imencode(".webp", image, [cv2.IMWRITE_WEBP_QUALITY, 36 if split == "train" else 55])
        blobs.append(np.frombuffer(blob, np.uint8)); meta.append((name, source, split, writer, text))
    offsets = np.cumsum([0] + [len(b) for b in blobs])
    np.savez(out, blob=np.concatenate(blobs), offsets=offsets, meta=np.frombuffer("\n".join("\t".join(m) for m in meta).encode(), np.uint8))
    print(len(meta), "lines", skipped, "skipped", offsets[-1] / 1e6, "MB")


if __name__ == "__main__":
    main(*sys.argv[1:])
