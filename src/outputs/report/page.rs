//! One block as the report shows it: its data script, and its row in the overview.

use std::collections::BTreeMap;

use geo::{Area, BoundingRect, Coord, LineString};
use serde::Serialize;

use super::script::{rounded, safe};
use super::shapes::{self, Place, Steps};
use crate::model::{
    BlockPlan, ComplianceRow, FallingArea, Finding, Lot, PeopleNote, PieceId, PowerLineNote,
    SlopesMeasured, Verdict, WindowNote,
};
use crate::outputs::{layers, signs};
use crate::units::hectares;

/// What outlines of the overview may be off, m.
const OVERVIEW_OFF_M: f64 = 4.0;

/// A block's part of the web report; made by any thread.
#[derive(Clone, Debug)]
pub struct BlockPage {
    id: String,
    data: String,
    /// Of [`COLUMNS`], what comes before and after the file's name.
    row: [String; 2],
    slopes: SlopesMeasured,
    share: Option<CostShare>,
}

/// What a block's wood costs, and what for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct CostShare {
    pub volume_m3: f64,
    pub cost: f64,
    /// Money for each of [`CostReason::ALL`](crate::model::CostReason::ALL).
    pub parts: [f64; 5],
}

impl CostShare {
    fn of(plan: &BlockPlan) -> Option<CostShare> {
        let cost = plan.cost();
        Some(CostShare {
            volume_m3: cost.volume_m3.filter(|m3| *m3 > 0.0)?,
            cost: cost.cost(plan.rates)?,
            parts: plan.time_parts?.money(plan.rates, plan.utilisation),
        })
    }
}

impl BlockPage {
    pub fn new(plan: &BlockPlan) -> BlockPage {
        let data = format!(
            "blockwrightReport.block({});\n",
            safe(&json(&Page::of(plan)))
        );
        let cells = |cells: String| safe(&cells).into_owned();
        let row = [
            cells(format!("[{}", json(&plan.id))),
            cells(json(&row_figures(plan)).replacen('[', "", 1)),
        ];
        BlockPage {
            id: plan.id.clone(),
            data,
            row,
            slopes: plan.slopes_measured(),
            share: CostShare::of(plan),
        }
    }

    pub(super) fn cost_share(&self) -> Option<CostShare> {
        self.share
    }

    pub(in crate::outputs) fn id(&self) -> &str {
        &self.id
    }

    pub(super) fn data(&self) -> &str {
        &self.data
    }

    pub(super) fn slopes(&self) -> SlopesMeasured {
        self.slopes
    }

    /// The block's row in the overview.
    pub(super) fn row(&self, stem: &str) -> String {
        let [id, figures] = &self.row;
        format!("{id},{},{figures}", json(&stem))
    }
}

/// The types of this file hold text keys and finite numbers only, which JSON always takes.
fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_else(|_| "null".to_owned())
}

fn ha(area_m2: f64) -> Option<f64> {
    rounded(hectares(area_m2), 4)
}

fn maybe(value: Option<f64>, decimals: i32) -> Option<f64> {
    value.and_then(|value| rounded(value, decimals))
}

/// Names of the columns of a row: the id, the name of the block's file, and [`row_figures`].
pub const COLUMNS: [&str; 15] = [
    "id",
    "file",
    "portfolio",
    "status",
    "gross_ha",
    "net_ha",
    "retention_share",
    "required_share",
    "strips",
    "day_hours",
    "night_hours",
    "fails",
    "warnings",
    "findings",
    "outline",
];

fn row_figures(plan: &BlockPlan) -> impl Serialize + use<'_> {
    let count = |verdict| {
        plan.findings
            .iter()
            .filter(|f| f.verdict == verdict)
            .count()
    };
    (
        &plan.portfolio,
        plan.status.key(),
        ha(plan.books.gross_m2),
        ha(plan.books.net_m2),
        maybe(plan.share_left(), 5),
        rounded(plan.required_share, 5),
        plan.strips_count,
        maybe(plan.day_hours, 2),
        maybe(plan.night_hours, 2),
        count(Verdict::Fail),
        count(Verdict::Warn),
        plan.findings.len(),
        shapes::outline(&plan.shape, &plan.frame, OVERVIEW_OFF_M),
    )
}

#[derive(Serialize)]
struct Page<'p> {
    version: u32,
    id: &'p str,
    portfolio: &'p Option<String>,
    status: &'static str,
    figures: Figures,
    slopes: SlopesData,
    origin: [f64; 2],
    /// Least and largest x and y of the block, m.
    bounds: Option<[f64; 4]>,
    outline: Vec<Steps>,
    parts: Vec<PartData>,
    zones: Vec<ZoneData<'p>>,
    strips: Vec<StripData>,
    lines: Vec<LineData>,
    corridors: Vec<CorridorData>,
    sections: Vec<SectionData>,
    unworked: Vec<UnworkedData>,
    bunches: Vec<BunchData>,
    trails: Vec<TrailData>,
    decks: Vec<DeckData>,
    power_lines: Vec<PowerLineData<'p>>,
    people: Vec<PeopleData<'p>>,
    windows: Vec<WindowData<'p>>,
    /// Lines between settings.
    dividing: Vec<Steps>,
    numbers: Vec<NumberData>,
    /// Where order 1 begins.
    start: Option<Steps>,
    findings: Vec<FindingData<'p>>,
    compliance: &'p [ComplianceRow],
}

#[derive(Serialize)]
struct Figures {
    gross_ha: Option<f64>,
    reserve_ha: Option<f64>,
    net_ha: Option<f64>,
    retained_ha: Option<f64>,
    cut_ha: Option<f64>,
    unworked_ha: Option<f64>,
    geodesic_ha: Option<f64>,
    retention_share: Option<f64>,
    /// What the share is one of; None: of ground.
    share_of: Option<&'static str>,
    required_share: Option<f64>,
    azimuth: Option<f64>,
    corridor_width_m: Option<f64>,
    left_share: Option<f64>,
    /// Edge of retained pieces and of reserves in the wind; None: the project names none.
    windward_m: Option<[f64; 2]>,
    strips: u32,
    day_hours: Option<f64>,
    night_hours: Option<f64>,
    skid_hours: Option<f64>,
    scheduled_hours: Option<f64>,
    scheduled_skid_hours: Option<f64>,
    /// What becomes of the trees: those, their m3 and their basal area.
    stays: Option<[f64; 3]>,
    lost: Option<[f64; 3]>,
    large: Option<[f64; 3]>,
    felling_cost: Option<f64>,
    skidding_cost: Option<f64>,
    cost_per_m3: Option<f64>,
    skid_m: Option<f64>,
    volume_m3: Option<f64>,
    grid_scale: Option<f64>,
}

/// As measured, rise over run.
#[derive(Serialize)]
struct SlopesData {
    driven: Option<f64>,
    by_night: Option<f64>,
    unknown: bool,
}

#[derive(Serialize)]
struct PartData {
    part: u32,
    azimuth: Option<f64>,
    corridor_width_m: Option<f64>,
    outlet: Option<String>,
    outlet_kind: Option<&'static str>,
    volume_m3: Option<f64>,
    /// Id of the planner's polygon that it was taken from.
    drawn: Option<String>,
    /// Lines that were drawn for its strips: the id, and the number of the strip.
    strip_lines: Vec<(String, u32)>,
    rings: Vec<Steps>,
    /// The outlet's stretches of road, or a place.
    front: Vec<Steps>,
    /// Where its name stands; none where a block is one setting.
    at: Option<Steps>,
}

/// Setting and number of a strip, and its line from the outlet.
#[derive(Serialize)]
struct NumberData {
    strip: [u32; 2],
    line: Steps,
}

#[derive(Serialize)]
struct TrailData {
    loads: Option<f64>,
    line: Steps,
}

#[derive(Serialize)]
struct DeckData {
    part: u32,
    volume_m3: Option<f64>,
    length_m: Option<f64>,
    at: Steps,
}

/// A road, trail, dwelling or work site within falling trees.
#[derive(Serialize)]
struct PeopleData<'p> {
    label: String,
    role: &'static str,
    /// False: nobody says whether other people are there.
    said: bool,
    within_m: Option<f64>,
    trees_m: Option<f64>,
    trees: &'static str,
    /// None of places.
    length_m: Option<f64>,
    cut_ha: Option<f64>,
    day_hours: Option<f64>,
    night_hours: Option<f64>,
    layer: &'p str,
    lines: Vec<Steps>,
    places: Vec<Steps>,
}

impl<'p> PeopleData<'p> {
    fn of(note: &'p PeopleNote, falling: &FallingArea) -> PeopleData<'p> {
        PeopleData {
            label: note.label(),
            role: note.role,
            said: note.said,
            within_m: rounded(falling.radius_m, 2),
            trees_m: rounded(falling.trees_m, 2),
            trees: falling.trees_from,
            length_m: rounded(note.length_m, 0).filter(|m| *m > 0.0),
            cut_ha: ha(note.cut_m2),
            day_hours: maybe(note.day_hours, 1),
            night_hours: maybe(note.night_hours, 1),
            layer: &note.source_layer,
            lines: note.lines().into_iter().map(shapes::line).collect(),
            places: (note.places().into_iter())
                .map(|at| shapes::way(&LineString(vec![at])))
                .collect(),
        }
    }
}

/// Ground that may be worked on some days only.
#[derive(Serialize)]
struct WindowData<'p> {
    label: String,
    days: &'p str,
    under: &'static str,
    of: &'p str,
    cut_ha: Option<f64>,
    day_hours: Option<f64>,
    night_hours: Option<f64>,
    source: &'p str,
    /// Empty where it holds for the whole block.
    rings: Vec<Steps>,
}

impl<'p> WindowData<'p> {
    fn of(note: &'p WindowNote) -> WindowData<'p> {
        WindowData {
            label: note.label(),
            days: note.days.written(),
            under: note.under.key(),
            of: &note.id,
            cut_ha: ha(note.cut_m2),
            day_hours: maybe(note.day_hours, 1),
            night_hours: maybe(note.night_hours, 1),
            source: &note.source,
            rings: match note.is_drawn() {
                true => shapes::rings(&note.shape),
                false => vec![],
            },
        }
    }
}

/// A power line with its figures; `trees` says where the height of the trees is from.
#[derive(Serialize)]
struct PowerLineData<'p> {
    id: &'p str,
    kind: &'p str,
    label: String,
    limit_m: Option<f64>,
    limit_source: &'p str,
    trees_m: Option<f64>,
    trees: &'static str,
    belt_m: Option<f64>,
    belt_ha: Option<f64>,
    agreed: bool,
    agreed_source: &'p str,
    lines: Vec<Steps>,
}

impl<'p> PowerLineData<'p> {
    fn of(note: &'p PowerLineNote) -> PowerLineData<'p> {
        PowerLineData {
            id: &note.id,
            kind: &note.kind,
            label: note.label(),
            limit_m: rounded(note.limit_m, 2),
            limit_source: &note.limit_source,
            trees_m: rounded(note.trees_m, 2),
            trees: note.trees_from,
            belt_m: rounded(note.belt_m, 2),
            belt_ha: ha(note.belt_m2),
            agreed: note.agreed,
            agreed_source: &note.agreed_source,
            lines: note.lines().into_iter().map(shapes::line).collect(),
        }
    }
}

#[derive(Serialize)]
struct ZoneData<'p> {
    kind: &'static str,
    layer: &'p str,
    feature: &'p str,
    class: &'p str,
    rule: &'p str,
    width_m: Option<f64>,
    rings: Vec<Steps>,
}

/// A place as a way without length.
fn place([x, y]: [f64; 2]) -> LineString {
    LineString(vec![Coord { x, y }])
}

/// Part, strip, piece.
type Piece = [u32; 3];

fn piece(id: PieceId) -> Piece {
    [id.part, id.strip_no, id.piece]
}

#[derive(Serialize)]
struct StripData {
    id: Piece,
    kind: &'static str,
    width_m: Option<f64>,
    area_ha: Option<f64>,
    rings: Vec<Steps>,
}

#[derive(Serialize)]
struct LineData {
    id: Piece,
    kind: &'static str,
    order: u32,
    heading: &'static str,
    length_m: Option<f64>,
    travel_m: Option<f64>,
    cross_slope: Option<f64>,
    line: Steps,
    #[serde(skip_serializing_if = "Option::is_none")]
    travel: Option<Steps>,
}

#[derive(Serialize)]
struct CorridorData {
    part: u32,
    no: u32,
    width_m: Option<f64>,
    area_ha: Option<f64>,
    rings: Vec<Steps>,
}

#[derive(Serialize)]
struct SectionData {
    id: Piece,
    no: u32,
    class: &'static str,
    reasons: Vec<&'static str>,
    area_ha: Option<f64>,
    hours: Option<f64>,
    trees: Option<f64>,
    volume_m3: Option<f64>,
    rings: Vec<Steps>,
}

#[derive(Serialize)]
struct UnworkedData {
    reason: &'static str,
    area_ha: Option<f64>,
    rings: Vec<Steps>,
}

/// The bunches of a piece: butt and top by turns, each a step in decimetres from the one before. There are thousands in a
/// block, so that nothing else is said of each.
#[derive(Serialize)]
struct BunchData {
    id: Piece,
    count: u32,
    volume_m3: Option<f64>,
    lines: Steps,
}

#[derive(Serialize)]
struct FindingData<'p> {
    rule: &'p str,
    status: &'static str,
    measured: Option<f64>,
    required: Option<f64>,
    unit: &'static str,
    message: &'p str,
    source: &'p str,
    place: Option<Place>,
}

impl<'p> FindingData<'p> {
    fn of(finding: &'p Finding) -> FindingData<'p> {
        FindingData {
            rule: &finding.rule_id,
            status: finding.verdict.key(),
            measured: maybe(finding.measured, 6),
            required: maybe(finding.required, 6),
            unit: finding.unit,
            message: &finding.message,
            source: &finding.source,
            place: finding.shape.as_ref().map(Place::of),
        }
    }
}

fn parts(plan: &BlockPlan) -> Vec<PartData> {
    let places: BTreeMap<u32, Coord> = signs::setting_places(plan).into_iter().collect();
    plan.parts
        .iter()
        .map(|part| {
            let outlet = part.outlet.as_ref();
            PartData {
                part: part.part,
                azimuth: rounded(part.azimuth_deg, 2),
                corridor_width_m: rounded(part.corridor_width_m, 3),
                outlet: outlet.map(|outlet| outlet.name.clone()),
                outlet_kind: outlet.map(|outlet| outlet.kind.key()),
                volume_m3: maybe(plan.volume_of(part.part), 1),
                drawn: part.drawn.clone(),
                strip_lines: part.strip_lines.clone(),
                rings: shapes::rings(&part.shape.0),
                front: outlet.map_or_else(Vec::new, |outlet| {
                    outlet.front.iter().map(shapes::line).collect()
                }),
                at: places
                    .get(&part.part)
                    .map(|at| shapes::line(&place((*at).into()))),
            }
        })
        .collect()
}

fn numbers(plan: &BlockPlan) -> Vec<NumberData> {
    signs::strips_from_outlets(plan)
        .into_iter()
        .map(|((part, strip_no), line)| NumberData {
            strip: [part, strip_no],
            line: shapes::way(&LineString(line)),
        })
        .collect()
}

impl<'p> Page<'p> {
    fn of(plan: &'p BlockPlan) -> Page<'p> {
        let bounds = plan.shape.bounding_rect().map(|rect| {
            [rect.min().x, rect.min().y, rect.max().x, rect.max().y]
                .map(|value| (value * 100.0).round() / 100.0)
        });
        Page {
            version: 1,
            id: &plan.id,
            portfolio: &plan.portfolio,
            status: plan.status.key(),
            figures: figures(plan),
            slopes: slopes(plan),
            origin: plan.origin(),
            bounds,
            outline: shapes::rings(&plan.shape),
            parts: parts(plan),
            zones: zones(plan),
            strips: plan
                .strips
                .iter()
                .map(|strip| StripData {
                    id: piece(strip.id),
                    kind: strip.kind.key(),
                    width_m: rounded(strip.width_m, 3),
                    area_ha: ha(strip.shape.unsigned_area()),
                    rings: shapes::rings([&strip.shape]),
                })
                .collect(),
            lines: lines(plan),
            corridors: plan
                .corridors
                .iter()
                .map(|corridor| CorridorData {
                    part: corridor.part,
                    no: corridor.corridor_no,
                    width_m: rounded(corridor.width_m, 3),
                    area_ha: ha(corridor.shape.unsigned_area()),
                    rings: shapes::rings([&corridor.shape]),
                })
                .collect(),
            sections: sections(plan),
            trails: (plan.trails.iter())
                .map(|trail| TrailData {
                    loads: rounded(trail.loads, 1),
                    line: shapes::way(&trail.shape),
                })
                .collect(),
            power_lines: plan.power_lines.iter().map(PowerLineData::of).collect(),
            people: (plan.people.iter())
                .map(|note| PeopleData::of(note, &plan.falling))
                .collect(),
            windows: plan.windows.iter().map(WindowData::of).collect(),
            decks: (plan.decks.iter())
                .map(|deck| DeckData {
                    part: deck.part,
                    volume_m3: rounded(deck.volume_m3, 1),
                    length_m: rounded(deck.length_m, 1),
                    at: shapes::way(&place(deck.place)),
                })
                .collect(),
            unworked: plan
                .unworked
                .iter()
                .map(|piece| UnworkedData {
                    reason: piece.reason.key(),
                    area_ha: ha(piece.shape.unsigned_area()),
                    rings: shapes::rings([&piece.shape]),
                })
                .collect(),
            bunches: bunches(plan),
            dividing: signs::dividing_lines(plan)
                .iter()
                .map(shapes::line)
                .collect(),
            numbers: numbers(plan),
            start: signs::start(plan).map(|at| shapes::line(&place(at.into()))),
            findings: plan.findings.iter().map(FindingData::of).collect(),
            compliance: &plan.compliance,
        }
    }
}

fn slopes(plan: &BlockPlan) -> SlopesData {
    let measured = plan.slopes_measured();
    SlopesData {
        driven: maybe(measured.driven, 4),
        by_night: maybe(measured.by_night, 4),
        unknown: measured.unknown,
    }
}

fn figures(plan: &BlockPlan) -> Figures {
    let books = &plan.books;
    let used = plan.utilisation;
    let cost = plan.cost();
    let treated = plan.treated();
    let lot = |lot: Lot| {
        [lot.stems, lot.volume_m3, lot.basal_m2].map(|value| (value * 10.0).round() / 10.0)
    };
    let hours = plan
        .day_hours
        .zip(plan.night_hours)
        .map(|(day, night)| day + night);
    Figures {
        gross_ha: ha(books.gross_m2),
        reserve_ha: ha(books.reserve_m2),
        net_ha: ha(books.net_m2),
        retained_ha: ha(books.retained_m2),
        cut_ha: ha(books.cut_m2),
        unworked_ha: ha(books.unworked_m2),
        geodesic_ha: ha(plan.geodesic_m2),
        retention_share: maybe(plan.share_left(), 5),
        share_of: plan.trees_left.map(|trees| trees.unit.key()),
        required_share: rounded(plan.required_share, 5),
        azimuth: maybe(plan.azimuth_deg, 2),
        corridor_width_m: maybe(plan.corridor_width_m, 3),
        left_share: maybe(plan.left_share(), 4),
        windward_m: (plan.wind.as_ref())
            .map(|wind| [wind.retained_m(), wind.reserves_m].map(f64::round)),
        strips: plan.strips_count,
        day_hours: maybe(plan.day_hours, 3),
        night_hours: maybe(plan.night_hours, 3),
        skid_hours: maybe(plan.skid_hours, 3),
        scheduled_hours: maybe(used.scheduled(hours), 3),
        scheduled_skid_hours: maybe(used.scheduled_skidding(plan.skid_hours), 3),
        stays: treated.map(|treated| lot(treated.stays)),
        lost: treated.map(|treated| lot(treated.lost)),
        large: treated.map(|treated| lot(treated.large)),
        felling_cost: maybe(cost.felling_cost, 0),
        skidding_cost: maybe(cost.skidding_cost, 0),
        cost_per_m3: maybe(cost.cost_per_m3(plan.rates), 2),
        skid_m: maybe(plan.skid_m, 1),
        volume_m3: maybe(plan.volume_m3(), 1),
        grid_scale: rounded(plan.scale, 9),
    }
}

fn zones(plan: &BlockPlan) -> Vec<ZoneData<'_>> {
    layers::zones(plan)
        .map(|(shape, kind, zone)| ZoneData {
            kind: kind.key(),
            layer: zone.map_or("", |zone| &zone.source_layer),
            feature: zone.map_or("", |zone| &zone.source_id),
            class: zone.map_or("", |zone| &zone.class),
            rule: zone.map_or("", |zone| &zone.rule_id),
            width_m: zone.and_then(|zone| rounded(zone.width_m, 3)),
            rings: shapes::rings(shape),
        })
        .collect()
}

fn lines(plan: &BlockPlan) -> Vec<LineData> {
    plan.lines
        .iter()
        .map(|line| {
            let length_m: f64 = line
                .shape
                .lines()
                .map(|edge| (edge.end.x - edge.start.x).hypot(edge.end.y - edge.start.y))
                .sum();
            LineData {
                id: piece(line.id),
                kind: line.kind.key(),
                order: line.order,
                heading: line.heading.key(),
                length_m: rounded(length_m, 1),
                travel_m: maybe(line.travel_to_next_m, 1),
                cross_slope: maybe(line.cross_slope, 4),
                line: shapes::line(&line.shape),
                travel: line.travel.as_ref().map(shapes::way),
            }
        })
        .collect()
}

fn sections(plan: &BlockPlan) -> Vec<SectionData> {
    plan.sections
        .iter()
        .map(|section| SectionData {
            id: piece(section.id),
            no: section.section_no,
            class: section.shift_class.key(),
            reasons: section.reasons.iter().map(|reason| reason.key()).collect(),
            area_ha: ha(section.shape.unsigned_area()),
            hours: maybe(section.hours, 4),
            trees: maybe(section.trees, 0),
            volume_m3: maybe(section.volume_m3, 2),
            rings: shapes::rings(&section.shape),
        })
        .collect()
}

fn bunches(plan: &BlockPlan) -> Vec<BunchData> {
    let mut pieces: BTreeMap<Piece, (u32, f64, Vec<Coord>)> = BTreeMap::new();
    for bunch in &plan.bunches {
        let (count, volume_m3, ends) = pieces.entry(piece(bunch.id)).or_default();
        *count += 1;
        *volume_m3 += bunch.volume_m3;
        ends.extend(bunch.shape.0.first());
        ends.extend(bunch.shape.0.last());
    }
    pieces
        .into_iter()
        .map(|(id, (count, volume_m3, ends))| BunchData {
            id,
            count,
            volume_m3: rounded(volume_m3, 1),
            lines: shapes::every_step(&ends, 0.1),
        })
        .collect()
}
