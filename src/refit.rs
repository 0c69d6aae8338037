//! Mass coefficients from the ledger's weighed trays.

use crate::classify::Class;
use crate::ledger::event::{Event, MassFitted};
use crate::ledger::{Ledger, LedgerError, Signed};
use crate::load::{Coefficient, LoadError, WeighSettings, WeighedTray, fit_mass};
use crate::terms::Decimal;

/// Why coefficients were not fitted.
#[derive(Debug, thiserror::Error)]
pub enum RefitError {
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The weights.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// No tray.
    #[error(
        "no tray read with profile {0} has weights of single classes; record them with `acinus load \
         weigh`"
    )]
    Nothing(String),
}

/// Fits the coefficients of a profile from all its trays on which classes were weighed, and records
/// them.
///
/// # Errors
/// [`RefitError`] when there is nothing to fit from, or a weight cannot be.
pub fn refit(
    ledger: &mut Ledger,
    profile: &str,
    by: Signed<'_>,
) -> Result<[Coefficient; 4], RefitError> {
    let mut trays = Vec::new();
    let mut entries = Vec::new();
    for (entry, load, lot, number) in ledger.weighed_trays(profile)? {
        let record = ledger.load(&load)?;
        let lots = record.lots.iter().filter(|l| l.lot == lot);
        let Some(tray) = lots.flat_map(|l| &l.trays).find(|t| t.tray == number) else { continue };
        let Some(weighing) = tray.weighing else { continue };
        if weighing.class_g.iter().all(Option::is_none) {
            continue;
        }
        let mut modelled_g = [0.0; 4];
        let mut modelled_unassigned_g = 0.0;
        for object in &tray.objects {
            match object.item.class {
                Some(class) => modelled_g[class.index()] += object.item.mass_g,
                None => modelled_unassigned_g += object.item.mass_g,
            }
        }
        entries.push(entry);
        trays.push(WeighedTray {
            tray: format!("tray {number} of {load} {lot}"),
            modelled_g,
            modelled_unassigned_g,
            weighed_g: weighing.weighed_g.map(Decimal::to_f64),
            weighed_class_g: weighing.class_g.map(|g| g.map(Decimal::to_f64)),
        });
    }
    if trays.is_empty() {
        return Err(RefitError::Nothing(profile.to_owned()));
    }
    let fitted = fit_mass(&trays, &WeighSettings::default())?;
    let decimal = |value: f64| Decimal::from_measured(value).unwrap_or(Decimal::ONE);
    debug_assert_eq!(fitted.map(|c| c.class), Class::ALL);
    let event = MassFitted {
        profile: profile.to_owned(),
        trays: entries,
        coefficients: fitted.map(|c| decimal(c.coefficient)),
        standard_deviations: fitted.map(|c| decimal(c.standard_deviation)),
    };
    ledger.say_one(Event::MassFitted(event), by)?;
    Ok(fitted)
}
