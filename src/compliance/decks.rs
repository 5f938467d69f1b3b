//! Whether decks find room: along roads, on landings, and by what a code allows.

use geo::{Coord, Geometry, LineString, MultiPoint, Point};

use super::{Judge, Judged};
use crate::geometry::distance::{Segment, point_segment};
use crate::model::*;

/// Height of a pile, and the share of it that is wood: what [`Production::deck_m3_per_m`] stands for; own judgement.
const PILE_M: f64 = 2.5;
const SOLID: f64 = 0.65;
/// Lengths and volumes agree to this share.
const SHARE: f64 = 1e-9;

impl Judge<'_> {
    fn outlet_of(&self, part: u32) -> Option<&OutletNote> {
        let note = self.plan.setting(part)?;
        note.outlet.as_ref()
    }

    fn decks_at(&self, kind: OutletKind) -> impl Iterator<Item = (&Deck, &OutletNote)> {
        let decks = self.plan.decks.iter();
        let decks = decks.filter_map(|deck| Some((deck, self.outlet_of(deck.part)?)));
        decks.filter(move |(_, outlet)| outlet.kind == kind)
    }

    /// Stretches of road that wood is brought to, each once, as settings may share one.
    fn frontage(&self) -> Vec<&LineString> {
        let mut found: Vec<&LineString> = Vec::new();
        let outlets = self
            .plan
            .parts
            .iter()
            .filter_map(|part| part.outlet.as_ref());
        for line in outlets
            .filter(|o| o.kind == OutletKind::Road)
            .flat_map(|o| &o.front)
        {
            if !found.contains(&line) {
                found.push(line);
            }
        }
        found
    }

    /// Metres of a line that run along a road: an outlet's edge goes a little way up the sides of its ground too.
    fn along_roads_m<'l>(&self, lines: impl IntoIterator<Item = &'l LineString>) -> f64 {
        let roads = self.near.iter().filter(|near| near.takes_wood());
        let roads: Vec<Segment> = roads.flat_map(|near| near.source.segments(0)).collect();
        let goes_along = |a: Coord, b: Coord| {
            let middle = (a + b) / 2.0;
            let off = |s: &Segment| point_segment(middle, s.a, s.b);
            let nearest = roads.iter().min_by(|s, t| off(s).total_cmp(&off(t)));
            nearest.is_some_and(|s| {
                let (own, road) = (b - a, s.b - s.a);
                let along = (own.x * road.x + own.y * road.y).abs();
                let across = (own.x * road.y - own.y * road.x).abs();
                along >= across
            })
        };
        let edges = lines.into_iter().flat_map(|line| line.0.windows(2));
        edges
            .filter(|w| goes_along(w[0], w[1]))
            .map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y))
            .sum()
    }

    /// Share of the road frontage that decks along it take.
    pub(super) fn deck_share(&self) -> Option<Judged> {
        let rule = self.context.rules.block.deck_share.as_ref()?;
        let frontage_m = self.along_roads_m(self.frontage());
        if frontage_m <= 0.0 {
            return None;
        }
        if self.plan.volume_m3().is_none() {
            let unknown = Verdict::Unknown;
            return Some(self.row(
                RuleId::DeckShare.named(),
                Some(rule.value),
                None,
                unknown,
                rule,
            ));
        }
        let decks_m: f64 = self
            .decks_at(OutletKind::Road)
            .map(|(deck, _)| deck.length_m)
            .sum();
        let share = decks_m / frontage_m;
        let holds = share <= rule.value + SHARE;
        let mut judged = self.ruled(RuleId::DeckShare.named(), (rule.value, share), holds, rule);
        if !holds {
            let places = self
                .decks_at(OutletKind::Road)
                .map(|(deck, _)| Point::from(deck.place));
            judged.place = Some(Geometry::MultiPoint(MultiPoint(places.collect())));
        }
        Some(judged)
    }

    /// Depth of a deck of which a metre of roadside holds what the project says.
    pub(super) fn deck_depth(&self) -> Option<Judged> {
        let rule = self.context.rules.block.deck_depth_m.as_ref()?;
        self.decks_at(OutletKind::Road).next()?;
        let m3_per_m = self.context.settings.production.deck_m3_per_m;
        let depth_m = m3_per_m / (PILE_M * SOLID);
        let named = RuleId::DeckDepth.named();
        let named = named.about(&format!("{m3_per_m} m3 a metre, {PILE_M} m high: at most"));
        let holds = depth_m <= rule.value + SHARE;
        Some(self.ruled(named, (rule.value, depth_m), holds, rule))
    }

    /// Outlets whose decks need more roadside than there is, and landings that hold less than comes to them.
    pub(super) fn deck_room(&self) -> Vec<Finding> {
        let mut findings = Vec::new();
        let mut fronts: Vec<(&OutletNote, f64)> = Vec::new();
        for (deck, outlet) in self.decks_at(OutletKind::Road) {
            match fronts.iter_mut().find(|(own, _)| own.front == outlet.front) {
                Some((_, needed_m)) => *needed_m += deck.length_m,
                None => fronts.push((outlet, deck.length_m)),
            }
        }
        for (outlet, needed_m) in fronts {
            let there_m = self.along_roads_m(&outlet.front);
            if needed_m > there_m * (1.0 + SHARE) {
                findings.push(Finding {
                    rule_id: "deck-room".to_owned(),
                    // What a metre holds is a guess, and wood may be hauled while it is felled.
                    verdict: Verdict::NotApplicable,
                    measured: Some(needed_m),
                    required: Some(there_m),
                    unit: "m",
                    message: format!(
                        "decks along {} need {needed_m:.0} m of roadside, and there are {there_m:.0} m: deck the wood deeper or \
                         higher, haul while it is felled, or name a landing",
                        outlet.name
                    ),
                    source: "docs/algorithms.md, Skidding".to_owned(),
                    shape: Some(Geometry::MultiLineString(outlet.front.clone())),
                });
            }
        }
        let landings = self
            .near
            .iter()
            .filter(|near| near.feature.kind == LayerKind::Landings);
        for near in landings {
            let (id, facts) = (&near.feature.id, &near.feature.facts);
            let Some(Fact::Number(capacity_m3)) = facts.get(Facts::CAPACITY) else {
                continue;
            };
            let own = self.decks_at(OutletKind::Landing);
            let own: Vec<&Deck> = own
                .filter(|(_, o)| o.name == *id)
                .map(|(deck, _)| deck)
                .collect();
            let volume_m3: f64 = own.iter().map(|deck| deck.volume_m3).sum();
            if let Some(deck) = own
                .first()
                .filter(|_| volume_m3 > capacity_m3 * (1.0 + SHARE))
            {
                findings.push(Finding {
                    rule_id: "deck-capacity".to_owned(),
                    verdict: Verdict::Warn,
                    measured: Some(volume_m3),
                    required: Some(*capacity_m3),
                    unit: "m3",
                    message: format!(
                        "{volume_m3:.0} m3 of the block come to landing {id}, which holds {capacity_m3:.0} m3: haul while it is \
                         felled, or give part of the ground another outlet"
                    ),
                    source: "docs/algorithms.md, Skidding".to_owned(),
                    shape: Some(Geometry::Point(Point::from(deck.place))),
                });
            }
        }
        findings
    }
}
