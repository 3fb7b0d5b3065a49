//! Resistance of joints, from the pairs of current and voltage that the plant happens to pass.

use std::collections::{BTreeMap, VecDeque};

use super::reckoning::Reckoning;
use super::view::{JointMethod, JointView};
use crate::magnet::{self, Figure, JointPair, Resolution};
use crate::plant::{Id, Joint};
use crate::time::{Monotonic, Span};

/// Pairs of a joint that are kept for one step of current, and for how long.
const PAIRS_OF_A_STEP: usize = 4;
const PAIRS_KEPT: Span = Span::DAY;
/// A step of current, as a part of the channel's range.
const STEPS: f64 = 20.0;
/// The current stands when it moved by less than this part of itself in a minute.
const STANDS: f64 = 1e-4;

/// Pairs of one joint by step of current.
pub(super) type Pairs = BTreeMap<i32, VecDeque<(Monotonic, f64, f64)>>;

impl Reckoning<'_> {
    pub(super) fn joint(
        &self,
        joint: &Joint,
        memory: &mut BTreeMap<Id, Pairs>,
        currents: &mut BTreeMap<Id, f64>,
    ) -> JointView {
        let mut view = JointView::unknown(joint);
        let pairs = memory.entry(Id::clone(&joint.id)).or_default();
        for step in pairs.values_mut() {
            step.retain(|&(at, ..)| self.now - at <= PAIRS_KEPT);
        }
        pairs.retain(|_, step| !step.is_empty());
        let (current, voltage) = match (self.read(joint.current), self.read(joint.voltage)) {
            (Ok(current), Ok(voltage)) => (current, voltage),
            (current, voltage) => {
                currents.remove(&joint.id);
                let problems: Vec<_> = [current.err(), voltage.err()]
                    .into_iter()
                    .flatten()
                    .collect();
                view.why = problems.join("; ");
                return view;
            }
        };
        let noise = |ix| {
            self.channels
                .get(ix)
                .map_or(0.0, |channel| channel.for_alarms().independent_std)
        };
        let before = currents.insert(Id::clone(&joint.id), current.value);
        // While the current moves, the taps see inductance too.
        let still = STANDS * current.value.abs() + 4.0 * noise(joint.current);
        let stands = before.is_some_and(|before| (current.value - before).abs() <= still);
        if stands {
            self.keep_pair(joint, pairs, current.value, voltage.value);
        }
        let kept: Vec<JointPair> = in_time(pairs)
            .into_iter()
            .map(|(at, current_a, voltage_v)| JointPair {
                time_s: Some((at - self.now).seconds()),
                current_a,
                voltage_v,
                voltage_std_v: Some(noise(joint.voltage)).filter(|std| *std > 0.0),
                reversed: false,
            })
            .collect();
        view.pairs = u32::try_from(kept.len()).unwrap_or(u32::MAX);
        let resolution = Resolution {
            voltage_v: joint.resolution.si(),
            wanted_ohm: joint.wanted.si(),
        };
        match magnet::joint_resistance(&kept, resolution) {
            Ok(found) => {
                view.method = JointMethod::Regression;
                view.resistance_ohm = Some(found.resistance_ohm);
                return view;
            }
            Err(refusal) => view.why = format!("no regression: {refusal}"),
        }
        if !stands {
            view.why = "the current moves, so the taps see inductance too".into();
            return view;
        }
        one_pair(joint, current, voltage, &mut view);
        view
    }

    fn keep_pair(&self, joint: &Joint, pairs: &mut Pairs, current: f64, voltage: f64) {
        let range = self
            .plant
            .channel(joint.current)
            .map_or((0.0, 0.0), |channel| channel.range);
        let step = (range.1 - range.0) / STEPS;
        // The channel's range bounds the number of steps; the cast saturates.
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a cast from float saturates"
        )]
        let number = libm::floor(current / step) as i32;
        let kept = pairs.entry(number).or_default();
        let spacing = Span::from_millis(600_000);
        if kept.back().is_none_or(|&(at, ..)| self.now - at >= spacing) {
            kept.push_back((self.now, current, voltage));
            if kept.len() > PAIRS_OF_A_STEP {
                kept.pop_front();
            }
        }
    }
}

/// `(V - V0) / I`, with the voltage at no current as stated.
fn one_pair(joint: &Joint, current: Figure, voltage: Figure, view: &mut JointView) {
    let amperes = current.value;
    let resistance = (voltage.value - joint.zero.value.si()) / amperes;
    let parts = [
        voltage.std / amperes,
        joint.zero.std / amperes,
        resistance * current.std / amperes,
    ];
    let std = libm::sqrt(parts.iter().map(|part| part * part).sum());
    let figure = Figure::new(resistance, std);
    if figure.is_sound() && std <= joint.wanted.si() {
        view.method = JointMethod::OnePair;
        view.resistance_ohm = Some(figure);
    } else {
        let needed = joint.wanted.si() * amperes.abs();
        view.why = format!(
            "{}; from one pair {:.2e} ohm would be {needed:.1e} V at {amperes:.0} A, less than is known of the voltage",
            view.why,
            joint.wanted.si()
        );
    }
}

/// All pairs, oldest first.
fn in_time(pairs: &Pairs) -> Vec<(Monotonic, f64, f64)> {
    let mut all: Vec<_> = pairs.values().flatten().copied().collect();
    all.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    all
}
