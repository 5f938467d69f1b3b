//! Ground that lies in several blocks, taken out of their sums as often as it is counted too often. It is counted with the
//! first block that has it, and stands only where each of them leaves it standing.

use geo::{MultiPolygon, Polygon};

use super::area::area;
use super::overlaps::Overlaps;
use super::overlay::{difference, intersection, union};
use crate::model::GroundFrame;

/// What of one block lies on ground that it shares, in the plane of the work CRS.
#[derive(Clone, Debug)]
pub struct SharedGround {
    pub id: String,
    /// In which its areas are true.
    pub frame: GroundFrame,
    /// Other blocks, and what each has in common with this one.
    pub with: Vec<(String, MultiPolygon)>,
    /// What stands there outside reserves.
    pub standing: MultiPolygon,
    pub reserve: MultiPolygon,
}

impl SharedGround {
    /// Of a block whose shapes are in its frame; None: it shares no ground. Polygons of a list may overlap.
    pub fn new(
        overlaps: &Overlaps,
        id: &str,
        frame: &GroundFrame,
        standing: &[Polygon],
        reserve: &[Polygon],
    ) -> Option<SharedGround> {
        let with: Vec<(String, MultiPolygon)> = overlaps
            .ground_of(id)
            .filter_map(|pair| Some((pair.beside(id)?.0.to_owned(), pair.shape.clone())))
            .collect();
        if with.is_empty() {
            return None;
        }
        let shared: Vec<Polygon> = with
            .iter()
            .flat_map(|(_, shape)| frame.enter_polygons(shape).0)
            .collect();
        let shared = union(&shared);
        let on_shared =
            |ground: &[Polygon]| frame.polygons_to_plane(&intersection(&shared, ground));
        Some(SharedGround {
            id: id.to_owned(),
            frame: frame.clone(),
            standing: on_shared(standing),
            reserve: on_shared(reserve),
            with,
        })
    }
}

/// What sums over blocks hold too often, in square metres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Twice {
    pub gross_m2: f64,
    pub reserve_m2: f64,
    pub standing_m2: f64,
}

impl Twice {
    pub fn net_m2(&self) -> f64 {
        self.gross_m2 - self.reserve_m2
    }
}

/// Takes off a portfolio's sums of gross and of kept ground what they hold too often; `ids` are its blocks.
pub fn count_once(
    ids: &[String],
    all: &[SharedGround],
    reserves_count: bool,
    [gross_m2, kept_m2]: [&mut f64; 2],
) {
    let own = |ground: &&SharedGround| ids.contains(&ground.id);
    let blocks: Vec<&SharedGround> = all.iter().filter(own).collect();
    let twice = twice(&blocks, all);
    *gross_m2 -= twice.gross_m2;
    *kept_m2 -= twice.standing_m2;
    if reserves_count {
        *kept_m2 -= twice.reserve_m2;
    }
}

/// What the sums over `blocks` hold too often, in the order in which they were added. What stands is set against every
/// block in `all`, for what one of them cuts does not stand.
pub fn twice(blocks: &[&SharedGround], all: &[SharedGround]) -> Twice {
    let mut sum = Twice::default();
    for (at, block) in blocks.iter().enumerate() {
        let local = |shape: &MultiPolygon| block.frame.enter_polygons(shape);
        let mut before: Vec<Polygon> = Vec::new();
        let mut lost: Vec<Polygon> = Vec::new();
        for (other, shape) in &block.with {
            let shape = local(shape);
            if let Some(held) = all.iter().find(|held| held.id == *other) {
                lost.extend(difference(&shape, &local(&held.standing).0).0);
            }
            if blocks[..at].iter().any(|earlier| earlier.id == *other) {
                before.extend(shape.0);
            }
        }
        let standing = local(&block.standing);
        let stands = difference(&difference(&standing, &lost), &before);
        sum.gross_m2 += area(&union(&before));
        sum.reserve_m2 += area(&intersection(&local(&block.reserve), &before));
        sum.standing_m2 += area(&standing) - area(&stands);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::wkt;

    fn block(id: &str, with: &[(&str, Polygon)], standing: Polygon) -> SharedGround {
        let with = with.iter();
        SharedGround {
            id: id.to_owned(),
            frame: GroundFrame::SAME,
            with: with
                .map(|(other, shape)| ((*other).to_owned(), MultiPolygon(vec![shape.clone()])))
                .collect(),
            standing: MultiPolygon(vec![standing]),
            reserve: MultiPolygon(vec![]),
        }
    }

    /// By hand: a square of 10 m that three blocks have, of which the first leaves the left half, the second the lower half
    /// and the third all but the upper right quarter: the lower left quarter stands.
    #[test]
    fn ground_of_three_blocks_counts_once_and_stands_where_all_leave_it() {
        let square = wkt!(POLYGON((0. 0.,10. 0.,10. 10.,0. 10.,0. 0.)));
        let left = wkt!(POLYGON((0. 0.,5. 0.,5. 10.,0. 10.,0. 0.)));
        let lower = wkt!(POLYGON((0. 0.,10. 0.,10. 5.,0. 5.,0. 0.)));
        let three = wkt!(POLYGON((0. 0.,10. 0.,10. 5.,5. 5.,5. 10.,0. 10.,0. 0.)));
        let all = [
            block("a", &[("b", square.clone()), ("c", square.clone())], left),
            block("b", &[("a", square.clone()), ("c", square.clone())], lower),
            block("c", &[("a", square.clone()), ("b", square.clone())], three),
        ];
        let every: Vec<&SharedGround> = all.iter().collect();
        let sum = twice(&every, &all);
        assert!((sum.gross_m2 - 200.0).abs() < 1e-3, "{sum:?}");
        assert!(
            (sum.standing_m2 - (50.0 + 50.0 + 75.0 - 25.0)).abs() < 1e-3,
            "{sum:?}"
        );
        // In a portfolio of its own the third counts all of its ground, and what stands of it still is a quarter.
        let sum = twice(&every[2..], &all);
        assert_eq!(sum.gross_m2, 0.0);
        assert!((sum.standing_m2 - 50.0).abs() < 1e-3, "{sum:?}");
        // A block that shares with one that was not laid out loses nothing.
        let sum = twice(&every[..1], &all[..1]);
        assert_eq!((sum.gross_m2, sum.standing_m2), (0.0, 0.0));
    }
}
