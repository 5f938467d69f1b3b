//! Figures of `[rules]` as written: plain, or as a table with a source of their own.

use std::fmt;
use std::marker::PhantomData;
use std::ops::Range;

use schemars::JsonSchema;
use serde::Deserialize;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserializer, Error, IntoDeserializer, MapAccess, Visitor};

use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::{Length, Share};

type Given<T> = Option<Spanned<T>>;

/// `"60 ha"` or `{ value = "60 ha", source = "plan 2026" }`.
pub enum FigureText<T> {
    Plain(T),
    Cited(Box<CitedTable<T>>),
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CitedTable<T> {
    /// The figure itself.
    pub value: Spanned<T>,
    /// Where it is written.
    pub source: Spanned<String>,
}

/// A share, or a table in which it is one key of several.
pub enum ShareOr<T> {
    Plain(Share),
    Table(Box<T>),
}

/// `{ value = "50 %", tree_height = "25 m", source = "plan 2026" }`; what is not given stays as the rules have it.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InfluenceTable {
    /// The share itself.
    pub value: Given<Share>,
    /// Height of the trees whose nearness counts.
    pub tree_height: Given<Length>,
    /// Whether the share itself is still too little.
    pub more_than: Option<bool>,
    /// Whether the forest around the block counts.
    pub forest_outside: Option<bool>,
    /// Where it is written.
    pub source: Given<String>,
}

/// `{ value = "25 %", trail = "strip", source = "plan 2026" }`; what is not given stays as the rules have it.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OccupancyTable {
    /// The share itself.
    pub value: Given<Share>,
    /// Whether the share itself is already too much.
    pub less_than: Option<bool>,
    /// Whose width counts as the trail's.
    #[schemars(extend("enum" = ["track", "strip"]))]
    pub trail: Given<String>,
    /// Where it is written.
    pub source: Given<String>,
}

impl<T> FigureText<T> {
    /// The value, where it stands, and its own source.
    pub fn parts(&self, span: Range<usize>) -> (&T, Range<usize>, Option<&Spanned<String>>) {
        match self {
            FigureText::Plain(value) => (value, span, None),
            FigureText::Cited(table) => (
                table.value.get_ref(),
                table.value.span(),
                Some(&table.source),
            ),
        }
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for FigureText<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<FigureText<T>, D::Error> {
        struct Figure<T>(PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for Figure<T> {
            type Value = FigureText<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value, or { value = ..., source = \"...\" }")
            }
            fn visit_bool<E: Error>(self, flag: bool) -> Result<FigureText<T>, E> {
                T::deserialize(flag.into_deserializer()).map(FigureText::Plain)
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<FigureText<T>, E> {
                T::deserialize(text.into_deserializer()).map(FigureText::Plain)
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<FigureText<T>, E> {
                T::deserialize(number.into_deserializer()).map(FigureText::Plain)
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<FigureText<T>, E> {
                T::deserialize(number.into_deserializer()).map(FigureText::Plain)
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<FigureText<T>, A::Error> {
                CitedTable::deserialize(MapAccessDeserializer::new(map))
                    .map(|table| FigureText::Cited(Box::new(table)))
            }
        }
        deserializer.deserialize_any(Figure(PhantomData))
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for ShareOr<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<ShareOr<T>, D::Error> {
        struct ShareVisitor<T>(PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for ShareVisitor<T> {
            type Value = ShareOr<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a share such as \"12 %\", or { value = \"12 %\", source = \"...\" }")
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ShareOr<T>, E> {
                Share::deserialize(text.into_deserializer()).map(ShareOr::Plain)
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<ShareOr<T>, E> {
                Share::deserialize(number.into_deserializer()).map(ShareOr::Plain)
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<ShareOr<T>, E> {
                Share::deserialize(number.into_deserializer()).map(ShareOr::Plain)
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ShareOr<T>, A::Error> {
                T::deserialize(MapAccessDeserializer::new(map))
                    .map(|table| ShareOr::Table(Box::new(table)))
            }
        }
        deserializer.deserialize_any(ShareVisitor(PhantomData))
    }
}
