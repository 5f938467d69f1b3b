//! Putting the batch together: ids, classes, the scale at each block, and the count of what was used.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use geo::{BoundingRect, Coord, MultiPolygon};

use super::attributes::Number;
use super::classes::{ClassTally, missing};
use super::crs::{self, PointScale, Transform, WorkCrs};
use super::errors::{Bounds, SourceError};
use super::facts::{add_own_facts, in_unit};
use super::features::{self, Remark};
use super::frames::{self, Around, Framed, NoFrame};
use super::layer::{self, LayerHead, RawFeature, RawLayer};
use super::limits::NAME_CHARACTERS;
use super::power_lines::RawLine;
use super::stand_table::StandTables;
use super::uses::UseTally;
use super::{Batch, InputFile, LayerReport, notes};
use crate::geometry::area;
use crate::model::{
    Accuracy, Emergency, Fact, Facts, Feature, FieldNote, LayerKind, Pattern, Problem, ProblemCode,
    Shape, SourceBlock, WindowWords, names_power_line,
};
use crate::project::{LayerSource, Project};
use crate::rulebook::{Channel, Match, RULED_KINDS, Unit};

/// A block before its scale is known.
struct Outline {
    id: String,
    shape: MultiPolygon,
    repaired_m2: f64,
    azimuth_deg: Option<f64>,
    portfolio: Option<String>,
    outlets: Vec<String>,
    windows: WindowWords,
    accuracy: Accuracy,
    emergency: Emergency,
    pattern: Option<Pattern>,
}

/// A batch in the making.
pub(super) struct Assembly<'a> {
    project: &'a Project,
    work: &'a WorkCrs,
    batch: Batch,
    block_ids: BTreeSet<String>,
    around: Around,
    pub(super) stand_tables: Option<StandTables>,
}

/// Counts and place of the layer at work.
struct LayerInWork {
    label: String,
    transform: Option<Transform>,
    report: LayerReport,
}

impl<'a> Assembly<'a> {
    pub(super) fn new(project: &'a Project, work: &'a WorkCrs, around: Around) -> Assembly<'a> {
        Assembly {
            project,
            work,
            batch: Batch {
                crs: work
                    .spatial_ref
                    .authority()
                    .unwrap_or_else(|_| work.wkt.clone()),
                crs_wkt: work.wkt.clone(),
                unit_m: work.unit_m,
                ..Batch::default()
            },
            block_ids: BTreeSet::new(),
            around,
            stand_tables: None,
        }
    }

    fn begin(&mut self, layer: &LayerHead<'_>) -> Result<LayerInWork, SourceError> {
        self.batch.problems.extend(layer.unsaid());
        let found = layer.crs(self.project.crs.as_deref())?;
        let crs_label = found
            .as_ref()
            .map_or("none".to_owned(), |(crs, _)| crs::label(crs));
        let transform = match found {
            Some((from, note)) => {
                self.batch.problems.extend(note);
                let shift = layer.datum_shift(&from, self.work);
                self.batch.problems.extend(shift);
                Some(layer.transform_to(&from, self.work)?)
            }
            None => None,
        };
        Ok(LayerInWork {
            label: layer.label.clone(),
            transform,
            report: LayerReport {
                role: layer.source.kind.key(),
                source_layer: layer.label.clone(),
                driver: layer.driver.clone(),
                crs: crs_label,
                read: 0,
                used: 0,
                repaired: 0,
                set_aside: 0,
                stated: layer.source.features,
                uses: vec![],
                classes: Vec::new(),
            },
        })
    }

    /// Says so where a layer had nothing to read.
    fn close(&mut self, in_work: LayerInWork, source: &LayerSource) {
        if in_work.report.read == 0 {
            self.batch.problems.push(Problem {
                code: ProblemCode::EmptyLayer,
                layer: in_work.label,
                feature_id: "-".to_owned(),
                place: None,
                message: if source.filter.is_some() {
                    "no feature passes the filter `where`".to_owned()
                } else {
                    "the layer has no features".to_owned()
                },
                remedy: format!(
                    "correct it, or take [layers.{}] out of the project file",
                    source.kind.key()
                ),
                shape: None,
                set_aside: false,
            });
        }
        self.batch.layers.push(in_work.report);
    }

    fn problem(
        &mut self,
        label: &str,
        id: &str,
        remark: Remark,
        shape: Option<Shape>,
        set_aside: bool,
    ) {
        self.batch.problems.push(Problem {
            code: remark.code,
            layer: label.to_owned(),
            feature_id: id.to_owned(),
            place: remark
                .place
                .map(|at| self.work.plane().leave(at.into()).into()),
            message: remark.message,
            remedy: remark.remedy,
            shape,
            set_aside,
        });
    }

    fn complain(&mut self, in_work: &LayerInWork, id: &str, key: &str, number: &Number) {
        if let Some(complaint) = &number.complaint {
            let remark = Remark {
                code: ProblemCode::BadNumber,
                place: None,
                message: format!("{key}: {complaint}; the feature is used without a {key}"),
                remedy: "correct the value, or name a better attribute first".to_owned(),
            };
            self.problem(&in_work.label, id, remark, None, false);
        }
    }

    /// What was not understood of a power line must not pass for what nobody said.
    fn complain_of_line(&mut self, in_work: &LayerInWork, id: &str, line: &RawLine) {
        for (key, number, follows) in line.numbers() {
            if let Some(complaint) = &number.complaint {
                let remark = Remark {
                    code: ProblemCode::BadNumber,
                    place: None,
                    message: format!("{key}: {complaint}; {follows}"),
                    remedy: "correct the value, or name a better attribute first".to_owned(),
                };
                self.problem(&in_work.label, id, remark, None, false);
            }
        }
    }

    /// Shapes of a feature in the work CRS; None when it was set aside.
    fn shaped(
        &mut self,
        in_work: &mut LayerInWork,
        kind: LayerKind,
        id: &str,
        raw: &mut RawFeature,
    ) -> Option<features::Shaped> {
        let geometry = std::mem::replace(&mut raw.geometry, features::RawGeometry::Null);
        // A layer without coordinates has no CRS and holds null and empty geometries only.
        let nowhere = Transform::same();
        let transform = in_work.transform.as_ref().unwrap_or(&nowhere);
        match features::shape(geometry, kind, transform) {
            Ok(mut shaped) => {
                for note in std::mem::take(&mut shaped.notes) {
                    self.problem(&in_work.label, id, note, None, false);
                }
                in_work.report.repaired += u64::from(shaped.repaired);
                Some(shaped)
            }
            Err(aside) => {
                self.problem(&in_work.label, id, aside.remark, aside.shape, true);
                in_work.report.set_aside += 1;
                None
            }
        }
    }

    pub(super) fn blocks(&mut self, layer: RawLayer<'_>) -> Result<(), SourceError> {
        let RawLayer { head, features } = layer;
        let mut in_work = self.begin(&head)?;
        let has_id = head.has_id;
        let mut uses = UseTally::new(head.source, 0.0);
        in_work.report.read = features.len() as u64;
        for mut raw in features {
            let id = self.block_id(&in_work, &raw, has_id);
            let Some(shaped) = self.shaped(&mut in_work, LayerKind::Blocks, &id, &mut raw) else {
                continue;
            };
            let Some(Shape::Polygons(shape)) = shaped.shapes.into_iter().next() else {
                continue;
            };
            self.complain(&in_work, &id, "azimuth", &raw.azimuth);
            self.complain_of_length(&in_work, &id, &raw);
            if !self.block_ids.insert(id.clone()) {
                let remark = Remark {
                    code: ProblemCode::DuplicateId,
                    place: first_point(&shape),
                    message: format!("another block before it has the id `{id}` as well"),
                    remedy: "give each block an id of its own; if both are pieces of one block, merge them into one \
                             multipolygon"
                        .to_owned(),
                };
                self.problem(
                    &in_work.label,
                    &id,
                    remark,
                    Some(Shape::Polygons(shape)),
                    true,
                );
                in_work.report.set_aside += 1;
                continue;
            }
            let pattern = self.pattern(&in_work, &id, raw.pattern.as_deref());
            self.complain(&in_work, &id, "accuracy", &raw.accuracy);
            let mut facts = Facts(std::mem::take(&mut raw.facts));
            self.complain_of_windows(&in_work, &id, &facts);
            say_accuracy(head.source, &raw, &mut facts);
            uses.add(Match::None, &facts, None, None);
            let block = Outline {
                id,
                shape,
                repaired_m2: shaped.moved_m2,
                azimuth_deg: raw.azimuth.value,
                portfolio: raw.portfolio,
                outlets: ids(raw.outlet.as_deref()),
                pattern,
                windows: WindowWords::of(&facts),
                accuracy: Accuracy::of(&facts),
                emergency: Emergency::of_block(&facts),
            };
            self.place_block(&mut in_work, block);
        }
        in_work.report.uses = uses.reports();
        self.close(in_work, head.source);
        Ok(())
    }

    /// How trees are left in a block, in the words of the project file.
    fn pattern(
        &mut self,
        in_work: &LayerInWork,
        id: &str,
        written: Option<&str>,
    ) -> Option<Pattern> {
        let written = written.map(str::trim).filter(|text| !text.is_empty())?;
        let known = Pattern::from_key(&written.to_ascii_lowercase());
        if known.is_none() {
            let remark = Remark {
                code: ProblemCode::UnknownWord,
                place: None,
                message: format!(
                    "pattern: `{written}` is none of `corridors`, `patches`, `both`; the block is laid out as the project says"
                ),
                remedy: "correct the value, or name a better attribute first".to_owned(),
            };
            self.problem(&in_work.label, id, remark, None, false);
        }
        known
    }

    /// Days and names that are not understood: nothing is worked there.
    fn complain_of_windows(&mut self, in_work: &LayerInWork, id: &str, facts: &Facts) {
        let words = WindowWords::of(facts);
        if words.is_empty() {
            return;
        }
        let known: Vec<&str> = self.project.settings.windows.names().collect();
        let mut told = Vec::new();
        if let Err(why) = words.own_days() {
            told.push((
                format!("open_from, open_until: {why}"),
                ProblemCode::BadNumber,
            ));
        }
        for name in words.names().filter(|name| !known.contains(name)) {
            let names = match known.is_empty() {
                true => "the project has no [windows]".to_owned(),
                false => format!("the project has `{}`", known.join("`, `")),
            };
            told.push((
                format!("window: nobody defines `{name}`; {names}"),
                ProblemCode::UnknownWord,
            ));
        }
        for (message, code) in told {
            let remark = Remark {
                code,
                place: None,
                message: format!(
                    "{message}; nobody knows when its ground is open, so no day is planned there"
                ),
                remedy: "correct the value, or add the window under [windows]".to_owned(),
            };
            self.problem(&in_work.label, id, remark, None, false);
        }
    }

    /// Names that are too long would stand in every row of the outputs.
    fn complain_of_length(&mut self, in_work: &LayerInWork, id: &str, raw: &RawFeature) {
        for (key, characters) in &raw.too_long {
            let remark = Remark {
                code: ProblemCode::TooLarge,
                place: None,
                message: format!(
                    "`{key}` has {characters} characters, more than {NAME_CHARACTERS}; the feature is used as if it had none"
                ),
                remedy: "shorten the text, or name a better attribute first".to_owned(),
            };
            self.problem(&in_work.label, id, remark, None, false);
        }
    }

    fn block_id(&mut self, in_work: &LayerInWork, raw: &RawFeature, has_id: bool) -> String {
        if let Some(id) = &raw.id {
            return id.clone();
        }
        let id = if self.block_ids.contains(&raw.fid) {
            format!("{} of {}", raw.fid, in_work.label)
        } else {
            raw.fid.clone()
        };
        if has_id && raw.too_long.iter().all(|(key, _)| *key != "id") {
            let remark = Remark {
                code: ProblemCode::MissingId,
                place: None,
                message: format!("the block has no id; it is called `{id}`"),
                remedy: "fill in the id, or list a second attribute or constant in `id`".to_owned(),
            };
            self.problem(&in_work.label, &id, remark, None, false);
        }
        id
    }

    /// Gives blocks the outlines that notes of the field give them; `features` gets the ground that is cut beyond a line.
    pub(super) fn move_edges(&mut self, notes: &mut [FieldNote], features: &mut Vec<Feature>) {
        let (work, around) = (self.work, self.around);
        let mut worst = self.batch.ground_off;
        let reshape = |block: &mut SourceBlock, shape: MultiPolygon| {
            let (framed, scale, geodesic_m2) = measured(work, around, &shape)
                .map_err(|_| format!("block {} could not be measured with it", block.id))?;
            worst = worst.max(framed.off);
            block.place = work.degrees(framed.frame.origin());
            block.frame = framed.frame;
            block.scale = scale.mean();
            block.geodesic_m2 = geodesic_m2;
            block.shape = shape;
            Ok(())
        };
        let rules = &self.project.notes.rules;
        notes::move_edges(notes, rules, &mut self.batch.blocks, features, reshape);
        self.batch.ground_off = worst;
    }

    fn place_block(&mut self, in_work: &mut LayerInWork, outline: Outline) {
        let Outline {
            id,
            shape,
            repaired_m2,
            azimuth_deg,
            portfolio,
            outlets,
            pattern,
            windows,
            accuracy,
            emergency,
        } = outline;
        let at = shape
            .bounding_rect()
            .map_or(Coord { x: 0.0, y: 0.0 }, |bounds| bounds.center());
        let (Framed { frame, off }, scale, geodesic_m2) =
            match measured(self.work, self.around, &shape) {
                Ok(measured) => measured,
                Err(why) => return self.without_frame(in_work, &id, why, at, shape),
            };
        self.batch.ground_off = self.batch.ground_off.max(off);
        in_work.report.used += 1;
        self.batch.blocks.push(SourceBlock {
            id,
            source_layer: in_work.label.clone(),
            place: self.work.degrees(frame.origin()),
            frame,
            shape,
            azimuth_deg,
            pattern,
            portfolio,
            outlets,
            windows,
            accuracy,
            emergency,
            repaired_m2: repaired_m2 / (scale.east * scale.north),
            scale: scale.mean(),
            geodesic_m2,
            outlines: vec![],
            came_later: Default::default(),
        });
    }

    /// Sets a block aside that has no flat ground of its own.
    fn without_frame(
        &mut self,
        in_work: &mut LayerInWork,
        id: &str,
        why: NoFrame,
        at: Coord,
        shape: MultiPolygon,
    ) {
        let label = &self.work.label;
        let swapped = "look whether x and y are swapped, whether the layer's `crs` is another one, or set `crs` under \
                       [project]";
        let (code, message, remedy) = match why {
            NoFrame::OffTheGlobe => (
                ProblemCode::OutOfRange,
                format!("the block lies where {label} is not made for"),
                swapped,
            ),
            NoFrame::TooWide { wide_m } => (
                ProblemCode::TooLarge,
                format!(
                    "the block is {:.0} km wide, and up to {:.0} km can be measured as one",
                    wide_m / 1e3,
                    frames::WIDEST_M / 1e3
                ),
                "divide the block, or look whether one of its polygons lies elsewhere",
            ),
            NoFrame::Bent => (
                ProblemCode::ScaleError,
                format!("{label} bends too much at the block for distances in it to be true"),
                "set `crs` under [project] to a CRS made for that place, or leave it out",
            ),
        };
        let remark = Remark {
            code,
            place: Some([at.x, at.y]),
            message,
            remedy: remedy.to_owned(),
        };
        self.problem(
            &in_work.label,
            id,
            remark,
            Some(Shape::Polygons(shape)),
            true,
        );
        in_work.report.set_aside += 1;
    }

    /// Reads the features of one source and says what there is to say of them; kept are those that lie in `near`, a box in
    /// the work CRS.
    pub(super) fn features(
        &mut self,
        source: &LayerSource,
        near: Option<Bounds>,
    ) -> Result<(), SourceError> {
        let project = self.project;
        let begin = |head: LayerHead<'_>| {
            let assembly = self;
            let in_work = assembly.begin(&head)?;
            Ok(Sorting {
                assembly,
                in_work,
                source,
                near,
                unknown: BTreeMap::new(),
                among_hazards: None,
                tally: ClassTally::default(),
                uses: UseTally::new(source, project.settings.layout.crossing_width_m),
            })
        };
        let sorting = layer::each(source, project.unit, begin, |sorting, raw| sorting.add(raw))?;
        sorting.finish();
        Ok(())
    }

    /// The box around the blocks with these ids, grown by `by_m` on the ground; None where there is no such block.
    pub(super) fn around(&self, ids: &[String], by_m: f64) -> Option<Bounds> {
        let blocks = self.batch.blocks.iter();
        let bounds = blocks
            .filter(|block| ids.contains(&block.id))
            .filter_map(|block| {
                let rect = block.shape.bounding_rect()?;
                let by = by_m * block.frame.plane_per_metre();
                let by = Coord { x: by, y: by };
                Some(geo::Rect::new(rect.min() - by, rect.max() + by))
            })
            .reduce(|a, b| {
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
            })?;
        let (min, max) = (bounds.min(), bounds.max());
        Some(Bounds {
            min: min.into(),
            max: max.into(),
        })
    }

    /// What is known of a feature, in the units of the rules.
    fn facts(
        &mut self,
        in_work: &LayerInWork,
        kind: LayerKind,
        id: &str,
        raw: &mut RawFeature,
        shapes: &[Shape],
    ) -> Facts {
        let asked = self.project.rules.facts_of(kind);
        let mut facts = Facts::default();
        for (name, fact) in std::mem::take(&mut raw.facts) {
            let unit = asked.iter().find(|(asked, _)| *asked == name);
            let unit = unit.map_or(Unit::None, |(_, unit)| *unit);
            match in_unit(fact, unit, self.project.unit) {
                Ok(fact) => facts.offer(&name, fact),
                Err(complaint) => {
                    let remark = Remark {
                        code: ProblemCode::BadNumber,
                        place: None,
                        message: format!(
                            "fact `{name}`: {complaint}; the feature is used as if it were not known"
                        ),
                        remedy: "correct the value, or name a better attribute first".to_owned(),
                    };
                    self.problem(&in_work.label, id, remark, None, false);
                }
            }
        }
        let area_counts = asked.iter().any(|(name, _)| *name == "area");
        add_own_facts(&mut facts, raw, shapes, area_counts.then_some(self.work));
        facts
    }

    /// The class as the rulebook knows it.
    fn class_of(
        &self,
        source: &crate::project::LayerSource,
        class: Option<&str>,
    ) -> Option<String> {
        let class = class?;
        if let Some(mapped) = source.class_map.get(class) {
            return Some(mapped.clone());
        }
        let known = || {
            self.project
                .rules
                .lines
                .iter()
                .any(|line| line.kind == source.kind && line.class.eq_ignore_ascii_case(class))
        };
        (source.class_map.is_empty() || known()).then(|| class.to_owned())
    }

    /// One note for all features of a layer that share a class the rulebook does not know.
    fn note_class(
        &mut self,
        in_work: &LayerInWork,
        kind: LayerKind,
        class: Option<&str>,
        rule_id: &str,
        group: &Unknown,
    ) {
        let mut what = match class {
            Some(class) => format!("class `{class}` is not in the rulebook"),
            None => "the class is missing".to_owned(),
        };
        let names: Vec<String> = group
            .missing
            .iter()
            .map(|name| format!("`{name}`"))
            .collect();
        let by_facts = !self.project.rules.facts_of(kind).is_empty();
        if !names.is_empty() {
            what = format!("{what} (not known: {})", names.join(", "));
        }
        let remark = Remark {
            code: ProblemCode::UnknownClass,
            place: None,
            message: format!(
                "{what}, {} feature(s) from this one on: the widest rule of {}{}, `{rule_id}`, is used",
                group.count,
                kind.key(),
                if by_facts {
                    " that is still possible"
                } else {
                    ""
                },
            ),
            remedy: if kind == LayerKind::PowerLines {
                "state `voltage`, with its unit, or `owner_distance`".to_owned()
            } else {
                format!(
                    "set `class`, or add a line to `class_map`,{} under [layers.{}], or a rule for the class under [rules]",
                    if by_facts {
                        " or name the attributes of its `facts`,"
                    } else {
                        ""
                    },
                    kind.key()
                )
            },
        };
        self.problem(&in_work.label, &group.first, remark, None, false);
    }

    /// `all_read`: all layers were read, so that what was not found is not there.
    pub(super) fn finish(mut self, inputs: Vec<InputFile>, all_read: bool) -> Batch {
        self.batch.inputs = inputs;
        if let Some(tables) = self.stand_tables.take() {
            let (report, problems) = tables.close(all_read);
            self.batch.stand_table = Some(report);
            self.batch.problems.extend(problems);
        }
        self.batch
    }
}

/// Frame, scale and area of an outline.
fn measured(
    work: &WorkCrs,
    around: Around,
    shape: &MultiPolygon,
) -> Result<(Framed, PointScale, f64), NoFrame> {
    let at = shape
        .bounding_rect()
        .map_or(Coord { x: 0.0, y: 0.0 }, |bounds| bounds.center());
    if !work.reaches(at) {
        return Err(NoFrame::OffTheGlobe);
    }
    let scale = work.point_scale(at).ok_or(NoFrame::OffTheGlobe)?;
    let geodesic_m2 = work.geodesic_m2(shape).ok_or(NoFrame::OffTheGlobe)?;
    let bounds = area::Bounds::of_polygons(shape);
    let framed = frames::frame(work, &bounds, around)?;
    Ok((framed, scale, geodesic_m2))
}

/// How far a feature may be off, with what its layer says of that.
fn say_accuracy(source: &LayerSource, raw: &RawFeature, facts: &mut Facts) {
    let (confidence, written) = (
        source.accuracy_confidence,
        source.accuracy_source.as_deref(),
    );
    Accuracy::into_facts(raw.accuracy.value, confidence, written, facts);
}

/// The features of one layer on their way into the batch.
struct Sorting<'s, 'a> {
    assembly: &'s mut Assembly<'a>,
    in_work: LayerInWork,
    source: &'s LayerSource,
    /// What lies outside is looked at, but not kept.
    near: Option<Bounds>,
    /// By class as written and the line that stands in.
    unknown: BTreeMap<(Option<String>, String), Unknown>,
    /// Power lines in layer `hazards`: class and id of the first, and how many.
    among_hazards: Option<(String, String, u64)>,
    tally: ClassTally,
    uses: UseTally,
}

impl Sorting<'_, '_> {
    fn add(&mut self, mut raw: RawFeature) {
        let kind = self.source.kind;
        let (assembly, in_work) = (&mut *self.assembly, &mut self.in_work);
        in_work.report.read += 1;
        let id = raw.id.clone().unwrap_or_else(|| raw.fid.clone());
        let Some(shaped) = assembly.shaped(in_work, kind, &id, &mut raw) else {
            return;
        };
        in_work.report.used += 1;
        for (key, number) in [
            ("width", &raw.width),
            ("stems_per_ha", &raw.stems_per_ha),
            ("tree_m3", &raw.tree_m3),
            ("fringe", &raw.fringe),
            ("slope", &raw.slope),
            ("capacity", &raw.capacity),
            ("machine_free", &raw.machine_free),
            ("tree_height", &raw.tree_height),
            ("accuracy", &raw.accuracy),
            ("azimuth", &raw.azimuth),
            ("order", &raw.order),
        ] {
            assembly.complain(in_work, &id, key, number);
        }
        let line = std::mem::take(&mut raw.line);
        raw.too_long.extend(&line.too_long);
        if kind == LayerKind::PowerLines {
            assembly.complain_of_line(in_work, &id, &line);
        }
        assembly.complain_of_length(in_work, &id, &raw);
        let mut table = None;
        if kind == LayerKind::Stands
            && let Some(tables) = &mut assembly.stand_tables
        {
            table = tables
                .of(&id, raw.stems_per_ha.value, raw.tree_m3.value)
                .map(Arc::new);
            if let Some(table) = &table {
                raw.stems_per_ha.value = Some(table.all().stems);
                raw.tree_m3.value = table.tree_m3();
            }
        }
        let class = assembly.class_of(self.source, raw.class.as_deref());
        if kind == LayerKind::Hazards
            && let Some(class) = class.as_deref().filter(|class| names_power_line(class))
        {
            let first = || (class.to_owned(), id.clone(), 0);
            self.among_hazards.get_or_insert_with(first).2 += 1;
        }
        let mut facts = assembly.facts(in_work, kind, &id, &mut raw, &shaped.shapes);
        if let Some(m3) = raw.capacity.value {
            facts.offer(Facts::CAPACITY, Fact::Number(m3));
        }
        if let Some(m) = raw.machine_free.value {
            facts.offer(Facts::MACHINE_FREE, Fact::Number(m));
        }
        if let Some(m) = raw.tree_height.value {
            facts.offer(Facts::TREE_HEIGHT, Fact::Number(m));
        }
        if kind.takes_accuracy() {
            say_accuracy(self.source, &raw, &mut facts);
        }
        for (name, number) in [(Facts::AZIMUTH, &raw.azimuth), (Facts::ORDER, &raw.order)] {
            if let Some(value) = number.value {
                facts.offer(name, Fact::Number(value));
            }
        }
        if let Some(outlet) = raw.outlet.take() {
            facts.offer(Facts::OUTLET, Fact::Text(outlet.trim().to_owned()));
        }
        if kind == LayerKind::PowerLines {
            line.into_facts(&mut facts);
        }
        assembly.complain_of_windows(in_work, &id, &facts);
        facts.0.shrink_to_fit();
        let rules = &assembly.project.rules;
        let is_line = shaped.shapes.iter().any(|s| matches!(s, Shape::Lines(_)));
        let channel = Channel::of(kind, is_line, raw.width.value);
        let found = rules.find(kind, class.as_deref(), &facts, channel);
        if RULED_KINDS.contains(&kind) {
            self.tally.add(rules, kind, found, &facts);
        }
        self.uses
            .add(found, &facts, class.as_deref(), raw.width.value);
        if let Match::Assumed(line) = found {
            let group = self.unknown.entry((raw.class.clone(), line.id.clone()));
            let group = group.or_insert_with(|| Unknown {
                first: id.clone(),
                count: 0,
                missing: BTreeSet::new(),
            });
            group.count += 1;
            group.missing.extend(missing(rules, kind, &facts));
        }
        for mut shape in shaped.shapes {
            if self.near.is_some_and(|near| !reaches(&shape, &near)) {
                continue;
            }
            shape.compact();
            assembly.batch.features.push(Feature {
                kind,
                source_layer: in_work.label.clone(),
                id: id.clone(),
                class: class.clone(),
                width_m: raw.width.value,
                slope: raw.slope.value,
                fringe_m: raw.fringe.value,
                facts: facts.clone(),
                stems_per_ha: raw.stems_per_ha.value,
                tree_m3: raw.tree_m3.value,
                trees: table.clone(),
                shape,
            });
        }
    }

    fn finish(mut self) {
        let kind = self.source.kind;
        for ((class, rule_id), group) in self.unknown {
            let class = class.as_deref();
            (self.assembly).note_class(&self.in_work, kind, class, &rule_id, &group);
        }
        if let Some((class, first, count)) = self.among_hazards.take() {
            let remark = Remark {
                code: ProblemCode::WrongRole,
                place: None,
                message: format!(
                    "{count} hazard(s) of class `{class}` from this one on are power lines: as hazards they get daylight and no limit of \
                     approach"
                ),
                remedy: "give them to role `power_lines`, with `where`, and their voltage"
                    .to_owned(),
            };
            (self.assembly).problem(&self.in_work.label, &first, remark, None, false);
        }
        self.in_work.report.classes = self.tally.reports();
        self.in_work.report.uses = self.uses.reports();
        self.assembly.close(self.in_work, self.source);
    }
}

/// Features of a layer that share a class nobody knows.
struct Unknown {
    /// Id of the first.
    first: String,
    count: u64,
    missing: BTreeSet<String>,
}

/// Whether a shape's box meets `near`.
fn reaches(shape: &Shape, near: &Bounds) -> bool {
    let bounds = match shape {
        Shape::Points(points) => points.bounding_rect(),
        Shape::Lines(lines) => lines.bounding_rect(),
        Shape::Polygons(polygons) => polygons.bounding_rect(),
    };
    bounds.is_none_or(|bounds| {
        bounds.min().x <= near.max[0]
            && bounds.max().x >= near.min[0]
            && bounds.min().y <= near.max[1]
            && bounds.max().y >= near.min[1]
    })
}

/// Ids joined by `;`.
fn ids(text: Option<&str>) -> Vec<String> {
    let each = text.unwrap_or_default().split(';').map(str::trim);
    each.filter(|id| !id.is_empty())
        .map(str::to_owned)
        .collect()
}

fn first_point(shape: &MultiPolygon) -> Option<[f64; 2]> {
    let first = shape.0.first()?.exterior().0.first()?;
    Some([first.x, first.y])
}
