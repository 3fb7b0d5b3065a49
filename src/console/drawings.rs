//! Curves drawn lately, so that many open pages do not each ask the store for the same one.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use crate::time::{Monotonic, Span};

/// A curve is drawn again after this time.
const FRESH_FOR: Span = Span::from_millis(15_000);
/// Most curves kept; beyond, all are dropped and drawn again when asked for.
const MOST_KEPT: usize = 64;

/// Curves by what they show.
#[derive(Debug, Default)]
pub(super) struct Drawings {
    kept: Mutex<BTreeMap<String, (Monotonic, String)>>,
}

impl Drawings {
    /// The curve of that name, if it is fresh.
    pub(super) fn fresh(&self, name: &str, now: Monotonic) -> Option<String> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(name)
            .filter(|(drawn, _)| now - *drawn < FRESH_FOR)
            .map(|(_, svg)| svg.clone())
    }

    /// Keeps a curve.
    pub(super) fn keep(&self, name: String, now: Monotonic, svg: &str) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= MOST_KEPT {
            kept.retain(|_, (drawn, _)| now - *drawn < FRESH_FOR);
        }
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        kept.insert(name, (now, svg.to_owned()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_is_kept_for_a_while_and_not_too_many_are() {
        let drawings = Drawings::default();
        let now = Monotonic(5_000);
        drawings.keep("a".into(), now, "<svg/>");
        assert_eq!(drawings.fresh("a", now).as_deref(), Some("<svg/>"));
        assert_eq!(drawings.fresh("b", now), None);
        assert_eq!(drawings.fresh("a", now + FRESH_FOR), None);
        for n in 0..3 * MOST_KEPT {
            drawings.keep(n.to_string(), now, "");
            assert!(drawings.kept.lock().unwrap().len() <= MOST_KEPT);
        }
    }
}
