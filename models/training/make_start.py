"""Start weights from the PP-OCRv6 small recogniser: make_start.py REC.onnx LINES.npz OUT.pt

Latin rows of the head are copied by character; batch norms are put back with the statistics
of real lines, which leaves the function as it was.
"""

import sys

import numpy as np
import onnx
import torch

from alphabet import ALPHABET
from data import HEIGHT, Lines, to_height, to_input
from model import Reader, load_start, settle_norms


def main(onnx_path, lines_path, out):
    meta = {p.key: p.value for p in onnx.load(onnx_path).metadata_props}
    model, lines = Reader(lstm=0), Lines(lines_path)
    found = load_start(model, onnx_path, meta["character"].split("\n"))
    x, widths = np.zeros((192, HEIGHT, 640), np.uint8), []
    for k, i in enumerate(lines.where("train")[::60][:192]):
        image = to_height(lines.image(i)); w = min(640, image.shape[1]); x[k, :, :w] = image[:, :w]; widths.append(w)
    v = to_input(torch.from_numpy(x[: len(widths)]), torch.tensor(widths))
    settle_norms(model, v.split(24))
    torch.save(model.state_dict(), out)
    print("head rows copied", found, "of", len(ALPHABET))


if __name__ == "__main__":
    main(*sys.argv[1:])
