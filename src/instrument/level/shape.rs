//! Vessel shapes: volume and surface of a partial filling.
//!
//! Horizontal and vertical cylinders between two heads, and the sphere. All have closed forms but
//! the torispherical head lying on its side, which is integrated along its axis over the circular
//! segments that the surface cuts off: smooth integrands, so 32 nodes for the dish and 32 for the
//! knuckle leave an error below 1e-9 of the head.
//!
//! **Source**: elementary solid geometry; torispherical head from its defining arcs (dish and
//! knuckle radius as parts of the diameter, ASME flanged and dished: 1 and 0.06).

use std::f64::consts::{FRAC_PI_2, PI};

use serde::{Deserialize, Serialize};

use super::LevelError;
use super::quadrature::GaussLegendre;

/// The end of a cylindrical vessel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Head {
    /// A plate.
    Flat,
    /// Half of an ellipsoid, a quarter of the diameter deep.
    Ellipsoidal2To1,
    /// Half of a sphere.
    Hemispherical,
    /// A spherical dish joined to the shell by a knuckle.
    Torispherical {
        /// Inside radius of the dish as part of the diameter.
        dish_radius_per_diameter: f64,
        /// Inside radius of the knuckle as part of the diameter.
        knuckle_radius_per_diameter: f64,
    },
}

impl Head {
    /// Flanged and dished as ASME has it: dish radius one diameter, knuckle 6 % of it.
    pub const ASME_FLANGED_DISHED: Self = Self::Torispherical {
        dish_radius_per_diameter: 1.0,
        knuckle_radius_per_diameter: 0.06,
    };
}

/// The inside of a vessel. **Units**: m.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// A cylinder lying on its side, two equal heads.
    HorizontalCylinder {
        /// Inside diameter.
        diameter_m: f64,
        /// Straight length, without the heads.
        length_m: f64,
        /// Both ends.
        heads: Head,
    },
    /// A standing cylinder.
    VerticalCylinder {
        /// Inside diameter.
        diameter_m: f64,
        /// Straight length, without the heads.
        length_m: f64,
        /// The lower end.
        bottom: Head,
        /// The upper end.
        top: Head,
    },
    /// A sphere.
    Sphere {
        /// Inside diameter.
        diameter_m: f64,
    },
}

/// A shape made ready: checked, with the arcs of its heads worked out.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Solid {
    Horizontal {
        radius: f64,
        length: f64,
        head: HeadSolid,
        rule: GaussLegendre,
    },
    Vertical {
        radius: f64,
        length: f64,
        bottom: HeadSolid,
        top: HeadSolid,
    },
    Sphere {
        radius: f64,
    },
}

/// A head on a shell of some radius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum HeadSolid {
    /// An ellipsoid of that depth; flat at zero, hemispherical at the radius.
    Ellipsoid { depth: f64 },
    /// Dish and knuckle.
    Torus(Torus),
}

/// A torispherical head. The knuckle's arc is centred on the tangent line, `radius - knuckle` off
/// the axis; the dish's arc on the axis, so that the two touch in one tangent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Torus {
    dish: f64,
    knuckle: f64,
    /// Distance of the knuckle's centre from the axis.
    off_axis: f64,
    /// Radius at which dish and knuckle meet.
    joint_radius: f64,
    /// Depth of the whole, from the tangent line.
    depth: f64,
    /// Depth of the dish alone, from its lowest point to the joint.
    dish_depth: f64,
    volume: f64,
}

impl Solid {
    pub(super) fn new(shape: &Shape) -> Result<Self, LevelError> {
        Ok(match *shape {
            Shape::HorizontalCylinder {
                diameter_m,
                length_m,
                heads,
            } => {
                let radius = positive("the diameter", diameter_m)? / 2.0;
                Self::Horizontal {
                    radius,
                    length: positive("the straight length", length_m)?,
                    head: HeadSolid::new(heads, radius)?,
                    rule: GaussLegendre::new(32),
                }
            }
            Shape::VerticalCylinder {
                diameter_m,
                length_m,
                bottom,
                top,
            } => {
                let radius = positive("the diameter", diameter_m)? / 2.0;
                Self::Vertical {
                    radius,
                    length: positive("the straight length", length_m)?,
                    bottom: HeadSolid::new(bottom, radius)?,
                    top: HeadSolid::new(top, radius)?,
                }
            }
            Shape::Sphere { diameter_m } => Self::Sphere {
                radius: positive("the diameter", diameter_m)? / 2.0,
            },
        })
    }

    pub(super) fn height(&self) -> f64 {
        match self {
            Self::Horizontal { radius, .. } | Self::Sphere { radius } => 2.0 * radius,
            Self::Vertical {
                length,
                bottom,
                top,
                ..
            } => bottom.depth() + length + top.depth(),
        }
    }

    /// Volume below and surface at a height between zero and [`Self::height`].
    pub(super) fn volume_and_surface(&self, h: f64) -> (f64, f64) {
        match self {
            Self::Horizontal {
                radius,
                length,
                head,
                rule,
            } => {
                let (area, chord) = segment(*radius, radius - h);
                let (head_volume, head_surface) = head.lying(*radius, h, rule);
                (
                    area * length + 2.0 * head_volume,
                    chord * length + 2.0 * head_surface,
                )
            }
            Self::Vertical {
                radius,
                length,
                bottom,
                top,
            } => {
                let section = PI * radius * radius;
                let shell_from = bottom.depth();
                let shell_to = shell_from + length;
                if h < shell_from {
                    bottom.standing(*radius, h)
                } else if h <= shell_to {
                    (bottom.volume(*radius) + section * (h - shell_from), section)
                } else {
                    let free = (self.height() - h).max(0.0);
                    let (free_volume, surface) = top.standing(*radius, free);
                    let below = bottom.volume(*radius) + section * length;
                    (below + top.volume(*radius) - free_volume, surface)
                }
            }
            Self::Sphere { radius } => cap(*radius, h),
        }
    }
}

impl HeadSolid {
    fn new(head: Head, radius: f64) -> Result<Self, LevelError> {
        Ok(match head {
            Head::Flat => Self::Ellipsoid { depth: 0.0 },
            Head::Ellipsoidal2To1 => Self::Ellipsoid {
                depth: radius / 2.0,
            },
            Head::Hemispherical => Self::Ellipsoid { depth: radius },
            Head::Torispherical {
                dish_radius_per_diameter,
                knuckle_radius_per_diameter,
            } => Self::Torus(Torus::new(
                radius,
                dish_radius_per_diameter * 2.0 * radius,
                knuckle_radius_per_diameter * 2.0 * radius,
            )?),
        })
    }

    fn depth(&self) -> f64 {
        match self {
            Self::Ellipsoid { depth } => *depth,
            Self::Torus(torus) => torus.depth,
        }
    }

    fn volume(&self, radius: f64) -> f64 {
        match self {
            Self::Ellipsoid { depth } => 2.0 / 3.0 * PI * radius * radius * depth,
            Self::Torus(torus) => torus.volume,
        }
    }

    /// Volume and surface of the head filled to `h` above its lowest point, the axis upright.
    fn standing(&self, radius: f64, h: f64) -> (f64, f64) {
        match self {
            Self::Ellipsoid { depth } if *depth <= 0.0 => (0.0, PI * radius * radius),
            Self::Ellipsoid { depth } => {
                // A spherical cap stretched along the axis.
                let stretch = depth / radius;
                let (volume, surface) = cap(radius, h / stretch);
                (volume * stretch, surface)
            }
            Self::Torus(torus) => torus.standing(h),
        }
    }

    /// Volume and surface of one head filled to `h` above its lowest point, the axis level.
    fn lying(&self, radius: f64, h: f64, rule: &GaussLegendre) -> (f64, f64) {
        match self {
            Self::Ellipsoid { depth } => {
                // Half of a sphere stretched along the axis.
                let stretch = depth / radius / 2.0;
                let (volume, surface) = cap(radius, h);
                (volume * stretch, surface * stretch)
            }
            Self::Torus(torus) => {
                let off_axis = (radius - h).abs();
                let (volume, surface) = torus.beyond(off_axis, radius, rule);
                if h <= radius {
                    (volume, surface)
                } else {
                    (torus.volume - volume, surface)
                }
            }
        }
    }
}

impl Torus {
    fn new(radius: f64, dish: f64, knuckle: f64) -> Result<Self, LevelError> {
        let bad = |what, value, limit| LevelError::BadDimension { what, value, limit };
        if !(dish > radius && DIMENSIONS_M.contains(&dish)) {
            let limit = " and above half the diameter";
            return Err(bad("the dish radius of a head", dish, limit));
        }
        if !(knuckle > radius * 1e-6 && knuckle < radius) {
            let limit = " and below half the diameter";
            return Err(bad("the knuckle radius of a head", knuckle, limit));
        }
        let off_axis = radius - knuckle;
        // Distance of the dish's centre from the tangent line, on the vessel's side.
        let behind = libm::sqrt((dish - knuckle) * (dish - knuckle) - off_axis * off_axis);
        let reach = dish / (dish - knuckle);
        let joint_depth = behind * (reach - 1.0);
        let depth = dish - behind;
        let mut torus = Self {
            dish,
            knuckle,
            off_axis,
            joint_radius: off_axis * reach,
            depth,
            dish_depth: depth - joint_depth,
            volume: 0.0,
        };
        torus.volume = torus.standing(depth).0;
        Ok(torus)
    }

    fn standing(&self, h: f64) -> (f64, f64) {
        if h <= self.dish_depth {
            return cap(self.dish, h);
        }
        let (dish_volume, _) = cap(self.dish, self.dish_depth);
        // From the surface and from the joint down to the tangent line: y from there.
        let to_tangent = |y: f64| {
            let (c, k) = (self.off_axis, self.knuckle);
            let root = libm::sqrt((k * k - y * y).max(0.0));
            let arc = y * root + k * k * libm::asin((y / k).clamp(-1.0, 1.0));
            let volume = PI * ((c * c + k * k) * y - y * y * y / 3.0 + c * arc);
            (volume, c + root)
        };
        let (below_joint, _) = to_tangent(self.depth - self.dish_depth);
        let (below_surface, r) = to_tangent((self.depth - h).max(0.0));
        (dish_volume + below_joint - below_surface, PI * r * r)
    }

    /// Volume and section of what lies further than `w` to one side of the axis.
    fn beyond(&self, w: f64, radius: f64, rule: &GaussLegendre) -> (f64, f64) {
        let (mut volume, mut section) = (0.0, 0.0);
        if w < self.joint_radius {
            let along = |r: f64| r / libm::sqrt(self.dish * self.dish - r * r);
            volume += rule.integral(w, self.joint_radius, |r| segment(r, w).0 * along(r));
            section += rule.integral(w, self.joint_radius, |r| segment(r, w).1 * along(r));
        }
        if w < radius {
            let start = w.max(self.joint_radius);
            let angle = libm::asin(((start - self.off_axis) / self.knuckle).clamp(-1.0, 1.0));
            let (k, c) = (self.knuckle, self.off_axis);
            let part = |pick: fn((f64, f64)) -> f64| {
                rule.integral(angle, FRAC_PI_2, |a| {
                    let sine = libm::sin(a);
                    pick(segment(c + k * sine, w)) * k * sine
                })
            };
            volume += part(|s| s.0);
            section += part(|s| s.1);
        }
        (volume, section)
    }
}

/// Area and chord of the part of a disc of radius `r` that lies further than `w` to one side.
fn segment(r: f64, w: f64) -> (f64, f64) {
    if w >= r {
        return (0.0, 0.0);
    }
    let w = w.max(-r);
    let half_chord = libm::sqrt((r - w) * (r + w));
    (r * r * libm::acos(w / r) - w * half_chord, 2.0 * half_chord)
}

/// Volume and surface of a sphere filled to `h`.
fn cap(radius: f64, h: f64) -> (f64, f64) {
    let volume = PI * h * h * (3.0 * radius - h) / 3.0;
    (volume, PI * h * (2.0 * radius - h))
}

/// Dimensions of a vessel, m: beyond these a slip of the unit.
const DIMENSIONS_M: std::ops::RangeInclusive<f64> = 1e-3..=1e3;

fn positive(what: &'static str, value: f64) -> Result<f64, LevelError> {
    if DIMENSIONS_M.contains(&value) {
        Ok(value)
    } else {
        Err(LevelError::BadDimension {
            what,
            value,
            limit: ", from 1 mm to 1 km",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shapes() -> Vec<Shape> {
        let heads = [
            Head::Flat,
            Head::Ellipsoidal2To1,
            Head::Hemispherical,
            Head::ASME_FLANGED_DISHED,
        ];
        let mut shapes = vec![Shape::Sphere { diameter_m: 2.5 }];
        for heads in heads {
            shapes.push(Shape::HorizontalCylinder {
                diameter_m: 2.0,
                length_m: 5.0,
                heads,
            });
            shapes.push(Shape::VerticalCylinder {
                diameter_m: 2.0,
                length_m: 3.0,
                bottom: heads,
                top: Head::Flat,
            });
            shapes.push(Shape::VerticalCylinder {
                diameter_m: 2.0,
                length_m: 3.0,
                bottom: Head::Flat,
                top: heads,
            });
        }
        shapes
    }

    #[test]
    fn surface_is_the_slope_of_the_volume() {
        for shape in shapes() {
            let solid = Solid::new(&shape).unwrap();
            let height = solid.height();
            for at in 1..100 {
                let h = height * f64::from(at) / 100.0 + 1e-5;
                let step = 1e-6;
                let up = solid.volume_and_surface(h + step).0;
                let down = solid.volume_and_surface(h - step).0;
                let difference = (up - down) / (2.0 * step);
                let (_, surface) = solid.volume_and_surface(h);
                assert!(
                    (surface - difference).abs() < 1e-4 * (1.0 + surface),
                    "{shape:?} at {h}: {surface} against {difference}"
                );
            }
        }
    }

    #[test]
    fn head_volumes_are_those_of_the_whole_body() {
        let horizontal = |heads| {
            let shape = Shape::HorizontalCylinder {
                diameter_m: 2.0,
                length_m: 5.0,
                heads,
            };
            let solid = Solid::new(&shape).unwrap();
            solid.volume_and_surface(2.0).0 - 5.0 * PI
        };
        assert!(horizontal(Head::Flat).abs() < 1e-12);
        assert!((horizontal(Head::Ellipsoidal2To1) - 2.0 * PI * 8.0 / 24.0).abs() < 1e-12);
        assert!((horizontal(Head::Hemispherical) - 4.0 / 3.0 * PI).abs() < 1e-12);
        // Lying and standing torispherical heads hold the same, and half of it at half height.
        let torus = Torus::new(1.0, 2.0, 0.12).unwrap();
        let rule = GaussLegendre::new(32);
        let (half, _) = torus.beyond(0.0, 1.0, &rule);
        assert!((2.0 * half / torus.volume - 1.0).abs() < 1e-9);
    }

    #[test]
    fn refuses_impossible_dimensions() {
        for shape in [
            Shape::Sphere { diameter_m: 0.0 },
            Shape::Sphere {
                diameter_m: f64::NAN,
            },
            Shape::HorizontalCylinder {
                diameter_m: 1.0,
                length_m: -1.0,
                heads: Head::Flat,
            },
            Shape::HorizontalCylinder {
                diameter_m: 1.0,
                length_m: 1.0,
                heads: Head::Torispherical {
                    dish_radius_per_diameter: 0.5,
                    knuckle_radius_per_diameter: 0.06,
                },
            },
        ] {
            assert!(matches!(
                Solid::new(&shape),
                Err(LevelError::BadDimension { .. })
            ));
        }
    }
}
