//! The truth written beside, as CSV: one row per instant, one column of kilograms per vessel.

use std::io::Write;

use coldledger::plant::Plant;

use crate::virtual_plant::Truth;

/// Writes truths to a file.
#[derive(Debug)]
pub struct TruthFile<W: Write> {
    csv: csv::Writer<W>,
}

impl<W: Write> TruthFile<W> {
    /// Begins with the heading.
    ///
    /// # Errors
    /// [`csv::Error`] when the file cannot be written.
    pub fn new(plant: &Plant, into: W) -> Result<Self, csv::Error> {
        let mut csv = csv::Writer::from_writer(into);
        let fixed = [
            "time_utc",
            "total_kg",
            "outside_kg",
            "leak_kg_per_day",
            "air_pressure_Pa",
            "air_temperature_K",
        ];
        let vessels = plant.all.vessel.iter();
        let heading = fixed
            .iter()
            .map(|name| (*name).to_owned())
            .chain(vessels.map(|vessel| format!("{}_kg", vessel.id)));
        csv.write_record(heading)?;
        Ok(Self { csv })
    }

    /// One row.
    ///
    /// # Errors
    /// [`csv::Error`] when the file cannot be written.
    pub fn write(&mut self, truth: &Truth) -> Result<(), csv::Error> {
        let fixed = [
            truth.at.to_string(),
            format!("{:.9}", truth.total_kg),
            format!("{:.9}", truth.outside_kg),
            format!("{:.6}", truth.leak_kg_per_s * 86_400.0),
            format!("{:.2}", truth.barometer_pa),
            format!("{:.4}", truth.ambient_k),
        ];
        let masses = truth.vessels.iter().map(|v| format!("{:.9}", v.mass_kg));
        self.csv.write_record(fixed.into_iter().chain(masses))
    }

    /// Puts the rows on disk.
    ///
    /// # Errors
    /// [`std::io::Error`] when they cannot be.
    pub fn flush(&mut self) -> std::io::Result<()> {
        self.csv.flush()
    }
}
