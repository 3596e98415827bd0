//! Plots of chosen records as SVG: the flight time by thirds of months, flight
//! time against elevation, and a map of the points with a scale bar.
//!
//! A lot counts in the flight time where its date is a day, or an interval of at
//! most [`LONGEST`] days (its middle counts); how many lots say less is written
//! under the plot, none is left out unsaid.

use super::Row;
use crate::checking::kilometres_between;
use crate::parsing::dates::days_of;
use crate::trouble::{Result, Trouble};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

/// The longest interval of days that still tells a flight time: a third of a
/// month.
pub const LONGEST: i32 = 10;

const INK: RGBColor = RGBColor(38, 70, 110);
/// The axis of the year: January's middle is at 1, so that the month's name
/// stands under its middle.
const YEAR: std::ops::Range<f64> = 0.5..12.5;
const MONTHS: [&str; 12] = ["i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix", "x", "xi", "xii"];

/// What a lot tells for the plots.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlotPoint {
    /// Month and share of it: 1.0 is the 1st of January, 7.5 the middle of July.
    pub season: Option<f64>,
    /// Metres above the sea, the middle of a span.
    pub elevation: Option<f64>,
    /// Latitude and longitude in decimal degrees.
    pub place: Option<(f64, f64)>,
}

impl PlotPoint {
    /// What one row of a lot tells.
    pub fn of(row: &Row) -> Self {
        let number = |term: &str| row.get(term).and_then(|v| v.parse::<f64>().ok()).filter(|n| n.is_finite());
        let (low, high) = (number("minimumElevationInMeters"), number("maximumElevationInMeters"));
        let place = number("decimalLatitude").zip(number("decimalLongitude"));
        PlotPoint {
            season: row.get("eventDate").and_then(|d| season(d)),
            elevation: match (low, high) {
                (Some(low), Some(high)) => Some((low + high) / 2.0),
                (low, high) => low.or(high),
            },
            place: place.filter(|(lat, lon)| lat.abs() <= 90.0 && lon.abs() <= 180.0),
        }
    }
}

/// When in the year a date is, where it says so closely enough.
fn season(date: &str) -> Option<f64> {
    let (first, last) = days_of(date)?;
    let days = first.until(last).ok()?.get_days();
    if !(0..=LONGEST).contains(&days) {
        return None;
    }
    let middle = first.checked_add(jiff::Span::new().days(i64::from(days / 2))).ok()?;
    let share = f64::from(middle.day() - 1) / f64::from(middle.days_in_month());
    Some(f64::from(middle.month()) + share)
}

fn failed(error: impl std::fmt::Display) -> Trouble {
    Trouble::new("the plot", "could not be drawn").cause(error.to_string())
}

fn none(what: &str) -> Trouble {
    Trouble::new("the plot", format!("has nothing to show: no chosen lot tells {what}"))
        .hint("choose other lots with --lots or --find, or settle more")
}

/// Lots by thirds of months, as an SVG file.
///
/// # Errors
/// Where no lot tells its day.
pub fn flight_time(title: &str, points: &[PlotPoint]) -> Result<String> {
    let mut bars = [0u32; 36];
    for season in points.iter().filter_map(|p| p.season) {
        bars[(((season - 1.0) * 3.0 + 1e-9) as usize).min(35)] += 1;
    }
    let known: u32 = bars.iter().sum();
    if known == 0 {
        return Err(none("its day"));
    }
    let most = f64::from(*bars.iter().max().unwrap_or(&1));
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (860, 440)).into_drawing_area();
        root.fill(&WHITE).map_err(failed)?;
        let mut chart = ChartBuilder::on(&root)
            .caption(title, ("sans-serif", 20))
            .margin(16)
            .x_label_area_size(48)
            .y_label_area_size(56)
            .build_cartesian_2d(YEAR, 0.0..(most * 1.08).max(1.0))
            .map_err(failed)?;
        let under = said("month (thirds)", points.len(), known as usize, "their day");
        chart
            .configure_mesh()
            .disable_x_mesh()
            .x_labels(13)
            .label_style(("sans-serif", 15))
            .axis_desc_style(("sans-serif", 15))
            .x_label_formatter(&|x| month(*x))
            .y_labels(if most < 8.0 { most as usize + 1 } else { 6 })
            .y_label_formatter(&|y| format!("{y:.0}"))
            .x_desc(under)
            .y_desc("lots")
            .light_line_style(WHITE)
            .draw()
            .map_err(failed)?;
        between_months(&mut chart, (most * 1.08).max(1.0), 0.0)?;
        let bars = bars.iter().enumerate().filter(|b| *b.1 > 0).map(|(i, n)| {
            let left = 0.5 + i as f64 / 3.0;
            Rectangle::new([(left + 0.02, 0.0), (left + 1.0 / 3.0 - 0.02, f64::from(*n))], INK.filled())
        });
        chart.draw_series(bars).map_err(failed)?;
        root.present().map_err(failed)?;
    }
    Ok(svg)
}

/// Flight time against elevation, a point a lot, as an SVG file.
///
/// # Errors
/// Where no lot tells both.
pub fn flight_elevation(title: &str, points: &[PlotPoint]) -> Result<String> {
    let known: Vec<(f64, f64)> = points.iter().filter_map(|p| p.season.zip(p.elevation)).collect();
    if known.is_empty() {
        return Err(none("its day and elevation"));
    }
    let low = known.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let high = known.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    let edge = ((high - low) * 0.08).max((200.0 - (high - low)) / 2.0);
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (860, 500)).into_drawing_area();
        root.fill(&WHITE).map_err(failed)?;
        let mut chart = ChartBuilder::on(&root)
            .caption(title, ("sans-serif", 20))
            .margin(16)
            .x_label_area_size(48)
            .y_label_area_size(64)
            .build_cartesian_2d(YEAR, low - edge..high + edge)
            .map_err(failed)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .x_labels(13)
            .label_style(("sans-serif", 15))
            .axis_desc_style(("sans-serif", 15))
            .x_label_formatter(&|x| month(*x))
            .y_label_formatter(&|y| format!("{y:.0}"))
            .x_desc(said("month", points.len(), known.len(), "their day and elevation"))
            .y_desc("metres above the sea")
            .light_line_style(WHITE)
            .draw()
            .map_err(failed)?;
        between_months(&mut chart, high + edge, low - edge)?;
        let dots = known.iter().map(|p| Circle::new((p.0 - 0.5, p.1), 4, INK.mix(0.55).filled()));
        chart.draw_series(dots).map_err(failed)?;
        root.present().map_err(failed)?;
    }
    Ok(svg)
}

/// Where the lots were collected: points sized by their number, degrees at the
/// edges, a scale bar; as an SVG file.
///
/// # Errors
/// Where no lot has decimal degrees.
pub fn map(title: &str, points: &[PlotPoint]) -> Result<String> {
    const SIDE: f64 = 640.0;
    let places: Vec<(f64, f64)> = points.iter().filter_map(|p| p.place).collect();
    if places.is_empty() {
        return Err(none("its decimal degrees"));
    }
    let range = |values: &dyn Fn(&(f64, f64)) -> f64| {
        let all = places.iter().map(values);
        (all.clone().fold(f64::INFINITY, f64::min), all.fold(f64::NEG_INFINITY, f64::max))
    };
    let ((south, north), (west, east)) = (range(&|p| p.0), range(&|p| p.1));
    let middle = ((south + north) / 2.0, (west + east) / 2.0);
    // A degree of longitude is shorter than one of latitude by this.
    let shrink = middle.0.to_radians().cos().max(0.05);
    // At least some kilometres, so that one place does not fill the sheet.
    let half = ((north - south).max((east - west) * shrink) * 0.58).max(0.02);
    // The lowest strip is the scale bar's.
    let (lats, lons) =
        (middle.0 - half * 1.14..middle.0 + half, middle.1 - half / shrink..middle.1 + half / shrink);
    let mut counts: std::collections::BTreeMap<(i64, i64), u32> = std::collections::BTreeMap::new();
    for (lat, lon) in &places {
        *counts.entry(((lat * 1e5).round() as i64, (lon * 1e5).round() as i64)).or_default() += 1;
    }
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (SIDE as u32 + 110, (SIDE * 1.07) as u32 + 120))
            .into_drawing_area();
        root.fill(&WHITE).map_err(failed)?;
        let mut chart = ChartBuilder::on(&root)
            .caption(title, ("sans-serif", 20))
            .margin(16)
            .x_label_area_size(48)
            .y_label_area_size(72)
            .build_cartesian_2d(lons.clone(), lats.clone())
            .map_err(failed)?;
        let decimals = if half < 0.05 { 3 } else { 2 };
        chart
            .configure_mesh()
            .label_style(("sans-serif", 15))
            .axis_desc_style(("sans-serif", 15))
            .x_labels(6)
            .y_labels(6)
            .x_label_formatter(&|x| format!("{x:.decimals$}°"))
            .y_label_formatter(&|y| format!("{y:.decimals$}°"))
            .x_desc(said("longitude", points.len(), places.len(), "their place"))
            .y_desc("latitude")
            .light_line_style(WHITE)
            .draw()
            .map_err(failed)?;
        let dots = counts.iter().map(|((lat, lon), n)| {
            let size = (4.0 + 2.5 * f64::from(*n).sqrt()).min(18.0) as i32;
            Circle::new((*lon as f64 / 1e5, *lat as f64 / 1e5), size, INK.mix(0.55).filled())
        });
        chart.draw_series(dots).map_err(failed)?;
        scale_bar(&mut chart, (lats.start + half * 0.06, lons.start + half / shrink * 0.08), half / shrink)?;
        root.present().map_err(failed)?;
    }
    Ok(svg)
}

type Map<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// A bar of a round number of kilometres, from `at` (latitude, longitude)
/// eastward and no longer than `most` degrees.
fn scale_bar(chart: &mut Map, at: (f64, f64), most: f64) -> Result<()> {
    let degree = kilometres_between((at.0, 0.0), (at.0, 1.0));
    let longest = most * 0.7 * degree;
    let unit = 10f64.powf(longest.log10().floor());
    let km = [5.0, 2.0, 1.0].into_iter().map(|f| f * unit).find(|k| *k <= longest).unwrap_or(unit);
    let end = (at.1 + km / degree, at.0);
    chart.draw_series([PathElement::new([(at.1, at.0), end], BLACK.stroke_width(3))]).map_err(failed)?;
    let words = if km < 1.0 { format!("{:.0} m", km * 1000.0) } else { format!("{km:.0} km") };
    chart
        .draw_series([EmptyElement::at((at.1, at.0)) + Text::new(words, (0, -20), ("sans-serif", 15))])
        .map_err(failed)?;
    Ok(())
}

fn month(x: f64) -> String {
    let whole = x.round();
    let name = MONTHS.get((whole as usize).wrapping_sub(1)).filter(|_| (x - whole).abs() < 1e-6);
    name.map_or(String::new(), |m| (*m).into())
}

/// Fine lines between the months.
fn between_months(chart: &mut Map, top: f64, bottom: f64) -> Result<()> {
    let lines = (1..12).map(|m| {
        let x = f64::from(m) + 0.5;
        PathElement::new([(x, bottom), (x, top)], BLACK.mix(0.15))
    });
    chart.draw_series(lines).map_err(failed)?;
    Ok(())
}

fn said(axis: &str, all: usize, known: usize, what: &str) -> String {
    if known == all {
        format!("{axis}; {all} lots")
    } else {
        format!("{axis}; {known} of {all} lots tell {what}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(pairs: &[(&str, &str)]) -> Row {
        pairs.iter().map(|(t, v)| ((*t).into(), (*v).into())).collect()
    }

    #[test]
    fn a_day_or_a_short_interval_tells_the_season() {
        for (date, expected) in [
            ("1993-01-01", Some(1.0)),
            ("1993-07-16", Some(7.0 + 15.0 / 31.0)),
            ("1993-07-16T22:10", Some(7.0 + 15.0 / 31.0)),
            ("1993-07-10/1993-07-14", Some(7.0 + 11.0 / 31.0)),
            // A shortened end and times, as ISO 8601 has them.
            ("1993-07-12/15", Some(7.0 + 12.0 / 31.0)),
            ("1993-07-16T21:00/1993-07-17T05:00", Some(7.0 + 15.0 / 31.0)),
            ("1993-07", None),
            ("1993-07-01/1993-08-01", None),
            ("1993", None),
            ("", None),
        ] {
            assert_eq!(season(date), expected, "{date}");
        }
    }

    #[test]
    fn plots_are_svg_and_say_what_is_left_out() {
        let points: Vec<PlotPoint> = [
            [
                ("eventDate", "1993-07-12"),
                ("minimumElevationInMeters", "410"),
                ("decimalLatitude", "54.36"),
                ("decimalLongitude", "-2.91"),
            ],
            [
                ("eventDate", "1993-07-14"),
                ("minimumElevationInMeters", "520"),
                ("decimalLatitude", "54.38"),
                ("decimalLongitude", "-2.95"),
            ],
            [
                ("eventDate", "1993"),
                ("minimumElevationInMeters", "520"),
                ("decimalLatitude", "x"),
                ("decimalLongitude", "-2.95"),
            ],
        ]
        .iter()
        .map(|p| PlotPoint::of(&row(p)))
        .collect();
        let time = flight_time("Plusia vallis & kin", &points).unwrap();
        assert!(
            time.contains("2 of 3 lots tell their day") && time.contains("Plusia vallis &amp; kin"),
            "{time}"
        );
        let elevation = flight_elevation("x", &points).unwrap();
        assert_eq!(elevation.matches("<circle").count(), 2, "{elevation}");
        let map = map("x", &points).unwrap();
        assert_eq!(map.matches("<circle").count(), 2);
        assert!(map.contains(" km\n") || map.contains("km"), "{map}");
        let error = flight_time("x", &points[2..]).unwrap_err().to_string();
        assert!(error.contains("no chosen lot tells its day"), "{error}");
    }
}
