//! Differential pressure between bottom and top: the weight of the column.
//!
//! With `h` the liquid above the lower tap, `H` the distance of the taps, and lines filled with gas
//! of density `rho_r` (zero when they are evacuated or the transmitter is zeroed with them full):
//!
//! `dp / g = rho_l h + rho_v (H - h) - rho_r H`
//!
//! so `h = (dp/g + rho_r H - rho_v H) / (rho_l - rho_v)`, and the helium in the vessel is
//! `m = rho_l V(h) + rho_v (V_total - V(h))`.
//!
//! Where the walls are upright the densities drop out of the mass between the taps: it is weighed,
//! `A (dp/g + rho_r H)`. The derivatives given are total ones, level error included, so the error of
//! a density enters once and not as if level and density erred apart.
//!
//! **Source**: hydrostatics; first-order propagation as JCGM 100:2008, 5.1.2.

use super::{LevelError, Strapping};

/// Standard acceleration of free fall, m/s2. **Source**: 3rd CGPM 1901. The site's own differs by up
/// to 0.3 %, which is 0.3 % of the mass.
pub const STANDARD_GRAVITY_M_PER_S2: f64 = 9.80665;

/// Where the taps are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DpColumn {
    /// Height of the lower tap above the lowest inside point, m.
    pub lower_tap_m: f64,
    /// Height of the upper tap above the lower one, m.
    pub tap_distance_m: f64,
    /// Local acceleration of free fall, m/s2.
    pub gravity_m_per_s2: f64,
}

/// What stands between the taps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColumnState {
    /// Pressure at the lower tap minus that at the upper, Pa.
    pub dp_pa: f64,
    /// Density of the liquid, kg/m3: saturated, subcooled or stratified, as the bath is.
    pub liquid_density: f64,
    /// Density of the vapour above it, kg/m3.
    pub vapour_density: f64,
    /// Density in the reference line, kg/m3.
    pub reference_density: f64,
}

/// Level and mass with their total derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColumnContent {
    /// Level above the lowest inside point, m.
    pub level_m: f64,
    /// Liquid volume, m3.
    pub liquid_volume_m3: f64,
    /// Liquid and vapour, kg.
    pub mass_kg: f64,
    /// Level by differential pressure, m/Pa.
    pub d_level_d_dp: f64,
    /// Level by liquid density, m/(kg/m3).
    pub d_level_d_liquid_density: f64,
    /// Level by vapour density, m/(kg/m3).
    pub d_level_d_vapour_density: f64,
    /// Level by density in the reference line, m/(kg/m3).
    pub d_level_d_reference_density: f64,
    /// Mass by differential pressure, kg/Pa.
    pub d_mass_d_dp: f64,
    /// Mass by liquid density, kg/(kg/m3); zero where the walls between lower tap and surface are
    /// upright and nothing lies below the tap.
    pub d_mass_d_liquid_density: f64,
    /// Mass by vapour density, kg/(kg/m3).
    pub d_mass_d_vapour_density: f64,
    /// Mass by density in the reference line, kg/(kg/m3).
    pub d_mass_d_reference_density: f64,
    /// Whether the level stands at a tap, where the reading is blind beyond.
    pub limit: Option<ColumnLimit>,
}

/// A level that may lie beyond what the taps can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnLimit {
    /// At the lower tap or below it.
    AtLowerTap,
    /// At the upper tap or above it.
    AtUpperTap,
}

/// How far beyond a tap a level counts as noise or zero shift, as part of the tap distance.
const BEYOND_TAP: f64 = 0.02;
/// Least part of the liquid density by which it must exceed the vapour's.
const LEAST_DENSITY_STEP: f64 = 1e-3;

/// Level and mass of a bath from its bottom-to-top differential pressure.
///
/// A level beyond a tap by up to 2 % of their distance is taken as standing at the tap, and says so.
///
/// # Errors
/// [`LevelError`] when an input is no number, liquid and vapour are too much alike, the level is
/// further beyond a tap, or outside the vessel.
pub fn dp_bath(
    column: &DpColumn,
    strapping: &Strapping,
    state: &ColumnState,
) -> Result<ColumnContent, LevelError> {
    let DpColumn {
        lower_tap_m,
        tap_distance_m,
        gravity_m_per_s2,
    } = *column;
    let ColumnState {
        dp_pa,
        liquid_density,
        vapour_density,
        reference_density,
    } = *state;
    let numbers = [
        lower_tap_m,
        tap_distance_m,
        gravity_m_per_s2,
        dp_pa,
        liquid_density,
        vapour_density,
        reference_density,
    ];
    if numbers.iter().any(|number| !number.is_finite()) {
        return Err(LevelError::NotANumber);
    }
    for (what, value) in [
        ("the tap distance", tap_distance_m),
        ("the acceleration of free fall", gravity_m_per_s2),
    ] {
        if value <= 0.0 {
            let limit = "";
            return Err(LevelError::BadDimension { what, value, limit });
        }
    }
    let step = liquid_density - vapour_density;
    if vapour_density < 0.0 || step <= LEAST_DENSITY_STEP * liquid_density {
        return Err(LevelError::NoSurface {
            liquid: liquid_density,
            vapour: vapour_density,
        });
    }
    let weight = dp_pa / gravity_m_per_s2 + (reference_density - vapour_density) * tap_distance_m;
    let unbounded = weight / step;
    let slack = BEYOND_TAP * tap_distance_m;
    if unbounded < -slack || unbounded > tap_distance_m + slack {
        return Err(LevelError::OutsideTaps {
            dp_pa,
            above_tap_m: unbounded,
            tap_distance_m,
        });
    }
    let above_tap = unbounded.clamp(0.0, tap_distance_m);
    let limit = if unbounded <= 0.0 {
        Some(ColumnLimit::AtLowerTap)
    } else if unbounded >= tap_distance_m {
        Some(ColumnLimit::AtUpperTap)
    } else {
        None
    };
    let level_m = lower_tap_m + above_tap;
    let (volume, surface) = strapping.volume_at(level_m)?;
    let vapour_volume = strapping.total() - volume;
    let d_level_d_dp = 1.0 / (gravity_m_per_s2 * step);
    Ok(ColumnContent {
        level_m,
        liquid_volume_m3: volume,
        mass_kg: liquid_density * volume + vapour_density * vapour_volume,
        d_level_d_dp,
        d_level_d_liquid_density: -above_tap / step,
        d_level_d_vapour_density: (above_tap - tap_distance_m) / step,
        d_level_d_reference_density: tap_distance_m / step,
        d_mass_d_dp: surface / gravity_m_per_s2,
        d_mass_d_liquid_density: volume - surface * above_tap,
        d_mass_d_vapour_density: vapour_volume - surface * (tap_distance_m - above_tap),
        d_mass_d_reference_density: surface * tap_distance_m,
        limit,
    })
}

#[cfg(test)]
mod tests {
    use super::super::{Head, Shape};
    use super::*;

    const COLUMN: DpColumn = DpColumn {
        lower_tap_m: 0.0,
        tap_distance_m: 2.0,
        gravity_m_per_s2: STANDARD_GRAVITY_M_PER_S2,
    };
    const STATE: ColumnState = ColumnState {
        dp_pa: 1_200.0,
        liquid_density: 122.0,
        vapour_density: 18.0,
        reference_density: 0.2,
    };

    fn vertical(head: Head) -> Strapping {
        Strapping::from_shape(&Shape::VerticalCylinder {
            diameter_m: 1.5,
            length_m: 2.0,
            bottom: head,
            top: Head::Flat,
        })
        .unwrap()
    }

    #[test]
    fn upright_walls_weigh_the_mass_whatever_the_densities() {
        let vessel = vertical(Head::Flat);
        let area = vessel.volume_at(1.0).unwrap().1;
        let weighed = area
            * (STATE.dp_pa / STANDARD_GRAVITY_M_PER_S2
                + STATE.reference_density * COLUMN.tap_distance_m);
        for (liquid_density, vapour_density) in [(122.0, 18.0), (140.0, 12.0), (118.5, 25.0)] {
            let state = ColumnState {
                liquid_density,
                vapour_density,
                ..STATE
            };
            let content = dp_bath(&COLUMN, &vessel, &state).unwrap();
            assert!((content.mass_kg / weighed - 1.0).abs() < 1e-12);
            assert!(content.d_mass_d_liquid_density.abs() < 1e-12);
            assert!(content.d_mass_d_vapour_density.abs() < 1e-12);
        }
    }

    type Nudge = fn(&mut ColumnState, f64);
    type Pick = fn(&ColumnContent) -> (f64, f64);

    #[test]
    fn derivatives_are_total() {
        let vessel = vertical(Head::Hemispherical);
        let column = DpColumn {
            lower_tap_m: 0.05,
            ..COLUMN
        };
        let cases: [(Nudge, Pick); 4] = [
            (|s, d| s.dp_pa += d, |c| (c.d_level_d_dp, c.d_mass_d_dp)),
            (
                |s, d| s.liquid_density += d,
                |c| (c.d_level_d_liquid_density, c.d_mass_d_liquid_density),
            ),
            (
                |s, d| s.vapour_density += d,
                |c| (c.d_level_d_vapour_density, c.d_mass_d_vapour_density),
            ),
            (
                |s, d| s.reference_density += d,
                |c| (c.d_level_d_reference_density, c.d_mass_d_reference_density),
            ),
        ];
        // Once in the lower head, once in the shell.
        for dp_pa in [700.0, 1_800.0] {
            let state = ColumnState { dp_pa, ..STATE };
            let content = dp_bath(&column, &vessel, &state).unwrap();
            for (nudge, pick) in cases {
                let at = |d: f64| {
                    let mut moved = state;
                    nudge(&mut moved, d);
                    dp_bath(&column, &vessel, &moved).unwrap()
                };
                let (up, down) = (at(1e-3), at(-1e-3));
                let (d_level, d_mass) = pick(&content);
                let level = (up.level_m - down.level_m) / 2e-3;
                let mass = (up.mass_kg - down.mass_kg) / 2e-3;
                assert!((d_level - level).abs() < 1e-6 * (1.0 + level.abs()));
                assert!((d_mass - mass).abs() < 1e-6 * (1.0 + mass.abs()));
            }
        }
    }

    #[test]
    fn says_when_the_level_is_at_a_tap_and_refuses_beyond() {
        let vessel = vertical(Head::Flat);
        let at = |dp_pa| dp_bath(&COLUMN, &vessel, &ColumnState { dp_pa, ..STATE });
        let empty = STANDARD_GRAVITY_M_PER_S2 * (18.0 - 0.2) * 2.0;
        assert_eq!(
            at(empty - 10.0).unwrap().limit,
            Some(ColumnLimit::AtLowerTap)
        );
        assert_eq!(at(empty + 10.0).unwrap().limit, None);
        assert!(matches!(
            at(empty - 100.0),
            Err(LevelError::OutsideTaps { .. })
        ));
        assert!(matches!(at(3_000.0), Err(LevelError::OutsideTaps { .. })));
        assert_eq!(at(f64::NAN), Err(LevelError::NotANumber));
        let alike = ColumnState {
            vapour_density: 121.95,
            ..STATE
        };
        assert!(matches!(
            dp_bath(&COLUMN, &vessel, &alike),
            Err(LevelError::NoSurface { .. })
        ));
    }
}
