//! What of a channel's uncertainty grows with the time since its calibration.

use super::channels::{Key, Made, Reader, key};
use super::context::Place;
use super::devices::Groups;
use crate::instrument::uncertainty::{Ageing, SharedKind, SharedTerm};
use crate::plant::model::Behaviour;
use crate::plant::raw::Written;
use crate::quantity::GroupIx;

/// A calibration whose day is not known is taken to have been good for this long.
const VALIDITY_YEARS: f64 = 1.0;
const DAYS_PER_YEAR: f64 = 365.25;

impl Reader<'_, '_, '_> {
    /// `calibration` is what the calibration itself is uncertain by. Where no ageing is written,
    /// that much is added for each length of its validity once the date has passed (common practice,
    /// no source).
    pub(super) fn ageing(
        &mut self,
        groups: &mut Groups,
        made: &Made<'_>,
        calibration: &[SharedKind],
    ) -> Option<Ageing> {
        let calibrated_at = match key!(self, calibrated_at) {
            None => None,
            Some(key) => {
                let time = self.time(&key, "calibrated-at")?;
                if made.valid_to.is_some_and(|valid_to| valid_to <= time) {
                    self.context.error(
                        key.at,
                        "the calibration was no longer valid when it was made",
                        "calibrated-at before calibration-valid-to",
                    );
                    return None;
                }
                Some(time)
            }
        };
        let drift = match key!(self, drift) {
            None => Vec::new(),
            Some(key) => {
                if calibrated_at.is_none() {
                    self.context.error(
                        key.at,
                        "drift counts from the calibration, and no key says when that was",
                        "calibrated-at = \"2025-03-01T00:00:00Z\"",
                    );
                    return None;
                }
                self.per_year(&key, "drift", made)?
            }
        };
        let stated = match key!(self, ageing) {
            None => None,
            Some(key) => {
                if made.valid_to.is_none() {
                    self.context.error(
                        key.at,
                        "ageing counts once the calibration is past its date, and no key states that",
                        "calibration-valid-to = \"2028-03-01T00:00:00Z\", or drift, which always counts",
                    );
                    return None;
                }
                Some(self.per_year(&key, "ageing", made)?)
            }
        };
        let after = match (stated, made.valid_to) {
            (Some(stated), _) => stated,
            (None, None) => Vec::new(),
            (None, Some(valid_to)) => {
                let years = calibrated_at.map_or(VALIDITY_YEARS, |calibrated| {
                    (valid_to - calibrated).days() / DAYS_PER_YEAR
                });
                let per_year = |kind: &SharedKind| match *kind {
                    SharedKind::RelativeToReading(r) => SharedKind::RelativeToReading(r / years),
                    SharedKind::Absolute(u) | SharedKind::AtLeastSignal { absolute: u, .. } => {
                        SharedKind::Absolute(u / years)
                    }
                    // At the ice point, where it is least.
                    SharedKind::PlatinumClass(class) => {
                        SharedKind::Absolute(class.std_k(273.15) / years)
                    }
                    other => other,
                };
                calibration.iter().map(per_year).collect()
            }
        };
        let mut terms = |part: &str, kinds: Vec<SharedKind>| {
            if kinds.is_empty() {
                return smallvec::SmallVec::new();
            }
            let group: GroupIx = groups.add(&format!("{}/{part}", self.id), Behaviour::Constant);
            kinds
                .into_iter()
                .map(|kind| SharedTerm { group, kind })
                .collect()
        };
        Some(Ageing {
            calibrated_at,
            valid_to: made.valid_to,
            drift: terms("drift", drift),
            after_validity: terms("ageing", after),
        })
    }

    /// `"0.1 % of span per year"`.
    fn per_year(
        &mut self,
        key: &Key<'_, Written>,
        name: &str,
        made: &Made<'_>,
    ) -> Option<Vec<SharedKind>> {
        let Some(size) = key.value.0.strip_suffix("per year") else {
            self.context.error(
                key.at,
                format!("{name}: {:?} does not say in what time", key.value.0),
                format!("{name} = \"0.1 % of span per year\""),
            );
            return None;
        };
        self.sizes(key.at, size.trim(), name, made)
    }
}
