"""Character error rate as used in the model card: NFC, quotes and dashes folded, blanks squeezed."""

import collections

from alphabet import fold_hand


def distance(a, b):
    prev = list(range(len(b) + 1))
    for i, ca in enumerate(a, 1):
        cur = [i]
        for j, cb in enumerate(b, 1):
            cur.append(min(prev[j] + 1, cur[-1] + 1, prev[j - 1] + (ca != cb)))
        prev = cur
    return prev[-1]


def plain(s):
    return fold_hand(s).replace("–", "-")


def table(rows):
    """rows of (source, truth, reading) -> {source: (lines, edits / characters)} and the mean over sources."""
    edits, chars, lines = collections.Counter(), collections.Counter(), collections.Counter()
    for source, truth, got in rows:
        truth, got = plain(truth), plain(got)
        edits[source] += distance(truth, got); chars[source] += len(truth); lines[source] += 1
    return {s: (lines[s], edits[s] / max(1, chars[s])) for s in lines}
