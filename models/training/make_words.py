"""Which English words follow which, for the search over running writing: make_words.py CORPUS.json.gz SYMSPELLPY OUT.arpa.gz

Words and pairs are counted in the English prose of the corpus and taken from the frequency lists of PyPI `symspellpy`
(the folder as unpacked: Google Books Ngram, CC BY 3.0, kept to the words of SCOWL); first names and places of the corpus
are put to the words. A pair's probability is interpolated with its second word's (Witten and Bell 1991, method C,
the words counted twice) and written in the back-off form of the ARPA format (log10). Small letters throughout.
"""

import argparse, collections, gzip, io, json, math, re

from alphabet import fold_hand

WORD = re.compile(r"[^\W\d_]+(?:'[^\W\d_]+)*")
# Shares of the word lists: books, prose, first names, places.
SHARES = (0.5, 0.45, 0.03, 0.02)
# The pairs from books count so many times all pairs of the prose together.
BOOKS = 5
# How many times over the words count beside the pairs.
ALONE = 2


def listed(path, fields):
    with open(path, encoding="utf-8-sig") as f:
        for row in (line.split() for line in f):
            if len(row) == fields: yield [w.lower() for w in row[:-1]], int(row[-1])


def words(text):
    return [m.group().lower() for m in WORD.finditer(fold_hand(text))]


def pairs(text):
    """Words that stand in the text with one blank between them."""
    text, last, end = fold_hand(text), None, 0
    for m in WORD.finditer(text):
        if last and text[end:m.start()] == " ": yield last, m.group().lower()
        last, end = m.group().lower(), m.end()


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("corpus"); ap.add_argument("symspellpy"); ap.add_argument("out")
    a = ap.parse_args()
    with gzip.open(a.corpus, "rt", encoding="utf8") as f: corpus = json.load(f)
    count = lambda texts: collections.Counter(w for t in texts for w in words(t))
    lists = [collections.Counter(), count(corpus["prose"]), count(corpus["first"]),
             count(corpus["us"] + corpus["counties"] + [name for _, name in corpus["states"]])]
    for (w,), n in listed(a.symspellpy + "/frequency_dictionary_en_82_765.txt", 2): lists[0][w] += n
    single = collections.Counter()
    for share, held in zip(SHARES, lists):
        whole = sum(held.values())
        for w, n in held.items(): single[w] += share * n / whole
    both = collections.Counter(p for t in corpus["prose"] for p in pairs(t))
    books = {tuple(p): n for p, n in listed(a.symspellpy + "/frequency_bigramdictionary_en_243_342.txt", 3)}
    scale = BOOKS * sum(both.values()) / sum(books.values())
    for p, n in books.items():
        if p[0] in single and p[1] in single: both[p] += scale * n
    whole, kinds = collections.Counter(), collections.Counter()
    for (v, _), n in both.items(): whole[v] += n; kinds[v] += 1
    left = {v: ALONE * kinds[v] / (whole[v] + ALONE * kinds[v]) for v in whole}
    with open(a.out, "wb") as raw, io.TextIOWrapper(gzip.GzipFile("", "wb", 9, raw, mtime=0), encoding="utf8") as f:
        f.write(f"\\data\\\nngram 1={len(single)}\nngram 2={len(both)}\n\n\\1-grams:\n")
        for w in sorted(single):
            weight = f"\t{math.log10(left[w]):.2f}" if w in left else ""
            f.write(f"{math.log10(single[w]):.2f}\t{w}{weight}\n")
        f.write("\n\\2-grams:\n")
        for (v, w), n in sorted(both.items()):
            p = (n + ALONE * kinds[v] * single[w]) / (whole[v] + ALONE * kinds[v])
            f.write(f"{math.log10(p):.2f}\t{v} {w}\n")
        f.write("\n\\end\\\n")
    print(len(single), "words", len(both), "pairs")


if __name__ == "__main__":
    main()
