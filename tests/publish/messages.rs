//! What stands in a message: units as text, uncertainty, quality, time and provenance.

use coldledger::engine::AlarmState;
use coldledger::publish::encode::message;
use coldledger::publish::{ChannelFigure, Item, MassOf};
use coldledger::quantity::{Quality, Reason};
use serde_json::{Value, json};

use crate::memory::{alarm, booked, channel, delivered, loss, mass};

fn sent(item: Item) -> (String, Value, bool) {
    let message = message(&delivered(36, item)).unwrap();
    (
        message.topic,
        serde_json::from_slice(&message.payload).unwrap(),
        message.retain,
    )
}

#[test]
fn a_channel_says_value_unit_uncertainty_quality_time_and_provenance() {
    let (topic, payload, retain) = sent(channel("S1-TT-101", 4.512_345_678_901_234));
    assert_eq!((topic.as_str(), retain), ("channel/S1-TT-101", true));
    assert_eq!(
        payload,
        json!({
            "value": 4.512_345_678_901_234,
            "unit": "K",
            "uncertainty": 0.012,
            "quality": "good",
            "time": "2025-01-01T00:00:03.6Z",
            "seq": 36,
            "epoch": 2,
            "revision": 1,
            "description": "abababababab",
            "engine": "0.1.0",
        })
    );
}

#[test]
fn a_value_that_is_not_usable_is_no_number() {
    for value in [Some(f64::NAN), Some(f64::INFINITY), Some(4.5), None] {
        let (_, payload, _) = sent(Item::Channel(ChannelFigure {
            id: "A".into(),
            value,
            std: Some(f64::INFINITY),
            unit: "K".into(),
            quality: Quality::Bad,
            reason: Reason::LoopLow,
        }));
        assert_eq!(payload["value"], Value::Null);
        assert_eq!(payload["uncertainty"], Value::Null);
        assert_eq!(payload["quality"], "bad");
        assert_eq!(
            payload["reason"],
            "loop current too low: broken wire or dead transmitter"
        );
    }
}

#[test]
fn masses_go_under_what_they_are_of() {
    let (topic, payload, _) = sent(mass(MassOf::Plant, 1_203.5));
    assert_eq!(topic, "plant/inventory");
    assert_eq!(
        (&payload["value"], &payload["unit"]),
        (&json!(1_203.5), &json!("kg"))
    );
    assert_eq!(payload["uncertainty"], 1.75);
    assert_eq!(
        sent(mass(MassOf::Section("string-1".into()), 1.0)).0,
        "section/string-1"
    );
    assert_eq!(
        sent(mass(MassOf::Vessel("tank/7".into()), 1.0)).0,
        "vessel/tank_7"
    );
}

#[test]
fn a_loss_says_rate_band_limits_and_windows_with_units() {
    let (topic, payload, _) = sent(loss(None));
    assert_eq!(topic, "loss");
    assert_eq!(payload["unit"], "kg/day");
    let near = |value: &Value, expected: f64| {
        let value = value.as_f64().unwrap();
        assert!((value - expected).abs() < 1e-12, "{value} for {expected}");
    };
    near(&payload["accepted"], 0.4);
    near(&payload["rate"]["value"], 4.32);
    near(&payload["rate"]["uncertainty"], 0.864);
    near(&payload["rate"]["detection_limit"], 2.0);
    near(&payload["excess"]["value"], 3.9);
    assert_eq!(payload["excess"]["raised"], true);
    assert_eq!(payload["excess"]["since"], "2025-01-01T00:00:00Z");
    assert_eq!(payload["windows"][0]["unaccounted_kg"], 3.5);
    assert_eq!(payload["windows"][0]["over_s"], 86_400.0);
    assert_eq!(
        payload["windows"][0]["doubtful_vessels"],
        json!(["S1-BATH"])
    );
    assert_eq!(sent(loss(Some("string-1"))).0, "section/string-1/loss");
}

#[test]
fn an_alarm_brings_its_caution_along() {
    let (topic, payload, retain) = sent(alarm("BATH-P-HI", AlarmState::ReturnedUnacknowledged));
    assert_eq!((topic.as_str(), retain), ("alarm/BATH-P-HI", true));
    assert_eq!(payload["state"], "returned-unacknowledged");
    assert_eq!(payload["state_words"], "returned to normal, unacknowledged");
    for field in ["cause", "consequence", "response", "caution", "detail"] {
        assert!(!payload[field].as_str().unwrap().is_empty(), "{field}");
    }
    assert_eq!(payload["time_to_respond_s"], 600.0);
}

#[test]
fn a_ledger_entry_is_signed_and_not_kept_by_the_broker() {
    let (topic, payload, retain) = sent(booked("L-1"));
    assert_eq!((topic.as_str(), retain), ("ledger", false));
    assert_eq!(payload["mass_kg"], -12.5, "a dispatch leaves the plant");
    assert_eq!(payload["kind"], "dispatch");
}

#[test]
fn without_wall_time_the_time_is_null() {
    let mut item = delivered(1, channel("A", 1.0));
    item.stamp.utc = None;
    let payload: Value = serde_json::from_slice(&message(&item).unwrap().payload).unwrap();
    assert_eq!(payload["time"], Value::Null);
    assert_eq!(payload["seq"], 1);
}
