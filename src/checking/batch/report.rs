//! What a batch check found, for the terminal and as one HTML page that needs
//! nothing but itself.

use super::Summary;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::io::Write;

/// What each kind of doubt means, in a few words, for headings.
fn words(kind: &str) -> String {
    let known = match kind {
        "century-open" => "The century is not written",
        "collector-in-two-places" => "Collector in two places on one day",
        "coordinates-impossible" => "No such coordinates",
        "coordinates-incomplete" => "Latitude or longitude missing",
        "coordinates-in-the-sea" => "Coordinates in the sea",
        "coordinates-outside-country" => "Coordinates outside the country",
        "coordinates-outside-county" => "Coordinates outside the county",
        "coordinates-outside-state" => "Coordinates outside the state",
        "coordinates-sign-flipped" => "A sign of the coordinates turned",
        "coordinates-swapped" => "Latitude and longitude swapped",
        "coordinates-zero" => "Coordinates 0, 0",
        "count-not-a-number" => "Count is no whole number",
        "count-unlikely" => "Count unusually high",
        "county-not-in-state" => "No such county in the state",
        "date-after-collector" => "After the collector's last year",
        "date-before-collector" => "Before the collector's first year",
        "date-impossible" => "No such day",
        "date-in-the-future" => "Date in the future",
        "date-parts-disagree" => "Date against year, month, day",
        "date-too-early" => "Date too early",
        "date-unread" => "Date not understood",
        "date-without-year" => "Date without a year",
        "day-month-open" => "Day or month first, not clear",
        "determined-before-event" => "Determined before it was taken",
        "determined-late" => "Determined very late",
        "elevation-impossible" => "No such elevation",
        "elevation-range-wide" => "Elevations far apart",
        "elevation-reversed" => "Elevations the wrong way round",
        "event-too-long" => "Event of many days",
        "sex-against-count" => "Sexes against the count",
        _ => "",
    };
    if !known.is_empty() {
        return known.to_owned();
    }
    let mut text = kind.replace('-', " ");
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    text
}

fn share(part: u64, whole: u64) -> String {
    if whole == 0 { "-".into() } else { format!("{:.1} %", part as f64 * 100.0 / whole as f64) }
}

/// A number with a thin gap between thousands.
fn spaced(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(c);
    }
    out
}

fn few_numbers(kept: usize) -> String {
    format!(
        "Catalogue numbers were compared with the first {} only (`numbers` in checks.toml).",
        spaced(kept as u64)
    )
}

/// Writes the summary as plain text.
pub(super) fn terminal(summary: &Summary, out: &mut impl Write) -> std::io::Result<()> {
    let s = summary;
    writeln!(out, "{}", s.name)?;
    if !s.columns.is_empty() {
        let whence = if s.remembered { "as last time" } else { "as said" };
        writeln!(out, "  columns {whence}: {}", s.columns)?;
    }
    writeln!(out, "  rows checked        {:>12}", spaced(s.rows))?;
    writeln!(
        out,
        "  without a doubt     {:>12}  {}",
        spaced(s.rows - s.doubted),
        share(s.rows - s.doubted, s.rows)
    )?;
    writeln!(out, "  with doubts         {:>12}  {}", spaced(s.doubted), share(s.doubted, s.rows))?;
    writeln!(out, "  damaged             {:>12}", spaced(s.damaged))?;
    if let Some(amended) = s.amended {
        writeln!(out, "  amended             {:>12}  {}", spaced(amended), share(amended, s.rows))?;
    }
    writeln!(out, "\nevent dates")?;
    for (name, count) in s.dates.named() {
        if count > 0 {
            writeln!(out, "  {name:<30}  {:>12}  {}", spaced(count), share(count, s.rows))?;
        }
    }
    if !s.kinds.is_empty() {
        writeln!(out, "\ndoubts")?;
        for (kind, found) in s.by_count() {
            writeln!(out, "  {kind:<30}  {:>12}  {}", spaced(found.count), share(found.count, s.rows))?;
            if let Some(example) = found.examples.first() {
                writeln!(out, "      {}: {}", example.place(), example.sentence)?;
            }
        }
    }
    if !s.damages.is_empty() {
        writeln!(
            out,
            "\ndamaged rows{}",
            if s.damaged > s.damages.len() as u64 { " (the first)" } else { "" }
        )?;
        for (row, why) in s.damages.iter().take(10) {
            writeln!(out, "  row {row}: {why}")?;
        }
    }
    if !s.written.is_empty() {
        writeln!(out, "\nwritten")?;
        for (what, path) in &s.written {
            writeln!(out, "  {what:<18}  {path}")?;
        }
    }
    if let Some(numbers) = s.numbers {
        writeln!(out, "\n{}", few_numbers(numbers))?;
    }
    if s.stopped {
        writeln!(out, "\nStopped before the end: what is above concerns the rows until then.")?;
    }
    let seconds = s.seconds.max(1e-6);
    writeln!(out, "\n{} rows a second, {:.1} s", spaced((s.rows as f64 / seconds) as u64), s.seconds)
}

// Text has a contrast of at least 4.5 to 1 on its ground and bars of at least 3
// to 1, in both schemes (WCAG 2.2, 1.4.3 and 1.4.11; held by a test).
const STYLE: &str = "
:root { color-scheme: light dark; --ink: #1d2320; --soft: #55605a; --paper: #fbfaf6; --line: #d9d6cb; --sound: #4f8571; --doubt: #b85f1c; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8e6df; --soft: #a9b0aa; --paper: #1a1d1b; --line: #3d443f; --sound: #67a18b; --doubt: #e0904f; } }
body { font: 1rem/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper); margin: 1.5rem auto 4rem; max-width: 60rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.15rem; margin: 2.2rem 0 .5rem; }
p { margin: .3rem 0 .8rem; } .soft { color: var(--soft); }
.two { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 24rem), 1fr)); gap: 0 3rem; }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; padding: .3rem .5rem; border-bottom: 1px solid var(--line); vertical-align: top; }
th { font-weight: 600; color: var(--soft); } td { overflow-wrap: anywhere; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; width: 1%; }
td.id { white-space: nowrap; width: 1%; }
.plot { overflow-x: auto; } .plot svg { width: 100%; min-width: 40rem; height: auto; display: block; }
svg text { fill: var(--ink); font: 13px system-ui, sans-serif; } svg text.soft { fill: var(--soft); }
.sound { fill: var(--sound); } .doubt { fill: var(--doubt); } .axis { stroke: var(--soft); } .grid { stroke: var(--line); }
.key { margin: 0 0 .3rem; } .key span { display: inline-block; width: .8em; height: .8em; margin-right: .4em; border-radius: 2px; } .key span + span, .key .next { margin-left: 1.2em; }
details { border-bottom: 1px solid var(--line); } details[open] { padding-bottom: .8rem; }
summary { cursor: pointer; padding: .35rem 0; } summary:focus-visible { outline: 2px solid var(--ink); outline-offset: 2px; }
code { font-size: .9em; }
";

/// The report as a page.
pub(super) fn page(s: &Summary) -> String {
    let title = format!("Check of {}", s.name);
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (title) }
                p.soft {
                    (spaced(s.rows)) " rows checked on " (s.day) ". The table itself was not changed."
                    @if let Some(numbers) = s.numbers { " " (few_numbers(numbers)) }
                    @if s.stopped { " The check was stopped before the end: this concerns the rows until then." }
                }
                div.two {
                    section {
                        h2 { "Rows" }
                        table {
                            tr { th { "What was found" } th.n { "Rows" } th.n { "Share" } }
                            tr { td { "Without a doubt" } td.n { (spaced(s.rows - s.doubted)) } td.n { (share(s.rows - s.doubted, s.rows + s.damaged)) } }
                            tr { td { "With doubts" } td.n { (spaced(s.doubted)) } td.n { (share(s.doubted, s.rows + s.damaged)) } }
                            tr { td { "Damaged, not checked" } td.n { (spaced(s.damaged)) } td.n { (share(s.damaged, s.rows + s.damaged)) } }
                            @if let Some(amended) = s.amended {
                                tr { td { "Amended in the copy" } td.n { (spaced(amended)) } td.n { (share(amended, s.rows + s.damaged)) } }
                            }
                        }
                    }
                    section {
                        h2 { "Event dates" }
                        table {
                            tr { th { "As they are written" } th.n { "Rows" } th.n { "Share" } }
                            @for (name, count) in s.dates.named() {
                                @if count > 0 {
                                    tr { td { (name) } td.n { (spaced(count)) } td.n { (share(count, s.rows)) } }
                                }
                            }
                        }
                    }
                }
                @if !s.damages.is_empty() {
                    h2 { "Damaged rows" }
                    p.soft {
                        "They could not be read as a row of this table; the amended copy keeps their words."
                        @if s.damaged > s.damages.len() as u64 { " These are the first " (s.damages.len()) "." }
                    }
                    table {
                        tr { th.n { "Row" } th { "What is wrong" } }
                        @for (row, why) in &s.damages { tr { td.n { (row) } td { (why) } } }
                    }
                }
                h2 { "Rows by year of the event" }
                (years(s))
                h2 { "Doubts by kind" }
                @if s.kinds.is_empty() { p { "There are none." } } @else { (kinds(s)) }
                @if !s.kinds.is_empty() { h2 { "Examples of each kind" } }
                @for (kind, found) in s.by_count() {
                    details open[found.count <= 3] {
                        summary { (words(kind)) ": " (spaced(found.count)) " " code.soft { (kind) } }
                        table {
                            tr { th.n { "Row" } th { "Record" } th { "Why" } }
                            @for e in &found.examples {
                                tr { td.n { (e.row) } td.id { (e.record) } td { (e.sentence) } }
                            }
                        }
                        @if found.count > found.examples.len() as u64 {
                            p.soft { "The first " (found.examples.len()) "; the table of doubts (" code { "--doubts" } ") has all." }
                        }
                    }
                }
            }
        }
    };
    markup.into_string()
}

/// Marks of an axis from 0 to `most`: at most five steps of 1, 2 or 5 times a
/// power of ten.
fn marks(most: u64) -> Vec<u64> {
    let mut step = 1;
    for factor in [2, 5, 10].into_iter().cycle() {
        if most <= step * 5 {
            break;
        }
        let power = 10_u64.pow(step.ilog10());
        step = power * factor;
    }
    (0..=most.div_ceil(step).max(1)).map(|i| i * step).collect()
}

/// Bars by year, or by several years where there are too many to tell apart.
fn years(s: &Summary) -> Markup {
    let (Some((&first, _)), Some((&last, _))) = (s.years.first_key_value(), s.years.last_key_value()) else {
        return html! { p { "No row has a year." } };
    };
    let (first, last) = (i32::from(first), i32::from(last));
    let step = [1, 5, 10, 50].into_iter().find(|step| (last - first) / step < 130).unwrap_or(100);
    let from = first - first.rem_euclid(step);
    let count = usize::try_from((last - from) / step + 1).unwrap_or(1);
    let mut bars = vec![(0_u64, 0_u64); count];
    for (year, (all, doubted)) in &s.years {
        let bar = &mut bars[usize::try_from((i32::from(*year) - from) / step).unwrap_or(0)];
        bar.0 += all;
        bar.1 += doubted;
    }
    let marks = marks(bars.iter().map(|b| b.0).max().unwrap_or(1));
    let top = marks.last().copied().unwrap_or(1).max(1) as f64;
    let (width, left, ground, head) = (900.0, 76.0, 232.0, 12.0);
    let wide = ((width - left - 8.0) / count as f64).min(48.0);
    let tall = |n: u64| n as f64 / top * (ground - head);
    let gap = if wide > 4.0 { 1.0 } else { 0.3 };
    let names = |i: usize| from + i as i32 * step;
    // Round years are named, about twelve of them.
    let every = [1, 2, 5, 10, 20, 50, 100, 200, 500]
        .into_iter()
        .find(|e| (last - from) / e <= 12)
        .unwrap_or(1000)
        .max(step);
    html! {
        p.key { span style="background: var(--sound)" {} "without a doubt" span.next style="background: var(--doubt)" {} "with doubts" }
        div.plot {
            svg viewBox=(format!("0 0 {width} 282")) role="img" aria-label=(format!("Rows by year of the event, {first} to {last}")) {
                @for mark in &marks {
                    @let y = ground - tall(*mark);
                    line.grid x1=(left) y1=(format!("{y:.1}")) x2=(width) y2=(format!("{y:.1}")) {}
                    text.soft x=(left - 8.0) y=(format!("{:.1}", y + 4.0)) text-anchor="end" { (spaced(*mark)) }
                }
                @for (i, (all, doubted)) in bars.iter().enumerate() {
                    @let x = left + i as f64 * wide;
                    @let bar = (wide - gap).max(0.5);
                    @if *all > 0 {
                        g {
                            title {
                                (names(i)) @if step > 1 { " to " (names(i) + step - 1) }
                                ": " (spaced(*all)) " rows, " (spaced(*doubted)) " with doubts"
                            }
                            rect.sound x=(format!("{x:.2}")) y=(format!("{:.2}", ground - tall(*all))) width=(format!("{bar:.2}")) height=(format!("{:.2}", tall(*all - *doubted))) {}
                            rect.doubt x=(format!("{x:.2}")) y=(format!("{:.2}", ground - tall(*doubted))) width=(format!("{bar:.2}")) height=(format!("{:.2}", tall(*doubted))) {}
                        }
                    }
                    @if names(i).rem_euclid(every) == 0 || count == 1 {
                        @let middle = x + bar / 2.0;
                        line.axis x1=(format!("{middle:.1}")) y1=(ground) x2=(format!("{middle:.1}")) y2=(ground + 5.0) {}
                        text.soft x=(format!("{middle:.1}")) y=(ground + 20.0) text-anchor="middle" { (names(i)) }
                    }
                }
                line.axis x1=(left) y1=(ground) x2=(width) y2=(ground) {}
                text x="0" y="0" text-anchor="middle" transform=(format!("translate(14 {}) rotate(-90)", (ground + head) / 2.0)) { "rows" }
                text x=((left + width) / 2.0) y="276" text-anchor="middle" {
                    "year of the event" @if step > 1 { ", " (step) " years a bar" }
                }
            }
        }
    }
}

fn kinds(s: &Summary) -> Markup {
    let all = s.by_count();
    let marks = marks(all.first().map_or(1, |k| k.1.count));
    let top = marks.last().copied().unwrap_or(1).max(1) as f64;
    let (left, right) = (270.0, 830.0);
    let ground = all.len() as f64 * 24.0 + 4.0;
    let long = |n: u64| n as f64 / top * (right - left);
    html! {
        div.plot {
            svg viewBox=(format!("0 0 900 {}", ground + 46.0)) role="img" aria-label="Doubts by kind" {
                @for mark in &marks {
                    @let x = left + long(*mark);
                    line.grid x1=(format!("{x:.1}")) y1="0" x2=(format!("{x:.1}")) y2=(ground) {}
                    text.soft x=(format!("{x:.1}")) y=(ground + 18.0) text-anchor="middle" { (spaced(*mark)) }
                }
                @for (i, (kind, found)) in all.iter().enumerate() {
                    @let y = i as f64 * 24.0;
                    text x=(left - 10.0) y=(y + 17.0) text-anchor="end" { (words(kind)) }
                    rect.doubt x=(left) y=(y + 4.0) width=(format!("{:.1}", long(found.count).max(1.0))) height="17" {}
                    text x=(format!("{:.1}", left + 6.0 + long(found.count))) y=(y + 17.0) { (spaced(found.count)) }
                }
                line.axis x1=(left) y1="0" x2=(left) y2=(ground) {}
                text x=((left + right) / 2.0) y=(ground + 40.0) text-anchor="middle" { "doubts" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_spaced_by_thousands() {
        assert_eq!(spaced(7), "7");
        assert_eq!(spaced(1_234_567), "1 234 567");
    }

    #[test]
    fn axes_are_marked_at_round_numbers() {
        assert_eq!(marks(0), [0, 1]);
        assert_eq!(marks(3), [0, 1, 2, 3]);
        assert_eq!(marks(7), [0, 2, 4, 6, 8]);
        assert_eq!(marks(41), [0, 10, 20, 30, 40, 50]);
        assert_eq!(marks(1_234_567), [0, 500_000, 1_000_000, 1_500_000]);
    }

    // The formulas of relative luminance and contrast ratio are WCAG 2.2's.
    #[test]
    fn colours_have_the_contrast_of_wcag_aa() {
        let schemes: Vec<&str> = STYLE.split(":root").skip(1).collect();
        assert_eq!(schemes.len(), 2);
        for scheme in schemes {
            let luminance = |name: &str| {
                let at = scheme.find(&format!("--{name}: #")).unwrap() + name.len() + 5;
                let channel = |i: usize| {
                    let v = f64::from(u8::from_str_radix(&scheme[at + i..at + i + 2], 16).unwrap()) / 255.0;
                    if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
                };
                0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4)
            };
            let contrast = |a: &str| {
                let (a, b) = (luminance(a) + 0.05, luminance("paper") + 0.05);
                a.max(b) / a.min(b)
            };
            for (name, least) in [("ink", 4.5), ("soft", 4.5), ("sound", 3.0), ("doubt", 3.0)] {
                assert!(contrast(name) >= least, "{name}: {:.2}", contrast(name));
            }
        }
    }

    #[test]
    fn the_page_of_an_empty_check_stands() {
        let page = page(&Summary::default());
        assert!(page.contains("No row has a year.") && page.contains("There are none."));
    }
}
