//! Notes that speak of a block's own edge: corners that lie elsewhere, and lines beyond which nothing is left to cut.
//!
//! A block is what was approved. What a note takes from it is taken; what it would add is not, unless the project says that
//! corners may add ground and the note says how far off it may be.

use geo::{Coord, MultiPolygon};

use super::ground::{bounds, feature, metres};
use crate::geometry::area::{Bounds, area};
use crate::geometry::frame::{map_lines, map_polygons};
use crate::geometry::outline_moves::{Corner, NoMove, NoParting, corners, move_corner, part};
use crate::geometry::overlay::{difference, intersection};
use crate::model::{
    EdgeChange, Feature, FieldNote, LayerKind, NoteFate, NoteRole, NoteRules, Shape, SourceBlock,
};
use crate::units::hectares;

/// Corners of several blocks as near as this are one place.
const SAME_PLACE_M: f64 = 0.5;
/// A corner that is as near as this to where it was is where it was.
const SAME_CORNER_M: f64 = 0.1;
/// Vertices that an overlay leaves this near to where they were are what they were.
const SAME_VERTEX_M: f64 = 0.001;
/// How far a nearest corner is looked for, to be told of.
const LOOK_M: f64 = 1_000.0;

/// Changes blocks as notes say, by `reshape`, which gives a block another outline or says why it cannot; what is cut beyond a
/// line of stumps is added to the features.
pub(in crate::sources) fn apply(
    notes: &mut [FieldNote],
    rules: &NoteRules,
    blocks: &mut [SourceBlock],
    features: &mut Vec<Feature>,
    mut reshape: impl FnMut(&mut SourceBlock, MultiPolygon) -> Result<(), String>,
) {
    let claimed = twice_claimed(notes, rules, blocks);
    for (at, note) in notes.iter_mut().enumerate() {
        if note.fate != NoteFate::Used {
            continue;
        }
        let mut reshape = |block: &mut SourceBlock, shape: MultiPolygon| {
            let before = block.shape.clone();
            reshape(block, shape)?;
            block.outlines.push((at, before));
            Ok(())
        };
        let done = match note.role {
            Some(NoteRole::BlockCorner) => match claimed.contains(&at) {
                true => Err("another note moves the same corner; none of them does".to_owned()),
                false => corner(note, rules, blocks, &mut reshape),
            },
            Some(role @ (NoteRole::StumpLine | NoteRole::BlockLine)) => {
                line(note, role, rules, blocks, features, &mut reshape)
            }
            _ => continue,
        };
        match done {
            Ok(message) => note.message = message,
            Err(why) => {
                note.fate = NoteFate::Refused;
                note.message = why;
            }
        }
    }
}

/// A corner of a block near a note.
#[derive(Clone, Copy)]
struct Claim {
    block: usize,
    corner: Corner,
    /// Of the plane.
    at: Coord,
    away_m: f64,
}

/// Corners of all blocks within a distance of a place of the plane, the nearest first.
fn near(place: Coord, within_m: f64, blocks: &[SourceBlock]) -> Vec<Claim> {
    let mut found = Vec::new();
    for (index, block) in blocks.iter().enumerate() {
        let reach = within_m * block.frame.plane_per_metre() * 2.0;
        if Bounds::of_polygons(&block.shape).distance(place) > reach {
            continue;
        }
        let frame = &block.frame;
        let shape = map_polygons(&block.shape, |c| frame.enter(c));
        let own = frame.enter(place);
        for corner in corners(&shape) {
            let d = corner.at - own;
            let away_m = d.x.hypot(d.y);
            if away_m <= within_m {
                found.push(Claim {
                    block: index,
                    corner,
                    at: frame.to_plane(corner.at),
                    away_m,
                });
            }
        }
    }
    found.sort_by(|a, b| a.away_m.total_cmp(&b.away_m));
    found
}

fn place_of(note: &FieldNote) -> Result<Coord, String> {
    match &note.shape {
        Shape::Points(points) if points.0.len() == 1 => Ok(points.0[0].0),
        _ => Err("a corner is one point, and this note is none".to_owned()),
    }
}

fn is_same_place(a: &Claim, b: &Claim, blocks: &[SourceBlock]) -> bool {
    let frame = &blocks[a.block].frame;
    let d = frame.enter(b.at) - frame.enter(a.at);
    d.x.hypot(d.y) <= SAME_PLACE_M
}

/// The corner that a note names: of one block, or of several that have it in common.
fn claimed(
    note: &FieldNote,
    rules: &NoteRules,
    blocks: &[SourceBlock],
) -> Result<(Coord, Vec<Claim>), String> {
    let place = place_of(note)?;
    let within_m = rules.corner_within_m;
    let found = near(place, within_m, blocks);
    let Some(first) = found.first().copied() else {
        let nearest = near(place, LOOK_M, blocks).first().map_or_else(
            || format!("nor within {} m", metres(LOOK_M)),
            |claim| {
                let id = &blocks[claim.block].id;
                format!(
                    "the nearest, of block {id}, is {} m off",
                    metres(claim.away_m)
                )
            },
        );
        return Err(format!(
            "no corner of a block lies within {} m of it ({nearest}); no corner is moved",
            metres(within_m)
        ));
    };
    let (same, others): (Vec<Claim>, Vec<Claim>) = found
        .into_iter()
        .partition(|claim| is_same_place(&first, claim, blocks));
    if let Some(other) = others.first() {
        return Err(format!(
            "two corners lie within {} m of it, of block {} at {} m and of block {} at {} m; none is moved",
            metres(within_m),
            blocks[first.block].id,
            metres(first.away_m),
            blocks[other.block].id,
            metres(other.away_m)
        ));
    }
    Ok((place, same))
}

/// Indexes of notes that move a corner which another moves, too.
fn twice_claimed(notes: &[FieldNote], rules: &NoteRules, blocks: &[SourceBlock]) -> Vec<usize> {
    let is_corner =
        |note: &FieldNote| note.role == Some(NoteRole::BlockCorner) && note.fate == NoteFate::Used;
    let claims: Vec<(usize, Claim)> = (notes.iter().enumerate())
        .filter(|(_, note)| is_corner(note))
        .filter_map(|(at, note)| Some((at, *claimed(note, rules, blocks).ok()?.1.first()?)))
        .collect();
    let twice = claims.iter().filter(|(at, claim)| {
        let mut others = claims.iter().filter(|(other, _)| other != at);
        others.any(|(_, other)| is_same_place(claim, other, blocks))
    });
    twice.map(|(at, _)| *at).collect()
}

fn corner(
    note: &mut FieldNote,
    rules: &NoteRules,
    blocks: &mut [SourceBlock],
    reshape: &mut impl FnMut(&mut SourceBlock, MultiPolygon) -> Result<(), String>,
) -> Result<String, String> {
    let (place, claims) = claimed(note, rules, blocks)?;
    let Some(first) = claims.first().copied() else {
        return Err("no corner is near".to_owned());
    };
    if first.away_m <= SAME_CORNER_M {
        return Ok("the corner is where the blocks layer has it".to_owned());
    }
    if let Some(off_m) = note.accuracy_m.filter(|off_m| *off_m >= first.away_m) {
        return Err(format!(
            "the note may be {} m off, and the corner of block {} is only {} m away; it is not moved",
            metres(off_m),
            blocks[first.block].id,
            metres(first.away_m)
        ));
    }
    let may_add = rules.corners_may_add && note.accuracy_m.is_some();
    // All of them first, so that none is moved unless all can be.
    let mut moved = Vec::new();
    for claim in &claims {
        let block = &blocks[claim.block];
        let frame = &block.frame;
        let before = map_polygons(&block.shape, |c| frame.enter(c));
        let after = move_corner(&before, claim.corner, frame.enter(place))
            .map_err(|why| no_move(why, &block.id))?;
        moved.push((claim.block, Change::between(before, after, may_add)));
    }
    for (index, change) in moved {
        let block = &mut blocks[index];
        let shape = change.in_plane(block);
        reshape(block, shape)?;
        note.edges.push(change.edge(block));
    }
    Ok(format!(
        "the corner of block {} is moved by {} m: {}",
        blocks[first.block].id,
        metres(first.away_m),
        sums(&note.edges)
    ))
}

fn no_move(why: NoMove, id: &str) -> String {
    match why {
        NoMove::ShortEdge { edge_m, way_m } => format!(
            "the corner of block {id} is {} m away, and an edge there is only {} m long: redraw the block; it is not moved",
            metres(way_m),
            metres(edge_m)
        ),
        NoMove::Crosses => format!(
            "the outline of block {id} would cross itself: redraw the block; its corner is not moved"
        ),
    }
}

fn sums(edges: &[EdgeChange]) -> String {
    let each = edges.iter().map(|edge| {
        let not_taken = match edge.not_taken_m2 > 0.5 {
            true => format!(
                ", {:.2} ha that it would add are not taken, since the block was approved without them",
                hectares(edge.not_taken_m2)
            ),
            false => String::new(),
        };
        format!(
            "block {} gains {:.2} ha and loses {:.2} ha{not_taken}",
            edge.block,
            hectares(edge.gained_m2),
            hectares(edge.lost_m2)
        )
    });
    each.collect::<Vec<_>>().join("; ")
}

/// Another outline of a block, in its frame.
struct Change {
    before: MultiPolygon,
    after: MultiPolygon,
    gained: MultiPolygon,
    lost: MultiPolygon,
    not_taken_m2: f64,
}

impl Change {
    fn between(before: MultiPolygon, drawn: MultiPolygon, may_add: bool) -> Change {
        let lost = difference(&before, &drawn.0);
        let added = difference(&drawn, &before.0);
        if may_add {
            return Change {
                before,
                after: drawn,
                gained: added,
                lost,
                not_taken_m2: 0.0,
            };
        }
        let not_taken_m2 = area(&added);
        // Nothing lost: the outline stays to the last vertex.
        let after = match lost.0.is_empty() {
            true => before.clone(),
            false => intersection(&before, &drawn.0),
        };
        Change {
            before,
            after,
            gained: MultiPolygon(vec![]),
            lost,
            not_taken_m2,
        }
    }

    /// The new outline in the plane; vertices that did not move are what they were.
    fn in_plane(&self, block: &SourceBlock) -> MultiPolygon {
        let known: Vec<(Coord, Coord)> = (self.before.0.iter().zip(&block.shape.0))
            .flat_map(|(own, plane)| {
                let rings = crate::geometry::area::rings;
                rings(own).zip(rings(plane))
            })
            .flat_map(|(own, plane)| own.0.iter().copied().zip(plane.0.iter().copied()))
            .collect();
        map_polygons(&self.after, |c| {
            let same = known.iter().find(|(own, _)| {
                let d = *own - c;
                d.x.hypot(d.y) <= SAME_VERTEX_M
            });
            same.map_or_else(|| block.frame.to_plane(c), |(_, plane)| *plane)
        })
    }

    fn edge(&self, block: &SourceBlock) -> EdgeChange {
        let shapes = self.gained.0.iter().chain(&self.lost.0).cloned();
        let shape = MultiPolygon(shapes.collect());
        EdgeChange {
            block: block.id.clone(),
            gained_m2: area(&self.gained),
            lost_m2: area(&self.lost),
            not_taken_m2: self.not_taken_m2,
            shape: block.frame.polygons_to_plane(&shape),
        }
    }
}

fn line(
    note: &mut FieldNote,
    role: NoteRole,
    rules: &NoteRules,
    blocks: &mut [SourceBlock],
    features: &mut Vec<Feature>,
    reshape: &mut impl FnMut(&mut SourceBlock, MultiPolygon) -> Result<(), String>,
) -> Result<String, String> {
    let Shape::Lines(lines) = &note.shape else {
        return Err(
            "a line is walked or drawn, as a track or route, and this note is none; nothing follows from it"
                .to_owned(),
        );
    };
    let own = bounds(&note.shape);
    let mut parted = Vec::new();
    for (index, block) in blocks.iter().enumerate() {
        if !Bounds::of_polygons(&block.shape).meets(&own) {
            continue;
        }
        let frame = &block.frame;
        let before = map_polygons(&block.shape, |c| frame.enter(c));
        let lines = map_lines(lines, |c| frame.enter(c));
        match part(&before, &lines, rules.corner_within_m) {
            Ok(parts) => parted.push((index, before, parts)),
            Err(NoParting::Apart) => {}
            Err(NoParting::EndsInside { from_edge_m }) => {
                return Err(format!(
                    "it ends inside block {}, {} m from its edge; nobody can tell what lies beyond it",
                    block.id,
                    metres(from_edge_m)
                ));
            }
            Err(NoParting::WhichSide { share }) => {
                return Err(format!(
                    "it leaves {:.0} % of block {} on its smaller side; nobody can tell which side is meant",
                    100.0 * share,
                    block.id
                ));
            }
        }
    }
    if parted.is_empty() {
        return Ok("it parts no block".to_owned());
    }
    let mut cut = Vec::new();
    let mut told = Vec::new();
    for (index, before, parts) in parted {
        let block = &mut blocks[index];
        told.push(format!(
            "{:.2} ha of block {}",
            hectares(parts.beyond_m2),
            block.id
        ));
        let edge = EdgeChange {
            block: block.id.clone(),
            gained_m2: 0.0,
            lost_m2: parts.beyond_m2,
            not_taken_m2: 0.0,
            shape: block.frame.polygons_to_plane(&parts.beyond),
        };
        if role == NoteRole::BlockLine {
            let change = Change {
                before,
                after: parts.left,
                gained: MultiPolygon(vec![]),
                lost: parts.beyond,
                not_taken_m2: 0.0,
            };
            let shape = change.in_plane(block);
            reshape(block, shape)?;
        } else {
            cut.extend(edge.shape.0.iter().cloned());
        }
        note.edges.push(edge);
    }
    let told = told.join(", ");
    if role == NoteRole::BlockLine {
        return Ok(format!(
            "the block ends at this line: {told} beyond it belong to it no more"
        ));
    }
    note.feature = Some(features.len());
    let shape = Shape::Polygons(MultiPolygon(cut));
    features.push(feature(note, LayerKind::Felled, shape, None));
    Ok(format!("beyond this line all is cut already: {told}"))
}
