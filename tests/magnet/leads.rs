//! Current leads.

use coldledger::magnet::{Figure, LeadCooling, LeadEnd, LeadError, lead_end, lead_flow};

/// 0.06 g/s per kA at 5 kA is 0.3 g/s.
#[test]
fn flow_against_need() {
    let need = 0.06e-3 / 1e3;
    let at = |flow: f64| {
        lead_flow(
            Figure::new(flow, 0.005e-3),
            Figure::new(-5000.0, 5.0),
            need,
            0.15e-3,
        )
        .unwrap()
    };
    let even = at(0.3e-3);
    assert!(
        (even.needed_kg_per_s.value - 0.3e-3).abs() < 1e-12
            && (even.ratio.value - 1.0).abs() < 1e-9
    );
    // 0.005/0.3 and 5/5000 together.
    let expected = libm::sqrt((0.005_f64 / 0.3).powi(2) + (5.0_f64 / 5000.0).powi(2));
    assert!((even.ratio.std / expected - 1.0).abs() < 1e-9);
    assert_eq!(even.cooling, LeadCooling::Even);
    assert_eq!(at(0.28e-3).cooling, LeadCooling::Under);
    assert_eq!(
        at(0.295e-3).cooling,
        LeadCooling::Even,
        "not beyond its uncertainty"
    );
    assert_eq!(at(0.36e-3).cooling, LeadCooling::Over);
    assert_eq!(at(0.0).cooling, LeadCooling::Under);
    let rest = lead_flow(
        Figure::new(0.15e-3, 0.0),
        Figure::new(0.0, 5.0),
        need,
        0.15e-3,
    )
    .unwrap();
    assert_eq!(rest.ratio.value, 1.0);
    assert_eq!(
        lead_flow(Figure::new(0.15e-3, 0.0), Figure::new(0.0, 5.0), need, 0.0),
        Err(LeadError::NoNeed)
    );
    assert_eq!(
        lead_flow(Figure::new(f64::NAN, 0.0), Figure::new(1.0, 5.0), need, 0.0),
        Err(LeadError::NotANumber)
    );
}

#[test]
fn lead_end_against_its_limits() {
    assert_eq!(lead_end(280.0, 283.0, 320.0), Ok(LeadEnd::TooCold));
    assert_eq!(lead_end(295.0, 283.0, 320.0), Ok(LeadEnd::Well));
    assert_eq!(lead_end(330.0, 283.0, 320.0), Ok(LeadEnd::TooWarm));
    assert_eq!(lead_end(f64::NAN, 283.0, 320.0), Err(LeadError::NotANumber));
    assert_eq!(lead_end(295.0, 320.0, 283.0), Err(LeadError::NotANumber));
}
