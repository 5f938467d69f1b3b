//! What is known of a feature, in the units in which the rules compare it.

use super::crs::WorkCrs;
use super::layer::RawFeature;
use crate::geometry::area::area;
use crate::model::{Fact, Facts, Shape};
use crate::rulebook::Unit;
use crate::units::{LengthUnit, parse_length};

/// What is known of a feature's own width and outline is offered last: an attribute named for it goes before. The area is
/// that on the ground, if the rules ask for it.
pub(super) fn add_own_facts(
    facts: &mut Facts,
    raw: &RawFeature,
    shapes: &[Shape],
    on_ground: Option<&WorkCrs>,
) {
    if let Some(width_m) = raw.width.value {
        facts.offer("channel", Fact::Number(width_m));
    }
    let areas = shapes.iter().filter_map(|shape| match shape {
        Shape::Polygons(polygons) => {
            let true_m2 = on_ground.and_then(|work| work.geodesic_m2(polygons));
            Some(true_m2.unwrap_or_else(|| area(polygons)))
        }
        _ => None,
    });
    if let Some(area_m2) = areas.reduce(|a, b| a + b) {
        facts.offer("area", Fact::Number(area_m2));
    }
}

/// A fact in the unit in which the rules compare it; text without a number of that unit is a complaint.
pub(super) fn in_unit(fact: Fact, unit: Unit, bare: LengthUnit) -> Result<Fact, String> {
    let refused = |text: &str, wanted: &str| Err(format!("`{text}` is not {wanted}"));
    let percentage = "a percentage such as \"12 %\" or a fraction such as 0.12";
    match (unit, fact) {
        (Unit::Metre, Fact::Text(text)) => parse_length(&text, bare)
            .map(Fact::Number)
            .map_err(|error| error.to_string()),
        (Unit::Metre, Fact::Number(number)) if number < 0.0 => Err(format!(
            "a length may not be negative, but this is {number}"
        )),
        (Unit::Metre, Fact::Number(number)) => Ok(Fact::Number(number * bare.metres())),
        (Unit::Hectare, Fact::Text(text)) => match unit.read(&text) {
            Some(area_m2) => Ok(Fact::Number(area_m2)),
            None => refused(&text, "an area such as \"2.5 ha\""),
        },
        (Unit::Percent, Fact::Text(text)) => match unit.read(&text) {
            Some(share) if share <= 1.0 || text.ends_with('%') => Ok(Fact::Number(share)),
            _ => refused(&text, percentage),
        },
        // 20 is a percentage in one layer and nonsense in the next; a guess would choose a class.
        (Unit::Percent, Fact::Number(number)) if number > 1.0 => {
            refused(&number.to_string(), percentage)
        }
        (_, fact) => Ok(fact),
    }
}
