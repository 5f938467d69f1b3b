//! Settings as a planner drew them, and outlets that a block is held to. What nobody drew is divided by cost, as ever.

use geo::{Geometry, LineString, MultiPolygon, Polygon};

use super::Context;
use super::by_hand::{self, ByHand};
use super::ground::Ground;
use super::necks::longest_against;
use super::outlets::{Outlet, Roads};
use super::setting::{self, Setting, cost_grid, sources};
use crate::geometry::area::{area, length, polygon_area};
use crate::geometry::buffer::Source;
use crate::geometry::cost_grid::CLOSED;
use crate::geometry::overlay::{difference, intersection, oriented, union};
use crate::landbase::NearFeature;
use crate::model::{Fact, Facts, Finding, LayerKind, OutletKind, SourceBlock, Verdict};
use crate::units::hectares;

/// Overlaps and ground beyond the block of less are slips of the hand, m².
const SLIP_M2: f64 = 100.0;

/// A setting of the planner's, as one block sees it.
struct Drawn<'n> {
    id: &'n str,
    outlet: Option<String>,
    by_hand: ByHand,
    /// Its ground in the block, less what settings drawn before it took.
    ground: MultiPolygon,
}

/// Settings of all parts, each with the index of its part, and what is to be said of what was drawn.
pub struct Divided {
    pub settings: Vec<(usize, Setting)>,
    pub findings: Vec<Finding>,
}

/// Divides all parts. Of each, settings that were drawn come first, in the order in which they were read.
pub fn divide(
    context: Context<'_>,
    (source, block): (&SourceBlock, &MultiPolygon),
    ground: &Ground,
    near: &[NearFeature],
    roads: &Roads,
    outlets: Vec<Vec<Outlet>>,
) -> Divided {
    let mut findings = Vec::new();
    let drawn = read(block, near, &mut findings);
    let outlets = held_to(source, ground, roads, outlets, &mut findings);
    if drawn.is_empty() {
        let parts = ground.parts.iter().zip(outlets).enumerate();
        let settings = parts.flat_map(|(index, (part, outlets))| {
            let settings = setting::divide(context, ground, part, outlets);
            settings.into_iter().map(move |setting| (index, setting))
        });
        return Divided {
            settings: settings.collect(),
            findings,
        };
    }
    let mut settings = Vec::new();
    let mut taken = vec![Taken::default(); drawn.len()];
    for (index, (part, outlets)) in ground.parts.iter().zip(&outlets).enumerate() {
        let cut = Cut::of(context, part, &drawn);
        for (which, shape) in cut.drawn {
            let own = &drawn[which];
            let found = outlet_of(ground, roads, (&shape, own), outlets);
            taken[which].add(&found);
            settings.push((
                index,
                Setting {
                    shape,
                    outlet: found.outlet,
                    drawn: Some(own.id.to_owned()),
                    tier: None,
                    choice: None,
                    by_hand: own.by_hand.clone(),
                },
            ));
        }
        for shape in cut.rest {
            let reached = reached(ground, &shape, outlets);
            let own = if reached.is_empty() {
                nearest(&shape, outlets).into_iter().collect()
            } else {
                reached.into_iter().map(|(_, outlet)| outlet).collect()
            };
            let own = setting::divide(context, ground, &shape, own);
            settings.extend(own.into_iter().map(|setting| (index, setting)));
        }
    }
    for (own, taken) in drawn.iter().zip(&taken) {
        findings.extend(taken.finding(own, roads));
    }
    Divided { settings, findings }
}

fn finding(verdict: Verdict, ha: Option<f64>, message: String, shape: Option<Geometry>) -> Finding {
    Finding {
        rule_id: "drawn-setting".to_owned(),
        verdict,
        measured: ha,
        required: None,
        unit: if ha.is_some() { "ha" } else { "" },
        message,
        source: "docs/project-file.md, Settings".to_owned(),
        shape,
    }
}

/// What was drawn near the block, and what of it overlaps or lies outside.
fn read<'n>(
    block: &MultiPolygon,
    near: &'n [NearFeature<'n>],
    findings: &mut Vec<Finding>,
) -> Vec<Drawn<'n>> {
    let mut all: Vec<Drawn<'n>> = Vec::new();
    for feature in near {
        let (Source::Polygons(polygons), LayerKind::Settings) =
            (&feature.source, feature.feature.kind)
        else {
            continue;
        };
        let whole = oriented(polygons.clone());
        let mut own = intersection(block, &whole.0);
        let inside_m2 = area(&own);
        if inside_m2 < SLIP_M2 {
            continue;
        }
        let id = feature.feature.id.as_str();
        let outside = difference(&whole, &block.0);
        let outside_m2 = area(&outside);
        if outside_m2 > SLIP_M2 {
            let ha = hectares(outside_m2);
            let message =
                format!("setting {id}: {ha:.2} ha of it lie outside the block and are left out");
            let shape = Some(Geometry::MultiPolygon(outside));
            findings.push(finding(Verdict::NotApplicable, Some(ha), message, shape));
        }
        for before in &all {
            let both = intersection(&own, &before.ground.0);
            let both_m2 = area(&both);
            if both_m2 <= 0.0 {
                continue;
            }
            own = difference(&own, &before.ground.0);
            if both_m2 > SLIP_M2 {
                let ha = hectares(both_m2);
                let message = format!(
                    "settings {} and {id} overlap by {ha:.2} ha; the ground goes to {}, which is read first",
                    before.id, before.id
                );
                let shape = Some(Geometry::MultiPolygon(both));
                findings.push(finding(Verdict::Warn, Some(ha), message, shape));
            }
        }
        let outlet = match feature.feature.facts.get(Facts::OUTLET) {
            Some(Fact::Text(text)) => Some(text.clone()),
            _ => None,
        };
        all.push(Drawn {
            id,
            outlet,
            by_hand: by_hand::stated(&feature.feature.facts),
            ground: own,
        });
    }
    all
}

/// Outlets of each part, of those that the block is held to where it reaches any.
fn held_to(
    source: &SourceBlock,
    ground: &Ground,
    roads: &Roads,
    outlets: Vec<Vec<Outlet>>,
    findings: &mut Vec<Finding>,
) -> Vec<Vec<Outlet>> {
    if source.outlets.is_empty() {
        return outlets;
    }
    for name in source.outlets.iter().filter(|name| !roads.knows(name)) {
        let message = format!(
            "the block names outlet {name}, which is no landing and no road that takes wood near it"
        );
        findings.push(finding(Verdict::Warn, None, message, None));
    }
    let mut held = Vec::with_capacity(outlets.len());
    for (part, own) in ground.parts.iter().zip(outlets) {
        let named = |outlet: &&Outlet| source.outlets.iter().any(|name| outlet.is_named(name));
        let mut wanted: Vec<Outlet> = own.iter().filter(named).cloned().collect();
        let has = |wanted: &[Outlet], name: &str| wanted.iter().any(|o| o.is_named(name));
        for name in &source.outlets {
            if !has(&wanted, name)
                && let Some(landing) = roads.landing_in(name, part)
            {
                wanted.push(landing);
            }
        }
        if wanted.is_empty() && !own.is_empty() {
            let ha = hectares(polygon_area(part));
            let message = format!(
                "no outlet that the block names ({}) is reached from {ha:.2} ha of it; its wood goes where it is cheapest",
                source.outlets.join(", ")
            );
            let shape = Some(Geometry::Polygon(part.clone()));
            findings.push(finding(Verdict::Warn, Some(ha), message, shape));
            wanted = own;
        }
        held.push(wanted);
    }
    held
}

/// A part cut by what was drawn.
struct Cut {
    /// Index of the drawing, and a piece of its ground.
    drawn: Vec<(usize, Polygon)>,
    rest: Vec<Polygon>,
}

impl Cut {
    fn of(context: Context<'_>, part: &Polygon, drawn: &[Drawn<'_>]) -> Cut {
        let least_m2 = context.settings.layout.least_part_m2;
        let mut rest = MultiPolygon(vec![part.clone()]);
        let mut own: Vec<(usize, Polygon)> = Vec::new();
        for (which, setting) in drawn.iter().enumerate() {
            let pieces = intersection(&rest, &setting.ground.0);
            let pieces = pieces.0.into_iter();
            let pieces: Vec<Polygon> = pieces.filter(|p| polygon_area(p) >= least_m2).collect();
            if !pieces.is_empty() {
                rest = difference(&rest, &pieces);
                own.extend(pieces.into_iter().map(|piece| (which, piece)));
            }
        }
        // What lies between drawn lines and the edge of the ground is no ground of its own.
        let mut kept = Vec::new();
        for piece in rest.0 {
            let beside = longest_against(&piece, own.iter().map(|(_, shape)| shape));
            match beside.filter(|_| polygon_area(&piece) < least_m2) {
                Some((at, _)) => {
                    let joined = union(&[own[at].1.clone(), piece.clone()]);
                    match <[Polygon; 1]>::try_from(joined.0) {
                        Ok([whole]) => own[at].1 = whole,
                        Err(_) => kept.push(piece),
                    }
                }
                None => kept.push(piece),
            }
        }
        Cut {
            drawn: own,
            rest: kept,
        }
    }
}

/// Outlets that wood of a shape reaches over its own ground, with the mean way's cost to each, least first.
fn reached(ground: &Ground, shape: &Polygon, outlets: &[Outlet]) -> Vec<(f64, Outlet)> {
    let grid = cost_grid(ground, shape);
    let open = grid.covered(std::slice::from_ref(shape));
    let mut found: Vec<(f64, Outlet)> = Vec::new();
    for outlet in outlets {
        if outlet.kind == OutletKind::Access {
            // Over ground of others in any case.
            found.push((f64::MAX, outlet.clone()));
            continue;
        }
        let from = sources(&grid, outlet);
        if from.is_empty() {
            continue;
        }
        let reached = grid.reach(&from);
        let costs = open.iter().map(|&cell| reached.cost[cell]);
        let costs: Vec<f64> = costs.filter(|cost| *cost < CLOSED).collect();
        // Beside it by a corner only, most of the ground would have no way.
        if 2 * costs.len() >= open.len() && !costs.is_empty() {
            let mean = costs.iter().sum::<f64>() / costs.len() as f64;
            found.push((mean + outlet.beyond_m(), outlet.clone()));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found
}

/// The outlet that is nearest in a straight line; its wood comes there over ground of others.
fn nearest(shape: &Polygon, outlets: &[Outlet]) -> Option<Outlet> {
    let corners = || shape.exterior().0.iter().copied();
    let places = outlets.iter().flat_map(|outlet| {
        corners().filter_map(move |from| {
            let at = outlet.nearest(from)?;
            Some((length(&LineString(vec![from, at])), at, outlet))
        })
    });
    let (_, at, outlet) = places.min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Outlet {
        beyond: outlet.beyond.clone(),
        ..Outlet::place(OutletKind::Access, outlet.name.clone(), at)
    })
}

/// How the outlet of a drawn piece of ground was found.
enum Way {
    /// The one named, or the cheapest where none is named.
    Own,
    /// The same, over ground of others.
    OverOthers,
    /// Not the one named, which is not reached from this ground.
    Another,
}

struct FoundOutlet {
    outlet: Option<Outlet>,
    way: Way,
    area_m2: f64,
}

fn outlet_of(
    ground: &Ground,
    roads: &Roads,
    (shape, own): (&Polygon, &Drawn<'_>),
    outlets: &[Outlet],
) -> FoundOutlet {
    let area_m2 = polygon_area(shape);
    let found = |outlet: Option<Outlet>, way| FoundOutlet {
        outlet,
        way,
        area_m2,
    };
    let cheapest = |outlets: &[Outlet]| {
        let first = reached(ground, shape, outlets).into_iter().next();
        first.map(|(_, outlet)| outlet)
    };
    let any = |other| match cheapest(outlets) {
        Some(outlet) => found(Some(outlet), other),
        None => found(
            nearest(shape, outlets),
            match other {
                Way::Own => Way::OverOthers,
                other => other,
            },
        ),
    };
    let Some(name) = &own.outlet else {
        return any(Way::Own);
    };
    let mut named: Vec<Outlet> = outlets
        .iter()
        .filter(|outlet| outlet.is_named(name))
        .cloned()
        .collect();
    named.extend(roads.landing_in(name, shape).filter(|_| named.is_empty()));
    if named.is_empty() {
        return any(Way::Another);
    }
    match cheapest(&named) {
        Some(outlet) => found(Some(outlet), Way::Own),
        None => found(nearest(shape, &named), Way::OverOthers),
    }
}

/// What became of the ground of one drawn setting, m².
#[derive(Clone, Default)]
struct Taken {
    own_m2: f64,
    over_others_m2: f64,
    another_m2: f64,
}

impl Taken {
    fn add(&mut self, found: &FoundOutlet) {
        let sum = match found.way {
            Way::Own => &mut self.own_m2,
            Way::OverOthers => &mut self.over_others_m2,
            Way::Another => &mut self.another_m2,
        };
        *sum += found.area_m2;
    }

    fn finding(&self, own: &Drawn<'_>, roads: &Roads) -> Option<Finding> {
        let id = own.id;
        let warn = |m2: f64, message: String| {
            let shape = Some(Geometry::MultiPolygon(own.ground.clone()));
            Some(finding(Verdict::Warn, Some(hectares(m2)), message, shape))
        };
        if let Some(name) = own.outlet.as_ref().filter(|name| !roads.knows(name)) {
            let message = format!(
                "setting {id} names outlet {name}, which is no landing and no road that takes wood near the block; its wood \
                 goes where it is cheapest"
            );
            return warn(self.another_m2, message);
        }
        let all_m2 = self.own_m2 + self.over_others_m2 + self.another_m2;
        if all_m2 <= 0.0 {
            let message = format!(
                "setting {id}: no ground in it can be worked: it is reserved, or no machine gets there"
            );
            return warn(area(&own.ground), message);
        }
        let name = own.outlet.as_deref().unwrap_or("any outlet");
        if self.another_m2 > 0.0 {
            let ha = hectares(self.another_m2);
            let message = format!(
                "setting {id}: no way leads from {ha:.2} ha of it to {name}; their wood goes where it is cheapest"
            );
            return warn(self.another_m2, message);
        }
        if self.over_others_m2 > 0.0 {
            let ha = hectares(self.over_others_m2);
            let message = format!(
                "setting {id}: wood of {ha:.2} ha of it reaches {name} only over ground of other settings"
            );
            return warn(self.over_others_m2, message);
        }
        None
    }
}
