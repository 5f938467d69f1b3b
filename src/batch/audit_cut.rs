//! Which cut belongs to which block: by the block's id where features have one, else by where they lie.

use std::collections::BTreeMap;

use geo::{Coord, MultiPolygon, Polygon};

use crate::audit::{
    BlockCut, CutInput, CutPiece, DrivenLine, Neighbours, PlannedCorridor, PlannedUnworked,
};
use crate::geometry::area::Bounds;
use crate::geometry::overlay::{difference, intersection};
use crate::model::{Problem, Shape, ShiftClass, SourceBlock, StripKind, UnworkedReason};
use crate::sources::{CutFeature, CutLayers, PlanLayers};

/// Cut ground farther than this from every block is still said, but no block's.
pub(super) const NEAR_M: f64 = 50.0;

/// The cut by block, in the order of the blocks, and what belongs to none.
pub struct Assigned {
    pub cuts: Vec<BlockCut>,
    /// Cut ground that no block has to do with.
    pub strays: Vec<Polygon>,
    /// Block ids of features that the project does not know.
    pub unknown_ids: BTreeMap<String, u64>,
    /// Metres of track away from every block, and where they begin.
    pub astray: Option<(f64, Coord)>,
}

pub fn assign(
    layers: CutLayers,
    problems: &[Problem],
    blocks: &[SourceBlock],
    neighbours: &Neighbours,
) -> Assigned {
    let input = match layers {
        CutLayers::Plan(_) => CutInput::Plan,
        CutLayers::Polygons { .. } => CutInput::Polygons,
        CutLayers::Tracks(_) => CutInput::Tracks,
    };
    let mut assigned = Assigned::empty(input, blocks.len());
    let index: BTreeMap<&str, usize> = (blocks.iter().enumerate())
        .map(|(index, block)| (block.id.as_str(), index))
        .collect();
    match layers {
        CutLayers::Plan(plan) => assigned.plan(*plan, &index),
        // Swept and shared out in `audit_tracks`.
        CutLayers::Tracks(_) => {}
        CutLayers::Polygons {
            features,
            by_id: true,
        } => {
            for feature in features {
                let of = feature.block_id.as_deref();
                match of.and_then(|id| index.get(id)) {
                    Some(&block) => assigned.add(block, feature.polygons),
                    None => {
                        if let Some(id) = of {
                            *assigned.unknown_ids.entry(id.to_owned()).or_default() += 1;
                        }
                        assigned.by_place(feature.polygons, neighbours, None);
                    }
                }
            }
        }
        CutLayers::Polygons {
            features,
            by_id: false,
        } => {
            for feature in features {
                assigned.by_place(feature.polygons, neighbours, None);
            }
        }
    }
    for problem in problems.iter().filter(|problem| problem.set_aside) {
        assigned.unusable(problem, neighbours);
    }
    assigned
}

fn piece(shape: Polygon) -> CutPiece {
    CutPiece {
        shape,
        kind: None,
        part: 0,
    }
}

impl Assigned {
    pub fn empty(input: CutInput, blocks: usize) -> Assigned {
        Assigned {
            cuts: vec![BlockCut::empty(input); blocks],
            strays: vec![],
            unknown_ids: BTreeMap::new(),
            astray: None,
        }
    }

    fn add(&mut self, block: usize, polygons: Vec<Polygon>) {
        let pieces = polygons.into_iter().map(piece);
        self.cuts[block].pieces.extend(pieces);
    }

    fn plan(&mut self, plan: PlanLayers, index: &BTreeMap<&str, usize>) {
        for cut in &mut self.cuts {
            cut.corridors = Some(vec![]);
            cut.day_only = (!plan.sections.is_empty()).then(|| MultiPolygon(vec![]));
        }
        let mut unknown: BTreeMap<String, u64> = BTreeMap::new();
        let mut of = |feature: &CutFeature| {
            let id = feature.block_id.as_deref().unwrap_or_default();
            let found = index.get(id).copied();
            if found.is_none() {
                *unknown.entry(id.to_owned()).or_default() += 1;
            }
            found
        };
        for strip in plan.strips {
            let Some(block) = of(&strip) else { continue };
            let kinds = [
                StripKind::RoadClearing,
                StripKind::BoundaryPass,
                StripKind::Interior,
            ];
            let named = |kind: &StripKind| strip.class.as_deref() == Some(kind.key());
            let kind = kinds.into_iter().find(named);
            let pieces = strip.polygons.into_iter().map(|shape| CutPiece {
                shape,
                kind,
                part: strip.part,
            });
            self.cuts[block].pieces.extend(pieces);
        }
        for line in plan.strip_lines {
            let Some(block) = of(&line) else { continue };
            let interior = line.class.as_deref() == Some(StripKind::Interior.key());
            let lines = line.lines.into_iter().map(|shape| DrivenLine {
                shape,
                part: line.part,
                interior,
            });
            self.cuts[block].lines.extend(lines);
        }
        for way in plan.travel {
            if let Some(block) = of(&way) {
                self.cuts[block].travel.extend(way.lines);
            }
        }
        for way in plan.trails {
            if let Some(block) = of(&way) {
                self.cuts[block].trails.extend(way.lines);
            }
        }
        for corridor in plan.corridors {
            let Some(block) = of(&corridor) else { continue };
            let part = corridor.part;
            let shapes = corridor.polygons.into_iter();
            if let Some(corridors) = &mut self.cuts[block].corridors {
                corridors.extend(shapes.map(|shape| PlannedCorridor { shape, part }));
            }
        }
        for unworked in plan.unworked {
            let Some(block) = of(&unworked) else { continue };
            let reason = unworked.class.as_deref();
            let is_left = (UnworkedReason::ALL.into_iter())
                .any(|left| left.is_left() && reason == Some(left.key()));
            let shapes = unworked.polygons.into_iter();
            let shapes = shapes.map(|shape| PlannedUnworked { shape, is_left });
            self.cuts[block].unworked.extend(shapes);
        }
        for section in plan.sections {
            let Some(block) = of(&section) else { continue };
            let by_day = section.class.as_deref() == Some(ShiftClass::DayOnly.key());
            if !section.open.is_always() {
                let windows = &mut self.cuts[block].windows;
                let own = section.polygons.iter().cloned();
                match windows.iter_mut().find(|(days, _)| *days == section.open) {
                    Some((_, ground)) => ground.0.extend(own),
                    None => windows.push((section.open.clone(), MultiPolygon(own.collect()))),
                }
            }
            if let (true, Some(ground)) = (by_day, &mut self.cuts[block].day_only) {
                ground.0.extend(section.polygons);
            }
        }
        self.unknown_ids = unknown;
    }

    /// Whole to the only block that a polygon lies in; else what lies in each to each, and the rest to the block that
    /// has most of it. What lies in none goes to the block beside it. `home`: the block that what lies in no block
    /// belongs to, where that is known.
    pub fn by_place(
        &mut self,
        polygons: Vec<Polygon>,
        neighbours: &Neighbours,
        home: Option<usize>,
    ) {
        for polygon in polygons {
            let shape = MultiPolygon(vec![polygon.clone()]);
            let shares = neighbours.shares(&shape);
            let most = (shares.iter()).max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
            let most = home.or(most.map(|&(block, _)| block));
            let Some(most) = most else {
                self.beside(polygon, neighbours);
                continue;
            };
            match &shares[..] {
                [] => self.add(most, vec![polygon]),
                [(only, _)] if *only == most => self.add(most, vec![polygon]),
                _ => {
                    // Overlays are exact near the middle of a frame.
                    let frame = neighbours.frame(most);
                    let shape = frame.enter_polygons(&shape);
                    let back = |shape: MultiPolygon| frame.polygons_to_plane(&shape).0;
                    let mut taken: Vec<Polygon> = vec![];
                    for &(block, _) in &shares {
                        // What lies in its own block and beyond it stays in one.
                        if home == Some(block) {
                            continue;
                        }
                        let own = frame.enter_polygons(neighbours.shape(block));
                        self.add(block, back(intersection(&shape, &own.0)));
                        taken.extend(own.0);
                    }
                    let rest = difference(&shape, &taken);
                    self.add(most, back(rest));
                }
            }
        }
    }

    fn beside(&mut self, polygon: Polygon, neighbours: &Neighbours) {
        let shape = MultiPolygon(vec![polygon.clone()]);
        let bounds = Bounds::of_polygons(&shape);
        let mut nearest: Option<(f64, usize)> = None;
        for block in neighbours.near(&bounds, NEAR_M) {
            let frame = neighbours.frame(block);
            let own = crate::audit::ground::Ground::new([frame.enter_polygon(&polygon)]);
            let block_shape = frame.enter_polygons(neighbours.shape(block));
            for ring in block_shape.0.iter().flat_map(crate::geometry::area::rings) {
                for w in ring.0.windows(2) {
                    let within_m = nearest.map_or(NEAR_M, |(m, _)| m);
                    if let Some(contact) = own.approach(w[0], w[1], within_m) {
                        nearest = Some((contact.distance_m, block));
                    }
                }
            }
        }
        match nearest {
            Some((_, block)) => self.add(block, vec![polygon]),
            None => self.strays.push(polygon),
        }
    }

    fn unusable(&mut self, problem: &Problem, neighbours: &Neighbours) {
        let mut bounds = Bounds::EMPTY;
        match &problem.shape {
            Some(Shape::Polygons(shape)) => bounds = Bounds::of_polygons(shape),
            Some(Shape::Lines(lines)) => {
                lines
                    .0
                    .iter()
                    .flat_map(|line| &line.0)
                    .for_each(|&c| bounds.add(c));
            }
            Some(Shape::Points(_)) | None => {}
        }
        if let Some([x, y]) = problem.place {
            bounds.add(neighbours.read(Coord { x, y }));
        }
        let near = if bounds.is_empty() {
            // Nobody knows where it lies: it may be anybody's.
            (0..self.cuts.len()).collect()
        } else {
            neighbours.near(&bounds, 0.0)
        };
        for block in near {
            self.cuts[block].unusable += 1;
        }
    }
}
