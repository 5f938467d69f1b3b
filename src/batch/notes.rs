//! Notes of the field in the blocks that they have to do with: findings, rows, and what maps and tables show.

use geo::{Geometry, MultiPoint, MultiPolygon, Point};

use crate::geometry::area::Bounds;
use crate::geometry::sound::sound_geometry;
use crate::landbase::{Landbase, SHOWN_BEYOND_M};
use crate::model::*;
use crate::rulebook::Origin;
use crate::sources::Batch;
use crate::units::hectares;

const SOURCE: &str = "field note";

/// Notes of which nobody knows what they ask for are told this far around, as features that were set aside are.
const UNKNOWN_M: f64 = 100.0;

/// Where a note lies in the plane, and how far what it asks for may reach.
struct Place {
    bounds: Bounds,
    reach_m: f64,
}

pub struct Notes<'b> {
    notes: &'b [FieldNote],
    places: Vec<Place>,
}

impl<'b> Notes<'b> {
    pub fn new(batch: &'b Batch, landbase: &Landbase<'_>) -> Notes<'b> {
        let place = |note: &FieldNote| match note.feature {
            Some(at) => Place {
                bounds: bounds(&batch.features[at].shape),
                reach_m: landbase.reach_m(at) + SHOWN_BEYOND_M,
            },
            None => Place {
                bounds: bounds(&note.shape),
                reach_m: UNKNOWN_M,
            },
        };
        Notes {
            notes: &batch.notes,
            places: batch.notes.iter().map(place).collect(),
        }
    }

    /// The notes that may change anything of a block.
    fn of(&self, block: &SourceBlock) -> impl Iterator<Item = &'b FieldNote> {
        let here = Bounds::of_polygons(&block.shape).entering(&block.frame);
        let concerned = move |(note, place): &(&'b FieldNote, &Place)| {
            if note.edges.is_empty() {
                let there = place.bounds.entering(&block.frame);
                return here.grown(place.reach_m).meets(&there);
            }
            note.edges.iter().any(|edge| edge.block == block.id)
        };
        let notes = self.notes.iter().zip(&self.places);
        let found: Vec<&FieldNote> = notes.filter(concerned).map(|(note, _)| note).collect();
        found.into_iter()
    }

    /// Adds what is said of the notes of a block.
    pub fn tell(&self, block: &SourceBlock, plan: &mut BlockPlan) {
        let mut findings = Vec::new();
        for note in self.of(block) {
            let came_later =
                plan.keeps_names && block.came_later.has_note(&note.source_layer, &note.id);
            plan.notes.push(PlanNote {
                came_later,
                ..in_plan(note, &plan.frame)
            });
            let finding = finding(note, plan);
            if matches!(note.fate, NoteFate::Unknown | NoteFate::Refused) {
                let named = Named {
                    id: finding.rule_id.clone(),
                    title: finding.message.clone(),
                    unit: "",
                };
                let row = Origin::from(SOURCE).row(named, (None, None), Verdict::Unknown);
                plan.compliance.push(row);
            }
            if finding.verdict == Verdict::Warn || note.fate != NoteFate::Used {
                let listed = note.fate == NoteFate::Listed;
                let doubt = if listed {
                    BlockStatus::Ok
                } else {
                    BlockStatus::Warn
                };
                plan.status = plan.status.max(doubt);
            }
            findings.push(finding);
        }
        // What the crew itself has seen comes first: sheets have room for a few findings only.
        plan.findings.splice(0..0, findings);
    }

    /// Notes that have to do with no block, in the plane.
    pub fn elsewhere(&self, reports: &[NoteReport], plane: &GroundFrame) -> Vec<PlanNote> {
        let notes = self.notes.iter().zip(reports);
        notes
            .filter(|(_, report)| report.blocks.is_empty())
            .map(|(note, _)| in_plan(note, plane))
            .collect()
    }

    /// All notes, with the blocks that each has to do with.
    pub fn reports(&self, blocks: &[SourceBlock]) -> Vec<NoteReport> {
        let mut of: Vec<Vec<String>> = vec![vec![]; self.notes.len()];
        for block in blocks.iter().filter(|_| !self.notes.is_empty()) {
            for note in self.of(block) {
                let at = self.notes.iter().position(|own| std::ptr::eq(own, note));
                of[at.unwrap_or_default()].push(block.id.clone());
            }
        }
        let report = |(note, blocks): (&FieldNote, Vec<String>)| NoteReport {
            id: note.id.clone(),
            kind: note.kind.clone(),
            layer: note.role.map_or("", NoteRole::key),
            source: note.source_layer.clone(),
            radius_m: note.radius_m,
            accuracy_m: note.accuracy_m,
            date: note.date.clone(),
            fate: note.fate.key(),
            message: note.message.clone(),
            blocks,
        };
        self.notes.iter().zip(of).map(report).collect()
    }
}

/// A note for each that has to do with no block.
pub fn outside(reports: &[NoteReport], batch: &Batch) -> Vec<Problem> {
    let outside = reports
        .iter()
        .zip(&batch.notes)
        .filter(|(report, _)| report.blocks.is_empty());
    let told = outside.map(|(report, note)| Problem {
        code: ProblemCode::OutsideBlocks,
        layer: report.source.clone(),
        feature_id: report.id.clone(),
        place: {
            let at = bounds(&note.shape).middle();
            Some([at.x / batch.unit_m, at.y / batch.unit_m])
        },
        message: format!("the note, `{}`, has to do with no block", report.kind),
        remedy: "look whether its block is in the blocks layer, and whether the note is of this district".to_owned(),
        shape: Some(note.shape.clone()),
        set_aside: false,
    });
    told.collect()
}

fn bounds(shape: &Shape) -> Bounds {
    match shape {
        Shape::Points(points) => Bounds::of(points.0.iter().map(|point| &point.0)),
        Shape::Lines(lines) => Bounds::of(lines.0.iter().flat_map(|line| &line.0)),
        Shape::Polygons(polygons) => Bounds::of_polygons(polygons),
    }
}

fn in_frame(shape: &Shape, frame: &GroundFrame) -> Geometry {
    match shape {
        Shape::Points(points) => match &points.0[..] {
            [only] => Geometry::Point(Point(frame.enter(only.0))),
            all => {
                let entered = all.iter().map(|point| Point(frame.enter(point.0)));
                Geometry::MultiPoint(MultiPoint(entered.collect()))
            }
        },
        Shape::Lines(lines) => Geometry::MultiLineString(frame.enter_lines(lines)),
        Shape::Polygons(polygons) => Geometry::MultiPolygon(frame.enter_polygons(polygons)),
    }
}

fn in_plan(note: &FieldNote, frame: &GroundFrame) -> PlanNote {
    PlanNote {
        id: note.id.clone(),
        kind: note.kind.clone(),
        layer: note.role.map_or("", NoteRole::key),
        source_layer: note.source_layer.clone(),
        radius_m: note.radius_m,
        accuracy_m: note.accuracy_m,
        date: note.date.clone(),
        fate: note.fate,
        message: note.message.clone(),
        came_later: false,
        shape: in_frame(&note.shape, frame),
    }
}

fn finding(note: &FieldNote, plan: &BlockPlan) -> Finding {
    let edge = note.edges.iter().find(|edge| edge.block == plan.id);
    let moves =
        edge.filter(|_| matches!(note.role, Some(NoteRole::BlockCorner | NoteRole::BlockLine)));
    let unsure = note.accuracy_m.is_none() && note.role.is_some_and(NoteRole::keeps_out);
    let (rule_id, verdict) = match (note.fate, moves) {
        (NoteFate::Unknown, _) => (RuleId::UnknownNote.key(), Verdict::Unknown),
        (NoteFate::Refused, _) => (RuleId::RefusedNote.key(), Verdict::Unknown),
        (NoteFate::Listed, _) => ("field-note", Verdict::NotApplicable),
        (NoteFate::Used, Some(_)) => (RuleId::BlockEdge.key(), Verdict::Warn),
        (NoteFate::Used, None) if unsure => ("field-note", Verdict::Unknown),
        (NoteFate::Used, None) => ("field-note", Verdict::NotApplicable),
    };
    let date = note.date.as_ref().map(|date| format!(" of {date}"));
    let unsure = match unsure && note.fate == NoteFate::Used {
        true => "; how far off it may be is not known",
        false => "",
    };
    let message = format!(
        "{} `{}`{}: {}{unsure}",
        match note.kind.is_empty() {
            true => "note",
            false => &note.kind,
        },
        note.id,
        date.unwrap_or_default(),
        note.message
    );
    let (measured, unit) = match (edge, note.radius_m > 0.0) {
        (Some(edge), _) => (Some(hectares(edge.lost_m2)), "ha"),
        (None, true) => (Some(note.radius_m), "m"),
        (None, false) => (None, ""),
    };
    let changed = edge.map(|edge| plan.frame.enter_polygons(&edge.shape));
    let shape = changed
        .filter(|shape: &MultiPolygon| !shape.0.is_empty())
        .and_then(|shape| sound_geometry(Geometry::MultiPolygon(shape), &plan.frame))
        .or_else(|| Some(in_frame(&note.shape, &plan.frame)));
    Finding {
        rule_id: rule_id.to_owned(),
        verdict,
        measured,
        required: None,
        unit,
        message,
        source: note.source_layer.clone(),
        shape,
    }
}
