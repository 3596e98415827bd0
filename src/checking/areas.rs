//! Which country, state and county a point lies in, from boundaries compiled in.
//!
//! Sources and licences: `data/NOTICE`. Countries are Natural Earth 1:10 million
//! (a coast may be off by a few hundred metres, small islands are missing), the
//! counties of the United States the Census Bureau's cartographic boundaries.
//! Points are tested by counting crossings in the plane of longitude and
//! latitude, as the sources draw their lines. A raster of half-degree cells
//! remembers cells that no boundary crosses, so that most points of a large
//! table cost one look-up.

use std::collections::HashMap;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU16, Ordering};

/// One area with its boundary.
pub struct Area {
    /// ISO 3166-1 numeric code of a country (empty where it has none), or the
    /// FIPS code of a county.
    pub id: String,
    /// Its name as the source spells it.
    pub name: String,
    polygons: Vec<Polygon>,
}

struct Polygon {
    /// West, south, east, north, in steps.
    bounds: [i32; 4],
    rings: Vec<Vec<(i32, i32)>>,
}

/// A set of areas that do not overlap.
pub struct Areas {
    scale: [f64; 2],
    translate: [f64; 2],
    areas: Vec<Area>,
    /// Polygons by the half-degree cells that their bounds touch.
    cells: HashMap<u32, Vec<(u16, u16)>>,
    /// What is known of each cell: see [`UNKNOWN`].
    raster: Vec<AtomicU16>,
}

/// Not looked at yet.
const UNKNOWN: u16 = 0;
/// A boundary crosses the cell.
const MIXED: u16 = 1;
/// The cell lies in no area.
const NOWHERE: u16 = 2;
/// First value that names an area: its index plus this.
const FIRST: u16 = 3;
const COLUMNS: i32 = 720;
const ROWS: i32 = 360;

impl Areas {
    /// The world's countries.
    pub fn countries() -> &'static Areas {
        static AREAS: OnceLock<Areas> = OnceLock::new();
        AREAS.get_or_init(|| Areas::unpack(include_bytes!("data/countries.bin")))
    }

    /// The counties of the United States.
    pub fn counties() -> &'static Areas {
        static AREAS: OnceLock<Areas> = OnceLock::new();
        AREAS.get_or_init(|| Areas::unpack(include_bytes!("data/counties.bin")))
    }

    /// Reads the form that `data/pack_boundaries.py` writes. The bytes are
    /// compiled in, so a damaged file shows in the tests of this module.
    fn unpack(bytes: &[u8]) -> Areas {
        let mut at = 4;
        let mut float = || {
            let value = f64::from_le_bytes(bytes[at..at + 8].try_into().unwrap_or([0; 8]));
            at += 8;
            value
        };
        let (scale, translate) = ([float(), float()], [float(), float()]);
        let mut reader = Reader { bytes, at };
        let arcs: Vec<Vec<(i32, i32)>> = (0..reader.varint())
            .map(|_| {
                let (mut x, mut y) = (0, 0);
                (0..reader.varint())
                    .map(|_| {
                        x += reader.zigzag();
                        y += reader.zigzag();
                        (x, y)
                    })
                    .collect()
            })
            .collect();
        let areas = (0..reader.varint())
            .map(|_| {
                let (id, name) = (reader.text(), reader.text());
                let polygons = (0..reader.varint()).map(|_| polygon(&mut reader, &arcs)).collect();
                Area { id, name, polygons }
            })
            .collect();
        let mut made = Areas {
            scale,
            translate,
            areas,
            cells: HashMap::new(),
            raster: (0..COLUMNS * ROWS).map(|_| AtomicU16::new(UNKNOWN)).collect(),
        };
        made.index();
        made
    }

    fn index(&mut self) {
        let mut cells: HashMap<u32, Vec<(u16, u16)>> = HashMap::new();
        for (a, area) in self.areas.iter().enumerate() {
            for (p, polygon) in area.polygons.iter().enumerate() {
                let [w, s, e, n] = polygon.bounds;
                let (c0, r0) = self.cell_of(w, s);
                let (c1, r1) = self.cell_of(e, n);
                for r in r0..=r1 {
                    for c in c0..=c1 {
                        cells.entry((r * COLUMNS + c) as u32).or_default().push((a as u16, p as u16));
                    }
                }
                for ring in &polygon.rings {
                    for pair in ring.windows(2) {
                        let (ca, ra) = self.cell_of(pair[0].0.min(pair[1].0), pair[0].1.min(pair[1].1));
                        let (cb, rb) = self.cell_of(pair[0].0.max(pair[1].0), pair[0].1.max(pair[1].1));
                        for r in ra..=rb {
                            for c in ca..=cb {
                                self.raster[(r * COLUMNS + c) as usize].store(MIXED, Ordering::Relaxed);
                            }
                        }
                    }
                }
            }
        }
        self.cells = cells;
    }

    fn cell_of(&self, x: i32, y: i32) -> (i32, i32) {
        cell(
            f64::from(x) * self.scale[0] + self.translate[0],
            f64::from(y) * self.scale[1] + self.translate[1],
        )
    }

    /// The area at a point in decimal degrees, where there is one.
    pub fn at(&self, latitude: f64, longitude: f64) -> Option<&Area> {
        let (c, r) = cell(longitude, latitude);
        let slot = &self.raster[(r * COLUMNS + c) as usize];
        match slot.load(Ordering::Relaxed) {
            UNKNOWN => {
                let found = self.search(latitude, longitude, c, r);
                slot.store(found.map_or(NOWHERE, |i| i as u16 + FIRST), Ordering::Relaxed);
                found.map(|i| &self.areas[i])
            }
            MIXED => self.search(latitude, longitude, c, r).map(|i| &self.areas[i]),
            NOWHERE => None,
            known => self.areas.get(usize::from(known - FIRST)),
        }
    }

    fn search(&self, latitude: f64, longitude: f64, column: i32, row: i32) -> Option<usize> {
        let x = (longitude - self.translate[0]) / self.scale[0];
        let y = (latitude - self.translate[1]) / self.scale[1];
        let cell = self.cells.get(&((row * COLUMNS + column) as u32))?;
        cell.iter()
            .find(|(a, p)| self.areas[usize::from(*a)].polygons[usize::from(*p)].contains(x, y))
            .map(|(a, _)| usize::from(*a))
    }

    /// Every area.
    pub fn all(&self) -> &[Area] {
        &self.areas
    }

    /// The areas of an id.
    pub fn by_id<'a>(&'a self, id: &'a str) -> impl Iterator<Item = &'a Area> {
        self.areas.iter().filter(move |a| a.id == id)
    }

    /// The distance in kilometres from a point to the nearest boundary of `area`,
    /// 0 inside it. Worked in a plane about the point, which is right to a few
    /// percent up to some hundred kilometres.
    pub fn distance(&self, area: &Area, latitude: f64, longitude: f64) -> f64 {
        let x = (longitude - self.translate[0]) / self.scale[0];
        let y = (latitude - self.translate[1]) / self.scale[1];
        if area.polygons.iter().any(|p| p.contains(x, y)) {
            return 0.0;
        }
        let (kx, ky) = (111.32 * latitude.to_radians().cos() * self.scale[0], 110.57 * self.scale[1]);
        let mut best = f64::MAX;
        for ring in area.polygons.iter().flat_map(|p| &p.rings) {
            for pair in ring.windows(2) {
                let a = ((f64::from(pair[0].0) - x) * kx, (f64::from(pair[0].1) - y) * ky);
                let b = ((f64::from(pair[1].0) - x) * kx, (f64::from(pair[1].1) - y) * ky);
                let (dx, dy) = (b.0 - a.0, b.1 - a.1);
                let length = dx * dx + dy * dy;
                let t = if length == 0.0 { 0.0 } else { (-(a.0 * dx + a.1 * dy) / length).clamp(0.0, 1.0) };
                best = best.min((a.0 + t * dx).hypot(a.1 + t * dy));
            }
        }
        best
    }

    /// The kilometres to the nearest area of any kind, 0 inside one; `None`
    /// where none is within about `limit` kilometres.
    pub fn nearest(&self, latitude: f64, longitude: f64, limit: f64) -> Option<f64> {
        if self.at(latitude, longitude).is_some() {
            return Some(0.0);
        }
        self.within(latitude, longitude, limit).into_iter().map(|(_, far)| far).min_by(f64::total_cmp)
    }

    /// The areas within `limit` kilometres of a point, each with its distance, in
    /// no order.
    pub fn within(&self, latitude: f64, longitude: f64, limit: f64) -> Vec<(&Area, f64)> {
        let (c, r) = cell(longitude, latitude);
        let rows = (limit / 55.0).ceil() as i32 + 1;
        let width = (55.6 * latitude.to_radians().cos()).max(1.0);
        let columns = ((limit / width).ceil() as i32 + 1).min(COLUMNS / 2);
        let mut near: Vec<u16> = Vec::new();
        for row in (r - rows).max(0)..=(r + rows).min(ROWS - 1) {
            for column in c - columns..=c + columns {
                let key = (row * COLUMNS + column.rem_euclid(COLUMNS)) as u32;
                near.extend(self.cells.get(&key).into_iter().flatten().map(|(a, _)| *a));
            }
        }
        near.sort_unstable();
        near.dedup();
        let all = near.into_iter().map(|a| &self.areas[usize::from(a)]);
        let far = all.map(|a| (a, self.distance(a, latitude, longitude)));
        far.filter(|(_, distance)| *distance <= limit).collect()
    }
}

fn cell(longitude: f64, latitude: f64) -> (i32, i32) {
    let column = ((longitude + 180.0) * 2.0).floor() as i32;
    let row = ((latitude + 90.0) * 2.0).floor() as i32;
    (column.clamp(0, COLUMNS - 1), row.clamp(0, ROWS - 1))
}

impl Polygon {
    fn contains(&self, x: f64, y: f64) -> bool {
        let [w, s, e, n] = self.bounds;
        if x < f64::from(w) || x > f64::from(e) || y < f64::from(s) || y > f64::from(n) {
            return false;
        }
        let mut inside = false;
        for ring in &self.rings {
            for pair in ring.windows(2) {
                let (ay, by) = (f64::from(pair[0].1), f64::from(pair[1].1));
                if (ay > y) != (by > y) {
                    let (ax, bx) = (f64::from(pair[0].0), f64::from(pair[1].0));
                    if x < (bx - ax) * (y - ay) / (by - ay) + ax {
                        inside = !inside;
                    }
                }
            }
        }
        inside
    }
}

fn polygon(reader: &mut Reader, arcs: &[Vec<(i32, i32)>]) -> Polygon {
    let mut bounds = [i32::MAX, i32::MAX, i32::MIN, i32::MIN];
    let rings = (0..reader.varint())
        .map(|_| {
            let mut ring: Vec<(i32, i32)> = Vec::new();
            for _ in 0..reader.varint() {
                let number = reader.zigzag();
                // An arc begins where the one before it ended.
                let skip = usize::from(!ring.is_empty());
                if number >= 0 {
                    ring.extend(arcs.get(number as usize).into_iter().flatten().skip(skip));
                } else {
                    ring.extend(
                        arcs.get(!number as usize).into_iter().flat_map(|a| a.iter().rev()).skip(skip),
                    );
                }
            }
            for &(x, y) in &ring {
                bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
            }
            ring
        })
        .collect();
    Polygon { bounds, rings }
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    fn varint(&mut self) -> usize {
        let (mut value, mut shift) = (0, 0);
        while let Some(&byte) = self.bytes.get(self.at) {
            self.at += 1;
            value |= usize::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                break;
            }
            shift += 7;
        }
        value
    }

    fn zigzag(&mut self) -> i32 {
        let value = self.varint();
        (value >> 1) as i32 ^ -((value & 1) as i32)
    }

    fn text(&mut self) -> String {
        let length = self.varint();
        let text = self.bytes.get(self.at..self.at + length).unwrap_or_default();
        self.at += length;
        String::from_utf8_lossy(text).into_owned()
    }
}

/// The United States' states: FIPS code, name and postal letters.
pub fn states() -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    include_str!("data/states.tsv").lines().filter_map(|line| {
        let mut parts = line.split('\t');
        Some((parts.next()?, parts.next()?, parts.next()?))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Positions of courthouses and capitals to a hundredth of a degree, from
    // memory; each lies well inside its area.
    #[test]
    fn known_places_lie_in_their_areas() {
        let county = |lat, lon| Areas::counties().at(lat, lon).map(|a| (a.id.as_str(), a.name.as_str()));
        assert_eq!(county(31.55, -109.75), Some(("04003", "Cochise")));
        assert_eq!(county(37.77, -122.42), Some(("06075", "San Francisco")));
        assert_eq!(county(40.0, -40.0), None);
        let country = |lat, lon| Areas::countries().at(lat, lon).map(|a| a.name.as_str());
        assert_eq!(country(48.86, 2.35), Some("France"));
        assert_eq!(country(-33.87, 151.2), Some("Australia"));
        assert_eq!(country(19.43, -99.13), Some("Mexico"));
        assert_eq!(country(0.0, -30.0), None);
        // Lesotho is a hole in South Africa.
        assert_eq!(country(-29.5, 28.3), Some("Lesotho"));
    }

    #[test]
    fn every_area_has_a_boundary_and_every_state_a_county() {
        for areas in [Areas::counties(), Areas::countries()] {
            assert!(areas.all().iter().all(|a| !a.polygons.is_empty() && !a.name.is_empty()));
        }
        for (id, name, _) in states() {
            assert!(Areas::counties().all().iter().any(|c| c.id.starts_with(id)), "{name}");
        }
    }

    #[test]
    fn the_raster_answers_as_the_boundaries_do() {
        let areas = Areas::countries();
        for i in 0..2000 {
            let (lat, lon) = (f64::from(i % 173) - 86.3, f64::from(i * 7 % 359) - 179.2);
            let (c, r) = cell(lon, lat);
            let slow = areas.search(lat, lon, c, r).map(|a| areas.areas[a].name.as_str());
            assert_eq!(areas.at(lat, lon).map(|a| a.name.as_str()), slow, "{lat} {lon}");
        }
    }

    #[test]
    fn distance_is_nought_inside_and_grows_outside() {
        let counties = Areas::counties();
        let cochise = counties.by_id("04003").next().unwrap();
        assert_eq!(counties.distance(cochise, 31.55, -109.75), 0.0);
        // Cochise County's north side is at 32.43 N (us-atlas); 33.43 is one
        // degree of latitude, 110.9 km, further.
        let far = counties.distance(cochise, 33.43, -109.75);
        assert!((far - 110.9).abs() < 3.0, "{far}");
    }
}
