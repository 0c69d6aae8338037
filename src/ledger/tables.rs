//! Tables that people fill in: what a person saw in drawn objects, and trays sorted by hand.

use serde::{Deserialize, Serialize};

use super::event::{HandSorted, Reviewed, outcome_of};
use crate::load::Seen;
use crate::terms::Decimal;

/// A row of the review sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReviewRow {
    /// Number of the entry that drew the objects.
    pub draw: u64,
    /// The tray's number.
    pub tray: u32,
    /// Name of its photograph, for the reader.
    #[serde(default)]
    pub photo: String,
    /// The object's number; none: an object that the program missed.
    pub object: Option<u32>,
    /// What the person saw: a class, `unassigned` or `nothing`.
    pub human: String,
}

/// How a table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Comma-separated values with a header.
    Csv,
    /// A JSON list.
    Json,
}

/// Reads an answered review sheet: the draw that it is of, and the answers.
///
/// # Errors
/// What is wrong, with its row.
pub fn answers(bytes: &[u8], form: Form) -> Result<(u64, Vec<Reviewed>), String> {
    let rows: Vec<ReviewRow> = match form {
        Form::Json => serde_json::from_slice(bytes).map_err(|e| e.to_string())?,
        Form::Csv => from_csv(bytes)?,
    };
    let draw = rows.first().map(|r| r.draw).ok_or("it has no rows")?;
    let mut reviewed = Vec::with_capacity(rows.len());
    for (i, row) in rows.iter().enumerate() {
        let place = format!("row {}", i + 2);
        if row.draw != draw {
            return Err(format!("{place} is of draw {}, not {draw}", row.draw));
        }
        let word = row.human.trim();
        let human = match word {
            "nothing" => Seen::Nothing,
            "" => return Err(format!("{place}: the column human is empty")),
            word => outcome_of(word).map(Seen::from).ok_or_else(|| {
                format!(
                    "{place}: {word:?} is no answer; write sound, shriveled, underripe, debris, \
                     unassigned or nothing"
                )
            })?,
        };
        reviewed.push(Reviewed { tray: row.tray, object: row.object, human });
    }
    Ok((draw, reviewed))
}

/// A row of the table of hand-sorted trays: percent and grams as they were written.
#[derive(Deserialize)]
struct SortedRow {
    tray: String,
    variety: String,
    sound_percent: Decimal,
    shriveled_percent: Decimal,
    underripe_percent: Decimal,
    debris_percent: Decimal,
    sound_g: Decimal,
    shriveled_g: Decimal,
    underripe_g: Decimal,
    debris_g: Decimal,
}

impl From<SortedRow> for HandSorted {
    fn from(r: SortedRow) -> Self {
        let percent = [r.sound_percent, r.shriveled_percent, r.underripe_percent, r.debris_percent];
        HandSorted {
            variety: r.variety,
            tray: r.tray,
            program: percent.map(Decimal::hundredth),
            hand_g: [r.sound_g, r.shriveled_g, r.underripe_g, r.debris_g],
        }
    }
}

/// Reads a table of trays that were sorted by hand.
///
/// # Errors
/// What is wrong, with its row.
pub fn hand_sorted(bytes: &[u8]) -> Result<Vec<HandSorted>, String> {
    let rows: Vec<SortedRow> = from_csv(bytes)?;
    if rows.is_empty() {
        return Err("it has no trays".into());
    }
    Ok(rows.into_iter().map(HandSorted::from).collect())
}

fn from_csv<T: serde::de::DeserializeOwned>(bytes: &[u8]) -> Result<Vec<T>, String> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes);
    reader.deserialize().collect::<Result<_, _>>().map_err(|e| e.to_string())
}
