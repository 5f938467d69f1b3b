//! What `[layers.power_lines]` says of its lines beyond what every layer says.

use super::file::LayerTable;
use super::layers::Resolver;
use super::{Attribute, ProjectError, Reason};
use crate::model::LayerKind;
use crate::units::{VoltageUnit, parse_voltage};

/// Where the figures of power lines are read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineSource {
    /// What kind of line it is, in the planner's own words.
    pub kind: Attribute,
    pub voltage: Attribute,
    /// Unit of voltages without one; None: such a voltage is not understood.
    pub voltage_unit: Option<VoltageUnit>,
    /// Of the lowest wire over the ground.
    pub height: Attribute,
    /// Distance that the owner gave.
    pub owner_distance: Attribute,
    pub owner_source: Attribute,
    /// Whether the owner agreed that trees which could fall on the line are cut.
    pub owner_agreed: Attribute,
    pub agreed_source: Attribute,
}

impl LineSource {
    /// Every attribute with its key.
    pub fn all(&self) -> [(&'static str, &Attribute); 7] {
        [
            ("kind", &self.kind),
            ("voltage", &self.voltage),
            ("height", &self.height),
            ("owner_distance", &self.owner_distance),
            ("owner_source", &self.owner_source),
            ("owner_agreed", &self.owner_agreed),
            ("agreed_source", &self.agreed_source),
        ]
    }
}

impl Resolver<'_> {
    pub fn line_source(
        &self,
        kind: LayerKind,
        table: &LayerTable,
        warnings: &mut Vec<String>,
    ) -> Result<LineSource, ProjectError> {
        let voltage_unit = match &table.voltage_unit {
            None => None,
            Some(written) => {
                let found = VoltageUnit::of(written.get_ref());
                Some(found.ok_or_else(|| {
                    let reason = Reason::UnknownChoice {
                        key: "voltage_unit".to_owned(),
                        value: written.get_ref().clone(),
                        valid: VoltageUnit::NAMES.map(str::to_owned).to_vec(),
                    };
                    self.context.error(written.span(), reason)
                })?)
            }
        };
        let length = |key: &str| {
            let key = key.to_owned();
            move |constant: &_| self.length(&key, constant)
        };
        let line = LineSource {
            kind: self.attribute("kind", &table.kind, |_| Ok(()))?,
            voltage: self.attribute("voltage", &table.voltage, |constant| {
                let text = constant.get_ref().0.to_string();
                let wrong = |why| {
                    let reason = Reason::WrongValue {
                        key: "voltage".to_owned(),
                        message: why,
                    };
                    self.context.error(constant.span(), reason)
                };
                parse_voltage(&text, voltage_unit).map(drop).map_err(wrong)
            })?,
            voltage_unit,
            height: self.attribute("height", &table.height, length("height"))?,
            owner_distance: self.attribute(
                "owner_distance",
                &table.owner_distance,
                length("owner_distance"),
            )?,
            owner_source: self.attribute("owner_source", &table.owner_source, |_| Ok(()))?,
            owner_agreed: self.attribute("owner_agreed", &table.owner_agreed, |_| Ok(()))?,
            agreed_source: self.attribute("agreed_source", &table.agreed_source, |_| Ok(()))?,
        };
        self.warn_of_line_keys(kind, &line, warnings);
        Ok(line)
    }

    fn warn_of_line_keys(&self, kind: LayerKind, line: &LineSource, warnings: &mut Vec<String>) {
        let given = |attribute: &Attribute| !attribute.0.is_empty();
        if kind != LayerKind::PowerLines {
            let unit = line.voltage_unit.map(|_| "voltage_unit");
            let keys = line.all().into_iter().filter(|(_, own)| given(own));
            for key in keys.map(|(key, _)| key).chain(unit) {
                warnings.push(format!(
                    "[layers.{}] `{key}` means nothing for this role and is not used",
                    self.role
                ));
            }
            return;
        }
        if !given(&line.voltage) {
            warnings.push(
                "[layers.power_lines] names no `voltage`: the widest limit of approach stands in"
                    .to_owned(),
            );
        }
        if given(&line.owner_agreed) && !given(&line.agreed_source) {
            warnings.push(
                "[layers.power_lines] `owner_agreed` counts only where `agreed_source` says where that is written"
                    .to_owned(),
            );
        }
    }
}
