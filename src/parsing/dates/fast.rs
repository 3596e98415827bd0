//! Reads one whole value as a date, quickly, for tables of millions of rows.
//!
//! A scanner over bytes takes the common forms (ISO 8601, `11 July 1951`,
//! `VII-4-54`, `7/17/1932`) without allocating; whatever it does not know goes
//! to the general finder, whose match must then cover the value to its ends.

use super::iso::{self, Scan};
use super::{DateRules, DateShape, Order, PartDate, find, fold_name};

/// What a value turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// There is nothing in it.
    Empty,
    /// ISO 8601 as written, as Darwin Core asks for.
    Standard,
    /// Understood, with one meaning.
    Understood,
    /// The year has two digits; the dates given are the likeliest.
    OpenCentury,
    /// Two numbers may each be the day; the dates given are the likeliest.
    OpenOrder,
    /// Day and month without a year.
    NoYear,
    /// Such a day does not exist.
    Impossible,
    /// Not understood, or not to the end.
    Unread,
}

/// One value read as a date. Dates are zero where there is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct One {
    /// How well it was understood.
    pub standing: Standing,
    /// The first date.
    pub from: PartDate,
    /// The last date; the same as the first where it is no interval.
    pub to: PartDate,
}

impl One {
    fn plain(standing: Standing) -> One {
        One { standing, from: PartDate::default(), to: PartDate::default() }
    }

    fn of(standing: Standing, from: PartDate) -> One {
        One { standing, from, to: from }
    }

    /// Whether it names a date or an interval of dates.
    pub fn has_date(&self) -> bool {
        matches!(
            self.standing,
            Standing::Standard | Standing::Understood | Standing::OpenCentury | Standing::OpenOrder
        )
    }

    /// ISO 8601; empty where there is no date.
    pub fn iso(&self) -> String {
        match self.has_date() {
            false => String::new(),
            true if self.from == self.to => self.from.iso(),
            true => format!("{}/{}", self.from.iso(), self.to.iso()),
        }
    }
}

/// Reads `value` as one date.
pub fn parse_one(value: &str, rules: &DateRules) -> One {
    let bytes = value.as_bytes().trim_ascii();
    if bytes.is_empty() {
        return One::plain(Standing::Empty);
    }
    if let Some(one) = scan(bytes, rules) {
        return one;
    }
    general(value.trim(), rules)
}

struct Scanner<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Scanner<'a> {
    fn peek(&self) -> u8 {
        self.bytes.get(self.at).copied().unwrap_or(0)
    }

    /// A run of at most five digits: its length and value.
    fn digits(&mut self) -> (usize, u32) {
        let start = self.at;
        let mut value = 0;
        while self.at - start < 5 && self.peek().is_ascii_digit() {
            value = value * 10 + u32::from(self.peek() - b'0');
            self.at += 1;
        }
        (self.at - start, value)
    }

    fn letters(&mut self) -> &'a [u8] {
        let start = self.at;
        while self.peek().is_ascii_alphabetic() {
            self.at += 1;
        }
        &self.bytes[start..self.at]
    }

    /// One mark with blanks around it, or blanks alone; 0 where there is none.
    fn mark(&mut self) -> u8 {
        let start = self.at;
        while self.peek() == b' ' {
            self.at += 1;
        }
        let mark = match self.peek() {
            m @ (b'-' | b'/' | b'.' | b',') => {
                self.at += 1;
                m
            }
            _ if self.at > start => b' ',
            _ => return 0,
        };
        // "Sept. 3, 1950", "12.-VII": one more of these changes nothing.
        if mark == b'.' && matches!(self.peek(), b'-' | b',' | b'/') {
            self.at += 1;
        }
        while self.peek() == b' ' {
            self.at += 1;
        }
        mark
    }

    fn done(&self) -> bool {
        self.at == self.bytes.len()
    }
}

/// The common forms; `None` sends the value to the general finder.
fn scan(bytes: &[u8], rules: &DateRules) -> Option<One> {
    let mut s = Scanner { bytes, at: 0 };
    if s.peek().is_ascii_digit() {
        let (length, first) = s.digits();
        if length == 4 {
            return match iso::scan(bytes) {
                // A lone number must be a likely year; with a month it need not.
                Scan::Date(d) if d.from.date.month == 0 && !plausible(first as i16) => None,
                Scan::Date(d) => Some(One { standing: Standing::Standard, from: d.from.date, to: d.to.date }),
                Scan::Impossible => Some(One::plain(Standing::Impossible)),
                Scan::Other => None,
            };
        }
        if length > 2 {
            return None;
        }
        let mark = s.mark();
        if s.peek().is_ascii_digit() {
            let (second_length, second) = s.digits();
            if second_length > 2 || mark == 0 || mark == b' ' || mark == b',' {
                return None;
            }
            if s.mark() != mark {
                return None;
            }
            let (year_length, year) = s.digits();
            if !s.done() {
                return None;
            }
            return numeric(first as u8, second as u8, year_length, year as i16, rules);
        }
        let month = month(s.letters())?;
        s.mark();
        let (year_length, year) = s.digits();
        if !s.done() {
            return None;
        }
        return day_month(first as u8, month, year_length, year as i16, rules);
    }
    let month = month(s.letters())?;
    if s.mark() == 0 {
        return None;
    }
    let (length, first) = s.digits();
    if s.done() {
        return (length == 4 && plausible(first as i16))
            .then(|| One::of(Standing::Understood, PartDate { year: first as i16, month, day: 0 }));
    }
    if length > 2 || length == 0 || s.mark() == 0 {
        return None;
    }
    let (year_length, year) = s.digits();
    if !s.done() {
        return None;
    }
    day_month(first as u8, month, year_length, year as i16, rules)
}

fn plausible(year: i16) -> bool {
    (1500..2100).contains(&year)
}

fn numeric(a: u8, b: u8, year_length: usize, year: i16, rules: &DateRules) -> Option<One> {
    if a == 0 || b == 0 || a > 31 || b > 31 {
        return None;
    }
    if a > 12 && b > 12 {
        return Some(One::plain(Standing::Impossible));
    }
    if a == b || a > 12 {
        return day_month(a, b, year_length, year, rules);
    }
    if b > 12 {
        return day_month(b, a, year_length, year, rules);
    }
    let (day, month) = if rules.order == Order::MonthFirst { (b, a) } else { (a, b) };
    let mut one = day_month(day, month, year_length, year, rules)?;
    if one.has_date() {
        one.standing = Standing::OpenOrder;
    }
    Some(one)
}

fn day_month(day: u8, month: u8, year_length: usize, year: i16, rules: &DateRules) -> Option<One> {
    let (standing, year) = match year_length {
        4 if plausible(year) => (Standing::Understood, year),
        2 => {
            let mut best: Option<(i16, f32)> = None;
            for &(century, weight) in &rules.centuries {
                let full = century * 100 + year;
                let early = full < rules.earliest;
                let date = PartDate { year: full, month, day };
                if !early && full <= rules.latest.year() && best.is_none_or(|b| weight > b.1) {
                    if full == rules.latest.year() && date.first() > rules.latest {
                        continue;
                    }
                    best = Some((full, weight));
                }
            }
            (Standing::OpenCentury, best?.0)
        }
        _ => return None,
    };
    if day == 0 || day > 31 {
        return None;
    }
    match PartDate::new(year, month, day) {
        Some(date) => Some(One::of(standing, date)),
        // 29 February of an open century may exist in another one.
        None if standing == Standing::OpenCentury => None,
        None => Some(One::plain(Standing::Impossible)),
    }
}

/// A month by its English name, its usual abbreviations or roman number.
fn month(word: &[u8]) -> Option<u8> {
    const NAMES: [&[u8]; 12] = [
        b"january",
        b"february",
        b"march",
        b"april",
        b"may",
        b"june",
        b"july",
        b"august",
        b"september",
        b"october",
        b"november",
        b"december",
    ];
    if matches!(word.first()?, b'i' | b'v' | b'x' | b'I' | b'V' | b'X') {
        let mut buffer = [0_u8; 4];
        let upper = buffer.get_mut(..word.len())?;
        upper.copy_from_slice(word);
        upper.make_ascii_uppercase();
        const ROMAN: [&[u8]; 12] =
            [b"I", b"II", b"III", b"IV", b"V", b"VI", b"VII", b"VIII", b"IX", b"X", b"XI", b"XII"];
        return ROMAN.iter().position(|r| *r == upper).map(|i| i as u8 + 1);
    }
    if word.len() < 3 || word.len() > 9 {
        return None;
    }
    let low = [word[0] | 32, word[1] | 32, word[2] | 32];
    let month = match &low {
        b"jan" => 1,
        b"feb" => 2,
        b"mar" => 3,
        b"apr" => 4,
        b"may" => 5,
        b"jun" => 6,
        b"jul" => 7,
        b"aug" => 8,
        b"sep" => 9,
        b"oct" => 10,
        b"nov" => 11,
        b"dec" => 12,
        _ => return None,
    };
    let name = NAMES[month - 1];
    let sept = month == 9 && word.len() == 4;
    let whole = word.len() == 3 || sept || word.len() == name.len();
    (whole && name.len() >= word.len() && word.eq_ignore_ascii_case(&name[..word.len()]))
        .then_some(month as u8)
}

fn general(value: &str, rules: &DateRules) -> One {
    let readings = find(value, rules);
    let [reading] = readings.as_slice() else { return One::plain(Standing::Unread) };
    let edge =
        |c: char| c.is_whitespace() || matches!(c, '[' | ']' | '(' | ')' | '.' | ',' | ';' | '"' | '?' | '~');
    let mut end = reading.bytes.end;
    if let Some(time) = &reading.time {
        end = time.bytes.end;
    }
    // A day of the week before it, or XX for an unknown day, changes nothing.
    let head = value[..reading.bytes.start].trim_matches(edge);
    let idle =
        head.is_empty() || rules.weekdays.contains(&fold_name(head)) || matches!(head, "XX" | "xx" | "??");
    let covered = idle && value[end..].trim_end_matches(edge).trim_start_matches('日').is_empty();
    if !covered || reading.repairs > 0.0 {
        return One::plain(Standing::Unread);
    }
    if reading.shape == DateShape::NoYear {
        return One::plain(Standing::NoYear);
    }
    let Some(best) = reading.best() else { return One::plain(Standing::Impossible) };
    let standing = match () {
        () if reading.open_order => Standing::OpenOrder,
        () if reading.open_century => Standing::OpenCentury,
        () => Standing::Understood,
    };
    One { standing, from: best.from, to: best.to }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scanner_and_the_finder_agree() {
        let rules = DateRules::built_in();
        for value in [
            "11 July 1951",
            "VII-4-54",
            "4-IX-1978",
            "7-17-32",
            "7/4/1932",
            "June 20, 1939",
            "19 Sep 1990",
            "2/iii/88",
            "Feb 1898",
            "12.VII.1993",
            "Sept. 3, 1950",
            "1.1.1901",
            "31 June 1952",
            "29-ii-00",
        ] {
            let fast = scan(value.as_bytes(), rules);
            let slow = general(value, rules);
            assert!(fast.is_none_or(|f| f == slow), "{value}: {fast:?} {slow:?}");
        }
    }

    #[test]
    fn standard_values_are_told_from_understood_ones() {
        let rules = DateRules::built_in();
        let standing = |v| parse_one(v, rules).standing;
        assert_eq!(standing("1959-07-03"), Standing::Standard);
        assert_eq!(standing("1959-07-03T14:07-0600"), Standing::Standard);
        assert_eq!(standing("1959-07/1959-09"), Standing::Standard);
        assert_eq!(standing("1959-02-30"), Standing::Impossible);
        assert_eq!(standing("3 July 1959"), Standing::Understood);
        assert_eq!(standing("3 July '59"), Standing::OpenCentury);
        assert_eq!(standing("3/7/1959"), Standing::OpenOrder);
        assert_eq!(standing("July 3"), Standing::NoYear);
        assert_eq!(standing("unknown"), Standing::Unread);
        assert_eq!(standing("1959-07-03 or later"), Standing::Unread);
        assert_eq!(standing("  "), Standing::Empty);
    }
}
