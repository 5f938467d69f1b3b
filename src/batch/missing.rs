//! What of the input says less than it seems to: keep-out features that were set aside have no zone, and layers whose CRS
//! was assumed may lie anywhere. Blocks must say so, or the gap would pass unseen.

use std::collections::BTreeMap;

use geo::{Coord, Geometry, Point};

use crate::audit::{self, Judged};
use crate::geometry::area::Bounds;
use crate::landbase::Landbase;
use crate::model::*;
use crate::rulebook::Origin;
use crate::sources::Batch;

/// Set-aside features that might have asked for a distance.
pub struct Missing {
    features: Vec<Feature>,
    /// Layers whose place was assumed.
    assumed: Vec<Assumed>,
}

struct Assumed {
    layer: String,
    message: String,
}

struct Feature {
    bounds: Bounds,
    within_m: f64,
    layer: String,
    id: String,
    reason: ProblemCode,
}

/// Distance looked at when no sound feature of the kind tells how wide its rules are.
const LEAST_M: f64 = 100.0;

impl Missing {
    pub fn new(batch: &Batch, landbase: &Landbase) -> Missing {
        let roles: BTreeMap<&str, LayerKind> = batch
            .layers
            .iter()
            .filter_map(|layer| {
                Some((
                    layer.source_layer.as_str(),
                    LayerKind::from_key(layer.role)?,
                ))
            })
            .collect();
        let features = batch
            .problems
            .iter()
            .filter(|problem| problem.set_aside)
            .filter_map(|problem| {
                let kind = *roles.get(problem.layer.as_str())?;
                let keeps_out = matches!(
                    kind,
                    LayerKind::Streams
                        | LayerKind::Lakes
                        | LayerKind::Wetlands
                        | LayerKind::Protected
                        | LayerKind::Retain
                        | LayerKind::Roads
                        | LayerKind::Hazards
                        | LayerKind::PowerLines
                );
                let bounds = bounds(problem.shape.as_ref()?);
                (keeps_out && !bounds.is_empty()).then(|| Feature {
                    bounds,
                    within_m: landbase.widest_m(kind).max(LEAST_M),
                    layer: problem.layer.clone(),
                    id: problem.feature_id.clone(),
                    reason: problem.code,
                })
            });
        Missing {
            features: features.collect(),
            assumed: assumed(&batch.problems),
        }
    }

    /// Adds an `unknown` row and a finding for each such feature near a block, and for each such layer.
    pub fn warn(&self, block: &SourceBlock, plan: &mut BlockPlan) {
        for (row, finding) in self.assumed.iter().map(Assumed::told) {
            plan.findings.push(finding);
            plan.compliance.push(row);
            plan.status = plan.status.max(BlockStatus::Warn);
        }
        let frame = &block.frame;
        let here = Bounds::of_polygons(&block.shape).entering(frame);
        for feature in &self.features {
            let there = feature.bounds.entering(frame);
            if !here.grown(feature.within_m).meets(&there) {
                continue;
            }
            let rule = RuleId::SetAsideFeature;
            let title = format!(
                "{}, feature {} near this block was set aside ({}): no zone was drawn for it",
                feature.layer, feature.id, feature.reason
            );
            plan.findings.push(Finding {
                rule_id: rule.key().to_owned(),
                verdict: Verdict::Unknown,
                measured: None,
                required: None,
                unit: "m",
                message: title.clone(),
                source: "set_aside.csv".to_owned(),
                shape: Some(Geometry::Point(Point(there.middle()))),
            });
            let named = rule.named().titled(title);
            plan.compliance.push(Origin::from("set_aside.csv").row(
                named,
                (None, None),
                Verdict::Unknown,
            ));
            plan.status = plan.status.max(BlockStatus::Warn);
        }
    }
}

impl Assumed {
    fn told(&self) -> (ComplianceRow, Finding) {
        let rule = RuleId::AssumedCrs;
        let title = format!("{}: {}", self.layer, self.message);
        let finding = Finding {
            rule_id: rule.key().to_owned(),
            verdict: Verdict::Unknown,
            measured: None,
            required: None,
            unit: "",
            message: title.clone(),
            source: "set_aside.csv".to_owned(),
            shape: None,
        };
        let named = rule.named().titled(title);
        let row = Origin::from("set_aside.csv").row(named, (None, None), Verdict::Unknown);
        (row, finding)
    }
}

fn assumed(problems: &[Problem]) -> Vec<Assumed> {
    let assumed = problems
        .iter()
        .filter(|problem| problem.code == ProblemCode::AssumedCrs);
    assumed
        .map(|problem| Assumed {
            layer: problem.layer.clone(),
            message: problem.message.clone(),
        })
        .collect()
}

/// The rows of an audited block for layers, those of the cut included, whose place was assumed.
pub fn assumed_rows(problems: &[Problem]) -> Vec<Judged> {
    let layers = assumed(problems).into_iter();
    layers
        .map(|Assumed { layer, message }| audit::assumed_crs_row(&layer, &message))
        .collect()
}

/// Box of the finite coordinates.
fn bounds(shape: &Shape) -> Bounds {
    let finite = |c: &&Coord| c.x.is_finite() && c.y.is_finite();
    match shape {
        Shape::Points(points) => Bounds::of(points.0.iter().map(|point| &point.0).filter(finite)),
        Shape::Lines(lines) => Bounds::of(lines.0.iter().flat_map(|line| &line.0).filter(finite)),
        Shape::Polygons(polygons) => Bounds::of(
            polygons
                .0
                .iter()
                .flat_map(|polygon| &polygon.exterior().0)
                .filter(finite),
        ),
    }
}
