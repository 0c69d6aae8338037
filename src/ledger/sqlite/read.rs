//! What the rules and the reports read.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension as _, Params, Row, params};

use super::super::LedgerError;
use super::super::event::{
    Delivery, PhotoKept, PlanFixed, PlannedTray, Reviewed, SamplingPoint, Told, Word, outcome_of,
};
use super::super::object;
use super::super::record::{
    CountedRecord, DrawRecord, HandSortRecord, LoadRecord, LoadSummary, LookRecord, LotRecord,
    MassFitRecord, ObjectRecord, RefusedRecord, ReplacedRecord, Stamp, TermsRecord, TrayRecord,
    WeighingRecord,
};
use super::super::rules::{DrawFacts, Facts, LoadFacts};
use super::{Books, kept, number, sql, whole};
use crate::classify::{Class, Outcome};
use crate::load::{CoarseDebris, Seen, ValidationTray};
use crate::terms::Decimal;

/// A cell that does not hold what this program writes.
fn odd(column: usize, what: &str) -> rusqlite::Error {
    let what: Box<dyn std::error::Error + Send + Sync> = format!("{what:?} is unknown").into();
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, what)
}

fn decimal(row: &Row<'_>, column: usize) -> rusqlite::Result<Decimal> {
    let text: String = row.get(column)?;
    text.parse().map_err(|_| odd(column, &text))
}

fn decimal_if(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<Decimal>> {
    let text: Option<String> = row.get(column)?;
    text.map(|t| t.parse().map_err(|_| odd(column, &t))).transpose()
}

fn word_if<W: Word>(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<W>> {
    let text: Option<String> = row.get(column)?;
    text.map(|t| W::of(&t).ok_or_else(|| odd(column, &t))).transpose()
}

fn outcome(row: &Row<'_>, column: usize) -> rusqlite::Result<Outcome> {
    let text: String = row.get(column)?;
    outcome_of(&text).ok_or_else(|| odd(column, &text))
}

fn number_if(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<u64>> {
    row.get::<_, Option<i64>>(column)?.map(whole).transpose()
}

fn seed(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    let text: String = row.get(column)?;
    text.parse().map_err(|_| odd(column, &text))
}

fn one<T>(
    db: &Connection,
    name: &str,
    given: impl Params,
    read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
) -> Result<Option<T>, LedgerError> {
    Ok(db.prepare_cached(sql(name)?)?.query_row(given, read).optional()?)
}

fn all<T>(
    db: &Connection,
    name: &str,
    given: impl Params,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> Result<Vec<T>, LedgerError> {
    let mut statement = db.prepare_cached(sql(name)?)?;
    let rows = statement.query_map(given, read)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

fn is_there(db: &Connection, name: &str, given: impl Params) -> Result<bool, LedgerError> {
    Ok(one(db, name, given, |_| Ok(()))?.is_some())
}

/// The entry of the tray that counts for a number.
pub fn tray_that_counts(
    db: &Connection,
    load: &str,
    lot: &str,
    tray: u32,
) -> Result<Option<u64>, LedgerError> {
    one(db, "tray_that_counts", params![load, lot, tray], |r| number(r, 0))
}

/// What the rules know.
pub struct Known<'a>(pub &'a Connection);

impl Facts for Known<'_> {
    fn load(&self, load: &str) -> Result<Option<LoadFacts>, LedgerError> {
        one(self.0, "load_facts", [load], |r| Ok(LoadFacts { closed: number_if(r, 0)? }))
    }

    fn delivery(&self, load: &str) -> Result<Option<Delivery>, LedgerError> {
        Ok(delivery(self.0, load)?.map(|(d, _)| d))
    }

    fn has_terms(&self, load: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "has_terms", [load])
    }

    fn trays(&self, load: &str, lot: Option<&str>) -> Result<u64, LedgerError> {
        let count = one(self.0, "count_trays", params![load, lot], |r| number(r, 0))?;
        Ok(count.unwrap_or(0))
    }

    fn has_plan(&self, load: &str, lot: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "has_plan", [load, lot])
    }

    fn planned_bin(&self, load: &str, lot: &str, tray: u32) -> Result<Option<String>, LedgerError> {
        one(self.0, "planned_bin", params![load, lot, tray], |r| r.get(0))
    }

    fn has_sampling_point(&self, load: &str, lot: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "has_sampling_point", [load, lot])
    }

    fn tray(&self, load: &str, lot: &str, tray: u32) -> Result<Option<u64>, LedgerError> {
        tray_that_counts(self.0, load, lot, tray)
    }

    fn photo_as_tray(&self, sha256: &str) -> Result<Option<String>, LedgerError> {
        one(self.0, "photo_as_tray", [sha256], |r| {
            let (load, lot): (String, String) = (r.get(0)?, r.get(1)?);
            Ok(format!("tray {} of {load} {lot}", r.get::<_, u32>(2)?))
        })
    }

    fn photo_as_refused(&self, sha256: &str) -> Result<Option<String>, LedgerError> {
        one(self.0, "photo_as_refused", [sha256], |r| {
            Ok(format!("refused (entry {})", number(r, 3)?))
        })
    }

    fn class(&self, tray: u64, object: u32) -> Result<Option<Outcome>, LedgerError> {
        one(self.0, "object_class", params![kept(tray)?, object], |r| outcome(r, 0))
    }

    fn is_weighed(&self, tray: u64) -> Result<bool, LedgerError> {
        is_there(self.0, "is_weighed", [kept(tray)?])
    }

    fn has_coarse(&self, load: &str, lot: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "has_coarse", [load, lot])
    }

    fn has_counted(&self, load: &str, name: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "has_counted", [load, name])
    }

    fn draw(&self, entry: u64) -> Result<Option<DrawFacts>, LedgerError> {
        let seq = kept(entry)?;
        let facts = one(self.0, "draw_facts", [seq], |r| {
            Ok(DrawFacts {
                load: r.get(0)?,
                lot: r.get(1)?,
                reviewed: number_if(r, 2)?.is_some(),
                retaken: None,
                objects: Vec::new(),
            })
        })?;
        let Some(mut facts) = facts else { return Ok(None) };
        facts.objects = all(self.0, "drawn_numbers", [seq], |r| Ok((r.get(0)?, r.get(1)?)))?;
        facts.retaken = one(self.0, "drawn_and_retaken", [seq], |r| r.get(0))?;
        Ok(Some(facts))
    }

    fn objects(&self, load: &str, lot: &str) -> Result<u64, LedgerError> {
        Ok(one(self.0, "count_objects", [load, lot], |r| number(r, 0))?.unwrap_or(0))
    }

    fn is_tray(&self, entry: u64) -> Result<bool, LedgerError> {
        is_there(self.0, "is_tray", [kept(entry)?])
    }

    fn is_hand_sorted(&self, variety: &str, tray: &str) -> Result<bool, LedgerError> {
        is_there(self.0, "is_hand_sorted", [variety, tray])
    }
}

fn delivery(db: &Connection, load: &str) -> Result<Option<(Delivery, u64)>, LedgerError> {
    let found = one(db, "delivery", [load], |r| {
        let delivery = Delivery {
            ticket: r.get(0)?,
            gross_kg: decimal_if(r, 1)?,
            truck_tare_kg: decimal_if(r, 2)?,
            bin_tare_kg: decimal_if(r, 3)?,
            net_kg: decimal_if(r, 4)?,
            picked: r.get(5)?,
            received: r.get(6)?,
            sampled: r.get(7)?,
            picking: word_if(r, 8)?,
            destemmed: r.get(9)?,
            sampling_point: word_if(r, 10)?,
            fruit_celsius: decimal_if(r, 11)?,
            wet: word_if(r, 12)?,
            free_juice: word_if(r, 13)?,
            bins_kg: Default::default(),
        };
        Ok((delivery, number(r, 14)?))
    })?;
    let Some((mut delivery, entry)) = found else { return Ok(None) };
    delivery.bins_kg =
        all(db, "bins", [load], |r| Ok((r.get(0)?, decimal(r, 1)?)))?.into_iter().collect();
    Ok(Some((delivery, entry)))
}

fn stamp(db: &Connection, entry: u64) -> Result<Stamp, LedgerError> {
    let found = one(db, "stamp", [kept(entry)?], |r| {
        Ok(Stamp { entry: number(r, 0)?, at: r.get(1)?, who: r.get(2)?, why: r.get(3)? })
    })?;
    found.ok_or(LedgerError::Entry { entry, fault: super::EntryFault::Broken })
}

impl Books {
    /// What the rules know.
    pub fn known(&self) -> Known<'_> {
        Known(self.db())
    }

    /// All loads in the order in which they were opened.
    pub fn loads(&self) -> Result<Vec<LoadSummary>, LedgerError> {
        all(self.db(), "loads", [], |r| {
            Ok(LoadSummary {
                load: r.get(0)?,
                grower: r.get(1)?,
                variety: r.get(2)?,
                opened: r.get(3)?,
                closed: r.get(4)?,
                outcome: r.get(5)?,
                planned: Some(number(r, 6)?).filter(|n| *n > 0),
                trays: number(r, 7)?,
                objects: number(r, 8)?,
                refused: number(r, 9)?,
                planned_in: number(r, 10)?,
            })
        })
        .map_err(|e| e.at(&self.path))
    }

    /// A load with everything; none when there is no such load. All of it as of one moment.
    pub fn load(&self, load: &str) -> Result<Option<LoadRecord>, LedgerError> {
        let read = || -> Result<Option<LoadRecord>, LedgerError> {
            let tx = self.db().unchecked_transaction()?;
            let record = read_load(&tx, load)?;
            tx.commit()?;
            Ok(record)
        };
        read().map_err(|e| e.at(&self.path))
    }

    /// Colour and texture of a lot's objects, in order of tray and object.
    pub fn looks(&self, load: &str, lot: &str) -> Result<Vec<LookRecord>, LedgerError> {
        all(self.db(), "looks", params![load, lot], |r| {
            let real = |column: usize, units: f64| -> rusqlite::Result<f64> {
                Ok(r.get::<_, Option<i64>>(column)?.map_or(f64::NAN, |v| v as f64 / units))
            };
            Ok(LookRecord {
                tray: r.get(0)?,
                object: r.get(1)?,
                lightness: real(2, 1e3)?,
                a: real(3, 1e3)?,
                b: real(4, 1e3)?,
                green_share: real(5, 1e6)?,
                wrinkle: real(6, 1e3)?,
            })
        })
        .map_err(|e| e.at(&self.path))
    }

    /// Coefficients in force for a profile when an entry was made.
    pub fn mass_fit(&self, profile: &str, at: u64) -> Result<Option<MassFitRecord>, LedgerError> {
        let db = self.db();
        let mut coefficients = [Decimal::ONE; 4];
        let mut found = None;
        let at = kept(at.min(i64::MAX as u64))?;
        let rows = all(db, "mass_fit", params![profile, at], |r| {
            Ok((number(r, 0)?, r.get::<_, String>(1)?, decimal(r, 2)?, number(r, 3)?))
        })?;
        for (entry, class, coefficient, trays) in rows {
            if let Some(class) = Class::ALL.into_iter().find(|c| c.name() == class) {
                coefficients[class.index()] = coefficient;
            }
            found = Some((entry, trays));
        }
        found
            .map(|(entry, trays)| {
                Ok(MassFitRecord { fitted: stamp(db, entry)?, coefficients, trays })
            })
            .transpose()
    }

    /// Weighed trays of a profile that count: load, lot and number.
    pub fn weighed_trays(
        &self,
        profile: &str,
    ) -> Result<Vec<(u64, String, String, u32)>, LedgerError> {
        all(self.db(), "weighed_trays", [profile], |r| {
            Ok((number(r, 0)?, r.get(1)?, r.get(2)?, r.get(3)?))
        })
        .map_err(|e| e.at(&self.path))
    }

    /// Trays sorted by hand, of one variety or of all, as known when an entry was made.
    pub fn hand_sorts(
        &self,
        variety: Option<&str>,
        at: u64,
    ) -> Result<Vec<HandSortRecord>, LedgerError> {
        let at = kept(at.min(i64::MAX as u64))?;
        all(self.db(), "hand_sorts", params![variety, at], |r| {
            let mut reals = [0.0; 8];
            for (i, real) in reals.iter_mut().enumerate() {
                *real = decimal(r, 2 + i)?.to_f64();
            }
            let [p0, p1, p2, p3, g0, g1, g2, g3] = reals;
            let (program, hand_g) = ([p0, p1, p2, p3], [g0, g1, g2, g3]);
            let (variety, tray) = (r.get(0)?, r.get(1)?);
            let tray = ValidationTray { tray, variety, program, hand_g };
            Ok(HandSortRecord { entry: number(r, 10)?, tray })
        })
        .map_err(|e| e.at(&self.path))
    }
}

fn read_load(db: &Connection, load: &str) -> Result<Option<LoadRecord>, LedgerError> {
    type Head = (String, Option<String>, Option<String>, Option<u32>, u64, Option<u64>);
    let found: Option<Head> = one(db, "load", [load], |r| {
        Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, number(r, 4)?, number_if(r, 5)?))
    })?;
    let Some((grower, block, variety, bins, opened, closed)) = found else { return Ok(None) };
    let (delivery, delivered) = match delivery(db, load)? {
        Some((delivery, entry)) => (delivery, Some(stamp(db, entry)?)),
        None => (Delivery::default(), None),
    };
    let terms: Option<(String, String, u64)> =
        one(db, "terms", [load], |r| Ok((r.get(0)?, r.get(1)?, number(r, 2)?)))?;
    let terms = terms
        .map(|(name, text, entry)| -> Result<_, LedgerError> {
            Ok(TermsRecord { name, text, fixed: stamp(db, entry)? })
        })
        .transpose()?;
    let names: Vec<(String, Option<SamplingPoint>)> =
        all(db, "lots", [load], |r| Ok((r.get(0)?, word_if(r, 1)?)))?;
    let mut lots = Vec::with_capacity(names.len());
    for (lot, sampling_point) in names {
        lots.push(read_lot(db, load, lot, sampling_point)?);
    }
    let counted = all(db, "counted", [load], |r| {
        Ok(CountedRecord { name: r.get(0)?, pieces: r.get(1)?, sample_kg: decimal(r, 2)? })
    })?;
    let refused: Vec<(u64, RefusedRecord)> = all(db, "refusals", [load], |r| {
        let none = Stamp { entry: 0, at: String::new(), who: String::new(), why: None };
        let record = RefusedRecord {
            stamp: none,
            lot: r.get(1)?,
            tray: r.get(2)?,
            photo: r.get(3)?,
            sha256: r.get(4)?,
            reason: r.get(5)?,
        };
        Ok((number(r, 0)?, record))
    })?;
    let mut refusals = Vec::with_capacity(refused.len());
    for (entry, record) in refused {
        refusals.push(RefusedRecord { stamp: stamp(db, entry)?, ..record });
    }
    Ok(Some(LoadRecord {
        load: load.to_owned(),
        grower,
        block,
        variety,
        bins,
        opened: stamp(db, opened)?,
        closed: closed.map(|entry| stamp(db, entry)).transpose()?,
        delivery,
        delivered,
        terms,
        lots,
        counted,
        refused: refusals,
        verdict: one(db, "verdict", [load], |r| r.get(0))?,
    }))
}

fn read_lot(
    db: &Connection,
    load: &str,
    lot: String,
    sampling_point: Option<SamplingPoint>,
) -> Result<LotRecord, LedgerError> {
    let plan = read_plan(db, load, &lot)?;
    let rows: Vec<(TrayRecord, u64)> = all(db, "trays", [load, &lot], |r| {
        let entry = number(r, 0)?;
        let weighing = match r.get::<_, Option<i64>>(14)? {
            None => None,
            Some(_) => {
                let mut class_g = [None; 4];
                for (i, g) in class_g.iter_mut().enumerate() {
                    *g = decimal_if(r, 16 + i)?;
                }
                Some(WeighingRecord { weighed_g: decimal_if(r, 15)?, class_g })
            }
        };
        let record = TrayRecord {
            recorded: Stamp { entry, at: r.get(11)?, who: r.get(12)?, why: r.get(13)? },
            tray: r.get(1)?,
            bin: r.get(2)?,
            photo: PhotoKept {
                sha256: r.get(3)?,
                bytes: number(r, 4)?,
                name: r.get(5)?,
                taken: r.get(6)?,
            },
            outlines: r.get(7)?,
            fruit: r.get(20)?,
            profile: r.get(8)?,
            forced: r.get(9)?,
            told: Vec::new(),
            weighing,
            objects: Vec::new(),
        };
        Ok((record, number(r, 10)?))
    })?;
    let mut told: BTreeMap<u64, Vec<Told>> = BTreeMap::new();
    let words: Vec<(u64, Told)> = all(db, "told", [load, &lot], |r| {
        Ok((number(r, 0)?, Told { weight: r.get(1)?, words: r.get(2)? }))
    })?;
    words.into_iter().for_each(|(tray, t)| told.entry(tray).or_default().push(t));
    let mut trays = Vec::with_capacity(rows.len());
    for (record, count) in rows {
        let entry = record.recorded.entry;
        let objects = read_objects(db, entry, count)?;
        trays.push(TrayRecord { told: told.remove(&entry).unwrap_or_default(), objects, ..record });
    }
    let replaced: Vec<(u32, String, String, u64)> = all(db, "replaced", [load, &lot], |r| {
        Ok((r.get(0)?, r.get(1)?, r.get(2)?, number(r, 3)?))
    })?;
    let mut retaken = Vec::with_capacity(replaced.len());
    for (tray, photo, sha256, by) in replaced {
        retaken.push(ReplacedRecord { tray, photo, sha256, retaken: stamp(db, by)? });
    }
    let coarse = one(db, "coarse", [load, &lot], |r| {
        let (coarse_kg, increment_kg) = (decimal(r, 0)?.to_f64(), decimal(r, 1)?.to_f64());
        Ok(CoarseDebris::new(coarse_kg, increment_kg, r.get(2)?))
    })?;
    let draws = read_draws(db, load, &lot)?;
    Ok(LotRecord { lot, sampling_point, plan, trays, replaced: retaken, coarse, draws })
}

fn read_objects(db: &Connection, tray: u64, count: u64) -> Result<Vec<ObjectRecord>, LedgerError> {
    let mut statement = db.prepare_cached(sql("objects")?)?;
    let mut rows = statement.query([kept(tray)?])?;
    let mut objects = Vec::with_capacity(usize::try_from(count).unwrap_or(0).min(1 << 20));
    // Words are compared as SQLite holds them: no String for each of many objects.
    let class = |row: &Row<'_>, column: usize| -> rusqlite::Result<Option<Outcome>> {
        let cell = row.get_ref(column)?;
        match cell.as_str_or_null() {
            Ok(None) => Ok(None),
            Ok(Some(word)) => outcome_of(word).map(Some).ok_or_else(|| odd(column, word)),
            Err(_) => Err(odd(column, "a number")),
        }
    };
    while let Some(row) = rows.next()? {
        let read = class(row, 1)?.ok_or_else(|| odd(1, ""))?;
        let given = class(row, 2)?;
        let cell = |column: usize| row.get::<_, Option<i64>>(column);
        let ppm = [cell(4)?, cell(5)?, cell(6)?, cell(7)?];
        let sizes = [cell(8)?, cell(9)?, cell(10)?];
        objects.push(ObjectRecord {
            object: row.get(0)?,
            read,
            corrected: number_if(row, 3)?,
            item: object::item(given.unwrap_or(read), ppm, sizes),
        });
    }
    Ok(objects)
}

fn read_plan(
    db: &Connection,
    load: &str,
    lot: &str,
) -> Result<Option<(PlanFixed, Stamp)>, LedgerError> {
    let found = one(db, "plan", [load, lot], |r| {
        let plan = PlanFixed {
            load: load.to_owned(),
            lot: lot.to_owned(),
            seed: r.get(0)?,
            bins: r.get(1)?,
            expected_share: decimal(r, 2)?,
            half_width: decimal(r, 3)?,
            confidence: decimal(r, 4)?,
            design_effect: decimal(r, 5)?,
            trays: Vec::new(),
            extra: Vec::new(),
        };
        Ok((plan, number(r, 6)?))
    })?;
    let Some((mut plan, entry)) = found else { return Ok(None) };
    let trays = all(db, "planned", [load, lot], |r| {
        let depths: String = r.get(2)?;
        let depths = depths.split(',').filter(|d| !d.is_empty()).map(str::to_owned).collect();
        Ok((PlannedTray { tray: r.get(0)?, bin: r.get(1)?, depths }, r.get::<_, bool>(3)?))
    })?;
    for (tray, extra) in trays {
        if extra { plan.extra.push(tray) } else { plan.trays.push(tray) }
    }
    Ok(Some((plan, stamp(db, entry)?)))
}

fn read_draws(db: &Connection, load: &str, lot: &str) -> Result<Vec<DrawRecord>, LedgerError> {
    let found: Vec<(u64, u64, u64, Option<u64>)> = all(db, "draws", [load, lot], |r| {
        Ok((number(r, 0)?, seed(r, 1)?, number(r, 2)?, number_if(r, 3)?))
    })?;
    let mut draws = Vec::with_capacity(found.len());
    for (entry, seed, of, reviewed) in found {
        let objects =
            all(db, "drawn", [kept(entry)?], |r| Ok((number(r, 0)?, r.get(1)?, r.get(2)?)))?;
        let reviewed = reviewed
            .map(|by| -> Result<_, LedgerError> {
                let seen = all(db, "reviews", [kept(entry)?], |r| {
                    let word: String = r.get(3)?;
                    let human = match word.as_str() {
                        "nothing" => Seen::Nothing,
                        word => outcome_of(word).map(Seen::from).ok_or_else(|| odd(3, word))?,
                    };
                    Ok((number(r, 0)?, Reviewed { tray: r.get(1)?, object: r.get(2)?, human }))
                })?;
                Ok((stamp(db, by)?, seen))
            })
            .transpose()?;
        draws.push(DrawRecord { drawn: stamp(db, entry)?, seed, of, objects, reviewed });
    }
    Ok(draws)
}
