//! The short form of the score: a few scenarios over a few plants.

use coldledger::balance::report::Explanation;
use coldledger::time::Span;
use coldledger_simulator::score::{
    ALL, Called, Conditions, Right, SHORT, Scenario, ScoreError, Site, Verdict, What, score,
};

/// The fewest successes that a method which is right with probability `p` has in `n` runs, but for
/// one time in a thousand.
fn fewest(n: u64, p: f64) -> u64 {
    let n_f = n as f64;
    let mut term = libm::pow(1.0 - p, n_f);
    let mut below = 0.0;
    for k in 0..=n {
        below += term;
        if below > 1e-3 {
            return k;
        }
        term *= (n_f - k as f64) / (k as f64 + 1.0) * p / (1.0 - p);
    }
    n
}

#[test]
fn what_is_said_of_a_loss_is_mostly_right() {
    let scenarios: Vec<Scenario> = ALL
        .iter()
        .filter(|one| SHORT.contains(&one.name))
        .copied()
        .collect();
    let seeds = 3;
    let site = Site::bundled().unwrap();
    let table = score(
        &site,
        &scenarios,
        1..seeds + 1,
        2,
        |_| {},
        |_| Ok::<_, ScoreError>(()),
    )
    .unwrap();
    println!("{table}");
    let of = |name: &str| {
        let found = table.verdicts().iter().filter(|one| one.scenario == name);
        found.collect::<Vec<&Verdict>>()
    };
    let share = |names: &[&str], right: &dyn Fn(&Verdict) -> bool| {
        let all: Vec<&Verdict> = names.iter().flat_map(|name| of(name)).collect();
        let right = all.iter().filter(|one| right(one)).count() as u64;
        (right, all.len() as u64)
    };
    // The right area for leaks of three times its own detection limit: 95 % of them.
    let (right, all) = share(&["gas-3x", "reserve-3x"], &|one| one.right_group);
    assert!(right >= fewest(all, 0.95), "{right} of {all}");
    // A drift that the header shows is not called a leak, nine times in ten.
    let drifts = ["header-tank-drifts-150-mbar"];
    let (not_leak, all) = share(&drifts, &|one| one.called != Called::Lost);
    assert!(not_leak >= fewest(all, 0.9), "{not_leak} of {all}");
    // On a tank that stands alone nothing tells it from a leak.
    let (both, all) = share(&["reserve-drifts-150-mbar"], &|one| one.right_group);
    assert!(both >= fewest(all, 0.9), "{both} of {all}");
    let (meter, all) = share(&["supply-meter-5-percent"], &|one| one.right_group);
    assert!(meter >= fewest(all, 0.9), "{meter} of {all}");
    // One alert a year of the plant's test: in so short a time, at most two but for a time in a
    // thousand.
    let quiet = table.quiet();
    assert!(quiet.plant_years < 0.2 && quiet.of_plant <= 2, "{quiet:?}");
    for (name, of) in table.coverage() {
        if of.all > 200 {
            assert!(of.percent() > 80.0, "{name}: {}", of.percent());
        }
    }
}

/// An instrument that makes a step looks for an hour as if helium had left. Where peers stand beside it,
/// it is named; where none do, it is named beside helium that was let out, and never a leak alone.
#[test]
fn a_step_of_an_instrument_is_not_told_as_a_leak() {
    let names = ["reserve-steps", "level-probe-steps", "header-tank-steps"];
    let scenarios: Vec<Scenario> = ALL
        .iter()
        .filter(|one| names.contains(&one.name))
        .copied()
        .collect();
    let site = Site::bundled().unwrap();
    let kept = |_: &_| Ok::<_, ScoreError>(());
    let table = score(&site, &scenarios, 1..4, 2, |_| {}, kept).unwrap();
    for one in table.verdicts() {
        let said = format!("{} {}: {}", one.scenario, one.seed, one.words);
        assert_ne!(one.called, Called::Lost, "{said}");
        // What is not raised needs no name.
        assert!(one.right_group || one.alert_h.is_none(), "{said}");
        // A vent that one vessel alone shows is told with its doubt.
        assert!(
            !one.words.contains("vent; from") || one.words.contains("no other vessel has moved"),
            "{said}"
        );
    }
}

/// The tank that stands alone is filled to nearly twice its pressure a day after it began to lose, or
/// seemed to: what leaves through a hole follows the pressure, what an instrument feigns does not.
#[test]
fn a_hole_loses_more_at_a_higher_pressure_and_an_instrument_does_not() {
    let site = Site::bundled().unwrap();
    let prefix = site.quiet_days(Conditions::Usual, 1).unwrap();
    let explained = |event: &'static str| {
        let scenario = Scenario {
            name: "filled while it loses",
            conditions: Conditions::Usual,
            what: What::Events {
                text: event,
                right: Right::Nothing,
                unbooked: false,
            },
            days: 4.0,
        };
        let happened = scenario.happened(1, |_| 0.0);
        let lasts = Span::from_seconds(scenario.days * 86_400.0);
        let shown = site.follow(&prefix, &happened, lasts).unwrap();
        shown.explanation.unwrap()
    };
    macro_rules! and_filled {
        ($event:literal) => {
            concat!(
                $event,
                "[[event]]\nat = \"ONSET+1d\"\nkind = \"delivery\"\nvessel = \"RESERVE\"\n",
                "mass = \"150 kg\"\nover = \"4 h\"\n"
            )
        };
    }
    let names = |found: &Explanation| found.named_first().join(" or ");

    let hole = explained(and_filled!(
        "[[event]]\nat = \"ONSET\"\nkind = \"leak\"\nvessel = \"RESERVE\"\nrate = \"4 kg/day\"\nat-pressure = \"5 bar(a)\"\n"
    ));
    assert_eq!(names(&hole), "a leak in reserve");
    let said = hole.excluded.join("; ");
    assert!(said.contains("and the loss went with it"), "{said}");

    let drift = explained(and_filled!(
        "[[event]]\nat = \"ONSET\"\nkind = \"drift\"\nchannel = \"PT-R1\"\nrate = \"-100 mbar/day\"\n"
    ));
    let named = names(&drift);
    assert!(
        named.contains("a drifting instrument of RESERVE"),
        "{named}"
    );
    let said = drift.excluded.join("; ");
    assert!(said.contains("not out of a hole in"), "{said}");
}

#[test]
fn the_fewest_successes_are_those_of_the_binomial_distribution() {
    // scipy.stats.binom.ppf(1e-3, n, p), version 1.17.1
    assert_eq!(fewest(30, 0.95), 24);
    assert_eq!(fewest(6, 0.95), 3);
    assert_eq!(fewest(3, 0.9), 1);
}
