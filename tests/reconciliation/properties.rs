//! What must hold for every network.

use coldledger::balance::reconcile::{Classification, Hypothesis, Network, Settings, VariableIx};
use proptest::prelude::*;

use super::dice::{Dice, DrawnPlant};

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn balances_close_and_uncertainty_never_grows(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let plant = DrawnPlant::new(&mut dice);
        let values = plant.measure(&mut dice);
        let ones = vec![1.0; values.len()];
        let (network, _, _) = plant.network(&values, &ones);
        let found = network.reconcile(&Settings::default()).unwrap();
        for balance in &found.balances {
            if let Some(closure) = balance.closure {
                prop_assert!(closure.abs() < 1e-9, "{} {closure:e}", balance.name);
            }
        }
        for v in &found.variables {
            let (Some(measured), Some(reconciled)) = (v.measured, v.reconciled) else { continue };
            prop_assert!(reconciled.std <= measured.std * (1.0 + 1e-12));
            prop_assert_eq!(v.classification == Classification::NotRedundant, v.bias.is_none());
            // Correction, its scatter and the reconciled value belong together.
            prop_assert!((measured.value + v.correction - reconciled.value).abs() < 1e-9);
        }
    }

    /// Kilograms or grams per variable: the same statement.
    #[test]
    fn units_do_not_matter(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let plant = DrawnPlant::new(&mut dice);
        let values = plant.measure(&mut dice);
        let ones = vec![1.0; values.len()];
        let scale: Vec<f64> = values
            .iter()
            .map(|_| [1e-3, 1.0, 86_400.0, 1e6][dice.below(4)])
            .collect();
        let (network, _, _) = plant.network(&values, &ones);
        let (other, _, _) = plant.network(&values, &scale);
        let a = network.reconcile(&Settings::default()).unwrap();
        let b = other.reconcile(&Settings::default()).unwrap();
        prop_assert_eq!(a.global.is_some(), b.global.is_some());
        if let (Some(a), Some(b)) = (a.global, b.global) {
            prop_assert_eq!(a.degrees_of_freedom, b.degrees_of_freedom);
            prop_assert!((a.statistic - b.statistic).abs() < 1e-8 * a.statistic.max(1.0));
        }
        for ((a, b), scale) in a.variables.iter().zip(&b.variables).zip(&scale) {
            prop_assert_eq!(a.classification, b.classification);
            if let (Some(x), Some(y)) = (a.reconciled, b.reconciled) {
                prop_assert!((x.value * scale - y.value).abs() < 1e-8 * scale * x.value.abs().max(1.0));
                prop_assert!((x.std * scale - y.std).abs() < 1e-8 * scale);
            }
            prop_assert_eq!(a.test.is_some(), b.test.is_some());
            if let (Some(x), Some(y)) = (a.bias, b.bias) {
                prop_assert!((x.statistic - y.statistic).abs() < 1e-7);
                prop_assert!((x.size.value * scale - y.size.value).abs() < 1e-7 * y.size.std.max(scale * 1e-3));
            }
        }
        let (a, b) = (a.likelihood_ratio_search(), b.likelihood_ratio_search());
        prop_assert_eq!(a.suspects.len(), b.suspects.len());
    }

    /// An error put in without noise comes out with its size, in its place or among the
    /// equivalents; and leaving the reading out says the same as taking the bias off.
    #[test]
    fn a_bias_without_noise_is_found_exactly(seed in any::<u64>(), sigmas in 8.0..40.0_f64) {
        let mut dice = Dice::new(seed);
        let mut plant = DrawnPlant::new(&mut dice);
        plant.causes.clear();
        let mut values: Vec<f64> = plant.variables.iter().map(|v| v.truth).collect();
        let ones = vec![1.0; values.len()];
        let (network, variables, _) = plant.network(&values, &ones);
        let clean = network.reconcile(&Settings::default()).unwrap();
        let seen: Vec<usize> = (0..values.len())
            .filter(|&i| clean.variables[i].bias.is_some())
            .collect();
        prop_assume!(!seen.is_empty());
        let wrong = seen[dice.below(seen.len())];
        let size = sigmas * clean.variables[wrong].bias.unwrap().size.std;
        values[wrong] += size;
        let (network, _, _) = plant.network(&values, &ones);
        let found = network.reconcile(&Settings::default()).unwrap();
        let search = found.likelihood_ratio_search();
        prop_assert_eq!(search.suspects.len(), 1);
        let suspect = &search.suspects[0];
        let want = Hypothesis::Bias(variables[wrong]);
        let estimate = if suspect.hypothesis == want {
            Some(suspect.size)
        } else {
            suspect.equivalent.iter().find(|a| a.hypothesis == want).map(|a| a.size)
        };
        let estimate = estimate.unwrap();
        prop_assert!((estimate.value - size).abs() < 1e-7 * size.abs(), "{estimate:?} {size}");
        prop_assert!((suspect.statistic.abs() - sigmas).abs() < 1e-6 * sigmas);
    }
}

/// Dewar, transfer meter, string, return meter.
fn chain(supply: f64, vent: f64) -> (Network, VariableIx) {
    let mut network = Network::new();
    let dewar = network.balance("dewar", 0.0).unwrap();
    let string = network.balance("string", 0.0).unwrap();
    let supply = network.measured("supply meter", supply, 0.5).unwrap();
    let level = network.measured("dewar change", -100.0, 0.3).unwrap();
    let bath = network.measured("string change", 2.0, 0.2).unwrap();
    let vent = network.measured("return meter", vent, 0.5).unwrap();
    network.flow(supply, Some(dewar), Some(string)).unwrap();
    network.change(level, dewar).unwrap();
    network.change(bath, string).unwrap();
    network.flow(vent, Some(string), None).unwrap();
    (network, supply)
}

fn group(network: &Network) -> (Vec<String>, f64) {
    let found = network.reconcile(&Settings::default()).unwrap();
    let search = found.likelihood_ratio_search();
    let [suspect] = &search.suspects[..] else {
        panic!("{:?}", search.suspects);
    };
    let mut words = vec![suspect.hypothesis.words(network)];
    words.extend(
        suspect
            .equivalent
            .iter()
            .map(|a| a.hypothesis.words(network)),
    );
    for other in &suspect.equivalent {
        // Parallel signatures of one size: the same amount, with one sign or the other.
        assert!((other.size.value.abs() - suspect.size.value.abs()).abs() < 1e-9);
        assert!((other.size.std - suspect.size.std).abs() < 1e-9);
    }
    (words, suspect.size.value)
}

/// What no reading of the network can tell apart is reported as one group.
#[test]
fn what_the_network_cannot_tell_apart_is_one_group() {
    // Both balances are off, in opposite directions: only the meter between them explains both.
    let (network, supply) = chain(103.0, 98.1);
    let (words, size) = group(&network);
    assert_eq!(words, ["bias of supply meter"]);
    assert!((size - 2.9).abs() < 0.2, "{size}");
    // 3 kg missing in the string alone: its own meters and its leak.
    let (words, size) = group(&chain(100.0, 95.0).0);
    assert_eq!(
        words,
        [
            "bias of string change",
            "bias of return meter",
            "leak of string"
        ]
    );
    assert!((size + 3.0).abs() < 0.2, "{size}");
    // Without the meter between, one balance is left, and everything in it is one statement.
    let network = chain(100.0, 95.0).0.without_reading(supply).unwrap();
    let (words, size) = group(&network);
    assert_eq!(
        words,
        [
            "bias of dewar change",
            "bias of string change",
            "bias of return meter",
            "leak of dewar",
            "leak of string"
        ]
    );
    assert!((size + 3.0).abs() < 1e-9, "{size}");
}

/// One barometer behind two tanks: its error is offered as an explanation beside the tanks'.
#[test]
fn a_shared_cause_explains_two_tanks_at_once() {
    let mut network = Network::new();
    let sections: Vec<_> = ["a", "b", "c"]
        .iter()
        .map(|name| network.balance(name, 0.0).unwrap())
        .collect();
    let mut reaches = Vec::new();
    for (k, &section) in sections.iter().enumerate() {
        let off = if k < 2 { 3.0 } else { 0.0 };
        let change = network
            .measured(&format!("change {k}"), 10.0 + off, 0.1)
            .unwrap();
        let inlet = network.measured(&format!("inlet {k}"), 10.0, 0.1).unwrap();
        network.change(change, section).unwrap();
        network.flow(inlet, None, Some(section)).unwrap();
        if k < 2 {
            reaches.push((change, 0.2));
        }
    }
    let barometer = network.cause("barometer", &reaches).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    let search = found.likelihood_ratio_search();
    let [suspect] = &search.suspects[..] else {
        panic!("{:?}", search.suspects);
    };
    assert_eq!(suspect.hypothesis, Hypothesis::Cause(barometer));
    // 3.0 is fifteen of its standard uncertainties.
    assert!((suspect.size.value - 15.0).abs() < 1e-9, "{suspect:?}");
}

/// A leak and a biased meter at once are both found, with sizes estimated together.
#[test]
fn two_gross_errors_are_found_one_after_the_other() {
    let mut network = Network::new();
    let mut sections = Vec::new();
    for k in 0..5 {
        sections.push(network.balance(&format!("section {k}"), 0.0).unwrap());
    }
    let mut lines = Vec::new();
    for k in 0..6 {
        let bias = if k == 3 { 9.0 } else { 0.0 };
        let line = network
            .measured(&format!("line {k}"), 50.0 + bias, 0.5)
            .unwrap();
        let from = (k > 0).then(|| sections[k - 1]);
        let to = sections.get(k).copied();
        network.flow(line, from, to).unwrap();
        lines.push(line);
    }
    for (k, &section) in sections.iter().enumerate() {
        let lost = if k == 1 { 6.0 } else { 0.0 };
        let change = network
            .measured(&format!("change {k}"), -lost, 0.3)
            .unwrap();
        network.change(change, section).unwrap();
    }
    let found = network.reconcile(&Settings::default()).unwrap();
    let search = found.likelihood_ratio_search();
    assert_eq!(search.suspects.len(), 2, "{:?}", search.suspects);
    let words: Vec<String> = search
        .suspects
        .iter()
        .map(|s| s.hypothesis.words(&network))
        .collect();
    assert_eq!(words[0], "bias of line 3");
    assert!((search.suspects[0].size.value - 9.0).abs() < 1e-9);
    // Section 1's leak cannot be told from its own inventory's error.
    assert_eq!(words[1], "bias of change 1");
    assert!((search.suspects[1].size.value + 6.0).abs() < 1e-9);
    let leak = &search.suspects[1].equivalent[0];
    assert_eq!(leak.hypothesis.words(&network), "leak of section 1");
    assert!((leak.size.value - 6.0).abs() < 1e-9);
    assert!(search.rest.unwrap().statistic < 1e-9);
}

/// Variables of very different sizes, and one known exactly.
#[test]
fn a_shut_valve_and_a_bypass_of_grams() {
    let mut network = Network::new();
    let section = network.balance("section", 0.0).unwrap();
    let inlet = network.measured("inlet", 1.0e6, 1.0e3).unwrap();
    let purge = network.measured("purge", 1.0e-6, 1.0e-9).unwrap();
    let shut = network.measured("shut valve", 0.0, 0.0).unwrap();
    let change = network.measured("change", 1.0e6 + 500.0, 1.0e3).unwrap();
    network.flow(inlet, None, Some(section)).unwrap();
    network.flow(purge, Some(section), None).unwrap();
    network.flow(shut, Some(section), None).unwrap();
    network.change(change, section).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    let result = |v| found.variable(v).unwrap();
    assert_eq!(result(shut).reconciled.unwrap().value, 0.0);
    assert_eq!(result(shut).test, None);
    // What it would have to read too much: in less out less change is -500 and the purge's.
    let passing = result(shut).bias.unwrap();
    assert!(
        (passing.size.value - 500.000_001).abs() < 1e-9,
        "{passing:?}"
    );
    assert!((result(inlet).reconciled.unwrap().value - 1_000_250.0).abs() < 1e-6);
    assert!((result(purge).reconciled.unwrap().value - 1.0e-6).abs() < 1e-15);
}
