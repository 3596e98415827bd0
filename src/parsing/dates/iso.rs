//! Reads dates of ISO 8601-1:2019 strictly: calendar dates to the year, month or
//! day, ordinal dates, a time of day with an offset, and intervals of two of
//! these, whose end may leave out what it shares with the start
//! (`1880-05-08/10`).
//!
//! Left out: week dates, basic form without hyphens, durations, times of the
//! form 24:00, years beyond four digits.

use super::PartDate;
use jiff::civil::Date;

/// One end of an ISO 8601 date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The date.
    pub date: PartDate,
    /// Seconds of the day at which it begins, and how many it lasts, where a time
    /// is given.
    pub time: Option<(u32, u32)>,
}

/// A date or interval of ISO 8601.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IsoDate {
    /// Where it begins.
    pub from: Moment,
    /// Where it ends; the same as `from` where it is no interval.
    pub to: Moment,
    /// Whether it was written as an interval.
    pub interval: bool,
}

impl IsoDate {
    /// Reads a whole value; `None` where it is not a valid ISO 8601 date.
    pub fn parse(value: &str) -> Option<IsoDate> {
        match scan(value.as_bytes()) {
            Scan::Date(date) => Some(date),
            Scan::Impossible | Scan::Other => None,
        }
    }

    /// The first day.
    pub fn first(&self) -> Date {
        self.from.date.first()
    }

    /// The last day.
    pub fn last(&self) -> Date {
        self.to.date.last()
    }

    /// How long it lasts, in seconds. Days are taken as 86,400 seconds; offsets
    /// from UTC are not counted, since both ends of one event share theirs.
    pub fn seconds(&self) -> i64 {
        let start = i64::from(self.from.time.map_or(0, |t| t.0));
        let end = match self.to.time {
            Some((at, _)) if self.interval => i64::from(at),
            Some((at, lasts)) => i64::from(at + lasts),
            None => 86_400,
        };
        let days = self.first().until(self.last()).map_or(0, |s| i64::from(s.get_days()));
        days * 86_400 + end - start
    }
}

/// What a value looks like.
pub(super) enum Scan {
    /// A valid date.
    Date(IsoDate),
    /// Written as ISO 8601, but there is no such day or time, or it ends before
    /// it begins.
    Impossible,
    /// Not ISO 8601.
    Other,
}

struct Bytes<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Bytes<'_> {
    fn peek(&self) -> u8 {
        self.bytes.get(self.at).copied().unwrap_or(0)
    }

    fn eat(&mut self, byte: u8) -> bool {
        let found = self.peek() == byte;
        self.at += usize::from(found);
        found
    }

    /// A run of digits: how many, and their value (of the first nine).
    fn digits(&mut self) -> (usize, u32) {
        let (start, mut value) = (self.at, 0_u32);
        while self.peek().is_ascii_digit() {
            if self.at - start < 9 {
                value = value * 10 + u32::from(self.peek() - b'0');
            }
            self.at += 1;
        }
        (self.at - start, value)
    }

    fn two(&mut self) -> Option<u32> {
        match self.digits() {
            (2, value) => Some(value),
            _ => None,
        }
    }
}

pub(super) fn scan(bytes: &[u8]) -> Scan {
    let mut b = Bytes { bytes, at: 0 };
    let Some((from, real)) = moment(&mut b) else { return Scan::Other };
    if b.at == bytes.len() {
        return if real { Scan::Date(IsoDate { from, to: from, interval: false }) } else { Scan::Impossible };
    }
    if !b.eat(b'/') {
        return Scan::Other;
    }
    let whole = b.at;
    let end = moment(&mut b).filter(|_| b.at == bytes.len()).or_else(|| {
        b.at = whole;
        shortened(&mut b, from.date)
    });
    let Some((to, real_end)) = end else { return Scan::Other };
    if b.at != bytes.len() {
        return Scan::Other;
    }
    let ordered = from.date.first() < to.date.last()
        || from.date.first() == to.date.last() && from.time.map(|t| t.0) <= to.time.map(|t| t.0 + t.1);
    match real && real_end && ordered {
        true => Scan::Date(IsoDate { from, to, interval: true }),
        false => Scan::Impossible,
    }
}

/// A date with or without a time, and whether it exists.
fn moment(b: &mut Bytes) -> Option<(Moment, bool)> {
    let (4, year) = b.digits() else { return None };
    let year = year as i16;
    let mut date = PartDate { year, month: 0, day: 0 };
    let mut real = year > 0;
    if b.eat(b'-') {
        match b.digits() {
            (2, month) => {
                date.month = month as u8;
                real &= (1..=12).contains(&month);
                if b.eat(b'-') {
                    date.day = b.two()? as u8;
                    real &= date.day > 0 && PartDate::new(year, date.month, date.day).is_some();
                }
            }
            (3, number) => match ordinal(year, number) {
                Some(day) => date = day,
                None => real = false,
            },
            _ => return None,
        }
    }
    let time = if date.day > 0 && b.eat(b'T') { Some(clock(b)?) } else { None };
    real &= time.is_none_or(|t| t.1);
    Some((Moment { date, time: time.map(|t| t.0) }, real))
}

/// The end of an interval that leaves out what it shares with the start.
fn shortened(b: &mut Bytes, start: PartDate) -> Option<(Moment, bool)> {
    let one = b.two()? as u8;
    let date = if b.eat(b'-') {
        PartDate { month: one, day: b.two()? as u8, ..start }
    } else if start.day > 0 {
        PartDate { day: one, ..start }
    } else if start.month > 0 {
        PartDate { month: one, ..start }
    } else {
        return None;
    };
    let real = date.month > 0 && PartDate::new(date.year, date.month, date.day).is_some();
    Some((Moment { date, time: None }, real))
}

/// Hours, hours and minutes, or seconds with a fraction; then `Z` or an offset.
fn clock(b: &mut Bytes) -> Option<((u32, u32), bool)> {
    let hour = b.two()?;
    let (mut minute, mut second, mut lasts) = (0, 0, 3600);
    if b.eat(b':') {
        minute = b.two()?;
        lasts = 60;
        if b.eat(b':') {
            second = b.two()?;
            lasts = 1;
            if (b.eat(b'.') || b.eat(b',')) && b.digits().0 == 0 {
                return None;
            }
        }
    }
    let mut real = hour < 24 && minute < 60 && second < 61;
    if !b.eat(b'Z') && (b.eat(b'+') || b.eat(b'-')) {
        let (hours, minutes) = match b.digits() {
            (2, h) if b.eat(b':') => (h, b.two()?),
            (2, h) => (h, 0),
            (4, both) => (both / 100, both % 100),
            _ => return None,
        };
        real &= hours < 24 && minutes < 60;
    }
    Some(((hour * 3600 + minute * 60 + second, lasts), real))
}

/// A day of a year by its number from 1.
pub fn ordinal(year: i16, number: u32) -> Option<PartDate> {
    let first = Date::new(year, 1, 1).ok()?;
    if number == 0 || number > u32::from(first.days_in_year().unsigned_abs()) {
        return None;
    }
    let day = first.checked_add(jiff::Span::new().days(i64::from(number) - 1)).ok()?;
    Some(PartDate { year, month: day.month().unsigned_abs(), day: day.day().unsigned_abs() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn valid_forms_are_read_and_others_are_not() {
        for (value, from, to) in [
            ("1963-03-08T14:07-0600", "1963-03-08", "1963-03-08"),
            ("1963-03-08T14", "1963-03-08", "1963-03-08"),
            ("1963-03-08T14:07:30.25Z", "1963-03-08", "1963-03-08"),
            ("1963-03-08T14:07+05:30", "1963-03-08", "1963-03-08"),
            ("1880-05-08/10", "1880-05-08", "1880-05-10"),
            ("1880-05-08/06-02", "1880-05-08", "1880-06-02"),
            ("1880-05/07", "1880-05", "1880-07"),
            ("1880/1881", "1880", "1881"),
            ("2000-366", "2000-12-31", "2000-12-31"),
            ("1949-01-15T12:34/1949-01-20T17:00", "1949-01-15", "1949-01-20"),
        ] {
            let date = IsoDate::parse(value).unwrap_or_else(|| panic!("{value}"));
            assert_eq!((date.from.date.iso(), date.to.date.iso()), (from.into(), to.into()), "{value}");
        }
        for value in [
            "1963-03-08T14:67",
            "1963-03-08T4",
            "1963-03-08T14:0",
            "63",
            "0",
            "2021_06_03",
            "1999-366",
            "1963-3-8",
            "1963-02-30",
            "1880-05-08/07",
            "1963-03-08X14:07",
            "",
            "1963-03-08T",
            "1963-",
        ] {
            assert_eq!(IsoDate::parse(value), None, "{value}");
        }
    }
}
