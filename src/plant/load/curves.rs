//! Calibration curves: the files below `curves/`, and the curves that need none.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::context::{Context, Place};
use crate::instrument::curve::{Curve, CurveFileError, CurveSpec, PlatinumCurve, parse_curve};
use crate::plant::files::SourceFile;
use crate::plant::raw::nearest;
use crate::quantity::QuantityKind;

/// Platinum sensors by the standard curve, named by their resistance at 0 degrees Celsius.
const PLATINUM: [(&str, f64); 2] = [("pt100", 100.0), ("pt1000", 1000.0)];

/// Every curve by its id.
pub(super) struct Curves {
    by_id: BTreeMap<String, (CurveSpec, String)>,
    /// Ids of curves whose file has problems, so that they are not also called unknown.
    broken: BTreeSet<String>,
}

impl Curves {
    /// Reads every curve file.
    pub fn read(context: &mut Context<'_>, files: &[SourceFile]) -> Self {
        let mut curves = Self {
            by_id: BTreeMap::new(),
            broken: BTreeSet::new(),
        };
        for (id, r0_ohm) in PLATINUM {
            let spec = CurveSpec {
                id: id.into(),
                quantity: QuantityKind::Temperature,
                input: QuantityKind::Resistance,
                output_unit: QuantityKind::Temperature.si_unit(),
                input_unit: QuantityKind::Resistance.si_unit(),
                // The tolerance is the sensor's, so the channel states it.
                std_uncertainty: 0.0,
                provenance: "IEC 60751".into(),
                valid_until: None,
                curve: Arc::new(Curve::Platinum(PlatinumCurve { r0_ohm })),
            };
            curves.by_id.insert(id.into(), (spec, String::new()));
        }
        for file in files.iter().filter(|file| is_curve_file(&file.name)) {
            curves.take(context, file);
        }
        curves
    }

    fn take(&mut self, context: &mut Context<'_>, file: &SourceFile) {
        let parsed = parse_curve(&file.name, &file.text);
        let stem = file
            .name
            .rsplit(['/'])
            .next()
            .and_then(|name| name.split('.').next())
            .unwrap_or_default();
        match parsed {
            Err(CurveFileError { line, message }) => {
                let (what, write) = message.split_once("; ").unwrap_or((&message, ""));
                let write = match write.trim_start_matches("write ") {
                    "" => "the line in the form of the other curve files",
                    write => write,
                }
                .to_owned();
                context.error_in_line(&file.name, line, what.to_owned(), write);
                self.broken.insert(stem.to_owned());
            }
            Ok(spec) if matches!(&*spec.curve, Curve::Thermocouple(_)) => {
                context.error_in_line(
                    &file.name,
                    1,
                    format!("curve {:?} is a thermocouple, whose reading needs its reference junction", spec.id),
                    "thermocouple = \"E\" in the instrument instead of a curve; this form of file is for coldledger convert".into(),
                );
                self.broken.insert(stem.to_owned());
            }
            Ok(spec) => {
                for problem in spec.check() {
                    context.error_in_line(
                        &file.name,
                        1,
                        format!("curve {:?}: {problem}", spec.id),
                        "points or coefficients that rise or fall throughout and join".into(),
                    );
                }
                if spec.id != stem {
                    context.error_in_line(
                        &file.name,
                        1,
                        format!("curve {:?} stands in a file of another name", spec.id),
                        format!("{stem:?} as its id, or name the file after the curve"),
                    );
                    self.broken.insert(stem.to_owned());
                }
                if let Some((_, first)) = self.by_id.get(&spec.id) {
                    context.error_in_line(
                        &file.name,
                        1,
                        format!("curve {:?} stands already in {first}", spec.id),
                        "another id, or drop one of the two".into(),
                    );
                } else {
                    self.by_id
                        .insert(spec.id.clone(), (spec, file.name.clone()));
                }
            }
        }
    }

    /// The curve of that id; an unknown one is a problem.
    pub fn find(&self, context: &mut Context<'_>, at: Place, id: &str) -> Option<&CurveSpec> {
        let found = self.by_id.get(id).map(|(spec, _)| spec);
        if found.is_none() && !self.broken.contains(id) {
            let write = nearest(id, self.by_id.keys().map(String::as_str)).map_or_else(
                || {
                    format!(
                        "pt100, pt1000, or the id of a file below curves/, such as curves/{id}.csv"
                    )
                },
                |near| format!("{near:?}, if that is meant"),
            );
            context.error(at, format!("there is no curve {id:?}"), write);
        }
        found
    }
}

/// Curve files stand apart from the description's tables.
pub(super) fn is_curve_file(name: &str) -> bool {
    name.starts_with("curves/")
}
