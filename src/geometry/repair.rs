//! Repair of polygons: cleaned rings, crossings resolved under a stated rule, overlapping parts joined. Whatever moves
//! more ground than a surveyor's slip is refused. Sound polygons keep their vertices to the last bit (a ring may be
//! reversed, so that shells run counter-clockwise and holes clockwise).

use std::panic::{AssertUnwindSafe, catch_unwind};

use geo::{Area, Coord, LineString, MapCoords, MultiPolygon, Polygon};
use i_overlay::core::fill_rule::FillRule;

use super::clean::{Change, CleanError, Tally, clean_ring, signed_area};
use super::grid_overlay::overlay;
use super::overlay_engine::Op;
use super::repair_contacts::fault;
use crate::model::LayerKind;

/// Repairs may leave this share of the repaired area in doubt ...
pub const TOLERANCE_SHARE: f64 = 0.01;
/// ... or this area, whichever is more; beyond, the feature is refused.
pub const TOLERANCE_M2: f64 = 100.0;
/// Rings below this area that an overlay leaves behind are rounding, not ground.
pub const OVERLAY_CRUMB_M2: f64 = 0.01;

/// Overlays of an overlay's own result, until it is sound.
const MOST_ROUNDS: i32 = 4;

/// What counts as inside where a ring runs over itself. Holes are read by the other rule, so that one rule errs to one
/// side: [`RepairRule::EvenOdd`] to the smaller polygon, [`RepairRule::NonZero`] to the larger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RepairRule {
    /// Ground enclosed an odd number of times.
    EvenOdd,
    /// Ground enclosed at all.
    NonZero,
}

impl RepairRule {
    fn of_shells(self) -> FillRule {
        match self {
            RepairRule::EvenOdd => FillRule::EvenOdd,
            RepairRule::NonZero => FillRule::NonZero,
        }
    }

    fn of_holes(self) -> FillRule {
        match self {
            RepairRule::EvenOdd => FillRule::NonZero,
            RepairRule::NonZero => FillRule::EvenOdd,
        }
    }
}

/// The rule for each kind of layer: doubtful ground is kept from harm.
///
/// - Blocks and landings give ground to the machine: even-odd, so that ground is cut only where the drawing says so
///   plainly. A tree left standing by mistake can be cut later.
/// - Streams, lakes, wetlands, protected areas, hazards, soft ground and brush keep the machine out or ask for daylight:
///   non-zero, the larger area.
/// - Roads: non-zero. A loop of road drawn over itself is road there too, and the road band must not start too near.
/// - Felled ground: non-zero. What is drawn twice, as overlapping passes are, is cut.
/// - Stands, slope classes and soils say what ground is like: non-zero, ground drawn twice has the property once.
pub fn repair_rule(kind: LayerKind) -> RepairRule {
    match kind {
        LayerKind::Blocks | LayerKind::Landings | LayerKind::Settings => RepairRule::EvenOdd,
        LayerKind::Streams
        | LayerKind::Lakes
        | LayerKind::Wetlands
        | LayerKind::Protected
        | LayerKind::Retain
        | LayerKind::Hazards
        | LayerKind::PowerLines
        | LayerKind::SoftGround
        | LayerKind::Brush
        | LayerKind::Roads
        | LayerKind::Stands
        | LayerKind::Crossings
        | LayerKind::StripLines
        | LayerKind::SlopeClasses
        | LayerKind::Soils
        | LayerKind::Felled => RepairRule::NonZero,
    }
}

/// Sound polygons and the account of how they came to be.
#[derive(Clone, Debug, PartialEq)]
pub struct Repaired {
    /// Shells counter-clockwise, holes clockwise, parts disjoint but for single points.
    pub shape: MultiPolygon,
    /// Ground on which the rings as drawn do not speak plainly, in square metres; 0 for sound polygons. The sum of:
    /// ground enclosed an even number of times (even-odd and non-zero readings differ there), the smaller of the ground
    /// enclosed one way round and the other (the small half of a bow-tie), ground of holes outside their shell, and
    /// spikes and thin rings taken away. Always at least the change in area between the two rules. Overlap of parts is
    /// not in it: each of them says plainly that the ground belongs.
    pub moved_m2: f64,
    pub changes: Vec<Change>,
}

/// Cleans and repairs the polygons of one feature. Overlapping parts are joined; parts that only meet in points stay.
///
/// # Errors
/// Bad coordinates; [`CleanError::Degenerate`] when nothing is left; [`CleanError::MovesTooMuch`], with the first
/// crossing, when `moved_m2` exceeds both 1 % of the repaired area and 100 m2; [`CleanError::Unsound`] when rings still cross.
pub fn repair_polygons(polygons: Vec<Polygon>, rule: RepairRule) -> Result<Repaired, CleanError> {
    let near = polygons.iter().find_map(|p| p.exterior().0.first());
    let near = near.map(|p| [p.x, p.y]);
    let repaired = redraw_polygons(polygons, rule)?;
    let area_m2: f64 = repaired.shape.0.iter().map(area).sum();
    let tolerance_m2 = TOLERANCE_M2.max(TOLERANCE_SHARE * area_m2);
    if repaired.moved_m2 > tolerance_m2 {
        let crossing = repaired.changes.iter().find_map(|change| match change {
            Change::Crossings { place, .. } => *place,
            _ => None,
        });
        return Err(CleanError::MovesTooMuch {
            moved_m2: repaired.moved_m2,
            area_m2,
            tolerance_m2,
            place: crossing.or(near),
        });
    }
    if repaired.shape.0.is_empty() {
        return Err(CleanError::Degenerate { near });
    }
    let redrawn = |change: &Change| {
        matches!(
            change,
            Change::Crossings { .. } | Change::JoinedParts { .. }
        )
    };
    if repaired.changes.iter().any(redrawn)
        && let Some(place) = fault(&repaired.shape.0)
    {
        return Err(CleanError::Unsound {
            place: place.or(near),
        });
    }
    Ok(repaired)
}

/// As [`repair_polygons`], however much moves; the shape may be empty.
///
/// # Errors
/// Bad coordinates; [`CleanError::Unsound`] where the overlay engine crashes whatever the grid.
pub fn redraw_polygons(polygons: Vec<Polygon>, rule: RepairRule) -> Result<Repaired, CleanError> {
    let mut tally = Tally::default();
    let mut cleaned = Vec::with_capacity(polygons.len());
    for polygon in &polygons {
        cleaned.extend(clean_polygon(polygon, &mut tally)?);
    }
    let mut changes = tally.changes();
    let mut moved_m2 = tally.spikes_m2 + tally.dropped_m2;
    let mut place = None;
    let mut parts = Vec::with_capacity(cleaned.len());
    let mut crossings_m2 = 0.0;
    let mut crossed = false;
    for polygon in cleaned {
        match fault(std::slice::from_ref(&polygon)) {
            None => parts.push(polygon),
            Some(at) => {
                let redrawn = despite_crashes(&[polygon], |drawn| redraw(&drawn[0], rule));
                let redrawn = redrawn.ok_or(CleanError::Unsound { place: at })?;
                crossed = true;
                place = place.or(at);
                crossings_m2 += redrawn.doubt_m2;
                parts.extend(redrawn.parts);
            }
        }
    }
    if crossed {
        changes.push(Change::Crossings {
            place,
            moved_m2: crossings_m2,
        });
        moved_m2 += crossings_m2;
    }
    if parts.len() > 1
        && let Some(at) = fault(&parts)
    {
        let before: f64 = parts.iter().map(area).sum();
        parts = despite_crashes(&parts, join).ok_or(CleanError::Unsound { place: at })?;
        let overlap_m2 = (before - parts.iter().map(area).sum::<f64>()).max(0.0);
        changes.push(Change::JoinedParts {
            place: at,
            overlap_m2,
        });
    }
    // What an overlay gives is rounded, which can make rings cross anew; on a coarser grid there is less to round.
    for coarser in 0..MOST_ROUNDS {
        let Some(at) = fault(&parts).filter(|_| !parts.is_empty()) else {
            break;
        };
        let snapped = on_grid(&parts, coarser);
        parts = despite_crashes(&snapped, join).ok_or(CleanError::Unsound { place: at })?;
    }
    Ok(Repaired {
        shape: MultiPolygon(parts),
        moved_m2,
        changes,
    })
}

/// Area of a polygon whose rings run the right way, in square metres.
fn area(polygon: &Polygon) -> f64 {
    let holes: f64 = polygon.interiors().iter().map(|r| signed_area(&r.0)).sum();
    signed_area(&polygon.exterior().0) + holes
}

fn clean_polygon(polygon: &Polygon, tally: &mut Tally) -> Result<Option<Polygon>, CleanError> {
    let shell = clean_ring(polygon.exterior(), tally)?;
    let mut holes = Vec::with_capacity(polygon.interiors().len());
    for hole in polygon.interiors() {
        holes.extend(clean_ring(hole, tally)?);
    }
    // A hole without its shell is a hole in nothing.
    Ok(shell.map(|shell| oriented(shell, holes)))
}

fn oriented(mut shell: LineString, mut holes: Vec<LineString>) -> Polygon {
    if signed_area(&shell.0) < 0.0 {
        shell.0.reverse();
    }
    for hole in &mut holes {
        if signed_area(&hole.0) > 0.0 {
            hole.0.reverse();
        }
    }
    Polygon::new(shell, holes)
}

struct Redrawn {
    parts: Vec<Polygon>,
    doubt_m2: f64,
}

/// Resolves crossings with the roles of shell and holes kept: a hole never becomes ground.
fn redraw(polygon: &Polygon, rule: RepairRule) -> Redrawn {
    let origin = polygon
        .exterior()
        .0
        .first()
        .map_or(Coord { x: 0.0, y: 0.0 }, |p| Coord {
            x: p.x.round(),
            y: p.y.round(),
        });
    let local = polygon.map_coords(|p| p - origin);
    let shell = local.exterior();
    let (filled, mut doubt_m2) = self_union(shell, rule.of_shells());
    let mut holes = Vec::new();
    for ring in local.interiors() {
        let (hole, doubt) = self_union(ring, rule.of_holes());
        holes.extend(hole.0);
        doubt_m2 += doubt;
    }
    let parts = if holes.is_empty() {
        filled
    } else {
        // Where two holes lie on each other there is still just one hole, so NonZero.
        let less = |a: &[Polygon], b: &[Polygon]| overlay(a, b, Op::Difference, FillRule::NonZero);
        doubt_m2 += less(&holes, &filled.0).unsigned_area();
        less(&filled.0, &holes)
    };
    let drawn_m2 = parts.unsigned_area();
    let parts = sweep_crumbs(parts);
    let left_m2: f64 = parts.iter().map(area).sum();
    Redrawn {
        doubt_m2: doubt_m2 + (drawn_m2 - left_m2).abs(),
        parts: parts
            .into_iter()
            .map(|p| p.map_coords(|c| c + origin))
            .collect(),
    }
}

/// One ring under a fill rule, and the ground on which its turns disagree.
fn self_union(ring: &LineString, rule: FillRule) -> (MultiPolygon, f64) {
    let ring = Polygon::new(ring.clone(), Vec::new());
    let read = |rule| overlay(std::slice::from_ref(&ring), &[], Op::Union, rule);
    let (odd, any) = (read(FillRule::EvenOdd), read(FillRule::NonZero));
    let one_way = total(&read(FillRule::Positive));
    let other_way = total(&read(FillRule::Negative));
    let doubt_m2 = (total(&any) - total(&odd)).max(0.0) + one_way.min(other_way);
    let chosen = if rule == FillRule::EvenOdd { odd } else { any };
    (chosen, doubt_m2)
}

fn total(polygons: &MultiPolygon) -> f64 {
    polygons.0.iter().map(area).sum()
}

/// Corners on a grid of a micrometre, or of 8 times as much for each round, whose places are numbers without rounding.
fn on_grid(parts: &[Polygon], coarser: i32) -> Vec<Polygon> {
    let per_m = 2f64.powi(20 - 3 * coarser);
    let snap = |c: Coord| Coord {
        x: (c.x * per_m).round() / per_m,
        y: (c.y * per_m).round() / per_m,
    };
    parts.iter().map(|part| part.map_coords(snap)).collect()
}

/// Some overlay as drawn or, while the engine crashes, on coarser grids: `i_overlay` 4.5.2 was seen to, where holes touch their
/// shell, and 9.1.0 still looks up the shell of a hole in the same way. None: it crashed on each.
fn despite_crashes<T>(parts: &[Polygon], overlay: impl Fn(&[Polygon]) -> T) -> Option<T> {
    let attempt = |parts: &[Polygon]| catch_unwind(AssertUnwindSafe(|| overlay(parts))).ok();
    attempt(parts).or_else(|| {
        let mut grids = (0..MOST_ROUNDS).map(|coarser| on_grid(parts, coarser));
        grids.find_map(|snapped| attempt(&snapped))
    })
}

fn join(parts: &[Polygon]) -> Vec<Polygon> {
    let origin = parts[0].exterior().0[0];
    let origin = Coord {
        x: origin.x.round(),
        y: origin.y.round(),
    };
    let local = MultiPolygon(parts.to_vec()).map_coords(|p| p - origin);
    let joined = overlay(&local.0, &[], Op::Union, FillRule::NonZero);
    sweep_crumbs(joined)
        .into_iter()
        .map(|p| p.map_coords(|c| c + origin))
        .collect()
}

/// Overlay results without the grid-sized rings that overlays leave behind, turned the right way; also without spikes, unless
/// a ring would cross another without them.
fn sweep_crumbs(polygons: MultiPolygon) -> Vec<Polygon> {
    let large = |ring: &LineString| signed_area(&ring.0).abs() >= OVERLAY_CRUMB_M2;
    let drawn = |keep: &dyn Fn(&LineString) -> Option<LineString>| -> Vec<Polygon> {
        let kept = polygons.0.iter().filter_map(|polygon| {
            let shell = keep(polygon.exterior())?;
            let holes = polygon.interiors().iter().filter_map(keep).collect();
            Some(oriented(shell, holes))
        });
        kept.collect()
    };
    let without_spikes = drawn(&|ring| {
        let cleaned = clean_ring(ring, &mut Tally::default()).ok().flatten();
        cleaned.filter(large)
    });
    if without_spikes.is_empty() || fault(&without_spikes).is_none() {
        return without_spikes;
    }
    drawn(&|ring| Some(ring.clone()).filter(large))
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::wkt;

    #[test]
    fn sound_polygons_come_back_bit_for_bit() {
        let polygon = wkt!(POLYGON((500000.1 6100000.3,500100.7 6100000.2,500100.9 6100100.1,500000.1 6100000.3),
            (500050.1 6100010.3,500070.9 6100030.1,500070.7 6100010.2,500050.1 6100010.3)));
        let repaired = repair_polygons(vec![polygon.clone()], RepairRule::EvenOdd).unwrap();
        assert_eq!(repaired.shape.0, vec![polygon]);
        assert_eq!(repaired.moved_m2, 0.0);
        assert!(repaired.changes.is_empty());
    }

    #[test]
    fn a_crossed_corner_is_repaired_and_a_bow_tie_refused() {
        // The last corner overshoots: a loop of 8 m2 beside 10 000 m2.
        let corner = wkt!(POLYGON((0. 0.,100. 0.,100. 100.,-4. 100.,-4. 104.,0. 96.,0. 0.)));
        let repaired = repair_polygons(vec![corner], RepairRule::EvenOdd).unwrap();
        assert!(repaired.moved_m2 > 0.1 && repaired.moved_m2 < 20.0);
        assert!(matches!(
            repaired.changes[..],
            [Change::Crossings { place: Some([x, y]), .. }] if x.abs() < 4.0 && (y - 100.0).abs() < 1e-9
        ));
        let tie = wkt!(POLYGON((0. 0.,100. 100.,100. 0.,0. 100.,0. 0.)));
        let refused = repair_polygons(vec![tie], RepairRule::NonZero).unwrap_err();
        assert!(matches!(
            refused,
            CleanError::MovesTooMuch { place: Some([50.0, 50.0]), moved_m2, .. } if (moved_m2 - 2500.0).abs() < 1e-3
        ));
    }

    /// The last corner of 100 ha overshoots, with a loop of a2 / 4: 0.5 % is mended, 4 % is refused.
    #[test]
    fn what_is_mended_without_asking_grows_with_the_ground() {
        let overshot = |a: f64| {
            let ring = [
                (0., 0.),
                (1e3, 0.),
                (1e3, 1e3),
                (-a, 1e3),
                (-a, 1e3 + a),
                (0., 1e3 - a),
                (0., 0.),
            ];
            let ring = LineString::from(ring.to_vec());
            repair_polygons(vec![Polygon::new(ring, vec![])], RepairRule::NonZero)
        };
        let moved_m2 = overshot(140.0).unwrap().moved_m2;
        assert!((moved_m2 - 4_900.0).abs() < 0.1, "{moved_m2}");
        assert!(matches!(
            overshot(400.0),
            Err(CleanError::MovesTooMuch { .. })
        ));
    }

    #[test]
    fn the_rule_decides_ground_that_is_enclosed_twice() {
        // A ring that winds twice round the square from 4 to 6.
        let twice = wkt!(POLYGON((0. 0.,10. 0.,10. 6.,4. 6.,4. 4.,6. 4.,6. 10.,0. 10.,0. 0.)));
        let area_of = |rule| total(&repair_polygons(vec![twice.clone()], rule).unwrap().shape);
        let (odd, any) = (area_of(RepairRule::EvenOdd), area_of(RepairRule::NonZero));
        assert!((any - odd - 4.0).abs() < 1e-3, "{odd} {any}");
    }

    #[test]
    fn holes_of_an_even_odd_reading_stay_holes() {
        // i_overlay 4.5.2 gave the hole of this scribble counter-clockwise.
        let scribble = wkt!(POLYGON((147. 215.2,0. 0.,188.3 242.97,0. 208.56,196.07 0.,89. 214.34,147. 215.2)));
        let odd = redraw_polygons(vec![scribble.clone()], RepairRule::EvenOdd).unwrap();
        let any = redraw_polygons(vec![scribble], RepairRule::NonZero).unwrap();
        let gap = total(&any.shape) - total(&odd.shape);
        assert!(
            gap > 500.0 && (gap - odd.moved_m2).abs() < 0.1,
            "{gap} {odd:?}"
        );
    }

    #[test]
    fn a_crash_is_answered_by_a_coarser_grid_or_told() {
        let square = [wkt!(POLYGON((0.1 0.,1. 0.,1. 1.,0. 1.,0.1 0.)))];
        let on_grids = |parts: &[Polygon]| {
            let x = parts[0].exterior().0[0].x;
            assert!(x != 0.1, "as drawn it crashes");
            x
        };
        let x = despite_crashes(&square, on_grids).unwrap();
        assert!((x - 0.1).abs() < 1e-6, "{x}");
        assert_eq!(
            despite_crashes(&square, |_| -> f64 { panic!("always") }),
            None
        );
    }

    #[test]
    fn holes_never_become_ground() {
        let outside = wkt!(POLYGON((0. 0.,100. 0.,100. 100.,0. 100.,0. 0.),
            (98. 40.,104. 40.,104. 44.,98. 44.,98. 40.)));
        let repaired = repair_polygons(vec![outside], RepairRule::NonZero).unwrap();
        assert!((total(&repaired.shape) - (10_000.0 - 8.0)).abs() < 1e-3);
        assert!((repaired.moved_m2 - 16.0).abs() < 1e-3);
    }

    /// By hand: a hole drawn as a bow-tie of two triangles of 100 m2, of which one runs the wrong way; a needle of 0.12 m2.
    #[test]
    fn what_is_in_doubt_in_holes_is_in_the_account() {
        let tie = wkt!(POLYGON((0. 0.,100. 0.,100. 100.,0. 100.,0. 0.),(40. 40.,60. 60.,60. 40.,40. 60.,40. 40.)));
        let repaired = redraw_polygons(vec![tie], RepairRule::NonZero).unwrap();
        assert!((repaired.moved_m2 - 100.0).abs() < 1e-3, "{repaired:?}");
        assert!((total(&repaired.shape) - 9_800.0).abs() < 1e-3);
        let needle = wkt!(POLYGON((0. 0.,400. 0.,400. 100.,0. 100.,0. 0.),(50. 50.,350. 50.,350. 50.0008,50. 50.)));
        let repaired = redraw_polygons(vec![needle], RepairRule::NonZero).unwrap();
        assert!((repaired.moved_m2 - 0.12).abs() < 1e-6, "{repaired:?}");
        assert!((total(&repaired.shape) - 40_000.0).abs() < 1e-9);
    }

    #[test]
    fn overlapping_parts_are_joined_and_shells_run_counter_clockwise() {
        let a = wkt!(POLYGON((0. 0.,0. 100.,100. 100.,100. 0.,0. 0.)));
        let b = wkt!(POLYGON((99. 0.,200. 0.,200. 50.,99. 50.,99. 0.)));
        let repaired = repair_polygons(vec![a, b], RepairRule::EvenOdd).unwrap();
        assert_eq!(repaired.shape.0.len(), 1);
        assert!((total(&repaired.shape) - 15_000.0).abs() < 1e-3);
        assert_eq!(repaired.moved_m2, 0.0);
        assert!(
            matches!(repaired.changes[..], [Change::JoinedParts { overlap_m2, .. }] if (overlap_m2 - 50.0).abs() < 1e-3)
        );
    }

    #[test]
    fn empty_rings_are_dropped_before_they_can_hurt() {
        let square = LineString::from(vec![(0., 0.), (9., 0.), (9., 9.), (0., 9.), (0., 0.)]);
        let polygon = Polygon::new(square, vec![LineString(vec![])]);
        let repaired = repair_polygons(vec![polygon], RepairRule::EvenOdd).unwrap();
        assert!(repaired.shape.0[0].interiors().is_empty());
        assert_eq!(
            repair_polygons(vec![], RepairRule::EvenOdd),
            Err(CleanError::Degenerate { near: None })
        );
    }
}
