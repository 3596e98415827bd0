"""Turns fetched @fontsource packages into small TrueType files of our alphabet.

    make_fonts.py NPM_FOLDER OUT   (NPM_FOLDER holds one unpacked package a folder)

Writes OUT/<kind>/<family>[-ext][-bold].ttf and OUT/fonts.tsv (family, kind, licence).
"""

import glob, json, os, sys

from fontTools import subset
from fontTools.ttLib import TTFont

from alphabet import ALPHABET

TYPE = set("""cousine courier-prime special-elite anonymous-pro pt-mono sometype-mono ibm-plex-mono ia-writer-mono lekton share-tech-mono
vt323 dm-mono fira-mono inconsolata space-mono dotgothic16 cutive-mono cutive nova-mono xanh-mono dejavu-mono ubuntu-mono""".split())
PRINT = set("""libre-baskerville old-standard-tt im-fell-english tinos arimo carlito caladea eb-garamond crimson-text gentium-book-plus lora cardo
alegreya roboto roboto-condensed open-sans archivo-narrow pt-sans-narrow pt-serif ubuntu dejavu-sans noto-sans noto-serif source-serif-4
merriweather libre-franklin libre-caslon-text bodoni-moda playfair-display sorts-mill-goudy spectral ibm-plex-serif cooper-hewitt vollkorn
rokkitt zilla-slab lato oxygen josefin-slab""".split())


def shrink(source, target):
    font = TTFont(source)
    have = set(font.getBestCmap())
    want = [ord(c) for c in ALPHABET if ord(c) in have]
    if len(want) < 8:
        return 0
    options = subset.Options()
    options.layout_features = ["*"]; options.hinting = False; options.flavor = None; options.notdef_outline = True
    cut = subset.Subsetter(options); cut.populate(unicodes=want); cut.subset(font)
    font.flavor = None
    font.save(target)
    return len(want)


def main(npm, out):
    rows = []
    for folder in sorted(glob.glob(npm + "/*")):
        family = os.path.basename(folder)
        kind = "type" if family in TYPE else "print" if family in PRINT else "hand"
        meta = json.load(open(folder + "/package.json"))
        os.makedirs(f"{out}/{kind}", exist_ok=True)
        for weight, tag in ((400, ""), (700, "-bold"), (200, "-light")):
            if (tag == "-light" and not family.startswith("playwrite")) or (tag == "-bold" and kind == "hand"):
                continue
            for style in ("normal", "italic"):
                if style == "italic" and kind != "print":
                    continue
                for part in ("latin", "latin-ext", "all"):
                    found = [p for p in (f"{folder}/files/{family}-{part}-{weight}-{style}.{e}" for e in ("woff", "woff2")) if os.path.exists(p)]
                    if not found: continue
                    name = family + tag + ("-italic" if style == "italic" else "")
                    target = f"{out}/{kind}/{name}{'+ext' if part == 'latin-ext' else ''}.ttf"
                    if os.path.exists(target): continue
                    try:
                        n = shrink(found[0], target)
                    except Exception as e:
                        print("skip", found[0], e); continue
                    if part != "latin-ext" and n: rows.append((name, kind, meta["license"], n))
    with open(out + "/fonts.tsv", "w") as f:
        for r in rows: f.write("\t".join(map(str, r)) + "\n")
    print(len(rows), {k: sum(r[1] == k for r in rows) for k in ("hand", "type", "print")})


if __name__ == "__main__":
    main(*sys.argv[1:])
