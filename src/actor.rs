//! Who did something: a person with a name, never "the system".

use serde::{Deserialize, Serialize};

/// Who did something, and where.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Actor {
    /// The person's name.
    pub name: String,
    /// From where: an address, "command line".
    pub place: String,
}
