//! GPX 1.1, one file a block: strips as tracks in the order of work, edges as tracks, the start as a waypoint.
//!
//! Tracks, not routes: a receiver may lead a route along roads of its own choice. Names hold at most thirteen characters
//! of ASCII, waypoints ten: what older receivers keep. What does not fit stands in `desc`.

use std::fmt::Write as _;

use geo::{BoundingRect, Coord, Geometry};

use super::rows::{Located, What, degrees, polygons};
use super::words::Words;
use crate::model::{BlockPlan, Heading, PeopleNote, StripLine, ZoneKind};
use crate::outputs::map::svg::escape;
use crate::outputs::style::Kind;
use crate::outputs::{text, told};

/// Characters of a track's name that older receivers keep.
pub const TRACK_NAME: usize = 13;

/// The whole document.
pub fn document(plan: &BlockPlan, rows: &[Located<'_>], words: &Words) -> String {
    let mut out = String::with_capacity(1 << 14);
    let title = escape(&text::fill(words.map.block, &[&plan.id]));
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <gpx version=\"1.1\" creator=\"{} {}\" xmlns=\"http://www.topografix.com/GPX/1/1\">\n\
         <metadata><name>{title}</name>{}</metadata>",
        env!("CARGO_PKG_NAME"),
        env!("CARGO_PKG_VERSION"),
        bounds(rows)
    );
    if let Some(place) = start(rows) {
        let _ = writeln!(
            out,
            "<wpt lat=\"{}\" lon=\"{}\"><name>{}</name><desc>{title}</desc></wpt>",
            degrees(place.y),
            degrees(place.x),
            escape(words.gpx_start)
        );
    }
    let decks = rows.iter().filter_map(|row| match (row.what, &row.shape) {
        (What::Deck(deck), Geometry::Point(at)) => Some((deck, at)),
        _ => None,
    });
    for (number, (deck, at)) in (1u32..).zip(decks) {
        let from = [format!("{:.0}", deck.volume_m3), deck.part.to_string()];
        let _ = writeln!(
            out,
            "<wpt lat=\"{}\" lon=\"{}\"><name>{} {number}</name><desc>{}</desc></wpt>",
            degrees(at.y()),
            degrees(at.x()),
            escape(words.gpx_deck),
            escape(&text::fill(words.deck, &[&from[0], &from[1]]))
        );
    }
    let notes = rows.iter().filter_map(|row| match (row.what, &row.shape) {
        (What::Note(note), Geometry::Point(at)) => Some((note, at)),
        _ => None,
    });
    for (number, (note, at)) in (1u32..).zip(notes) {
        let _ = writeln!(
            out,
            "<wpt lat=\"{}\" lon=\"{}\"><name>{} {number}</name><desc>{}</desc></wpt>",
            degrees(at.y()),
            degrees(at.x()),
            escape(words.gpx_note),
            escape(&format!("{} {}: {}", note.kind, note.id, note.message))
        );
    }
    let mut people = [0_u32; 2];
    for row in rows {
        if let (What::People(note), Geometry::Point(at)) = (row.what, &row.shape) {
            let (name, desc) = people_texts(plan, note, words, &mut people);
            let _ = writeln!(
                out,
                "<wpt lat=\"{}\" lon=\"{}\"><name>{}</name><desc>{}</desc></wpt>",
                degrees(at.y()),
                degrees(at.x()),
                escape(&name),
                escape(&desc)
            );
        }
    }
    for row in rows {
        if let (What::Line(line), Geometry::LineString(shape)) = (row.what, &row.shape) {
            let desc = text::fill(
                words.strip,
                &[
                    &line.order.to_string(),
                    &line.id.to_string(),
                    match line.heading {
                        Heading::In => words.inward,
                        Heading::Out => words.outward,
                        Heading::Around => words.around,
                    },
                ],
            );
            track(&mut out, &line_name(line), &desc, &shape.0);
        }
    }
    let mut count = [0_u32; 7];
    for row in rows {
        let (at, name, kind) = match row.what {
            What::Block => (0, words.gpx_block, Kind::Block),
            What::Zone(ZoneKind::Reserve, _) => (1, words.gpx_reserve, Kind::Reserve),
            What::Zone(ZoneKind::MachineExclusion, _) => {
                (2, words.gpx_no_machine, Kind::MachineExclusion)
            }
            What::Zone(ZoneKind::Hazard, _) => (3, words.gpx_hazard, Kind::Hazard),
            What::Zone(ZoneKind::LimitOfApproach, _) => {
                (4, words.gpx_power_line, Kind::LimitOfApproach)
            }
            What::Zone(ZoneKind::MayBeWet, _) => (6, words.gpx_wet, Kind::MayBeWet),
            What::Window(note) if note.is_drawn() => {
                let days = told::days(&note.days, words.map.language);
                let desc = format!("{}: {days}", note.label());
                for polygon in polygons(&row.shape) {
                    count[5] += 1;
                    let name = format!("{} {}", words.gpx_window, count[5]);
                    track(&mut out, &name, &desc, &polygon.exterior().0);
                }
                continue;
            }
            What::PowerLine(note) => {
                if let Geometry::LineString(shape) = &row.shape {
                    count[4] += 1;
                    let name = format!("{} {}", words.gpx_power_line, count[4]);
                    track(&mut out, &name, &note.label(), &shape.0);
                }
                continue;
            }
            What::People(note) => {
                if let Geometry::LineString(shape) = &row.shape {
                    let (name, desc) = people_texts(plan, note, words, &mut people);
                    track(&mut out, &name, &desc, &shape.0);
                }
                continue;
            }
            _ => continue,
        };
        let desc = kind.word(words.map.language);
        for polygon in polygons(&row.shape) {
            for ring in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
                count[at] += 1;
                track(&mut out, &format!("{name} {}", count[at]), desc, &ring.0);
            }
        }
    }
    out.push_str("</gpx>\n");
    out
}

/// Name and description of a stretch or place near which other people are or may be; counts those of both kinds.
fn people_texts(
    plan: &BlockPlan,
    note: &PeopleNote,
    words: &Words,
    count: &mut [u32; 2],
) -> (String, String) {
    let at = usize::from(!note.said);
    count[at] += 1;
    let name = format!("{} {}", words.gpx_people[at], count[at]);
    let within = format!("{:.0}", plan.falling.radius_m);
    let desc = text::fill(words.people[at], &[&note.label(), &within]);
    (name, desc)
}

/// `017 2-12.1 I`: order, name of the piece, and in, out or around; the order and the heading where that is too long.
pub fn line_name(line: &StripLine) -> String {
    let heading = match line.heading {
        Heading::In => "I",
        Heading::Out => "O",
        Heading::Around => "A",
    };
    let whole = format!("{:03} {} {heading}", line.order, line.id);
    if whole.len() <= TRACK_NAME {
        whole
    } else {
        format!("{:03} {heading}", line.order)
    }
}

fn track(out: &mut String, name: &str, desc: &str, points: &[Coord]) {
    let _ = write!(
        out,
        "<trk><name>{}</name><desc>{}</desc><trkseg>",
        escape(name),
        escape(desc)
    );
    for point in points {
        let _ = write!(
            out,
            "<trkpt lat=\"{}\" lon=\"{}\"/>",
            degrees(point.y),
            degrees(point.x)
        );
    }
    out.push_str("</trkseg></trk>\n");
}

/// Where order 1 begins, as on the sheets.
fn start(rows: &[Located<'_>]) -> Option<Coord> {
    let lines = rows.iter().filter_map(|row| match (row.what, &row.shape) {
        (What::Line(line), Geometry::LineString(shape)) => Some((line.order, shape.0.first()?)),
        _ => None,
    });
    lines
        .min_by_key(|(order, _)| *order)
        .map(|(_, place)| *place)
}

fn bounds(rows: &[Located<'_>]) -> String {
    let boxes = rows.iter().filter_map(|row| row.shape.bounding_rect());
    let whole = boxes.reduce(|a, b| {
        geo::Rect::new(
            Coord {
                x: a.min().x.min(b.min().x),
                y: a.min().y.min(b.min().y),
            },
            Coord {
                x: a.max().x.max(b.max().x),
                y: a.max().y.max(b.max().y),
            },
        )
    });
    whole.map_or_else(String::new, |whole| {
        format!(
            "<bounds minlat=\"{}\" minlon=\"{}\" maxlat=\"{}\" maxlon=\"{}\"/>",
            degrees(whole.min().y),
            degrees(whole.min().x),
            degrees(whole.max().y),
            degrees(whole.max().x)
        )
    })
}
