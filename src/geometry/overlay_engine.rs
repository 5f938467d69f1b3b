//! Who overlays: `i_overlay`, by way of `geo`, unless another engine is in force on this thread. Overlay engines can be
//! wrong without a word, so a block whose cut cannot be certified is laid out anew with another one.

use std::cell::Cell;

use geo::algorithm::bool_ops::{BooleanOps, FillRule, OpType};
use geo::{MultiLineString, MultiPolygon, Polygon};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Op {
    Union,
    Intersection,
    Difference,
}

/// Something that overlays. Polygons of either operand may overlap one another; all are counter-clockwise with
/// clockwise holes.
pub trait Overlay: Sync {
    fn name(&self) -> &'static str;
    /// None: the engine failed.
    fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon>;
    /// The stretches of `lines` in any polygon, or else outside all of them. None: the engine failed.
    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString>;
}

/// `i_overlay`, by way of `geo`.
pub struct GeoOverlay;

impl Overlay for GeoOverlay {
    fn name(&self) -> &'static str {
        "i_overlay"
    }

    fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon> {
        let op = match op {
            Op::Union => OpType::Union,
            Op::Intersection => OpType::Intersection,
            Op::Difference => OpType::Difference,
        };
        // The trait is implemented for MultiPolygon, not for slices: borrowing a slice as one needs a copy of the rings.
        let clip = MultiPolygon(clip.to_vec());
        Some(subject.boolean_op_with_fill_rule(&clip, op, FillRule::NonZero))
    }

    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString> {
        let polygons = MultiPolygon(polygons.to_vec());
        Some(polygons.clip_with_fill_rule(lines, !inside, FillRule::NonZero))
    }
}

thread_local! {
    static IN_FORCE: Cell<&'static dyn Overlay> = const { Cell::new(&GeoOverlay) };
}

/// Puts the engine back that was in force before, also when what was done crashes.
struct Before(&'static dyn Overlay);

impl Drop for Before {
    fn drop(&mut self) {
        IN_FORCE.set(self.0);
    }
}

/// Does something with another engine in force on this thread.
pub fn with<T>(engine: &'static dyn Overlay, work: impl FnOnce() -> T) -> T {
    let _before = Before(IN_FORCE.replace(engine));
    work()
}

/// By the engine in force; what it cannot do `i_overlay` does.
pub(super) fn areas(subject: &MultiPolygon, clip: &[Polygon], op: Op) -> MultiPolygon {
    let made = IN_FORCE.get().areas(subject, clip, op);
    made.or_else(|| GeoOverlay.areas(subject, clip, op))
        .unwrap_or(MultiPolygon(vec![]))
}

/// As [`areas`].
pub(super) fn lines(
    lines: &MultiLineString,
    polygons: &[Polygon],
    inside: bool,
) -> MultiLineString {
    let made = IN_FORCE.get().lines(lines, polygons, inside);
    made.or_else(|| GeoOverlay.lines(lines, polygons, inside))
        .unwrap_or(MultiLineString(vec![]))
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Nothing;

    impl Overlay for Nothing {
        fn name(&self) -> &'static str {
            "nothing"
        }

        fn areas(&self, _: &MultiPolygon, _: &[Polygon], _: Op) -> Option<MultiPolygon> {
            Some(MultiPolygon(vec![]))
        }

        fn lines(&self, _: &MultiLineString, _: &[Polygon], _: bool) -> Option<MultiLineString> {
            None
        }
    }

    #[test]
    fn another_engine_is_in_force_only_within_even_when_it_crashes() {
        let name = || IN_FORCE.get().name();
        assert_eq!(name(), "i_overlay");
        assert_eq!(with(&Nothing, name), "nothing");
        assert_eq!(name(), "i_overlay");
        let crash = std::panic::catch_unwind(|| with(&Nothing, || panic!("on purpose")));
        assert!(crash.is_err());
        assert_eq!(name(), "i_overlay");
    }
}
