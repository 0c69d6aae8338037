//! A contract applied to a load.

use super::{Combine, Decimal, Doubt, Off, Order, Per, Rounding, Rule, Terms};
use crate::classify::Class;
use crate::load::{Basis, Scope, Share};
use crate::stats::{Interval, Level, normal_cdf, poisson_interval};

/// A measured share with its interval, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The (corrected) point estimate.
    pub estimate: f64,
    /// Its interval at the contract's confidence. None when the load has no interval (fewer than
    /// three bins): then no refusal can be decided.
    pub interval: Option<Interval>,
}

impl From<&Share> for Measured {
    /// Only an interval that speaks for the load carries over; a single tray's, or that of trays
    /// from fewer than three bins, decides no refusal.
    fn from(share: &Share) -> Self {
        Measured {
            estimate: share.estimate,
            interval: (share.scope == Scope::Load).then_some(share.interval),
        }
    }
}

/// Pieces that were counted.
#[derive(Debug, Clone, PartialEq)]
pub struct Counted {
    /// What was counted: the rule's name.
    pub name: String,
    /// How many.
    pub pieces: u64,
    /// Mass of the sample they were counted in, kg; not used per load.
    pub sample_kg: f64,
}

/// What was delivered.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivery {
    /// Net mass of the load, kg, from the weighmaster's ticket.
    pub net_kg: Decimal,
    /// Counted pieces.
    pub counted: Vec<Counted>,
    /// Whether the variety is validated; else every verdict is advisory.
    pub validated: bool,
}

/// What a refusal limit comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// The whole interval lies at or below the limit.
    Accept,
    /// The whole interval lies above the limit.
    Refuse,
    /// The interval straddles the limit, or there is none.
    Undecided,
}

impl Outcome {
    /// What it counts as once the contract says who bears the doubt.
    fn counts_as(self, doubt: Doubt) -> Outcome {
        match (self, doubt) {
            (Outcome::Undecided, Doubt::Grower) => Outcome::Refuse,
            (Outcome::Undecided, Doubt::Winery) => Outcome::Accept,
            (outcome, _) => outcome,
        }
    }
}

/// A deduction of one rule, percent.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Deduction {
    /// At the point estimate: the one that counts.
    pub percent: Decimal,
    /// At the interval's lower end; none without an interval.
    pub at_low: Option<Decimal>,
    /// At its upper end; none without an interval.
    pub at_high: Option<Decimal>,
    /// What it is taken off.
    pub off: Off,
    /// Whether the rule's own cap cut it.
    pub capped: bool,
}

/// A refusal limit applied.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Refusal {
    /// The limit, percent (for pieces: pieces per kg or load).
    pub limit: Decimal,
    /// Accepted up to here without doubt: the limit less the guard band. The guard band is the
    /// distance from the estimate to the interval's upper end. None without an interval.
    pub accept_up_to: Option<f64>,
    /// Refused from above here without doubt: the limit plus the distance from the interval's
    /// lower end to the estimate. None without an interval.
    pub refuse_above: Option<f64>,
    /// Probability that the true value does not exceed the limit (JCGM 106:2012, sec. 7), for
    /// information. None without an interval, and where nothing was seen.
    pub conformance: Option<f64>,
    /// What the interval says.
    pub outcome: Outcome,
    /// Who bears the doubt.
    pub doubt: Doubt,
    /// What it counts as.
    pub counts_as: Outcome,
}

/// One rule's result.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RuleResult {
    /// The rule's name.
    pub name: String,
    /// The share that the rule was applied to, percent, after its own rounding.
    pub share_percent: Decimal,
    /// Its deduction, when it deducts.
    pub deduction: Option<Deduction>,
    /// Its refusal, when it refuses.
    pub refusal: Option<Refusal>,
}

/// One piece rule's result.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct PieceVerdict {
    /// What was counted.
    pub name: String,
    /// Pieces per kilogram, or per load.
    pub rate: f64,
    /// Exact Poisson interval of the rate; none per load, where all pieces were counted.
    pub interval: Option<Interval>,
    /// The refusal.
    pub refusal: Refusal,
}

/// What is paid.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Settlement {
    /// Deduction off weight, percent, joined and capped.
    pub weight_percent: Decimal,
    /// Deduction off price, percent, joined and capped.
    pub price_percent: Decimal,
    /// Paid mass, kg, rounded.
    pub paid_kg: Decimal,
    /// Amount without any deduction, rounded; none without a price.
    pub gross: Option<Decimal>,
    /// Amount to pay, rounded; none without a price.
    pub amount: Option<Decimal>,
    /// Every step with its rounding, in words.
    pub steps: Vec<String>,
}

/// A contract applied to a load.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct TermsVerdict {
    /// The contract's name.
    pub terms: String,
    /// Rules, in the contract's order.
    pub rules: Vec<RuleResult>,
    /// Piece rules, in the contract's order.
    pub pieces: Vec<PieceVerdict>,
    /// What is paid if the load is taken: deductions at the point estimates.
    pub settlement: Settlement,
    /// The same with every deduction at its interval's lower and upper end, for information.
    pub settlement_at_low: Option<Settlement>,
    /// See `settlement_at_low`.
    pub settlement_at_high: Option<Settlement>,
    /// Refused if any rule counts as refused; else undecided if any is; else accepted.
    pub outcome: Outcome,
    /// Whether the verdict is advisory only.
    pub advisory: bool,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
}

/// Applies a contract. `measured` gives the share of some classes together on a basis, or none
/// when it was not measured.
///
/// # Errors
/// One line naming the rule for which there is no figure.
pub fn apply(
    terms: &Terms,
    delivery: &Delivery,
    measured: impl Fn(&[Class], Basis) -> Option<Measured>,
) -> Result<TermsVerdict, String> {
    if delivery.net_kg <= Decimal::ZERO {
        return Err(format!("net mass is {} kg; give the ticket's net mass", delivery.net_kg));
    }
    let mut rules = Vec::with_capacity(terms.rules.len());
    for rule in &terms.rules {
        let share = measured(&rule.classes(), rule.basis).ok_or_else(|| {
            format!("rule \"{}\": no share by {} was measured for it", rule.name, rule.basis.name())
        })?;
        rules.push(apply_rule(rule, &share)?);
    }
    let mut pieces = Vec::with_capacity(terms.pieces.len());
    for rule in &terms.pieces {
        let counted = delivery.counted.iter().find(|c| c.name == rule.name).ok_or_else(|| {
            format!("pieces \"{}\": no count was entered; enter it with `acinus load count`, 0 included", rule.name)
        })?;
        pieces.push(apply_pieces(rule, counted, terms.confidence)?);
    }
    let at = |pick: &dyn Fn(&Deduction) -> Option<Decimal>| -> Option<Settlement> {
        let all = rules.iter().filter_map(|r| r.deduction.as_ref());
        let picked: Option<Vec<(Off, Decimal)>> =
            all.map(|d| pick(d).map(|percent| (d.off, percent))).collect();
        picked.map(|deductions| settle(terms, delivery.net_kg, &deductions))
    };
    let settlement =
        at(&|d| Some(d.percent)).unwrap_or_else(|| settle(terms, delivery.net_kg, &[]));
    let refusals =
        || rules.iter().filter_map(|r| r.refusal.as_ref()).chain(pieces.iter().map(|p| &p.refusal));
    let outcome = if refusals().any(|r| r.counts_as == Outcome::Refuse) {
        Outcome::Refuse
    } else if refusals().any(|r| r.counts_as == Outcome::Undecided) {
        Outcome::Undecided
    } else {
        Outcome::Accept
    };
    let mut cautions = Vec::new();
    if !delivery.validated {
        cautions.push("not yet validated for this variety: the verdict is advisory".to_owned());
    }
    if refusals().any(|r| r.outcome == Outcome::Undecided) {
        cautions.push(
            "a refusal limit lies inside the interval: more trays, drawn by the plan's seed, would \
             narrow it"
                .to_owned(),
        );
    }
    Ok(TermsVerdict {
        terms: terms.name.clone(),
        settlement,
        settlement_at_low: at(&|d| d.at_low),
        settlement_at_high: at(&|d| d.at_high),
        outcome,
        advisory: !delivery.validated,
        cautions,
        rules,
        pieces,
    })
}

fn percent(share: f64, rule: &Rule) -> Result<Decimal, String> {
    let percent = Decimal::from_measured(100.0 * share)
        .ok_or_else(|| format!("rule \"{}\": the share {share} is no number", rule.name))?;
    let step = rule.share_step.unwrap_or(Decimal::ZERO);
    Ok(percent.to_step(step, rule.share_rounding))
}

fn apply_rule(rule: &Rule, share: &Measured) -> Result<RuleResult, String> {
    let share_percent = percent(share.estimate, rule)?;
    let deduction = match rule.deduct_per_point {
        None => None,
        Some(rate) => {
            let at = |e: Decimal| {
                let over = e.minus(rule.free_percent).max(Decimal::ZERO);
                rate.times(over).min(rule.cap_percent.unwrap_or(Decimal::HUNDRED))
            };
            let uncapped = rate.times(share_percent.minus(rule.free_percent).max(Decimal::ZERO));
            let end = |pick: fn(&Interval) -> f64| {
                share.interval.map(|i| percent(pick(&i), rule).map(at)).transpose()
            };
            let deducted = at(share_percent);
            Some(Deduction {
                percent: deducted,
                at_low: end(|i| i.low)?,
                at_high: end(|i| i.high)?,
                off: rule.off,
                capped: deducted < uncapped,
            })
        }
    };
    // The interval is compared unrounded: rounding is for money, not for evidence.
    let refusal = rule.refuse_above_percent.map(|limit| {
        let in_percent =
            share.interval.map(|i| Interval { low: 100.0 * i.low, high: 100.0 * i.high, ..i });
        let conformance = share
            .interval
            .and_then(|i| share_conformance(share.estimate, &i, limit.to_f64() / 100.0));
        refuse(limit, 100.0 * share.estimate, in_percent, conformance, rule.doubt)
    });
    Ok(RuleResult { name: rule.name.clone(), share_percent, deduction, refusal })
}

/// Decision with guard bands on both sides of an upper limit (JCGM 106:2012, sec. 8.3: guarded
/// acceptance and guarded rejection; what lies between is undecided).
fn refuse(
    limit: Decimal,
    estimate: f64,
    interval: Option<Interval>,
    conformance: Option<f64>,
    doubt: Doubt,
) -> Refusal {
    let bound = limit.to_f64();
    let outcome = match interval {
        Some(i) if i.high <= bound => Outcome::Accept,
        Some(i) if i.low > bound => Outcome::Refuse,
        _ => Outcome::Undecided,
    };
    Refusal {
        limit,
        accept_up_to: interval.map(|i| bound - (i.high - estimate)),
        refuse_above: interval.map(|i| bound + (estimate - i.low)),
        conformance,
        outcome,
        doubt,
        counts_as: outcome.counts_as(doubt),
    }
}

/// Probability that the true value does not exceed `upper_limit`, for a measured `estimate` with
/// normal standard uncertainty: Φ((T_U − y)/u) (JCGM 106:2012, sec. 7.4).
pub fn conformance_probability(estimate: f64, standard_uncertainty: f64, upper_limit: f64) -> f64 {
    normal_cdf((upper_limit - estimate) / standard_uncertainty)
}

/// The same for a share, on the logit scale, with the uncertainty that its interval shows towards
/// the limit.
fn share_conformance(estimate: f64, interval: &Interval, limit: f64) -> Option<f64> {
    let logit = |p: f64| (p / (1.0 - p)).ln();
    if !(estimate > 0.0 && estimate < 1.0 && limit > 0.0 && limit < 1.0) {
        return None;
    }
    let end = if limit >= estimate { interval.high } else { interval.low };
    let u = (logit(end) - logit(estimate)).abs() / interval.level.z();
    (u > 0.0 && u.is_finite()).then(|| conformance_probability(logit(estimate), u, logit(limit)))
}

fn apply_pieces(
    rule: &super::PieceRule,
    counted: &Counted,
    level: Level,
) -> Result<PieceVerdict, String> {
    let (rate, interval) = match rule.per {
        Per::Load => {
            let pieces = counted.pieces as f64;
            (pieces, Interval { low: pieces, high: pieces, level })
        }
        Per::Kg => {
            let kg = counted.sample_kg;
            if !(kg > 0.0 && kg.is_finite()) {
                return Err(format!(
                    "pieces \"{}\": the sample weighs {kg} kg; enter its mass",
                    rule.name
                ));
            }
            let limits = poisson_interval(counted.pieces, level);
            let scaled = Interval { low: limits.low / kg, high: limits.high / kg, level };
            (counted.pieces as f64 / kg, scaled)
        }
    };
    Ok(PieceVerdict {
        name: rule.name.clone(),
        rate,
        interval: (rule.per == Per::Kg).then_some(interval),
        refusal: refuse(rule.refuse_above, rate, Some(interval), None, rule.doubt),
    })
}

/// What a mass is worth at the contract's price, rounded as it rounds money; none without a price
/// or for a mass that is no number. For the sorting loss: an estimate, no settlement.
pub fn value_of_mass(kg: f64, terms: &Terms) -> Option<Decimal> {
    let mass = Decimal::from_measured(kg)?;
    let price = terms.price_per_tonne?;
    Some(mass.thousandth().times(price).to_step(terms.money_step, terms.rounding))
}

/// Deductions of one kind, joined and capped.
fn join(terms: &Terms, deductions: &[(Off, Decimal)], off: Off) -> Decimal {
    let own = deductions.iter().filter(|d| d.0 == off).map(|d| d.1);
    let joined = match terms.combine {
        Combine::Add => own.fold(Decimal::ZERO, Decimal::plus),
        Combine::Chain => {
            let left = own.fold(Decimal::HUNDRED, |left, percent| {
                left.times(Decimal::HUNDRED.minus(percent)).hundredth()
            });
            Decimal::HUNDRED.minus(left)
        }
    };
    joined.min(terms.cap_percent.unwrap_or(Decimal::HUNDRED)).min(Decimal::HUNDRED)
}

fn settle(terms: &Terms, net_kg: Decimal, deductions: &[(Off, Decimal)]) -> Settlement {
    let weight_percent = join(terms, deductions, Off::Weight);
    let price_percent = join(terms, deductions, Off::Price);
    let keep = |percent: Decimal| Decimal::HUNDRED.minus(percent).hundredth();
    let rule = terms.rounding;
    let money = |value: Decimal| value.to_step(terms.money_step, rule);
    let paid_kg = net_kg.times(keep(weight_percent)).to_step(terms.mass_step_kg, rule);
    let mut steps = vec![format!(
        "paid mass {net_kg} kg less {weight_percent} % = {paid_kg} kg, rounded to {} kg {}",
        terms.mass_step_kg,
        rule.describe()
    )];
    let words = |step: Decimal, rule: Rounding| format!("rounded to {step} {}", rule.describe());
    let (mut gross, mut amount) = (None, None);
    if let Some(price) = terms.price_per_tonne {
        let currency = terms.currency.as_deref().unwrap_or_default();
        let tonnes = paid_kg.thousandth();
        gross = Some(money(net_kg.thousandth().times(price)));
        let last = match terms.order {
            Order::WeightFirst => {
                let before = money(tonnes.times(price));
                steps.push(format!(
                    "{tonnes} t at {price} {currency} = {before} {currency}, {}",
                    words(terms.money_step, rule)
                ));
                let after = money(before.times(keep(price_percent)));
                steps.push(format!(
                    "less {price_percent} % = {after} {currency}, {}",
                    words(terms.money_step, rule)
                ));
                after
            }
            Order::PriceFirst => {
                let reduced = money(price.times(keep(price_percent)));
                steps.push(format!(
                    "price {price} {currency} less {price_percent} % = {reduced} {currency}, {}",
                    words(terms.money_step, rule)
                ));
                let after = money(tonnes.times(reduced));
                steps.push(format!(
                    "{tonnes} t at {reduced} {currency} = {after} {currency}, {}",
                    words(terms.money_step, rule)
                ));
                after
            }
        };
        amount = Some(last);
    }
    Settlement { weight_percent, price_percent, paid_kg, gross, amount, steps }
}

#[cfg(test)]
mod tests {
    use super::super::{check, tests::HOUSE};
    use super::*;
    use crate::stats::testdata::close;

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn share(estimate: f64, low: f64, high: f64) -> Measured {
        Measured { estimate, interval: Some(Interval { low, high, level: Level::P95 }) }
    }

    fn delivery() -> Delivery {
        Delivery {
            net_kg: d("7430"),
            counted: vec![Counted { name: "stones".into(), pieces: 0, sample_kg: 6.0 }],
            validated: true,
        }
    }

    /// Rejects 5.40 % (4.10 to 7.00), debris 0.90 % (0.60 to 1.40), by mass.
    fn figures(classes: &[Class], basis: Basis) -> Option<Measured> {
        (basis == Basis::Mass).then(|| match classes {
            [Class::Debris] => share(0.009, 0.006, 0.014),
            _ => share(0.054, 0.041, 0.070),
        })
    }

    /// By hand. Rejects: 1.5·(5.4 − 2) = 5.1 % off price; debris: 1·(0.9 − 0.5) = 0.4 % off weight.
    /// 7430·0.996 = 7400.28 → 7400 kg; 7.4·1850 = 13690.00; less 5.1 % = 12991.81.
    #[test]
    fn a_settlement_worked_by_hand() {
        let terms = check(HOUSE).unwrap();
        let found = apply(&terms, &delivery(), figures).unwrap();
        let deduction = found.rules[0].deduction.unwrap();
        assert_eq!(deduction.percent, d("5.1"));
        assert_eq!((deduction.at_low, deduction.at_high), (Some(d("3.15")), Some(d("7.5"))));
        assert_eq!(found.rules[1].deduction.unwrap().percent, d("0.4"));
        let settlement = &found.settlement;
        assert_eq!(settlement.paid_kg, d("7400"));
        assert_eq!(settlement.gross, Some(d("13745.5")));
        assert_eq!(settlement.amount, Some(d("12991.81")));
        assert_eq!(found.outcome, Outcome::Accept);
        // At the upper ends: 0.9 % off weight 7363.13 → 7363 kg, 13621.55, less 7.5 % = 12599.93375.
        assert_eq!(found.settlement_at_high.unwrap().amount, Some(d("12599.93")));
        assert_eq!(
            settlement.steps,
            [
                "paid mass 7430 kg less 0.4 % = 7400 kg, rounded to 1 kg to the nearest, halves up",
                "7.4 t at 1850 USD = 13690 USD, rounded to 0.01 to the nearest, halves up",
                "less 5.1 % = 12991.81 USD, rounded to 0.01 to the nearest, halves up",
            ]
        );
    }

    #[test]
    fn a_sorting_loss_has_a_value() {
        let mut terms = check(HOUSE).unwrap();
        // 312.4 kg at 1850 a tonne: 577.94.
        assert_eq!(value_of_mass(312.4, &terms), Some(d("577.94")));
        assert_eq!(value_of_mass(f64::NAN, &terms), None);
        terms.price_per_tonne = None;
        assert_eq!(value_of_mass(1.0, &terms), None);
    }

    /// The other order, by hand: 1850·0.949 = 1755.65; 7.4·1755.65 = 12991.81; with a step of one
    /// dollar 1756 and 12994.4 → 12994.
    #[test]
    fn order_and_steps_change_the_cents() {
        let mut terms = check(HOUSE).unwrap();
        terms.order = Order::PriceFirst;
        let found = apply(&terms, &delivery(), figures).unwrap();
        assert_eq!(found.settlement.amount, Some(d("12991.81")));
        terms.money_step = Decimal::ONE;
        let found = apply(&terms, &delivery(), figures).unwrap();
        assert_eq!(found.settlement.amount, Some(d("12994")));
        terms.rounding = Rounding::Down;
        let found = apply(&terms, &delivery(), figures).unwrap();
        // 1755.65 → 1755; 7.400·1755 = 12987.
        assert_eq!(found.settlement.amount, Some(d("12987")));
    }

    /// Caps and chains, by hand: 5.1 % and 4 % off price. Added 9.1; chained
    /// 100 − 94.9·0.96 = 8.896; capped 6.
    #[test]
    fn caps_and_chains() {
        let text = HOUSE.replace(
            "deduct_per_point = 1\noff = \"weight\"",
            "deduct_per_point = 10\ncap_percent = 4",
        );
        let mut terms = check(&text).unwrap();
        let percent =
            |terms: &Terms| apply(terms, &delivery(), figures).unwrap().settlement.price_percent;
        assert_eq!(percent(&terms), d("9.1"));
        terms.rules[1].cap_percent = Some(d("3.9"));
        let found = apply(&terms, &delivery(), figures).unwrap();
        assert!(found.rules[1].deduction.unwrap().capped);
        terms.rules[1].cap_percent = Some(d("4"));
        terms.combine = Combine::Chain;
        assert_eq!(percent(&terms), d("8.896"));
        terms.cap_percent = Some(d("6"));
        assert_eq!(percent(&terms), d("6"));
    }

    /// The share's own rounding, by hand: 5.45 % to tenths is 5.5, half down nothing: 5.4.
    #[test]
    fn a_share_is_rounded_as_the_rule_says() {
        let mut terms = check(HOUSE).unwrap();
        terms.rules.truncate(1);
        terms.rules[0].share_step = Some(d("0.1"));
        let of = |terms: &Terms| {
            let found = apply(terms, &delivery(), |_, _| Some(share(0.0545, 0.04, 0.07))).unwrap();
            (found.rules[0].share_percent, found.rules[0].deduction.unwrap().percent)
        };
        assert_eq!(of(&terms), (d("5.5"), d("5.25")));
        terms.rules[0].share_rounding = Rounding::Down;
        assert_eq!(of(&terms), (d("5.4"), d("5.1")));
    }

    /// Guard bands: limit 12 %.
    #[test]
    fn refusal_accept_and_doubt() {
        let mut terms = check(HOUSE).unwrap();
        terms.rules.truncate(1);
        let verdict = |terms: &Terms, low, estimate, high| {
            apply(terms, &delivery(), |_, _| Some(share(estimate, low, high))).unwrap()
        };
        let clear = verdict(&terms, 0.08, 0.09, 0.12);
        assert_eq!(clear.rules[0].refusal.unwrap().outcome, Outcome::Accept);
        let over = verdict(&terms, 0.121, 0.14, 0.16);
        assert_eq!(over.outcome, Outcome::Refuse);
        // In doubt: the grower bears it here.
        let doubt = verdict(&terms, 0.09, 0.11, 0.135);
        let refusal = doubt.rules[0].refusal.unwrap();
        assert_eq!((refusal.outcome, doubt.outcome), (Outcome::Undecided, Outcome::Refuse));
        close(refusal.accept_up_to.unwrap(), 12.0 - 2.5, 1e-12, "12 less the guard band");
        close(refusal.refuse_above.unwrap(), 12.0 + 2.0, 1e-12, "12 plus the guard band");
        assert!(refusal.conformance.unwrap() > 0.5 && refusal.conformance.unwrap() < 0.975);
        terms.rules[0].doubt = Doubt::Winery;
        assert_eq!(verdict(&terms, 0.09, 0.11, 0.135).outcome, Outcome::Accept);
        terms.rules[0].doubt = Doubt::Open;
        let open = verdict(&terms, 0.09, 0.11, 0.135);
        assert_eq!(open.outcome, Outcome::Undecided);
        assert!(open.cautions[0].contains("more trays"));
        // Without an interval nothing is decided, and an unvalidated variety only advises.
        let bare = Delivery { validated: false, ..delivery() };
        let none =
            apply(&terms, &bare, |_, _| Some(Measured { estimate: 0.3, interval: None })).unwrap();
        assert_eq!((none.outcome, none.advisory), (Outcome::Undecided, true));
        assert!(none.settlement_at_high.is_none());
    }

    /// JCGM 106:2012 (from memory). Table 1: conformance probabilities 0.80 0.90 0.95 0.99 0.999 at
    /// 0.84 1.28 1.64 2.33 3.09 standard uncertainties from the limit. Example of guarded rejection
    /// (sec. 8.3.3): speed limit 100 km/h, meter with 2 % standard uncertainty, 99.9 % wanted: the
    /// driver is charged from 107 km/h.
    #[test]
    fn guard_bands_of_the_guide() {
        for (p, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)] {
            close(conformance_probability(10.0 - z * 0.3, 0.3, 10.0), p, 1.5e-3, "table 1");
        }
        let speeding = |v: f64| 1.0 - conformance_probability(v, 0.02 * v, 100.0);
        assert!(speeding(107.0) > 0.999 && speeding(106.0) < 0.999);
    }

    /// A share's conformance agrees with its interval: a limit at the upper end of a 95 % interval
    /// leaves 97.5 %.
    #[test]
    fn conformance_at_the_interval_s_end() {
        let found = share(0.05, 0.03, 0.08);
        let interval = found.interval.unwrap();
        let at = |limit| share_conformance(0.05, &interval, limit).unwrap();
        close(at(0.08), 0.975, 1e-12, "upper end");
        close(at(0.03), 0.025, 1e-12, "lower end");
        close(at(0.05), 0.5, 1e-12, "at the estimate");
        assert!(share_conformance(0.0, &interval, 0.05).is_none());
    }

    /// Pieces: 3 stones in 6 kg are 0.5 a kg, exact limits 0.619/6 to 8.767/6 (printed Poisson
    /// tables): with a limit of 1 a kg undecided, which the winery bears; 16 are refused.
    #[test]
    fn pieces_per_kilogram_and_load() {
        let mut terms = check(HOUSE).unwrap();
        terms.rules.clear();
        let with = |terms: &Terms, pieces| {
            let counted = vec![Counted { name: "stones".into(), pieces, sample_kg: 6.0 }];
            apply(terms, &Delivery { counted, ..delivery() }, figures).unwrap()
        };
        let three = with(&terms, 3);
        let interval = three.pieces[0].interval.unwrap();
        close(interval.low, 0.6187 / 6.0, 1e-4, "low");
        close(interval.high, 8.7673 / 6.0, 1e-4, "high");
        assert_eq!(three.pieces[0].refusal.outcome, Outcome::Undecided);
        assert_eq!(three.outcome, Outcome::Accept);
        assert_eq!(with(&terms, 16).outcome, Outcome::Refuse);
        terms.pieces[0].per = Per::Load;
        assert_eq!(with(&terms, 1).outcome, Outcome::Accept);
        assert_eq!(with(&terms, 2).outcome, Outcome::Refuse);
        let missing = Delivery { counted: Vec::new(), ..delivery() };
        assert_eq!(
            apply(&terms, &missing, figures).unwrap_err(),
            "pieces \"stones\": no count was entered; enter it with `acinus load count`, 0 included"
        );
        let by_area = HOUSE.replacen("free_percent = 2", "free_percent = 2\nbasis = \"area\"", 1);
        let terms = check(&by_area).unwrap();
        assert_eq!(
            apply(&terms, &delivery(), figures).unwrap_err(),
            "rule \"all rejects\": no share by area was measured for it"
        );
    }

    proptest::proptest! {
        #[test]
        fn paying_never_gains_by_more_rejects(a in 0.0f64..1.0, b in 0.0f64..1.0) {
            let terms = check(HOUSE).unwrap();
            let amount = |e: f64| {
                let found = apply(&terms, &delivery(), |_, _| Some(share(e, e * 0.5, e)));
                found.unwrap().settlement.amount.unwrap()
            };
            let (less, more) = (a.min(b), a.max(b));
            proptest::prop_assert!(amount(less) >= amount(more));
            proptest::prop_assert!(amount(more) >= Decimal::ZERO);
        }
    }
}
