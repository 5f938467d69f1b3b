//! A few hundred changes of sound layouts, drawn by lot: every one beyond the tolerance must be found and measured to
//! 1 cm, and nothing may be found where nothing was changed. What is true is told by every edge against every other.

use crate::audited;
use crate::size;

use std::collections::BTreeMap;

use audited::as_plan;
use audited::brute::{self, Edge};
use blockwright::audit::{self, BlockAudit, BlockCut, CutPiece, Neighbours};
use blockwright::demo::{self, DemoOptions};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{polygon_area, rings};
use blockwright::landbase::{Landbase, SlopeSource};
use blockwright::layout;
use blockwright::model::*;
use blockwright::project::{self, Project};
use blockwright::rulebook::{RuleLine, ShareOf};
use blockwright::sources::{self, Batch};
use geo::{Coord, LineString, MultiPolygon, Polygon};
use rayon::prelude::*;

const TO_M: f64 = 0.01;
const AS_CUT_M: f64 = 2.0;

/// A small generator of our own (SplitMix64), so that the same changes are tried everywhere.
struct Lot(u64);

impl Lot {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.next() % count.max(1) as u64) as usize
    }

    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From `low` to `high`, small as often as large.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.share())
    }
}

struct District {
    project: Project,
    settings: Settings,
    batch: Batch,
    terrain: Option<sources::RasterTerrain>,
    neighbours: Neighbours,
}

struct Sound {
    block: SourceBlock,
    cut: BlockCut,
    clean: BlockAudit,
}

/// What a change must show as.
struct Expected {
    kind: &'static str,
    rule: String,
    short: f64,
    measured: f64,
    /// How exactly it must be measured, in the row's unit.
    to: f64,
    tolerance: f64,
    cut: BlockCut,
    /// With one feature in another class.
    features: Option<Vec<Feature>>,
}

impl District {
    fn judge(
        &self,
        features: &[Feature],
        block: &SourceBlock,
        cut: &BlockCut,
        t: f64,
    ) -> BlockAudit {
        let landbase = Landbase::new(features, &self.project.rules, &self.settings.layout);
        self.judge_on(&landbase, block, cut, t)
    }

    fn judge_on(
        &self,
        landbase: &Landbase,
        block: &SourceBlock,
        cut: &BlockCut,
        tolerance_m: f64,
    ) -> BlockAudit {
        let terrain = self.terrain.as_ref();
        let context = audit::Context {
            landbase,
            settings: &self.settings,
            rules: &self.project.rules,
            terrain: terrain.map(|terrain| terrain as &dyn SlopeSource),
            neighbours: &self.neighbours,
            certainty: &audit::Certainty::Tolerance(tolerance_m),
        };
        audit::judge(context, block, cut, None)
    }
}

/// A feature that asks for a reserve of one width all along, as the test sees it.
struct Asking<'a> {
    index: usize,
    rule: &'a RuleLine,
    half_m: f64,
    edges: Vec<Edge>,
    solid: bool,
}

impl Asking<'_> {
    fn reserve_m(&self) -> f64 {
        self.rule.widest().reserve_m
    }

    /// Least distance of cut and driven ground from the feature's edge.
    fn least(&self, ground: &[Edge], pieces: &[Vec<Edge>], cap: f64) -> f64 {
        let inside = |p: Coord| pieces.iter().any(|piece| brute::holds(piece, p));
        if self.edges.iter().any(|edge| inside(edge.0)) {
            return -self.half_m;
        }
        brute::least(ground, &self.edges, cap + self.half_m) - self.half_m
    }

    /// Whether any of the ground lies within the feature itself, where depth is measured otherwise.
    fn entered(&self, ground: &[Edge]) -> bool {
        self.solid
            && (ground.iter().any(|edge| brute::holds(&self.edges, edge.0))
                || brute::least(ground, &self.edges, 0.1) == 0.0)
    }
}

fn near(edges: &[Edge], ground: &[Edge], within_m: f64) -> Vec<Edge> {
    let xs = || ground.iter().flat_map(|e| [e.0.x, e.1.x]);
    let ys = || ground.iter().flat_map(|e| [e.0.y, e.1.y]);
    let (low_x, high_x) = (xs().fold(f64::MAX, f64::min), xs().fold(f64::MIN, f64::max));
    let (low_y, high_y) = (ys().fold(f64::MAX, f64::min), ys().fold(f64::MIN, f64::max));
    let meets = |e: &&Edge| {
        e.0.x.max(e.1.x) >= low_x - within_m
            && e.0.x.min(e.1.x) <= high_x + within_m
            && e.0.y.max(e.1.y) >= low_y - within_m
            && e.0.y.min(e.1.y) <= high_y + within_m
    };
    edges.iter().filter(meets).copied().collect()
}

const LOOK_M: f64 = 150.0;

fn asking<'a>(landbase: &Landbase<'a>, features: &[Feature], ground: &[Edge]) -> Vec<Asking<'a>> {
    let mut found = Vec::new();
    for (index, feature) in features.iter().enumerate() {
        let demand = landbase.demand(index as u32);
        let water = matches!(
            feature.kind,
            LayerKind::Streams | LayerKind::Lakes | LayerKind::Wetlands | LayerKind::Protected
        );
        let Some(rule) = demand.rule.filter(|rule| water && !rule.follows_slope()) else {
            continue;
        };
        let edges = near(&brute::edges_of_shape(&feature.shape), ground, LOOK_M);
        if edges.is_empty() {
            continue;
        }
        let solid = matches!(feature.shape, Shape::Polygons(_));
        // Polygons are needed whole to tell what lies inside.
        let edges = if solid {
            brute::edges_of_shape(&feature.shape)
        } else {
            edges
        };
        found.push(Asking {
            index,
            rule,
            half_m: demand.half_m,
            edges,
            solid,
        });
    }
    found
}

fn along(edge: Edge) -> (Coord, Coord, f64) {
    let d = edge.1 - edge.0;
    let long = d.x.hypot(d.y);
    let d = d / long.max(1e-12);
    (d, Coord { x: -d.y, y: d.x }, long)
}

fn quad(corners: [Coord; 4]) -> Polygon {
    let mut ring = corners.to_vec();
    ring.push(corners[0]);
    blockwright::geometry::overlay::oriented(MultiPolygon(vec![Polygon::new(
        LineString(ring),
        vec![],
    )]))
    .0
    .remove(0)
}

fn piece(shape: Polygon) -> CutPiece {
    CutPiece {
        shape,
        kind: None,
        part: 0,
    }
}

fn ground_of(cut: &BlockCut) -> (Vec<Edge>, Vec<Vec<Edge>>) {
    let pieces: Vec<Vec<Edge>> = (cut.pieces.iter())
        .map(|piece| brute::outline(std::slice::from_ref(&piece.shape)))
        .collect();
    let mut ground: Vec<Edge> = pieces.iter().flatten().copied().collect();
    ground.extend(
        cut.lines
            .iter()
            .flat_map(|line| brute::edges_of(std::slice::from_ref(&line.shape))),
    );
    (ground, pieces)
}

/// The least distance from features of one rule, and what it asks; None where the ground lies in one of them.
fn truth(asking: &[Asking], rule: &str, cut: &BlockCut) -> Option<(f64, f64)> {
    let (ground, pieces) = ground_of(cut);
    let of_rule: Vec<&Asking> = asking.iter().filter(|a| a.rule.id == rule).collect();
    if of_rule.iter().any(|a| a.entered(&ground)) {
        return None;
    }
    let reserve_m = of_rule.first()?.reserve_m();
    let least = |a: &&Asking| a.least(&ground, &pieces, reserve_m + 30.0);
    let least_m = of_rule.iter().map(least).fold(f64::INFINITY, f64::min);
    Some((least_m, reserve_m))
}

struct Workshop<'a> {
    district: &'a District,
    landbase: &'a Landbase<'a>,
    sound: &'a Sound,
    asking: &'a [Asking<'a>],
    tolerance: f64,
}

impl Workshop<'_> {
    fn measured(&self, rule: &str) -> Option<f64> {
        let row = |row: &&audit::Judged| row.row.row.rule_id == rule;
        self.sound.clean.rows.iter().find(row)?.row.row.measured
    }

    fn required(&self, rule: &str) -> Option<f64> {
        let row = |row: &&audit::Judged| row.row.row.rule_id == rule;
        self.sound.clean.rows.iter().find(row)?.row.row.required
    }

    fn reserve(&self, kind: &'static str, rule: &str, cut: BlockCut) -> Option<Expected> {
        let (measured, required) = truth(self.asking, rule, &cut)?;
        Some(Expected {
            kind,
            rule: format!("reserve:{rule}"),
            short: required - measured,
            measured,
            to: TO_M,
            tolerance: self.tolerance,
            cut,
            features: None,
        })
    }

    /// A piece of ground cut towards a feature, its edge at a random angle.
    fn intrusion(&self, lot: &mut Lot) -> Option<Expected> {
        let feature = &self.asking[lot.below(self.asking.len())];
        let edge = *feature.edges.get(lot.below(feature.edges.len()))?;
        let (d, n, long) = along(edge);
        let n = if lot.share() < 0.5 { n } else { n * -1.0 };
        let at = edge.0 + d * (long * lot.share());
        let most = (feature.reserve_m() - 0.05).min(20.0);
        if most <= 0.1 {
            return None;
        }
        let depth = lot.between(0.1, most);
        let tip = at + n * (feature.half_m + feature.reserve_m() - depth);
        let bounds = blockwright::geometry::area::Bounds::of_polygons(&self.sound.block.shape);
        let inside = (bounds.min.x..bounds.max.x).contains(&tip.x)
            && (bounds.min.y..bounds.max.y).contains(&tip.y);
        if !inside {
            return None;
        }
        let wide = lot.between(1.0, 20.0);
        let skew = (lot.share() - 0.5) * 0.6;
        let side = d + n * skew;
        let shape = quad([
            tip,
            tip + side * wide,
            tip + side * wide + n * 15.0,
            tip + n * 15.0,
        ]);
        let mut cut = self.sound.cut.clone();
        cut.pieces.push(piece(shape));
        let rule = feature.rule.id.clone();
        self.reserve("cut into a reserve", &rule, cut)
    }

    /// A strip moved as a whole.
    fn moved(&self, lot: &mut Lot) -> Option<Expected> {
        let mut cut = self.sound.cut.clone();
        let count = cut.pieces.len();
        let by = lot.between(0.1, 20.0);
        let turn = lot.share() * std::f64::consts::TAU;
        let by = Coord {
            x: by * turn.cos(),
            y: by * turn.sin(),
        };
        let shape = &mut cut.pieces[lot.below(count)].shape;
        *shape = blockwright::geometry::frame::map_polygon(shape, |c| c + by);
        let rules: Vec<&str> = self.asking.iter().map(|a| a.rule.id.as_str()).collect();
        let rule = rules[lot.below(rules.len())].to_owned();
        let expected = self.reserve("strip moved", &rule, cut)?;
        (expected.short > 0.02).then_some(expected)
    }

    fn trespass(&self, lot: &mut Lot) -> Option<Expected> {
        let outline = brute::outline(&self.sound.block.shape.0);
        let edge = outline[lot.below(outline.len())];
        let (d, n, long) = along(edge);
        let by = lot.between(0.1, 20.0);
        let at = edge.0 + d * (long * (0.2 + 0.6 * lot.share()));
        // Outlines run counter-clockwise: outside is on the right.
        let tip = at - n * by;
        if brute::holds(&outline, tip) {
            return None;
        }
        let half = 0.4;
        let shape = quad([
            tip,
            at + d * half + n * 3.0,
            at + n * 4.0,
            at - d * half + n * 3.0,
        ]);
        // The farthest point of the spike, on a grid of it.
        let own = brute::outline(std::slice::from_ref(&shape));
        let away = |p: Coord| {
            outline
                .iter()
                .map(|e| brute::to_edge(p, *e))
                .fold(f64::MAX, f64::min)
        };
        let mut measured = away(tip);
        for step in 0..400 {
            let back = f64::from(step) / 400.0 * by;
            for across in [-1.0, -0.5, 0.0, 0.5, 1.0] {
                let p = tip + n * back + d * (across * half * back / (by + 3.0));
                if brute::holds(&own, p) && !brute::holds(&outline, p) {
                    measured = measured.max(away(p));
                }
            }
        }
        let mut cut = self.sound.cut.clone();
        cut.pieces.push(piece(shape));
        Some(Expected {
            kind: "cut beyond the boundary",
            rule: "inside-block".to_owned(),
            short: measured,
            measured,
            to: TO_M,
            tolerance: self.tolerance,
            cut,
            features: None,
        })
    }

    fn widened(&self, lot: &mut Lot) -> Option<Expected> {
        let mut cut = self.sound.cut.clone();
        let interior: Vec<usize> = (0..cut.pieces.len())
            .filter(|&at| cut.pieces[at].kind == Some(StripKind::Interior))
            .collect();
        let at = *interior.get(lot.below(interior.len()))?;
        let part = cut.pieces[at].part;
        let lines = cut
            .lines
            .iter()
            .filter(|line| line.interior && line.part == part);
        let edges = lines.flat_map(|line| brute::edges_of(std::slice::from_ref(&line.shape)));
        let (d, n, _) = edges.map(along).max_by(|a, b| a.2.total_cmp(&b.2))?;
        assert!((d.x.hypot(d.y) - 1.0).abs() < 1e-9);
        let off = |c: &Coord| c.x * n.x + c.y * n.y;
        let by = lot.between(0.1, 20.0);
        let ring = &cut.pieces[at].shape.exterior().0;
        let (low, high) = ring
            .iter()
            .map(off)
            .fold((f64::MAX, f64::MIN), |(low, high), v| {
                (low.min(v), high.max(v))
            });
        let middle = (low + high) / 2.0;
        let shape = blockwright::geometry::frame::map_polygon(&cut.pieces[at].shape, |c| {
            if off(&c) > middle { c + n * by } else { c }
        });
        cut.pieces[at].shape = shape;
        let measured = (high - low + by).max(self.measured("strip-width")?);
        Some(Expected {
            kind: "strip widened",
            rule: "strip-width".to_owned(),
            short: measured - self.required("strip-width")?,
            measured,
            to: TO_M,
            tolerance: 2.0 * self.tolerance,
            cut,
            features: None,
        })
    }

    fn corridor_cut(&self, lot: &mut Lot) -> Option<Expected> {
        let mut cut = self.sound.cut.clone();
        let corridors = cut.corridors.as_mut()?;
        if corridors.is_empty() {
            return None;
        }
        let corridor = corridors.remove(lot.below(corridors.len()));
        let areas = self.sound.clean.areas;
        let rules = &self.district.project.rules;
        let of_m2 = match rules.share_of {
            ShareOf::Net => areas.gross_m2 - areas.reserve_m2,
            ShareOf::Gross => areas.gross_m2,
        };
        let measured = self.measured("retention-share")? - polygon_area(&corridor.shape) / of_m2;
        let outline_m: f64 = brute::outline(std::slice::from_ref(&corridor.shape))
            .iter()
            .map(|edge| along(*edge).2)
            .sum();
        cut.pieces.push(piece(corridor.shape));
        Some(Expected {
            kind: "corridor cut",
            rule: "retention-share".to_owned(),
            short: self.required("retention-share")? - measured,
            measured,
            // One centimetre all along its outline, and what docs/audit.md takes for rounding.
            to: (TO_M * outline_m / of_m2).max(1e-5),
            // The band of a share hangs on all edges; without tolerance there is none.
            tolerance: 0.0,
            cut,
            features: None,
        })
    }

    fn left_beside_a_road(&self, lot: &mut Lot) -> Option<Expected> {
        let features = &self.district.batch.features;
        let (ground, pieces) = ground_of(&self.sound.cut);
        let roads: Vec<(f64, Vec<Edge>)> = features
            .iter()
            .enumerate()
            .filter(|(_, feature)| feature.kind == LayerKind::Roads)
            .map(|(index, feature)| (self.landbase.demand(index as u32), feature))
            .filter(|(demand, _)| !demand.asks_for_something())
            .map(|(demand, feature)| {
                (
                    demand.half_m,
                    near(&brute::edges_of_shape(&feature.shape), &ground, 60.0),
                )
            })
            .filter(|(_, edges)| !edges.is_empty())
            .collect();
        let (half_m, edges) = roads.get(lot.below(roads.len()))?;
        let edge = edges[lot.below(edges.len())];
        let (d, n, long) = along(edge);
        let n = if lot.share() < 0.5 { n } else { n * -1.0 };
        let at = edge.0 + d * (long * lot.share()) + n * (half_m + lot.between(1.0, 44.0));
        let (wide, deep) = (lot.between(3.0, 7.0), lot.between(4.0, 12.0));
        let shape = quad([at, at + d * wide, at + d * wide + n * deep, at + n * deep]);
        // All of it must have been cut ground, away from reserves.
        for i in 0..=12 {
            for j in 0..=12 {
                let p = at + d * (wide * f64::from(i) / 12.0) + n * (deep * f64::from(j) / 12.0);
                if !pieces.iter().any(|piece| brute::holds(piece, p)) {
                    return None;
                }
            }
        }
        let own = brute::outline(std::slice::from_ref(&shape));
        for feature in self.asking {
            let away = brute::least(&own, &feature.edges, 200.0) - feature.half_m;
            if away < feature.reserve_m() + 1.0 {
                return None;
            }
        }
        let to_road =
            |(half_m, edges): &(f64, Vec<Edge>)| brute::least(&own, edges, 200.0) - half_m;
        let measured = roads.iter().map(to_road).fold(f64::MAX, f64::min);
        let layout = &self.district.settings.layout;
        if measured < 0.5 {
            return None;
        }
        let mut cut = self.sound.cut.clone();
        cut.pieces = (cut.pieces.into_iter())
            .flat_map(|piece| {
                let whole = MultiPolygon(vec![piece.shape.clone()]);
                let rest = blockwright::geometry::overlay::difference(
                    &whole,
                    std::slice::from_ref(&shape),
                );
                rest.0.into_iter().map(move |shape| CutPiece {
                    shape,
                    ..piece.clone()
                })
            })
            .collect();
        Some(Expected {
            kind: "retention beside a road",
            rule: "road-band".to_owned(),
            // Between the lesser and the greater distance it is a warning.
            short: layout.road_band_fail_m - measured,
            measured: measured.min(self.measured("road-band").unwrap_or(f64::MAX)),
            to: TO_M,
            tolerance: 0.0,
            cut,
            features: None,
        })
    }

    fn class_changed(&self, lot: &mut Lot) -> Option<Expected> {
        let streams: Vec<&Asking> = (self.asking.iter())
            .filter(|a| a.rule.kind == LayerKind::Streams && !a.solid)
            .collect();
        let stream = streams.get(lot.below(streams.len()))?;
        let batch = &self.district.batch;
        batch.features[stream.index].width_m?;
        let wider: Vec<&RuleLine> = (self.district.project.rules.lines.iter())
            .filter(|line| line.kind == LayerKind::Streams && !line.follows_slope())
            .filter(|line| line.class != "*" && line.when.is_empty() || line.class.len() <= 2)
            .filter(|line| line.widest().reserve_m > stream.reserve_m() + 0.5)
            .collect();
        let line = wider.get(lot.below(wider.len()))?;
        let mut features = batch.features.clone();
        features[stream.index].class = Some(line.class.clone());
        let landbase = Landbase::new(
            &features,
            &self.district.project.rules,
            &self.district.settings.layout,
        );
        let (ground, _) = ground_of(&self.sound.cut);
        let asking = asking(&landbase, &features, &ground);
        let (measured, required) = truth(&asking, &line.id, &self.sound.cut)?;
        Some(Expected {
            kind: "class of a stream changed",
            rule: format!("reserve:{}", line.id),
            short: required - measured,
            measured,
            to: TO_M,
            tolerance: self.tolerance,
            cut: self.sound.cut.clone(),
            features: Some(features),
        })
    }
}

/// Changes that change nothing: cut ground cut again, pieces in another order, corners amid straight edges.
fn harmless(lot: &mut Lot, cut: &BlockCut) -> BlockCut {
    let mut cut = cut.clone();
    match lot.below(3) {
        0 => {
            let again = cut.pieces[lot.below(cut.pieces.len())].clone();
            cut.pieces.push(again);
        }
        1 => {
            cut.pieces.reverse();
            for piece in &mut cut.pieces {
                let mut ring = piece.shape.exterior().0.clone();
                ring.pop();
                let by = lot.below(ring.len());
                ring.rotate_left(by);
                ring.push(ring[0]);
                piece.shape = Polygon::new(LineString(ring), piece.shape.interiors().to_vec());
            }
        }
        _ => {
            for piece in &mut cut.pieces {
                let halved = |ring: &LineString| {
                    let mut points: Vec<Coord> = vec![];
                    for w in ring.0.windows(2) {
                        points.extend([w[0], (w[0] + w[1]) / 2.0]);
                    }
                    points.extend(ring.0.last());
                    LineString(points)
                };
                let mut all: Vec<LineString> = rings(&piece.shape).map(halved).collect();
                let exterior = all.remove(0);
                piece.shape = Polygon::new(exterior, all);
            }
        }
    }
    cut
}

#[derive(Default)]
struct Count {
    tried: u32,
    beyond: u32,
    found: u32,
    within: u32,
    worst: f64,
}

#[test]
fn every_change_beyond_tolerance_is_found_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let options = DemoOptions {
        blocks: size::of(9, 20),
        seed: 5,
    };
    let report = demo::write(folder.path(), &options).unwrap();
    let project = project::load(&report.project).unwrap();
    let mut batch = sources::read(&project).unwrap();
    // What is changed here is measured in the grid, so the grid is to be the ground.
    for block in &mut batch.blocks {
        block.frame = GroundFrame::around(
            blockwright::geometry::area::Bounds::of_polygons(&block.shape).middle(),
        );
    }
    let district = District {
        settings: layout::effective(&project.settings, &project.rules),
        terrain: sources::terrain(&project, &batch.crs).unwrap(),
        neighbours: Neighbours::new(&batch.blocks),
        project,
        batch,
    };
    let features = &district.batch.features;
    let landbase = Landbase::new(features, &district.project.rules, &district.settings.layout);
    let context = layout::Context {
        landbase: &landbase,
        settings: &district.settings,
        rules: &district.project.rules,
        engines: ENGINES,
        terrain: district.terrain.as_ref().map(|t| t as &dyn SlopeSource),
    };
    let mut false_alarms: Vec<String> = Vec::new();
    let fails = |audit: &BlockAudit| -> Vec<String> {
        let failing = audit
            .rows
            .iter()
            .filter(|row| row.status() == Verdict::Fail);
        failing.map(|row| row.row.row.rule_id.clone()).collect()
    };
    let sound: Vec<Sound> = (district.batch.blocks.par_iter())
        .filter_map(|block| {
            let mut plan = layout::lay_out(context, block).ok()?;
            blockwright::compliance::judge(context, block, &mut plan);
            // What the layout itself says cannot be met is no sound layout.
            if plan
                .compliance
                .iter()
                .any(|row| row.status == Verdict::Fail)
            {
                return None;
            }
            let cut = as_plan(&plan);
            let clean = district.judge_on(&landbase, block, &cut, 0.0);
            Some(Sound {
                block: block.clone(),
                cut,
                clean,
            })
        })
        .collect();
    for sound in &sound {
        false_alarms.extend(fails(&sound.clean));
    }
    let askings: Vec<Vec<Asking>> = (sound.par_iter())
        .map(|sound| asking(&landbase, features, &ground_of(&sound.cut).0))
        .collect();
    let mutations = size::of(40, 360) as u64;
    let results: Vec<(Option<Expected>, Option<BlockAudit>, Vec<String>)> = (0..mutations)
        .into_par_iter()
        .map(|number| {
            let mut lot = Lot(number);
            let tolerance = if number % 2 == 0 { 0.0 } else { AS_CUT_M };
            if number % 20 == 19 {
                let own = &sound[lot.below(sound.len())];
                let cut = harmless(&mut lot, &own.cut);
                let audit = district.judge_on(&landbase, &own.block, &cut, 0.0);
                return (None, None, fails(&audit));
            }
            for _ in 0..200 {
                let at = lot.below(sound.len());
                if askings[at].is_empty() {
                    continue;
                }
                let workshop = Workshop {
                    district: &district,
                    landbase: &landbase,
                    sound: &sound[at],
                    asking: &askings[at],
                    tolerance,
                };
                let expected = match number % 9 {
                    0 | 1 => workshop.intrusion(&mut lot),
                    2 => workshop.moved(&mut lot),
                    3 | 4 => workshop.trespass(&mut lot),
                    5 => workshop.widened(&mut lot),
                    6 => workshop.corridor_cut(&mut lot),
                    7 => workshop.left_beside_a_road(&mut lot),
                    _ => workshop.class_changed(&mut lot),
                };
                let Some(expected) = expected else { continue };
                // Shares and road bands are judged without a tolerance.
                let tolerance_m = if expected.tolerance == 0.0 {
                    0.0
                } else {
                    tolerance
                };
                let block = &sound[at].block;
                let audit = match &expected.features {
                    Some(features) => district.judge(features, block, &expected.cut, tolerance_m),
                    None => district.judge_on(&landbase, block, &expected.cut, tolerance_m),
                };
                return (Some(expected), Some(audit), vec![]);
            }
            (None, None, vec![])
        })
        .collect();
    let mut counts: BTreeMap<&str, Count> = BTreeMap::new();
    let (mut missed, mut off) = (Vec::new(), Vec::new());
    for (expected, audit, alarms) in results {
        false_alarms.extend(alarms);
        let (Some(expected), Some(audit)) = (expected, audit) else {
            continue;
        };
        let count = counts.entry(expected.kind).or_default();
        count.tried += 1;
        let row = audit
            .rows
            .iter()
            .find(|row| row.row.row.rule_id == expected.rule);
        let status = row.map_or(Verdict::Pass, audit::Judged::status);
        let figure = row.and_then(|row| row.row.row.measured);
        let say = format!(
            "{} {}: {} short {:.4} of tolerance {}, true {:.4}, audit {figure:?} {status:?} {}",
            audit.id,
            expected.kind,
            expected.rule,
            expected.short,
            expected.tolerance,
            expected.measured,
            row.map_or("", |row| &row.row.message)
        );
        if expected.short > expected.to {
            match figure {
                Some(figure) if (figure - expected.measured).abs() <= expected.to => {
                    count.worst = count.worst.max((figure - expected.measured).abs());
                }
                _ => off.push(say.clone()),
            }
        }
        if expected.short > expected.tolerance + expected.to {
            count.beyond += 1;
            if status == Verdict::Fail {
                count.found += 1;
            } else {
                missed.push(say);
            }
        } else if expected.short < expected.tolerance - expected.to || expected.short < -expected.to
        {
            count.within += 1;
            if status == Verdict::Fail {
                false_alarms.push(say);
            } else if expected.short > expected.to && status == Verdict::Pass {
                missed.push(say);
            }
        }
    }
    let (mut tried, mut beyond, mut found) = (0, 0, 0);
    for (kind, count) in &counts {
        println!(
            "{kind}: {} tried, {} beyond tolerance, {} of them found, {} within; measured to {:.6}",
            count.tried, count.beyond, count.found, count.within, count.worst
        );
        tried += count.tried;
        beyond += count.beyond;
        found += count.found;
    }
    println!(
        "{} sound layouts; {tried} mutations tried, {beyond} beyond tolerance, {found} found, {} missed, {} measured off by \
         more than 1 cm, {} false alarms",
        sound.len(),
        missed.len(),
        off.len(),
        false_alarms.len()
    );
    assert!(missed.is_empty(), "missed:\n{}", missed.join("\n"));
    assert!(off.is_empty(), "off:\n{}", off.join("\n"));
    assert!(false_alarms.is_empty(), "{}", false_alarms.join("\n"));
    assert!(
        tried > size::of(30, 300) as u32 && beyond > size::of(18, 180) as u32 && counts.len() == 7,
        "{tried} {beyond}"
    );
}
