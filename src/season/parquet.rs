//! A table as a Parquet file: the format's own column writer, no compression, one row group a
//! hundred thousand rows.

use std::sync::Arc;

use ::parquet::basic::{LogicalType, Repetition, Type as Physical};
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use ::parquet::schema::types::{Type, TypePtr};

use super::table::{Column, Table, Values};
use crate::ledger::PROGRAM;
use crate::report::Error;

/// Rows of a row group.
const GROUP: usize = 100_000;

/// The file's bytes. Every column may lack values.
///
/// # Errors
/// [`Error::Encode`] when the writer refuses.
pub fn bytes(table: &Table, name: &str) -> Result<Vec<u8>, Error> {
    write(table, name).map_err(|e| Error::Encode { what: "the Parquet file", why: e.to_string() })
}

fn write(table: &Table, name: &str) -> Result<Vec<u8>, ParquetError> {
    let columns = table.columns.iter().map(schema).collect::<Result<Vec<_>, _>>()?;
    let schema = Arc::new(Type::group_type_builder(name).with_fields(columns).build()?);
    let properties = Arc::new(WriterProperties::builder().set_created_by(PROGRAM.into()).build());
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, properties)?;
    let mut from = 0;
    while from < table.rows() {
        let to = (from + GROUP).min(table.rows());
        let mut group = writer.next_row_group()?;
        for column in &table.columns {
            let mut out = group
                .next_column()?
                .ok_or_else(|| ParquetError::General("a column is missing".to_owned()))?;
            match &column.values {
                Values::Whole(v) => put::<Int64Type, _>(&mut out, &v[from..to], |n| *n)?,
                Values::Real(v) => put::<DoubleType, _>(&mut out, &v[from..to], |x| *x)?,
                Values::Flag(v) => put::<BoolType, _>(&mut out, &v[from..to], |b| *b)?,
                Values::Words(v) => put::<ByteArrayType, _>(&mut out, &v[from..to], |w| {
                    ByteArray::from(w.as_str())
                })?,
            }
            out.close()?;
        }
        group.close()?;
        from = to;
    }
    writer.into_inner()
}

fn schema(column: &Column) -> Result<TypePtr, ParquetError> {
    let (physical, logical) = match column.values {
        Values::Whole(_) => (Physical::INT64, None),
        Values::Real(_) => (Physical::DOUBLE, None),
        Values::Flag(_) => (Physical::BOOLEAN, None),
        Values::Words(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
    };
    Type::primitive_type_builder(&column.name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_logical_type(logical)
        .build()
        .map(Arc::new)
}

/// Writes what is there, and which rows it stands in.
fn put<T: DataType, V>(
    out: &mut SerializedColumnWriter<'_>,
    values: &[Option<V>],
    of: impl Fn(&V) -> T::T,
) -> Result<(), ParquetError> {
    let there: Vec<i16> = values.iter().map(|v| i16::from(v.is_some())).collect();
    let own: Vec<T::T> = values.iter().flatten().map(of).collect();
    out.typed::<T>().write_batch(&own, Some(&there), None)?;
    Ok(())
}
