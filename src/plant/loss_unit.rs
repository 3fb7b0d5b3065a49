//! Loss rates, and amounts of helium, in the reader's choice of unit.
//!
//! | written | one of it is |
//! |---|---|
//! | `kg/day` `kg/h` `kg/s` `g/s` `g/day` | that, a day of 86,400 s |
//! | `L liquid/day` | a litre a day of liquid saturated at 1 atm (101,325 Pa), about 0.1247 kg |
//! | `Nm3/h` | a cubic metre an hour of real gas at 0 °C and 1 atm, about 0.1785 kg |
//! | `mbar L/s` | 0.1 Pa m3/s of helium at 20 °C, about 0.01419 kg/day |
//! | `EUR/year`, or another currency | at the price of the description, a year of 365.25 days |
//!
//! A litre or a normal cubic metre is no mass before its state is said; these are the states meant
//! here, always.
//!
//! **Source** SI definitions; DIN 1343 (normal state); vocabulary of ISO 20484 for throughput;
//! densities by the equation of state of [`crate::helium`].

use crate::helium::{self, HeliumError};
use crate::instrument::vacuum::{LeakUnit, THROUGHPUT_TEMPERATURE_K, helium_mass_flow};
use crate::quantity::{AbsolutePressure, QuantityKind, Temperature};

/// 1 atm, Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// 0 °C, K.
const NORMAL_K: f64 = 273.15;
const DAY_S: f64 = 86_400.0;
const YEAR_S: f64 = 365.25 * DAY_S;

const LIQUID: &str = "L liquid/day";
const NORMAL: &str = "Nm3/h";
const THROUGHPUT: &str = "mbar L/s";
/// Stands for the currency of the description, whichever it is.
const MONEY: &str = "money/year";

/// A price of helium: per kg, and its currency.
pub type Price = (f64, String);

/// A unit that loss rates are shown in.
#[derive(Debug, Clone, PartialEq)]
pub struct LossUnit {
    symbol: String,
    kg_per_s: f64,
    state: &'static str,
}

/// Why a text is not a unit of loss.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LossUnitError {
    /// No such unit.
    #[error("{text:?} is not a unit of loss; one of {}", choices.join(", "))]
    Unknown {
        /// As written.
        text: String,
        /// What can be written.
        choices: Vec<String>,
    },
    /// Money without a price.
    #[error(
        "{0:?} needs the price of helium; write helium-price-per-kg in [site], for example \"60 EUR\""
    )]
    NoPrice(String),
    /// Another currency than the price's.
    #[error("{text:?} is not the currency of helium-price-per-kg; write \"{currency}/year\"")]
    Currency {
        /// As written.
        text: String,
        /// The price's.
        currency: String,
    },
    /// The property model failed.
    #[error(transparent)]
    Helium(#[from] HeliumError),
}

impl Default for LossUnit {
    /// kg/day.
    fn default() -> Self {
        Self {
            symbol: "kg/day".into(),
            kg_per_s: 1.0 / DAY_S,
            state: "",
        }
    }
}

impl LossUnit {
    /// Reads a choice; money needs the price of the description.
    ///
    /// # Errors
    /// [`LossUnitError`], with what can be written instead.
    pub fn parse(text: &str, price: Option<&Price>) -> Result<Self, LossUnitError> {
        let text = text.trim();
        let unit = |symbol: &str, kg_per_s, state| Self {
            symbol: symbol.to_owned(),
            kg_per_s,
            state,
        };
        if let Some(known) = QuantityKind::MassFlow.unit(text) {
            return Ok(unit(known.symbol, known.to_si(1.0), ""));
        }
        match text {
            LIQUID => Ok(unit(
                LIQUID,
                kg_per_liquid_litre()? / DAY_S,
                "litres of liquid saturated at 1 atm",
            )),
            NORMAL => Ok(unit(
                NORMAL,
                kg_per_normal_cubic_metre()? / 3600.0,
                "gas at 0 °C and 1 atm",
            )),
            THROUGHPUT => Ok(unit(
                THROUGHPUT,
                helium_mass_flow(
                    LeakUnit::MillibarLitre.pa_m3_per_s(),
                    THROUGHPUT_TEMPERATURE_K,
                ),
                "gas at 20 °C",
            )),
            _ => money(text, price),
        }
    }

    /// What can be chosen.
    #[must_use]
    pub fn choices(price: Option<&Price>) -> Vec<String> {
        QuantityKind::MassFlow
            .units()
            .map(|unit| unit.symbol)
            .chain([LIQUID, NORMAL, THROUGHPUT])
            .map(str::to_owned)
            .chain(price.map(|(_, currency)| format!("{currency}/year")))
            .collect()
    }

    /// As written beside a number.
    #[must_use]
    pub fn symbol(&self) -> &str {
        &self.symbol
    }

    /// The state that the unit means, in words; empty for a mass.
    #[must_use]
    pub fn state(&self) -> &'static str {
        self.state
    }

    /// A rate in kg/s in this unit.
    #[must_use]
    pub fn from_si(&self, kg_per_s: f64) -> f64 {
        kg_per_s / self.kg_per_s
    }

    /// A rate in this unit in kg/s.
    #[must_use]
    pub fn to_si(&self, rate: f64) -> f64 {
        rate * self.kg_per_s
    }
}

fn money(text: &str, price: Option<&Price>) -> Result<LossUnit, LossUnitError> {
    let unknown = || LossUnitError::Unknown {
        text: text.to_owned(),
        choices: LossUnit::choices(price),
    };
    let asked = text.strip_suffix("/year").ok_or_else(unknown)?;
    // A word of letters or a sign of currency; a mass a year is something else.
    if asked.is_empty() || QuantityKind::Mass.unit(asked).is_some() {
        return Err(unknown());
    }
    let (per_kg, currency) = price.ok_or_else(|| LossUnitError::NoPrice(text.to_owned()))?;
    if text != MONEY && asked != currency {
        return Err(LossUnitError::Currency {
            text: text.to_owned(),
            currency: currency.clone(),
        });
    }
    Ok(LossUnit {
        symbol: format!("{currency}/year"),
        kg_per_s: 1.0 / (per_kg * YEAR_S),
        state: "",
    })
}

/// Mass of a litre of liquid saturated at 1 atm, kg.
///
/// # Errors
/// [`HeliumError`] never in practice: the state lies well inside the model.
pub fn kg_per_liquid_litre() -> Result<f64, HeliumError> {
    let saturation = helium::saturation_at_pressure(AbsolutePressure::new(ATMOSPHERE_PA))?;
    Ok(saturation.liquid.si() * 1e-3)
}

/// Mass of a cubic metre of real gas at 0 °C and 1 atm (DIN 1343), kg.
///
/// # Errors
/// [`HeliumError`] never in practice: the state lies well inside the model.
pub fn kg_per_normal_cubic_metre() -> Result<f64, HeliumError> {
    let density = helium::density(
        Temperature::new(NORMAL_K),
        AbsolutePressure::new(ATMOSPHERE_PA),
    )?;
    Ok(density.si())
}

#[cfg(test)]
mod tests {
    use super::*;

    const PRICE: f64 = 60.0;

    fn unit(text: &str) -> LossUnit {
        LossUnit::parse(text, Some(&(PRICE, "EUR".into()))).unwrap()
    }

    fn rows(text: &str) -> impl Iterator<Item = Vec<&str>> {
        text.lines()
            .filter(|line| !line.starts_with('#'))
            .skip(1)
            .map(|line| line.split(',').collect())
    }

    /// `leak_units.csv`: SI definitions, helium at 20 °C, ideal gas.
    #[test]
    fn throughput_and_mass_agree_with_the_definitions() {
        let mut compared = 0;
        for row in rows(include_str!("../../tests/reference/leak_units.csv")) {
            let number = |at: usize| row[at].parse::<f64>().unwrap();
            let si = number(6);
            for (symbol, at) in [("mbar L/s", 3), ("kg/s", 6), ("g/s", 7), ("kg/day", 8)] {
                let unit = unit(symbol);
                assert!(
                    (unit.from_si(si) / number(at) - 1.0).abs() < 1e-9,
                    "{symbol}"
                );
                assert!((unit.to_si(number(at)) / si - 1.0).abs() < 1e-9, "{symbol}");
                compared += 1;
            }
            // A year of 365.25 days, at 60 a kg.
            let cost = number(9) * PRICE;
            assert!((unit("EUR/year").from_si(si) / cost - 1.0).abs() < 1e-9);
        }
        assert_eq!(compared, 4 * 24);
    }

    /// `gas_volume_conversions.csv` and `liquid_gas_ratio.csv`: CoolProp 8.0.0.
    #[test]
    fn litres_and_normal_cubic_metres_agree_with_the_equation_of_state() {
        let normal = "normal 0 C 101325 Pa (DIN 1343)";
        let gas = rows(include_str!(
            "../../tests/reference/gas_volume_conversions.csv"
        ))
        .find(|row| row[0] == normal)
        .unwrap();
        let per_cubic_metre: f64 = gas[4].parse().unwrap();
        assert!((kg_per_normal_cubic_metre().unwrap() / per_cubic_metre - 1.0).abs() < 1e-5);
        // 1 kg/h in Nm3/h.
        let shown = unit("Nm3/h").from_si(1.0 / 3600.0);
        assert!((shown * per_cubic_metre - 1.0).abs() < 1e-5);

        let liquid = rows(include_str!("../../tests/reference/liquid_gas_ratio.csv"))
            .find(|row| row[0] == "1 atm boiling" && row[3] == normal)
            .unwrap();
        let per_litre: f64 = liquid[2].parse::<f64>().unwrap() * 1e-3;
        assert!((kg_per_liquid_litre().unwrap() / per_litre - 1.0).abs() < 1e-6);
        let shown = unit("L liquid/day").from_si(1.0 / DAY_S);
        assert!((shown * per_litre - 1.0).abs() < 1e-6);
    }

    #[test]
    fn every_choice_is_read_and_shown_by_its_own_symbol() {
        let price = (PRICE, "EUR".to_owned());
        for text in LossUnit::choices(Some(&price)) {
            let unit = LossUnit::parse(&text, Some(&price)).unwrap();
            assert_eq!(unit.symbol(), text);
            assert!((unit.to_si(unit.from_si(3.7e-5)) / 3.7e-5 - 1.0).abs() < 1e-14);
        }
        assert_eq!(unit(" money/year ").symbol(), "EUR/year");
        assert_eq!(unit("kg/day"), LossUnit::default());
    }

    #[test]
    fn says_what_can_be_chosen_instead() {
        let price = (PRICE, "EUR".to_owned());
        for text in ["", "kg", "litres", "L/day", "kg/year", "/year", "Nm3"] {
            let error = LossUnit::parse(text, Some(&price)).unwrap_err();
            assert!(matches!(error, LossUnitError::Unknown { .. }), "{text}");
            assert!(error.to_string().contains("L liquid/day"));
        }
        assert!(matches!(
            LossUnit::parse("EUR/year", None),
            Err(LossUnitError::NoPrice(_))
        ));
        assert!(matches!(
            LossUnit::parse("CHF/year", Some(&price)),
            Err(LossUnitError::Currency { .. })
        ));
    }
}
