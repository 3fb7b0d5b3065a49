//! Settings of the daemon (not of the plant): where data go, what listens, who is told.
//!
//! Three layers, the later wins: defaults, the file, the environment (`COLDLEDGER__LISTEN`,
//! `COLDLEDGER__MQTT__HOST`, ...). The file is parsed strictly first, since layering alone would
//! forgive a misspelt key and could not name its line. Secrets come from files, never from here.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::publish::{MqttSettings, SeriesSettings};
use crate::time::Span;

/// Settings as layered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Folder of the plant description.
    pub plant: PathBuf,
    /// Folder that history, journal and ledger live in.
    pub data_directory: PathBuf,
    /// Address that the pages are served on; loopback unless you say otherwise.
    pub listen: String,
    /// Names by which browsers may address the pages, besides loopback.
    pub host_names: Vec<String>,
    /// File with the people who may act (see `coldledger operator --help`); without it nobody may.
    pub operators_file: Option<PathBuf>,
    /// Most that the history may take on disk, as text with unit: `"20 GB"`.
    pub disk_budget: String,
    /// How often what was read is made durable, as text with unit; alarms and entries at once.
    pub commit_every: String,
    /// Message broker.
    #[serde(skip_serializing)]
    pub mqtt: Option<MqttSettings>,
    /// Time-series store.
    #[serde(skip_serializing)]
    pub series: Option<SeriesSettings>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            plant: PathBuf::new(),
            data_directory: "coldledger-data".into(),
            listen: "127.0.0.1:8470".into(),
            host_names: Vec::new(),
            operators_file: None,
            disk_budget: "20 GB".into(),
            commit_every: "5 s".into(),
            mqtt: None,
            series: None,
        }
    }
}

/// Why the settings cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("cannot read the settings {}: {source}; give a readable file with --settings", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is not what it should be.
    #[error("{}: {problem}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// The parser's words, with line and column.
        problem: String,
    },
    /// The layers together are not what they should be.
    #[error("settings: {0}; look at the COLDLEDGER__ variables of the environment")]
    Layers(String),
    /// A size or time without unit.
    #[error("settings: {key} is {value:?}; {remedy}")]
    Value {
        /// Which.
        key: &'static str,
        /// As written.
        value: String,
        /// What to write.
        remedy: &'static str,
    },
}

impl Settings {
    /// Layers defaults, the file and the environment.
    ///
    /// # Errors
    /// [`SettingsError`], with file and line where there is one.
    pub fn layered(file: Option<&Path>) -> Result<Self, SettingsError> {
        let defaults = config::Config::try_from(&Self::default()).map_err(layers)?;
        let mut layers_in = config::Config::builder().add_source(defaults);
        if let Some(path) = file {
            let text =
                std::fs::read_to_string(path).map_err(|source| SettingsError::Unreadable {
                    path: path.to_owned(),
                    source,
                })?;
            toml::from_str::<Self>(&text).map_err(|error| SettingsError::File {
                path: path.to_owned(),
                problem: error.to_string(),
            })?;
            layers_in =
                layers_in.add_source(config::File::from_str(&text, config::FileFormat::Toml));
        }
        let environment = config::Environment::with_prefix("COLDLEDGER")
            .prefix_separator("__")
            .separator("__")
            .convert_case(config::Case::Kebab);
        let settings: Self = layers_in
            .add_source(environment)
            .build()
            .map_err(layers)?
            .try_deserialize()
            .map_err(layers)?;
        settings.disk_budget_bytes()?;
        settings.commit_span()?;
        Ok(settings)
    }

    /// The disk budget in bytes.
    ///
    /// # Errors
    /// [`SettingsError::Value`] when it is not a number with a unit.
    pub fn disk_budget_bytes(&self) -> Result<u64, SettingsError> {
        let wrong = || SettingsError::Value {
            key: "disk-budget",
            value: self.disk_budget.clone(),
            remedy: "write a whole number with MB, GB or TB, at least 64 MB: \"20 GB\"",
        };
        let text = self.disk_budget.trim();
        let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
        let unit = match text.strip_prefix(digits).map(str::trim) {
            Some("MB") => 1_000_000_u64,
            Some("GB") => 1_000_000_000,
            Some("TB") => 1_000_000_000_000,
            _ => return Err(wrong()),
        };
        digits
            .parse::<u64>()
            .ok()
            .and_then(|number| number.checked_mul(unit))
            .filter(|bytes| *bytes >= 64_000_000)
            .ok_or_else(wrong)
    }

    /// How often what was read is made durable.
    ///
    /// # Errors
    /// [`SettingsError::Value`] when it is not a time between 1 s and 60 s.
    pub fn commit_span(&self) -> Result<Span, SettingsError> {
        crate::quantity::parse_as::<crate::quantity::Duration>(&self.commit_every)
            .ok()
            .map(crate::quantity::Duration::si)
            .filter(|seconds| (1.0..=60.0).contains(seconds))
            .map(Span::from_seconds)
            .ok_or_else(|| SettingsError::Value {
                key: "commit-every",
                value: self.commit_every.clone(),
                remedy: "write a time from 1 s to 60 s: \"5 s\"",
            })
    }
}

#[expect(clippy::needless_pass_by_value, reason = "passed to map_err")]
fn layers(error: config::ConfigError) -> SettingsError {
    SettingsError::Layers(error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_sizes_and_times_with_units_only() {
        let with = |disk: &str, commit: &str| Settings {
            disk_budget: disk.into(),
            commit_every: commit.into(),
            ..Settings::default()
        };
        assert_eq!(
            with("20 GB", "5 s").disk_budget_bytes().unwrap(),
            20_000_000_000
        );
        assert_eq!(
            with("64 MB", "1 min").commit_span().unwrap(),
            Span::from_millis(60_000)
        );
        assert!(with("20", "5").disk_budget_bytes().is_err());
        assert!(with("1 MB", "5").disk_budget_bytes().is_err());
        assert!(with("20 GB", "5").commit_span().is_err());
        assert!(with("20 GB", "2 h").commit_span().is_err());
    }

    #[test]
    fn names_file_and_line_of_a_misspelt_key() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("settings.toml");
        std::fs::write(&path, "plant = \"x\"\nlissten = \"127.0.0.1:1\"\n").unwrap();
        let text = Settings::layered(Some(&path)).unwrap_err().to_string();
        assert!(
            text.contains("settings.toml") && text.contains("line 2"),
            "{text}"
        );
    }

    #[test]
    fn a_file_overrides_the_defaults() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("settings.toml");
        std::fs::write(
            &path,
            "listen = \"127.0.0.1:9\"\n[mqtt]\nhost = \"127.0.0.1\"\nport = 1883\n",
        )
        .unwrap();
        let settings = Settings::layered(Some(&path)).unwrap();
        assert_eq!(settings.listen, "127.0.0.1:9");
        assert_eq!(settings.mqtt.unwrap().port, 1883);
        assert_eq!(settings.disk_budget, "20 GB");
    }
}
