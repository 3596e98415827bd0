//! GeoJSON by RFC 7946: one point a row, its terms as properties.
//!
//! A row without decimal degrees is a feature without a geometry: nothing is
//! left out. RFC 7946 knows WGS 84 alone; degrees of another datum are written
//! as they stand, and `geodeticDatum` says so (they differ by up to some
//! hundred metres).

use super::jsonl::Object;
use super::{Source, write_failed};
use crate::trouble::Result;
use serde::Serialize;
use std::io::Write;

#[derive(Serialize)]
struct Feature<'a> {
    r#type: &'static str,
    geometry: Option<Point>,
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<&'a String>,
    properties: Object<'a>,
}

#[derive(Serialize)]
struct Point {
    r#type: &'static str,
    /// Longitude and latitude, in degrees.
    coordinates: [f64; 2],
}

/// Writes every settled record of `from` as a feature collection to `to` and
/// gives the number of rows. They are written piece by piece: memory does not
/// grow with them.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn geojson<'a>(from: impl Into<Source<'a>>, mut to: impl Write) -> Result<u64> {
    let mut count = 0;
    to.write_all(br#"{ "type": "FeatureCollection", "features": ["#).map_err(write_failed)?;
    from.into().pieces(
        |records| {
            let (mut count, mut piece) = (0, Vec::new());
            for record in records {
                for row in &record?.1 {
                    let degrees = |term: &str, most: f64| {
                        row.get(term).and_then(|v| v.parse::<f64>().ok()).filter(|d| d.abs() <= most)
                    };
                    let point = degrees("decimalLongitude", 180.0).zip(degrees("decimalLatitude", 90.0));
                    let feature = Feature {
                        r#type: "Feature",
                        geometry: point.map(|(lon, lat)| Point { r#type: "Point", coordinates: [lon, lat] }),
                        id: row.get("occurrenceID"),
                        properties: Object(row),
                    };
                    if count > 0 {
                        piece.push(b',');
                    }
                    serde_json::to_writer(&mut piece, &feature).map_err(write_failed)?;
                    count += 1;
                }
            }
            Ok((count, piece))
        },
        |(rows, piece)| {
            if count > 0 && rows > 0 {
                to.write_all(b",").map_err(write_failed)?;
            }
            count += rows;
            to.write_all(&piece).map_err(write_failed)
        },
    )?;
    to.write_all(b"]}").map_err(write_failed)?;
    to.flush().map_err(write_failed)?;
    Ok(count)
}
