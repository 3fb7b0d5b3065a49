//! NbTi: `tests/reference/nbti_critical_surface.csv` (an independent scipy solution of Bottura's
//! fit), check values of the trade, Monte Carlo of the margin.

use std::collections::BTreeMap;

use coldledger::magnet::{
    CriticalSurface, CriticalSurfaceError, CriticalSurfaceParameters, Figure, Margin, MarginInput,
    Sharing, Strand, load_line_fraction, margin,
};

use crate::random::{Random, Scatter, assert_close};
use crate::reference::{Worst, rows};

/// The parameter sets of `nbti_parameters.csv`, by name.
pub fn surfaces() -> BTreeMap<String, CriticalSurface> {
    rows("nbti_parameters.csv")
        .iter()
        .map(|row| {
            let parameters = CriticalSurfaceParameters {
                reference_a_per_m2: row.number("Jref_A_m2"),
                c0_t: row.number("C0_T"),
                bc20_t: row.number("Bc20_T"),
                tc0_k: row.number("Tc0_K"),
                alpha: row.number("alpha"),
                beta: row.number("beta"),
                gamma: row.number("gamma"),
            };
            let surface = CriticalSurface::new(parameters).unwrap();
            (row.text("set").to_owned(), surface)
        })
        .collect()
}

/// A strand of 1 mm2 of superconductor, so that A and A/mm2 are the same number.
fn unit_strand() -> Strand {
    Strand::from_ratio(2e-6, 1.0).unwrap()
}

#[test]
fn reference_file() {
    let surfaces = surfaces();
    let mut field = Worst::new("nbti_critical_surface.csv, Bc2, relative");
    let mut critical = Worst::new("nbti_critical_surface.csv, Tc, K");
    let mut density = Worst::new("nbti_critical_surface.csv, Jc, relative");
    let mut sharing = Worst::new("nbti_critical_surface.csv, Tcs, K");
    let mut distance = Worst::new("nbti_critical_surface.csv, margin, K");
    let mut lost = 0;
    for row in rows("nbti_critical_surface.csv") {
        let surface = &surfaces[row.text("set")];
        let (b, t) = (row.number("B_T"), row.number("T_K"));
        let place = format!("{} {b} T {t} K", row.text("set"));
        field.relative(
            surface.upper_critical_field_t(t).unwrap(),
            row.number("Bc2_T"),
            &place,
        );
        let tc = surface.critical_temperature_k(b).unwrap();
        critical.note((tc - row.number("Tc_K")).abs(), &place);
        let jc = surface.critical_current_density_a_per_m2(b, t).unwrap();
        let expected = row.number("Jc_A_m2");
        let current = if expected == 0.0 {
            1.0
        } else {
            row.number("J_A_m2") * 1e-6
        };
        let stood = margin(
            surface,
            &unit_strand(),
            &MarginInput {
                temperature_k: Figure::new(t, 0.0),
                current_a: Figure::new(current, 0.0),
                load_line_t_per_a: Figure::new(b / current, 0.0),
                strand_share: 1.0,
                critical_current_std: 0.0,
            },
        )
        .unwrap();
        if expected == 0.0 {
            assert_eq!(jc, 0.0, "{place}");
            assert!(matches!(stood, Margin::Lost { .. }), "{place}: {stood:?}");
            lost += 1;
            continue;
        }
        density.relative(jc, expected, &place);
        let Sharing::At(tcs) = surface.current_sharing(b, row.number("J_A_m2")).unwrap() else {
            panic!("{place}: no current-sharing temperature");
        };
        sharing.note((tcs - row.number("Tcs_K")).abs(), &place);
        let Margin::Standing(figures) = stood else {
            panic!("{place}: {stood:?}");
        };
        distance.note(
            (figures.margin_k.value - row.number("margin_K")).abs(),
            &place,
        );
    }
    assert_eq!(lost, 3, "the rows in which the strand is normal");
    field.within(1e-9);
    critical.within(1e-9);
    density.within(1e-9);
    sharing.within(1e-6);
    distance.within(1e-6);
}

/// Common practice, no source: 0.254 mm2 of superconductor in a 1 mm2 strand of 9,000 filaments of
/// 6 micrometres, and 746 A to 792 A at 5 T and 4.2 K.
#[test]
fn a_strand_of_the_trade() {
    let strand = Strand::from_filaments(9000, 6e-6).unwrap();
    assert!((strand.superconductor_m2() * 1e6 - 0.254).abs() < 0.0005);
    assert!((strand.copper_ratio(1e-6) - 2.93).abs() < 0.005);
    let by_ratio = Strand::from_ratio(1e-6, strand.copper_ratio(1e-6)).unwrap();
    assert!((by_ratio.superconductor_m2() / strand.superconductor_m2() - 1.0).abs() < 1e-12);
    let currents: Vec<f64> = surfaces()
        .values()
        .map(|surface| strand.critical_current_a(surface, 5.0, 4.2).unwrap())
        .collect();
    println!("strand at 5 T, 4.2 K: {currents:.1?} A");
    let (low, high) = currents
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(l, h), &x| (l.min(x), h.max(x)));
    assert!((low - 746.0).abs() < 0.5 && (high - 792.0).abs() < 0.5);
}

/// Where current and critical current meet, the whole way is gone and the margin is nothing.
#[test]
fn margin_and_load_line_end_together() {
    let strand = Strand::from_filaments(9000, 6e-6).unwrap();
    for (name, surface) in surfaces() {
        let input = |current: f64| MarginInput {
            temperature_k: Figure::new(4.5, 0.0),
            current_a: Figure::new(current, 0.0),
            load_line_t_per_a: Figure::new(0.012, 0.0),
            strand_share: 1.0,
            critical_current_std: 0.0,
        };
        let fraction = load_line_fraction(&surface, &strand, &input(200.0)).unwrap();
        let crossing = 200.0 / fraction;
        let carried = strand
            .critical_current_a(&surface, 0.012 * crossing, 4.5)
            .unwrap();
        assert!((carried / crossing - 1.0).abs() < 1e-9, "{name}");
        let just_before = margin(&surface, &strand, &input(crossing * (1.0 - 1e-7))).unwrap();
        let Margin::Standing(figures) = just_before else {
            panic!("{name}")
        };
        assert!(figures.margin_k.value < 1e-6 && figures.load_line.value > 1.0 - 1e-6);
        let after = margin(&surface, &strand, &input(crossing * (1.0 + 1e-7))).unwrap();
        assert!(matches!(after, Margin::Lost { .. }), "{name}");
        // At current nothing the margin is that to the critical temperature (at 0.1 T).
        let Margin::Standing(rest) = margin(&surface, &strand, &input(0.0)).unwrap() else {
            panic!("{name}")
        };
        let tc = surface.critical_temperature_k(0.1).unwrap();
        assert!((rest.margin_k.value - (tc - 4.5)).abs() < 1e-9 && rest.load_line.value == 0.0);
    }
}

#[test]
fn stated_uncertainty_of_margin_and_load_line() {
    let strand = Strand::from_filaments(9000, 6e-6).unwrap();
    let mut random = Random(11);
    for (name, surface) in surfaces() {
        for (t, k, i) in [
            (4.5, 0.010, 350.0),
            (4.3, 0.015, 200.0),
            (1.9, 0.012, 500.0),
        ] {
            let input = MarginInput {
                temperature_k: Figure::new(t, 0.015),
                current_a: Figure::new(i, 2.0),
                load_line_t_per_a: Figure::new(k, 0.01 * k),
                strand_share: 1.0,
                critical_current_std: 0.02,
            };
            let Margin::Standing(stated) = margin(&surface, &strand, &input).unwrap() else {
                panic!("{name} {t} {k} {i}")
            };
            let (mut kelvin, mut line) = (Scatter::default(), Scatter::default());
            for _ in 0..20_000 {
                let scale = 1.0 + 0.02 * random.normal();
                let mut drawn = *surface.parameters();
                drawn.reference_a_per_m2 *= scale;
                let drawn_surface = CriticalSurface::new(drawn).unwrap();
                let drawn = MarginInput {
                    temperature_k: Figure::new(t + 0.015 * random.normal(), 0.0),
                    current_a: Figure::new(i + 2.0 * random.normal(), 0.0),
                    load_line_t_per_a: Figure::new(k * (1.0 + 0.01 * random.normal()), 0.0),
                    ..input
                };
                let Margin::Standing(seen) = margin(&drawn_surface, &strand, &drawn).unwrap()
                else {
                    panic!("{name}")
                };
                kelvin.see(seen.margin_k.value);
                line.see(seen.load_line.value);
            }
            assert_close(
                &format!("margin {name} {t} K"),
                kelvin.std(),
                stated.margin_k.std,
            );
            assert_close(
                &format!("load line {name} {t} K"),
                line.std(),
                stated.load_line.std,
            );
        }
    }
}

#[test]
fn parameters_that_make_no_surface_are_refused() {
    let sound = *surfaces()["B"].parameters();
    let refused = |change: &dyn Fn(&mut CriticalSurfaceParameters)| {
        let mut changed = sound;
        change(&mut changed);
        CriticalSurface::new(changed).unwrap_err()
    };
    assert!(matches!(
        refused(&|p| p.c0_t = f64::NAN),
        CriticalSurfaceError::NotPositive { name: "C0", .. }
    ));
    assert!(matches!(
        refused(&|p| p.tc0_k = -9.2),
        CriticalSurfaceError::NotPositive { name: "Tc0", .. }
    ));
    assert!(matches!(
        refused(&|p| p.gamma = 0.3),
        CriticalSurfaceError::Rising { .. }
    ));
    assert!(matches!(
        refused(&|p| p.bc20_t = 0.05),
        CriticalSurfaceError::FieldTooLow { .. }
    ));
    assert!(Strand::from_ratio(1e-6, 0.0).is_err() && Strand::from_filaments(0, 6e-6).is_err());
}
