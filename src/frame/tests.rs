#![allow(clippy::unwrap_used)]

use super::*;
use proptest::prelude::*;

fn near(a: [f64; 2], b: [f64; 2], tol: f64) -> bool {
    (a[0] - b[0]).abs() <= tol && (a[1] - b[1]).abs() <= tol
}

#[test]
fn homography_as_opencv_has_it() {
    // OpenCV getPerspectiveTransform on the same four pairs, h33 = 1.
    let from = [[120.0, 80.0], [1820.0, 140.0], [1760.0, 1010.0], [90.0, 960.0]];
    let to = [[0.0, 0.0], [600.0, 0.0], [600.0, 400.0], [0.0, 400.0]];
    let want: Homography = [
        [0.348_076_307_262_260_8, 0.011_866_237_747_577_045, -42.718_455_891_277_465],
        [-0.015_698_927_425_208_536, 0.444_802_943_714_241_84, -33.700_364_206_114_32],
        [-5.336_925_414_985_838e-6, -2.059_977_185_877_988e-5, 1.0],
    ];
    let h = homography(&from, &to).unwrap();
    for r in 0..3 {
        for c in 0..3 {
            let scale = want[r][c].abs().max(1e-6);
            assert!((h[r][c] - want[r][c]).abs() < 1e-9 * scale.max(1e-3), "{r} {c}: {h:?}");
        }
    }
    for (p, q) in [
        ([1000.0, 500.0], [316.235_891_22, 175.750_355_38]),
        ([400.0, 300.0], [100.910_983_06, 94.244_563_34]),
        ([1700.0, 900.0], [575.584_239_30, 349.587_106_21]),
    ] {
        assert!(near(apply(&h, p), q, 1e-7));
    }
    let back = invert(&h).unwrap();
    assert!(near(apply(&back, [300.0, 200.0]), [951.632_190_13, 551.596_302_94], 1e-7));
}

#[test]
fn homography_of_the_unit_square_onto_a_trapezium() {
    // Exact by hand: [2 1 0; 0 2 0; 0 1 1].
    let from = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let h = homography(&from, &[[0.0, 0.0], [2.0, 0.0], [1.5, 1.0], [0.5, 1.0]]).unwrap();
    let want = [[2.0, 1.0, 0.0], [0.0, 2.0, 0.0], [0.0, 1.0, 1.0]];
    for r in 0..3 {
        for c in 0..3 {
            assert!((h[r][c] - want[r][c]).abs() < 1e-12, "{h:?}");
        }
    }
}

#[test]
fn points_that_determine_nothing_give_none() {
    let line = [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0]];
    let square = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    assert!(homography(&line, &square).is_none());
    assert!(homography(&square[..3], &square[..3]).is_none());
    assert!(homography(&square, &[[5.0, 5.0]; 4]).is_none_or(|h| invert(&h).is_none()));
    assert!(invert(&[[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 0.0, 1.0]]).is_none());
}

#[test]
fn focal_length_is_by_the_diagonal() {
    // A 36 x 24 picture is the film frame itself: 50 mm are 50/36 of its width.
    assert!((focal_px(50.0, 3600, 2400, 0.0) - 5000.0).abs() < 1e-9);
    // 4:3 has the same diagonal angle, not the same width.
    let f = focal_px(26.0, 4000, 3000, 0.0);
    let half_angle = (5000.0 / 2.0 / f).atan();
    assert!((half_angle - (FILM_DIAGONAL_MM / 2.0 / 26.0).atan()).abs() < 1e-12);
    assert!((focal_px(26.0, 4000, 3000, 0.01) / f - (1.0 + 0.01 * 1.5625)).abs() < 1e-12);
    assert_eq!(focal_px(26.0, 4000, 3000, -0.01), f);
}

/// Homography of a camera at `position` (height positive), tilted about its own axes by `a`, `b`
/// and turned by `c` (radians).
fn pinhole(position: [f64; 3], angles: [f64; 3], focal: f64, centre: Px) -> Homography {
    let (rx, ry, rz) = (
        nalgebra::Rotation3::from_axis_angle(&nalgebra::Vector3::x_axis(), angles[0]),
        nalgebra::Rotation3::from_axis_angle(&nalgebra::Vector3::y_axis(), angles[1]),
        nalgebra::Rotation3::from_axis_angle(&nalgebra::Vector3::z_axis(), angles[2]),
    );
    let r = (rx * ry * rz).into_inner();
    // z points into the floor, so a camera above it is at −height.
    let c = nalgebra::Vector3::new(position[0], position[1], -position[2]);
    let t = -(r * c);
    let k = nalgebra::Matrix3::new(focal, 0.0, centre[0], 0.0, focal, centre[1], 0.0, 0.0, 1.0);
    let m = k * nalgebra::Matrix3::from_columns(&[r.column(0).into(), r.column(1).into(), t]);
    from_matrix(&(m / m[(2, 2)]))
}

fn tile_corners() -> (Vec<Mm>, Vec<Mm>) {
    let mut mm = Vec::new();
    let mut centres = Vec::new();
    for c in [[18.0, 18.0], [312.0, 18.0], [312.0, 232.0], [18.0, 232.0]] {
        for s in [[-12.0, -12.0], [12.0, -12.0], [12.0, 12.0], [-12.0, 12.0]] {
            mm.push([c[0] + s[0], c[1] + s[1]]);
            centres.push(c);
        }
    }
    (mm, centres)
}

proptest! {
    #[test]
    fn lens_round_trips(
        k1 in -0.1f64..0.1, x in 0.0f64..3999.0, y in 0.0f64..2999.0,
    ) {
        let lens = Lens::centred(4000, 3000, k1);
        let u = lens.undistort([x, y]);
        let p = lens.distort(u);
        prop_assert!(near(p, [x, y], 1e-6), "{p:?}");
        let lens = Lens { k1: 0.0, ..lens };
        prop_assert_eq!(lens.distort([x, y]), [x, y]);
    }

    #[test]
    fn homographies_invert(
        ax in -200.0f64..200.0, ay in -200.0f64..200.0, bx in -200.0f64..200.0,
        by in -200.0f64..200.0, x in 0.0f64..330.0, y in 0.0f64..250.0,
    ) {
        let from = [[0.0, 0.0], [330.0, 0.0], [330.0, 250.0], [0.0, 250.0]];
        let to = [[300.0, 250.0], [2800.0 + ax, 260.0 + ay], [2750.0 + bx, 2100.0 + by],
                  [280.0, 2000.0]];
        let h = homography(&from, &to).unwrap();
        for (f, t) in from.iter().zip(&to) {
            prop_assert!(near(apply(&h, *f), *t, 1e-6));
        }
        let back = invert(&h).unwrap();
        prop_assert!(near(apply(&back, apply(&h, [x, y])), [x, y], 1e-6));
    }

    #[test]
    fn a_pinhole_camera_is_found_again(
        height in 250.0f64..900.0, cx in 50.0f64..280.0, cy in 50.0f64..200.0,
        tilt_x in -0.25f64..0.25, tilt_y in -0.25f64..0.25, turn in -3.1f64..3.1,
        k1 in -0.015f64..0.02, scale in 0.99f64..1.01,
    ) {
        let (w, h) = (4000, 3000);
        let lens = Lens::centred(w, h, k1);
        let focal = focal_px(30.0, w, h, k1);
        let m = pinhole([cx, cy, height], [tilt_x, tilt_y, turn], focal, lens.centre_px);
        let (mm, centres) = tile_corners();
        let px: Vec<Px> = mm
            .iter()
            .zip(&centres)
            .map(|(p, c)| {
                let q = [c[0] + (p[0] - c[0]) * scale, c[1] + (p[1] - c[1]) * scale];
                lens.distort(apply(&m, q))
            })
            .collect();
        // The lens model turns back on itself far outside the picture.
        prop_assume!(px.iter().all(|p| (-500.0..4500.0).contains(&p[0])
            && (-500.0..3500.0).contains(&p[1])));
        let prior = FitPrior { k1_chi2: 0.0, k1_sd: 10.0, ..FitPrior::default() };
        let fit = fit_points(&mm, &centres, &px, w, h, &prior).unwrap();
        prop_assert!(fit.rms_px < 0.02, "{}", fit.rms_px);
        prop_assert!((fit.lens.k1 - k1).abs() < 3e-4, "{} for {k1}", fit.lens.k1);
        prop_assert!((fit.symbol_scale - scale).abs() < 1e-3);
        let focal = focal_px(30.0, w, h, fit.lens.k1);
        let found = camera_position(&fit.mm_to_px, &fit.lens, focal).unwrap();
        prop_assert!((found[2] / height - 1.0).abs() < 2e-3, "{found:?} for {height}");
        prop_assert!((found[0] - cx).abs() < 0.01 * height && (found[1] - cy).abs() < 0.01 * height);
    }
}

#[test]
fn a_lens_term_is_kept_only_when_it_is_needed() {
    let lens = Lens::centred(3000, 2250, 0.0);
    let m = pinhole([165.0, 125.0, 444.0], [0.03, -0.02, 0.0], 3466.0, lens.centre_px);
    let (mm, centres) = tile_corners();
    // Corner noise of 0.05 px from a fixed sequence (linear congruential generator).
    let mut state = 12345u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        ((state >> 33) as f64 / f64::from(1u32 << 31) - 0.5) * 0.17
    };
    let px: Vec<Px> = mm
        .iter()
        .map(|p| {
            let q = apply(&m, *p);
            [q[0] + noise(), q[1] + noise()]
        })
        .collect();
    let fit = fit_points(&mm, &centres, &px, 3000, 2250, &FitPrior::default()).unwrap();
    assert_eq!(fit.lens.k1, 0.0);
    assert!(fit.rms_px < 0.08, "{}", fit.rms_px);
    let bent = Lens { k1: 0.004, ..lens };
    let px: Vec<Px> = px.iter().map(|p| bent.distort(*p)).collect();
    let fit = fit_points(&mm, &centres, &px, 3000, 2250, &FitPrior::default()).unwrap();
    assert!((fit.lens.k1 - 0.004).abs() < 5e-4, "{}", fit.lens.k1);
}

#[test]
fn the_frame_maps_both_ways_and_knows_its_scale() {
    let (w, h) = (3000, 2250);
    let lens = Lens::centred(w, h, 0.01);
    let mm_to_px = pinhole([165.0, 125.0, 444.5], [0.1, -0.05, 0.2], 3466.0, lens.centre_px);
    let frame = TrayFrame {
        source: FrameSource::FourTiles,
        tray_mm: Some([330.0, 250.0]),
        mm_to_px,
        px_to_mm: invert(&mm_to_px).unwrap(),
        lens,
        camera_mm: [165.0, 125.0, 444.5],
        camera_source: CameraSource::Given,
        px_per_mm: 7.8,
        reprojection_rms_px: None,
    };
    for m in [[0.0, 0.0], [165.0, 125.0], [330.0, 250.0], [12.5, 201.0]] {
        assert!(near(frame.to_mm(frame.to_px(m)), m, 1e-8));
        // A pixel's area is the inverse square of the local scale.
        let s = frame.px_per_mm_at(m);
        assert!((frame.px_area_mm2(frame.to_px(m)) * s * s - 1.0).abs() < 1e-3);
    }
}
