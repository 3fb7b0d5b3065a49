//! Which registers are read together.

use std::fmt::Write;

use coldledger::plant::{PollBlock, load, poll_plan};
use proptest::prelude::*;

use super::one_file;

const FRAME: &str = r#"
[site]
id = "site"
name = "Site"
time-zone = "UTC"
accepted-loss = "0 kg/day ± 0.1 kg/day"
local-rules = "See the wall."
[[section]]
id = "gas"
name = "Gas"
[[vessel]]
id = "V"
name = "Vessel"
section = "gas"
unmeasured = true
[[vessel.mode]]
id = "in-use"
holdup = "1 kg ± 1 kg"
[instrument.wide]
quantity = "plain-number"
format = "f32"
scale = "1 code"
range = ["0 code", "1 code"]
[instrument.narrow]
quantity = "plain-number"
format = "u16"
scale = "1 code"
range = ["0 code", "1 code"]
[instrument.double]
quantity = "plain-number"
format = "f64"
scale = "1 code"
range = ["0 code", "1 code"]
"#;

#[derive(Debug, Clone)]
struct Plan {
    gap_limit: u16,
    /// Gap before the channel, its words, its table, its interval in seconds.
    channels: Vec<(u16, u16, bool, u16)>,
}

fn plans() -> impl Strategy<Value = Plan> {
    let channel = (
        prop_oneof![4 => 0_u16..3, 1 => 0_u16..200],
        prop_oneof![Just(1_u16), Just(2), Just(4)],
        any::<bool>(),
        prop_oneof![Just(10_u16), Just(60)],
    );
    (0_u16..=100, prop::collection::vec(channel, 1..80)).prop_map(|(gap_limit, channels)| Plan {
        gap_limit,
        channels,
    })
}

fn description(plan: &Plan) -> String {
    let mut text = format!(
        "{FRAME}\n[[device]]\nid = \"D\"\nname = \"Device\"\ntcp = \"127.0.0.1\"\ngap-limit = {}\n",
        plan.gap_limit
    );
    let mut next = 0;
    for (at, (gap, words, holding, interval)) in plan.channels.iter().enumerate() {
        let register = next + gap;
        next = register + words;
        let table = if *holding { "holding" } else { "input" };
        let instrument = match words {
            1 => "narrow",
            2 => "wide",
            _ => "double",
        };
        writeln!(
            text,
            "[[channel]]\nid = \"C{at}\"\nname = \"C\"\ndevice = \"D\"\nregister = \"{table} {register}\"\ninstrument = \"{instrument}\"\ninterval = \"{interval} s\""
        )
        .unwrap();
    }
    text
}

fn end(block: &PollBlock) -> u32 {
    u32::from(block.key.address) + u32::from(block.key.words)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn every_channel_is_read_once_in_blocks_a_device_can_serve(plan in plans()) {
        let plant = load(&one_file(&description(&plan))).unwrap_or_else(|problems| panic!("{problems}"));
        let blocks = poll_plan(&plant);
        let mut seen = vec![0; plant.all.channel.len()];
        for block in &blocks {
            prop_assert!((1..=125).contains(&block.key.words));
            let mut used = vec![false; usize::from(block.key.words)];
            for &(ix, offset) in &block.channels {
                let channel = plant.channel(ix).unwrap();
                seen[ix.index()] += 1;
                prop_assert_eq!(channel.table, block.key.table);
                prop_assert_eq!(channel.interval, block.interval);
                prop_assert_eq!(channel.address, block.key.address + offset);
                for word in 0..channel.words() {
                    used[usize::from(offset + word)] = true;
                }
            }
            // Begins and ends with a register that is wanted, and no gap is wider than allowed.
            prop_assert_eq!(used.first(), Some(&true));
            prop_assert_eq!(used.last(), Some(&true));
            let gap = used
                .split(|&used| used)
                .map(<[bool]>::len)
                .max()
                .unwrap_or(0);
            prop_assert!(gap <= usize::from(plan.gap_limit));
        }
        prop_assert!(seen.iter().all(|&times| times == 1));
        // No two neighbours could have been one.
        for pair in blocks.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            if (a.key.table, a.interval) == (b.key.table, b.interval) {
                let near = u32::from(b.key.address) <= end(a) + u32::from(plan.gap_limit);
                let first = plant.channel(b.channels[0].0).unwrap();
                let joined = u32::from(b.key.address) + u32::from(first.words())
                    - u32::from(a.key.address);
                prop_assert!(!near || joined > 125);
            }
        }
    }
}
