"""Scores an exported reader on packed lines: evaluate.py READER.onnx LINES.npz SPLIT [--keep OUT.npz]

Prints lines and CER (edits / characters) by source, and the mean over the sources that also
have training lines. `--keep` stores the logits for calibrate.py. One line at a time, one
thread, as the program reads.
"""

import argparse

import numpy as np
import onnxruntime as ort

from alphabet import decode
from data import Lines, to_height
from scoring import table


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("reader"); ap.add_argument("lines"); ap.add_argument("split"); ap.add_argument("--keep")
    a = ap.parse_args()
    options = ort.SessionOptions(); options.intra_op_num_threads = 1
    session, lines = ort.InferenceSession(a.reader, options), Lines(a.lines)
    trained = {m[1] for m in lines.meta if m[2] == "train"}
    rows, kept = [], []
    for i in lines.where(a.split):
        v = ((to_height(lines.image(i)) / 255 - 0.5) / 0.5).astype(np.float32)
        logits = session.run(None, {"x": np.repeat(v[None, None], 3, 1)})[0][0]
        rows.append((lines.meta[i][1], lines.meta[i][4], decode(logits.argmax(-1))))
        kept.append((i, logits.astype(np.float16)))
    scores = table(rows)
    for source, (n, cer) in sorted(scores.items()): print(f"{source:12s} {n:5d} {cer:.4f}")
    print(f"mean of trained sources {np.mean([cer for s, (n, cer) in scores.items() if s in trained]):.4f}")
    if a.keep:
        np.savez(a.keep, i=np.array([i for i, _ in kept]), n=np.array([len(p) for _, p in kept]), p=np.concatenate([p for _, p in kept]))


if __name__ == "__main__":
    main()
