//! How far sections lie from each other: a skidder keeps two tree lengths off ground that is being felled.

use std::cell::RefCell;
use std::collections::BTreeMap;

use geo::{Distance, Euclidean, MultiPolygon};

use super::problem::UNKNOWN_FALLING_M;
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, boundary_segments, inside};
use crate::model::StripKind;
use crate::schedule::clear::Ground;
use crate::sources::{FinishedBlock, FinishedLayout, FinishedSection};

/// Sections by block and unit, as the problem counts them.
pub struct Sections<'l> {
    layout: &'l FinishedLayout,
    of_units: &'l [Vec<usize>],
    bounds: Vec<Vec<Bounds>>,
    /// What was asked before: a plan whose felling waits is followed many times.
    asked: RefCell<BTreeMap<(Ground, Ground), bool>>,
}

impl<'l> Sections<'l> {
    pub fn new(layout: &'l FinishedLayout, of_units: &'l [Vec<usize>]) -> Sections<'l> {
        let of_block = |block: &FinishedBlock| {
            let own = block.sections.iter();
            own.map(|own| Bounds::of_polygons(&own.shape)).collect()
        };
        Sections {
            layout,
            of_units,
            bounds: layout.blocks.iter().map(of_block).collect(),
            asked: RefCell::default(),
        }
    }

    fn falling_m(&self, block: usize) -> f64 {
        self.layout.blocks[block]
            .falling_m
            .unwrap_or(UNKNOWN_FALLING_M)
    }

    fn section(&self, (block, unit): Ground) -> &FinishedSection {
        &self.layout.blocks[block].sections[self.of_units[block][unit]]
    }

    /// In the frame of a block.
    fn shape(&self, block: usize, section: &FinishedSection, of: usize) -> MultiPolygon {
        match block == of {
            true => section.shape.clone(),
            false => {
                let [from, to] = [block, of].map(|at| &self.layout.blocks[at].frame);
                to.enter_polygons(&from.polygons_to_plane(&section.shape))
            }
        }
    }

    /// Whether trees that fall on the first ground reach the second, or what its wood comes through on its strip.
    pub fn too_near(&self, felled: Ground, skidded: Ground) -> bool {
        let asked = self.asked.borrow().get(&(felled, skidded)).copied();
        asked.unwrap_or_else(|| {
            let near = self.measured(felled, skidded);
            self.asked.borrow_mut().insert((felled, skidded), near);
            near
        })
    }

    fn measured(&self, felled: Ground, skidded: Ground) -> bool {
        let within_m = self.falling_m(felled.0);
        let falls = self.section(felled);
        let index = SegmentIndex::of_boundary(&falls.shape);
        let around = self.bounds[felled.0][self.of_units[felled.0][felled.1]];
        let block = &self.layout.blocks[skidded.0];
        let last = self.of_units[skidded.0][skidded.1];
        let mut way = way_out(block, last);
        way.any(|at| {
            if skidded.0 == felled.0 && !around.grown(within_m).meets(&self.bounds[skidded.0][at]) {
                return false;
            }
            let shape = self.shape(skidded.0, &block.sections[at], felled.0);
            let corner = |own: &MultiPolygon| own.0.first().map(|own| own.exterior().0[0]);
            let holds =
                |a: &MultiPolygon, b: &MultiPolygon| corner(a).is_some_and(|c| inside(c, b));
            let mut edges = boundary_segments(&shape, 0);
            // A distance that is just kept is kept.
            edges.any(|edge| {
                (index.approach(edge.a, edge.b, within_m))
                    .is_some_and(|approach| approach.distance < within_m)
            }) || holds(&shape, &falls.shape)
                || holds(&falls.shape, &shape)
        })
    }

    /// The same for the check, by another library's distance: how far apart, and how far they must be.
    pub fn apart(&self, felled: Ground, skidded: Ground) -> (f64, f64) {
        let falls = self.section(felled);
        let block = &self.layout.blocks[skidded.0];
        let own = self.section(skidded);
        let on_way = block.sections.iter().filter(|other| {
            let same =
                (other.part, other.strip_no, other.piece) == (own.part, own.strip_no, own.piece);
            let first = own.kind == StripKind::Interior && other.from_outlet() < own.from_outlet();
            same && (first || other.section_no == own.section_no)
        });
        let distances = on_way.map(|other| {
            let shape = self.shape(skidded.0, other, felled.0);
            Euclidean.distance(&falls.shape, &shape)
        });
        let distance_m = distances.fold(f64::INFINITY, f64::min);
        (distance_m, self.falling_m(felled.0))
    }
}

/// A section and those that its wood comes through on its strip.
pub(super) fn way_out(block: &FinishedBlock, at: usize) -> impl Iterator<Item = usize> + '_ {
    let own = &block.sections[at];
    let piece = (own.part, own.strip_no, own.piece);
    let through = move |other: &FinishedSection| {
        own.kind == StripKind::Interior
            && (other.part, other.strip_no, other.piece) == piece
            && other.from_outlet() < own.from_outlet()
    };
    (0..block.sections.len()).filter(move |&other| other == at || through(&block.sections[other]))
}
