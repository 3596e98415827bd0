//! Finds elevations in text as read: metres or feet, single or a range.
//!
//! `Alt.: About 3500 ft.` is 1067 m; the words stay beside the value. Feet are
//! international feet (0.3048 m exactly, 1959 yard and pound agreement) and are
//! rounded to the whole metre, since no label is more exact. A number before a
//! unit and a direction (`100 m N of the bridge`) is a distance, and one after
//! `depth` is none either.

use super::pieces::{Placed, over};
use regex::Regex;
use serde::{Deserialize, Serialize};
use std::ops::Range;
use std::sync::OnceLock;

/// An elevation in text.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ElevationReading {
    /// The bytes of the text it covers, its label word left out.
    pub bytes: Range<usize>,
    /// The characters of the text it covers, counted from 0.
    pub chars: Range<usize>,
    /// The words as read.
    pub verbatim: String,
    /// The lower end in metres above sea level.
    pub minimum: f64,
    /// The upper end in metres; the same as the lower where one number is given.
    pub maximum: f64,
    /// Both ends in metres as converted, before rounding.
    pub exact: (f64, f64),
    /// Probability, 0 to 1, that it is an elevation and read right.
    pub confidence: f32,
    /// The words call it approximate.
    pub approximate: bool,
    /// A word such as `elev.` stands before it.
    pub labelled: bool,
}

/// One international foot in metres.
pub const FOOT: f64 = 0.3048;

fn forms() -> &'static [Regex; 2] {
    static FORMS: OnceLock<[Regex; 2]> = OnceLock::new();
    FORMS.get_or_init(|| {
        const LABEL: &str = r"(?P<label>\b(?:elev(?:ation)?|alt(?:itude)?|altit|el|höhe|hoehe|quota|hauteur)\b[.:,; ]*\s*(?:at\s+|of\s+)?)?";
        const ABOUT: &str = r"(?P<about>\b(?:about|approx(?:imately)?\.?|ca\.?|c\.|circa|around|env(?:iron)?\.?)\s*|[~±]\s*)?";
        const NUMBER: &str = r"[0-9OolI][0-9OolI]{0,2}(?:[.,' ]?[0-9OolI]{3}|[0-9OolI]{0,2})(?:\.[0-9])?";
        const UNIT: &str = r"(?:m(?:et(?:er|re)s?)?\b\.?|mt?s\b\.?|msl\b|(?:ft|feet|foot|f\.t)\b\.?|['’′´](?:[^'’′0-9]|$)|pieds\b|fuss\b)";
        let forward = format!(
            r"(?i){LABEL}{ABOUT}(?P<a>{NUMBER})[ \t]*(?P<ua>(?:m|ft|feet|['’′])\.?)?[ \t]*(?:(?:-|–|—|\bto\b|\bbis\b)\s*(?P<b>{NUMBER})[ \t]*)?(?P<unit>{UNIT})"
        );
        let backward = format!(
            r"(?i){LABEL}(?:\(\s*(?P<unit>m|ft|feet)\.?\s*\)|(?P<unit2>m\.s\.m|m))[.:]?\s*{ABOUT}(?P<a>[0-9]{{1,5}})(?:\s*[-–]\s*(?P<b>[0-9]{{1,5}}))?\b"
        );
        let regex = |r: &str| Regex::new(r).expect("a fixed expression, read by the tests");
        [regex(&forward), regex(&backward)]
    })
}

/// Finds every elevation of `text`, in the order of the text; none overlaps
/// another.
pub fn find(text: &str) -> Vec<ElevationReading> {
    over(text, find_in)
}

impl Placed for ElevationReading {
    fn places(&mut self) -> (&mut Range<usize>, &mut Range<usize>) {
        (&mut self.bytes, &mut self.chars)
    }
}

fn find_in(text: &str) -> Vec<ElevationReading> {
    let mut found: Vec<ElevationReading> = Vec::new();
    if !text.bytes().any(|b| b.is_ascii_digit()) {
        return found;
    }
    for (backward, form) in forms().iter().enumerate() {
        let mut at = 0;
        while let Some(c) = form.captures_at(text, at) {
            let Some(whole) = c.get(0) else { break };
            match reading(text, &c, backward == 1) {
                Some(r)
                    if !found.iter().any(|f| f.bytes.start < r.bytes.end && r.bytes.start < f.bytes.end) =>
                {
                    at = r.bytes.end;
                    found.push(r);
                }
                _ => {
                    // Try again behind the first character of the number.
                    let number = c.name("a").map_or(whole.start(), |a| a.start());
                    at = number + text[number..].chars().next().map_or(1, char::len_utf8);
                }
            }
            if at >= text.len() {
                break;
            }
        }
    }
    found.sort_by_key(|r| r.bytes.start);
    found
}

fn reading(text: &str, c: &regex::Captures, backward: bool) -> Option<ElevationReading> {
    let a = c.name("a")?;
    let labelled = c.name("label").is_some();
    let about = c.name("about");
    let before = text[..a.start()].chars().next_back();
    let (low, repairs_low) = number(a.as_str())?;
    if about.is_none()
        && before.is_some_and(|b| b.is_alphanumeric() || matches!(b, '.' | ',' | '/' | '°' | '#' | '\''))
        && !labelled
    {
        return None;
    }
    let (unit_text, mut end) = match (c.name("unit"), c.name("unit2")) {
        (Some(u), _) | (None, Some(u)) => {
            (u.as_str().to_lowercase(), if backward { c.get(0)?.end() } else { u.end() })
        }
        _ => return None,
    };
    let quote = unit_text.starts_with(['\'', '’', '′', '´']);
    if quote {
        // The expression takes the character behind the sign to see that it is
        // no second sign.
        let start = c.name("unit")?.start();
        end = start + text[start..].chars().next()?.len_utf8();
    }
    let feet = quote || unit_text.starts_with('f') || unit_text.starts_with('p');
    // 54.875' is minutes of a degree; feet are whole.
    if quote && c.name("b").unwrap_or(a).as_str().contains('.') {
        return None;
    }
    let digits = a.as_str().chars().filter(char::is_ascii_digit).count();
    if digits == 0 || c.name("unit2").is_some() && !labelled {
        return None;
    }
    let high = match c.name("b") {
        Some(b) => Some(number(b.as_str())?),
        None => None,
    };
    let mut confidence: f32 = if labelled { 0.97 } else { 0.85 };
    let rest = text[end..].trim_start();
    if !labelled && !backward {
        let needed = if quote { 3 } else { 2 };
        if high.is_none() && digits < needed {
            return None;
        }
        let word: String = rest.chars().take_while(|c| c.is_alphabetic()).collect();
        let direction = matches!(
            word.to_lowercase().as_str(),
            "n" | "s"
                | "e"
                | "w"
                | "ne"
                | "nw"
                | "se"
                | "sw"
                | "nne"
                | "nnw"
                | "ene"
                | "ese"
                | "sse"
                | "ssw"
                | "wsw"
                | "wnw"
                | "north"
                | "south"
                | "east"
                | "west"
                | "from"
                | "off"
                | "along"
                | "past"
                | "of"
                | "wide"
                | "long"
                | "tall"
                | "high"
                | "deep"
                | "diam"
                | "below"
                | "transect"
        );
        let marked = text[end..].starts_with([',', ';', '\n']);
        if direction && !marked && !text[end..].contains('\n')
            || direction && matches!(word.as_str(), "of" | "from")
        {
            return None;
        }
        let head = text[..c.get(0)?.start()].to_lowercase();
        let tail_word = head.trim_end().rsplit(|c: char| !c.is_alphabetic()).next().unwrap_or("");
        if matches!(tail_word, "depth" | "deep" | "diameter" | "dbh" | "quadrat" | "within" | "tall") {
            return None;
        }
    }
    let repairs = repairs_low + high.map_or(0, |h| h.1);
    confidence *= 0.7_f32.powi(repairs);
    let metres = |v: f64| if feet { v * FOOT } else { v };
    let exact = (metres(low), high.map_or(metres(low), |h| metres(h.0)));
    let round = |v: f64| if feet { v.round() } else { v };
    let (minimum, maximum) = (round(exact.0), round(exact.1));
    if maximum < minimum || maximum > 9000.0 {
        return None;
    }
    if c.name("about").is_some() {
        confidence *= 0.98;
    }
    let start = match about {
        Some(word) => word.start(),
        None if backward => c
            .name("unit")
            .map(|u| text[..u.start()].rfind('(').unwrap_or(u.start()))
            .or(c.name("unit2").map(|u| u.start()))?,
        None => a.start(),
    };
    let verbatim = text[start..end].trim_end();
    let chars = text[..start].chars().count();
    Some(ElevationReading {
        bytes: start..start + verbatim.len(),
        chars: chars..chars + verbatim.chars().count(),
        verbatim: verbatim.to_owned(),
        minimum,
        maximum,
        exact,
        confidence,
        approximate: about.is_some(),
        labelled,
    })
}

/// The number and how many look-alikes were repaired in it.
fn number(text: &str) -> Option<(f64, i32)> {
    let mut repairs = 0;
    let mut plain = String::new();
    let chars: Vec<char> = text.chars().collect();
    for (i, &c) in chars.iter().enumerate() {
        match c {
            '0'..='9' => plain.push(c),
            'O' | 'o' => {
                repairs += 1;
                plain.push('0');
            }
            'l' | 'I' | 'i' => {
                repairs += 1;
                plain.push('1');
            }
            // Three digits behind it: thousands. Else the decimal point.
            ',' | '\'' | ' ' | '.' => {
                let behind = chars[i + 1..].iter().take_while(|c| !matches!(c, '.' | ',')).count();
                match (c, behind) {
                    (_, 3) => {}
                    ('.' | ',', _) => plain.push('.'),
                    _ => return None,
                }
            }
            _ => return None,
        }
    }
    Some((plain.parse().ok()?, repairs))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn reads(text: &str, verbatim: &str, minimum: f64, maximum: f64) {
        let found = find(text);
        assert_eq!(found.len(), 1, "{text}: {found:?}");
        assert_eq!(
            (found[0].verbatim.as_str(), found[0].minimum, found[0].maximum),
            (verbatim, minimum, maximum),
            "{text}"
        );
    }

    #[test]
    fn metres_and_feet_in_the_forms_of_the_trade() {
        reads("4100', 4-IX-1978", "4100'", 1250.0, 1250.0);
        reads("8-8 59ARIZ 5000'", "5000'", 1524.0, 1524.0);
        reads("7000' VI-28-66", "7000'", 2134.0, 2134.0);
        reads("2630 ft", "2630 ft", 802.0, 802.0);
        reads("Elev. (m.) 61", "(m.) 61", 61.0, 61.0);
        reads("0-30 m", "0-30 m", 0.0, 30.0);
        reads("10,000 ft.", "10,000 ft.", 3048.0, 3048.0);
        reads("Elevation: 1600-1900 ft", "1600-1900 ft", 488.0, 579.0);
        reads("Alt.: About 3500 ft.", "About 3500 ft.", 1067.0, 1067.0);
        reads("ca. 2,200 feet", "ca. 2,200 feet", 671.0, 671.0);
        reads("Elevation: 1800 Feet", "1800 Feet", 549.0, 549.0);
        reads("alt. 1200 m.", "1200 m.", 1200.0, 1200.0);
        reads("1.200 m", "1.200 m", 1200.0, 1200.0);
        reads("elev. 8 m", "8 m", 8.0, 8.0);
        reads("35OO ft", "35OO ft", 1067.0, 1067.0);
    }

    #[test]
    fn distances_minutes_and_depths_are_no_elevations() {
        for text in [
            "100 m N of bridge",
            "60°09.7'N, 152°36.2'W",
            "54° 54.875' N",
            "10 km W",
            "5 mi.",
            "depth 20 m",
            "no. 12345",
            "11 July 1951",
            "'58",
            "Det. by '61",
        ] {
            assert!(find(text).is_empty(), "{text}: {:?}", find(text));
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "[0-9mftMFT'’.,()OolI a-e°–-]{0,40}|\\PC{0,30}") {
            for r in find(&text) {
                prop_assert_eq!(&text[r.bytes.clone()], &r.verbatim);
                prop_assert!(r.minimum <= r.maximum);
            }
        }
    }
}
