//! The demonstration plant.

use coldledger::engine::event::EventKind;
use coldledger::plant::ChannelIx;
use coldledger::quantity::Quality;
use coldledger::time::Span;
use coldledger_simulator::{Imperfections, past};

use crate::support::{start, tarn_hollow};

#[test]
fn ten_days_of_past_hold_what_the_demonstration_tells() {
    let mut plant = tarn_hollow(1, Imperfections::AS_STATED);
    let before = plant.truth();
    assert!(
        (1_100.0..1_300.0).contains(&before.total_kg),
        "{}",
        before.total_kg
    );
    let until = start() + past::DEMO_PAST;
    let (mut polls, mut bookings) = (0_u64, 0);
    for (_, kind) in past::events(&mut plant, until, 1) {
        match kind {
            EventKind::Poll(poll) => {
                assert!(poll.words.is_ok());
                polls += 1;
            }
            EventKind::Ledger(_) => bookings += 1,
            _ => {}
        }
    }
    assert!(polls > 9 * 86_400, "{polls}");
    assert_eq!(bookings, 1);
    let after = plant.truth();
    // 38 kg in, 0.4 kg/day for ten days and 4 kg/day for four out; pressures move by a thousandth.
    let left = after.outside_kg;
    assert!(
        (left - (0.4 * 10.0 + 4.0 * 4.0 - 38.0)).abs() < 0.05,
        "{left}"
    );
    let change = (after.total_kg + left) / before.total_kg - 1.0;
    assert!(change.abs() < 1e-9, "{change:e}");
}

#[test]
fn every_channel_is_good_at_the_start_and_after_days() {
    let mut plant = tarn_hollow(2, Imperfections::AS_STATED);
    let description = std::sync::Arc::clone(plant.plant());
    for day in 0..4 {
        for (n, channel) in (0u32..).zip(&description.all.channel) {
            let words = plant
                .read_device(
                    channel.device,
                    channel.table,
                    channel.address,
                    channel.words(),
                )
                .unwrap();
            let measured = channel
                .chain
                .convert(&words, channel.range, &channel.uncertainty);
            let truth = plant.channel_truth(ChannelIx(n));
            assert_eq!(
                measured.quality,
                Quality::Good,
                "{} on day {day}: {truth:?}, {:?}",
                channel.id,
                measured.reason
            );
        }
        plant.advance(Span::DAY);
    }
}
