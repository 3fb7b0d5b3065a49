//! What counters say has passed: the difference of two readings, over the time between them.

use serde::{Deserialize, Serialize};

use super::channels::ChannelState;
use crate::plant::{LineIx, MeterForm, Plant, TotaliserMeter};
use crate::quantity::{GroupIx, MassFlow, Measured, Quality, Reason, SharedParts, Si};
use crate::time::Monotonic;

/// The counters of a plant, in the order of its lines.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Totals {
    lines: Vec<Total>,
}

/// One line's counter; nothing for a line without one.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Total {
    /// The last usable count with its standard uncertainty, and when it was read.
    last: Option<(f64, f64, Monotonic)>,
    /// The flow between the last two counts.
    flow: Option<Measured<MassFlow>>,
}

impl Totals {
    /// Takes up the lines of `plant`; counters whose line and meter stay as they are go on.
    pub fn adopt(&mut self, plant: &Plant, before: Option<&Plant>) {
        let lines = plant
            .all
            .line
            .iter()
            .map(|line| {
                let old = before
                    .and_then(|before| before.line_by_id(&line.id))
                    .filter(|(_, old)| old.meter == line.meter)
                    .and_then(|(ix, _)| self.lines.get(ix.index()));
                old.cloned().unwrap_or_default()
            })
            .collect();
        self.lines = lines;
    }

    /// The flow between the last two counts of a line.
    #[must_use]
    pub fn flow(&self, line: LineIx) -> Option<&Measured<MassFlow>> {
        self.lines.get(line.index())?.flow.as_ref()
    }

    /// Looks at every counter that was read since. What passed while it could not be read is in the
    /// first difference after it.
    pub fn refresh(&mut self, plant: &Plant, states: &[ChannelState]) {
        for (line, total) in plant.all.line.iter().zip(&mut self.lines) {
            let Some(meter) = &line.meter else { continue };
            let MeterForm::Totaliser(totaliser) = &meter.form else {
                continue;
            };
            let Some(state) = states.get(totaliser.count.index()) else {
                continue;
            };
            let (read, _, _) = state.shown();
            let at = state.read_at().map(|(at, _)| at);
            total.see(totaliser, meter.groups.device, read, at);
        }
    }
}

impl Total {
    fn see(
        &mut self,
        meter: &TotaliserMeter,
        group: GroupIx,
        read: &Measured<Si>,
        at: Option<Monotonic>,
    ) {
        let Some(at) = at else { return };
        if !read.is_usable() {
            self.flow = self.flow.take().map(|_| Measured::bad(read.reason));
            return;
        }
        let now = (read.value.0, read.independent_std, at);
        let Some((before, before_std, then)) = self.last else {
            self.last = Some(now);
            return;
        };
        let elapsed = (at - then).seconds();
        if elapsed <= 0.0 {
            return;
        }
        self.last = Some(now);
        self.flow = Some(difference(
            meter,
            group,
            (before, before_std),
            (now.0, now.1),
            elapsed,
        ));
    }
}

fn difference(
    meter: &TotaliserMeter,
    group: GroupIx,
    before: (f64, f64),
    now: (f64, f64),
    elapsed_s: f64,
) -> Measured<MassFlow> {
    let mut counter = meter.counter;
    // A count more, since two readings fall anywhere between two counts.
    let most = 1.0 + meter.largest_flow * elapsed_s / counter.per_count;
    counter.largest_step_counts = most.min(0.5 * counter.rollover_counts);
    match counter.increment(before.0, now.0) {
        Err(_) => Measured::bad(Reason::CounterReset),
        Ok(kg) => {
            let flow = kg / elapsed_s;
            let noise = libm::hypot(before.1, now.1) * counter.per_count / elapsed_s;
            let part = flow * meter.per_count_std / counter.per_count;
            let shared = if part == 0.0 {
                SharedParts::new()
            } else {
                SharedParts::from_iter([(group, part)])
            };
            Measured::good(MassFlow::new(flow), noise, shared)
                .with_quality(Quality::Good, Reason::None)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instrument::flow::Totaliser;
    use crate::plant::ChannelIx;

    fn meter() -> TotaliserMeter {
        TotaliserMeter {
            count: ChannelIx(0),
            counter: Totaliser {
                per_count: 0.01,
                rollover_counts: 1000.0,
                largest_step_counts: 0.0,
            },
            per_count_std: 1e-4,
            largest_flow: 0.1,
        }
    }

    fn count(number: f64) -> Measured<Si> {
        Measured::good(Si(number), 0.288_675, SharedParts::new())
    }

    fn at(seconds: i64) -> Monotonic {
        Monotonic(seconds * 1000)
    }

    #[test]
    fn counts_become_a_flow_across_the_rollover_and_across_a_silence() {
        let (meter, group) = (meter(), GroupIx(4));
        let mut total = Total::default();
        total.see(&meter, group, &count(990.0), Some(at(0)));
        assert_eq!(total.flow, None);
        total.see(&meter, group, &count(998.0), Some(at(10)));
        let flow = total.flow.clone().unwrap();
        assert!((flow.value.si() - 8e-3).abs() < 1e-12);
        // Two ends of one count each, rectangular: 0.01 kg sqrt(2/12) in 10 s.
        assert!((flow.independent_std / (0.01 * libm::sqrt(1.0 / 6.0) / 10.0) - 1.0).abs() < 1e-5);
        assert_eq!(flow.shared.as_slice(), &[(group, 8e-3 * 0.01)]);
        // The same reading again adds nothing.
        total.see(&meter, group, &count(998.0), Some(at(10)));
        assert_eq!(total.flow.as_ref(), Some(&flow));
        total.see(
            &meter,
            group,
            &Measured::bad(Reason::NoAnswer),
            Some(at(20)),
        );
        assert_eq!(total.flow.as_ref().unwrap().reason, Reason::NoAnswer);
        total.see(&meter, group, &count(38.0), Some(at(50)));
        let after = total.flow.clone().unwrap();
        assert!((after.value.si() - 0.4 / 40.0).abs() < 1e-12, "{after:?}");
    }

    #[test]
    fn a_counter_that_was_reset_is_no_flow() {
        let mut total = Total::default();
        total.see(&meter(), GroupIx(0), &count(500.0), Some(at(0)));
        total.see(&meter(), GroupIx(0), &count(3.0), Some(at(10)));
        assert_eq!(total.flow.as_ref().unwrap().reason, Reason::CounterReset);
        total.see(&meter(), GroupIx(0), &count(5.0), Some(at(20)));
        assert!((total.flow.unwrap().value.si() - 2e-3).abs() < 1e-12);
    }
}
