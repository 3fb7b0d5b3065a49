//! The book of losses: of the plant, and of each area that can be balanced by itself.

use serde::{Deserialize, Serialize};

use super::account::{AccountTick, Accounts};
use super::advice;
use super::area::Area;
use super::explain::{self, Evidence};
use super::filter::FilterState;
use super::grid::GridSeries;
use super::happening::Jump;
use super::hole;
use super::inventory::VesselMass;
use super::isolation::{Isolations, Since};
use super::judgement::{Frame, Judgement, ONSET_OVER, RATE_OVER, difference_kg2};
use super::leak::OnsetEstimate;
use super::ledger::Ledger;
use super::noise::{self, NoiseModel, NoiseSettings};
use super::reconcile::Settings;
use super::reconciled::{RECONCILED_LEVEL, RECONCILED_OVER, Reconciliation};
use super::report::{ExcessLoss, Explanation, LossReport, WindowBalance};
use super::series::{LossSeries, LossSettings};
use super::tally::{Tally, calibration_kg2, slow_kg2_s};
use super::trace::{Trace, TraceOf};
use super::unlike::Comparison;
use super::window::{MassHistory, TickMass, WINDOWS, grid_steps};
use crate::plant::{Plant, SectionIx, VesselIx};
use crate::time::{Monotonic, Span, Timestamp};

/// A loss of an area is said to stand while it is larger than so many of its standard uncertainties.
const SURE: f64 = 2.0;

/// Over a week the slow noise of a whole plant is larger than all that its description states by this
/// factor: gas that the sun warms unevenly, holdup that wanders (common practice, no source).
const BEYOND_STATED: f64 = 1.5;

/// The rate of an area is found anew this often, in steps of the grid (an hour).
const AREA_RATE_EVERY: u32 = 6;

/// The noise of a comparison is found anew after so many explanations (a day).
const UNLIKE_NOISE_EVERY: u32 = 24;

/// Changes of mode that are remembered.
const MOST_MODES: usize = 16;

/// Losses of the plant and of its areas.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LossBook {
    history: MassHistory,
    accounts: Accounts,
    judgement: Judgement,
    report: Option<LossReport>,
    areas: Vec<AreaBook>,
    explanation: Option<Explanation>,
    /// Meters and areas reconciled, as of the last step.
    reconciliation: Option<Reconciliation>,
    /// Changes of mode.
    modes: Vec<(Monotonic, VesselIx)>,
    /// Areas that valves parted for a while.
    isolations: Isolations,
    /// Noise of each comparison, with its age.
    unlike_noise: Vec<Option<(u32, NoiseModel)>>,
}

/// Losses of one area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct AreaBook {
    area: Area,
    judgement: Judgement,
    steps: u32,
    report: LossReport,
}

/// An area's series with what is known of it beforehand.
struct AreaCourse {
    series: GridSeries,
    settings: LossSettings,
    /// What its meters make it wander by, kg2/s.
    walk_kg2_per_s: f64,
    /// What its instruments are stated to add to slow noise, kg2 s.
    slow_kg2_s: f64,
    /// Largest relative standard uncertainty of a meter's calibration.
    meter_gain: f64,
}

/// A tick as the book takes it.
pub struct LossTick<'a> {
    /// The plant's mass.
    pub mass: TickMass<'a>,
    /// The same by section, with what meters and valves say.
    pub account: AccountTick<'a>,
    /// Every vessel's mass.
    pub masses: &'a [VesselMass],
    /// What should read alike.
    pub comparisons: &'a [Comparison],
    /// When much helium came or went at once: not part of a rate. Asked once a step.
    pub jumps: &'a dyn Fn() -> Vec<Jump>,
    /// Pressure of a vessel's insulation vacuum, Pa; none where none is watched or usable.
    pub vacuum: &'a dyn Fn(VesselIx) -> Option<f64>,
}

/// What a tick brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Renewed {
    /// A step of the grid is complete and the reports were renewed.
    pub reports: bool,
    /// What could explain the plant's loss was found anew.
    pub explanation: bool,
}

impl LossBook {
    /// A book that finds its noise in its turn, so that many books kept side by side do not all do so
    /// at the same tick.
    #[must_use]
    pub fn in_turn(turn: usize) -> Self {
        Self {
            judgement: Judgement::in_turn(u32::try_from(turn).unwrap_or(0)),
            ..Self::default()
        }
    }

    /// Takes a tick. `tally` gives the errors by cause of the plant, or of a section.
    pub fn tick(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &LossTick,
        tally: impl Fn(Option<SectionIx>) -> Tally,
    ) -> Renewed {
        self.accounts
            .tick(plant, &tick.account, |section| tally(Some(section)));
        let mass = TickMass {
            metered_kg: self.accounts.boundary_kg(),
            ..tick.mass
        };
        if self.history.tick(&mass, || tally(None)).is_none() {
            return Renewed::default();
        }
        let series = GridSeries::of_plant(
            plant,
            &self.history,
            ledger,
            self.judgement.most_carried_kg2(),
            &(tick.jumps)(),
        );
        let frame = series
            .as_ref()
            .map(|series| self.frame(plant, ledger, series));
        let refined = frame
            .as_ref()
            .is_some_and(|frame| self.judgement.step(frame));
        self.report = Some(self.make_report(plant, ledger, frame.as_ref()));
        let refined_areas = self.judge_areas(plant, ledger);
        self.reconcile(plant, ledger);
        let renew = match self.leading().map(|(scope, _)| scope) {
            None => {
                self.explanation = None;
                false
            }
            Some(None) => refined,
            Some(Some(area)) => refined_areas.contains(&area),
        };
        let explained = series
            .filter(|_| renew)
            .and_then(|series| self.explain(plant, ledger, tick, &series));
        // Every hour it is weighed anew; only another answer is news.
        let renewed = explained.as_ref().is_some_and(|new| {
            let known = self.explanation.as_ref();
            known.is_none_or(|known| known.named_first() != new.named_first())
        });
        if explained.is_some() {
            self.explanation = explained;
        }
        Renewed {
            reports: true,
            explanation: renewed,
        }
    }

    /// The books changed: the balances follow at once, what the sequential test says of it with the
    /// next step.
    pub fn rebook(&mut self, plant: &Plant, ledger: &Ledger, jumps: &[Jump]) {
        if self.report.is_none() {
            return;
        }
        let series = GridSeries::of_plant(
            plant,
            &self.history,
            ledger,
            self.judgement.most_carried_kg2(),
            jumps,
        );
        let frame = series
            .as_ref()
            .map(|series| self.frame(plant, ledger, series));
        self.report = Some(self.make_report(plant, ledger, frame.as_ref()));
        self.reconcile(plant, ledger);
    }

    /// What is held as normal for the plant.
    fn frame<'a>(&self, plant: &Plant, ledger: &Ledger, series: &'a GridSeries) -> Frame<'a> {
        // It changes with what is held: of both ends of the stretch that the noise is found over.
        let averages = self.history.averages();
        let first = averages.len().saturating_sub(grid_steps(RATE_OVER));
        let ends = averages.get(first).into_iter().chain(averages.back());
        Frame {
            series,
            settings: plant_settings(plant),
            false_alarms_per_year: false_alarms_per_year(plant, self.areas.len()).0,
            booked: ledger.entries().len(),
            restated_kg: self.history.restated_kg(),
            walk_kg2_per_s: 0.0,
            slow_kg2_s: ends.fold(0.0, |sum, end| sum + 0.5 * slow_kg2_s(plant, &end.by_cause)),
            beyond_stated: BEYOND_STATED,
        }
    }

    fn reconcile(&mut self, plant: &Plant, ledger: &Ledger) {
        let settings = Settings {
            level: RECONCILED_LEVEL,
        };
        let over = RECONCILED_OVER;
        self.reconciliation = Reconciliation::of(plant, ledger, &self.accounts, over, &settings);
    }

    /// The reckoning changed by `kg` without helium moving.
    pub fn restate(&mut self, kg: f64) {
        self.history.restate(kg);
        self.accounts.restate();
    }

    /// Carries the accounts over to another description.
    pub fn adopt(&mut self, plant: &Plant, before: &Plant) {
        self.accounts.adopt(plant, before);
        self.areas.clear();
        self.modes.clear();
        self.isolations.adopt(plant, before);
        self.unlike_noise.clear();
        self.explanation = None;
        self.reconciliation = None;
    }

    /// A vessel is run in another mode from now on.
    pub fn mode_changed(&mut self, vessel: VesselIx, now: Monotonic) {
        if self.modes.len() == MOST_MODES {
            self.modes.remove(0);
        }
        self.modes.push((now, vessel));
    }

    /// The plant's report as of the last step.
    #[must_use]
    pub fn report(&self) -> Option<&LossReport> {
        self.report.as_ref()
    }

    /// The report of each area that can be balanced by itself.
    pub fn areas(&self) -> impl Iterator<Item = &LossReport> {
        self.areas.iter().map(|book| &book.report)
    }

    /// The report of the area that holds a section.
    #[must_use]
    pub fn area_of(&self, section: SectionIx) -> Option<&LossReport> {
        self.areas
            .iter()
            .find(|book| book.area.holds(section))
            .map(|book| &book.report)
    }

    /// What could explain the loss of the plant or of an area, while one stands.
    #[must_use]
    pub fn explanation(&self) -> Option<&Explanation> {
        self.explanation.as_ref()
    }

    /// Meters and areas of the last day held against each other; none while the plant is one area.
    #[must_use]
    pub fn reconciliation(&self) -> Option<&Reconciliation> {
        self.reconciliation.as_ref()
    }

    /// The plant's loss rate as the filter knows it now: it follows a loss within a day or two, beside
    /// the report's mean over a week.
    #[must_use]
    pub fn now(&self) -> Option<&FilterState> {
        self.judgement.now()
    }

    /// The balance between two times within the last thirty days, of the plant or of the area that
    /// then held a section.
    #[must_use]
    pub fn balance_between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        section: Option<SectionIx>,
        from: Timestamp,
        to: Timestamp,
    ) -> Option<WindowBalance> {
        let whole = || {
            let noise_kg2 = self.noise_kg2(to - from);
            self.history
                .balance_between(plant, ledger, from, to, noise_kg2)
        };
        let Some(section) = section else {
            return whole();
        };
        let area = self
            .accounts
            .areas_between(plant, from, to)
            .into_iter()
            .find(|area| area.holds(section))?;
        if area.sections.len() == plant.all.section.len() {
            return whole();
        }
        let book = self.areas.iter().find(|book| book.area == area);
        let noise = book.and_then(|book| book.judgement.noise());
        self.accounts
            .balance_between(plant, ledger, &area, (from, to), noise)
    }

    /// Variance of the difference of two averages of the plant that far apart, as found, kg2.
    #[must_use]
    pub fn noise_kg2(&self, apart: Span) -> Option<f64> {
        let noise = self.judgement.noise();
        noise.map(|noise| difference_kg2(noise, apart))
    }

    /// The averages that the plant's report rests on.
    #[must_use]
    pub fn history(&self) -> &MassHistory {
        &self.history
    }

    /// What each section held and each meter passed.
    #[must_use]
    pub fn accounts(&self) -> &Accounts {
        &self.accounts
    }

    fn make_report(&self, plant: &Plant, ledger: &Ledger, frame: Option<&Frame>) -> LossReport {
        let accepted = plant.site.accepted_loss;
        let windows = WINDOWS
            .iter()
            .filter_map(|&over| {
                self.history
                    .balance(plant, ledger, over, self.noise_kg2(over))
            })
            .collect();
        let rate = frame.and_then(|frame| self.judgement.rate(frame));
        let excess = frame.and_then(|frame| self.judgement.excess(frame, rate.as_ref()));
        let excess = excess.map(|excess| self.with_calibration(plant, excess));
        LossReport {
            section: None,
            windows,
            rate,
            excess,
            accepted_kg_per_s: (accepted.value.si(), accepted.std),
        }
    }

    /// What calibrations make of a lost mass is not in the noise of a series: a loss is no better known
    /// than what it takes helium out of. Held against each other are the days before it began and
    /// until now, so that the time of the day does not count.
    fn with_calibration(&self, plant: &Plant, mut excess: ExcessLoss) -> ExcessLoss {
        let averages = self.history.averages();
        let (Some(since), Some(now)) = (excess.since, averages.back().and_then(|last| last.utc))
        else {
            return excess;
        };
        let (before, until_now) = (
            self.history.causes_of_day(since),
            self.history.causes_of_day(now),
        );
        // Of a loss that began before what is remembered nothing is held against.
        if before.is_empty() {
            return excess;
        }
        let kg = libm::sqrt(calibration_kg2(plant, (&before, &until_now)));
        excess.lost_std_kg = libm::hypot(excess.lost_std_kg, kg);
        let kg_per_s = kg / (now - since).max(Span::DAY).seconds();
        excess.std_kg_per_s = libm::hypot(excess.std_kg_per_s, kg_per_s);
        excess
    }

    /// Brings the areas' books up to date. Those of the last week have a rate; one that exists only
    /// since valves were shut has the balance of the windows in which it did. Gives the positions of
    /// those whose standing loss was looked at anew.
    fn judge_areas(&mut self, plant: &Plant, ledger: &Ledger) -> Vec<usize> {
        let mut refined = Vec::new();
        let sections = plant.all.section.len();
        let partial = |area: &Area| area.sections.len() < sections;
        let mut lasting = self.accounts.areas(plant, RATE_OVER, false);
        lasting.retain(partial);
        let by_window: Vec<(Span, Vec<Area>)> = WINDOWS
            .iter()
            .map(|&over| (over, self.accounts.areas(plant, over, true)))
            .collect();
        let mut all = lasting.clone();
        for area in by_window.iter().flat_map(|(_, areas)| areas) {
            if partial(area) && !all.contains(area) {
                all.push(area.clone());
            }
        }
        // A part of a lasting area, or of several: what holds a whole one is none.
        let is_part = |area: &&Area| lasting.iter().all(|one| !area.covers(one));
        let parts: Vec<Area> = all.iter().filter(is_part).cloned().collect();
        self.isolations.note(plant, &self.accounts, &parts);
        let mut before = std::mem::take(&mut self.areas);
        for area in all {
            let known = before
                .iter()
                .position(|book| book.area == area)
                .map(|at| before.swap_remove(at));
            let mut book = known.unwrap_or_else(|| AreaBook::new(plant, area));
            let windows = by_window
                .iter()
                .filter(|(_, areas)| areas.contains(&book.area))
                .filter_map(|(over, _)| {
                    let noise = book.judgement.noise();
                    let area = &book.area;
                    self.accounts.balance(plant, ledger, area, *over, noise)
                })
                .collect();
            book.report.windows = windows;
            if lasting.contains(&book.area) {
                if book.judge(plant, ledger, &self.accounts, lasting.len()) {
                    refined.push(self.areas.len());
                }
            } else {
                book.judgement = Judgement::default();
                book.report.rate = None;
                book.report.excess = None;
            }
            self.areas.push(book);
        }
        refined
    }

    /// The standing loss that stands out most: of the plant (none) or of an area, with its onset. A
    /// meter that reads wrong moves areas only.
    fn leading(&self) -> Option<(Option<usize>, &OnsetEstimate)> {
        let of_areas = self.areas.iter().enumerate();
        let of_areas = of_areas.filter_map(|(at, book)| Some((Some(at), book.judgement.onset()?)));
        let of_plant = self.judgement.onset().map(|onset| (None, onset));
        of_plant
            .into_iter()
            .chain(of_areas)
            .max_by(|a, b| a.1.significance.total_cmp(&b.1.significance))
    }

    fn explain(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &LossTick,
        series: &GridSeries,
    ) -> Option<Explanation> {
        let (leading, found) = self.leading()?;
        let onset_s = (
            found.onset_s,
            found.onset_band_95_s.0.min(found.onset_s),
            found.onset_band_95_s.1.max(found.onset_s),
        );
        let unlike: Vec<Option<GridSeries>> = (0..tick.comparisons.len())
            .map(|number| self.accounts.unlike(number, ONSET_OVER))
            .map(|series| series.map(GridSeries::of_area))
            .collect();
        self.find_unlike_noise(&unlike, onset_s.1);
        let judged: Vec<(&AreaBook, &NoiseModel, Option<AreaCourse>)> = self
            .areas
            .iter()
            .filter_map(|book| Some((book, book.judgement.noise()?)))
            .map(|(book, noise)| (book, noise, book.course(plant, ledger, &self.accounts)))
            .collect();
        let mut traces = vec![Trace {
            of: TraceOf::Plant,
            series,
            noise: self.judgement.noise()?,
            settings: plant_settings(plant),
        }];
        let mut known: Vec<Area> = judged.iter().map(|(book, ..)| book.area.clone()).collect();
        let covered: usize = known.iter().map(|area| area.sections.len()).sum();
        let whole = covered == plant.all.section.len();
        // The plant less all other areas is the last one: it adds nothing, so the least certain goes.
        let least_certain = judged
            .iter()
            .enumerate()
            .filter(|_| whole)
            .max_by(|(_, a), (_, b)| uncertainty(a.1).total_cmp(&uncertainty(b.1)))
            .map(|(number, _)| number);
        for (number, (_, noise, course)) in judged.iter().enumerate() {
            if let Some(course) = course
                && Some(number) != least_certain
            {
                traces.push(Trace {
                    of: TraceOf::Area(number),
                    series: &course.series,
                    noise,
                    settings: course.settings,
                });
            }
        }
        for (number, (series, noise)) in unlike.iter().zip(&self.unlike_noise).enumerate() {
            if let (Some(series), Some((_, noise))) = (series, noise) {
                traces.push(Trace {
                    of: TraceOf::Unlike(number),
                    series,
                    noise,
                    settings: explain::alike(),
                });
            }
        }
        if !whole {
            let rest = (0u32..)
                .zip(&plant.all.section)
                .map(|(number, _)| SectionIx(number))
                .filter(|section| !known.iter().any(|area| area.holds(*section)))
                .collect();
            known.push(Area { sections: rest });
        }
        let leading_trace = leading
            .and_then(|at| self.areas.get(at))
            .and_then(|book| known.iter().position(|area| *area == book.area))
            .map_or(TraceOf::Plant, TraceOf::Area);
        let modes = self.modes_since(onset_s.1 - 43_200.0);
        let holes = hole::supposed(plant, &self.accounts, onset_s.0);
        let proofs = series.utc_at(onset_s.2).map_or_else(Vec::new, |begun| {
            let (jumps, judged) = (&(tick.jumps)(), &known);
            let since = Since {
                begun,
                judged,
                jumps,
            };
            self.isolations.since(plant, ledger, &self.accounts, &since)
        });
        let evidence = Evidence {
            plant,
            traces,
            areas: &known,
            comparisons: tick.comparisons,
            masses: tick.masses,
            holes: &holes,
            onset_s,
            leading: leading_trace,
            modes: &modes,
            proofs: &proofs,
            flows: &self.accounts.mean_flows(plant, RATE_OVER),
            utc_at: &|seconds| series.utc_at(seconds),
        };
        let mut explanation = evidence.explain()?;
        advice::add(&mut explanation, plant, &self.accounts, &proofs);
        advice::exclude(&mut explanation, plant, tick.vacuum);
        advice::exclude_by_pressure(&mut explanation, plant, tick.masses);
        Some(explanation)
    }

    /// Changes of mode after that time, s.
    fn modes_since(&self, from_s: f64) -> Vec<(f64, VesselIx)> {
        let changes = self.modes.iter();
        let dated = changes.map(|(at, vessel)| (Span::from_millis(at.0).seconds(), *vessel));
        dated.filter(|(at, _)| *at >= from_s).collect()
    }

    /// The comparisons' own noise, found once a day from what lies before the onset: what came then, a
    /// step of an instrument say, is to be told from that noise.
    fn find_unlike_noise(&mut self, series: &[Option<GridSeries>], onset_s: f64) {
        self.unlike_noise.resize(series.len(), None);
        for (kept, series) in self.unlike_noise.iter_mut().zip(series) {
            if let Some((age, _)) = kept {
                *age += 1;
                if *age < UNLIKE_NOISE_EVERY {
                    continue;
                }
            }
            let fitted = series.as_ref().and_then(|series| {
                series.with(ONSET_OVER, |window| {
                    let before = window.first_at(onset_s);
                    let window = LossSeries {
                        mass_kg: window.mass_kg.get(..before)?,
                        ..*window
                    };
                    let settings = NoiseSettings::default();
                    noise::fit(&window, &settings, None).ok()
                })
            });
            *kept = fitted.map(|noise| (0, noise)).or(kept.take());
        }
    }
}

impl AreaBook {
    fn new(plant: &Plant, area: Area) -> Self {
        let id = area.id(plant);
        let turn = area.sections.first().map_or(0, |section| section.0);
        Self {
            area,
            judgement: Judgement::in_turn(turn),
            steps: 0,
            report: LossReport {
                section: Some(id),
                windows: Vec::new(),
                rate: None,
                excess: None,
                accepted_kg_per_s: (0.0, may_be_accepted(plant)),
            },
        }
    }

    fn course(&self, plant: &Plant, ledger: &Ledger, accounts: &Accounts) -> Option<AreaCourse> {
        let series = accounts.series(plant, ledger, &self.area, ONSET_OVER)?;
        let settings = LossSettings {
            accepted_std_kg_per_s: may_be_accepted(plant),
            ..LossSettings::default()
        };
        Some(AreaCourse {
            settings,
            walk_kg2_per_s: series.walk_kg2_per_s,
            slow_kg2_s: series.slow_kg2_s,
            meter_gain: series.meter_gain,
            series: GridSeries::of_area(series),
        })
    }

    /// True when the onset of a standing loss was looked for.
    fn judge(&mut self, plant: &Plant, ledger: &Ledger, accounts: &Accounts, areas: usize) -> bool {
        let Some(course) = self.course(plant, ledger, accounts) else {
            return false;
        };
        let frame = Frame {
            series: &course.series,
            settings: course.settings,
            false_alarms_per_year: false_alarms_per_year(plant, areas).1,
            booked: ledger.entries().len(),
            restated_kg: 0.0,
            walk_kg2_per_s: course.walk_kg2_per_s,
            slow_kg2_s: course.slow_kg2_s,
            beyond_stated: 1.0,
        };
        let refined = self.judgement.step(&frame);
        if self.steps.is_multiple_of(AREA_RATE_EVERY) {
            self.report.rate = self.judgement.rate(&frame);
        }
        self.steps = self.steps.wrapping_add(1);
        self.report.excess = self
            .judgement
            .excess(&frame, self.report.rate.as_ref())
            .map(|mut excess| {
                // A loss is seen as a change of metered flows, and no better than meters tell one.
                let of_gain = course.meter_gain * excess.excess_kg_per_s;
                excess.std_kg_per_s = libm::hypot(excess.std_kg_per_s, of_gain);
                let of_gain_kg = course.meter_gain * excess.lost_kg;
                excess.lost_std_kg = libm::hypot(excess.lost_std_kg, of_gain_kg);
                // The series as a whole decides: a meter's wander may look like a beginning for a while.
                excess.raised &= excess.excess_kg_per_s > SURE * excess.std_kg_per_s;
                excess
            });
        refined
    }
}

/// False alarms a year of the plant's test, and of each area's: together they are as many as the site
/// puts up with, half of them the plant's.
fn false_alarms_per_year(plant: &Plant, areas: usize) -> (f64, f64) {
    let all = plant.site.false_alerts_per_year;
    if areas == 0 {
        return (all, all);
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of areas")]
    let each = 0.5 * all / areas as f64;
    (0.5 * all, each)
}

fn plant_settings(plant: &Plant) -> LossSettings {
    LossSettings {
        accepted_kg_per_s: plant.site.accepted_loss.value.si(),
        accepted_std_kg_per_s: plant.site.accepted_loss.std,
        ..LossSettings::default()
    }
}

/// Nobody has said what is accepted of one area: of the plant's accepted loss it may have none or
/// all, kg/s.
pub(super) fn may_be_accepted(plant: &Plant) -> f64 {
    let accepted = plant.site.accepted_loss;
    libm::hypot(accepted.value.si(), accepted.std)
}

fn uncertainty(noise: &NoiseModel) -> f64 {
    noise.parameters.white_std_kg + noise.parameters.correlated_std_kg
}
