//! One block as the checks see it, in its local frame: what is cut, what is near, and what is left standing.

use std::cell::OnceCell;

use geo::{LineString, MultiPolygon, Polygon};

use super::asked;
use super::certainty::{Certainty, EdgeSpread};
use super::cut::{BlockCut, CutInput};
use super::ground::Ground;
use super::neighbours::Neighbours;
use super::reached::Reached;
use super::reserves::Ways;
use super::row::{Judged, shown, sure_in_words};
use super::screening::screened;
use super::split::{inside_of, split, union_of};
use crate::geometry::area::{Bounds, area, length, polygon_area, rings};
use crate::geometry::counted_once::SharedGround;
use crate::geometry::sound::sound_all;
use crate::landbase::{
    Landbase, NearFeature, SlopeSource, Slopes, crossings, off_crossings, settle_trees,
};
use crate::model::{GroundFrame, RuleId, Settings, SourceBlock, Verdict};
use crate::rulebook::{Rulebook, counts_as_retained};

/// Standing pieces narrower than this on the average are seams of an overlay, not trees.
const SEAM_M: f64 = 0.02;

/// What every check may look at.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    pub landbase: &'a Landbase<'a>,
    /// The stricter of the planner's wishes and the rules.
    pub settings: &'a Settings,
    pub rules: &'a Rulebook,
    /// Slopes of the ground; None: slope classes only.
    pub terrain: Option<&'a dyn SlopeSource>,
    pub neighbours: &'a Neighbours,
    /// How far a cut edge may really lie from where it was measured.
    pub certainty: &'a Certainty,
}

impl Context<'_> {
    /// How far an edge of the cut may lie elsewhere, m.
    pub fn limit_m(&self) -> f64 {
        self.certainty.limit_m()
    }

    /// Of a row that has no figure with an error of its own: what was cut is taken to lie up to the limit elsewhere. Where errors
    /// are stated the words are theirs, and where nobody knows them nothing fails.
    fn with_limit(&self, mut judged: Judged) -> Judged {
        let Some(stated) = self.certainty.stated() else {
            return judged;
        };
        let row = &mut judged.row;
        if row.confidence.is_some() || !BY_LIMIT.iter().any(|rule| rule.is(&row.row.rule_id)) {
            return judged;
        }
        let in_metres = row.tolerance.take().is_some();
        row.confidence = Some(stated.confidence);
        match stated.position.error_m() {
            Some(_) => {
                row.error = in_metres.then(|| shown(self.limit_m()));
                let sure = sure_in_words(stated.confidence);
                let beyond = format!("beyond what positions may be off at {sure}");
                let within = format!("within what positions may be off at {sure}");
                let message = row.message.replace("beyond tolerance", &beyond);
                row.message = message.replace("within tolerance", &within);
            }
            None if matches!(row.row.status, Verdict::Fail | Verdict::Warn) => {
                row.row.status = Verdict::Unknown;
                row.message = format!(
                    "cannot be told: as drawn {}; how far what was cut may lie from where it was measured nobody says",
                    row.message
                );
            }
            None => {}
        }
        judged
    }
}

/// Rows that are judged by how far what was cut may lie elsewhere, and not by a figure with an error.
const BY_LIMIT: [RuleId; 7] = [
    RuleId::RoadBand,
    RuleId::DrivenBeyondPlan,
    RuleId::CutBeyondPlan,
    RuleId::PlannedUncut,
    RuleId::PowerLineBelt,
    RuleId::MaxSlope,
    RuleId::SlopeFeller,
];

/// Areas of a block, in square metres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Areas {
    pub gross_m2: f64,
    /// Cut inside the block.
    pub cut_m2: f64,
    pub reserve_m2: f64,
    /// Standing on net ground, road clearings and what the plan leaves unworked taken off.
    pub kept_m2: f64,
    /// Of what the plan leaves unworked, net ground that it leaves as too steep or too soft and that is not cut.
    pub left_m2: f64,
    /// Ground of layer `retain` that counts, still stands and is no other reserve; pieces large enough for the rules.
    pub counted_m2: f64,
    /// Edges of what stands there: where a measurement may err.
    pub kept_edges: EdgeSpread,
}

/// A block as judged; coordinates are in its frame.
#[derive(Clone, Debug)]
pub struct BlockAudit {
    pub id: String,
    pub portfolio: Option<String>,
    pub frame: GroundFrame,
    /// The worst verdict.
    pub status: Verdict,
    pub areas: Areas,
    /// True: nothing of it is cut.
    pub uncut: bool,
    /// Sorted by rule.
    pub rows: Vec<Judged>,
    /// What is cut.
    pub cut: MultiPolygon,
    /// What of it lies on ground of other blocks too.
    pub shared: Option<SharedGround>,
}

impl BlockAudit {
    /// Adds rows that are the same for every block.
    pub fn add(&mut self, rows: &[Judged]) {
        for judged in rows {
            self.status = self.status.max(judged.row.row.status);
            self.rows.push(judged.clone());
        }
        self.rows
            .sort_by(|a, b| a.row.row.rule_id.cmp(&b.row.row.rule_id));
    }
}

pub(super) struct Scene<'s> {
    pub context: Context<'s>,
    pub block: &'s SourceBlock,
    /// The block.
    pub shape: Ground,
    pub given: &'s BlockCut,
    /// Whether a plan says what it leaves unworked: the cut itself, or one beside it.
    pub planned: bool,
    /// Of tracks: whether nobody says what the machine cut to its sides. A plan with lines would.
    pub reach_unknown: bool,
    pub cut: Ground,
    pub lines: Vec<LineString>,
    /// Ways between them, as a plan says.
    pub travel: Vec<LineString>,
    /// Lines, and the ways between them.
    pub ways: Ways,
    pub near: &'s [NearFeature<'s>],
    pub slopes: &'s Slopes<'s>,
    reserve: OnceCell<Vec<Polygon>>,
    gone: OnceCell<Vec<Polygon>>,
    standing: OnceCell<Standing>,
    areas: OnceCell<Areas>,
    pub(super) spacing_m: OnceCell<Option<f64>>,
    /// Net ground that the plan neither cuts nor counts as retention.
    pub unworked: Vec<Polygon>,
    /// What of it the plan leaves as too steep or too soft.
    left: MultiPolygon,
}

/// What stands on net ground.
pub(super) struct Standing {
    pub shape: MultiPolygon,
    /// Area with the seams that `shape` leaves out.
    pub all_m2: f64,
    /// Reserves inside the block.
    pub reserve_m2: f64,
    /// False: the overlay did not add up, and what it says is not to be relied on.
    pub sound: bool,
}

/// Measures what is cut in one block against every rule. `plan` is what should have been cut, where that is given too.
pub fn judge(
    context: Context<'_>,
    block: &SourceBlock,
    cut: &BlockCut,
    plan: Option<&BlockCut>,
) -> BlockAudit {
    let frame = &block.frame;
    let moved = |shape: &Polygon| frame.enter_polygon(shape);
    let shape = frame.enter_polygons(&block.shape);
    let pieces: Vec<Polygon> = cut.pieces.iter().map(|piece| moved(&piece.shape)).collect();
    let lines: Vec<LineString> = (cut.lines.iter())
        .map(|line| frame.enter_line(&line.shape))
        .collect();
    let mut bounds = Bounds::of_polygons(&shape);
    for piece in &pieces {
        (piece.exterior().0.iter()).for_each(|&c| bounds.add(c));
    }
    let travel: Vec<LineString> = (cut.travel.iter())
        .map(|way| frame.enter_line(way))
        .collect();
    let ways: Vec<LineString> = lines.iter().chain(&travel).cloned().collect();
    for way in &ways {
        way.0.iter().for_each(|&c| bounds.add(c));
    }
    let mut near = context.landbase.near(frame, &bounds);
    settle_trees(&mut near, &shape, context.settings);
    let slopes = context
        .landbase
        .slopes(context.terrain, frame, &bounds, &near);
    let over = crossings(&near, context.settings.layout.crossing_width_m);
    let (ways, travel) = (off_crossings(ways, &over), off_crossings(travel, &over));
    let unworked: Vec<(Polygon, bool)> = [Some(cut), plan]
        .into_iter()
        .flatten()
        .flat_map(|given| given.unworked.iter())
        .map(|unworked| (moved(&unworked.shape), unworked.is_left))
        .collect();
    let left = unworked.iter().filter(|(_, is_left)| *is_left);
    let left: Vec<Polygon> = left.map(|(shape, _)| shape.clone()).collect();
    let scene = Scene {
        context,
        block,
        shape: Ground::new(shape.0),
        given: cut,
        planned: [Some(cut), plan]
            .into_iter()
            .flatten()
            .any(|given| given.corridors.is_some()),
        reach_unknown: cut.input == CutInput::Tracks
            && plan.is_none_or(|plan| plan.lines.is_empty()),
        cut: Ground::new(pieces),
        ways: Ways::new(&ways),
        lines,
        travel,
        near: &near,
        slopes: &slopes,
        reserve: OnceCell::new(),
        gone: OnceCell::new(),
        standing: OnceCell::new(),
        areas: OnceCell::new(),
        spacing_m: OnceCell::new(),
        unworked: unworked.iter().map(|(shape, _)| shape.clone()).collect(),
        left: union_of(&left),
    };
    let mut rows: Vec<Judged> = Vec::new();
    rows.extend(scene.unusable());
    rows.extend(scene.track_gaps());
    rows.extend(scene.overlapping_blocks());
    rows.extend(scene.track_ends(plan));
    if let Some(plan) = plan {
        rows.extend(scene.planned(plan));
        rows.extend(scene.driven(plan));
    }
    if cut.is_empty() {
        rows.push(scene.nothing_cut());
    } else {
        rows.push(scene.inside_block());
        rows.extend(scene.reserves());
        rows.extend(scene.stream_barrier());
        rows.extend(scene.machine_exclusions());
        rows.extend(scene.power_lines());
        rows.push(scene.retention_share());
        rows.extend(scene.management_shares());
        rows.extend(scene.trees_per_length());
        rows.extend(scene.standing_trees());
        rows.extend(scene.road_band());
        rows.extend(scene.strip_width());
        rows.extend(scene.reach());
        rows.extend(scene.corridor_widths());
        rows.extend(scene.largest_opening());
        rows.extend(scene.influence());
        rows.extend(scene.occupancy());
        rows.extend(scene.wind());
        rows.extend(scene.slope_limits());
        if cut.input == CutInput::Tracks {
            rows.push(scene.night_work(plan));
            rows.extend(scene.closed_work(plan));
        }
    }
    rows = rows
        .into_iter()
        .map(|judged| context.with_limit(judged))
        .collect();
    if let Some(screening) = &cut.screening {
        rows.iter_mut().for_each(screened);
        rows.push(screening.row());
    }
    for judged in &mut rows {
        let ground = judged.ground.take();
        let ground = ground.map(|ground| sound_all(ground, frame));
        judged.ground = ground.filter(|ground| !ground.0.is_empty());
        if let Some(place) = judged.place {
            let place = frame.told(place);
            judged.row.x = Some(place.x);
            judged.row.y = Some(place.y);
        }
    }
    rows.sort_by(|a, b| a.row.row.rule_id.cmp(&b.row.row.rule_id));
    let status = rows.iter().map(Judged::status).max();
    BlockAudit {
        id: block.id.clone(),
        portfolio: block.portfolio.clone(),
        frame: frame.clone(),
        status: status.unwrap_or(Verdict::Pass),
        areas: if cut.is_empty() {
            Areas {
                gross_m2: area(&scene.shape.shape),
                ..Areas::default()
            }
        } else {
            scene.areas()
        },
        uncut: cut.is_empty(),
        rows,
        shared: if cut.is_empty() {
            None
        } else {
            scene.shared_ground()
        },
        cut: scene.cut.shape,
    }
}

/// What is said of a block whose measuring crashed: nothing can be told of it.
pub fn crashed(block: &SourceBlock, why: &str) -> BlockAudit {
    let bounds = Bounds::of_polygons(&block.shape);
    BlockAudit {
        id: block.id.clone(),
        portfolio: block.portfolio.clone(),
        frame: block.frame.of_plane(),
        status: Verdict::Unknown,
        areas: Areas {
            gross_m2: area(&block.shape),
            ..Areas::default()
        },
        // Its share must not count.
        uncut: true,
        rows: vec![super::trespass::crashed_row(why).at(Some(bounds.middle()))],
        cut: MultiPolygon(vec![]),
        shared: None,
    }
}

impl Scene<'_> {
    /// Edges of some standing ground.
    pub fn edges_of(&self, ground: &MultiPolygon) -> EdgeSpread {
        match self.context.certainty {
            Certainty::Tolerance(_) => EdgeSpread::long(ground),
            Certainty::Assumed(_) | Certainty::Stated(_) => {
                EdgeSpread::of(ground, self.cut.edges())
            }
        }
    }

    pub fn knows_the_way(&self) -> bool {
        self.given.input.knows_the_way() && !self.ways.is_empty()
    }

    pub fn local(&self, shape: &Polygon) -> Polygon {
        self.block.frame.enter_polygon(shape)
    }

    /// Ground within the reserves of everything near, as overlapping polygons, as far as it may touch the block.
    pub fn reserve(&self) -> &[Polygon] {
        self.reserve.get_or_init(|| self.reserve_grown(0.0))
    }

    /// The same with `more_m` added to every distance.
    pub fn reserve_grown(&self, more_m: f64) -> Vec<Polygon> {
        self.reserve_of(more_m, &|_| true)
    }

    /// Of what layer `retain` has and counts, ground in the block that still stands and that no other reserve has: pieces.
    pub fn counted(&self) -> MultiPolygon {
        let counts = |near: &NearFeature| counts_as_retained(near.feature);
        if !self.near.iter().any(counts) {
            return MultiPolygon(vec![]);
        }
        let own = split(&self.shape.shape, &self.reserve_of(0.0, &counts)).inside;
        let mut others = self.reserve_of(0.0, &|near| !counts(near));
        others.extend(self.gone().iter().cloned());
        let least = self.context.rules.block.least_patch_m2.as_ref();
        let is_enough =
            |piece: &Polygon| least.is_none_or(|least| polygon_area(piece) > least.value);
        let pieces = split(&own, &others).outside.0.into_iter();
        MultiPolygon(pieces.filter(is_enough).collect())
    }

    fn reserve_of(&self, more_m: f64, of: &dyn Fn(&NearFeature) -> bool) -> Vec<Polygon> {
        let mut reached = Reached::default();
        let window = self.shape.bounds();
        let owes = |near: &&NearFeature| asked::owes_a_reserve(near) && of(near);
        for near in self.near.iter().filter(owes) {
            let Some(rule) = near.demand.rule else {
                // Water and protected ground without a rule are still not cut.
                self.reach_unruled(&mut reached, near, more_m, &window);
                continue;
            };
            let edges = asked::edges(near, rule, self.slopes, |w| w.reserve_m);
            asked::reach(&mut reached, near, &edges, more_m, &window);
        }
        reached.0
    }

    fn reach_unruled(
        &self,
        reached: &mut Reached,
        near: &NearFeature,
        more_m: f64,
        window: &Bounds,
    ) {
        let segments = near.source.segments(0).into_iter();
        let edges: Vec<asked::Edge> = segments
            .map(|s| asked::Edge {
                a: s.a,
                b: s.b,
                required_m: 0.0,
                slope_unknown: false,
            })
            .collect();
        asked::reach(reached, near, &edges, more_m, window);
    }

    /// What does not stand for other reasons than a reserve: cut, left unworked by the plan, cleared for a road.
    pub fn gone(&self) -> &[Polygon] {
        self.gone.get_or_init(|| {
            let mut gone: Vec<Polygon> = self.cut.shape.0.clone();
            gone.extend(self.unworked.iter().cloned());
            gone.extend(self.cleared(&self.shape.bounds()));
            crate::geometry::overlay::oriented(MultiPolygon(gone)).0
        })
    }

    /// Cleared ground of open roads, as far as it may touch `window`.
    pub fn cleared(&self, window: &Bounds) -> Vec<Polygon> {
        let mut reached = Reached::default();
        for near in self.near.iter().filter(|near| asked::is_cleared_road(near)) {
            self.reach_unruled(&mut reached, near, 0.0, window);
        }
        reached.0
    }

    /// What stands on net ground: the block less what is cut, reserves, road clearings and unworked ground.
    pub fn standing(&self) -> &Standing {
        self.standing.get_or_init(|| {
            let reserve = self.reserve();
            // All in one: what an overlay leaves may have walls too thin for the next one.
            let gone: Vec<Polygon> = self.gone().iter().chain(reserve).cloned().collect();
            let left = split(&self.shape.shape, &gone);
            let reserved = split(&self.shape.shape, reserve);
            let wide = |polygon: &Polygon| {
                2.0 * polygon_area(polygon) > SEAM_M * rings(polygon).map(length).sum::<f64>()
            };
            Standing {
                sound: left.sound && reserved.sound,
                all_m2: area(&left.outside),
                shape: MultiPolygon(left.outside.0.into_iter().filter(wide).collect()),
                reserve_m2: area(&reserved.inside),
            }
        })
    }

    /// Why areas cannot be relied on, if so.
    pub fn overlay_doubt(&self) -> Option<&'static str> {
        let sound = self.standing().sound;
        (!sound)
            .then_some("the overlay of cut and block does not add up; simplify the cut's outlines")
    }

    /// For sums over blocks, in which ground of several counts once.
    fn shared_ground(&self) -> Option<SharedGround> {
        let overlaps = self.context.neighbours.overlaps();
        overlaps.ground_of(&self.block.id).next()?;
        let mut standing = self.standing().shape.0.clone();
        if !self.context.rules.reserves_count {
            standing.extend(self.counted().0);
        }
        SharedGround::new(
            overlaps,
            &self.block.id,
            &self.block.frame,
            &standing,
            self.reserve(),
        )
    }

    pub fn areas(&self) -> Areas {
        *self.areas.get_or_init(|| self.measure_areas())
    }

    fn left_m2(&self) -> f64 {
        if self.left.0.is_empty() {
            return 0.0;
        }
        let gone: Vec<Polygon> = (self.cut.shape.0.iter())
            .chain(self.reserve())
            .cloned()
            .collect();
        area(&split(&inside_of(&self.shape.shape, &self.left.0), &gone).outside)
    }

    fn measure_areas(&self) -> Areas {
        let standing = self.standing();
        Areas {
            gross_m2: area(&self.shape.shape),
            cut_m2: area(&inside_of(&self.shape.shape, &self.cut.shape.0)),
            reserve_m2: standing.reserve_m2,
            kept_m2: standing.all_m2,
            left_m2: self.left_m2(),
            counted_m2: area(&self.counted()),
            kept_edges: self.edges_of(&standing.shape),
        }
    }
}
