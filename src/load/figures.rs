//! All figures of one lot.

use super::loss::{SortingLoss, sorting_loss};
use super::share::{Cluster, Narrowing, Scope, Share, Stage, narrowing, share_of_clusters};
use super::{Basis, Item, LoadError, Lot, LotSettings, REJECTS, Tray};
use crate::classify::{Class, Outcome};

/// Shares of one class, or of several together.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct GroupFigures {
    /// Objects.
    pub count: usize,
    /// Sum of their silhouette areas, mm².
    pub area_mm2: f64,
    /// Sum of their masses, g.
    pub mass_g: f64,
    /// Share by count.
    pub by_count: Share,
    /// Share by silhouette area.
    pub by_area: Share,
    /// Share by mass.
    pub by_mass: Share,
    /// Sum of the objects' calibrated probabilities: the expected count, which hard classes round
    /// object by object. A cross-check; the headline is the hard count.
    pub expected_count: f64,
    /// The same weighted by mass, as a share of all mass.
    pub expected_share_by_mass: f64,
}

impl GroupFigures {
    /// The share on a basis.
    pub fn share(&self, basis: Basis) -> &Share {
        match basis {
            Basis::Count => &self.by_count,
            Basis::Area => &self.by_area,
            Basis::Mass => &self.by_mass,
        }
    }
}

/// Mean and spread of the equivalent diameter, mm.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct DiameterSpread {
    /// Mean, mm.
    pub mean_mm: f64,
    /// Standard deviation with divisor n − 1, mm; none for a single object.
    pub sd_mm: Option<f64>,
}

/// Figures of one class.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ClassFigures {
    /// The class.
    pub class: Class,
    /// Its shares.
    #[serde(flatten)]
    pub figures: GroupFigures,
    /// Its equivalent diameter; none without an object.
    pub diameter: Option<DiameterSpread>,
}

/// Objects unlike anything taught: in every denominator, in no class.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct UnassignedFigures {
    /// Objects.
    pub count: usize,
    /// Their share of all objects.
    pub share_by_count: f64,
    /// Their share of all mass.
    pub share_by_mass: f64,
}

/// All figures of one lot.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct LotFigures {
    /// The lot's name.
    pub lot: String,
    /// Trays.
    pub trays: usize,
    /// Objects on them, unassigned ones included.
    pub objects: usize,
    /// Mass of all objects, g.
    pub mass_g: f64,
    /// One row a class, in the order of [`Class::ALL`].
    pub classes: Vec<ClassFigures>,
    /// Shriveled, underripe and debris together.
    pub rejects: GroupFigures,
    /// Unassigned objects.
    pub unassigned: UnassignedFigures,
    /// Equivalent diameter of all objects but debris and unassigned ones.
    pub berry_diameter: Option<DiameterSpread>,
    /// Bins sampled; none where trays do not record their bin.
    pub bins: Option<usize>,
    /// What further trays (or bins) would do to the rejects' interval by mass.
    pub further: Vec<Narrowing>,
    /// Sorting loss, when the load's mass was given.
    pub loss: Option<SortingLoss>,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
}

impl LotFigures {
    /// The figures of a table's row: a class by its place, rejects after them.
    pub fn row(&self, place: usize) -> &GroupFigures {
        self.classes.get(place).map_or(&self.rejects, |c| &c.figures)
    }
}

/// Computes every figure of one lot.
///
/// # Errors
/// [`LoadError`] when there is nothing to take a share of, a measure cannot be, one tray is given
/// twice, or a setting is outside its range.
pub fn assess_lot(lot: &Lot, settings: &LotSettings) -> Result<LotFigures, LoadError> {
    check(lot, settings)?;
    let sampling = sampling(lot, settings)?;
    let items = || lot.trays.iter().flat_map(|t| t.objects.iter());
    let mut classes = Vec::with_capacity(Class::ALL.len());
    for class in Class::ALL {
        classes.push(ClassFigures {
            class,
            figures: group(lot, &sampling, &[class], settings)?,
            diameter: diameter(items().filter(|i| i.class == Some(class))),
        });
    }
    let rejects = group(lot, &sampling, &REJECTS, settings)?;
    let objects = items().count();
    let mass_g: f64 = items().map(|i| i.mass_g).sum();
    let unassigned = UnassignedFigures {
        count: items().filter(|i| i.class.is_none()).count(),
        share_by_count: items().filter(|i| i.class.is_none()).count() as f64 / objects as f64,
        share_by_mass: items().filter(|i| i.class.is_none()).map(|i| i.mass_g).sum::<f64>()
            / mass_g,
    };
    let loss = settings.load_tonnes.map(|tonnes| {
        let sound = &classes[0].figures.by_mass;
        sorting_loss(tonnes, settings.sorter, &rejects.by_mass, sound)
    });
    let (assumptions, cautions) = words(lot, &sampling, settings, &unassigned, &rejects);
    let bins = match sampling.stage {
        Stage::Trays => None,
        Stage::Bins { .. } => Some(sampling.clusters.len()),
    };
    let further = narrowing(&rejects.by_mass, settings.further, settings.level);
    Ok(LotFigures {
        lot: lot.name.clone(),
        trays: lot.trays.len(),
        objects,
        mass_g,
        classes,
        rejects,
        unassigned,
        berry_diameter: diameter(
            items().filter(|i| !matches!(i.class, None | Some(Class::Debris))),
        ),
        bins,
        further,
        loss,
        assumptions,
        cautions,
    })
}

fn check(lot: &Lot, settings: &LotSettings) -> Result<(), LoadError> {
    for (i, tray) in lot.trays.iter().enumerate() {
        check_tray(tray)?;
        if let Some(number) = tray.number
            && let Some(first) = lot.trays[..i].iter().find(|t| t.number == Some(number))
        {
            return Err(LoadError::SameTray {
                lot: lot.name.clone(),
                number,
                first: first.name.clone(),
                second: tray.name.clone(),
            });
        }
    }
    if lot.trays.iter().all(|t| t.objects.is_empty()) {
        return Err(LoadError::Empty { lot: lot.name.clone() });
    }
    if let Some(tonnes) = settings.load_tonnes
        && !(tonnes > 0.0 && tonnes.is_finite())
    {
        return Err(LoadError::Setting(format!(
            "load mass {tonnes} t cannot be: give the load's tonnes, above 0"
        )));
    }
    if !(settings.assumed_design_effect >= 1.0 && settings.assumed_design_effect.is_finite()) {
        return Err(LoadError::Setting(format!(
            "assumed design effect {} cannot be: give 1 or more",
            settings.assumed_design_effect
        )));
    }
    for (bin, kg) in &settings.bin_masses_kg {
        if !(*kg > 0.0 && kg.is_finite()) {
            return Err(LoadError::Setting(format!(
                "bin {bin} cannot hold {kg} kg: give its fruit mass in kg, above 0"
            )));
        }
    }
    for (name, rate) in [
        ("removal rate", settings.sorter.removal_rate),
        ("false-reject rate", settings.sorter.false_reject_rate),
    ] {
        if !(0.0..=1.0).contains(&rate) {
            return Err(LoadError::Setting(format!(
                "{name} {rate} cannot be: give a share from 0 to 1"
            )));
        }
    }
    Ok(())
}

fn check_tray(tray: &Tray) -> Result<(), LoadError> {
    for (i, item) in tray.objects.iter().enumerate() {
        let fault = |what, value, range| LoadError::Measure {
            tray: tray.name.clone(),
            object: i + 1,
            what,
            value,
            range,
        };
        for (what, value) in [
            ("area_mm2", item.area_mm2),
            ("mass_g", item.mass_g),
            ("equivalent_diameter_mm", item.equivalent_diameter_mm),
        ] {
            if !(value >= 0.0 && value.is_finite()) {
                return Err(fault(what, value, "0 or more"));
            }
        }
        for p in item.probabilities {
            if !(-1e-9..=1.0 + 1e-9).contains(&p) {
                return Err(fault("a probability", p, "from 0 to 1"));
            }
        }
    }
    Ok(())
}

/// Share of some classes together, such as the ones a contract's rule names, on one basis.
///
/// # Errors
/// As [`assess_lot`].
pub fn share_of(
    lot: &Lot,
    classes: &[Class],
    basis: Basis,
    settings: &LotSettings,
) -> Result<Share, LoadError> {
    check(lot, settings)?;
    class_share(lot, &sampling(lot, settings)?, classes, basis, settings)
}

fn is_member(outcome: Outcome, members: &[Class]) -> bool {
    outcome.is_some_and(|c| members.contains(&c))
}

fn class_share(
    lot: &Lot,
    sampling: &Sampling,
    members: &[Class],
    basis: Basis,
    settings: &LotSettings,
) -> Result<Share, LoadError> {
    let items = lot.trays.iter().flat_map(|t| t.objects.iter());
    if items.map(|i| basis.weight(i)).sum::<f64>() <= 0.0 {
        return Err(LoadError::Weightless { lot: lot.name.clone(), basis: basis.name() });
    }
    let tray = |i: &usize| {
        let objects = lot.trays[*i].objects.iter();
        objects.map(|o| (is_member(o.class, members), basis.weight(o))).collect()
    };
    let clusters: Vec<Cluster> = sampling
        .clusters
        .iter()
        .map(|c| Cluster { scale: c.scale, trays: c.trays.iter().map(tray).collect() })
        .collect();
    share_of_clusters(
        &clusters,
        sampling.stage,
        basis == Basis::Count,
        settings.assumed_design_effect,
        settings.level,
    )
    .map_err(|source| LoadError::Stats { lot: lot.name.clone(), source })
}

fn group(
    lot: &Lot,
    sampling: &Sampling,
    members: &[Class],
    settings: &LotSettings,
) -> Result<GroupFigures, LoadError> {
    let items = || lot.trays.iter().flat_map(|t| t.objects.iter());
    let own = || items().filter(|i| is_member(i.class, members));
    let share = |basis: Basis| class_share(lot, sampling, members, basis, settings);
    let expected = |item: &Item| -> f64 {
        let of = |c: &Class| Class::ALL.iter().position(|a| a == c).map(|k| item.probabilities[k]);
        members.iter().filter_map(of).sum()
    };
    // An unassigned object is like nothing taught: its four probabilities say nothing of it.
    let judged = || items().filter(|i| i.class.is_some());
    let mass_g: f64 = items().map(|i| i.mass_g).sum();
    Ok(GroupFigures {
        count: own().count(),
        area_mm2: own().map(|i| i.area_mm2).sum(),
        mass_g: own().map(|i| i.mass_g).sum(),
        by_count: share(Basis::Count)?,
        by_area: share(Basis::Area)?,
        by_mass: share(Basis::Mass)?,
        expected_count: judged().map(expected).sum(),
        expected_share_by_mass: judged().map(|i| expected(i) * i.mass_g).sum::<f64>() / mass_g,
    })
}

fn diameter<'a>(items: impl Iterator<Item = &'a Item>) -> Option<DiameterSpread> {
    let values: Vec<f64> = items.map(|i| i.equivalent_diameter_mm).collect();
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let mean_mm = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean_mm).powi(2)).sum();
    let sd_mm = (values.len() > 1).then(|| (squares / (n - 1.0)).sqrt());
    Some(DiameterSpread { mean_mm, sd_mm })
}

/// How the trays were taken.
struct Sampling {
    stage: Stage,
    clusters: Vec<Members>,
    /// Whether bins are weighted by their mass.
    weighed: bool,
}

/// A bin's trays, or a single tray whose bin is not known.
struct Members {
    scale: f64,
    trays: Vec<usize>,
}

/// Groups trays by bin when every tray names its own; bins in the order of their first tray.
fn sampling(lot: &Lot, settings: &LotSettings) -> Result<Sampling, LoadError> {
    let filled: Vec<usize> =
        (0..lot.trays.len()).filter(|&i| !lot.trays[i].objects.is_empty()).collect();
    if filled.iter().any(|&i| lot.trays[i].bin.is_none()) {
        let clusters = filled.iter().map(|&i| Members { scale: 1.0, trays: vec![i] }).collect();
        return Ok(Sampling { stage: Stage::Trays, clusters, weighed: false });
    }
    let mut bins: Vec<(&str, Members)> = Vec::new();
    for &i in &filled {
        let name = lot.trays[i].bin.as_deref().unwrap_or_default();
        match bins.iter_mut().find(|b| b.0 == name) {
            Some(bin) => bin.1.trays.push(i),
            None => bins.push((name, Members { scale: 1.0, trays: vec![i] })),
        }
    }
    if let Some(all) = settings.bins_in_load
        && (all as usize) < bins.len()
    {
        return Err(LoadError::Setting(format!(
            "{}: trays name {} bins, but the load is said to have {all}; correct the one or the \
             other",
            lot.name,
            bins.len()
        )));
    }
    let weighed = bins.iter().all(|b| settings.bin_masses_kg.contains_key(b.0));
    for (name, bin) in &mut bins {
        let sampled_g: f64 =
            bin.trays.iter().flat_map(|&i| &lot.trays[i].objects).map(|o| o.mass_g).sum();
        if sampled_g <= 0.0 {
            return Err(LoadError::Weightless { lot: lot.name.clone(), basis: "mass" });
        }
        let bin_kg = if weighed { settings.bin_masses_kg.get(*name).copied() } else { None };
        bin.scale = bin_kg.unwrap_or(1.0) / sampled_g;
    }
    Ok(Sampling {
        stage: Stage::Bins { in_load: settings.bins_in_load },
        clusters: bins.into_iter().map(|b| b.1).collect(),
        weighed,
    })
}

fn words(
    lot: &Lot,
    sampling: &Sampling,
    settings: &LotSettings,
    unassigned: &UnassignedFigures,
    rejects: &GroupFigures,
) -> (Vec<String>, Vec<String>) {
    let mut assumptions = vec![
        "Shares are of the objects visible on the trays; rejects are shriveled, underripe and \
         debris together."
            .to_owned(),
    ];
    let mut cautions = Vec::new();
    if unassigned.count > 0 {
        assumptions.push(
            "Unassigned objects are counted in the total but in no class, and not as rejects."
                .to_owned(),
        );
        cautions.push(format!(
            "{} objects are unlike anything taught; were all of them rejects, rejects would be \
             {:.1} % by mass instead of {:.1} %.",
            unassigned.count,
            100.0 * (rejects.by_mass.estimate + unassigned.share_by_mass),
            100.0 * rejects.by_mass.estimate,
        ));
    }
    let filled = lot.trays.iter().filter(|t| !t.objects.is_empty()).count();
    match (rejects.by_mass.scope, sampling.stage) {
        (Scope::OneTray, _) => cautions.push(
            "One tray only: its interval says how well this tray's fruit is known; how much trays \
             of the load differ is not known."
                .to_owned(),
        ),
        (Scope::TheseTraysOnly, _) => cautions.push(format!(
            "Trays of {} only: fewer than three bins give no interval for the load; the intervals \
             speak of these trays' fruit alone.",
            if sampling.clusters.len() == 1 { "one bin" } else { "two bins" }
        )),
        (Scope::Load, Stage::Trays) => {
            assumptions.push(format!(
                "The {filled} trays are taken as clusters drawn at random from the lot; the \
                 intervals carry how much they differ. Their bins are not recorded."
            ));
            if filled == 2 {
                cautions.push(
                    "Two trays only: how much trays differ is known from a single difference, so \
                     the intervals can be very wide. Take three or more."
                        .to_owned(),
                );
            }
        }
        (Scope::Load, Stage::Bins { in_load }) => {
            assumptions.push(format!(
                "The {} bins are taken as drawn at random{}; {}.",
                sampling.clusters.len(),
                in_load.map_or(String::new(), |all| format!(" from the load's {all}")),
                if sampling.weighed {
                    "each counts by its mass"
                } else {
                    "bins not weighed, so each counts alike"
                }
            ));
            if in_load.is_some() && sampling.clusters.iter().all(|c| c.trays.len() < 2) {
                assumptions.push(
                    "No bin gave two trays: trays of one bin are taken to differ by chance only."
                        .to_owned(),
                );
            }
        }
    }
    if sampling.stage == Stage::Trays && lot.trays.iter().any(|t| t.bin.is_some()) {
        cautions.push(
            "Some trays name their bin and some do not: all are taken as trays of unknown bins."
                .to_owned(),
        );
    }
    if let Some(planned) = settings.planned_trays
        && lot.trays.len() != planned as usize
    {
        cautions.push(format!(
            "The plan asked for {planned} trays and {} are in: every planned tray counts, and none \
             may be left out or added for what it shows.",
            lot.trays.len()
        ));
    }
    if Basis::ALL.iter().any(|&b| rejects.share(b).objects == 0)
        && rejects.by_mass.scope == Scope::Load
    {
        assumptions.push(format!(
            "No reject was seen: the upper limits assume a design effect of {} between trays.",
            settings.assumed_design_effect
        ));
    }
    for tray in lot.trays.iter().filter(|t| t.objects.is_empty()) {
        cautions.push(format!("{}: no object was found; the tray adds nothing.", tray.name));
    }
    if settings.load_tonnes.is_some() {
        assumptions.push(format!(
            "Sorting loss: removal rate {:.0} % of rejects, false-reject rate {:.1} % of sound \
             berries, both by mass and taken as known (defaults are common practice, no source); \
             the load is taken to be like the trays, juice and coarse debris not counted.",
            100.0 * settings.sorter.removal_rate,
            100.0 * settings.sorter.false_reject_rate,
        ));
    }
    (assumptions, cautions)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::SorterRates;
    use crate::stats::testdata::close;

    pub(crate) fn item(class: Outcome, mass_g: f64) -> Item {
        let mut probabilities = [0.0; 4];
        if let Some(k) = class.and_then(|c| Class::ALL.iter().position(|a| *a == c)) {
            probabilities[k] = 1.0;
        }
        Item {
            class,
            probabilities,
            area_mm2: 100.0 * mass_g,
            mass_g,
            equivalent_diameter_mm: 12.0 + mass_g,
        }
    }

    /// check-values.md section 8 (COMPUTED): counts 930/34/26/10 with mean masses
    /// 1.45/0.55/0.80/0.30 g give 96.944644/1.344357/1.495327/0.215672 % by mass.
    fn thousand() -> Lot {
        let mut objects = Vec::new();
        for (class, count, mass) in [
            (Class::Sound, 930, 1.45),
            (Class::Shriveled, 34, 0.55),
            (Class::Underripe, 26, 0.80),
            (Class::Debris, 10, 0.30),
        ] {
            objects.extend((0..count).map(|_| item(Some(class), mass)));
        }
        Lot {
            name: "demo".into(),
            trays: vec![Tray { name: "t1".into(), objects, ..Tray::default() }],
        }
    }

    #[test]
    fn count_and_mass_shares_differ_as_computed_outside() {
        let settings = LotSettings { load_tonnes: Some(10.0), ..LotSettings::default() };
        let found = assess_lot(&thousand(), &settings).unwrap();
        close(found.mass_g, 1391.0, 1e-9, "total");
        for (figures, by_count, by_mass) in [
            (&found.classes[0].figures, 0.930, 0.96944644),
            (&found.classes[1].figures, 0.034, 0.01344357),
            (&found.classes[2].figures, 0.026, 0.01495327),
            (&found.classes[3].figures, 0.010, 0.00215672),
        ] {
            close(figures.by_count.estimate, by_count, 1e-12, "count");
            close(figures.by_mass.estimate, by_mass, 5e-9, "mass");
            close(figures.expected_share_by_mass, by_mass, 5e-9, "expected");
            assert!(figures.by_mass.interval.width() > 0.0);
        }
        close(found.rejects.by_mass.estimate, 1.0 - 0.96944644, 1e-8, "rejects");
        // 10 t: 1000·10·0.80·P_rejects and 1000·10·0.02·P_sound by hand.
        let loss = found.loss.unwrap();
        close(loss.rejects.kg, 8000.0 * 42.5 / 1391.0, 1e-9, "rejects kg");
        close(loss.sound.kg, 200.0 * 1348.5 / 1391.0, 1e-9, "sound kg");
        close(loss.total.kg, loss.rejects.kg + loss.sound.kg, 1e-9, "total kg");
        assert!(loss.total.low_kg < loss.total.kg && loss.total.kg < loss.total.high_kg);
        assert_eq!(found.classes[0].diameter.unwrap().sd_mm.map(|s| s < 1e-9), Some(true));
    }

    #[test]
    fn unassigned_objects_stay_in_the_denominator() {
        let mut lot = thousand();
        lot.trays[0].objects.extend((0..50).map(|_| item(None, 1.0)));
        let found = assess_lot(&lot, &LotSettings::default()).unwrap();
        close(found.classes[0].figures.by_count.estimate, 930.0 / 1050.0, 1e-12, "sound");
        let sum: f64 = found.classes.iter().map(|c| c.figures.by_mass.estimate).sum();
        close(sum + found.unassigned.share_by_mass, 1.0, 1e-12, "shares and unassigned");
        assert_eq!(found.unassigned.count, 50);
        assert!(found.cautions.iter().any(|c| c.starts_with("50 objects are unlike")));
    }

    #[test]
    fn refusals_say_what_and_where() {
        let settings = LotSettings::default();
        let empty = Lot { name: "L1 SORTED".into(), trays: vec![Tray::default()] };
        assert!(matches!(assess_lot(&empty, &settings), Err(LoadError::Empty { .. })));
        let mut lot = thousand();
        lot.trays[0].objects[4].mass_g = f64::NAN;
        assert_eq!(
            assess_lot(&lot, &settings).unwrap_err().to_string(),
            "t1: object 5 has mass_g NaN; it must be 0 or more"
        );
        let mut lot = thousand();
        lot.trays[0].number = Some(3);
        let mut again = lot.trays[0].clone();
        again.name = "t1-again".into();
        lot.trays.push(again);
        assert_eq!(
            assess_lot(&lot, &settings).unwrap_err().to_string(),
            "t1 and t1-again are both tray 3 of demo: one is a retake; give only the one that counts"
        );
        let mut lot = thousand();
        lot.trays[0].objects.iter_mut().for_each(|i| i.mass_g = 0.0);
        assert!(matches!(assess_lot(&lot, &settings), Err(LoadError::Weightless { .. })));
        let bad = LotSettings { load_tonnes: Some(-1.0), ..LotSettings::default() };
        assert!(matches!(assess_lot(&thousand(), &bad), Err(LoadError::Setting(_))));
        let bad = LotSettings {
            sorter: SorterRates { removal_rate: 80.0, ..SorterRates::default() },
            ..LotSettings::default()
        };
        assert!(matches!(assess_lot(&thousand(), &bad), Err(LoadError::Setting(_))));
    }

    #[test]
    fn bins_are_weighed_when_all_masses_are_known() {
        let tray = |name: &str, bin: &str, rejects: usize, mass: f64| Tray {
            name: name.into(),
            bin: Some(bin.into()),
            objects: (0..100)
                .map(|i| {
                    let class = if i < rejects { Class::Underripe } else { Class::Sound };
                    item(Some(class), mass)
                })
                .collect(),
            ..Tray::default()
        };
        // The tray of bin 7 holds twice the mass of the others, but its bin counts alike.
        let lot = Lot {
            name: "L".into(),
            trays: vec![tray("a", "3", 10, 1.0), tray("b", "7", 40, 2.0), tray("c", "9", 10, 1.0)],
        };
        let mut settings = LotSettings { bins_in_load: Some(12), ..LotSettings::default() };
        let alike = assess_lot(&lot, &settings).unwrap();
        close(alike.rejects.by_mass.estimate, 0.2, 1e-12, "alike");
        assert_eq!(alike.bins, Some(3));
        assert!(alike.assumptions.iter().any(|a| a.contains("each counts alike")));
        assert!(alike.assumptions.iter().any(|a| a.contains("differ by chance only")));
        for (bin, kg) in [("3", 500.0), ("7", 250.0), ("9", 250.0)] {
            settings.bin_masses_kg.insert(bin.into(), kg);
        }
        let weighed = assess_lot(&lot, &settings).unwrap();
        close(weighed.rejects.by_mass.estimate, 0.5 * 0.1 + 0.25 * 0.4 + 0.25 * 0.1, 1e-12, "kg");
        let rule = [Class::Shriveled, Class::Underripe];
        let share = share_of(&lot, &rule, Basis::Mass, &settings).unwrap();
        assert_eq!(share, weighed.rejects.by_mass);
        // By count: 500/1, 250/2 and 250/1 times the objects of the trays.
        let berries = [500.0, 125.0, 250.0];
        let wanted = (0.1 * berries[0] + 0.4 * berries[1] + 0.1 * berries[2]) / (875.0_f64);
        close(weighed.rejects.by_count.estimate, wanted, 1e-12, "count");
        settings.planned_trays = Some(4);
        let short = assess_lot(&lot, &settings).unwrap();
        assert!(short.cautions.iter().any(|c| c.contains("asked for 4 trays and 3 are in")));
        settings.bins_in_load = Some(2);
        assert!(matches!(assess_lot(&lot, &settings), Err(LoadError::Setting(_))));
    }

    #[test]
    fn several_trays_are_wider_than_one_big_one_when_they_differ() {
        let tray = |name: &str, rejects: usize| Tray {
            name: name.into(),
            objects: (0..100)
                .map(|i| item(Some(if i < rejects { Class::Shriveled } else { Class::Sound }), 1.0))
                .collect(),
            ..Tray::default()
        };
        let differing = Lot {
            name: "x".into(),
            trays: vec![tray("a", 2), tray("b", 20), tray("c", 5), tray("d", 13)],
        };
        let mut pooled = differing.clone();
        pooled.trays = vec![Tray {
            name: "all".into(),
            objects: differing.trays.iter().flat_map(|t| t.objects.clone()).collect(),
            ..Tray::default()
        }];
        let of = |lot: &Lot| assess_lot(lot, &LotSettings::default()).unwrap();
        let (apart, together) = (of(&differing), of(&pooled));
        assert!(
            apart.rejects.by_mass.interval.width()
                > 2.0 * together.rejects.by_mass.interval.width()
        );
        assert!(together.cautions.iter().any(|c| c.starts_with("One tray only")));
    }
}
