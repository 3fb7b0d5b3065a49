//! The score: plants whose truth is known, many times over with errors drawn anew, and how often
//! what was said of them was right.
//!
//! ```text
//!  scenarios  what is tried, and what would be the right answer
//!  run        one plant through one scenario, registers to outcomes
//!  judge      what a run said, held against the truth
//!  table      all runs together
//!  pool       runs on a few threads, in a fixed order
//! ```

mod judge;
mod pool;
mod run;
mod scenarios;
mod table;

use std::collections::BTreeMap;

pub use judge::{Band, BandOf, Called, Coverage, Verdict, judge};
pub use pool::in_parallel;
pub use run::{Prefix, QUIET, ScoreError, Shown, Site};
pub use scenarios::{ALL, Conditions, Right, Scenario, What, With};
pub use table::{Quiet, Table};

/// Scenarios of the short form.
pub const SHORT: &[&str] = &[
    "quiet",
    "gas-3x",
    "reserve-3x",
    "header-tank-drifts-150-mbar",
    "reserve-drifts-150-mbar",
    "supply-meter-5-percent",
];

/// Plants that are taken at a time: enough to keep a few threads busy.
const AT_A_TIME: usize = 3;

/// Runs scenarios over seeds and judges them, on so many threads; `told` hears of each finished run,
/// `so_far` of the table after every few plants.
///
/// # Errors
/// [`ScoreError`], which would be a fault of the program, or what `so_far` refuses.
pub fn score<E: From<ScoreError>>(
    site: &Site,
    scenarios: &[Scenario],
    seeds: std::ops::Range<u64>,
    threads: usize,
    told: impl Fn(&Verdict) + Sync,
    mut so_far: impl FnMut(&Table) -> Result<(), E>,
) -> Result<Table, E> {
    let mut conditions: Vec<Conditions> = scenarios.iter().map(|one| one.conditions).collect();
    conditions.sort_unstable();
    conditions.dedup();
    let mut table = Table::new(scenarios);
    let seeds: Vec<u64> = seeds.collect();
    for seeds in seeds.chunks(AT_A_TIME) {
        let beginnings: Vec<(Conditions, u64)> = conditions
            .iter()
            .flat_map(|conditions| seeds.iter().map(|seed| (*conditions, *seed)))
            .collect();
        let prefixes = in_parallel(&beginnings, threads, |(conditions, seed)| {
            site.quiet_days(*conditions, *seed)
        });
        let prefixes: BTreeMap<(Conditions, u64), Prefix> = beginnings
            .into_iter()
            .zip(prefixes)
            .map(|(key, prefix)| prefix.map(|prefix| (key, prefix)))
            .collect::<Result<_, _>>()?;
        let jobs: Vec<(&Scenario, &Prefix)> = scenarios
            .iter()
            .flat_map(|one| {
                let prefixes = &prefixes;
                let of = seeds.iter().map(|seed| (one.conditions, *seed));
                of.filter_map(move |key| Some((one, prefixes.get(&key)?)))
            })
            // Of an area that no limit is said of there is no multiple of it.
            .filter(|(one, prefix)| {
                let mut sections = one.leaks_from();
                sections.all(|section| prefix.shown.limit_of(section).is_some())
            })
            .collect();
        let verdicts = in_parallel(&jobs, threads, |(scenario, prefix)| {
            let verdict = one(site, scenario, prefix)?;
            told(&verdict);
            Ok::<_, ScoreError>(verdict)
        });
        for ((conditions, seed), prefix) in &prefixes {
            table.add_quiet_days(format!("before, {} {seed}", conditions.word()), prefix);
        }
        for verdict in verdicts {
            table.add(verdict?);
        }
        so_far(&table)?;
    }
    Ok(table)
}

/// One run, judged.
///
/// # Errors
/// [`ScoreError`], which would be a fault of the program.
pub fn one(site: &Site, scenario: &Scenario, prefix: &Prefix) -> Result<Verdict, ScoreError> {
    let happened = scenario.happened(prefix.seed(), |section| {
        prefix.shown.limit_of(section).unwrap_or(0.0)
    });
    let lasts = coldledger::time::Span::from_seconds(scenario.days * 86_400.0);
    let shown = site.follow(prefix, &happened, lasts)?;
    Ok(judge(scenario, prefix.seed(), &happened, &shown))
}
