"""Fits the temperature: calibrate.py DEV.npz LINES.npz [TEST.npz]

The .npz files come from evaluate.py --keep. A character's probability is the largest softmax value
over the frames of its run, as the program takes it; it counts as right when the alignment of
reading and truth (edit distance) matches it. The temperature minimises the log loss on the
dev lines; reliability is shown on the test lines where given, which took no part in the fit.
"""

import sys

import numpy as np

from alphabet import ALPHABET
from data import Lines
from scoring import plain


def matched(truth, got):
    """Which characters of `got` the cheapest alignment with `truth` keeps."""
    n, m = len(truth), len(got)
    d = np.zeros((n + 1, m + 1), np.int32); d[:, 0] = range(n + 1); d[0] = range(m + 1)
    for i in range(1, n + 1):
        for j in range(1, m + 1):
            d[i, j] = min(d[i - 1, j] + 1, d[i, j - 1] + 1, d[i - 1, j - 1] + (truth[i - 1] != got[j - 1]))
    right, i, j = [False] * m, n, m
    while i and j:
        if d[i, j] == d[i - 1, j - 1] + (truth[i - 1] != got[j - 1]): right[j - 1] = truth[i - 1] == got[j - 1]; i -= 1; j -= 1
        elif d[i, j] == d[i, j - 1] + 1: j -= 1
        else: i -= 1
    return right


def characters(path, lines, sources=None):
    """(logit rows of the read characters, right or not, source)."""
    z = np.load(path); at, rows, right, where = 0, [], [], []
    for i, n in zip(z["i"], z["n"]):
        p = z["p"][at:at + n].astype(np.float32); at += n
        best, last, text, peaks = p.argmax(-1), 0, "", []
        for t, c in enumerate(best):
            if c and c == last: peaks[-1] = max(peaks[-1], (p[t, c], t))
            elif c: text += ALPHABET[c - 1]; peaks.append((p[t, c], t))
            last = c
        folded = plain(text)
        if len(folded) != len(text) or not text: continue    # double blanks folded away: leave the line out
        rows += [p[t] for _, t in peaks]; right += matched(plain(lines.meta[i][4]), folded); where += [lines.meta[i][1]] * len(peaks)
    return np.array(rows), np.array(right), np.array(where)


def confidence(rows, temperature):
    v = rows / temperature
    v = np.exp(v - v.max(-1, keepdims=True))
    return v.max(-1) / v.sum(-1)


def loss(rows, right, t):
    c = np.clip(confidence(rows, t), 1e-6, 1 - 1e-6)
    return -np.mean(np.where(right, np.log(c), np.log(1 - c)))


def show(name, rows, right, t):
    c = confidence(rows, t)
    ece = 0
    print(f"{name}: {len(c)} characters, {right.mean():.4f} right, mean confidence {c.mean():.4f}, temperature {t:.2f}, log loss {loss(rows, right, t):.4f}")
    for a, b in zip([0, .3, .5, .7, .8, .9, .95, .98, .99], [.3, .5, .7, .8, .9, .95, .98, .99, 1.01]):
        k = (c >= a) & (c < b)
        if k.any(): print(f"  {a:.2f}-{min(b, 1):.2f} {k.sum():6d} said {c[k].mean():.3f} right {right[k].mean():.3f}"); ece += k.mean() * abs(c[k].mean() - right[k].mean())
    print(f"  expected calibration error {ece:.4f}")


def main(dev, lines_path, test=None):
    lines = Lines(lines_path)
    rows, right, _ = characters(dev, lines)
    grid = np.arange(0.6, 4.01, 0.05)
    t = float(grid[np.argmin([loss(rows, right, g) for g in grid])])
    print(f"temperature {t:.2f}")
    show("dev before", rows, right, 1.0); show("dev after", rows, right, t)
    if test is None: return
    rows, right, where = characters(test, lines)
    show("test before", rows, right, 1.0); show("test after", rows, right, t)
    for s in ("stanford", "celestine"): show(s, rows[where == s], right[where == s], t)


if __name__ == "__main__":
    main(*sys.argv[1:])
