//! From facts to the cause of an alarm: limits with deadband, rate of change, unusable channels,
//! disagreement, masses, losses, lost devices.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::state::Cause;
use crate::balance::report::{ExcessLoss, Explanation, RoomLeft, WindowBalance};
use crate::plant::{
    AlarmSource, ChannelIx, CoolDownIx, DeviceIx, Direction, LineIx, MagnetIx, Passage, Plant,
    Scope, VesselIx,
};
use crate::quantity::{Measured, Reason, Si};
use crate::time::{Monotonic, Span};

/// What an alarm may ask about the plant at a tick.
pub trait Facts {
    /// A channel's value now.
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>>;
    /// A vessel's usable mass, kg.
    fn vessel_mass_kg(&self, vessel: VesselIx) -> Option<f64>;
    /// What the sequential test says of the loss.
    fn excess(&self, scope: Scope) -> Option<&ExcessLoss>;
    /// What could explain the plant's loss, while one stands.
    fn explanation(&self) -> Option<&Explanation> {
        None
    }
    /// The balance over that window.
    fn window(&self, scope: Scope, over: Span) -> Option<&WindowBalance>;
    /// Room for gas if the compressors stop now.
    fn room(&self) -> Option<&RoomLeft>;
    /// Whether a line is open.
    fn passage(&self, line: LineIx) -> Passage;
    /// A magnet's temperature margin and its standard uncertainty, K; minus infinity when it is lost,
    /// none when it is not known.
    fn margin_k(&self, magnet: MagnetIx) -> Option<(f64, f64)>;
    /// Time until a bath reaches its low level by its trend, s; infinity when it does not fall, none
    /// when it is not known.
    fn time_until_low_s(&self, vessel: VesselIx) -> Option<f64>;
    /// Difference between the ends of a cold mass and its limit, K.
    fn gradient_k(&self, cool_down: CoolDownIx) -> Option<(f64, f64)>;
    /// Whether a device answers; none before its first poll.
    fn device_answers(&self, device: DeviceIx) -> Option<bool>;
}

/// What a source must remember from tick to tick.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SourceMemory {
    /// The raw cause at the last tick; a deadband holds it.
    active: bool,
    /// Values over the time of a rate of change, oldest first.
    past: VecDeque<(Monotonic, f64)>,
}

/// Values kept for a rate of change: enough to place its window within 5 %.
const RATE_SAMPLES: i64 = 20;

impl SourceMemory {
    /// The cause at `now`.
    pub fn judge(
        &mut self,
        source: &AlarmSource,
        plant: &Plant,
        facts: &dyn Facts,
        now: Monotonic,
    ) -> Cause {
        let cause = match source {
            AlarmSource::Limit {
                channel,
                direction,
                limit,
                deadband,
            } => match usable(facts, *channel) {
                None => beyond_range(plant, facts, *channel, *direction),
                Some((value, std)) => self.beyond(value, *direction, *limit, *deadband, || {
                    format!(
                        "{} ({} {})",
                        plant.show(*channel, Si(value), std),
                        side(*direction),
                        plant.show(*channel, Si(*limit), 0.0)
                    )
                }),
            },
            AlarmSource::RateOfChange {
                channel,
                direction,
                limit_per_s,
                over,
            } => match usable(facts, *channel) {
                None => {
                    self.past.clear();
                    Cause::Unknown
                }
                Some((value, _)) => match self.rate(value, now, *over) {
                    None => Cause::Absent,
                    Some(rate) => {
                        let signed = match direction {
                            Direction::Up => rate,
                            Direction::Down => -rate,
                        };
                        if signed > *limit_per_s {
                            Cause::Present(rate_words(plant, *channel, rate, *over))
                        } else {
                            Cause::Absent
                        }
                    }
                },
            },
            AlarmSource::NotUsable { channels } => not_usable(plant, facts, channels),
            AlarmSource::Disagreement {
                channels,
                limit,
                while_open,
            } => {
                if while_open
                    .iter()
                    .all(|&line| facts.passage(line) == Passage::Open)
                {
                    disagreement(plant, facts, channels, *limit)
                } else {
                    Cause::Absent
                }
            }
            AlarmSource::VesselMass {
                vessel,
                direction,
                limit,
                deadband,
            } => match facts.vessel_mass_kg(*vessel) {
                None => Cause::Unknown,
                Some(mass) => self.beyond(mass, *direction, *limit, *deadband, || {
                    format!("{mass:.1} kg ({} {limit:.1} kg)", side(*direction))
                }),
            },
            AlarmSource::ExcessLoss { scope } => {
                // What explains the plant's loss is said of the plant.
                let explanation = facts.explanation().filter(|_| *scope == Scope::Plant);
                excess_loss(facts.excess(*scope), explanation)
            }
            AlarmSource::UnaccountedLoss { scope, over, limit } => {
                unaccounted(facts.window(*scope, *over), *over, *limit)
            }
            AlarmSource::Margin { .. }
            | AlarmSource::TimeUntilLow { .. }
            | AlarmSource::Gradient { .. } => self.of_magnets(source, facts),
            AlarmSource::RoomLeft { below } => self.room(facts.room(), *below),
            AlarmSource::DeviceLost { device } => match facts.device_answers(*device) {
                None => Cause::Unknown,
                Some(true) => Cause::Absent,
                Some(false) => Cause::Present("does not answer".into()),
            },
        };
        match cause {
            Cause::Present(_) => self.active = true,
            Cause::Absent => self.active = false,
            Cause::Unknown => {}
        }
        cause
    }

    fn of_magnets(&self, source: &AlarmSource, facts: &dyn Facts) -> Cause {
        let judged = match source {
            AlarmSource::Margin {
                magnet,
                limit,
                deadband,
            } => facts.margin_k(*magnet).map(|(margin, std)| {
                self.beyond(margin, Direction::Down, *limit, *deadband, || {
                    if margin == f64::NEG_INFINITY {
                        "margin lost: the superconductor does not carry the current".to_owned()
                    } else {
                        format!("{margin:.2} K ± {std:.2} K (below {limit:.2} K)")
                    }
                })
            }),
            AlarmSource::TimeUntilLow {
                vessel,
                limit,
                deadband,
            } => facts.time_until_low_s(*vessel).map(|time| {
                self.beyond(time, Direction::Down, *limit, *deadband, || {
                    format!(
                        "{} to the low level (below {})",
                        Span::from_seconds(time),
                        Span::from_seconds(*limit)
                    )
                })
            }),
            AlarmSource::Gradient {
                cool_down,
                deadband,
            } => facts.gradient_k(*cool_down).map(|(difference, limit)| {
                self.beyond(difference, Direction::Up, limit, *deadband, || {
                    format!("{difference:.1} K between the ends (above {limit:.1} K)")
                })
            }),
            _ => None,
        };
        judged.unwrap_or(Cause::Unknown)
    }

    /// Less than the limit left; it returns with a fifth more than that.
    fn room(&self, room: Option<&RoomLeft>, below: Span) -> Cause {
        const SLACK: f64 = 1.2;
        let Some((room, hours)) = room.and_then(|room| Some((room, room.hours?))) else {
            return Cause::Unknown;
        };
        let limit = below.seconds() / 3600.0 * if self.active { SLACK } else { 1.0 };
        if hours >= limit {
            return Cause::Absent;
        }
        let band = room.hours_band.map_or_else(String::new, |(low, high)| {
            format!(" (95 %: {} to {})", hours_words(low), hours_words(high))
        });
        Cause::Present(format!(
            "{}{band} until gas must be vented if the compressors stop now; room for {:.1} kg, {:.2} g/s boils off",
            hours_words(hours),
            room.free_kg,
            1000.0 * room.boil_off_kg_per_s
        ))
    }

    fn beyond(
        &self,
        value: f64,
        direction: Direction,
        limit: f64,
        deadband: f64,
        detail: impl FnOnce() -> String,
    ) -> Cause {
        let slack = if self.active { deadband } else { 0.0 };
        let beyond = match direction {
            Direction::Up => value > limit - slack,
            Direction::Down => value < limit + slack,
        };
        if beyond {
            Cause::Present(detail())
        } else {
            Cause::Absent
        }
    }

    /// Mean rate of change over the last `over`, per second; none until that much has been seen.
    fn rate(&mut self, value: f64, now: Monotonic, over: Span) -> Option<f64> {
        let spacing = Span::from_millis(over.millis() / RATE_SAMPLES);
        if self.past.back().is_none_or(|&(at, _)| now - at >= spacing) {
            self.past.push_back((now, value));
        }
        // The oldest kept is the youngest that is at least `over` old.
        while self.past.get(1).is_some_and(|&(at, _)| now - at >= over) {
            self.past.pop_front();
        }
        let &(then, before) = self.past.front()?;
        let elapsed = now - then;
        (elapsed >= over).then(|| (value - before) / elapsed.seconds())
    }
}

/// A reading beyond its instrument's range on the alarm's own side is past the limit all the more:
/// it must not silence the alarm by being bad.
fn beyond_range(
    plant: &Plant,
    facts: &dyn Facts,
    channel: ChannelIx,
    direction: Direction,
) -> Cause {
    let (Some(measured), Some(described)) = (facts.measured(channel), plant.channel(channel))
    else {
        return Cause::Unknown;
    };
    let (low, high) = described.range;
    let value = measured.value.0;
    let beyond = match direction {
        Direction::Up => value > high,
        Direction::Down => value < low,
    };
    let read = matches!(measured.reason, Reason::OutOfRange | Reason::LoopSaturated);
    if read && beyond {
        let end = if direction == Direction::Up {
            high
        } else {
            low
        };
        return Cause::Present(format!(
            "{} the instrument's range ({})",
            side(direction),
            plant.show(channel, Si(end), 0.0)
        ));
    }
    Cause::Unknown
}

fn side(direction: Direction) -> &'static str {
    match direction {
        Direction::Up => "above",
        Direction::Down => "below",
    }
}

/// Value and combined standard uncertainty of a usable channel.
fn usable(facts: &dyn Facts, channel: ChannelIx) -> Option<(f64, f64)> {
    facts
        .measured(channel)
        .filter(|measured| measured.is_usable())
        .map(|measured| (measured.value.0, measured.combined_std()))
}

/// A rate in the channel's own unit, per the largest unit of time that is not above the window.
fn rate_words(plant: &Plant, channel: ChannelIx, per_s: f64, over: Span) -> String {
    let Some(channel) = plant.channel(channel) else {
        return String::new();
    };
    let (name, seconds) = if over >= Span::HOUR {
        ("h", 3600.0)
    } else {
        ("min", 60.0)
    };
    let number = channel.unit.difference_from_si(per_s) * seconds;
    format!("{number:+.3} {}/{name} over {over}", channel.unit.symbol)
}

/// Minutes below two hours.
fn hours_words(hours: f64) -> String {
    if hours < 2.0 {
        format!("{:.0} min", 60.0 * hours)
    } else {
        format!("{hours:.1} h")
    }
}

fn excess_loss(excess: Option<&ExcessLoss>, explanation: Option<&Explanation>) -> Cause {
    match excess {
        None => Cause::Unknown,
        Some(excess) if excess.raised => {
            let because = explanation
                .and_then(Explanation::leading)
                .map_or_else(String::new, |words| format!("; {words}"));
            Cause::Present(format!(
                "{:.2} kg/day ± {:.2} kg/day beyond the accepted loss{because}",
                excess.excess_kg_per_s * 86_400.0,
                excess.std_kg_per_s * 86_400.0
            ))
        }
        Some(_) => Cause::Absent,
    }
}

fn unaccounted(window: Option<&WindowBalance>, over: Span, limit_kg: f64) -> Cause {
    match window {
        None => Cause::Unknown,
        Some(window)
            if window.excess_kg > limit_kg && window.excess_kg > window.decision_threshold_kg =>
        {
            Cause::Present(format!(
                "{:.2} kg ± {:.2} kg over {over} beyond the accepted loss",
                window.excess_kg, window.excess_std_kg
            ))
        }
        Some(_) => Cause::Absent,
    }
}

fn not_usable(plant: &Plant, facts: &dyn Facts, channels: &[ChannelIx]) -> Cause {
    let mut out = Vec::new();
    let mut known = false;
    for &channel in channels {
        let Some(measured) = facts.measured(channel) else {
            continue;
        };
        known |= measured.reason != Reason::NeverRead;
        if !measured.is_usable()
            && let Some(described) = plant.channel(channel)
        {
            out.push(format!("{}: {}", described.id, measured.reason.words()));
        }
    }
    if !known {
        return Cause::Unknown;
    }
    if out.is_empty() {
        return Cause::Absent;
    }
    if out.len() > 3 {
        let more = format!("and {} more", out.len() - 3);
        out.truncate(3);
        out.push(more);
    }
    Cause::Present(out.join("; "))
}

fn disagreement(plant: &Plant, facts: &dyn Facts, channels: &[ChannelIx], limit: f64) -> Cause {
    let mut values: Vec<(f64, ChannelIx)> = channels
        .iter()
        .filter_map(|&channel| usable(facts, channel).map(|(value, _)| (value, channel)))
        .collect();
    if values.len() < 2 {
        return Cause::Unknown;
    }
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let Some(median) = median(&values) else {
        return Cause::Unknown;
    };
    let worst = values
        .iter()
        .copied()
        .max_by(|a, b| (a.0 - median).abs().total_cmp(&(b.0 - median).abs()));
    match worst {
        Some((value, channel)) if (value - median).abs() > limit => {
            let Some(described) = plant.channel(channel) else {
                return Cause::Unknown;
            };
            let unit = described.unit;
            // A difference of two gauge readings is neither gauge nor absolute.
            let plain = unit.symbol.split('(').next().unwrap_or(unit.symbol);
            Cause::Present(format!(
                "{} reads {:+.3} {plain} from the median of {}",
                described.id,
                unit.difference_from_si(value - median),
                values.len()
            ))
        }
        _ => Cause::Absent,
    }
}

fn median(sorted: &[(f64, ChannelIx)]) -> Option<f64> {
    let half = sorted.len() / 2;
    let upper = sorted.get(half)?.0;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    Some(f64::midpoint(sorted.get(half.checked_sub(1)?)?.0, upper))
}
