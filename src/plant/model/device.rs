//! Devices: what is polled, and how it is reached.

use serde::{Deserialize, Serialize};

use super::Id;
use crate::time::Span;

/// How a device is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Link {
    /// Modbus TCP.
    Tcp {
        /// Host name or address.
        host: String,
        /// TCP port, usually 502.
        port: u16,
    },
}

/// A Modbus server that is read.
#[derive(Debug, Clone)]
pub struct Device {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// How it is reached.
    pub link: Link,
    /// Modbus unit identifier.
    pub unit_id: u8,
    /// A request without a whole answer in this time has failed.
    pub timeout: Span,
    /// Unused registers that may be read along to merge two reads into one.
    pub gap_limit: u16,
}

/// Which table of registers; both are only ever read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegisterTable {
    /// Read by function 3.
    Holding,
    /// Read by function 4.
    Input,
}

impl RegisterTable {
    /// The Modbus function code that reads it.
    #[must_use]
    pub fn function(self) -> u8 {
        match self {
            Self::Holding => 3,
            Self::Input => 4,
        }
    }
}
