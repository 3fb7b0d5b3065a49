//! Physics against published values and by property. Sources and tolerances stand in the header of
//! each file under `tests/reference/`.

mod air_reference;
mod helium_properties;
mod helium_reference;
mod reference;
