//! Conductors: the strand as its maker measured it, and how it is cabled.

use super::Reader;
use crate::magnet::{CriticalSurface, CriticalSurfaceParameters, Strand};
use crate::plant::magnets::Conductor;
use crate::plant::raw;
use crate::quantity::QuantityKind;

impl Reader<'_, '_, '_, raw::Conductor> {
    pub(super) fn conductor(mut self) -> Option<Conductor> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let field = QuantityKind::MagneticFluxDensity;
        let j_ref = self.above_zero(
            keys.j_ref.as_ref(),
            "j-ref",
            "\"3000 A/mm2\", from the strand's data; there is no default material",
            QuantityKind::CurrentDensity,
        );
        let c0 = self.above_zero(
            keys.c0.as_ref(),
            "c0",
            "\"27 T\", the constant of the fit",
            field,
        );
        let bc20 = self.above_zero(
            keys.bc20.as_ref(),
            "bc20",
            "\"14.5 T\", from the strand's data",
            field,
        );
        let tc0 = self.above_zero(
            keys.tc0.as_ref(),
            "tc0",
            "\"9.2 K\", from the strand's data",
            QuantityKind::Temperature,
        );
        let alpha = self.number(keys.alpha.as_ref(), "alpha", "0.57, from the strand's data");
        let beta = self.number(keys.beta.as_ref(), "beta", "0.9, from the strand's data");
        let gamma = self.number(keys.gamma.as_ref(), "gamma", "2.3, from the strand's data");
        let std = self.above_zero(
            keys.critical_current_std.as_ref(),
            "critical-current-std",
            "\"5 %\", how well strand and fit are known (k = 1)",
            QuantityKind::Fraction,
        );
        let strand = self.strand();
        let strands = self.strands();
        let parameters = CriticalSurfaceParameters {
            reference_a_per_m2: j_ref?,
            c0_t: c0?,
            bc20_t: bc20?,
            tc0_k: tc0?,
            alpha: alpha?,
            beta: beta?,
            gamma: gamma?,
        };
        let surface = match CriticalSurface::new(parameters) {
            Ok(surface) => surface,
            Err(problem) => {
                self.context.error(
                    self.here.place(),
                    format!("{} has no critical surface: {problem}", self.here.called),
                    "the parameters of the fit as the strand's data give them",
                );
                return None;
            }
        };
        Some(Conductor {
            id: self.id.into(),
            name: name?,
            surface,
            strand: strand?,
            strands: strands?,
            critical_current_std: std?,
        })
    }

    fn strand(&mut self) -> Option<Strand> {
        let keys = &self.here.entry.keys;
        let area = self.above_zero(
            keys.strand_area.as_ref(),
            "strand-area",
            "\"0.567 mm2\", copper and superconductor of one strand",
            QuantityKind::Area,
        );
        let ratio = self.number(
            keys.copper_ratio.as_ref(),
            "copper-ratio",
            "1.8, copper to superconductor",
        );
        let (area, ratio) = (area?, ratio?);
        match Strand::from_ratio(area, ratio) {
            Ok(strand) => Some(strand),
            Err(problem) => {
                let at = keys
                    .copper_ratio
                    .as_ref()
                    .map_or_else(|| self.here.place(), |field| self.here.at(field));
                self.context
                    .error(at, problem.to_string(), "copper-ratio = 1.8, for example");
                None
            }
        }
    }

    fn strands(&mut self) -> Option<u32> {
        let field = self.here.entry.keys.strands.as_ref();
        let field = self.context.need(
            &self.here,
            field,
            "strands",
            "36, how many strands share the current",
        )?;
        let count = u32::try_from(*field.get_ref())
            .ok()
            .filter(|&count| count > 0);
        if count.is_none() {
            self.context.error(
                self.here.at(field),
                format!(
                    "{} cannot have {} strands",
                    self.here.called,
                    field.get_ref()
                ),
                "strands = 36, a whole number above zero",
            );
        }
        count
    }
}
