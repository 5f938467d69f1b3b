//! The JSON schema of the project file, made from the types that read it.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value, json};

use super::choices::LISTED;
use super::crew_file::CrewFile;
use super::figures::{CitedTable, FigureText, ShareOr};
use super::file::*;
use crate::model::LayerKind;
use crate::rulebook::schema::schema_of;
use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::Share;

/// The JSON schema (draft 2020-12) of a project file.
pub fn project_schema() -> Value {
    let mut schema = schema_of::<ProjectFile>("project", "Project file of blockwright");
    for (section, keys) in LISTED {
        let path = schema["properties"][section]["$ref"].as_str();
        let pointer = path.unwrap_or_default().trim_start_matches('#').to_owned();
        let Some(table) = schema.pointer_mut(&pointer) else {
            continue;
        };
        for key in keys {
            or_a_list(&mut table["properties"][key]);
        }
    }
    schema
}

/// The JSON schema (draft 2020-12) of a crew file.
pub fn crew_schema() -> Value {
    schema_of::<CrewFile>("crew", "Crew file of blockwright")
}

/// Lets a list stand where one value may, for `layout --compare`.
fn or_a_list(property: &mut Value) {
    let mut one = property.take();
    let description = one["description"].take();
    if let Some(one) = one.as_object_mut() {
        one.shift_remove("description");
    }
    *property = json!({
        "description": description,
        "anyOf": [one, { "type": "array", "items": one, "minItems": 1 }]
    });
}

impl JsonSchema for LayersTable {
    fn schema_name() -> Cow<'static, str> {
        "Layers".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let one = generator.subschema_for::<LayerTable>();
        let several = generator.subschema_for::<Vec<LayerTable>>();
        let terrain = generator.subschema_for::<TerrainTable>();
        let mut roles = Map::new();
        for kind in LayerKind::ALL {
            let role = json_schema!({ "anyOf": [one, several] });
            roles.insert(kind.key().to_owned(), role.to_value());
        }
        roles.insert("terrain".to_owned(), terrain.to_value());
        json_schema!({
            "description": "Which layer plays which role; a role may have several sources.",
            "type": "object",
            "properties": roles,
            "required": ["blocks"],
            "additionalProperties": false
        })
    }
}

impl JsonSchema for AttributeItem {
    fn schema_name() -> Cow<'static, str> {
        "AttributeOrConstant".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let constant = generator.subschema_for::<ConstantTable>();
        json_schema!({
            "description": "The name of an attribute, or { value = ... } for every feature.",
            "anyOf": [{ "type": "string" }, constant]
        })
    }
}

impl JsonSchema for AttributeText {
    fn schema_name() -> Cow<'static, str> {
        "Attribute".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let one = generator.subschema_for::<AttributeItem>();
        let several = generator.subschema_for::<Vec<Spanned<AttributeItem>>>();
        json_schema!({
            "description": "Where a value comes from: an attribute, a constant, or a list of these, the first that is not empty.",
            "anyOf": [one, several]
        })
    }
}

impl JsonSchema for ShareText {
    fn schema_name() -> Cow<'static, str> {
        "ShareWithSource".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let plain = generator.subschema_for::<Share>();
        let cited = generator.subschema_for::<CitedShareTable>();
        json_schema!({ "anyOf": [plain, cited] })
    }
}

impl<T: JsonSchema> JsonSchema for FigureText<T> {
    fn schema_name() -> Cow<'static, str> {
        format!("{}WithSource", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let plain = generator.subschema_for::<T>();
        let cited = generator.subschema_for::<CitedTable<T>>();
        json_schema!({ "anyOf": [plain, cited] })
    }
}

impl<T: JsonSchema> JsonSchema for ShareOr<T> {
    fn schema_name() -> Cow<'static, str> {
        format!("ShareOr{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let plain = generator.subschema_for::<Share>();
        let table = generator.subschema_for::<T>();
        json_schema!({ "anyOf": [plain, table] })
    }
}

impl JsonSchema for TerrainFiles {
    fn schema_name() -> Cow<'static, str> {
        "TerrainFiles".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "The raster, or a list of its tiles.",
            "anyOf": [
                { "type": "string" },
                { "type": "array", "items": { "type": "string" }, "minItems": 1 }
            ]
        })
    }
}
