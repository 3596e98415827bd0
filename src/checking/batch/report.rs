//! What a batch check found, for the terminal and as one HTML page that needs
//! nothing but itself.

use super::Summary;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::io::Write;

/// What each kind of doubt means, in a few words, for headings.
fn words(kind: &str) -> String {
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

/// Writes the summary as plain text.
pub(super) fn terminal(summary: &Summary, out: &mut impl Write) -> std::io::Result<()> {
    let s = summary;
    writeln!(out, "{}", s.name)?;
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
            if let Some((row, sentence)) = found.examples.first() {
                writeln!(out, "      row {row}: {sentence}")?;
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
    let seconds = s.seconds.max(1e-6);
    writeln!(out, "\n{} rows a second, {:.1} s", spaced((s.rows as f64 / seconds) as u64), s.seconds)
}

const STYLE: &str = "
:root { color-scheme: light dark; --ink: #1d2320; --soft: #5c6660; --paper: #fbfaf6; --line: #d9d6cb; --sound: #5a8f7b; --doubt: #c8702a; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8e6df; --soft: #a5aca6; --paper: #1a1d1b; --line: #3a403c; --sound: #74ad97; --doubt: #e0904f; } }
body { font: 16px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper); margin: 2rem auto; max-width: 62rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin-bottom: .2rem; overflow-wrap: anywhere; } h2 { font-size: 1.15rem; margin-top: 2rem; }
p.soft, .soft { color: var(--soft); }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; padding: .3rem .6rem; border-bottom: 1px solid var(--line); vertical-align: top; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
svg { width: 100%; height: auto; display: block; } svg text { fill: var(--soft); font: 12px system-ui, sans-serif; }
.sound { fill: var(--sound); } .doubt { fill: var(--doubt); } .axis { stroke: var(--line); }
.key span { display: inline-block; width: .8em; height: .8em; margin: 0 .3em 0 1em; border-radius: 2px; }
details summary { cursor: pointer; }
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
                p.soft { (spaced(s.rows)) " rows checked on " (s.day) " in " (format!("{:.1}", s.seconds)) " s. Nothing in the table was changed." }
                table {
                    tr { th { "Rows" } th.n { "Count" } th.n { "Share" } }
                    tr { td { "Without a doubt" } td.n { (spaced(s.rows - s.doubted)) } td.n { (share(s.rows - s.doubted, s.rows)) } }
                    tr { td { "With doubts" } td.n { (spaced(s.doubted)) } td.n { (share(s.doubted, s.rows)) } }
                    tr { td { "Damaged" } td.n { (spaced(s.damaged)) } td.n { (share(s.damaged, s.rows + s.damaged)) } }
                    @if let Some(amended) = s.amended {
                        tr { td { "Amended in the copy" } td.n { (spaced(amended)) } td.n { (share(amended, s.rows)) } }
                    }
                }
                h2 { "Event dates" }
                table {
                    tr { th { "As written" } th.n { "Count" } th.n { "Share" } }
                    @for (name, count) in s.dates.named() {
                        @if count > 0 {
                            tr { td { (name) } td.n { (spaced(count)) } td.n { (share(count, s.rows)) } }
                        }
                    }
                }
                h2 { "Rows by year" }
                (years(s))
                h2 { "Doubts by kind" }
                @if s.kinds.is_empty() { p { "There are none." } } @else { (kinds(s)) }
                @for (kind, found) in s.by_count() {
                    details {
                        summary { (words(kind)) ": " (spaced(found.count)) }
                        table {
                            tr { th.n { "Row" } th { "Why" } }
                            @for (row, sentence) in &found.examples {
                                tr { td.n { (row) } td { (sentence) } }
                            }
                        }
                        @if found.count > found.examples.len() as u64 {
                            p.soft { "The first " (found.examples.len()) "; all are in the table of doubts (--doubts)." }
                        }
                    }
                }
                @if !s.damages.is_empty() {
                    h2 { "Damaged rows" }
                    table {
                        tr { th.n { "Row" } th { "Why" } }
                        @for (row, why) in &s.damages { tr { td.n { (row) } td { (why) } } }
                    }
                }
            }
        }
    };
    markup.into_string()
}

/// Bars by year, or by ten years where there are too many to tell apart.
fn years(s: &Summary) -> Markup {
    let (Some((&first, _)), Some((&last, _))) = (s.years.first_key_value(), s.years.last_key_value()) else {
        return html! { p { "No row has a year." } };
    };
    let step: i16 = if last - first > 160 { 10 } else { 1 };
    let from = first - first.rem_euclid(step);
    let count = usize::try_from((last - from) / step + 1).unwrap_or(1);
    let mut bars = vec![(0_u64, 0_u64); count];
    for (year, (all, doubted)) in &s.years {
        let bar = &mut bars[usize::try_from((year - from) / step).unwrap_or(0)];
        bar.0 += all;
        bar.1 += doubted;
    }
    let most = bars.iter().map(|b| b.0).max().unwrap_or(1).max(1) as f64;
    let (width, height, left, bottom) = (900.0, 240.0, 60.0, 24.0);
    let wide = (width - left) / count as f64;
    let tall = |n: u64| n as f64 / most * (height - bottom - 12.0);
    let label_every = (count / 12).max(1);
    html! {
        p.key.soft { span style="background: var(--sound)" {} "without a doubt" span style="background: var(--doubt)" {} "with doubts" }
        svg viewBox=(format!("0 0 {width} {height}")) role="img" aria-label="Rows by year" {
            line.axis x1=(format!("{left}")) y1=(format!("{}", height - bottom)) x2=(format!("{width}")) y2=(format!("{}", height - bottom)) {}
            text x="0" y="14" { (spaced(most as u64)) }
            text x="0" y=(format!("{}", height - bottom)) { "0" }
            @for (i, (all, doubted)) in bars.iter().enumerate() {
                @let x = left + i as f64 * wide;
                @let base = height - bottom;
                @let name = i32::from(from) + i as i32 * i32::from(step);
                g {
                    title { (name) ": " (spaced(*all)) " rows, " (spaced(*doubted)) " with doubts" }
                    rect.sound x=(format!("{x:.1}")) y=(format!("{:.1}", base - tall(*all))) width=(format!("{:.2}", (wide - 0.6).max(0.6))) height=(format!("{:.1}", tall(*all - *doubted))) {}
                    rect.doubt x=(format!("{x:.1}")) y=(format!("{:.1}", base - tall(*doubted))) width=(format!("{:.2}", (wide - 0.6).max(0.6))) height=(format!("{:.1}", tall(*doubted))) {}
                }
                @if i % label_every == 0 {
                    text x=(format!("{x:.1}")) y=(format!("{}", height - 6.0)) { (name) }
                }
            }
        }
    }
}

fn kinds(s: &Summary) -> Markup {
    let all = s.by_count();
    let most = all.first().map_or(1, |k| k.1.count).max(1) as f64;
    let height = all.len() as f64 * 24.0;
    html! {
        svg viewBox=(format!("0 0 900 {height}")) role="img" aria-label="Doubts by kind" {
            @for (i, (kind, found)) in all.iter().enumerate() {
                @let y = i as f64 * 24.0;
                text x="0" y=(format!("{}", y + 16.0)) { (words(kind)) }
                rect.doubt x="240" y=(format!("{}", y + 4.0)) width=(format!("{:.1}", (found.count as f64 / most * 560.0).max(1.0))) height="16" {}
                text x=(format!("{:.1}", 248.0 + found.count as f64 / most * 560.0)) y=(format!("{}", y + 16.0)) { (spaced(found.count)) }
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
    fn the_page_of_an_empty_check_stands() {
        let page = page(&Summary::default());
        assert!(page.contains("No row has a year.") && page.contains("There are none."));
    }
}
