//! JSON schemas of what people write in TOML, made from the same types that read it.

use std::borrow::Cow;

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::Value;

use super::file::{
    CitedTable, ConditionText, FormulaTable, RulebookFile, ShareText, SlopeClassTable, WidthText,
};
use super::spanned::Spanned;
use super::values::{Area, COMPASS, Compass, Constant, Direction, Length, Share};

/// The JSON schema (draft 2020-12) of a rulebook file.
pub fn rulebook_schema() -> Value {
    schema_of::<RulebookFile>("rulebook", "Rulebook of blockwright")
}

/// The schema of one kind of file. Its id says of which version of the program: the keys of one major and minor number are the
/// same.
pub(crate) fn schema_of<T: JsonSchema>(name: &str, title: &str) -> Value {
    let generator = SchemaSettings::draft2020_12()
        .for_deserialize()
        .into_generator();
    let mut schema = generator.into_root_schema_for::<T>();
    schema.insert("title".to_owned(), title.into());
    let version = concat!(
        env!("CARGO_PKG_VERSION_MAJOR"),
        ".",
        env!("CARGO_PKG_VERSION_MINOR")
    );
    schema.insert(
        "$id".to_owned(),
        format!("urn:blockwright:{name}:{version}").into(),
    );
    let mut schema = schema.to_value();
    drop_nulls(&mut schema);
    schema
}

/// A key may be left out, but TOML knows no null.
fn drop_nulls(value: &mut Value) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(drop_nulls),
        Value::Object(map) => {
            let is_null = |value: &Value| *value == "null" || value["type"] == "null";
            for list in ["type", "anyOf"] {
                if let Some(Value::Array(items)) = map.get_mut(list) {
                    items.retain(|item| !is_null(item));
                    if let [single] = items.as_mut_slice() {
                        let single = single.take();
                        match single {
                            Value::Object(inner) if list == "anyOf" => {
                                map.shift_remove(list);
                                map.extend(inner);
                            }
                            single => {
                                map.insert(list.to_owned(), single);
                            }
                        }
                    }
                }
            }
            if map.get("default") == Some(&Value::Null) {
                map.shift_remove("default");
            }
            map.values_mut().for_each(drop_nulls);
        }
        _ => {}
    }
}

/// A schema for a type that reads itself: `$name` and what the body makes of `$generator`.
macro_rules! schema {
    ($type:ty, $name:literal, |$generator:ident| $body:expr) => {
        impl JsonSchema for $type {
            fn schema_name() -> Cow<'static, str> {
                $name.into()
            }
            fn schema_id() -> Cow<'static, str> {
                concat!(module_path!(), "::", $name).into()
            }
            fn json_schema($generator: &mut SchemaGenerator) -> Schema {
                $body
            }
        }
    };
}

schema!(Length, "Length", |_generator| json_schema!({
    "description": "A length: \"45 m\", \"150 ft\", or a bare number (metres in a rulebook, `unit` in a project file).",
    "anyOf": [
        { "type": "number", "minimum": 0 },
        { "type": "string", "pattern": "^\\s*\\+?[0-9.]+\\s*(m|cm|km|ft|in)?\\s*$" }
    ]
}));

schema!(Area, "Area", |_generator| json_schema!({
    "description": "An area: \"25 m2\", \"0.1 ha\", or a bare number of square metres.",
    "anyOf": [
        { "type": "number", "minimum": 0 },
        { "type": "string", "pattern": "^\\s*\\+?[0-9.eE+-]+\\s*(m2|ha)?\\s*$" }
    ]
}));

schema!(Share, "Share", |_generator| json_schema!({
    "description": "A share or slope: \"12 %\" or the fraction 0.12.",
    "anyOf": [
        { "type": "number", "minimum": 0, "maximum": 1 },
        { "type": "string", "pattern": "^\\s*\\+?[0-9.eE+-]+\\s*%?\\s*$" }
    ]
}));

schema!(Direction, "Direction", |_generator| json_schema!({
    "description": "The way of the strips: a choice, or degrees clockwise from grid north.",
    "anyOf": [
        { "enum": ["auto", "square_to_road", "long_side"] },
        { "type": "number", "minimum": 0, "maximum": 360 }
    ]
}));

schema!(Compass, "Compass", |_generator| json_schema!({
    "description": "Where something comes from: a point of the compass, or degrees clockwise from grid north.",
    "anyOf": [
        { "enum": COMPASS },
        { "type": "number", "minimum": 0, "maximum": 360 }
    ]
}));

schema!(Constant, "Constant", |_generator| json_schema!({
    "description": "A text, a number, true or false.",
    "type": ["string", "number", "boolean"]
}));

schema!(ConditionText, "Condition", |_generator| json_schema!({
    "description": "What a fact must be: true or false, a comparison such as \"> 5 m and <= 20 m\", a word, or a list of words.",
    "anyOf": [
        { "type": "boolean" },
        { "type": "string" },
        { "type": "array", "items": { "type": "string" } }
    ]
}));

schema!(WidthText, "Width", |generator| {
    let length = generator.subschema_for::<Length>();
    let classes = generator.subschema_for::<Vec<Spanned<SlopeClassTable>>>();
    let formula = generator.subschema_for::<FormulaTable>();
    json_schema!({
        "description": "A width: a length, a list of slope classes, or a formula of the slope.",
        "anyOf": [length, classes, formula]
    })
});

schema!(ShareText, "ShareWithSource", |generator| {
    let plain = generator.subschema_for::<Share>();
    let cited = generator.subschema_for::<CitedTable<Share>>();
    json_schema!({
        "description": "A share that has the line's source, or one with a source of its own.",
        "anyOf": [plain, cited]
    })
});
