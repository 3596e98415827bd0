#!/usr/bin/env python3
"""Packs the boundaries of the world's countries and the United States' counties.

    npm pack us-atlas@3.0.1 world-atlas@2.0.2      (fetches the two sources)
    src/checking/data/pack_boundaries.py us-atlas-3.0.1.tgz world-atlas-2.0.2.tgz

Writes src/checking/data/counties.bin and countries.bin, which the program
compiles in. Python 3.9+, standard library only. The sources are TopoJSON, whose
arcs are already quantised differences; they are kept as they are, written as
variable-length integers:

    4 bytes   'GLB1'
    4 x f64   scale x, scale y, translate x, translate y (little endian)
    varint    number of arcs; each: number of points, then x and y differences
              (zigzag varints)
    varint    number of areas; each: id, name (length and UTF-8), number of
              polygons; each polygon: number of rings; each ring: number of arcs,
              then arc numbers (zigzag varints; ~n is arc n backwards)
"""
import json, os, struct, sys, tarfile


def varint(out, n):
    while n >= 0x80:
        out.append(n & 0x7F | 0x80)
        n >>= 7
    out.append(n)


def zigzag(out, n):
    varint(out, n << 1 if n >= 0 else (-n << 1) - 1)


def text(out, s):
    b = s.encode()
    varint(out, len(b))
    out.extend(b)


def load(tar, name):
    with tarfile.open(tar) as t:
        return json.load(t.extractfile("package/" + name))


def pack(topology, key, path):
    out = bytearray(b"GLB1")
    tr = topology["transform"]
    out.extend(struct.pack("<4d", *tr["scale"], *tr["translate"]))
    areas = topology["objects"][key]["geometries"]
    used = sorted({a if a >= 0 else ~a for g in areas for r in rings(g) for a in r})
    number = {old: new for new, old in enumerate(used)}
    varint(out, len(used))
    for old in used:
        arc = topology["arcs"][old]
        varint(out, len(arc))
        for dx, dy in arc:
            zigzag(out, dx)
            zigzag(out, dy)
    varint(out, len(areas))
    for g in areas:
        text(out, str(g.get("id", "")))
        text(out, g["properties"]["name"])
        polygons = {"Polygon": lambda: [g["arcs"]], "MultiPolygon": lambda: g["arcs"]}.get(g["type"], list)()
        varint(out, len(polygons))
        for polygon in polygons:
            varint(out, len(polygon))
            for ring in polygon:
                varint(out, len(ring))
                for a in ring:
                    zigzag(out, number[a] if a >= 0 else ~number[~a])
    with open(path, "wb") as f:
        f.write(out)
    print(path, len(areas), "areas", len(used), "arcs", len(out), "bytes")


def rings(g):
    if g["type"] == "Polygon":
        return g["arcs"]
    return [r for p in g.get("arcs", []) for r in p]


# The Postal Service's letters (Publication 28, appendix B), by FIPS code.
POSTAL = dict(p.split(":") for p in (
    "01:AL 02:AK 04:AZ 05:AR 06:CA 08:CO 09:CT 10:DE 11:DC 12:FL 13:GA 15:HI 16:ID 17:IL 18:IN 19:IA 20:KS "
    "21:KY 22:LA 23:ME 24:MD 25:MA 26:MI 27:MN 28:MS 29:MO 30:MT 31:NE 32:NV 33:NH 34:NJ 35:NM 36:NY 37:NC "
    "38:ND 39:OH 40:OK 41:OR 42:PA 44:RI 45:SC 46:SD 47:TN 48:TX 49:UT 50:VT 51:VA 53:WA 54:WV 55:WI 56:WY "
    "60:AS 66:GU 69:MP 72:PR 78:VI").split())


def main():
    us, world = sys.argv[1:3]
    data = os.path.join(os.path.dirname(__file__), "..", "src", "checking", "data")
    pack(load(us, "counties-10m.json"), "counties", os.path.join(data, "counties.bin"))
    pack(load(world, "countries-10m.json"), "countries", os.path.join(data, "countries.bin"))
    states = load(us, "counties-10m.json")["objects"]["states"]["geometries"]
    with open(os.path.join(data, "states.tsv"), "w") as f:
        for g in sorted(states, key=lambda g: g["id"]):
            f.write(f"{g['id']}\t{g['properties']['name']}\t{POSTAL[g['id']]}\n")


main()
