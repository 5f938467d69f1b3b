//! The layers of `layout.gpkg` and their rows: the contract as data.

use geo::{Area, Geometry, MultiPolygon, Polygon};

use super::OutputError;
use super::gpkg::{GeoPackage, GeometryKind, Kind, LayerDef, Value};
use super::{signs, wind_order};
use crate::geometry::area::length;
use crate::geometry::frame::azimuth_deg;
use crate::geometry::sound::sound;
use crate::geometry::wkb;
use crate::model::{
    BlockPlan, BlockWind, FallingArea, Finding, GroundFrame, PieceId, PieceWind, PlanNote,
    SectionKey, Treatment, Zone, ZoneKind,
};
use crate::units::hectares;

use Kind::{Number, Text, Whole};

const BLOCKS: usize = 0;
const ZONES: usize = 1;
const NET_AREA: usize = 2;
const STRIPS: usize = 3;
const STRIP_LINES: usize = 4;
const CORRIDORS: usize = 5;
const SECTIONS: usize = 6;
const UNWORKED: usize = 7;
const BUNCHES: usize = 8;
const FINDINGS: usize = 9;
const TRAVEL: usize = 10;
const SETTINGS: usize = 11;
const SKID_TRAILS: usize = 12;
const DECKS: usize = 13;
const OUTLETS: usize = 14;
const RETAINED: usize = 15;
const NOTES: usize = 16;
const POWER_LINES: usize = 17;
const PEOPLE: usize = 18;
const WINDOWS: usize = 19;

/// In file order.
pub(super) const LAYERS: &[LayerDef] = &[
    LayerDef {
        name: "blocks",
        geometry: GeometryKind::MultiPolygon,
        description: "Blocks as approved, with areas, shares and hours",
        fields: &[
            ("block_id", Text),
            ("status", Text),
            ("gross_ha", Number),
            ("reserve_ha", Number),
            ("net_ha", Number),
            ("retained_ha", Number),
            ("cut_ha", Number),
            ("unworked_ha", Number),
            ("retention_share", Number),
            ("required_share", Number),
            ("azimuth", Number),
            ("corridor_width_m", Number),
            ("strips", Whole),
            ("day_hours", Number),
            ("night_hours", Number),
            ("grid_scale", Number),
            ("geodesic_ha", Number),
            ("portfolio", Text),
            ("volume_m3", Number),
            ("skid_m", Number),
            ("skid_hours", Number),
            ("certified_pairs", Whole),
            ("certified_margin_m", Number),
            ("scheduled_day_hours", Number),
            ("scheduled_night_hours", Number),
            ("scheduled_skid_hours", Number),
            ("felling_cost", Number),
            ("skidding_cost", Number),
            ("cost_per_m3", Number),
            ("cut_basal_m2", Number),
            ("stays_trees", Number),
            ("stays_m3", Number),
            ("stays_basal_m2", Number),
            ("lost_trees", Number),
            ("lost_m3", Number),
            ("lost_basal_m2", Number),
            ("large_trees", Number),
            ("time_model", Text),
            ("left_share", Number),
            ("share_with_left", Number),
            ("counted_ha", Number),
            ("windward_m", Number),
            ("windward_reserve_m", Number),
            ("tree_height_m", Number),
            ("falling_m", Number),
        ],
    },
    LayerDef {
        name: "zones",
        geometry: GeometryKind::MultiPolygon,
        description: "Reserves, management zones and other ground with a rule of its own",
        fields: &[
            ("block_id", Text),
            ("kind", Text),
            ("source_layer", Text),
            ("source_id", Text),
            ("class", Text),
            ("rule_id", Text),
            ("width_m", Number),
        ],
    },
    LayerDef {
        name: "net_area",
        geometry: GeometryKind::MultiPolygon,
        description: "Parts of the net area, without retained bands and road clearing, one row per part",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("azimuth", Number),
            ("cost_h", Number),
            ("square_azimuth", Number),
            ("square_cost_h", Number),
            ("long_side_azimuth", Number),
            ("long_side_cost_h", Number),
            ("azimuths_costed", Whole),
        ],
    },
    LayerDef {
        name: "strips",
        geometry: GeometryKind::Polygon,
        description: "Passes of the felling machine",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("strip_no", Whole),
            ("piece", Whole),
            ("kind", Text),
            ("width_m", Number),
            ("area_ha", Number),
            ("gap", Whole),
        ],
    },
    LayerDef {
        name: "strip_lines",
        geometry: GeometryKind::Line,
        description: "Centre lines of the passes in the direction of travel",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("strip_no", Whole),
            ("piece", Whole),
            ("kind", Text),
            ("order", Whole),
            ("heading", Text),
            ("length_m", Number),
            ("travel_to_next_m", Number),
            ("cross_slope", Number),
        ],
    },
    LayerDef {
        name: "corridors",
        geometry: GeometryKind::Polygon,
        description: "Trees left standing between strips",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("corridor_no", Whole),
            ("width_m", Number),
            ("area_ha", Number),
        ],
    },
    LayerDef {
        name: "sections",
        geometry: GeometryKind::Polygon,
        description: "Stretches of strips with one shift class",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("strip_no", Whole),
            ("piece", Whole),
            ("section_no", Whole),
            ("shift_class", Text),
            ("reasons", Text),
            ("area_ha", Number),
            ("hours", Number),
            ("trees", Number),
            ("volume_m3", Number),
            ("skid_m", Number),
            ("skid_hours", Number),
            ("scheduled_hours", Number),
            ("scheduled_skid_hours", Number),
            ("cut_basal_m2", Number),
            ("stays_trees", Number),
            ("stays_m3", Number),
            ("stays_basal_m2", Number),
            ("lost_trees", Number),
            ("lost_m3", Number),
            ("lost_basal_m2", Number),
            ("large_trees", Number),
            ("tree_height_m", Number),
            ("open_days", Text),
            ("windows", Text),
        ],
    },
    LayerDef {
        name: "unworked",
        geometry: GeometryKind::Polygon,
        description: "Net area that is neither cut nor counted as retained",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("reason", Text),
            ("area_ha", Number),
        ],
    },
    LayerDef {
        name: "bunches",
        geometry: GeometryKind::Line,
        description: "Piles of felled trees, from butt to top",
        fields: &[
            ("block_id", Text),
            ("part", Whole),
            ("strip_no", Whole),
            ("piece", Whole),
            ("bunch_no", Whole),
            ("shift_class", Text),
            ("volume_m3", Number),
            ("trees", Number),
            ("azimuth", Number),
            ("placement", Text),
        ],
    },
    LayerDef {
        name: "findings",
        geometry: GeometryKind::Any,
        description: "Places that fall short of a rule",
        fields: &[
            ("block_id", Text),
            ("rule_id", Text),
            ("status", Text),
            ("measured", Number),
            ("required", Number),
            ("unit", Text),
            ("message", Text),
            ("source", Text),
        ],
    },
    LayerDef {
        name: "travel",
        geometry: GeometryKind::Line,
        description: "Ways of the felling machine on which nothing is cut",
        fields: &[
            ("block_id", Text),
            ("after_order", Whole),
            ("length_m", Number),
        ],
    },
    LayerDef {
        name: "settings",
        geometry: GeometryKind::MultiPolygon,
        description: "Ground whose wood goes to one outlet",
        fields: &[
            ("block_id", Text),
            ("setting", Whole),
            ("outlet", Text),
            ("outlet_kind", Text),
            ("area_ha", Number),
            ("volume_m3", Number),
            ("azimuth", Number),
            ("scheduled_hours", Number),
            ("scheduled_skid_hours", Number),
            ("felling_cost", Number),
            ("skidding_cost", Number),
            ("cost_per_m3", Number),
            ("source_id", Text),
            ("azimuth_from", Text),
            ("strip_lines", Text),
            ("wind_from", Number),
            ("wind_until", Number),
        ],
    },
    LayerDef {
        name: "skid_trails",
        geometry: GeometryKind::Line,
        description: "Ways of the wood to its outlet, with the loads that pass",
        fields: &[
            ("block_id", Text),
            ("setting", Whole),
            ("loads", Number),
            ("length_m", Number),
        ],
    },
    LayerDef {
        name: "decks",
        geometry: GeometryKind::Any,
        description: "Piles of wood at outlets, and the roadside they need",
        fields: &[
            ("block_id", Text),
            ("setting", Whole),
            ("outlet", Text),
            ("volume_m3", Number),
            ("length_m", Number),
        ],
    },
    LayerDef {
        name: "outlets",
        geometry: GeometryKind::Any,
        description: "What wood of a setting is brought to: edges along roads, landings, ends of crossings",
        fields: &[
            ("block_id", Text),
            ("setting", Whole),
            ("outlet", Text),
            ("outlet_kind", Text),
            ("length_m", Number),
            ("capacity_m3", Number),
        ],
    },
    LayerDef {
        name: "retained",
        geometry: GeometryKind::Polygon,
        description: "Corridors, bands and patches that stay, each with an id of its own",
        fields: &[
            ("block_id", Text),
            ("piece_id", Text),
            ("kind", Text),
            ("part", Whole),
            ("area_ha", Number),
            ("source_id", Text),
            ("class", Text),
            ("windward_m", Number),
            ("across_wind_m", Number),
            ("along_wind_m", Number),
            ("sharp_corners", Whole),
        ],
    },
    LayerDef {
        name: "notes",
        geometry: GeometryKind::Any,
        description: "Notes taken in the field, as they were taken, and what became of each",
        fields: &[
            ("block_id", Text),
            ("note_id", Text),
            ("kind", Text),
            ("layer", Text),
            ("radius_m", Number),
            ("accuracy_m", Number),
            ("date", Text),
            ("fate", Text),
            ("message", Text),
            ("source", Text),
            ("came_later", Whole),
        ],
    },
    LayerDef {
        name: "power_lines",
        geometry: GeometryKind::Any,
        description: "Power lines in and around blocks, with what keeps machines and trees off them",
        fields: &[
            ("block_id", Text),
            ("line_id", Text),
            ("source_layer", Text),
            ("kind", Text),
            ("voltage_kv", Number),
            ("voltage_text", Text),
            ("wire_height_m", Number),
            ("limit_m", Number),
            ("limit_from", Text),
            ("limit_source", Text),
            ("tree_height_m", Number),
            ("tree_height_from", Text),
            ("tree_height_source", Text),
            ("belt_m", Number),
            ("agreed", Whole),
            ("agreed_source", Text),
            ("limit_ha", Number),
            ("belt_ha", Number),
            ("crossings", Text),
        ],
    },
    LayerDef {
        name: "people",
        geometry: GeometryKind::Any,
        description: "Roads, trails, dwellings and work sites within two tree lengths of what is cut",
        fields: &[
            ("block_id", Text),
            ("source_id", Text),
            ("source_layer", Text),
            ("role", Text),
            ("class", Text),
            ("said", Whole),
            ("distance_m", Number),
            ("tree_height_from", Text),
            ("length_m", Number),
            ("cut_ha", Number),
            ("day_hours", Number),
            ("night_hours", Number),
            ("sections", Text),
        ],
    },
    LayerDef {
        name: "windows",
        geometry: GeometryKind::Any,
        description: "Ground that may be worked on some days only, by who says so",
        fields: &[
            ("block_id", Text),
            ("window", Text),
            ("days", Text),
            ("source_id", Text),
            ("source_layer", Text),
            ("role", Text),
            ("class", Text),
            ("under", Text),
            ("within_m", Number),
            ("cut_ha", Number),
            ("day_hours", Number),
            ("night_hours", Number),
            ("sections", Text),
            ("source", Text),
        ],
    },
];

/// The attributes of layer `blocks`, in its order; the same go into `blocks.csv`.
pub(super) fn block_values(plan: &BlockPlan) -> [Value<'_>; 45] {
    let ha = |area_m2| Value::Number(hectares(area_m2));
    let books = &plan.books;
    let used = plan.utilisation;
    let cost = plan.cost();
    let [cut, a, b, c, d, e, f, large] = treated_values(plan.treated(), 1.0);
    // Nobody says how tall the trees are: what stands in is no figure of the block.
    let known = Some(&plan.falling).filter(|own| !matches!(own.trees_from, "" | "unknown"));
    let falling = |of: fn(&FallingArea) -> f64| Value::Maybe(known.map(of));
    [
        Value::Text(&plan.id),
        Value::Text(plan.status.key()),
        ha(books.gross_m2),
        ha(books.reserve_m2),
        ha(books.net_m2),
        ha(books.retained_m2),
        ha(books.cut_m2),
        ha(books.unworked_m2),
        Value::Maybe(plan.share_left()),
        Value::Number(plan.required_share),
        Value::Maybe(plan.azimuth_deg),
        Value::Maybe(plan.corridor_width_m),
        Value::Whole(plan.strips_count),
        Value::Maybe(plan.day_hours),
        Value::Maybe(plan.night_hours),
        Value::Number(plan.scale),
        ha(plan.geodesic_m2),
        Value::Text(plan.portfolio.as_deref().unwrap_or_default()),
        Value::Maybe(plan.volume_m3()),
        Value::Maybe(plan.skid_m),
        Value::Maybe(plan.skid_hours),
        Value::Whole(plan.certificate.pairs),
        Value::Maybe(plan.certificate.margin_m),
        Value::Maybe(used.scheduled(plan.day_hours)),
        Value::Maybe(used.scheduled(plan.night_hours)),
        Value::Maybe(used.scheduled_skidding(plan.skid_hours)),
        Value::Maybe(cost.felling_cost),
        Value::Maybe(cost.skidding_cost),
        Value::Maybe(cost.cost_per_m3(plan.rates)),
        cut,
        a,
        b,
        c,
        d,
        e,
        f,
        large,
        Value::Text(&plan.time_model),
        Value::Maybe(plan.left_share()),
        Value::Number(plan.share_with_left),
        ha(books.kept_m2),
        Value::Maybe(plan.wind.as_ref().map(BlockWind::retained_m)),
        Value::Maybe(plan.wind.as_ref().map(|wind| wind.reserves_m)),
        falling(|falling| falling.trees_m),
        falling(|falling| falling.radius_m),
    ]
}

/// What becomes of the trees, a share of it: basal area cut; trees, volume and basal area that stay, and that are lost; large trees.
fn treated_values(treated: Option<Treatment>, share: f64) -> [Value<'static>; 8] {
    let treated = treated.map(|treated| treated * share);
    let of = |value: fn(&Treatment) -> f64| Value::Maybe(treated.as_ref().map(value));
    [
        of(|t| t.cut.basal_m2),
        of(|t| t.stays.stems),
        of(|t| t.stays.volume_m3),
        of(|t| t.stays.basal_m2),
        of(|t| t.lost.stems),
        of(|t| t.lost.volume_m3),
        of(|t| t.lost.basal_m2),
        of(|t| t.large.stems),
    ]
}

/// The layer `blocks`, for the table of the same name.
pub(super) fn blocks_layer() -> &'static LayerDef {
    &LAYERS[BLOCKS]
}

/// The zones of a plan. A retained band that no zone names is one more, without a source.
pub(super) fn zones(
    plan: &BlockPlan,
) -> impl Iterator<Item = (&MultiPolygon, ZoneKind, Option<&Zone>)> {
    let named = plan
        .zones
        .iter()
        .any(|zone| zone.kind == ZoneKind::RetainedBand);
    let unnamed = (!named && !plan.retained_bands.0.is_empty()).then_some((
        &plan.retained_bands,
        ZoneKind::RetainedBand,
        None,
    ));
    plan.zones
        .iter()
        .map(|zone| (&zone.shape, zone.kind, Some(zone)))
        .chain(unnamed)
}

fn area_ha(shape: &Polygon) -> Value<'static> {
    Value::Number(hectares(shape.unsigned_area()))
}

fn piece_values<'a>(block_id: &'a str, id: PieceId) -> [Value<'a>; 4] {
    [
        Value::Text(block_id),
        Value::Whole(id.part),
        Value::Whole(id.strip_no),
        Value::Whole(id.piece),
    ]
}

/// Writes all rows of one block, layer by layer.
pub(super) fn write_block(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    let block_id = plan.id.as_str();
    let block = Value::Text(block_id);
    let frame = &plan.frame;
    package.row(
        BLOCKS,
        Some(&wkb::write_multi_polygon(
            &frame.leave_polygons(&plan.shape),
            [0.0; 2],
        )),
        &block_values(plan),
    )?;
    for (shape, kind, zone) in zones(plan) {
        let text = |of: fn(&Zone) -> &String| Value::Text(zone.map_or("", |zone| of(zone)));
        package.row(
            ZONES,
            Some(&wkb::write_multi_polygon(
                &frame.leave_polygons(shape),
                [0.0; 2],
            )),
            &[
                block,
                Value::Text(kind.key()),
                text(|zone| &zone.source_layer),
                text(|zone| &zone.source_id),
                text(|zone| &zone.class),
                text(|zone| &zone.rule_id),
                Value::Maybe(zone.map(|zone| zone.width_m)),
            ],
        )?;
    }
    for part in &plan.parts {
        package.row(
            NET_AREA,
            Some(&wkb::write_multi_polygon(
                &frame.leave_polygons(&part.shape),
                [0.0; 2],
            )),
            &[
                block,
                Value::Whole(part.part),
                Value::Number(part.azimuth_deg),
                Value::Number(part.choice.chosen.total_h()),
                Value::Number(part.choice.square_deg),
                Value::Number(part.choice.square.total_h()),
                Value::Number(part.choice.long_side_deg),
                Value::Number(part.choice.long_side.total_h()),
                Value::Whole(part.choice.evaluations),
            ],
        )?;
    }
    for strip in &plan.strips {
        let [id, part, strip_no, piece] = piece_values(block_id, strip.id);
        package.row(
            STRIPS,
            Some(&wkb::write_polygon(
                &frame.leave_polygon(&strip.shape),
                [0.0; 2],
            )),
            &[
                id,
                part,
                strip_no,
                piece,
                Value::Text(strip.kind.key()),
                Value::Number(strip.width_m),
                area_ha(&strip.shape),
                Value::Whole(u32::from(strip.gap)),
            ],
        )?;
    }
    write_lines(package, plan)?;
    for corridor in &plan.corridors {
        package.row(
            CORRIDORS,
            Some(&wkb::write_polygon(
                &frame.leave_polygon(&corridor.shape),
                [0.0; 2],
            )),
            &[
                block,
                Value::Whole(corridor.part),
                Value::Whole(corridor.corridor_no),
                Value::Number(corridor.width_m),
                area_ha(&corridor.shape),
            ],
        )?;
    }
    for (at, piece) in plan.retained_pieces().into_iter().enumerate() {
        let mut wind = plan.wind.as_ref().and_then(|wind| wind.pieces.get(at));
        // A part of a band that is sound as a whole need not be so by itself.
        for shape in sound(piece.shape.clone(), frame) {
            // Of a piece that falls into several rows, the first has its edges.
            let wind = wind.take();
            let of = |value: fn(&PieceWind) -> f64| Value::Maybe(wind.map(value));
            package.row(
                RETAINED,
                Some(&wkb::write_polygon(&frame.leave_polygon(&shape), [0.0; 2])),
                &[
                    block,
                    Value::Text(&piece.id),
                    Value::Text(piece.kind.key()),
                    Value::Whole(piece.part),
                    area_ha(&shape),
                    Value::Text(piece.feature.map_or("", |[id, _]| id)),
                    Value::Text(piece.feature.map_or("", |[_, class]| class)),
                    of(|wind| wind.windward_m),
                    of(|wind| wind.across_m),
                    of(|wind| wind.deep_m),
                    wind.map_or(Value::Maybe(None), |wind| Value::Whole(wind.sharp_corners)),
                ],
            )?;
        }
    }
    write_sections(package, plan)?;
    for piece in &plan.unworked {
        package.row(
            UNWORKED,
            Some(&wkb::write_polygon(
                &frame.leave_polygon(&piece.shape),
                [0.0; 2],
            )),
            &[
                block,
                Value::Whole(piece.part),
                Value::Text(piece.reason.key()),
                area_ha(&piece.shape),
            ],
        )?;
    }
    write_bunches(package, plan)?;
    write_settings(package, plan)?;
    write_power_lines(package, plan)?;
    write_people(package, plan)?;
    write_windows(package, plan)?;
    write_notes(package, block_id, &plan.notes, frame)?;
    write_findings(package, block_id, &plan.findings, frame)
}

fn write_bunches(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    for bunch in &plan.bunches {
        let [id, part, strip_no, piece] = piece_values(&plan.id, bunch.id);
        let ends = bunch.shape.0.first().zip(bunch.shape.0.last());
        let azimuth = ends.map(|(butt, top)| azimuth_deg(*top - *butt));
        package.row(
            BUNCHES,
            Some(&wkb::write_line(
                &plan.frame.leave_line(&bunch.shape),
                [0.0; 2],
            )),
            &[
                id,
                part,
                strip_no,
                piece,
                Value::Whole(bunch.bunch_no),
                Value::Text(bunch.shift_class.key()),
                Value::Number(bunch.volume_m3),
                Value::Number(bunch.trees),
                Value::Maybe(azimuth),
                Value::Text(bunch.placement.key()),
            ],
        )?;
    }
    Ok(())
}

fn write_settings(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    let (block, frame) = (Value::Text(&plan.id), &plan.frame);
    for part in &plan.parts {
        let shape = frame.leave_polygons(&part.shape);
        let (name, kind) = part
            .outlet
            .as_ref()
            .map_or(("", ""), |o| (o.name.as_str(), o.kind.key()));
        let cost = plan.cost_of(part.part);
        let wind = wind_order::of(plan, part.part);
        let strip_lines: Vec<String> = (part.strip_lines.iter())
            .map(|(id, strip)| format!("{id}: {strip}"))
            .collect();
        package.row(
            SETTINGS,
            Some(&wkb::write_multi_polygon(&shape, [0.0; 2])),
            &[
                block,
                Value::Whole(part.part),
                Value::Text(name),
                Value::Text(kind),
                Value::Number(hectares(part.shape.unsigned_area())),
                Value::Maybe(cost.volume_m3),
                Value::Number(part.azimuth_deg),
                Value::Maybe(cost.felling_hours),
                Value::Maybe(cost.skidding_hours),
                Value::Maybe(cost.felling_cost),
                Value::Maybe(cost.skidding_cost),
                Value::Maybe(cost.cost_per_m3(plan.rates)),
                Value::Text(part.drawn.as_deref().unwrap_or_default()),
                Value::Text(part.azimuth_from.key()),
                Value::Text(&strip_lines.join("; ")),
                Value::Maybe(wind.map(|wind| wind.from_deg)),
                Value::Maybe(wind.map(|wind| wind.until_deg)),
            ],
        )?;
    }
    for (part, outlet) in plan
        .parts
        .iter()
        .filter_map(|p| Some((p.part, p.outlet.as_ref()?)))
    {
        let lines = outlet.front.0.iter();
        // A ring or a hair among several lines makes no place of them.
        let shape = match signs::outlet_place(outlet) {
            Some(at) => Geometry::Point(geo::Point(at)),
            None => Geometry::MultiLineString(outlet.front.clone()),
        };
        package.row(
            OUTLETS,
            Some(&wkb::write(&frame.leave_shape(&shape), [0.0; 2])),
            &[
                block,
                Value::Whole(part),
                Value::Text(&outlet.name),
                Value::Text(outlet.kind.key()),
                Value::Number(lines.map(length).sum()),
                Value::Maybe(outlet.capacity_m3),
            ],
        )?;
    }
    for trail in &plan.trails {
        package.row(
            SKID_TRAILS,
            Some(&wkb::write_line(&frame.leave_line(&trail.shape), [0.0; 2])),
            &[
                block,
                Value::Whole(trail.part),
                Value::Number(trail.loads),
                Value::Number(length(&trail.shape)),
            ],
        )?;
    }
    for deck in &plan.decks {
        let [x, y] = deck.place;
        let place = geo::Geometry::Point(geo::Point(frame.leave(geo::Coord { x, y })));
        let outlet = plan.setting(deck.part);
        let outlet = outlet.and_then(|part| part.outlet.as_ref());
        package.row(
            DECKS,
            Some(&wkb::write(&place, [0.0; 2])),
            &[
                block,
                Value::Whole(deck.part),
                Value::Text(outlet.map_or("", |outlet| &outlet.name)),
                Value::Number(deck.volume_m3),
                Value::Number(deck.length_m),
            ],
        )?;
    }
    Ok(())
}

/// Writes notes of one block, or those that have to do with none.
pub(super) fn write_notes(
    package: &mut GeoPackage,
    block_id: &str,
    notes: &[PlanNote],
    frame: &GroundFrame,
) -> Result<(), OutputError> {
    for note in notes {
        package.row(
            NOTES,
            Some(&wkb::write(&frame.leave_shape(&note.shape), [0.0; 2])),
            &[
                Value::Text(block_id),
                Value::Text(&note.id),
                Value::Text(&note.kind),
                Value::Text(note.layer),
                Value::Number(note.radius_m),
                Value::Maybe(note.accuracy_m),
                Value::Text(note.date.as_deref().unwrap_or_default()),
                Value::Text(note.fate.key()),
                Value::Text(&note.message),
                Value::Text(&note.source_layer),
                Value::Whole(u32::from(note.came_later)),
            ],
        )?;
    }
    Ok(())
}

/// `part-strip.piece/section`.
fn write_windows(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    for note in &plan.windows {
        let sections: Vec<String> = (note.sections.iter())
            .map(|(id, section_no)| SectionKey::of(*id, *section_no).to_string())
            .collect();
        let sections = sections.join(";");
        let shape = geo::Geometry::MultiPolygon(note.shape.clone());
        package.row(
            WINDOWS,
            Some(&wkb::write(&plan.frame.leave_shape(&shape), [0.0; 2])),
            &[
                Value::Text(&plan.id),
                Value::Text(&note.name),
                Value::Text(note.days.written()),
                Value::Text(&note.id),
                Value::Text(&note.source_layer),
                Value::Text(note.role),
                Value::Text(&note.class),
                Value::Text(note.under.key()),
                Value::Number(note.within_m),
                Value::Number(hectares(note.cut_m2)),
                Value::Maybe(note.day_hours),
                Value::Maybe(note.night_hours),
                Value::Text(&sections),
                Value::Text(&note.source),
            ],
        )?;
    }
    Ok(())
}

fn write_people(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    for note in &plan.people {
        let sections: Vec<String> = (note.sections.iter())
            .map(|own| SectionKey::of(own.id, own.section_no).to_string())
            .collect();
        let sections = sections.join(";");
        package.row(
            PEOPLE,
            Some(&wkb::write(&plan.frame.leave_shape(&note.shape), [0.0; 2])),
            &[
                Value::Text(&plan.id),
                Value::Text(&note.id),
                Value::Text(&note.source_layer),
                Value::Text(note.role),
                Value::Text(&note.class),
                Value::Whole(u32::from(note.said)),
                Value::Number(plan.falling.radius_m),
                Value::Text(plan.falling.trees_from),
                Value::Number(note.length_m),
                Value::Number(hectares(note.cut_m2)),
                Value::Maybe(note.day_hours),
                Value::Maybe(note.night_hours),
                Value::Text(&sections),
            ],
        )?;
    }
    Ok(())
}

fn write_power_lines(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    for note in &plan.power_lines {
        let crossings = note.crossings.join(";");
        package.row(
            POWER_LINES,
            Some(&wkb::write(&plan.frame.leave_shape(&note.shape), [0.0; 2])),
            &[
                Value::Text(&plan.id),
                Value::Text(&note.id),
                Value::Text(&note.source_layer),
                Value::Text(&note.kind),
                Value::Maybe(note.voltage_kv),
                Value::Text(note.voltage_text.as_deref().unwrap_or_default()),
                Value::Maybe(note.wire_height_m),
                Value::Number(note.limit_m),
                Value::Text(note.limit_from),
                Value::Text(&note.limit_source),
                Value::Number(note.trees_m),
                Value::Text(note.trees_from),
                Value::Text(&note.trees_source),
                Value::Number(note.belt_m),
                Value::Whole(u32::from(note.agreed)),
                Value::Text(&note.agreed_source),
                Value::Number(hectares(note.limit_m2)),
                Value::Number(hectares(note.belt_m2)),
                Value::Text(&crossings),
            ],
        )?;
    }
    Ok(())
}

/// Writes findings of one block, or of what stands for several.
pub(super) fn write_findings<'f>(
    package: &mut GeoPackage,
    block_id: &str,
    findings: impl IntoIterator<Item = &'f Finding>,
    frame: &GroundFrame,
) -> Result<(), OutputError> {
    for finding in findings {
        let shape = finding
            .shape
            .as_ref()
            .map(|shape| wkb::write(&frame.leave_shape(shape), [0.0; 2]));
        package.row(
            FINDINGS,
            shape.as_deref(),
            &[
                Value::Text(block_id),
                Value::Text(&finding.rule_id),
                Value::Text(finding.verdict.key()),
                Value::Maybe(finding.measured),
                Value::Maybe(finding.required),
                Value::Text(finding.unit),
                Value::Text(&finding.message),
                Value::Text(&finding.source),
            ],
        )?;
    }
    Ok(())
}

fn write_lines(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    for line in &plan.lines {
        let [id, part, strip_no, piece] = piece_values(&plan.id, line.id);
        let length_m: f64 = line
            .shape
            .lines()
            .map(|edge| (edge.end.x - edge.start.x).hypot(edge.end.y - edge.start.y))
            .sum();
        package.row(
            STRIP_LINES,
            Some(&wkb::write_line(
                &plan.frame.leave_line(&line.shape),
                [0.0; 2],
            )),
            &[
                id,
                part,
                strip_no,
                piece,
                Value::Text(line.kind.key()),
                Value::Whole(line.order),
                Value::Text(line.heading.key()),
                Value::Number(length_m),
                Value::Maybe(line.travel_to_next_m),
                Value::Maybe(line.cross_slope),
            ],
        )?;
    }
    for line in &plan.lines {
        // Where the next line begins where this one ends there is no way to draw.
        let Some((way, length_m)) = line
            .travel
            .as_ref()
            .zip(line.travel_to_next_m)
            .filter(|(_, length_m)| *length_m > 0.0)
        else {
            continue;
        };
        package.row(
            TRAVEL,
            Some(&wkb::write_line(&plan.frame.leave_line(way), [0.0; 2])),
            &[
                Value::Text(&plan.id),
                Value::Whole(line.order),
                Value::Number(length_m),
            ],
        )?;
    }
    Ok(())
}

/// A section of several polygons gives as many rows with the same numbers, its hours, trees and volume shared out by
/// area.
fn write_sections(package: &mut GeoPackage, plan: &BlockPlan) -> Result<(), OutputError> {
    let mut reasons = String::new();
    for section in &plan.sections {
        let [id, part, strip_no, piece] = piece_values(&plan.id, section.id);
        reasons.clear();
        for (index, reason) in section.reasons.iter().enumerate() {
            if index > 0 {
                reasons.push(';');
            }
            reasons.push_str(reason.key());
        }
        let windows = plan.windows_of(section).join(";");
        let whole_m2 = section.shape.unsigned_area();
        for shape in &section.shape {
            let share = if section.shape.0.len() == 1 {
                1.0
            } else {
                shape.unsigned_area() / whole_m2
            };
            let shared = |value: Option<f64>| Value::Maybe(value.map(|value| value * share));
            let mut values = vec![
                id,
                part,
                strip_no,
                piece,
                Value::Whole(section.section_no),
                Value::Text(section.shift_class.key()),
                Value::Text(&reasons),
                area_ha(shape),
                shared(section.hours),
                shared(section.trees),
                shared(section.volume_m3),
                Value::Maybe(section.skid_m),
                shared(section.skid_hours),
                shared(plan.utilisation.scheduled(section.hours)),
                shared(plan.utilisation.scheduled_skidding(section.skid_hours)),
            ];
            values.extend(treated_values(section.treated, share));
            values.extend([
                Value::Maybe(section.tree_height_m),
                Value::Text(section.open.written()),
                Value::Text(&windows),
            ]);
            package.row(
                SECTIONS,
                Some(&wkb::write_polygon(
                    &plan.frame.leave_polygon(shape),
                    [0.0; 2],
                )),
                &values,
            )?;
        }
    }
    Ok(())
}
