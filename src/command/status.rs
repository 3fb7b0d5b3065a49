//! `coldledger status`: how a running daemon is.

use std::io::{self, Write};

use serde_json::Value;

use super::client::{Client, ClientArgs, ClientError};
use super::{FAULT, WELL};

/// How a running daemon is: whether it is live, what is wrong, what is being lost
///
/// Ends with 0 when the daemon is live and recording, else with 70.
#[derive(Debug, clap::Args)]
pub struct StatusArgs {
    /// How the daemon is reached
    #[command(flatten)]
    pub client: ClientArgs,

    /// Write one JSON document, for programs
    #[arg(long)]
    pub json: bool,
}

/// Prints; the exit code.
#[must_use]
pub fn main(args: &StatusArgs) -> u8 {
    match run(args, super::answer()) {
        Ok(true) => WELL,
        Ok(false) => FAULT,
        Err(error) => {
            super::complain(&error);
            FAULT
        }
    }
}

/// Asks the daemon and writes its answer; whether it is well.
///
/// # Errors
/// [`ClientError`] when it cannot be asked.
pub fn run(args: &StatusArgs, mut out: impl Write) -> Result<bool, ClientError> {
    let client = Client::new(&args.client)?;
    let (live, words) = client.healthz()?;
    let health = client.get("/api/v1/health").unwrap_or(Value::Null);
    let alarms = client.get("/api/v1/alarms").unwrap_or(Value::Null);
    let losses = client.get("/api/v1/losses").unwrap_or(Value::Null);
    let written = if args.json {
        let all = serde_json::json!({
            "live": live, "words": words, "health": health, "alarms": alarms, "losses": losses,
        });
        writeln!(out, "{all:#}")
    } else {
        write_words(&mut out, &words, &health, &alarms, &losses)
    };
    written.map_err(|error| ClientError::Output(error.to_string()))?;
    Ok(live)
}

fn write_words(
    out: &mut impl Write,
    words: &str,
    health: &Value,
    alarms: &Value,
    losses: &Value,
) -> io::Result<()> {
    writeln!(out, "{}", words.trim())?;
    for list in ["alarms", "alerts"] {
        for alarm in alarms[list].as_array().into_iter().flatten() {
            writeln!(
                out,
                "{}: {} - {} ({})",
                list.trim_end_matches('s'),
                text(&alarm["name"]),
                text(&alarm["detail"]),
                text(&alarm["state"]),
            )?;
        }
    }
    for loss in losses["losses"].as_array().into_iter().flatten() {
        writeln!(out, "{}: {}", text(&loss["name"]), text(&loss["statement"]))?;
    }
    for note in health["notes"].as_array().into_iter().flatten() {
        writeln!(out, "note: {}", text(note))?;
    }
    Ok(())
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or("")
}
