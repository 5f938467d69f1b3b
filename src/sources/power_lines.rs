//! What is read of power lines beyond their shapes.

use gdal::vector::Feature;

use super::attributes::{Columns, Measure, Number};
use super::limits::NAME_CHARACTERS;
use crate::model::{Fact, Facts, LayerKind};
use crate::project::{Attribute, LineSource, MOST_TREE_HEIGHT_M, Project};
use crate::units::{LengthUnit, VoltageUnit};

/// More than any owner asks for; own judgement.
const MOST_OWNER_M: f64 = 500.0;

/// How far from a power line anything of a project may have to do with it.
pub(super) fn reach_m(project: &Project) -> f64 {
    let mut layers = project.layers.iter();
    match layers.any(|layer| layer.kind == LayerKind::PowerLines) {
        true => MOST_OWNER_M + MOST_TREE_HEIGHT_M,
        false => 0.0,
    }
}

/// Attributes of power lines, their fields found; those not named are empty.
#[derive(Default)]
pub(super) struct LineColumns {
    kind: Columns,
    voltage: Columns,
    unit: Option<VoltageUnit>,
    height: Columns,
    owner_distance: Columns,
    owner_source: Columns,
    owner_agreed: Columns,
    agreed_source: Columns,
}

/// What one line says of itself.
#[derive(Default)]
pub(super) struct RawLine {
    /// Facts that need no reading, by name.
    facts: Vec<(&'static str, Option<Fact>)>,
    voltage: Number,
    height: Number,
    owner_distance: Number,
    /// Keys of texts that are too long to be used, and how long they are.
    pub too_long: Vec<(&'static str, usize)>,
}

impl LineColumns {
    pub fn find<E>(
        line: &LineSource,
        find: impl Fn(&Attribute, &str) -> Result<Columns, E>,
    ) -> Result<LineColumns, E> {
        Ok(LineColumns {
            kind: find(&line.kind, "kind")?,
            voltage: find(&line.voltage, "voltage")?,
            unit: line.voltage_unit,
            height: find(&line.height, "height")?,
            owner_distance: find(&line.owner_distance, "owner_distance")?,
            owner_source: find(&line.owner_source, "owner_source")?,
            owner_agreed: find(&line.owner_agreed, "owner_agreed")?,
            agreed_source: find(&line.agreed_source, "agreed_source")?,
        })
    }

    pub fn read(&self, feature: &Feature<'_>, unit: LengthUnit) -> RawLine {
        let mut too_long = Vec::new();
        let mut text = |columns: &Columns, key| {
            let text = columns.text(feature)?;
            let characters = text.chars().count();
            if characters > NAME_CHARACTERS {
                too_long.push((key, characters));
                return None;
            }
            Some(Fact::Text(text))
        };
        let facts = vec![
            (Facts::LINE_KIND, text(&self.kind, "kind")),
            (Facts::VOLTAGE_TEXT, text(&self.voltage, "voltage")),
            (
                Facts::OWNER_SOURCE,
                text(&self.owner_source, "owner_source"),
            ),
            (
                Facts::AGREED_SOURCE,
                text(&self.agreed_source, "agreed_source"),
            ),
            (Facts::OWNER_AGREED, self.owner_agreed.fact(feature)),
        ];
        RawLine {
            facts,
            too_long,
            voltage: self.voltage.number(feature, Measure::Voltage(self.unit)),
            height: self.height.number(feature, Measure::Length(unit)),
            owner_distance: believed(self.owner_distance.number(feature, Measure::Length(unit))),
        }
    }
}

fn believed(distance: Number) -> Number {
    match distance.value {
        Some(m) if m > MOST_OWNER_M => Number {
            value: None,
            complaint: Some(format!(
                "{m} m is beyond the {MOST_OWNER_M} m that are believed"
            )),
        },
        _ => distance,
    }
}

impl RawLine {
    /// Figures that may not have been understood, with what follows where one was not.
    pub fn numbers(&self) -> [(&'static str, &Number, &'static str); 3] {
        [
            (
                "voltage",
                &self.voltage,
                "the widest limit of approach stands in",
            ),
            ("height", &self.height, "the line is used without a height"),
            (
                "owner_distance",
                &self.owner_distance,
                "the widest limit of approach stands in, and the limit is told as not known",
            ),
        ]
    }

    pub fn into_facts(self, facts: &mut Facts) {
        let unread = self.owner_distance.complaint.is_some();
        for (name, fact) in self.facts {
            if let Some(fact) = fact {
                facts.offer(name, fact);
            }
        }
        for (name, number) in [
            (Facts::VOLTAGE_KV, self.voltage),
            (Facts::WIRE_HEIGHT, self.height),
            (Facts::OWNER_DISTANCE, self.owner_distance),
        ] {
            if let Some(value) = number.value {
                facts.offer(name, Fact::Number(value));
            }
        }
        if unread {
            let told = Fact::Text("not understood".to_owned());
            facts.offer(Facts::OWNER_DISTANCE, told);
        }
    }
}
