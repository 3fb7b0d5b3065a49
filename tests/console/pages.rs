//! Every page and every API answer stands and says the same facts.

use coldledger::console::PastError;
use coldledger::engine::{BoilOffFrom, Happening, HappeningKind, RoomLeft, View};
use coldledger::plant::Plant;
use coldledger::time::Span;

use super::scene::{House, MadeUpPast, Plan, ago, blank, calm, house, plant_text, troubled};

const PAGES: &[&str] = &[
    "/",
    "/alarms",
    "/alarms/dewar-pressure-high",
    "/alarms/string-flow-high",
    "/alarms/io-3-lost",
    "/helium",
    "/helium?over=1%20h",
    "/helium?over=24+h",
    "/timeline",
    "/ledger",
    "/ledger?supersedes=L-B4TTZP3C",
    "/states",
    "/magnets",
    "/channels",
    "/channels/PDT-101",
    "/channels/T2-PT-211?over=7d",
    "/box",
    "/login",
];

const API: &[&str] = &[
    "/api/v1/view",
    "/api/v1/alarms",
    "/api/v1/helium",
    "/api/v1/helium/inventory?over=8h",
    "/api/v1/helium/change?over=7d",
    "/api/v1/losses",
    "/api/v1/losses/history?over=7d&points=50",
    "/api/v1/magnets",
    "/api/v1/happenings",
    "/api/v1/reconciliation",
    "/api/v1/room",
    "/api/v1/vessels",
    "/api/v1/channels",
    "/api/v1/channels/PT-102",
    "/api/v1/channels/PT-102/trend?over=1h",
    "/api/v1/ledger",
    "/api/v1/journal?limit=3",
    "/api/v1/health",
    "/api/v1/plant",
];

/// The visible text of a page: without its style, symbols and tags.
pub fn text_of(html: &str) -> String {
    let body = html.split("</svg>\n<header").nth(1).unwrap_or(html);
    let mut text = String::new();
    let mut in_tag = false;
    for c in body.chars() {
        match c {
            '<' => in_tag = true,
            '>' => {
                in_tag = false;
                text.push(' ');
            }
            c if !in_tag => text.push(c),
            _ => {}
        }
    }
    text.replace("&#38;", "&")
        .replace("&#39;", "'")
        .replace("&minus;", "-")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

fn assert_says(page: &str, text: &str, facts: &[&str]) {
    for fact in facts {
        assert!(text.contains(fact), "{page} does not say {fact:?}:\n{text}");
    }
}

pub async fn says(house: &House, path: &str, facts: &[&str]) -> String {
    let (status, html) = house.get(path).await;
    assert_eq!(status, 200, "{path}");
    let text = text_of(&html);
    assert_says(path, &text, facts);
    text
}

#[tokio::test]
async fn every_page_and_answer_stands_and_prints_no_nan() {
    type Picture = fn(&Plant) -> View;
    let views: [(Picture, bool); 2] = [(calm, false), (troubled, true)];
    for (view, raised) in views {
        let house = house(view).await;
        // Without anything raised there is nothing to shelve.
        for path in PAGES
            .iter()
            .filter(|path| raised || !path.starts_with("/alarms/"))
        {
            let (status, html) = house.get(path).await;
            assert_eq!(status, 200, "{path}");
            let text = text_of(&html);
            for nonsense in ["NaN", "inf ", "-inf", "Some(", "None", "null"] {
                assert!(!text.contains(nonsense), "{path} prints {nonsense}: {text}");
            }
            assert!(!html.contains("NaN") && !html.contains(">inf"), "{path}");
            assert_says(
                path,
                &text,
                &[
                    "Tarn Hollow",
                    "Not a safety system.",
                    "Cryogen rules hang at the door of hall 2.",
                    "plant as of 25 Nov 14:32:10 GMT",
                ],
            );
            assert!(
                !html.contains("<script>") && !html.contains(" style="),
                "{path}"
            );
        }
        for path in API {
            let json = house.json(path).await;
            assert!(!json.to_string().contains("NaN"), "{path}");
        }
    }
}

/// A magnet of the small plant, as the engine would draw it.
fn with_a_magnet(plant: &Plant) -> View {
    use coldledger::engine::magnets::{BathView, HeatSource, MagnetView, MarginState, Until};
    use coldledger::magnet::Figure;
    let mut view = calm(plant);
    view.magnets.magnets = vec![MagnetView {
        id: "M1".into(),
        current_a: Some(Figure::new(4800.0, 0.5)),
        field_t: Some(Figure::new(4.32, 0.043)),
        temperature_k: Some(Figure::new(4.482, 0.022)),
        temperature_from: Some("S1-TT-112".into()),
        state: MarginState::Standing,
        margin_k: Some(Figure::new(1.394, 0.051)),
        sharing_k: Some(5.876),
        load_line: Some(Figure::new(0.6142, 0.012)),
        why: "<b>not markup</b>".into(),
    }];
    view.magnets.baths = vec![BathView {
        id: "B1".into(),
        heat_from: HeatSource::VentFlow,
        heat_w: Some(Figure::new(24.81, 0.62)),
        evaporation_kg_per_s: Some(Figure::new(1.29e-3, 3e-5)),
        liquid_l_per_h: Some(Figure::new(38.9, 0.97)),
        vent_nm3_per_h: Some(Figure::new(22.1, 0.5)),
        liquid_rate_kg_per_s: Some(Figure::new(-1.1e-4, 2e-5)),
        above_low_kg: Some(Figure::new(8.6, 0.8)),
        until_low: Until::After {
            after_s: 78_000.0,
            earliest_s: 60_000.0,
            latest_s: 110_000.0,
        },
        until_low_without_supply: Until::Never,
        why: String::new(),
    }];
    view
}

#[tokio::test]
async fn magnets_are_shown_with_their_cautions() {
    let house = house(with_a_magnet).await;
    let text = says(
        &house,
        "/magnets",
        &[
            "1.394 ± 0.051 K",
            "61.4 ± 1.2 %",
            "4.320 ± 0.043 T",
            "superconducting",
            "24.81 ± 0.62 W",
            "21.7 h (16.7 h to 30.6 h)",
            "no quench protection",
            "displaces the air",
        ],
    )
    .await;
    assert!(!text.contains("margin lost"), "{text}");
    let (_, html) = house.get("/magnets").await;
    assert!(
        !html.contains("<b>not markup"),
        "words from outside are escaped"
    );
    let json = house.json("/api/v1/magnets").await;
    assert_eq!(json["magnets"][0]["margin"]["value"], 1.394);
    assert_eq!(json["magnets"][0]["margin"]["unit"], "K");
    assert_eq!(json["baths"][0]["until_low"]["after_s"], 78_000.0);
    assert_eq!(house.json("/api/v1/view").await["magnets"], json);
}

#[tokio::test]
async fn before_the_first_event_and_without_a_clock_the_pages_stand() {
    let mut plan = Plan::of(&plant_text(), blank);
    plan.wall = false;
    let house = plan.build().await;
    for path in PAGES.iter().filter(|path| !path.starts_with("/alarms/")) {
        let (status, html) = house.get(path).await;
        assert_eq!(status, 200, "{path}");
        assert_says(path, &text_of(&html), &["time not known"]);
    }
    says(
        &house,
        "/helium",
        &["Not reckoned yet", "No loss figure yet"],
    )
    .await;
    says(&house, "/channels", &["10 bad", "never read"]).await;
    for path in API.iter().filter(|path| !path.contains("over=")) {
        house.json(path).await;
    }
    for path in API.iter().filter(|path| path.contains("over=")) {
        let (status, text) = house.get(path).await;
        assert_eq!(
            (status, text.contains("time is not known")),
            (503, true),
            "{path}"
        );
    }
}

#[tokio::test]
async fn the_alarms_page_says_what_is_wrong_and_what_to_do() {
    let house = house(troubled).await;
    house.wait(Span::from_millis(8_000));
    let text = says(
        &house,
        "/",
        &[
            "high act now unacknowledged",
            "Dewar pressure high",
            "PT-102 is 1.467 bar(a), above 1.45 bar(a)",
            "since 25 Nov 14:28:10 GMT",
            // Four minutes by the picture, eight seconds since.
            "11 min left of 15 min to respond",
            "Do Check that the boil-off line is open.",
            "Caution Vented helium displaces air",
            "Cause The boil-off line is shut or blocked",
            "If not The relief valve opens",
            "overdue by 12 min",
            "acknowledged by R. Ash",
            "Gone, not yet seen",
            "T2-PT-211 was 15.6 bar(g)",
            "Alerts for the engineer; no hurry",
            "for 3.0 days",
            "back 25 Nov 16:02 GMT",
            "by P. Reed",
            "out of service",
            "booked: delivery of 118.4 ± 0.6 kg",
        ],
    )
    .await;
    let high = text.find("Dewar pressure high").unwrap();
    let medium = text.find("String 1 bath level low").unwrap();
    let alert = text.find("More helium is being lost").unwrap();
    assert!(high < medium && medium < alert, "worst first, alerts below");
    assert!(!text.contains("Nothing needs you now"));
}

#[tokio::test]
async fn a_calm_plant_looks_calm_and_proves_that_it_is_live() {
    let house = house(calm).await;
    let text = says(
        &house,
        "/",
        &[
            "Nothing needs you now",
            "6 of 6 alarms and alerts are watched and normal; last looked at 25 Nov 14:32:10 GMT",
        ],
    )
    .await;
    assert!(!text.contains("Alerts for the engineer"));
    says(
        &house,
        "/helium",
        &[
            "No loss seen beyond the accepted 0.4 kg/day: nothing above 4.6 kg/day over 24 h.",
            "4.6 kg/day over 24 h",
            "0.89 kg/day over 7 days",
        ],
    )
    .await;
}

#[tokio::test]
async fn the_channel_pages_show_value_quality_and_register() {
    let house = house(troubled).await;
    says(
        &house,
        "/channels",
        &[
            "10 channels: 5 good, 2 uncertain, 3 bad",
            "PDT-101 Dewar level, difference of pressure bottom to top differential pressure transmitter 17.48 0.11 mbar good",
            "no value bad : the registers hold no number",
            "no value bad : loop current too low",
            "uncertain : disagrees with its neighbours",
            "no value bad : out of service",
            "IO-1 holding 0 to 1",
        ],
    )
    .await;
    let (_, html) = house.get("/channels/T2-PT-211?over=24h").await;
    assert_says(
        "channel",
        &text_of(&html),
        &[
            "Tank 2 pressure 12.207 bar(g) ± 0.012",
            "holding 2 (counted from 0, as on the wire), read by Modbus function 3",
            "-0.2 to 20 bar(g)".replace('-', "\u{2212}").as_str(),
        ],
    );
    // The past has one gap and one bad stretch: three stretches of curve, two shades.
    assert_eq!(html.matches("class=\"curve\"").count(), 3);
    assert_eq!(html.matches("class=\"shade\"").count(), 2);
}

#[tokio::test]
async fn the_box_page_tells_what_is_unwell() {
    let house = house(troubled).await;
    says(
        &house,
        "/box",
        &[
            "Not well",
            "Tank farm input station (IO-3) does not answer: no answer in time",
            "Deliveries to series are 3196 events behind: connection refused",
            "412.3 MB of 8.00 GB allowed (5 %)",
            "38.4 MB resident",
        ],
    )
    .await;
    house.health.send_modify(|health| {
        let mut next = (**health).clone();
        next.recording = false;
        next.not_recording_because = "the disk is full".into();
        *health = next.into();
    });
    says(&house, "/box", &["Not recording: the disk is full"]).await;
}

#[tokio::test]
async fn the_api_serves_what_the_pages_show() {
    let house = house(troubled).await;
    let channels = house.json("/api/v1/channels").await;
    let (_, page) = house.get("/channels").await;
    let page = text_of(&page);
    for channel in channels["channels"].as_array().unwrap() {
        let text = channel["value"]["text"].as_str().unwrap();
        let shown = text.replace(" ± ", " ");
        let id = channel["id"].as_str().unwrap();
        assert!(
            page.contains(&format!(
                "{} {shown}",
                channel["instrument"].as_str().unwrap()
            )),
            "{id}: {shown}"
        );
        assert!(
            channel["value"]["unit"]
                .as_str()
                .is_some_and(|unit| !unit.is_empty()),
            "{id}"
        );
        let bad = channel["quality"]["quality"] == "bad";
        assert_eq!(channel["value"]["value"].is_null(), bad, "{id}");
    }
    let helium = house.json("/api/v1/helium").await;
    let losses = house.json("/api/v1/losses").await;
    let (_, page) = house.get("/helium").await;
    let page = text_of(&page);
    let whole = &losses["losses"][0];
    for fact in ["statement", "reach"] {
        assert!(page.contains(whole[fact].as_str().unwrap()), "{fact}");
    }
    assert_eq!(whole["excess"]["unit"], "kg/day");
    let excess = whole["excess"]["value"].as_f64().unwrap();
    assert!((excess - 4.1).abs() < 1e-9, "{excess}");
    for window in whole["windows"].as_array().unwrap() {
        assert!(page.contains(window["unaccounted"]["text"].as_str().unwrap()));
    }
    let plant = helium["plant"]["mass"]["value"].as_f64().unwrap();
    assert!((plant - 1204.31).abs() < 1e-9);
    assert_eq!(
        helium["sections"][2]["vessels"][1]["mass"]["mass"]["value"],
        serde_json::Value::Null
    );
    let alarms = house.json("/api/v1/alarms").await;
    let (_, page) = house.get("/").await;
    let page = text_of(&page);
    assert_eq!(alarms["unacknowledged"], 1);
    for list in ["alarms", "alerts"] {
        for alarm in alarms[list].as_array().unwrap() {
            for fact in [
                "name",
                "detail",
                "cause",
                "consequence",
                "response",
                "caution",
            ] {
                let words = alarm[fact].as_str().unwrap();
                assert!(page.contains(words), "{fact}: {words}");
            }
        }
    }
    let view = house.json("/api/v1/view").await;
    assert_eq!(view["alarms"], alarms);
    assert_eq!(view["helium"], helium);
    assert_eq!(view["channels"], channels);
    let trend = house
        .json("/api/v1/channels/PT-102/trend?over=1h&points=60")
        .await;
    assert_eq!(trend["buckets"].as_array().unwrap().len(), 60);
    assert_eq!(trend["unit"], "bar(g)");
    // The delivery of 118.4 kg is booked, so what is left is the loss: 0.4 kg/day for seven days
    // and 4.1 kg/day for four, with a ripple of 2.6 kg at either end.
    let change = house.json("/api/v1/helium/change?over=7d&points=200").await;
    let last = &change.as_array().unwrap()[199];
    let unexplained = last["unexplained_kg"].as_f64().unwrap();
    assert!((unexplained + 19.2).abs() < 5.3, "{unexplained}");
    let accepted = last["accepted_kg"].as_f64().unwrap();
    assert!((accepted + 2.8).abs() < 0.03, "{accepted}");
    let journal = house
        .json("/api/v1/journal?limit=2&before_seq=863950")
        .await;
    assert_eq!(journal[0]["seq"], 863_801);
    assert_eq!(journal.as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn metrics_are_open_metrics_without_what_is_no_number() {
    let house = house(troubled).await;
    let (status, text) = house.get("/metrics").await;
    assert_eq!(status, 200);
    for line in [
        "coldledger_inventory_kilograms 1204.31",
        "coldledger_channels{quality=\"bad\"} 3",
        "coldledger_alarms{state=\"unacknowledged\"} 1",
        "coldledger_loss_beyond_accepted{of=\"plant\"} 1",
        "coldledger_device_answers{device=\"IO-3\"} 0",
        "coldledger_recording 1",
        "coldledger_destination_lag{destination=\"series\"} 3196",
    ] {
        assert!(text.contains(line), "{line}\n{text}");
    }
    assert!(text.contains("coldledger_vessel_mass_kilograms{vessel=\"T1\"} 246.1"));
    assert!(!text.contains("vessel=\"T2\""), "a bad mass has no sample");
    assert!(!text.contains("NaN") && text.ends_with("# EOF\n"));
}

#[tokio::test]
async fn markup_in_names_stays_text() {
    let evil = "<script>alert(1)</script>\\\" onload='x' & <b>";
    let text = plant_text()
        .replace("Dewar pressure high", evil)
        .replace("Tank 1 pressure", evil)
        .replace("Return of string 1", evil)
        .replace("Magnet string 1", evil)
        .replace("Cryogen rules hang", evil);
    let mut plan = Plan::of(&text, troubled);
    for alarm in &mut plan.view.alarms {
        alarm.detail = "</p><img src=x onerror=alert(2)>".into();
        alarm.actor = Some("<i>me</i>".into());
    }
    plan.view.ledger[2].note = "<script>alert(3)</script>".into();
    plan.past.journal[0].words = "<script>alert(4)</script>".into();
    let house = plan.build().await;
    for path in PAGES {
        let (status, html) = house.get(path).await;
        assert_eq!(status, 200, "{path}");
        for raw in [
            "<script>alert",
            "<img src=x",
            "<i>me",
            "<b>.",
            "onload='x' & <b>",
        ] {
            assert!(!html.contains(raw), "{path} lets {raw} through");
        }
    }
    let (_, html) = house.get("/").await;
    assert!(html.contains("&#60;script&#62;alert(1)"));
}

#[tokio::test]
async fn ids_with_odd_letters_are_found_again() {
    let odd = "T1/PT 201?#%\"é";
    let mut plan = Plan::of(&plant_text(), calm);
    plan.plant.all.channel[6].id = odd.into();
    plan.view.channels[6].id = odd.into();
    let house = plan.build().await;
    let (_, html) = house.get("/channels").await;
    let href = html
        .split("href=\"/channels/")
        .find(|rest| rest.starts_with("T1"))
        .and_then(|rest| rest.split('"').next())
        .unwrap();
    let (status, html) = house.get(&format!("/channels/{href}")).await;
    assert_eq!(status, 200, "{href}");
    assert!(html.contains("Tank 1 pressure"));
}

#[tokio::test]
async fn what_is_not_there_is_said_so() {
    let house = house(troubled).await;
    for path in [
        "/nowhere",
        "/channels/NO-1",
        "/alarms/no-alarm",
        "/helium/x",
    ] {
        let (status, html) = house.get(path).await;
        assert_eq!(status, 404, "{path}");
        assert!(html.contains("Not done"), "{path}");
    }
    for path in [
        "/api/v1/nowhere",
        "/api/v1/channels/NO-1",
        "/api/v1/channels/NO-1/trend",
        "/api/v1/helium/inventory?vessel=nowhere",
    ] {
        let (status, text) = house.get(path).await;
        assert_eq!(status, 404, "{path}: {text}");
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert!(json["problem"].is_string() && json["what_to_do"].is_string());
    }
}

#[tokio::test]
async fn a_silent_store_does_not_take_the_pages_with_it() {
    let mut plan = Plan::of(&plant_text(), troubled);
    plan.past = MadeUpPast {
        broken: true,
        ..MadeUpPast::new()
    };
    let house = plan.build().await;
    let words = PastError::Unreadable("the disk does not answer".into()).to_string();
    for path in ["/", "/helium", "/channels/PT-102"] {
        says(&house, path, &[&words]).await;
    }
    let (status, _) = house.get("/api/v1/journal").await;
    assert_eq!(status, 503);
}

#[tokio::test]
async fn while_starting_every_page_shows_how_far_it_is() {
    let house = house(calm).await;
    house.progress.send_modify(|progress| {
        progress.ready = false;
        progress.phase = "Computing the past: day 6 of 10".into();
        progress.fraction = 0.57;
    });
    for path in ["/", "/helium", "/channels/PT-102"] {
        let (status, html) = house.get(path).await;
        assert_eq!(status, 200);
        assert!(html.contains("Computing the past: day 6 of 10") && html.contains("57 %"));
        assert!(html.contains("http-equiv=\"refresh\""));
    }
    let (status, text) = house.get("/api/v1/view").await;
    assert_eq!(status, 503);
    assert!(text.contains("57 %"));
    let (status, text) = house.get("/healthz").await;
    assert_eq!((status, text.contains("starting")), (503, true));
}

pub fn with_happenings(plant: &Plant) -> View {
    let hours = |h: i64| Some(ago(Span::from_millis(h * 3_600_000)));
    let mut view = calm(plant);
    view.happenings = vec![
        Happening {
            kind: HappeningKind::Transfer,
            from: hours(9),
            to: hours(8),
            gave: vec![("D1".into(), 116.9)],
            took: vec![("B1".into(), 91.2)],
            net_kg: 0.4,
            net_std_kg: 1.3,
            booked: None,
        },
        Happening {
            kind: HappeningKind::Vent,
            from: hours(3),
            to: hours(2),
            gave: vec![("T1".into(), 20.1)],
            took: Vec::new(),
            net_kg: -20.06,
            net_std_kg: 0.42,
            booked: None,
        },
        Happening {
            kind: HappeningKind::Quench,
            from: hours(1),
            to: hours(0),
            gave: vec![("B1".into(), 12.0)],
            took: Vec::new(),
            net_kg: 0.0,
            net_std_kg: f64::INFINITY,
            booked: None,
        },
    ];
    view.room = Some(RoomLeft {
        hours: Some(0.647),
        hours_band: Some((0.52, 0.78)),
        free_kg: 10.77,
        free_std_kg: 0.31,
        by_vessel: vec![("T2".into(), 10.77)],
        boil_off_kg_per_s: 4.62e-3,
        boil_off_std_kg_per_s: 0.3e-3,
        boil_off_from: vec![
            ("D1".into(), BoilOffFrom::Stated),
            ("B1".into(), BoilOffFrom::Trend),
        ],
        by_compressor: vec![("T1".into(), 402.0)],
    });
    view
}

#[tokio::test]
async fn the_timeline_shows_happenings_and_entries_newest_first() {
    let house = house(with_happenings).await;
    let text = says(
        &house,
        "/timeline",
        &[
            "−20.06 ± 0.42",
            "Not booked: find out where it went.",
            "5000-litre dewar 116.9 kg",
            "seen in the readings",
            "no value",
        ],
    )
    .await;
    let at = |words: &str| {
        text.find(words)
            .unwrap_or_else(|| panic!("{words} in {text}"))
    };
    assert!(at("quench") < at("vent") && at("vent") < at("transfer"));
    assert!(at("transfer") < at("correction"));
    let facts = house.json("/api/v1/happenings").await;
    let entries = facts["entries"].as_array().unwrap();
    assert_eq!(entries[0]["kind"], "quench");
    assert_eq!(entries[0]["mass"]["value"], serde_json::Value::Null);
    assert_eq!(entries[1]["mass"]["value"], -20.06);
    assert_eq!(entries[1]["source"], "readings");
    let view = house.json("/api/v1/view").await;
    assert_eq!(view["happenings"], facts);
}
