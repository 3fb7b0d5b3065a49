//! `losses --readings`: data logged elsewhere, judged by the command itself.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use coldledger::command::losses::{LossesArgs, LossesError, run};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::synthetic::DAY;

pub fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn args(readings: PathBuf, ledger: Option<PathBuf>) -> LossesArgs {
    LossesArgs {
        json: true,
        readings: Some(readings),
        plant: Some(here("tests/plants/series")),
        ledger,
        ..LossesArgs::default()
    }
}

fn judged(args: &LossesArgs) -> serde_json::Value {
    let mut out = Vec::new();
    run(args, &mut out).unwrap();
    serde_json::from_slice(&out).unwrap()
}

fn truth(name: &str) -> f64 {
    include_str!("../reference/inventory_series_truth.csv")
        .lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(','))
        .and_then(|rest| rest.split(',').next()?.parse().ok())
        .unwrap()
}

/// Excess, its standard uncertainty, in kg/day, and the onset, days.
fn excess(answer: &serde_json::Value) -> (f64, f64, f64) {
    let plant = &answer["losses"][0];
    assert_eq!(plant["raised"], true, "{plant:#}");
    let figure = &plant["excess"];
    assert_eq!(figure["unit"], "kg/day");
    (
        figure["value"].as_f64().unwrap(),
        figure["std_uncertainty"].as_f64().unwrap(),
        plant["since"]["ms"].as_f64().unwrap() / 1e3 / DAY,
    )
}

#[test]
fn the_reference_series_is_judged_as_the_independent_solution_judges_it() {
    let answer = judged(&args(
        here("tests/reference/inventory_series.csv"),
        Some(here("tests/plants/series/ledger.csv")),
    ));
    let (rate, std, onset) = excess(&answer);
    let (true_rate, gls_se) = (truth("leak_rate_true"), truth("gls_leak_rate_se"));
    println!(
        "{rate:.4} +- {std:.4} kg/day from day {onset:.2}; truth {true_rate} from day {}, independent {:.4} +- {gls_se:.4}",
        truth("leak_start_true") / DAY,
        truth("gls_leak_rate"),
    );
    assert!((rate - true_rate).abs() < 3.0 * std);
    assert!((0.7..1.5).contains(&(std / gls_se)), "{}", std / gls_se);
    // What was missing is said, channel by channel.
    let gaps = answer["gaps"].as_array().unwrap();
    assert!(
        gaps.iter()
            .any(|gap| gap["what"].as_str().unwrap().starts_with("T_gas"))
    );
    // Inventory at the start, by the whole equation of state.
    let opening = answer["between"]["opening"]["value"].as_f64().unwrap();
    assert!(
        (opening - truth("total_at_start_true")).abs() < 0.5,
        "{opening}"
    );
}

/// A plant as this test makes it, told apart from the library's: gas by the virial equation, liquid
/// of one density.
pub struct Made {
    pub seed: u64,
    pub step_s: f64,
    pub days: f64,
    pub start_kg: f64,
    pub leak: (f64, f64),
    pub delivery: Option<(f64, f64)>,
    pub white_kg: f64,
    pub slow: (f64, f64),
    pub wave_kelvin: f64,
    pub missing: f64,
}

/// Saturated helium at 4.4 K (tests/reference/helium_saturation.csv): Pa and kg/m3.
const BATH_PA: f64 = 119_075.830315;
const LIQUID: f64 = 120.912815922;
const VAPOUR: f64 = 20.1241167076;
/// Second virial coefficient of helium at ambient temperature, m3/mol (11.8 cm3/mol, CRC Handbook,
/// from memory).
const SECOND_VIRIAL: f64 = 11.8e-6;
const GAS_CONSTANT: f64 = 8.31446261815324;
const MOLAR_MASS: f64 = 4.002602e-3;

struct Random(ChaCha8Rng);

impl Random {
    fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

/// Pressure of that much gas in 40 m3.
fn pressure(kg: f64, kelvin: f64) -> f64 {
    let molar = kg / MOLAR_MASS / 40.0;
    molar * GAS_CONSTANT * kelvin * (1.0 + SECOND_VIRIAL * molar)
}

impl Made {
    pub fn rows(&self) -> Vec<[Option<f64>; 5]> {
        let mut random = Random(ChaCha8Rng::seed_from_u64(self.seed));
        let (slow_kg, slow_s) = self.slow;
        let keep = libm::exp(-self.step_s / slow_s);
        let mut slow = slow_kg * random.normal();
        let count = (self.days * DAY / self.step_s) as usize;
        (0..count)
            .map(|number| {
                let t = number as f64 * self.step_s;
                let (rate, since) = self.leak;
                let mut total = self.start_kg - rate * (t / DAY - since).max(0.0);
                if let Some((kg, at)) = self.delivery {
                    total += kg * ((t - at * DAY) / 7200.0).clamp(0.0, 1.0);
                }
                // Liquid goes back and forth between bath and gas.
                let bath_kg = 130.0 + 6.0 * libm::sin(std::f64::consts::TAU * t / (2.7 * DAY));
                // The bath's helium, vapour of its 2 m3 included.
                let litres = (bath_kg - 2.0 * VAPOUR) / (LIQUID - VAPOUR) * 1e3;
                let gas_kg = total - bath_kg;
                let phase = std::f64::consts::TAU * t / DAY;
                let kelvin = 288.0 + self.wave_kelvin * libm::sin(phase);
                // The thermometer shows the gas as it was forty minutes ago.
                let shown = 288.0 + self.wave_kelvin * libm::sin(phase - 0.175);
                slow = keep * slow + slow_kg * libm::sqrt(1.0 - keep * keep) * random.normal();
                let noise_l = slow / (LIQUID - VAPOUR) * 1e3;
                let white_l = self.white_kg * random.normal() / (LIQUID - VAPOUR) * 1e3;
                let gone = random.uniform() < self.missing;
                let t_gas = Some(shown).filter(|_| !gone);
                [
                    Some(t),
                    Some(pressure(gas_kg, kelvin)),
                    t_gas,
                    Some(BATH_PA),
                    Some(litres + noise_l + white_l),
                ]
            })
            .collect()
    }

    /// Standard uncertainty of the rate by generalised least squares that is told the noise: level,
    /// loss, delivery, sine and cosine of the day; and the onset in first order where it is not told
    /// that too. The noise is whitened by a Kalman filter of its own.
    fn independent_std(&self, told_the_onset: bool) -> f64 {
        let count = (self.days * DAY / self.step_s) as usize;
        let known = if told_the_onset { 5 } else { 6 };
        let mut columns: Vec<Vec<f64>> = vec![Vec::new(); known];
        for number in 0..count {
            let t = number as f64 * self.step_s;
            let phase = std::f64::consts::TAU * t / DAY;
            let delivered = self.delivery.map_or(libm::sin(2.0 * phase), |(_, at)| {
                ((t - at * DAY) / 7200.0).clamp(0.0, 1.0)
            });
            let row = [
                1.0,
                -(t / DAY - self.leak.1).max(0.0),
                delivered,
                libm::sin(phase),
                libm::cos(phase),
                f64::from(u8::from(t / DAY > self.leak.1)),
            ];
            for (column, value) in columns.iter_mut().zip(row) {
                column.push(value);
            }
        }
        let white: Vec<Vec<f64>> = columns.iter().map(|column| self.whitened(column)).collect();
        let matrix = nalgebra::DMatrix::from_fn(known, known, |i, j| {
            white[i].iter().zip(&white[j]).map(|(a, b)| a * b).sum()
        });
        libm::sqrt(matrix.try_inverse().unwrap()[(1, 1)])
    }

    fn whitened(&self, column: &[f64]) -> Vec<f64> {
        let (slow_kg, slow_s) = self.slow;
        let keep = libm::exp(-self.step_s / slow_s);
        let (mut state, mut variance) = (0.0, slow_kg * slow_kg);
        column
            .iter()
            .map(|value| {
                let total = variance + self.white_kg * self.white_kg;
                let innovation = value - state;
                let gain = variance / total;
                state = keep * (state + gain * innovation);
                variance =
                    keep * keep * variance * (1.0 - gain) + slow_kg * slow_kg * (1.0 - keep * keep);
                innovation / libm::sqrt(total)
            })
            .collect()
    }
}

/// The same rows in three ways of writing.
fn written(made: &Made, way: usize, directory: &Path) -> (PathBuf, Option<PathBuf>) {
    let mut text = match way {
        0 => "time_h,p_gas_Pa,T_gas_K,p_bath_Pa,V_liquid_L\n".to_owned(),
        1 => "\u{feff}# from another program\nTime;p_gas [bar(a)];T_gas (degC);p_bath [mbar(a)];V_liquid [m3];remarks\n".to_owned(),
        _ => "timestamp\tp_gas\tT_gas\tp_bath\tV_liquid\n".to_owned(),
    };
    for [t, p_gas, t_gas, p_bath, litres] in made.rows() {
        let t = t.unwrap();
        let (p_gas, p_bath, litres) = (p_gas.unwrap(), p_bath.unwrap(), litres.unwrap());
        let at = jiff::Timestamp::from_millisecond((t * 1e3) as i64).unwrap();
        match way {
            0 => {
                let t_gas = t_gas.map_or("nan".into(), |k| format!("{k:.4}"));
                writeln!(
                    text,
                    "{:.6},{p_gas:.1},{t_gas},{p_bath},{litres:.4}",
                    t / 3600.0
                )
            }
            1 => {
                let t_gas = t_gas.map_or(String::new(), |k| format!("{:.4}", k - 273.15));
                let line = format!(
                    "{at};{:.7};{t_gas};{:.2};{:.7};ok\n",
                    p_gas / 1e5,
                    p_bath / 100.0,
                    litres / 1e3
                );
                write!(text, "{}", line.replace('.', ","))
            }
            _ => {
                let t_gas = t_gas.map_or("bad".into(), |k| format!("{k:.4}"));
                let plain = at.to_string().replace('T', " ").replace('Z', "");
                writeln!(
                    text,
                    "{plain}\t{:.7}\t{t_gas}\t{}\t{litres:.4}",
                    p_gas / 1e5,
                    p_bath / 100.0
                )
            }
        }
        .unwrap();
    }
    let readings = directory.join(format!("readings-{way}.csv"));
    std::fs::write(&readings, text).unwrap();
    let ledger = made.delivery.map(|(kg, at)| {
        let path = directory.join("ledger.csv");
        let hours = at * 24.0;
        let text = format!(
            "time_h,kind,mass_kg,uncertainty_kg,over_min\n{hours},delivery,{kg},0.02,120\n"
        );
        std::fs::write(&path, text).unwrap();
        path
    });
    (readings, ledger)
}

#[test]
fn other_series_are_judged_as_sharply_as_their_noise_allows() {
    let directory = tempfile::tempdir().unwrap();
    let series = [
        Made {
            seed: 11,
            step_s: 600.0,
            days: 14.0,
            start_kg: 232.0,
            leak: (0.5, 7.0),
            delivery: None,
            white_kg: 0.05,
            slow: (0.08, 10_800.0),
            wave_kelvin: 3.0,
            missing: 0.02,
        },
        Made {
            seed: 12,
            step_s: 300.0,
            days: 12.0,
            start_kg: 225.0,
            leak: (1.2, 6.5),
            delivery: None,
            white_kg: 0.2,
            slow: (0.15, 7200.0),
            wave_kelvin: 1.5,
            missing: 0.005,
        },
        Made {
            seed: 13,
            step_s: 600.0,
            days: 16.0,
            start_kg: 228.0,
            leak: (0.8, 8.0),
            delivery: Some((12.0, 11.3)),
            white_kg: 0.1,
            slow: (0.1, 14_400.0),
            wave_kelvin: 2.0,
            missing: 0.01,
        },
    ];
    for (way, made) in series.iter().enumerate() {
        let (readings, ledger) = written(made, way, directory.path());
        let answer = judged(&args(readings, ledger));
        let (rate, std, onset) = excess(&answer);
        let (told, untold) = (made.independent_std(true), made.independent_std(false));
        println!(
            "way {way}: {rate:.4} +- {std:.4} kg/day from day {onset:.2}; truth {} from day {}; independent, told the onset +- {told:.4}, not told +- {untold:.4}",
            made.leak.0, made.leak.1
        );
        assert!((rate - made.leak.0).abs() < 3.0 * std, "way {way}");
        // The onset is found, not told, but not quite free either: the loss begins from nothing.
        assert!(std > 0.7 * told && std < 1.5 * untold, "way {way}");
    }
}

#[test]
fn what_is_wrong_with_a_file_is_said_with_line_and_column() {
    let directory = tempfile::tempdir().unwrap();
    let complaint = |text: &str| {
        let path = directory.path().join("wrong.csv");
        std::fs::write(&path, text).unwrap();
        match run(&args(path, None), &mut Vec::new()) {
            Err(LossesError::Readings(error)) => error.to_string(),
            Err(other) => panic!("{other}"),
            Ok(()) => panic!("taken: {text:?}"),
        }
    };
    for (text, parts) in [
        ("", ["no header row", "names the columns"]),
        ("# only a comment\n", ["no header row", ""]),
        ("t_s,p_gas_Pa\n", ["no rows", ""]),
        ("when,p_gas_Pa\n0,1\n", ["line 1", "no column of times"]),
        (
            "t_s,x\n0,1\n",
            ["line 1", "no column has the name of a channel"],
        ),
        ("t_s,p_gas_psi\n0,1\n", ["\"psi\" is no unit", "bar(a)"]),
        (
            "t_s,p_gas_Pa\n0,1e5\n600,oops\n",
            ["line 3", "column \"p_gas_Pa\": \"oops\""],
        ),
        (
            "# c\n\nt_s,p_gas_Pa\n0,1e5\nsoon,1e5\n",
            ["line 5", "column \"t_s\": \"soon\""],
        ),
        (
            "t_s,p_gas_Pa\n600,1e5\n0,1e5\n",
            ["line 3", "sort the rows"],
        ),
        (
            "time,p_gas_Pa\nyesterday,1e5\n",
            ["line 2", "2026-05-04T07:00:00Z"],
        ),
    ] {
        let said = complaint(text);
        for part in parts {
            assert!(said.contains(part), "{text:?}: {said}");
        }
    }
}

#[test]
fn a_report_stands_alone() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("report.html");
    let mut args = args(
        here("tests/reference/inventory_series.csv"),
        Some(here("tests/plants/series/ledger.csv")),
    );
    args.report = Some(path.clone());
    args.start = Some("2026-05-25T00:00:00Z".into());
    let answer = judged(&args);
    let html = std::fs::read_to_string(&path).unwrap();
    for absent in ["<script", "http://", "https://", "src=", "url(/", "<link"] {
        assert!(!html.contains(absent), "{absent}");
    }
    for present in [
        "Inventory series",
        "class=\"plot\"",
        "Month by month",
        "May 2026",
        "June 2026",
        "What could explain it",
        "What decides the ±",
        "What was not seen",
        "Cautions",
        "nominal",
        "milligrams",
    ] {
        assert!(html.contains(present), "{present}");
    }
    assert_eq!(html.matches("<svg class=\"plot\"").count(), 3);
    // The months add up to the whole.
    let months = answer["months"].as_array().unwrap();
    assert_eq!(months.len(), 2);
    let value = |figure: &serde_json::Value| figure["value"].as_f64().unwrap();
    let lost: f64 = months.iter().map(|month| value(&month["lost"])).sum();
    let between = value(&answer["between"]["unaccounted"]);
    assert!((lost - between).abs() < 0.6, "{lost} {between}");
    let bought: f64 = months.iter().map(|month| value(&month["bought"])).sum();
    assert!((bought - 7.5).abs() < 1e-9);
}
