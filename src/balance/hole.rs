//! What a hole lets out, by the pressure behind it: it loses more while that is high. Where the
//! pressure of a section moved since a loss began, the loss either went with it or did not.

use super::account::Accounts;
use super::area::Area;
use super::explain::TOLD_APART;
use super::judgement::ONSET_OVER;
use super::report::HypothesisKind;
use super::series::first_step_at;
use super::whiten::DAY_S;
use super::window::GRID;
use crate::plant::{Plant, SectionIx};

/// Air that it flows into, Pa: the standard atmosphere (ISO 2533), since the air's own changes are
/// small beside those that this looks for.
const AIR_PA: f64 = 101_325.0;
/// Ratio of the heat capacities of a gas of single atoms.
const GAMMA: f64 = 5.0 / 3.0;
/// What would flow must vary by this part of its mean, or it tells nothing from a steady loss.
const LEAST_VARIATION: f64 = 0.05;
const PA_PER_BAR: f64 = 1e5;
/// Holes that are held against a loss: each is tried in every series.
const MOST_HOLES: usize = 16;

/// How a hole's flow follows the pressure behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Law {
    /// A short hole: in proportion to the pressure as long as it is choked, from twice the air's on.
    Orifice,
    /// A long fine crack: by the difference of the squares of the pressures.
    Crack,
}

impl Law {
    pub const ALL: [Self; 2] = [Self::Orifice, Self::Crack];

    /// Flow into the air in any unit; none when the pressure is not above the air's.
    ///
    /// **Source** isentropic flow of an ideal gas through an orifice (Saint-Venant and Wantzel 1839)
    /// and laminar flow of an ideal gas through a capillary (Poiseuille, integrated); textbook forms,
    /// from memory. The gas behind is taken to keep its temperature.
    pub fn flow(self, pressure_pa: f64) -> f64 {
        if pressure_pa <= AIR_PA {
            return 0.0;
        }
        match self {
            Self::Crack => pressure_pa * pressure_pa - AIR_PA * AIR_PA,
            Self::Orifice => {
                let choked = libm::pow(2.0 / (GAMMA + 1.0), GAMMA / (GAMMA - 1.0));
                let ratio = (AIR_PA / pressure_pa).max(choked);
                let (slow, fast) = (2.0 / GAMMA, (GAMMA + 1.0) / GAMMA);
                pressure_pa * libm::sqrt(libm::pow(ratio, slow) - libm::pow(ratio, fast))
            }
        }
    }
}

/// A supposed hole in a section whose pressure moved since the loss began.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hole {
    pub section: SectionIx,
    /// Lowest and highest pressure since the loss began, Pa.
    pub between_pa: (f64, f64),
    /// By what part of its mean its flow varied.
    pub variation: f64,
    /// First time and step, s, of what follows.
    grid: (f64, f64),
    /// What has left by each step of the grid, for a mean flow of one since the loss began, s.
    lost_s: Vec<f64>,
}

impl Hole {
    /// From the section's pressures on a grid; none when they tell nothing from a steady loss.
    pub fn new(
        section: SectionIx,
        law: Law,
        grid: (f64, f64),
        pressures_pa: &[f64],
        onset_s: f64,
    ) -> Option<Self> {
        let since = pressures_pa.get(first_step_at(grid, onset_s)..)?;
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0_u32);
        let mut between_pa = (f64::INFINITY, f64::NEG_INFINITY);
        for &pa in since.iter().filter(|pa| pa.is_finite()) {
            let flow = law.flow(pa);
            sum += flow;
            squares += flow * flow;
            count += 1;
            between_pa = (between_pa.0.min(pa), between_pa.1.max(pa));
        }
        // Where half of it is not known, nothing is.
        if usize::try_from(count).is_ok_and(|count| 2 * count < since.len()) || count == 0 {
            return None;
        }
        let mean = sum / f64::from(count);
        let variance = squares / f64::from(count) - mean * mean;
        let variation = libm::sqrt(variance.max(0.0)) / mean;
        if !(mean > 0.0 && variation >= LEAST_VARIATION) {
            return None;
        }
        // Between readings the mean stands.
        let flows = pressures_pa.iter().map(|pa| {
            if pa.is_finite() {
                law.flow(*pa) / mean
            } else {
                1.0
            }
        });
        let lost_s = flows
            .scan(0.0, |lost, flow| {
                *lost += flow * grid.1;
                Some(*lost)
            })
            .collect();
        Some(Self {
            section,
            between_pa,
            variation,
            grid,
            lost_s,
        })
    }

    /// The mass at some times, for a loss that was there all along and is 1 kg/day on the mean since
    /// the loss began, kg.
    pub fn course(&self, times_s: impl Iterator<Item = f64>) -> Vec<f64> {
        times_s
            .map(|time_s| -self.lost_by(time_s) / DAY_S)
            .collect()
    }

    /// What had left by a time, which is one of the grid.
    fn lost_by(&self, time_s: f64) -> f64 {
        let at = first_step_at(self.grid, time_s);
        let lost = self.lost_s.get(at).or(self.lost_s.last());
        lost.copied().unwrap_or(0.0)
    }
}

/// Holes in the sections whose pressures moved most since a loss began.
pub(super) fn supposed(plant: &Plant, accounts: &Accounts, onset_s: f64) -> Vec<Hole> {
    let mut found: Vec<Hole> = (0u32..)
        .zip(&plant.all.section)
        .filter_map(|(number, _)| {
            let section = SectionIx(number);
            let (start_s, pressures) = accounts.pressures(section, ONSET_OVER)?;
            let grid = (start_s, GRID.seconds());
            let by_law = Law::ALL.into_iter();
            let all = by_law.filter_map(|law| Hole::new(section, law, grid, &pressures, onset_s));
            Some(all.collect::<Vec<_>>())
        })
        .flatten()
        .collect();
    found.sort_by(|a, b| b.variation.total_cmp(&a.variation));
    found.truncate(MOST_HOLES);
    found.sort_by_key(|hole| hole.section);
    found
}

/// What a hole in a section explains of a loss in its area, beside what a steady loss does.
pub(super) struct HoleFit<'a> {
    pub hole: &'a Hole,
    /// Halves of the chi-square explained.
    pub explains: f64,
    pub steady_explains: f64,
}

impl HoleFit<'_> {
    /// Whether the loss went with the pressure rather than on steadily.
    pub fn goes_with(&self) -> bool {
        self.explains - self.steady_explains > TOLD_APART
    }

    fn does_not(&self) -> bool {
        self.steady_explains - self.explains > TOLD_APART
    }
}

/// What the pressures say of a loss in an area: out of which section it is, or is not.
pub(super) fn words(plant: &Plant, area: &Area, fits: &[HoleFit]) -> Vec<String> {
    let mut said = Vec::new();
    let mut sections: Vec<SectionIx> = fits.iter().map(|fit| fit.hole.section).collect();
    sections.dedup();
    for section in sections {
        let of_section = || fits.iter().filter(|fit| fit.hole.section == section);
        let best = of_section().max_by(|a, b| a.explains.total_cmp(&b.explains));
        let (Some(best), Some(described)) = (best, plant.section(section)) else {
            continue;
        };
        let (low, high) = best.hole.between_pa;
        let went = format!(
            "since the loss began the pressure of {} was between {:.2} and {:.2} bar",
            described.name,
            low / PA_PER_BAR,
            high / PA_PER_BAR
        );
        if best.goes_with() {
            let elsewhere = if area.sections.len() > 1 {
                "not elsewhere in its area, and no loss that goes on steadily"
            } else {
                "no loss that goes on steadily"
            };
            said.push(format!(
                "{elsewhere}: {went}, and the loss went with it, as out of a hole there"
            ));
        } else if best.does_not() {
            said.push(format!(
                "not out of a hole in {} into the air: {went}, and the loss did not go with it",
                described.name
            ));
        }
    }
    said
}

/// The kind of a leak out of one section.
pub(super) fn leak_of(plant: &Plant, section: SectionIx) -> Option<HypothesisKind> {
    let id = plant.section(section)?.id.clone();
    Some(HypothesisKind::Leak { sections: vec![id] })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Textbook: helium chokes below a pressure ratio of 0.487 (gamma 5/3), and from there on the
    /// flow is in proportion to the pressure.
    #[test]
    fn a_choked_orifice_lets_out_in_proportion_to_the_pressure() {
        let critical = AIR_PA / 0.487_139_289_628_746_9;
        let per_pa = |pa: f64| Law::Orifice.flow(pa) / pa;
        for times in [1.0001, 2.0, 10.0] {
            assert!((per_pa(times * critical) / per_pa(critical) - 1.0).abs() < 1e-6);
        }
        // Below it, less than in proportion; at the air's own pressure nothing.
        assert!(per_pa(0.8 * critical) < per_pa(critical));
        for law in Law::ALL {
            assert!(law.flow(AIR_PA).abs() < 1e-9 && law.flow(5e4).abs() < 1e-9);
        }
        // A crack: four times the flow at twice a pressure that is high.
        let ratio = Law::Crack.flow(4e7) / Law::Crack.flow(2e7);
        assert!((ratio - 4.0).abs() < 1e-3);
    }

    #[test]
    fn a_hole_loses_one_a_day_on_the_mean() {
        let step_s = 600.0;
        let pressures: Vec<f64> = (0..432)
            .map(|i| {
                let swing = libm::sin(f64::from(i) / 40.0);
                if i % 7 == 0 {
                    f64::NAN
                } else {
                    5e5 + 2e5 * swing
                }
            })
            .collect();
        let hole = |law| Hole::new(SectionIx(0), law, (0.0, step_s), &pressures, 144.0 * step_s);
        for law in Law::ALL {
            let hole = hole(law).unwrap();
            let times = (0..432).map(|i| f64::from(i) * step_s);
            let mass = hole.course(times);
            assert!(mass.windows(2).all(|pair| pair[1] <= pair[0]));
            let lost = mass[144] - mass[431];
            assert!((lost - 287.0 / 144.0).abs() < 0.05, "{lost}");
        }
        assert!(hole(Law::Crack).unwrap().variation > hole(Law::Orifice).unwrap().variation);
        // A pressure that stands still tells nothing, nor does one that is hardly known.
        let still = vec![1.2e5; 432];
        assert!(Hole::new(SectionIx(0), Law::Crack, (0.0, step_s), &still, 0.0).is_none());
        let unknown = vec![f64::NAN; 432];
        assert!(Hole::new(SectionIx(0), Law::Crack, (0.0, step_s), &unknown, 0.0).is_none());
    }
}
