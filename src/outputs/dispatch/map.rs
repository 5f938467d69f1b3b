//! The ground of one shift in one block as marks on a frame, for pages and for paper alike.
//!
//! Yellow and orange are ground that is worked in this shift, and nothing else is.

use std::collections::{BTreeMap, BTreeSet};

use geo::{BoundingRect, Coord, Intersects, LineString, MultiPolygon, Polygon, Rect};

use super::Roster;
use super::progress::Progress;
use super::rows::{Job, ShiftPlan};
use crate::geometry::area::rings;
use crate::model::{ShiftClass, StripKind, StripName, ZoneKind};
use crate::outputs::map::marks::{Arrows, along, arrowheads, round_length};
use crate::outputs::map::svg::{Area, Room};
use crate::outputs::sheets::round_scale;
use crate::outputs::style::{Ink, Kind, Line, Look};
use crate::outputs::text;
use crate::sources::{FinishedBlock, FinishedLine};

/// Places are points from the frame's lower left corner, y up.
#[derive(Clone, Debug)]
pub enum Mark {
    Ground {
        rings: Vec<Vec<(f64, f64)>>,
        look: Look,
    },
    Line {
        points: Vec<(f64, f64)>,
        line: Line,
    },
    /// An arrowhead.
    Head([(f64, f64); 3]),
    /// Words around a place, with a rim.
    Name {
        at: (f64, f64),
        words: String,
        size: f64,
        ink: Ink,
    },
    /// A number in a hexagon: a step of the order.
    Step {
        at: (f64, f64),
        number: usize,
    },
    Landing((f64, f64)),
    Deck((f64, f64)),
}

/// What a map shows, for its legend.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shown {
    Kind(Kind),
    /// Ground of another shift.
    Other,
    Steps,
    Lines,
}

pub struct ShiftMap {
    /// Width and height, points.
    pub size: (f64, f64),
    pub marks: Vec<Mark>,
    pub shown: BTreeSet<Shown>,
    /// 1 to this.
    pub denominator: f64,
    /// South-west, north-west, north-east and south-east, in the work CRS.
    pub corners: [Coord; 4],
    /// Of the whole block only a part.
    pub is_part: bool,
}

/// Ground around what is shown, m.
const MARGIN_M: f64 = 30.0;
/// A map is of the whole block where that shows the shift's ground at least at this share of its size.
const WHOLE_FROM: f64 = 0.45;
/// Scale of a part of a block at the largest, 1 to this.
const CLOSEST: f64 = 2000.0;
const POINTS_PER_M: f64 = 72.0 / 0.0254;
/// In points.
const ARROWS: Arrows = Arrows {
    shortest: 14.0,
    every: 110.0,
    head: [(4.6, 0.0), (-3.6, 2.9), (-3.6, -2.9)],
};

struct View {
    scale: f64,
    centre: Coord,
    size: (f64, f64),
}

impl View {
    fn place(&self, c: Coord) -> (f64, f64) {
        (
            self.size.0 / 2.0 + (c.x - self.centre.x) * self.scale,
            self.size.1 / 2.0 + (c.y - self.centre.y) * self.scale,
        )
    }

    fn ground(&self) -> Rect {
        let half = Coord {
            x: self.size.0 / 2.0 / self.scale,
            y: self.size.1 / 2.0 / self.scale,
        };
        Rect::new(self.centre - half, self.centre + half)
    }

    fn points(&self, line: &LineString) -> Vec<(f64, f64)> {
        line.0.iter().map(|&c| self.place(c)).collect()
    }
}

/// What is worked of a block in a shift: sections of the layout, in the order of work, and whether each is bound to the day.
pub fn worked(roster: &Roster<'_>, shift: &ShiftPlan, block: usize) -> Vec<(usize, bool)> {
    let mut found: Vec<(usize, bool)> = Vec::new();
    for row in shift.rows.iter().filter(|row| row.block == Some(block)) {
        for &unit in &row.units {
            let at = roster.sections[block][unit];
            let section = &roster.layout.blocks[block].sections[at];
            let by_day = match row.job {
                Job::Skid => roster.skidded_by_day[block][at],
                _ => section.class == ShiftClass::DayOnly || section.kind != StripKind::Interior,
            };
            if !found.iter().any(|own| own.0 == at) {
                found.push((at, by_day));
            }
        }
    }
    found
}

/// Steps of a shift in a block: sections that follow one another in a strip, or in one pass.
pub fn steps(block: &FinishedBlock, worked: &[(usize, bool)]) -> Vec<Vec<usize>> {
    let step = |at: usize| {
        let section = &block.sections[at];
        (section.kind, section.part, section.strip_no)
    };
    let runs = worked.chunk_by(|a, b| step(a.0) == step(b.0));
    runs.map(|run| run.iter().map(|own| own.0).collect())
        .collect()
}

fn bounds<'p>(shapes: impl Iterator<Item = &'p MultiPolygon>) -> Option<Rect> {
    let rects = shapes.filter_map(BoundingRect::bounding_rect);
    rects.reduce(|a, b| {
        Rect::new(
            Coord {
                x: a.min().x.min(b.min().x),
                y: a.min().y.min(b.min().y),
            },
            Coord {
                x: a.max().x.max(b.max().x),
                y: a.max().y.max(b.max().y),
            },
        )
    })
}

/// The map of a block's ground in a shift; None where nothing of it has a shape.
pub fn map(
    roster: &Roster<'_>,
    progress: &Progress,
    shift: &ShiftPlan,
    block: usize,
    size: (f64, f64),
) -> Option<ShiftMap> {
    let ground = &roster.layout.blocks[block];
    let worked = worked(roster, shift, block);
    let whole = bounds(std::iter::once(&ground.shape))?;
    let own = bounds(worked.iter().map(|own| &ground.sections[own.0].shape)).unwrap_or(whole);
    let least = |rect: &Rect| {
        let ratio = |m: f64, pt: f64| (m + 2.0 * MARGIN_M) * POINTS_PER_M / pt;
        ratio(rect.width(), size.0).max(ratio(rect.height(), size.1))
    };
    let is_part = least(&own) < WHOLE_FROM * least(&whole);
    let shown = if is_part { own } else { whole };
    // Closer than this nobody knows any more where in the block it is.
    let closest = if is_part { CLOSEST } else { 0.0 };
    let denominator = round_scale(least(&shown).max(closest));
    let view = View {
        scale: POINTS_PER_M / denominator,
        centre: shown.center(),
        size,
    };
    let mut drawer = Drawer {
        view,
        marks: vec![],
        shown: BTreeSet::new(),
        room: Room::new(Area {
            x: 0.0,
            y: 0.0,
            width: size.0,
            height: size.1,
        }),
    };
    drawer.ground(roster, progress, shift, block, &worked);
    if is_part {
        drawer.locator(&ground.shape, &whole);
    }
    drawer.signs(roster, ground, &worked);
    let rect = drawer.view.ground();
    let corner = |x: f64, y: f64| ground.frame.leave(Coord { x, y });
    let (low, high) = (rect.min(), rect.max());
    Some(ShiftMap {
        size,
        corners: [
            corner(low.x, low.y),
            corner(low.x, high.y),
            corner(high.x, high.y),
            corner(high.x, low.y),
        ],
        marks: drawer.marks,
        shown: drawer.shown,
        denominator,
        is_part,
    })
}

struct Drawer {
    view: View,
    marks: Vec<Mark>,
    shown: BTreeSet<Shown>,
    room: Room,
}

/// A line of a width in pixels.
pub const fn line(ink: Ink, width: f64, dash: &'static [f64]) -> Line {
    Line {
        ink,
        width,
        dash,
        round: false,
    }
}

/// Plain ground, and its line.
const fn plain(fill: Option<(Ink, f64)>, line: Option<Line>) -> Look {
    Look {
        fill,
        hatch: None,
        line,
    }
}

impl Drawer {
    fn area<'p>(&mut self, shapes: impl Iterator<Item = &'p Polygon>, look: Look) -> bool {
        let seen = self.view.ground();
        let shapes: Vec<&Polygon> = shapes
            .filter(|shape| {
                shape
                    .bounding_rect()
                    .is_some_and(|rect| rect.intersects(&seen))
            })
            .collect();
        if shapes.is_empty() {
            return false;
        }
        let all = shapes.iter().flat_map(|shape| rings(shape).enumerate());
        // Holes run the other way round, so that every reader leaves them open.
        let turned = |(index, ring): (usize, &LineString)| {
            let mut points = self.view.points(ring);
            let next = points.iter().cycle().skip(1);
            let twice: f64 = (points.iter().zip(next))
                .map(|(a, b)| a.0 * b.1 - b.0 * a.1)
                .sum();
            if (twice < 0.0) == (index == 0) {
                points.reverse();
            }
            points
        };
        self.marks.push(Mark::Ground {
            rings: all.map(turned).collect(),
            look,
        });
        true
    }

    fn line(&mut self, shape: &LineString, line: Line) -> bool {
        let seen = self.view.ground();
        let rect = shape.bounding_rect();
        let shows = rect.is_some_and(|rect| rect.intersects(&seen));
        if shows {
            let points = self.view.points(shape);
            self.marks.push(Mark::Line { points, line });
        }
        shows
    }

    /// Lines as their kind looks.
    fn kind_lines<'l>(&mut self, kind: Kind, shapes: impl Iterator<Item = &'l LineString>) {
        let Some(line) = kind.look().line else { return };
        for shape in shapes {
            let drawn = self.line(shape, line);
            self.note(drawn, Shown::Kind(kind));
        }
    }

    fn kind_area<'p>(&mut self, kind: Kind, shapes: impl Iterator<Item = &'p Polygon>) {
        let drawn = self.area(shapes, kind.look());
        self.note(drawn, Shown::Kind(kind));
    }

    fn note(&mut self, is_drawn: bool, shown: Shown) {
        if is_drawn {
            self.shown.insert(shown);
        }
    }

    fn ground(
        &mut self,
        roster: &Roster<'_>,
        progress: &Progress,
        shift: &ShiftPlan,
        block: usize,
        worked: &[(usize, bool)],
    ) {
        let ground = &roster.layout.blocks[block];
        self.area(ground.shape.0.iter(), Kind::NetArea.look());
        let zones: Vec<(Kind, &MultiPolygon)> = (ZoneKind::ALL.into_iter())
            .flat_map(|kind| {
                let own = (ground.zones.iter()).filter(move |zone| zone.kind == kind.key());
                own.map(move |zone| (kind.into(), &zone.shape))
            })
            .collect();
        let drawn: BTreeSet<Kind> = zones.iter().map(|zone| zone.0).collect();
        let of = |kind: Kind| {
            let own = zones.iter().filter(move |zone| zone.0 == kind);
            own.flat_map(|zone| zone.1.0.iter())
        };
        // What belongs to planning is left out: a shift needs neither management zones nor road bands.
        let wanted = |kind: &Kind| !matches!(kind, Kind::Management | Kind::RoadBand);
        for kind in drawn.range(..Kind::Strip) {
            self.kind_area(*kind, of(*kind));
        }
        let before = progress.before(roster, shift, block);
        let is_now: BTreeMap<usize, bool> = worked.iter().copied().collect();
        for (at, section) in ground.sections.iter().enumerate() {
            let (kind, shown) = match is_now.get(&at) {
                Some(true) => (Kind::DayOnly, Shown::Kind(Kind::DayOnly)),
                Some(false) => (Kind::NightSafe, Shown::Kind(Kind::NightSafe)),
                None if before.contains(&at) => (Kind::CutBefore, Shown::Kind(Kind::CutBefore)),
                None => (Kind::Strip, Shown::Other),
            };
            let drawn = self.area(section.shape.0.iter(), kind.look());
            self.note(drawn, shown);
        }
        self.kind_area(Kind::CutBefore, ground.map.felled.iter());
        self.kind_area(Kind::RetainedBand, ground.map.standing.iter());
        for kind in drawn.range(Kind::Strip..).filter(|kind| wanted(kind)) {
            self.kind_area(*kind, of(*kind));
        }
        self.area(ground.shape.0.iter(), Kind::Block.look());
    }

    fn signs(&mut self, roster: &Roster<'_>, ground: &FinishedBlock, worked: &[(usize, bool)]) {
        let words = super::words::of(roster.layout.language).map;
        let now: BTreeSet<(u32, u32, u32)> = worked
            .iter()
            .map(|own| {
                let section = &ground.sections[own.0];
                (section.part, section.strip_no, section.piece)
            })
            .collect();
        let is_now = |line: &&FinishedLine| now.contains(&(line.part, line.strip_no, line.piece));
        for own in ground.map.lines.iter().filter(|line| !is_now(line)) {
            let drawn = self.line(&own.shape, line(Ink::Faint, 0.4, &[]));
            self.note(drawn, Shown::Lines);
        }
        for own in ground.map.lines.iter().filter(is_now) {
            let dash: &'static [f64] = if own.around { &[5.3, 2.7] } else { &[] };
            let drawn = self.line(&own.shape, line(Ink::Words, 1.1, dash));
            self.note(drawn, Shown::Lines);
        }
        if let Some(rim) = Kind::OutletRim.look().line {
            for front in &ground.map.fronts {
                self.line(front, rim);
            }
        }
        self.kind_lines(Kind::Outlet, ground.map.fronts.iter());
        self.kind_lines(Kind::People, ground.map.people.iter());
        let frame = self.view.ground();
        for &at in &ground.map.landings {
            if Coord::intersects(&at, &frame) {
                self.marks.push(Mark::Landing(self.view.place(at)));
                self.shown.insert(Shown::Kind(Kind::Outlet));
            }
        }
        for &at in &ground.map.decks {
            if Coord::intersects(&at, &frame) {
                self.marks.push(Mark::Deck(self.view.place(at)));
                self.shown.insert(Shown::Kind(Kind::Deck));
            }
        }
        self.furniture(words);
        self.wires(ground);
        self.steps(ground, worked, words.start);
        self.numbers(ground, &now);
        for line in ground.map.lines.iter().filter(is_now) {
            let points = self.view.points(&line.shape);
            for head in arrowheads(&points, &ARROWS, 7.0, &mut self.room) {
                self.marks.push(Mark::Head(head));
            }
        }
    }

    fn name(&mut self, at: (f64, f64), words: &str, size: f64, ink: Ink) -> bool {
        let width = words.chars().count() as f64 * size * 0.58 + 3.0;
        let free = self.room.take(Area::around(at.0, at.1, width, size * 1.1));
        if free {
            self.marks.push(Mark::Name {
                at,
                words: words.to_owned(),
                size,
                ink,
            });
        }
        free
    }

    fn wires(&mut self, ground: &FinishedBlock) {
        for wire in &ground.map.wires {
            let limit = (wire.limit_m).map_or(String::new(), |limit| format!(" · {limit:.1} m"));
            let label = format!("{}{limit}", wire.id);
            self.kind_lines(Kind::PowerLine, wire.lines.iter());
            for line in &wire.lines {
                let points = self.view.points(line);
                for share in [0.5, 0.3, 0.7, 0.15, 0.85] {
                    let Some(((x, y), (dx, dy))) = along(&points, share) else {
                        continue;
                    };
                    if self.name((x - 9.0 * dy, y + 9.0 * dx), &label, 8.5, Ink::Words) {
                        break;
                    }
                }
            }
        }
    }

    /// START where the shift's work in the block begins, and the number of each step where it begins.
    fn steps(&mut self, ground: &FinishedBlock, worked: &[(usize, bool)], start: &str) {
        for (index, step) in steps(ground, worked).iter().enumerate() {
            let Some(at) = begins(ground, step[0]) else {
                continue;
            };
            let (x, y) = self.view.place(at);
            let sides = [(0.0, 0.0), (9.0, 0.0), (-9.0, 0.0), (0.0, 9.0), (0.0, -9.0)];
            let free = sides.into_iter().map(|(dx, dy)| (x + dx, y + dy));
            let free = free
                .into_iter()
                .find(|&(x, y)| self.room.take(Area::around(x, y, 14.0, 13.0)));
            // START stands whatever lies below: no sign matters more.
            let Some(at) = free.or((index == 0).then_some((x, y))) else {
                continue;
            };
            self.marks.push(Mark::Step {
                at,
                number: index + 1,
            });
            self.shown.insert(Shown::Steps);
            if index == 0 {
                let around = [(0.0, 14.0), (0.0, -14.0), (30.0, 0.0), (-30.0, 0.0)];
                let named = around
                    .into_iter()
                    .any(|(dx, dy)| self.name((at.0 + dx, at.1 + dy), start, 10.5, Ink::Words));
                if !named {
                    self.marks.push(Mark::Name {
                        at: (at.0, at.1 + 14.0),
                        words: start.to_owned(),
                        size: 10.5,
                        ink: Ink::Words,
                    });
                }
            }
        }
    }

    /// Numbers of strips at the end that is nearest to an outlet: those of the shift first.
    fn numbers(&mut self, ground: &FinishedBlock, now: &BTreeSet<(u32, u32, u32)>) {
        let mut ends: BTreeMap<(u32, u32), (f64, [Coord; 2])> = BTreeMap::new();
        let places: Vec<Coord> = (ground.map.fronts.iter())
            .flat_map(|front| front.0.iter().copied())
            .chain(ground.map.landings.iter().copied())
            .collect();
        let off = |at: Coord| {
            let far = places.iter().map(|p| (p.x - at.x).hypot(p.y - at.y));
            far.fold(f64::INFINITY, f64::min)
        };
        for line in ground.map.lines.iter().filter(|line| !line.around) {
            let (Some(&first), Some(&last)) = (line.shape.0.first(), line.shape.0.last()) else {
                continue;
            };
            let ways = [(off(first), [first, last]), (off(last), [last, first])];
            let own = if ways[1].0 < ways[0].0 {
                ways[1]
            } else {
                ways[0]
            };
            let held = ends.entry((line.part, line.strip_no)).or_insert(own);
            if own.0 < held.0 {
                *held = own;
            }
        }
        let is_now = |key: &(u32, u32)| {
            now.range((key.0, key.1, 0)..=(key.0, key.1, u32::MAX))
                .next()
                .is_some()
        };
        for wanted in [true, false] {
            for (key, (_, [at, other])) in &ends {
                if is_now(key) != wanted {
                    continue;
                }
                let label = StripName(key.0, key.1).to_string();
                let ((x, y), (u, v)) = (self.view.place(*at), self.view.place(*other));
                let long = (u - x).hypot(v - y).max(1e-9);
                let (dx, dy) = ((u - x) / long, (v - y) / long);
                let (size, ink) = if wanted {
                    (10.0, Ink::Words)
                } else {
                    (8.0, Ink::Faint)
                };
                let ahead: &[f64] = if wanted { &[-8.0, 9.0, 22.0] } else { &[-7.0] };
                for step in ahead {
                    if self.name((x + step * dx, y + step * dy), &label, size, ink) {
                        break;
                    }
                }
            }
        }
    }

    /// The whole block, small, with the frame of what is shown.
    fn locator(&mut self, block: &MultiPolygon, whole: &Rect) {
        const SIDE: f64 = 62.0;
        let corner = (self.view.size.0 - SIDE - 4.0, 4.0);
        let scale = (SIDE - 6.0) / whole.width().max(whole.height()).max(1.0);
        let place = |c: Coord| {
            (
                corner.0 + SIDE / 2.0 + (c.x - whole.center().x) * scale,
                corner.1 + SIDE / 2.0 + (c.y - whole.center().y) * scale,
            )
        };
        let boxed =
            |low: (f64, f64), high: (f64, f64)| vec![low, (high.0, low.1), high, (low.0, high.1)];
        self.room.take(Area {
            x: corner.0,
            y: corner.1,
            width: SIDE,
            height: SIDE,
        });
        self.marks.push(Mark::Ground {
            rings: vec![boxed(corner, (corner.0 + SIDE, corner.1 + SIDE))],
            look: plain(Some((Ink::Paper, 0.9)), Some(line(Ink::Faint, 0.8, &[]))),
        });
        let outlines = block.0.iter().map(|own| {
            let ring = own.exterior().0.iter();
            ring.map(|&c| place(c)).collect::<Vec<_>>()
        });
        self.marks.push(Mark::Ground {
            rings: outlines.collect(),
            look: plain(Some((Ink::Before, 0.7)), Some(line(Ink::Words, 0.8, &[]))),
        });
        let seen = self.view.ground();
        let clamp = |(x, y): (f64, f64)| {
            (
                x.clamp(corner.0, corner.0 + SIDE),
                y.clamp(corner.1, corner.1 + SIDE),
            )
        };
        let (low, high) = (clamp(place(seen.min())), clamp(place(seen.max())));
        self.marks.push(Mark::Ground {
            rings: vec![boxed(low, high)],
            look: plain(None, Some(line(Ink::Words, 2.1, &[]))),
        });
    }

    /// Scale bar and north, in the corners where least is worked.
    fn furniture(&mut self, words: &text::Words) {
        let (width, height) = self.view.size;
        let per_m = self.view.scale;
        let metres = round_length((width / 3.2).min(150.0) / per_m);
        let long = metres * per_m;
        let bar = (10.0, 12.0);
        self.room.take(Area {
            x: 0.0,
            y: 0.0,
            width: long + 44.0,
            height: 28.0,
        });
        let plate = vec![
            (4.0, 4.0),
            (long + 40.0, 4.0),
            (long + 40.0, 28.0),
            (4.0, 28.0),
        ];
        self.marks.push(Mark::Ground {
            rings: vec![plate],
            look: plain(Some((Ink::Paper, 0.85)), None),
        });
        self.marks.push(Mark::Line {
            points: vec![bar, (bar.0 + long, bar.1)],
            line: line(Ink::Words, 4.0, &[]),
        });
        self.marks.push(Mark::Name {
            at: (bar.0 + long / 2.0, bar.1 + 9.0),
            words: text::fill(words.metres, &[&metres.to_string()]),
            size: 9.0,
            ink: Ink::Words,
        });
        let (x, y) = (width - 16.0, height - 30.0);
        self.room.take(Area::around(x, y, 28.0, 52.0));
        self.marks.push(Mark::Ground {
            rings: vec![vec![
                (x - 12.0, y - 22.0),
                (x + 12.0, y - 22.0),
                (x + 12.0, y + 26.0),
                (x - 12.0, y + 26.0),
            ]],
            look: plain(Some((Ink::Paper, 0.85)), None),
        });
        self.marks.push(Mark::Line {
            points: vec![(x, y - 18.0), (x, y + 8.0)],
            line: line(Ink::Words, 1.9, &[]),
        });
        self.marks.push(Mark::Head([
            (x, y + 14.0),
            (x - 5.0, y + 2.0),
            (x + 5.0, y + 2.0),
        ]));
        self.marks.push(Mark::Name {
            at: (x, y + 20.0),
            words: words.north.to_owned(),
            size: 9.5,
            ink: Ink::Words,
        });
    }
}

/// Where a section begins on its line, in the direction of travel.
pub fn begins(ground: &FinishedBlock, section: usize) -> Option<Coord> {
    const STEP_M: f64 = 2.0;
    let own = &ground.sections[section];
    let mut lines = ground.map.lines.iter().filter(|line| {
        (line.part, line.strip_no, line.piece) == (own.part, own.strip_no, own.piece)
    });
    let found = lines.find_map(|line| {
        for edge in line.shape.0.windows(2) {
            let long = (edge[1] - edge[0]).x.hypot((edge[1] - edge[0]).y);
            let count = (long / STEP_M).ceil().max(1.0) as u32;
            for step in 0..=count {
                let at = edge[0] + (edge[1] - edge[0]) * (f64::from(step) / f64::from(count));
                if own.shape.intersects(&at) {
                    return Some(at);
                }
            }
        }
        None
    });
    found.or_else(|| {
        let shape = &own.shape;
        geo::InteriorPoint::interior_point(shape).map(|point| point.0)
    })
}
