//! Reads EDTF, levels 0 and 1 (Library of Congress, Extended Date/Time Format
//! specification, 4 February 2019), as the days it covers.
//!
//! Left out: years of other than four digits and before the year 1 (no
//! collecting date has one). A season is taken for the northern hemisphere, as
//! `config/dates.toml` has it where nobody changed it.

use super::{IsoDate, PartDate};
use jiff::civil::Date;

/// A value of EDTF.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edtf {
    /// The first day it can mean; `None` where the start is open or unknown.
    pub first: Option<Date>,
    /// The last day it can mean; `None` where the end is open or unknown.
    pub last: Option<Date>,
    /// It is marked as uncertain (`?` or `%`).
    pub uncertain: bool,
    /// It is marked as approximate (`~` or `%`).
    pub approximate: bool,
}

impl Edtf {
    /// Reads a whole value; `None` where it is no EDTF of levels 0 and 1.
    pub fn parse(text: &str) -> Option<Edtf> {
        let Some((a, b)) = text.split_once('/') else {
            if let Some(iso) = IsoDate::parse(text).filter(|i| !i.interval) {
                return Some(Edtf {
                    first: Some(iso.first()),
                    last: Some(iso.last()),
                    uncertain: false,
                    approximate: false,
                });
            }
            let end = end(text)?;
            return Some(Edtf {
                first: Some(end.first),
                last: Some(end.last),
                uncertain: end.uncertain,
                approximate: end.approximate,
            });
        };
        let open = |t: &str| t.is_empty() || t == "..";
        if open(a) && open(b) {
            return None;
        }
        let read = |t: &str| if open(t) { Some(None) } else { end(t).map(Some) };
        let (a, b) = (read(a)?, read(b)?);
        if let (Some(a), Some(b)) = (&a, &b)
            && b.last < a.first
        {
            return None;
        }
        let either = |f: fn(&End) -> bool| a.as_ref().is_some_and(f) || b.as_ref().is_some_and(f);
        Some(Edtf {
            first: a.as_ref().map(|e| e.first),
            last: b.as_ref().map(|e| e.last),
            uncertain: either(|e| e.uncertain),
            approximate: either(|e| e.approximate),
        })
    }
}

/// First and last day of a date as the catalogue holds it: ISO 8601 with times and shortened ends
/// (`2007-11-13/15`), else EDTF; `None` where it is neither, or open at one end.
pub fn days_of(value: &str) -> Option<(Date, Date)> {
    match IsoDate::parse(value) {
        Some(iso) => Some((iso.first(), iso.last())),
        None => Edtf::parse(value).and_then(|e| e.first.zip(e.last)),
    }
}

struct End {
    first: Date,
    last: Date,
    uncertain: bool,
    approximate: bool,
}

fn end(text: &str) -> Option<End> {
    let (body, uncertain, approximate) = match text.as_bytes().last()? {
        b'?' => (&text[..text.len() - 1], true, false),
        b'~' => (&text[..text.len() - 1], false, true),
        b'%' => (&text[..text.len() - 1], true, true),
        _ => (text, false, false),
    };
    let (first, last) = span(body)?;
    Some(End { first, last, uncertain, approximate })
}

fn span(body: &str) -> Option<(Date, Date)> {
    let mut parts = body.split('-');
    let (year, month, day) = (parts.next()?, parts.next(), parts.next());
    if parts.next().is_some() || year.len() != 4 {
        return None;
    }
    let digits = year.trim_end_matches('X');
    let masked = year.len() - digits.len();
    if masked > 2 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let low: i16 = format!("{digits}{}", "0".repeat(masked)).parse().ok()?;
    let high: i16 = format!("{digits}{}", "9".repeat(masked)).parse().ok()?;
    let two = |t: &str| {
        (t.len() == 2 && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse::<u8>().ok()).flatten()
    };
    match (month, day) {
        (None, None) | (Some("XX"), None | Some("XX")) if masked == 0 || month.is_none() => {
            Some((Date::new(low.max(1), 1, 1).ok()?, Date::new(high, 12, 31).ok()?))
        }
        (Some(month), None) if masked == 0 && matches!(two(month), Some(21..=24)) => {
            let [a, b] = [[3, 5], [6, 8], [9, 11], [12, 2]][usize::from(two(month)?) - 21];
            // A winter begins or ends in the year that is named.
            let over = i16::from(a > b);
            let (start, stop) = (Date::new(low - over, a, 1).ok()?, Date::new(low + over, b, 1).ok()?);
            Some((start, stop.last_of_month()))
        }
        (Some(month), day) if masked == 0 => {
            let month = two(month)?;
            let day = match day {
                None | Some("XX") => 0,
                Some(day) => two(day).filter(|d| *d > 0)?,
            };
            let date = PartDate::new(low, month, day).filter(|d| d.month > 0)?;
            Some((date.first(), date.last()))
        }
        _ => None,
    }
}
