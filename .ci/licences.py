"""Writes the licence texts of every crate that is part of the program.

Standard input: `cargo metadata` for one platform. Standard output: a list of the
crates with their licence, then every text once, under the crates that have it.
Crates for building and testing are no part of the program and left out.
"""

import collections
import json
import pathlib
import re
import sys

metadata = json.load(sys.stdin)
packages = {p["id"]: p for p in metadata["packages"]}
nodes = {n["id"]: n for n in metadata["resolve"]["nodes"]}

# What the program is linked from: normal dependencies, followed from the root.
# A macro runs in the compiler, but what it writes is in the program; its own
# text is kept, which does no harm.
root = metadata["resolve"]["root"]
part, waiting = set(), [root]
while waiting:
    for dep in nodes[waiting.pop()]["deps"]:
        if dep["pkg"] not in part and any(k["kind"] is None for k in dep["dep_kinds"]):
            part.add(dep["pkg"])
            waiting.append(dep["pkg"])

texts = collections.defaultdict(list)
print(f"Glassine is linked from these {len(part)} crates of crates.io.\n")
wordless = []
for key in sorted(part, key=lambda k: (packages[k]["name"], packages[k]["version"])):
    package = packages[key]
    called = f"{package['name']} {package['version']}"
    licence = package["license"] or package["license_file"]
    if not licence:
        sys.exit(f"error: {called} names no licence\nhint: look at it before it is passed on")
    print(f"{called:44} {licence}")
    folder = pathlib.Path(package["manifest_path"]).parent
    found = [f for f in sorted(folder.rglob("*")) if f.is_file()
             and re.match(r"(un)?licen[cs]e|copying|notice|copyright", f.name, re.I)
             and f.suffix.lower() in ("", ".md", ".txt", ".mit", ".apache", ".zlib", ".bsd")
             or f.is_file() and re.match(r"licen[cs]e-", f.name, re.I)]
    for file in found:
        text = file.read_text("utf-8", "replace").strip()
        if called not in texts[text]:
            texts[text].append(called)
    if not found:
        wordless.append(f"{called}: {licence}; {', '.join(package['authors']) or 'no author named'}; "
                        f"{package['repository'] or 'no repository named'}")

if wordless:
    print("\nThese bring no file with their licence's text; who made them, and where:\n")
    print("\n".join(wordless))
for text, crates in sorted(texts.items(), key=lambda t: t[1]):
    print("\n" + "=" * 78 + "\n" + ", ".join(crates) + "\n" + "-" * 78 + "\n" + text)
