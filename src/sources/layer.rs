//! One layer of one source as it is: features, attributes and extent, nothing transformed yet.

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::vector::LayerAccess;

use super::attributes::{Measure, Number, Schema};
use super::crs::{self, Transform};
use super::errors::{Bounds, SourceError};
use super::features::{RawGeometry, raw_geometry};
use super::open::{self, forget_failures, last_failure, last_failure_in};
use crate::model::{Fact, Problem, ProblemCode};
use crate::project::LayerSource;
use crate::units::LengthUnit;

/// A feature as read.
pub(super) struct RawFeature {
    /// `fid N`.
    pub fid: String,
    pub id: Option<String>,
    pub class: Option<String>,
    pub width: Number,
    pub azimuth: Number,
    pub stems_per_ha: Number,
    pub tree_m3: Number,
    /// As written; units are looked at where the rules are known.
    pub facts: Vec<(String, Fact)>,
    pub fringe: Number,
    pub slope: Number,
    pub portfolio: Option<String>,
    pub geometry: RawGeometry,
}

/// A layer as read, in file order.
pub(super) struct RawLayer<'a> {
    pub source: &'a LayerSource,
    /// `file:layer`.
    pub label: String,
    pub driver: String,
    pub crs: Option<SpatialRef>,
    pub bounds: Option<Bounds>,
    pub has_id: bool,
    pub features: Vec<RawFeature>,
}

/// Opens a source and reads every feature that passes its filter.
pub(super) fn read(source: &LayerSource, unit: LengthUnit) -> Result<RawLayer<'_>, SourceError> {
    let dataset = open::open(source)?;
    let mut layer = open::layer(&dataset, source)?;
    let label = format!("{}:{}", source.source, layer.name());
    let role = source.kind.key();
    // An empty GeoJSON layer has no attributes either, and that is not what is wrong with it.
    let schema = if layer.defn().fields().next().is_none() && layer.feature_count() == 0 {
        Schema::default()
    } else {
        Schema::resolve(&layer, &label, source, unit)?
    };
    forget_failures();
    let bad_filter = |filter: &str, message: String| SourceError::BadFilter {
        layer: label.clone(),
        role,
        filter: filter.to_owned(),
        message,
    };
    if let Some(filter) = &source.filter {
        layer
            .set_attribute_filter(filter)
            .map_err(|e| bad_filter(filter, last_failure().unwrap_or_else(|| e.to_string())))?;
    }
    let mut features = Vec::new();
    let mut buffer = Vec::new();
    let mut bounds: Option<Bounds> = None;
    for (number, feature) in layer.features().enumerate() {
        let geometry = raw_geometry(&feature, &mut buffer);
        for c in geometry.coords() {
            let b = bounds.get_or_insert(Bounds {
                min: [c.x, c.y],
                max: [c.x, c.y],
            });
            b.min = [b.min[0].min(c.x), b.min[1].min(c.y)];
            b.max = [b.max[0].max(c.x), b.max[1].max(c.y)];
        }
        features.push(RawFeature {
            fid: format!("fid {}", feature.fid().unwrap_or(number as u64)),
            id: schema.id.text(&feature),
            class: schema.class.text(&feature),
            width: schema.width.number(&feature, Measure::Length(unit)),
            azimuth: schema.azimuth.number(&feature, Measure::Angle),
            stems_per_ha: schema.stems_per_ha.number(&feature, Measure::Amount),
            tree_m3: schema.tree_m3.number(&feature, Measure::Amount),
            facts: schema
                .facts
                .iter()
                .filter_map(|(name, columns)| Some((name.clone(), columns.fact(&feature)?)))
                .collect(),
            fringe: schema.fringe.number(&feature, Measure::Length(unit)),
            slope: schema.slope.slope(&feature, source),
            portfolio: schema.portfolio.text(&feature),
            geometry,
        });
    }
    if let Some(message) = last_failure_in(source) {
        // Some drivers try a filter only now; and a damaged file may end the reading early. A complaint about a single
        // feature, on the other hand, leaves the count whole.
        let count = features.len() as u64;
        match &source.filter {
            Some(filter) if count == 0 => return Err(bad_filter(filter, message)),
            _ if count < layer.feature_count() => {
                return Err(SourceError::ReadingStopped {
                    layer: label,
                    role,
                    features: count,
                    message,
                });
            }
            _ => {}
        }
    }
    let mut found = layer.spatial_ref().filter(|crs| !crs::says_nothing(crs));
    if let Some(crs) = &mut found {
        crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    }
    Ok(RawLayer {
        source,
        driver: dataset.driver().short_name(),
        crs: found,
        bounds,
        has_id: schema.id.is_given(),
        features,
        label,
    })
}

impl RawLayer<'_> {
    fn role(&self) -> &'static str {
        self.source.kind.key()
    }

    /// The CRS of the coordinates: as the project file says, else as the layer says, else that of the project, with a
    /// note. None for a layer that has neither CRS nor coordinates.
    pub(super) fn crs(
        &self,
        project_crs: Option<&str>,
    ) -> Result<Option<(SpatialRef, Option<Problem>)>, SourceError> {
        let (layer, role) = (self.label.clone(), self.role());
        if let Some(text) = &self.source.crs {
            let crs = crs::parse_crs(text, &format!("{layer} ({role})"))?;
            return self.plausible(crs).map(|crs| Some((crs, None)));
        }
        if let Some(crs) = &self.crs {
            return self.plausible(crs.clone()).map(|crs| Some((crs, None)));
        }
        let Some(bounds) = self.bounds else {
            return Ok(None);
        };
        if bounds.look_like_degrees() {
            return Err(SourceError::DegreesWithoutCrs {
                layer,
                role,
                bounds,
            });
        }
        let Some(text) = project_crs else {
            return Err(SourceError::NoCrs {
                layer,
                role,
                bounds,
            });
        };
        let note = Problem {
            code: ProblemCode::AssumedCrs,
            layer: layer.clone(),
            feature_id: "-".to_owned(),
            place: None,
            message: format!(
                "the layer names no CRS; its coordinates are taken for {text}, the CRS of the project"
            ),
            remedy: format!("set `crs` under [layers.{role}]"),
            shape: None,
            set_aside: false,
        };
        Ok(Some((crs::parse_crs(text, "[project]")?, Some(note))))
    }

    /// The way from `from` to `to`.
    pub(super) fn transform(
        &self,
        from: &SpatialRef,
        to: &SpatialRef,
        to_label: &str,
    ) -> Result<Transform, SourceError> {
        Transform::new(from, to).map_err(|message| SourceError::NoTransform {
            layer: self.label.clone(),
            role: self.role(),
            from: crs::label(from),
            to: to_label.to_owned(),
            message,
        })
    }

    /// A GeoJSON file without a CRS is taken for degrees by its standard, whatever it holds.
    fn plausible(&self, crs: SpatialRef) -> Result<SpatialRef, SourceError> {
        match self.bounds {
            Some(bounds)
                if crs.is_geographic()
                    && (bounds.min[0] > 360.0
                        || bounds.max[0] < -360.0
                        || bounds.min[1] > 90.0
                        || bounds.max[1] < -90.0) =>
            {
                Err(SourceError::NotDegrees {
                    layer: self.label.clone(),
                    role: self.role(),
                    crs: crs::label(&crs),
                    bounds,
                })
            }
            _ => Ok(crs),
        }
    }
}
