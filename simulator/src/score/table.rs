//! All runs together.

use std::fmt;

use super::judge::{Band, BandOf, Called, Coverage, Verdict, sampled};
use super::run::{JUDGED_FROM, Prefix, QUIET};
use super::scenarios::{Right, Scenario, What};

/// Time without any loss beyond the accepted one or fault.
#[derive(Debug, Clone, Copy, Default)]
pub struct Quiet {
    /// All plants together, in years of 365.25 days.
    pub plant_years: f64,
    /// Alerts of the plant's test in it.
    pub of_plant: u64,
    /// Alerts of all areas' tests in it.
    pub of_areas: u64,
}

impl Quiet {
    fn add(&mut self, days: f64, (of_plant, of_areas): (u64, u64)) {
        self.plant_years += days / 365.25;
        self.of_plant += of_plant;
        self.of_areas += of_areas;
    }
}

/// The score.
#[derive(Debug, Clone)]
pub struct Table {
    scenarios: Vec<Scenario>,
    verdicts: Vec<Verdict>,
    quiet: Quiet,
    /// Bands of the quiet days, by conditions and seed.
    quiet_bands: Vec<(String, Vec<Band>)>,
}

impl Table {
    /// Without any run as yet.
    #[must_use]
    pub fn new(scenarios: &[Scenario]) -> Self {
        Self {
            scenarios: scenarios.to_vec(),
            verdicts: Vec::new(),
            quiet: Quiet::default(),
            quiet_bands: Vec::new(),
        }
    }

    /// Takes up the quiet days that a plant's runs begin with.
    pub fn add_quiet_days(&mut self, name: String, of: &Prefix) {
        let shown = &of.shown;
        self.quiet_bands.push((name, sampled(&shown.samples, true)));
        let of_plant = shown.alerts.iter().filter(|(scope, _)| scope.is_none());
        let of_plant = of_plant.count() as u64;
        let of_areas = shown.alerts.len() as u64 - of_plant;
        self.quiet
            .add((QUIET - JUDGED_FROM).days(), (of_plant, of_areas));
    }

    /// Takes up a judged run.
    pub fn add(&mut self, verdict: Verdict) {
        let is_quiet = |one: &Scenario| matches!(one.what, What::Quiet);
        let mut named = self.scenarios.iter();
        if named.any(|one| one.name == verdict.scenario && is_quiet(one)) {
            self.quiet.add(verdict.days, verdict.alerts);
        }
        self.verdicts.push(verdict);
    }

    /// Every run.
    #[must_use]
    pub fn verdicts(&self) -> &[Verdict] {
        &self.verdicts
    }

    /// Bands that held the truth, all runs together, by what they are of.
    #[must_use]
    pub fn coverage(&self) -> Vec<(&'static str, Coverage)> {
        let all = || self.bands().flat_map(|(_, bands)| bands);
        BandOf::ALL
            .iter()
            .map(|of| {
                (
                    of.words(),
                    Coverage::of(all().filter(|band| band.of == *of)),
                )
            })
            .collect()
    }

    /// Bands by run: those of the quiet days, then those of the scenarios.
    fn bands(&self) -> impl Iterator<Item = (String, &[Band])> {
        let quiet = self.quiet_bands.iter();
        let quiet = quiet.map(|(name, bands)| (name.clone(), bands.as_slice()));
        let runs = self.verdicts.iter();
        let runs = runs.map(|one| (format!("{} {}", one.scenario, one.seed), &one.bands[..]));
        quiet.chain(runs)
    }

    /// One row per band, as CSV.
    ///
    /// # Errors
    /// [`csv::Error`] of the writer.
    pub fn write_bands(&self, to: impl std::io::Write) -> Result<(), csv::Error> {
        let mut writer = csv::Writer::from_writer(to);
        writer.write_record(["run", "of", "scope", "days", "from", "to", "truth", "held"])?;
        for (run, bands) in self.bands() {
            for band in bands {
                writer.write_record([
                    &run,
                    band.of.words(),
                    &band.scope,
                    &format!("{:.3}", band.at_days),
                    &format!("{:.6}", band.ends.0),
                    &format!("{:.6}", band.ends.1),
                    &format!("{:.6}", band.truth),
                    &band.held().to_string(),
                ])?;
            }
        }
        writer.flush()?;
        Ok(())
    }

    /// Time without loss or fault, and the alerts in it.
    #[must_use]
    pub fn quiet(&self) -> Quiet {
        self.quiet
    }

    /// One row per run, as CSV.
    ///
    /// # Errors
    /// [`csv::Error`] of the writer.
    pub fn write_csv(&self, to: impl std::io::Write) -> Result<(), csv::Error> {
        let mut writer = csv::Writer::from_writer(to);
        writer.write_record([
            "scenario",
            "seed",
            "days",
            "plant_alert_h",
            "alert_h",
            "plant_alerts",
            "area_alerts",
            "raised",
            "true_kg_per_day",
            "size_error",
            "said_lost_kg",
            "lost_kg",
            "onset_error_h",
            "called",
            "right_group",
            "right_first",
            "group",
            "explanation",
        ])?;
        let figure = |value: Option<f64>| value.map(|x| format!("{x:.4}")).unwrap_or_default();
        for one in &self.verdicts {
            writer.write_record([
                one.scenario,
                &one.seed.to_string(),
                &one.days.to_string(),
                &figure(one.plant_alert_h),
                &figure(one.alert_h),
                &one.alerts.0.to_string(),
                &one.alerts.1.to_string(),
                &one.raised,
                &figure(one.true_kg_per_day),
                &figure(one.size_error),
                &format!("{:.3}", one.lost_kg.0),
                &format!("{:.3}", one.lost_kg.1),
                &figure(one.onset_error_h),
                &format!("{:?}", one.called),
                &one.right_group.to_string(),
                &one.right_first.to_string(),
                &one.group.to_string(),
                &one.words,
            ])?;
        }
        writer.flush()?;
        Ok(())
    }

    fn of<'a>(&'a self, scenario: &'a Scenario) -> impl Iterator<Item = &'a Verdict> {
        self.verdicts
            .iter()
            .filter(|one| one.scenario == scenario.name)
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| scenario | runs | alert | delay h, median (p90) | size error, median (p90 of size) | \
             called lost / either / instrument | right group | right first | in group |"
        )?;
        writeln!(f, "|---|---|---|---|---|---|---|---|---|")?;
        for scenario in &self.scenarios {
            self.row(f, scenario)?;
        }
        writeln!(f)?;
        writeln!(
            f,
            "Without loss or fault: {:.2} plant-years; {} alerts of the plant's test, {} of all \
             areas' tests together.",
            self.quiet.plant_years, self.quiet.of_plant, self.quiet.of_areas
        )?;
        writeln!(f)?;
        writeln!(f, "| 95 % bands of | bands | held the truth |")?;
        writeln!(f, "|---|---|---|")?;
        for (name, of) in self.coverage() {
            if of.all > 0 {
                writeln!(f, "| {name} | {} | {:.1} % |", of.all, of.percent())?;
            }
        }
        Ok(())
    }
}

impl Table {
    #[expect(clippy::cast_precision_loss, reason = "counts of runs")]
    fn row(&self, f: &mut fmt::Formatter<'_>, scenario: &Scenario) -> fmt::Result {
        let runs: Vec<&Verdict> = self.of(scenario).collect();
        let all = runs.len() as f64;
        let share = |which: &dyn Fn(&Verdict) -> bool| {
            let count = runs.iter().filter(|one| which(one)).count() as f64;
            format!("{:.0} %", 100.0 * count / all)
        };
        let delays = runs
            .iter()
            .map(|one| one.alert_h.unwrap_or(f64::INFINITY))
            .collect();
        let delay = spread(delays);
        let errors: Vec<f64> = runs.iter().filter_map(|one| one.size_error).collect();
        let size = if errors.is_empty() {
            String::new()
        } else {
            let sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
            format!(
                "{:+.0} % ({:.0} %)",
                100.0 * quantile(errors, 0.5),
                100.0 * quantile(sizes, 0.9)
            )
        };
        let called = |called: Called| share(&|one: &Verdict| one.called == called);
        let (mut group, mut first) = (String::new(), String::new());
        let expects = !matches!(scenario.what, What::Quiet | What::Spikes)
            && !matches!(
                scenario.what,
                What::Events {
                    right: Right::Nothing,
                    ..
                }
            );
        if expects {
            group = share(&|one: &Verdict| one.right_group);
            first = share(&|one: &Verdict| one.right_first);
        }
        let explained: Vec<f64> = runs
            .iter()
            .filter(|one| one.group > 0)
            .map(|one| one.group as f64)
            .collect();
        let size_of_group = if explained.is_empty() {
            String::new()
        } else {
            format!("{:.0}", quantile(explained, 0.5))
        };
        writeln!(
            f,
            "| {} | {} | {} | {} | {} | {} / {} / {} | {} | {} | {} |",
            scenario.name,
            runs.len(),
            share(&|one: &Verdict| one.alert_h.is_some()),
            delay,
            size,
            called(Called::Lost),
            called(Called::Either),
            called(Called::Instrument),
            group,
            first,
            size_of_group,
        )
    }
}

/// Median and ninth decile.
fn spread(values: Vec<f64>) -> String {
    let one = |value: f64| {
        if value.is_finite() {
            format!("{value:.1}")
        } else {
            "-".to_owned()
        }
    };
    let (median, most) = (quantile(values.clone(), 0.5), quantile(values, 0.9));
    format!("{} ({})", one(median), one(most))
}

/// The value that this part of them does not exceed.
fn quantile(mut values: Vec<f64>, part: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a position among runs"
    )]
    let at = libm::ceil(part * values.len() as f64).max(1.0) as usize - 1;
    values.get(at).copied().unwrap_or(f64::NAN)
}
