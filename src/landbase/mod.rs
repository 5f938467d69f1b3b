//! Every feature of every layer in R-trees, so that a block touches only what lies within the widest rule of it.

mod crossings;
mod danger_trees;
mod near;
mod people;
mod power_lines;
mod slope;
mod slope_classes;
mod stocking;
mod stretches;
mod wet_ground;
mod windows;

use geo::Coord;
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use crate::geometry::area::Bounds;
use crate::model::{
    Fact, Facts, Feature, GroundFrame, LayerKind, LayoutSettings, Shape, StandSource,
};
use crate::rulebook::{Channel, Match, MeasuredFrom, RoadUse, RuleLine, Rulebook, Widths};

pub use crossings::{Crossing, closed_crossings, crossings, off_crossings};
pub use danger_trees::DangerTree;
pub use near::NearFeature;
pub use people::{
    APART_SOURCE, FALLING_SOURCE, People, TREE_LENGTHS, TreeLength, people_at, tree_length,
};
pub use power_lines::{
    Limit, POWER_LINES_SOURCE, PowerLine, TreesFrom, UNKNOWN_TREE_M, settle_trees,
};
pub use slope::{Grade, GroundRun, Slope, SlopeGround, SlopeRun, SlopeSource, Slopes};
pub use stocking::{Counted, NO_STAND_TABLE, Stocking, bank_m};
pub use stretches::{STEP_M, Stretch};
pub use wet_ground::{WetFound, WhyUnknown, wet_polygons};

use slope_classes::SlopeClasses;

/// Long lines are indexed in runs of this many segments, so that a river is not one box.
const RUN_SEGMENTS: usize = 32;

/// A stretch of a line, or a whole point or polygon feature.
#[derive(Clone, Copy, Debug)]
struct Entry {
    feature: u32,
    /// Member of a multiline.
    member: u32,
    /// Vertices `from..=to` of that member.
    from: u32,
    to: u32,
}

type Indexed = GeomWithData<Rectangle<[f64; 2]>, Entry>;

/// Features are kept this far beyond what their rules ask, so that zones run on across the block's map.
pub const SHOWN_BEYOND_M: f64 = 80.0;

/// Ground across which a tree or another thing drawn as a point or line stands, where nobody says so; own judgement.
pub const KEPT_WIDTH_M: f64 = 2.0;

/// No machine reaches farther out of a block than this.
const ASIDE_M: f64 = 30.0;

/// What the rules in force ask of one feature, looked up once.
#[derive(Clone, Copy, Debug)]
pub struct Demand<'a> {
    pub rule: Option<&'a RuleLine>,
    /// True: the feature names no class, and its facts told which line it is.
    pub derived: bool,
    /// True: the class is missing or unknown, and the widest line stands in.
    pub assumed: bool,
    /// Line that the facts point to, where the feature names another class.
    pub contradicted_by: Option<&'a RuleLine>,
    /// From the drawn feature to where its rule's distances begin: half of a stream's channel or of a road's cleared
    /// width, and the fringe where the rule counts from the first trees.
    pub half_m: f64,
    /// True: a stream line without a channel width; half of the class's widest channel stands in, or nothing.
    pub half_assumed: bool,
    /// True: and the class has no widest, so that distances are counted from the line.
    pub half_at_least: bool,
    /// From the drawn feature: nearer than this nothing is cut or driven, whatever the rule asks. 0 but for streams
    /// drawn as lines.
    pub barrier_m: f64,
    /// True: the rule counts from the first trees, and where they begin is not known.
    pub fringe_unknown: bool,
    /// Of roads: what is said of their use, by the feature or else by its rule.
    pub road_use: RoadUse,
    /// It may lie nearer than mapped by this much, m; None: nobody says by how much.
    pub off_m: Option<f64>,
    /// True: nothing is cut on it whatever its rule asks.
    pub keeps_itself: bool,
    /// That much farther off everything is kept, where the project asks for it.
    pub more_m: f64,
    /// Of what stays: its own width on which no machine drives, m; None: that of its rule.
    pub machine_free_m: Option<f64>,
    /// Of power lines: how far machines and falling trees keep off.
    pub power_line: Option<PowerLine>,
    /// Of dangerous trees that stay: how far nobody works.
    pub danger_tree: Option<DangerTree>,
}

impl Demand<'_> {
    /// The widest distances on any slope.
    pub fn widest(&self) -> Widths {
        self.own(self.rule.map_or_else(Widths::default, RuleLine::widest))
    }

    /// What the feature itself says goes before what its rule asks.
    pub fn own(&self, widths: Widths) -> Widths {
        if let Some(line) = self.power_line {
            return line.widths();
        }
        let own = self.as_mapped(widths);
        // What machines only keep off has no reserve of its own to be widened.
        let wider = |width_m: f64| match width_m > 0.0 {
            true => width_m + self.more_m,
            false => width_m,
        };
        Widths {
            reserve_m: match self.keeps_itself {
                true => own.reserve_m + self.more_m,
                false => wider(own.reserve_m),
            },
            management_m: own.management_m,
            machine_exclusion_m: wider(own.machine_exclusion_m),
        }
    }

    fn as_mapped(&self, widths: Widths) -> Widths {
        let widths = match self.danger_tree {
            Some(tree) => Widths {
                reserve_m: tree.reserve_m(self.half_m),
                ..widths
            },
            None => widths,
        };
        Widths {
            machine_exclusion_m: self.machine_free_m.unwrap_or(widths.machine_exclusion_m),
            ..widths
        }
    }

    /// Where the barrier keeps farther off than a reserve of this width.
    pub fn barrier_beyond(&self, reserve_m: f64) -> Option<f64> {
        (self.barrier_m > self.half_m + reserve_m).then_some(self.barrier_m)
    }

    /// Of roads: whether wood may be decked along it; where nobody says so, it may.
    pub fn takes_wood(&self) -> bool {
        !self.asks_for_something() && self.road_use.decking != Some(false)
    }

    pub fn asks_for_something(&self) -> bool {
        self.rule.is_some_and(|rule| !rule.asks_for_nothing())
    }
}

/// All features, indexed by kind.
pub struct Landbase<'a> {
    features: &'a [Feature],
    demands: Vec<Demand<'a>>,
    trees: Vec<(LayerKind, f64, RTree<Indexed>)>,
    settings: &'a LayoutSettings,
    stand_rasters: Option<&'a dyn StandSource>,
    /// Kinds of which some feature says when ground may be worked, with the farthest that a rule for it reaches.
    with_days: Vec<(LayerKind, f64)>,
}

impl<'a> Landbase<'a> {
    /// Rasters beside the polygons of stands.
    pub fn with_stand_rasters(self, stand_rasters: Option<&'a dyn StandSource>) -> Landbase<'a> {
        Landbase {
            stand_rasters,
            ..self
        }
    }

    pub fn stand_rasters(&self) -> Option<&'a dyn StandSource> {
        self.stand_rasters
    }

    pub fn new(
        features: &'a [Feature],
        rules: &'a Rulebook,
        settings: &'a LayoutSettings,
    ) -> Landbase<'a> {
        let tallest_m = power_lines::tallest_m(features, settings.tree_height.as_ref());
        let demands: Vec<Demand> = features
            .iter()
            .map(|feature| {
                let demand = demand(feature, rules, settings);
                Demand {
                    power_line: PowerLine::of(feature, rules, settings, tallest_m),
                    danger_tree: DangerTree::of(feature, demand.rule, settings, tallest_m),
                    ..demand
                }
            })
            .collect();
        let mut trees = Vec::new();
        let mut with_days = Vec::new();
        for kind in LayerKind::ALL {
            let mut entries = Vec::new();
            let mut widest_m = 0.0f64;
            let mut days_m: Option<f64> = None;
            for (index, feature) in features
                .iter()
                .enumerate()
                .filter(|(_, feature)| feature.kind == kind)
            {
                widest_m = widest_m.max(radius(feature, &demands[index], settings));
                let rule = demands[index].rule;
                if windows::speaks_of_days(feature, rule) {
                    let own_m = rule.map_or(0.0, |rule| rule.window_within_m);
                    days_m = Some(days_m.map_or(own_m, |most_m| most_m.max(own_m)));
                }
                index_feature(index as u32, feature, &mut entries);
            }
            if !entries.is_empty() {
                trees.push((kind, widest_m, RTree::bulk_load(entries)));
                with_days.extend(days_m.map(|most_m| (kind, most_m)));
            }
        }
        Landbase {
            features,
            demands,
            trees,
            settings,
            stand_rasters: None,
            with_days,
        }
    }

    /// Whether any road or landing is known at all.
    pub fn knows_access(&self) -> bool {
        let access = |kind| matches!(kind, LayerKind::Roads | LayerKind::Landings);
        self.trees.iter().any(|(kind, _, _)| access(*kind))
    }

    /// The widest rule of any feature of a kind; 0 when there is none.
    pub fn widest_m(&self, kind: LayerKind) -> f64 {
        self.trees
            .iter()
            .find(|(tree, _, _)| *tree == kind)
            .map_or(0.0, |(_, widest_m, _)| *widest_m)
    }

    /// How far what is asked of a feature reaches from its drawn shape, by its index.
    pub fn reach_m(&self, feature: usize) -> f64 {
        radius(
            &self.features[feature],
            &self.demands[feature],
            self.settings,
        )
    }

    pub fn demand(&self, feature: u32) -> Demand<'a> {
        self.demands[feature as usize]
    }

    /// Features of every kind that lie within their own widest rule of the box, in the order they were read; their
    /// shapes are cut down to what is near and brought into the frame, in which the box is too.
    pub fn near(&self, frame: &GroundFrame, block: &Bounds) -> Vec<NearFeature<'a>> {
        let trees = self
            .trees
            .iter()
            .map(|(_, widest_m, tree)| (tree, widest_m + SHOWN_BEYOND_M));
        self.collect(trees, frame, block, |feature, demand| {
            radius(feature, demand, self.settings) + SHOWN_BEYOND_M
        })
    }

    /// As [`Landbase::near`], the roads that wood may come to whose edge lies within a distance of the box.
    pub fn open_roads(
        &self,
        frame: &GroundFrame,
        block: &Bounds,
        within_m: f64,
    ) -> Vec<NearFeature<'a>> {
        let roads = self
            .trees
            .iter()
            .filter(|(kind, _, _)| *kind == LayerKind::Roads);
        let roads = roads.map(|(_, widest_m, tree)| (tree, widest_m + within_m));
        let mut found = self.collect(roads, frame, block, |_, demand| demand.half_m + within_m);
        found.retain(NearFeature::is_open_road);
        found
    }

    /// Features of trees, each looked up within a distance of the box and kept where it lies within its own.
    fn collect<'t>(
        &self,
        trees: impl Iterator<Item = (&'t RTree<Indexed>, f64)>,
        frame: &GroundFrame,
        block: &Bounds,
        reach_m: impl Fn(&Feature, &Demand) -> f64,
    ) -> Vec<NearFeature<'a>> {
        let mut found = Vec::new();
        for (tree, most_m) in trees {
            let mut entries: Vec<Entry> =
                locate(tree, &block.grown(most_m).leaving(frame)).collect();
            entries.sort_by_key(|entry| (entry.feature, entry.member, entry.from));
            for run in entries.chunk_by(|a, b| a.feature == b.feature) {
                let index = run[0].feature;
                let feature = &self.features[index as usize];
                let demand = self.demands[index as usize];
                let window = block.grown(reach_m(feature, &demand));
                if let Some(source) = near::cut_down(feature, run, frame, &window) {
                    found.push((
                        index,
                        NearFeature {
                            feature,
                            demand,
                            source,
                            stretches: Vec::new(),
                            slope_unknown: None,
                        },
                    ));
                }
            }
        }
        found.sort_by_key(|(index, _)| *index);
        found.into_iter().map(|(_, near)| near).collect()
    }

    /// What is known of the slope in a block's box, and where the rules of these features ask for it: `terrain` where it
    /// has a value, else the slope classes. `block` and `near` are in the frame.
    pub fn slopes<'t>(
        &self,
        terrain: Option<&'t dyn SlopeSource>,
        frame: &GroundFrame,
        block: &Bounds,
        near: &[NearFeature],
    ) -> Slopes<'t> {
        let follows = |near: &&NearFeature| near.demand.rule.is_some_and(RuleLine::follows_slope);
        // The machine may stand beside the block, on a road.
        let mut window = block.grown(ASIDE_M);
        for near in near.iter().filter(follows) {
            let bounds = near.source.bounds();
            window.add(bounds.min);
            window.add(bounds.max);
        }
        let world = window.leaving(frame);
        let classes = self
            .trees
            .iter()
            .find(|(kind, _, _)| *kind == LayerKind::SlopeClasses);
        let mut found: Vec<u32> = classes.map_or_else(Vec::new, |(_, _, tree)| {
            locate(tree, &world.grown(1.0))
                .map(|entry| entry.feature)
                .collect()
        });
        found.sort_unstable();
        found.dedup();
        let polygons = found.iter().filter_map(|&index| {
            let feature = &self.features[index as usize];
            match &feature.shape {
                Shape::Polygons(polygons) => Some((feature.slope?, polygons)),
                Shape::Points(_) | Shape::Lines(_) => None,
            }
        });
        let classes = SlopeClasses::new(polygons, &window, frame);
        Slopes::new(terrain, classes, &window, frame)
    }

    /// The point of any landing, or of any road that wood may come to, nearest to `from`, if within `within_m`, and its
    /// distance; both places in the frame.
    pub fn nearest_access(
        &self,
        frame: &GroundFrame,
        from: Coord,
        within_m: f64,
    ) -> Option<(Coord, f64)> {
        let mut best: Option<(Coord, f64)> = None;
        let window = Bounds {
            min: from,
            max: from,
        }
        .grown(within_m)
        .leaving(frame);
        for (kind, _, tree) in &self.trees {
            if !matches!(kind, LayerKind::Roads | LayerKind::Landings) {
                continue;
            }
            for entry in locate(tree, &window) {
                let demand = &self.demands[entry.feature as usize];
                if *kind == LayerKind::Roads && !demand.takes_wood() {
                    continue;
                }
                let feature = &self.features[entry.feature as usize];
                let (point, distance) = near::nearest_point(feature, &entry, frame, from);
                let closer = best.is_none_or(|(p, d)| {
                    distance < d || (distance == d && (point.x, point.y) < (p.x, p.y))
                });
                if distance <= within_m && closer {
                    best = Some((point, distance));
                }
            }
        }
        best
    }
}

fn locate<'t>(tree: &'t RTree<Indexed>, window: &Bounds) -> impl Iterator<Item = Entry> + use<'t> {
    tree.locate_in_envelope_intersecting(window.envelope())
        .map(|indexed| indexed.data)
}

fn demand<'a>(feature: &Feature, rules: &'a Rulebook, settings: &LayoutSettings) -> Demand<'a> {
    let facts = &feature.facts;
    let class = feature.class.as_deref();
    let is_line = matches!(feature.shape, Shape::Lines(_));
    let channel = Channel::of(feature.kind, is_line, feature.width_m);
    let (rule, derived, assumed) = match rules.find(feature.kind, class, facts, channel) {
        Match::Line(line) => (Some(line), false, false),
        Match::Derived(line) => (Some(line), true, false),
        Match::Assumed(line) => (Some(line), false, true),
        Match::None => (None, false, false),
    };
    let of_class = rule.filter(|_| !assumed).map(|rule| rule.road_use);
    let contradicted_by = (!derived && !assumed)
        .then(|| rules.derive(feature.kind, facts))
        .flatten()
        .filter(|other| rule.is_some_and(|rule| !rule.when.is_empty() && rule.id != other.id));
    let from = rule.map_or_else(MeasuredFrom::default, |rule| rule.measured_from);
    let bank = channel.bank(rule);
    let half_m = match feature.kind {
        LayerKind::Roads if is_line => feature.width_m.unwrap_or(settings.road_width_m) / 2.0,
        LayerKind::PowerLines => feature.width_m.unwrap_or(0.0) / 2.0,
        LayerKind::Retain if !matches!(feature.shape, Shape::Polygons(_)) => {
            feature.width_m.unwrap_or(KEPT_WIDTH_M) / 2.0
        }
        _ => bank.half_m,
    };
    // Both add to the distance from the drawn feature, so one figure serves.
    let half_m = match from {
        MeasuredFrom::Bank => half_m,
        MeasuredFrom::StandEdge => half_m + feature.fringe_m.unwrap_or(0.0),
        MeasuredFrom::Centreline => 0.0,
    };
    Demand {
        rule,
        derived,
        assumed,
        contradicted_by,
        half_m,
        half_assumed: bank.assumed,
        half_at_least: bank.at_least,
        barrier_m: match bank.barrier_m > 0.0 {
            true => bank.barrier_m + kept_more_m(feature, settings),
            false => bank.barrier_m,
        },
        fringe_unknown: from == MeasuredFrom::StandEdge && feature.fringe_m.is_none(),
        off_m: feature.facts.number(Facts::ACCURACY),
        more_m: kept_more_m(feature, settings),
        keeps_itself: feature.kind != LayerKind::Hazards && feature.kind.takes_accuracy(),
        machine_free_m: match feature.facts.get(Facts::MACHINE_FREE) {
            Some(Fact::Number(m)) if feature.stays() => Some(*m),
            _ => None,
        },
        power_line: None,
        danger_tree: None,
        road_use: if feature.kind == LayerKind::Roads {
            RoadUse::of(&feature.facts).or(of_class.unwrap_or_default())
        } else {
            of_class.unwrap_or_default()
        },
    }
}

/// How much farther off a feature is kept for what its map may be off, m.
fn kept_more_m(feature: &Feature, settings: &LayoutSettings) -> f64 {
    let off_m = feature.facts.number(Facts::ACCURACY);
    off_m.filter(|_| settings.keep_for_accuracy).unwrap_or(0.0)
}

/// How far a feature's widest rule reaches from its drawn shape.
fn radius(feature: &Feature, demand: &Demand, settings: &LayoutSettings) -> f64 {
    let ruled = demand.widest().reach_m();
    let set = match feature.kind {
        LayerKind::Roads => settings.road_band_m.max(settings.frontage_distance_m),
        LayerKind::Hazards | LayerKind::PowerLines => settings.hazard_distance_m + demand.more_m,
        LayerKind::Crossings => SHOWN_BEYOND_M,
        _ => 0.0,
    };
    // A little more than the certified buffer's own excess.
    (demand.half_m + ruled.max(set)).max(demand.barrier_m) * 1.002 + 0.01
}

fn index_feature(index: u32, feature: &Feature, entries: &mut Vec<Indexed>) {
    let mut push = |bounds: Bounds, member: usize, from: usize, to: usize| {
        let rectangle =
            Rectangle::from_corners([bounds.min.x, bounds.min.y], [bounds.max.x, bounds.max.y]);
        let entry = Entry {
            feature: index,
            member: member as u32,
            from: from as u32,
            to: to as u32,
        };
        entries.push(GeomWithData::new(rectangle, entry));
    };
    match &feature.shape {
        Shape::Points(points) => {
            for (member, point) in points.0.iter().enumerate() {
                push(Bounds::of([&point.0]), member, 0, 0);
            }
        }
        Shape::Lines(lines) => {
            for (member, line) in lines.0.iter().enumerate() {
                let last = line.0.len().saturating_sub(1);
                for from in (0..last).step_by(RUN_SEGMENTS) {
                    let to = (from + RUN_SEGMENTS).min(last);
                    push(Bounds::of(&line.0[from..=to]), member, from, to);
                }
            }
        }
        Shape::Polygons(polygons) => {
            for (member, polygon) in polygons.0.iter().enumerate() {
                push(Bounds::of(&polygon.exterior().0), member, 0, 0);
            }
        }
    }
}
