//! The melting curve: above it helium is solid, and nothing here holds.
//!
//! Two published curves, changed over where they cross (3.42 K), so that the join has no step.
//! The temperature scales of the sources differ from ITS-90 by a few mK, below 0.3 % of pressure.
//!
//! **Source**: up to the crossing C. A. Swenson, Phys. Rev. 79, 626 (1950) and 89, 538 (1953), as
//! fitted in the public he3lib; above it R. D. McCarty and V. D. Arp, Adv. Cryog. Eng. 35, 1465
//! (1990), which is the Simon-type curve of R. L. Mills and E. R. Grilly, Phys. Rev. 99, 480 (1955),
//! p = -17.80 + 17.31457 T^1.555983 kg/cm2 (from memory; the two renderings agree to 0.05 %).

/// Where the two curves cross, K.
const CROSSING_K: f64 = 3.42;
/// Lowest melting pressure at any temperature, Pa: below it helium is never solid.
pub(super) const NEVER_SOLID_BELOW_PA: f64 = 2.5e6;

/// Pressure at which helium freezes at a temperature, Pa.
///
/// **Range**: 0.8 K to 1500 K; measured to about 700 K, and never met below 1000 bar above 14 K.
#[must_use]
pub fn melting_pressure_pa(temperature_k: f64) -> f64 {
    let t = temperature_k;
    if t < CROSSING_K {
        2.5e6 + 3.3046e4 * libm::exp(15.901 / t - 24.1085 / (t * t) + 0.820_147 * t)
    } else {
        -1.745_583_7e6 + 1.697_979_3e6 * libm::pow(t, 1.555_414)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_meet() {
        let below = melting_pressure_pa(CROSSING_K - 1e-9);
        let above = melting_pressure_pa(CROSSING_K + 1e-9);
        assert!((below / above - 1.0).abs() < 2e-3, "{below} {above}");
    }

    #[test]
    fn freezes_where_measured() {
        // Near 145 bar at 4.2 K (common practice, no source); 30.1 bar at the upper lambda point.
        assert!((melting_pressure_pa(4.2) / 1.45e7 - 1.0).abs() < 0.04);
        assert!((melting_pressure_pa(1.7673) / 3.01e6 - 1.0).abs() < 0.02);
        // 115 kbar at 24 degC: Science 206, 1073 (1979).
        assert!((melting_pressure_pa(297.15) / 1.15e10 - 1.0).abs() < 0.05);
    }
}
