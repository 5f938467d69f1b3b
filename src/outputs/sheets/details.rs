//! Large blocks on several pages: where strips lie so near each other on the front that not each has its number, further
//! pages show the parts of the block at a larger scale.

use geo::{BoundingRect, Coord};

use super::furniture;
use super::marks::{pitch, widest_number};
use super::paper::{MARGIN_M, Sheet, round_scale};
use crate::geometry::area::Bounds;
use crate::model::{BlockPlan, Paper};
use crate::outputs::map::marks::number_step;
use crate::outputs::signs;

/// More pages than these nobody leafs through by night; the scale is smaller then.
const MOST: usize = 12;
/// A map that is hardly larger shows nothing more.
const LEAST_LARGER: f64 = 1.4;
/// Neighbours have at least this much ground in common, points on paper.
const COMMON_PT: f64 = 40.0;

/// A part of a block on a page of its own.
#[derive(Clone, Copy, Debug)]
pub struct Part {
    /// `A`, `B`, ... from the north-west, row by row.
    pub letter: char,
    pub sheet: Sheet,
}

/// The parts of a block, if its front needs any.
pub fn parts(plan: &BlockPlan, front: &Sheet, paper: Paper, magnetic: bool) -> Vec<Part> {
    let widest = widest_number(plan);
    let apart = pitch(front, plan);
    if widest <= 0.0 || number_step(apart, widest) == 1 {
        return vec![];
    }
    let Some(rect) = plan.shape.bounding_rect() else {
        return vec![];
    };
    let edge = Coord {
        x: MARGIN_M,
        y: MARGIN_M,
    };
    let block = Bounds {
        min: rect.min() - edge,
        max: rect.max() + edge,
    };
    let mut wanted = front.denominator * apart / widest;
    loop {
        let denominator = scale_at_most(wanted);
        if front.denominator < LEAST_LARGER * denominator {
            return vec![];
        }
        let ways = [true, false].map(|upright| {
            let page = Sheet::of_a_part(paper, upright, denominator);
            tiles(&page, block, |sheet| signs::covers(plan, sheet.ground()))
        });
        let [upright, lying] = ways;
        let fewer = match lying.len() < upright.len() {
            true => lying,
            false => upright,
        };
        if fewer.len() <= MOST {
            let parts = fewer.into_iter().zip('A'..='Z').map(|(sheet, letter)| {
                let plates = furniture::free_plates(&sheet, magnetic, plan);
                let plates =
                    plates.unwrap_or_else(|| furniture::plates_of_choice(&sheet, magnetic));
                let sheet = Sheet { plates, ..sheet };
                Part { letter, sheet }
            });
            return parts.collect();
        }
        wanted = round_scale(denominator * 1.01);
    }
}

/// The largest round denominator that is not above, 500 at least.
fn scale_at_most(most: f64) -> f64 {
    let mut scale = round_scale(0.0);
    loop {
        let next = round_scale(scale * 1.01);
        if next > most {
            return scale;
        }
        scale = next;
    }
}

/// Pages side by side over a block, row by row from the north, without those that show none of it.
fn tiles(page: &Sheet, block: Bounds, shows: impl Fn(&Sheet) -> bool) -> Vec<Sheet> {
    let common = COMMON_PT / page.pt_per_m;
    let (width, height) = (
        page.map.width / page.pt_per_m,
        page.map.height / page.pt_per_m,
    );
    let count = |length: f64, one: f64| ((length - common) / (one - common)).ceil().max(1.0);
    let whole = block.max - block.min;
    let (columns, rows) = (count(whole.x, width), count(whole.y, height));
    // As many as are needed, spread evenly.
    let middle = |low: f64, length: f64, one: f64, count: f64, at: f64| {
        if count == 1.0 {
            return low + length / 2.0;
        }
        low + one / 2.0 + (length - one) * at / (count - 1.0)
    };
    // Beyond a hundred the scale is made smaller in any case.
    let numbers = |count: f64| (0..count.min(100.0) as u32).map(f64::from);
    let mut found = vec![];
    for row in numbers(rows) {
        for column in numbers(columns) {
            let centre = Coord {
                x: middle(block.min.x, whole.x, width, columns, column),
                y: middle(block.min.y, whole.y, height, rows, rows - 1.0 - row),
            };
            let sheet = Sheet { centre, ..*page };
            if shows(&sheet) {
                found.push(sheet);
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_round_and_not_above() {
        for (most, scale) in [
            (3.0, 500.0),
            (749.0, 500.0),
            (2000.0, 2000.0),
            (4200.0, 4000.0),
            (7499.0, 5000.0),
        ] {
            assert_eq!(scale_at_most(most), scale);
        }
    }

    #[test]
    fn tiles_cover_all_of_a_block_and_have_ground_in_common() {
        for upright in [true, false] {
            let page = Sheet::of_a_part(Paper::A4, upright, 2000.0);
            let block = Bounds {
                min: Coord { x: -900.0, y: 50.0 },
                max: Coord { x: 700.0, y: 950.0 },
            };
            let all = tiles(&page, block, |_| true);
            for step in 0..2000 {
                let at = Coord {
                    x: -900.0 + 1600.0 * f64::from(step % 50) / 49.0,
                    y: 50.0 + 900.0 * f64::from(step / 50) / 39.0,
                };
                let near = all.iter().filter(|sheet| {
                    let [west, south, east, north] = sheet.ground();
                    at.x > west - 1e-6
                        && at.x < east + 1e-6
                        && at.y > south - 1e-6
                        && at.y < north + 1e-6
                });
                assert!(near.count() > 0, "{at:?}");
            }
            for pair in all.windows(2).filter(|w| w[0].centre.y == w[1].centre.y) {
                let [left, right] = [pair[0].ground(), pair[1].ground()];
                assert!((left[2] - right[0]) * page.pt_per_m > COMMON_PT - 1e-6);
            }
            let some = tiles(&page, block, |sheet| sheet.centre.x > 0.0);
            assert!(!some.is_empty() && some.len() < all.len());
        }
    }
}
