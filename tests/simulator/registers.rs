//! Registers decode to the truth within what the description states.

use std::collections::BTreeMap;

use coldledger::engine::event::{EventKind, PollFault};
use coldledger::plant::{ChannelIx, RegisterTable, poll_plan};
use coldledger::quantity::Quality;
use coldledger::time::Span;
use coldledger_simulator::{Imperfections, past};

use crate::support::{start, thirty};

/// Value of a channel as its own registers give it.
fn value(plant: &mut coldledger_simulator::VirtualPlant, ix: ChannelIx) -> (f64, f64, Quality) {
    let description = std::sync::Arc::clone(plant.plant());
    let channel = description.channel(ix).unwrap();
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
    (measured.value.0, measured.combined_std(), measured.quality)
}

#[test]
fn perfect_sensors_show_the_truth_to_the_code() {
    let mut plant = thirty(3, Imperfections::NONE, "");
    plant.advance(Span::HOUR);
    let description = std::sync::Arc::clone(plant.plant());
    for (n, channel) in (0u32..).zip(&description.all.channel) {
        let ix = ChannelIx(n);
        let truth = plant.channel_truth(ix).unwrap();
        let (shown, _, quality) = value(&mut plant, ix);
        assert_eq!(quality, Quality::Good, "{}: {truth}", channel.id);
        let nearest = channel.chain.raw_for(truth).unwrap();
        let expected = channel
            .chain
            .convert(&nearest, channel.range, &channel.uncertainty);
        assert_eq!(shown, expected.value.0, "{}: {truth}", channel.id);
    }
}

#[test]
fn errors_are_as_large_as_stated() {
    // Over seeds, since a calibration is drawn once per seed.
    let mut squares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for seed in 0..150 {
        let mut plant = thirty(seed, Imperfections::AS_STATED, "");
        plant.advance(Span::from_millis(600_000));
        let description = std::sync::Arc::clone(plant.plant());
        for (n, channel) in (0u32..).zip(&description.all.channel) {
            let ix = ChannelIx(n);
            let truth = plant.channel_truth(ix).unwrap();
            let (shown, std, quality) = value(&mut plant, ix);
            // Near an end of its range a device cannot show an error to both sides.
            let inside = truth > channel.range.0 + 6.0 * std;
            if inside && quality == Quality::Good {
                let z = (shown - truth) / std;
                squares
                    .entry(channel.id.to_string())
                    .or_default()
                    .push(z * z);
            }
        }
    }
    let ids: Vec<_> = squares.keys().collect();
    assert!(squares.len() >= 28, "{ids:?}");
    let mut all = Vec::new();
    for (id, squares) in &squares {
        let n = f64::from(u32::try_from(squares.len()).unwrap());
        assert!(n > 100.0, "{id}: {n}");
        let mean = squares.iter().sum::<f64>() / n;
        // Chi-square over its degrees of freedom: standard deviation sqrt(2/n), here 4.5 of them.
        assert!((mean - 1.0).abs() < 4.5 * (2.0 / n).sqrt(), "{id}: {mean}");
        all.extend(squares);
    }
    let mean = all.iter().sum::<f64>() / f64::from(u32::try_from(all.len()).unwrap());
    assert!((mean - 1.0).abs() < 0.07, "{mean}");
}

#[test]
fn the_same_seed_gives_the_same_words_and_another_seed_others() {
    let words = |seed| {
        let mut plant = thirty(seed, Imperfections::AS_STATED, "");
        let until = start() + Span::HOUR;
        past::events(&mut plant, until, 1).collect::<Vec<_>>()
    };
    let first = words(11);
    assert_eq!(first, words(11));
    assert_ne!(first, words(12));
}

#[test]
fn the_past_polls_every_block_on_its_interval_and_ticks_after() {
    let mut plant = thirty(1, Imperfections::AS_STATED, "");
    let plan = poll_plan(plant.plant());
    let until = start() + Span::HOUR;
    let mut ticks = 0;
    let mut polls: BTreeMap<_, u32> = BTreeMap::new();
    let mut last = None;
    for (stamp, kind) in past::events(&mut plant, until, 1) {
        assert!(last.is_none_or(|last| last <= stamp.monotonic));
        last = Some(stamp.monotonic);
        match kind {
            EventKind::Tick => ticks += 1,
            EventKind::Poll(poll) => {
                let words = poll.words.unwrap();
                assert_eq!(words.len(), usize::from(poll.block.words));
                *polls.entry(poll.block).or_default() += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(ticks, 361);
    assert_eq!(plant.now(), until);
    for block in plan {
        let intervals = 3600 / u32::try_from(block.interval.millis() / 1000).unwrap();
        assert_eq!(polls[&block.key], intervals + 1, "{:?}", block.key);
    }
}

#[test]
fn gaps_read_zero_and_beyond_is_refused() {
    let mut plant = thirty(1, Imperfections::AS_STATED, "");
    let (device, _) = plant.plant().device_by_id("IO-GAS").unwrap();
    let image = plant.registers(device, RegisterTable::Holding).unwrap();
    let end = u16::try_from(image.len()).unwrap();
    let read = |plant: &mut coldledger_simulator::VirtualPlant, address, words| {
        plant.read_device(device, RegisterTable::Holding, address, words)
    };
    assert_eq!(read(&mut plant, 0, end).unwrap(), image);
    assert_eq!(read(&mut plant, 3, 2).unwrap(), image[3..5]);
    assert_eq!(read(&mut plant, end, 1), Err(PollFault::Exception(2)));
    assert_eq!(read(&mut plant, end - 1, 2), Err(PollFault::Exception(2)));
    assert_eq!(read(&mut plant, 0, 0), Err(PollFault::Exception(3)));
    assert_eq!(read(&mut plant, 0, 126), Err(PollFault::Exception(3)));
    let input = plant.read_device(device, RegisterTable::Input, 0, 1);
    assert_eq!(input, Err(PollFault::Exception(2)));
}

#[test]
fn a_plant_held_still_keeps_every_register() {
    let mut plant = thirty(1, Imperfections::AS_STATED, "");
    let (device, _) = plant.plant().device_by_id("IO-COLD").unwrap();
    plant.advance(Span::HOUR);
    plant.hold_still(true);
    let image = plant.registers(device, RegisterTable::Holding);
    let truth = plant.truth();
    plant.advance(Span::HOUR);
    assert_eq!(plant.registers(device, RegisterTable::Holding), image);
    assert_eq!(plant.truth().vessels, truth.vessels);
    plant.hold_still(false);
    plant.advance(Span::HOUR);
    assert_ne!(plant.registers(device, RegisterTable::Holding), image);
}
