//! Acting needs a named person, a form of that person's session, and a durable record.

use base64ct::{Base64, Encoding};
use coldledger::console::{DeskKind, Refusal};
use coldledger::engine::ActionKind;
use coldledger::plant::{BookingKind, Passage};
use coldledger::time::{Span, Timestamp};

use super::scene::{
    DeskManner, House, NAME, NOW, PASSWORD, Plan, calm, house, plant_text, troubled,
};

const ACTS: &[(&str, &str)] = &[
    ("/alarms/dewar-pressure-high/acknowledge", ""),
    ("/alarms/dewar-pressure-high/shelve", "time=2+h&reason=x"),
    ("/alarms/string-flow-high/unshelve", ""),
    ("/alarms/io-3-lost/service", "in_service=true&reason=x"),
    ("/channels/PT-102/service", "in_service=false&reason=x"),
    ("/vessels/D1/mode", "mode=in-use"),
    ("/lines/vent-1/passage", "passage=shut"),
    ("/ledger", "kind=delivery&mass=1+kg&uncertainty=0.1+kg"),
];

fn basic(name: &str, password: &str) -> String {
    let encoded = Base64::encode_string(format!("{name}:{password}").as_bytes());
    format!("Basic {encoded}")
}

async fn api(house: &House, path: &str, auth: &str, body: &str) -> (u16, serde_json::Value) {
    let answer = house
        .client
        .post(format!("{}/api/v1{path}", house.url))
        .header("authorization", auth)
        .header("content-type", "application/json")
        .body(body.to_owned())
        .send()
        .await
        .unwrap();
    let status = answer.status().as_u16();
    (
        status,
        serde_json::from_str(&answer.text().await.unwrap()).unwrap(),
    )
}

#[tokio::test]
async fn nobody_acts_without_a_name() {
    let house = house(troubled).await;
    for (path, body) in ACTS {
        let (status, _, html) = house.post(path, "", (*body).into()).await;
        assert_eq!(status, 401, "{path}");
        assert!(html.contains("Acting needs a named person"));
        let stale = "coldledger-session=0123456789abcdef";
        let (status, _, _) = house.post(path, stale, (*body).into()).await;
        assert_eq!(status, 401, "{path}");
        let (status, json) = api(&house, path, "", "{}").await;
        assert_eq!(status, 401, "{path}");
        assert!(json["what_to_do"].is_string());
    }
    assert_eq!(house.asked(), []);
}

#[tokio::test]
async fn a_form_of_another_session_or_site_is_refused() {
    let house = house(troubled).await;
    let (cookie, token) = house.sign_in().await;
    for (path, body) in ACTS {
        for csrf in ["", "csrf=", "csrf=0000", &format!("csrf={token}x")] {
            let (status, _, _) = house.post(path, &cookie, format!("{body}&{csrf}")).await;
            assert_eq!(status, 403, "{path} {csrf}");
        }
    }
    for (name, value) in [
        ("origin", "http://evil.example"),
        ("origin", "null"),
        ("sec-fetch-site", "cross-site"),
    ] {
        let answer = house
            .client
            .post(format!("{}{}", house.url, ACTS[0].0))
            .header("cookie", &cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .header(name, value)
            .body(format!("csrf={token}"))
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), 403, "{name}: {value}");
    }
    assert_eq!(house.asked(), []);
}

#[tokio::test]
async fn a_host_name_that_is_not_ours_is_refused() {
    let house = house(troubled).await;
    for (host, status) in [
        ("evil.example", 421),
        ("localhost:1234", 200),
        ("ledger.tarn-hollow.example", 200),
    ] {
        let answer = house
            .client
            .get(format!("{}/", house.url))
            .header("host", host)
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), status, "{host}");
    }
}

#[tokio::test]
async fn what_a_signed_in_person_does_is_recorded_under_the_name() {
    let house = house(troubled).await;
    let (cookie, token) = house.sign_in().await;
    for (path, body) in ACTS {
        let (status, location, html) = house
            .post(path, &cookie, format!("{body}&csrf={token}"))
            .await;
        assert_eq!(status, 303, "{path}: {html}");
        assert!(location.ends_with("?recorded=864300"), "{location}");
    }
    let asked = house.asked();
    assert_eq!(asked.len(), ACTS.len());
    for kind in &asked {
        let actor = match kind {
            DeskKind::Act(action) => &action.actor,
            DeskKind::Book(entry) => &entry.actor,
        };
        assert_eq!(
            (actor.name.as_str(), actor.place.as_str()),
            (NAME, "127.0.0.1")
        );
    }
    let acts: Vec<_> = asked
        .iter()
        .filter_map(|kind| match kind {
            DeskKind::Act(action) => Some(action.kind.clone()),
            DeskKind::Book(_) => None,
        })
        .collect();
    assert_eq!(
        acts[0],
        ActionKind::Acknowledge {
            alarm: "dewar-pressure-high".into()
        }
    );
    assert_eq!(
        acts[1],
        ActionKind::Shelve {
            alarm: "dewar-pressure-high".into(),
            time: Span::from_millis(7_200_000),
            reason: "x".into()
        }
    );
    assert_eq!(
        acts[6],
        ActionKind::SetPassage {
            line: "vent-1".into(),
            passage: Passage::Shut
        }
    );
    let answer = house
        .client
        .get(format!("{}/?recorded=864300", house.url))
        .header("cookie", &cookie)
        .send()
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    assert!(answer.contains("On record as event 864300.") && answer.contains(NAME));
    assert!(answer.contains(">Acknowledge</button>"));
}

/// What is unlikely is asked again, with what was typed; said to be so, it is booked.
#[tokio::test]
async fn an_unlikely_entry_is_asked_again() {
    let house = house(calm).await;
    let (cookie, token) = house.sign_in().await;
    for (body, said) in [
        (
            "kind=delivery&mass=90000+kg",
            "kg came, and the plant holds",
        ),
        (
            "kind=dispatch&mass=90000+kg",
            "kg left, and the plant holds",
        ),
        ("kind=delivery&mass=3+kg&over=40+days", "It moved over 40"),
        (
            "kind=purge&mass=3+kg&effective_at=2020-01-01T00%3A00",
            "which no balance that is kept up to date reaches back to",
        ),
    ] {
        let body = format!("{body}&uncertainty=0.6+kg&note=by+truck&csrf={token}");
        let (status, _, answer) = house.post("/ledger", &cookie, body.clone()).await;
        assert_eq!(status, 409, "{body}");
        assert!(answer.contains(said), "{said}: {answer}");
        assert!(answer.contains("name=\"sure\"") && answer.contains("value=\"by truck\""));
        assert!(house.asked().is_empty(), "{body}");
    }
    // A plain mistake keeps what was typed too, but no word makes it right.
    let body = format!("kind=purge&mass=3&uncertainty=0.6+kg&note=by+truck&csrf={token}");
    let (status, _, answer) = house.post("/ledger", &cookie, body).await;
    assert_eq!(status, 400);
    assert!(answer.contains("value=\"by truck\"") && !answer.contains("name=\"sure\""));
    let body =
        format!("kind=delivery&mass=3+kg&over=40+days&uncertainty=0.6+kg&sure=yes&csrf={token}");
    let (status, location, _) = house.post("/ledger", &cookie, body).await;
    assert_eq!(status, 303, "{location}");
    assert_eq!(house.asked().len(), 1);
}

#[tokio::test]
async fn a_ledger_entry_says_its_units_or_is_refused_with_the_remedy() {
    let house = house(troubled).await;
    let (cookie, token) = house.sign_in().await;
    let book = |body: &str| {
        let body = format!("{body}&csrf={token}");
        let cookie = cookie.clone();
        let house = &house;
        async move { house.post("/ledger", &cookie, body).await }
    };
    for (body, remedy) in [
        ("kind=delivery&mass=118.4&uncertainty=0.6+kg", "has no unit"),
        (
            "kind=delivery&mass=118.4+bar&uncertainty=0.6+kg",
            "not a unit of mass",
        ),
        (
            "kind=gift&mass=1+kg&uncertainty=0.6+kg",
            "Use one of: delivery, dispatch",
        ),
        (
            "kind=delivery&mass=-3+kg&uncertainty=0.6+kg",
            "mass is negative",
        ),
        (
            "kind=delivery&mass=3+kg&uncertainty=-1+kg",
            "uncertainty is negative",
        ),
        (
            "kind=delivery&mass=3+kg&uncertainty=1+kg&effective_at=soon",
            "2026-11-25T14:30",
        ),
        (
            "kind=delivery&mass=3+kg&uncertainty=1+kg&supersedes=opening",
            "already been replaced",
        ),
        (
            "kind=delivery&mass=3+kg&uncertainty=1+kg&section=cellar",
            "There is no",
        ),
    ] {
        let (status, _, html) = book(body).await;
        assert!((400..500).contains(&status), "{body}: {status}");
        assert!(html.contains(remedy), "{body}: {html}");
    }
    assert_eq!(house.asked(), []);
    let (status, _, html) = book(
        "kind=dispatch&mass=1250+g&uncertainty=20+g&effective_at=2026-11-25T12%3A00&over=90+min\
         &note=two+balloons&section=tanks&supersedes=L-B4TTZP3C",
    )
    .await;
    assert_eq!(status, 303, "{html}");
    let asked = house.asked();
    let [DeskKind::Book(entry)] = asked.as_slice() else {
        panic!("{asked:?}")
    };
    assert!(
        entry.id.starts_with("L-") && entry.id.len() == 10,
        "{}",
        entry.id
    );
    assert_eq!(entry.supersedes.as_deref(), Some("L-B4TTZP3C"));
    assert_eq!(entry.booking.kind, BookingKind::Dispatch);
    assert!((entry.booking.mass.value.si() - 1.25).abs() < 1e-12);
    assert!((entry.booking.mass.std - 0.02).abs() < 1e-12);
    assert_eq!(entry.booking.over, Span::from_millis(5_400_000));
    let noon = Timestamp::parse("2026-11-25T12:00:00Z").unwrap();
    assert_eq!(entry.booking.effective_at, noon);
    assert_eq!(entry.booking.author, NAME);
    assert_eq!(entry.booking.section.as_deref(), Some("tanks"));
}

#[tokio::test]
async fn programs_act_with_name_and_password() {
    let house = house(troubled).await;
    let auth = basic(NAME, PASSWORD);
    let (status, json) = api(&house, "/alarms/dewar-pressure-high/acknowledge", &auth, "").await;
    assert_eq!(
        (status, json["recorded_seq"].as_u64()),
        (200, Some(864_300))
    );
    let (status, json) = api(
        &house,
        "/alarms/string-flow-high/shelve",
        &auth,
        r#"{"time": "90 min", "reason": "meter being washed"}"#,
    )
    .await;
    assert_eq!((status, json["by"].as_str()), (200, Some(NAME)));
    for body in [
        "[1]",
        "{",
        r#"{"time": 90, "reason": "x"}"#,
        r#"{"time": "90"}"#,
    ] {
        let (status, json) = api(&house, "/alarms/string-flow-high/shelve", &auth, body).await;
        assert_eq!(status, 400, "{body}");
        assert!(json["problem"].is_string() && json["what_to_do"].is_string());
    }
    let (status, _) = api(&house, "/alarms/nothing/acknowledge", &auth, "").await;
    assert_eq!(status, 404);
    assert_eq!(house.asked().len(), 2);
}

#[tokio::test]
async fn what_cannot_be_recorded_is_said_plainly() {
    let mut plan = Plan::of(&plant_text(), troubled);
    plan.desk = DeskManner::Refuses(Refusal {
        problem: "The acknowledgement cannot be recorded: the disk is full".into(),
        what_to_do: "Nothing was done. Make room and try again".into(),
    });
    let house = plan.build().await;
    let (cookie, token) = house.sign_in().await;
    let path = "/alarms/dewar-pressure-high/acknowledge";
    let (status, _, html) = house.post(path, &cookie, format!("csrf={token}")).await;
    assert_eq!(status, 409);
    assert!(html.contains("cannot be recorded: the disk is full"));
    assert!(html.contains("Nothing was done."));
    let (status, json) = api(&house, path, &basic(NAME, PASSWORD), "").await;
    assert_eq!(status, 409);
    assert_eq!(
        json["what_to_do"],
        "Nothing was done. Make room and try again"
    );
}

#[tokio::test]
async fn guessing_is_slowed_down_and_sessions_end() {
    let house = house(troubled).await;
    let try_in = |password: &str| {
        let body = format!("name=R.+Ash&password={password}");
        let house = &house;
        async move { house.post("/login", "", body).await }
    };
    for attempt in 0..4 {
        let (status, _, html) = try_in("wrong").await;
        assert_eq!(status, 401, "attempt {attempt}");
        assert!(html.contains("do not belong together"));
    }
    let (status, _, html) = try_in("seven+cold+kilograms").await;
    assert_eq!(status, 429, "right or wrong, it has to wait");
    assert!(html.contains("Wait 2 s"));
    house.wait(Span::from_millis(3_000));
    let (cookie, token) = house.sign_in().await;
    house.wait(Span::from_millis(13 * 3_600_000));
    let (status, _, _) = house
        .post(ACTS[0].0, &cookie, format!("csrf={token}"))
        .await;
    assert_eq!(status, 401, "a session ends with the shift");
    let (cookie, token) = house.sign_in().await;
    let (status, _, _) = house.post("/logout", &cookie, String::new()).await;
    assert_eq!(status, 303);
    let (status, _, _) = house
        .post(ACTS[0].0, &cookie, format!("csrf={token}"))
        .await;
    assert_eq!(status, 401, "signing out ends it");
    assert_eq!(house.asked(), []);
    assert!(house.now.load(std::sync::atomic::Ordering::Relaxed) > NOW);
}
