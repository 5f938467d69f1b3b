//! The frame of each block: flat ground around its middle, true on the ellipsoid, with a bound that is measured.
//!
//! What is fitted is the azimuthal equidistant projection at the block's middle, by geodesics (Karney 2013): lengths
//! towards the middle are true at any distance, lengths across it grow by r2 / 6R2, 0.1 mm in 100 m at 15 km. PROJ says
//! where the places of the plane lie on the ellipsoid; after that no block needs it.

use geo::Coord;
use geographiclib_rs::{Geodesic, InverseGeodesic};

use super::crs::WorkCrs;
use crate::geometry::area::Bounds;
use crate::geometry::ground_fit::{self, Fit, MOST_POWER};
use crate::model::GroundFrame;

/// Blocks wider than this have no flat ground of their own.
pub const WIDEST_M: f64 = 100_000.0;
/// What lengths may be off at a block, as a part of themselves: 0.1 mm in 100 m.
pub const BOUND: f64 = 1e-6;
/// A lower power is good enough at half of that, so that areas keep to it too.
const ENOUGH: f64 = 0.5 * BOUND;
/// Lengths that are measured, and where: so many places each way.
const MEASURED_M: f64 = 100.0;
const MEASURED_PLACES: i32 = 5;

/// A frame and what is known of it.
#[derive(Clone, Debug)]
pub struct Framed {
    pub frame: GroundFrame,
    /// The most that a length of 100 m at the block, and as far around as its rules reach, was measured to be off by
    /// geodesics, as a part of itself.
    pub off: f64,
}

/// Why there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoFrame {
    /// A place at or near the block has no longitude and latitude.
    OffTheGlobe,
    /// The block is wider than [`WIDEST_M`].
    TooWide { wide_m: f64 },
    /// No power reaches the bound.
    Bent,
}

/// How far around a block its frame must be good.
#[derive(Clone, Copy, Debug)]
pub struct Around {
    /// To the bound: as far as rules reach.
    pub ruled_m: f64,
    /// To a few millimetres: as far as anything is looked for.
    pub seen_m: f64,
}

/// Sees the plane as the ground around one place.
struct Sight<'w> {
    work: &'w WorkCrs,
    ellipsoid: Geodesic,
    /// Longitude and latitude.
    centre: Coord,
    /// Of grid north there, degrees clockwise from true north.
    north_deg: f64,
}

/// Length of the geodesic and its way at the beginning, in degrees clockwise from true north.
fn geodesic(ellipsoid: &Geodesic, from: Coord, to: Coord) -> (f64, f64) {
    let (long_m, way_deg, _, _): (f64, f64, f64, f64) =
        ellipsoid.inverse(from.y, from.x, to.y, to.x);
    (long_m, way_deg)
}

impl Sight<'_> {
    /// Places of the plane on the flat ground; None where one lies outside the CRS.
    fn see(&self, places: &[Coord]) -> Option<Vec<Coord>> {
        let there = self.work.own_degrees(places)?;
        let seen = there.into_iter().map(|place| {
            let (far_m, way_deg) = geodesic(&self.ellipsoid, self.centre, place);
            let (sin, cos) = (way_deg - self.north_deg).to_radians().sin_cos();
            if far_m == 0.0 {
                return Coord { x: 0.0, y: 0.0 };
            }
            Coord {
                x: far_m * sin,
                y: far_m * cos,
            }
        });
        Some(seen.collect())
    }
}

/// The frame of a block in a box of the plane.
///
/// # Errors
/// [`NoFrame`].
pub fn frame(work: &WorkCrs, block: &Bounds, around: Around) -> Result<Framed, NoFrame> {
    let middle = block.middle();
    let origin = Coord {
        x: middle.x.round(),
        y: middle.y.round(),
    };
    let scale = work.point_scale(origin).ok_or(NoFrame::OffTheGlobe)?;
    let (least, most) = (scale.east.min(scale.north), scale.east.max(scale.north));
    if !(least > 0.0 && most.is_finite()) {
        return Err(NoFrame::OffTheGlobe);
    }
    let size = block.max - block.min;
    let half = size / 2.0;
    let wide_m = (size.x / scale.east).hypot(size.y / scale.north);
    if wide_m > WIDEST_M {
        return Err(NoFrame::TooWide { wide_m });
    }
    let grown = |by_m: f64| Coord {
        x: half.x + 1.0 + by_m * most * 1.05,
        y: half.y + 1.0 + by_m * most * 1.05,
    };
    let (near, far) = (
        grown(around.ruled_m),
        grown(around.seen_m.max(around.ruled_m)),
    );
    let sight = sight(work, origin, least).ok_or(NoFrame::OffTheGlobe)?;
    let lengths = Lengths::at(&sight, origin, near, scale.east.max(scale.north))
        .ok_or(NoFrame::OffTheGlobe)?;
    let fit = |half: Coord| {
        let seen = sight.see(&ground_fit::places(origin, half))?;
        Fit::of(origin, half, &seen)
    };
    // What is straight stays straight in a map of the first power, so that is tried first, and at the block alone.
    let north_deg = sight.north_deg;
    let latitude_deg = sight.centre.y;
    let framed = |fit: &Fit, power: u8| {
        let frame = fit.frame(power, work.unit_m)?;
        Some(frame.pointing(north_deg).at_latitude(latitude_deg))
    };
    let linear = fit(near).and_then(|fit| framed(&fit, 1));
    if let Some(frame) = linear {
        let off = lengths.off(&frame);
        if off <= ENOUGH {
            return Ok(Framed { frame, off });
        }
    }
    let fit = fit(far).ok_or(NoFrame::OffTheGlobe)?;
    let mut best: Option<Framed> = None;
    for power in 2..=MOST_POWER {
        let Some(frame) = framed(&fit, power) else {
            continue;
        };
        let off = lengths.off(&frame);
        // Where the ground itself is not flat to the bound, no power helps.
        let helps = best.as_ref().is_none_or(|best| off < 0.9 * best.off);
        if helps {
            best = Some(Framed { frame, off });
        }
        if off <= ENOUGH || !helps {
            break;
        }
    }
    let Framed { frame, off } = best.ok_or(NoFrame::Bent)?;
    if off <= BOUND {
        return Ok(Framed { frame, off });
    }
    // A block so wide is drawn a hair too small rather than too large, so that no distance falls short.
    if off > 20.0 * BOUND {
        return Err(NoFrame::Bent);
    }
    let frame = frame.times(1.0 - off).ok_or(NoFrame::Bent)?;
    let off = lengths.off(&frame);
    Ok(Framed { frame, off })
}

fn sight(work: &WorkCrs, origin: Coord, least: f64) -> Option<Sight<'_>> {
    let step = Coord {
        x: 0.0,
        y: MEASURED_M * least,
    };
    let [centre, south, north] = work
        .own_degrees(&[origin, origin - step, origin + step])?
        .try_into()
        .ok()?;
    let ellipsoid = work.ellipsoid();
    Some(Sight {
        north_deg: geodesic(&ellipsoid, south, north).1,
        centre,
        work,
        ellipsoid,
    })
}

/// Pairs of places of the plane about 100 m apart, and how far apart they really are.
struct Lengths(Vec<([Coord; 2], f64)>);

impl Lengths {
    fn at(sight: &Sight<'_>, origin: Coord, half: Coord, scale: f64) -> Option<Lengths> {
        let long = MEASURED_M * scale;
        let along = |step: i32, half: f64| {
            let reach = (half - long / 2.0).max(0.0);
            reach * f64::from(2 * step - (MEASURED_PLACES - 1)) / f64::from(MEASURED_PLACES - 1)
        };
        let mut ends = Vec::new();
        for row in 0..MEASURED_PLACES {
            for column in 0..MEASURED_PLACES {
                let at = origin
                    + Coord {
                        x: along(column, half.x),
                        y: along(row, half.y),
                    };
                for (x, y) in [(0.5, 0.0), (0.0, 0.5)] {
                    let step = Coord { x, y } * long;
                    ends.extend([at - step, at + step]);
                }
            }
        }
        let there = sight.work.own_degrees(&ends)?;
        let pairs = ends.chunks_exact(2).zip(there.chunks_exact(2));
        let measured = pairs.map(|(ends, there)| {
            let (long_m, _) = geodesic(&sight.ellipsoid, there[0], there[1]);
            ([ends[0], ends[1]], long_m)
        });
        Some(Lengths(measured.collect()))
    }

    /// The most that a frame is off, as a part of the length.
    fn off(&self, frame: &GroundFrame) -> f64 {
        let off = self.0.iter().map(|([a, b], long_m)| {
            let d = frame.enter(*b) - frame.enter(*a);
            (d.x.hypot(d.y) / long_m - 1.0).abs()
        });
        off.fold(0.0, |most: f64, off| {
            if off.is_nan() {
                f64::INFINITY
            } else {
                most.max(off)
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::polygon_area;

    const AROUND: Around = Around {
        ruled_m: 300.0,
        seen_m: 4_000.0,
    };

    fn square(work: &WorkCrs, longitude: f64, latitude: f64, half_m: f64) -> Bounds {
        let wgs84 = super::super::crs::wgs84().unwrap();
        let mut at = [Coord {
            x: longitude,
            y: latitude,
        }];
        assert!(work.way_from(&wgs84).unwrap().points(&mut at));
        let scale = work.point_scale(at[0]).unwrap();
        let half = Coord {
            x: half_m * scale.east,
            y: half_m * scale.north,
        };
        Bounds {
            min: at[0] - half,
            max: at[0] + half,
        }
    }

    /// Lengths to the bound, areas to a millionth, in CRS of every kind and on both sides of the equator.
    #[test]
    fn every_kind_of_crs_gives_true_metres() {
        for (crs, longitude, latitude) in [
            ("EPSG:32610", -123.0, 54.0),
            ("EPSG:32650", 114.1, 5.0),
            ("EPSG:3005", -123.0, 53.9),
            ("EPSG:3857", 27.0, 62.5),
            ("EPSG:4326", 25.0, 66.0),
            ("EPSG:2154", 6.5, 44.2),
            ("EPSG:2264", -79.0, 35.5),
            ("EPSG:2193", 171.5, -42.5),
            ("EPSG:3577", 148.5, -36.5),
            ("EPSG:26716", -87.5, 46.0),
            ("+proj=eqearth +datum=WGS84", -60.0, -25.0),
        ] {
            let work = WorkCrs::new(crs).unwrap();
            for half_m in [200.0, 1_000.0, 5_000.0] {
                let block = square(&work, longitude, latitude, half_m);
                let framed = frame(&work, &block, AROUND).unwrap();
                assert!(framed.off <= BOUND, "{crs} {half_m}: {}", framed.off);
                let shape = block.to_polygon();
                let own_m2 = polygon_area(&framed.frame.enter_polygon(&shape));
                let wanted_m2 = work.geodesic_m2(&geo::MultiPolygon(vec![shape])).unwrap();
                let off = (own_m2 / wanted_m2 - 1.0).abs();
                assert!(off < 1e-6, "{crs} {half_m}: {own_m2} {wanted_m2}");
            }
        }
    }

    #[test]
    fn wide_blocks_are_never_short_and_the_widest_are_refused() {
        let work = WorkCrs::new("EPSG:32633").unwrap();
        let long = |half_m: f64| Bounds {
            max: Coord {
                x: 500_400.0,
                y: 6e6 + half_m,
            },
            min: Coord {
                x: 499_600.0,
                y: 6e6 - half_m,
            },
        };
        let framed = frame(&work, &long(45_000.0), AROUND).unwrap();
        assert!(framed.off < 2e-5, "{}", framed.off);
        let at = |x: f64| {
            framed.frame.enter(Coord {
                x,
                y: 6e6 + 44_000.0,
            })
        };
        let (a, b) = (at(500_000.0), at(500_100.0));
        // On the meridian of a UTM zone 100 m of grid are 100.04 m of ground.
        let long_m = (b.x - a.x).hypot(b.y - a.y);
        assert!(
            long_m <= 100.0 / 0.9996 && long_m > 100.0 / 0.9996 - 0.005,
            "{long_m}"
        );
        assert!(matches!(
            frame(&work, &long(51_000.0), AROUND),
            Err(NoFrame::TooWide { .. })
        ));
    }

    /// On the central meridian grid north is true; east of it in the north, grid north lies right of true north, by the
    /// tangent of the difference in longitude times the sine of the latitude (the tangent of the convergence of a sphere;
    /// of the ellipsoid within a second).
    #[test]
    fn grid_north_leans_as_the_meridian_does() {
        let work = WorkCrs::new("EPSG:32616").unwrap();
        let north = |x: f64| {
            let block = Bounds {
                min: Coord {
                    x: x - 300.0,
                    y: 5_399_700.0,
                },
                max: Coord {
                    x: x + 300.0,
                    y: 5_400_300.0,
                },
            };
            frame(&work, &block, AROUND).unwrap().frame.grid_north_deg()
        };
        assert!(north(500_000.0).abs() < 1e-6);
        let place = work
            .degrees(Coord {
                x: 600_000.0,
                y: 5_400_000.0,
            })
            .unwrap();
        let lean = ((place.x + 87.0).to_radians().tan() * place.y.to_radians().sin()).atan();
        let east = north(600_000.0);
        assert!((east - lean.to_degrees()).abs() < 3e-4, "{east} {lean}");
    }
}
