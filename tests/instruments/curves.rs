//! Curves against published and independently computed points, and the demo plant's own curves.

use coldledger::instrument::curve::{
    ChebyshevCurve, ChebyshevRange, Curve, CurveError, PlatinumCurve, ThermocoupleCurve,
    ThermocoupleType, ToleranceClass, Variable, parse_chebyshev, parse_table,
};

use crate::reference::{Table, Worst};

fn sensor_s1() -> Curve {
    let table = Table::read("chebyshev_sensor_coefficients.csv");
    let mut ranges: Vec<ChebyshevRange> = Vec::new();
    let mut last = 0.0;
    for row in table.rows() {
        if row.number("range") > last {
            last = row.number("range");
            ranges.push(ChebyshevRange {
                low: row.number("ZL"),
                high: row.number("ZU"),
                coefficients: Vec::new(),
            });
        }
        let range = ranges.last_mut().expect("a range");
        range.coefficients.push(row.number("c_K"));
    }
    Curve::Chebyshev(ChebyshevCurve::new(Variable::Log10, ranges).expect("a sound curve"))
}

/// `chebyshev_sensor.csv`: an invented sensor evaluated with numpy.
#[test]
fn chebyshev_series_agree_with_numpy() {
    let curve = sensor_s1();
    let table = Table::read("chebyshev_sensor.csv");
    let mut value = Worst::new("chebyshev_sensor.csv, value, K", 1e-9);
    let mut join = Worst::new("chebyshev_sensor.csv at the join, K", 0.13e-3);
    let mut slope = Worst::new("chebyshev_sensor.csv, slope, relative", 1e-9);
    let mut inverse = Worst::new("chebyshev_sensor.csv, inverse, relative", 1e-10);
    for row in table.rows() {
        let ohm = row.number("R_ohm");
        let result = curve.value_and_slope(ohm);
        match row.text("status") {
            "in_range" => {
                let (kelvin, kelvin_per_ohm) = result.unwrap();
                value.see(kelvin - row.number("T_K"));
                slope.see(kelvin_per_ohm * row.number("dRdT_ohm_per_K") - 1.0);
                inverse.see(curve.inverse(kelvin).unwrap() / ohm - 1.0);
            }
            "in_range_join" => join.see(result.unwrap().0 - row.number("T_K")),
            "out_of_range_too_hot" | "out_of_range_too_cold" | "invalid_resistance" => {
                assert!(matches!(result, Err(CurveError::Outside { .. })), "{ohm}");
            }
            other => panic!("unknown status {other}"),
        }
    }
    value.report(32);
    slope.report(32);
    inverse.report(32);
    join.report(2);
}

/// The file states that the ranges differ by -0.126 mK at the join.
#[test]
fn a_join_gap_beyond_the_stated_uncertainty_is_found() {
    let curve = sensor_s1();
    assert!(curve.check(0.2e-3).is_empty());
    let problems = curve.check(0.1e-3);
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert!(problems[0].to_string().contains("0.00012"), "{problems:?}");
}

/// `pt_iec60751.csv`: IEC 60751.
#[test]
fn platinum_agrees_with_iec_60751() {
    let hundred = Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 });
    let table = Table::read("pt_iec60751.csv");
    let mut resistance = Worst::new("pt_iec60751.csv, R, relative", 1e-9);
    let mut inverse = Worst::new("pt_iec60751.csv, inverse, K", 1e-6);
    let mut slope = Worst::new("pt_iec60751.csv, slope, relative", 1e-8);
    for row in table.rows() {
        let (kelvin, ohm) = (row.number("T_K"), row.number("R_100ohm"));
        resistance.see(hundred.inverse(kelvin).unwrap() / ohm - 1.0);
        let (back, kelvin_per_ohm) = hundred.value_and_slope(ohm).unwrap();
        inverse.see(back - kelvin);
        slope.see(kelvin_per_ohm * row.number("dRdt_ohm_per_C") - 1.0);
        for (class, column) in [
            (ToleranceClass::A, "class_A_limit_C"),
            (ToleranceClass::B, "class_B_limit_C"),
        ] {
            let expected = row.number(column);
            match class.limit_k(kelvin) {
                Some(limit) => assert!((limit - expected).abs() < 1e-9, "{kelvin}"),
                None => assert!(expected.is_nan(), "{kelvin}: {class:?}"),
            }
        }
    }
    let rows = table.rows().count();
    resistance.report(rows);
    inverse.report(rows);
    slope.report(rows);
}

/// `thermocouples.csv`: NIST Monograph 175.
#[test]
fn thermocouples_agree_with_nist() {
    let table = Table::read("thermocouples.csv");
    let mut emf = Worst::new("thermocouples.csv, emf, mV", 1e-6);
    let mut slope = Worst::new("thermocouples.csv, sensitivity, relative", 1e-6);
    let mut inverse = Worst::new("thermocouples.csv, inverse, K", 1e-6);
    for row in table.rows() {
        let kind = match row.text("type") {
            "E" => ThermocoupleType::E,
            "K" => ThermocoupleType::K,
            "T" => ThermocoupleType::T,
            "N" => ThermocoupleType::N,
            other => panic!("unknown type {other}"),
        };
        let curve = Curve::Thermocouple(ThermocoupleCurve::new(kind).unwrap());
        let kelvin = row.number("T_K");
        let volt = curve.inverse(kelvin).unwrap();
        emf.see(volt * 1e3 - row.number("emf_mV"));
        let (back, kelvin_per_volt) = curve.value_and_slope(volt).unwrap();
        inverse.see(back - kelvin);
        slope.see(1e6 / kelvin_per_volt / row.number("seebeck_uV_per_C") - 1.0);
    }
    let rows = table.rows().count();
    emf.report(rows);
    slope.report(rows);
    inverse.report(rows);
}

/// Every curve that ships with the demo plant is sound, and its inverse is its inverse.
#[test]
fn the_curves_of_the_demo_plant_are_sound() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/tarn-hollow/curves");
    let mut seen = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let spec = match path.extension().and_then(|e| e.to_str()) {
            Some("csv") => parse_table(&text),
            Some("toml") => parse_chebyshev(&text),
            other => panic!("{}: {other:?}", path.display()),
        }
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert_eq!(spec.check(), [], "{}", path.display());
        assert_eq!(path.file_stem().unwrap().to_str(), Some(spec.id.as_str()));
        let (coldest, hottest) = spec.curve.output_range().unwrap();
        assert!(coldest <= 1.5 && hottest >= 320.0 - 1e-9);
        for at in 0..=2000 {
            let kelvin = coldest * libm::pow(hottest / coldest, f64::from(at) / 2000.0);
            let signal = spec.curve.inverse(kelvin).unwrap();
            let (back, slope) = spec.curve.value_and_slope(signal).unwrap();
            // At a join of ranges the two sides differ by less than the uncertainty.
            assert!((back - kelvin).abs() < spec.std_uncertainty, "{kelvin}");
            assert!(slope < 0.0, "{kelvin}");
        }
        seen += 1;
    }
    assert_eq!(seen, 4);
}
