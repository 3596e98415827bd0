//! Degrees, minutes and seconds without their signs: parted by hyphens, colons
//! or points (`54-27-00 N, 3-00-30 W`), or run together as in sailing directions
//! and gazetteers (`542700N 0030030W`; ISO 6709, annex H, with letters in place
//! of signs). Believed only as a pair whose letters say which is which: alone
//! such figures are dates and numbers.

use super::{CoordinateReading, System, blank, precision_radius, regex};
use regex::{Captures, Regex};
use std::sync::OnceLock;

form!(
    parted,
    concat!(
        r"(?:\b(?P<hb1>[NS])\.?\s?)?(?P<d1>[0-9]{1,2})(?P<p1>[-–:.])(?P<m1>[0-9]{1,2})(?:(?P<q1>[-–:.])(?P<s1>[0-9]{1,2}(?:\.[0-9]+)?))?\s?(?:(?P<ha1>[NS])\b\.?)?",
        r"[\s,;/]{0,3}",
        r"(?:\b(?P<hb2>[EW])\.?\s?)?(?P<d2>[0-9]{1,3})(?P<p2>[-–:.])(?P<m2>[0-9]{1,2})(?:(?P<q2>[-–:.])(?P<s2>[0-9]{1,2}(?:\.[0-9]+)?))?(?:\s?(?P<ha2>[EW])\b)?"
    )
);
form!(
    run_together,
    concat!(
        r"\b(?:(?P<hb1>[NS])\s?)?(?P<d1>[0-9]{2})(?P<m1>[0-9]{2})(?P<s1>[0-9]{2}(?:\.[0-9]+)?)?\s?(?P<ha1>[NS])?",
        r"[\s,;/]{0,3}",
        r"(?:(?P<hb2>[EW])\s?)?(?P<d2>[0-9]{3})(?P<m2>[0-9]{2})(?P<s2>[0-9]{2}(?:\.[0-9]+)?)?(?:\s?(?P<ha2>[EW]))?\b"
    )
);

/// Finds pairs of angles without signs.
pub(super) fn find(text: &str) -> Vec<CoordinateReading> {
    let parted = parted().captures_iter(text).filter_map(|c| pair(text, &c, 0.85));
    let together = run_together().captures_iter(text).filter_map(|c| pair(text, &c, 0.88));
    parted.chain(together).collect()
}

fn pair(text: &str, c: &Captures, confidence: f32) -> Option<CoordinateReading> {
    let whole = c.get(0)?;
    let before = text[..whole.start()].chars().next_back();
    if before.is_some_and(|b| b.is_alphanumeric() || matches!(b, '.' | '-' | ':')) {
        return None;
    }
    // One mark throughout: `4-7.93 N` is none of these.
    let mut marks = ["p1", "q1", "p2", "q2"].iter().filter_map(|m| c.name(m).map(|m| m.as_str()));
    let first = marks.next();
    if marks.any(|m| Some(m) != first) {
        return None;
    }
    // Two parts with a point are decimal degrees, or a day and a month.
    let seconds = c.name("s1").is_some() && c.name("s2").is_some();
    if first == Some(".") && !seconds || c.name("s1").is_some() != c.name("s2").is_some() {
        return None;
    }
    let letter = |before: &str, behind: &str| match (c.name(before), c.name(behind)) {
        (Some(l), None) | (None, Some(l)) => Some(l.as_str()),
        _ => None,
    };
    let (north, east) = (letter("hb1", "ha1")?, letter("hb2", "ha2")?);
    let angle = |d: &str, m: &str, s: &str| {
        let degrees: f64 = c.name(d)?.as_str().parse().ok()?;
        let minutes: f64 = c.name(m)?.as_str().parse().ok().filter(|m| *m < 60.0)?;
        let seconds: f64 = c.name(s).map_or(Some(0.0), |s| s.as_str().parse().ok()).filter(|s| *s < 60.0)?;
        Some(degrees + minutes / 60.0 + seconds / 3600.0)
    };
    let latitude = angle("d1", "m1", "s1").filter(|v| *v <= 90.0)?;
    let longitude = angle("d2", "m2", "s2").filter(|v| *v <= 180.0)?;
    let step = |s: &str| {
        c.name(s).map_or(1.0 / 60.0, |s| {
            let places = s.as_str().split('.').nth(1).map_or(0, str::len);
            10_f64.powi(-(places.min(12) as i32)) / 3600.0
        })
    };
    let mut reading = blank(text, whole.range(), System::DegreesMinutesSeconds);
    let latitude = if north == "S" { -latitude } else { latitude };
    reading.latitude = Some(latitude);
    reading.longitude = Some(if east == "W" { -longitude } else { longitude });
    reading.uncertainty = Some(precision_radius(latitude, step("s1").max(step("s2"))));
    reading.confidence = confidence;
    Some(reading)
}

#[cfg(test)]
mod tests {
    use super::super::find;

    // Degrees + minutes / 60 + seconds / 3600, by hand.
    #[test]
    fn seconds_without_signs_are_read_in_pairs() {
        for text in [
            "54-27-00 N, 3-00-30 W",
            "54:27:00N 3:00:30W",
            "54.27.00 N 3.00.30 W",
            "N54-27-00 W003-00-30",
            "N. 54-27-00, W. 3-00-30",
            "542700N 0030030W",
            "542700N0030030W",
            "N542700 W0030030",
            "54 27 00N 003 00 30W",
        ] {
            let found = find(text);
            assert_eq!(found.len(), 1, "{text}: {found:?}");
            let (lat, lon) = (found[0].latitude.unwrap(), found[0].longitude.unwrap());
            assert!((lat - 54.45).abs() < 1e-9 && (lon + 3.008_333).abs() < 1e-6, "{text}: {found:?}");
            assert_eq!(found[0].verbatim, text);
            assert_eq!(found[0].uncertainty, Some(36.0), "{text}");
        }
        let r = &find("33-52-10.5 S 151-12-30.5 E")[0];
        assert!((r.latitude.unwrap() + 33.869_583).abs() < 1e-6, "{r:?}");
        let r = &find("5427N 00300W")[0];
        assert!((r.latitude.unwrap() - 54.45).abs() < 1e-9 && (r.longitude.unwrap() + 3.0).abs() < 1e-9);
        assert_eq!(find("54-27 N, 3-00 W")[0].longitude, Some(-3.0));
    }

    #[test]
    fn dates_and_numbers_are_no_seconds() {
        for text in [
            "12-7-93 N of Tarn Head",
            "4.7.93, 5.7.93",
            "12-7-93 N, 3-8 W",
            "12.7 N, 3.8 W",
            "54-67-00 N, 3-00-30 W",
            "94-27-00 N, 3-00-30 W",
            "TVM 542700",
            "542700 0030030",
            "4-7.93 N 3-4.5 W",
        ] {
            assert!(find(text).is_empty(), "{text}: {:?}", find(text));
        }
    }
}
