//! From where the wind of the day may blow so that snow and dust go away from the trees that come next.

use geo::Coord;

use crate::model::{BlockPlan, PieceId, StripKind, StripLine};

/// Strips whose middles lie nearer together go on in no way.
const LEAST_M: f64 = 1.0;

/// Of one setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindOrder {
    /// Wind from between these ways, clockwise, in degrees from true north, 0 to 360: as numbered. From elsewhere: the other way round.
    pub from_deg: f64,
    pub until_deg: f64,
    /// The strips at either end: with which it is begun as numbered, and the other way round.
    pub first: PieceId,
    pub last: PieceId,
}

/// None where no two strips lie side by side.
pub fn of(plan: &BlockPlan, part: u32) -> Option<WindOrder> {
    let own = |line: &&StripLine| line.id.part == part && line.kind == StripKind::Interior;
    let lines = plan.lines.iter().filter(own);
    // By their numbers: what lies behind a hole may come last wherever it lies.
    let number = |line: &&StripLine| (line.id.strip_no, line.order);
    let first = lines.clone().min_by_key(number)?;
    let last = lines.max_by_key(number)?;
    let on = middle(last)? - middle(first)?;
    if first.id.strip_no == last.id.strip_no {
        return None;
    }
    // Square to the strips: wind along them blows on neither.
    let along = *first.shape.0.last()? - *first.shape.0.first()?;
    let along = along / along.x.hypot(along.y).max(f64::MIN_POSITIVE);
    let square = Coord {
        x: along.y,
        y: -along.x,
    };
    let on = square * (square.x * on.x + square.y * on.y);
    if on.x.hypot(on.y) < LEAST_M {
        return None;
    }
    let on_deg = on.x.atan2(on.y).to_degrees() + plan.frame.grid_north_deg();
    Some(WindOrder {
        from_deg: whole(on_deg - 90.0),
        until_deg: whole(on_deg + 90.0),
        first: first.id,
        last: last.id,
    })
}

/// Nobody tells the wind to less than a degree.
fn whole(deg: f64) -> f64 {
    deg.round().rem_euclid(360.0)
}

fn middle(line: &StripLine) -> Option<Coord> {
    let (a, b) = (line.shape.0.first()?, line.shape.0.last()?);
    Some((*a + *b) / 2.0)
}
