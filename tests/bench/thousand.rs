//! What the whole engine costs for 1,000 vessels in 100 sections, each parted from the next by
//! meters: 2,200 channels, a hundred areas with balance, test and limit of their own, meters and areas
//! reconciled, a tick every 10 s.
//!
//! `cargo bench -p coldledger-simulator --bench thousand`: ten days go by in ticks of two minutes, so
//! that every area has found its noise; then six hours in ticks of 10 s are timed, registers to
//! outcomes. The events are computed beforehand, an hour at a time. The longest tick stands beside the
//! mean, since a tick must be done before the next one comes.

#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::cast_precision_loss,
    reason = "a benchmark reads the clock, prints, and may fail loudly"
)]

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Instant;

use coldledger::engine::Engine;
use coldledger::engine::event::{Event, EventKind};
use coldledger::plant::files::SourceFile;
use coldledger::plant::{self, Plant};
use coldledger::time::{Span, Timestamp};
use coldledger_simulator::{
    Beginning, Imperfections, Scenario, SimulatorSettings, VirtualPlant, past,
};

const SECTIONS: usize = 100;
const TANKS: usize = 10;
const SLOW_TICK: Span = Span::from_millis(120_000);
const TICK: Span = Span::from_millis(10_000);

fn main() {
    // Called with --test there is no time for days.
    let quick = std::env::args().any(|argument| argument == "--test");
    let (sections, days, hours) = if quick {
        (4, 0.1, 0.1)
    } else {
        (SECTIONS, 10.0, 6.0)
    };
    let plant = Arc::new(described(sections));
    let settings = SimulatorSettings::bundled_or_quiet(&plant).expect("settings");
    let scenario = Scenario::parse(&plant, "none", "").expect("no events");
    let start = Timestamp::parse("2026-05-04T00:00:00Z").unwrap();
    let beginning = Beginning {
        seed: 1,
        start,
        imperfections: Imperfections::AS_STATED,
    };
    let mut twin = VirtualPlant::new(Arc::clone(&plant), &settings, scenario, beginning).unwrap();
    let mut engine = Engine::new(Arc::clone(&plant));
    let mut costs = Costs::default();
    let settled = start + Span::from_seconds(days * 86_400.0);
    costs.go_on(&mut twin, &mut engine, (start, settled), SLOW_TICK);
    println!(
        "{} vessels, {} channels, {} areas; {days} days in ticks of two minutes: {:.1} s of engine, a \
         step of the grid {:.1} ms in the mean, {:.0} ms at most",
        plant.all.vessel.len(),
        plant.all.channel.len(),
        engine.losses().areas().count(),
        costs.total_s,
        costs.steps_s / costs.steps.max(1) as f64 * 1e3,
        costs.longest_s * 1e3,
    );
    let mut costs = Costs::default();
    let until = settled + Span::from_seconds(hours * 3600.0);
    costs.go_on(&mut twin, &mut engine, (settled + TICK, until), TICK);
    let each = costs.total_s / costs.ticks.max(1) as f64;
    println!(
        "a tick every 10 s with the readings before it: {:.2} ms in the mean = {:.3} % of one core (bar: \
         5 %); without the ten-minute steps {:.2} ms; longest {:.0} ms",
        each * 1e3,
        100.0 * each / TICK.seconds(),
        (costs.total_s - costs.steps_s) / costs.ticks.max(1) as f64 * 1e3,
        costs.longest_s * 1e3,
    );
}

#[derive(Default)]
struct Costs {
    total_s: f64,
    ticks: u64,
    /// Of ticks that told losses.
    steps_s: f64,
    steps: u64,
    longest_s: f64,
}

impl Costs {
    fn go_on(
        &mut self,
        twin: &mut VirtualPlant,
        engine: &mut Engine,
        (from, until): (Timestamp, Timestamp),
        tick: Span,
    ) {
        let mut seq = engine.seq();
        let mut outcomes = Vec::new();
        let mut next = from;
        while next <= until {
            let end = (next + Span::HOUR - tick).min(until);
            let events: Vec<Event> = past::events_every(twin, (next, end), tick, 1)
                .map(|(stamp, kind)| {
                    seq += 1;
                    Event { seq, stamp, kind }
                })
                .collect();
            next = end + tick;
            for event in &events {
                outcomes.clear();
                let began = Instant::now();
                engine.apply(event, &mut outcomes).unwrap();
                let took = began.elapsed().as_secs_f64();
                self.total_s += took;
                if matches!(event.kind, EventKind::Tick) {
                    self.ticks += 1;
                    self.longest_s = self.longest_s.max(took);
                    if outcomes.len() > 1 {
                        self.steps += 1;
                        self.steps_s += took;
                    }
                }
            }
        }
    }
}

/// Sections of ten tanks in a row; a metered line leads from each to the next, and another back.
fn described(sections: usize) -> Plant {
    let mut text = String::from(
        "[site]\nid = \"thousand\"\nname = \"A thousand tanks\"\ntime-zone = \"UTC\"\n\
         air-pressure = \"1000 mbar(a) ± 5 mbar\"\naccepted-loss = \"1 kg/day ± 0.5 kg/day\"\n\
         local-rules = \"Your site's own rules on helium come first.\"\n\n\
         [instrument.pressure]\nis = \"absolute pressure transmitter\"\nquantity = \"absolute-pressure\"\n\
         unit = \"bar(a)\"\nformat = \"f32\"\nscale = \"1 bar\"\nrange = [\"0 bar(a)\", \"20 bar(a)\"]\n\
         interval = \"10 s\"\nnoise = \"1 mbar\"\ncalibration = \"0.1 % of span\"\n\n\
         [instrument.temperature]\nis = \"platinum thermometer\"\nquantity = \"temperature\"\n\
         unit = \"K\"\nformat = \"f32\"\nscale = \"1 K\"\nrange = [\"230 K\", \"360 K\"]\n\
         interval = \"10 s\"\nnoise = \"0.1 K\"\ncalibration = \"0.2 K\"\n\
         slow = { std = \"0.3 K\", time = \"2 h\" }\n\n\
         [instrument.flow]\nis = \"thermal mass flow meter\"\nquantity = \"mass-flow\"\nunit = \"g/s\"\n\
         format = \"f32\"\nscale = \"1 g/s\"\nrange = [\"-1 g/s\", \"30 g/s\"]\ninterval = \"10 s\"\n\
         noise = \"0.01 g/s\"\ncalibration = \"2 % of reading\"\n\n",
    );
    for s in 0..sections {
        let channel = |id: String, register: usize, instrument: &str| {
            format!(
                "[[channel]]\nid = \"{id}\"\nname = \"{id}\"\ndevice = \"IO-{s}\"\n\
                 register = \"holding {register}\"\ninstrument = \"{instrument}\"\nsection = \"s{s}\"\n\n"
            )
        };
        write!(
            text,
            "[[section]]\nid = \"s{s}\"\nname = \"Section {s}\"\n\n[[device]]\nid = \"IO-{s}\"\n\
             name = \"Input station {s}\"\ntcp = \"127.0.0.1:{}\"\nunit-id = 1\n\n",
            16_000 + s
        )
        .unwrap();
        for t in 0..TANKS {
            text += &channel(format!("PT-{s}-{t}"), 4 * t, "pressure");
            text += &channel(format!("TT-{s}-{t}"), 4 * t + 2, "temperature");
            write!(
                text,
                "[[vessel]]\nid = \"T-{s}-{t}\"\nname = \"Tank {s} {t}\"\nsection = \"s{s}\"\n\n\
                 [vessel.fluid]\nvolume = \"50 m3 ± 0.2 m3\"\npressure = \"PT-{s}-{t}\"\n\
                 temperature = \"TT-{s}-{t}\"\n\n"
            )
            .unwrap();
        }
        for (way, register) in [("F", 4 * TANKS), ("B", 4 * TANKS + 2)] {
            text += &channel(format!("{way}T-{s}"), register, "flow");
            let other = (s + 1) % sections;
            let (from, to) = if way == "F" { (s, other) } else { (other, s) };
            write!(
                text,
                "[[line]]\nid = \"{way}-{s}\"\nname = \"{way} {s}\"\nfrom = \"s{from}\"\nto = \"s{to}\"\n\
                 state = \"open\"\nmeter = \"{way}T-{s}\"\n\n"
            ).unwrap();
        }
    }
    let file = SourceFile {
        name: "thousand.toml".into(),
        text,
    };
    plant::load(&[file]).unwrap_or_else(|problems| panic!("{problems:#?}"))
}
