//! How many of something one address may hold at once, so that one client cannot take all of it.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What is held, by address; at most as many addresses as there are shares out.
#[derive(Debug)]
pub(super) struct Shares {
    most: usize,
    held: Mutex<BTreeMap<IpAddr, usize>>,
}

/// One of them; given back when dropped.
#[derive(Debug)]
pub(super) struct Share {
    of: Arc<Shares>,
    address: IpAddr,
}

impl Shares {
    pub(super) fn new(most: usize) -> Arc<Self> {
        Arc::new(Self {
            most,
            held: Mutex::default(),
        })
    }

    /// One more for that address; none when it holds as many as it may.
    pub(super) fn take(self: &Arc<Self>, address: IpAddr) -> Option<Share> {
        let mut held = self.held();
        let count = held.entry(address).or_default();
        if *count >= self.most {
            return None;
        }
        *count += 1;
        Some(Share {
            of: Arc::clone(self),
            address,
        })
    }

    fn held(&self) -> MutexGuard<'_, BTreeMap<IpAddr, usize>> {
        // Nothing in here can panic half-way, so a poisoned lock still holds whole data.
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        let mut held = self.of.held();
        if let Some(count) = held.get_mut(&self.address) {
            *count = count.saturating_sub(1);
            if *count == 0 {
                held.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_leaves_some_to_others_and_gets_its_own_back() {
        let shares = Shares::new(2);
        let [one, other] = [1, 2].map(|last| IpAddr::from([192, 0, 2, last]));
        let first = shares.take(one).unwrap();
        let _second = shares.take(one).unwrap();
        assert!(shares.take(one).is_none());
        assert!(shares.take(other).is_some());
        drop(first);
        assert!(shares.take(one).is_some());
        assert_eq!(shares.held().len(), 1, "the other holds nothing any more");
    }
}
