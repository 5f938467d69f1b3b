//! Wood felled along the machine's drives, from the sections they run through.

use geo::{Coord, LineString, MultiPolygon};

use super::hours::Stands;
use crate::geometry::area::{Bounds, area, length, rings};
use crate::geometry::distance::{inside, point_segment, segment_segment, share_along};
use crate::model::{PieceId, Section, ShiftClass, StripLine};
use crate::units::hectares;

/// A stretch of a drive inside one section. The section's wood is spread evenly over the length driven in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Stations along the drive.
    pub from_m: f64,
    pub to_m: f64,
    pub class: ShiftClass,
    pub volume_m3: f64,
    pub trees: f64,
    /// As of its section.
    pub bunch_share: Option<f64>,
    pub tree_height_m: Option<f64>,
    section: usize,
}

/// The stretches of every line, in its order. A section that no drive runs through is felled from the nearest drive, of
/// its own piece if that has any. Where nobody says how many trees stand or how large they are, nothing is felled.
pub fn along(lines: &[StripLine], sections: &[Section], stands: &Stands) -> Vec<Vec<Stretch>> {
    let mut by_id: Vec<(PieceId, usize)> = sections.iter().map(|s| s.id).zip(0..).collect();
    by_id.sort();
    let own = |id: PieceId| {
        let from = by_id.partition_point(|&(other, _)| other < id);
        by_id[from..]
            .iter()
            .take_while(move |&&(other, _)| other == id)
            .map(|&(_, index)| index)
    };
    let mut driven_m = vec![0.0; sections.len()];
    let mut stretches: Vec<Vec<Stretch>> = Vec::with_capacity(lines.len());
    for line in lines {
        let here: Vec<usize> = own(line.id).collect();
        let cuts = cut(&line.shape, sections, &here);
        for stretch in &cuts {
            driven_m[stretch.section] += stretch.to_m - stretch.from_m;
        }
        stretches.push(cuts);
    }
    let wood: Vec<[f64; 2]> = sections.iter().map(|s| wood(s, stands)).collect();
    for stretch in stretches.iter_mut().flatten() {
        let share = (stretch.to_m - stretch.from_m) / driven_m[stretch.section];
        [stretch.volume_m3, stretch.trees] = wood[stretch.section].map(|all| all * share);
    }
    for (index, section) in sections.iter().enumerate() {
        if driven_m[index] > 0.0 || wood[index][0] <= 0.0 {
            continue;
        }
        let Some(place) = sample(&section.shape) else {
            continue;
        };
        let of_piece = lines.iter().any(|line| line.id == section.id);
        let Some((line, station)) = nearest(lines, place, of_piece.then_some(section.id)) else {
            continue;
        };
        let last = stretches[line].len().saturating_sub(1);
        let at = stretches[line].iter().position(|s| station <= s.to_m);
        if let Some(stretch) = stretches[line].get_mut(at.unwrap_or(last)) {
            stretch.volume_m3 += wood[index][0];
            stretch.trees += wood[index][1];
        }
    }
    stretches
}

/// A place in a section: the middle of its box, or a corner where that lies outside.
fn sample(shape: &MultiPolygon) -> Option<Coord> {
    let polygon = shape.0.first()?;
    let middle = Bounds::of(&polygon.exterior().0).middle();
    if inside(middle, shape) {
        Some(middle)
    } else {
        polygon.exterior().0.first().copied()
    }
}

/// Volume and trees of a section; none where either is unknown.
fn wood(section: &Section, stands: &Stands) -> [f64; 2] {
    if let (Some(volume_m3), Some(trees)) = (section.volume_m3, section.trees) {
        return [volume_m3, trees];
    }
    let standing = sample(&section.shape).map(|place| stands.trees(place));
    match standing {
        Some((Some(stems_per_ha), Some(tree_m3))) => {
            let trees = stems_per_ha * hectares(area(&section.shape));
            [trees * tree_m3, trees]
        }
        _ => [0.0, 0.0],
    }
}

/// Divides a line by the sections it runs through; what lies in none of them goes with the stretch before, the first
/// with the one after.
fn cut(line: &LineString, sections: &[Section], here: &[usize]) -> Vec<Stretch> {
    let whole_m = length(line);
    let stretch = |from_m: f64, to_m: f64, section: usize| Stretch {
        from_m,
        to_m,
        class: sections[section].shift_class,
        volume_m3: 0.0,
        trees: 0.0,
        bunch_share: sections[section].bunch_share,
        tree_height_m: sections[section].tree_height_m,
        section,
    };
    let Some(&first) = here.first() else {
        return vec![];
    };
    if whole_m <= 0.0 {
        return vec![];
    }
    if here.len() == 1 {
        return vec![stretch(0.0, whole_m, first)];
    }
    let mut stations = vec![0.0, whole_m];
    let mut run_m = 0.0;
    for w in line.0.windows(2) {
        let (a, b) = (w[0], w[1]);
        let step_m = (b - a).x.hypot((b - a).y);
        for ring in here
            .iter()
            .flat_map(|&index| sections[index].shape.0.iter().flat_map(rings))
        {
            for edge in ring.0.windows(2) {
                if segment_segment(a, b, edge[0], edge[1]) == 0.0 {
                    stations.push(run_m + crossing(a, b, edge[0], edge[1]) * step_m);
                }
            }
        }
        run_m += step_m;
    }
    stations.sort_by(f64::total_cmp);
    let track = Track::new(line);
    let mut found: Vec<(f64, f64, Option<usize>)> = Vec::new();
    for w in stations.windows(2).filter(|w| w[1] - w[0] > 1e-6) {
        let middle = track.at((w[0] + w[1]) / 2.0);
        let section = here
            .iter()
            .copied()
            .find(|&index| inside(middle, &sections[index].shape));
        found.push((w[0], w[1], section));
    }
    let mut current = found
        .iter()
        .find_map(|&(_, _, section)| section)
        .unwrap_or(first);
    let mut stretches: Vec<Stretch> = Vec::new();
    for (from_m, to_m, section) in found {
        current = section.unwrap_or(current);
        match stretches.last_mut() {
            Some(last) if last.section == current => last.to_m = to_m,
            _ => {
                // Slivers of a station left out above must not tear the line.
                let from_m = stretches.last().map_or(0.0, |last| last.to_m).min(from_m);
                stretches.push(stretch(from_m, to_m, current));
            }
        }
    }
    stretches
}

/// Where along `a`-`b`, from 0 to 1, it meets `c`-`d`.
pub fn crossing(a: Coord, b: Coord, c: Coord, d: Coord) -> f64 {
    let (along, edge, to) = (b - a, d - c, c - a);
    let cross = along.x * edge.y - along.y * edge.x;
    if cross != 0.0 {
        return ((to.x * edge.y - to.y * edge.x) / cross).clamp(0.0, 1.0);
    }
    share_along(c, a, b)
}

/// The line that comes nearest to a place and the station there, among those of one piece or all.
fn nearest(lines: &[StripLine], place: Coord, id: Option<PieceId>) -> Option<(usize, f64)> {
    let mut best: Option<(f64, usize, f64)> = None;
    for (index, line) in lines.iter().enumerate() {
        if id.is_some_and(|id| id != line.id) {
            continue;
        }
        let bounds = Bounds::of(&line.shape.0);
        let far = best.is_some_and(|(off_m, ..)| {
            let p = Bounds {
                min: place,
                max: place,
            };
            !bounds.grown(off_m).meets(&p)
        });
        if far {
            continue;
        }
        if let Some((off_m, station_m)) = nearest_on(&line.shape, place)
            && best.is_none_or(|(least_m, ..)| off_m < least_m)
        {
            best = Some((off_m, index, station_m));
        }
    }
    best.map(|(_, index, station)| (index, station))
}

/// How far a line is from a place, and its station there; None where it has no length.
pub fn nearest_on(line: &LineString, place: Coord) -> Option<(f64, f64)> {
    let mut best: Option<(f64, f64)> = None;
    let mut run_m = 0.0;
    for w in line.0.windows(2) {
        let off_m = point_segment(place, w[0], w[1]);
        let d = w[1] - w[0];
        let step_m = d.x.hypot(d.y);
        if step_m > 0.0 && best.is_none_or(|(least_m, _)| off_m < least_m) {
            let to = place - w[0];
            let t = ((to.x * d.x + to.y * d.y) / (step_m * step_m)).clamp(0.0, 1.0);
            best = Some((off_m, run_m + t * step_m));
        }
        run_m += step_m;
    }
    best
}

/// A line with stations along it.
pub struct Track<'l> {
    line: &'l LineString,
    stations: Vec<f64>,
}

impl<'l> Track<'l> {
    pub fn new(line: &'l LineString) -> Track<'l> {
        let mut stations = Vec::with_capacity(line.0.len());
        let mut run_m = 0.0;
        for (index, p) in line.0.iter().enumerate() {
            if index > 0 {
                let d = *p - line.0[index - 1];
                run_m += d.x.hypot(d.y);
            }
            stations.push(run_m);
        }
        Track { line, stations }
    }

    pub fn length_m(&self) -> f64 {
        self.stations.last().copied().unwrap_or(0.0)
    }

    /// From the first vertex to the last; to the north where they are one.
    pub fn direction(&self) -> Coord {
        let ends = self.line.0.first().zip(self.line.0.last());
        let d = ends.map_or(Coord { x: 0.0, y: 1.0 }, |(a, b)| *b - *a);
        let length_m = d.x.hypot(d.y);
        if length_m > 0.0 {
            d / length_m
        } else {
            Coord { x: 0.0, y: 1.0 }
        }
    }

    /// The place at a station; before the start and beyond the end, its nearer end.
    pub fn at(&self, station: f64) -> Coord {
        let next = self.stations.partition_point(|&s| s < station);
        let line = &self.line.0;
        match (next.checked_sub(1), line.get(next)) {
            (None, first) => first.copied().unwrap_or_default(),
            (Some(before), None) => line.get(before).copied().unwrap_or_default(),
            (Some(before), Some(&b)) => {
                let a = line[before];
                let step_m = self.stations[next] - self.stations[before];
                a + (b - a) * ((station - self.stations[before]) / step_m)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::sections::untimed;
    use crate::model::{Heading, Production, StripKind};
    use geo::Polygon;

    fn id(piece: u32) -> PieceId {
        PieceId {
            part: 1,
            strip_no: 1,
            piece,
        }
    }

    fn section(piece: u32, (x0, x1): (f64, f64), (y0, y1): (f64, f64), volume_m3: f64) -> Section {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Section {
            id: id(piece),
            trees: Some(2.0 * volume_m3),
            volume_m3: Some(volume_m3),
            ..untimed(Polygon::new(LineString::from(ring), vec![]))
        }
    }

    #[test]
    fn a_drive_leads_from_its_first_place_to_its_last_and_north_where_they_are_one() {
        let direction = |points: Vec<(f64, f64)>| Track::new(&points.into()).direction();
        let bent = direction(vec![(1., 1.), (9., -5.), (4., 5.)]);
        assert_eq!((bent.x, bent.y), (0.6, 0.8));
        let ring = direction(vec![(1., 1.), (9., -5.), (1., 1.)]);
        assert_eq!((ring.x, ring.y), (0.0, 1.0));
    }

    /// A drive of 100 m through three sections, beside one without a drive, 45 m up it.
    #[test]
    fn a_section_without_a_drive_is_felled_from_the_stretch_beside_it() {
        let line = StripLine {
            id: id(1),
            kind: StripKind::Interior,
            order: 1,
            heading: Heading::In,
            shape: LineString::from(vec![(0., 0.), (10., 0.), (40., 0.), (100., 0.)]),
            travel_to_next_m: None,
            cross_slope: None,
            travel: None,
        };
        let sections = [
            section(1, (0., 30.), (-8., 8.), 10.0),
            section(1, (30., 60.), (-8., 8.), 20.0),
            section(1, (60., 100.), (-8., 8.), 40.0),
            section(2, (43., 47.), (8., 20.), 3.0),
        ];
        let production = Production::default();
        let stretches = along(&[line], &sections, &Stands::new(&[], &production));
        let found: Vec<[f64; 4]> = (stretches[0].iter())
            .map(|s| [s.from_m, s.to_m, s.volume_m3, s.trees])
            .collect();
        let wanted = [
            [0., 30., 10., 20.],
            [30., 60., 23., 46.],
            [60., 100., 40., 80.],
        ];
        assert_eq!(found.len(), wanted.len(), "{found:?}");
        for (found, wanted) in found.iter().flatten().zip(wanted.iter().flatten()) {
            assert!((found - wanted).abs() < 1e-9, "{found} {wanted}");
        }
    }
}
