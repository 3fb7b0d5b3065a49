use clap::Parser;

use super::*;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    args: MagnetArgs,
}

fn answer(arguments: &[&str]) -> Result<serde_json::Value, MagnetCommandError> {
    let words = std::iter::once("magnet").chain(arguments.iter().copied());
    let line = Line::try_parse_from(words.chain(["--json"])).unwrap();
    let mut output = Vec::new();
    run(&line.args, &mut output)?;
    Ok(serde_json::from_slice(&output).unwrap())
}

const SET_B: [&str; 22] = [
    "margin",
    "--j-ref",
    "3000 A/mm2",
    "--c0",
    "27.04 T",
    "--bc20",
    "14.5 T",
    "--tc0",
    "9.2 K",
    "--alpha",
    "0.57",
    "--beta",
    "0.8477",
    "--gamma",
    "2.23234",
    "--strands",
    "1",
    "--critical-current-std",
    "0 %",
    "--filaments",
    "9000",
    "--filament-diameter=6 um",
];

/// Row B, 5 T, 4.2 K, J/Jc = 0.3 of tests/reference/nbti_critical_surface.csv.
#[test]
fn margin_from_the_command_line() {
    let current = 0.3 * 3_112_028_035.48 * 9000.0 * std::f64::consts::PI / 4.0 * 36e-12;
    let current = format!("{current:.9} A");
    let state = [
        "--temperature",
        "4.2 K ± 20 mK",
        "--current",
        &current,
        "--field",
        "5 T ± 1 %",
    ];
    let found = answer(&[&SET_B[..], &state[..]].concat()).unwrap();
    let number = |name: &str| found[name].as_f64().unwrap();
    assert!((number("critical_current_A") - 791.9).abs() < 0.05);
    assert!((number("current_sharing_temperature_K") - 6.220_485_876_89).abs() < 1e-6);
    let margin = &found["temperature_margin_K"];
    assert!((margin["value"].as_f64().unwrap() - 2.020_485_876_89).abs() < 1e-6);
    assert!(margin["std"].as_f64().unwrap() > 0.02);
    let hot = [
        "--temperature",
        "8 K",
        "--current",
        &current,
        "--field",
        "5 T",
    ];
    let found = answer(&[&SET_B[..], &hot[..]].concat()).unwrap();
    assert_eq!(found["superconducting"], false);
    assert!(found["temperature_margin_K"].is_null());
}

#[test]
fn no_parameter_has_a_default() {
    for at in (1..SET_B.len()).step_by(2) {
        let mut left = SET_B.to_vec();
        left.drain(at..(at + 2).min(left.len()));
        let state = [
            "--temperature",
            "4.2 K",
            "--current",
            "200 A",
            "--field",
            "5 T",
        ];
        let words = std::iter::once("magnet").chain(left).chain(state);
        let parsed = Line::try_parse_from(words);
        let refused = parsed
            .is_err_and(|error| error.kind() == clap::error::ErrorKind::MissingRequiredArgument);
        assert!(refused, "without {}", SET_B[at]);
    }
}

#[test]
fn joint_from_a_file() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("pairs.csv");
    let rows: Vec<String> = (0..)
        .zip([0.0, 2000.0, 4000.0, 5000.0, 4000.0, 2000.0, 0.0])
        .map(|(n, current)| format!("{},{current},{:e}", 60 * n, 1e-9 * current + 2e-6))
        .collect();
    let rows = rows.join("\n");
    let text = format!("# taken by hand\ntime_s,current_A,voltage_V\n{rows}\n");
    std::fs::write(&path, text).unwrap();
    let path = path.to_str().unwrap();
    let arguments = |step| {
        [
            "joint",
            "--pairs",
            path,
            "--resolution",
            step,
            "--wanted",
            "1 nohm",
        ]
    };
    let found = answer(&arguments("1 nV")).unwrap();
    assert!((found["resistance_nohm"]["value"].as_f64().unwrap() - 1.0).abs() < 1e-9);
    assert!((found["offset_uV"]["value"].as_f64().unwrap() - 2.0).abs() < 1e-9);
    let refused = answer(&arguments("10 uV")).unwrap_err().to_string();
    assert!(refused.contains("5e-6 V or finer is needed"), "{refused}");
    std::fs::write(path, "current_A,voltage_V\n1,x\n").unwrap();
    let refused = answer(&arguments("1 nV")).unwrap_err().to_string();
    assert!(
        refused.contains("line 2: \"x\" is not a number"),
        "{refused}"
    );
}

/// 25 W at 1 atm by tests/reference/boil_off.csv, scaled from its 10 W.
#[test]
fn boil_off_from_the_command_line() {
    let found = answer(&[
        "boil-off",
        "--pressure",
        "1 atm(a)",
        "--vent",
        "1.05087 g/s ± 2 %",
        "--liquid",
        "60 kg",
        "--until",
        "40 kg",
    ])
    .unwrap();
    let number = |name: &str| found[name]["value"].as_f64().unwrap();
    assert!((number("heat_W") / 25.0 - 1.0).abs() < 5e-3);
    assert!((number("liquid_L_per_h") / 35.105 - 1.0).abs() < 5e-3);
    let hours = found["until"]["hours"].as_f64().unwrap();
    assert!((hours / (20.0 * 20_564.39 / 25.0 / 3600.0) - 1.0).abs() < 5e-3);
    let fall = answer(&[
        "boil-off",
        "--pressure",
        "1 atm(a)",
        "--fall-volume",
        "35.105 L",
        "--within",
        "1 h",
    ]);
    assert!((fall.unwrap()["heat_W"]["value"].as_f64().unwrap() / 25.0 - 1.0).abs() < 5e-3);
    assert!(matches!(
        answer(&["boil-off", "--pressure", "1 atm(a)"]),
        Err(MagnetCommandError::NoBoilOff)
    ));
}
