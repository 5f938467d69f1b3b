//! Blocks of which some is cut: what is left keeps its names, everything is booked, and finishing costs hardly more than it
//! would have.

use crate::audited;
use crate::in_memory;
use crate::run_binary;
use crate::size;

use std::collections::BTreeMap;

use audited::on_demo;
use blockwright::demo::DemoOptions;
use blockwright::engines::{ENGINES, OVERLAYS};
use blockwright::geometry::area::{area, polygon_area};
use blockwright::geometry::frame::map_polygon;
use blockwright::geometry::overlay::{difference, intersection, union};
use blockwright::landbase::Landbase;
use blockwright::layout::{self, Context};
use blockwright::model::*;
use blockwright::rulebook::Rulebook;
use blockwright::{compliance, sources};
use geo::{Coord, Distance, Euclidean, Length, MultiPolygon, Polygon};
use in_memory::{feature, in_context, line, rectangle, rules, unsound};
use run_binary::{collection, files, run, small_project, write};

fn ground() -> SourceBlock {
    in_memory::block(MultiPolygon(vec![rectangle(0.0, 5.0, 400.0, 405.0)]))
}

fn road() -> Feature {
    let along = line(&[(-100.0, 0.0), (500.0, 0.0)]);
    feature(LayerKind::Roads, None, Some(10.0), along)
}

fn felled(polygons: Vec<Polygon>) -> Feature {
    feature(
        LayerKind::Felled,
        None,
        None,
        Shape::Polygons(MultiPolygon(polygons)),
    )
}

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(600.0);
    settings.production.tree_m3 = Some(0.4);
    settings
}

fn lay_out(rules: &Rulebook, features: &[Feature]) -> BlockPlan {
    in_memory::lay_out(ENGINES, &settings(), rules, features, &ground()).unwrap()
}

/// From the plan's own frame to the ground.
fn on_the_ground(plan: &BlockPlan, shape: &Polygon) -> Polygon {
    let [x, y] = plan.origin();
    map_polygon(shape, |c: Coord| c + Coord { x, y })
}

fn cut_m2(plan: &BlockPlan) -> f64 {
    plan.strips
        .iter()
        .map(|strip| polygon_area(&strip.shape))
        .sum()
}

fn of_reason(plan: &BlockPlan, reason: UnworkedReason) -> f64 {
    let own = plan
        .unworked
        .iter()
        .filter(|unworked| unworked.reason == reason);
    own.map(|unworked| polygon_area(&unworked.shape)).sum()
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    plan.compliance
        .iter()
        .find(|row| row.rule_id == rule_id)
        .unwrap()
}

fn finding<'p>(plan: &'p BlockPlan, rule_id: &str) -> Option<&'p Finding> {
    plan.findings
        .iter()
        .find(|finding| finding.rule_id == rule_id)
}

/// What is cut once the lines up to `stop` are driven, and perhaps half of the next one.
fn cut_until(plan: &BlockPlan, stop: u32, half: bool) -> Vec<Polygon> {
    let mut last: BTreeMap<PieceId, u32> = BTreeMap::new();
    for line in &plan.lines {
        last.insert(line.id, line.order);
    }
    let done = (plan.strips.iter()).filter(|strip| last[&strip.id] <= stop);
    let mut cut: Vec<Polygon> = done.map(|strip| strip.shape.clone()).collect();
    let next = plan.lines.iter().find(|line| line.order == stop + 1);
    let is_open = |line: &&StripLine| line.shape.0.first() != line.shape.0.last();
    let next = next.filter(|next| half && last[&next.id] == next.order && is_open(next));
    if let Some(next) = next {
        let (a, b) = (next.shape.0[0], next.shape.0[next.shape.0.len() - 1]);
        let (along, aside) = (
            (b - a) / 2.0,
            Coord {
                x: a.y - b.y,
                y: b.x - a.x,
            },
        );
        let behind = Polygon::new(
            vec![
                a - along - aside,
                a + along - aside,
                a + along + aside,
                a - along + aside,
            ]
            .into(),
            vec![],
        );
        let own = plan.strips.iter().filter(|strip| strip.id == next.id);
        let own = MultiPolygon(own.map(|strip| strip.shape.clone()).collect());
        cut.extend(intersection(&own, &[behind]).0);
    }
    cut
}

/// The same ground under the same names, and everything booked.
fn holds(whole: &BlockPlan, rest: &BlockPlan, cut: &[Polygon]) {
    let id = &whole.id;
    assert_eq!(unsound(rest), Vec::<String>::new(), "{id}");
    assert_eq!(
        layout::lineless(&rest.sections, &rest.strips, &rest.lines),
        None
    );
    let mut before: BTreeMap<PieceId, Vec<Polygon>> = BTreeMap::new();
    for strip in &whole.strips {
        before
            .entry(strip.id)
            .or_default()
            .push(strip.shape.clone());
    }
    for strip in &rest.strips {
        let left = MultiPolygon(vec![strip.shape.clone()]);
        let elsewhere = difference(&left, before.get(&strip.id).map_or(&[], Vec::as_slice));
        assert!(
            area(&elsewhere) < 0.01,
            "{id} {:?}: {}",
            strip.id,
            area(&elsewhere)
        );
    }
    let cut = union(cut);
    let all: Vec<Polygon> = rest
        .strips
        .iter()
        .map(|strip| strip.shape.clone())
        .collect();
    let again = area(&intersection(&cut, &all));
    assert!(again < 0.01, "{id}: {again} m2 are cut a second time");
    let scraps = of_reason(rest, UnworkedReason::Sliver) - of_reason(whole, UnworkedReason::Sliver);
    let lost = whole.books.retained_m2 - rest.books.retained_m2;
    let off = cut_m2(whole) + lost - area(&cut) - cut_m2(rest) - scraps;
    assert!(
        off.abs() < 1.0,
        "{id}: {off} m2 of what was planned are nowhere"
    );
    assert!((of_reason(rest, UnworkedReason::CutBefore) - area(&cut)).abs() < 1.0);
    assert_eq!(row(rest, "areas-balance").status, Verdict::Pass, "{id}");
    for row in &rest.compliance {
        let was = whole
            .compliance
            .iter()
            .find(|own| own.rule_id == row.rule_id);
        let failed = was.is_some_and(|was| was.status == Verdict::Fail);
        assert!(
            row.status != Verdict::Fail || failed,
            "{id} {}: {:?}",
            row.rule_id,
            row.measured
        );
    }
    let sections: f64 = rest
        .sections
        .iter()
        .map(|section| area(&section.shape))
        .sum();
    assert!(
        (sections - cut_m2(rest)).abs() < 1.0,
        "{id}: sections do not tile the strips"
    );
}

/// What is made of a block among other features.
fn among<T>(context: Context, features: &[Feature], make: impl Fn(Context) -> T) -> T {
    let landbase = Landbase::new(features, context.rules, &context.settings.layout);
    make(Context {
        landbase: &landbase,
        ..context
    })
}

/// Hours of the sections of the whole, by what is left of each.
fn hours_left(whole: &BlockPlan, cut: &[Polygon]) -> f64 {
    let hours = whole.sections.iter().map(|section| {
        let left = 1.0 - area(&intersection(&section.shape, cut)) / area(&section.shape);
        section.hours.unwrap() * left
    });
    hours.sum()
}

fn hours(plan: &BlockPlan) -> f64 {
    plan.sections
        .iter()
        .map(|section| section.hours.unwrap())
        .sum()
}

#[test]
fn at_any_moment_the_rest_is_the_plan_less_what_is_cut() {
    let blocks = size::of(3, 60);
    let options = DemoOptions { blocks, seed: 7 };
    on_demo(
        &options,
        |_| (),
        |batch, context, _| {
            let plan_of = |features: &[Feature], block: &SourceBlock| {
                among(context, features, |context| {
                    let mut plan = layout::lay_out(context, block).ok()?;
                    compliance::judge(context, block, &mut plan);
                    Some(plan)
                })
            };
            let (mut stops, mut on, mut worst, mut astride, mut lost) =
                (0, 0, 0.0f64, 0.0f64, [0.0; 2]);
            for block in &batch.blocks {
                let Some(whole) = plan_of(&batch.features, block) else {
                    continue;
                };
                let Some(lines) = u32::try_from(whole.lines.len())
                    .ok()
                    .filter(|&lines| lines > 4)
                else {
                    continue;
                };
                for (share, half) in [(0.15, false), (0.45, true), (0.8, false)] {
                    let stop = (f64::from(lines) * share) as u32;
                    let cut = cut_until(&whole, stop, half);
                    let shapes = cut.iter().map(|shape| block.frame.leave_polygon(shape));
                    let mut features = batch.features.clone();
                    features.push(felled(shapes.collect()));
                    let rest = plan_of(&features, block).unwrap();
                    holds(&whole, &rest, &cut);
                    let (old, new) = (hours_left(&whole, &cut), hours(&rest));
                    // Half of a strip may hold more than half of its trees.
                    match half {
                        true => astride = astride.max((new - old) / hours(&whole)),
                        false => worst = worst.max(new / old - 1.0),
                    }
                    lost[0] += old;
                    lost[1] += new;
                    let [first, next] = [&rest.lines[0], &whole.lines[stop as usize]];
                    on += u32::from(first.id.part == next.id.part);
                    stops += 1;
                }
            }
            let mean = lost[1] / lost[0] - 1.0;
            println!(
                "{stops} stops: {:.2} % more hours for the rest, at worst {:.2} %; half-way along a line at worst {:.2} % of the block's",
                100.0 * mean,
                100.0 * worst,
                100.0 * astride
            );
            assert!(stops >= 2 * blocks - 3, "{stops}");
            println!("{on} of them go on in the setting where work ended");
            assert!(10 * on >= 9 * stops as u32, "{on} of {stops}");
            assert!(
                mean < 0.02 && worst < 0.05 && astride < 0.02,
                "{mean} {worst} {astride}"
            );
        },
    );
}

/// Every strip, less what came later, on the ground that it had, and no breach that the whole had not. A share that misses the
/// ground of the nest, with nothing left to make it up, is one of its own.
fn keeps_names(whole: &BlockPlan, rest: &BlockPlan, gone: &MultiPolygon) {
    let id = &whole.id;
    assert!(rest.keeps_names, "{id}");
    assert_eq!(unsound(rest), Vec::<String>::new(), "{id}");
    assert_eq!(
        layout::lineless(&rest.sections, &rest.strips, &rest.lines),
        None
    );
    for strip in &rest.strips {
        let own = whole.strips.iter().filter(|own| own.id == strip.id);
        let mut own: Vec<Polygon> = own.map(|own| own.shape.clone()).collect();
        // A strip that leads to a pass now is part of it, under a number that nothing had.
        if own.is_empty() && strip.kind == StripKind::BoundaryPass {
            let all = whole
                .strips
                .iter()
                .filter(|own| own.id.part == strip.id.part);
            own = all.map(|own| own.shape.clone()).collect();
        }
        let elsewhere = area(&difference(&MultiPolygon(vec![strip.shape.clone()]), &own));
        assert!(elsewhere < 0.01, "{id} {:?}: {elsewhere}", strip.id);
    }
    let strips: Vec<Polygon> = rest.strips.iter().map(|s| s.shape.clone()).collect();
    let inside = area(&intersection(gone, &strips));
    assert!(
        inside < 0.01,
        "{id}: {inside} m2 are cut of what came later"
    );
    for line in &rest.lines {
        for shape in &gone.0 {
            let near_m = Euclidean.distance(&line.shape, shape);
            let is_clearing = line.kind == StripKind::RoadClearing;
            assert!(
                is_clearing || near_m > 0.0,
                "{id} order {}: {near_m}",
                line.order
            );
        }
    }
    assert_eq!(row(rest, "areas-balance").status, Verdict::Pass, "{id}");
    assert_eq!(rest.certificate.fault, None, "{id}");
    for row in rest
        .compliance
        .iter()
        .filter(|row| row.status == Verdict::Fail)
    {
        let was = whole
            .compliance
            .iter()
            .find(|own| own.rule_id == row.rule_id);
        let failed = was.is_some_and(|was| was.status == Verdict::Fail);
        let is_share =
            row.rule_id == "retention-share" || row.rule_id.starts_with("management-share:");
        assert!(
            failed || is_share,
            "{id} {}: {:?}",
            row.rule_id,
            row.measured
        );
    }
    let sections: f64 = rest
        .sections
        .iter()
        .map(|section| area(&section.shape))
        .sum();
    assert!((sections - cut_m2(rest)).abs() < 1.0, "{id}");
}

/// A nest is found, or the block's edge is moved in, when some is cut: all that stays to be cut keeps its name and its ground.
#[test]
fn what_comes_when_some_is_cut_takes_no_strip_from_its_place() {
    let blocks = size::of(3, 60);
    let options = DemoOptions { blocks, seed: 7 };
    on_demo(
        &options,
        |_| (),
        |batch, context, _| {
            let plan_of = |features: &[Feature], block: &SourceBlock| {
                among(context, features, |context| {
                    compliance::certified_plan(context, block, &OVERLAYS)
                })
            };
            let (mut stops, mut renamed, mut short, mut wayless, mut other) = (0, 0, 0, [0; 2], 0);
            for block in &batch.blocks {
                let Ok(whole) = plan_of(&batch.features, block) else {
                    continue;
                };
                let lines = whole.lines.len() as u32;
                for (share, radius_m, edge) in
                    [(0.2, 30.0, false), (0.5, 55.0, false), (0.35, 0.0, true)]
                {
                    let stop = (f64::from(lines) * share) as u32;
                    let cut = cut_until(&whole, stop, false);
                    let left = whole
                        .lines
                        .iter()
                        .filter(|l| l.order > stop && l.kind == StripKind::Interior);
                    let longest = left.max_by(|a, b| {
                        Euclidean
                            .length(&a.shape)
                            .total_cmp(&Euclidean.length(&b.shape))
                    });
                    let Some(longest) = longest.filter(|_| stop > 2) else {
                        continue;
                    };
                    let shapes = cut.iter().map(|shape| block.frame.leave_polygon(shape));
                    let mut features = batch.features.clone();
                    features.push(felled(shapes.collect()));
                    let mut now = block.clone();
                    let middle =
                        (longest.shape.0[0] + longest.shape.0[longest.shape.0.len() - 1]) / 2.0;
                    let gone = if edge {
                        let far = whole.shape.0[0]
                            .exterior()
                            .0
                            .iter()
                            .map(|c| c.x)
                            .fold(f64::MIN, f64::max);
                        let beyond = rectangle(far - 25.0, -1e4, far + 10.0, 1e4);
                        let kept = difference(&whole.shape, std::slice::from_ref(&beyond));
                        now.came_later.shape = Some(block.shape.clone());
                        now.shape = block.frame.leave_polygons(&kept);
                        intersection(&whole.shape, &[beyond])
                    } else {
                        let corners = (0..64).map(|k| {
                            let turn = std::f64::consts::TAU * f64::from(k) / 64.0;
                            (
                                middle.x + radius_m * turn.cos(),
                                middle.y + radius_m * turn.sin(),
                            )
                        });
                        let disc =
                            Polygon::new(in_memory::ring(&corners.collect::<Vec<_>>()), vec![]);
                        let nest = MultiPolygon(vec![block.frame.leave_polygon(&disc)]);
                        let mut nest =
                            feature(LayerKind::Retain, Some("nest"), None, Shape::Polygons(nest));
                        nest.source_layer = "field note nests.gpx".to_owned();
                        features.push(nest.clone());
                        now.came_later
                            .notes
                            .insert((nest.source_layer.clone(), nest.id.clone()));
                        MultiPolygon(vec![disc])
                    };
                    let rest = plan_of(&features, &now)
                        .unwrap_or_else(|error| panic!("{} {share} {radius_m}: {error}", block.id));
                    keeps_names(&whole, &rest, &gone);
                    other += usize::from(rest.certificate.other_overlay);
                    let is_short = |row: &&ComplianceRow| {
                        row.rule_id.contains("-share") && row.status == Verdict::Fail
                    };
                    short += rest.compliance.iter().filter(is_short).count();
                    short -= whole.compliance.iter().filter(is_short).count();
                    let barred = |plan: &BlockPlan| {
                        plan.findings
                            .iter()
                            .filter(|f| f.rule_id == "reachable")
                            .count()
                    };
                    wayless[0] += barred(&whole);
                    wayless[1] += barred(&rest);
                    // As if the plan had been made with it: the same ground has other names.
                    now.came_later = CameLater::default();
                    if let Ok(anew) = plan_of(&features, &now) {
                        let moved = anew.strips.iter().any(|strip| {
                            let own = whole.strips.iter().filter(|own| own.id == strip.id);
                            let own: Vec<Polygon> = own.map(|own| own.shape.clone()).collect();
                            area(&difference(&MultiPolygon(vec![strip.shape.clone()]), &own)) > 1.0
                        });
                        renamed += usize::from(moved);
                    }
                    stops += 1;
                }
            }
            println!(
                "{stops} stops; laid out anew, {renamed} would have new names; {short} shares not made up; {wayless:?} pieces without a way before and after; {other} by the other overlay"
            );
            assert!(stops >= 2 * blocks, "{stops}");
            assert!(2 * renamed > stops, "{renamed}");
            assert!(4 * short <= stops, "{short}");
        },
    );
}

#[test]
fn where_strips_cannot_keep_their_names_it_is_told() {
    let rules = rules(0.1);
    let mut block = ground();
    block.came_later.anew = Some("a note adds ground to the block");
    let lay_out = |features: &[Feature]| {
        in_memory::lay_out(ENGINES, &settings(), &rules, features, &block).unwrap()
    };
    let whole = lay_out(&[road()]);
    assert!(finding(&whole, "new-names").is_none());
    let cut = on_the_ground(&whole, &whole.strips[0].shape);
    let rest = lay_out(&[road(), felled(vec![cut])]);
    let told = finding(&rest, "new-names").unwrap();
    assert_eq!(told.verdict, Verdict::Warn);
    assert!(!rest.keeps_names);
}

#[test]
fn nothing_cut_changes_nothing_and_everything_cut_leaves_the_shares() {
    let rules = rules(0.1);
    let whole = lay_out(&rules, &[road()]);
    let elsewhere = felled(vec![rectangle(600.0, 0.0, 700.0, 100.0)]);
    let same = lay_out(&rules, &[road(), elsewhere]);
    let text = |plan: &BlockPlan| serde_json::to_string(plan).unwrap();
    assert!(text(&whole) == text(&same));
    let all = whole
        .strips
        .iter()
        .map(|strip| on_the_ground(&whole, &strip.shape));
    let rest = lay_out(&rules, &[road(), felled(all.collect())]);
    assert!(rest.strips.is_empty() && rest.lines.is_empty() && rest.sections.is_empty());
    let share = |plan: &BlockPlan| {
        let row = row(plan, "retention-share");
        (row.status, row.measured.unwrap())
    };
    assert_eq!(share(&rest).0, share(&whole).0);
    assert!((share(&rest).1 - share(&whole).1).abs() < 1e-6);
    let cut = finding(&rest, "cut-before").unwrap();
    assert!((cut.measured.unwrap() - cut_m2(&whole) / 1e4).abs() < 1e-3);
}

/// A corridor is cut by mistake when half of the block is: as much is left of strips that nobody has begun.
#[test]
fn retention_that_was_cut_is_made_up_elsewhere() {
    let rules = rules(0.1);
    let whole = lay_out(&rules, &[road()]);
    let half = whole.lines.len() as u32 / 2;
    let mut cut = cut_until(&whole, half, true);
    let corridor = &whole.corridors[0];
    cut.push(corridor.shape.clone());
    let lost = polygon_area(&corridor.shape);
    let gone = cut.iter().map(|shape| on_the_ground(&whole, shape));
    let rest = lay_out(&rules, &[road(), felled(gone.collect())]);
    holds(&whole, &rest, &cut);
    let share = row(&rest, "retention-share");
    assert_ne!(share.status, Verdict::Fail, "{share:?}");
    assert_eq!(rest.certificate.fault, None);
    let told = finding(&rest, "retention-cut").unwrap();
    assert!(
        told.message.contains("are left in its place, as patches"),
        "{}",
        told.message
    );
    let patches = rest.zones.iter().filter(|zone| zone.is_patch());
    let patches: Vec<Polygon> = patches
        .flat_map(|zone| zone.shape.0.iter().cloned())
        .collect();
    let left: f64 = patches.iter().map(polygon_area).sum();
    assert!(
        (0.9 * lost..1.6 * lost).contains(&left),
        "{left} for {lost}"
    );
    // On ground of strips, and outside the road band.
    let patches = MultiPolygon(patches);
    let strips: Vec<Polygon> = whole
        .strips
        .iter()
        .map(|strip| strip.shape.clone())
        .collect();
    assert!(area(&difference(&patches, &strips)) < 0.1);
    assert!(area(&intersection(&patches, &cut)) < 0.1);
    for rule in ["road-band", "night-edge", "areas-balance", "reach"] {
        for row in rest.compliance.iter().filter(|row| row.rule_id == rule) {
            assert_ne!(row.status, Verdict::Fail, "{row:?}");
        }
    }
    assert!(finding(&rest, "reachable").is_none());
    // The machine keeps half of its width off what stands.
    let half_m = settings().machine.half_width_m;
    for line in &rest.lines {
        for patch in &patches.0 {
            let off_m = Euclidean.distance(&line.shape, patch);
            assert!(off_m > half_m - 0.02, "{:?}: {off_m}", line.id);
        }
    }
}

#[test]
fn what_was_to_stay_and_is_cut_is_told_where_nothing_is_left_for_it() {
    let rules = rules(0.1);
    let whole = lay_out(&rules, &[road()]);
    let strips = whole.strips.iter().map(|strip| &strip.shape);
    let all = strips.chain([&whole.corridors[0].shape]);
    let gone = felled(all.map(|shape| on_the_ground(&whole, shape)).collect());
    let rest = lay_out(&rules, &[road(), gone]);
    let told = finding(&rest, "retention-cut").unwrap();
    assert!(
        told.message.contains("shares are of what really stands"),
        "{}",
        told.message
    );
    assert_eq!(row(&rest, "retention-share").status, Verdict::Fail);
}

#[test]
fn what_was_to_stay_and_is_cut_is_told_and_its_ground_counts_no_more() {
    let rules = rules(0.1);
    let whole = lay_out(&rules, &[road()]);
    let corridor = &whole.corridors[0];
    let lost = polygon_area(&corridor.shape);
    let gone = felled(vec![on_the_ground(&whole, &corridor.shape)]);
    let rest = lay_out(&rules, &[road(), gone]);
    let told = finding(&rest, "retention-cut").unwrap();
    assert_eq!(told.verdict, Verdict::Warn);
    assert!((told.measured.unwrap() - lost).abs() < 0.1);
    assert!(finding(&whole, "retention-cut").is_none());
    let patches = rest.zones.iter().filter(|zone| zone.is_patch());
    let instead: f64 = patches.map(|zone| area(&zone.shape)).sum();
    let stands = whole.books.retained_m2 - rest.books.retained_m2;
    assert!(
        (stands + instead - lost).abs() < 0.1,
        "{stands} {instead} {lost}"
    );
    assert_eq!(row(&rest, "areas-balance").status, Verdict::Pass);
    // A reserve that was cut into is told too.
    let settings = settings();
    let stream = feature(
        LayerKind::Streams,
        Some("S2"),
        Some(6.0),
        line(&[(200.0, 150.0), (200.0, 500.0)]),
    );
    let across = felled(vec![rectangle(150.0, 250.0, 198.0, 270.0)]);
    let plan = in_context(
        ENGINES,
        &settings,
        &rules,
        &[road(), stream, across],
        None,
        |context| layout::lay_out(context, &ground()).unwrap(),
    );
    let reserve_m2 = finding(&plan, "reserve-cut").unwrap().measured.unwrap();
    // 30 m from the bank, and the bank 3 m from the line: 31 of 48 m, 20 m high.
    assert!((reserve_m2 - 31.0 * 20.0).abs() < 1.0, "{reserve_m2}");
}

#[test]
fn ground_along_a_track_is_cut() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let work = sources::crs::WorkCrs::new("EPSG:32616").unwrap();
    let fix = |y: f64| {
        let at = work.degrees(Coord {
            x: 500_060.0,
            y: 5_400_000.0 + y,
        });
        at.unwrap()
    };
    let places: Vec<Coord> = (0..=50)
        .map(|step| fix(20.0 + 3.0 * f64::from(step)))
        .collect();
    let point = |(second, at): (usize, &Coord)| {
        let time = format!("2026-11-28T14:{:02}:{:02}Z", second / 60, second % 60);
        let place = format!("lat=\"{:.9}\" lon=\"{:.9}\"", at.y, at.x);
        format!("<trkpt {place}><time>{time}</time></trkpt>")
    };
    let fixes: String = places.iter().enumerate().map(point).collect();
    let gpx = format!(
        "<?xml version=\"1.0\"?>\n<gpx version=\"1.1\" creator=\"receiver\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\"><trk><trkseg>{fixes}</trkseg></trk></gpx>"
    );
    write(folder, "done.gpx", &gpx);
    let lay_out = |out: &str, more: &[&str]| {
        let arguments = [&["layout", "project.toml", "--out", out, "-q"][..], more].concat();
        run(folder, &arguments)
    };
    let ended = lay_out("rest", &["--cut", "done.gpx"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let json = std::fs::read(folder.join("rest/run.json")).unwrap();
    assert!(String::from_utf8_lossy(&json).contains("done.gpx"));
    let rows = run_binary::table(&folder.join("rest/blocks.csv"));
    let row = rows.iter().find(|row| row["block_id"] == "A-1").unwrap();
    let unworked_m2 = 1e4 * row["unworked_ha"].parse::<f64>().unwrap();
    // 150 m of track, a strip's width across: twice 8.7 m less 1 ft.
    let wanted_m2 = 150.0 * 2.0 * (8.7 - 0.3048);
    assert!(
        (unworked_m2 / wanted_m2 - 1.0).abs() < 0.02,
        "{unworked_m2} {wanted_m2}"
    );
    let told = std::fs::read_to_string(folder.join("rest/report/data/blocks/A-1.js")).unwrap();
    let when = "done.gpx was recorded from 2026-11-28 14:00 UTC to 2026-11-28 14:00 UTC";
    assert!(told.contains(when), "{told}");
    // The same way as a line, in two shares.
    let places: Vec<String> = places
        .iter()
        .map(|at| format!("[{:.9}, {:.9}]", at.x, at.y))
        .collect();
    let line = format!(
        "{{\"type\": \"FeatureCollection\", \"features\": [{{\"type\": \"Feature\", \"properties\": {{}}, \"geometry\": \
         {{\"type\": \"LineString\", \"coordinates\": [{}]}}}}]}}",
        places.join(", ")
    );
    write(folder, "done.geojson", &line);
    for share in ["1/2", "2/2"] {
        let ended = lay_out("shares", &["--cut", "done.geojson", "--share", share]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    let gathered = [
        "gather",
        "shares",
        "--out",
        "again",
        "--cut",
        "done.geojson",
        "-q",
    ];
    let ended = run(folder, &gathered);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let again = run_binary::table(&folder.join("again/blocks.csv"));
    let again = again.iter().find(|row| row["block_id"] == "A-1").unwrap();
    assert_eq!(again["unworked_ha"], row["unworked_ha"]);
    let without = ["gather", "shares", "--out", "other", "-q"];
    assert_eq!(run(folder, &without).code, 2);
    write(
        folder,
        "none.gpx",
        "<?xml version=\"1.0\"?><gpx version=\"1.1\" creator=\"r\" xmlns=\"http://www.topografix.com/GPX/1/1\"><wpt lat=\"48.7\" lon=\"-87.0\"/></gpx>",
    );
    let none = lay_out("none", &["--cut", "none.gpx"]);
    assert_eq!(none.code, 2, "{}", none.stderr);
    assert!(none.stderr.contains("none.gpx"), "{}", none.stderr);
}

#[test]
fn the_option_is_the_layer_and_ground_elsewhere_changes_no_byte() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let cut = |name: &str, x0: f64, x1: f64| {
        let shape = run_binary::feature("{}", &run_binary::rectangle(x0, 0.0, x1, 90.0));
        write(folder, name, &collection(run_binary::UTM, &[shape]));
    };
    cut("some.geojson", 20.0, 120.0);
    cut("elsewhere.geojson", 2000.0, 2100.0);
    let project = folder.join("project.toml");
    let written = std::fs::read_to_string(&project).unwrap();
    let formats = "\n[outputs]\nexchange = [\"kml\", \"dxf\"]\n";
    std::fs::write(&project, written + formats).unwrap();
    let lay_out = |out: &str, more: &[&str]| {
        let arguments = [&["layout", "project.toml", "--out", out, "-q"][..], more].concat();
        let ended = run(folder, &arguments);
        assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
        let mut files = files(&folder.join(out));
        // These three name what was read.
        files.remove("report/data/overview.js");
        files.remove("run.json");
        files.remove("SHA256SUMS");
        files
    };
    let plain = lay_out("plain", &[]);
    let elsewhere = lay_out("elsewhere", &["--cut", "elsewhere.geojson"]);
    for (name, bytes) in &plain {
        assert!(*bytes == elsewhere[name], "{name}");
    }
    assert_eq!(plain.len(), elsewhere.len());
    let some = lay_out("some", &["--cut", "some.geojson"]);
    assert!(plain != some);
    let map = String::from_utf8_lossy(&some["maps/A-1.svg"]).into_owned();
    assert!(map.contains("Cut before"), "{map}");
    // Other programs show it as what it is, too.
    for (name, said) in [
        ("exchange/kml/A-1.kml", "<name>Cut before</name>"),
        ("exchange/layout.dxf", "cut_before"),
        (
            "styles/unworked.sld",
            "<ogc:Literal>cut_before</ogc:Literal>",
        ),
    ] {
        let file = some
            .get(name)
            .unwrap_or_else(|| panic!("{name}: {:?}", some.keys()));
        assert!(String::from_utf8_lossy(file).contains(said), "{name}");
    }
    // The other block has no news.
    assert!(plain["sheets/A-2.pdf"] == some["sheets/A-2.pdf"]);
    assert!(plain["maps/A-2.svg"] == some["maps/A-2.svg"]);
    assert!(plain["sheets/A-1.pdf"] != some["sheets/A-1.pdf"]);
    let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(
        folder,
        "project.toml",
        &format!("{text}\n[layers.felled]\nsource = \"some.geojson\"\n"),
    );
    assert!(lay_out("layer", &[]) == some);
    let missing = run(
        folder,
        &[
            "layout",
            "project.toml",
            "--out",
            "x",
            "--cut",
            "sme.geojson",
        ],
    );
    assert_eq!(missing.code, 2);
    assert!(missing.stderr.contains("sme.geojson"), "{}", missing.stderr);
}
