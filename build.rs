//! Builds the gazetteer's automata from `src/parsing/gazetteer/data/`.
//!
//! Three fst maps come out: `admin.fst` (countries, divisions), `counties.fst` and
//! `places.fst` (populated places with their coordinates). Keys are the squashed
//! name, a byte 1, the code; see `src/parsing/gazetteer/squash.rs`.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

#[path = "src/parsing/gazetteer/squash.rs"]
mod squash;

fn main() {
    let data = Path::new("src/parsing/gazetteer/data");
    let out = PathBuf::from(std::env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    println!("cargo::rerun-if-changed=src/parsing/gazetteer");
    let read = |name: &str| std::fs::read_to_string(data.join(name)).expect(name);

    for (file, tables) in
        [("admin.fst", &["countries.tsv", "divisions.tsv"][..]), ("counties.fst", &["counties.tsv"][..])]
    {
        let mut admin = BTreeMap::new();
        for line in tables.iter().flat_map(|t| read(t).lines().map(str::to_owned).collect::<Vec<_>>()) {
            let mut cells = line.split('\t');
            let code = cells.next().unwrap_or_default();
            for cell in cells {
                admin.insert(squash::key(cell, code), 0u64);
                for (short, long) in [("St. ", "Saint "), ("Ste. ", "Sainte "), ("Saint ", "St. ")] {
                    if let Some(rest) = cell.strip_prefix(short) {
                        admin.insert(squash::key(&format!("{long}{rest}"), code), 0u64);
                    }
                }
            }
        }
        write(&out.join(file), &admin);
    }

    let mut text = String::new();
    let file = std::fs::File::open(data.join("places.tsv.gz")).expect("places.tsv.gz");
    flate2::read::GzDecoder::new(file).read_to_string(&mut text).expect("places.tsv.gz");
    let (mut places, mut code) = (BTreeMap::new(), "");
    for line in text.lines() {
        if let Some(group) = line.strip_prefix('@') {
            code = group;
            continue;
        }
        let cells: Vec<&str> = line.split('\t').collect();
        let [name, lat, lon] = cells[..] else { panic!("places.tsv.gz: {line}") };
        let at = squash::pack(lat.parse().expect(lat), lon.parse().expect(lon));
        places.insert(squash::key(name, code), at);
    }
    write(&out.join("places.fst"), &places);
}

fn write(path: &Path, rows: &BTreeMap<Vec<u8>, u64>) {
    let map = fst::Map::from_iter(rows.iter().map(|(k, v)| (k, *v))).expect("keys are sorted");
    std::fs::write(path, map.as_fst().as_bytes()).expect("OUT_DIR is writable");
}
