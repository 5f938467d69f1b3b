//! Tracks of felling machines: what of them is believed, and the area they sweep.

use std::f64::consts::PI;

use blockwright::audit::tracks::{
    ARC_ERROR_M, Fix, GapReason, STRAIGHTEN_M, Sweep, SweepError, Swept, Track, sweep,
};
use blockwright::geometry::area::area;
use blockwright::geometry::overlay::{difference, union};
use blockwright::geometry::wkb;
use chrono::{DateTime, Duration, Utc};
use geo::{Coord, LineString, MultiLineString, MultiPolygon};

const WIDTH_M: f64 = 16.8;

fn start() -> DateTime<Utc> {
    "2026-02-03T06:00:00Z".parse().unwrap()
}

fn fix(x: f64, y: f64, second: i64) -> Fix {
    Fix {
        at: Coord { x, y },
        time: Some(start() + Duration::seconds(second)),
    }
}

fn untimed(x: f64, y: f64) -> Fix {
    Fix {
        at: Coord { x, y },
        time: None,
    }
}

fn track(fixes: Vec<Fix>) -> Track {
    Track {
        id: "A".to_owned(),
        fixes,
    }
}

fn swept(fixes: Vec<Fix>) -> Swept {
    sweep(&[track(fixes)], &Sweep::of_width(WIDTH_M)).unwrap()
}

/// Along x at 1 m/s, a fix every 5 s.
fn straight(from_s: i64, to_s: i64) -> Vec<Fix> {
    (from_s..=to_s)
        .step_by(5)
        .map(|s| fix(s as f64, 0.0, s))
        .collect()
}

/// Half a disc at each end.
fn both_ends() -> f64 {
    PI * WIDTH_M * WIDTH_M / 4.0
}

fn area_of_ends(found: &Swept) -> f64 {
    let ends = found.ends.iter().map(|end| end.shape.clone());
    area(&MultiPolygon(ends.collect()))
}

#[test]
fn a_straight_track_sweeps_a_rectangle_and_leaves_its_ends_open() {
    let found = swept(straight(0, 500));
    assert!((area(&found.area) - 500.0 * WIDTH_M).abs() < 1e-6);
    let short = both_ends() - area_of_ends(&found);
    assert!(
        (0.0..PI * WIDTH_M * ARC_ERROR_M).contains(&short),
        "{short}"
    );
    let ends: Vec<f64> = found.ends.iter().map(|end| end.at.x).collect();
    assert_eq!(ends, [0.0, 500.0]);
    // Ahead of the last fix, not beside the way to it.
    for end in &found.ends {
        let out = |c: &Coord| c.x <= 1e-9 || c.x >= 500.0 - 1e-9;
        assert!(end.shape.exterior().0.iter().all(out), "{end:?}");
    }
    assert_eq!(
        (
            found.way.legs.len(),
            found.way.gaps.len(),
            found.way.outliers.len()
        ),
        (1, 0, 0)
    );
    assert_eq!(found.way.legs[0].shape.0.len(), 101);
    assert_eq!(found.way.legs[0].from, Some(start()));
    assert_eq!(found.way.legs[0].to, Some(start() + Duration::seconds(500)));
    assert!(found.way.remarks().is_empty());
    let stretches: Vec<_> = found.way.stretches().collect();
    assert_eq!(stretches.len(), 100);
    assert_eq!(stretches[99].to, found.way.legs[0].to);
    // As much for fixes that stray by less than they are straightened by.
    let mut waved = straight(0, 500);
    for (k, fix) in waved.iter_mut().enumerate() {
        fix.at.y = if k % 2 == 0 { 0.002 } else { -0.002 };
    }
    let waved_m2 = area(&swept(waved).area);
    assert!((waved_m2 - 500.0 * WIDTH_M).abs() < 500.0 * 2.0 * STRAIGHTEN_M + 1.0);
}

#[test]
fn a_round_trip_has_no_ends_and_a_turn_back_is_rounded() {
    let square = [
        (0.0, 0.0),
        (100.0, 0.0),
        (100.0, 100.0),
        (0.0, 100.0),
        (0.0, 0.0),
    ];
    let corners = square.windows(2).flat_map(|w| {
        let ((ax, ay), (bx, by)) = (w[0], w[1]);
        (0..20).map(move |k| {
            let share = f64::from(k) / 20.0;
            untimed(ax + (bx - ax) * share, ay + (by - ay) * share)
        })
    });
    let mut fixes: Vec<Fix> = corners.collect();
    fixes.push(untimed(0.0, 0.0));
    let found = swept(fixes);
    assert!(found.ends.is_empty(), "{:?}", found.ends);
    // A ring of four straights, and a quarter disc at each of the four corners, where it began too.
    let inner = 100.0 - WIDTH_M;
    let wanted = (100.0 + WIDTH_M).powi(2) - inner * inner - WIDTH_M * WIDTH_M + both_ends();
    assert!(
        (area(&found.area) - wanted).abs() < 1.0,
        "{} {wanted}",
        area(&found.area)
    );
    // Out and back: the machine stood at the far end with its saw in front, and where it began and ended nobody knows.
    let mut fixes = straight(0, 100);
    fixes.extend((0..20i32).map(|k| fix(95.0 - 5.0 * f64::from(k), 0.0, 105 + 5 * i64::from(k))));
    let found = swept(fixes);
    let wanted = 100.0 * WIDTH_M + both_ends() / 2.0;
    assert!(
        (area(&found.area) - wanted).abs() < 1.0,
        "{} {wanted}",
        area(&found.area)
    );
    assert_eq!(found.ends.len(), 2);
}

#[test]
fn nothing_is_cut_across_a_gap() {
    let mut fixes = straight(0, 100);
    fixes.extend(straight(200, 300));
    let found = swept(fixes);
    assert_eq!(
        (
            found.way.legs.len(),
            found.way.gaps.len(),
            found.way.outliers.len()
        ),
        (2, 1, 0)
    );
    let gap = &found.way.gaps[0];
    assert_eq!(
        (gap.reason, gap.distance_m, gap.seconds),
        (GapReason::Distance, 100.0, Some(100.0))
    );
    assert_eq!((gap.from.at.x, gap.to.at.x), (100.0, 200.0));
    assert!((area(&found.area) - 2.0 * 100.0 * WIDTH_M).abs() < 1.0);
    assert_eq!(found.ends.len(), 4);
    assert_eq!(
        found.way.remarks(),
        ["gaps in distance, across which no cutting is assumed: 1"]
    );

    // The machine stands over night: a gap in time, and no night work.
    let mut fixes = straight(0, 100);
    fixes.extend((0..20).map(|k| fix(101.0 + f64::from(k) * 5.0, 0.0, 30_000 + i64::from(k) * 5)));
    let found = swept(fixes);
    assert_eq!(found.way.gaps[0].reason, GapReason::Time);
    assert_eq!(found.way.legs[0].to, Some(start() + Duration::seconds(100)));
    // Without times distance alone tells.
    let untimed_fixes = |gap| {
        (0..40)
            .map(|k| untimed(f64::from(k) * 5.0 + if k < 20 { 0.0 } else { gap }, 0.0))
            .collect()
    };
    assert_eq!(swept(untimed_fixes(20.0)).way.gaps.len(), 0);
    let found = swept(untimed_fixes(100.0));
    assert_eq!((found.way.gaps.len(), found.way.legs.len()), (1, 2));
    assert_eq!(found.way.gaps[0].reason, GapReason::Jump);
    assert_eq!(found.way.tally.without_time, 40);
}

#[test]
fn a_fix_that_nobody_can_have_driven_to_is_dropped_and_named() {
    let clean = area(&swept(straight(0, 500)).area);
    for (at, outliers) in [(50, 1), (50, 3), (0, 1), (100, 1)] {
        let mut fixes = straight(0, 500);
        for k in at..(at + outliers).min(fixes.len()) {
            fixes[k].at = Coord {
                x: 900.0 + 3.0 * k as f64,
                y: 700.0,
            };
        }
        let found = swept(fixes);
        assert_eq!(found.way.outliers.len(), outliers, "{at}");
        assert_eq!(found.way.gaps.len(), 0, "{at}: {:?}", found.way.gaps);
        assert!(
            found
                .way
                .outliers
                .iter()
                .all(|outlier| outlier.speed_m_s.unwrap() > 3.0)
        );
        let lost = if at == 0 || at == 100 {
            5.0 * WIDTH_M
        } else {
            0.0
        };
        assert!((area(&found.area) - clean + lost).abs() < 1.0, "{at}");
    }
    // Without times: there and back again.
    let mut fixes: Vec<Fix> = (0..50).map(|k| untimed(f64::from(k) * 5.0, 0.0)).collect();
    fixes[20].at.y = 400.0;
    let found = swept(fixes);
    assert_eq!((found.way.outliers.len(), found.way.gaps.len()), (1, 0));
    assert_eq!(found.way.outliers[0].speed_m_s, None);
    // A receiver that is off for good by a kilometre is no outlier: both stretches are shown, and the jump.
    let mut fixes = straight(0, 500);
    for fix in &mut fixes[60..] {
        fix.at.y += 1000.0;
    }
    let found = swept(fixes);
    assert_eq!(
        (
            found.way.outliers.len(),
            found.way.gaps.len(),
            found.way.legs.len()
        ),
        (0, 1, 2)
    );
    assert_eq!(found.way.gaps[0].reason, GapReason::Jump);
}

#[test]
fn times_out_of_order_repeated_equal_or_missing_are_settled_and_stated() {
    let clean = swept(straight(0, 500));
    let mut fixes = straight(0, 500);
    fixes.swap(10, 40);
    fixes.insert(20, fixes[20]);
    fixes.push(Fix {
        at: Coord {
            x: f64::NAN,
            y: 0.0,
        },
        time: None,
    });
    let found = swept(fixes);
    assert_eq!(found.area, clean.area);
    let tally = found.way.tally;
    assert_eq!(
        (
            tally.tracks_sorted,
            tally.repeated,
            tally.no_place,
            tally.fixes
        ),
        (1, 1, 1, 103)
    );
    assert_eq!(found.way.remarks().len(), 3);
    // Two places at one time: within the noise both may be; a hundred metres off one is wrong.
    let mut fixes = straight(0, 500);
    fixes[30].time = fixes[29].time;
    assert_eq!(swept(fixes.clone()).way.outliers.len(), 0);
    fixes[30].at.y = 100.0;
    let found = swept(fixes);
    assert_eq!(found.way.outliers.len(), 1);
    assert_eq!(found.way.outliers[0].speed_m_s, None);
    // Not every fix has a time: the order written stands, and a time that goes backwards is dropped.
    let mut fixes = straight(0, 500);
    fixes[50].time = None;
    fixes[70].time = Some(start());
    let found = swept(fixes);
    assert_eq!(
        (found.way.tally.times_dropped, found.way.tally.without_time),
        (1, 2)
    );
    assert!((area(&found.area) - area(&clean.area)).abs() < 1e-6);
}

#[test]
fn what_a_machine_that_stands_may_cut_is_a_disc() {
    let disc = PI * WIDTH_M * WIDTH_M / 4.0;
    for fixes in [
        vec![fix(7.0, 3.0, 0)],
        (0..50).map(|k| fix(7.0, 3.0, k)).collect(),
        vec![untimed(7.0, 3.0), untimed(7.0, 3.0)],
    ] {
        let found = swept(fixes);
        assert_eq!(found.way.legs.len(), 1);
        assert!(found.area.0.is_empty());
        let short = disc - area_of_ends(&found);
        assert!(
            (0.0..PI * WIDTH_M * ARC_ERROR_M).contains(&short),
            "{short}"
        );
    }
    let nothing = swept(vec![]);
    assert!(nothing.area.0.is_empty() && nothing.ends.is_empty() && nothing.way.legs.is_empty());
}

#[test]
fn a_width_or_limit_that_is_none_is_refused() {
    for how in [
        Sweep::of_width(0.0),
        Sweep::of_width(f64::NAN),
        Sweep::of_width(f64::INFINITY),
        Sweep {
            max_gap_m: -1.0,
            ..Sweep::of_width(WIDTH_M)
        },
    ] {
        assert!(matches!(
            sweep(&[], &how),
            Err(SweepError::NotPositive { .. })
        ));
    }
}

/// Even in 0..1, the same every time.
struct Random(u64);

impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Up and down beside itself like a felling machine, with noise, turns and stops.
fn felling(random: &mut Random, fixes: usize, step_m: f64) -> Vec<Fix> {
    let (mut x, mut y, mut heading) = (
        random.next() * 50.0,
        random.next() * 50.0,
        random.next() * 6.0,
    );
    (0..fixes)
        .map(|k| {
            let turn = random.next();
            heading += if turn < 0.05 {
                (random.next() - 0.5) * 5.0
            } else {
                (random.next() - 0.5) * 0.2
            };
            if turn < 0.8 {
                x += step_m * heading.cos();
                y += step_m * heading.sin();
            }
            fix(
                5_000_000.0 + x + random.next() * 0.5,
                6_000_000.0 + y + random.next() * 0.5,
                2 * k as i64,
            )
        })
        .collect()
}

#[test]
fn the_area_is_that_of_geos_on_random_tracks() {
    let mut random = Random(7);
    let mut worst = 0.0f64;
    for case in 0..24 {
        let count = 2 + (random.next() * 120.0) as usize;
        let step_m = 0.2 + random.next() * 6.0;
        let tracks: Vec<Track> = (0..1 + case % 3)
            .map(|_| track(felling(&mut random, count, step_m)))
            .collect();
        let width = 2.0 + random.next() * 18.0;
        let how = Sweep {
            max_speed_m_s: 50.0,
            ..Sweep::of_width(width)
        };
        let ours = sweep(&tracks, &how).unwrap();
        assert_eq!((ours.way.gaps.len(), ours.way.outliers.len()), (0, 0));
        // Buffers of single segments, joined by GEOS: its buffer of a whole line straightens concave runs.
        let mut joined: Option<gdal::vector::Geometry> = None;
        for leg in &ours.way.legs {
            for w in leg.shape.0.windows(2).filter(|w| w[0] != w[1]) {
                let line = MultiLineString(vec![LineString(w.to_vec())]);
                let line = wkb::write_multi_line(&line, [-5_000_000.0, -6_000_000.0]);
                let buffer = gdal::vector::Geometry::from_wkb(&line)
                    .unwrap()
                    .buffer(width / 2.0, 64)
                    .unwrap();
                joined = Some(match joined {
                    None => buffer,
                    Some(before) => before.union(&buffer).unwrap(),
                });
            }
        }
        let geos = wkb::read(&joined.unwrap().wkb().unwrap()).unwrap().polygons;
        // No piece lies over another.
        let over = area(&ours.area) - area(&union(&ours.area.0));
        assert!(over.abs() < 1e-3 * area(&ours.area).sqrt(), "{over}");
        let mut all = ours.area.0.clone();
        all.extend(ours.ends.iter().map(|end| end.shape.clone()));
        let moved = move_back(&union(&all));
        let geos = MultiPolygon(geos);
        let differing = area(&difference(&moved, &geos.0)) + area(&difference(&geos, &moved.0));
        let edge: f64 = geos
            .0
            .iter()
            .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
            .map(blockwright::geometry::area::length)
            .sum();
        worst = worst.max(differing / edge);
        assert!(
            differing < edge * (ARC_ERROR_M + STRAIGHTEN_M),
            "{case}: {differing} m2 along {edge} m"
        );
    }
    println!(
        "worst mean difference along the edge: {:.1} mm",
        worst * 1000.0
    );
}

fn move_back(area: &MultiPolygon) -> MultiPolygon {
    use geo::MapCoords;
    area.map_coords(|c| Coord {
        x: c.x - 5_000_000.0,
        y: c.y - 6_000_000.0,
    })
}

#[test]
fn a_hundred_thousand_fixes_take_seconds() {
    let mut random = Random(1);
    // Back and forth over 2 km x 1 km at 16 m, and one long stop with a wandering receiver.
    let mut fixes = vec![];
    let mut second = 0;
    for row in 0..60 {
        for k in 0..1600 {
            let along = f64::from(k) * 1.25;
            let x = if row % 2 == 0 { along } else { 2000.0 - along };
            second += 1;
            fixes.push(fix(
                x + random.next(),
                f64::from(row) * 16.0 + random.next(),
                second,
            ));
        }
        for k in 0..16 {
            second += 1;
            let x = if row % 2 == 0 { 2000.0 } else { 0.0 };
            fixes.push(fix(x, f64::from(row) * 16.0 + f64::from(k), second));
        }
    }
    for _ in 0..4000 {
        second += 1;
        fixes.push(fix(
            random.next() * 3.0,
            960.0 + random.next() * 3.0,
            second,
        ));
    }
    let count = fixes.len();
    assert!(count > 100_000);
    let begun = std::time::Instant::now();
    let found = swept(fixes);
    println!(
        "{count} fixes: {:.1} s, {} corners",
        begun.elapsed().as_secs_f64(),
        found
            .area
            .0
            .iter()
            .map(|p| p.exterior().0.len())
            .sum::<usize>()
    );
    assert_eq!(found.way.legs.len(), 1);
    let around = (2000.0 + WIDTH_M) * (59.0 * 16.0 + WIDTH_M);
    assert!(
        (area(&found.area) / around - 1.0).abs() < 0.01,
        "{}",
        area(&found.area) / around
    );
    assert!(begun.elapsed().as_secs() < 60);
}
