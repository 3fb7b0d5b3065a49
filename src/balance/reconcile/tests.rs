use super::*;

fn loop_of_two() -> (Network, [BalanceIx; 2], [VariableIx; 3]) {
    let mut network = Network::new();
    let a = network.balance("a", 0.0).unwrap();
    let b = network.balance("b", 0.0).unwrap();
    let x = network.measured("x", 10.0, 0.1).unwrap();
    let y = network.measured("y", 10.2, 0.1).unwrap();
    let z = network.unmeasured("z").unwrap();
    network.flow(x, None, Some(a)).unwrap();
    network.flow(y, Some(a), Some(b)).unwrap();
    network.flow(z, Some(b), None).unwrap();
    (network, [a, b], [x, y, z])
}

#[test]
fn two_meters_in_a_row_meet_in_the_middle() {
    let (network, [a, b], [x, y, z]) = loop_of_two();
    let found = network.reconcile(&Settings::default()).unwrap();
    for variable in [x, y, z] {
        let estimate = found.variable(variable).unwrap().reconciled.unwrap();
        assert!((estimate.value - 10.1).abs() < 1e-12);
        assert!((estimate.std - 0.1 / libm::sqrt(2.0)).abs() < 1e-12);
    }
    // All three are one flow.
    let shared = found.covariance(x, z).unwrap();
    assert!((shared - 0.005).abs() < 1e-12);
    let first = found.balance(a).unwrap();
    assert!((first.residual.unwrap().value + 0.2).abs() < 1e-12);
    assert!((first.test.unwrap() + libm::sqrt(2.0)).abs() < 1e-9);
    // More comes out of a than went in: it would have to lose less than nothing.
    assert!((first.leak.unwrap().size.value + 0.2).abs() < 1e-12);
    let second = found.balance(b).unwrap();
    assert_eq!((second.residual, second.test), (None, None));
    assert_eq!(second.leak, None);
    assert_eq!(
        found.variable(z).unwrap().classification,
        Classification::Observable
    );
}

#[test]
fn two_unmeasured_lines_side_by_side_are_not_determined() {
    let (mut network, [a, b], [_, _, z]) = loop_of_two();
    let bypass = network.unmeasured("bypass").unwrap();
    network.flow(bypass, Some(a), Some(b)).unwrap();
    let network = network.without_reading(VariableIx(1)).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    for variable in [VariableIx(1), bypass] {
        let result = found.variable(variable).unwrap();
        assert_eq!(result.classification, Classification::Unobservable);
        assert_eq!(result.reconciled, None);
    }
    let last = found.variable(z).unwrap();
    assert_eq!(last.classification, Classification::Observable);
    assert!((last.reconciled.unwrap().value - 10.0).abs() < 1e-12);
    assert_eq!(
        found.variable(VariableIx(0)).unwrap().classification,
        Classification::NotRedundant
    );
}

#[test]
fn a_leak_left_open_takes_what_is_missing() {
    let (network, [a, _], [x, ..]) = loop_of_two();
    let (open, leak) = network.with_leak(a).unwrap();
    let found = open.reconcile(&Settings::default()).unwrap();
    let estimate = found.variable(leak).unwrap().reconciled.unwrap();
    assert!((estimate.value + 0.2).abs() < 1e-12);
    assert!((found.variable(x).unwrap().correction).abs() < 1e-15);
}

#[test]
fn a_constant_is_part_of_the_balance() {
    let mut network = Network::new();
    let a = network.balance("a", 5.0).unwrap();
    let x = network.measured("x", 4.0, 1.0).unwrap();
    network.term(a, x, 1.0).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    let result = found.variable(x).unwrap();
    assert!((result.reconciled.unwrap().value - 5.0).abs() < 1e-12);
    assert!(result.reconciled.unwrap().std < 1e-12);
}

#[test]
fn says_why_it_cannot() {
    let settings = Settings::default();
    assert_eq!(
        Network::new().reconcile(&settings).unwrap_err(),
        ReconcileError::Empty
    );
    let (network, ..) = loop_of_two();
    for level in [0.0, 1.0, f64::NAN, -0.1] {
        assert!(matches!(
            network.reconcile(&Settings { level }).unwrap_err(),
            ReconcileError::Level(_)
        ));
    }
    // A third balance over what the first two have between them.
    let (mut network, _, [x, _, z]) = loop_of_two();
    let whole = network.balance("whole", 0.0).unwrap();
    network.flow(x, None, Some(whole)).unwrap();
    network.flow(z, Some(whole), None).unwrap();
    network.balance("c", 0.0).unwrap();
    let Err(ReconcileError::Dependent(names)) = network.reconcile(&settings) else {
        panic!("a repeated balance was taken");
    };
    assert!(names == ["a", "b", "whole"] || names == ["c"], "{names:?}");

    let mut network = Network::new();
    let a = network.balance("a", 0.0).unwrap();
    let x = network.measured("x", 1.0, 0.0).unwrap();
    network.flow(x, None, Some(a)).unwrap();
    assert_eq!(
        network.reconcile(&settings).unwrap_err(),
        ReconcileError::Exact(vec!["a".into()])
    );

    let mut network = Network::new();
    let a = network.balance("a", 0.0).unwrap();
    let x = network.measured("x", 1.0, 1.0).unwrap();
    let y = network.measured("y", 1.0, 1.0).unwrap();
    network.flow(x, None, Some(a)).unwrap();
    network.flow(y, Some(a), None).unwrap();
    network.covariance(x, y, 1.5).unwrap();
    assert_eq!(
        network.reconcile(&settings).unwrap_err(),
        ReconcileError::Covariance
    );
}

#[test]
fn refuses_what_cannot_stand_in_a_network() {
    let (mut network, [a, b], [x, y, z]) = loop_of_two();
    assert!(matches!(
        network.balance("a", 0.0),
        Err(NetworkError::NameTaken(_))
    ));
    for bad in [f64::NAN, f64::INFINITY, 1e300] {
        assert!(network.measured("new", bad, 0.1).is_err());
        assert!(network.measured("new", 1.0, bad).is_err());
        assert!(network.term(a, x, bad).is_err());
        assert!(network.balance("new", bad).is_err());
        assert!(network.covariance(x, y, bad).is_err());
    }
    assert!(network.measured("new", 1.0, -0.1).is_err());
    assert_eq!(
        network.cause("shared", &[(z, 0.1)]),
        Err(NetworkError::Unmeasured("z".into()))
    );
    assert_eq!(
        network.flow(x, Some(b), Some(b)),
        Err(NetworkError::NoWay("x".into()))
    );
    assert_eq!(
        network.term(BalanceIx(9), x, 1.0),
        Err(NetworkError::Unknown)
    );
    assert!(matches!(
        network.covariance(x, x, 0.1),
        Err(NetworkError::OwnCovariance(_))
    ));
}

#[test]
fn serial_elimination_and_likelihood_ratio_agree_on_one_bad_meter() {
    let mut network = Network::new();
    let a = network.balance("a", 0.0).unwrap();
    let b = network.balance("b", 0.0).unwrap();
    let meters: Vec<_> = [10.0, 10.05, 13.0]
        .iter()
        .enumerate()
        .map(|(k, value)| {
            network
                .measured(&format!("meter {k}"), *value, 0.1)
                .unwrap()
        })
        .collect();
    network.flow(meters[0], None, Some(a)).unwrap();
    network.flow(meters[1], Some(a), Some(b)).unwrap();
    network.flow(meters[2], Some(b), None).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    for search in [found.serial_elimination(), found.likelihood_ratio_search()] {
        assert_eq!(search.suspects.len(), 1);
        let suspect = &search.suspects[0];
        assert_eq!(suspect.hypothesis, Hypothesis::Bias(meters[2]));
        assert!((suspect.size.value - 2.975).abs() < 1e-9);
        assert!((suspect.size.std - libm::sqrt(0.015)).abs() < 1e-12);
    }
    let found = found.likelihood_ratio_search();
    let leak: Vec<_> = found.suspects[0]
        .equivalent
        .iter()
        .map(|a| a.hypothesis.words(&network))
        .collect();
    assert_eq!(leak, ["leak of b"]);
}
