//! Who overlays: `i_overlay`, unless another engine is in force on this thread. Overlay engines can be
//! wrong without a word, so a block whose cut cannot be certified is laid out anew with another one.

use std::cell::Cell;

use geo::{MultiLineString, MultiPolygon, Polygon};

use super::grid_overlay::GridOverlay;

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
    /// What of the subject lies in any clip polygon, and the rest. None: the engine failed.
    fn inside_and_outside(
        &self,
        subject: &MultiPolygon,
        clip: &[Polygon],
    ) -> Option<[MultiPolygon; 2]> {
        let inside = self.areas(subject, clip, Op::Intersection)?;
        Some([inside, self.areas(subject, clip, Op::Difference)?])
    }
    /// The stretches of `lines` in any polygon, or else outside all of them. None: the engine failed.
    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString>;
}

thread_local! {
    static IN_FORCE: Cell<&'static dyn Overlay> = const { Cell::new(&GridOverlay) };
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
    made.or_else(|| GridOverlay.areas(subject, clip, op))
        .unwrap_or(MultiPolygon(vec![]))
}

/// As [`areas`].
pub(super) fn inside_and_outside(subject: &MultiPolygon, clip: &[Polygon]) -> [MultiPolygon; 2] {
    let made = IN_FORCE.get().inside_and_outside(subject, clip);
    made.or_else(|| GridOverlay.inside_and_outside(subject, clip))
        .unwrap_or([MultiPolygon(vec![]), MultiPolygon(vec![])])
}

/// As [`areas`].
pub(super) fn lines(
    lines: &MultiLineString,
    polygons: &[Polygon],
    inside: bool,
) -> MultiLineString {
    let made = IN_FORCE.get().lines(lines, polygons, inside);
    made.or_else(|| GridOverlay.lines(lines, polygons, inside))
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
