//! `NAME.objects.csv`: one row an object.

use super::Error;
use super::columns::COLUMNS;
use crate::classify::ObjectReading;

/// The whole file as bytes: comma-separated, one header line, `\n` line ends, fixed decimals.
pub fn objects_csv(objects: &[ObjectReading]) -> Result<Vec<u8>, Error> {
    let mut writer = ::csv::Writer::from_writer(Vec::with_capacity(200 * (objects.len() + 2)));
    writer.write_record(COLUMNS.iter().map(|c| c.name)).map_err(encode)?;
    for object in objects {
        writer.write_record(COLUMNS.iter().map(|c| c.text(object))).map_err(encode)?;
    }
    writer.into_inner().map_err(|e| encode(e.into_error()))
}

fn encode(error: impl std::fmt::Display) -> Error {
    Error::Encode { what: "the object table (CSV)", why: error.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    #[test]
    fn one_row_an_object_and_the_same_bytes_again() {
        let (_, reading) = samples::tray();
        let bytes = objects_csv(&reading.objects).expect("csv");
        assert!(bytes == objects_csv(&reading.objects).expect("csv"));
        let mut reader = ::csv::Reader::from_reader(bytes.as_slice());
        assert_eq!(reader.headers().expect("header").len(), COLUMNS.len());
        let rows: Vec<::csv::StringRecord> = reader.records().map(|r| r.expect("row")).collect();
        assert_eq!(rows.len(), reading.objects.len());
        for (row, object) in rows.iter().zip(&reading.objects) {
            assert_eq!(row[0].parse::<u32>().expect("object"), object.measures.object);
            let p: f64 = (3..7).map(|i| row[i].parse::<f64>().expect("probability")).sum();
            assert!((p - 1.0).abs() < 1e-4);
        }
    }

    #[test]
    fn the_first_lines_are_these() {
        let (_, reading) = samples::tray();
        let text = String::from_utf8(objects_csv(&reading.objects).expect("csv")).expect("utf-8");
        let first: Vec<&str> = text.lines().take(3).collect();
        insta::assert_snapshot!(first.join("\n"));
    }

    #[test]
    fn no_objects_still_gives_a_header() {
        let text = String::from_utf8(objects_csv(&[]).expect("csv")).expect("utf-8");
        assert_eq!(text.lines().count(), 1);
    }
}
