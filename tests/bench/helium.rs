//! Time per call of the helium properties, in nanoseconds.
//!
//! The same states as a general property library is judged by: log-uniform in T 2.2 to 320 K and
//! p 0.5 to 250 bar, below the melting curve. With the environment variable `COOLPROP_PYTHON` set to
//! a Python that has CoolProp, each round also runs its general equation through the low-level
//! interface over the same points, in turn, and the median of the paired ratios is printed.
#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock and prints"
)]

use std::hint::black_box;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

use coldledger::helium::{self, PhaseHint};
use coldledger::quantity::{AbsolutePressure, Density, Temperature};

const ROUNDS: usize = 7;

/// Times the points in files of `T p` lines from standard input inside the library's own loop, so
/// that the cost of Python does not count.
const COOLPROP: &str = r"
import sys, time, numpy as np
import CoolProp.CoolProp as CP
T, p = np.loadtxt(sys.stdin, unpack=True)
state = CP.AbstractState('HEOS', 'Helium')
idle = 0.0
def run():
    done = 0
    start = time.perf_counter()
    for a, b in zip(p, T):
        try:
            state.update(CP.PT_INPUTS, a, b)
            done += 1
        except ValueError:
            pass
    return (time.perf_counter() - start) / len(T) * 1e9, done
def nothing():
    start = time.perf_counter()
    for a, b in zip(p, T):
        try:
            state.keyed_output(CP.imolar_mass)
        except ValueError:
            pass
    return (time.perf_counter() - start) / len(T) * 1e9
total, done = run()
print(max(total - nothing(), 1.0), done)
";

fn main() {
    let points = points();
    let count = points.len();
    for &(t, p) in points.iter().take(10) {
        black_box(helium::density(t, p).ok());
    }
    let known: Vec<Density> = points
        .iter()
        .filter_map(|&(t, p)| helium::density(t, p).ok())
        .collect();
    assert_eq!(known.len(), count, "every point has a density");
    let near: Vec<Density> = known
        .iter()
        .map(|rho| Density::new(rho.si() * 1.0001))
        .collect();

    let mut rows: Vec<[f64; 6]> = Vec::new();
    for _ in 0..ROUNDS {
        let cold = per_call(count, || {
            for &(t, p) in &points {
                black_box(helium::density(t, p).ok());
            }
        });
        let warm = per_call(count, || {
            for (&(t, p), &start) in points.iter().zip(&near) {
                black_box(helium::density_from(t, p, PhaseHint::Stable, start).ok());
            }
        });
        let slopes = per_call(count, || {
            for (&(t, p), &start) in points.iter().zip(&near) {
                black_box(helium::density_with_slopes_from(t, p, PhaseHint::Stable, start).ok());
            }
        });
        let state = per_call(count, || {
            for &(t, p) in &points {
                black_box(helium::state(t, p, PhaseHint::Stable).ok());
            }
        });
        let saturation = per_call(count, || {
            for index in 0..count {
                #[expect(clippy::cast_precision_loss, reason = "a small count")]
                let p = 6e3 + 2.1e5 * index as f64 / count as f64;
                black_box(helium::saturation_at_pressure(AbsolutePressure::new(p)).ok());
            }
        });
        let coolprop = coolprop(&points).unwrap_or(f64::NAN);
        rows.push([cold, warm, slopes, state, saturation, coolprop]);
    }

    println!("{count} points, {ROUNDS} rounds, median ns per call");
    let median = |of: &dyn Fn(&[f64; 6]) -> f64| {
        let mut values: Vec<f64> = rows.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    println!(
        "density(T, p), phase decided, cold     {:8.0}",
        median(&|r| r[0])
    );
    println!(
        "density(T, p), phase decided, warm     {:8.0}",
        median(&|r| r[1])
    );
    println!(
        "density with slopes, warm              {:8.0}",
        median(&|r| r[2])
    );
    println!(
        "whole state, cold                      {:8.0}",
        median(&|r| r[3])
    );
    println!(
        "saturation at a pressure               {:8.0}",
        median(&|r| r[4])
    );
    if rows.iter().all(|row| row[5].is_finite()) {
        println!(
            "CoolProp HEOS, phase unknown           {:8.0}",
            median(&|r| r[5])
        );
        println!(
            "ratio cold                             {:8.1}",
            median(&|r| r[5] / r[0])
        );
        println!(
            "ratio warm                             {:8.1}",
            median(&|r| r[5] / r[1])
        );
    }
}

fn per_call(count: usize, run: impl FnOnce()) -> f64 {
    let start = Instant::now();
    run();
    #[expect(clippy::cast_precision_loss, reason = "a small count")]
    let count = count as f64;
    start.elapsed().as_secs_f64() * 1e9 / count
}

/// Log-uniform points from a fixed low-discrepancy sequence.
fn points() -> Vec<(Temperature, AbsolutePressure)> {
    let (mut x, mut y) = (0.5_f64, 0.5_f64);
    let mut points = Vec::new();
    while points.len() < 20_000 {
        x = (x + 0.754_877_666_246_692_7).fract();
        y = (y + 0.569_840_290_998_053_3).fract();
        let t = 2.2 * libm::pow(320.0 / 2.2, x);
        let p = 0.5e5 * libm::pow(500.0, y);
        if p < 0.98 * helium::melting_pressure_pa(t) {
            points.push((Temperature::new(t), AbsolutePressure::new(p)));
        }
    }
    points
}

fn coolprop(points: &[(Temperature, AbsolutePressure)]) -> Option<f64> {
    let python = std::env::var_os("COOLPROP_PYTHON")?;
    let mut child = Command::new(python)
        .args(["-c", COOLPROP])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .ok()?;
    {
        let mut input = child.stdin.take()?;
        for (t, p) in points {
            writeln!(input, "{} {}", t.si(), p.si()).ok()?;
        }
    }
    let output = child.wait_with_output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?;
    text.split_whitespace().next()?.parse().ok()
}
