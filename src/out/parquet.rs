//! Parquet (format version 2, Snappy): one column a term, text as UTF-8
//! strings, degrees and metres as doubles, all of them optional.
//!
//! A stretch of lots makes one group of rows, encoded on a thread of its own:
//! memory does not grow with the collection.

use super::{NUMBERS, Row, Source, write_failed};
use crate::trouble::Result;
use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use ::parquet::column::writer::{ColumnCloseResult, get_column_writer, get_typed_column_writer};
use ::parquet::data_type::{ByteArray, ByteArrayType, DoubleType};
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use ::parquet::file::writer::{SerializedFileWriter, SerializedPageWriter, TrackedWrite};
use ::parquet::schema::types::{ColumnDescPtr, Type};
use bytes::Bytes;
use std::io::Write;
use std::sync::Arc;

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
    let properties = Arc::new(properties);
    let mut writer =
        SerializedFileWriter::new(to, Arc::new(schema), properties.clone()).map_err(write_failed)?;
    let described = writer.schema_descr().columns().to_vec();
    let mut count = 0;
    from.pieces(
        |records| {
            let mut cells: Vec<Column> = columns.iter().map(|c| Column::new(c)).collect();
            for record in records {
                for mut row in record?.1 {
                    cells.iter_mut().zip(&columns).for_each(|(cells, column)| cells.push(&mut row, column));
                }
            }
            let rows = cells[0].there.len();
            let encoded = cells.into_iter().zip(&described).map(|(cells, of)| cells.encoded(of, &properties));
            Ok((rows, encoded.collect::<std::result::Result<Vec<_>, _>>().map_err(write_failed)?))
        },
        |(rows, encoded)| {
            if rows == 0 {
                return Ok(());
            }
            count += rows as u64;
            let mut group = writer.next_row_group().map_err(write_failed)?;
            for (bytes, closed) in encoded {
                group.append_column(&bytes, closed).map_err(write_failed)?;
            }
            group.close().map_err(write_failed)?;
            Ok(())
        },
    )?;
    writer.close().map_err(write_failed)?;
    Ok(count)
}

/// Whether a column holds doubles. Counts may be words on a label.
fn is_number(column: &str) -> bool {
    NUMBERS.contains(&column) && column != "individualCount"
}

/// The cells of one column in one group of rows.
struct Column {
    /// 1 where a row has a value, 0 where it has none.
    there: Vec<i16>,
    values: Values,
}

enum Values {
    Doubles(Vec<f64>),
    Texts(Vec<ByteArray>),
}

impl Column {
    fn new(column: &str) -> Self {
        let values = if is_number(column) { Values::Doubles(Vec::new()) } else { Values::Texts(Vec::new()) };
        Column { there: Vec::new(), values }
    }

    /// Takes the cell of `column` out of `row`: each column is asked for once.
    fn push(&mut self, row: &mut Row, column: &str) {
        let cell = row.remove(column);
        let there = match &mut self.values {
            Values::Doubles(values) => cell.and_then(|v| v.parse().ok()).map(|v| values.push(v)),
            Values::Texts(values) => cell.map(|v| values.push(v.into_bytes().into())),
        };
        self.there.push(there.is_some().into());
    }

    fn encoded(
        self,
        described: &ColumnDescPtr,
        properties: &WriterPropertiesPtr,
    ) -> std::result::Result<(Bytes, ColumnCloseResult), ParquetError> {
        let mut bytes = TrackedWrite::new(Vec::new());
        let pages = Box::new(SerializedPageWriter::new(&mut bytes));
        let to = get_column_writer(described.clone(), properties.clone(), pages);
        let closed = match self.values {
            Values::Doubles(values) => {
                let mut to = get_typed_column_writer::<DoubleType>(to);
                to.write_batch(&values, Some(&self.there), None)?;
                to.close()?
            }
            Values::Texts(values) => {
                let mut to = get_typed_column_writer::<ByteArrayType>(to);
                to.write_batch(&values, Some(&self.there), None)?;
                to.close()?
            }
        };
        Ok((bytes.into_inner()?.into(), closed))
    }
}
