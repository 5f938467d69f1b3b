//! A value and the bytes it was read from. A type of our own around `toml::Spanned`, so that it can have a JSON schema:
//! the one of the value.

use std::borrow::Cow;
use std::ops::Range;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer};

/// A value with its place in the text.
#[derive(Clone, Debug)]
pub struct Spanned<T>(toml::Spanned<T>);

impl<T> Spanned<T> {
    pub fn new(span: Range<usize>, value: T) -> Spanned<T> {
        Spanned(toml::Spanned::new(span, value))
    }

    /// The bytes of the value in the text.
    pub fn span(&self) -> Range<usize> {
        self.0.span()
    }

    pub fn get_ref(&self) -> &T {
        self.0.get_ref()
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Spanned<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Spanned<T>, D::Error> {
        toml::Spanned::deserialize(deserializer).map(Spanned)
    }
}

impl<T: JsonSchema> JsonSchema for Spanned<T> {
    fn inline_schema() -> bool {
        T::inline_schema()
    }
    fn schema_name() -> Cow<'static, str> {
        T::schema_name()
    }
    fn schema_id() -> Cow<'static, str> {
        T::schema_id()
    }
    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        T::json_schema(generator)
    }
}
