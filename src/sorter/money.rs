//! Does sorting pay? The contract's terms on a tonne of feed, unsorted and sorted.

use serde::Serialize;

use super::rule::RuleFigures;
use crate::load::Basis;
use crate::terms::{self, Decimal, Delivery, Measured, Terms};

/// Money for a tonne of feed. Estimates; no settlement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Money {
    /// Currency.
    pub currency: Option<String>,
    /// Paid for a tonne delivered as it is.
    pub unsorted: Decimal,
    /// Paid for what is left of it after sorting.
    pub sorted: Decimal,
    /// Mass left of a tonne, kg.
    pub sorted_kg: f64,
    /// Sorted less unsorted: what sorting may cost before it no longer pays.
    pub gain: Decimal,
    /// Deduction off price and weight together, percent, without and with sorting.
    pub deduction_percent: [Decimal; 2],
}

/// Applies the terms to a tonne of feed and to what a rule leaves of it, when `caught` of what it
/// picks is blown out and `co_ejected` of all that is left goes with it as neighbours (0 to 1).
///
/// # Errors
/// When the terms have no price, or a rule speaks of another basis than mass.
pub fn money(
    terms: &Terms,
    figures: &RuleFigures,
    caught: f64,
    co_ejected: f64,
) -> Result<Money, String> {
    let before: [f64; 4] = figures.classes.map(|c| c.mass_g);
    let after = figures
        .classes
        .map(|c| c.mass_g * (1.0 - caught * c.share.unwrap_or(0.0)) * (1.0 - co_ejected));
    let left = after.iter().sum::<f64>() / before.iter().sum::<f64>();
    if let Some(rule) = terms.rules.iter().find(|r| r.basis != Basis::Mass) {
        return Err(format!(
            "rule \"{}\" speaks of shares by {}, not by mass",
            rule.name,
            rule.basis.name()
        ));
    }
    let paid = |masses: &[f64; 4], kg: f64| -> Result<(Decimal, Decimal), String> {
        let total: f64 = masses.iter().sum();
        let net_kg = Decimal::from_measured(kg).ok_or("the mass left cannot be worked out")?;
        // Pieces are not seen on a tray: a tonne without them is taken.
        let plain = Terms { pieces: Vec::new(), mass_step_kg: thousandth(), ..terms.clone() };
        let delivery = Delivery { net_kg, counted: Vec::new(), validated: false };
        let verdict = terms::apply(&plain, &delivery, |classes, _| {
            let part: f64 = classes.iter().map(|c| masses[c.index()]).sum();
            Some(Measured { estimate: part / total, interval: None })
        })?;
        let s = verdict.settlement;
        let amount = s.amount.ok_or("the contract has no price_per_tonne, so there is no money")?;
        Ok((amount, s.weight_percent.plus(s.price_percent)))
    };
    let (unsorted, without) = paid(&before, 1000.0)?;
    if left <= 0.0 {
        return Err("the rule leaves nothing to be paid for".into());
    }
    let (sorted, with) = paid(&after, 1000.0 * left)?;
    Ok(Money {
        currency: terms.currency.clone(),
        unsorted,
        sorted,
        sorted_kg: 1000.0 * left,
        gain: sorted.minus(unsorted),
        deduction_percent: [without, with],
    })
}

/// A tonne's money must not hang on the load's rounding of mass.
fn thousandth() -> Decimal {
    Decimal::from_measured(0.001).unwrap_or(Decimal::ZERO)
}

#[cfg(test)]
mod tests {
    use super::super::rule::{
        Rule, apply,
        tests::{lot, object},
    };
    use super::*;

    /// By hand: 10 % rejects by mass, 2 % free, 1.5 % a point: 12 % off 1000 a tonne. All rejects
    /// and a tenth of the sound fruit blown out: 810 kg without deduction.
    #[test]
    fn a_tonne_by_hand() {
        let text = "version = 1\nname = \"x\"\ncurrency = \"EUR\"\nprice_per_tonne = \"1000\"\n\
                    [[rule]]\nname = \"rejects\"\nof = [\"rejects\"]\nfree_percent = 2\n\
                    deduct_per_point = \"1.5\"\n";
        let terms = terms::check(text).unwrap();
        let mut objects = vec![object(1.0, 1.0, 13.0); 9];
        objects.push(object(0.0, 1.0, 9.0));
        let objects = lot(objects);
        let rule = Rule { min_diameter_mm: Some(10.0), ..Rule::default() };
        let found = money(&terms, &apply(&rule, &objects).unwrap(), 1.0, 0.1).unwrap();
        assert_eq!(found.unsorted.to_string(), "880");
        assert_eq!(found.sorted.to_string(), "810");
        assert_eq!(found.gain.to_string(), "-70");
        assert!((found.sorted_kg - 810.0).abs() < 1e-9);
        // Half the rejects missed and no neighbours: 5/95 = 5.26 %, 4.9 % deducted, 950 kg.
        let half = money(&terms, &apply(&rule, &objects).unwrap(), 0.5, 0.0).unwrap();
        assert!((half.sorted_kg - 950.0).abs() < 1e-9);
        let by_hand = 950.0 * (1.0 - 0.015 * (100.0 * 0.5 / 9.5 - 2.0));
        assert!((half.sorted.to_f64() - by_hand).abs() < 0.01, "{} {by_hand}", half.sorted);
        let free =
            terms::check(&text.replace("currency = \"EUR\"\nprice_per_tonne = \"1000\"\n", ""))
                .unwrap();
        assert!(money(&free, &apply(&rule, &objects).unwrap(), 1.0, 0.1).is_err());
    }

    proptest::proptest! {
        /// What catches nothing and takes nothing along leaves the money as it was; more good berries gone are
        /// less fruit and never more money; nothing hangs on the objects' unit of mass.
        #[test]
        fn money_is_ordered(
            caught in 0.0f64..=1.0, lost in 0.0f64..0.5, more in 0.0f64..0.4, unit in 0.1f64..50.0,
            rejects in 1usize..9,
        ) {
            let text = "version = 1\nname = \"x\"\ncurrency = \"EUR\"\nprice_per_tonne = \"1000\"\n\
                        [[rule]]\nname = \"rejects\"\nof = [\"rejects\"]\nfree_percent = 2\n\
                        deduct_per_point = \"0.5\"\n";
            let terms = terms::check(text).unwrap();
            let of = |unit: f64, caught: f64, lost: f64| {
                let mut objects = vec![object(1.0, unit, 13.0); 30];
                objects.extend(vec![object(0.0, unit, 9.0); rejects]);
                let rule = Rule { min_diameter_mm: Some(10.0), ..Rule::default() };
                money(&terms, &apply(&rule, &lot(objects)).unwrap(), caught, lost).unwrap()
            };
            let found = of(1.0, caught, lost);
            let still = of(1.0, 0.0, 0.0);
            proptest::prop_assert_eq!(still.gain, Decimal::ZERO);
            proptest::prop_assert!((still.sorted_kg - 1000.0).abs() < 1e-9);
            let worse = of(1.0, caught, (lost + more).min(1.0));
            proptest::prop_assert!(worse.sorted_kg <= found.sorted_kg + 1e-9);
            proptest::prop_assert!(worse.sorted.to_f64() <= found.sorted.to_f64() + 0.011);
            let scaled = of(unit, caught, lost);
            proptest::prop_assert!((scaled.sorted.to_f64() - found.sorted.to_f64()).abs() < 0.011);
            proptest::prop_assert!((0.0..=1000.0 + 1e-9).contains(&found.sorted_kg));
        }
    }
}
