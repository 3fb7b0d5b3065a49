//! Helium by property.
