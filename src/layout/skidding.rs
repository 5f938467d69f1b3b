//! The wood's way to the road or landing, and the skidder's hours for it; how far apart roads should lie.

use geo::{Centroid, Coord, LineString};

use crate::geometry::area::area;
use crate::model::{Production, Section};
use crate::units::HECTARE_M2;

/// Where the wood of a section leaves its strip.
#[derive(Clone, Copy, Debug)]
pub struct RoadEnd {
    pub at: Coord,
    /// Unit vector along the strip, from the road side up.
    pub up: Coord,
}

/// Metres from a place to where its wood is decked, if it can be brought there.
pub type WayHome<'a> = &'a dyn Fn(Coord) -> Option<f64>;

/// Step along a pass at which its way to the road is measured.
const STEP_M: f64 = 10.0;

/// Fills in the wood's mean way and the skidder's hours of a section. Wood of a strip comes along the strip to its road
/// end and on from there; wood of a pass comes from where it is cut. Both stay None where no road and
/// no landing is near.
pub fn fill(
    production: &Production,
    way_m: WayHome<'_>,
    driven: &[LineString],
    road_end: Option<RoadEnd>,
    section: &mut Section,
) {
    section.skid_m = match road_end {
        Some(end) => along_strip_m(section, end).zip(way_m(end.at)),
        None => mean_way_m(way_m, driven, section).map(|way_m| (0.0, way_m)),
    }
    .map(|(along_m, on_m)| along_m + on_m);
    section.skid_hours = section
        .skid_m
        .zip(section.trees.zip(section.volume_m3))
        .map(|(way_m, (trees, volume_m3))| {
            production.loads_of(trees, volume_m3, section.bunch_share)
                * production.skid_seconds(way_m)
                / 3600.0
        });
}

/// From the middle of the wood: of an even stand the centroid, since ways along a strip grow evenly.
fn along_strip_m(section: &Section, end: RoadEnd) -> Option<f64> {
    let middle = section.shape.centroid()?.0 - end.at;
    Some((middle.x * end.up.x + middle.y * end.up.y).abs())
}

fn mean_way_m(way_m: WayHome<'_>, driven: &[LineString], section: &Section) -> Option<f64> {
    let (mut sum, mut length_m) = (0.0, 0.0);
    for w in driven.iter().flat_map(|way| way.0.windows(2)) {
        let step = w[1] - w[0];
        let whole_m = step.x.hypot(step.y);
        let steps = (whole_m / STEP_M).ceil().max(1.0) as u32;
        for k in 0..steps {
            let place = w[0] + step * ((f64::from(k) + 0.5) / f64::from(steps));
            sum += way_m(place)? * whole_m / f64::from(steps);
        }
        length_m += whole_m;
    }
    if length_m > 0.0 {
        return Some(sum / length_m);
    }
    way_m(section.shape.centroid()?.0)
}

/// A block's mean way, by volume; where the trees are of unknown size, by area.
pub fn mean_m(sections: &[Section]) -> Option<f64> {
    let by_volume = sections.iter().all(|section| section.volume_m3.is_some());
    let (mut sum, mut whole) = (0.0, 0.0);
    for section in sections {
        let weight = match section.volume_m3 {
            Some(volume_m3) if by_volume => volume_m3,
            _ => area(&section.shape),
        };
        sum += weight * section.skid_m?;
        whole += weight;
    }
    (whole > 0.0).then(|| sum / whole)
}

/// From how many sides wood comes to parallel roads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RoadSides {
    One,
    Both,
}

impl RoadSides {
    /// Depth of the ground that a road serves on a side, as a part of the spacing.
    fn depth(self) -> f64 {
        match self {
            RoadSides::One => 1.0,
            RoadSides::Both => 0.5,
        }
    }
}

/// Length of road per hectare where parallel roads lie `spacing_m` apart.
pub fn road_density_m_per_ha(spacing_m: f64) -> f64 {
    HECTARE_M2 / spacing_m
}

/// Mean way, in metres, of evenly spread wood that comes square to parallel roads: half the depth that a road serves.
/// What a layout measures lies above it by what the road itself is wide, and by every way that is not square.
pub fn mean_skid_m(spacing_m: f64, sides: RoadSides) -> f64 {
    spacing_m * sides.depth() / 2.0
}

/// Spacing, in metres, at which roads and skidding together cost least. A road costs `road_per_m` for each metre, wood
/// stands at `m3_per_m2`, and each m3 costs `skid_per_m3_m` for each metre it comes, loaded and back.
pub fn best_spacing_m(
    road_per_m: f64,
    m3_per_m2: f64,
    skid_per_m3_m: f64,
    sides: RoadSides,
) -> f64 {
    // The minimum of road_per_m / (S m3_per_m2) + skid_per_m3_m * mean_skid_m(S).
    (2.0 * road_per_m / (skid_per_m3_m * m3_per_m2 * sides.depth())).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::sections::untimed;
    use geo::Polygon;

    fn section_of(ring: Vec<Coord>, skid_m: Option<f64>, volume_m3: Option<f64>) -> Section {
        Section {
            volume_m3,
            skid_m,
            ..untimed(Polygon::new(LineString(ring), vec![]))
        }
    }

    /// By hand: a section of 20 m by 60 m on a strip that leans 3 to 4, whose middle lies 50 m up the strip and 7 m beside it.
    #[test]
    fn the_way_along_a_strip_is_measured_in_its_direction() {
        let up = Coord { x: 0.6, y: 0.8 };
        let aside = Coord { x: 0.8, y: -0.6 };
        let at = Coord { x: 110.0, y: -35.0 };
        let corner = |along_m: f64, off_m: f64| at + up * along_m + aside * off_m;
        let ring = [(20.0, -3.0), (20.0, 17.0), (80.0, 17.0), (80.0, -3.0)];
        let ring = ring.map(|(along_m, off_m)| corner(along_m, off_m)).to_vec();
        let section = section_of(ring, None, None);
        let way_m = along_strip_m(&section, RoadEnd { at, up }).unwrap();
        assert!((way_m - 50.0).abs() < 1e-9, "{way_m}");
    }

    #[test]
    fn a_mean_way_is_by_volume_where_all_is_known_and_else_by_area() {
        let section = |long_m: f64, skid_m: f64, volume_m3| {
            let ring = [(0., 0.), (long_m, 0.), (long_m, 100.), (0., 100.)];
            section_of(ring.map(Coord::from).to_vec(), Some(skid_m), volume_m3)
        };
        // 1 ha at 100 m and 3 ha at 200 m.
        let mean = |volumes: [Option<f64>; 2]| {
            mean_m(&[
                section(100., 100., volumes[0]),
                section(300., 200., volumes[1]),
            ])
            .unwrap()
        };
        assert!((mean([None, None]) - 175.0).abs() < 1e-9);
        assert!((mean([Some(900.0), None]) - 175.0).abs() < 1e-9);
        assert!((mean([Some(900.0), Some(300.0)]) - 125.0).abs() < 1e-9);
    }
}
