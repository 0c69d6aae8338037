//! Contract terms: a TOML file, checked, and applied to a load's figures.
//!
//! ```toml
//! version = 1
//! name = "House terms"
//! currency = "USD"
//! price_per_tonne = "1850.00"
//!
//! [[rule]]
//! name = "all rejects"
//! of = ["rejects"]
//! basis = "mass"
//! free_percent = 2
//! deduct_per_point = "1.5"
//! off = "price"
//! refuse_above_percent = 12
//! doubt = "grower"
//!
//! [[pieces]]
//! name = "stones"
//! per = "kg"
//! refuse_above = 1
//! doubt = "winery"
//! ```
//!
//! A deduction is D = rate × max(0, E − allowance) on the (corrected) point estimate E in percent,
//! with D at both ends of the interval beside it. Refusal alone uses the interval, with a guard
//! band (JCGM 106:2012), and says who bears the doubt. Every rounding is a setting and is stated.
//! The figures are an estimate from photographs; the contract, the licensed weighmaster and the
//! local inspection service decide.

mod decimal;
mod verdict;

pub use decimal::{Decimal, DecimalError, Rounding};
pub use verdict::{
    Counted, Deduction, Delivery, Measured, Outcome, PieceVerdict, Refusal, RuleResult, Settlement,
    TermsVerdict, apply, conformance_probability, value_of_mass,
};

use crate::classify::Class;
use crate::load::{Basis, REJECTS};
use crate::stats::Level;

/// A contract.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Terms {
    /// Version of this file's layout; 1.
    pub version: u32,
    /// The contract's name.
    pub name: String,
    /// Currency, as printed.
    #[serde(default)]
    pub currency: Option<String>,
    /// Price of a tonne of fruit; without it deductions are per cent only.
    #[serde(default)]
    pub price_per_tonne: Option<Decimal>,
    /// Two-sided confidence level that the refusal's guard band rests on.
    #[serde(default)]
    pub confidence: Level,
    /// Which deductions are worked out first.
    #[serde(default)]
    pub order: Order,
    /// How several deductions of the same kind are joined.
    #[serde(default)]
    pub combine: Combine,
    /// Most that all deductions off weight, and all off price, may each come to, percent.
    #[serde(default)]
    pub cap_percent: Option<Decimal>,
    /// Step to which money is rounded, in the currency; default 0.01.
    #[serde(default = "default_money_step")]
    pub money_step: Decimal,
    /// Step to which paid mass is rounded, kg; default 1.
    #[serde(default = "default_mass_step_kg")]
    pub mass_step_kg: Decimal,
    /// How money and mass are rounded to their steps.
    #[serde(default)]
    pub rounding: Rounding,
    /// Rules, in the order in which they are applied.
    #[serde(default, rename = "rule")]
    pub rules: Vec<Rule>,
    /// Rules that count pieces.
    #[serde(default)]
    pub pieces: Vec<PieceRule>,
}

fn default_money_step() -> Decimal {
    Decimal::ONE.hundredth()
}

fn default_mass_step_kg() -> Decimal {
    Decimal::ONE
}

/// Which deductions are worked out first; the two differ by their roundings only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Paid mass is rounded, then the amount, then price deductions come off the amount.
    #[default]
    WeightFirst,
    /// The price of a tonne is reduced and rounded first, then multiplied by the paid mass.
    PriceFirst,
}

/// How several deductions of the same kind are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Combine {
    /// Percentages are added.
    #[default]
    Add,
    /// Each is taken from what the ones before left.
    Chain,
}

/// What a deduction is taken off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Off {
    /// The price.
    #[default]
    Price,
    /// The paid weight.
    Weight,
}

/// Who bears the doubt when the interval straddles a refusal limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// The grower: undecided counts as refused.
    Grower,
    /// The winery: undecided counts as accepted.
    Winery,
    /// Neither: undecided stays so, and more trays are to be taken.
    #[default]
    Open,
}

/// One rule on a share.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// The rule's name.
    pub name: String,
    /// Classes it is about: "sound", "shriveled", "underripe", "debris", or "rejects" for the last
    /// three.
    pub of: Vec<String>,
    /// Share by mass (default), count or area.
    #[serde(default = "default_basis")]
    pub basis: Basis,
    /// Free allowance, percent.
    #[serde(default)]
    pub free_percent: Decimal,
    /// Deduction for every percentage point above the allowance, percent.
    #[serde(default)]
    pub deduct_per_point: Option<Decimal>,
    /// What it is taken off.
    #[serde(default)]
    pub off: Off,
    /// Step to which the share is rounded before the rule is applied, percentage points; none:
    /// not rounded.
    #[serde(default)]
    pub share_step: Option<Decimal>,
    /// How the share is rounded.
    #[serde(default)]
    pub share_rounding: Rounding,
    /// Most that this rule may deduct, percent.
    #[serde(default)]
    pub cap_percent: Option<Decimal>,
    /// Above this the load is refused, percent.
    #[serde(default)]
    pub refuse_above_percent: Option<Decimal>,
    /// Who bears the doubt of the refusal.
    #[serde(default)]
    pub doubt: Doubt,
}

fn default_basis() -> Basis {
    Basis::Mass
}

impl Rule {
    /// The classes the rule is about, in table order, each once.
    pub fn classes(&self) -> Vec<Class> {
        let named = |class: &Class| {
            self.of.iter().any(|n| n == class.name() || (n == "rejects" && REJECTS.contains(class)))
        };
        Class::ALL.into_iter().filter(named).collect()
    }
}

/// Per what pieces are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Per {
    /// Per kilogram of the sample.
    Kg,
    /// Per load, all of it looked at.
    Load,
}

/// One rule on a number of pieces.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PieceRule {
    /// What is counted.
    pub name: String,
    /// Per what.
    pub per: Per,
    /// Above this the load is refused.
    pub refuse_above: Decimal,
    /// Who bears the doubt of the refusal. A whole load counted leaves none.
    #[serde(default)]
    pub doubt: Doubt,
}

/// What is wrong with a contract file, in one line each.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.join("\n"))]
pub struct TermsError(pub Vec<String>);

/// Reads and checks a contract.
///
/// # Errors
/// One line for everything that is wrong: where, what, and what to do.
pub fn check(text: &str) -> Result<Terms, TermsError> {
    let terms: Terms = toml::from_str(text).map_err(|error| {
        let line = error
            .span()
            .and_then(|span| text.get(..span.start))
            .map_or(String::new(), |before| format!("line {}: ", before.matches('\n').count() + 1));
        TermsError(vec![format!(
            "{line}{}",
            error.message().lines().collect::<Vec<_>>().join("; ")
        )])
    })?;
    let faults = faults(&terms);
    if faults.is_empty() { Ok(terms) } else { Err(TermsError(faults)) }
}

fn faults(terms: &Terms) -> Vec<String> {
    let mut faults = Vec::new();
    if terms.version != 1 {
        faults.push(format!("version is {}; this program reads version 1", terms.version));
    }
    if terms.name.trim().is_empty() {
        faults.push("name is empty; name the contract".to_owned());
    }
    if terms.rules.is_empty() && terms.pieces.is_empty() {
        faults.push("no [[rule]] and no [[pieces]]; add at least one".to_owned());
    }
    if terms.price_per_tonne.is_some() && terms.currency.is_none() {
        faults.push("price_per_tonne has no currency; add one, such as currency = \"USD\"".into());
    }
    let hundred = Decimal::HUNDRED;
    let mut range = |place: &str, name: &str, value: Option<Decimal>, most: Option<Decimal>| {
        let Some(value) = value else { return };
        if value.is_negative() || most.is_some_and(|m| value > m) {
            let end = most.map_or(" or more".to_owned(), |m| format!(" to {m}"));
            faults.push(format!("{place}{name} is {value}; it must be 0{end}"));
        }
    };
    range("", "price_per_tonne", terms.price_per_tonne, None);
    range("", "cap_percent", terms.cap_percent, Some(hundred));
    for rule in &terms.rules {
        let place = format!("rule \"{}\": ", rule.name);
        range(&place, "free_percent", Some(rule.free_percent), Some(hundred));
        range(&place, "deduct_per_point", rule.deduct_per_point, None);
        range(&place, "cap_percent", rule.cap_percent, Some(hundred));
        range(&place, "refuse_above_percent", rule.refuse_above_percent, Some(hundred));
    }
    for rule in &terms.pieces {
        range(
            &format!("pieces \"{}\": ", rule.name),
            "refuse_above",
            Some(rule.refuse_above),
            None,
        );
    }
    for (name, step) in [("money_step", terms.money_step), ("mass_step_kg", terms.mass_step_kg)] {
        if step <= Decimal::ZERO {
            faults.push(format!("{name} is {step}; it must be above 0"));
        }
    }
    for rule in &terms.rules {
        faults.extend(rule_faults(rule));
    }
    let names = terms.rules.iter().map(|r| &r.name).chain(terms.pieces.iter().map(|p| &p.name));
    let mut seen: Vec<&String> = Vec::new();
    for name in names {
        if seen.contains(&name) {
            faults.push(format!("two rules are named \"{name}\"; give each its own name"));
        }
        seen.push(name);
    }
    faults
}

fn rule_faults(rule: &Rule) -> Vec<String> {
    let mut faults = Vec::new();
    let place = format!("rule \"{}\": ", rule.name);
    if rule.of.is_empty() {
        faults.push(format!("{place}of is empty; name classes, or \"rejects\""));
    }
    for name in &rule.of {
        if name != "rejects" && !Class::ALL.iter().any(|c| c.name() == name) {
            faults.push(format!(
                "{place}\"{name}\" is no class; use sound, shriveled, underripe, debris or rejects"
            ));
        }
    }
    if rule.share_step.is_some_and(|s| s <= Decimal::ZERO) {
        faults.push(format!("{place}share_step must be above 0"));
    }
    if rule.deduct_per_point.is_none() && rule.refuse_above_percent.is_none() {
        faults.push(format!(
            "{place}it neither deducts nor refuses; add deduct_per_point or refuse_above_percent"
        ));
    }
    if rule.deduct_per_point.is_none() && rule.cap_percent.is_some() {
        faults.push(format!("{place}cap_percent without deduct_per_point caps nothing"));
    }
    if rule.refuse_above_percent.is_some_and(|limit| limit < rule.free_percent) {
        faults.push(format!("{place}refuse_above_percent lies below free_percent"));
    }
    if rule.classes().contains(&Class::Sound) {
        faults.push(format!("{place}a rule on sound fruit would punish it; leave sound out"));
    }
    faults
}

/// Remarks on a valid contract that two parties should have read: what overlaps, what is assumed.
pub fn remarks(terms: &Terms) -> Vec<String> {
    let mut remarks = Vec::new();
    for (i, a) in terms.rules.iter().enumerate() {
        for b in &terms.rules[i + 1..] {
            let both = a.deduct_per_point.is_some() && b.deduct_per_point.is_some();
            if let Some(class) = a.classes().iter().find(|c| both && b.classes().contains(c)) {
                remarks.push(format!(
                    "\"{}\" and \"{}\" both deduct for {}: it is charged twice",
                    a.name,
                    b.name,
                    class.name()
                ));
            }
        }
    }
    remarks.push(format!(
        "money is rounded to {} and mass to {} kg, {}",
        terms.money_step,
        terms.mass_step_kg,
        terms.rounding.describe()
    ));
    remarks.push(format!(
        "refusal asks for {} % confidence on either side of the limit",
        Decimal::from_measured(50.0 + 50.0 * terms.confidence.share()).unwrap_or_default()
    ));
    for rule in terms.rules.iter().filter(|r| r.refuse_above_percent.is_some()) {
        let bearer = match rule.doubt {
            Doubt::Grower => "the grower bears the doubt: undecided counts as refused",
            Doubt::Winery => "the winery bears the doubt: undecided counts as accepted",
            Doubt::Open => "nobody bears the doubt: undecided asks for more trays",
        };
        remarks.push(format!("\"{}\": {bearer}", rule.name));
    }
    remarks
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) const HOUSE: &str = r#"
version = 1
name = "House terms"
currency = "USD"
price_per_tonne = "1850.00"

[[rule]]
name = "all rejects"
of = ["rejects"]
free_percent = 2
deduct_per_point = "1.5"
refuse_above_percent = 12
doubt = "grower"

[[rule]]
name = "debris"
of = ["debris"]
free_percent = 0.5
deduct_per_point = 1
off = "weight"

[[pieces]]
name = "stones"
per = "kg"
refuse_above = 1
doubt = "winery"
"#;

    #[test]
    fn a_contract_reads_and_says_what_overlaps() {
        let terms = check(HOUSE).unwrap();
        assert_eq!(terms.rules[0].classes(), REJECTS);
        assert_eq!(terms.rules[1].free_percent.to_string(), "0.5");
        assert_eq!(terms.money_step.to_string(), "0.01");
        let remarks = remarks(&terms);
        assert_eq!(
            remarks,
            [
                "\"all rejects\" and \"debris\" both deduct for debris: it is charged twice",
                "money is rounded to 0.01 and mass to 1 kg, to the nearest, halves up",
                "refusal asks for 97.5 % confidence on either side of the limit",
                "\"all rejects\": the grower bears the doubt: undecided counts as refused",
            ]
        );
        // What was agreed can be written down and read back unchanged.
        let again = check(&toml::to_string(&terms).unwrap()).unwrap();
        assert_eq!(again, terms);
    }

    #[test]
    fn every_fault_is_one_line() {
        for (from, to, wanted) in [
            ("version = 1", "version = 2", "version is 2; this program reads version 1"),
            (
                "of = [\"rejects\"]",
                "of = [\"rot\"]",
                "rule \"all rejects\": \"rot\" is no class; use sound, shriveled, underripe, debris or rejects",
            ),
            (
                "free_percent = 2",
                "free_percent = -2",
                "rule \"all rejects\": free_percent is -2; it must be 0 to 100",
            ),
            (
                "free_percent = 2",
                "free_percent = 20",
                "rule \"all rejects\": refuse_above_percent lies below free_percent",
            ),
            (
                "currency = \"USD\"\n",
                "",
                "price_per_tonne has no currency; add one, such as currency = \"USD\"",
            ),
            (
                "name = \"debris\"",
                "name = \"all rejects\"",
                "two rules are named \"all rejects\"; give each its own name",
            ),
            (
                "of = [\"debris\"]",
                "of = [\"sound\"]",
                "rule \"debris\": a rule on sound fruit would punish it; leave sound out",
            ),
            (
                "deduct_per_point = 1\n",
                "cap_percent = 5\n",
                "rule \"debris\": it neither deducts nor refuses; add deduct_per_point or refuse_above_percent",
            ),
        ] {
            let text = HOUSE.replacen(from, to, 1);
            assert_ne!(text, HOUSE);
            let error = check(&text).unwrap_err();
            assert_eq!(error.0[0], wanted);
            assert!(error.0.iter().all(|line| !line.contains('\n')));
        }
        let typo = HOUSE.replacen("free_percent = 2", "free_pct = 2", 1);
        let error = check(&typo).unwrap_err().to_string();
        assert!(error.starts_with("line 10: unknown field `free_pct`"), "{error}");
        let broken = check("version = 1\nname =").unwrap_err().to_string();
        assert!(broken.starts_with("line 2: ") && !broken.contains('\n'), "{broken}");
        let money = HOUSE.replacen("\"1850.00\"", "\"1,850.00\"", 1);
        assert!(check(&money).unwrap_err().to_string().contains("no decimal number"));
        assert!(check("version = 1\nname = \"x\"").unwrap_err().0[0].starts_with("no [[rule]]"));
    }
}
