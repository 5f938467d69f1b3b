//! What goes into exchange files, on WGS 84: layers, their attributes, and the shapes of one block.

use geo::{Area, Geometry, LineString, MultiPolygon, Polygon, orient::Direction, orient::Orient};

use crate::model::*;
use crate::outputs::gpkg::{Kind, Value};
use crate::outputs::{layers, signs};
use crate::sources::crs::Transform;
use crate::units::hectares;

use Kind::{Number, Text, Whole};

/// An attribute: its name, the name of at most ten characters that shapefiles allow, and its kind.
pub struct Attribute {
    pub name: &'static str,
    pub short: &'static str,
    pub kind: Kind,
}

const fn attribute(name: &'static str, short: &'static str, kind: Kind) -> Attribute {
    Attribute { name, short, kind }
}

/// What shapes a layer holds.
#[derive(Clone, Copy)]
pub enum Shapes {
    Grounds,
    Lines,
    Places,
}

pub struct Layer {
    pub name: &'static str,
    pub shapes: Shapes,
    pub attributes: &'static [Attribute],
}

const BLOCK_ID: Attribute = attribute("block_id", "block_id", Text);
const PART: Attribute = attribute("part", "part", Whole);
const STRIP_NO: Attribute = attribute("strip_no", "strip_no", Whole);
const PIECE: Attribute = attribute("piece", "piece", Whole);

const SETTING: Attribute = attribute("setting", "setting", Whole);
const OUTLET: Attribute = attribute("outlet", "outlet", Text);

const PEOPLE: [Attribute; 9] = [
    BLOCK_ID,
    attribute("source_id", "source_id", Text),
    attribute("role", "role", Text),
    attribute("class", "class", Text),
    attribute("said", "said", Whole),
    attribute("distance_m", "distance_m", Number),
    attribute("length_m", "length_m", Number),
    attribute("day_hours", "day_hours", Number),
    attribute("night_hours", "night_hrs", Number),
];

/// Layers of GeoJSON and Shapefile, named and with attributes as in the GeoPackage.
pub const LAYERS: [Layer; 15] = [
    Layer {
        name: "blocks",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            attribute("status", "status", Text),
            attribute("gross_ha", "gross_ha", Number),
            attribute("net_ha", "net_ha", Number),
            attribute("retained_ha", "retain_ha", Number),
            attribute("retention_share", "ret_share", Number),
            attribute("required_share", "req_share", Number),
            attribute("azimuth", "azimuth", Number),
            attribute("strips", "strips", Whole),
            attribute("day_hours", "day_hours", Number),
            attribute("night_hours", "night_hrs", Number),
            attribute("time_model", "time_model", Text),
        ],
    },
    Layer {
        name: "zones",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            attribute("kind", "kind", Text),
            attribute("source_layer", "src_layer", Text),
            attribute("source_id", "src_id", Text),
            attribute("class", "class", Text),
            attribute("rule_id", "rule_id", Text),
            attribute("width_m", "width_m", Number),
        ],
    },
    Layer {
        name: "strip_lines",
        shapes: Shapes::Lines,
        attributes: &[
            BLOCK_ID,
            PART,
            STRIP_NO,
            PIECE,
            attribute("kind", "kind", Text),
            attribute("order", "order", Whole),
            attribute("heading", "heading", Text),
            attribute("travel_to_next_m", "travel_m", Number),
        ],
    },
    Layer {
        name: "sections",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            PART,
            STRIP_NO,
            PIECE,
            attribute("section_no", "section_no", Whole),
            attribute("shift_class", "shift_cls", Text),
            attribute("reasons", "reasons", Text),
            attribute("hours", "hours", Number),
            attribute("open_days", "open_days", Text),
        ],
    },
    Layer {
        name: "corridors",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            PART,
            attribute("corridor_no", "corr_no", Whole),
            attribute("width_m", "width_m", Number),
        ],
    },
    Layer {
        name: "unworked",
        shapes: Shapes::Grounds,
        attributes: &[BLOCK_ID, PART, attribute("reason", "reason", Text)],
    },
    Layer {
        name: "settings",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            SETTING,
            OUTLET,
            attribute("outlet_kind", "outl_kind", Text),
            attribute("azimuth", "azimuth", Number),
        ],
    },
    Layer {
        name: "outlets",
        shapes: Shapes::Lines,
        attributes: &[
            BLOCK_ID,
            SETTING,
            OUTLET,
            attribute("outlet_kind", "outl_kind", Text),
        ],
    },
    Layer {
        name: "skid_trails",
        shapes: Shapes::Lines,
        attributes: &[BLOCK_ID, SETTING, attribute("loads", "loads", Number)],
    },
    Layer {
        name: "decks",
        shapes: Shapes::Places,
        attributes: &[
            BLOCK_ID,
            SETTING,
            OUTLET,
            attribute("volume_m3", "volume_m3", Number),
            attribute("length_m", "length_m", Number),
        ],
    },
    Layer {
        name: "notes",
        shapes: Shapes::Places,
        attributes: &[
            BLOCK_ID,
            attribute("note_id", "note_id", Text),
            attribute("kind", "kind", Text),
            attribute("layer", "layer", Text),
            attribute("radius_m", "radius_m", Number),
            attribute("accuracy_m", "accuracy_m", Number),
            attribute("date", "date", Text),
            attribute("fate", "fate", Text),
            attribute("message", "message", Text),
        ],
    },
    Layer {
        name: "power_lines",
        shapes: Shapes::Lines,
        attributes: &[
            BLOCK_ID,
            attribute("line_id", "line_id", Text),
            attribute("kind", "kind", Text),
            attribute("voltage_kv", "voltage_kv", Number),
            attribute("limit_m", "limit_m", Number),
            attribute("belt_m", "belt_m", Number),
            attribute("agreed", "agreed", Whole),
        ],
    },
    Layer {
        name: "people",
        shapes: Shapes::Lines,
        attributes: &PEOPLE,
    },
    // A shapefile holds one kind of shape.
    Layer {
        name: "people_places",
        shapes: Shapes::Places,
        attributes: &PEOPLE,
    },
    Layer {
        name: "windows",
        shapes: Shapes::Grounds,
        attributes: &[
            BLOCK_ID,
            attribute("window", "window", Text),
            attribute("days", "days", Text),
            attribute("source_id", "source_id", Text),
            attribute("role", "role", Text),
            attribute("under", "under", Text),
            attribute("day_hours", "day_hours", Number),
            attribute("night_hours", "night_hrs", Number),
        ],
    },
];

/// What a row stands for.
#[derive(Clone, Copy)]
pub enum What<'p> {
    Block,
    Zone(ZoneKind, Option<&'p Zone>),
    Line(&'p StripLine),
    Section(&'p Section),
    Corridor(&'p Corridor),
    Unworked(&'p Unworked),
    Setting(&'p PartNote),
    Outlet(&'p PartNote),
    Trail(&'p SkidTrail),
    Deck(&'p Deck),
    Note(&'p PlanNote),
    PowerLine(&'p PowerLineNote),
    People(&'p PeopleNote),
    Window(&'p WindowNote),
}

/// One row: longitude and latitude in degrees; shells counter-clockwise, holes clockwise.
pub struct Located<'p> {
    pub what: What<'p>,
    pub shape: Geometry,
}

impl Located<'_> {
    /// Index in [`LAYERS`].
    pub fn layer(&self) -> usize {
        match self.what {
            What::Block => 0,
            What::Zone(..) => 1,
            What::Line(_) => 2,
            What::Section(_) => 3,
            What::Corridor(_) => 4,
            What::Unworked(_) => 5,
            What::Setting(_) => 6,
            What::Outlet(_) => 7,
            What::Trail(_) => 8,
            What::Deck(_) => 9,
            What::Note(_) => 10,
            What::PowerLine(_) => 11,
            What::People(_) if matches!(self.shape, Geometry::Point(_)) => 13,
            What::People(_) => 12,
            What::Window(_) => 14,
        }
    }

    /// Attributes in the layer's order. `reasons` is room for a text made here.
    pub fn values<'v>(&'v self, plan: &'v BlockPlan, reasons: &'v mut String) -> Vec<Value<'v>> {
        let block_id = Value::Text(&plan.id);
        let ha = |area_m2| Value::Number(hectares(area_m2));
        let piece = |id: PieceId| [id.part, id.strip_no, id.piece].map(Value::Whole);
        match self.what {
            What::Block => vec![
                block_id,
                Value::Text(plan.status.key()),
                ha(plan.books.gross_m2),
                ha(plan.books.net_m2),
                ha(plan.books.retained_m2),
                Value::Maybe(plan.share_left()),
                Value::Number(plan.required_share),
                Value::Maybe(plan.azimuth_deg),
                Value::Whole(plan.strips_count),
                Value::Maybe(plan.day_hours),
                Value::Maybe(plan.night_hours),
                Value::Text(&plan.time_model),
            ],
            What::Zone(kind, zone) => {
                let text = |of: fn(&Zone) -> &String| Value::Text(zone.map_or("", |z| of(z)));
                vec![
                    block_id,
                    Value::Text(kind.key()),
                    text(|zone| &zone.source_layer),
                    text(|zone| &zone.source_id),
                    text(|zone| &zone.class),
                    text(|zone| &zone.rule_id),
                    Value::Maybe(zone.map(|zone| zone.width_m)),
                ]
            }
            What::Line(line) => {
                let [part, strip_no, number] = piece(line.id);
                vec![
                    block_id,
                    part,
                    strip_no,
                    number,
                    Value::Text(line.kind.key()),
                    Value::Whole(line.order),
                    Value::Text(line.heading.key()),
                    Value::Maybe(line.travel_to_next_m),
                ]
            }
            What::Section(section) => {
                let [part, strip_no, number] = piece(section.id);
                let keys: Vec<&str> = section.reasons.iter().map(|r| r.key()).collect();
                *reasons = keys.join(";");
                vec![
                    block_id,
                    part,
                    strip_no,
                    number,
                    Value::Whole(section.section_no),
                    Value::Text(section.shift_class.key()),
                    Value::Text(reasons),
                    Value::Maybe(section.hours),
                    Value::Text(section.open.written()),
                ]
            }
            What::Corridor(corridor) => vec![
                block_id,
                Value::Whole(corridor.part),
                Value::Whole(corridor.corridor_no),
                Value::Number(corridor.width_m),
            ],
            What::Unworked(piece) => vec![
                block_id,
                Value::Whole(piece.part),
                Value::Text(piece.reason.key()),
            ],
            What::Setting(part) => {
                let [name, kind] = outlet_of(part);
                let azimuth = Value::Number(part.azimuth_deg);
                vec![block_id, Value::Whole(part.part), name, kind, azimuth]
            }
            What::Outlet(part) => {
                let [name, kind] = outlet_of(part);
                vec![block_id, Value::Whole(part.part), name, kind]
            }
            What::Trail(trail) => vec![
                block_id,
                Value::Whole(trail.part),
                Value::Number(trail.loads),
            ],
            What::PowerLine(note) => vec![
                block_id,
                Value::Text(&note.id),
                Value::Text(&note.kind),
                Value::Maybe(note.voltage_kv),
                Value::Number(note.limit_m),
                Value::Number(note.belt_m),
                Value::Whole(u32::from(note.agreed)),
            ],
            What::People(note) => vec![
                block_id,
                Value::Text(&note.id),
                Value::Text(note.role),
                Value::Text(&note.class),
                Value::Whole(u32::from(note.said)),
                Value::Number(plan.falling.radius_m),
                Value::Number(note.length_m),
                Value::Maybe(note.day_hours),
                Value::Maybe(note.night_hours),
            ],
            What::Window(note) => vec![
                block_id,
                Value::Text(&note.name),
                Value::Text(note.days.written()),
                Value::Text(&note.id),
                Value::Text(note.role),
                Value::Text(note.under.key()),
                Value::Maybe(note.day_hours),
                Value::Maybe(note.night_hours),
            ],
            What::Deck(deck) => {
                let part = plan.setting(deck.part);
                vec![
                    block_id,
                    Value::Whole(deck.part),
                    part.map_or(Value::Text(""), |part| outlet_of(part)[0]),
                    Value::Number(deck.volume_m3),
                    Value::Number(deck.length_m),
                ]
            }
            What::Note(note) => vec![
                block_id,
                Value::Text(&note.id),
                Value::Text(&note.kind),
                Value::Text(note.layer),
                Value::Number(note.radius_m),
                Value::Maybe(note.accuracy_m),
                Value::Text(note.date.as_deref().unwrap_or_default()),
                Value::Text(note.fate.key()),
                Value::Text(&note.message),
            ],
        }
    }
}

fn outlet_of(part: &PartNote) -> [Value<'_>; 2] {
    let texts = part
        .outlet
        .as_ref()
        .map_or(["", ""], |o| [&o.name, o.kind.key()]);
    texts.map(Value::Text)
}

/// Smaller polygons are left out: at eight decimals nothing would be left of them, or a ring that turns the wrong way.
const SPECK_M2: f64 = 0.1;

/// All rows of a plan in the order of [`LAYERS`]; None where a place has no longitude and latitude.
pub fn located<'p>(plan: &'p BlockPlan, to_wgs84: &Transform) -> Option<Vec<Located<'p>>> {
    let move_on = Mover {
        frame: &plan.frame,
        to_wgs84,
    };
    let mut rows = Vec::new();
    let mut add = |what, shape: Option<Geometry>| {
        let shape = shape?;
        if !matches!(&shape, Geometry::MultiPolygon(polygons) if polygons.0.is_empty()) {
            rows.push(Located { what, shape });
        }
        Some(())
    };
    add(What::Block, move_on.polygons(&plan.shape))?;
    for (shape, kind, zone) in layers::zones(plan) {
        add(What::Zone(kind, zone), move_on.polygons(shape))?;
    }
    for line in &plan.lines {
        if line.shape.0.len() >= 2 {
            add(What::Line(line), move_on.line(&line.shape))?;
        }
    }
    for section in &plan.sections {
        add(What::Section(section), move_on.polygons(&section.shape))?;
    }
    for corridor in plan
        .corridors
        .iter()
        .filter(|corridor| is_seen(&corridor.shape))
    {
        add(What::Corridor(corridor), move_on.polygon(&corridor.shape))?;
    }
    for piece in plan.unworked.iter().filter(|piece| is_seen(&piece.shape)) {
        add(What::Unworked(piece), move_on.polygon(&piece.shape))?;
    }
    for part in &plan.parts {
        let shape = match part.shape.0.as_slice() {
            [one] if is_seen(one) => move_on.polygon(one),
            [_] | [] => continue,
            _ => move_on.polygons(&part.shape),
        };
        add(What::Setting(part), shape)?;
    }
    for part in &plan.parts {
        for edge in part.outlet.iter().flat_map(OutletNote::edges) {
            add(What::Outlet(part), move_on.line(edge))?;
        }
    }
    for trail in plan.trails.iter().filter(|trail| trail.shape.0.len() >= 2) {
        add(What::Trail(trail), move_on.line(&trail.shape))?;
    }
    for deck in &plan.decks {
        let at = LineString(vec![deck.place.into()]);
        let at = move_on
            .points(&at)
            .map(|at| Geometry::Point(at.0[0].into()));
        add(What::Deck(deck), at)?;
    }
    for note in &plan.notes {
        let Some(place) = signs::note_place(note) else {
            continue;
        };
        let at = move_on.points(&LineString(vec![place]));
        let at = at.map(|at| Geometry::Point(at.0[0].into()));
        add(What::Note(note), at)?;
    }
    for note in &plan.power_lines {
        for line in note.lines().into_iter().filter(|line| line.0.len() >= 2) {
            add(What::PowerLine(note), move_on.line(line))?;
        }
    }
    for note in &plan.people {
        for line in note.lines().into_iter().filter(|line| line.0.len() >= 2) {
            add(What::People(note), move_on.line(line))?;
        }
        for place in note.places() {
            let at = move_on.points(&LineString(vec![place]));
            let at = at.map(|at| Geometry::Point(at.0[0].into()));
            add(What::People(note), at)?;
        }
    }
    for note in &plan.windows {
        add(What::Window(note), move_on.polygons(&note.shape))?;
    }
    Some(rows)
}

fn is_seen(polygon: &Polygon) -> bool {
    polygon.unsigned_area() >= SPECK_M2
}

struct Mover<'t> {
    frame: &'t GroundFrame,
    to_wgs84: &'t Transform,
}

impl Mover<'_> {
    fn line(&self, line: &LineString) -> Option<Geometry> {
        self.points(line).map(Geometry::LineString)
    }

    fn points(&self, line: &LineString) -> Option<LineString> {
        let closed = line.is_closed();
        let mut line = self.frame.leave_line(line);
        self.to_wgs84.points(&mut line.0).then_some(())?;
        let points = &mut line.0;
        // A ring's last point is transformed apart from its first and must equal it to the bit.
        if closed && let [first, .., last] = &mut points[..] {
            *last = *first;
        }
        Some(line)
    }

    fn ring_polygon(&self, polygon: &Polygon) -> Option<Polygon> {
        let holes: Option<Vec<LineString>> = polygon
            .interiors()
            .iter()
            .map(|ring| self.points(ring))
            .collect();
        let moved = Polygon::new(self.points(polygon.exterior())?, holes?);
        Some(moved.orient(Direction::Default))
    }

    fn polygon(&self, polygon: &Polygon) -> Option<Geometry> {
        self.ring_polygon(polygon).map(Geometry::Polygon)
    }

    fn polygons(&self, polygons: &MultiPolygon) -> Option<Geometry> {
        let moved: Option<Vec<Polygon>> = polygons
            .iter()
            .filter(|polygon| is_seen(polygon))
            .map(|polygon| self.ring_polygon(polygon))
            .collect();
        Some(Geometry::MultiPolygon(MultiPolygon(moved?)))
    }
}

/// Degrees with eight decimals: about a millimetre. Never `-0`.
pub fn degrees(value: f64) -> String {
    let text = format!("{value:.8}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|byte| matches!(byte, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

/// Polygons of a shape that has any.
pub fn polygons(shape: &Geometry) -> &[Polygon] {
    match shape {
        Geometry::Polygon(polygon) => std::slice::from_ref(polygon),
        Geometry::MultiPolygon(polygons) => &polygons.0,
        _ => &[],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_names_fit_a_shapefile_and_differ_within_a_layer() {
        for layer in &LAYERS {
            let mut seen = std::collections::BTreeSet::new();
            for attribute in layer.attributes {
                assert!(attribute.short.len() <= 10, "{}", attribute.short);
                assert!(seen.insert(attribute.short), "{}", attribute.short);
            }
        }
    }

    #[test]
    fn degrees_have_eight_decimals_and_no_negative_nought() {
        assert_eq!(degrees(-123.456_789_014), "-123.45678901");
        assert_eq!(degrees(-1e-12), "0.00000000");
    }
}
