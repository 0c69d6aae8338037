//! All photographs of one run, and the figures of the lots they belong to.

use super::sheet::Sheet;
use crate::load::{LoadError, LotFigures, LotSettings, WithoutSlip, assess_lot, group_by_lot};

/// What became of one photograph.
#[derive(Debug, Clone)]
pub enum PhotoResult {
    /// Measured, its outputs written.
    Done(Box<Sheet>),
    /// Not measured.
    Left(LeftOut),
}

/// A photograph that gave no figures.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct LeftOut {
    /// The file as it was given.
    pub file: String,
    /// Why: refused for what it shows, or failed.
    pub status: LeftOutStatus,
    /// One line: what was wrong and what to do.
    pub message: String,
}

/// Why a photograph gave no figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum LeftOutStatus {
    /// It would mislead.
    Refused,
    /// It could not be read, or its outputs could not be written.
    Failed,
}

/// One lot's figures.
#[derive(Debug)]
pub struct LotResult {
    /// Its name.
    pub name: String,
    /// Names of its photographs.
    pub photos: Vec<String>,
    /// Its figures, or why there are none.
    pub figures: Result<LotFigures, LoadError>,
}

/// A whole run.
#[derive(Debug)]
pub struct Run {
    /// Photographs in the order given.
    pub photos: Vec<PhotoResult>,
    /// Lots in the order in which they first appear.
    pub lots: Vec<LotResult>,
}

impl Run {
    /// Groups the photographs into lots and has each lot's figures computed.
    pub fn new(photos: Vec<PhotoResult>, settings: &LotSettings, without_slip: WithoutSlip) -> Run {
        let trays = done(&photos).map(Sheet::tray).collect();
        let lots = group_by_lot(trays, without_slip)
            .into_iter()
            .map(|lot| LotResult {
                photos: lot.trays.iter().map(|t| t.name.clone()).collect(),
                figures: assess_lot(&lot, settings),
                name: lot.name,
            })
            .collect();
        Run { photos, lots }
    }

    /// The photographs that were measured.
    pub fn sheets(&self) -> impl Iterator<Item = &Sheet> {
        done(&self.photos)
    }

    /// The photographs that were not.
    pub fn left_out(&self) -> impl Iterator<Item = &LeftOut> {
        self.photos.iter().filter_map(|p| match p {
            PhotoResult::Left(left) => Some(left),
            PhotoResult::Done(_) => None,
        })
    }

    /// True when every photograph was measured and every lot has figures.
    pub fn complete(&self) -> bool {
        self.left_out().next().is_none() && self.lots.iter().all(|l| l.figures.is_ok())
    }
}

fn done(photos: &[PhotoResult]) -> impl Iterator<Item = &Sheet> {
    photos.iter().filter_map(|p| match p {
        PhotoResult::Done(sheet) => Some(&**sheet),
        PhotoResult::Left(_) => None,
    })
}
