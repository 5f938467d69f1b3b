//! Whether anything stands beside a road, where other machines need room.

use geo::{Coord, MultiPolygon, Polygon};

use super::asked;
use super::corridors::COARSE_M;
use super::cut::CutInput;
use super::farthest::half_width;
use super::ground::Ground;
use super::reached::Reached;
use super::row::{Judged, Origin, ROUNDING_M, Toward, row};
use super::scene::Scene;
use super::split::split;
use crate::geometry::area::{Bounds, length, polygon_area, rings};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, oriented, shared_area};
use crate::landbase::{NearFeature, SHOWN_BEYOND_M};
use crate::model::{LayerKind, LayoutSettings, RuleId, SoftGround, Verdict};

/// Reserves are grown by this before it is asked what else stands in the road band: a hair of ground between a reserve
/// as planned, rounded up to the next half metre, and as drawn here is no retention.
const RESERVE_HAIR_M: f64 = 0.6;
/// Standing pieces in the road band narrower than this are seams.
const LEAST_WIDTH_M: f64 = 0.1;
/// Less than this in a road band is the end of a corridor, cut a hair too short.
const LEAST_AREA_M2: f64 = 1.0;
/// Of a hair there is less than this around its tip, so many metres to all sides; it is followed back for so many of these.
const HAIR_M2: f64 = 0.001;
const HAIR_BOX_M: f64 = 0.5;
const MOST_HAIR_BOXES: u32 = 200;
/// A corridor is on the average at least this share as wide as at its widest; a wedge is half as wide.
const EVEN_SHARE: f64 = 0.6;
/// A corridor is cut along at least this share of its outline; ground beside an edge is cut on one side.
const CUT_SHARE: f64 = 0.7;
/// Cut no farther off than this lies beside.
const BESIDE_M: f64 = 0.05;
/// Spacing of the points of an outline that are asked.
const STEP_M: f64 = 1.0;
/// A road farther from the block than this has nothing to do with it.
const ROADS_WITHIN_M: f64 = 1_000.0;

impl Scene<'_> {
    /// Standing pieces smaller than this are scraps. Where no plan books slivers as unworked, what is as small as one is
    /// taken for one.
    fn least_standing_m2(&self) -> f64 {
        if self.given.corridors.is_some() {
            LEAST_AREA_M2
        } else {
            self.context.settings.layout.sliver_m2.max(LEAST_AREA_M2)
        }
    }

    /// Ground within the road band, as far as it may touch the block.
    fn band(&self) -> Vec<Polygon> {
        let layout = &self.context.settings.layout;
        let mut band = Reached::default();
        let window = self.shape.bounds();
        for near in self.near.iter().filter(|near| asked::is_cleared_road(near)) {
            let edges: Vec<asked::Edge> = near
                .source
                .segments(0)
                .into_iter()
                .map(|s| asked::Edge {
                    a: s.a,
                    b: s.b,
                    required_m: layout.road_band_m,
                    slope_unknown: false,
                })
                .collect();
            asked::reach(&mut band, near, &edges, 0.0, &window);
        }
        band.0
    }

    /// Whether a standing piece is more than a scrap or a seam.
    fn counts(&self, piece: &Polygon) -> bool {
        let around_m: f64 = rings(piece).map(length).sum();
        let area_m2 = polygon_area(piece);
        area_m2 >= self.least_standing_m2() && 2.0 * area_m2 > LEAST_WIDTH_M * around_m
    }

    /// What does not stand, or stands as a reserve.
    fn no_retention(&self) -> Vec<Polygon> {
        let mut gone = self.reserve_grown(RESERVE_HAIR_M + self.context.limit_m());
        gone.extend(self.gone().iter().cloned());
        gone
    }

    /// Standing ground that counts in the road band, and whether the overlay adds up.
    fn standing_near_roads(&self, band: &[Polygon]) -> (MultiPolygon, bool) {
        let near_roads = split(&self.shape.shape, band);
        if near_roads.inside.0.is_empty() {
            return (near_roads.inside, near_roads.sound);
        }
        let left = split(&near_roads.inside, &self.no_retention());
        let pieces = left.outside.0.into_iter();
        let pieces = pieces.filter(|piece| self.counts(piece)).collect();
        (MultiPolygon(pieces), near_roads.sound && left.sound)
    }

    /// How near to a road retention stands where none stands in the band, however far that is.
    fn beyond_the_band(&self, mut band: Vec<Polygon>) -> Option<(f64, Coord)> {
        band.extend(self.no_retention());
        let mut pieces = split(&self.shape.shape, &band).outside.0;
        pieces.retain(|piece| self.counts(piece));
        let of_near = self.near.iter().filter(|near| asked::is_cleared_road(near));
        let found = self.nearest_retention(&pieces, &of_near.collect::<Vec<_>>());
        // What is near the block was cut off this far from it, so beyond that another road may be nearer.
        let known_m = self.context.settings.layout.road_band_m + SHOWN_BEYOND_M;
        if found.is_some_and(|(m, _)| m <= known_m) {
            return found;
        }
        let (frame, block) = (&self.block.frame, self.shape.bounds());
        let of_all = |within_m: f64| {
            let roads = (self.context.landbase).open_roads(frame, &block, within_m);
            self.nearest_retention(&pieces, &roads.iter().collect::<Vec<_>>())
        };
        let within_m = found.map_or(0.0, |(m, _)| m).max(ROADS_WITHIN_M);
        let found = of_all(within_m)?;
        if found.0 <= within_m {
            return Some(found);
        }
        // Of a block longer than that the nearest road may lie beyond.
        of_all(found.0)
    }

    /// The piece that is retention and lies nearest to a road: how near, and where.
    fn nearest_retention(
        &self,
        pieces: &[Polygon],
        roads: &[&NearFeature],
    ) -> Option<(f64, Coord)> {
        let away = |piece: &Polygon| -> Option<(f64, Coord)> {
            let ground = Ground::new(std::iter::once(piece.clone()));
            let mut best: Option<(f64, Coord)> = None;
            for road in roads {
                let half_m = road.demand.half_m;
                for s in road.source.segments(0) {
                    let within_m = best.map_or(f64::MAX / 4.0, |(m, _)| m) + half_m;
                    if let Some(contact) = ground.approach(s.a, s.b, within_m) {
                        best = Some((contact.distance_m - half_m, contact.at));
                    }
                }
            }
            best
        };
        // Ground beside a cut may hang on to a piece as a hair, which no tree stands on.
        let away_of_solid = |piece: &Polygon| -> Option<(f64, Coord)> {
            let mut rest = piece.clone();
            for _ in 0..MOST_HAIR_BOXES {
                let (off_m, at) = away(&rest)?;
                let around = [Bounds::of([&at]).grown(HAIR_BOX_M).to_polygon()];
                let whole = MultiPolygon(vec![rest.clone()]);
                if shared_area(&whole, &around) >= HAIR_M2 {
                    return Some((off_m, at));
                }
                let left = difference(&whole, &around).0.into_iter();
                rest = left.max_by(|a, b| polygon_area(a).total_cmp(&polygon_area(b)))?;
            }
            away(&rest)
        };
        let order = |p: &Coord, q: &Coord| p.x.total_cmp(&q.x).then(p.y.total_cmp(&q.y));
        let mut off: Vec<((f64, Coord), &Polygon)> = pieces
            .iter()
            .filter_map(|piece| Some((away_of_solid(piece)?, piece)))
            .collect();
        off.sort_by(|((a, p), _), ((b, q), _)| a.total_cmp(b).then(order(p, q)));
        let retention = |(_, piece): &&((f64, Coord), &Polygon)| self.is_retention(piece);
        off.iter().find(retention).map(|(found, _)| *found)
    }

    /// Whether a standing piece was left as retention. A plan says what it leaves unworked, and the rest is retention.
    /// Where none does, it is what has the form of a corridor, and what is as wide as a strip on ground that the machine
    /// may enter; ground that no strip could reach is neither. Nor are, of tracks, the ends and corners that the machine
    /// reached without driving there.
    fn is_retention(&self, piece: &Polygon) -> bool {
        let told = self.planned && self.given.input != CutInput::Tracks;
        if told {
            return true;
        }
        let left = |piece: &Polygon| self.is_corridor(piece) || self.is_wide_as_a_strip(piece);
        left(piece) && self.open_parts(piece).iter().any(left)
    }

    /// Evenly wide, and cut along most of its outline.
    pub(super) fn is_corridor(&self, piece: &Polygon) -> bool {
        let around_m: f64 = rings(piece).map(length).sum();
        let mean_m = 2.0 * polygon_area(piece) / around_m;
        let even_m = mean_m / EVEN_SHARE / 2.0;
        if half_width(piece, COARSE_M / 2.0, even_m) > even_m {
            return false;
        }
        // Points of the outline at even distances stand for it.
        let (mut along_cut, mut all) = (0u32, 0u32);
        for w in rings(piece).flat_map(|ring| ring.0.windows(2)) {
            let long_m = (w[1].x - w[0].x).hypot(w[1].y - w[0].y);
            let steps = (long_m / STEP_M).ceil().max(1.0) as u32;
            for step in 0..steps {
                let share = (f64::from(step) + 0.5) / f64::from(steps);
                let at = w[0] + (w[1] - w[0]) * share;
                // A long step counts for more than a short one.
                let weight = (long_m / f64::from(steps) * 100.0).round() as u32;
                all += weight;
                if self.cut.approach(at, at, BESIDE_M).is_some() {
                    along_cut += weight;
                }
            }
        }
        f64::from(along_cut) >= CUT_SHARE * f64::from(all)
    }

    fn is_wide_as_a_strip(&self, piece: &Polygon) -> bool {
        let half_m = self.context.settings.machine.strip_width_m() / 2.0;
        half_width(piece, COARSE_M, half_m) > half_m
    }

    /// What of a piece the machine could have worked.
    fn open_parts(&self, piece: &Polygon) -> Vec<Polygon> {
        let shape = MultiPolygon(vec![piece.clone()]);
        let limit = self.context.settings.machine.max_slope;
        let mut closed = self.slopes.steeper_than(limit, &shape).0;
        closed.extend(self.closed_to_machines());
        // Ground ahead of the ends of tracks is known to be neither cut nor left.
        let ends = &self.given.untracked.ends;
        closed.extend(ends.iter().map(|end| self.local(&end.shape)));
        let mut parts = split(&shape, &closed).outside.0;
        let least_m2 = self.least_standing_m2();
        parts.retain(|part| polygon_area(part) >= least_m2);
        parts
    }

    /// Ground that no machine may enter, or that the project leaves as too soft.
    fn closed_to_machines(&self) -> Vec<Polygon> {
        let window = self.shape.bounds();
        let mut closed = Reached::default();
        for near in self.near {
            let soft = near.feature.kind == LayerKind::SoftGround
                && self.context.settings.layout.soft_ground == SoftGround::Leave;
            if let (true, Source::Polygons(polygons)) = (soft, &near.source) {
                closed.0.extend(oriented(polygons.clone()).0);
            }
            let Some(rule) = near.demand.rule else {
                continue;
            };
            let mut edges = asked::edges(near, rule, self.slopes, |w| w.machine_exclusion_m);
            edges.retain(|edge| edge.required_m > 0.0);
            if !edges.is_empty() {
                asked::reach(&mut closed, near, &edges, 0.0, &window);
            }
        }
        closed.0
    }

    /// Retention near a road: below the lesser distance a failure, below the greater a warning.
    pub(super) fn road_band(&self) -> Option<Judged> {
        let layout = &self.context.settings.layout;
        let roads = || self.near.iter().filter(|near| asked::is_cleared_road(near));
        let origin = self.road_band_origin();
        let named = RuleId::RoadBand.named();
        let required = Some(layout.road_band_m);
        if self.standing().shape.0.is_empty() {
            let why = (Verdict::NotApplicable, "nothing stands".to_owned());
            return Some(row(named, required, None, None, why, origin));
        }
        let tolerance_m = self.context.limit_m();
        let band = self.band();
        let (pieces, sound) = self.standing_near_roads(&band);
        // What a cut edge off by the tolerance would have taken away is within it.
        let (solid, thin): (Vec<Polygon>, Vec<Polygon>) = pieces.0.into_iter().partition(|piece| {
            tolerance_m <= 0.0 || half_width(piece, COARSE_M / 2.0, tolerance_m) > tolerance_m
        });
        let (solid, unworked): (Vec<Polygon>, Vec<Polygon>) =
            (solid.into_iter()).partition(|piece| self.is_retention(piece));
        let nearest = |pieces: &[Polygon]| -> Option<(f64, Coord)> {
            let ground = Ground::new(pieces.iter().cloned());
            let mut best: Option<(f64, Coord)> = None;
            for road in roads() {
                let half_m = road.demand.half_m;
                for s in road.source.segments(0) {
                    let within_m = best.map_or(layout.road_band_m, |(m, _)| m) + half_m;
                    if let Some(contact) = ground.approach(s.a, s.b, within_m) {
                        best = Some((contact.distance_m - half_m, contact.at));
                    }
                }
            }
            best
        };
        let (of_solid, of_thin) = (nearest(&solid), nearest(&thin));
        let of_unworked = nearest(&unworked);
        let all = [of_solid, of_thin, of_unworked].into_iter().flatten();
        let nearest_of_all = all.min_by(|a, b| a.0.total_cmp(&b.0));
        let short_of = |required_m: f64| of_solid.map_or(0.0, |(m, _)| required_m - m);
        let warn = |words: &str| (Verdict::Warn, words.to_owned());
        // With the ground that decides: figure and place are its own.
        let (verdict, found, ground) = if !sound {
            let why = "cannot be told: the overlay of cut and road band does not add up";
            let verdict = (Verdict::Unknown, why.to_owned());
            let all = solid.into_iter().chain(unworked).chain(thin);
            (verdict, nearest_of_all, all.collect())
        } else if short_of(layout.road_band_fail_m) > tolerance_m + ROUNDING_M {
            let verdict = (Verdict::Fail, "beyond tolerance".to_owned());
            (verdict, of_solid, solid)
        } else if short_of(layout.road_band_fail_m) > ROUNDING_M {
            let words = "short of the lesser distance, but within tolerance";
            (warn(words), of_solid, solid)
        } else if short_of(layout.road_band_m) > ROUNDING_M {
            let words = "between the lesser and the greater distance";
            (warn(words), of_solid, solid)
        } else if of_unworked.is_some_and(|(m, _)| layout.road_band_m - m > ROUNDING_M) {
            let words = "what stands there is no corridor and leaves no strip room: ground that was not worked, as far as \
                         can be told without a plan";
            (warn(words), of_unworked, unworked)
        } else if of_thin.is_some_and(|(m, _)| layout.road_band_m - m > ROUNDING_M) {
            let words = "short, but within tolerance: what stands there is no wider than the cut's edge may be off";
            (warn(words), of_thin, thin)
        } else {
            ((Verdict::Pass, String::new()), nearest_of_all, vec![])
        };
        let passes = verdict.0 == Verdict::Pass;
        let mut figure = found.map(|(m, _)| m);
        if passes && figure.is_none() {
            figure = self.beyond_the_band(band).map(|(m, _)| m);
            if figure.is_none() {
                let why = format!("no road within {ROADS_WITHIN_M} m of what stands");
                let why = (Verdict::NotApplicable, why);
                return Some(row(named, required, None, None, why, origin));
            }
        }
        let mut judged = row(named, required, figure, Some(tolerance_m), verdict, origin);
        judged.row.short = figure.map(|m| super::row::shown(layout.road_band_m - m));
        if passes {
            return Some(judged);
        }
        let nearer_m = nearest_of_all.map(|(m, _)| m);
        let others = nearer_m.filter(|m| figure.is_some_and(|own| own - m > ROUNDING_M));
        if let Some(m) = others {
            judged = judged.saying(&format!(
                "other ground that stands comes to {m:.2} m, and does not decide"
            ));
        }
        let pieces = MultiPolygon(ground);
        let toward = found.and_then(|(_, at)| {
            let to = roads()
                .filter_map(|road| Toward::of(&road.source.segments(0), at, road.demand.half_m));
            let away = |to: &Toward| (to.at - at).x.hypot((to.at - at).y);
            to.min_by(|a, b| away(a).total_cmp(&away(b)))
        });
        let judged = judged.at(found.map(|(_, at)| at)).toward(toward);
        Some(judged.over(pieces))
    }

    fn road_band_origin(&self) -> Origin {
        let in_force_m = self.context.settings.layout.road_band_m;
        let rules = &self.context.rules.block;
        let decides = [&rules.road_band_m, &rules.road_band_fail_m];
        let decides = decides.into_iter().flatten();
        let mut decides = decides.filter(|rule| rule.value == in_force_m);
        let words = if in_force_m == LayoutSettings::default().road_band_m {
            "common practice: 100 to 150 ft from the road's edge"
        } else {
            "layout.road_band of the project file"
        };
        Origin::of_rule_in_force(decides.next(), in_force_m, words)
    }
}
