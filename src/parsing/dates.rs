//! Finds dates in text as read and says what each may mean.
//!
//! Takes text exactly as read; gives every date-like stretch with the bytes and
//! characters it covers and its candidates, most likely first. `4.VII.93` is
//! day 4, month 7 and an open century; `5/6/1932` has two orders: each way to
//! take it stays a candidate with its share of the confidence, and the rules for
//! the shares are data (`config/dates.toml`).
//!
//! A candidate is written twice: as EDTF level 0 or 1 (Library of Congress,
//! Extended Date/Time Format specification, 2019), and as the ISO 8601 form that
//! Darwin Core asks for in `eventDate` (a date, `YYYY-MM`, `YYYY`, or an interval
//! of two of them).
//!
//! Misread characters are repaired only by look-alike costs, and each repair
//! lowers the confidence. Left out: calendars other than the Gregorian, dates
//! before the year 1500, and lists of more than two days (read as their span).
//! A date that cannot exist has no candidate, and says why.

mod edtf;
mod fast;
mod iso;
mod rules;
mod tokens;

pub use edtf::{Edtf, days_of};
pub use fast::{One, Standing, parse_one};
pub use iso::{IsoDate, Moment, ordinal};
pub(crate) use rules::fold as fold_name;
pub use rules::{DateRules, Order};

use super::pieces::{Placed, over};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::ops::Range;
use tokens::{Gap, Kind, Take, Token, cut, gap, takes};

/// A year, a month of a year, or a day; month and day are 0 where not given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct PartDate {
    /// The year.
    pub year: i16,
    /// The month, 1 to 12, or 0.
    pub month: u8,
    /// The day, 1 to 31, or 0.
    pub day: u8,
}

impl PartDate {
    /// A date whose month and day may be 0; `None` where the calendar has none
    /// such.
    pub fn new(year: i16, month: u8, day: u8) -> Option<PartDate> {
        let date = PartDate { year, month, day };
        let real = match (month, day) {
            (0, 0) => true,
            (1..=12, 0) => true,
            _ => day <= 28 && (1..=12).contains(&month) && day > 0 || date.exact().is_some(),
        };
        real.then_some(date)
    }

    fn exact(self) -> Option<Date> {
        Date::new(self.year, i8::try_from(self.month).ok()?, i8::try_from(self.day).ok()?).ok()
    }

    /// The first day it covers.
    pub fn first(self) -> Date {
        Date::new(self.year, self.month.max(1) as i8, self.day.max(1) as i8).unwrap_or(Date::ZERO)
    }

    /// The last day it covers.
    pub fn last(self) -> Date {
        if self.day > 0 {
            return self.first();
        }
        let month = if self.month == 0 { 12 } else { self.month };
        Date::new(self.year, month as i8, 1).map_or(Date::ZERO, Date::last_of_month)
    }

    /// ISO 8601: `YYYY-MM-DD`, `YYYY-MM` or `YYYY`.
    pub fn iso(self) -> String {
        match (self.month, self.day) {
            (0, _) => format!("{:04}", self.year),
            (m, 0) => format!("{:04}-{m:02}", self.year),
            (m, d) => format!("{:04}-{m:02}-{d:02}", self.year),
        }
    }
}

/// One thing a date's words may mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DateCandidate {
    /// EDTF, level 0 or 1.
    pub edtf: String,
    /// The form of Darwin Core's `eventDate`.
    pub iso: String,
    /// Where it starts.
    pub from: PartDate,
    /// Where it ends; the same as `from` where it is no interval.
    pub to: PartDate,
    /// Probability, 0 to 1, that it is right, as far as the words tell.
    pub confidence: f32,
    /// Why it is possible, where the words do not say it in full.
    pub why: String,
}

/// A time of day beside a date.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TimeReading {
    /// The bytes of the text it covers.
    pub bytes: Range<usize>,
    /// `HH:MM`, or `HH:MM/HH:MM`.
    pub iso: String,
}

/// What sort of date was found; a caller weighs a lone year less than a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum DateShape {
    /// Down to the day.
    Day,
    /// A month of a year.
    Month,
    /// A season of a year.
    Season,
    /// A year alone, or years, or ten years.
    Year,
    /// A day or month without a year.
    NoYear,
}

/// A date-like stretch of text.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DateReading {
    /// The bytes of the text it covers.
    pub bytes: Range<usize>,
    /// The characters of the text it covers, counted from 0.
    pub chars: Range<usize>,
    /// The words as read.
    pub verbatim: String,
    /// What they may mean, most likely first; empty where they name no possible
    /// date.
    pub candidates: Vec<DateCandidate>,
    /// What sort of date it is.
    pub shape: DateShape,
    /// The year has two digits: the label does not say the century.
    pub open_century: bool,
    /// The label does not say which number is the day.
    pub open_order: bool,
    /// Cost of the look-alikes repaired; 0 where every character was taken as
    /// read.
    pub repairs: f32,
    /// Why it cannot be, or what is missing, in one plain sentence; empty where
    /// there is nothing to say.
    pub problem: String,
    /// The time of day written behind it.
    pub time: Option<TimeReading>,
}

impl DateReading {
    /// The most likely candidate.
    pub fn best(&self) -> Option<&DateCandidate> {
        self.candidates.first()
    }
}

/// What a slot of a pattern takes.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Slot {
    /// A day, 1 to 31.
    D,
    /// A month as a number.
    N,
    /// A month by name or roman number.
    M,
    /// A year of two or four digits.
    Y,
    /// A year of four digits.
    F,
    /// Two digits as a year.
    T,
    /// One of two numbers, day or month.
    A,
    /// A season.
    S,
    /// Early, middle or late.
    P,
    /// Between the two dates of a range.
    J,
    /// Ten years.
    X,
}

struct Pattern {
    slots: &'static [Slot],
    /// Probability that a stretch of this form, cleanly read, is this date.
    base: f32,
}

/// The forms, with what each is worth where nothing was repaired. The values of
/// `base` are ordered by how much the form says about itself (a month by name
/// and four digits of a year first, a lone number last); their size is common
/// practice, and the record's calibration is fitted elsewhere.
const PATTERNS: &[Pattern] = {
    use Slot::{A, D, F, J, M, N, P, S, T, X, Y};
    const fn p(slots: &'static [Slot], base: f32) -> Pattern {
        Pattern { slots, base }
    }
    &[
        p(&[D, M, Y], 0.98),
        p(&[M, D, Y], 0.98),
        p(&[F, M, D], 0.97),
        p(&[F, N, D], 0.97),
        p(&[A, A, Y], 0.95),
        p(&[M, Y], 0.93),
        p(&[F, M], 0.85),
        p(&[F, N], 0.85),
        p(&[P, M, Y], 0.93),
        p(&[P, M, D, Y], 0.5),
        p(&[S, Y], 0.9),
        p(&[P, S, Y], 0.9),
        p(&[N, F], 0.7),
        p(&[D, M], 0.5),
        p(&[M, D], 0.5),
        p(&[F], 0.45),
        p(&[T], 0.4),
        p(&[X], 0.6),
        // Ranges.
        p(&[D, J, D, M, Y], 0.97),
        p(&[D, M, J, D, M, Y], 0.97),
        p(&[D, M, Y, J, D, M, Y], 0.98),
        p(&[M, D, J, D, Y], 0.97),
        p(&[M, D, J, M, D, Y], 0.97),
        p(&[M, D, Y, J, M, D, Y], 0.98),
        p(&[D, J, D, J, D, M, Y], 0.9),
        p(&[M, D, J, D, J, D, Y], 0.9),
        p(&[M, J, M, Y], 0.93),
        p(&[M, Y, J, M, Y], 0.95),
        p(&[D, M, J, M, Y], 0.4),
        p(&[F, N, D, J, F, N, D], 0.97),
        p(&[F, N, J, F, N], 0.9),
        p(&[A, A, Y, J, A, A, Y], 0.93),
        p(&[D, J, D, N, Y], 0.75),
        p(&[D, N, J, D, N, Y], 0.75),
        p(&[N, D, J, D, Y], 0.55),
        p(&[S, J, S, Y], 0.85),
        p(&[F, J, F], 0.6),
        p(&[F, J, T], 0.5),
        p(&[D, J, D, M], 0.5),
        p(&[M, D, J, D], 0.45),
    ]
};

#[derive(Clone, Copy)]
struct Used {
    slot: Slot,
    take: Take,
    /// Index of the token.
    at: usize,
}

fn yearless(used: &[Used]) -> bool {
    !used.iter().any(|u| matches!(u.slot, Slot::Y | Slot::F | Slot::T | Slot::X))
}

struct Found {
    pattern: usize,
    used: Vec<Used>,
    cost: f32,
    score: f32,
    first: usize,
    /// One past the last token.
    end: usize,
}

/// Finds every date-like stretch of `text`, in the order of the text; none
/// overlaps another. Lines may be joined by a space or a single line end; a date
/// never goes on over a blank line.
pub fn find(text: &str, rules: &DateRules) -> Vec<DateReading> {
    over(text, |text| find_in(text, rules))
}

impl Placed for DateReading {
    fn places(&mut self) -> (&mut Range<usize>, &mut Range<usize>) {
        (&mut self.bytes, &mut self.chars)
    }
}

fn find_in(text: &str, rules: &DateRules) -> Vec<DateReading> {
    let tokens = cut(text);
    if !tokens.iter().any(|t| t.digits) && tokens.len() < 2 {
        return Vec::new();
    }
    let all = takes(text, &tokens, rules);
    let finder = Finder { text, tokens: &tokens, takes: &all };
    let mut found: Vec<Found> = Vec::new();
    for first in 0..tokens.len() {
        if all[first].is_empty() {
            continue;
        }
        for pattern in 0..PATTERNS.len() {
            if let Some(f) = finder.best(pattern, first) {
                found.push(f);
            }
        }
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.first.cmp(&b.first)));
    let mut taken = vec![false; tokens.len()];
    let mut kept: Vec<Found> = Vec::new();
    for f in found {
        if !taken[f.first..f.end].iter().any(|t| *t) {
            taken[f.first..f.end].fill(true);
            kept.push(f);
        }
    }
    kept.sort_by_key(|f| f.first);
    kept.into_iter().map(|f| reading(text, &finder, &f, rules)).collect()
}

struct Finder<'a> {
    text: &'a str,
    tokens: &'a [Token],
    takes: &'a [Vec<Take>],
}

impl Finder<'_> {
    fn gap_before(&self, at: usize) -> Gap {
        if at == 0 || at >= self.tokens.len() {
            return Gap::default();
        }
        gap(&self.text[self.tokens[at - 1].end..self.tokens[at].start])
    }

    fn best(&self, pattern: usize, first: usize) -> Option<Found> {
        let mut used = Vec::with_capacity(8);
        let mut best: Option<Found> = None;
        self.walk(pattern, first, first, &mut used, 0.0, &mut best);
        best
    }

    fn walk(
        &self,
        pattern: usize,
        first: usize,
        at: usize,
        used: &mut Vec<Used>,
        cost: f32,
        best: &mut Option<Found>,
    ) {
        if cost > 2.0 {
            return;
        }
        let slots = PATTERNS[pattern].slots;
        let Some(&slot) = slots.get(used.len()) else {
            self.close(pattern, first, at, used, cost, best);
            return;
        };
        if slot == Slot::J {
            self.join(pattern, first, at, used, cost, best);
            return;
        }
        if at >= self.tokens.len() {
            return;
        }
        let mut cost = cost;
        let after_join = used.last().is_some_and(|u| u.slot == Slot::J);
        if !used.is_empty() {
            let gap = self.gap_before(at);
            if !gap.ok {
                return;
            }
            if gap.newline {
                cost += 0.05;
            }
            // `V-,4`: between a hyphen and a number stood a stroke, not a comma.
            if gap.comma && (gap.hyphen || gap.slash) {
                cost += 0.4;
            }
            if gap.join && !after_join {
                return;
            }
        }
        for take in &self.takes[at] {
            if !fits(slot, take.kind) {
                continue;
            }
            used.push(Used { slot, take: *take, at });
            self.walk(pattern, first, take.next, used, cost + take.cost, best);
            used.pop();
        }
        // A word without meaning may stand inside: 4 de julio de 1951.
        if !used.is_empty() && self.takes[at].iter().any(|t| t.kind == Kind::Filler) {
            let next = at + 1;
            if next < self.tokens.len() {
                self.walk(pattern, first, next, used, cost + 0.01, best);
            }
        }
    }

    fn join(
        &self,
        pattern: usize,
        first: usize,
        at: usize,
        used: &mut Vec<Used>,
        cost: f32,
        best: &mut Option<Found>,
    ) {
        if at >= self.tokens.len() {
            return;
        }
        let gap = self.gap_before(at);
        if !gap.ok {
            return;
        }
        let mark = |next| Used { slot: Slot::J, take: Take { kind: Kind::Join, next, cost: 0.0 }, at };
        let comma_cost = match () {
            () if gap.hyphen || gap.slash || gap.join => Some(0.0),
            () if gap.comma => Some(0.35),
            () => None,
        };
        if let Some(more) = comma_cost {
            used.push(mark(at));
            self.walk(pattern, first, at, used, cost + more, best);
            used.pop();
        }
        if self.takes[at].iter().any(|t| t.kind == Kind::Join) && at + 1 < self.tokens.len() {
            used.push(mark(at + 1));
            self.walk(pattern, first, at + 1, used, cost, best);
            used.pop();
        }
    }

    /// Checks what only the whole match can tell, and keeps it if it is better.
    fn close(
        &self,
        pattern: usize,
        first: usize,
        end: usize,
        used: &[Used],
        cost: f32,
        best: &mut Option<Found>,
    ) {
        if yearless(used) && cost > 0.0 {
            // Nothing is left to bear a repair out.
            return;
        }
        let Some(more) = self.whole(pattern, first, end, used) else { return };
        let cost = cost + more;
        if cost > 1.6 {
            return;
        }
        let worth: f32 = used
            .iter()
            .map(|u| match (u.slot, u.take.kind) {
                (Slot::J, _) => 2.0,
                (_, Kind::Name(_)) => 14.0,
                (_, Kind::Roman(_)) => 12.0,
                (_, Kind::Year(_)) => 16.0,
                (_, Kind::Decade(_)) => 18.0,
                (_, Kind::TwoDigits(_)) => 8.0,
                (Slot::P, _) => 5.0,
                (Slot::N, _) => 8.0,
                _ => 10.0,
            })
            .sum();
        let score = worth - 12.0 * cost;
        if best.as_ref().is_none_or(|b| score > b.score) {
            *best = Some(Found { pattern, used: used.to_vec(), cost, score, first, end });
        }
    }

    /// Further cost of a whole match, or `None` where it cannot be a date.
    fn whole(&self, pattern: usize, first: usize, end: usize, used: &[Used]) -> Option<f32> {
        let slots = PATTERNS[pattern].slots;
        let mut cost = 0.0;
        let before = self.text[..self.tokens[first].start].chars().next_back();
        let previous_digit = first > 0 && self.tokens[first - 1].digits;
        let gap_first = self.gap_before(first);
        let starts_small = matches!(used[0].take.kind, Kind::Small(_) | Kind::TwoDigits(_));
        // 609,515 and 1.5 are no days; neither is #7.
        if first > 0 && previous_digit && !gap_first.newline {
            let tight = self.tokens[first].start - self.tokens[first - 1].end == 1;
            if tight && (gap_first.dot || gap_first.comma) {
                cost += 0.6;
            } else if tight && (gap_first.hyphen || gap_first.slash) && starts_small {
                cost += 0.4;
            }
        }
        if before == Some('#') {
            cost += 0.8;
        }
        if starts_small && before.is_some_and(char::is_alphabetic) && used[0].take.next == first + 1 {
            // AB12-3-50 is rather a number of a series than a date, ARIZ8-8-59 a
            // missing space.
            let token = &self.tokens[first - 1];
            let lone = matches!(&self.text[token.start..token.end], "l" | "I" | "|" | "!" | "O" | "o" | "i");
            cost += if lone { 0.5 } else { 0.2 };
        }
        // A number before a unit, a digit or a further decimal is no year.
        let last = used.last()?;
        let mut unit_after = false;
        if end < self.tokens.len() {
            let after = self.gap_before(end);
            let unit = self.takes[end].iter().any(|t| t.kind == Kind::Unit);
            let near = after.ok && !after.newline && !after.comma && !after.hyphen;
            unit_after = unit && near && (after.empty || after.blank() || after.dot);
            let tight = self.tokens[end].start - self.tokens[end - 1].end == 1;
            if self.tokens[end].digits && tight && (after.dot || after.comma || after.hyphen || after.slash) {
                cost += 0.35;
            }
        }
        let tail = &self.text[self.tokens[end - 1].end..];
        let feet = tail.starts_with(['\'', '’', '"', '°', '%', '♂', '♀']);
        match last.take.kind {
            Kind::TwoDigits(_) | Kind::Small(_) if unit_after || feet => return None,
            Kind::TwoDigits(_) | Kind::Small(_)
                if tail.starts_with(char::is_alphabetic) && last.take.next == last.at + 1 =>
            {
                // 8-8 59ARIZ: a missing space; but never after a lone number.
                if used.len() < 3 || yearless(used) {
                    return None;
                }
                cost += 0.1;
            }
            Kind::Year(_)
                if used.len() == 1 && (unit_after || feet || tail.starts_with(char::is_alphanumeric)) =>
            {
                return None;
            }
            _ => {}
        }
        // Single roman letters are months only beside numbers and marks.
        for u in used {
            if let Kind::Roman(_) = u.take.kind {
                let length = self.tokens[u.take.next - 1].end - self.tokens[u.at].start;
                let bare = slots.len() == 2;
                if bare && length == 1 {
                    return None;
                }
                if bare {
                    cost += 0.2;
                }
                // V1-27-53 is a month whose last letter was read as a number.
                let glued_right = u.take.next < end
                    && self.gap_before(u.take.next).empty
                    && used.iter().any(|d| d.at == u.take.next && d.slot == Slot::D);
                if glued_right && (length == 1 || slots.contains(&Slot::J)) {
                    return None;
                }
                if glued_right {
                    cost += 0.4;
                }
                let glued_left = u.at > 0 && u.at == first && {
                    let g = self.gap_before(u.at);
                    g.empty && !self.tokens[u.at - 1].digits
                };
                if glued_left && length == 1 {
                    cost += 0.3;
                }
            }
        }
        use Slot::{A, D, F, J, M, N, T, Y};
        let gap_of = |i: usize| self.gap_before(used[i].at);
        match slots {
            [T] => {
                // '58, but not 5000'58 and not a bare 58.
                let apostrophe =
                    gap_first.apostrophe && before.is_some_and(|c| matches!(c, '\'' | '’' | '‘' | '`' | '´'));
                let head = self.text[..self.tokens[first].start].trim_end_matches(['\'', '’', '‘', '`', '´']);
                let free = !head.ends_with(|c: char| c.is_ascii_digit());
                let begins = first == 0 && before.is_some_and(|c| matches!(c, '\'' | '’' | '‘' | '`'));
                if !((apostrophe || begins) && free) {
                    return None;
                }
            }
            [F] => {
                if previous_digit && !gap_first.blank() && gap_first.ok && !gap_first.newline {
                    cost += 0.4;
                }
                if before.is_some_and(char::is_alphabetic) {
                    cost += 0.1;
                }
            }
            [N, F] => {
                let g = gap_of(1);
                if g.blank() || g.comma || g.apostrophe || g.empty {
                    return None;
                }
            }
            [F, N] => {
                let g = gap_of(1);
                if !(g.hyphen || g.slash || g.dot) {
                    return None;
                }
                // 1904-05 is rather a month than two years, 1904/05 either.
                if g.slash || g.dot {
                    cost += 0.3;
                }
            }
            [F, M] if gap_of(1).comma => cost += 0.3,
            [F, J, T] => {
                let (Kind::Year(a), Kind::TwoDigits(b)) = (used[0].take.kind, used[2].take.kind) else {
                    return None;
                };
                if a % 100 >= i16::from(b) {
                    return None;
                }
            }
            [F, J, F] => {
                let (Kind::Year(a), Kind::Year(b)) = (used[0].take.kind, used[2].take.kind) else {
                    return None;
                };
                if a >= b || b - a > 60 {
                    return None;
                }
            }
            [M, Y] => {
                if let Kind::TwoDigits(v) = used[1].take.kind {
                    let g = gap_of(1);
                    if v <= 31 && !g.apostrophe {
                        cost += 0.5;
                    } else if g.blank() && !g.apostrophe {
                        cost += 0.15;
                    }
                }
            }
            _ => {}
        }
        // Numbers beside numbers need marks between them, and the same ones.
        for (i, pair) in used.windows(2).enumerate() {
            let number = |u: &Used| matches!(u.slot, A | N | D | T | Y | F);
            if !(number(&pair[0]) && number(&pair[1])) {
                continue;
            }
            let g = self.gap_before(pair[1].at);
            let month_named = slots.contains(&M);
            if g.empty {
                return None;
            }
            if g.blank() && !month_named {
                // 8-8 59 lost a mark; 8 8 59 is three numbers.
                let marked_before = i > 0 && !self.gap_before(pair[0].at).blank();
                if matches!(pair[1].slot, Y | F | T) && marked_before {
                    cost += 0.15;
                } else if slots.contains(&Y) && matches!(last.take.kind, Kind::Year(_)) {
                    cost += 0.5;
                } else {
                    return None;
                }
            }
            if !month_named && g.comma {
                cost += 0.5;
            }
        }
        if matches!(slots, [A, A, Y]) {
            let (one, two) = (gap_of(1), gap_of(2));
            let same = one.hyphen && two.hyphen || one.slash && two.slash || one.dot && two.dot;
            if !same && !two.blank() && !one.blank() {
                cost += 0.5;
            }
        }
        Some(cost)
    }
}

fn fits(slot: Slot, kind: Kind) -> bool {
    match (slot, kind) {
        (Slot::D | Slot::A, Kind::Small(v)) => (1..=31).contains(&v),
        (Slot::N, Kind::Small(v)) => (1..=12).contains(&v),
        (Slot::M, Kind::Name(_) | Kind::Roman(_)) => true,
        (Slot::Y, Kind::Year(_) | Kind::TwoDigits(_)) => true,
        (Slot::F, Kind::Year(_)) => true,
        (Slot::T, Kind::TwoDigits(_)) => true,
        (Slot::S, Kind::Season(_)) => true,
        (Slot::P, Kind::Part(_)) => true,
        (Slot::X, Kind::Decade(_)) => true,
        _ => false,
    }
}

/// One end of a date as written.
#[derive(Clone, Copy, Default)]
struct Point {
    year: Option<Kind>,
    month: u8,
    day: u8,
    season: Option<u8>,
    part: u8,
    decade: bool,
    /// Two numbers whose order is open.
    numbers: [u8; 2],
}

fn points(used: &[Used]) -> (Point, Option<Point>) {
    let mut ends = vec![Point::default()];
    for u in used {
        let point = ends.last_mut().expect("never empty");
        match (u.slot, u.take.kind) {
            (Slot::J, _) => ends.push(Point::default()),
            (Slot::D, Kind::Small(v)) => point.day = v,
            (Slot::N, Kind::Small(v)) => point.month = v,
            (Slot::A, Kind::Small(v)) => point.numbers[usize::from(point.numbers[0] != 0)] = v,
            (_, Kind::Name(m) | Kind::Roman(m)) => point.month = m,
            (_, kind @ (Kind::Year(_) | Kind::TwoDigits(_))) => point.year = Some(kind),
            (_, Kind::Season(s)) => point.season = Some(s),
            (_, Kind::Part(p)) => point.part = p,
            (_, Kind::Decade(y)) => {
                point.year = Some(Kind::Year(y));
                point.decade = true;
            }
            _ => {}
        }
    }
    if ends.len() == 1 {
        return (ends[0], None);
    }
    let (mut from, mut to) = (ends[0], ends[ends.len() - 1]);
    // What one end leaves out, the other gives: 12-14.vii.93, VII-18-22-51.
    if let (Some(Kind::Year(first)), Some(Kind::TwoDigits(last))) = (from.year, to.year) {
        to.year = Some(Kind::Year(first / 100 * 100 + i16::from(last)));
    }
    from.year = from.year.or(to.year);
    to.year = to.year.or(from.year);
    if from.month == 0 && from.season.is_none() {
        from.month = to.month;
    }
    if to.month == 0 && to.season.is_none() {
        to.month = from.month;
    }
    (from, Some(to))
}

fn reading(text: &str, finder: &Finder, f: &Found, rules: &DateRules) -> DateReading {
    let start = finder.tokens[f.first].start;
    let mut start_byte = start;
    if matches!(PATTERNS[f.pattern].slots, [Slot::T]) {
        // The apostrophe belongs to '58.
        let head = text[..start].trim_end_matches(['\'', '’', '‘', '`', '´']);
        start_byte = head.len();
    }
    let mut end_byte = finder.tokens[f.end - 1].end;
    let (from, to) = points(&f.used);
    let tail = &text[end_byte..];
    let uncertain = tail.starts_with('?') || tail.starts_with("(?)") || tail.starts_with("[?]");
    if uncertain {
        end_byte += if tail.starts_with('?') { 1 } else { 3 };
    }
    let approximate = f.first > 0 && {
        let about = finder.takes[f.first - 1].iter().any(|t| t.kind == Kind::About);
        let token = &finder.tokens[f.first - 1];
        // A lone c. before a year; C. as an initial stands before a name.
        let short_capital = text[token.start..].starts_with('C') && token.end - token.start == 1;
        about && finder.gap_before(f.first).ok && !short_capital
    };
    if approximate {
        start_byte = finder.tokens[f.first - 1].start;
    }
    let base = PATTERNS[f.pattern].base * (-f.cost).exp();
    let mut made = candidates(from, to, base, rules);
    let mark = match (approximate, uncertain) {
        (true, true) => "%",
        (true, false) => "~",
        (false, true) => "?",
        (false, false) => "",
    };
    if !mark.is_empty() {
        for c in &mut made.list {
            c.edtf = c.edtf.split('/').map(|end| format!("{end}{mark}")).collect::<Vec<_>>().join("/");
            c.confidence *= 0.9;
            if !c.why.is_empty() {
                c.why.push_str("; ");
            }
            c.why.push_str("the words call it ");
            c.why.push_str(if approximate { "approximate" } else { "uncertain" });
        }
    }
    if f.cost >= 0.15 {
        for c in &mut made.list {
            let own = if c.why.is_empty() { "" } else { "; " };
            c.why = format!("{}{own}taken from characters that may be misread", c.why);
        }
    }
    let chars_before = text[..start_byte].chars().count();
    let verbatim = &text[start_byte..end_byte];
    let shape = match () {
        () if from.year.is_none() => DateShape::NoYear,
        () if from.day > 0 || from.numbers[0] > 0 => DateShape::Day,
        () if from.month > 0 => DateShape::Month,
        () if from.season.is_some() => DateShape::Season,
        () => DateShape::Year,
    };
    let time = (shape == DateShape::Day).then(|| time_after(text, end_byte)).flatten();
    DateReading {
        bytes: start_byte..end_byte,
        chars: chars_before..chars_before + verbatim.chars().count(),
        verbatim: verbatim.to_owned(),
        candidates: made.list,
        shape,
        open_century: matches!(from.year, Some(Kind::TwoDigits(_)))
            || to.is_some_and(|t| matches!(t.year, Some(Kind::TwoDigits(_)))),
        open_order: made.open_order,
        repairs: f.used.iter().map(|u| u.take.cost).sum(),
        problem: made.problem,
        time,
    }
}

struct Made {
    list: Vec<DateCandidate>,
    open_order: bool,
    problem: String,
}

fn candidates(from: Point, to: Option<Point>, base: f32, rules: &DateRules) -> Made {
    let mut made = Made { list: Vec::new(), open_order: false, problem: String::new() };
    let Some(from_year) = from.year else {
        made.problem = "The label gives no year.".into();
        return made;
    };
    let years = years(from_year, rules);
    // The orders of day and month, each with its share.
    let numbers =
        to.map_or(from.numbers, |t| [from.numbers[0].max(t.numbers[0]), from.numbers[1].max(t.numbers[1])]);
    let orders: Vec<(bool, f32)> = if from.numbers[0] == 0 {
        vec![(true, 1.0)]
    } else {
        let day_first = match rules.order {
            Order::Unknown => 0.5,
            Order::DayFirst => rules.preferred_share,
            Order::MonthFirst => 1.0 - rules.preferred_share,
        };
        match (numbers[1] <= 12, numbers[0] <= 12) {
            (true, true) if from.numbers[0] == from.numbers[1] && to.is_none() => vec![(true, 1.0)],
            (true, true) => {
                made.open_order = true;
                vec![(true, day_first), (false, 1.0 - day_first)]
            }
            (true, false) => vec![(true, 1.0)],
            (false, true) => vec![(false, 1.0)],
            (false, false) => {
                made.problem = format!("Neither {} nor {} can be a month.", numbers[0], numbers[1]);
                return made;
            }
        }
    };
    let open_century = matches!(from_year, Kind::TwoDigits(_));
    for &(year, share) in &years {
        for &(day_first, order_share) in &orders {
            let resolve = |point: Point, year: i16| {
                let (mut month, mut day) = (point.month, point.day);
                if point.numbers[0] > 0 {
                    let [a, b] = point.numbers;
                    (day, month) = if day_first { (a, b) } else { (b, a) };
                }
                PartDate::new(year, month, day).ok_or((year, month, day))
            };
            let last_year = match to.and_then(|t| t.year) {
                Some(Kind::Year(y)) => y,
                Some(Kind::TwoDigits(y)) => year.div_euclid(100) * 100 + i16::from(y),
                _ => year,
            };
            let start = resolve(from, year);
            let end = to.map(|t| resolve(t, last_year));
            let (start, end) = match (start, end.transpose()) {
                (Ok(start), Ok(end)) => (start, end),
                (Err(bad), _) | (_, Err(bad)) => {
                    made.problem = impossible(bad);
                    continue;
                }
            };
            if let Some(end) = end
                && end.last() < start.first()
            {
                made.problem = format!("It ends on {}, before it begins on {}.", end.iso(), start.iso());
                continue;
            }
            let mut confidence = base * share * order_share;
            let future = end.unwrap_or(start).first() > rules.latest;
            if future {
                if open_century {
                    continue;
                }
                confidence *= 0.3;
            }
            if year < rules.earliest {
                confidence *= 0.3;
            }
            let mut why = Vec::new();
            if open_century {
                why.push(format!("century taken as {}xx", year / 100));
            }
            if made.open_order {
                why.push(if day_first { "day taken first".into() } else { "month taken first".to_owned() });
            }
            made.list.push(written(from, to, start, end, confidence, why, rules));
        }
    }
    if !made.list.is_empty() {
        made.problem.clear();
    }
    if let Some(first) = made.list.first()
        && !open_century
        && first.from.first() > rules.latest
    {
        made.problem = format!("{} lies in the future.", first.iso);
    }
    made.list.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    made.open_order &= made.list.iter().any(|c| c.why.contains("day taken first"))
        && made.list.iter().any(|c| c.why.contains("month taken first"));
    made
}

/// The years a written year may be, each with its share.
fn years(year: Kind, rules: &DateRules) -> Vec<(i16, f32)> {
    match year {
        Kind::TwoDigits(v) => {
            let mut list: Vec<(i16, f32)> = rules
                .centuries
                .iter()
                .map(|(century, weight)| (century * 100 + i16::from(v), *weight))
                .filter(|(y, _)| *y >= rules.earliest && *y <= rules.latest.year())
                .collect();
            let sum: f32 = list.iter().map(|y| y.1).sum();
            for y in &mut list {
                y.1 /= sum.max(f32::MIN_POSITIVE);
            }
            list
        }
        Kind::Year(y) => vec![(y, 1.0)],
        _ => Vec::new(),
    }
}

const MONTHS: [&str; 13] = [
    "",
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

fn impossible((year, month, day): (i16, u8, u8)) -> String {
    let Some(name) = MONTHS.get(usize::from(month)).filter(|n| !n.is_empty()) else {
        return format!("There is no month {month}.");
    };
    let days = Date::new(year, month as i8, 1).map_or(31, Date::days_in_month);
    if month == 2 {
        format!("The words give {day} {name} {year}, but {name} had {days} days in {year}.")
    } else {
        format!("The words give {day} {name} {year}, but {name} has {days} days.")
    }
}

fn written(
    from: Point,
    to: Option<Point>,
    start: PartDate,
    end: Option<PartDate>,
    confidence: f32,
    mut why: Vec<String>,
    rules: &DateRules,
) -> DateCandidate {
    let season = |point: Point| point.season.and_then(|s| rules.seasons.get(usize::from(s)).copied());
    let one = |point: Point, date: PartDate| match season(point) {
        Some(s) => format!("{:04}-{:02}", date.year, s.edtf),
        None if point.decade => format!("{}X", date.year / 10),
        None => date.iso(),
    };
    let (mut edtf, mut iso) = (one(from, start), start.iso());
    let (mut first, mut last) = (start, start);
    if let Some(s) = season(from) {
        why.push("a season, its months are not named".into());
        (first, last) = season_months(s, start.year);
    }
    if from.decade {
        last = PartDate { year: start.year + 9, ..start };
        iso = format!("{iso}/{}", last.iso());
    }
    if from.part > 0 {
        let name = ["", "early", "middle", "late"][usize::from(from.part.min(3))];
        why.push(format!("only the {name} part of it is meant"));
        if start.month > 0 && start.day == 0 {
            let (a, b) = [(1, 10), (11, 20), (21, 31)][usize::from(from.part.clamp(1, 3)) - 1];
            first = PartDate { day: a, ..start };
            let days = Date::new(start.year, start.month as i8, 1).map_or(28, Date::days_in_month) as u8;
            last = PartDate { day: days.min(b), ..start };
        }
    }
    if let (Some(point), Some(end)) = (to, end) {
        edtf = format!("{edtf}/{}", one(point, end));
        if end != start {
            iso = format!("{iso}/{}", end.iso());
        }
        last = season(point).map_or(end, |s| season_months(s, end.year).1);
    }
    DateCandidate { edtf, iso, from: first, to: last, confidence, why: why.join("; ") }
}

fn season_months(season: rules::Season, year: i16) -> (PartDate, PartDate) {
    let [a, b] = season.months;
    // One over the turn of the year begins or ends in the year that is named.
    let over = i16::from(a > b);
    (PartDate { year: year - over, month: a, day: 0 }, PartDate { year: year + over, month: b, day: 0 })
}

/// A time of day within a few characters behind `at`: `20:30`, `2030 h`,
/// `21h30`, `9 pm`, `9.30 p.m.`, `20:30-23:00`.
fn time_after(text: &str, at: usize) -> Option<TimeReading> {
    let tail = &text[at..];
    let skipped = tail.len() - tail.trim_start_matches([' ', ',', ';', 'T', '\t', '(']).len();
    if skipped == 0 || skipped > 3 {
        return None;
    }
    let begin = at + skipped;
    let (first, mut end) = clock(text, begin)?;
    let mut iso = first;
    let rest = &text[end..];
    let gap = rest.len() - rest.trim_start_matches([' ', '-', '–']).len();
    if rest[..gap].contains(['-', '–'])
        && let Some((second, stop)) = clock(text, end + gap)
    {
        iso = format!("{iso}/{second}");
        end = stop;
    }
    Some(TimeReading { bytes: begin..end, iso })
}

fn clock(text: &str, at: usize) -> Option<(String, usize)> {
    let bytes = text.as_bytes();
    let mut i = at;
    let number = |i: &mut usize| {
        let start = *i;
        while *i < bytes.len() && *i - start < 4 && bytes[*i].is_ascii_digit() {
            *i += 1;
        }
        let digits = &text[start..*i];
        (digits.len(), digits.parse::<u16>().ok())
    };
    let (length, value) = number(&mut i);
    let value = value?;
    let (mut hour, mut minute, mut sure) = (value, 0, false);
    if length == 4 {
        (hour, minute) = (value / 100, value % 100);
    } else if length > 2 {
        return None;
    } else if i < bytes.len() && matches!(bytes[i], b':' | b'h' | b'H' | b'.') {
        let mark = bytes[i];
        let mut j = i + 1;
        let (count, minutes) = number(&mut j);
        if count == 2 {
            minute = minutes?;
            i = j;
            sure = mark != b'.';
        } else if mark == b'h' || mark == b'H' {
            i += 1;
            sure = true;
        }
    }
    // What follows makes a bare number a time.
    let rest = text[i..].trim_start();
    let lower = rest.get(..4).unwrap_or(rest).to_ascii_lowercase();
    let behind = i + (text[i..].len() - rest.len());
    let after = |mark: &str| behind + mark.len();
    for (mark, add) in [("p.m.", 12), ("p.m", 12), ("pm", 12), ("a.m.", 0), ("a.m", 0), ("am", 0)] {
        if lower.starts_with(mark) && hour <= 12 {
            hour = hour % 12 + add;
            i = after(mark);
            sure = true;
            break;
        }
    }
    for mark in ["hrs", "hr", "uhr", "h"] {
        if lower.starts_with(mark) {
            i = after(mark);
            sure = true;
            break;
        }
    }
    (sure && hour < 24 && minute < 60).then(|| (format!("{hour:02}:{minute:02}"), i))
}

#[cfg(test)]
mod tests;
