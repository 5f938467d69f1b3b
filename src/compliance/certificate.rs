//! The certificate of what a block gives out to be cut and driven: proved, of every point, to keep its distance from
//! each feature and to lie inside the block; and the areas balance. Rows of the summary say how each rule came out; this
//! says whether a plan may be given out at all.

use geo::{LineString, Polygon};

use super::Judge;
use super::areas::BALANCE_M2;
use crate::geometry::area::Bounds;
use crate::geometry::distance::{Segment, polygon_segments};
use crate::geometry::proof::{Breach, FeatureGround, Kept, Measured, TOLERANCE_M};
use crate::landbase::{NearFeature, Slope};
use crate::model::*;
use crate::rulebook::Widths;

/// What is to spare is looked for up to here.
const LOOK_BEYOND_M: f64 = 5.0;

/// What is given out.
struct GivenOut<'p> {
    /// Strips, sections and parts.
    cut: Measured<'p>,
    /// Strip lines and the ways between them.
    driven: Measured<'p>,
}

/// One feature, and what is asked of it.
struct Pair<'n> {
    near: &'n NearFeature<'n>,
    measured: &'n Measured<'n>,
    what: &'static str,
    width: fn(Widths) -> f64,
    /// Its line keeps at least this far, whatever the width.
    barrier_m: f64,
    /// Whether its own ground is kept too, where it has any.
    itself: bool,
}

impl Judge<'_> {
    /// Proves what can be proved; the first fault ends it.
    pub(super) fn certificate(&self) -> Certificate {
        let mut certificate = Certificate::default();
        certificate.fault = self.prove(&mut certificate).err();
        certificate
    }

    fn prove(&self, certificate: &mut Certificate) -> Result<(), CutFault> {
        let plan = self.plan;
        let strips = plan.strips.iter().map(|strip| &strip.shape);
        let sections = plan.sections.iter().flat_map(|section| &section.shape.0);
        let parts = plan.parts.iter().flat_map(|part| &part.shape.0);
        let lines = plan.lines.iter().map(|line| &line.shape);
        // As the files hold it: rounded, with its corners, straight in the work CRS.
        let frame = &plan.frame;
        let cut: Vec<Polygon> = (strips.chain(sections).chain(parts))
            .map(|shape| frame.polygon_as_written(shape))
            .collect();
        let driven: Vec<LineString> = (lines.chain(&self.ways))
            .map(|shape| frame.line_as_written(shape))
            .collect();
        let given = GivenOut {
            cut: Measured::areas(cut.iter()),
            driven: Measured::lines(driven.iter()),
        };
        if !(given.cut.is_finite() && given.driven.is_finite()) {
            return Err(CutFault::NoNumber);
        }
        given
            .cut
            .stay_in(&plan.shape)
            .map_err(|breach| CutFault::OutsideBlock {
                place: self.place(breach),
            })?;
        for near in self.near {
            for pair in pairs(near, &given) {
                self.prove_pair(&pair, certificate)?;
            }
        }
        self.prove_patches(&given)?;
        self.prove_edge(&given.cut)?;
        let rest_m2 = self.rest_m2().abs();
        let books = &plan.books;
        let reserved_m2 = (books.gross_m2 - books.net_m2 - books.reserve_m2).abs();
        let worst_m2 = rest_m2.max(reserved_m2);
        // No number is no balance either.
        if worst_m2.is_nan() || worst_m2 > BALANCE_M2 {
            return Err(CutFault::Unbalanced { rest_m2: worst_m2 });
        }
        Ok(())
    }

    /// Nothing is cut in a patch, and nothing drives through it.
    fn prove_patches(&self, given: &GivenOut) -> Result<(), CutFault> {
        let patches = self.plan.zones.iter().filter(|zone| zone.is_patch());
        for zone in patches {
            let as_written = |shape| self.plan.frame.polygon_as_written(shape);
            let shapes: Vec<Polygon> = zone.shape.0.iter().map(as_written).collect();
            let edges: Vec<Kept> = (shapes.iter().flat_map(polygon_segments))
                .map(|s| Kept {
                    a: s.a,
                    b: s.b,
                    distance_m: 0.0,
                })
                .collect();
            for (measured, what) in [(&given.cut, "cut"), (&given.driven, "driven")] {
                if measured.bounds.is_empty() {
                    continue;
                }
                let ground = FeatureGround::near(&measured.bounds, &shapes);
                let proved = measured.keep_from(&edges, Some(&ground), LOOK_BEYOND_M);
                proved.map_err(|breach| CutFault::On {
                    what: what.to_owned(),
                    layer: "retained".to_owned(),
                    feature_id: zone.source_id.clone(),
                    place: self.place(breach),
                })?;
            }
        }
        Ok(())
    }

    fn prove_pair(&self, pair: &Pair, certificate: &mut Certificate) -> Result<(), CutFault> {
        let (near, measured) = (pair.near, pair.measured);
        let half_m = near.demand.half_m;
        let most_m = half_m + (pair.width)(near.demand.widest());
        let most_m = most_m.max(pair.barrier_m);
        let window = measured.bounds.grown(most_m + LOOK_BEYOND_M);
        if measured.bounds.is_empty() || !near.source.bounds().meets(&window) {
            return Ok(());
        }
        let ground = self.ground(near);
        let kept = self.kept(pair, ground.as_deref().unwrap_or_default(), &window);
        // Ground under a hazard is kept only where all of its edge asks for something.
        let itself = pair.itself || kept.iter().all(|edge| edge.distance_m > TOLERANCE_M);
        let ground = ground
            .filter(|_| itself)
            .map(|polygons| FeatureGround::near(&measured.bounds, &polygons));
        let proved = measured.keep_from(&kept, ground.as_ref(), LOOK_BEYOND_M);
        let spare_m = proved.map_err(|breach| self.fault(pair, breach))?;
        certificate.pairs += 1;
        let held = certificate.margin_m;
        certificate.margin_m = held.into_iter().chain(spare_m).reduce(f64::min);
        Ok(())
    }

    /// The polygons of a feature as read: those that the layout used were cut down to what is near by an overlay.
    fn ground(&self, near: &NearFeature) -> Option<Vec<Polygon>> {
        let Shape::Polygons(polygons) = &near.feature.shape else {
            return None;
        };
        Some(self.plan.frame.enter_polygons(polygons).0)
    }

    /// The edge of a feature in a window, each stretch with its distance from the edge as drawn.
    fn kept(&self, pair: &Pair, ground: &[Polygon], window: &Bounds) -> Vec<Kept> {
        let near = pair.near;
        let mut segments: Vec<Segment> = if ground.is_empty() {
            near.source.segments(0)
        } else {
            ground
                .iter()
                .filter(|polygon| Bounds::of(&polygon.exterior().0).meets(window))
                .flat_map(polygon_segments)
                .collect()
        };
        segments.retain(|s| Bounds::of(&[s.a, s.b]).meets(window));
        let half_m = near.demand.half_m;
        let kept = |a, b, width_m: f64| Kept {
            a,
            b,
            distance_m: if width_m > 0.0 || pair.itself {
                (half_m + width_m).max(pair.barrier_m)
            } else {
                0.0
            },
        };
        match near.demand.rule {
            Some(rule) if rule.follows_slope() => {
                let runs = segments.iter().flat_map(|s| self.slopes.along(s.a, s.b));
                let width_m = |slope: Slope| (pair.width)(near.demand.own(slope.widths(rule)));
                runs.map(|run| kept(run.a, run.b, width_m(run.slope)))
                    .collect()
            }
            _ => {
                let width_m = (pair.width)(near.demand.widest());
                segments.iter().map(|s| kept(s.a, s.b, width_m)).collect()
            }
        }
    }

    pub(super) fn place(&self, breach: Breach) -> [f64; 2] {
        let (Breach::Near { place, .. } | Breach::Covers { place } | Breach::Trespass { place }) =
            breach;
        self.plan.frame.leave(place).into()
    }

    fn fault(&self, pair: &Pair, breach: Breach) -> CutFault {
        let feature = pair.near.feature;
        let place = self.place(breach);
        let (layer, feature_id) = (feature.source_layer.clone(), feature.id.clone());
        let what = pair.what.to_owned();
        match breach {
            Breach::Near {
                measured_m,
                required_m,
                ..
            } => CutFault::TooNear {
                what,
                layer,
                feature_id,
                measured_m,
                required_m,
                place,
            },
            Breach::Covers { .. } | Breach::Trespass { .. } => CutFault::On {
                what,
                layer,
                feature_id,
                place,
            },
        }
    }
}

/// What is to be proved of a feature.
fn pairs<'n>(near: &'n NearFeature<'n>, given: &'n GivenOut<'n>) -> Vec<Pair<'n>> {
    let hazard = near.feature.kind == LayerKind::Hazards;
    if !near.keeps_out() && !hazard {
        return vec![];
    }
    let asks = |width: fn(Widths) -> f64| width(near.demand.widest()) > 0.0;
    let pair = |measured, what, width, itself| Pair {
        near,
        measured,
        what,
        width,
        barrier_m: if itself { near.demand.barrier_m } else { 0.0 },
        itself,
    };
    let mut pairs = vec![];
    let reserve: fn(Widths) -> f64 = |widths| widths.reserve_m;
    if near.keeps_out() || asks(reserve) {
        pairs.push(pair(&given.cut, "cut", reserve, near.keeps_out()));
        pairs.push(pair(&given.driven, "driven", reserve, near.keeps_out()));
    }
    let exclusion: fn(Widths) -> f64 = |widths| widths.machine_exclusion_m;
    if asks(exclusion) {
        pairs.push(pair(&given.driven, "driven", exclusion, false));
    }
    pairs
}
