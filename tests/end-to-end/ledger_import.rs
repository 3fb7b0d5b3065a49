//! A table of deliveries through the running daemon: checked whole, entered once.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::support::{Daemon, PERSON, Plant, coldledger, folder};

const TABLE: &str = "\
# deliveries of the autumn
effective_at,over,kind,mass,std,section,note,id
2026-10-02T08:30:00Z,45 min,delivery,62.5 kg,0.3 kg,,\"dewar, 500 L\",DN-1040
2026-10-09T10:00:00+02:00,,dispatch,50 L liquid,2 %,,to the users,DN-1041
2026-10-11T12:00:00Z,,correction,-1.5 kg,0.5 kg,,stock taken,DN-1042
";

#[test]
fn a_table_is_checked_whole_and_entered_once() {
    let folder = folder();
    let plant = Plant::serve("config/single-dewar", folder.path(), &[]);
    let daemon = Daemon::running(&plant.description, folder.path());
    let ledger = || -> Vec<serde_json::Value> {
        let entries = daemon.json("/api/v1/ledger");
        let own = entries.as_array().unwrap().iter();
        own.filter(|e| e["id"].as_str().unwrap().starts_with("DN-"))
            .cloned()
            .collect()
    };
    let import = |table: &str, more: &[&str]| import(&daemon, folder.path(), table, more);

    // One bad row keeps everything out, whatever else the file says; each is named.
    let bad = TABLE.to_owned()
        + "2026-10-12T12:00:00,,delivery,1 kg,0.1 kg,,,DN-1043\n"
        + "2026-10-12T12:00:00Z,,delivery,1 kg,0.1 kg,attic,,DN-1044\n"
        + "2026-10-12T12:00:00Z,,delivery,1 kg,0.1 kg,,,DN-1040\n"
        + "2999-10-12T12:00:00Z,,delivery,1 kg,0.1 kg,,,DN-1045\n";
    let (code, said) = import(&bad, &[]);
    assert_eq!(code, 78, "{said}");
    for words in [
        "line 6: \"2026-10-12T12:00:00\" does not say in which time zone",
        "line 7: there is no section \"attic\"",
        "line 8: the id DN-1040 stands in line 3 already",
        "line 9: the entry is dated more than a day ahead",
        "3 rows to enter, 0 on record already, 4 bad",
        "nothing was entered",
    ] {
        assert!(said.contains(words), "{words:?} is missing in\n{said}");
    }
    assert!(ledger().is_empty());

    let (code, said) = import(TABLE, &["--dry-run"]);
    assert_eq!(code, 0, "{said}");
    assert!(said.contains("3 rows to enter") && said.contains("dry run"));
    assert!(ledger().is_empty());

    // With the bad rows left out; then again: nothing twice.
    let (code, said) = import(&bad, &["--skip-bad"]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(ledger().len(), 3);
    for _ in 0..2 {
        let (code, said) = import(TABLE, &[]);
        assert_eq!(code, 0, "{said}");
        assert!(said.contains("0 rows to enter, 3 on record already, 0 bad"));
        assert_eq!(ledger().len(), 3);
    }
    let entries = ledger();
    let entry = |id: &str| entries.iter().find(|e| e["id"] == id).unwrap();
    let delivery = entry("DN-1040");
    assert_eq!(delivery["kind"], "delivery");
    assert_eq!(delivery["mass"]["value"], 62.5);
    assert_eq!(delivery["mass"]["std_uncertainty"], 0.3);
    assert_eq!(delivery["over_s"], 2700.0);
    assert_eq!(delivery["effective_at"]["utc"], "2026-10-02T08:30:00Z");
    assert_eq!(delivery["author"], PERSON.0);
    assert_eq!(delivery["note"], "dewar, 500 L");
    // 50 L of liquid at 1 atm (CoolProp 8.0.0: 124.669267865 kg/m3), out; +02:00 is two hours ahead.
    let dispatch = entry("DN-1041");
    let mass = dispatch["mass"]["value"].as_f64().unwrap();
    assert!((mass / (-50.0 * 0.124_669_267_865) - 1.0).abs() < 1e-6);
    assert_eq!(dispatch["effective_at"]["utc"], "2026-10-09T08:00:00Z");

    // The same id with another mass is no repeat; a new row that supersedes is how it is mended.
    let changed = TABLE.replace("62.5 kg", "65.2 kg");
    let (code, said) = import(&changed, &[]);
    assert_eq!(code, 78, "{said}");
    assert!(said.contains("DN-1040 is on record and says something else"));
    let mended = "effective_at,kind,mass,std,id,supersedes\n\
                  2026-10-02T08:30:00Z,delivery,65.2 kg,0.3 kg,DN-1040b,DN-1040\n";
    for _ in 0..2 {
        let (code, said) = import(mended, &[]);
        assert_eq!(code, 0, "{said}");
    }
    let entries = ledger();
    assert_eq!(entries.len(), 4);
    let old = entries.iter().find(|e| e["id"] == "DN-1040").unwrap();
    assert_eq!(old["superseded_by"], "DN-1040b");

    // The daemon itself refuses an id twice, whoever sends it.
    let again = serde_json::json!({
        "id": "DN-1042", "kind": "delivery", "mass": "1 kg", "uncertainty": "0.1 kg",
    });
    let (status, text) = daemon.post("/api/v1/ledger", &again).unwrap();
    assert_eq!(status, 409, "{text}");
    assert!(text.contains("on record already"), "{text}");
}

fn import(daemon: &Daemon, folder: &Path, table: &str, more: &[&str]) -> (i32, String) {
    let (name, password) = PERSON;
    let secret = folder.join("own-password.txt");
    fs::write(&secret, password).unwrap();
    let file = folder.join("table.csv");
    fs::write(&file, table).unwrap();
    let out = Command::new(coldledger())
        .args(["ledger", "import"])
        .arg(&file)
        .args(["--daemon", &format!("http://127.0.0.1:{}", daemon.port)])
        .args(["--user", name, "--password-file"])
        .arg(secret)
        .args(more)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout) + String::from_utf8_lossy(&out.stderr);
    (out.status.code().unwrap(), said.into_owned())
}
