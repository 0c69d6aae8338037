use super::*;
use crate::finding::{ColourSource, PatchColours};

fn good() -> Facts {
    Facts {
        edges: Some(EdgeWidth { along_x_px: 1.8, along_y_px: 1.9 }),
        edges_of_tiles: true,
        paper_code: Some(235.0),
        ink_code: Some(30.0),
        bright_code: 220.0,
        clipped_share: 0.01,
        object_clipped_share: 0.01,
        cut_objects: None,
        frame: Some(FrameFacts {
            source: FrameSource::FourTiles,
            tiles: 4,
            room_mm: Some(9.0),
            px_per_mm: 7.5,
            tilt_deg: Some(3.0),
        }),
    }
}

fn refused(facts: &Facts) -> Vec<&'static str> {
    weighing(facts, Severity::Refusal)
}

fn weighing(facts: &Facts, severity: Severity) -> Vec<&'static str> {
    judge(facts, &CheckSettings::default())
        .into_iter()
        .filter(|f| f.severity == severity)
        .map(|f| f.check)
        .collect()
}

#[test]
fn a_good_photograph_has_only_fine_findings() {
    let found = judge(&good(), &CheckSettings::default());
    assert!(found.len() >= 7);
    assert!(found.iter().all(|f| f.severity == Severity::Fine), "{found:?}");
    assert!(found.iter().all(|f| f.value.is_some() && f.limit.is_some()));
}

/// Just inside passes, just outside refuses, and the refusal tells its number, limit and remedy.
fn at_the_limit(check: &str, set: impl Fn(&mut Facts, bool)) {
    let mut facts = good();
    set(&mut facts, true);
    assert_eq!(refused(&facts), Vec::<&str>::new(), "just inside {check}");
    set(&mut facts, false);
    assert_eq!(refused(&facts), [check], "just outside {check}");
    let first = judge(&facts, &CheckSettings::default()).swap_remove(0);
    assert_eq!(first.check, check, "worst first");
    assert!(first.value.is_some() && first.limit.is_some());
    assert!(first.message.contains(';') && !first.message.contains('\n'), "{}", first.message);
}

#[test]
fn every_limit_passes_just_inside_and_refuses_just_outside() {
    let s = CheckSettings::default();
    let e = |inside: bool| if inside { -1e-6 } else { 1e-6 };
    at_the_limit("out-of-focus", |f, i| {
        let w = s.max_edge_px + e(i);
        f.edges = Some(EdgeWidth { along_x_px: w, along_y_px: w - 0.1 });
    });
    at_the_limit("motion-blur", |f, i| {
        let w = s.max_edge_px + e(i);
        f.edges = Some(EdgeWidth { along_x_px: w / s.motion_ratio - 0.1, along_y_px: w });
    });
    at_the_limit("too-dark", |f, i| f.paper_code = Some(s.min_paper_code - e(i)));
    at_the_limit("too-dark", |f, i| {
        f.paper_code = None;
        f.bright_code = s.min_bright_code - e(i);
    });
    at_the_limit("over-exposed", |f, i| f.clipped_share = s.max_clipped_share + e(i));
    at_the_limit("washed-out", |f, i| f.ink_code = Some(s.max_ink_code + e(i)));
    at_the_limit("clipped-highlights", |f, i| {
        f.object_clipped_share = s.max_object_clipped_share + e(i);
    });
    at_the_limit("tray-cropped", |f, i| {
        f.cut_objects = Some(s.max_cut_objects + usize::from(!i));
    });
    let frame = |f: &mut Facts, change: &dyn Fn(&mut FrameFacts)| {
        f.frame.iter_mut().for_each(change);
    };
    at_the_limit("tray-cropped", |f, i| {
        frame(f, &|f| f.room_mm = Some(s.min_room_mm - e(i)));
    });
    at_the_limit("too-few-pixels", |f, i| {
        frame(f, &|f| f.px_per_mm = s.min_object_px / s.smallest_object_mm - e(i));
    });
    at_the_limit("tilted", |f, i| frame(f, &|f| f.tilt_deg = Some(s.max_tilt_deg + e(i))));
}

#[test]
fn cautions_come_before_refusals_on_the_way_out() {
    let s = CheckSettings::default();
    let mut f = good();
    f.clipped_share = s.caution_clipped_share + 1e-6;
    f.object_clipped_share = s.caution_object_clipped_share + 1e-6;
    f.edges = Some(EdgeWidth { along_x_px: s.caution_edge_px + 1e-6, along_y_px: 3.4 });
    if let Some(frame) = &mut f.frame {
        frame.tiles = 3;
        frame.px_per_mm = s.caution_object_px / s.smallest_object_mm - 1e-6;
        frame.tilt_deg = Some(s.caution_tilt_deg + 1e-6);
    }
    let beware = weighing(&f, Severity::Caution);
    assert_eq!(
        beware,
        [
            "over-exposed",
            "clipped-highlights",
            "out-of-focus",
            "mark-missing",
            "too-few-pixels",
            "tilted"
        ]
    );
    assert!(refused(&f).is_empty());
}

#[test]
fn colours_are_told_with_a_caution_just_outside() {
    let s = CheckSettings::default();
    let facts = |paper: f64, patches: f64| ColourFacts {
        source: ColourSource::Paper,
        paper_code: Some(paper),
        paper_evenness: Some(0.9),
        grey_patches_delta_e00: Some(patches),
        grey_patches_by_paper_delta_e00: Some(patches),
        patches: PatchColours::Nominal,
        tone_gain: [1.0; 3],
        grey: false,
    };
    let beware = |f: &ColourFacts| -> Vec<&str> {
        colour(f, &s).iter().filter(|f| f.severity == Severity::Caution).map(|f| f.check).collect()
    };
    let (p, d) = (s.caution_paper_code, s.caution_patch_delta_e00);
    assert_eq!(beware(&facts(p - 1e-6, d - 1e-6)), Vec::<&str>::new());
    assert_eq!(beware(&facts(p + 1e-6, d - 1e-6)), ["paper-burnt-out"]);
    assert_eq!(beware(&facts(p - 1e-6, d + 1e-6)), ["colour-cast"]);
    // A grey picture has no cast.
    let grey = ColourFacts { grey: true, ..facts(100.0, 9.0) };
    assert_eq!(beware(&grey), Vec::<&str>::new());
    // Light that leaves a tile in the dark is refused.
    let uneven = |part: f64| {
        let facts = ColourFacts { paper_evenness: Some(part), ..facts(200.0, 1.0) };
        colour(&facts, &s).into_iter().find(|f| f.check == "uneven-light").map(|f| f.severity)
    };
    assert_eq!(uneven(s.caution_evenness), Some(Severity::Fine));
    assert_eq!(uneven(s.caution_evenness - 1e-6), Some(Severity::Caution));
    assert_eq!(uneven(s.min_evenness), Some(Severity::Caution));
    assert_eq!(uneven(s.min_evenness - 1e-6), Some(Severity::Refusal));
}

#[test]
fn in_the_dark_neither_edges_nor_border_are_judged() {
    let mut f = good();
    f.paper_code = Some(60.0);
    f.edges = Some(EdgeWidth { along_x_px: 20.0, along_y_px: 20.0 });
    f.cut_objects = Some(50);
    assert_eq!(refused(&f), ["too-dark"]);
}

#[test]
fn an_empty_tray_is_refused() {
    let s = CheckSettings::default();
    assert_eq!(fruit(s.min_objects - 1, &s).severity, Severity::Refusal);
    assert_eq!(fruit(s.min_objects, &s).severity, Severity::Caution);
    assert_eq!(fruit(s.caution_objects, &s).severity, Severity::Fine);
}

/// The normal distribution's integral (Abramowitz and Stegun 26.2.17, error below 1e-7).
fn phi(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * x.abs());
    let b = [0.319_381_530, -0.356_563_782, 1.781_477_937, -1.821_255_978, 1.330_274_429];
    let poly = b.iter().rev().fold(0.0, |sum, c| (sum + c) * t);
    let tail = (-x * x / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt() * poly;
    if x >= 0.0 { 1.0 - tail } else { tail }
}

/// Discs on a grid whose edges are blurred by `sx` along x and `sy` along y, px.
fn discs(sx: f64, sy: f64) -> Photo {
    let rgb = RgbImage::from_fn(900, 700, |x, y| {
        let centre = |v: u32| f64::from(v % 100) - 50.0;
        let (dx, dy) = (centre(x), centre(y));
        let r = dx.hypot(dy).max(1e-9);
        let blur = (sx * dx / r).hypot(sy * dy / r);
        let code = 40.0 + 180.0 * phi((r - 30.0) / blur);
        image::Rgb([code.round() as u8; 3])
    });
    Photo { rgb, grey: false, exif: Default::default(), sha256: String::new(), notes: Vec::new() }
}

#[test]
fn edge_width_of_a_gaussian_blur_is_its_own_at_any_slant() {
    // Its steepest slope over one pixel is contrast · (Φ(1/2s) − Φ(−1/2s)).
    let s = CheckSettings::default();
    for blur in [1.0, 1.5, 2.0, 3.0] {
        let found = measure(&discs(blur, blur), None, &s).edges.expect("edges");
        let expected = 1.0 / (2.0 * phi(0.5 / blur) - 1.0);
        for w in [found.along_x_px, found.along_y_px] {
            assert!((w / expected - 1.0).abs() < 0.06, "{w} for {expected}");
        }
    }
}

#[test]
fn blurs_just_inside_and_outside_the_limit_are_told_apart_from_motion() {
    let s = CheckSettings::default();
    let at_limit = s.max_edge_px / (2.0 * std::f64::consts::PI).sqrt();
    let first = |photo: &Photo| {
        judge(&Facts { cut_objects: None, ..measure(photo, None, &s) }, &s).swap_remove(0)
    };
    let inside = first(&discs(0.9 * at_limit, 0.9 * at_limit));
    assert_eq!((inside.check, inside.severity), ("out-of-focus", Severity::Caution));
    let outside = first(&discs(1.1 * at_limit, 1.1 * at_limit));
    assert_eq!((outside.check, outside.severity), ("out-of-focus", Severity::Refusal));
    let moved = first(&discs(2.0 * at_limit, 0.5 * at_limit));
    assert_eq!((moved.check, moved.severity), ("motion-blur", Severity::Refusal));
}

#[test]
fn light_is_measured_as_painted() {
    let s = CheckSettings::default();
    let paint = |burnt: u32, code: u8| {
        let rgb = RgbImage::from_fn(500, 400, |x, _| {
            if x < burnt {
                image::Rgb([255; 3])
            } else if x % 2 == 0 {
                image::Rgb([255, code / 2, 20])
            } else {
                image::Rgb([code; 3])
            }
        });
        light(&rgb, None, &s)
    };
    let l = paint(200, 150);
    assert!((l.clipped - 0.4).abs() < 0.01, "{}", l.clipped);
    assert!((l.object_clipped - 1.0).abs() < 1e-9);
    // Grey of (255, 40, 20) is 88.75.
    assert_eq!(paint(0, 80).bright, 88.0);
}

#[test]
fn objects_cut_by_the_border_are_counted() {
    let discs_at = |inset: i64| {
        RgbImage::from_fn(1000, 750, |x, y| {
            let (x, y) = (i64::from(x), i64::from(y));
            let hit =
                (0..5).any(|k| (x - 120 - 180 * k).pow(2) + (y - inset).pow(2) < 25i64.pow(2));
            image::Rgb(if hit { [40; 3] } else { [210; 3] })
        })
    };
    assert_eq!(cut_objects(&discs_at(3)), 5);
    assert_eq!(cut_objects(&discs_at(60)), 0);
}

#[test]
fn a_camera_of_many_pixels_may_have_wide_edges() {
    let s = CheckSettings::default();
    let mut f = good();
    let width = s.max_edge_px + 1.0;
    f.edges = Some(EdgeWidth { along_x_px: width, along_y_px: width });
    for (factor, expected) in [(1.01, vec![]), (0.99, vec!["out-of-focus"])] {
        f.frame.iter_mut().for_each(|f| f.px_per_mm = factor * width / s.fine_edge_mm);
        assert_eq!(refused(&f), expected);
    }
}
