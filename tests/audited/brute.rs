//! Distances between every two edges, by code that shares nothing with the program.
#![allow(dead_code, reason = "each test file uses its own share")]

use blockwright::model::Shape;
use geo::{Coord, LineString, Polygon};

pub type Edge = (Coord, Coord);

pub fn edges_of(lines: &[LineString]) -> Vec<Edge> {
    let edges = lines.iter().flat_map(|line| line.0.windows(2));
    edges.map(|w| (w[0], w[1])).collect()
}

pub fn outline(polygons: &[Polygon]) -> Vec<Edge> {
    polygons
        .iter()
        .flat_map(|polygon| {
            let mut rings = vec![polygon.exterior().clone()];
            rings.extend(polygon.interiors().iter().cloned());
            edges_of(&rings)
        })
        .collect()
}

pub fn edges_of_shape(shape: &Shape) -> Vec<Edge> {
    match shape {
        Shape::Lines(lines) => edges_of(&lines.0),
        Shape::Polygons(polygons) => outline(&polygons.0),
        Shape::Points(_) => vec![],
    }
}

pub fn to_edge(p: Coord, (a, b): Edge) -> f64 {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let long2 = dx * dx + dy * dy;
    let t = if long2 == 0.0 {
        0.0
    } else {
        (((p.x - a.x) * dx + (p.y - a.y) * dy) / long2).clamp(0.0, 1.0)
    };
    ((p.x - a.x - t * dx).powi(2) + (p.y - a.y - t * dy).powi(2)).sqrt()
}

fn side(a: Coord, b: Coord, p: Coord) -> f64 {
    (b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x)
}

pub fn between(e: Edge, f: Edge) -> f64 {
    let cross = side(e.0, e.1, f.0) * side(e.0, e.1, f.1) < 0.0
        && side(f.0, f.1, e.0) * side(f.0, f.1, e.1) < 0.0;
    if cross {
        return 0.0;
    }
    to_edge(e.0, f)
        .min(to_edge(e.1, f))
        .min(to_edge(f.0, e))
        .min(to_edge(f.1, e))
}

pub fn holds(edges: &[Edge], p: Coord) -> bool {
    let crossed = edges.iter().filter(|(a, b)| {
        (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x)
    });
    crossed.count() % 2 == 1
}

/// Least distance of any of `a` from any of `b`; more than `cap` is not looked at closely.
pub fn least(a: &[Edge], b: &[Edge], cap: f64) -> f64 {
    let mut least = cap;
    for e in a {
        let (low_x, high_x) = (e.0.x.min(e.1.x), e.0.x.max(e.1.x));
        let (low_y, high_y) = (e.0.y.min(e.1.y), e.0.y.max(e.1.y));
        for f in b {
            let apart = f.0.x.min(f.1.x) - high_x > least
                || low_x - f.0.x.max(f.1.x) > least
                || f.0.y.min(f.1.y) - high_y > least
                || low_y - f.0.y.max(f.1.y) > least;
            if !apart {
                least = least.min(between(*e, *f));
            }
        }
    }
    least
}
