//! Modbus polling against servers that misbehave in every way known to us, and against servers that
//! are not ours. The promise under test: a wrong value is never delivered, and polling comes back.

#[cfg(test)]
mod faults;
#[cfg(test)]
mod isolation;
#[cfg(test)]
mod read_only;
#[cfg(test)]
mod servers;
#[cfg(test)]
mod support;
