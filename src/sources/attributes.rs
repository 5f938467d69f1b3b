//! Attribute values: the first of several fields or constants that is not null, as text or as a number with a unit.

use gdal::errors::GdalError;
use gdal::vector::{Feature, FieldValue, Layer, LayerAccess};
use gdal_calls::layers;

use super::errors::{Names, SourceError};
use super::limits::FEATURE_WIDTH_M;
use super::power_lines::LineColumns;
use crate::model::{Fact, LayerKind, published_m};
use crate::project::{
    Attribute, AttributeSource, LayerSource, MOST_ACCURACY_M, MOST_CAPACITY_M3, MOST_ORDER,
    MOST_STEMS_PER_HA, MOST_TREE_HEIGHT_M, MOST_TREE_M3,
};
use crate::units::{LengthUnit, VoltageUnit, parse_length, parse_voltage};

/// Where a value comes from in an opened layer.
#[derive(Clone, Debug)]
enum Column {
    Field(usize),
    /// A field of yes and no.
    Flag(usize),
    Fid,
    Constant(Value),
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Number(f64),
    Whole(i64),
    Flag(bool),
    Text(String),
}

/// One attribute, its fields found.
#[derive(Clone, Debug, Default)]
pub(super) struct Columns(Vec<Column>);

/// All attributes of one layer.
#[derive(Default)]
pub(super) struct Schema {
    pub id: Columns,
    pub class: Columns,
    pub width: Columns,
    pub azimuth: Columns,
    pub stems_per_ha: Columns,
    pub tree_m3: Columns,
    pub facts: Vec<(String, Columns)>,
    pub fringe: Columns,
    pub slope: Columns,
    pub portfolio: Columns,
    pub outlet: Columns,
    pub order: Columns,
    pub pattern: Columns,
    pub capacity: Columns,
    pub machine_free: Columns,
    pub tree_height: Columns,
    pub accuracy: Columns,
    pub line: LineColumns,
}

/// What a numeric attribute holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Number {
    pub value: Option<f64>,
    /// Text that could not be read, and why.
    pub complaint: Option<String>,
}

/// How numbers of one attribute are read.
#[derive(Clone, Copy)]
pub(super) enum Measure {
    /// Metres; bare numbers are in the unit.
    Length(LengthUnit),
    /// A bare number, not negative, and no more than this.
    Amount(f64),
    /// As a length, up to what maps are off by.
    Accuracy(LengthUnit),
    /// As a length, up to the tallest tree that is believed.
    TreeHeight(LengthUnit),
    /// Kilovolts; bare numbers are in the unit, if one is stated.
    Voltage(Option<VoltageUnit>),
    /// Degrees, any sign; brought into 0..360.
    Angle,
}

impl Schema {
    /// Finds every field that the source names.
    pub(super) fn resolve(
        layer: &Layer<'_>,
        label: &str,
        source: &LayerSource,
        unit: LengthUnit,
    ) -> Result<Schema, SourceError> {
        let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
        let fid_name = layers::fid_column(layer);
        let flags = layers::yes_no_fields(layer);
        let find = |attribute: &Attribute, key: &str| {
            attribute
                .0
                .iter()
                .map(|source_of| match source_of {
                    AttributeSource::Constant(text) => {
                        Ok(Column::Constant(Value::Text(text.clone())))
                    }
                    AttributeSource::Field(name) => {
                        let exact = names.iter().position(|n| n == name);
                        let found = exact
                            .or_else(|| names.iter().position(|n| n.eq_ignore_ascii_case(name)));
                        match found {
                            Some(index) if flags.get(index) == Some(&true) => {
                                Ok(Column::Flag(index))
                            }
                            Some(index) => Ok(Column::Field(index)),
                            None if name.eq_ignore_ascii_case("fid")
                                || (!fid_name.is_empty()
                                    && name.eq_ignore_ascii_case(&fid_name)) =>
                            {
                                Ok(Column::Fid)
                            }
                            None => Err(SourceError::MissingField {
                                layer: label.to_owned(),
                                role: source.kind.key(),
                                key: key.to_owned(),
                                field: name.clone(),
                                names: Names::around(name, names.clone()),
                            }),
                        }
                    }
                })
                .collect::<Result<Vec<_>, _>>()
                .map(Columns)
        };
        let schema = Schema {
            id: find(&source.id, "id")?,
            class: find(&source.class, "class")?,
            width: find(&source.width, "width")?,
            azimuth: find(&source.azimuth, "azimuth")?,
            stems_per_ha: find(&source.stems_per_ha, "stems_per_ha")?,
            tree_m3: find(&source.tree_m3, "tree_m3")?,
            facts: source
                .facts
                .iter()
                .map(|(name, attribute)| {
                    let columns = find(attribute, &format!("facts.{name}"))?;
                    Ok((name.clone(), columns))
                })
                .collect::<Result<_, SourceError>>()?,
            fringe: find(&source.fringe, "fringe")?,
            slope: find(&source.slope, "slope")?,
            portfolio: find(&source.portfolio, "portfolio")?,
            outlet: find(&source.outlet, "outlet")?,
            order: find(&source.order, "order")?,
            pattern: find(&source.pattern, "pattern")?,
            capacity: find(&source.capacity, "capacity")?,
            machine_free: find(&source.machine_free, "machine_free")?,
            tree_height: find(&source.tree_height, "tree_height")?,
            accuracy: find(&source.accuracy, "accuracy")?,
            line: LineColumns::find(&source.line, find)?,
        };
        for (columns, key, measure) in [
            (&schema.width, "width", Measure::Length(unit)),
            (&schema.azimuth, "azimuth", Measure::Angle),
            (
                &schema.stems_per_ha,
                "stems_per_ha",
                Measure::Amount(MOST_STEMS_PER_HA),
            ),
            (&schema.tree_m3, "tree_m3", Measure::Amount(MOST_TREE_M3)),
            (
                &schema.capacity,
                "capacity",
                Measure::Amount(MOST_CAPACITY_M3),
            ),
            (&schema.order, "order", Measure::Amount(MOST_ORDER)),
            (&schema.fringe, "fringe", Measure::Length(unit)),
            (&schema.machine_free, "machine_free", Measure::Length(unit)),
            (&schema.accuracy, "accuracy", Measure::Accuracy(unit)),
            (
                &schema.tree_height,
                "tree_height",
                Measure::TreeHeight(unit),
            ),
        ] {
            columns.check_constants(label, source.kind, key, measure)?;
        }
        Ok(schema)
    }
}

impl Columns {
    pub(super) fn is_given(&self) -> bool {
        !self.0.is_empty()
    }

    fn check_constants(
        &self,
        label: &str,
        kind: LayerKind,
        key: &'static str,
        measure: Measure,
    ) -> Result<(), SourceError> {
        for column in &self.0 {
            if let Column::Constant(Value::Text(text)) = column
                && let Err(message) = measure.read(&Value::Text(text.clone()))
            {
                return Err(SourceError::BadConstant {
                    layer: label.to_owned(),
                    role: kind.key(),
                    key,
                    text: text.clone(),
                    message,
                });
            }
        }
        Ok(())
    }

    fn value(&self, feature: &Feature<'_>) -> Option<Value> {
        self.0.iter().find_map(|column| match column {
            Column::Field(index) => field_value(feature, *index),
            Column::Flag(index) => field_value(feature, *index).map(|value| match value {
                Value::Whole(number) => Value::Flag(number != 0),
                other => other,
            }),
            Column::Fid => feature.fid().map(|fid| Value::Text(fid.to_string())),
            Column::Constant(value) => Some(value.clone()),
        })
    }

    /// The value as text: whole numbers without a fraction, blanks at the ends cut off; empty text is null.
    pub(super) fn text(&self, feature: &Feature<'_>) -> Option<String> {
        self.value(feature).map(|value| value.text())
    }

    /// The value as it is: a number stays one, yes and no are a flag.
    pub(super) fn fact(&self, feature: &Feature<'_>) -> Option<Fact> {
        self.value(feature).map(|value| match value {
            Value::Text(text) => Fact::Text(text.trim().to_owned()),
            Value::Number(number) => Fact::Number(number),
            Value::Whole(number) => Fact::Number(number as f64),
            Value::Flag(flag) => Fact::Flag(flag),
        })
    }

    /// The value as the steepest slope of its class, rise over run.
    pub(super) fn slope(&self, feature: &Feature<'_>, source: &LayerSource) -> Number {
        let Some(text) = self.text(feature) else {
            return Number::default();
        };
        if let Some(slope) = source.slope_map.get(text.trim()) {
            return Number {
                value: Some(*slope),
                complaint: None,
            };
        }
        match source.slope_unit.steepest(&text) {
            Ok(slope) => Number {
                value: Some(slope),
                complaint: None,
            },
            Err(message) => Number {
                value: None,
                complaint: Some(message),
            },
        }
    }

    /// The value as a number. Text that is none gives no value and a complaint: a wrong figure must not be hidden
    /// behind the fall-back of an empty one.
    pub(super) fn number(&self, feature: &Feature<'_>, measure: Measure) -> Number {
        match self.value(feature).map(|value| measure.read(&value)) {
            None => Number::default(),
            Some(Ok(value)) => Number {
                value: Some(value),
                complaint: None,
            },
            Some(Err(message)) => Number {
                value: None,
                complaint: Some(message),
            },
        }
    }
}

impl Value {
    pub(super) fn text(self) -> String {
        match self {
            Value::Text(text) => text,
            Value::Number(number) => number.to_string(),
            Value::Whole(number) => number.to_string(),
            // As fields of yes and no have always been read: a class map may name them.
            Value::Flag(flag) => u8::from(flag).to_string(),
        }
    }
}

impl Measure {
    fn read(self, value: &Value) -> Result<f64, String> {
        let text = value.clone().text();
        match self {
            Measure::Length(unit) => match parse_length(&text, unit) {
                Ok(length_m) if length_m > FEATURE_WIDTH_M => Err(format!(
                    "`{text}` is beyond the {FEATURE_WIDTH_M} m that are believed"
                )),
                Ok(length_m) => Ok(length_m),
                Err(error) => Err(error.to_string()),
            },
            Measure::Accuracy(unit) => match parse_length(&text, unit) {
                Ok(m) if m > MOST_ACCURACY_M => Err(format!(
                    "`{text}` is beyond the {MOST_ACCURACY_M} m that are believed of a map's error"
                )),
                Ok(m) => Ok(m),
                Err(error) => match published_m(&text) {
                    Some(figure) => figure,
                    None => Err(error.to_string()),
                },
            },
            Measure::TreeHeight(unit) => match parse_length(&text, unit) {
                Ok(m) if m > MOST_TREE_HEIGHT_M => Err(format!(
                    "`{text}` is beyond the {MOST_TREE_HEIGHT_M} m that are believed of a tree"
                )),
                Ok(m) => Ok(m),
                Err(error) => Err(error.to_string()),
            },
            Measure::Amount(most) => match text.trim().parse::<f64>() {
                Ok(number) if (0.0..=most).contains(&number) => Ok(number),
                Ok(number) if number > most => {
                    Err(format!("`{text}` is beyond the {most} that are believed"))
                }
                Ok(_) => Err(format!("`{text}` is negative or not finite")),
                Err(_) => Err(format!("`{text}` is not a number")),
            },
            Measure::Voltage(unit) => parse_voltage(&text, unit),
            Measure::Angle => match text.trim().parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(number.rem_euclid(360.0)),
                _ => Err(format!("`{text}` is not an angle in degrees")),
            },
        }
    }
}

pub(super) fn field_value(feature: &Feature<'_>, index: usize) -> Option<Value> {
    if !gdal_calls::features::has_value(feature, index) {
        return None;
    }
    let value = match feature.field(index) {
        Ok(value) => value?,
        Err(GdalError::UnhandledFieldType { .. }) => {
            FieldValue::StringValue(feature.field_as_string(index).ok()??)
        }
        Err(_) => return None,
    };
    match value {
        FieldValue::IntegerValue(number) => Some(Value::Whole(i64::from(number))),
        FieldValue::Integer64Value(number) => Some(Value::Whole(number)),
        FieldValue::RealValue(number) if number.is_finite() => Some(Value::Number(number)),
        FieldValue::RealValue(_) => None,
        FieldValue::StringValue(text) => {
            let text = text.trim();
            (!text.is_empty()).then(|| Value::Text(text.to_owned()))
        }
        _ => feature
            .field_as_string(index)
            .ok()
            .flatten()
            .map(Value::Text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_from_text_in_the_unit_of_the_project() {
        let read = |text: &str, unit| Measure::Length(unit).read(&Value::Text(text.to_owned()));
        assert_eq!(read("2.3", LengthUnit::Metre), Ok(2.3));
        assert_eq!(read("2.3 m", LengthUnit::Foot), Ok(2.3));
        assert!((read("8 ft", LengthUnit::Metre).unwrap() - 2.4384).abs() < 1e-12);
        assert!((read("10", LengthUnit::Foot).unwrap() - 3.048).abs() < 1e-12);
        assert!(read("2,3", LengthUnit::Metre).is_err());
        assert!(read("-9999", LengthUnit::Metre).is_err());
        assert_eq!(read("2000", LengthUnit::Metre), Ok(2_000.0));
        assert!(read("7000", LengthUnit::Foot).is_err());
        let stems =
            |text: &str| Measure::Amount(MOST_STEMS_PER_HA).read(&Value::Text(text.to_owned()));
        assert_eq!(stems("800"), Ok(800.0));
        assert!(
            ["1e308", "-1", "NaN", "inf"]
                .iter()
                .all(|text| stems(text).is_err())
        );
    }

    #[test]
    fn azimuths_come_into_the_circle() {
        assert_eq!(Measure::Angle.read(&Value::Number(-90.0)), Ok(270.0));
        assert_eq!(Measure::Angle.read(&Value::Text("360".into())), Ok(0.0));
    }
}
