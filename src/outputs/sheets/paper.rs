//! Where things stand on the paper, and the scale: always round, as large as the map's frame allows.

use geo::{BoundingRect, Coord};

use super::canvas::{Frame, PT_PER_MM, hundredths};
use super::furniture;
use crate::model::{BlockPlan, Paper};

/// Ground shown around the block at least, metres.
pub const MARGIN_M: f64 = 25.0;
const EDGE_MM: f64 = 8.0;
const HEAD_MM: f64 = 14.0;
const CAUTIONS_MM: f64 = 17.0;
const FOOT_MM: f64 = 7.5;
const GAP_MM: f64 = 2.0;
const BETWEEN_MM: f64 = 4.0;
/// Room for the grid's figures left of and below the map.
const LABELS_MM: f64 = 4.0;
/// Panels beside the map (landscape) or below it (portrait).
const SIDE_MM: f64 = 66.0;
const BELOW_MM: f64 = 77.0;

/// Where everything stands on one sheet, in points.
#[derive(Clone, Copy, Debug)]
pub struct Sheet {
    pub width: f64,
    pub height: f64,
    pub head: Frame,
    pub map: Frame,
    /// Figures and machine; legend; findings. Side by side on upright paper; one frame for all on lying paper.
    pub panels: [Frame; 3],
    pub cautions: Frame,
    pub foot: Frame,
    /// The scale is 1 to this.
    pub denominator: f64,
    /// Points on paper of one metre of the grid.
    pub pt_per_m: f64,
    /// Of the block, in its own frame.
    pub centre: Coord,
    /// Where the scale bar and the north arrow stand.
    pub plates: (Frame, Frame),
}

/// The smallest round number that is not below: 1, 2, 2.5, 3, 4, 5 or 7.5 times a power of ten, from 500 on.
pub fn round_scale(least: f64) -> f64 {
    let least = least.max(500.0);
    let mut power = 100.0;
    loop {
        for step in [1.0, 2.0, 2.5, 3.0, 4.0, 5.0, 7.5] {
            if step * power >= least {
                return step * power;
            }
        }
        power *= 10.0;
        if power > 1e12 {
            return power;
        }
    }
}

impl Sheet {
    /// Takes upright or lying paper, whichever shows the block larger. `magnetic`: whether the north arrow shows compass
    /// north too. The scale is smaller where scale bar and north arrow would lie on the block.
    pub fn fit(plan: &BlockPlan, paper: Paper, magnetic: bool) -> Sheet {
        let [short, long] = paper.sides_mm();
        let upright = Sheet::on(plan, [short, long], true, magnetic);
        let lying = Sheet::on(plan, [long, short], false, magnetic);
        if lying.denominator < upright.denominator {
            lying
        } else {
            upright
        }
    }

    fn on(
        plan: &BlockPlan,
        [width_mm, height_mm]: [f64; 2],
        upright: bool,
        magnetic: bool,
    ) -> Sheet {
        let frames = Sheet::frames(width_mm, height_mm, upright);
        let (centre, width_m, height_m) = match plan.shape.bounding_rect() {
            Some(rect) => (rect.center(), rect.width(), rect.height()),
            None => (Coord::zero(), 0.0, 0.0),
        };
        let ratio =
            |metres: f64, points: f64| (metres + 2.0 * MARGIN_M) * 1000.0 * PT_PER_MM / points;
        let least = ratio(width_m, frames.map.width).max(ratio(height_m, frames.map.height));
        let at = |denominator: f64| Sheet {
            denominator,
            pt_per_m: 1000.0 * PT_PER_MM / denominator,
            centre,
            ..frames
        };
        let mut sheet = at(round_scale(least));
        // Three steps on it is less than half as large, and there is room in any corner.
        for _ in 0..4 {
            if let Some(plates) = furniture::free_plates(&sheet, magnetic, plan) {
                return Sheet { plates, ..sheet };
            }
            sheet = at(round_scale(sheet.denominator * 1.01));
        }
        Sheet {
            plates: furniture::plates_of_choice(&sheet, magnetic),
            ..sheet
        }
    }

    /// A page with nothing but a map beside head, cautions and foot; its middle is not set yet.
    pub fn of_a_part(paper: Paper, upright: bool, denominator: f64) -> Sheet {
        let [short, long] = paper.sides_mm();
        let [width_mm, height_mm] = if upright {
            [short, long]
        } else {
            [long, short]
        };
        let frames = Sheet::frames(width_mm, height_mm, upright);
        let [left, right] = [frames.map.x, frames.head.right()];
        let pt = |mm: f64| hundredths(mm * PT_PER_MM);
        let below = EDGE_MM + FOOT_MM;
        let cautions = Frame {
            x: frames.head.x,
            y: pt(below),
            width: frames.head.width,
            height: pt(CAUTIONS_MM),
        };
        let low = cautions.top() + pt(GAP_MM + LABELS_MM);
        Sheet {
            map: Frame {
                x: left,
                y: low,
                width: right - left,
                height: frames.head.y - low,
            },
            cautions,
            foot: Frame {
                width: frames.head.width,
                ..frames.foot
            },
            denominator,
            pt_per_m: 1000.0 * PT_PER_MM / denominator,
            ..frames
        }
    }

    /// A sheet on which nothing is shown yet.
    fn frames(width_mm: f64, height_mm: f64, upright: bool) -> Sheet {
        let frame = |x: f64, y: f64, width: f64, height: f64| Frame {
            x: hundredths(x * PT_PER_MM),
            y: hundredths(y * PT_PER_MM),
            width: hundredths(width * PT_PER_MM),
            height: hundredths(height * PT_PER_MM),
        };
        let inner = width_mm - 2.0 * EDGE_MM;
        let bottom = EDGE_MM + FOOT_MM;
        let body = bottom + CAUTIONS_MM + GAP_MM;
        let top = height_mm - EDGE_MM - HEAD_MM;
        let beside = if upright { 0.0 } else { SIDE_MM + BETWEEN_MM };
        let foot = frame(EDGE_MM, EDGE_MM - 2.0, inner - beside, FOOT_MM);
        let (map, panels, cautions) = if upright {
            let below = body + BELOW_MM + LABELS_MM + GAP_MM;
            let map = frame(EDGE_MM + LABELS_MM, below, inner - LABELS_MM, top - below);
            let third = (inner - 2.0 * BETWEEN_MM) / 3.0;
            let panel = |index: f64| {
                let x = EDGE_MM + index * (third + BETWEEN_MM);
                frame(x, body, third, BELOW_MM)
            };
            let cautions = frame(EDGE_MM, bottom, inner, CAUTIONS_MM);
            (map, [panel(0.0), panel(1.0), panel(2.0)], cautions)
        } else {
            let left = inner - beside;
            let low = body + LABELS_MM;
            let map = frame(EDGE_MM + LABELS_MM, low, left - LABELS_MM, top - low);
            // The panels need the height: cautions and foot stand below the map only.
            let side = frame(EDGE_MM + left + BETWEEN_MM, EDGE_MM, SIDE_MM, top - EDGE_MM);
            let cautions = frame(EDGE_MM, bottom, left, CAUTIONS_MM);
            (map, [side; 3], cautions)
        };
        Sheet {
            width: hundredths(width_mm * PT_PER_MM),
            height: hundredths(height_mm * PT_PER_MM),
            head: frame(EDGE_MM, top, inner, HEAD_MM),
            map,
            panels,
            cautions,
            foot,
            denominator: 1.0,
            pt_per_m: 1.0,
            centre: Coord::zero(),
            plates: (map, map),
        }
    }

    /// Where the cautions stand, for tests.
    #[cfg(test)]
    pub fn cautions_of(width_mm: f64, height_mm: f64, upright: bool) -> Frame {
        Sheet::frames(width_mm, height_mm, upright).cautions
    }

    pub fn is_upright(&self) -> bool {
        self.height > self.width
    }

    pub fn place(&self, coord: Coord) -> (f64, f64) {
        (
            self.map.x + self.map.width / 2.0 + (coord.x - self.centre.x) * self.pt_per_m,
            self.map.y + self.map.height / 2.0 + (coord.y - self.centre.y) * self.pt_per_m,
        )
    }

    /// What [`Sheet::place`] puts there.
    pub fn ground_at(&self, x: f64, y: f64) -> (f64, f64) {
        (
            self.centre.x + (x - self.map.x - self.map.width / 2.0) / self.pt_per_m,
            self.centre.y + (y - self.map.y - self.map.height / 2.0) / self.pt_per_m,
        )
    }

    /// West, south, east and north of the map, in the block's frame.
    pub fn ground(&self) -> [f64; 4] {
        let (half_x, half_y) = (
            self.map.width / 2.0 / self.pt_per_m,
            self.map.height / 2.0 / self.pt_per_m,
        );
        [
            self.centre.x - half_x,
            self.centre.y - half_y,
            self.centre.x + half_x,
            self.centre.y + half_y,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_round() {
        for (least, scale) in [
            (3.0, 500.0),
            (500.0, 500.0),
            (501.0, 750.0),
            (2001.0, 2500.0),
            (2501.0, 3000.0),
            (51_000.0, 75_000.0),
        ] {
            assert_eq!(round_scale(least), scale);
        }
        assert!(round_scale(f64::INFINITY).is_finite());
    }
}
