//! GeoJSON by RFC 7946: one point a row, its terms as properties.
//!
//! A row without decimal degrees is a feature without a geometry: nothing is
//! left out. RFC 7946 knows WGS 84 alone; degrees of another datum are written
//! as they stand, and `geodeticDatum` says so (they differ by up to some
//! hundred metres).

use super::{Source, jsonl, write_failed};
use crate::trouble::Result;
use geojson::{Feature, FeatureWriter, Geometry};
use std::io::Write;

/// Writes every settled record of `from` as a feature collection to `to` and
/// gives the number of rows.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn geojson<'a>(from: impl Into<Source<'a>>, to: impl Write) -> Result<u64> {
    let mut writer = FeatureWriter::from_writer(std::io::BufWriter::new(to));
    let mut count = 0;
    from.into().each(|_, rows| {
        for row in rows {
            let degrees = |term: &str, most: f64| {
                row.get(term).and_then(|v| v.parse::<f64>().ok()).filter(|d| d.abs() <= most)
            };
            let point = degrees("decimalLongitude", 180.0).zip(degrees("decimalLatitude", 90.0));
            let id = row.get("occurrenceID").cloned();
            let feature = Feature {
                geometry: point.map(|(lon, lat)| Geometry::new_point([lon, lat])),
                id: id.map(geojson::feature::Id::String),
                properties: Some(jsonl::object(row)),
                bbox: None,
                foreign_members: None,
            };
            writer.write_feature(&feature).map_err(write_failed)?;
            count += 1;
        }
        Ok(())
    })?;
    writer.finish().map_err(write_failed)?;
    writer.flush().map_err(write_failed)?;
    Ok(count)
}
