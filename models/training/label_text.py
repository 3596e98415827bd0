"""Invented label lines, diary lines and prose pieces, drawn from a corpus of words.

Everything here is random: names, places and taxa are combined without regard to fact, so
that the recogniser learns the shapes and habits of labels, not particular specimens.
"""

import gzip, json, random

ROMAN = "I II III IV V VI VII VIII IX X XI XII".split()
MONTHS = "January February March April May June July August September October November December".split()
GENERA = """Vanessa Pieris Colias Lycaena Plebejus Polyommatus Argynnis Boloria Melitaea Euphydryas Erebia Coenonympha
Maniola Pararge Hesperia Erynnis Pyrgus Papilio Parnassius Zygaena Sphinx Hyles Deilephila Macroglossum Smerinthus Laothoe
Saturnia Lasiocampa Malacosoma Notodonta Cerura Lymantria Arctia Spilosoma Callimorpha Noctua Agrotis Xestia Mythimna
Cucullia Catocala Autographa Plusia Hadena Apamea Orthosia Eupithecia Geometra Idaea Scopula Xanthorhoe Perizoma Biston
Lycia Ennomos Alcis Crambus Scoparia Pyralis Tortrix Cydia Epinotia Adela Nemophora Depressaria Coleophora Hepialus
Andrena Bombus Megachile Osmia Halictus Lasioglossum Nomada Colletes Hylaeus Perdita Anthophora Melissodes Diadasia Sphecodes
Carabus Pterostichus Amara Bembidion Cicindela Dytiscus Aphodius Cetonia Chrysomela Coccinella Cerambyx Donacia Silpha Nicrophorus
Syrphus Eristalis Volucella Tabanus Bombylius Aedes Culex Tipula Chrysops Aeshna Libellula Sympetrum Lestes Chorthippus Tettix
Cladonia Parmelia Xanthoparmelia Usnea Lecanora Lecidea Caloplaca Physcia Peltigera Umbilicaria Ramalina Evernia Cetraria
Graphis Pertusaria Rhizocarpon Buellia Leptogium Collema Sticta Lobaria Heterodermia Flavoparmelia Punctelia Opegrapha
Quercus Pinus Acer Betula Salix Populus Fagus Rubus Rosa Salvia Astragalus Lupinus Larrea Helianthus Solidago Senecio Eriogonum
Carex Juncus Festuca Poa Vaccinium Calluna Erica Urtica Plantago Trifolium Lotus Vicia Euphorbia Eryngium Asclepias Baccharis""".split()
EPITHETS = """atalanta io cardui brassicae rapae napi croceus hyale phlaeas icarus argus aglaja paphia selene athalia aurinia
jurtina tithonus aegeria comma tages malvae machaon apollo filipendulae ligustri galii elpenor stellatarum ocellatus populi
pavonia quercus neustria vinula dispar caja lubricipeda dominula pronuba segetum clavipes pallens umbratica nupta gamma
reticulata monoglypha gothica pusillata vulgata papilionaria aversata imitaria montanata betularia repandata californica texana
mexicana virginiana occidentalis orientalis borealis australis alpina montana sylvatica pratensis palustris maritima lapponica
americana canadensis arizonensis nevadensis pacifica similis affinis minor major nigra alba rubra flava viridis caerulea
fuscipes rufipes pallidus obscurus maculatus striatus lineatus punctatus vulgaris communis elegans pulchella gracilis rangiferina
coccinea pyxidata chlorophaea furcata squamosa saxatilis caperata sulcata perlata subfusca dispersa muralis citrina elaeochroma
stellaris caesia adscendens canina rufescens polydactylon aphthosa barbata hirta florida fraxinea farinacea prunastri islandica
scripta amara geographicum disciformis cyanescens tenax pulmonaria hypoleuca baltimorensis rudecta herbarum mühlenbergii grayi""".split()
FAMILIES = """Nymphalidae Pieridae Lycaenidae Hesperiidae Noctuidae Geometridae Sphingidae Erebidae Notodontidae Tortricidae
Pyralidae Crambidae Zygaenidae Apidae Andrenidae Halictidae Megachilidae Colletidae Carabidae Cerambycidae Coccinellidae
Syrphidae Tabanidae Libellulidae Parmeliaceae Cladoniaceae Physciaceae Lecanoraceae Fabaceae Asteraceae Rosaceae""".split()
AUTHORS = ["L.", "(L.)", "Linnaeus", "(Linnaeus, 1758)", "Fabr.", "(Hübner)", "(Denis & Schiff.)", "Ach.", "(Ach.) Nyl.", "Nyl.",
           "(Hoffm.) DC.", "Tuck.", "(Hale) Hale", "Cresson", "(Ckll.)", "Cockerell", "Say", "(Say)", "Kirby", "Smith", "Müll. Arg.",
           "(Borkh., 1790)", "Hufnagel, 1766", "(Sm.) W. Mann", "Fr.", "(Scop.)", "Latr.", "Edw.", "(Bdv.)", "Zett.", "sp.", "sp. nov.", "?"]
SURNAME_PARTS = ("Ash Black Brad Burn Car Cart Clay Col Cran Dal Dray East Ed Fair Farn Gold Gren Hal Har Hart Haw Hol Hux Ken King "
                 "Lan Lang Lock Mar Mil Mor Nor Oak Pem Pres Rad Ram Red Ros Row Sand Shel Stan Stock Sut Thorn Tre Wal War Wat West Whit Win Wood").split()
SURNAME_ENDS = "ley ton ham man er son field ford wood worth well by ett ing brook bury croft don land low mere ridge shaw stone wick ards ins is".split()
SURNAMES = """Smith Jones Brown Miller Davis Wilson Moore Taylor Clark Lewis Walker Hall Young King Wright Hill Green Baker Adams
Nelson Carter Roberts Turner Phillips Parker Evans Edwards Collins Stewart Morris Rogers Reed Cook Morgan Bell Murphy Bailey
Müller Schmidt Schneider Fischer Weber Meyer Wagner Becker Hoffmann Dupont Lefèvre Moreau Girard Rousseau García Martínez López
Hernández Pérez Nilsson Johansson Hansen Jensen O'Brien O'Neil MacDonald McKay McGregor van der Meer de Vries Novák Kovács""".split("\n")
SURNAMES = [s for line in SURNAMES for s in line.replace("van der ", "van_der_").replace("de V", "de_V").split()]
HABITATS = """on bark of|on dead wood of|on rock|on soil|on granite boulder|on limestone|on sandstone|along creek|in pine forest|
in oak woodland|meadow|swamp|bog|sand dunes|roadside|dry wash|at light|at sugar|on flowers of|ex larva on|ex pupa|sweeping|beating|
pit-fall trap|Malaise trap|MV light|UV light trap|u. v. light|on sallow|on thistle|in garden|hilltop|chalk downland|moorland|heath|
shaded slope|north-facing slope|open woods|along trail|near lake|edge of marsh|river bank|in flight|resting on trunk|on palings|
common|rare|frequent|scarce here|worn|fresh|bred|emerged|pupated|larvae on|saxicolous|corticolous|terricolous|mixed hardwoods|
with|growing on|trunk of|at base of|on old fence post|spruce-fir forest|juniper|sagebrush|grassland|on exposed ridge|abundant on""".replace("\n", "").split("|")
HEADERS = """PLANTS OF|FLORA OF|LICHENS OF|INSECTS OF|Lichens of|Plants of|Herbarium of|HERBARIUM OF THE UNIVERSITY OF|MUSEUM OF|
Museum of Natural History|UNIVERSITY OF|COLLECTION OF|Coll.|Expedition to|BOTANICAL GARDEN|STATE UNIVERSITY|Exsiccati|NATIONAL PARK|
Experiment Station|Department of Biology|Survey of|Butterflies of|Moths of|DUPLICATE|ex herb.|Herb. Hort.|Academy of Sciences""".replace("\n", "").split("|")


class Labels:
    """Draws lines of text; `rng` is a random.Random."""

    def __init__(self, corpus, rng):
        if isinstance(corpus, str):
            with gzip.open(corpus, "rt", encoding="utf8") as f:
                corpus = json.load(f)
        self.c, self.rng = corpus, rng

    def surname(self):
        r = self.rng
        if r.random() < 0.4:
            return r.choice(SURNAMES).replace("_", " ")
        s = r.choice(SURNAME_PARTS) + r.choice(SURNAME_ENDS)
        return s

    def initials(self):
        r = self.rng
        sep = r.choice([". ", ".", ". ", " "])
        n = r.choice([1, 2, 2, 3])
        return sep.join(r.choice("ABCDEFGHIJKLMNOPRSTVW") for _ in range(n)) + (sep if sep != " " else " ")

    def person(self):
        r = self.rng
        k = r.random()
        if k < 0.55: return self.initials() + self.surname()
        if k < 0.75: return r.choice(self.c["first"]) + " " + self.surname()
        if k < 0.85: return r.choice(self.c["first"]) + " " + r.choice("ABCDEFGHJKLMRSTW") + ". " + self.surname()
        if k < 0.92: return self.surname()
        return r.choice(["Mr. ", "Mrs. ", "Miss ", "Dr. ", "Prof. ", "Rev. "]) + self.surname()

    def people(self):
        r = self.rng
        if r.random() < 0.7: return self.person()
        return self.person() + r.choice([" & ", " and ", ", ", " & "]) + self.person()

    def numeral(self, month):
        """A month in Roman numerals, most of them capitals."""
        return ROMAN[month].lower() if self.rng.random() < 0.2 else ROMAN[month]

    def date(self):
        r = self.rng
        d, m = r.randint(1, 31), r.randint(0, 11)
        y = r.choice([r.randint(1860, 1999)] * 4 + [r.randint(2000, 2026)])
        yy = f"{y % 100:02d}"
        month = r.choice([MONTHS[m], MONTHS[m][:3], MONTHS[m][:3] + ".", MONTHS[m][:4] + "."])
        rom = self.numeral(m)
        year = r.choice([str(y)] * 4 + [yy, "'" + yy])
        sep = r.choice([".", ".", "-", "-", "/", " ", ". "])
        th = {1: "st", 2: "nd", 3: "rd", 21: "st", 22: "nd", 23: "rd", 31: "st"}.get(d, "th")
        return r.choice([
            f"{d} {month} {year}", f"{month} {d}, {year}", f"{month} {d} {year}", f"{d}{sep}{rom}{sep}{year}",
            f"{rom}{sep}{d}{sep}{year}", f"{d}{sep}{m + 1}{sep}{year}", f"{m + 1}{sep}{d}{sep}{year}", f"{y}-{m + 1:02d}-{d:02d}",
            f"{month} {year}", f"{d}{th} {month} {year}", f"{d}-{min(31, d + r.randint(1, 5))} {month} {year}", f"{y}",
            f"{d}.{rom}.{y}", f"{rom}-{d}-{yy}", f"{rom}-{d}-{y}", f"{MONTHS[m][:3].upper()} {d} {y}", f"{d}-{MONTHS[m][:3]}-{y}"])

    def number(self):
        r = self.rng
        n = r.choice([r.randint(1, 99), r.randint(100, 9999), r.randint(1000, 99999), r.randint(100000, 9999999)])
        s = f"{n:,}" if r.random() < 0.1 else str(n)
        return r.choice(["No. ", "No ", "# ", "#", "№ ", "Nº ", "", "", "coll. no. ", "Field No. ", "Acc. ", "Lot ", "Ref. "]) + s + r.choice([""] * 8 + ["a", "B", "-A"])

    def elevation(self):
        r = self.rng
        n = r.choice([r.randint(1, 40) * 100, r.randint(5, 3500), r.randint(1, 300) * 10])
        s = f"{n:,}" if r.random() < 0.15 else str(n)
        u = r.choice(["ft.", "ft", "feet", "m", "m.", "'", "metres", "meters", "M", "Ft.", "′"])
        return r.choice(["alt. ", "Alt. ", "elev. ", "Elev. ", "Elevation ", "el. ", "", "ca. ", "c. ", "Altitude: "]) + s + r.choice([" ", "", " "]) + u + r.choice([""] * 5 + [".", " a.s.l."])

    def coordinates(self):
        r = self.rng
        a, b = r.randint(0, 69), r.randint(0, 179)
        m1, m2, s1, s2 = (r.randint(0, 59) for _ in range(4))
        q, qq = r.choice([("'", '"'), ("′", "″"), ("'", '"'), ("’", "”")])
        ns, ew = r.choice("NNNS"), r.choice("EWW")
        return r.choice([
            f"{a}°{m1}{q}{ns} {b}°{m2}{q}{ew}", f"{a}°{m1:02d}{q}{s1:02d}{qq}{ns}, {b}°{m2:02d}{q}{s2:02d}{qq}{ew}", f"{a}.{r.randint(0, 99999)}° {ns}, {b}.{r.randint(0, 99999)}° {ew}",
            f"{ns} {a}° {m1}{q} {ew} {b}° {m2}{q}", f"Lat. {a}°{m1}{q}{ns}.", f"long. {b}°{m2}{q} {ew}.", f"{a}.{r.randint(1000, 99999)}, -{b}.{r.randint(1000, 99999)}",
            f"T{r.randint(1, 60)}{r.choice('NS')} R{r.randint(1, 40)}{r.choice('EW')} Sec. {r.randint(1, 36)}", f"T. {r.randint(1, 60)} {r.choice('NS')}., R. {r.randint(1, 40)} {r.choice('EW')}., sec. {r.randint(1, 36)}",
            f"{r.choice(['NE', 'NW', 'SE', 'SW'])}¼ {r.choice(['NE', 'NW', 'SE', 'SW'])}¼ Sec {r.randint(1, 36)}",
            f"{r.choice(['SU', 'NY', 'TQ', 'SP', 'NS', 'SH'])}{r.randint(10, 99)}{r.randint(10, 99)}", f"± {r.randint(1, 50)} m"])

    def place(self):
        r, c = self.rng, self.c
        town = r.choice(c["us"] if r.random() < 0.6 else c["places"])
        state = r.choice(c["states"])
        county = r.choice(c["counties"])
        co = county.replace(" County", r.choice([" Co.", " Co.", " County", " Co", " Cnty."]))
        mi = r.choice([str(r.randint(1, 40)), f"{r.randint(0, 9)}.{r.randint(0, 9)}", f"{r.randint(1, 9)}½", f"{r.randint(1, 9)} ½", f"{r.randint(1, 4)}¼"])
        way = r.choice("N S E W NE NW SE SW n. s. N. W. north south west NNE WSW".split())
        unit = r.choice(["mi.", "mi", "miles", "km", "km.", "mls"])
        feature = r.choice("River Creek Lake Canyon Mts. Mountains Mt. Hill Wood Moor Common Down Ridge Spring Springs Island Pass Valley Peak Forest Swamp Bay Falls Bluff Road Hwy. Ranch Camp Station Burn Fell Beck Tarn Fen".split())
        st = r.choice([state[0], state[1], state[1], state[0] + ".", state[1][:4] + ".", state[1][:3] + "."])
        return r.choice([
            f"{town}, {st}", f"{town}, {co}", f"{co}, {st}", f"{st}: {co}", f"{state[1].upper()}: {co}", f"{mi} {unit} {way} of {town}", f"{mi} {unit} {way} {town}",
            f"{town} {feature}", f"{town} {feature}, {co}", f"{st}, {co}, {town}", f"{town}, {r.choice(c['countries'])}", r.choice(c["countries"]).upper(), f"near {town}", f"{feature} near {town}",
            f"{town.upper()}", f"{town}", f"{co.upper()}", f"{st}.", f"vic. {town}", f"junction of Hwy {r.randint(1, 300)} and {town} Rd.", f"{county}", f"{state[1]}", f"U.S.A. {state[1]}", f"{town} {st} {self.date()}"])

    def taxon(self):
        r = self.rng
        g, e = r.choice(GENERA), r.choice(EPITHETS)
        return r.choice([
            f"{g} {e}", f"{g} {e}", f"{g} {e} {r.choice(AUTHORS)}", f"{g} {r.choice(AUTHORS)}", f"{g[0]}. {e}", f"{g} {e} {r.choice(['ssp.', 'var.', 'subsp.', 'f.', 'ab.'])} {r.choice(EPITHETS)}",
            r.choice(FAMILIES), r.choice(FAMILIES).upper(), f"{g} sp.", f"{g} cf. {e}", f"{g} {e} {r.choice('♂♀')}", f"{r.choice('♂♀☿')} {g} {e}", g.upper(), f"{g} {e.upper()}", f"{r.randint(1, 12)} {r.choice('♂♀')}{r.choice('♂♀')}",
            f"{r.randint(1, 9)}{r.choice('♂♀')} {r.randint(1, 9)}{r.choice('♂♀')}", r.choice("♂♀"), f"{r.choice('♂♀')} {self.date()}", f"Host: {g} {e}"])

    def collector(self):
        r = self.rng
        pre = r.choice(["Coll. ", "coll. ", "leg. ", "Leg. ", "leg. ", "Col. ", "Collector ", "Coll. by ", "Collected by ", "det. ", "Det. ", "det. by ", "Determined by ", "Coll: ", "Legit ", "Photo ", "ex coll. ", "", "", "confirmed by "])
        s = pre + self.people()
        k = r.random()
        if k < 0.2: s += r.choice([" ", ", "]) + self.date()
        elif k < 0.3: s += " " + self.number()
        elif k < 0.36: s += r.choice([", coll.", " coll.", ", Coll.", " leg.", ", Collector", " Collr."])
        return s

    def habitat(self):
        r = self.rng
        s = r.choice(HABITATS)
        k = r.random()
        if k < 0.45: s += " " + r.choice([self.taxon_plain(), r.choice(HABITATS), r.choice(GENERA)])
        if k < 0.1: s += ", " + r.choice(HABITATS)
        if r.random() < 0.3: s = s[0].upper() + s[1:]
        return s + r.choice(["", "", "", ".", ","])

    def taxon_plain(self):
        return self.rng.choice(GENERA) + " " + self.rng.choice(EPITHETS)

    def header(self):
        r = self.rng
        s = r.choice(HEADERS) + r.choice(["", " " + r.choice(self.c["states"])[1], " " + r.choice(self.c["places"])])
        return r.choice([s, s, s.upper()])

    def measure(self):
        r = self.rng
        return r.choice([f"{r.randint(5, 90)}°{r.choice(['F', 'C', ''])}", f"{r.randint(1, 12)}:{r.randint(0, 59):02d} {r.choice(['a.m.', 'p.m.', 'AM', 'PM'])}", f"{r.randint(0, 23):02d}{r.randint(0, 59):02d} hrs",
                         f"{r.randint(1, 30)} × {r.randint(1, 30)} cm", f"× {r.randint(2, 400)}", f"{r.randint(1, 100)}%", f"{r.randint(1, 50)} specimens", f"({r.randint(1, 30)})", f"[{self.surname()}]", f"{r.randint(1, 9)}/{r.randint(2, 16)} in.", f"ca. {r.randint(2, 90)} m²", f"£{r.randint(1, 9)}.{r.randint(0, 19)}.{r.randint(0, 11)}", f"${r.randint(1, 99)}.{r.randint(0, 99):02d}", f"{r.randint(1, 9)} µm", f"<{r.randint(2, 9)} mm", "=", f"= {self.taxon_plain()}", f"+ {r.randint(1, 30)}", f"{self.surname()}@{self.surname().lower()}.org".replace(" ", "")])

    def label(self):
        r = self.rng
        k = r.random()
        for limit, make in ((.22, self.place), (.36, self.date), (.50, self.collector), (.62, self.taxon), (.69, self.habitat), (.75, self.elevation),
                            (.81, self.coordinates), (.86, self.number), (.90, self.header), (.93, self.measure)):
            if k < limit:
                return make()
        parts = [r.choice([self.place, self.date, self.elevation, self.habitat, self.collector, self.number, self.taxon])() for _ in range(2)]
        return r.choice([", ", " ", "; ", " – ", ". ", "  "]).join(parts).replace("  ", " ")

    def prose(self, longest=70):
        """A stretch of running English, cut at words as a line of a letter is."""
        r = self.rng
        words = r.choice(self.c["prose"]).split(" ")
        want = r.randint(4, longest)
        at = r.randrange(max(1, len(words) - 3))
        line = words[at]
        for w in words[at + 1:]:
            if len(line) + 1 + len(w) > want: break
            line += " " + w
        if r.random() < 0.06 and len(line) > 12:   # a word broken at the line end
            line = line[:-r.randint(2, 3)] + "-"
        if r.random() < 0.03: line = r.choice(["Dear ", "My dear ", "Yours truly, ", "Yours sincerely, ", "With kind regards, "]) + self.person() + r.choice(["", ",", ":"])
        return line.strip()

    def letter(self):
        """What stands at the head and foot of letters: greetings, dates, addresses, thanks."""
        r, c = self.rng, self.c
        d, m, y = r.randint(1, 31), r.choice(MONTHS), r.randint(1860, 1960)
        th = {1: "st", 2: "nd", 3: "rd", 21: "st", 22: "nd", 23: "rd", 31: "st"}.get(d, "th")
        title = r.choice(["Mr.", "Mrs.", "Miss", "Dr.", "Prof.", "Rev.", "Mr", "Mrs", "Dr", "Prof"])
        return r.choice([
            r.choice(["Dear Sir", "Dear Madam", "My dear Sir", "Gentlemen", "Dear Friend", "Dear Doctor", "Dear Professor"]) + r.choice([":", ",", "", " :", "-", " –"]),
            f"My dear {title} {self.surname()}" + r.choice([":", ",", ""]), f"Dear {title} {self.surname()}" + r.choice([":", ",", ""]),
            r.choice(["Yours truly", "Yours very truly", "Very truly yours", "Yours sincerely", "Sincerely yours", "Yours faithfully", "Yours respectfully", "Very respectfully", "Cordially yours", "Sincerely", "Your obedient servant", "I remain", "I am, Sir,", "Believe me"]) + r.choice([",", "", "."]),
            f"{m} {d}{th} {y}" + r.choice(["", "."]), f"{m} {d}, {y}" + r.choice(["", "."]), f"{m[:3]}. {d}{th} {y}", f"{m} {d}", f"{r.choice(c['us'])}, {m} {d}, {y}",
            f"{r.randint(1, 2900)} {r.choice([self.surname(), r.choice(c['us'])])} {r.choice(['Street', 'St.', 'Avenue', 'Ave.', 'Road', 'Rd.'])}",
            f"{title} {self.initials()}{self.surname()}", f"{title} {self.initials()}{self.surname()}, {r.choice(['President', 'Secretary', 'Vice President', 'Treasurer', 'Curator', 'Director', 'Chairman'])}",
            f"{r.choice(['The', 'For the', 'To the'])} {r.choice(['President', 'Secretary', 'Curator', 'Director', 'Members', 'Trustees'])} of the {r.choice(c['us'])} {r.choice(['Club', 'Society', 'University', 'College', 'Museum', 'Library', 'Association'])}",
            f"{r.choice(c['us'])} {r.choice(['Club', 'Society', 'University', 'College', 'Museum', 'Library', 'Hotel'])}" + r.choice(["", ".", ","]), f"{r.choice(c['us'])}, {r.choice(['Cal.', 'Mass.', 'Penn.', 'Ill.', 'N. Y.', 'Conn.', 'Mich.', 'Wis.', 'England', 'Canada'])}",
            "Yours of the " + f"{d}{th} " + r.choice(["received", "inst. received", "is at hand", "came to hand"]) + r.choice(["", ".", " and"]),
            r.choice(["Please accept my thanks for", "I beg to acknowledge the receipt of", "I have the honor to", "Will you kindly send me", "I should be glad to have", "Kindly let me know if you", "I hope to be able to", "Thanking you for your", "In reply to your letter of", "I regret that I am unable to", "It gives me much pleasure to", "Please find enclosed", "I have just returned from", "With best wishes", "With kind regards to"]),
            self.person(), self.people()])

    def form(self):
        """A printed form's words, what joins them, and what a pen filled in: (head, glue, tail)."""
        r, c = self.rng, self.c
        date, year = self.date(), r.randint(1860, 2005)
        short = f"{r.randint(1, 31)}" + r.choice([" ", "-", "."]) + r.choice([self.numeral(r.randrange(12)), self.numeral(r.randrange(12)), r.choice(MONTHS)[:3], r.choice(MONTHS)])
        state = r.choice(c["states"])
        return r.choice([
            (r.choice(["Date", "Date:", "DATE", "Date collected", "Collected", "Coll."]), " ", date), (r.choice(["No.", "No", "NO.", "Field No.", "Lot No.", "Coll. No.", "Acc. No.", "#"]), " ", str(r.randint(1, 99999))),
            (r.choice(["Coll.", "Collector", "Collected by", "COLL.", "Leg.", "leg.", "Legit", "Col. by"]), " ", self.people()),
            (r.choice(["Det.", "Det. by", "DET.", "Determined by", "det.", "Determiner"]), " ", self.person() + r.choice(["", f" {year}", f" '{year % 100:02d}"])),
            (r.choice(["Locality", "Loc.", "Locality:", "LOC.", "Place", "County", "Co.", "Town", "State"]), " ", self.place()),
            (r.choice(["Alt.", "Alt", "Elev.", "Elevation", "ALT.", "Altitude"]), " ", str(r.randint(1, 140) * 50) + r.choice(["", " ft", " ft.", " m", " m.", "'"])),
            (r.choice(["Habitat", "Habitat:", "Host", "Host:", "Host plant", "on", "On", "Remarks", "Notes:", "Name", "Species"]), " ", r.choice([self.habitat(), self.taxon_plain()])),
            (f"{r.choice(c['us'])}, {r.choice([state[1], state[0], state[1][:4] + '.'])}", " ", r.choice([date, short, short])), (f"{r.choice(c['us'])} {state[0]}", " ", f"{short} {year}"),
            (f"{self.initials()}{self.surname()} " + r.choice(["det.", "Det.", "det. 19", "Coll."]), "", f"{r.randint(10, 99)}"), (r.choice(["19", "18", "Det. 19", "Date 19", ", 19"]), "", f"{r.randint(0, 99):02d}"),
            (r.choice([f"{r.choice(MONTHS)[:3]}.", r.choice(MONTHS), r.choice(c["us"])]), " ", r.choice([f"{r.randint(1, 31)}, {year}", f"{r.randint(1, 31)}", short])),
            (r.choice(["T.", "R.", "Sec.", "Lat.", "Long."]), " ", r.choice([f"{r.randint(1, 60)}{r.choice('NSEW')}", str(r.randint(1, 36)), f"{r.randint(1, 89)}°{r.randint(0, 59)}'"])),
            (r.choice(["Sex", "Sex:"]), " ", r.choice("♂♀"))])

    def figure(self):
        """A date or number in figures and Roman numerals alone, as pens write them on labels."""
        r = self.rng
        d, m, y = r.randint(1, 31), r.randint(1, 12), r.choice([r.randint(1860, 1999)] * 3 + [r.randint(1900, 1980)] * 3 + [r.randint(2000, 2026)])
        rom, yy, s = self.numeral(m - 1), f"{y % 100:02d}", r.choice("---../ ")
        return r.choice([f"{rom}{s}{d}{s}{y}", f"{rom}{s}{d}{s}{yy}", f"{d}{s}{rom}{s}{y}", f"{d}{s}{rom}{s}{yy}", f"{m}{s}{d}{s}{yy}", f"{d}{s}{m}{s}{y}", f"{rom}-{d}", f"'{yy}", f"'{yy}", str(y), str(y),
                         yy, str(d), str(r.randint(1, 9999)), f"{r.randint(1, 99)}-{r.randint(1, 999)}", f"{r.randint(1, 90) * 100}'", f"{r.randint(1, 9)},{r.randint(0, 9)}00", f"{d}-{d + 1}.{rom}.{y}", f"{r.randint(10000, 999999)}"])

    def foreign(self, longest=70):
        """French or German: pieces of the training lines, shuffled by word runs."""
        r = self.rng
        line = r.choice(self.c["foreign"])
        if r.random() < 0.5:
            a, b = line.split(" "), r.choice(self.c["foreign"]).split(" ")
            line = " ".join(a[:r.randint(1, len(a))] + b[r.randrange(len(b)):])
        return line[:longest].strip()

    def noise(self):
        """Random strings, so that the reader does not lean on words alone."""
        r = self.rng
        from alphabet import ALPHABET
        if r.random() < 0.5:
            return "".join(r.choice("0123456789.,-/ 0123456789ABCDEFXVI") for _ in range(r.randint(2, 14))).strip() or "0"
        pool = ALPHABET if r.random() < 0.4 else ALPHABET[:95]
        return " ".join("".join(r.choice(pool[1:]) for _ in range(r.randint(1, 7))) for _ in range(r.randint(1, 4)))

    def line(self, kind):
        r = self.rng
        for _ in range(20):
            k = r.random()
            if kind == "hand":
                s = self.letter() if k < .08 else self.prose() if k < .44 else self.date() if k < .50 else self.label() if k < .86 else self.foreign() if k < .96 else self.noise()
            else:
                s = self.label() if k < .60 else self.prose() if k < .80 else self.foreign() if k < .88 else self.noise()
            s = " ".join(s.split())
            if kind == "print" and r.random() < 0.08: s = s.upper()
            if 0 < len(s) <= 90: return s
        return "1905"
