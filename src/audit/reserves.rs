//! Distances from what is cut or driven to the features themselves.

use geo::{Coord, MultiPolygon};

use super::asked::{self, Edge};
use super::certainty::near_error_m;
use super::depth::Depth;
use super::farthest::farthest;
use super::ground::{Ground, onto};
use super::map_error::MapError;
use super::reached::Reached;
use super::row::{Judged, Leeway, Measure, Origin, ROUNDING_M, Toward, measured, row};
use super::scene::Scene;
use super::split::inside_of;
use super::trespass::REACH_UNKNOWN;
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{Segment, SegmentIndex, line_segments, point_segment};
use crate::landbase::NearFeature;
use crate::model::{LayerKind, RuleId, Verdict};
use crate::rulebook::{BARRIER_SOURCE, RuleLine, Widths};

/// Approaches farther beyond the requirement than this are not of interest.
const LOOK_BEYOND_M: f64 = 20.0;
/// Places farther off than what is asked by more than this are not the nearest.
const NEARLY_M: f64 = 60.0;
/// How exactly the deepest point inside a polygon feature is found.
const DEPTH_PRECISION_M: f64 = 0.004;

/// How near something comes to a feature: from the feature's edge, negative inside it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Nearest {
    pub distance_m: f64,
    pub required_m: f64,
    pub at: Coord,
    slope_unknown: bool,
}

impl Nearest {
    pub fn spare_m(&self) -> f64 {
        self.distance_m - self.required_m
    }

    /// A row with its place, and the feature that it is near.
    pub fn shown(&self, judged: Judged, near: &NearFeature) -> Judged {
        let segments = near.source.segments(0);
        let toward = Toward::of(&segments, self.at, near.demand.half_m);
        judged.at(Some(self.at)).toward(toward)
    }
}

pub(super) fn nearer(a: Option<Nearest>, b: Option<Nearest>) -> Option<Nearest> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.spare_m() < a.spare_m() { b } else { a }),
        (a, b) => a.or(b),
    }
}

/// The approach of `edges` with the least to spare to some ground, if less than `within_m`.
fn to_ground(ground: &Ground, edges: &[Edge], half_m: f64, within_m: f64) -> Option<Nearest> {
    let mut best: Option<Nearest> = None;
    for edge in edges {
        let spare_m = best.map_or(within_m, |best| best.spare_m());
        let limit_m = edge.required_m + half_m + spare_m;
        if let Some(contact) = ground.approach(edge.a, edge.b, limit_m) {
            let found = Nearest {
                distance_m: contact.distance_m - half_m,
                required_m: edge.required_m,
                at: contact.at,
                slope_unknown: edge.slope_unknown,
            };
            best = nearer(best, Some(found));
        }
    }
    best
}

/// The same for lines.
pub(super) fn to_lines(
    lines: &Ways,
    edges: &[Edge],
    half_m: f64,
    within_m: f64,
) -> Option<Nearest> {
    let mut best: Option<Nearest> = None;
    for edge in edges {
        let spare_m = best.map_or(within_m, |best| best.spare_m());
        let limit_m = edge.required_m + half_m + spare_m;
        if !Bounds::of([&edge.a, &edge.b])
            .grown(limit_m.max(0.0))
            .meets(&lines.bounds)
        {
            continue;
        }
        if let Some(approach) = lines.index.approach(edge.a, edge.b, limit_m) {
            let near = lines.index.near(edge.a, edge.b, approach.distance + 1e-9);
            let at = near
                .map(|s| super::ground::nearest_point(s.a, s.b, edge.a, edge.b))
                .min_by(|p, q| {
                    let away = |p: &Coord| point_segment(*p, edge.a, edge.b);
                    away(p)
                        .total_cmp(&away(q))
                        .then(p.x.total_cmp(&q.x))
                        .then(p.y.total_cmp(&q.y))
                })
                .unwrap_or(edge.a);
            let found = Nearest {
                distance_m: approach.distance - half_m,
                required_m: edge.required_m,
                at,
                slope_unknown: edge.slope_unknown,
            };
            best = nearer(best, Some(found));
        }
    }
    best
}

/// How deep the cut reaches into a polygon feature; the requirement is that of the nearest edge.
fn inside(ground: &Ground, near: &NearFeature, edges: &[Edge]) -> Option<Nearest> {
    let Source::Polygons(polygons) = &near.source else {
        return None;
    };
    if !near.source.bounds().meets(&ground.bounds()) {
        return None;
    }
    let over = inside_of(&ground.shape, &polygons.0);
    let shore = SegmentIndex::of_boundary(polygons);
    let water = Ground::new(polygons.0.iter().cloned());
    let found = farthest(&over, &shore, DEPTH_PRECISION_M);
    // A piece that the overlay invented or lost must not decide: corners are asked themselves.
    let found = found.filter(|(_, at)| water.holds(*at));
    let rings = ground.shape.0.iter().map(|polygon| polygon.exterior());
    let corners = rings.flat_map(|ring| &ring.0);
    let deep = corners
        .filter(|&&corner| water.holds(corner))
        .map(|&corner| {
            let depth_m = shore.distance(corner, f64::MAX / 4.0).unwrap_or(0.0);
            (depth_m, corner)
        });
    let (depth_m, at) = deep.chain(found).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let away = |edge: &&Edge| point_segment(at, edge.a, edge.b);
    let nearest = edges
        .iter()
        .min_by(|a, b| away(a).total_cmp(&away(b)).then(cmp(a, b)))?;
    Some(Nearest {
        distance_m: -depth_m,
        required_m: nearest.required_m,
        at,
        slope_unknown: nearest.slope_unknown,
    })
}

/// The approach of some ground to a feature, beside its edge or inside it, with the least to spare.
pub(super) fn nearest_of(
    ground: &Ground,
    near: &NearFeature,
    edges: &[Edge],
    within_m: f64,
) -> Option<Nearest> {
    let found = to_ground(ground, edges, near.demand.half_m, within_m);
    if asked::is_kept(near) {
        nearer(found, inside(ground, near, edges))
    } else {
        found
    }
}

/// Of two edges equally near the one that asks for more comes first.
fn cmp(a: &Edge, b: &Edge) -> std::cmp::Ordering {
    b.required_m.total_cmp(&a.required_m)
}

/// Lines driven, in an index.
pub(super) struct Ways {
    index: SegmentIndex,
    bounds: Bounds,
    corners: Vec<Coord>,
}

impl Ways {
    pub fn new(lines: &[geo::LineString]) -> Ways {
        Ways {
            index: SegmentIndex::new(line_segments(lines, 0).collect()),
            bounds: Bounds::of(lines.iter().flat_map(|line| &line.0)),
            corners: lines
                .iter()
                .flat_map(|line| line.0.iter().copied())
                .collect(),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.index.is_empty()
    }

    /// Whether a place lies no farther from them than `within_m`.
    pub fn is_on(&self, at: Coord, within_m: f64) -> bool {
        self.index.distance(at, within_m).is_some()
    }
}

/// Why it cannot be told what a feature asks for, and the least it may turn out to ask.
struct Doubt {
    why: String,
    /// The requirement would be at least this much less; infinite: it may be nothing.
    may_spare_m: f64,
}

impl Scene<'_> {
    /// `found` is the approach of what was cut or driven, `driven` that of the lines alone.
    fn doubt(
        &self,
        near: &NearFeature,
        (found, driven): (&Nearest, Option<&Nearest>),
        rule: &RuleLine,
    ) -> Option<Doubt> {
        let demand = &near.demand;
        let named = format!("{}, feature {}", near.feature.source_layer, near.feature.id);
        let mut doubts: Vec<(String, f64)> = Vec::new();
        if demand.assumed {
            let of_kind = self.context.rules.lines.iter();
            let least_m = of_kind
                .filter(|line| line.kind == near.feature.kind)
                .map(|line| least(line).reserve_m)
                .fold(f64::INFINITY, f64::min);
            let spare_m = (found.required_m - least_m).max(0.0);
            doubts.push((format!("{named} has no known class"), spare_m));
        }
        if demand.half_assumed {
            if !demand.half_at_least {
                // The class's widest channel stands in: enough if it holds.
                if found.spare_m() < -ROUNDING_M {
                    doubts.push((format!("{named} has no channel width"), demand.half_m));
                }
            } else {
                doubts.push((format!("{named} has no channel width"), 0.0));
            }
        }
        if demand.fringe_unknown {
            doubts.push((
                format!("where the trees begin at {named} is not known"),
                0.0,
            ));
        }
        if near
            .demand
            .danger_tree
            .is_some_and(|tree| tree.is_unknown())
        {
            doubts.push((format!("how tall the tree at {named} is, nobody says"), 0.0));
        }
        let short_m = |spare_m: f64| -spare_m - self.context.limit_m() - ROUNDING_M;
        if self.reach_unknown && short_m(found.spare_m()) > 0.0 {
            let driven_m = driven.map_or(LOOK_BEYOND_M, Nearest::spare_m);
            if short_m(driven_m) <= 0.0 {
                doubts.push((REACH_UNKNOWN.to_owned(), driven_m - found.spare_m()));
            }
        }
        if found.slope_unknown {
            let spare_m = (found.required_m - least(rule).reserve_m).max(0.0);
            doubts.push((format!("the slope at {named} is not known"), spare_m));
        }
        let may_spare_m = doubts.iter().map(|(_, spare_m)| spare_m).sum();
        let why: Vec<String> = doubts.into_iter().map(|(why, _)| why).collect();
        (!why.is_empty()).then(|| Doubt {
            why: why.join(", "),
            may_spare_m,
        })
    }

    /// How far what comes nearest to a feature falls short, and how sure that is.
    pub(super) fn depth_beyond(&self, found: &Nearest, near: &NearFeature) -> Depth {
        let short_m = -found.spare_m();
        if self.context.certainty.stated().is_none() {
            return self.depth(short_m, |_| None, Ok(0.0));
        }
        let edges = SegmentIndex::new(near.source.segments(0));
        let inner = match &near.source {
            Source::Polygons(polygons) if asked::is_kept(near) => {
                Some(Ground::new(polygons.0.iter().cloned()))
            }
            _ => None,
        };
        let beyond = |at: Coord| {
            if inner.as_ref().is_some_and(|inner| inner.holds(at)) {
                return edges.distance(at, f64::MAX / 4.0);
            }
            let within_m = found.required_m.max(0.0) + near.demand.half_m + NEARLY_M;
            edges.distance(at, within_m).map(|m| -m)
        };
        self.depth(short_m, beyond, near_error_m(near))
    }

    fn reserve_edges(&self, near: &NearFeature, rule: &RuleLine) -> Vec<Edge> {
        let mut edges = asked::edges(near, rule, self.slopes, |w: Widths| w.reserve_m);
        if near.feature.kind == LayerKind::Hazards {
            // A hazard is no reserve of itself.
            edges.retain(|edge| edge.required_m > 0.0);
        }
        edges
    }

    /// By how much some ground comes too near, rule by rule: the rule's row, metres, and where.
    pub(super) fn least_spares(&self, ground: &Ground) -> Vec<(String, f64, Coord)> {
        let mut short: std::collections::BTreeMap<String, (f64, Coord)> = Default::default();
        for near in self.near.iter().filter(|near| asked::owes_a_reserve(near)) {
            let Some(rule) = near.demand.rule else {
                continue;
            };
            let edges = self.reserve_edges(near, rule);
            let found = nearest_of(ground, near, &edges, 0.0);
            let Some(found) = found.filter(|found| found.spare_m() < 0.0) else {
                continue;
            };
            let row = match is_power_line(near) {
                true => RuleId::PowerLineBelt.named().id,
                false => RuleId::Reserve.named().of(&rule.id).id,
            };
            let worst = short.entry(row).or_insert((0.0, found.at));
            if -found.spare_m() > worst.0 {
                *worst = (-found.spare_m(), found.at);
            }
        }
        short.into_iter().map(|(id, (m, at))| (id, m, at)).collect()
    }

    /// One row per rule of a feature that what is cut or driven comes near.
    pub(super) fn reserves(&self) -> Vec<Judged> {
        let rules = self.rules_of(|near| asked::owes_a_reserve(near) && !is_power_line(near));
        let rules = rules.into_iter();
        rules.filter_map(|rule| self.reserve_row(rule)).collect()
    }

    /// One row per rule of a feature that excludes machines and that what is driven comes near.
    pub(super) fn machine_exclusions(&self) -> Vec<Judged> {
        let rules = self.rules_of(|near| asked::excludes_machines(near) && !is_power_line(near));
        let rules = rules.into_iter();
        rules
            .filter_map(|rule| self.machine_exclusion(rule))
            .collect()
    }

    /// Rules of features near, each once, sorted by their ids.
    fn rules_of(&self, asks: impl Fn(&NearFeature) -> bool) -> Vec<&RuleLine> {
        let mut rules: Vec<&RuleLine> = Vec::new();
        for near in self.near.iter().filter(|near| asks(near)) {
            if let Some(rule) = near.demand.rule
                && !rules.iter().any(|held| held.id == rule.id)
            {
                rules.push(rule);
            }
        }
        rules.sort_by(|a, b| a.id.cmp(&b.id));
        rules
    }

    fn reserve_row(&self, rule: &RuleLine) -> Option<Judged> {
        let of_rule = |near: &&NearFeature| {
            asked::owes_a_reserve(near) && near.demand.rule.is_some_and(|own| own.id == rule.id)
        };
        let mut worst: Option<(Nearest, Option<Doubt>, &NearFeature, Depth)> = None;
        let mut off = MapError::default();
        let mut doubtful: Option<String> = None;
        let mut short: Vec<(&NearFeature, Vec<Edge>)> = Vec::new();
        for near in self.near.iter().filter(of_rule) {
            let half_m = near.demand.half_m;
            let edges = self.reserve_edges(near, rule);
            let found = nearest_of(&self.cut, near, &edges, LOOK_BEYOND_M);
            let mut driven = to_lines(&self.ways, &edges, half_m, LOOK_BEYOND_M);
            if let (Source::Polygons(polygons), true) = (&near.source, asked::is_kept(near)) {
                driven = nearer(driven, self.driven_inside(polygons, &edges));
            }
            let Some(found) = nearer(found, driven) else {
                continue;
            };
            let doubt = self.doubt(near, (&found, driven.as_ref()), rule);
            if doubtful.is_none() {
                doubtful = doubt.as_ref().map(|doubt| doubt.why.clone());
            }
            off.add(near, &found);
            if found.spare_m() < -ROUNDING_M {
                short.push((near, edges));
            }
            let depth = self.depth_beyond(&found, near);
            // What is certain counts before what is not.
            let certain_m = |depth: &Depth, doubt: &Option<Doubt>| {
                let limit_m = match depth.leeway {
                    Leeway::Tolerance(_) => 0.0,
                    Leeway::Error { .. } => depth.leeway.limit(),
                };
                limit_m - depth.short_m + doubt.as_ref().map_or(0.0, |doubt| doubt.may_spare_m)
            };
            let key = |depth: &Depth, doubt: &Option<Doubt>| {
                (certain_m(depth, doubt).min(0.0), -depth.short_m)
            };
            let own = key(&depth, &doubt);
            if worst
                .as_ref()
                .is_none_or(|(_, held_doubt, _, held)| own < key(held, held_doubt))
            {
                worst = Some((found, doubt, near, depth));
            }
        }
        let (found, doubt, near, depth) = worst?;
        let short_m = depth.short_m;
        let may_spare_m = doubt.as_ref().map_or(0.0, |doubt| doubt.may_spare_m);
        let doubt = doubt.map(|doubt| doubt.why).or(doubtful);
        let judged = measured(
            RuleId::Reserve
                .named()
                .of(&rule.id)
                .about(&format!(", {}", rule.title)),
            (found.required_m, found.required_m - short_m),
            Measure {
                short: short_m,
                rounding: ROUNDING_M,
                leeway: depth.leeway.clone(),
                doubt: doubt.as_deref(),
                doubt_may_save: short_m - may_spare_m <= depth.leeway.limit() + ROUNDING_M,
            },
            rule.into(),
        );
        let judged = depth.onto(off.onto(found.shown(judged, near)), -1.0);
        if short.is_empty() {
            return Some(judged);
        }
        let mut within = Reached::default();
        let window = self.cut.bounds();
        for (near, edges) in &short {
            asked::reach(&mut within, near, edges, 0.0, &window);
        }
        let feature = format!("{}, feature {}", near.feature.source_layer, near.feature.id);
        let class = near.feature.class.as_deref();
        let of_class = class.map_or(String::new(), |class| format!(", class {class}"));
        let deep = format!("{short_m:.2} m too near to {feature}{of_class}");
        let intruding = inside_of(&self.cut.shape, &within.0);
        Some(judged.over(intruding).saying(&deep))
    }

    /// The nearest approach, of what is cut or driven, to a stream that is kept off by more than its rule asks.
    pub(super) fn stream_barrier(&self) -> Option<Judged> {
        let mut worst: Option<(Nearest, &NearFeature)> = None;
        let mut within = Reached::default();
        for near in self.near {
            let Some((source, barrier_m)) = near.barrier() else {
                continue;
            };
            let edges = alike(source, barrier_m);
            let found = to_ground(&self.cut, &edges, 0.0, LOOK_BEYOND_M);
            let found = nearer(found, to_lines(&self.ways, &edges, 0.0, LOOK_BEYOND_M));
            let Some(found) = found else { continue };
            if found.spare_m() < -ROUNDING_M
                && let Source::Lines(lines) = source
            {
                lines
                    .0
                    .iter()
                    .for_each(|line| within.line(&line.0, barrier_m));
            }
            if worst.is_none_or(|(held, _)| found.spare_m() < held.spare_m()) {
                worst = Some((found, near));
            }
        }
        let (found, near) = worst?;
        let depth = self.depth_beyond(&found, near);
        let judged = measured(
            RuleId::StreamBarrier.named(),
            (found.required_m, found.required_m - depth.short_m),
            Measure {
                short: depth.short_m,
                rounding: ROUNDING_M,
                leeway: depth.leeway.clone(),
                doubt: None,
                doubt_may_save: false,
            },
            BARRIER_SOURCE.into(),
        );
        let judged = depth.onto(found.shown(judged, near), -1.0);
        if within.0.is_empty() {
            return Some(judged);
        }
        let feature = format!("{}, feature {}", near.feature.source_layer, near.feature.id);
        let deep = format!("{:.2} m too near to {feature}", depth.short_m);
        Some(
            judged
                .over(inside_of(&self.cut.shape, &within.0))
                .saying(&deep),
        )
    }

    /// The machine on ground that a rule excludes: the worst approach of any line driven.
    fn machine_exclusion(&self, rule: &RuleLine) -> Option<Judged> {
        let mut worst: Option<(Nearest, &NearFeature)> = None;
        let mut doubt: Option<String> = None;
        let mut off = MapError::default();
        let of_rule = |near: &&NearFeature| {
            asked::excludes_machines(near) && near.demand.rule.is_some_and(|own| own.id == rule.id)
        };
        for near in self.near.iter().filter(of_rule) {
            let mut edges = asked::edges(near, rule, self.slopes, |w| w.machine_exclusion_m);
            edges.retain(|edge| edge.required_m > 0.0);
            let half_m = near.demand.half_m;
            let mut found = if self.knows_the_way() {
                to_lines(&self.ways, &edges, half_m, LOOK_BEYOND_M)
            } else {
                to_ground(&self.cut, &edges, half_m, LOOK_BEYOND_M)
            };
            if let (Source::Polygons(polygons), true) = (&near.source, self.knows_the_way()) {
                found = nearer(found, self.driven_inside(polygons, &edges));
            }
            if let (Some(found), None) = (&found, &doubt) {
                doubt = self
                    .doubt(near, (found, Some(found)), rule)
                    .map(|doubt| doubt.why);
            }
            if let Some(found) = &found {
                off.add(near, found);
            }
            if let Some(found) = found
                && worst.is_none_or(|(held, _)| found.spare_m() < held.spare_m())
            {
                worst = Some((found, near));
            }
        }
        let (found, near) = worst?;
        let named = RuleId::MachineExclusion.named().of(&rule.id);
        let named = named.about(&format!(", {}", rule.title));
        let short = -found.spare_m();
        if !self.knows_the_way() && short > ROUNDING_M {
            let why = "cannot be told: trees there may have been reached into from outside, and no track says where the \
                       machine stood";
            let figures = (Some(found.required_m), Some(found.distance_m));
            let verdict = (Verdict::Unknown, why.to_owned());
            let tolerance = match self.context.certainty.stated() {
                Some(_) => None,
                None => Some(self.context.limit_m()),
            };
            let judged = row(
                named,
                figures.0,
                figures.1,
                tolerance,
                verdict,
                Origin::from(rule),
            );
            return Some(found.shown(judged, near));
        }
        let depth = self.depth_beyond(&found, near);
        let measure = Measure {
            short: depth.short_m,
            rounding: ROUNDING_M,
            leeway: depth.leeway.clone(),
            doubt: doubt.as_deref(),
            doubt_may_save: found.distance_m > 0.0,
        };
        let figures = (found.required_m, found.required_m - depth.short_m);
        let judged = measured(named, figures, measure, Origin::from(rule));
        Some(depth.onto(off.onto(found.shown(judged, near)), -1.0))
    }

    /// Lines driven inside a polygon: the deepest corner of any, which is the deepest point but for a hair where a
    /// line runs straight past the middle.
    fn driven_inside(&self, polygons: &MultiPolygon, edges: &[Edge]) -> Option<Nearest> {
        let inner = Ground::new(polygons.0.iter().cloned());
        let deep = (self.ways.corners.iter())
            .filter(|&&c| inner.holds(c))
            .map(|&c| {
                let depth_m = inner.edges().distance(c, f64::MAX / 4.0).unwrap_or(0.0);
                (depth_m, c)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let away = |edge: &&Edge| {
            let foot = onto(deep.1, edge.a, edge.b);
            (foot.x - deep.1.x).hypot(foot.y - deep.1.y)
        };
        let nearest = edges.iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        Some(Nearest {
            distance_m: -deep.0,
            required_m: nearest.required_m,
            at: deep.1,
            slope_unknown: nearest.slope_unknown,
        })
    }
}

/// Power lines have rows of their own.
fn is_power_line(near: &NearFeature) -> bool {
    near.demand.power_line.is_some()
}

/// The edges of a source with one requirement.
pub(super) fn alike(source: &Source, required_m: f64) -> Vec<Edge> {
    let edge = |s: Segment| Edge {
        a: s.a,
        b: s.b,
        required_m,
        slope_unknown: false,
    };
    source.segments(0).into_iter().map(edge).collect()
}

/// The least a rule asks for whatever the slope.
fn least(rule: &RuleLine) -> Widths {
    if rule.follows_slope() {
        Widths::default()
    } else {
        rule.widest()
    }
}
