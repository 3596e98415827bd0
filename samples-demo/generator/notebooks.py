#!/usr/bin/env python3
"""Makes ten pages of field notebooks and what stands in them.

    notebooks.py [NAME...]     all, or those whose names contain one of NAME

Writes ../notebooks/*.jpg, ../notebooks/gold.jsonl (one line a page: its entries
in reading order, each with date, place and field number, and where date and
place come from) and ../notebooks/envelopes.jsonl (the words of envelopes that
belong to some of the entries). Every page has its own seed.
"""

import io
import json
import pathlib
import sys
import zlib

import cv2
import numpy as np
from PIL import Image

from paint import Scene, lay_ink, paper, write
from things import cut

OUT = pathlib.Path(__file__).resolve().parent.parent / "notebooks"
LARGEST = 225_000


class Leaf:
    """A page of `rows` lines, ruled or not, `columns` wide."""

    def __init__(self, rng, rows, ruled=True, margin=True, columns=1, tone=(0.955, 0.94, 0.885), w=1900, h=1500):
        self.rng, self.w, self.h, self.columns = rng, w, h, columns
        self.step = h / (rows + 1.6)
        self.sheet = paper(h, w, rng, tone, 0.008, 0.02, 30, 10)
        if ruled:
            lines = np.zeros((h, w), np.float32)
            for i in range(1, rows + 2):
                y = int(i * self.step + self.step * 0.42)
                cv2.line(lines, (0, y), (w, y + 2), 1.0, 2, cv2.LINE_AA)
            self.sheet -= cv2.GaussianBlur(lines, (0, 0), 0.8)[..., None] * np.array((0.22, 0.13, 0.06), np.float32)
        if margin:
            x = int(w * 0.125)
            cv2.line(self.sheet, (x, 0), (x - 3, h), (0.85, 0.50, 0.48), 3, cv2.LINE_AA)
        if columns == 2:
            cv2.line(self.sheet, (w // 2, 30), (w // 2 + 2, h - 30), (0.62, 0.6, 0.58), 3, cv2.LINE_AA)

    def put(self, row, x, text, font, size, ink, struck=False):
        """Writes `text` on line `row` (from 0) from `x`, a share of the width."""
        if not text:
            return
        mask = write([text], font, size, self.rng, True, wobble=0.8)
        pad = int(size * 0.7)
        left, top = int(self.w * x) - pad, int((row + 1) * self.step + self.step * 0.36 - pad - size)
        if struck:
            # One or two strokes of the pen through the small letters.
            xs = np.where(mask.max(0) > 0.3)[0]
            for shift in (0.0, 0.06)[: 1 + int(self.rng.integers(0, 2))]:
                y = pad + size * (0.74 + shift)
                tilt = self.rng.normal(0, size * 0.02)
                cv2.line(mask, (int(xs[0] - size * 0.1), int(y - tilt)), (int(xs[-1] + size * 0.1), int(y + tilt)), 1.0, max(3, int(size * 0.06)), cv2.LINE_AA)
        lay_ink(self.sheet, mask, (left, top), ink, self.rng)

    def done(self):
        spine = 1 - 0.22 * np.exp(-np.arange(self.w) / (self.w * 0.03))
        return np.clip(self.sheet * spine[None, :, None], 0, 1), cut(self.h, self.w, self.rng, 1.5)


def taken(rng, leaf, ground="wood", angle=0.0, width=1500, **more):
    s = Scene(ground, rng)
    s.centred(*leaf.done(), (800, 600), width, angle, keystone=more.pop("keystone", 0.008), lift=8)
    return s.photograph(**{"light": 0.2, "blur": 0.35, **more})


def entry(number, date, place, date_from, place_from):
    return {"fieldNumber": number, "eventDate": date, "locality": place, "dateFrom": date_from, "placeFrom": place_from}


R, I, D = "read", "inherited", "ditto"


def n01_plain(rng):
    leaf = Leaf(rng, 12)
    for row, (x, t) in enumerate([
        (0.15, "3 June 1968.  Skerrow Moss"), (0.15, "M.V. lamp, warm and still"), (0.19, "H68-41  Noctua pronuba  6"), (0.19, "H68-42  Apamea crenata  2"),
        (0.19, "H68-43  Xestia agathina  1"), (0.15, "Moon late, a little mist in the hollows"), (0.15, "4 June.  Dunmere Bog, by day"), (0.19, "H68-44  Papestra biren  1 worn"),
        (0.19, "H68-45  Entephria caesiata  3"), (0.15, "Kelda Bridge, from four o'clock"), (0.19, "H68-46  Biston betularia  1"),
    ]):
        leaf.put(row, x, t, "shadows-into-light", 66, "blueblack")
    a, b, k = ("1968-06-03", "Skerrow Moss"), ("1968-06-04", "Dunmere Bog"), ("1968-06-04", "Kelda Bridge")
    return taken(rng, leaf, angle=-1.0, warm=0.02), [
        entry("H68-41", *a, R, R), entry("H68-42", *a, I, I), entry("H68-43", *a, I, I), entry("H68-44", *b, R, R), entry("H68-45", *b, I, I), entry("H68-46", *k, I, R)]


def n02_margin(rng):
    leaf = Leaf(rng, 13)
    rows = [("", "Ollerside Wood  19 August 1971"), ("", "sugar on the oaks at the top gate"), ("B211", "Noctua pronuba, four at the second round"), ("B212", "Agrotis vestigialis, one, rather worn"),
            ("B213", "Xestia agathina, fresh"), ("", "Rain from eleven, went down to the hut"), ("", "20 August 1971"), ("B214", "Autographa gamma on the ragwort"),
            ("B215", "Hydriomena furcata among the sallows"), ("", "Penny Sike"), ("B216", "Eupithecia nanata, two in the heather"), ("B217", "Apamea crenata")]
    for row, (number, text) in enumerate(rows):
        leaf.put(row, 0.02, number, "patrick-hand", 58, "red")
        leaf.put(row, 0.15, text, "patrick-hand", 62, "blue")
    a, b, c = ("1971-08-19", "Ollerside Wood"), ("1971-08-20", "Ollerside Wood"), ("1971-08-20", "Penny Sike")
    return taken(rng, leaf, "cloth", 0.8), [
        entry("B211", *a, R, R), entry("B212", *a, I, I), entry("B213", *a, I, I), entry("B214", *b, R, I), entry("B215", *b, I, I), entry("B216", *c, I, R), entry("B217", *c, I, I)]


def n03_two_columns(rng):
    leaf = Leaf(rng, 11, margin=False, columns=2)
    left = ["2 July 1959", "Great Ummel", "Q59-7 N. pronuba", "Q59-8 A. gamma", "Q59-9 H. furcata", "clouded, no wind", "3 July 1959", "Sallow Intake", "Q59-10 B. betularia", "Q59-11 E. nanata"]
    right = ["at light till two", "Q59-12 X. agathina", "5 July 1959", "Wetherlathe", "Q59-13 L. quercus", "Q59-14 S. pavonia", "a cold night after", "Thornby Carr", "Q59-15 A. crenata", "Q59-16 P. biren"]
    for x, lines in ((0.03, left), (0.53, right)):
        for row, text in enumerate(lines):
            leaf.put(row, x + (0.02 if text.startswith("Q59") else 0), text, "kalam:300", 60, "black")
    g, s, w, t = ("1959-07-02", "Great Ummel"), ("1959-07-03", "Sallow Intake"), ("1959-07-05", "Wetherlathe"), ("1959-07-05", "Thornby Carr")
    return taken(rng, leaf, angle=0.4), [
        entry("Q59-7", *g, R, R), entry("Q59-8", *g, I, I), entry("Q59-9", *g, I, I), entry("Q59-10", *s, R, R), entry("Q59-11", *s, I, I), entry("Q59-12", *s, I, I),
        entry("Q59-13", *w, R, R), entry("Q59-14", *w, I, I), entry("Q59-15", *t, I, R), entry("Q59-16", *t, I, I)]


def table(leaf, rows, at, font, size, ink):
    for row, cells in enumerate(rows):
        for x, cell in zip(at, cells):
            leaf.put(row, x, cell, font, size, ink)


def n04_ditto(rng):
    leaf = Leaf(rng, 12, margin=False)
    rows = [("V131", "14.vii.1962", "Blackmire Rigg", "E. caesiata 2"), ("V132", '   "', '      "', "H. furcata 1"), ("V133", '   "', '      "', "P. biren"), ("V134", '   "', "Tarnfoot", "N. pronuba 5"),
            ("V135", '   "', '      "', "A. gamma"), ("V136", "15.vii.1962", '      "', "A. crenata"), ("V137", '   "', '      "', "X. agathina 2"), ("V138", "18.vii.1962", "Skerrow Moss", "L. quercus"), ("V139", '   "', '      "', "S. pavonia, larva")]
    table(leaf, rows, (0.03, 0.15, 0.39, 0.69), "patrick-hand", 60, "blueblack")
    a, b, c, d = ("1962-07-14", "Blackmire Rigg"), ("1962-07-14", "Tarnfoot"), ("1962-07-15", "Tarnfoot"), ("1962-07-18", "Skerrow Moss")
    return taken(rng, leaf, "cloth", -0.5), [
        entry("V131", *a, R, R), entry("V132", *a, D, D), entry("V133", *a, D, D), entry("V134", *b, D, R), entry("V135", *b, D, D), entry("V136", *c, R, D), entry("V137", *c, D, D), entry("V138", *d, R, R), entry("V139", *d, D, D)]


def n05_struck(rng):
    leaf = Leaf(rng, 12)
    rows = [("8 May 1983.  Wetherlathe", 0), ("H83-1  Eupithecia nanata  2", 0.04), ("H83-2  Autographa gamma", 0.04), ("H83-3  Noctua pronuba  one", 0.04), ("9 May 1983.  Tarnfoot", 0),
            ("H83-3  Biston betularia  1", 0.04), ("H83-4  Hydriomena furcata", 0.04), ("the wall above the ford is down again", 0), ("11 May.  Thornby Carr", 0), ("12 May.  Kelda Bridge", 0), ("H83-5  Saturnia pavonia, at ten", 0.04)]
    for row, (text, shift) in enumerate(rows):
        leaf.put(row, 0.15 + shift, text, "kalam:300", 60, "black", struck=row in (3, 8))
    a, b, c = ("1983-05-08", "Wetherlathe"), ("1983-05-09", "Tarnfoot"), ("1983-05-12", "Kelda Bridge")
    return taken(rng, leaf, angle=0.6), [entry("H83-1", *a, R, R), entry("H83-2", *a, I, I), entry("H83-3", *b, R, R), entry("H83-4", *b, I, I), entry("H83-5", *c, R, R)]


def n06_unruled(rng):
    leaf = Leaf(rng, 12, ruled=False, margin=False, tone=(0.93, 0.92, 0.88))
    rows = [("Tarnfoot, 30.vi.1974", 0), ("H74-90   Apamea crenata", 0.05), ("H74-91   Agrotis vestigialis", 0.05), ("Thornby Carr, 1.vii.1974", 0), ("H74-92   Lasiocampa quercus, flying", 0.05), ("H74-93   Entephria caesiata", 0.05),
            ("H74-94   Xestia agathina", 0.05), ("Sallow Intake, 2.vii.1974", 0), ("H74-95   Papestra biren", 0.05), ("H74-96   Noctua pronuba", 0.05), ("Harrow back on the late bus", 0)]
    for row, (text, shift) in enumerate(rows):
        leaf.put(row, 0.06 + shift, text, "shadows-into-light", 70, "pencil" if row > 40 else "brown")
    a, b, c = ("1974-06-30", "Tarnfoot"), ("1974-07-01", "Thornby Carr"), ("1974-07-02", "Sallow Intake")
    return taken(rng, leaf, angle=1.2), [
        entry("H74-90", *a, R, R), entry("H74-91", *a, I, I), entry("H74-92", *b, R, R), entry("H74-93", *b, I, I), entry("H74-94", *b, I, I), entry("H74-95", *c, R, R), entry("H74-96", *c, I, I)]


def n07_month_heading(rng):
    leaf = Leaf(rng, 13, w=1700, h=1700)
    rows = [("July 1991", 0.3), ("6 July.  Dunmere Bog", 0), ("N91/201  Noctua pronuba", 0.04), ("N91/202  Autographa gamma", 0.04), ("wind gone round to the north", 0), ("7 July.  Great Ummel", 0), ("N91/203  Entephria caesiata", 0.04),
            ("N91/204  Hydriomena furcata", 0.04), ("do.  Penny Sike", 0), ("N91/205  Eupithecia nanata", 0.04), ("9 July.  ditto", 0), ("N91/206  Papestra biren", 0.04)]
    for row, (text, shift) in enumerate(rows):
        leaf.put(row, 0.15 + shift, text, "patrick-hand", 64, "black")
    a, b, c, d = ("1991-07-06", "Dunmere Bog"), ("1991-07-07", "Great Ummel"), ("1991-07-07", "Penny Sike"), ("1991-07-09", "Penny Sike")
    return taken(rng, leaf, angle=-0.7, width=1250), [
        entry("N91/201", *a, R, R), entry("N91/202", *a, I, I), entry("N91/203", *b, R, R), entry("N91/204", *b, I, I), entry("N91/205", *c, D, R), entry("N91/206", *d, R, D)]


def n08_plain_numbers(rng):
    leaf = Leaf(rng, 12)
    rows = [("", "Kelda Bridge, 21 April 1957"), ("", "Sallows in full flower, cold after nine"), ("88", "Orthosia from the sallows, six"), ("89", "Saturnia pavonia, a male to the cage"), ("90", "Biston betularia, the black one"),
            ("", "23 April 1957"), ("91", "Eupithecia nanata on the fence"), ("92", "the same, netted at dusk"), ("", "Ollerside Wood, 24 April 1957"), ("93", "Noctua pronuba, a larva under bark"), ("94", "Apamea crenata, the same")]
    for row, (number, text) in enumerate(rows):
        leaf.put(row, 0.04, number, "kalam:300", 60, "blue")
        leaf.put(row, 0.15, text, "kalam:300", 58, "blue")
    a, b, c = ("1957-04-21", "Kelda Bridge"), ("1957-04-23", "Kelda Bridge"), ("1957-04-24", "Ollerside Wood")
    return taken(rng, leaf, "cloth", 0.3), [
        entry("88", *a, R, R), entry("89", *a, I, I), entry("90", *a, I, I), entry("91", *b, R, I), entry("92", *b, I, I), entry("93", *c, R, R), entry("94", *c, I, I)]


def n09_two_columns_margin(rng):
    leaf = Leaf(rng, 10, ruled=True, margin=False, columns=2)
    left = [("", "5 Sept. 1966"), ("", "Skerrow Moss"), ("K31", "A. vestigialis"), ("K32", "N. pronuba"), ("", "a dry bright night"), ("", "6 Sept. 1966"), ("K33", "X. agathina"), ("K34", "A. gamma, two")]
    right = [("", "Blackmire Rigg"), ("K35", "E. caesiata"), ("K36", "H. furcata"), ("", "8 Sept. 1966"), ("", "Saltgarth Dunes"), ("K37", "A. vestigialis"), ("K38", "the same, worn"), ("", "frost in the morning")]
    for x, lines in ((0.02, left), (0.52, right)):
        for row, (number, text) in enumerate(lines):
            leaf.put(row, x, number, "patrick-hand", 58, "blueblack")
            leaf.put(row, x + 0.085, text, "patrick-hand", 62, "blueblack")
    a, b, c, d = ("1966-09-05", "Skerrow Moss"), ("1966-09-06", "Skerrow Moss"), ("1966-09-06", "Blackmire Rigg"), ("1966-09-08", "Saltgarth Dunes")
    return taken(rng, leaf, angle=-0.4), [
        entry("K31", *a, R, R), entry("K32", *a, I, I), entry("K33", *b, R, I), entry("K34", *b, I, I), entry("K35", *c, I, R), entry("K36", *c, I, I), entry("K37", *d, R, R), entry("K38", *d, I, I)]


def n10_corrected(rng):
    leaf = Leaf(rng, 12)
    rows = [[("17 June 2003.", 0.15, 0), ("Penny Sike", 0.42, 1), ("Sallow Intake", 0.62, 0)], [("P03-55  Noctua pronuba", 0.19, 0)], [("P03-56  Hydriomena furcata", 0.19, 0)], [("P03-57  Autographa gamma  3", 0.19, 0)],
            [("19 June 2003.  Dunmere Bog", 0.15, 0)], [("P03-58  Papestra biren", 0.19, 0)], [("P03-58  Papestra biren", 0.19, 1)], [("P03-59  Entephria caesiata", 0.19, 0)], [("new battery holds till three", 0.15, 0)],
            [("20 June 2003.", 0.15, 1), ("22 June 2003.", 0.45, 0)], [("P03-60  Lasiocampa quercus", 0.19, 0)]]
    for row, cells in enumerate(rows):
        for text, x, struck in cells:
            leaf.put(row, x, text, "patrick-hand", 62, "black", struck=bool(struck))
    a, b, c = ("2003-06-17", "Sallow Intake"), ("2003-06-19", "Dunmere Bog"), ("2003-06-22", "Dunmere Bog")
    return taken(rng, leaf, angle=0.9), [
        entry("P03-55", *a, R, R), entry("P03-56", *a, I, I), entry("P03-57", *a, I, I), entry("P03-58", *b, R, R), entry("P03-59", *b, I, I), entry("P03-60", *c, R, I)]


# The words of envelopes: mostly those of an entry, some without the date or the
# place, two that say another day or place.
def envelope(nth, image, e):
    kind = nth % 5
    date, place = e["eventDate"], e["locality"]
    lines = [f"No. {e['fieldNumber']}"]
    if kind != 1:
        lines.append(place)
    if kind != 2:
        lines.append("2001-01-01" if nth == 15 else date)
    lines.append("leg. E. M. Harrow")
    gold = {"fieldNumber": e["fieldNumber"], "page": image, "eventDate": date, "locality": place}
    gold["offered"] = {1: ["locality"], 2: ["eventDate"]}.get(kind, [])
    gold["disagrees"] = ["eventDate"] if nth == 15 else []
    return {"text": "\n".join(lines), **gold}


def save(pixels, path):
    for quality in range(88, 40, -3):
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, optimize=True)
        if buffer.tell() <= LARGEST:
            break
    path.write_bytes(buffer.getvalue())


def main(wanted):
    OUT.mkdir(exist_ok=True)
    pages = [value for name, value in sorted(globals().items()) if name[:1] == "n" and name[1:3].isdigit()]
    gold, envelopes = [], []
    for make in pages:
        name = make.__name__.replace("_", "-").removeprefix("n")
        image = f"page-{name}.jpg"
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        pixels, entries = make(rng)
        if not wanted or any(w in name for w in wanted):
            save(pixels, OUT / image)
            print(image, (OUT / image).stat().st_size // 1024, "KiB", flush=True)
        gold.append({"image": image, "entries": entries})
        envelopes += [envelope(len(envelopes) + i, image, e) for i, e in enumerate(entries[::2])]
    for file, lines in (("gold.jsonl", gold), ("envelopes.jsonl", envelopes)):
        (OUT / file).write_text("".join(json.dumps(x, ensure_ascii=False) + "\n" for x in lines), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
