use clap::Parser;

use super::*;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    args: ConvertArgs,
}

const TABLE: &str = "\
# id: probe
# quantity: temperature
# input: resistance
# interpolation: log-log-monotone-cubic
# std-uncertainty: 5 mK
# provenance: invented
resistance_kohm,temperature_mK
1,4000
2,3000
4,2500
";
const SERIES: &str = "\
id = \"series\"
quantity = \"temperature\"
input = \"resistance\"
std-uncertainty = \"5 mK\"
provenance = \"invented\"
variable = \"linear\"
input-unit = \"ohm\"
output-unit = \"K\"
[[range]]
low = 100.0
high = 200.0
coefficients = [50.0, -40.0]
";
const COUPLE: &str = "\
kind = \"thermocouple\"
id = \"e\"
type = \"E\"
reference-junction = \"0 degC\"
std-uncertainty = \"1 K\"
provenance = \"IEC 60584-1\"
input-unit = \"mV\"
output-unit = \"degC\"
";

fn said(file: (&str, &str), arguments: &[&str], input: &str) -> Result<String, ConvertError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(file.0);
    std::fs::write(&path, file.1).unwrap();
    let path = path.to_string_lossy().into_owned();
    let all = ["convert", "--curve", path.as_str()];
    let line = Line::try_parse_from(all.iter().chain(arguments)).unwrap();
    let mut output = Vec::new();
    run(&line.args, input.as_bytes(), &mut output)?;
    Ok(String::from_utf8(output).unwrap())
}

fn rows(text: &str) -> Vec<Vec<String>> {
    text.lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

#[test]
fn every_row_is_answered_in_order() {
    let input = "raw\n2\n\nwarm\nNaN\ninf\n9\n1\n-3\n1,2\n1e999\n\n\n";
    let text = said(("c.csv", TABLE), &["--batch"], input).unwrap();
    let rows = rows(&text);
    assert_eq!(rows[0].join(","), "raw,value,unit,std_uncertainty,problem");
    assert_eq!(rows.len(), 11, "{text}");
    assert!(rows[2][4].contains("raw is empty"), "{:?}", rows[2]);
    let rows: Vec<_> = rows
        .into_iter()
        .enumerate()
        .filter(|(at, _)| *at != 2)
        .map(|(_, row)| row)
        .collect();
    assert!((rows[1][1].parse::<f64>().unwrap() - 3000.0).abs() < 1e-9);
    assert_eq!((rows[1][2].as_str(), rows[1][4].as_str()), ("mK", ""));
    assert!((rows[1][3].parse::<f64>().unwrap() - 5.0).abs() < 1e-12);
    for (row, words) in [
        (2, "not a number"),
        (3, "no finite number"),
        (4, "no finite number"),
        (5, "outside the curve: 1 to 4 kohm"),
        (7, "outside"),
        (8, "the row has 2 fields"),
        (9, "no finite number"),
    ] {
        assert!(rows[row].last().unwrap().contains(words), "{:?}", rows[row]);
        assert_eq!(rows[row][1], "", "{:?}", rows[row]);
    }
    assert!((rows[6][1].parse::<f64>().unwrap() - 4000.0).abs() < 1e-9);
}

#[test]
fn an_empty_field_is_a_row() {
    let text = said(("c.csv", TABLE), &["--batch"], "raw,tag\n,A\n2,B\n").unwrap();
    assert!(text.contains(",A,,,,raw is empty\n"), "{text}");
    assert!(text.contains("2,B,2999.9999999999"), "{text}");
}

#[test]
fn the_uncertainty_of_the_signal_goes_through_the_slope() {
    let text = said(
        ("c.toml", SERIES),
        &["--batch", "--raw-std", "0.01 ohm"],
        "raw\n150\n",
    )
    .unwrap();
    let row = &rows(&text)[1];
    assert_eq!(row[1].parse::<f64>().unwrap(), 50.0);
    // Slope -0.8 K/ohm.
    let expected = libm::sqrt(0.005 * 0.005 + 0.008 * 0.008);
    assert!((row[3].parse::<f64>().unwrap() - expected).abs() < 1e-12);
}

#[test]
fn back_and_forth() {
    let forth = said(("c.csv", TABLE), &["--batch"], "raw\n1.7\n3.3\n").unwrap();
    let values: Vec<String> = rows(&forth)[1..].iter().map(|row| row[1].clone()).collect();
    let input = format!("value\n{}\n{}\n9999\n", values[0], values[1]);
    let back = said(("c.csv", TABLE), &["--batch", "--inverse"], &input).unwrap();
    let rows = rows(&back);
    assert_eq!(rows[0].join(","), "value,raw,unit,std_uncertainty,problem");
    assert!((rows[1][1].parse::<f64>().unwrap() - 1.7).abs() < 1e-9);
    assert!((rows[2][1].parse::<f64>().unwrap() - 3.3).abs() < 1e-9);
    assert!(rows[3][4].contains("outside the curve: 2500 to 4000 mK"));
}

/// NIST Monograph 175, rounded tables: type E gives -8.825 mV at -200 and 1.192 mV at 20 degrees
/// Celsius.
#[test]
fn a_cold_junction_is_counted() {
    let asked = ["--junction", "20 degC", "--junction-std", "1 K", "--json"];
    let emf = format!("{}", -8.825 - 1.192);
    let asked = [&["--raw", emf.as_str()][..], &asked[..]].concat();
    let json = said(("e.toml", COUPLE), &asked, "").unwrap();
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(
        (value["value"].as_f64().unwrap() + 200.0).abs() < 0.05,
        "{json}"
    );
    // 60.8 uV/K at the junction over 25.1 uV/K at the cold end, and the wire's 1 K.
    let std = value["std_uncertainty"].as_f64().unwrap();
    assert!(
        (std - libm::sqrt(1.0 + (60.8_f64 / 25.1).powi(2))).abs() < 0.03,
        "{std}"
    );
    let error = said(
        ("c.csv", TABLE),
        &["--raw", "2", "--junction", "20 degC"],
        "",
    )
    .unwrap_err();
    assert!(matches!(error, ConvertError::NoJunction { .. }));
}

#[test]
fn one_value_for_a_person() {
    let text = said(("c.csv", TABLE), &["--raw", "2000 ohm"], "").unwrap();
    assert!(
        text.starts_with("3000.0 mK, standard uncertainty 5.0 mK"),
        "{text}"
    );
    assert!(text.contains("curve probe: invented"));
    let text = said(("c.csv", TABLE), &["--inverse", "--value", "3 K"], "").unwrap();
    assert!(text.starts_with("2.00"), "{text}");
    let error = said(("c.csv", TABLE), &["--raw", "9 kohm"], "").unwrap_err();
    assert!(error.to_string().contains("outside the curve"), "{error}");
    let error = said(("c.csv", TABLE), &["--raw", "9 V"], "").unwrap_err();
    assert!(error.to_string().contains("--raw"), "{error}");
    let error = said(("c.csv", TABLE), &[], "").unwrap_err();
    assert!(matches!(error, ConvertError::NothingAsked));
}

#[test]
fn a_bad_file_is_named_with_its_line() {
    for (name, text, change, to, line, words) in [
        ("c.csv", TABLE, "2,3000", "2,warm", 9, "not a number"),
        ("c.csv", TABLE, "2,3000", "2,4100", 8, "turns back"),
        ("c.csv", TABLE, "# id: probe\n", "", 9, "is missing"),
        ("c.toml", SERIES, "-40.0", "0.0", 9, "turns back"),
        ("e.toml", COUPLE, "\"E\"", "\"J\"", 3, "E, K, T or N"),
        ("c.txt", TABLE, "", "", 1, "not a curve file"),
    ] {
        let error = said((name, &text.replacen(change, to, 1)), &["--raw", "2"], "").unwrap_err();
        let ConvertError::Curve {
            line: found,
            message,
            ..
        } = &error
        else {
            panic!("{error}");
        };
        assert!(message.contains(words), "{error}");
        assert_eq!(*found, line, "{error}");
        assert!(
            error.to_string().contains(&format!("{name}:{line}: ")),
            "{error}"
        );
    }
    let line =
        Line::try_parse_from(["convert", "--curve", "/nowhere/x.csv", "--raw", "1"]).unwrap();
    let error = run(&line.args, io::empty(), Vec::new()).unwrap_err();
    assert!(matches!(error, ConvertError::File { .. }), "{error}");
}

#[test]
fn names_the_missing_column() {
    let error = said(("c.csv", TABLE), &["--batch"], "ohm\n1\n").unwrap_err();
    assert!(error.to_string().contains("no column raw"), "{error}");
}
