//! Features broken on purpose, as real layers hold them, and what is expected to come of each.

use geo::{Coord, Geometry, LineString, MultiPolygon, Polygon};

/// One broken feature as it stands in the layer.
#[derive(Clone, Debug, PartialEq)]
pub struct BrokenFeature {
    /// Layer of `layers.gpkg`.
    pub layer: &'static str,
    /// Value of the layer's id attribute.
    pub id: String,
    /// What is wrong.
    pub what: &'static str,
    /// What a sound reader does with it.
    pub expected: &'static str,
}

/// A broken feature with what it takes to write it. No geometry: null.
pub struct Broken {
    pub note: BrokenFeature,
    pub geometry: Option<Geometry>,
    pub class: &'static str,
    pub width: Option<f64>,
}

fn ring(points: &[(f64, f64)], at: Coord) -> Polygon {
    let place = |&(x, y): &(f64, f64)| at + Coord { x, y };
    Polygon::new(LineString(points.iter().map(place).collect()), vec![])
}

fn line(points: &[(f64, f64)], at: Coord) -> Geometry {
    let place = |&(x, y): &(f64, f64)| at + Coord { x, y };
    Geometry::LineString(LineString(points.iter().map(place).collect()))
}

/// The broken features, laid out around `at`, a place outside the district. `twin` is the id of a good block.
pub fn features(at: Coord, twin: &str) -> Vec<Broken> {
    let block = |id: &str, what, expected, geometry: Option<Polygon>| Broken {
        note: BrokenFeature {
            layer: "blocks",
            id: id.to_owned(),
            what,
            expected,
        },
        geometry: geometry.map(|polygon| Geometry::MultiPolygon(MultiPolygon(vec![polygon]))),
        class: "",
        width: None,
    };
    let other = |layer, id: &str, class, width, what, expected, geometry| Broken {
        note: BrokenFeature {
            layer,
            id: id.to_owned(),
            what,
            expected,
        },
        geometry: Some(geometry),
        class,
        width,
    };
    let step = |n: f64| {
        at + Coord {
            x: 700.0 * n,
            y: 0.0,
        }
    };
    let square = [(0.0, 0.0), (400.0, 0.0), (400.0, 400.0), (0.0, 400.0)];
    let mut empty = block(
        "D07-X04",
        "an empty geometry",
        "set aside: empty-geometry",
        None,
    );
    empty.geometry = Some(Geometry::MultiPolygon(MultiPolygon(vec![])));
    vec![
        block(
            "D07-X01",
            "a bow-tie: the outline crosses itself and half of the area turns over",
            "repaired with a note if the repair moves little enough, else set aside: self-crossing or repaired-too-much",
            Some(ring(
                &[(0.0, 0.0), (400.0, 380.0), (400.0, 0.0), (0.0, 400.0)],
                step(0.0),
            )),
        ),
        block(
            twin,
            "the id of another block",
            "set aside: duplicate-id; the first block of that id is laid out",
            Some(ring(&square, step(1.0))),
        ),
        block(
            "D07-X03",
            "a null geometry",
            "set aside: null-geometry",
            None,
        ),
        empty,
        block(
            "D07-X05",
            "a spike: the outline runs 300 m out and back on itself",
            "repaired: the spike goes, no area moves",
            Some(ring(
                &[
                    (0.0, 0.0),
                    (400.0, 0.0),
                    (400.0, 200.0),
                    (700.0, 200.0),
                    (400.0, 200.0),
                    (400.0, 400.0),
                    (0.0, 400.0),
                ],
                step(2.0),
            )),
        ),
        block(
            "D07-X06",
            "a corner without a number (NaN)",
            "set aside: not-finite",
            Some(ring(
                &[(0.0, 0.0), (400.0, 0.0), (f64::NAN, 400.0), (0.0, 400.0)],
                step(3.5),
            )),
        ),
        other(
            "streams",
            "ST-X07",
            "S9",
            Some(2.0),
            "a class that no rule knows",
            "used with the widest stream rule, with a note: unknown-class",
            line(&[(0.0, 0.0), (120.0, 30.0), (260.0, 10.0)], step(4.5)),
        ),
        other(
            "streams",
            "ST-X08",
            "S3",
            Some(-3.0),
            "a negative channel width",
            "noted or set aside: out-of-range or bad-number; never a narrower buffer",
            line(&[(0.0, 60.0), (120.0, 90.0), (260.0, 70.0)], step(4.5)),
        ),
        other(
            "streams",
            "ST-X09",
            "S6",
            Some(1.0),
            "a line of no length",
            "set aside: degenerate",
            line(&[(0.0, 120.0), (0.0, 120.0)], step(4.5)),
        ),
        other(
            "lakes",
            "LK-X10",
            "L4",
            None,
            "a shore that touches itself in one point",
            "used after repair",
            Geometry::Polygon(ring(
                &[
                    (0.0, 0.0),
                    (60.0, 0.0),
                    (60.0, 60.0),
                    (30.0, 30.0),
                    (20.0, 90.0),
                    (0.0, 60.0),
                    (30.0, 30.0),
                ],
                step(5.5),
            )),
        ),
        other(
            "lakes",
            "LK-X11",
            "L4",
            None,
            "a shore folded flat: no area",
            "set aside: degenerate",
            Geometry::Polygon(ring(
                &[(0.0, 0.0), (80.0, 40.0), (160.0, 80.0), (80.0, 40.0)],
                step(6.0),
            )),
        ),
    ]
}
