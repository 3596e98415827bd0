"""The photographs: what lies on the table, what is written on it, and what a
record of it should say.

Everything is invented: the Tarn Valley, its places, its people and their
journeys. The moths' names are real, and fly on such moors.

A scene gives the pixels, its labels (lists of lines), the fields expected (in
the shape of the evaluation sets' gold) and what else there is to say.
"""

import numpy as np

from paint import Scene, moth
from things import bar_label, label, packet, page, pocket, qr, ruler, triangle

# Who writes how.
HARROW = "la-belle-aurore"
QUILL = "kalam:300"
BRANDRETH = "patrick-hand"
VOSS = "nothing-you-could-do"
OKONJO = "caveat"
THIRLBY = "homemade-apple"
LINDQVIST = "cedarville-cursive"
FIELD = "shadows-into-light"
PRINT = "eb-garamond"
SERIF = "old-standard-tt"
TYPED = "special-elite"
TYPED_LIGHT = "cutive-mono"

TEXTS = ("verbatimEventDate", "eventDate", "recordedBy", "verbatimLocality", "scientificName", "sex",
         "samplingProtocol", "county", "verbatimElevation", "minimumElevationInMeters", "identifiedBy", "dateIdentified")


def written(fields):
    """All fields of a label written by hand."""
    return [k for k in TEXTS if fields.get(k)]


def envelope(scene, made, centre, width, angle, **more):
    """Lays what is inside, then the glassine over it."""
    rgb, alpha, (inside, mask) = made
    scene.centred(inside, mask, centre, width, angle, lift=2, shade=0.15, cover=0.92, **more)
    scene.centred(rgb, alpha, centre, width, angle, lift=3, shade=0.30, **more)


def pinned(scene, kind, rng, centre, width, angle=0, head=(0.12, 0.12, 0.13)):
    """A set moth on its pin."""
    rgb, mask = moth(int(width * 2), kind, rng)
    scene.centred(rgb, mask, centre, width, angle, lift=11, shade=0.38)
    scene.pin((centre[0], centre[1] - width * 0.035), head)


def column(scene, labels, x, y, gap=26, width=430, angles=None):
    """Labels taken off the pin and laid in a column, each with its hole. `y` is
    the upper edge of the first; widths are in proportion to the paper."""
    rng = scene.rng
    for i, made in enumerate(labels):
        (rgb, mask), own = made if isinstance(made[0], tuple) else (made, width)
        height = own * mask.shape[0] / mask.shape[1]
        angle = angles[i] if angles else rng.normal(0, 1.6)
        centre = (x + rng.normal(0, 7), y + height / 2)
        scene.centred(rgb, mask, centre, own, angle, lift=2.5, shade=0.35)
        scene.hole((centre[0] + rng.normal(0, own * 0.06), centre[1] + rng.normal(0, height * 0.1)))
        y += height + gap


# ------------------------------------------------------------- envelopes

def s01_triangle_pronuba(rng):
    s = Scene("wood", rng)
    lines = ["Noctua pronuba  2♂ 1♀", "Skerrow Moss, Tarnshire", "12.vii.1974   M.V. light", "E. M. Harrow"]
    made = triangle(rng, [(lines, HARROW, 70, "black", 370, 395, 1.0, 1.28)],
                    [("noctua", 560, 590, 330, 12), ("noctua", 900, 520, 330, -25), ("noctua", 1000, 720, 310, 160)])
    envelope(s, made, (800, 610), 1380, -2)
    px = s.photograph(light=0.2, warm=0.03, blur=0.5)
    fields = {"scientificName": "Noctua pronuba", "verbatimLocality": "Skerrow Moss, Tarnshire", "county": "Tarnshire",
              "verbatimEventDate": "12.vii.1974", "eventDate": "1974-07-12", "samplingProtocol": "M.V. light", "recordedBy": ["E. M. Harrow"],
              "individualCount": 3, "sex": None}
    return px, [lines], fields, {"handwritten": written(fields), "ambiguous": ["sex"], "doubts": ["same collector far apart on one day (see tarn-09)"]}


def s02_triangle_pencil(rng):
    s = Scene("mat", rng)
    lines = ["Papestra biren  ♂", "Dunmere Bog, 410 m", "3 June '81, at sugar", "leg. J. T. Quill"]
    made = triangle(rng, [(lines, QUILL, 66, "pencil", 400, 400, -1.0, 1.3)], [("heath", 700, 600, 420, 8)], body=0.66)
    envelope(s, made, (810, 600), 1340, 3)
    px = s.photograph(light=0.25, blur=0.4, shadow=[(1150, -50), (1700, -50), (1700, 700), (1330, 480)])
    fields = {"scientificName": "Papestra biren", "sex": "male", "verbatimLocality": "Dunmere Bog", "verbatimElevation": "410 m",
              "minimumElevationInMeters": 410, "verbatimEventDate": "3 June '81", "eventDate": "1981-06-03",
              "samplingProtocol": "at sugar", "recordedBy": ["J. T. Quill"]}
    return px, [lines], fields, {"handwritten": written(fields), "doubts": ["the century is not written"]}


def s03_pocket_several(rng):
    s = Scene("card", rng)
    head = ["Great Ummel, N. slope, 540-560 m", "28.vi.1963   E. M. Harrow"]
    notes = ["1.  Entephria caesiata  4 ex.", "2.  Papestra biren  1♂", "3.  Lasiocampa quercus, larva", "     on Calluna"]
    made = pocket(rng, [(head, HARROW, 66, "blueblack", 120, 170, 0.5, 1.3), (notes, HARROW, 62, "blueblack", 170, 400, -0.5, 1.32)],
                  [("carpet", 1150, 560, 330, 30), ("carpet", 1240, 730, 300, -10), ("heath", 1000, 720, 280, 200)])
    envelope(s, made, (800, 600), 1400, 1.5)
    px = s.photograph(light=0.12, blur=0.4, warm=0.015)
    lines = head + [n.strip() for n in notes]
    fields = {"verbatimLocality": "Great Ummel, N. slope", "verbatimElevation": "540-560 m", "minimumElevationInMeters": 540,
              "maximumElevationInMeters": 560, "verbatimEventDate": "28.vi.1963", "eventDate": "1963-06-28", "recordedBy": ["E. M. Harrow"],
              "scientificName": None, "sex": None, "associatedTaxa": None}
    return px, [lines], fields, {"handwritten": written(fields), "ambiguous": ["scientificName", "sex", "associatedTaxa"],
                                 "doubts": ["three kinds in one envelope"]}


def s04_pocket_typed_slip(rng):
    s = Scene("wood", rng)
    made = pocket(rng, [], [("carpet", 1050, 660, 360, 15)], w=1500, h=880, body=0.55)
    envelope(s, made, (800, 610), 1380, -1.5)
    lines = ["TARN VALLEY MOTH SURVEY", "Loc.: Ollerside Wood, Tarnshire", "Date: 19 August 1958", "Method: light trap", "Coll.: J. T. Quill", "Hydriomena furcata   1 ♀"]
    slip = label(lines, TYPED, 40, rng, "ribbon", (0.93, 0.90, 0.81), False, leading=1.42, spots=6)
    s.centred(*slip, (600, 560), 800, -2.2, lift=2)
    px = s.photograph(light=0.2, warm=0.03, blur=0.4)
    fields = {"verbatimLocality": "Ollerside Wood, Tarnshire", "county": "Tarnshire", "verbatimEventDate": "19 August 1958", "eventDate": "1958-08-19",
              "samplingProtocol": "light trap", "recordedBy": ["J. T. Quill"], "scientificName": "Hydriomena furcata", "sex": "female", "individualCount": 1}
    return px, [lines], fields, {}


def s05_triangle_dark_cloth(rng):
    s = Scene("cloth", rng)
    lines = ["Xestia agathina ♀", "Sallow Intake, 330 m", "24. viii. 90, actinic", "N. Brandreth"]
    made = triangle(rng, [(lines, BRANDRETH, 68, "black", 440, 385, 0, 1.28)], [("heath", 820, 600, 380, -20)], body=0.74)
    envelope(s, made, (790, 600), 1350, -5)
    px = s.photograph(light=0.3, exposure=1.05, blur=0.5, noise=0.012)
    fields = {"scientificName": "Xestia agathina", "sex": "female", "verbatimLocality": "Sallow Intake", "verbatimElevation": "330 m",
              "minimumElevationInMeters": 330, "verbatimEventDate": "24. viii. 90", "eventDate": "1990-08-24", "samplingProtocol": "actinic",
              "recordedBy": ["N. Brandreth"]}
    return px, [lines], fields, {"handwritten": written(fields), "doubts": ["the century is not written"]}


def s06_sideways_telephone(rng):
    s = Scene("card", rng, (1200, 1600))
    lines = ["Saturnia pavonia ♀", "Kelda Bridge, on heather", "2 May 2019, dusk", "P. Okonjo"]
    made = pocket(rng, [(lines, OKONJO, 92, "blue", 130, 260, 0.5, 1.18)], [("emperor", 1080, 640, 460, 10)], w=1500, h=1000)
    envelope(s, made, (600, 800), 1090, 2.5)
    px = s.photograph(light=0.25, blur=0.5, shadow=[(-50, 1150), (500, 1350), (700, 1700), (-50, 1700)])
    fields = {"scientificName": "Saturnia pavonia", "sex": "female", "verbatimLocality": "Kelda Bridge", "verbatimEventDate": "2 May 2019",
              "eventDate": "2019-05-02", "recordedBy": ["P. Okonjo"], "habitat": "on heather"}
    return px, [lines], fields, {"handwritten": written(fields), "orientation": 6, "taken": "2026:03:14 16:20:31", "ambiguous": ["habitat"]}


def s07_pocket_glare(rng):
    s = Scene("wood", rng)
    lines = ["Apamea crenata", "Thornby Carr  TV 4172", "27-vi-53", "W. Thirlby"]
    made = pocket(rng, [(lines, THIRLBY, 54, "blueblack", 150, 250, 1.0, 1.75)], [("noctua", 1120, 640, 380, -15)], body=0.64)
    envelope(s, made, (800, 590), 1380, 2)
    px = s.photograph(light=0.15, glare=[(1150, 330, 230, 90, -25, 0.45), (500, 1000, 300, 40, 10, 0.25)], blur=0.4, warm=-0.01)
    fields = {"scientificName": "Apamea crenata", "verbatimLocality": "Thornby Carr", "verbatimCoordinates": "TV 4172", "verbatimEventDate": "27-vi-53",
              "eventDate": "1953-06-27", "recordedBy": ["W. Thirlby"]}
    return px, [lines], fields, {"handwritten": written(fields), "doubts": ["the century is not written"]}


def s08_triangle_31_june(rng):
    s = Scene("cork", rng)
    lines = ["Hydriomena furcata", "Kelda Bridge, Tarnshire", "31 June 1952", "W. Thirlby"]
    made = triangle(rng, [(lines, THIRLBY, 50, "brown", 400, 400, 0.5, 1.75)], [("carpet", 900, 640, 340, 30)], body=0.68, tint=(0.88, 0.85, 0.76))
    envelope(s, made, (800, 610), 1380, 1)
    px = s.photograph(light=0.2, warm=0.02, blur=0.4)
    fields = {"scientificName": "Hydriomena furcata", "verbatimLocality": "Kelda Bridge, Tarnshire", "county": "Tarnshire",
              "verbatimEventDate": "31 June 1952", "eventDate": None, "recordedBy": ["W. Thirlby"]}
    return px, [lines], fields, {"handwritten": written(fields), "ambiguous": ["eventDate"], "doubts": ["June has 30 days"]}


def s09_pocket_far_away(rng):
    s = Scene("card", rng)
    lines = ["Agrotis vestigialis  2 ex.", "Saltgarth Dunes, Eastmarch", "12.vii.1974", "E. M. Harrow"]
    made = pocket(rng, [(lines, HARROW, 72, "black", 140, 250, -0.5, 1.35)], [("peppered", 1030, 650, 330, 5), ("peppered", 1210, 520, 320, 40)])
    envelope(s, made, (800, 600), 1380, -2)
    px = s.photograph(light=0.18, blur=0.5)
    fields = {"scientificName": "Agrotis vestigialis", "individualCount": 2, "verbatimLocality": "Saltgarth Dunes, Eastmarch", "county": "Eastmarch",
              "verbatimEventDate": "12.vii.1974", "eventDate": "1974-07-12", "recordedBy": ["E. M. Harrow"]}
    return px, [lines], fields, {"handwritten": written(fields), "doubts": ["same collector far apart on one day (see tarn-01)"]}


def s10_packet_arsenic(rng):
    s = Scene("drawer", rng)
    lines = ["Lasiocampa quercus, larvae, blown", "Wetherlathe,  Sept. 1911", "W. Thirlby", "Arsenic soap !"]
    made = packet(rng, [(lines[:3], THIRLBY, 46, "black", 170, 230, 0.5, 1.8), (lines[3:], BRANDRETH, 84, "red", 660, 610, 4, 1.3)])
    s.centred(*made, (800, 600), 1300, -1.5, lift=6)
    px = s.photograph(light=0.15, warm=0.03, blur=0.4)
    fields = {"scientificName": "Lasiocampa quercus", "lifeStage": "larva", "verbatimLocality": "Wetherlathe", "verbatimEventDate": "Sept. 1911",
              "eventDate": "1911-09", "recordedBy": ["W. Thirlby"], "preparations": "blown; arsenic soap"}
    return px, [lines], fields, {"handwritten": written(fields), "ambiguous": ["preparations"], "doubts": ["arsenic: handle as poisonous"]}


def s11_three_small_envelopes(rng):
    s = Scene("mat", rng)
    sets = [["Eupithecia nanata", "Skerrow Moss", "5.vi.1987", "N. Brandreth"], ["Entephria caesiata", "Great Ummel", "2.vii.1987", "N. Brandreth"],
            ["Autographa gamma", "Tarnfoot, garden", "9.ix.1987", "N. Brandreth"]]
    for i, lines in enumerate(sets):
        made = pocket(rng, [(lines, BRANDRETH, 92, "black", 70, 240, rng.normal(0, 1), 1.25)], [(("carpet", "carpet", "noctua")[i], 650, 800, 330, 20 * i)], w=960, h=1150, body=0.62)
        envelope(s, made, (300 + i * 500, 590 + (-20, 25, -5)[i]), 470, (-3, 2, 4)[i])
    px = s.photograph(light=0.15, blur=0.3)
    fields = {"recordedBy": ["N. Brandreth"], "scientificName": None, "eventDate": None, "verbatimLocality": None}
    return px, sets, fields, {"handwritten": written(fields), "ambiguous": ["scientificName", "eventDate", "verbatimLocality", "verbatimEventDate"],
                              "doubts": ["three envelopes on one photograph"]}


# ------------------------------------------------------------------ pins

def s12_pin_printed(rng):
    s = Scene("foam", rng)
    pinned(s, "heath", rng, (480, 560), 640)
    s.centred(*ruler(rng), (470, 1000), 700, 1, lift=4, shade=0.25)
    a, b, c = ["TARN VALLEY SURVEY", "TVMS 00412"], ["Skerrow Moss, 310 m", "Tarnshire   TV 388 164", "14.VII.1998, MV light", "E. M. Harrow"], ["Xestia agathina ♂", "(Duponchel, 1827)", "det. A. Voss 1999"]
    column(s, [label(a, PRINT, 46, rng, "print", (0.97, 0.97, 0.95), False, extra=qr("TVMS 00412", 7)), label(b, PRINT, 46, rng, "print", (0.96, 0.955, 0.93), False),
               label(c, PRINT + ":400", 46, rng, "print", (0.96, 0.955, 0.93), False, border=True)], 1180, 200, 50, 520)
    px = s.photograph(light=0.12, blur=0.3)
    fields = {"catalogNumber": "TVMS 00412", "verbatimLocality": "Skerrow Moss", "county": "Tarnshire", "verbatimElevation": "310 m", "minimumElevationInMeters": 310,
              "verbatimCoordinates": "TV 388 164", "verbatimEventDate": "14.VII.1998", "eventDate": "1998-07-14", "samplingProtocol": "MV light", "recordedBy": ["E. M. Harrow"],
              "scientificName": "Xestia agathina", "scientificNameAuthorship": "(Duponchel, 1827)", "sex": "male", "identifiedBy": "A. Voss", "dateIdentified": "1999"}
    return px, [a, b, c], fields, {}


def s13_pin_old_hand(rng):
    s = Scene("cork", rng)
    pinned(s, "eggar", rng, (470, 590), 700, -2, (0.55, 0.42, 0.20))
    a, b = ["Wetherlathe", "8. Aug. 1909", "W. Thirlby"], ["Lasiocampa", "quercus ♂"]
    column(s, [label(a, THIRLBY, 40, rng, "brown", (0.90, 0.84, 0.70), True, leading=1.75, spots=10), label(b, THIRLBY, 40, rng, "brown", (0.90, 0.84, 0.70), True, leading=1.75, spots=6, border=True)], 1200, 240, 60, 500)
    px = s.photograph(light=0.2, warm=0.04, blur=0.4)
    fields = {"verbatimLocality": "Wetherlathe", "verbatimEventDate": "8. Aug. 1909", "eventDate": "1909-08-08", "recordedBy": ["W. Thirlby"], "scientificName": "Lasiocampa quercus", "sex": "male"}
    return px, [a, b], fields, {"handwritten": written(fields)}


def s14_pin_one_upside_down(rng):
    s = Scene("foam", rng)
    pinned(s, "carpet", rng, (450, 560), 560, 3)
    s.centred(*ruler(rng, 4), (430, 1000), 560, -1, lift=4, shade=0.25)
    a, b, c = ["Great Ummel, summit", "612 m,  Tarnshire", "30.VI.1976"], ["J. T. Quill", "at lit window"], ["Entephria caesiata", "(D. & S.)  ♀", "det. J. T. Quill"]
    column(s, [label(a, SERIF, 44, rng, "print", (0.955, 0.945, 0.91), False), label(b, QUILL, 48, rng, "black", (0.95, 0.935, 0.89)),
               label(c, SERIF + ":400i", 44, rng, "print", (0.955, 0.945, 0.91), False)], 1170, 250, 50, 500, [1, 181, -2])
    px = s.photograph(light=0.15, blur=0.4)
    fields = {"verbatimLocality": "Great Ummel, summit", "county": "Tarnshire", "verbatimElevation": "612 m", "minimumElevationInMeters": 612, "verbatimEventDate": "30.VI.1976",
              "eventDate": "1976-06-30", "recordedBy": ["J. T. Quill"], "samplingProtocol": "at lit window", "scientificName": "Entephria caesiata", "scientificNameAuthorship": "(D. & S.)",
              "sex": "female", "identifiedBy": "J. T. Quill"}
    return px, [a, b, c], fields, {"handwritten": ["recordedBy", "samplingProtocol"]}


def s15_pin_typewriter(rng):
    s = Scene("foam", rng)
    pinned(s, "noctua", rng, (470, 540), 680, 1)
    a, b = ["Ollerside Wood", "Tarnshire   9-VIII-61", "treacle   N. Brandreth"], ["Noctua pronuba ♀", "Det. by A. Voss"]
    column(s, [label(a, TYPED, 40, rng, "ribbon", (0.92, 0.89, 0.80), False, leading=1.35, spots=4),
               label(b, TYPED, 40, rng, "ribbon", (0.92, 0.89, 0.80), False, leading=1.35, border=True, second=(["1963"], VOSS, 44, "blueblack", True))], 1180, 280, 60, 540)
    px = s.photograph(light=0.15, blur=0.4, warm=0.015)
    fields = {"verbatimLocality": "Ollerside Wood", "county": "Tarnshire", "verbatimEventDate": "9-VIII-61", "eventDate": "1961-08-09", "samplingProtocol": "treacle", "recordedBy": ["N. Brandreth"],
              "scientificName": "Noctua pronuba", "sex": "female", "identifiedBy": "A. Voss", "dateIdentified": "1963"}
    return px, [a, b + ["1963"]], fields, {"handwritten": ["dateIdentified"], "doubts": ["the century is not written"]}


def s16_pin_named_too_early(rng):
    s = Scene("card", rng)
    pinned(s, "heath", rng, (470, 580), 620)
    a, b = ["Dunmere Bog  405 m", "Tarnshire   2.vi.1968", "leg. E. M. Harrow"], ["Papestra biren", "(Goeze, 1781)", "det. A. Voss 1961"]
    column(s, [label(a, PRINT, 46, rng, "print", (0.955, 0.945, 0.91), False), label(b, PRINT, 46, rng, "print", (0.955, 0.945, 0.91), False, border=True)], 1180, 330, 60, 500)
    px = s.photograph(light=0.15, blur=0.3)
    fields = {"verbatimLocality": "Dunmere Bog", "county": "Tarnshire", "verbatimElevation": "405 m", "minimumElevationInMeters": 405, "verbatimEventDate": "2.vi.1968", "eventDate": "1968-06-02",
              "recordedBy": ["E. M. Harrow"], "scientificName": "Papestra biren", "scientificNameAuthorship": "(Goeze, 1781)", "identifiedBy": "A. Voss", "dateIdentified": "1961"}
    return px, [a, b], fields, {"doubts": ["named seven years before it was caught"]}


def s17_pin_open_century(rng):
    s = Scene("cork", rng)
    pinned(s, "peppered", rng, (460, 560), 640, -3)
    a, b = ["Tarnfoot", "11. VI. '07", "P. Okonjo"], ["Biston", "betularia ♂"]
    column(s, [label(a, OKONJO, 66, rng, "black", (0.95, 0.94, 0.90), True, leading=1.0), label(b, OKONJO, 66, rng, "pencil", (0.95, 0.94, 0.90), True, leading=1.0)], 1190, 300, 60, 400)
    px = s.photograph(light=0.22, blur=0.4, warm=0.02)
    fields = {"verbatimLocality": "Tarnfoot", "verbatimEventDate": "11. VI. '07", "eventDate": "2007-06-11", "recordedBy": ["P. Okonjo"], "scientificName": "Biston betularia", "sex": "male"}
    return px, [a, b], fields, {"handwritten": written(fields), "doubts": ["the century is not written"]}


def s18_pin_bred(rng):
    s = Scene("foam", rng)
    pinned(s, "emperor", rng, (470, 560), 760, 2)
    s.centred(*ruler(rng), (470, 1030), 720, 0.5, lift=4, shade=0.25)
    a, b = ["Sallow Intake, 330 m", "Tarnshire,  l. 20.vii.2002", "ex Calluna vulgaris", "em. 3.v.2003  P. Okonjo"], ["Saturnia pavonia", "♂   TVMS 00981"]
    column(s, [label(a, PRINT, 46, rng, "print", (0.97, 0.97, 0.96), False), label(b, PRINT + ":400i", 46, rng, "print", (0.97, 0.97, 0.96), False)], 1200, 320, 60, 520)
    px = s.photograph(light=0.12, blur=0.3)
    fields = {"verbatimLocality": "Sallow Intake", "county": "Tarnshire", "verbatimElevation": "330 m", "minimumElevationInMeters": 330, "eventDate": "2002-07-20",
              "recordedBy": ["P. Okonjo"], "associatedTaxa": "host: Calluna vulgaris", "scientificName": "Saturnia pavonia", "sex": "male", "catalogNumber": "TVMS 00981"}
    return px, [a, b], fields, {"ambiguous": ["eventDate", "verbatimEventDate"]}


def s19_pin_bar_code(rng):
    s = Scene("foam", rng)
    pinned(s, "carpet", rng, (440, 560), 540, -1)
    a, b, c = ["TVMS 01377"], ["Penny Sike, 275 m", "Tarnshire", "16-18.vii.2011", "N. Brandreth & P. Okonjo"], ["Hydriomena furcata", "(Thunberg, 1784)"]
    column(s, [bar_label("TVMS 01377", PRINT, rng), label(b, PRINT, 46, rng, "print", (0.97, 0.97, 0.96), False), label(c, PRINT + ":400i", 46, rng, "print", (0.97, 0.97, 0.96), False)], 1160, 220, 50, 560)
    px = s.photograph(light=0.1, blur=0.2)
    fields = {"catalogNumber": "TVMS 01377", "verbatimLocality": "Penny Sike", "county": "Tarnshire", "verbatimElevation": "275 m", "minimumElevationInMeters": 275, "verbatimEventDate": "16-18.vii.2011",
              "eventDate": "2011-07-16/2011-07-18", "recordedBy": ["N. Brandreth", "P. Okonjo"], "scientificName": "Hydriomena furcata", "scientificNameAuthorship": "(Thunberg, 1784)"}
    return px, [a, b, c], fields, {}


def s20_pin_dark_and_soft(rng):
    s = Scene("cloth", rng)
    pinned(s, "peppered", rng, (460, 580), 640, 4, (0.7, 0.7, 0.72))
    a, b = ["Thornby Carr, Tarnshire", "20. v. 1949, at light", "W. Thirlby"], ["Biston betularia", "♀  det. W. Thirlby"]
    column(s, [label(a, TYPED_LIGHT, 44, rng, "ribbon", (0.93, 0.91, 0.85), False, leading=1.3, stroke=1), label(b, TYPED_LIGHT, 44, rng, "ribbon", (0.93, 0.91, 0.85), False, leading=1.3, stroke=1)], 1180, 340, 60, 560)
    px = s.photograph(light=0.35, blur=1.1, noise=0.018, exposure=0.8)
    fields = {"verbatimLocality": "Thornby Carr, Tarnshire", "county": "Tarnshire", "verbatimEventDate": "20. v. 1949", "eventDate": "1949-05-20", "samplingProtocol": "at light", "recordedBy": ["W. Thirlby"],
              "scientificName": "Biston betularia", "sex": "female", "identifiedBy": "W. Thirlby"}
    return px, [a, b], fields, {}


def s21_pin_visitor(rng):
    s = Scene("foam", rng)
    pinned(s, "heath", rng, (470, 560), 600, -2)
    a, b = ["Great Ummel, 500 m", "14. Juli 1936", "leg. A. Lindqvist"], ["Apamea crenata ♂", "det. 1937 Lindqvist"]
    column(s, [label(a, LINDQVIST, 54, rng, "blueblack", (0.94, 0.91, 0.83), True, leading=1.35, spots=4), label(b, LINDQVIST, 54, rng, "blueblack", (0.94, 0.91, 0.83), True, leading=1.35)], 1180, 300, 60, 560)
    px = s.photograph(light=0.2, blur=0.4, warm=0.02)
    fields = {"verbatimLocality": "Great Ummel", "verbatimElevation": "500 m", "minimumElevationInMeters": 500, "verbatimEventDate": "14. Juli 1936", "eventDate": "1936-07-14", "recordedBy": ["A. Lindqvist"],
              "scientificName": "Apamea crenata", "sex": "male", "identifiedBy": "Lindqvist", "dateIdentified": "1937"}
    return px, [a, b], fields, {"handwritten": written(fields)}


def s22_pin_stack(rng):
    """The labels still on their pin, one above the other, seen from the front."""
    s = Scene("cork", rng)
    pinned(s, "noctua", rng, (800, 330), 560, 0, (0.55, 0.42, 0.20))
    a, b, c = ["Tarnfoot, garden", "MV light  6.viii.1983"], ["coll. N. Brandreth"], ["Noctua pronuba L.", "♂   det. E. M. Harrow '84"]
    tall = [label(c, SERIF, 44, rng, "print", (0.95, 0.94, 0.90), False), label(b, SERIF, 44, rng, "print", (0.95, 0.94, 0.90), False), label(a, SERIF, 44, rng, "print", (0.95, 0.94, 0.90), False)]
    # The lowest lies furthest down and is laid first.
    for (rgb, mask), y, width, angle in zip(tall, (985, 830, 680), (600, 480, 540), (3, -4, 1.5)):
        s.centred(rgb, mask, (800 + rng.normal(0, 8), y), width, angle, keystone=0.03, lift=14, shade=0.5)
    s.pin((800, 610), (0.55, 0.42, 0.20), 5)
    px = s.photograph(light=0.2, blur=0.4, tilt=0.03)
    fields = {"verbatimLocality": "Tarnfoot, garden", "samplingProtocol": "MV light", "verbatimEventDate": "6.viii.1983", "eventDate": "1983-08-06", "recordedBy": ["N. Brandreth"],
              "scientificName": "Noctua pronuba", "scientificNameAuthorship": "L.", "sex": "male", "identifiedBy": "E. M. Harrow", "dateIdentified": "1984"}
    return px, [a, b, c], fields, {}


def s23_pin_shaken(rng):
    s = Scene("foam", rng)
    pinned(s, "eggar", rng, (460, 560), 640, 1)
    a, b = ["Blackmire Rigg, 450 m", "Tarnshire   19.vii.1995", "R. & P. Quill"], ["Lasiocampa quercus", "ssp. callunae  ♀"]
    column(s, [label(a, PRINT, 48, rng, "print", (0.96, 0.955, 0.93), False), label(b, PRINT + ":400i", 48, rng, "print", (0.96, 0.955, 0.93), False)], 1180, 340, 60, 520)
    px = s.photograph(light=0.2, motion=5, noise=0.012, shadow=[(1000, 800), (1700, 700), (1700, 1300), (900, 1300)])
    fields = {"verbatimLocality": "Blackmire Rigg", "county": "Tarnshire", "verbatimElevation": "450 m", "minimumElevationInMeters": 450, "verbatimEventDate": "19.vii.1995", "eventDate": "1995-07-19",
              "recordedBy": ["R. Quill", "P. Quill"], "scientificName": "Lasiocampa quercus callunae", "sex": "female"}
    return px, [a, b], fields, {"ambiguous": ["scientificName"]}


# ------------------------------------------------------- drawers, notebook

def s24_drawer_series(rng):
    s = Scene("drawer", rng)
    for i in range(6):
        pinned(s, "heath", rng, (290 + (i % 3) * 510, 240 + (i // 3) * 320), 430 + rng.normal(0, 12), rng.normal(0, 2))
    lines = ["NOCTUIDAE", "Xestia agathina", "(Duponchel, 1827)", "Tarn Valley series"]
    made = label(lines, PRINT, 62, rng, "print", (0.965, 0.955, 0.92), False, align="centre", border=True, margin=0.8)
    s.centred(*made, (800, 930), 700, 0.8, lift=3)
    px = s.photograph(light=0.15, blur=0.3, warm=0.015)
    fields = {"scientificName": "Xestia agathina", "scientificNameAuthorship": "(Duponchel, 1827)", "family": "Noctuidae"}
    return px, [lines], fields, {}


def s25_drawer_two_labels(rng):
    s = Scene("drawer", rng)
    for i in range(8):
        pinned(s, "carpet" if i % 4 < 2 else "peppered", rng, (230 + (i % 4) * 385, 190 + (i // 4) * 270), 320 + rng.normal(0, 10), rng.normal(0, 2))
    a, b = ["GEOMETRIDAE", "Entephria caesiata", "Grey Mountain Carpet"], ["GEOMETRIDAE", "Biston betularia", "Peppered Moth"]
    for lines, x, angle in ((a, 420, -1), (b, 1190, 1.4)):
        s.centred(*label(lines, SERIF, 56, rng, "print", (0.965, 0.955, 0.92), False, align="centre", border=True, margin=0.8), (x, 850), 560, angle, lift=3)
    note = ["Box 14 - N. Brandreth bequest 2009"]
    s.centred(*label(note, BRANDRETH, 52, rng, "black", (0.95, 0.93, 0.86)), (800, 1110), 760, -0.6, lift=2)
    px = s.photograph(light=0.2, blur=0.3, warm=0.02)
    fields = {"family": "Geometridae", "scientificName": None}
    return px, [a, b, note], fields, {"handwritten": [], "ambiguous": ["scientificName", "recordedBy", "eventDate", "verbatimEventDate"], "doubts": ["two kinds on one photograph"]}


def s26_notebook(rng):
    s = Scene("wood", rng)
    lines = ["Tarn Valley  12 July 1974", "Skerrow Moss. M.V. 21.40 - 01.30, warm, wind S. 2", ("H74-118  Noctua pronuba  14", 60), ("H74-119  Xestia agathina  1♂", 60),
             ("H74-120  Apamea crenata  3", 60), ("H74-121  Autographa gamma  2", 60), "Cloud 6/8, moon late. Quill came with the spare",
             "lamp. Sugar on the gateposts: nothing but two", "pronuba and a toad.", "", "13 July.  Dunmere Bog, by day", ("H74-122  Papestra biren  1♀ worn", 60)]
    made = page(rng, lines, FIELD, 66, "blueblack", 1900, 1420)
    s.centred(*made, (830, 600), 1420, -1.2, keystone=0.012, lift=9)
    px = s.photograph(light=0.25, blur=0.4, warm=0.02, shadow=[(-50, 850), (300, 1000), (420, 1300), (-50, 1300)])
    texts = [x[0] if isinstance(x, tuple) else x for x in lines]
    fields = {"recordNumber": None, "eventDate": None, "verbatimLocality": None, "scientificName": None}
    return px, [texts[:9], texts[10:]], fields, {"handwritten": [], "ambiguous": list(TEXTS) + ["recordNumber"], "doubts": ["a page of several events"]}


ALL = [value for name, value in sorted(globals().items()) if name[:1] == "s" and name[1:3].isdigit()]

del np
