//! One layer of one source as it is: features, attributes and extent, nothing transformed yet.

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::vector::{Feature, LayerAccess};
use geo::Coord;

use super::attributes::{Columns, Measure, Number, Schema};
use super::counts::{self, UnsaidTexts};
use super::crs::{self, Transform, WorkCrs};
use super::errors::{Bounds, SourceError};
use super::features::{RawGeometry, raw_geometry};
use super::limits::{NAME_CHARACTERS, Tally};
use super::open::{self, forget_failures, last_failure, last_failure_in};
use super::power_lines::RawLine;
use super::sql;
use crate::model::{Fact, Problem, ProblemCode};
use crate::project::{LayerSource, MOST_CAPACITY_M3, MOST_ORDER, MOST_STEMS_PER_HA, MOST_TREE_M3};
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
    pub outlet: Option<String>,
    pub order: Number,
    pub pattern: Option<String>,
    pub capacity: Number,
    pub machine_free: Number,
    pub tree_height: Number,
    pub accuracy: Number,
    /// Of power lines.
    pub line: RawLine,
    /// Keys of the names that are too long to be used, and how long they are.
    pub too_long: Vec<(&'static str, usize)>,
    pub geometry: RawGeometry,
}

/// What a layer says of itself.
pub(super) struct LayerHead<'a> {
    pub source: &'a LayerSource,
    /// `file:layer`.
    pub label: String,
    pub driver: String,
    pub crs: Option<SpatialRef>,
    /// Of the features that pass the filter; None where there is none, or where the CRS leaves nothing to ask of them.
    pub bounds: Option<Bounds>,
    pub has_id: bool,
    /// Texts that can be read in more than one way.
    pub unsaid: Option<UnsaidTexts>,
}

/// A layer as read, in file order.
pub(super) struct RawLayer<'a> {
    pub head: LayerHead<'a>,
    pub features: Vec<RawFeature>,
}

/// Opens a source and reads every feature that passes its filter.
pub(super) fn read(source: &LayerSource, unit: LengthUnit) -> Result<RawLayer<'_>, SourceError> {
    let mut features = Vec::new();
    let mut bounds: Option<Bounds> = None;
    let head = each(source, unit, Ok, |_, feature| {
        feature
            .geometry
            .coords()
            .for_each(|c| widen(&mut bounds, c));
        features.push(feature);
    })?;
    let head = LayerHead { bounds, ..head };
    Ok(RawLayer { head, features })
}

/// Opens a source and hands on every feature that passes its filter, one by one. `begin` gets what the layer says of
/// itself and makes of it what `on` is handed with each feature.
///
/// Everything is read, whatever part of it is wanted: an index or the box of a feature may be wrong, and a driver that
/// looks a place up in them leaves out what it should not.
pub(super) fn each<'a, T>(
    source: &'a LayerSource,
    unit: LengthUnit,
    begin: impl FnOnce(LayerHead<'a>) -> Result<T, SourceError>,
    mut on: impl FnMut(&mut T, RawFeature),
) -> Result<T, SourceError> {
    let dataset = open::open(source)?;
    let mut layer = open::layer(&dataset, source)?;
    let label = format!("{}:{}", source.source, layer.name());
    let role = source.kind.key();
    if source.filter.is_none() {
        Tally::new(&label, role).claimed(layer.try_feature_count().unwrap_or(0))?;
    }
    let known = counts::known(&dataset, &layer, &source.path, source.encoding.is_some())
        .map_err(|fault| fault.of(&label, role))?;
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
        if let Some(why) = sql::why_no_filter(filter) {
            return Err(bad_filter(filter, why));
        }
        (known.check(layer.feature_count().saturating_sub(known.deleted)))
            .map_err(|fault| fault.of(&label, role))?;
        forget_failures();
        layer
            .set_attribute_filter(filter)
            .map_err(|e| bad_filter(filter, last_failure().unwrap_or_else(|| e.to_string())))?;
    }
    let mut buffer = Vec::new();
    let mut found = layer.spatial_ref().filter(|crs| !crs::says_nothing(crs));
    if let Some(crs) = &mut found {
        crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    }
    // Whether coordinates suit the CRS is asked of degrees and of layers that name none.
    let mut bounds = None;
    if source.crs.is_some() || found.as_ref().is_none_or(SpatialRef::is_geographic) {
        let mut tally = Tally::new(&label, role);
        for feature in layer.features() {
            let geometry = raw_geometry(&feature, &mut buffer);
            tally.add(geometry.vertices())?;
            geometry.coords().for_each(|c| widen(&mut bounds, c));
        }
    }
    let mut made = begin(LayerHead {
        source,
        driver: dataset.driver().short_name(),
        crs: found,
        bounds,
        has_id: schema.id.is_given(),
        label: label.clone(),
        unsaid: known.unsaid.clone(),
    })?;
    let mut count = 0u64;
    let mut raw_feature = |feature: &Feature<'_>| {
        let number = feature.fid().unwrap_or(count);
        count += 1;
        let mut too_long = Vec::new();
        let mut name = |columns: &Columns, key| {
            let text = columns.text(feature)?;
            // Bytes are counted at once, and are no fewer than characters.
            if text.len() > NAME_CHARACTERS && text.chars().count() > NAME_CHARACTERS {
                too_long.push((key, text.chars().count()));
                return None;
            }
            Some(text)
        };
        RawFeature {
            fid: format!("fid {number}"),
            id: name(&schema.id, "id"),
            class: name(&schema.class, "class"),
            portfolio: name(&schema.portfolio, "portfolio"),
            outlet: name(&schema.outlet, "outlet"),
            order: schema.order.number(feature, Measure::Amount(MOST_ORDER)),
            pattern: name(&schema.pattern, "pattern"),
            too_long,
            capacity: schema
                .capacity
                .number(feature, Measure::Amount(MOST_CAPACITY_M3)),
            machine_free: schema.machine_free.number(feature, Measure::Length(unit)),
            tree_height: schema
                .tree_height
                .number(feature, Measure::TreeHeight(unit)),
            accuracy: schema.accuracy.number(feature, Measure::Accuracy(unit)),
            line: schema.line.read(feature, unit),
            width: schema.width.number(feature, Measure::Length(unit)),
            azimuth: schema.azimuth.number(feature, Measure::Angle),
            stems_per_ha: schema
                .stems_per_ha
                .number(feature, Measure::Amount(MOST_STEMS_PER_HA)),
            tree_m3: schema
                .tree_m3
                .number(feature, Measure::Amount(MOST_TREE_M3)),
            facts: schema
                .facts
                .iter()
                .filter_map(|(name, columns)| Some((name.clone(), columns.fact(feature)?)))
                .collect(),
            fringe: schema.fringe.number(feature, Measure::Length(unit)),
            slope: schema.slope.slope(feature, source),
            geometry: raw_geometry(feature, &mut buffer),
        }
    };
    let mut tally = Tally::new(&label, role);
    for feature in layer.features() {
        let raw = raw_feature(&feature);
        tally.add(raw.geometry.vertices())?;
        on(&mut made, raw);
    }
    let stopped = |features: u64, message: String| SourceError::ReadingStopped {
        layer: label.clone(),
        role,
        features,
        message,
    };
    // Some drivers try a filter only now; and a damaged file may end the reading early. A complaint about a single
    // feature, on the other hand, leaves the count whole.
    match (last_failure_in(source), &source.filter) {
        (Some(message), Some(filter)) if count == 0 => return Err(bad_filter(filter, message)),
        (Some(message), Some(_)) => {
            let all = handed_over(source)?;
            if all < layer_count(source)? || known.check(all).is_err() {
                return Err(stopped(count, message));
            }
        }
        (Some(message), None) if count < layer.feature_count() => {
            return Err(stopped(count, message));
        }
        (_, None) => known.check(count).map_err(|fault| fault.of(&label, role))?,
        (None, Some(_)) => {}
    }
    match source.features {
        Some(stated) if stated != count => Err(SourceError::OtherCount {
            layer: label,
            role,
            stated,
            found: count,
            passing: source.filter.is_some(),
        }),
        _ => Ok(made),
    }
}

/// How many features a driver hands over of a whole layer.
fn handed_over(source: &LayerSource) -> Result<u64, SourceError> {
    let dataset = open::open(source)?;
    let mut layer = open::layer(&dataset, source)?;
    Ok(layer.features().count() as u64)
}

/// How many features a whole layer says it has.
fn layer_count(source: &LayerSource) -> Result<u64, SourceError> {
    let dataset = open::open(source)?;
    Ok(open::layer(&dataset, source)?.feature_count())
}

/// Grows the box, or begins one, so that it holds the place.
pub(super) fn widen(bounds: &mut Option<Bounds>, c: Coord) {
    let b = bounds.get_or_insert(Bounds {
        min: [c.x, c.y],
        max: [c.x, c.y],
    });
    b.min = [b.min[0].min(c.x), b.min[1].min(c.y)];
    b.max = [b.max[0].max(c.x), b.max[1].max(c.y)];
}

impl LayerHead<'_> {
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

    /// A note where texts of the layer can be read in more than one way.
    pub(super) fn unsaid(&self) -> Option<Problem> {
        let UnsaidTexts { texts, row, field } = self.unsaid.as_ref()?;
        let role = self.role();
        Some(Problem {
            code: ProblemCode::UnknownEncoding,
            layer: self.label.clone(),
            feature_id: format!("fid {row}"),
            place: None,
            message: format!(
                "the table does not say its code page, and {texts} of its texts are not plain ASCII, the first in `{field}` of this \
                 feature; they are taken for ISO-8859-1"
            ),
            remedy: format!(
                "set `encoding = \"CP1252\"`, or in whatever the table was written, under [layers.{role}]"
            ),
            shape: None,
            set_aside: false,
        })
    }

    /// A note on what is not known of where the layer lies, where it is on another datum than the work CRS.
    pub(super) fn datum_shift(&self, from: &SpatialRef, work: &WorkCrs) -> Option<Problem> {
        if *from == work.spatial_ref {
            return None;
        }
        let area = self.bounds.and_then(|bounds| {
            let ([west, south], [east, north]) = (bounds.min, bounds.max);
            let corners = [(west, south), (west, north), (east, south), (east, north)];
            let mut corners = corners.map(|(x, y)| Coord { x, y });
            let to_degrees = Transform::new(from, &crs::wgs84().ok()?).ok()?;
            if !to_degrees.points(&mut corners) {
                return None;
            }
            let mut area = None;
            corners.into_iter().for_each(|c| widen(&mut area, c));
            let Bounds { min, max } = area?;
            Some([min[0], min[1], max[0], max[1]])
        });
        let (known, advice) = match gdal_calls::crs::accuracy_m(from, &work.spatial_ref, area) {
            Some(0.0) => return None,
            Some(known_m) => (
                format!("PROJ knows the shift to {known_m} m"),
                "distances between layers of different datums are no better; use layers on one datum where that matters",
            ),
            None => (
                "PROJ does not say how well the shift is known".to_owned(),
                "look whether the layer lies where it should; use layers on one datum where that matters",
            ),
        };
        Some(Problem {
            code: ProblemCode::DatumShift,
            layer: self.label.clone(),
            feature_id: "-".to_owned(),
            place: None,
            message: format!(
                "the layer is on another datum ({}) than the work CRS ({}); {known}",
                crs::label(from),
                work.label
            ),
            remedy: advice.to_owned(),
            shape: None,
            set_aside: false,
        })
    }

    /// The way into the plane of the work CRS.
    pub(super) fn transform_to(
        &self,
        from: &SpatialRef,
        work: &WorkCrs,
    ) -> Result<Transform, SourceError> {
        let way = work.way_from(from);
        way.map_err(|message| self.no_way(from, &work.label, message))
    }

    /// The way from `from` to `to`.
    pub(super) fn transform(
        &self,
        from: &SpatialRef,
        to: &SpatialRef,
        to_label: &str,
    ) -> Result<Transform, SourceError> {
        Transform::new(from, to).map_err(|message| self.no_way(from, to_label, message))
    }

    fn no_way(&self, from: &SpatialRef, to: &str, message: String) -> SourceError {
        SourceError::NoTransform {
            layer: self.label.clone(),
            role: self.role(),
            from: crs::label(from),
            to: to.to_owned(),
            message,
        }
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
