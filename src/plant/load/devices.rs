//! Devices and shared sources of error.

use std::sync::Arc;

use super::context::{Context, Here};
use crate::instrument::uncertainty::SharedTerm;
use crate::plant::model::{Behaviour, Device, Group, Link};
use crate::plant::raw::{self, Entry};
use crate::quantity::GroupIx;
use crate::time::Span;

/// A device without an answer for this long has failed, unless the description says otherwise.
const TIMEOUT: Span = Span::from_millis(1_000);
/// Unused registers read along to save a request, unless the description says otherwise.
const GAP_LIMIT: u16 = 8;
/// Modbus messaging on TCP/IP implementation guide V1.0b, 4.3.1.
const MODBUS_PORT: u16 = 502;

/// A device.
pub(super) fn device(context: &mut Context<'_>, entry: &Entry<raw::Device>) -> Option<Device> {
    let keys = &entry.keys;
    let id = keys.id.as_ref().map_or("", |id| id.get_ref());
    let here = Here {
        entry,
        called: format!("device {id:?}"),
    };
    let name = context.text(&here, keys.name.as_ref(), "name", "\"what people call it\"");
    let link = context
        .text(&here, keys.tcp.as_ref(), "tcp", "\"192.0.2.10:502\"")
        .and_then(|text| {
            let parsed = host_and_port(&text);
            if parsed.is_none()
                && let Some(field) = &keys.tcp
            {
                context.error(
                    here.at(field),
                    format!("{text:?} is not an address with a port"),
                    "tcp = \"192.0.2.10:502\"",
                );
            }
            parsed
        });
    let unit_id = match &keys.unit_id {
        None => Some(1),
        Some(field) => {
            let unit = u8::try_from(*field.get_ref())
                .ok()
                .filter(|&unit| unit <= 247 || unit == 255);
            if unit.is_none() {
                context.error(
                    here.at(field),
                    format!("{} is not a Modbus unit identifier", field.get_ref()),
                    "unit-id = 1, or another from 0 to 247, or 255",
                );
            }
            unit
        }
    };
    let timeout = match &keys.timeout {
        None => Some(TIMEOUT),
        Some(field) => context.span(&here, field, "timeout").filter(|&timeout| {
            let sound = timeout >= Span::from_millis(50) && timeout <= Span::from_millis(30_000);
            if !sound {
                context.error(
                    here.at(field),
                    format!(
                        "a timeout of {:?} is out of the ordinary",
                        field.get_ref().0
                    ),
                    "timeout = \"1 s\", or another from 50 ms to 30 s",
                );
            }
            sound
        }),
    };
    let gap_limit = match &keys.gap_limit {
        None => Some(GAP_LIMIT),
        Some(field) => {
            let gap = u16::try_from(*field.get_ref())
                .ok()
                .filter(|&gap| gap <= 100);
            if gap.is_none() {
                context.error(
                    here.at(field),
                    format!(
                        "{} is not a number of registers that may be read along",
                        field.get_ref()
                    ),
                    "gap-limit = 8, or another from 0 to 100",
                );
            }
            gap
        }
    };
    let (host, port) = link?;
    Some(Device {
        id: id.into(),
        name: name?,
        link: Link::Tcp { host, port },
        unit_id: unit_id?,
        timeout: timeout?,
        gap_limit: gap_limit?,
    })
}

fn host_and_port(text: &str) -> Option<(String, u16)> {
    let (host, port) = match text.rsplit_once(':') {
        // An IPv6 address without a port ends in its bracket.
        Some(_) if text.ends_with(']') => (text, MODBUS_PORT),
        Some((host, port)) => (host, port.parse().ok().filter(|&port| port != 0)?),
        None => (text, MODBUS_PORT),
    };
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    let sound = !bare.is_empty()
        && bare
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '_'));
    sound.then(|| (bare.to_owned(), port))
}

/// Every shared source of error: the named ones first, then those of single channels.
pub(super) struct Groups {
    pub all: Vec<Group>,
    too_many: bool,
}

impl Groups {
    pub fn read(context: &mut Context<'_>, entries: &[Entry<raw::SharedError>]) -> Self {
        let mut all = Vec::new();
        for entry in entries {
            let id = entry.keys.id.as_ref().map_or("", |id| id.get_ref());
            let here = Here {
                entry,
                called: format!("shared error {id:?}"),
            };
            context.text(
                &here,
                entry.keys.name.as_ref(),
                "name",
                "\"where it comes from\"",
            );
            let behaviour = match &entry.keys.correlated_over {
                None => Behaviour::Constant,
                Some(field) => Behaviour::Correlated {
                    time: context
                        .span(&here, field, "correlated-over")
                        .unwrap_or(Span::HOUR),
                },
            };
            all.push(Group {
                id: Arc::from(id),
                behaviour,
            });
        }
        Self {
            all,
            too_many: false,
        }
    }

    /// A source of one channel alone.
    pub fn add(&mut self, id: &str, behaviour: Behaviour) -> GroupIx {
        let ix = u16::try_from(self.all.len()).unwrap_or_else(|_| {
            self.too_many = true;
            u16::MAX
        });
        self.all.push(Group {
            id: Arc::from(id),
            behaviour,
        });
        GroupIx(ix)
    }

    /// More sources than can be numbered.
    pub fn overflowed(&self) -> bool {
        self.too_many
    }
}

/// Terms of one channel, sorted by source as the conversion expects them.
pub(super) fn sorted(mut terms: Vec<SharedTerm>) -> Vec<SharedTerm> {
    terms.sort_by_key(|term| term.group);
    terms
}
