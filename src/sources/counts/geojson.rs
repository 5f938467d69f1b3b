//! GeoJSON (RFC 7946): what a collection lists as its features, and the records of a sequence (RFC 8142, or one a line).

use std::cell::Cell;
use std::fmt;
use std::io::BufRead;
use std::path::Path;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::error::Category;

use super::{Fault, Known, open, plural};

/// Before each record of a sequence by the standard.
const RECORD_SEPARATOR: u8 = 0x1e;
const BYTE_ORDER_MARK: [u8; 3] = [0xef, 0xbb, 0xbf];

/// Counts the members of a collection. What the reader of JSON does not understand, a driver may: then nothing is said.
///
/// # Errors
/// Members that are no features, or a collection without an end.
pub(super) fn collection(path: &Path) -> Result<Known, Fault> {
    let (mut file, _) = open(path)?;
    if file.fill_buf()?.starts_with(&BYTE_ORDER_MARK) {
        file.consume(BYTE_ORDER_MARK.len());
    }
    let count = Count::default();
    let mut json = serde_json::Deserializer::from_reader(file);
    let read = Collection(&count).deserialize(&mut json);
    let read = read.and_then(|()| json.end());
    let members = count.members.get();
    match read {
        Ok(()) if !count.is_collection.get() => Ok(Known::default()),
        Ok(()) if count.features.get() != members => Err(Fault::Differ(format!(
            "`features` lists {}, and {} of them are features; number {} is none",
            plural(members, "member"),
            count.features.get(),
            count.first_other.get()
        ))),
        Ok(()) => Ok(Known::of(members)),
        Err(error) => match error.classify() {
            Category::Eof => Err(Fault::Differ(format!(
                "the file ends after {} of `features`, in the middle of the collection",
                plural(members, "whole member")
            ))),
            Category::Io => Err(Fault::Unreadable(error.to_string())),
            Category::Syntax | Category::Data => Ok(Known::default()),
        },
    }
}

#[derive(Default)]
struct Count {
    is_collection: Cell<bool>,
    members: Cell<u64>,
    features: Cell<u64>,
    /// Number of the first that is no feature, from 1.
    first_other: Cell<u64>,
}

/// The whole file.
struct Collection<'c>(&'c Count);

impl<'de> DeserializeSeed<'de> for Collection<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Collection<'_> {
    type Value = ();

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a collection of features")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            if key == "features" {
                map.next_value_seed(Members(self.0))?;
            } else {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(())
    }
}

/// The list of features.
struct Members<'c>(&'c Count);

impl<'de> DeserializeSeed<'de> for Members<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Members<'_> {
    type Value = ();

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        let count = self.0;
        count.is_collection.set(true);
        while let Some(is_feature) = list.next_element_seed(Member)? {
            count.members.set(count.members.get() + 1);
            if is_feature {
                count.features.set(count.features.get() + 1);
            } else if count.first_other.get() == 0 {
                count.first_other.set(count.members.get());
            }
        }
        Ok(())
    }
}

/// Whether one of the list is a feature.
struct Member;

impl<'de> DeserializeSeed<'de> for Member {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<bool, D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Member {
    type Value = bool;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a feature")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<bool, A::Error> {
        let mut is_feature = false;
        while let Some(key) = map.next_key::<String>()? {
            if key == "type" {
                is_feature = map.next_value_seed(Kind)?;
            } else {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(is_feature)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<bool, A::Error> {
        while list.next_element::<IgnoredAny>()?.is_some() {}
        Ok(false)
    }

    fn visit_unit<E>(self) -> Result<bool, E> {
        Ok(false)
    }

    fn visit_bool<E>(self, _: bool) -> Result<bool, E> {
        Ok(false)
    }

    fn visit_i64<E>(self, _: i64) -> Result<bool, E> {
        Ok(false)
    }

    fn visit_u64<E>(self, _: u64) -> Result<bool, E> {
        Ok(false)
    }

    fn visit_f64<E>(self, _: f64) -> Result<bool, E> {
        Ok(false)
    }

    fn visit_str<E>(self, _: &str) -> Result<bool, E> {
        Ok(false)
    }
}

/// Whether the value of `type` is that of a feature.
struct Kind;

impl<'de> DeserializeSeed<'de> for Kind {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<bool, D::Error> {
        json.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Kind {
    type Value = bool;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a type")
    }

    fn visit_str<E>(self, text: &str) -> Result<bool, E> {
        Ok(text == "Feature")
    }
}

/// Counts the records of a sequence that are not blank.
///
/// # Errors
/// The file cannot be read.
pub(super) fn sequence(path: &Path) -> Result<Known, Fault> {
    let (mut file, _) = open(path)?;
    let mut between = None;
    let mut records = 0;
    let mut blank = true;
    loop {
        let bytes = file.fill_buf()?;
        if bytes.is_empty() {
            break;
        }
        for byte in bytes {
            let separator = *between.get_or_insert(match *byte {
                RECORD_SEPARATOR => RECORD_SEPARATOR,
                _ => b'\n',
            });
            if *byte == separator {
                records += u64::from(!blank);
                blank = true;
            } else if !byte.is_ascii_whitespace() && !BYTE_ORDER_MARK.contains(byte) {
                blank = false;
            }
        }
        let read = bytes.len();
        file.consume(read);
    }
    Ok(Known::of(records + u64::from(!blank)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Result<Known, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.geojson");
        std::fs::write(&path, text).unwrap();
        collection(&path).map_err(|fault| format!("{fault:?}"))
    }

    const ONE: &str = r#"{"type":"Feature","properties":{"type":"x"},"geometry":null}"#;

    #[test]
    fn members_are_counted_and_looked_at() {
        let list = |inner: &str| format!(r#"{{"type":"FeatureCollection","features":[{inner}]}}"#);
        assert_eq!(of(&list("")).unwrap().records, Some(0));
        assert_eq!(of(&list(&format!("{ONE},{ONE}"))).unwrap().records, Some(2));
        let marked = format!("\u{feff}{}", list(ONE));
        assert_eq!(of(&marked).unwrap().records, Some(1));
        for other in [
            "null",
            "7",
            "\"a\"",
            "[1]",
            r#"{"type":"Point","coordinates":[1,2]}"#,
            "{}",
        ] {
            let told = of(&list(&format!("{ONE},{other}"))).unwrap_err();
            assert!(told.contains("lists 2 members, and 1 of them"), "{told}");
            assert!(told.contains("number 2 is none"), "{told}");
        }
    }

    #[test]
    fn an_end_that_is_missing_is_told_and_other_grammar_is_left_to_the_driver() {
        let text = format!(r#"{{"type":"FeatureCollection","features":[{ONE},{ONE}]}}"#);
        for end in 1..text.len() {
            let told = of(&text[..end]);
            assert!(told.is_err(), "{}: {told:?}", &text[..end]);
        }
        for text in [
            "callback({})",
            ONE,
            "[1]",
            "{\"features\":{}}",
            "{\"a\":NaN}",
        ] {
            assert_eq!(of(text).unwrap().records, None, "{text}");
        }
    }

    #[test]
    fn records_of_a_sequence_are_lines_or_stand_between_separators() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.geojsonl");
        for (text, count) in [
            ("", 0),
            ("{}\n{}\n", 2),
            ("{}\r\n\r\n{}", 2),
            ("\u{1e}{\n}\n\u{1e}{}\n", 2),
        ] {
            std::fs::write(&path, text).unwrap();
            assert_eq!(sequence(&path).unwrap().records, Some(count), "{text:?}");
        }
    }
}
