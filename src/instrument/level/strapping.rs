//! Strapping: how much a vessel holds below a height.

use super::super::curve::{
    Curve, CurveError, CurveProblem, Interpolation, RANGE_END_TOLERANCE, TableCurve, bracketed,
};
use super::LevelError;
use super::shape::{Shape, Solid};

/// Volume against height of one vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Strapping {
    base: Base,
    immersed: Vec<Immersed>,
    /// Cold length per warm length.
    shrink: f64,
    low: f64,
    high: f64,
    total: f64,
}

#[derive(Debug, Clone, PartialEq)]
enum Base {
    Shape(Solid),
    Table(Curve),
}

/// Hardware inside the vessel that displaces liquid, spread evenly between two heights.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Immersed {
    /// Lower end, m.
    pub from_m: f64,
    /// Upper end, m.
    pub to_m: f64,
    /// Displaced volume, m3.
    pub volume_m3: f64,
}

impl Strapping {
    /// From the shape of the vessel.
    ///
    /// # Errors
    /// [`LevelError::BadDimension`] for a dimension that cannot be one.
    pub fn from_shape(shape: &Shape) -> Result<Self, LevelError> {
        let solid = Solid::new(shape)?;
        let high = solid.height();
        Ok(Self::new(Base::Shape(solid), 0.0, high))
    }

    /// From a strapping table of (height in m, volume in m3), volume rising with height. A first
    /// volume above zero is what lies below the first height (below a tap).
    ///
    /// # Errors
    /// [`LevelError::BadTable`] naming the point that is wrong.
    pub fn from_table(points: &[(f64, f64)]) -> Result<Self, LevelError> {
        let table =
            TableCurve::new(points, Interpolation::MonotoneCubic).map_err(LevelError::BadTable)?;
        let curve = Curve::Table(table);
        if let Some(problem) = curve.check(0.0).into_iter().next() {
            return Err(LevelError::BadTable(problem));
        }
        let (low, high) = curve.range();
        let volume = |height| curve.value_and_slope(height).map_or(f64::NAN, |at| at.0);
        let falls = volume(low) >= volume(high);
        if falls || points.iter().any(|&(_, volume)| volume < 0.0) {
            return Err(LevelError::BadTable(CurveProblem::NotMonotone { at: low }));
        }
        Ok(Self::new(Base::Table(curve), low, high))
    }

    fn new(base: Base, low: f64, high: f64) -> Self {
        let mut strapping = Self {
            base,
            immersed: Vec::new(),
            shrink: 1.0,
            low,
            high,
            total: 0.0,
        };
        strapping.total = strapping.below(high).0;
        strapping
    }

    /// The same vessel with hardware in it. Heights and volumes are those of the warm vessel.
    ///
    /// # Errors
    /// [`LevelError::HardwareTooLarge`] when somewhere it leaves no room, or its own numbers make
    /// no sense.
    pub fn with_immersed(mut self, immersed: Vec<Immersed>) -> Result<Self, LevelError> {
        self.immersed = immersed;
        for hardware in &self.immersed {
            let Immersed {
                from_m,
                to_m,
                volume_m3,
            } = *hardware;
            let too_large = LevelError::HardwareTooLarge { from_m, to_m };
            let sound = from_m < to_m && to_m.is_finite() && from_m.is_finite();
            if !(sound && volume_m3 >= 0.0 && volume_m3.is_finite()) {
                return Err(too_large);
            }
            let steps = 64;
            let roomy = (1..steps)
                .map(|at| from_m + (to_m - from_m) * f64::from(at) / f64::from(steps))
                .map(|warm| warm * self.shrink)
                .filter(|h| *h > self.low && *h < self.high)
                .all(|h| self.below(h).1 > 0.0);
            if !roomy {
                return Err(too_large);
            }
        }
        self.total = self.below(self.high).0;
        if self.total > self.below(self.low).0 {
            Ok(self)
        } else {
            Err(LevelError::HardwareTooLarge {
                from_m: self.low,
                to_m: self.high,
            })
        }
    }

    /// The same vessel when cold: a part `volume_contraction` less volume, every length alike.
    /// About 0.009 for austenitic steel from room temperature to 4 K (common practice, no source).
    ///
    /// # Errors
    /// [`LevelError::BadDimension`] when the contraction is not from zero to below one.
    pub fn contracted(mut self, volume_contraction: f64) -> Result<Self, LevelError> {
        if !(0.0..1.0).contains(&volume_contraction) {
            return Err(LevelError::BadDimension {
                what: "the vessel left after contraction",
                value: 1.0 - volume_contraction,
                limit: " and at most one",
            });
        }
        let shrink = libm::cbrt(1.0 - volume_contraction);
        self.low *= shrink;
        self.high *= shrink;
        self.shrink *= shrink;
        self.total = self.below(self.high).0;
        Ok(self)
    }

    /// Volume in m3 below a height in m, and its slope: the surface in m2.
    ///
    /// # Errors
    /// [`LevelError`] when the height is no number or outside the vessel; its ends are accepted
    /// within rounding.
    pub fn volume_at(&self, height_m: f64) -> Result<(f64, f64), LevelError> {
        if !height_m.is_finite() {
            return Err(LevelError::NotANumber);
        }
        let tolerance = (self.high - self.low) * RANGE_END_TOLERANCE;
        if height_m < self.low - tolerance || height_m > self.high + tolerance {
            return Err(LevelError::OutsideVessel {
                height_m,
                low_m: self.low,
                high_m: self.high,
            });
        }
        Ok(self.below(height_m.clamp(self.low, self.high)))
    }

    /// The height in m below which a volume in m3 fits.
    ///
    /// # Errors
    /// [`LevelError`] when the volume is no number or the vessel does not hold it.
    pub fn height_at(&self, volume_m3: f64) -> Result<f64, LevelError> {
        if !volume_m3.is_finite() {
            return Err(LevelError::NotANumber);
        }
        let (least, _) = self.below(self.low);
        let tolerance = (self.total - least) * RANGE_END_TOLERANCE;
        if volume_m3 < least - tolerance || volume_m3 > self.total + tolerance {
            return Err(LevelError::OutsideVolume {
                volume_m3,
                low_m3: least,
                high_m3: self.total,
            });
        }
        let target = volume_m3.max(least).min(self.total);
        Ok(bracketed(|h| self.below(h), self.low, self.high, target))
    }

    /// All it holds, m3.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.total
    }

    /// Lowest and greatest height, m.
    #[must_use]
    pub fn heights(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Volume and surface at a height inside.
    fn below(&self, height: f64) -> (f64, f64) {
        let warm = height / self.shrink;
        let (mut volume, mut surface) = match &self.base {
            Base::Shape(solid) => solid.volume_and_surface(warm.clamp(0.0, solid.height())),
            Base::Table(curve) => match curve.value_and_slope(warm) {
                Ok(at) => at,
                // Rounding of the shrunk height stays within the tolerance of the curve's ends.
                Err(CurveError::Outside { low, high, .. }) => curve
                    .value_and_slope(warm.clamp(low, high))
                    .unwrap_or((0.0, 0.0)),
                Err(_) => (0.0, 0.0),
            },
        };
        for hardware in &self.immersed {
            let width = hardware.to_m - hardware.from_m;
            let covered = (warm - hardware.from_m).clamp(0.0, width);
            volume -= hardware.volume_m3 * covered / width;
            if covered > 0.0 && covered < width {
                surface -= hardware.volume_m3 / width;
            }
        }
        let area = self.shrink * self.shrink;
        (volume * area * self.shrink, surface * area)
    }
}

#[cfg(test)]
mod tests {
    use super::super::shape::Head;
    use super::*;

    fn dewar() -> Strapping {
        Strapping::from_shape(&Shape::VerticalCylinder {
            diameter_m: 1.6,
            length_m: 2.2,
            bottom: Head::ASME_FLANGED_DISHED,
            top: Head::Ellipsoidal2To1,
        })
        .unwrap()
    }

    #[test]
    fn inverse_of_inverse() {
        for strapping in [
            dewar(),
            dewar().contracted(0.009).unwrap(),
            dewar()
                .with_immersed(vec![Immersed {
                    from_m: 0.5,
                    to_m: 1.5,
                    volume_m3: 0.2,
                }])
                .unwrap(),
            Strapping::from_table(&[(0.1, 0.02), (0.5, 0.5), (1.0, 1.2), (1.5, 1.6)]).unwrap(),
        ] {
            let (low, high) = strapping.heights();
            for at in 0..=200 {
                let h = low + (high - low) * f64::from(at) / 200.0;
                let (volume, _) = strapping.volume_at(h).unwrap();
                let back = strapping.height_at(volume).unwrap();
                assert!((back - h).abs() < 1e-6, "{h}: {back}");
            }
        }
    }

    #[test]
    fn hardware_displaces_and_contraction_shrinks() {
        let bare = dewar();
        let hardware = Immersed {
            from_m: 0.5,
            to_m: 1.5,
            volume_m3: 0.2,
        };
        let with = dewar().with_immersed(vec![hardware]).unwrap();
        let at = |s: &Strapping, h| s.volume_at(h).unwrap();
        assert_eq!(at(&with, 0.4), at(&bare, 0.4));
        assert!((at(&bare, 1.0).0 - at(&with, 1.0).0 - 0.1).abs() < 1e-12);
        assert!((at(&bare, 1.0).1 - at(&with, 1.0).1 - 0.2).abs() < 1e-12);
        assert!((bare.total() - with.total() - 0.2).abs() < 1e-12);
        let cold = dewar().contracted(0.009).unwrap();
        assert!((cold.total() / bare.total() - 0.991).abs() < 1e-12);
        assert!(matches!(
            dewar().with_immersed(vec![Immersed {
                volume_m3: 2.5,
                ..hardware
            }]),
            Err(LevelError::HardwareTooLarge { .. })
        ));
    }

    #[test]
    fn refuses_heights_volumes_and_tables_that_cannot_be() {
        let vessel = dewar();
        let (_, top) = vessel.heights();
        assert!(vessel.volume_at(top + 1e-9).is_ok());
        assert!(matches!(
            vessel.volume_at(top + 1e-3),
            Err(LevelError::OutsideVessel { .. })
        ));
        assert!(matches!(
            vessel.height_at(-0.01),
            Err(LevelError::OutsideVolume { .. })
        ));
        assert_eq!(vessel.volume_at(f64::NAN), Err(LevelError::NotANumber));
        for table in [
            vec![(0.0, 0.0)],
            vec![(0.0, 1.0), (1.0, 0.5)],
            vec![(0.0, -1.0), (1.0, 0.5)],
            vec![(0.0, 0.0), (1.0, 0.5), (2.0, 0.4)],
        ] {
            assert!(matches!(
                Strapping::from_table(&table),
                Err(LevelError::BadTable(_))
            ));
        }
    }
}
