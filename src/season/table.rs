//! Loads and objects as tables of columns, for a spreadsheet and for analysis elsewhere.

use super::{NAMES, Season, SeasonLoad};
use crate::given::cell;
use crate::ledger::event::outcome_word;
use crate::ledger::object::FIELD_NAMES;
use crate::ledger::{Ledger, LedgerError};
use crate::report::Error;
use crate::streams::Estimate;

/// Values of a column; none where there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Whole numbers.
    Whole(Vec<Option<i64>>),
    /// Fractions.
    Real(Vec<Option<f64>>),
    /// Words.
    Words(Vec<Option<String>>),
    /// Yes or no.
    Flag(Vec<Option<bool>>),
}

impl Values {
    /// Number of rows.
    pub fn len(&self) -> usize {
        match self {
            Values::Whole(v) => v.len(),
            Values::Real(v) => v.len(),
            Values::Words(v) => v.len(),
            Values::Flag(v) => v.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// A cell as text; empty where there is no value. Fractions are written with as many digits as
    /// tell them from their neighbours.
    fn text(&self, row: usize) -> String {
        match self {
            Values::Whole(v) => v[row].map_or(String::new(), |n| n.to_string()),
            Values::Real(v) => v[row].map_or(String::new(), |x| x.to_string()),
            Values::Words(v) => v[row].as_deref().map_or(String::new(), |w| cell(w).into_owned()),
            Values::Flag(v) => v[row].map_or(String::new(), |b| b.to_string()),
        }
    }
}

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its name, with its unit.
    pub name: String,
    /// Its values.
    pub values: Values,
}

/// A table. All columns are of one length.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// Its columns.
    pub columns: Vec<Column>,
}

impl Table {
    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, |c| c.values.len())
    }

    fn add(&mut self, name: impl Into<String>, values: Values) {
        self.columns.push(Column { name: name.into(), values });
    }

    /// The table as CSV with a header line.
    ///
    /// # Errors
    /// [`Error::Encode`] when it cannot be written.
    pub fn csv(&self) -> Result<Vec<u8>, Error> {
        let fault = |why: String| Error::Encode { what: "the table (CSV)", why };
        let mut writer = ::csv::Writer::from_writer(Vec::new());
        let names = self.columns.iter().map(|c| c.name.as_str());
        writer.write_record(names).map_err(|e| fault(e.to_string()))?;
        for row in 0..self.rows() {
            let cells = self.columns.iter().map(|c| c.values.text(row));
            writer.write_record(cells).map_err(|e| fault(e.to_string()))?;
        }
        writer.into_inner().map_err(|e| fault(e.error().to_string()))
    }
}

/// One row a load.
pub fn loads(season: &Season) -> Table {
    let all = &season.loads;
    let mut table = Table::default();
    let words =
        |of: &dyn Fn(&SeasonLoad) -> Option<String>| Values::Words(all.iter().map(of).collect());
    let whole =
        |of: &dyn Fn(&SeasonLoad) -> Option<i64>| Values::Whole(all.iter().map(of).collect());
    let real = |of: &dyn Fn(&SeasonLoad) -> Option<f64>| Values::Real(all.iter().map(of).collect());
    let count = |n: usize| i64::try_from(n).ok();
    table.add("load", words(&|l| Some(l.load.clone())));
    table.add("grower", words(&|l| Some(l.grower.clone())));
    table.add("block", words(&|l| l.block.clone()));
    table.add("variety", words(&|l| l.variety.clone()));
    table.add("day", words(&|l| Some(l.day.clone())));
    table.add("week", words(&|l| Some(l.week.clone())));
    table.add("closed", Values::Flag(all.iter().map(|l| Some(l.closed)).collect()));
    table.add("outcome", words(&|l| l.outcome.clone()));
    table.add("net_kg", real(&|l| l.net_kg));
    table.add("bins", whole(&|l| l.bins.map(i64::from)));
    table.add("lot", words(&|l| l.lot.clone()));
    table.add("trays", whole(&|l| count(l.trays)));
    table.add("planned", whole(&|l| l.planned.and_then(count)));
    table.add("missing", whole(&|l| count(l.missing)));
    table.add("retaken", whole(&|l| count(l.retaken)));
    table.add("refused", whole(&|l| count(l.refused)));
    table.add("objects", whole(&|l| count(l.objects)));
    table.add("mass_g", real(&|l| l.mass_g));
    table.add("whole_load", Values::Flag(all.iter().map(|l| Some(l.whole_load)).collect()));
    let mut shares = |basis: &str, of: fn(&SeasonLoad) -> &Vec<Estimate>| {
        for (k, name) in NAMES.into_iter().enumerate() {
            let one = |pick: fn(&Estimate) -> f64| real(&|l| of(l).get(k).map(pick));
            table.add(format!("{name}_by_{basis}"), one(|e| e.estimate));
            table.add(format!("{name}_by_{basis}_low"), one(|e| e.interval.low));
            table.add(format!("{name}_by_{basis}_high"), one(|e| e.interval.high));
        }
    };
    shares("mass", |l| &l.by_mass);
    shares("count", |l| &l.by_count);
    table.add("half_width_wanted", real(&|l| l.half_width_wanted));
    table.add("half_width_by_count", real(&|l| l.half_width_by_count));
    table.add("half_width_by_mass", real(&|l| l.half_width_by_mass));
    let mut sorter = |name: &str, of: fn(&super::Sorter) -> Estimate| {
        let one = |pick: fn(&Estimate) -> f64| real(&|l| l.sorter.as_ref().map(|s| pick(&of(s))));
        table.add(name, one(|e| e.estimate));
        table.add(format!("{name}_low"), one(|e| e.interval.low));
        table.add(format!("{name}_high"), one(|e| e.interval.high));
    };
    sorter("yield_by_mass", |s| s.yield_by_mass);
    sorter("rejects_removed", |s| s.rejects_removed);
    sorter("sound_lost", |s| s.sound_lost);
    table
}

/// One row an object of every tray that counts, with every number that was kept of it.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn objects(ledger: &Ledger, season: &Season) -> Result<Table, LedgerError> {
    let mut words: [Vec<Option<String>>; 9] = Default::default();
    let mut whole: [Vec<Option<i64>>; 4] = Default::default();
    let mut fields: Vec<Vec<Option<i64>>> = vec![Vec::new(); FIELD_NAMES.len()];
    for load in &season.loads {
        let record = ledger.load(&load.load)?;
        for lot in &record.lots {
            for tray in &lot.trays {
                let Some(full) = ledger.one_tray(tray.recorded.entry)? else { continue };
                for object in &full.objects {
                    let row = [
                        Some(load.load.clone()),
                        Some(load.grower.clone()),
                        load.block.clone(),
                        load.variety.clone(),
                        Some(lot.lot.clone()),
                        tray.bin.clone(),
                        Some(tray.photo.sha256.clone()),
                        Some(outcome_word(object.read.class).to_owned()),
                        Some(outcome_word(object.class()).to_owned()),
                    ];
                    words.iter_mut().zip(row).for_each(|(column, cell)| column.push(cell));
                    let row = [
                        Some(i64::from(tray.tray)),
                        i64::try_from(tray.recorded.entry).ok(),
                        Some(i64::from(object.read.object)),
                        object.corrected.and_then(|e| i64::try_from(e).ok()),
                    ];
                    whole.iter_mut().zip(row).for_each(|(column, cell)| column.push(cell));
                    let values = object.read.values;
                    fields.iter_mut().zip(values).for_each(|(column, cell)| column.push(cell));
                }
            }
        }
    }
    let mut table = Table::default();
    let [load, grower, block, variety, lot, bin, photo, read, class] = words;
    let [tray, entry, object, corrected] = whole;
    for (name, values) in
        [("load", load), ("grower", grower), ("block", block), ("variety", variety), ("lot", lot)]
    {
        table.add(name, Values::Words(values));
    }
    table.add("tray", Values::Whole(tray));
    table.add("bin", Values::Words(bin));
    table.add("photo_sha256", Values::Words(photo));
    table.add("entry", Values::Whole(entry));
    table.add("object", Values::Whole(object));
    table.add("class_read", Values::Words(read));
    table.add("class", Values::Words(class));
    table.add("corrected_entry", Values::Whole(corrected));
    for (name, values) in FIELD_NAMES.into_iter().zip(fields) {
        table.add(name, Values::Whole(values));
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_written_so_that_they_can_be_read_back() {
        let mut table = Table::default();
        table.add("a", Values::Real(vec![Some(0.1), None, Some(1.0 / 3.0), Some(-0.0)]));
        table.add("b", Values::Words(vec![Some("x, \"y\"".into()), None, Some("z".into()), None]));
        table.add("c", Values::Flag(vec![Some(true), Some(false), None, None]));
        table.add("d", Values::Whole(vec![Some(i64::MIN), None, Some(0), Some(i64::MAX)]));
        let bytes = table.csv().unwrap();
        let mut reader = ::csv::Reader::from_reader(&bytes[..]);
        let rows: Vec<::csv::StringRecord> = reader.records().map(|r| r.unwrap()).collect();
        assert_eq!(rows.len(), 4);
        assert_eq!(rows[2][0].parse::<f64>(), Ok(1.0 / 3.0));
        assert_eq!((&rows[0][1], &rows[1][1], &rows[0][2]), ("x, \"y\"", "", "true"));
        assert_eq!(rows[0][3].parse::<i64>(), Ok(i64::MIN));
    }
}
