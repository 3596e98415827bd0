//! Plots of the records found, on the page: flight time, flight time against
//! elevation, and a map, as `glassine plots` draws them.

use super::pages::{find_form, finding, layout};
use super::{Answer, Find, Shared, With};
use crate::out::{self, PlotPoint, Row};
use crate::trouble::Trouble;
use axum::extract::Query;
use axum::response::IntoResponse;
use maud::{Markup, PreEscaped, html};

/// The most records a page draws, the newest: a plot of more says no more, and
/// the page is ready at once.
const PLOTTED: u32 = 20_000;

/// Terms the plots are drawn from.
const TERMS: [&str; 5] = [
    "eventDate",
    "decimalLatitude",
    "decimalLongitude",
    "minimumElevationInMeters",
    "maximumElevationInMeters",
];

/// What is drawn.
const KINDS: [(&str, Draw); 3] = [
    ("Flight time", out::flight_time),
    ("Flight time and elevation", out::flight_elevation),
    ("Map", out::map),
];
type Draw = fn(&str, &[PlotPoint]) -> crate::trouble::Result<String>;

/// The plots of the records that the words of the address find, of all where
/// there are none.
pub(super) async fn plots(With(app): Shared, Query(find): Query<Find>) -> Answer {
    let lots = app.store.found(&find.q, PLOTTED).await?;
    let values = app.store.values_by_lot(&lots, &TERMS).await?;
    let counts = app.store.state_counts().await?;
    let q = find.q.trim().to_owned();
    let title = if q.is_empty() { "All records".to_owned() } else { q.clone() };
    // Drawing 20,000 points takes its time, and others wait for this thread.
    let figures = tokio::task::spawn_blocking(move || drawn(&title, &values))
        .await
        .map_err(|e| Trouble::new("the plots", "could not be drawn: a fault of this program").cause(e))?;
    let body = html! {
        section.list.records aria-label="Plots" {
            (find_form("/plots", &q))
            p.soft {
                @if lots.len() == PLOTTED as usize { "The newest " (PLOTTED) " records. " }
                @else if lots.len() == 1 { "One record. " }
                @else { (lots.len()) " records. " }
                a href=(finding("/records", &q)) { "Their list" }
            }
            (figures)
        }
    };
    Ok(layout("Plots", "records", Some(&counts), Some(&app), body).into_response())
}

/// Each plot, or why there is none. The pictures are our own, their words
/// escaped by what draws them.
fn drawn(title: &str, values: &[Row]) -> Markup {
    let points: Vec<PlotPoint> = values.iter().map(PlotPoint::of).collect();
    html! {
        @for (name, draw) in KINDS {
            @match draw(&format!("{name}: {title}"), &points) {
                Ok(svg) => figure.plot role="img" aria-label={ (name) " of " (points.len()) " records: " (title) } { (PreEscaped(svg)) },
                Err(none) => p { (name) ": the plot " (none.fact) "." },
            }
        }
    }
}
