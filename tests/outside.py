"""Reads what was given back with libraries of other people, and prints it as JSON.

python3 tests/outside.py archive FILE.zip     python-dwca-reader (PyPI)
python3 tests/outside.py parquet FILE.parquet duckdb and pyarrow (PyPI)

Exit 77: the library is not there.
"""

import json
import sys


def archive(path):
    from dwca.read import DwCAReader

    with DwCAReader(path) as read:
        short = lambda term: term.rsplit("/", 1)[-1]
        rows = [
            {
                "cells": {short(t): v for t, v in row.data.items() if v},
                "extensions": sorted(short(e.rowtype) for e in row.extensions),
            }
            for row in read
        ]
        title = read.metadata.findtext("dataset/title")
        return {"core": short(read.descriptor.core.type), "title": title, "rows": rows}


def parquet(path):
    import duckdb
    import pyarrow.parquet

    by_name = duckdb.sql(
        f"""SELECT "scientificName", count(*), min("decimalLatitude"), max("eventDate")
        FROM read_parquet('{path}') GROUP BY 1 ORDER BY 2 DESC, 1"""
    ).fetchall()
    table = pyarrow.parquet.read_table(path)
    rows = [{k: v for k, v in row.items() if v is not None} for row in table.to_pylist()]
    for row in rows:
        row.pop("modified", None)
    return {"by_name": by_name, "rows": rows, "types": {f.name: str(f.type) for f in table.schema}}


if __name__ == "__main__":
    try:
        print(json.dumps({"archive": archive, "parquet": parquet}[sys.argv[1]](sys.argv[2])))
    except ModuleNotFoundError as missing:
        print(missing, file=sys.stderr)
        sys.exit(77)
