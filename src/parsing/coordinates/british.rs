//! Grid references of the British National Grid (OSGB36): two letters for the
//! square of 100 km, then figures, with the letter of a tetrad or the corner of
//! a quadrant where the reference stops at 10 km.
//!
//! Letters and figures as in Ordnance Survey, "A guide to coordinate systems in
//! Great Britain", section 7; tetrads lettered A to Z without O from the south
//! west, northwards first (common practice of British recording). Degrees are
//! given in WGS84, by the seven-parameter transformation EPSG:1314, which holds
//! to about 2 m. The Irish grid's single letters are not read: one letter and
//! figures are too much like anything else.

use super::{CoordinateReading, System, blank, regex};
use crate::parsing::pieces::over;
use geodesy::prelude::*;
use regex::{Captures, Regex};
use std::sync::OnceLock;

/// Metres by which EPSG:1314 may be off (its registry entry).
const TRANSFORMATION: f64 = 2.0;

/// The squares that hold land or its islands, by letters.
const SQUARES: &str = "HP HT HU HW HX HY HZ NA NB NC ND NF NG NH NJ NK NL NM NN NO NR NS NT NU NW NX NY NZ \
     OV SC SD SE SH SJ SK SM SN SO SP SR SS ST SU SV SW SX SY SZ TA TF TG TL TM TQ TR TV";

form!(
    reference,
    concat!(
        r"(?:(?P<said>(?i:\b(?:N\.?\s?G\.?\s?R|O\.?\s?S\.?(?:\s?G\.?\s?B)?|G\.?\s?R|(?:map |grid )?ref(?:erence)?|grid)\b)[.:]*)[.:\s]*(?i:(?:grid\s+)?ref(?:erence)?\b[.:\s]*)?)?",
        r"\b(?P<square>[HNOST][A-HJ-Z])[ .:]?\s?",
        r"(?P<e>[0-9]{1,10})(?:[ ](?P<n>[0-9]{1,5}))?(?:\s?(?P<part>[A-NP-Z]|NW|NE|SW|SE))?\b"
    )
);

/// Finds British grid references. Two letters and figures are also much else
/// (`NY 1932`), so that this is for labels known to be British; [`super::find`]
/// leaves them alone.
pub fn find_british(text: &str) -> Vec<CoordinateReading> {
    over(text, |text| reference().captures_iter(text).filter_map(|c| read(text, &c)).collect())
}

fn read(text: &str, c: &Captures) -> Option<CoordinateReading> {
    let start = c.name("said").or(c.name("square"))?.start();
    let mut end = c.get(0)?.end();
    let letters = &c["square"];
    if !SQUARES.split(' ').any(|s| s == letters) {
        return None;
    }
    let mut east = c["e"].to_owned();
    let mut part = c.name("part").map(|p| p.as_str());
    let north = match c.name("n") {
        Some(n) if n.as_str().len() == east.len() => n.as_str().to_owned(),
        // `SD64 1932`: the next figures are none of the reference's.
        other => {
            if !east.len().is_multiple_of(2) {
                return None;
            }
            if other.is_some() {
                end = c.name("e")?.end();
                part = None;
            }
            east.split_off(east.len() / 2)
        }
    };
    let figures = east.len();
    if figures > 5 {
        return None;
    }
    let said = c.name("said").is_some();
    if part.is_some() && figures != 1 {
        // `NY 3406 E`: a direction or a word begins.
        end = c.name("n").or(c.name("e"))?.end();
        part = None;
    }
    // A square of 10 km alone is only believed where the label says what it is.
    if figures == 1 && part.is_none() && !said {
        return None;
    }
    let mut square = 10_f64.powi(5 - figures as i32);
    let (x, y) = corner(letters)?;
    let (mut x, mut y) = (x + east.parse::<f64>().ok()? * square, y + north.parse::<f64>().ok()? * square);
    if let Some(part) = part {
        let (dx, dy, side) = within(part)?;
        (x, y, square) = (x + dx, y + dy, side);
    }
    let (latitude, longitude) = degrees(x + square / 2.0, y + square / 2.0)?;
    let mut reading = blank(text, start..end, System::BritishGrid);
    reading.latitude = Some(latitude);
    reading.longitude = Some(longitude);
    // The reference names a square; its middle is given.
    reading.uncertainty = Some((square * std::f64::consts::FRAC_1_SQRT_2 + TRANSFORMATION).ceil());
    reading.datum = Some("WGS84".into());
    let likely = match figures {
        1 => 0.7,
        2 => 0.75,
        _ => 0.9,
    };
    reading.confidence = if said { 0.95 } else { likely };
    Some(reading)
}

/// The south-west corner of a square of 100 km: easting and northing in metres.
fn corner(letters: &str) -> Option<(f64, f64)> {
    let place = |c: char| u32::from(c) - u32::from('A') - u32::from(c > 'I');
    let mut letters = letters.chars().map(place);
    let (first, second) = (letters.next()?, letters.next()?);
    // Five by five from the north west; S is the square of the false origin.
    let column = f64::from(first % 5 * 5 + second % 5) - 10.0;
    let row = 19.0 - f64::from(first / 5 * 5 + second / 5);
    Some((column * 1e5, row * 1e5))
}

/// A part of a square of 10 km: how far east and north of its corner it begins,
/// and its side, in metres.
fn within(part: &str) -> Option<(f64, f64, f64)> {
    let quarter = 5_000.0;
    match part {
        "SW" => return Some((0.0, 0.0, quarter)),
        "SE" => return Some((quarter, 0.0, quarter)),
        "NW" => return Some((0.0, quarter, quarter)),
        "NE" => return Some((quarter, quarter, quarter)),
        _ => {}
    }
    let letter = part.chars().next().filter(|c| *c != 'O')?;
    let place = u32::from(letter) - u32::from('A') - u32::from(letter > 'O');
    Some((f64::from(place / 5) * 2_000.0, f64::from(place % 5) * 2_000.0, 2_000.0))
}

/// Latitude and longitude (WGS84, decimal degrees) of an easting and a northing
/// in metres.
fn degrees(easting: f64, northing: f64) -> Option<(f64, f64)> {
    static GRID: OnceLock<Option<(Minimal, OpHandle)>> = OnceLock::new();
    let (context, grid) = GRID
        .get_or_init(|| {
            let mut context = Minimal::new();
            let grid = context
                .op("inv tmerc lat_0=49 lon_0=-2 k_0=0.9996012717 x_0=400000 y_0=-100000 ellps=airy \
                     | cart ellps=airy \
                     | helmert translation=446.448,-125.157,542.06 rotation=0.15,0.247,0.842 \
                       scale=-20.489 convention=position_vector \
                     | cart inv ellps=WGS84")
                .ok()?;
            Some((context, grid))
        })
        .as_ref()?;
    let mut point = [Coor3D::raw(easting, northing, 0.0)];
    context.apply(*grid, Fwd, &mut point).ok()?;
    let (longitude, latitude) = (point[0][0].to_degrees(), point[0][1].to_degrees());
    (latitude.is_finite() && longitude.is_finite()).then_some((latitude, longitude))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // pyproj 3.7.2 (PROJ 9.5.1): inverse tmerc on Airy, the Helmert transformation
    // of EPSG:1314, WGS84, as a pipeline.
    #[test]
    fn eastings_and_northings_become_degrees_as_proj_has_them() {
        for (e, n, latitude, longitude) in [
            (651_409.903, 313_177.27, 52.657_979, 1.716_052),
            (334_550.0, 506_550.0, 54.450_109, -3.010_898),
            (376_500.0, 424_500.0, 53.716_379, -2.357_559),
            (217_350.0, 771_350.0, 56.797_729, -4.992_557),
            (530_050.0, 180_450.0, 51.508_023, -0.127_468),
            (444_200.0, 1_142_300.0, 60.162_779, -1.205_47),
            (180_500.0, 25_500.0, 50.088_968, -5.069_952),
        ] {
            let (lat, lon) = degrees(e, n).unwrap();
            assert!((lat - latitude).abs() < 2e-6 && (lon - longitude).abs() < 2e-6, "{e} {n}: {lat} {lon}");
        }
    }

    // Ordnance Survey, "A guide to coordinate systems in Great Britain", section
    // 7 (values from memory): TG 51409 13177 is E 651409 N 313177; the false
    // origin lies at the corner of SV. The corner of HP by the same rule.
    #[test]
    fn letters_are_squares_of_a_hundred_kilometres() {
        assert_eq!(corner("SV"), Some((0.0, 0.0)));
        assert_eq!(corner("TG"), Some((600_000.0, 300_000.0)));
        assert_eq!(corner("NY"), Some((300_000.0, 500_000.0)));
        assert_eq!(corner("HP"), Some((400_000.0, 1_200_000.0)));
        let r = &find_british("TG 51409 13177")[0];
        assert!((r.latitude.unwrap() - 52.657_979).abs() < 1e-5, "{r:?}");
        assert!((r.longitude.unwrap() - 1.716_052).abs() < 1.5e-5, "{r:?}");
        assert_eq!(r.uncertainty, Some(3.0));
    }

    #[test]
    fn a_reference_is_the_middle_of_its_square() {
        for text in [
            "NY345065",
            "NY 345 065",
            "NY 345065",
            "N.G.R. NY 345065",
            "Grid ref. NY345065",
            "grid reference: NY 345 065",
        ] {
            let found = find_british(text);
            assert_eq!(found.len(), 1, "{text}: {found:?}");
            assert_eq!(found[0].verbatim, text);
            assert!((found[0].latitude.unwrap() - 54.450_109).abs() < 1e-5, "{text}: {found:?}");
            assert!((found[0].longitude.unwrap() + 3.010_898).abs() < 1e-5, "{text}: {found:?}");
            assert_eq!(found[0].uncertainty, Some(73.0));
        }
        assert_eq!(find_british("NY3406")[0].uncertainty, Some(710.0));
    }

    // SD 76 24 lies in tetrad SD72S: two columns of tetrads of five are A to K,
    // so the fourth is Q to U, and 4 km north its third, S (common practice).
    #[test]
    fn tetrads_and_quadrants_are_parts_of_ten_kilometres() {
        let tetrad = &find_british("SD72S")[0];
        let kilometre = &find_british("SD7624")[0];
        assert_eq!(tetrad.uncertainty, Some(1417.0));
        let apart = (tetrad.latitude.unwrap() - kilometre.latitude.unwrap()).abs() * 111_000.0;
        assert!(apart < 510.0, "{tetrad:?} {kilometre:?}");
        assert_eq!(find_british("SD72 NE")[0].uncertainty, Some(3538.0));
        assert!(find_british("SD72O").is_empty() && find_british("SD72").is_empty());
        assert_eq!(find_british("grid ref SD72")[0].uncertainty, Some(7074.0));
        let r = &find_british("SD7624 E of the bridge")[0];
        assert_eq!(r.verbatim, "SD7624");
    }

    #[test]
    fn other_letters_and_figures_are_no_references() {
        for text in [
            "AB 345065",
            "NI 345065",
            "NY 34506",
            "JUNE 1932",
            "TVM 00345",
            "SD7",
            "12 NY345065x",
            "SA 123456",
        ] {
            assert!(find_british(text).is_empty(), "{text}: {:?}", find_british(text));
        }
        assert!(super::super::find("NY 345065").is_empty());
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "[HNOST][A-Z][ 0-9A-Z.:]{0,14}|\\PC{0,30}") {
            for r in find_british(&text) {
                prop_assert_eq!(&text[r.bytes.clone()], &r.verbatim);
                prop_assert!(r.latitude.is_some_and(|l| (49.0..62.0).contains(&l)), "{:?}", r);
            }
        }
    }
}
