//! Which registers are read together: adjacent registers of one device, table and interval are
//! merged into reads of at most 125 registers (the limit of the Modbus application protocol
//! specification V1.1b3, 6.3), reading along at most the device's gap limit of unused ones.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::model::{ChannelIx, DeviceIx, Id, Plant, RegisterTable};
use crate::time::Span;

/// Most registers that one request may read.
pub const MOST_REGISTERS: u16 = 125;

/// What a stored raw reading is keyed by: the wire truth, whatever it is later taken to mean.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct BlockKey {
    /// Id of the device.
    pub device: Id,
    /// Table of registers.
    pub table: RegisterTable,
    /// First register.
    pub address: u16,
    /// Number of registers, 1 to 125.
    pub words: u16,
}

/// One read request, repeated at an interval.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PollBlock {
    /// What is read.
    pub key: Arc<BlockKey>,
    /// The device, as a position in this description.
    pub device: DeviceIx,
    /// How often.
    pub interval: Span,
    /// The channels inside, each with the offset of its first register in the block.
    pub channels: Vec<(ChannelIx, u16)>,
}

/// First register, number of registers, and the channel that occupies them.
type Occupied = (u16, u16, ChannelIx);

/// The read requests of a plant, in order of device, interval, table and address.
#[must_use]
pub fn poll_plan(plant: &Plant) -> Vec<PollBlock> {
    let mut groups: BTreeMap<(DeviceIx, Span, RegisterTable), Vec<Occupied>> = BTreeMap::new();
    for (ix, channel) in (0u32..).zip(&plant.all.channel) {
        groups
            .entry((channel.device, channel.interval, channel.table))
            .or_default()
            .push((channel.address, channel.words(), ChannelIx(ix)));
    }
    let mut plan = Vec::new();
    for ((device_ix, interval, table), mut spans) in groups {
        let Some(device) = plant.device(device_ix) else {
            continue;
        };
        spans.sort_unstable();
        let mut open: Option<Run> = None;
        for (address, words, ix) in spans {
            let end = u32::from(address) + u32::from(words);
            match &mut open {
                Some(run)
                    if u32::from(address) <= run.end + u32::from(device.gap_limit)
                        && end.max(run.end) - u32::from(run.start) <= u32::from(MOST_REGISTERS) =>
                {
                    run.end = run.end.max(end);
                    run.channels.push((ix, address - run.start));
                }
                _ => {
                    plan.extend(
                        open.take()
                            .and_then(|run| run.close(&device.id, device_ix, table, interval)),
                    );
                    open = Some(Run {
                        start: address,
                        end,
                        channels: vec![(ix, 0)],
                    });
                }
            }
        }
        plan.extend(open.and_then(|run| run.close(&device.id, device_ix, table, interval)));
    }
    plan
}

/// The channels that a block holds whole, with the range of their registers in it. The block may
/// have been planned for another description.
#[must_use]
pub fn channels_within(plant: &Plant, block: &BlockKey) -> Vec<(ChannelIx, Range<usize>)> {
    let Some((device, _)) = plant.device_by_id(&block.device) else {
        return Vec::new();
    };
    (0u32..)
        .zip(&plant.all.channel)
        .filter(|(_, channel)| channel.device == device && channel.table == block.table)
        .filter_map(|(ix, channel)| {
            let from = usize::from(channel.address.checked_sub(block.address)?);
            let to = from + usize::from(channel.words());
            (to <= usize::from(block.words)).then_some((ChannelIx(ix), from..to))
        })
        .collect()
}

struct Run {
    start: u16,
    end: u32,
    channels: Vec<(ChannelIx, u16)>,
}

impl Run {
    fn close(
        self,
        device: &Id,
        ix: DeviceIx,
        table: RegisterTable,
        interval: Span,
    ) -> Option<PollBlock> {
        let words = u16::try_from(self.end - u32::from(self.start)).ok()?;
        Some(PollBlock {
            key: Arc::new(BlockKey {
                device: Arc::clone(device),
                table,
                address: self.start,
                words,
            }),
            device: ix,
            interval,
            channels: self.channels,
        })
    }
}
