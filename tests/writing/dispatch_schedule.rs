//! The scheduler: plans keep the rules, on small problems they are near the best there is, and bounds bound.

use crate::dispatch_support;
use crate::size;

use std::collections::BTreeSet;

use blockwright::model::StripKind;
use blockwright::schedule::{self, Problem, Stretch, What};
use dispatch_support::*;
use proptest::prelude::*;

fn any_block() -> impl Strategy<Value = (String, f64, (i64, i64), (i64, i64), i64)> {
    let piece = "[dn]{1,4}";
    (
        "([bc] ){0,2}",
        prop::collection::vec(piece, 0..5),
        0.05..4.0f64,
        (-20..20i64, -20..20i64),
        (0..3i64, 3..8i64),
        0..3i64,
    )
        .prop_map(|(passes, pieces, hours, place, open, priority)| {
            let text = format!("{passes} {}", pieces.join(" "));
            (text, hours, place, open, priority)
        })
}

fn any_problem() -> impl Strategy<Value = Problem> {
    let machine = (
        0..24i64,
        4..14i64,
        700..1500i64,
        any::<bool>(),
        0..4usize,
        any::<bool>(),
    );
    (
        prop::collection::vec(any_block(), 1..5),
        prop::collection::vec(machine, 1..4),
        2..7i64,
        prop::collection::vec(prop::option::of(0.0..0.6f64), 8),
        prop::collection::vec(prop::option::of((0..7i64, 1..6i64)), 5),
    )
        .prop_map(|(blocks, machines, days, slopes, windows)| {
            let blocks = (0..)
                .zip(blocks)
                .map(|(at, (text, hours, place, open, priority))| {
                    let place = [place.0 as f64 * 200.0, place.1 as f64 * 200.0];
                    let mut block = block(&format!("B{at}"), &text, hours, place, days);
                    block.open = stretch(open.0 * DAY / 2, open.1 * DAY);
                    block.priority = priority;
                    for unit in &mut block.units {
                        unit.slope = slopes[(unit.order as usize + at) % slopes.len()];
                        // By half days, so that one may close at noon.
                        if let Some((from, long)) = windows[(unit.order as usize + at) % 5] {
                            let own = stretch(from * DAY, from * DAY + long * DAY / 2);
                            block.windows.push(vec![own]);
                            unit.window = Some(block.windows.len() - 1);
                        }
                    }
                    // Light that is not quite the same everywhere.
                    for light in &mut block.light {
                        light.from += at as i64 * 311;
                    }
                    block
                });
            let machines =
                (0..)
                    .zip(machines)
                    .map(|(at, (from, long, pace, night, kinds, start))| {
                        let mut machine = machine_of(at, days, from, long, pace);
                        machine.night = night;
                        match kinds {
                            0 => machine.kinds = vec![StripKind::Interior],
                            1 => machine.kinds = vec![StripKind::BoundaryPass],
                            _ => {}
                        }
                        machine.max_slope = if kinds == 2 { 0.3 } else { 0.9 };
                        machine.start = start.then_some([100.0, 100.0]);
                        machine
                    });
            let mut problem = problem(days, blocks.collect(), machines.collect(), 1);
            problem.moves.walk_up_to_m = 2000.0;
            problem.moves.haul_m_per_s = 10.0;
            problem
        })
}

fn machine_of(at: usize, days: i64, from: i64, long: i64, pace: i64) -> schedule::Machine {
    machine(&format!("M{at}"), shifts(days, from, long), pace)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: size::of(40, 120) as u32, ..ProptestConfig::default() })]
    #[test]
    fn plans_keep_every_rule_and_the_bound_holds(problem in any_problem()) {
        let solved = schedule::solve(&problem);
        prop_assert_eq!(faults(&problem, &solved.plan), Vec::<String>::new());
        prop_assert_eq!(schedule::check(&problem, &solved.plan), Vec::<String>::new());
        if solved.plan.undone == 0 {
            let bound = solved.bound.finish;
            prop_assert!(bound.is_some(), "{}", solved.bound.because);
            if let (Some(bound), Some(finish)) = (bound, solved.plan.finish) {
                prop_assert!(bound <= finish, "{bound} {finish} {}", solved.bound.because);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: size::of(12, 60) as u32, ..ProptestConfig::default() })]
    /// A former plan that does not fit any more, for machines have lost or gained time, is kept to within the rules.
    #[test]
    fn plans_after_a_former_one_keep_every_rule(problem in any_problem(), lost in 0..6usize, frozen in 0..4i64) {
        let first = schedule::solve(&problem).plan;
        let stints = |machine: usize| {
            let own = first.tasks.iter().filter(|task| task.machine == machine);
            own.map(|task| schedule::former::Stint {
                block: task.block,
                span: task.span,
                is_move: task.what == What::Move,
            })
            .collect()
        };
        let stints = (0..problem.machines.len()).map(stints).collect();
        let former = schedule::former::Former::new(stints, frozen * DAY);
        let mut other = problem.clone();
        for (index, machine) in other.machines.iter_mut().enumerate() {
            if !machine.windows.is_empty() {
                machine.windows.remove((lost + index) % machine.windows.len());
            }
        }
        let solved = schedule::solve_after(&other, Some(&former));
        prop_assert_eq!(faults(&other, &solved.plan), Vec::<String>::new());
        prop_assert_eq!(schedule::check(&other, &solved.plan), Vec::<String>::new());
        let same = schedule::solve_after(&problem, Some(&former));
        prop_assert_eq!(faults(&problem, &same.plan), Vec::<String>::new());
    }
}

/// By hand: of each shift, 5 to 9 o'clock, one hour is light, which a block of one hour takes whole; the move of an hour to the
/// other block falls into the dark of the second day. Both are done at 9 o'clock of that day, and no plan is quicker.
#[test]
fn moves_in_the_dark_cost_no_daylight() {
    let blocks = vec![
        block("A", "d", 1.0, [0.0, 0.0], 4),
        block("B", "d", 1.0, [5000.0, 0.0], 4),
    ];
    let machines = vec![machine("M", shifts(4, 5, 4), 1000)];
    let solved = schedule::solve(&problem(4, blocks, machines, 1));
    let by_hand = Some(DAY + 9 * H);
    assert_eq!(solved.plan.finish, by_hand);
    assert_eq!(solved.bound.finish, by_hand, "{}", solved.bound.because);
}

/// By hand: a block that begins with night-safe road clearing, of the smallest priority number, goes first though another has
/// day-only work. A machine that works 8 to 16 o'clock clears for 2 h, cuts for 2 h, moves for an hour and cuts there.
#[test]
fn night_safe_clearing_does_not_send_a_block_to_the_back() {
    let mut urgent = block("A", "c d", 2.0, [0.0, 0.0], 5);
    urgent.priority = -5;
    let other = block("B", "d d d d", 2.0, [5000.0, 0.0], 5);
    let mut own = machine("M", shifts(5, 8, 8), 1000);
    own.start = Some([0.0, 0.0]);
    let one = problem(5, vec![urgent, other], vec![own], 1);
    let solved = schedule::solve(&one);
    assert_eq!(faults(&one, &solved.plan), Vec::<String>::new());
    let first = solved
        .plan
        .tasks
        .iter()
        .find(|task| matches!(task.what, What::Cut { .. }));
    assert_eq!(
        first.map(|task| (task.block, task.span.from)),
        Some((0, 8 * H))
    );
    let done = solved.plan.tasks.iter().filter(|task| task.block == 0);
    assert_eq!(done.map(|task| task.span.to).max(), Some(12 * H));
}

/// By hand: of two strips of a block the first is closed until the third day. A machine that works 8 to 16 o'clock does the
/// other block meanwhile, comes back on the third day, and is done after 2 h and 2 h more.
#[test]
fn what_is_closed_holds_up_its_block_and_no_other() {
    let mut first = block("A", "d d", 2.0, [0.0, 0.0], 5);
    first.windows = vec![vec![stretch(2 * DAY, 6 * DAY)]];
    first.units[0].window = Some(0);
    let other = block("B", "d d", 4.0, [0.0, 0.0], 5);
    let machines = vec![machine("M", shifts(5, 8, 8), 1000)];
    let one = problem(5, vec![first.clone(), other], machines, 1);
    let solved = schedule::solve(&one);
    assert_eq!(faults(&one, &solved.plan), Vec::<String>::new());
    assert_eq!(schedule::check(&one, &solved.plan), Vec::<String>::new());
    assert_eq!(solved.plan.finish, Some(2 * DAY + 12 * H));
    // Taken by itself: 2 h on the third day; 8 h of work in light and in machine hours, of which there are 8 a day, so 12 h take until noon.
    let limit = |what| {
        let limits = solved.bound.limits.iter();
        let mut own = limits.filter(|own: &&schedule::Limit| own.what == what);
        own.next().and_then(|own| own.finish)
    };
    use schedule::Scarce;
    assert_eq!(limit(Scarce::Windows), Some(2 * DAY + 10 * H));
    assert_eq!(limit(Scarce::Light), Some(DAY + 12 * H));
    assert_eq!(limit(Scarce::Machines), Some(DAY + 12 * H));
    assert_eq!(solved.bound.finish, Some(2 * DAY + 10 * H));
    assert_eq!(solved.bound.limits[0].what, Scarce::Windows);
    assert_eq!(schedule::held_up(&first), Vec::<usize>::new());
    // Closed for all of the period, it holds up what comes after it.
    first.windows = vec![vec![]];
    assert_eq!(schedule::held_up(&first), [0, 1]);
    first.units[0].window = None;
    first.units[1].window = Some(0);
    assert_eq!(schedule::held_up(&first), [1]);
    // A plan that cuts there nevertheless is found out.
    let mut wrong = one.clone();
    wrong.blocks[0].windows = vec![vec![stretch(3 * DAY, 6 * DAY)]];
    let told = schedule::check(&wrong, &solved.plan);
    assert!(told.iter().any(|own| own.contains("is closed")), "{told:?}");
}

#[test]
fn the_same_problem_gives_the_same_plan() {
    let blocks = ["b dnd nn", "bb nnd dd", "n d"];
    let blocks = (0..)
        .zip(blocks)
        .map(|(at, text)| block(&at.to_string(), text, 1.3, [at as f64 * 9000.0, 0.0], 5));
    let machines = vec![
        machine("A", shifts(5, 6, 12), 1000),
        machine("B", shifts(5, 18, 10), 1200),
    ];
    let problem = problem(5, blocks.collect(), machines, 2);
    let (one, two) = (schedule::solve(&problem), schedule::solve(&problem));
    assert_eq!(one.plan, two.plan);
    assert_eq!(one.plan.undone, 0);
}

/// The earliest finish in whole hours, by trying everything: each hour each machine cuts a section, moves or rests.
fn exhaustive(problem: &Problem, move_h: i64) -> Option<i64> {
    type Place = (Option<usize>, Option<(usize, i64)>);
    let needs: Vec<Vec<Vec<usize>>> = problem.blocks.iter().map(prerequisites).collect();
    let offsets: Vec<usize> = problem
        .blocks
        .iter()
        .scan(0, |sum, block| {
            let at = *sum;
            *sum += block.units.len();
            Some(at)
        })
        .collect();
    let count: usize = problem.blocks.iter().map(|block| block.units.len()).sum();
    let all = (1u32 << count) - 1;
    let mut states: BTreeSet<(u32, Vec<Place>)> = BTreeSet::new();
    states.insert((0, vec![(None, None); problem.machines.len()]));
    for hour in 0..problem.period.seconds() / H {
        let at = hour * H;
        let mut next: BTreeSet<(u32, Vec<Place>)> = BTreeSet::new();
        for (done, places) in states {
            // (done afterwards, blocks in use, places)
            let mut partial: Vec<(u32, Vec<usize>, Vec<Place>)> = vec![(done, vec![], vec![])];
            for (machine, place) in problem.machines.iter().zip(&places) {
                let runs = machine.windows.iter().any(|w| w.span.contains(at));
                let mut grown = Vec::new();
                for (after, used, before) in partial {
                    let mut push = |after: u32, block: Option<usize>, place: Place| {
                        let mut used = used.clone();
                        used.extend(block);
                        let mut places = before.clone();
                        places.push(place);
                        grown.push((after, used, places));
                    };
                    push(after, None, *place);
                    if !runs {
                        continue;
                    }
                    if let (here, Some((to, left))) = *place {
                        let arrived = left <= 1;
                        push(
                            after,
                            None,
                            if arrived {
                                (Some(to), None)
                            } else {
                                (here, Some((to, left - 1)))
                            },
                        );
                        continue;
                    }
                    for (b, block) in problem.blocks.iter().enumerate() {
                        if place.0.is_some_and(|here| here != b) && move_h > 0 {
                            let arrived = move_h == 1;
                            push(
                                after,
                                None,
                                if arrived {
                                    (Some(b), None)
                                } else {
                                    (place.0, Some((b, move_h - 1)))
                                },
                            );
                            continue;
                        }
                        if used.contains(&b) {
                            continue;
                        }
                        let lit = block.light.iter().any(|s: &Stretch| s.contains(at));
                        for (u, unit) in block.units.iter().enumerate() {
                            let bit = 1 << (offsets[b] + u);
                            let ready = needs[b][u]
                                .iter()
                                .all(|v| done & (1 << (offsets[b] + v)) != 0);
                            let night = unit.class == blockwright::model::ShiftClass::NightSafe;
                            let safe = lit || night && unit.kind == StripKind::Interior;
                            if done & bit == 0 && ready && safe && machine.may_cut(unit) {
                                push(after | bit, Some(b), (Some(b), None));
                            }
                        }
                    }
                }
                partial = grown;
            }
            for (after, _, places) in partial {
                if after == all {
                    return Some(hour + 1);
                }
                next.insert((after, places));
            }
        }
        states = next;
    }
    None
}

/// On small problems whose times are whole hours, the plan against the best there is. Run with `--nocapture` for the
/// table.
#[test]
fn small_problems_come_near_the_best_plan() {
    let mut seed = 12345u64;
    let mut below = |bound: u64| {
        seed = seed
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (seed >> 33) % bound
    };
    let (mut optimal, mut compared, mut worst, mut sum) = (0, 0, 0.0f64, 0.0f64);
    let (mut tight, mut gap_sum) = (0, 0.0f64);
    println!("case  blocks                       move  best  ours   bound");
    for case in 0..size::of(24, 60) {
        let days = 4;
        let count = 2 + below(2) as usize;
        let mut texts = Vec::new();
        for _ in 0..count {
            // First work of either class: what is night-safe of it needs light, too.
            let mut text = ["b ", "c ", ""][below(3) as usize].to_owned();
            for _ in 0..1 + below(3) {
                text.push(if below(2) == 0 { 'd' } else { 'n' });
                if below(2) == 0 {
                    text.push(' ');
                }
            }
            texts.push(text);
        }
        let move_h = below(3) as i64;
        let blocks: Vec<_> = (0..)
            .zip(&texts)
            .map(|(at, text)| {
                let place = [if move_h > 0 { at as f64 * 9000.0 } else { 0.0 }, 0.0];
                let mut block = block(&format!("B{at}"), text, 1.0, place, days);
                // Two hours of light a day, so that light is scarce.
                block.light = light(days + 1, 10, 12);
                block
            })
            .collect();
        let second = if below(2) == 0 { 8 } else { 11 };
        let machines = vec![
            machine("A", shifts(days, 9, 5), 1000),
            machine("B", shifts(days, second, 4), 1000),
        ];
        let mut problem = problem(days, blocks, machines, move_h);
        // Whole hours, also of moves.
        problem.moves.haul_fixed_s = move_h * H;
        problem.moves.haul_m_per_s = f64::INFINITY;
        let Some(best) = exhaustive(&problem, move_h) else {
            continue;
        };
        let solved = schedule::solve(&problem);
        assert_eq!(faults(&problem, &solved.plan), Vec::<String>::new());
        assert_eq!(solved.plan.undone, 0, "case {case}");
        let ours = solved.plan.finish.unwrap() as f64 / H as f64;
        let bound = solved.bound.finish.unwrap() as f64 / H as f64;
        println!(
            "{case:>4}  {:<28} {move_h:>4}  {best:>4}  {ours:>4.1}  {bound:>6.1}",
            texts.join(" | ")
        );
        if std::env::var("CASE").is_ok_and(|wanted| wanted == case.to_string()) {
            for task in &solved.plan.tasks {
                println!("    {task:?}");
            }
        }
        assert!(ours >= best as f64 - 1e-9, "better than the best: {case}");
        assert!(
            bound <= best as f64 + 1e-9,
            "the bound is beyond the best: {case}"
        );
        let start = 8.0;
        let gap = (ours - best as f64) / (best as f64 - start);
        optimal += usize::from(gap.abs() < 1e-9);
        tight += usize::from((best as f64 - bound).abs() < 1e-9);
        gap_sum += (best as f64 - bound) / (best as f64 - start);
        worst = worst.max(gap);
        sum += gap;
        compared += 1;
    }
    println!(
        "{compared} compared: {optimal} at the best, mean gap {:.2} %, worst {:.1} %; bound met in {tight}, mean distance {:.1} %",
        sum / f64::from(compared) * 100.0,
        worst * 100.0,
        gap_sum / f64::from(compared) * 100.0
    );
    assert!(compared >= size::of(16, 40) as u32, "{compared}");
    assert!(
        optimal * 10 >= compared as usize * 9,
        "{optimal} of {compared}"
    );
    assert!(
        sum <= 0.02 * f64::from(compared),
        "mean of {compared}: {sum}"
    );
    assert!(worst <= 0.08, "{worst}");
}

#[test]
fn a_broken_plan_is_found_out() {
    let blocks = vec![
        block("A", "b dnd nn", 1.5, [0.0, 0.0], 4),
        block("B", "b nd dn", 1.5, [9000.0, 0.0], 4),
    ];
    let machines = vec![
        machine("X", shifts(4, 6, 14), 1000),
        machine("Y", shifts(4, 14, 10), 1100),
    ];
    let mut problem = problem(4, blocks, machines, 2);
    for machine in &mut problem.machines {
        machine.start = Some([-9000.0, 0.0]);
    }
    let plan = schedule::solve(&problem).plan;
    assert_eq!(schedule::check(&problem, &plan), Vec::<String>::new());
    let breaks = |change: &dyn Fn(&mut schedule::Plan)| {
        let mut broken = plan.clone();
        change(&mut broken);
        let ours = schedule::check(&problem, &broken);
        assert!(!ours.is_empty());
        assert!(
            !faults(&problem, &broken).is_empty()
                || ours
                    .iter()
                    .any(|f| f.contains("pace") || f.contains("finish"))
        );
    };
    let cut = plan
        .tasks
        .iter()
        .position(|task| matches!(task.what, What::Cut { .. }))
        .unwrap();
    breaks(&|plan| {
        plan.tasks.remove(cut);
    });
    breaks(&|plan| {
        let twice = plan.tasks[cut];
        plan.tasks.push(twice);
    });
    breaks(&|plan| plan.tasks[cut].span.to -= 600);
    breaks(&|plan| {
        let last = plan.tasks.len() - 1;
        plan.tasks[last].span.from += 10 * DAY;
        plan.tasks[last].span.to += 10 * DAY;
        plan.finish = Some(plan.tasks[last].span.to);
    });
    breaks(&|plan| plan.undone += 1);
    breaks(&|plan| plan.tasks.retain(|task| task.what != What::Move));
    // Everything an hour later at night: the light is over somewhere, or a shift is.
    breaks(&|plan| {
        for task in &mut plan.tasks {
            task.span.from += 9 * H;
            task.span.to += 9 * H;
        }
        plan.finish = plan.finish.map(|finish| finish + 9 * H);
    });
}

/// 500 blocks, 6 machines, 30 days: `cargo test --release --test writing dispatch_schedule -- --ignored --nocapture`.
#[test]
#[ignore = "takes a while; prints time and gap"]
fn a_season_of_500_blocks() {
    let days = 30;
    let mut seed = 7u64;
    let mut below = |bound: u64| {
        seed = seed
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (seed >> 33) % bound
    };
    let blocks: Vec<_> = (0..500)
        .map(|at| {
            let pieces: Vec<String> = (0..40)
                .map(|_| match below(4) {
                    0 => "nd".to_owned(),
                    1 => "dn".to_owned(),
                    _ => "n".to_owned(),
                })
                .collect();
            let text = format!("b b b {}", pieces.join(" "));
            let hours = 0.03 + below(60) as f64 / 1000.0;
            let place = [below(40_000) as f64, below(40_000) as f64];
            block(&format!("B{at:03}"), &text, hours, place, days)
        })
        .collect();
    let machines: Vec<_> = (0..6)
        .map(|at| machine(&format!("M{at}"), vec![(0, days * DAY)], 950 + at * 20))
        .collect();
    let mut problem = problem(days, blocks, machines, 2);
    problem.moves.walk_up_to_m = 3000.0;
    problem.moves.walk_m_per_s = 0.7;
    problem.moves.haul_m_per_s = 11.0;
    problem.moves.haul_fixed_s = 3600;
    for share in [0.5, 1.0] {
        let mut problem = problem.clone();
        let count = (problem.blocks.len() as f64 * share) as usize;
        problem.blocks.truncate(count);
        let work: i64 = problem
            .blocks
            .iter()
            .flat_map(|b| b.units.iter().map(|u| u.work))
            .sum();
        let began = std::time::Instant::now();
        let solved = schedule::solve(&problem);
        let took = began.elapsed();
        assert_eq!(
            schedule::check(&problem, &solved.plan),
            Vec::<String>::new()
        );
        let hours = |s: Option<i64>| s.map(|s| s as f64 / H as f64);
        println!(
            "{count} blocks, {} sections, {:.0} h of work: {:.1} s, {} plans tried, finish {:?} h, moves {:.1} h, left {:.1} h, bound {:?} h ({}), gap {:?} %",
            problem.blocks.iter().map(|b| b.units.len()).sum::<usize>(),
            work as f64 / 3.6e6,
            took.as_secs_f64(),
            solved.tried,
            hours(solved.plan.finish),
            solved.plan.moving_s as f64 / H as f64,
            solved.plan.undone as f64 / 3.6e6,
            hours(solved.bound.finish),
            solved.bound.because,
            solved
                .bound
                .finish
                .zip(solved.plan.finish)
                .map(|(b, f)| (f - b) as f64 / b as f64 * 100.0)
        );
    }
}

#[test]
fn what_runs_out_is_said() {
    // Plenty of day-only work, a little night-safe: the nights are soon empty.
    let days = 8;
    let blocks = vec![block("A", "b n d d d d d d", 4.0, [0.0, 0.0], days)];
    let machines = vec![machine("X", shifts(days, 6, 20), 1000)];
    let problem = problem(days, blocks, machines, 1);
    let solved = schedule::solve(&problem);
    assert_eq!(solved.plan.undone, 0);
    let found = schedule::outlook::outlook(&problem, &solved.plan, &solved.bound, chrono_tz::UTC);
    let [warning] = &found.warnings[..] else {
        panic!("{:?}", found.warnings);
    };
    // By the first dusk the boundary pass and one day-only section are cut, in the night the night-safe one.
    assert!(
        warning.what.starts_with("from 2 Jan 1970 night shifts have no night-safe work; 12.0 day-only hours wait for light"),
        "{}",
        warning.what
    );
    assert!(
        warning.help.contains("add another block"),
        "{}",
        warning.help
    );
    // Day-only work in four days of eight hours each, and the unused nights are counted.
    assert!(found.unused_night_s() > 20 * H);

    // Two blocks so near that they are never cut at once, 100 h each in 160 h: of two machines one stands free.
    let hundred = |id, x| block(id, "n n n n n n n n n n", 10.0, [x, 0.0], days);
    let mut blocks = vec![hundred("A", 0.0), hundred("B", 500.0)];
    (blocks[0].near, blocks[1].near) = (vec![1], vec![0]);
    let two = ["X", "Y"].map(|name| machine(name, shifts(days, 6, 20), 1000));
    let near = dispatch_support::problem(days, blocks, two.to_vec(), 1);
    let solved = schedule::solve(&near);
    assert!(solved.plan.undone > 0 && solved.bound.finish.is_some());
    let found = schedule::outlook::outlook(&near, &solved.plan, &solved.bound, chrono_tz::UTC);
    let said: Vec<&str> = found.warnings.iter().map(|w| w.help.as_str()).collect();
    assert!(
        said.iter()
            .any(|help| help.ends_with("another one would not help")),
        "{said:?}"
    );

    // Night-safe work that stands behind a boundary pass is another matter: that pass helps.
    let blocks = vec![
        block("A", "b d d d d d n n", 4.0, [0.0, 0.0], days),
        block("B", "b b n n n n", 4.0, [9000.0, 0.0], days),
    ];
    let machines = vec![machine("X", shifts(days, 6, 20), 1000)];
    let mut problem = dispatch_support::problem(days, blocks, machines, 1);
    // B stays closed.
    problem.blocks[1].open = stretch(20 * DAY, 21 * DAY);
    let solved = schedule::solve(&problem);
    let found = schedule::outlook::outlook(&problem, &solved.plan, &solved.bound, chrono_tz::UTC);
    assert!(solved.plan.undone > 0);
    let said: Vec<&str> = found.warnings.iter().map(|w| w.what.as_str()).collect();
    assert!(
        said.iter().any(|what| what.contains("do not fit")),
        "{said:?}"
    );
    assert!(
        found
            .warnings
            .iter()
            .any(|w| w.help.contains("boundary passes")),
        "{:?}",
        found.warnings
    );
}

/// A machine goes ahead in the dark so as to be there at first light, but not if its shifts end before.
#[test]
fn nobody_goes_ahead_to_light_that_falls_outside_the_shifts() {
    let day_only = || block("A", "d", 2.0, [0.0, 1000.0], 3);
    for (from, long, moves) in [(16, 4, 0), (6, 6, 1)] {
        let mut one = machine("X", shifts(3, from, long), 1000);
        one.start = Some([0.0, 0.0]);
        let problem = problem(3, vec![day_only()], vec![one], 1);
        let plan = schedule::solve(&problem).plan;
        let moved = plan.tasks.iter().filter(|task| task.what == What::Move);
        assert_eq!(moved.count(), moves, "{:?}", plan.tasks);
        assert_eq!(plan.undone == 0, moves == 1);
        assert_eq!(faults(&problem, &plan), Vec::<String>::new());
    }
}

#[test]
fn polar_night_leaves_day_only_work_and_polar_day_knows_no_night() {
    let days = 3;
    let mut dark = block("A", "n dn n", 1.0, [0.0, 0.0], days);
    dark.light = vec![];
    let mut bright = block("A", "b dn n", 1.0, [0.0, 0.0], days);
    bright.light = vec![stretch(0, (days + 1) * DAY)];
    let machines = || vec![machine("X", shifts(days, 6, 10), 1000)];
    let night = schedule::solve(&problem(days, vec![dark], machines(), 1));
    assert_eq!(night.plan.undone, 3 * schedule::HOUR);
    assert_eq!(night.bound.finish, None);
    // Nobody is told to put a machine more on what no light comes to.
    let mut dark = block("A", "d d d", 1.0, [0.0, 0.0], days);
    dark.light = vec![];
    let dark = problem(days, vec![dark], machines(), 1);
    let solved = schedule::solve(&dark);
    let told = schedule::outlook::outlook(&dark, &solved.plan, &solved.bound, chrono_tz::UTC);
    assert!(!told.warnings.is_empty());
    for warning in &told.warnings {
        assert!(
            warning.help.contains("no machine more helps"),
            "{warning:?}"
        );
    }
    let day = schedule::solve(&problem(days, vec![bright], machines(), 1));
    assert_eq!(day.plan.finish, Some(10 * H));
    assert_eq!(day.bound.finish, Some(10 * H));
}

#[test]
fn skidders_keep_their_leads_and_stay_in_their_shifts() {
    use blockwright::schedule::skidding::{Least, Skidder, WoodKnown, follow};
    let days = 5;
    let blocks = vec![
        block("A", "b dn nn", 1.5, [0.0, 0.0], days),
        block("B", "b nn nd", 1.5, [9000.0, 0.0], days),
    ];
    let problem = problem(
        days,
        blocks,
        vec![machine("X", shifts(days, 6, 14), 1000)],
        2,
    );
    let plan = schedule::solve(&problem).plan;
    let windows = machine("S", shifts(days, 7, 10), 1000).windows;
    let skidder = |max_lead_s| Skidder {
        name: "S".to_owned(),
        night: false,
        max_slope: None,
        able: Default::default(),
        windows: windows.clone(),
        upkeep: Default::default(),
        start: None,
        min_lead_s: 3 * H,
        max_lead_s,
    };
    let found = follow(
        &problem,
        &plan,
        &[skidder(100 * H)],
        &problem.moves,
        WoodKnown {
            seconds: &|_, _| H / 2,
            by_day: &|_, _| false,
            too_near: &|_, _| false,
            litres: &|_, _| 0,
            lying: &[],
            kept: &|_, _| None,
            decks: None,
            slope: &|_, _| None,
        },
        Least::default(),
    );
    assert_eq!((found.left, found.late.len()), (0, 0));
    let mut seen = BTreeSet::new();
    for pair in found.tasks.windows(2) {
        assert!(pair[0].span.to <= pair[1].span.from);
    }
    for task in &found.tasks {
        assert!(
            windows
                .iter()
                .any(|w| w.span.from <= task.span.from && task.span.to <= w.span.to)
        );
        let Some(unit) = task.unit else { continue };
        seen.insert((task.block, unit));
        let felled = plan
            .tasks
            .iter()
            .filter(|cut| cut.block == task.block)
            .filter(|cut| matches!(cut.what, What::Cut { unit: cut, .. } if cut == unit))
            .map(|cut| cut.span.to)
            .max()
            .unwrap();
        assert!(felled + 3 * H <= task.span.from);
        let light = &problem.blocks[task.block].light;
        assert!(
            light
                .iter()
                .any(|s| s.from <= task.span.from && task.span.to <= s.to)
        );
    }
    assert_eq!(seen.len(), 10);
    let late = follow(
        &problem,
        &plan,
        &[skidder(3 * H)],
        &problem.moves,
        WoodKnown {
            seconds: &|_, _| 4 * H,
            by_day: &|_, _| false,
            too_near: &|_, _| false,
            litres: &|_, _| 0,
            lying: &[],
            kept: &|_, _| None,
            decks: None,
            slope: &|_, _| None,
        },
        Least::default(),
    );
    assert!(!late.late.is_empty() || late.left > 0);
}

/// A skidder with leave for the night, in shifts that are mostly dark: of two blocks, the wood of one is to be brought by day.
#[test]
fn wood_on_dangerous_ground_waits_for_light_whatever_the_skidders_leave() {
    use blockwright::schedule::skidding::{Least, Skidder, WoodKnown, follow};
    let days = 5;
    let blocks = vec![
        block("A", "b dn nn", 1.0, [0.0, 0.0], days),
        block("B", "b nn nd", 1.0, [9000.0, 0.0], days),
    ];
    let problem = problem(
        days,
        blocks,
        vec![machine("X", shifts(days, 6, 14), 1000)],
        1,
    );
    let plan = schedule::solve(&problem).plan;
    let skidder = Skidder {
        name: "S".to_owned(),
        night: true,
        max_slope: None,
        able: Default::default(),
        windows: machine("S", shifts(days, 14, 8), 1000).windows,
        upkeep: Default::default(),
        start: None,
        min_lead_s: H,
        max_lead_s: 100 * H,
    };
    let skidders = [skidder];
    let dark = |by_day: &dyn Fn(usize, usize) -> bool, of: &dyn Fn(usize, usize) -> bool| {
        let wood = WoodKnown {
            seconds: &|_, _| H,
            by_day,
            too_near: &|_, _| false,
            litres: &|_, _| 0,
            lying: &[],
            kept: &|_, _| None,
            decks: None,
            slope: &|_, _| None,
        };
        let found = follow(
            &problem,
            &plan,
            &skidders,
            &problem.moves,
            wood,
            Least::default(),
        );
        assert_eq!(
            schedule::check_skidding(&problem, &found, &skidders, by_day, &|_, _| None),
            Vec::<String>::new()
        );
        let unlit = found.tasks.iter().filter(|task| {
            let light = &problem.blocks[task.block].light;
            let lit = |s: &Stretch| s.from <= task.span.from && task.span.to <= s.to;
            task.unit.is_some_and(|unit| of(task.block, unit)) && !light.iter().any(lit)
        });
        (unlit.count(), found.left)
    };
    let of_a = |block: usize, unit: usize| block == 0 && unit != 0;
    let none = |_: usize, _: usize| false;
    let (by_night, left) = dark(&none, &of_a);
    assert!(by_night > 0 && left == 0);
    let (by_night, left) = dark(&of_a, &of_a);
    assert_eq!((by_night, left), (0, 0));
    // The check itself knows a plan that does not keep it.
    let wood = WoodKnown {
        seconds: &|_, _| H,
        by_day: &none,
        too_near: &|_, _| false,
        litres: &|_, _| 0,
        lying: &[],
        kept: &|_, _| None,
        decks: None,
        slope: &|_, _| None,
    };
    let found = follow(
        &problem,
        &plan,
        &skidders,
        &problem.moves,
        wood,
        Least::default(),
    );
    let broken = schedule::check_skidding(&problem, &found, &skidders, &of_a, &|_, _| None);
    assert!(
        !broken.is_empty() && broken[0].contains("in the dark"),
        "{broken:?}"
    );
}

/// Strips of 20 m side by side, trees of 30 m: who skids keeps 60 m (SF-05 to SF-07, two tree lengths) off the strip that is
/// being felled, in its own block and in the next, 10 m away.
#[test]
fn skidders_keep_two_tree_lengths_off_what_is_being_felled() {
    use blockwright::schedule::skidding::{Least, SkidTask, Skidder, WoodKnown, follow};
    let days = 12;
    let mut problem = problem(
        days,
        vec![
            block("A", "b d d d d d d d d", 1.0, [0.0, 0.0], days),
            block("B", "b d d d d d d d d", 1.0, [300.0, 0.0], days),
        ],
        vec![machine("X", shifts(days, 8, 8), 1000)],
        1,
    );
    problem.blocks[0].near = vec![1];
    problem.blocks[1].near = vec![0];
    // Middles of strips, in metres along a line; the pass of each block is all around it, nearest where it is met first.
    let extent = |(block, unit): (usize, usize)| {
        let start = [0.0, 170.0][block];
        match unit {
            0 => (start, start + 160.0),
            _ => (
                start + 20.0 * unit as f64 - 20.0,
                start + 20.0 * unit as f64,
            ),
        }
    };
    let distance = |a: (usize, usize), b: (usize, usize)| {
        let ((a0, a1), (b0, b1)) = (extent(a), extent(b));
        f64::max(b0 - a1, a0 - b1).max(0.0)
    };
    let plan = schedule::solve(&problem).plan;
    assert_eq!((plan.undone, schedule::check(&problem, &plan)), (0, vec![]));
    // Who lags behind brings wood out while the next block is felled.
    let (mut neighbours, mut together) = (0, 0);
    for (lead_h, minutes) in [(0, 60), (0, 90), (0, 120), (4, 90), (24, 60), (24, 120)] {
        let skidders = [Skidder {
            name: "S".to_owned(),
            night: true,
            max_slope: None,
            able: Default::default(),
            windows: machine("S", shifts(days, 8, 8), 1000).windows,
            upkeep: Default::default(),
            start: None,
            min_lead_s: lead_h * H,
            max_lead_s: 1000 * H,
        }];
        let skidded = |kept: bool| {
            let wood = WoodKnown {
                seconds: &|_, _| 60 * minutes,
                by_day: &|_, _| false,
                slope: &|_, _| None,
                too_near: &|felled, skidded| kept && distance(felled, skidded) < 60.0,
                litres: &|_, _| 0,
                lying: &[],
                kept: &|_, _| None,
                decks: None,
            };
            follow(
                &problem,
                &plan,
                &skidders,
                &problem.moves,
                wood,
                Least::default(),
            )
        };
        let at_once = |tasks: &[SkidTask]| -> Vec<(bool, f64)> {
            let mut found = Vec::new();
            for task in tasks {
                let Some(unit) = task.unit else { continue };
                for cut in &plan.tasks {
                    let What::Cut { unit: felled, .. } = cut.what else {
                        continue;
                    };
                    if cut.span.from < task.span.to && task.span.from < cut.span.to {
                        let m = distance((cut.block, felled), (task.block, unit));
                        found.push((cut.block != task.block, m));
                    }
                }
            }
            found
        };
        let apart = |felled, skidded| (distance(felled, skidded), 60.0);
        let check = |found| schedule::check_apart(&problem, &plan, found, &skidders, &apart);

        let kept = skidded(true);
        assert_eq!(kept.left, 0);
        let beside = at_once(&kept.tasks);
        assert!(beside.iter().all(|(_, m)| *m >= 60.0), "{beside:?}");
        together += beside.len();
        let (broken, nearest) = check(&kept);
        assert_eq!(broken, Vec::<String>::new());
        let least = beside.iter().map(|(_, m)| *m).fold(f64::INFINITY, f64::min);
        assert_eq!(nearest.map_or(f64::INFINITY, |own| own.distance_m), least);
        assert!(
            schedule::check_skidding(&problem, &kept, &skidders, &|_, _| false, &|_, _| None)
                .is_empty(),
            "other rules hold as well"
        );

        // Who knows nothing of it comes nearer, and the check says so.
        let free = skidded(false);
        let near: Vec<bool> = (at_once(&free.tasks).iter())
            .filter(|(_, m)| *m < 60.0)
            .map(|(other, _)| *other)
            .collect();
        neighbours += near.iter().filter(|other| **other).count();
        let (broken, _) = check(&free);
        assert_eq!(broken.is_empty(), near.is_empty());
        assert!(broken.iter().all(|what| what.contains("60.0 m are needed")));
        if lead_h == 0 {
            assert!(!near.is_empty());
        }
    }
    assert!(together > 0, "felling and skidding still go on at once");
    assert!(neighbours > 0, "nobody would have come near the next block");
}

/// Of two blocks one is steep: a skidder on wheels (35 %, SF-01) leaves its wood, one on tracks (40 %, SF-02) brings it.
#[test]
fn a_skidder_is_not_sent_to_ground_too_steep_for_it() {
    use blockwright::schedule::skidding::{Least, Skidder, WoodKnown, follow};
    let days = 5;
    let blocks = vec![
        block("A", "b d d", 1.0, [0.0, 0.0], days),
        block("B", "b d d", 1.0, [9000.0, 0.0], days),
    ];
    let problem = problem(
        days,
        blocks,
        vec![machine("X", shifts(days, 6, 14), 1000)],
        1,
    );
    let plan = schedule::solve(&problem).plan;
    let slope = |block: usize, _: usize| Some([0.30, 0.38][block]);
    let skidder = |max_slope| {
        [Skidder {
            name: "S".to_owned(),
            night: true,
            max_slope,
            windows: machine("S", shifts(days, 6, 14), 1000).windows,
            upkeep: Default::default(),
            able: Default::default(),
            start: None,
            min_lead_s: 0,
            max_lead_s: 1000 * H,
        }]
    };
    let wood = WoodKnown {
        seconds: &|_, _| H,
        by_day: &|_, _| false,
        slope: &slope,
        too_near: &|_, _| false,
        litres: &|_, _| 0,
        lying: &[],
        kept: &|_, _| None,
        decks: None,
    };
    for (most, left) in [(Some(0.35), 3), (Some(0.40), 0), (None, 0)] {
        let own = skidder(most);
        let found = follow(
            &problem,
            &plan,
            &own,
            &problem.moves,
            wood,
            Least::default(),
        );
        assert_eq!(found.left, left, "{most:?}");
        let broken = schedule::check_skidding(&problem, &found, &own, &|_, _| false, &slope);
        assert_eq!(broken, Vec::<String>::new());
        // The same plan for a skidder on wheels.
        let wheels = skidder(Some(0.35));
        let broken = schedule::check_skidding(&problem, &found, &wheels, &|_, _| false, &slope);
        assert_eq!(broken.is_empty(), left == 3, "{broken:?}");
    }
}
