//! The adjustment itself, and the tests of it.

use super::gross::{Signature, groups};
use super::network::{Network, VariableIx};
use super::result::{
    BalanceResult, Classification, Estimate, GlobalTest, ReconcileError, Reconciled, Settings,
    VariableResult,
};
use super::{BalanceIx, CauseIx, Hypothesis};
use crate::balance::distribution::normal_quantile;
use crate::balance::least_squares::count;
use crate::balance::linear::{dot, semidefinite_factor};
use crate::balance::qr::PivotedQr;

/// Part of a column below which it counts as nothing: rounding, not structure.
const NOTHING: f64 = 1e-9;
/// The same for one element.
const ROUNDING: f64 = 1e-13;
/// Part of the longest column below which a column repeats others.
const DEPENDENT: f64 = 1e-10;
/// Part of the largest scatter below which a balance has none.
const EXACT: f64 = 1e-12;

impl Network {
    /// Makes the balances close.
    ///
    /// # Errors
    /// [`ReconcileError`].
    pub fn reconcile(&self, settings: &Settings) -> Result<Reconciled, ReconcileError> {
        let level = settings.level;
        if !(level > 0.0 && level < 1.0) {
            return Err(ReconcileError::Level(level));
        }
        let measured = self.variables.iter().any(|v| v.measured.is_some());
        if self.balances.is_empty() || !measured {
            return Err(ReconcileError::Empty);
        }
        let scaled = Scaled::new(self)?;
        let projected = Projected::new(self, &scaled)?;
        let adjusted = Adjusted::new(self, &scaled, &projected)?;
        let result = adjusted.report(self, &scaled, &projected, level);
        let sound = adjusted.whitened.iter().all(|x| x.is_finite())
            && result
                .variables
                .iter()
                .filter_map(|v| v.reconciled)
                .all(|e| e.value.is_finite() && e.std.is_finite());
        sound.then_some(result).ok_or(ReconcileError::NotANumber)
    }
}

/// The network with rows and columns of like size, so that units do not matter. Powers of two: the
/// scaling itself rounds nothing.
struct Scaled {
    /// By how much each variable is multiplied, and each balance.
    columns: Vec<f64>,
    rows: Vec<f64>,
    /// Measured and unmeasured variables, by their place in the network.
    measured: Vec<usize>,
    unmeasured: Vec<usize>,
    /// Coefficients, measured values, constants, all scaled; coefficients column by column, in the
    /// network's order.
    coefficients: Vec<Vec<f64>>,
    values: Vec<f64>,
    constants: Vec<f64>,
    /// Factor of the measured variables' covariance, row by row: independent parts first, then
    /// causes.
    factor: Vec<Vec<f64>>,
}

impl Scaled {
    fn new(network: &Network) -> Result<Self, ReconcileError> {
        let (n, m) = (network.variables.len(), network.balances.len());
        let mut coefficients = vec![vec![0.0; m]; n];
        for (row, balance) in network.balances.iter().enumerate() {
            for &(variable, c) in &balance.terms {
                put(&mut coefficients, variable, row, c);
            }
        }
        let largest = |column: &[f64]| column.iter().fold(0.0, |a: f64, c| a.max(c.abs()));
        let columns: Vec<f64> = coefficients
            .iter()
            .map(|c| power_of_two(largest(c)))
            .collect();
        for (column, scale) in coefficients.iter_mut().zip(&columns) {
            for c in column {
                *c /= scale;
            }
        }
        let rows: Vec<f64> = (0..m)
            .map(|row| {
                let row: Vec<f64> = coefficients.iter().map(|c| at(c, row)).collect();
                1.0 / power_of_two(largest(&row))
            })
            .collect();
        for column in &mut coefficients {
            for (c, scale) in column.iter_mut().zip(&rows) {
                *c *= scale;
            }
        }
        let (measured, unmeasured): (Vec<usize>, Vec<usize>) = (0..n).partition(|&i| {
            network
                .variables
                .get(i)
                .is_some_and(|v| v.measured.is_some())
        });
        let values = network
            .variables
            .iter()
            .zip(&columns)
            .filter_map(|(v, scale)| v.measured.map(|(value, _)| value * scale))
            .collect();
        let constants = network
            .balances
            .iter()
            .zip(&rows)
            .map(|(b, scale)| b.constant * scale)
            .collect();
        let factor = factor(network, &measured, &columns)?;
        Ok(Self {
            columns,
            rows,
            measured,
            unmeasured,
            coefficients,
            values,
            constants,
            factor,
        })
    }

    fn column(&self, variable: usize) -> &[f64] {
        self.coefficients
            .get(variable)
            .map_or(&[], |column| column.as_slice())
    }
}

/// `F` with `F F' = S`, in scaled variables.
fn factor(
    network: &Network,
    measured: &[usize],
    columns: &[f64],
) -> Result<Vec<Vec<f64>>, ReconcileError> {
    let n = measured.len();
    let width = n + network.causes.len();
    let mut place = vec![None; network.variables.len()];
    for (i, &variable) in measured.iter().enumerate() {
        if let Some(p) = place.get_mut(variable) {
            *p = Some(i);
        }
    }
    let mut rows = vec![vec![0.0; width]; n];
    for (i, &variable) in measured.iter().enumerate() {
        let std = network
            .variables
            .get(variable)
            .and_then(|v| v.measured)
            .map_or(0.0, |(_, std)| std);
        put(&mut rows, i, i, std * at(columns, variable));
    }
    for (k, cause) in network.causes.iter().enumerate() {
        for &(variable, std) in &cause.reaches {
            if let Some(i) = place.get(variable).copied().flatten() {
                put(&mut rows, i, n + k, std * at(columns, variable));
            }
        }
    }
    if network.covariances.is_empty() {
        return Ok(rows);
    }
    let mut covariance = vec![0.0; n * n];
    for (i, a) in rows.iter().enumerate() {
        for (j, b) in rows.iter().enumerate() {
            if let Some(c) = covariance.get_mut(i * n + j) {
                *c = dot(a, b);
            }
        }
    }
    for &(a, b, value) in &network.covariances {
        let both = place.get(a).copied().flatten();
        if let Some((i, j)) = both.zip(place.get(b).copied().flatten()) {
            let value = value * at(columns, a) * at(columns, b);
            for k in [i * n + j, j * n + i] {
                if let Some(c) = covariance.get_mut(k) {
                    *c += value;
                }
            }
        }
    }
    let factor = semidefinite_factor(&covariance, n).ok_or(ReconcileError::Covariance)?;
    Ok(factor.chunks(n.max(1)).map(<[f64]>::to_vec).collect())
}

/// The balances among measured variables alone.
struct Projected {
    /// QR of the unmeasured variables' coefficients.
    qr: PivotedQr,
    /// What is left of the measured variables' coefficients, column by column; and above it what
    /// determines the unmeasured ones.
    lower: Vec<Vec<f64>>,
    upper: Vec<Vec<f64>>,
    lower_constants: Vec<f64>,
    upper_constants: Vec<f64>,
    balances: usize,
}

impl Projected {
    fn new(network: &Network, scaled: &Scaled) -> Result<Self, ReconcileError> {
        let balances = network.balances.len();
        refuse_dependent(network, scaled)?;
        let width = scaled.unmeasured.len();
        let mut matrix = vec![0.0; balances * width];
        for (col, &variable) in scaled.unmeasured.iter().enumerate() {
            for (row, c) in scaled.column(variable).iter().enumerate() {
                if let Some(x) = matrix.get_mut(row * width + col) {
                    *x = *c;
                }
            }
        }
        let qr = PivotedQr::new(&matrix, balances, width, DEPENDENT)
            .ok_or(ReconcileError::NotANumber)?;
        let rank = qr.rank();
        let turn = |column: &[f64]| {
            let mut turned = column.to_vec();
            qr.transpose_times(&mut turned);
            let lower = turned.split_off(rank.min(turned.len()));
            (turned, lower)
        };
        let (mut upper, mut lower) = (Vec::new(), Vec::new());
        for &variable in &scaled.measured {
            let column = scaled.column(variable);
            let whole = length(column);
            let (above, mut below) = turn(column);
            let nothing = length(&below) <= NOTHING * whole;
            for x in &mut below {
                if nothing || x.abs() <= ROUNDING * whole {
                    *x = 0.0;
                }
            }
            upper.push(above);
            lower.push(below);
        }
        let (upper_constants, lower_constants) = turn(&scaled.constants);
        Ok(Self {
            qr,
            lower,
            upper,
            lower_constants,
            upper_constants,
            balances,
        })
    }

    /// Number of balances among measured variables.
    fn redundancy(&self) -> usize {
        self.balances - self.qr.rank()
    }

    /// What these values leave over in those balances.
    fn residual(&self, values: &[f64]) -> Vec<f64> {
        let mut residual: Vec<f64> = self.lower_constants.iter().map(|b| -b).collect();
        for (column, value) in self.lower.iter().zip(values) {
            for (r, c) in residual.iter_mut().zip(column) {
                *r += c * value;
            }
        }
        residual
    }

    /// What something missing in one balance does to them.
    fn missing(&self, balance: usize, scale: f64) -> Vec<f64> {
        let mut unit = vec![0.0; self.balances];
        if let Some(x) = unit.get_mut(balance) {
            *x = scale;
        }
        self.qr.transpose_times(&mut unit);
        let mut below = unit.split_off(self.qr.rank().min(unit.len()));
        if length(&below) <= NOTHING * scale {
            below.fill(0.0);
        }
        below
    }

    /// Names of the balances that one of those balances is made of.
    fn made_of(&self, network: &Network, row: usize) -> Vec<String> {
        let mut weights = vec![0.0; self.balances];
        if let Some(x) = weights.get_mut(self.qr.rank() + row) {
            *x = 1.0;
        }
        self.qr.times(&mut weights);
        names(network, &weights)
    }
}

fn names(network: &Network, weights: &[f64]) -> Vec<String> {
    network
        .balances
        .iter()
        .zip(weights)
        .filter(|(_, weight)| weight.abs() > NOTHING)
        .map(|(balance, _)| balance.name.clone())
        .collect()
}

/// A balance that follows from others would be tested twice and solved for never.
fn refuse_dependent(network: &Network, scaled: &Scaled) -> Result<(), ReconcileError> {
    let (n, m) = (network.variables.len(), network.balances.len());
    let all: Vec<f64> = scaled.coefficients.iter().flatten().copied().collect();
    let qr = PivotedQr::new(&all, n, m, DEPENDENT).ok_or(ReconcileError::NotANumber)?;
    let rank = qr.rank();
    let Some(&repeated) = qr.order().get(rank) else {
        return Ok(());
    };
    let mut weights = vec![0.0; m];
    for (&balance, weight) in qr.order().iter().zip(qr.combination(rank)) {
        if let Some(w) = weights.get_mut(balance) {
            *w = weight;
        }
    }
    if let Some(w) = weights.get_mut(repeated) {
        *w = 1.0;
    }
    Err(ReconcileError::Dependent(names(network, &weights)))
}

/// The solution in scaled variables.
struct Adjusted {
    qr: PivotedQr,
    whitened: Vec<f64>,
    values: Vec<f64>,
    corrections: Vec<f64>,
    /// Per measured variable: factor of what the adjustment takes from its variance, and of what
    /// it leaves.
    taken: Vec<Vec<f64>>,
    left: Vec<Vec<f64>>,
}

impl Adjusted {
    fn new(
        network: &Network,
        scaled: &Scaled,
        projected: &Projected,
    ) -> Result<Self, ReconcileError> {
        let redundancy = projected.redundancy();
        let width = scaled.factor.first().map_or(0, Vec::len);
        let mut product = vec![0.0; width * redundancy];
        for (f, column) in scaled.factor.iter().zip(&projected.lower) {
            for (line, f) in product.chunks_mut(redundancy.max(1)).zip(f) {
                if *f != 0.0 {
                    for (p, c) in line.iter_mut().zip(column) {
                        *p += f * c;
                    }
                }
            }
        }
        let qr =
            PivotedQr::new(&product, width, redundancy, EXACT).ok_or(ReconcileError::NotANumber)?;
        let rank = qr.rank();
        if rank < redundancy {
            let row = qr.order().get(rank).copied().unwrap_or(0);
            return Err(ReconcileError::Exact(projected.made_of(network, row)));
        }
        let (mut taken, mut left) = (Vec::new(), Vec::new());
        for f in &scaled.factor {
            let mut turned = f.clone();
            qr.transpose_times(&mut turned);
            left.push(turned.split_off(rank.min(turned.len())));
            taken.push(turned);
        }
        let mut adjusted = Self {
            qr,
            whitened: Vec::new(),
            values: scaled.values.clone(),
            corrections: vec![0.0; scaled.values.len()],
            taken,
            left,
        };
        adjusted.whitened = adjusted.whiten(&projected.residual(&adjusted.values));
        // A second turn takes away what the first one's rounding left.
        for turn in 0..2 {
            let whitened = if turn == 0 {
                adjusted.whitened.clone()
            } else {
                adjusted.whiten(&projected.residual(&adjusted.values))
            };
            for ((value, correction), taken) in adjusted
                .values
                .iter_mut()
                .zip(&mut adjusted.corrections)
                .zip(&adjusted.taken)
            {
                *correction -= dot(taken, &whitened);
                *value -= dot(taken, &whitened);
            }
        }
        Ok(adjusted)
    }

    /// Residuals, or what a gross error does to them, in units of their own scatter.
    fn whiten(&self, residual: &[f64]) -> Vec<f64> {
        let ordered: Vec<f64> = self.qr.order().iter().map(|&i| at(residual, i)).collect();
        self.qr.solve_upper_transposed(&ordered)
    }

    fn signatures(
        &self,
        network: &Network,
        scaled: &Scaled,
        projected: &Projected,
    ) -> Vec<Signature> {
        let mut signatures = Vec::new();
        for (&variable, column) in scaled.measured.iter().zip(&projected.lower) {
            let scale = at(&scaled.columns, variable);
            let effect: Vec<f64> = column.iter().map(|c| c * scale).collect();
            signatures.push(Signature::new(
                Hypothesis::Bias(VariableIx(variable)),
                self.whiten(&effect),
            ));
        }
        for (balance, &scale) in scaled.rows.iter().enumerate() {
            let effect = projected.missing(balance, scale);
            signatures.push(Signature::new(
                Hypothesis::Leak(BalanceIx(balance)),
                self.whiten(&effect),
            ));
        }
        for (k, cause) in network.causes.iter().enumerate() {
            // One that reaches a single variable is that variable's bias.
            if cause.reaches.len() < 2 {
                continue;
            }
            let mut effect = vec![0.0; projected.redundancy()];
            for (&variable, column) in scaled.measured.iter().zip(&projected.lower) {
                let reached = cause.reaches.iter().find(|(v, _)| *v == variable);
                let std = reached.map_or(0.0, |&(_, std)| std * at(&scaled.columns, variable));
                for (e, c) in effect.iter_mut().zip(column) {
                    *e += c * std;
                }
            }
            signatures.push(Signature::new(
                Hypothesis::Cause(CauseIx(k)),
                self.whiten(&effect),
            ));
        }
        signatures
    }

    fn report(
        &self,
        network: &Network,
        scaled: &Scaled,
        projected: &Projected,
        level: f64,
    ) -> Reconciled {
        let signatures = self.signatures(network, scaled, projected);
        let ratio = |hypothesis: Hypothesis| {
            signatures
                .iter()
                .find(|s| s.hypothesis == hypothesis)
                .and_then(|s| s.ratio(&self.whitened))
        };
        let mut variables: Vec<VariableResult> = network
            .variables
            .iter()
            .map(|v| VariableResult {
                name: v.name.clone(),
                measured: None,
                reconciled: None,
                classification: Classification::Unobservable,
                correction: 0.0,
                test: None,
                bias: None,
            })
            .collect();
        let mut factors: Vec<Option<Vec<f64>>> = vec![None; variables.len()];
        for (i, &variable) in scaled.measured.iter().enumerate() {
            let scale = at(&scaled.columns, variable);
            let part = |rows: &[Vec<f64>]| rows.get(i).map_or(0.0, |row| length(row)) / scale;
            let (all, taken, left) = (part(&scaled.factor), part(&self.taken), part(&self.left));
            let Some(result) = variables.get_mut(variable) else {
                continue;
            };
            let value = network
                .variables
                .get(variable)
                .and_then(|v| v.measured)
                .map_or(0.0, |(value, _)| value);
            let seen = projected
                .lower
                .get(i)
                .is_some_and(|column| column.iter().any(|c| *c != 0.0));
            result.classification = if seen {
                Classification::Redundant
            } else {
                Classification::NotRedundant
            };
            result.measured = Some(Estimate { value, std: all });
            result.reconciled = Some(Estimate {
                value: at(&self.values, i) / scale,
                std: left,
            });
            result.correction = at(&self.corrections, i) / scale;
            result.test = (taken > NOTHING * all).then_some(result.correction / taken);
            result.bias = ratio(Hypothesis::Bias(VariableIx(variable)));
            if let Some(slot) = factors.get_mut(variable) {
                *slot = self
                    .left
                    .get(i)
                    .map(|row| row.iter().map(|x| x / scale).collect());
            }
        }
        self.determine(scaled, projected, &mut variables, &mut factors);
        let balances = network
            .balances
            .iter()
            .enumerate()
            .map(|(row, balance)| {
                let residual = residual(network, scaled, row);
                let closure = balance
                    .terms
                    .iter()
                    .map(|&(v, c)| Some(c * variables.get(v)?.reconciled?.value))
                    .try_fold(-balance.constant, |sum, term| Some(sum + term?));
                BalanceResult {
                    name: balance.name.clone(),
                    residual,
                    test: residual.filter(|r| r.std > 0.0).map(|r| r.value / r.std),
                    leak: ratio(Hypothesis::Leak(BalanceIx(row))),
                    closure,
                }
            })
            .collect();
        let seen: Vec<&[f64]> = signatures
            .iter()
            .filter(|s| s.seen())
            .map(|s| s.direction.as_slice())
            .collect();
        let tests = groups(&seen);
        Reconciled {
            variables,
            balances,
            global: GlobalTest::new(
                dot(&self.whitened, &self.whitened),
                projected.redundancy(),
                level,
            ),
            individual_limit: individual_limit(level, tests),
            level,
            factors,
            whitened: self.whitened.clone(),
            signatures,
        }
    }

    /// Unmeasured variables from the reconciled ones.
    fn determine(
        &self,
        scaled: &Scaled,
        projected: &Projected,
        variables: &mut [VariableResult],
        factors: &mut [Option<Vec<f64>>],
    ) {
        let qr = &projected.qr;
        let rank = qr.rank();
        let mut right = projected.upper_constants.clone();
        for (column, value) in projected.upper.iter().zip(&self.values) {
            for (r, c) in right.iter_mut().zip(column) {
                *r -= c * value;
            }
        }
        let solution = qr.solve_upper(&right);
        let gains: Vec<Vec<f64>> = projected
            .upper
            .iter()
            .map(|column| qr.solve_upper(column))
            .collect();
        let hidden: Vec<Vec<f64>> = (rank..scaled.unmeasured.len())
            .map(|place| qr.combination(place))
            .collect();
        let width = self.left.first().map_or(0, Vec::len);
        for (place, &col) in qr.order().iter().take(rank).enumerate() {
            if hidden.iter().any(|c| at(c, place).abs() > NOTHING) {
                continue;
            }
            let Some(&variable) = scaled.unmeasured.get(col) else {
                continue;
            };
            let scale = at(&scaled.columns, variable);
            let mut row = vec![0.0; width];
            for (gain, left) in gains.iter().zip(&self.left) {
                let gain = at(gain, place) / scale;
                for (x, l) in row.iter_mut().zip(left) {
                    *x -= gain * l;
                }
            }
            if let Some(result) = variables.get_mut(variable) {
                result.classification = Classification::Observable;
                result.reconciled = Some(Estimate {
                    value: at(&solution, place) / scale,
                    std: length(&row),
                });
            }
            if let Some(slot) = factors.get_mut(variable) {
                *slot = Some(row);
            }
        }
    }
}

/// What the measured values leave over in one balance, in its own unit.
fn residual(network: &Network, scaled: &Scaled, row: usize) -> Option<Estimate> {
    let balance = network.balances.get(row)?;
    let mut value = -balance.constant;
    let width = scaled.factor.first().map_or(0, Vec::len);
    let mut spread = vec![0.0; width];
    for &(variable, c) in &balance.terms {
        if c == 0.0 {
            continue;
        }
        let (measured, _) = network.variables.get(variable)?.measured?;
        value += c * measured;
        let place = scaled.measured.binary_search(&variable).ok()?;
        let c = c / at(&scaled.columns, variable);
        for (x, f) in spread.iter_mut().zip(scaled.factor.get(place)?) {
            *x += c * f;
        }
    }
    Some(Estimate {
        value,
        std: length(&spread),
    })
}

/// The standard normal variate's absolute value that one of `tests` exceeds at `level`.
pub(super) fn individual_limit(level: f64, tests: usize) -> f64 {
    let each = -libm::expm1(libm::log1p(-level) / count(tests.max(1)));
    normal_quantile(1.0 - 0.5 * each)
}

fn power_of_two(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    libm::ldexp(1.0, libm::frexp(x).1)
}

fn at(row: &[f64], i: usize) -> f64 {
    row.get(i).copied().unwrap_or(0.0)
}

fn put(rows: &mut [Vec<f64>], row: usize, col: usize, value: f64) {
    if let Some(x) = rows.get_mut(row).and_then(|r| r.get_mut(col)) {
        *x = value;
    }
}

pub(super) fn length(x: &[f64]) -> f64 {
    libm::sqrt(dot(x, x))
}
