//! What is to be reconciled: named balances, variables, and shared causes of error.

/// The most balances, variables or causes that a network takes: dense algebra, of the third order.
const MOST: usize = 1_000;

/// A balance of a [`Network`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct BalanceIx(pub(super) usize);

/// A variable of a [`Network`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct VariableIx(pub(super) usize);

/// A shared cause of error of a [`Network`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct CauseIx(pub(super) usize);

/// Why something cannot stand in a network.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NetworkError {
    /// Two of the same kind with one name.
    #[error("{0:?} stands in the network already; give each its own name")]
    NameTaken(String),
    /// A NaN or an infinity, or a negative standard uncertainty.
    #[error(
        "{name:?}: {what} is {value}, which is no number that can be reconciled; leave it out or enter it as unmeasured"
    )]
    NotANumber {
        /// Whose.
        name: String,
        /// Which number.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// An index of another network.
    #[error("a balance or a variable of another network was named")]
    Unknown,
    /// A cause of error on a variable that nobody measured.
    #[error("{0:?} is unmeasured and so has no error of measurement")]
    Unmeasured(String),
    /// A covariance of a variable with itself.
    #[error("the variance of {0:?} follows from its standard uncertainty; leave this one out")]
    OwnCovariance(String),
    /// A line from a section to itself.
    #[error("{0:?} leads from a section to itself; leave it out")]
    NoWay(String),
    /// Too large for dense algebra.
    #[error("a network takes at most {MOST} of each kind; join sections or shorten the list")]
    TooLarge,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Variable {
    pub name: String,
    /// Value and independent standard uncertainty; none when unmeasured.
    pub measured: Option<(f64, f64)>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Balance {
    pub name: String,
    pub constant: f64,
    /// Variable and coefficient, in the order of the variables.
    pub terms: Vec<(usize, f64)>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cause {
    pub name: String,
    /// Variable and the signed standard uncertainty that this cause gives it.
    pub reaches: Vec<(usize, f64)>,
}

/// Named balances over measured and unmeasured variables.
///
/// For a plant: a [`section`](Self::balance) per control volume, a [`flow`](Self::flow) per line
/// between two of them or to the outside, a [`change`](Self::change) of inventory per section. Then
/// the residual of a balance, in - out - change, is what that section lost without being seen.
///
/// **Units** one for all variables of a balance, the caller's choice, such as kg over the window.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Network {
    pub(super) balances: Vec<Balance>,
    pub(super) variables: Vec<Variable>,
    pub(super) causes: Vec<Cause>,
    /// Covariance between two different variables beyond what causes say.
    pub(super) covariances: Vec<(usize, usize, f64)>,
}

impl Network {
    /// Nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A balance over the variables still to be put into it; their sum is `constant`, usually 0.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn balance(&mut self, name: &str, constant: f64) -> Result<BalanceIx, NetworkError> {
        finite(name, "its constant", constant)?;
        free(self.balances.iter().map(|b| b.name.as_str()), name)?;
        self.balances.push(Balance {
            name: name.to_owned(),
            constant,
            terms: Vec::new(),
        });
        Ok(BalanceIx(self.balances.len() - 1))
    }

    /// A measured variable with the standard uncertainty (k = 1) that is its own; what it shares
    /// with others is said by [`cause`](Self::cause). Zero for what is known exactly.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn measured(
        &mut self,
        name: &str,
        value: f64,
        std: f64,
    ) -> Result<VariableIx, NetworkError> {
        finite(name, "its value", value)?;
        uncertainty(name, std)?;
        self.variable(name, Some((value, std)))
    }

    /// A variable that is not measured.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn unmeasured(&mut self, name: &str) -> Result<VariableIx, NetworkError> {
        self.variable(name, None)
    }

    fn variable(
        &mut self,
        name: &str,
        measured: Option<(f64, f64)>,
    ) -> Result<VariableIx, NetworkError> {
        free(self.variables.iter().map(|v| v.name.as_str()), name)?;
        self.variables.push(Variable {
            name: name.to_owned(),
            measured,
        });
        Ok(VariableIx(self.variables.len() - 1))
    }

    /// Adds `coefficient` times the variable to a balance.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn term(
        &mut self,
        balance: BalanceIx,
        variable: VariableIx,
        coefficient: f64,
    ) -> Result<(), NetworkError> {
        if self.variables.get(variable.0).is_none() {
            return Err(NetworkError::Unknown);
        }
        let balance = self
            .balances
            .get_mut(balance.0)
            .ok_or(NetworkError::Unknown)?;
        finite(&balance.name, "a coefficient", coefficient)?;
        match balance.terms.binary_search_by_key(&variable.0, |&(v, _)| v) {
            Ok(at) => {
                if let Some((_, c)) = balance.terms.get_mut(at) {
                    *c += coefficient;
                }
            }
            Err(at) => balance.terms.insert(at, (variable.0, coefficient)),
        }
        Ok(())
    }

    /// A line: the variable is what passes it, out of one section and into the other; none is the
    /// outside.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn flow(
        &mut self,
        variable: VariableIx,
        from: Option<BalanceIx>,
        to: Option<BalanceIx>,
    ) -> Result<(), NetworkError> {
        if from == to {
            let name = self.variables.get(variable.0).map(|v| v.name.clone());
            return Err(NetworkError::NoWay(name.unwrap_or_default()));
        }
        if let Some(from) = from {
            self.term(from, variable, -1.0)?;
        }
        if let Some(to) = to {
            self.term(to, variable, 1.0)?;
        }
        Ok(())
    }

    /// The variable is the growth of a section's inventory, closing less opening.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn change(&mut self, variable: VariableIx, section: BalanceIx) -> Result<(), NetworkError> {
        self.term(section, variable, -1.0)
    }

    /// One error that reaches several measured variables, each with the standard uncertainty it
    /// gives there; opposite signs where it raises one and lowers the other.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn cause(
        &mut self,
        name: &str,
        reaches: &[(VariableIx, f64)],
    ) -> Result<CauseIx, NetworkError> {
        free(self.causes.iter().map(|c| c.name.as_str()), name)?;
        let mut sorted: Vec<(usize, f64)> = Vec::with_capacity(reaches.len());
        for &(variable, std) in reaches {
            finite(name, "a standard uncertainty", std)?;
            self.must_be_measured(variable)?;
            match sorted.iter_mut().find(|(v, _)| *v == variable.0) {
                Some((_, sum)) => *sum += std,
                None => sorted.push((variable.0, std)),
            }
        }
        sorted.sort_by_key(|&(v, _)| v);
        self.causes.push(Cause {
            name: name.to_owned(),
            reaches: sorted,
        });
        Ok(CauseIx(self.causes.len() - 1))
    }

    /// Covariance of two measured variables, added to what causes say. Where the cause is known,
    /// [`cause`](Self::cause) says more.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn covariance(
        &mut self,
        a: VariableIx,
        b: VariableIx,
        covariance: f64,
    ) -> Result<(), NetworkError> {
        self.must_be_measured(b)?;
        let name = self.must_be_measured(a)?;
        finite(name, "a covariance", covariance)?;
        if a == b {
            return Err(NetworkError::OwnCovariance(name.to_owned()));
        }
        if self.covariances.len() >= MOST * MOST {
            return Err(NetworkError::TooLarge);
        }
        self.covariances
            .push((a.0.min(b.0), a.0.max(b.0), covariance));
        Ok(())
    }

    /// The same network without the reading of a variable, which becomes unmeasured: how a suspect
    /// meter is left out.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn without_reading(&self, variable: VariableIx) -> Result<Self, NetworkError> {
        let mut other = self.clone();
        other
            .variables
            .get_mut(variable.0)
            .ok_or(NetworkError::Unknown)?
            .measured = None;
        for cause in &mut other.causes {
            cause.reaches.retain(|&(v, _)| v != variable.0);
        }
        other
            .covariances
            .retain(|&(a, b, _)| a != variable.0 && b != variable.0);
        Ok(other)
    }

    /// The same network with an unmeasured way out of a balance: a leak to be estimated.
    ///
    /// # Errors
    /// [`NetworkError`].
    pub fn with_leak(&self, balance: BalanceIx) -> Result<(Self, VariableIx), NetworkError> {
        let mut other = self.clone();
        let name = other
            .balances
            .get(balance.0)
            .map(|b| format!("leak of {}", b.name))
            .ok_or(NetworkError::Unknown)?;
        let leak = other.unmeasured(&name)?;
        other.flow(leak, Some(balance), None)?;
        Ok((other, leak))
    }

    /// Name of a balance.
    #[must_use]
    pub fn balance_name(&self, balance: BalanceIx) -> &str {
        self.balances.get(balance.0).map_or("", |b| b.name.as_str())
    }

    /// Name of a variable.
    #[must_use]
    pub fn variable_name(&self, variable: VariableIx) -> &str {
        self.variables
            .get(variable.0)
            .map_or("", |v| v.name.as_str())
    }

    /// Name of a shared cause.
    #[must_use]
    pub fn cause_name(&self, cause: CauseIx) -> &str {
        self.causes.get(cause.0).map_or("", |c| c.name.as_str())
    }

    fn must_be_measured(&self, variable: VariableIx) -> Result<&str, NetworkError> {
        let variable = self
            .variables
            .get(variable.0)
            .ok_or(NetworkError::Unknown)?;
        if variable.measured.is_none() {
            return Err(NetworkError::Unmeasured(variable.name.clone()));
        }
        Ok(&variable.name)
    }
}

fn free<'a>(names: impl ExactSizeIterator<Item = &'a str>, name: &str) -> Result<(), NetworkError> {
    if names.len() >= MOST {
        return Err(NetworkError::TooLarge);
    }
    let mut names = names;
    if names.any(|known| known == name) {
        return Err(NetworkError::NameTaken(name.to_owned()));
    }
    Ok(())
}

fn finite(name: &str, what: &'static str, value: f64) -> Result<(), NetworkError> {
    // Beyond these bounds squares would overflow.
    if value.abs() < 1e100 {
        Ok(())
    } else {
        Err(NetworkError::NotANumber {
            name: name.to_owned(),
            what,
            value,
        })
    }
}

fn uncertainty(name: &str, std: f64) -> Result<(), NetworkError> {
    finite(name, "its standard uncertainty", std)?;
    if std < 0.0 {
        return Err(NetworkError::NotANumber {
            name: name.to_owned(),
            what: "its standard uncertainty",
            value: std,
        });
    }
    Ok(())
}
