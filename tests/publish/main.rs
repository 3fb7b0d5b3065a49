//! Deliveries against a real broker and a real time-series store, killed and restarted, and against
//! a store that answers by script. The promise under test: the durable lane loses nothing and keeps
//! its order per series.

#[cfg(test)]
mod broker;
#[cfg(test)]
mod faults;
#[cfg(test)]
mod memory;
#[cfg(test)]
mod messages;
#[cfg(test)]
mod mqtt;
#[cfg(test)]
mod store;
