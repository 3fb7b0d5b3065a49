//! Seeded chance, and random networks of the kind a plant has.

use coldledger::balance::reconcile::{BalanceIx, Network, VariableIx};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

pub struct Dice(ChaCha12Rng);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha12Rng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.0.next_u64() % n as u64).unwrap()
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let r = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        r * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

/// A line or an inventory change of a drawn plant.
#[derive(Debug, Clone)]
pub struct Drawn {
    pub name: String,
    pub truth: f64,
    /// None when unmeasured.
    pub std: Option<f64>,
    pub coefficients: Vec<(usize, f64)>,
}

/// Sections in a row with lines along it, some across and some to the outside; every section's
/// inventory change closes its true balance.
#[derive(Debug, Clone)]
pub struct DrawnPlant {
    pub sections: usize,
    pub variables: Vec<Drawn>,
    /// Shared errors: variable and signed standard uncertainty.
    pub causes: Vec<Vec<(usize, f64)>>,
}

impl DrawnPlant {
    pub fn new(dice: &mut Dice) -> Self {
        let sections = 2 + dice.below(6);
        let mut variables = Vec::new();
        let lines = sections + 1 + dice.below(sections + 2);
        for k in 0..lines {
            let from = match k {
                0 => None,
                k if k <= sections => Some(k - 1),
                _ => Some(dice.below(sections)),
            };
            let to = match k {
                k if k < sections => Some(k),
                _ => Some(dice.below(sections)).filter(|to| Some(*to) != from),
            };
            let truth = 5.0 + 60.0 * dice.uniform();
            let mut coefficients = Vec::new();
            coefficients.extend(from.map(|s| (s, -1.0)));
            coefficients.extend(to.map(|s| (s, 1.0)));
            let measured = dice.uniform() < 0.7;
            variables.push(Drawn {
                name: format!("line {k}"),
                truth,
                std: measured.then(|| truth * (0.005 + 0.03 * dice.uniform())),
                coefficients,
            });
        }
        for section in 0..sections {
            let change: f64 = variables
                .iter()
                .flat_map(|v: &Drawn| v.coefficients.iter().map(move |c| (c, v.truth)))
                .filter(|((s, _), _)| *s == section)
                .map(|((_, c), truth)| c * truth)
                .sum();
            variables.push(Drawn {
                name: format!("change {section}"),
                truth: change,
                std: (dice.uniform() < 0.9).then(|| 0.1 + dice.uniform()),
                coefficients: vec![(section, -1.0)],
            });
        }
        let measured: Vec<usize> = (0..variables.len())
            .filter(|&i| variables[i].std.is_some())
            .collect();
        let causes = (0..dice.below(3))
            .filter(|_| measured.len() > 2)
            .map(|_| {
                let first = dice.below(measured.len());
                let second = (first + 1 + dice.below(measured.len() - 1)) % measured.len();
                vec![
                    (measured[first], 0.5 * dice.normal()),
                    (measured[second], 0.5 * dice.normal()),
                ]
            })
            .collect();
        Self {
            sections,
            variables,
            causes,
        }
    }

    /// Measured values: truth, own noise, shared errors.
    pub fn measure(&self, dice: &mut Dice) -> Vec<f64> {
        let mut values: Vec<f64> = self
            .variables
            .iter()
            .map(|v| v.truth + v.std.map_or(0.0, |s| s * dice.normal()))
            .collect();
        for cause in &self.causes {
            let size = dice.normal();
            for &(variable, std) in cause {
                values[variable] += size * std;
            }
        }
        values
    }

    /// The network of those values, each variable in a unit `scale` times smaller.
    pub fn network(
        &self,
        values: &[f64],
        scale: &[f64],
    ) -> (Network, Vec<VariableIx>, Vec<BalanceIx>) {
        let mut network = Network::new();
        let sections: Vec<_> = (0..self.sections)
            .map(|s| network.balance(&format!("section {s}"), 0.0).unwrap())
            .collect();
        let mut variables = Vec::new();
        for ((drawn, value), scale) in self.variables.iter().zip(values).zip(scale) {
            let variable = match drawn.std {
                Some(std) => network.measured(&drawn.name, value * scale, std * scale),
                None => network.unmeasured(&drawn.name),
            }
            .unwrap();
            for &(section, c) in &drawn.coefficients {
                network
                    .term(sections[section], variable, c / scale)
                    .unwrap();
            }
            variables.push(variable);
        }
        for (k, cause) in self.causes.iter().enumerate() {
            let reaches: Vec<_> = cause
                .iter()
                .map(|&(v, std)| (variables[v], std * scale[v]))
                .collect();
            network.cause(&format!("cause {k}"), &reaches).unwrap();
        }
        (network, variables, sections)
    }
}
