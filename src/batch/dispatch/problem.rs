//! The problem to be solved, from crew, calendar and layout.

use std::collections::BTreeMap;

use chrono::{NaiveDate, NaiveTime};
use geo::MultiPolygon;

use super::former::FormerPlan;
use super::{DispatchError, DispatchOptions, Left};
use crate::daylight;
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, boundary_segments, inside};
use crate::landbase::{TREE_LENGTHS, UNKNOWN_TREE_M};
use crate::model::{DayReason, MachineKind, OpenDays, StripKind};
use crate::outputs::dispatch::SetAside;
use crate::project::{Care, Crew, CrewBlock, CrewMachine, ProjectError, Reason};
use crate::rulebook::spanned::Spanned;
use crate::schedule::calendar::{self, Every, OneShift};
use crate::schedule::outlook::{self, Warning};
use crate::schedule::time::{around, intersect, subtract, union, whole_seconds};
use crate::schedule::wood::Wood;
use crate::schedule::{
    Able, Block, HOUR, Machine, Needs, Only, Problem, Stretch, Unit, Upkeep, Window, Work, held_up,
};
use crate::sources::{FinishedBlock, FinishedLayout, FinishedSection};

/// How far machines keep apart where nobody says how tall the trees are, m: two of the trees that stand in for them.
pub(super) const UNKNOWN_FALLING_M: f64 = TREE_LENGTHS * UNKNOWN_TREE_M;

/// For each block those so near that a tree which falls in one could hurt who works in the other.
fn near_blocks(layout: &FinishedLayout) -> Vec<Vec<usize>> {
    let blocks = &layout.blocks;
    let falling_m = |block: &FinishedBlock| block.falling_m.unwrap_or(UNKNOWN_FALLING_M);
    let outlines: Vec<SegmentIndex> = (blocks.iter())
        .map(|block| SegmentIndex::of_boundary(&block.shape))
        .collect();
    let mut near = vec![Vec::new(); blocks.len()];
    for (at, block) in blocks.iter().enumerate() {
        let bounds = Bounds::of_polygons(&block.shape);
        for (other, its) in blocks.iter().enumerate().skip(at + 1) {
            let within_m = falling_m(block).max(falling_m(its));
            let far_m = (block.centre[0] - its.centre[0]).hypot(block.centre[1] - its.centre[1]);
            let across_m = |own: &Bounds| (own.max - own.min).x.hypot((own.max - own.min).y);
            let (size_m, other_m) = (
                across_m(&bounds),
                across_m(&Bounds::of_polygons(&its.shape)),
            );
            if far_m > 1.1 * (size_m + other_m + within_m) {
                continue;
            }
            // Both in the frame of the first.
            let moved = block
                .frame
                .enter_polygons(&its.frame.polygons_to_plane(&its.shape));
            let mut edges = boundary_segments(&moved, 0);
            let touches =
                edges.any(|edge| outlines[at].approach(edge.a, edge.b, within_m).is_some());
            let corner = |own: &MultiPolygon| {
                own.0
                    .first()
                    .and_then(|own| own.exterior().0.first().copied())
            };
            let holds = corner(&moved).is_some_and(|c| inside(c, &block.shape))
                || corner(&block.shape).is_some_and(|c| inside(c, &moved));
            if touches || holds {
                near[at].push(other);
                near[other].push(at);
            }
        }
    }
    near
}

fn lights(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
) -> Result<Vec<Vec<Stretch>>, DispatchError> {
    let one = |block: &FinishedBlock| {
        // One date more, for the night shift of the last.
        daylight::spans(
            block.place,
            crew.zone,
            options.from,
            options.days.saturating_add(1),
            crew.light_margin,
            crew.light,
        )
        .map(|spans| whole_seconds(&spans))
        .map_err(|source| DispatchError::Daylight {
            block: block.id.clone(),
            source,
        })
    };
    layout.blocks.iter().map(one).collect()
}

/// What machines have in common with the calendar.
pub(super) struct CrewHours {
    machines: Vec<Runs>,
    light: Vec<Vec<Stretch>>,
}

/// When a machine or skidder runs, and when it is looked after.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    pub windows: Vec<Window>,
    pub upkeep: Upkeep,
}

pub(super) fn crew_hours(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    told: &mut Told<'_>,
) -> Result<CrewHours, DispatchError> {
    let light = lights(crew, layout, options)?;
    let lists: Vec<&[Stretch]> = light.iter().map(Vec::as_slice).collect();
    let mut machines = Vec::new();
    for machine in &crew.machines {
        let mine = super::shifts_of(crew, options, &machine.turns);
        super::refuse_overlap(crew, &mine, &machine.name)?;
        machines.push(runs(
            crew,
            machine.name.get_ref(),
            &mine,
            &machine.care,
            &lists,
            told,
        ));
    }
    Ok(CrewHours { machines, light })
}

/// Where what runs short is told: rules that are not kept, and what only costs time.
pub(super) struct Told<'t> {
    pub breaches: &'t mut Vec<Warning>,
    pub warnings: &'t mut Vec<Warning>,
}

/// When a machine or skidder runs: its shifts without the stops of the crew file, its service and its fuelling. `lights`: the
/// light at each block.
pub(super) fn runs(
    crew: &Crew,
    name: &str,
    shifts: &[OneShift],
    care: &Care,
    lights: &[&[Stretch]],
    told: &mut Told<'_>,
) -> Runs {
    let mut lists = lights.iter();
    let first = lists.next().map_or(vec![], |list| list.to_vec());
    let common = lists.fold(first, |common, list| intersect(&common, list));
    let anywhere = union(lights.iter().copied().flatten().copied().collect());
    let unlit = |dates: &[NaiveDate], what: &dyn Fn(usize, String) -> String| {
        let first = outlook::shown(*dates.first()?);
        Some(Warning {
            what: what(dates.len(), first),
            help: "shorten `light_margin`, let `light` count civil twilight, or service it where there is light"
                .to_owned(),
        })
    };
    let hours = calendar::hours(crew.zone, shifts, care.service, &common);
    told.breaches
        .extend(unlit(&hours.unserved, &|dates, first| {
            format!("{name}: no daylight for its service on {dates} date(s), first {first}")
        }));
    let stops = stops_of(crew, name);
    let mut still = stops.clone();
    still.extend(slivers(&hours.service, &anywhere));
    let still = union(still);
    let windows = without(&hours.windows, &still);
    let service: Vec<Stretch> = (hours.service.into_iter())
        .filter(|slot| intersect(&[*slot], &still).is_empty())
        .collect();
    let Some(fuel) = &care.fuel else {
        let upkeep = Upkeep {
            service,
            ..Upkeep::default()
        };
        return Runs { windows, upkeep };
    };
    let spans: Vec<Stretch> = windows.iter().map(|window| window.span).collect();
    let free = subtract(&subtract(&common, &service), &still);
    let fuelling = calendar::fuelling(crew.zone, shifts, &spans, fuel, &free);
    told.breaches
        .extend(unlit(&fuelling.unserved, &|dates, first| {
            format!("{name}: no daylight to fuel it on {dates} date(s), first {first}")
        }));
    if let Some(first) = fuelling.dry.first() {
        let dry_s: i64 = fuelling.dry.iter().map(Stretch::seconds).sum();
        told.warnings.push(Warning {
            what: format!(
                "{name} stands {:.1} h of its shifts with an empty tank and waits for light, first on {}",
                dry_s as f64 / 3600.0,
                outlook::shown(calendar::date_of(crew.zone, first.from))
            ),
            help: "shorten its shifts in the dark, or give it a tank that lasts from one day's light to the next"
                .to_owned(),
        });
    }
    let mut out = fuelling.slots.clone();
    out.extend(&fuelling.dry);
    Runs {
        windows: without(&windows, &union(out)),
        upkeep: Upkeep {
            service,
            fuel: fuelling.slots,
            tank_s: match fuel.every {
                Every::Day => None,
                Every::Seconds(most) => Some(most),
            },
            dry: fuelling.dry,
        },
    }
}

/// When a machine or skidder stands still, by the stops of the crew file, sorted.
pub(super) fn stops_of(crew: &Crew, name: &str) -> Vec<Stretch> {
    let own = crew.stops.iter().filter(|stop| {
        let named = stop.machine.as_ref();
        stop.block.is_none() && named.is_none_or(|its| its.get_ref() == name)
    });
    union(own.map(|stop| stop.span).collect())
}

/// Nobody begins to cut for less before the service.
const SLIVER_S: i64 = 300;

/// Light comes to some blocks a little before it has come to all, when the service begins: a machine is left alone until then.
fn slivers(service: &[Stretch], anywhere: &[Stretch]) -> Vec<Stretch> {
    let before = service.iter().filter_map(|slot| {
        let light = around(anywhere, slot.from)?;
        let sliver = Stretch::new(light.from, slot.from);
        (1..SLIVER_S).contains(&sliver.seconds()).then_some(sliver)
    });
    before.collect()
}

/// What is left of a machine's time when it stands still.
pub(super) fn without(windows: &[Window], stops: &[Stretch]) -> Vec<Window> {
    let parts = windows.iter().flat_map(|window| {
        let parts = subtract(&[window.span], stops).into_iter();
        parts.map(|span| Window { span, ..*window })
    });
    parts.collect()
}

/// Lets no unit of a block be worked while it is stopped.
fn stop(block: &mut Block, stops: &[Stretch], period: Stretch) {
    if stops.is_empty() {
        return;
    }
    for spans in &mut block.windows {
        *spans = subtract(spans, stops);
    }
    let always = block.windows.len();
    block.windows.push(subtract(&[period], stops));
    for unit in &mut block.units {
        unit.window = unit.window.or(Some(always));
    }
}

/// A block that the crew file names.
enum Named {
    /// Its index.
    Planned(usize),
    SetAside(Option<[f64; 2]>),
}

fn block_named(
    crew: &Crew,
    layout: &FinishedLayout,
    key: &str,
    id: &Spanned<String>,
) -> Result<Named, ProjectError> {
    let set_aside = layout.set_aside.iter().find(|b| b.id == *id.get_ref());
    if let Some(block) = set_aside {
        return Ok(Named::SetAside(block.centre));
    }
    let found = layout
        .blocks
        .iter()
        .position(|block| block.id == *id.get_ref());
    found.map(Named::Planned).ok_or_else(|| {
        let near = |block: &&FinishedBlock| strsim::jaro_winkler(&block.id, id.get_ref()) > 0.8;
        let mut valid: Vec<String> = layout
            .blocks
            .iter()
            .filter(near)
            .map(|b| b.id.clone())
            .collect();
        valid.truncate(8);
        let reason = Reason::UnknownChoice {
            key: key.to_owned(),
            value: id.get_ref().clone(),
            valid,
        };
        crew.error(id.span(), reason)
    })
}

/// Where a machine stands at first; None where nobody says, or nobody knows where that block lies.
pub(super) fn start_of(
    crew: &Crew,
    layout: &FinishedLayout,
    id: Option<&Spanned<String>>,
) -> Result<Option<[f64; 2]>, ProjectError> {
    let Some(id) = id else { return Ok(None) };
    Ok(match block_named(crew, layout, "start", id)? {
        Named::Planned(block) => Some(layout.blocks[block].centre),
        Named::SetAside(centre) => centre,
    })
}

/// Where a block that the plan before names lies; None where this layout does not have it.
pub(super) fn centre_of(layout: &FinishedLayout, id: &str) -> Option<[f64; 2]> {
    let found = layout.blocks.iter().find(|block| block.id == id);
    found.map(|block| block.centre)
}

#[expect(clippy::too_many_arguments, reason = "all that a problem is made of")]
pub(super) fn problem(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    left: &Left,
    hours: CrewHours,
    before: Option<&FormerPlan>,
    breaches: &mut Vec<Warning>,
    set_aside: &mut Vec<SetAside>,
) -> Result<(Problem, Vec<Vec<usize>>), DispatchError> {
    let midnight = |date: NaiveDate| calendar::second_of(crew.zone, date, NaiveTime::MIN);
    let begin = midnight(options.from);
    let windows = hours.machines.iter().flat_map(|hours| &hours.windows);
    let last = windows.map(|window| window.span.to).max().unwrap_or(begin);
    let next = calendar::dates(options.from, options.days.saturating_add(1)).last();
    let period = Stretch::new(begin, last.max(next.map_or(begin, midnight)));
    for id in crew.stops.iter().filter_map(|stop| stop.block.as_ref()) {
        block_named(crew, layout, "block", id)?;
    }
    let mut own: BTreeMap<usize, (Stretch, &CrewBlock)> = BTreeMap::new();
    for block in &crew.blocks {
        let Named::Planned(index) = block_named(crew, layout, "id", &block.id)? else {
            continue;
        };
        let from = block.not_before.map_or(period.from, midnight);
        let to = block.not_after.and_then(|date| date.succ_opt());
        let open = Stretch::new(
            from.max(period.from),
            to.map_or(period.to, midnight).min(period.to),
        );
        own.insert(index, (open, block));
    }
    let mut blocks = Vec::new();
    let mut sections = Vec::new();
    let mut without_hours: Vec<&str> = Vec::new();
    for (index, (block, light)) in layout.blocks.iter().zip(hours.light).enumerate() {
        let (open, own) = match own.get(&index) {
            Some((open, own)) => (*open, Some(*own)),
            None => (period, None),
        };
        let mut units = Vec::new();
        let mut windows = Windows::new(crew, options, period);
        let mut of = Vec::new();
        let known = left[index].iter().all(Option::is_some);
        if !known {
            without_hours.push(block.id.as_str());
        }
        for (at, (section, hours)) in block.sections.iter().zip(&left[index]).enumerate() {
            let Some(hours) = hours.filter(|hours| known && *hours > 0.0) else {
                continue;
            };
            let window = windows.of(section);
            units.push(Unit {
                window,
                ..unit(layout, block, section, hours)
            });
            of.push(at);
        }
        let mut planned = Block {
            id: block.id.clone(),
            place: block.centre,
            light,
            open,
            priority: own.map_or(0, |own| own.priority),
            units,
            windows: windows.spans,
            near: vec![],
            only: own.map_or(Only::default(), |own| only(crew, own)),
            needs: own.map_or(Needs::default(), needs),
        };
        let stops = (crew.stops.iter()).filter(|stop| {
            stop.block
                .as_ref()
                .is_some_and(|id| *id.get_ref() == block.id)
        });
        let why: Vec<&str> = stops.map(|stop| stop.why.as_str()).collect();
        stop(&mut planned, &block_stops(crew, &block.id), period);
        set_aside.extend(closed(options, block, &mut planned, &mut of, &why));
        blocks.push(planned);
        sections.push(of);
    }
    for (block, near) in blocks.iter_mut().zip(near_blocks(layout)) {
        block.near = near;
    }
    for block in &layout.set_aside {
        breaches.push(Warning {
            what: format!(
                "block {} is set aside and not planned: {}",
                block.id, block.why
            ),
            help: "lay out that block anew; if it is set aside again, please report this"
                .to_owned(),
        });
        set_aside.push(SetAside {
            block_id: block.id.clone(),
            code: "unreadable-layout",
            why: block.why.clone(),
        });
    }
    for id in &without_hours {
        set_aside.push(SetAside {
            block_id: (*id).to_owned(),
            code: "no-hours",
            why: "some of its sections have no hours".to_owned(),
        });
    }
    if let Some(first) = without_hours.first() {
        breaches.push(Warning {
            what: format!(
                "{} block(s) have sections without hours and are not planned, first {first}",
                without_hours.len()
            ),
            help: "give `stems_per_ha` under [production], or a layer of stands that covers them, and lay out anew"
                .to_owned(),
        });
    }
    let mut machines = Vec::new();
    for (machine, hours) in crew.machines.iter().zip(hours.machines) {
        if let Some(reach) = &machine.reach_m
            && *reach.get_ref() < layout.reach_m - 1e-6
        {
            let reason = Reason::Contradiction {
                message: format!(
                    "`{}` reaches {} m, the strips are laid out for {} m",
                    machine.name.get_ref(),
                    reach.get_ref(),
                    layout.reach_m
                ),
                remedy: "lay out with this machine's reach, or leave it out of this crew"
                    .to_owned(),
            };
            return Err(crew.error(reach.span(), reason).into());
        }
        machines.push(Machine {
            name: machine.name.get_ref().clone(),
            kinds: machine.kinds.clone(),
            max_slope: machine.max_slope.unwrap_or(layout.max_slope),
            able: able(machine),
            night: machine.night,
            windows: hours.windows,
            upkeep: hours.upkeep,
            start: match before.and_then(|own| own.stands_at(machine.name.get_ref())) {
                Some(id) => centre_of(layout, id),
                None => start_of(crew, layout, machine.start.as_ref())?,
            },
        });
    }
    let problem = Problem {
        period,
        blocks,
        machines,
        moves: crew.moves,
        wood: Wood::default(),
    };
    Ok((problem, sections))
}

fn able(machine: &CrewMachine) -> Able {
    Able {
        reach_m: machine.reach_m.as_ref().map(|reach| *reach.get_ref()),
        runs_on: machine.runs_on,
    }
}

fn needs(block: &CrewBlock) -> Needs {
    Needs {
        reach_m: block.reach_m,
        runs_on: block.runs_on.clone(),
    }
}

/// The machines and skidders that may work in a block: those that the crew file names, or all, less those that do not have what
/// it needs or of which nobody says so.
fn only(crew: &Crew, block: &CrewBlock) -> Only {
    let runs = |own: Option<MachineKind>| {
        let kinds = block.runs_on.as_ref();
        kinds.is_none_or(|kinds| own.is_some_and(|own| kinds.contains(&own)))
    };
    let reaches = |machine: &CrewMachine| {
        let needed = block.reach_m;
        needed.is_none_or(|needed| {
            let own = machine.reach_m.as_ref();
            own.is_some_and(|own| *own.get_ref() >= needed - 1e-6)
        })
    };
    if block.reach_m.is_none() && block.runs_on.is_none() {
        return block.only.clone();
    }
    let machines = crew.machines.iter();
    let machines = machines.filter(|own| reaches(own) && runs(own.runs_on));
    let skidders = crew.skidders.iter().filter(|own| runs(own.runs_on));
    let takes = |name: &&String| block.only.takes(name);
    let skids = |name: &&String| block.only.takes_skidder(name);
    Only {
        machines: Some(
            machines
                .map(|own| own.name.get_ref())
                .filter(takes)
                .cloned()
                .collect(),
        ),
        skidders: Some(
            skidders
                .map(|own| own.name.get_ref())
                .filter(skids)
                .cloned()
                .collect(),
        ),
    }
}

/// Whether the wood of each section of a block, in their order, is skidded by daylight only: its own ground, or that of a
/// section which it comes through on its strip's way to the road, is a danger to any machine in the dark. A reason that this
/// program does not know counts as one.
pub(super) fn skidded_by_day(sections: &[FinishedSection]) -> Vec<bool> {
    let dangerous = |section: &FinishedSection| {
        (section.reasons.iter())
            .any(|key| DayReason::of_key(key).is_none_or(DayReason::endangers_any_machine))
    };
    let piece = |section: &FinishedSection| (section.part, section.strip_no, section.piece);
    let mut nearest: BTreeMap<(u32, u32, u32), i64> = BTreeMap::new();
    for section in sections.iter().filter(|section| dangerous(section)) {
        let from_outlet = section.from_outlet();
        let first = nearest.entry(piece(section)).or_insert(from_outlet);
        *first = (*first).min(from_outlet);
    }
    let through = |section: &FinishedSection| {
        section.kind == StripKind::Interior
            && (nearest.get(&piece(section))).is_some_and(|&first| first <= section.from_outlet())
    };
    (sections.iter())
        .map(|section| dangerous(section) || through(section))
        .collect()
}

fn unit(
    layout: &FinishedLayout,
    block: &FinishedBlock,
    section: &FinishedSection,
    hours: f64,
) -> Unit {
    Unit {
        key: section.key(),
        kind: section.kind,
        class: section.class,
        order: section.order,
        // A second at least, so that every section shows in the plan.
        work: ((hours * HOUR as f64).round() as Work).max(1000),
        slope: slope_of(layout, block, section),
        window: None,
    }
}

/// Adds a section that is cut already and whose wood lies there: a unit without work, with the days on which it may be skidded.
pub(super) fn add_lying(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    planned: &mut Block,
    (block, section): (&FinishedBlock, &FinishedSection),
    period: Stretch,
) {
    let stops = block_stops(crew, &block.id);
    let open = match section.open.is_always() {
        true if stops.is_empty() => None,
        true => Some(vec![period]),
        false => Some(open_spans(crew, options, period, &section.open)),
    };
    planned.units.push(Unit {
        work: 0,
        window: open.map(|open| {
            planned.windows.push(subtract(&open, &stops));
            planned.windows.len() - 1
        }),
        ..unit(layout, block, section, 0.0)
    });
}

/// When a block is stopped, sorted.
fn block_stops(crew: &Crew, id: &str) -> Vec<Stretch> {
    let own = crew.stops.iter().filter(|stop| {
        let named = stop.block.as_ref();
        named.is_some_and(|its| its.get_ref() == id)
    });
    union(own.map(|stop| stop.span).collect())
}

/// Takes out of a block what its windows leave no day for in the period, with what comes after it, and tells of it.
fn closed(
    options: &DispatchOptions,
    block: &FinishedBlock,
    planned: &mut Block,
    of: &mut Vec<usize>,
    stopped: &[&str],
) -> Option<SetAside> {
    if planned.windows.is_empty() {
        return None;
    }
    let held_up = held_up(planned);
    let shut = |unit: usize| {
        let open = planned.window(&planned.units[unit]);
        open.is_some_and(<[Stretch]>::is_empty)
    };
    let (closed, behind): (Vec<usize>, Vec<usize>) = held_up.iter().partition(|&&at| shut(at));
    let first = &block.sections[of[*closed.first()?]];
    let hours = |units: &[usize]| {
        let work: Work = units.iter().map(|&at| planned.units[at].work).sum();
        work as f64 / HOUR as f64
    };
    let mut names: Vec<&str> = (closed.iter())
        .flat_map(|&at| block.sections[of[at]].windows.iter().map(String::as_str))
        .collect();
    names.extend(stopped);
    names.sort_unstable();
    names.dedup();
    let opens = match (first.open.is_unknown(), first.open.next(options.from)) {
        _ if !stopped.is_empty() => "the crew file stops it".to_owned(),
        (true, _) => "nobody knows yet when it opens".to_owned(),
        (false, Some(date)) => format!("the first of it opens on {}", outlook::shown(date)),
        (false, None) => "it never opens again".to_owned(),
    };
    let waits = match behind.is_empty() {
        true => String::new(),
        false => format!(
            "; {:.1} h in {} sections that come after it in the order of work wait too",
            hours(&behind),
            behind.len()
        ),
    };
    let told = SetAside {
        block_id: block.id.clone(),
        code: "closed",
        why: format!(
            "{:.1} h in {} sections lie on ground that is closed for all of the period ({}): {opens}{waits}",
            hours(&closed),
            closed.len(),
            names.join(", ")
        ),
    };
    leave_out(&mut planned.units, &held_up);
    leave_out(of, &held_up);
    Some(told)
}

/// Takes what stands at some places, sorted, out of a list.
fn leave_out<T>(list: &mut Vec<T>, out: &[usize]) {
    let mut places = 0..list.len();
    list.retain(|_| {
        places
            .next()
            .is_some_and(|at| out.binary_search(&at).is_err())
    });
}

/// The different windows of a block's sections.
struct Windows<'a> {
    crew: &'a Crew,
    options: &'a DispatchOptions,
    period: Stretch,
    days: Vec<OpenDays>,
    spans: Vec<Vec<Stretch>>,
}

impl<'a> Windows<'a> {
    fn new(crew: &'a Crew, options: &'a DispatchOptions, period: Stretch) -> Windows<'a> {
        Windows {
            crew,
            options,
            period,
            days: vec![],
            spans: vec![],
        }
    }

    /// The place of a section's window; None: it is always open.
    fn of(&mut self, section: &FinishedSection) -> Option<usize> {
        if section.open.is_always() {
            return None;
        }
        if let Some(held) = self.days.iter().position(|own| *own == section.open) {
            return Some(held);
        }
        let spans = open_spans(self.crew, self.options, self.period, &section.open);
        self.days.push(section.open.clone());
        self.spans.push(spans);
        Some(self.days.len() - 1)
    }
}

/// From the midnight at which the first day begins to that at which the last ends, within the period.
fn open_spans(
    crew: &Crew,
    options: &DispatchOptions,
    period: Stretch,
    open: &OpenDays,
) -> Vec<Stretch> {
    let midnight = |date: NaiveDate| calendar::second_of(crew.zone, date, NaiveTime::MIN);
    // The night shift of the last date ends on another.
    let days = chrono::Days::new(u64::from(options.days) + 3);
    let Some(last) = options.from.checked_add_days(days) else {
        return vec![];
    };
    let spans = open.spans(options.from, last).into_iter();
    let spans = spans.filter_map(|(first, last)| {
        Some(Stretch::new(midnight(first), midnight(last.succ_opt()?)))
    });
    intersect(&spans.collect::<Vec<_>>(), &[period])
}

/// What the layout knows of a section's slope is on which side of the night limit it lies; what nobody knows may be as steep as any
/// ground that is entered. None: stated to be level.
pub(super) fn slope_of(
    layout: &FinishedLayout,
    block: &FinishedBlock,
    section: &FinishedSection,
) -> Option<f64> {
    let may_be_steep = [DayReason::Steep, DayReason::UnknownSlope].map(DayReason::key);
    let steep = (section.reasons.iter()).any(|reason| may_be_steep.contains(&reason.as_str()));
    match (steep, block.slopes_known) {
        (true, _) => Some(layout.max_slope),
        (false, true) => Some(layout.night_slope.max(section.cross_slope.unwrap_or(0.0))),
        (false, false) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::ShiftClass;

    fn section(
        strip_no: u32,
        section_no: u32,
        kind: StripKind,
        reasons: &[&str],
    ) -> FinishedSection {
        FinishedSection {
            part: 1,
            strip_no,
            piece: 1,
            section_no,
            kind,
            order: strip_no,
            is_outbound: strip_no == 4,
            class: if reasons.is_empty() {
                ShiftClass::NightSafe
            } else {
                ShiftClass::DayOnly
            },
            reasons: reasons.iter().map(|&reason| reason.to_owned()).collect(),
            hours: Some(1.0),
            skid_hours: Some(1.0),
            volume_m3: Some(10.0),
            cross_slope: None,
            open: OpenDays::default(),
            windows: vec![],
            shape: geo::MultiPolygon(vec![]),
        }
    }

    /// By hand: what lies beyond the power line on its strip comes through under it; what lies before does not.
    #[test]
    fn wood_comes_by_day_from_dangerous_ground_and_through_it() {
        use StripKind::{BoundaryPass, Interior};
        let sections = [
            section(0, 1, BoundaryPass, &["boundary_pass"]),
            section(0, 2, BoundaryPass, &["boundary_pass", "hazard"]),
            section(0, 3, BoundaryPass, &["boundary_pass"]),
            section(1, 1, Interior, &["near_boundary"]),
            section(1, 2, Interior, &[]),
            section(1, 3, Interior, &["hazard"]),
            section(1, 4, Interior, &[]),
            section(2, 1, Interior, &["brush", "near_reserve", "short_stretch"]),
            section(2, 2, Interior, &["near_too_steep"]),
            section(3, 1, Interior, &["a_reason_of_another_version"]),
            // Cut on the way out: its third section lies at the outlet.
            section(4, 1, Interior, &[]),
            section(4, 2, Interior, &["hazard"]),
            section(4, 3, Interior, &[]),
        ];
        let by_day = skidded_by_day(&sections);
        let expected = [
            false, true, false, false, false, true, true, false, true, true, true, true, false,
        ];
        assert_eq!(by_day, expected);
    }
}
