//! Why a block keeps less than its share, and what would meet it: from the zones and pieces of the plan, measured anew.

use geo::{MultiPolygon, Polygon};

use super::Judge;
use crate::geometry::area::{area, polygon_area};
use crate::geometry::buffer::Source as Shape;
use crate::geometry::overlay::{difference, intersection, oriented};
use crate::model::*;
use crate::rulebook::ShareOf;

impl Judge<'_> {
    /// Of all retention in the block, in square metres, what its share asks for.
    fn share_asked_m2(&self, net_m2: f64) -> f64 {
        let rules = self.context.rules;
        let gross_m2 = area(&self.plan.shape);
        let share = rules.retention_share.value;
        match rules.share_of {
            _ if rules.reserves_count => share * gross_m2 - (gross_m2 - net_m2),
            ShareOf::Gross => share * gross_m2,
            ShareOf::Net => share * net_m2,
        }
    }

    /// Of `ground`, where trees may stand as retention: off reserves, road bands and clearings, and what is left as steep or soft.
    pub(super) fn may_stand(&self, ground: &MultiPolygon) -> MultiPolygon {
        let kinds = [
            ZoneKind::Reserve,
            ZoneKind::RoadBand,
            ZoneKind::RoadClearing,
        ];
        let zones = (self.plan.zones.iter()).filter(|zone| kinds.contains(&zone.kind));
        let zones = zones.flat_map(|zone| zone.shape.0.iter().cloned());
        let left = (self.plan.unworked.iter()).filter(|own| own.reason.is_left());
        let shut: Vec<Polygon> = zones.chain(left.map(|own| own.shape.clone())).collect();
        difference(ground, &shut)
    }

    /// In one sentence or two, for a block of which `kept_m2` count.
    pub(super) fn why_short(&self, net_m2: f64, kept_m2: f64) -> String {
        let plan = self.plan;
        let layout = &self.context.settings.layout;
        let zones = |kinds: &[ZoneKind]| -> Vec<Polygon> {
            let zones = plan.zones.iter().filter(|zone| kinds.contains(&zone.kind));
            zones
                .flat_map(|zone| zone.shape.0.iter().cloned())
                .collect()
        };
        let asked_m2 = self.share_asked_m2(net_m2);
        let net = difference(&plan.shape, &zones(&[ZoneKind::Reserve]));
        let off_band = difference(&net, &zones(&[ZoneKind::RoadBand, ZoneKind::RoadClearing]));
        let left = plan.unworked.iter().filter(|own| own.reason.is_left());
        let left: Vec<Polygon> = left.map(|own| own.shape.clone()).collect();
        let left_m2: f64 = left.iter().map(polygon_area).sum();
        let may_stand = difference(&off_band, &left);
        let may_m2 = area(&may_stand);
        let pass = plan
            .strips
            .iter()
            .filter(|strip| strip.kind == StripKind::BoundaryPass);
        let pass: Vec<Polygon> = pass.map(|strip| strip.shape.clone()).collect();
        let pass_m2 = area(&intersection(&may_stand, &pass));
        let reserve_m2 = (area(&plan.shape) - net_m2).max(0.0);
        let mut takes = vec![
            format!(
                "the road band {:.0} m2",
                (net_m2 - area(&off_band)).max(0.0)
            ),
            format!("the boundary pass {pass_m2:.0} m2"),
            format!("reserves {reserve_m2:.0} m2"),
        ];
        let left_counts = self.context.rules.left_counts;
        if left_m2 > 0.0 && !left_counts {
            takes.push(format!(
                "ground left as steep or soft {left_m2:.0} m2 (where that counts, `left_counts`, the share is {:.1} %)",
                100.0 * plan.share_with_left
            ));
        }
        let takes = takes.join(", ");
        let lacks = format!("{kept_m2:.0} of {asked_m2:.0} m2 count");
        let least_m2 = layout.least_patch_m2;
        let half_m = layout.corridor_min_m / 2.0;
        let plain =
            |shape, by_m| oriented(self.context.engines.plain(&Shape::Polygons(shape), by_m));
        let inner = match may_stand.0.is_empty() {
            true => may_stand.clone(),
            false => plain(may_stand.clone(), -half_m),
        };
        let wide = match inner.0.is_empty() {
            true => inner,
            false => intersection(&may_stand, &plain(inner, half_m).0),
        };
        let rooms = wide.0.iter().map(polygon_area);
        let (rooms_m2, largest_m2) = rooms.fold((0.0, 0.0f64), |(sum, largest), m2| {
            let counts_m2 = if m2 > least_m2 { m2 } else { 0.0 };
            (sum + counts_m2, largest.max(m2))
        });
        // What the left ground gives by itself need not stand anywhere else.
        let asked_m2 = match left_counts {
            true => asked_m2 - left_m2,
            false => asked_m2,
        };
        // Bands that rules ask for stand whatever the pattern is; a patch comes on top.
        let bands = (plan.zones.iter())
            .filter(|zone| zone.kind == ZoneKind::RetainedBand && !zone.is_patch());
        let bands: Vec<Polygon> = bands
            .flat_map(|zone| zone.shape.0.iter().cloned())
            .collect();
        let bands_m2 = area(&intersection(&plan.shape, &bands));
        let patch_m2 = (asked_m2 - bands_m2).max(least_m2);
        let rest_m2 = net_m2 - left_m2 - bands_m2 - patch_m2;
        let could = if may_m2 < asked_m2 {
            format!(
                "no pattern meets it: {may_m2:.0} m2 lie where trees may stand as retention, the whole of it less than asked"
            )
        } else if rooms_m2 < asked_m2 {
            format!(
                "no pattern meets it: {rooms_m2:.0} m2 lie in pieces that hold a patch of more than {least_m2:.0} m2 ({largest_m2:.0} \
                 m2 the largest, where it is no narrower than a corridor)"
            )
        } else if rest_m2 < layout.least_part_m2 {
            format!(
                "no pattern meets it and leaves ground to work: {:.0} m2 stay beside a patch of {patch_m2:.0} m2{}, less than {:.0} m2 \
                 (`least_part`)",
                rest_m2.max(0.0),
                match bands_m2 > 0.5 {
                    true => format!(" and the {bands_m2:.0} m2 of bands that rules ask for"),
                    false => String::new(),
                },
                layout.least_part_m2
            )
        } else if self.pattern() == Pattern::Corridors {
            format!(
                "patches of {:.0} m2 together would meet it (`pattern = \"both\"`)",
                asked_m2
            )
        } else {
            format!(
                "patches that meet it would leave ground that is cut off or below {:.0} m2 (`least_part`) and more of the \
                 block unworked than they keep",
                layout.least_part_m2
            )
        };
        format!("{lacks}; of the block {takes}; {could}")
    }

    fn pattern(&self) -> Pattern {
        let own = self.block.pattern;
        own.unwrap_or(self.context.settings.layout.pattern)
    }
}
