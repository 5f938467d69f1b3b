//! What maps of a finished layout's blocks show beyond zones and sections: lines that are driven, what stays, outlets, decks, wires.

use geo::{Coord, LineString, Polygon};
use serde_json::Value;

use super::features::{RawGeometry, raw_geometry};
use super::finished::{Faults, FinishedBlock, FinishedError, Package, Row};
use crate::geometry::wkb::Parts;
use crate::model::{Emergency, GroundFrame, Paper};

/// In the block's frame; empty where a layout of an earlier version does not say it.
#[derive(Clone, Debug, Default)]
pub struct FinishedMap {
    /// In the order of work, each in the direction of travel.
    pub lines: Vec<FinishedLine>,
    /// Corridors, bands and patches that stay.
    pub standing: Vec<Polygon>,
    /// Cut before the layout.
    pub felled: Vec<Polygon>,
    /// Edges along which wood is decked.
    pub fronts: Vec<LineString>,
    /// Landings, and ends of crossings.
    pub landings: Vec<Coord>,
    pub decks: Vec<Coord>,
    pub wires: Vec<FinishedWire>,
    /// Where other people pass within falling trees, as somebody says.
    pub people: Vec<LineString>,
}

#[derive(Clone, Debug)]
pub struct FinishedLine {
    pub part: u32,
    pub strip_no: u32,
    pub piece: u32,
    pub order: u32,
    /// Driven around or along, not in or out.
    pub around: bool,
    pub shape: LineString,
}

/// A power line.
#[derive(Clone, Debug)]
pub struct FinishedWire {
    pub id: String,
    /// Nothing may come nearer, m.
    pub limit_m: Option<f64>,
    pub lines: Vec<LineString>,
}

/// What a layout says of its sheets.
#[derive(Clone, Debug, Default)]
pub struct FinishedPaper {
    pub paper: Paper,
    /// Of the project; a block may have a muster point of its own, which its operator sheet names.
    pub emergency: Emergency,
}

impl FinishedPaper {
    /// From the settings of a run report.
    pub(super) fn of(settings: &Value) -> FinishedPaper {
        let outputs = &settings["outputs"];
        let paper = outputs["paper"].as_str().and_then(Paper::from_key);
        let text = |key: &str| settings["emergency"][key].as_str().map(str::to_owned);
        FinishedPaper {
            paper: paper.unwrap_or_default(),
            emergency: Emergency {
                phone: text("phone"),
                radio: text("radio"),
                muster_point: text("muster_point"),
                access: text("access"),
            },
        }
    }
}

fn line_of(frame: &GroundFrame, line: &LineString) -> LineString {
    LineString(
        (line.0.iter())
            .map(|&c| frame.enter(frame.read(c)))
            .collect(),
    )
}

fn polygons_of(frame: &GroundFrame, parts: &Parts) -> Vec<Polygon> {
    let rings = |polygon: &Polygon| {
        Polygon::new(
            line_of(frame, polygon.exterior()),
            (polygon.interiors().iter())
                .map(|ring| line_of(frame, ring))
                .collect(),
        )
    };
    parts.polygons.iter().map(rings).collect()
}

impl Row<'_, '_> {
    pub fn parts(&self) -> Result<Parts, String> {
        let mut buffer = Vec::new();
        match raw_geometry(self.feature, &mut buffer) {
            RawGeometry::Parts { parts, .. } => Ok(parts),
            RawGeometry::Null | RawGeometry::Empty => Ok(Parts::default()),
            RawGeometry::Unreadable(why) => Err(why),
            RawGeometry::TooLong(count) => Err(format!("its geometry has {count} vertices")),
        }
    }
}

/// Reads the layers that there are.
///
/// # Errors
/// A layer that cannot be read to its end. A row that is unsound spoils its block.
pub(super) fn read(
    package: &Package<'_>,
    of: &dyn Fn(&str) -> Option<usize>,
    blocks: &mut [FinishedBlock],
    faults: &mut Faults,
) -> Result<(), FinishedError> {
    package.each("strip_lines", &["heading"], faults, |id, row| {
        let Some(block) = of(id).map(|at| &mut blocks[at]) else {
            return Ok(());
        };
        let [part, strip_no, piece] = row.piece()?;
        let order = row.whole("order")?;
        let around = row.text("heading")? == "around";
        for line in row.parts()?.lines {
            let shape = line_of(&block.frame, &line);
            block.map.lines.push(FinishedLine {
                part,
                strip_no,
                piece,
                order,
                around,
                shape,
            });
        }
        Ok(())
    })?;
    for block in blocks.iter_mut() {
        block.map.lines.sort_by_key(|line| line.order);
    }
    let there = |name: &str| package.dataset.layer_by_name(name).is_ok();
    if there("retained") {
        package.each("retained", &["kind"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at]) {
                let shapes = polygons_of(&block.frame, &row.parts()?);
                block.map.standing.extend(shapes);
            }
            Ok(())
        })?;
    }
    if there("unworked") {
        package.each("unworked", &["reason"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at])
                && row.text("reason")? == "cut_before"
            {
                let shapes = polygons_of(&block.frame, &row.parts()?);
                block.map.felled.extend(shapes);
            }
            Ok(())
        })?;
    }
    if there("outlets") {
        package.each("outlets", &["outlet"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at]) {
                if let Some(capacity_m3) = row.maybe("capacity_m3")? {
                    block.capacities.insert(row.text("outlet")?, capacity_m3);
                }
                let parts = row.parts()?;
                let frame = &block.frame;
                let fronts = parts.lines.iter().map(|line| line_of(frame, line));
                block.map.fronts.extend(fronts);
                let at = (parts.points.iter()).map(|point| frame.enter(frame.read(point.0)));
                block.map.landings.extend(at);
            }
            Ok(())
        })?;
    }
    if there("decks") {
        package.each("decks", &["outlet"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at]) {
                let (parts, frame) = (row.parts()?, &block.frame);
                let at = (parts.points.iter()).map(|point| frame.enter(frame.read(point.0)));
                block.map.decks.extend(at);
            }
            Ok(())
        })?;
    }
    if there("power_lines") {
        package.each("power_lines", &["line_id", "limit_m"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at]) {
                let parts = row.parts()?;
                let lines = parts.lines.iter().map(|line| line_of(&block.frame, line));
                block.map.wires.push(FinishedWire {
                    id: row.text("line_id")?,
                    limit_m: row.maybe("limit_m")?,
                    lines: lines.collect(),
                });
            }
            Ok(())
        })?;
    }
    if there("people") {
        package.each("people", &["said"], faults, |id, row| {
            if let Some(block) = of(id).map(|at| &mut blocks[at])
                && row.whole("said")? == 1
            {
                let parts = row.parts()?;
                let lines = parts.lines.iter().map(|line| line_of(&block.frame, line));
                block.map.people.extend(lines);
            }
            Ok(())
        })?;
    }
    Ok(())
}
