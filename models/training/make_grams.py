"""Letter n-grams of what collectors write, for the reader's beam: make_grams.py CORPUS.json.gz OUT.arpa.gz

Counts letters of English prose, label lines and the training lines' French and German, mixes them,
and estimates probabilities by interpolated Witten-Bell smoothing (Witten and Bell 1991, method C),
written in the back-off form of the ARPA format (log10). A space is written as `_`, every
digit as `0` (which digit it is, only the picture says); `<s>` and `</s>` bound a line.
"""

import argparse, collections, gzip, io, json, math, random

from alphabet import fold_hand
from label_text import Labels


def texts(corpus, seed, prose, labels, foreign):
    """Lines of each kind, so many characters of each."""
    rng = random.Random(seed)
    make = Labels(corpus, rng)
    for want, line in ((prose, make.prose), (labels * 0.25, make.letter), (labels * 0.75, make.label), (foreign, lambda: rng.choice(make.c["foreign"]))):
        size = 0
        while size < want:
            s = fold_hand(line())
            if not s: continue
            size += len(s)
            yield s


def count(lines, order):
    counts = [collections.Counter() for _ in range(order + 1)]
    for s in lines:
        letters = ["<s>"] + ["_" if c == " " else "0" if c in "0123456789" else c for c in s if c != "_"] + ["</s>"]
        for k in range(1, len(letters)):
            for n in range(1, order + 1):
                if k - n + 1 < 0: break
                counts[n][tuple(letters[k - n + 1:k + 1])] += 1
    return counts


def estimate(counts, order, least):
    """Probability of each kept n-gram and the weight its context leaves to shorter ones."""
    total, kinds = collections.Counter(), collections.Counter()
    for n in range(1, order + 1):
        for gram, c in counts[n].items():
            total[gram[:-1]] += c; kinds[gram[:-1]] += 1
    letters = len(counts[1])
    prob = [{} for _ in range(order + 1)]
    for n in range(1, order + 1):
        for gram, c in counts[n].items():
            if n > 2 and c < least[n]: continue
            lower = 1 / letters if n == 1 else lookup(prob, gram[1:], total, kinds)
            t, k = total[gram[:-1]], kinds[gram[:-1]]
            prob[n][gram] = (c + k * lower) / (t + k)
    return prob, {g: kinds[g] / (t + kinds[g]) for g, t in total.items() if g}


def lookup(prob, gram, total, kinds):
    """Smoothed probability of `gram`'s last letter after the rest."""
    p = prob[len(gram)].get(gram)
    if p is not None: return p
    if len(gram) == 1: return 1e-7
    context = gram[:-1]
    t, k = total.get(context, 0), kinds.get(context, 0)
    back = k / (t + k) if t else 1.0
    return back * lookup(prob, gram[1:], total, kinds)


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("corpus"); ap.add_argument("out")
    ap.add_argument("--order", type=int, default=6); ap.add_argument("--seed", type=int, default=11)
    ap.add_argument("--prose", type=float, default=6e6); ap.add_argument("--labels", type=float, default=2e6); ap.add_argument("--foreign", type=float, default=1.2e6)
    ap.add_argument("--least", default="1,1,2,4,6,8", help="n-grams seen less often are left out, by order")
    a = ap.parse_args()
    with gzip.open(a.corpus, "rt", encoding="utf8") as f: corpus = json.load(f)
    counts = count(texts(a.corpus, a.seed, a.prose, a.labels, a.foreign), a.order)
    least = [0] + [int(v) for v in a.least.split(",")]
    prob, back = estimate(counts, a.order, least)
    # Without the time in its head, so that the same words give the same file.
    with open(a.out, "wb") as raw, io.TextIOWrapper(gzip.GzipFile("", "wb", 9, raw, mtime=0), encoding="utf8") as f:
        f.write("\\data\\\n" + "".join(f"ngram {n}={len(prob[n])}\n" for n in range(1, a.order + 1)))
        for n in range(1, a.order + 1):
            f.write(f"\n\\{n}-grams:\n")
            for gram in sorted(prob[n]):
                weight = f"\t{math.log10(back[gram]):.2f}" if n < a.order and gram in back else ""
                f.write(f"{math.log10(prob[n][gram]):.2f}\t{' '.join(gram)}{weight}\n")
        f.write("\n\\end\\\n")
    print({n: len(prob[n]) for n in range(1, a.order + 1)})


if __name__ == "__main__":
    main()
