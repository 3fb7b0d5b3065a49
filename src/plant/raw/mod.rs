//! The description as written: one structure per table, every field optional, so that one missing
//! or wrong field hides nothing else. What is due where is decided in [`mod@super::load`].
//!
//! Keys are in kebab-case; unknown keys are problems. Every quantity is a text with its unit.
#![expect(
    clippy::struct_field_names,
    reason = "fields are named as the keys are written"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::de::{SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use toml::Spanned;

mod reader;

pub(super) use reader::{Raw, nearest};

/// A text with its place in the file.
pub(in crate::plant) type Text = Spanned<String>;
/// A quantity as written, with its place in the file.
pub(in crate::plant) type Quantity = Spanned<Written>;

/// A quantity as written; a bare number is taken here and refused where its unit is known.
#[derive(Debug, Clone)]
pub(in crate::plant) struct Written(pub String);

impl<'de> Deserialize<'de> for Written {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct AnyScalar;
        impl Visitor<'_> for AnyScalar {
            type Value = Written;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text with number and unit")
            }
            fn visit_str<E>(self, text: &str) -> Result<Written, E> {
                Ok(Written(text.to_owned()))
            }
            fn visit_i64<E>(self, number: i64) -> Result<Written, E> {
                Ok(Written(number.to_string()))
            }
            fn visit_f64<E>(self, number: f64) -> Result<Written, E> {
                Ok(Written(number.to_string()))
            }
        }
        deserializer.deserialize_any(AnyScalar)
    }
}

/// One word (`"all"`), or a list of texts.
#[derive(Debug, Clone)]
pub(in crate::plant) enum WordOrList {
    Word(String),
    List(Vec<Text>),
}

impl<'de> Deserialize<'de> for WordOrList {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = WordOrList;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a word or a list of texts")
            }
            fn visit_str<E>(self, text: &str) -> Result<WordOrList, E> {
                Ok(WordOrList::Word(text.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<WordOrList, A::Error> {
                let mut list = Vec::new();
                while let Some(text) = seq.next_element()? {
                    list.push(text);
                }
                Ok(WordOrList::List(list))
            }
        }
        deserializer.deserialize_any(Either)
    }
}

macro_rules! raw {
    ($($(#[$doc:meta])* $name:ident { $($field:ident: $type:ty,)* })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Default, Deserialize)]
        #[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
        pub(in crate::plant) struct $name {
            $(pub(in crate::plant) $field: Option<$type>,)*
        }
    )*};
}

raw! {
    /// `[site]`
    Site {
        id: Text,
        name: Text,
        time_zone: Text,
        barometer: Text,
        air_pressure: Quantity,
        accepted_loss: Quantity,
        boil_off: Quantity,
        false_alerts_per_year: Spanned<f64>,
        helium_price_per_kg: Quantity,
        local_rules: Text,
    }

    /// `[[shared-error]]`: a source of error that several channels name.
    SharedError {
        id: Text,
        name: Text,
        correlated_over: Quantity,
    }

    /// `[[device]]`
    Device {
        id: Text,
        name: Text,
        tcp: Text,
        unit_id: Spanned<i64>,
        timeout: Quantity,
        gap_limit: Spanned<i64>,
    }

    /// `[instrument.NAME]`, and the same keys in a `[[channel]]`, where they win.
    Instrument {
        is: Text,
        quantity: Text,
        unit: Text,
        format: Text,
        word_order: Text,
        scale: Quantity,
        offset: Quantity,
        current_loop: Spanned<Loop>,
        curve: Text,
        range: Spanned<Vec<Quantity>>,
        interval: Quantity,
        stale_after: Quantity,
        hold: Quantity,
        noise: Quantity,
        signal_noise: Quantity,
        resolution: Quantity,
        calibration: Quantity,
        zero: Quantity,
        slow: Spanned<Slow>,
        shared: Vec<Spanned<Shared>>,
        calibration_valid_to: Text,
        calibrated_at: Text,
        drift: Quantity,
        ageing: Quantity,
        signal_calibration: Quantity,
        gas_correction: Spanned<GasCorrection>,
        cut_off: Quantity,
        log_gauge: Spanned<LogGauge>,
        thermocouple: Text,
        cold_junction: Text,
        leads: Quantity,
        self_heating: Spanned<SelfHeating>,
    }

    /// `gas-correction = { calibrated-for = "nitrogen", factor = "1.45 ± 2 %" }`
    GasCorrection {
        calibrated_for: Text,
        factor: Quantity,
    }

    /// `log-gauge = { at = "1e-3 mbar(a)", signal = "4 V", per-decade = "1 V" }`
    LogGauge {
        at: Quantity,
        signal: Quantity,
        per_decade: Quantity,
    }

    /// `self-heating = { current = "1 mA", thermal-resistance = "400 K/W ± 30 %" }`
    SelfHeating {
        current: Quantity,
        thermal_resistance: Quantity,
    }

    /// `current-loop = { at-4-ma = "...", at-20-ma = "..." }`
    Loop {
        at_4_ma: Quantity,
        at_20_ma: Quantity,
    }

    /// `slow = { std = "...", time = "..." }`
    Slow {
        std: Quantity,
        time: Quantity,
    }

    /// `{ group = "...", std = "..." }`
    Shared {
        group: Text,
        std: Quantity,
    }

    /// `[[channel]]`, apart from the keys of [`Instrument`].
    Channel {
        id: Text,
        name: Text,
        device: Text,
        register: Text,
        instrument: Text,
        section: Text,
        agrees_with: Text,
    }

    /// `[[vessel]]`
    Vessel {
        id: Text,
        name: Text,
        section: Text,
        outdoors: Spanned<bool>,
        full_at: Quantity,
        boil_off: Quantity,
        first_mode: Text,
        mode_from: Spanned<ModeFrom>,
        fluid: Spanned<Fluid>,
        bath: Spanned<Bath>,
        bag: Spanned<Bag>,
        unmeasured: Spanned<bool>,
        insulation_vacuum: Spanned<InsulationVacuum>,
        mode: Vec<Spanned<Mode>>,
    }

    /// `insulation-vacuum = { channel = "...", volume = "..." }`
    InsulationVacuum {
        channel: Text,
        volume: Quantity,
    }

    /// `mode-from = { channel = "...", codes = { 1 = "in-use" } }`
    ModeFrom {
        channel: Text,
        codes: BTreeMap<Spanned<String>, Text>,
    }

    /// `[vessel.fluid]`
    Fluid {
        volume: Quantity,
        pressure: Text,
        temperature: Text,
        purity: Text,
    }

    /// `[vessel.bath]`
    Bath {
        shape: Spanned<Shape>,
        volume_std: Quantity,
        level: Spanned<Level>,
        pressure: Text,
        liquid: Text,
        liquid_temperature: Text,
        bottom_temperature: Text,
        surface_temperature: Text,
        interface: Quantity,
        vapour: Text,
        vapour_temperature: Text,
        boil_off: Text,
        low_level: Quantity,
        heat_load: Quantity,
        supply_valve: Spanned<Valve>,
    }

    /// `[vessel.bath.shape]`: a form with its measures, or a table.
    Shape {
        form: Text,
        diameter: Quantity,
        length: Quantity,
        heads: Text,
        table: Spanned<Vec<Vec<Quantity>>>,
        contraction: Quantity,
        immersed: Vec<Spanned<Immersed>>,
    }

    /// `immersed = [{ from = "...", to = "...", volume = "..." }]`
    Immersed {
        from: Quantity,
        to: Quantity,
        volume: Quantity,
    }

    /// `level = { height = "...", bottom = "..." }`,
    /// `level = { pressure-difference = "...", bottom-tap = "...", top-tap = "..." }`
    /// `level = { capacitance = "...", bottom = "...", length = "...", empty = "...", stray = "..." }` or
    /// `level = { volume = "..." }`
    Level {
        height: Text,
        bottom: Quantity,
        superfluid_bias: Quantity,
        pressure_difference: Text,
        volume: Text,
        bottom_tap: Quantity,
        top_tap: Quantity,
        line_temperature: Quantity,
        capacitance: Text,
        length: Quantity,
        empty: Quantity,
        stray: Quantity,
    }

    /// `[vessel.bag]`
    Bag {
        volume: Text,
        overpressure: Quantity,
        temperature: Text,
        purity: Text,
    }

    /// `[[vessel.mode]]`
    Mode {
        id: Text,
        holdup: Quantity,
        counts_contents: Spanned<bool>,
    }

    /// `[[section]]`
    Section {
        id: Text,
        name: Text,
    }

    /// `[[line]]`
    Line {
        id: Text,
        name: Text,
        from: Text,
        to: Text,
        state: Text,
        valve: Spanned<Valve>,
        meter: Text,
        orifice: Spanned<Constriction>,
        venturi: Spanned<Constriction>,
        totaliser: Spanned<Totaliser>,
        purity: Text,
    }

    /// `[line.orifice]`, `[line.venturi]`
    Constriction {
        pressure_difference: Text,
        pressure: Text,
        temperature: Text,
        pipe: Quantity,
        bore: Quantity,
        throat: Quantity,
        taps: Text,
        convergent: Text,
        cut_off: Quantity,
    }

    /// `[line.totaliser]`
    Totaliser {
        count: Text,
        per_count: Quantity,
        rollover: Quantity,
        largest_flow: Quantity,
    }

    /// `valve = { channel = "...", open-above = "..." }`
    Valve {
        channel: Text,
        open_above: Quantity,
    }

    /// `[[conductor]]`
    Conductor {
        id: Text,
        name: Text,
        j_ref: Quantity,
        c0: Quantity,
        bc20: Quantity,
        tc0: Quantity,
        alpha: Spanned<f64>,
        beta: Spanned<f64>,
        gamma: Spanned<f64>,
        critical_current_std: Quantity,
        strand_area: Quantity,
        copper_ratio: Spanned<f64>,
        strands: Spanned<i64>,
    }

    /// `[[magnet]]`
    Magnet {
        id: Text,
        name: Text,
        section: Text,
        conductor: Text,
        current: Text,
        load_line: Spanned<LoadLine>,
        temperatures: Vec<Text>,
        bath: Text,
    }

    /// `load-line = { field = "...", at = "..." }`
    LoadLine {
        field: Quantity,
        at: Quantity,
    }

    /// `[[joint]]`
    Joint {
        id: Text,
        name: Text,
        section: Text,
        voltage: Text,
        current: Text,
        zero: Quantity,
        resolution: Quantity,
        wanted: Quantity,
    }

    /// `[[current-lead]]`
    CurrentLead {
        id: Text,
        name: Text,
        section: Text,
        current: Text,
        thermometer: Spanned<LeadThermometer>,
        gas: Spanned<LeadGas>,
    }

    /// `thermometer = { channel = "...", lead-end = "...", low = "...", high = "..." }`
    LeadThermometer {
        channel: Text,
        lead_end: Text,
        low: Quantity,
        high: Quantity,
    }

    /// `gas = { flow = "...", need = "...", at = "...", at-rest = "..." }`
    LeadGas {
        flow: Text,
        need: Quantity,
        at: Quantity,
        at_rest: Quantity,
    }

    /// `[[cool-down]]`
    CoolDown {
        id: Text,
        name: Text,
        section: Text,
        start: Text,
        end: Text,
        gradient_limit: Quantity,
        target: Quantity,
        within: Quantity,
        debye: Quantity,
        over: Quantity,
    }

    /// `[[hall]]`
    Hall {
        id: Text,
        name: Text,
        volume: Quantity,
        exhaust: Quantity,
        supply: Quantity,
        sections: Vec<Text>,
        oxygen: Vec<Spanned<OxygenMonitor>>,
    }

    /// `{ channel = "...", reads = "partial-pressure", calibrated-at = "1013 mbar(a)" }`
    OxygenMonitor {
        channel: Text,
        reads: Text,
        calibrated_at: Quantity,
    }

    /// `[[ledger]]`
    Ledger {
        at: Text,
        over: Quantity,
        kind: Text,
        mass: Quantity,
        author: Text,
        note: Text,
        section: Text,
    }

    /// `[[alarm]]`
    Alarm {
        id: Text,
        name: Text,
        class: Text,
        priority: Text,
        section: Text,
        above: Spanned<Limit>,
        below: Spanned<Limit>,
        rising: Spanned<Rate>,
        falling: Spanned<Rate>,
        not_usable: Spanned<Vec<Text>>,
        disagreement: Spanned<Disagreement>,
        mass_above: Spanned<MassLimit>,
        mass_below: Spanned<MassLimit>,
        excess_loss: Text,
        unaccounted_loss: Spanned<Unaccounted>,
        margin_below: Spanned<MarginLimit>,
        time_until_low_below: Spanned<TimeLimit>,
        gradient_above_limit: Spanned<GradientLimit>,
        room_left: Spanned<RoomLeft>,
        device_lost: Text,
        on_delay: Quantity,
        off_delay: Quantity,
        cause: Text,
        consequence: Text,
        response: Text,
        time_to_respond: Quantity,
        caution: Text,
    }

    /// `above = { channel = "...", limit = "...", deadband = "..." }`
    Limit {
        channel: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `rising = { channel = "...", by = "...", within = "..." }`
    Rate {
        channel: Text,
        by: Quantity,
        within: Quantity,
    }

    /// `disagreement = { channels = [...], limit = "...", while-open = [...] }`
    Disagreement {
        channels: Spanned<Vec<Text>>,
        limit: Quantity,
        while_open: Vec<Text>,
    }

    /// `mass-below = { vessel = "...", limit = "...", deadband = "..." }`
    MassLimit {
        vessel: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `margin-below = { magnet = "...", limit = "...", deadband = "..." }`
    MarginLimit {
        magnet: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `time-until-low-below = { vessel = "...", limit = "...", deadband = "..." }`
    TimeLimit {
        vessel: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `gradient-above-limit = { cool-down = "...", deadband = "..." }`
    GradientLimit {
        cool_down: Text,
        deadband: Quantity,
    }

    /// `unaccounted-loss = { of = "...", over = "...", limit = "..." }`
    Unaccounted {
        of: Text,
        over: Quantity,
        limit: Quantity,
    }

    /// `room-left = { below = "..." }`
    RoomLeft {
        below: Quantity,
    }

    /// `[deliveries.mqtt]`, `[deliveries.series]`
    Delivery {
        root: Text,
        channels: Spanned<WordOrList>,
        every: Quantity,
        inventory: Spanned<bool>,
        losses: Spanned<bool>,
        alarms: Spanned<bool>,
    }

    /// `[console]`
    Console {
        title: Text,
        loss_unit: Text,
        pinned: Vec<Text>,
    }
}

/// One table of a file: its keys, where it stands, and which keys were unreadable (and reported).
#[derive(Debug, Clone)]
pub(in crate::plant) struct Entry<T> {
    /// Which file.
    pub file: usize,
    /// Offset of its first byte.
    pub start: usize,
    /// Name in its heading, for tables that have one.
    pub name: String,
    /// Keys that were dropped with a problem, so that they are not also called missing.
    pub dropped: BTreeSet<String>,
    /// The keys.
    pub keys: T,
}

/// A channel's own keys and those that override its instrument.
#[derive(Debug, Clone, Default)]
pub(in crate::plant) struct ChannelKeys {
    pub own: Channel,
    pub instrument: Instrument,
}
