//! An alert that is worth having: one for each loss, gone when the loss is.

use coldledger::balance::detect::{Detector, Verdict};

use super::limits::{self, Options, Plant};

const OPTIONS: Options = Options {
    known: false,
    asked: 1.0,
    wave: true,
    step_s: 600.0,
    weather: false,
};
const PER_DAY: usize = 144;

/// Days (from the beginning of the loss) on which alarms were raised and cleared.
struct Course {
    raised: Vec<f64>,
    cleared: Vec<f64>,
    standing_at_end: bool,
}

/// A loss of `rate` kg/day that lasts `lasts` days, watched for `days`.
fn course(
    (mut plant, mut detector): (Plant, Detector),
    rate: f64,
    lasts: f64,
    days: usize,
) -> Course {
    let mut found = Course {
        raised: Vec::new(),
        cleared: Vec::new(),
        standing_at_end: false,
    };
    for i in 1..=days * PER_DAY {
        let s = plant.next();
        let at = i as f64 / PER_DAY as f64;
        let mass = s.mass_kg - rate * at.min(lasts);
        match detector.feed(s.time_s, mass, &s.regressors) {
            Verdict::Raised(_) => found.raised.push(at),
            Verdict::Cleared => found.cleared.push(at),
            _ => {}
        }
    }
    found.standing_at_end = detector.standing().is_some();
    found
}

fn seeds(n: u64, first: u64, rate: f64, lasts: f64, days: usize) -> Vec<Course> {
    limits::parallel(n, |seed| {
        let (plant, detector) = limits::prepare(first + seed, OPTIONS);
        detector
            .standing()
            .is_none()
            .then(|| course((plant, detector), rate, lasts, days))
    })
    .into_iter()
    .flatten()
    .collect()
}

#[test]
fn a_lasting_loss_near_the_limit_is_one_alert() {
    for rate in [2.0, 3.0, 4.0, 6.0] {
        let courses = seeds(60, 10_000, rate, f64::INFINITY, 30);
        let n = courses.len() as f64;
        for c in courses.iter().filter(|c| c.raised.len() > 1) {
            println!("  raised {:.1?}, cleared {:.1?}", c.raised, c.cleared);
        }
        let share =
            |f: &dyn Fn(&Course) -> bool| courses.iter().filter(|c| f(c)).count() as f64 / n;
        let once = share(&|c| c.raised.len() <= 1);
        let standing = share(&|c| c.standing_at_end);
        println!(
            "{rate} kg/day for 30 days: at most one alert in {once:.3}, standing at the end {standing:.3}"
        );
        assert!(once >= 0.9, "{rate} kg/day: {once}");
        if rate >= 3.0 {
            assert!(standing >= 0.9, "{rate} kg/day: {standing}");
        }
    }
}

#[test]
fn a_loss_that_was_repaired_clears() {
    // Days it lasted, and days within which 90 % must have cleared.
    for (rate, lasts, within) in [
        (200.0, 1.0, 0.2),
        (50.0, 1.0, 0.5),
        (50.0, 5.0, 0.4),
        (10.0, 5.0, 1.5),
        (5.0, 10.0, 2.5),
    ] {
        let courses = seeds(40, 20_000, rate, lasts, lasts as usize + 5);
        let n = courses.len() as f64;
        let early = courses
            .iter()
            .filter(|c| c.cleared.first().is_some_and(|at| *at < lasts))
            .count();
        let again = courses.iter().filter(|c| c.raised.len() > 1).count();
        let mut times: Vec<f64> = courses
            .iter()
            .map(|c| {
                let after = c.cleared.iter().find(|at| **at >= lasts);
                after.map_or(f64::INFINITY, |at| (at - lasts) * 24.0)
            })
            .collect();
        let (half, most) = (
            limits::quantile(&mut times, 0.5),
            limits::quantile(&mut times, 0.9),
        );
        println!(
            "{rate} kg/day for {lasts} days: cleared {half:.1} h after the repair (90 % {most:.1} h), \
             before it {early}, raised again {again} of {n}"
        );
        assert!(most <= within * 24.0, "{rate} kg/day: {most} h");
        assert!(early as f64 <= 0.05 * n && again as f64 <= 0.1 * n);
    }
}

#[test]
fn false_alarms_do_not_stand_for_days() {
    let options = Options {
        asked: 100.0,
        ..OPTIONS
    };
    let stood: Vec<f64> = limits::parallel(30, |seed| {
        let (mut plant, mut detector) = limits::prepare(30_000 + seed, options);
        let (mut since, mut stood) = (None, Vec::new());
        for _ in 0..30 * PER_DAY {
            let s = plant.next();
            match detector.feed(s.time_s, s.mass_kg, &s.regressors) {
                Verdict::Raised(_) => since = Some(s.time_s),
                Verdict::Cleared => {
                    if let Some(since) = since.take() {
                        stood.push((s.time_s - since) / 3600.0);
                    }
                }
                _ => {}
            }
        }
        stood.extend(since.map(|_| f64::INFINITY));
        stood
    })
    .into_iter()
    .flatten()
    .collect();
    let mut stood = stood;
    let (half, most) = (
        limits::quantile(&mut stood, 0.5),
        limits::quantile(&mut stood, 0.9),
    );
    println!(
        "{} false alarms stood for {half:.1} h (90 % {most:.1} h)",
        stood.len()
    );
    assert!(half < 24.0 && most < 4.0 * 24.0);
}
