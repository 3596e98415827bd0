//! Parquet (format version 2, Snappy): one column a term, text as UTF-8
//! strings, degrees and metres as doubles, all of them optional.
//!
//! Rows are written in groups of some thousand: memory does not grow with the
//! collection.

use super::{NUMBERS, Row, Source, write_failed};
use crate::trouble::Result;
use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use ::parquet::data_type::{ByteArray, ByteArrayType, DoubleType};
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::Type;
use std::io::Write;
use std::sync::Arc;

/// Rows in one group: large enough for small files, small enough for memory.
const GROUP: usize = 10_000;

/// Writes every settled record of `from` to `to` and gives the number of rows.
/// A number's term whose value is no plain number is left empty there; CSV and
/// JSON Lines keep it as it stands.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn parquet<'a>(from: impl Into<Source<'a>>, to: impl Write + Send) -> Result<u64> {
    let from = from.into();
    let columns = from.columns()?;
    let fields = columns.iter().map(|column| {
        let (physical, logical) = if is_number(column) {
            (Physical::DOUBLE, None)
        } else {
            (Physical::BYTE_ARRAY, Some(LogicalType::String))
        };
        Type::primitive_type_builder(column, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    });
    let fields = fields.collect::<std::result::Result<Vec<_>, _>>().map_err(write_failed)?;
    let schema = Type::group_type_builder("occurrence").with_fields(fields).build().map_err(write_failed)?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(concat!("glassine ", env!("CARGO_PKG_VERSION")).into())
        .build();
    let mut writer =
        SerializedFileWriter::new(to, Arc::new(schema), Arc::new(properties)).map_err(write_failed)?;
    let mut waiting: Vec<Row> = Vec::new();
    let mut count = 0;
    from.each(|_, rows| {
        waiting.extend(rows);
        if waiting.len() >= GROUP {
            count += waiting.len() as u64;
            group(&mut writer, &columns, std::mem::take(&mut waiting))?;
        }
        Ok(())
    })?;
    count += waiting.len() as u64;
    if !waiting.is_empty() {
        group(&mut writer, &columns, waiting)?;
    }
    writer.close().map_err(write_failed)?;
    Ok(count)
}

/// Whether a column holds doubles. Counts may be words on a label.
fn is_number(column: &str) -> bool {
    NUMBERS.contains(&column) && column != "individualCount"
}

fn group(
    writer: &mut SerializedFileWriter<impl Write + Send>,
    columns: &[String],
    mut rows: Vec<Row>,
) -> Result<()> {
    let mut group = writer.next_row_group().map_err(write_failed)?;
    for column in columns {
        let Some(mut to) = group.next_column().map_err(write_failed)? else { break };
        if is_number(column) {
            let cells: Vec<Option<f64>> =
                rows.iter().map(|r| r.get(column).and_then(|v| v.parse().ok())).collect();
            let there: Vec<i16> = cells.iter().map(|c| i16::from(c.is_some())).collect();
            let values: Vec<f64> = cells.into_iter().flatten().collect();
            to.typed::<DoubleType>().write_batch(&values, Some(&there), None).map_err(write_failed)?;
        } else {
            // Each column is asked for once: its cells move, they are not copied.
            let cells: Vec<Option<String>> = rows.iter_mut().map(|r| r.remove(column)).collect();
            let there: Vec<i16> = cells.iter().map(|c| i16::from(c.is_some())).collect();
            let values: Vec<ByteArray> =
                cells.into_iter().flatten().map(|v| ByteArray::from(v.into_bytes())).collect();
            to.typed::<ByteArrayType>().write_batch(&values, Some(&there), None).map_err(write_failed)?;
        }
        to.close().map_err(write_failed)?;
    }
    group.close().map_err(write_failed)?;
    Ok(())
}
