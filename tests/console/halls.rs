//! Halls: oxygen by the barometer, the lowest, and what a release would do, always with the mark.

use coldledger::engine::view::ChannelView;
use coldledger::quantity::{Quality, Reason};

use super::scene::{Plan, calm, house, plant_text};

/// A dewar hall with one galvanic cell and one monitor that reads the fraction.
const HALL: &str = r#"
[instrument.cell]
is = "galvanic oxygen cell"
quantity = "fraction"
unit = "%"
format = "u16"
scale = "0.01 %"
range = ["0 %", "25 %"]
noise = "0.05 %"
calibration = "0.3 %"

[[channel]]
id = "AT-1"
name = "Oxygen, dewar pit"
device = "IO-1"
register = "holding 40"
instrument = "cell"

[[channel]]
id = "AT-2"
name = "Oxygen, ceiling"
device = "IO-1"
register = "holding 41"
instrument = "cell"

[[hall]]
id = "dewar-hall"
name = "Dewar hall"
volume = "5000 m3"
exhaust = "1 m3/s"
sections = ["liquid", "string-1"]
oxygen = [
    { channel = "AT-1", reads = "partial-pressure", calibrated-at = "1033.42 mbar(a)" },
    { channel = "AT-2", reads = "fraction" },
]
"#;

fn plan(readings: &[(&str, f64, Quality, Reason)]) -> Plan {
    let mut plan = Plan::of(&(plant_text() + HALL), calm);
    for &(id, percent, quality, reason) in readings {
        plan.view.channels.push(ChannelView {
            id: id.into(),
            value: Some(percent),
            std: Some(0.3),
            unit: "%".into(),
            quality,
            reason,
            read_at: None,
            age: None,
        });
    }
    plan
}

#[tokio::test]
async fn the_barometer_corrects_a_cell_that_reads_partial_pressure() {
    // The barometer of the picture stands at 1003.42 mbar, 30 mbar below the cell's calibration:
    // 0.6 % oxygen (common practice, no source).
    let house = plan(&[
        ("AT-1", 20.3, Quality::Good, Reason::None),
        ("AT-2", 20.9, Quality::Good, Reason::None),
    ])
    .build()
    .await;
    let json = house.json("/api/v1/halls").await;
    let hall = &json["halls"][0];
    let number = |value: &serde_json::Value| value.as_f64().expect("a number");
    let fraction = number(&hall["oxygen"][0]["fraction"]["value"]);
    assert!((fraction - 20.3 * 1033.42 / 1003.42).abs() < 1e-9, "{json}");
    assert!((fraction - 20.9).abs() < 0.02);
    let partial = number(&hall["oxygen"][0]["partial_pressure"]["value"]);
    assert!((partial - 0.203 * 1033.42).abs() < 1e-9, "{json}");
    assert_eq!(hall["oxygen"][0]["partial_pressure"]["unit"], "mbar");
    let partial = number(&hall["oxygen"][1]["partial_pressure"]["value"]);
    assert!((partial - 0.209 * 1003.42).abs() < 1e-9, "{json}");
    assert!((number(&hall["lowest_fraction"]) - 0.209).abs() < 1e-9);
    assert_eq!(hall["oxygen"][0]["fraction_quality"]["quality"], "good");
}

#[tokio::test]
async fn a_release_of_the_largest_vessel_is_told_with_the_mark() {
    let house = plan(&[("AT-1", 20.3, Quality::Good, Reason::None)])
        .build()
        .await;
    let json = house.json("/api/v1/halls").await;
    let release = &json["halls"][0]["release"];
    assert_eq!(release["vessel"], "D1");
    // 506.2 kg in an hour at 20 degC, 1003.42 mbar: 0.1406 kg/s over 0.1647 kg/m3 is 0.854 m3/s, the
    // fan 1 m3/s: 20.9 % (1 - 0.854 (1 - exp(-0.72))).
    let density = 100_342.0 * 4.002602e-3 / (8.314462618 * 293.15);
    let flow = 506.2 / 3600.0 / density;
    let expected = 0.209 * (1.0 - flow * (1.0 - libm::exp(-0.72)));
    let found = release["slow_oxygen_at_end"].as_f64().unwrap();
    assert!((found - expected).abs() < 2e-4, "{found} {expected}");
    // In a minute it is 51.2 m3/s beside which the fan hardly counts: all that the hall holds, and
    // more, is helium.
    let found = release["oxygen_at_end"].as_f64().unwrap();
    let turns = 506.2 / density / 5000.0;
    let expected = 0.209 * libm::exp(-turns);
    assert!((found - expected).abs() < 2e-3, "{found} {expected}");
    for mark in [&release["mark"], &json["mark"]] {
        assert!(mark.as_str().unwrap().starts_with("Not for safety design"));
    }
    let (status, html) = house.get("/channels").await;
    assert_eq!(status, 200);
    for words in [
        "Dewar hall",
        "exhaust fan 1.00 m3/s",
        "not on the safe side",
        "If the 506 kg of 5000-litre dewar came out within a minute",
        "Not for safety design",
    ] {
        assert!(html.contains(words), "{words}");
    }
}

#[tokio::test]
async fn bad_monitors_are_not_the_lowest() {
    let house = plan(&[
        ("AT-1", 3.0, Quality::Bad, Reason::LoopLow),
        ("AT-2", 20.8, Quality::Good, Reason::None),
    ])
    .build()
    .await;
    let json = house.json("/api/v1/halls").await;
    let hall = &json["halls"][0];
    assert_eq!(
        hall["oxygen"][0]["fraction"]["value"],
        serde_json::Value::Null
    );
    assert!((hall["lowest_fraction"].as_f64().unwrap() - 0.208).abs() < 1e-12);
    let none = plan(&[]).build().await;
    let json = none.json("/api/v1/halls").await;
    assert_eq!(json["halls"][0]["lowest"], "no usable reading");
}

#[tokio::test]
async fn without_halls_the_page_says_nothing_of_them() {
    let house = house(calm).await;
    let json = house.json("/api/v1/halls").await;
    assert_eq!(json["halls"], serde_json::json!([]));
    let (_, html) = house.get("/channels").await;
    assert!(!html.contains("<h2>Halls</h2>"));
}
