//! Finds coordinates in text as read: degrees in all their spellings, UTM, MGRS
//! grid references, township-range-section as a phrase and, where a label is
//! known to be British, references to the National Grid.
//!
//! Degrees come out decimal, in the datum the label names (or none); UTM and
//! MGRS are converted on the WGS84 ellipsoid by `geoconvert`, a translation of
//! GeographicLib. The uncertainty hint follows from the precision written, as
//! the Georeferencing Best Practices (Chapman & Wieczorek 2020, "uncertainty
//! from coordinate precision") give it; an unnamed datum adds its own, which is
//! not counted here.
//!
//! Degree signs read as `o`, `0`, `*` or an apostrophe are taken back where the
//! number is impossible otherwise, at a cost. A missing hemisphere is never
//! guessed: the numbers are given without a value.

macro_rules! form {
    ($name:ident, $text:expr) => {
        fn $name() -> &'static Regex {
            static FORM: OnceLock<Regex> = OnceLock::new();
            FORM.get_or_init(|| regex($text))
        }
    };
}

mod british;
mod unsigned;

pub use british::find_british;

use super::pieces::{Placed, over};
use geoconvert::{Mgrs, UtmUps};
use regex::{Captures, Regex};
use serde::{Deserialize, Serialize};
use std::ops::Range;
use std::sync::OnceLock;

/// The system a coordinate is written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum System {
    /// `60.1617, -152.6033` or `60.1617°N`.
    DecimalDegrees,
    /// `60° 09.7' N`.
    DegreesDecimalMinutes,
    /// `66°33'41.6"N`, or degrees and whole minutes.
    DegreesMinutesSeconds,
    /// Zone, easting and northing.
    Utm,
    /// A military grid reference.
    Mgrs,
    /// Township, range and section of the United States survey.
    TownshipRange,
    /// A reference to the British National Grid.
    BritishGrid,
}

/// A coordinate in text.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CoordinateReading {
    /// The bytes of the text it covers.
    pub bytes: Range<usize>,
    /// The characters of the text it covers, counted from 0.
    pub chars: Range<usize>,
    /// The words as read.
    pub verbatim: String,
    /// How it is written.
    pub system: System,
    /// Decimal degrees, north positive, -90 to 90.
    pub latitude: Option<f64>,
    /// Decimal degrees, east positive, -180 to 180.
    pub longitude: Option<f64>,
    /// Radius in metres that the written precision allows; `None` where there is
    /// no full coordinate.
    pub uncertainty: Option<f64>,
    /// The datum as the label names it, in its usual form, for example `NAD27`.
    pub datum: Option<String>,
    /// Probability, 0 to 1, that it is a coordinate and read right.
    pub confidence: f32,
    /// Look-alikes repaired in it.
    pub repairs: u8,
    /// What is missing or cannot be, in one plain sentence; empty where nothing.
    pub problem: String,
}

fn regex(text: &str) -> Regex {
    Regex::new(text).expect("a fixed expression, read by the tests")
}

form!(
    angle,
    concat!(
        r"(?:(?i:\b(?P<lab>lat(?:itude)?|lon(?:g(?:itude)?)?|länge|breite)\b)[.:=, ]*)?",
        r"(?:(?P<hb>\b(?:[NSEWOØ]|[Nn]orth|[Ss]outh|[Ee]ast|[Ww]est|Nord|Ost|Ouest|Sud|Süd)(?:\b|_)\.?|\b[NSEW])\s*)?",
        r"(?P<sign>[-−–+])?",
        r"(?P<d>[0-9]{1,4})(?:[.,](?P<df>[0-9]+))?",
        r"(?P<ds>\s*(?:[°º˚*ᵒ⁰o]|deg(?:rees|\.)?|['’′]))?",
        r"(?:\s*(?P<m>[0-9]{1,2})(?:[.,](?P<mf>[0-9]+))?(?P<ms>\s*(?:['’′´`‘]|min(?:utes)?\b\.?|m\b))?",
        r#"(?:\s*(?P<s>[0-9]{1,2})(?:[.,](?P<sf>[0-9]+))?(?P<ss>\s*(?:["”″“]|['’′´]{1,2}|sec(?:onds)?\b\.?|s\b))?)?)?"#,
        r"(?:\s*(?P<ha>[NSEWO]|[Nn]orth|[Ss]outh|[Ee]ast|[Ww]est|Nord|Ost|Ouest|Sud|Süd)(?P<hadot>\.?)(?:[^A-Za-z]|$))?"
    )
);
form!(
    utm_form,
    concat!(
        r"(?i:\bUTM\b[:. ]*)?(?i:\bzone\s*)?\b(?P<zone>[1-5]?[0-9]|60)\s*(?P<band>[C-HJ-NP-X])?\b[\s,:;]*",
        r"(?:(?i:east(?:ing)?|e)[:.= ]*)?0?(?P<e>[1-9][0-9]{5})(?:\.[0-9]+)?\s*(?:m?\s*E\b|m\b)?[\s,;/]*",
        r"(?:(?i:north(?:ing)?|n)[:.= ]*)?(?P<n>[0-9]{6,7})(?:\.[0-9]+)?(?:\s*m?\s*N\b)?"
    )
);
form!(
    mgrs_form,
    r"\b(?P<zone>[1-5]?[0-9]|60)\s?(?P<band>[C-HJ-NP-X])\s?(?P<square>[A-HJ-NP-Z][A-HJ-NP-V])\s?(?P<e>[0-9]{1,10})(?:\s(?P<n>[0-9]{1,5}))?\b"
);
form!(
    township,
    concat!(
        r"(?i)(?:(?P<quarter0>(?:[NSEW]{1,2}\s?(?:1/4|¼|½|1/2)?,?\s*(?:of\s+)?){1,3}\s*)?\bsec(?:tions?|t)?\b[.,: ]*(?P<s0>[0-9]{1,2})\s*(?P<q0>[NSEW]{1,2}\b)?[,;: ]*)?",
        r"\bT\.?\s?(?P<t>[0-9]{1,3})\s?(?P<tn>[NS])\b\.?[,;: ]*\s*R\.?\s?(?P<r>[0-9]{1,3})\s?(?P<rw>[EW])\b",
        r"(?:[.,;: ]*\s*(?:sec(?:tions?|t)?|S)[.,: ]*(?P<s1>[0-9]{1,2})\b(?:[,;: ]*(?:[NSEW]{1,2}\s?(?:1/4|¼|1/2|½)(?:\s+of)?[,;: ]*)*(?:\b[NSEW]{2}\b)?)?)?"
    )
);
form!(
    decimals,
    r"(?P<lat>[-−+]?[0-9]{1,2}\.[0-9]{2,})\s*[°º]?\s*[,;/ ]\s*(?P<lon>[-−+]?[0-9]{1,3}\.[0-9]{2,})\b"
);
form!(
    datum_form,
    r"(?i)\b(?:datum[: ]*)?(WGS[ -]?84|WGS[ -]?72|NAD[ -]?(?:19)?27|NAD[ -]?(?:19)?83|ED[ -]?50|ETRS[ -]?89|GDA[ -]?94|OSGB[ -]?36|SAD[ -]?69|AGD[ -]?66|Tokyo)\b"
);

/// Finds every coordinate of `text`, in the order of the text; none overlaps
/// another. Latitude and longitude standing beside each other are one.
pub fn find(text: &str) -> Vec<CoordinateReading> {
    over(text, find_in)
}

impl Placed for CoordinateReading {
    fn places(&mut self) -> (&mut Range<usize>, &mut Range<usize>) {
        (&mut self.bytes, &mut self.chars)
    }
}

fn find_in(text: &str) -> Vec<CoordinateReading> {
    let mut found: Vec<CoordinateReading> = Vec::new();
    if !text.bytes().any(|b| b.is_ascii_digit()) {
        return found;
    }
    let mut keep = |r: CoordinateReading| {
        if !found.iter().any(|f| f.bytes.start < r.bytes.end && r.bytes.start < f.bytes.end) {
            found.push(r);
        }
    };
    for c in township().captures_iter(text) {
        keep(phrase(text, c.get(0).map_or(0..0, |m| m.range())));
    }
    for c in utm_form().captures_iter(text) {
        if let Some(r) = utm(text, &c) {
            keep(r);
        }
    }
    for c in mgrs_form().captures_iter(text) {
        if let Some(r) = mgrs(text, &c) {
            keep(r);
        }
    }
    for r in unsigned::find(text).into_iter().chain(degrees(text)) {
        keep(r);
    }
    for c in decimals().captures_iter(text) {
        if let Some(r) = plain_decimals(text, &c) {
            keep(r);
        }
    }
    found.sort_by_key(|r| r.bytes.start);
    for i in 0..found.len() {
        let end = found.get(i + 1).map_or(text.len(), |n| n.bytes.start);
        let behind = &text[found[i].bytes.end..end];
        let near = behind.char_indices().nth(30).map_or(behind, |(at, _)| &behind[..at]);
        if let Some(c) = datum_form().captures(near) {
            found[i].datum = Some(datum_name(&c[1]));
        }
    }
    found
}

fn datum_name(text: &str) -> String {
    let name: String = text.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_uppercase();
    match name.as_str() {
        "NAD1927" => "NAD27".into(),
        "NAD1983" => "NAD83".into(),
        _ => name,
    }
}

fn blank(text: &str, range: Range<usize>, system: System) -> CoordinateReading {
    let slice = &text[range.clone()];
    let trimmed = slice.trim();
    let start = range.start + (slice.len() - slice.trim_start().len());
    let chars = text[..start].chars().count();
    CoordinateReading {
        bytes: start..start + trimmed.len(),
        chars: chars..chars + trimmed.chars().count(),
        verbatim: trimmed.to_owned(),
        system,
        latitude: None,
        longitude: None,
        uncertainty: None,
        datum: None,
        confidence: 0.9,
        repairs: 0,
        problem: String::new(),
    }
}

fn phrase(text: &str, range: Range<usize>) -> CoordinateReading {
    let end = range.start + text[range.clone()].trim_end_matches([',', ';', ' ', ':', '.']).len();
    CoordinateReading { confidence: 0.92, ..blank(text, range.start..end, System::TownshipRange) }
}

fn utm(text: &str, c: &Captures) -> Option<CoordinateReading> {
    let whole = c.get(0)?;
    let zone: i32 = c["zone"].parse().ok().filter(|z| (1..=60).contains(z))?;
    let (easting, northing): (f64, f64) = (c["e"].parse().ok()?, c["n"].parse().ok()?);
    if !(100_000.0..1_000_000.0).contains(&easting) || northing >= 10_000_000.0 {
        return None;
    }
    let band = c.name("band").and_then(|b| b.as_str().chars().next());
    let said =
        whole.as_str().to_ascii_uppercase().contains("UTM") || whole.as_str().to_lowercase().contains("zone");
    if band.is_none() && !said {
        return None;
    }
    let mut reading = blank(text, whole.range(), System::Utm);
    // A band letter tells the hemisphere; N and S may also be the hemisphere.
    let north = match band {
        Some('S') => (3_500_000.0..4_500_000.0).contains(&northing),
        Some(b) => b >= 'N',
        None => {
            reading.problem = "The label does not say whether the northing is north of the equator.".into();
            reading.confidence = 0.6;
            return Some(reading);
        }
    };
    let point = UtmUps::create(zone, north, easting, northing).ok()?.to_latlon();
    reading.latitude = Some(point.latitude());
    reading.longitude = Some(point.longitude());
    let step = trailing_step(&c["e"]).max(trailing_step(&c["n"]));
    reading.uncertainty = Some((step * std::f64::consts::SQRT_2).max(1.0).ceil());
    reading.confidence = 0.93;
    Some(reading)
}

/// The unit a number of metres was written to, by its trailing zeros, at most
/// 1000.
fn trailing_step(digits: &str) -> f64 {
    let zeros = digits.bytes().rev().take_while(|b| *b == b'0').count().min(3);
    10_f64.powi(zeros as i32)
}

fn mgrs(text: &str, c: &Captures) -> Option<CoordinateReading> {
    let whole = c.get(0)?;
    let (e, n) = match c.name("n") {
        Some(n) if n.as_str().len() == c["e"].len() => (c["e"].to_owned(), n.as_str().to_owned()),
        Some(_) => return None,
        None if c["e"].len().is_multiple_of(2) => {
            let half = c["e"].len() / 2;
            (c["e"][..half].to_owned(), c["e"][half..].to_owned())
        }
        None => return None,
    };
    if e.len() < 2 || e.len() > 5 {
        return None;
    }
    let reference = format!("{}{}{}{e}{n}", &c["zone"], &c["band"], &c["square"]);
    let parsed = Mgrs::parse_str(&reference).ok()?;
    // The reference names a square; its middle is given.
    let point = parsed.to_latlon();
    let mut reading = blank(text, whole.range(), System::Mgrs);
    reading.latitude = Some(point.latitude());
    reading.longitude = Some(point.longitude());
    let square = 10_f64.powi(5 - e.len() as i32);
    reading.uncertainty = Some((square * std::f64::consts::SQRT_2 / 2.0).ceil());
    reading.confidence = if e.len() >= 3 { 0.9 } else { 0.7 };
    Some(reading)
}

fn plain_decimals(text: &str, c: &Captures) -> Option<CoordinateReading> {
    let parse = |s: &str| s.replace('−', "-").parse::<f64>().ok();
    let (lat, lon) = (parse(&c["lat"])?, parse(&c["lon"])?);
    if lat.abs() > 90.0 || lon.abs() > 180.0 {
        return None;
    }
    let whole = c.get(0)?;
    if text[..whole.start()].ends_with(|p: char| p.is_alphanumeric() || p == '.') {
        return None;
    }
    let places = |s: &str| s.split('.').nth(1).map_or(0, str::len);
    let step = 10_f64.powi(-(places(&c["lat"]).min(places(&c["lon"])) as i32));
    let signed = c["lat"].starts_with(['-', '−', '+']) || c["lon"].starts_with(['-', '−', '+']);
    let mut reading = blank(text, whole.range(), System::DecimalDegrees);
    reading.latitude = Some(lat);
    reading.longitude = Some(lon);
    reading.uncertainty = Some(precision_radius(lat, step));
    reading.confidence = if signed || places(&c["lat"]) >= 4 { 0.85 } else { 0.5 };
    Some(reading)
}

/// One angle with what is said about it.
struct Angle {
    range: Range<usize>,
    value: f64,
    /// The smallest unit written, in degrees.
    step: f64,
    /// `N`, `S`, `E` or `W`.
    hemisphere: Option<char>,
    /// Whether a word says it is a latitude.
    latitude: Option<bool>,
    signed: bool,
    system: System,
    repairs: u8,
    cost: f32,
    problem: String,
    degree_sign: bool,
}

fn degrees(text: &str) -> Vec<CoordinateReading> {
    let mut angles: Vec<Angle> = Vec::new();
    let mut at = 0;
    while at < text.len() {
        let Some(c) = angle().captures_at(text, at) else { break };
        let digits = c.name("d").map_or(at, |d| d.start());
        match one_angle(text, &c) {
            Some(angle) => {
                at = angle.range.end.max(digits + 1);
                angles.push(angle);
            }
            None => {
                // Behind the run of digits: its tail is no angle of its own.
                at = digits + text[digits..].bytes().take_while(u8::is_ascii_digit).count();
            }
        }
    }
    let mut out = Vec::new();
    let mut i = 0;
    while i < angles.len() {
        let pair = angles.get(i + 1).filter(|b| {
            let between = &text[angles[i].range.end..b.range.start];
            let joins = between.chars().count() <= 6
                && between.chars().all(|c| c.is_whitespace() || ",;/.:-–—&xby()".contains(c));
            joins && fits_pair(&angles[i], b)
        });
        if let Some(b) = pair {
            out.extend(paired(text, &angles[i], b));
            i += 2;
        } else {
            out.extend(lone(text, &angles[i]));
            i += 1;
        }
    }
    out
}

fn is_latitude(a: &Angle) -> Option<bool> {
    a.hemisphere.map(|h| matches!(h, 'N' | 'S')).or(a.latitude).or((a.value > 90.0).then_some(false))
}

fn fits_pair(a: &Angle, b: &Angle) -> bool {
    match (is_latitude(a), is_latitude(b)) {
        (Some(x), Some(y)) => x != y,
        (None, Some(y)) => !y,
        (Some(x), None) => x,
        (None, None) => a.degree_sign && b.degree_sign,
    }
}

fn one_angle(text: &str, c: &Captures) -> Option<Angle> {
    let whole = c.get(0)?;
    let d = c.name("d")?;
    // A number glued to a word or another number is none of these.
    if c.name("hb").is_none() && c.name("lab").is_none() && c.name("sign").is_none() {
        let before = text[..d.start()].chars().next_back();
        if before.is_some_and(|b| b.is_alphanumeric() || matches!(b, '.' | '#')) {
            return None;
        }
    }
    let fraction = |name: &str| c.name(name).map_or(String::new(), |m| m.as_str().to_owned());
    let mut repairs = 0;
    let mut cost = 0.0;
    let mut degree_text = d.as_str().to_owned();
    let mut minute_text = c.name("m").map_or(String::new(), |m| m.as_str().to_owned());
    let sign_text = c.name("ds").map(|m| m.as_str().trim().to_owned());
    let mut degree_sign = sign_text.as_deref().is_some_and(|s| !s.starts_with(['\'', '’', '′']));
    let (mut minutes, mut seconds) = (c.name("m"), c.name("s"));
    let minute_sign = c.name("ms").is_some();
    if sign_text.as_deref() == Some("o") {
        // An o between numbers is a sign, before letters a word begins.
        let behind = c.name("ds").map_or(0, |m| m.end());
        if text[behind..].starts_with(char::is_alphabetic) {
            return None;
        }
    }
    let mut hemisphere = c.name("hb").or(c.name("ha")).map(|h| letter(h.as_str()));
    // N. 48° 48' W. 88° 40': with a letter in front, the one behind belongs to
    // the next angle.
    let mut end = if let Some(ha) = c.name("ha") {
        if c.name("hb").is_some() {
            ha.start()
        } else {
            ha.end() + c.name("hadot").map_or(0, |p| p.as_str().len())
        }
    } else {
        whole.end()
    };
    // 48° 24' 86° 11': a number with a degree sign begins the next angle.
    if text[end..].trim_start().starts_with(['°', 'º', '˚', '*']) && c.name("ha").is_none() {
        if seconds.is_some() && c.name("ss").is_none() {
            seconds = None;
            end = c.name("ms").or(minutes).map_or(end, |m| m.end());
        } else if seconds.is_none() && minutes.is_some() && !minute_sign {
            minutes = None;
            end = c.name("ds").or(c.name("df")).map_or(d.end(), |m| m.end());
        }
    }
    // O is west in French and Spanish and east in German; alone it is neither.
    if hemisphere == Some('O') {
        hemisphere = None;
        cost += 0.2;
    }
    if let Some(s) = &sign_text {
        if s.starts_with(['\'', '’', '′']) {
            if minutes.is_none() || !minute_sign || hemisphere.is_none() {
                return None;
            }
            repairs += 1;
            cost += 0.2;
            degree_sign = true;
        } else if !s.starts_with(['°', 'º', '˚', 'd']) {
            repairs += 1;
            cost += 0.1;
        }
    } else if let Some(m) = minutes
        && minute_sign
        && m.start() == d.end()
    {
        // 60009.7' : the sign read as a nought.
        let digits = format!("{degree_text}{}", m.as_str());
        let split = digits.len().saturating_sub(2);
        degree_text = digits[..split].to_owned();
        minute_text = digits[split..].to_owned();
        let too_big = degree_text
            .parse::<u32>()
            .is_ok_and(|v| v > 180 || hemisphere.is_some_and(|h| matches!(h, 'N' | 'S')) && v > 90);
        if too_big && degree_text.len() >= 2 && degree_text.ends_with('0') {
            degree_text.pop();
            repairs += 1;
            cost += 0.35;
            degree_sign = true;
        }
    }
    let labelled = c.name("lab").is_some();
    let decimals_long = fraction("df").len() >= 3;
    let written = degree_sign || (minutes.is_some() && minute_sign && (hemisphere.is_some() || labelled));
    let plain = hemisphere.is_some() && (decimals_long || minutes.is_some() && degree_text.len() <= 3);
    if !(written || plain || labelled && hemisphere.is_some()) {
        return None;
    }
    if !degree_sign && !minute_sign && !labelled {
        // 41 11 N 74 08 W: only believed as a pair.
        cost += 0.35;
        if !decimals_long && minutes.is_none_or(|m| m.as_str().len() != 2) {
            return None;
        }
    }
    let number = |whole: &str, part: &str| format!("{whole}.{part}0").parse::<f64>().unwrap_or(f64::NAN);
    let mut value = number(&degree_text, &fraction("df"));
    let mut step = 10_f64.powi(-(fraction("df").len().min(12) as i32));
    let mut system = System::DegreesMinutesSeconds;
    let mut problem = String::new();
    let mut keep_minutes = true;
    if let Some(m) = minutes {
        let minute_value = number(&minute_text, &fraction("mf"));
        if !fraction("df").is_empty() {
            // 60.1617 N 152: the next number is no minute.
            keep_minutes = false;
        } else {
            if minute_value >= 60.0 {
                problem = format!("{minute_text} minutes cannot be; a degree has 60.");
            }
            value += minute_value / 60.0;
            step = 10_f64.powi(-(fraction("mf").len().min(12) as i32)) / 60.0;
            if !fraction("mf").is_empty() {
                system = System::DegreesDecimalMinutes;
            }
            if let Some(s) = seconds {
                if fraction("mf").is_empty() {
                    let second_value = number(s.as_str(), &fraction("sf"));
                    if second_value >= 60.0 {
                        problem = format!("{} seconds cannot be; a minute has 60.", s.as_str());
                    }
                    value += second_value / 3600.0;
                    step = 10_f64.powi(-(fraction("sf").len().min(12) as i32)) / 3600.0;
                } else {
                    end = c.name("ms").map_or(m.end(), |x| x.end());
                    hemisphere = c.name("hb").map(|h| letter(h.as_str()));
                }
            }
        }
    } else if !fraction("df").is_empty() {
        system = System::DecimalDegrees;
    }
    if !keep_minutes {
        system = System::DecimalDegrees;
        end = c.name("ds").map_or(c.name("df").map_or(d.end(), |x| x.end()), |x| x.end());
        hemisphere = c.name("hb").map(|h| letter(h.as_str()));
    }
    if value > 180.0 || matches!(hemisphere, Some('N' | 'S')) && value > 90.0 {
        problem = format!("{degree_text} degrees cannot be.");
    }
    let latitude = c.name("lab").map(|l| {
        let l = l.as_str().to_lowercase();
        l.starts_with("la") || l.starts_with('b')
    });
    let signed = c.name("sign").is_some_and(|s| matches!(s.as_str(), "-" | "−" | "+"));
    if c.name("sign").is_some_and(|s| matches!(s.as_str(), "-" | "−" | "–")) && hemisphere.is_none() {
        value = -value;
    }
    Some(Angle {
        range: whole.start()..end,
        value,
        step,
        hemisphere,
        latitude,
        signed,
        system,
        repairs,
        cost,
        problem,
        degree_sign,
    })
}

fn letter(text: &str) -> char {
    match text.trim_end_matches(['.', '_']) {
        "Ost" => 'E',
        "Ouest" => 'W',
        other => other.chars().next().map_or(' ', |c| c.to_ascii_uppercase()),
    }
}

fn paired(text: &str, a: &Angle, b: &Angle) -> Option<CoordinateReading> {
    let (lat, lon) =
        if is_latitude(a) == Some(false) || is_latitude(b) == Some(true) { (b, a) } else { (a, b) };
    let system = if a.system == b.system { a.system } else { finer(a.system, b.system) };
    let mut reading = blank(text, a.range.start..b.range.end, system);
    reading.repairs = a.repairs + b.repairs;
    reading.confidence = 0.97 * (-(a.cost + b.cost) * 0.7).exp();
    let said =
        |angle: &Angle| angle.hemisphere.is_some() || angle.signed || angle.system == System::DecimalDegrees;
    reading.problem =
        [&a.problem, &b.problem].into_iter().find(|p| !p.is_empty()).cloned().unwrap_or_default();
    if !reading.problem.is_empty() {
        reading.confidence *= 0.3;
        return Some(reading);
    }
    if !(said(lat) && said(lon)) {
        reading.problem = "The label does not name the hemisphere.".into();
        reading.confidence *= 0.5;
        return Some(reading);
    }
    let signed = |angle: &Angle| match angle.hemisphere {
        Some('S' | 'W') => -angle.value.abs(),
        _ => angle.value,
    };
    let latitude = signed(lat);
    if latitude.abs() > 90.0 {
        reading.problem = format!("{latitude} degrees of latitude cannot be.");
        reading.confidence *= 0.3;
        return Some(reading);
    }
    reading.latitude = Some(latitude);
    reading.longitude = Some(signed(lon));
    reading.uncertainty = Some(precision_radius(latitude, a.step.max(b.step)));
    Some(reading)
}

fn finer(a: System, b: System) -> System {
    if a == System::DegreesDecimalMinutes || b == System::DegreesDecimalMinutes {
        System::DegreesDecimalMinutes
    } else {
        System::DegreesMinutesSeconds
    }
}

fn lone(text: &str, a: &Angle) -> Option<CoordinateReading> {
    if !(a.degree_sign && (a.hemisphere.is_some() || a.latitude.is_some())) {
        return None;
    }
    let mut reading = blank(text, a.range.clone(), a.system);
    reading.repairs = a.repairs;
    reading.confidence = 0.8 * (-a.cost).exp();
    if !a.problem.is_empty() {
        reading.problem = a.problem.clone();
        return Some(reading);
    }
    let value = if matches!(a.hemisphere, Some('S' | 'W')) { -a.value } else { a.value };
    if a.hemisphere.is_some() || a.signed {
        match is_latitude(a)? {
            true => reading.latitude = Some(value),
            false => reading.longitude = Some(value),
        }
        reading.problem = format!(
            "Only the {} is given.",
            if reading.latitude.is_some() { "latitude" } else { "longitude" }
        );
    } else {
        reading.problem = "The label does not name the hemisphere.".into();
    }
    Some(reading)
}

/// The radius in metres of the area within which a coordinate written to `step`
/// degrees may lie, at `latitude`: the diagonal of one step north and one step
/// east (Georeferencing Best Practices 2020, section on uncertainty from
/// coordinate precision), on a sphere with the radius of the WGS84 equator.
pub fn precision_radius(latitude: f64, step: f64) -> f64 {
    let degree = 6_378_137.0 * std::f64::consts::PI / 180.0;
    let (north, east) = (step * degree, step * degree * latitude.to_radians().cos());
    north.hypot(east).ceil().max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn reads(text: &str, latitude: f64, longitude: f64) -> CoordinateReading {
        let found = find(text);
        assert_eq!(found.len(), 1, "{text}: {found:#?}");
        let r = &found[0];
        let near = |a: Option<f64>, b: f64| a.is_some_and(|a| (a - b).abs() < 6e-6);
        assert!(near(r.latitude, latitude) && near(r.longitude, longitude), "{text}: {r:#?}");
        r.clone()
    }

    // The values of this test are degrees + minutes / 60 + seconds / 3600, worked
    // by hand.
    #[test]
    fn degrees_in_all_their_spellings() {
        reads("60°09.7'N, 152°36.2'W", 60.161_667, -152.603_333);
        reads("60° 33.458'N 172° 56.761'W", 60.557_633, -172.946_017);
        reads("66°33'41.6\"N 158°59'56.6\"W", 66.561_556, -158.999_056);
        reads("66°35'17.9\" N 158°59'38.7\" W", 66.588_306, -158.994_083);
        reads("66°35'17.9'' N 158°59'38.7'' W", 66.588_306, -158.994_083);
        reads("54° 54.1' N 159° 16.1' W", 54.901_667, -159.268_333);
        reads("N. 48° 48' W.88° 40'", 48.8, -88.666_667);
        reads("N.48° 50' W. 88° 41'", 48.833_333, -88.683_333);
        reads("Lat. 51° 52'N. Long. 68° 09'W.", 51.866_667, -68.15);
        reads("Lat/Long: 60°09'N, 152°36'W", 60.15, -152.6);
        reads("41°11'N, 74°08'W", 41.183_333, -74.133_333);
        reads("68°38'N,149°34'W", 68.633_333, -149.566_667);
        reads("63° 15' N, 106° W", 63.25, -106.0);
        reads("52°55.4'N, 172°28.0'E", 52.923_333, 172.466_667);
        reads("45°13'30\"N, 121°42'W", 45.225, -121.7);
        reads("41 11 N 74 08 W", 41.183_333, -74.133_333);
        reads("54.9017°N 159.2683°W", 54.9017, -159.2683);
        reads("54.9017, -159.2683", 54.9017, -159.2683);
        reads("34 deg. 5 min. S, 18 deg. 30 min. E", -34.083_333, 18.5);
        reads("N54.9017 W159.2683", 54.9017, -159.2683);
    }

    #[test]
    fn degree_signs_read_as_something_else_are_taken_back() {
        for text in [
            "60o09.7'N, 152o36.2'W",
            "60*09.7'N, 152*36.2'W",
            "60009.7'N, 152036.2'W",
            "60º09.7'N 152º36.2'W",
        ] {
            let r = reads(text, 60.161_667, -152.603_333);
            assert_eq!(r.repairs > 0, !text.contains('º'), "{text}");
        }
    }

    #[test]
    fn a_missing_hemisphere_is_not_guessed() {
        let r = &find("48° 24' 86° 11'")[0];
        assert_eq!((r.latitude, r.longitude), (None, None));
        assert_eq!(r.problem, "The label does not name the hemisphere.");
        assert_eq!(find("Lat. 40° N")[0].latitude, Some(40.0));
        assert_eq!(find("60°75'N, 152°36'W")[0].problem, "75 minutes cannot be; a degree has 60.");
    }

    // pyproj 3.7.2 (PROJ 9.5.1): Transformer.from_crs(32612, 4326) and so on; see
    // the table in tests/standards for the whole set.
    #[test]
    fn utm_and_grid_references_are_converted() {
        let r = &find("UTM 12S 509500 3694500")[0];
        assert!(
            (r.latitude.unwrap() - 33.390).abs() < 0.01 && (r.longitude.unwrap() + 110.898).abs() < 0.01,
            "{r:?}"
        );
        assert_eq!(r.system, System::Utm);
        assert_eq!(r.uncertainty, Some(142.0));
        let r = &find("12S WB 0950 9450 (NAD 27)")[0];
        assert_eq!(r.datum.as_deref(), Some("NAD27"));
        assert_eq!(r.system, System::Mgrs);
        assert!(find("UTM zone 12 509500 3694500")[0].latitude.is_none());
    }

    #[test]
    fn townships_are_kept_as_a_phrase() {
        for text in [
            "T35N, R3E, S22",
            "sec. 8, T34N, R6E",
            "Sec 13 SW, T 58 S, R 81E",
            "Section 18NW, T61S, R81E",
            "T.10S., R.20E., sec. 22",
        ] {
            let found = find(text);
            assert_eq!(found.len(), 1, "{text} {found:?}");
            assert_eq!(found[0].system, System::TownshipRange);
            assert_eq!(found[0].verbatim, text);
        }
        let both = find("T.10S., R.20E., sec. 22, 29°37'N, 82°18'W");
        assert_eq!(both.len(), 2, "{both:?}");
    }

    #[test]
    fn other_numbers_are_no_coordinates() {
        for text in [
            "10 km.W.of",
            "4-IX-1978",
            "EMEC 609,488",
            "1600-1900 ft",
            "15 N of bridge",
            "3 mi. W 12",
            "5000' W slope",
            "20° C",
        ] {
            assert!(find(text).is_empty(), "{text}: {:?}", find(text));
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "[0-9NSEW°'\"., o*-]{0,40}|[0-9A-Z ]{0,24}|\\PC{0,30}") {
            for r in find(&text) {
                prop_assert_eq!(&text[r.bytes.clone()], &r.verbatim);
                prop_assert!(r.latitude.is_none_or(|l| (-90.0..=90.0).contains(&l)));
                prop_assert!(r.longitude.is_none_or(|l| (-180.0..=180.0).contains(&l)));
            }
        }

        #[test]
        fn written_degrees_come_back(lat in -89.9_f64..89.9, lon in -179.9_f64..179.9, form in 0..3) {
            let part = |v: f64, hemispheres: [char; 2]| {
                let h = hemispheres[usize::from(v < 0.0)];
                let v = v.abs();
                match form {
                    0 => format!("{v:.5}°{h}"),
                    1 => {
                        let minutes = (v * 60.0 * 1000.0).round() as u64;
                        format!("{}°{:02}.{:03}'{h}", minutes / 60_000, minutes / 1000 % 60, minutes % 1000)
                    }
                    _ => {
                        let seconds = (v * 3600.0 * 10.0).round() as u64;
                        format!("{}°{:02}'{:02}.{}\"{h}", seconds / 36_000, seconds / 600 % 60, seconds / 10 % 60, seconds % 10)
                    }
                }
            };
            let text = format!("{}, {}", part(lat, ['N', 'S']), part(lon, ['E', 'W']));
            let found = find(&text);
            prop_assert_eq!(found.len(), 1, "{}", text);
            prop_assert!((found[0].latitude.unwrap() - lat).abs() < 1.5e-5, "{} {:?}", text, found);
            prop_assert!((found[0].longitude.unwrap() - lon).abs() < 1.5e-5, "{} {:?}", text, found);
        }
    }
}
