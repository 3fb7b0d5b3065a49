//! Happenings: recognised with the right mass over plants whose errors are drawn anew, none on
//! quiet days.

use coldledger::engine::outcome::{Happening, HappeningKind, OutcomeKind};
use coldledger::time::Span;

use crate::support::{Site, over_seeds, run, start};

/// What a plant said, and what of the plant's helium was true: (hours, kg).
struct Told {
    happenings: Vec<Happening>,
    truth: Vec<(f64, f64)>,
}

fn hours(site: &Site, seed: u64, hours: i64, events: &str) -> Told {
    let mut told = Told {
        happenings: Vec::new(),
        truth: Vec::new(),
    };
    let until = start() + Span::from_millis(hours * 3_600_000);
    run(
        site.twin(seed, start(), events),
        until,
        |twin, event, outcomes| {
            let at = (event.stamp.utc.unwrap() - start()).days() * 24.0;
            if told.truth.last().is_none_or(|(last, _)| at - last > 0.1) {
                told.truth.push((at, twin.model().total_kg()));
            }
            for outcome in outcomes {
                if let OutcomeKind::Happening(happening) = &outcome.kind {
                    println!("seed {seed} {at:.2} h: {}", words(happening));
                    told.happenings.push(happening.clone());
                }
            }
        },
    );
    told
}

fn words(happening: &Happening) -> String {
    let at = |t: Option<coldledger::time::Timestamp>| (t.unwrap() - start()).days() * 24.0;
    format!(
        "{:.2} to {:.2} h {}",
        at(happening.from),
        at(happening.to),
        happening.words()
    )
}

#[test]
fn explore() {
    let thirty = Site::thirty();
    let transfer = Site::new("tests/plants/transfer", "transfer.toml");
    let event = |text: &str| format!("[[event]]\nat = \"30 h\"\n{text}\n");
    over_seeds(1..4, |seed| {
        println!("-- quiet");
        hours(&thirty, seed, 240, "");
        println!("-- vent");
        hours(
            &thirty,
            seed,
            48,
            &event(
                "kind=\"vent\"\nvessel=\"TANK-1\"\nmass=\"20 kg\"\nover=\"10 min\"\nbooked=false",
            ),
        );
        println!("-- delivery");
        hours(
            &thirty,
            seed,
            48,
            &event(
                "kind=\"delivery\"\nvessel=\"header\"\nmass=\"300 kg\"\nover=\"3 h\"\nbooked=false",
            ),
        );
        println!("-- booked");
        hours(
            &thirty,
            seed,
            48,
            &event("kind=\"delivery\"\nvessel=\"header\"\nmass=\"100 kg\"\nover=\"2 h\""),
        );
        println!("-- quench");
        hours(
            &thirty,
            seed,
            48,
            &event("kind=\"quench\"\nvessel=\"STRING-A\"\nenergy=\"0.3 MJ\"\nover=\"60 s\""),
        );
        println!("-- transfer");
        hours(
            &transfer,
            seed,
            48,
            &event(
                "kind=\"transfer\"\nvessel=\"DEWAR-1\"\ninto=\"DEWAR-2\"\nmass=\"117 kg\"\nflash=\"22 %\"\nover=\"1 h\"",
            ),
        );
        println!("-- pump");
        hours(
            &transfer,
            seed,
            48,
            &event("kind=\"pump-down\"\nvessel=\"PUMPED\"\nto=\"1.9 K\"\nover=\"4 h\""),
        );
    });
}
