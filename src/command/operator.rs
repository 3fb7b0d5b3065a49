//! `coldledger operator`: an entry for the file of people who may act.

use std::io::{self, BufRead, Write};

use super::{CONFIGURATION, FAULT, WELL};
use crate::console::hash_password;

/// Shortest password that is taken.
const SHORTEST: usize = 8;

/// Make an entry for the file of people who may act
///
/// Reads a password, one line, from standard input and writes an operator entry with its hash.
/// Append it to the file named by the setting operators-file, as by
/// coldledger operator "Ada Night" < password.txt >> operators.toml
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct OperatorArgs {
    /// The person's name, as the journal will show it
    #[arg(value_name = "NAME")]
    pub name: String,
}

/// Writes the entry; the exit code.
#[must_use]
pub fn main(args: &OperatorArgs) -> u8 {
    let mut password = String::new();
    if let Err(error) = io::stdin().lock().read_line(&mut password) {
        super::complain(&format!("the password could not be read: {error}"));
        return FAULT;
    }
    let password = password.trim_end_matches(['\r', '\n']);
    if args.name.trim().is_empty() || password.chars().count() < SHORTEST {
        super::complain(&format!(
            "give a name, and a password of at least {SHORTEST} characters"
        ));
        return CONFIGURATION;
    }
    let entry = match hash_password(password) {
        Ok(hash) => {
            let mut table = toml::Table::new();
            table.insert("name".into(), args.name.trim().into());
            table.insert("password-hash".into(), hash.into());
            format!("[[operator]]\n{table}")
        }
        Err(error) => {
            super::complain(&format!("the password could not be hashed: {error}"));
            return FAULT;
        }
    };
    match io::stdout().lock().write_all(entry.as_bytes()) {
        Ok(()) => WELL,
        Err(_) => FAULT,
    }
}
