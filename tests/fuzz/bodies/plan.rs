//! What is asked of every layout, whatever it was made of.

use blockwright::geometry::area::{area, polygon_area};
use blockwright::geometry::overlay::union;
use blockwright::model::*;
use geo::{MultiPolygon, Polygon};

use super::shapes::{coords, geos, is_finite, outside_m2};

/// Books that balance.
const BALANCE_M2: f64 = 1.0;

pub fn sound(plan: &BlockPlan) {
    let unsound = super::in_memory::unsound(plan);
    assert!(unsound.is_empty(), "{}", unsound.join("\n"));
    let strips: Vec<Polygon> = plan
        .strips
        .iter()
        .map(|strip| strip.shape.clone())
        .collect();
    let strips = MultiPolygon(strips);
    let corridors: f64 = plan.corridors.iter().map(|c| polygon_area(&c.shape)).sum();
    let unworked: f64 = plan.unworked.iter().map(|u| polygon_area(&u.shape)).sum();
    let sections: f64 = plan.sections.iter().map(|s| area(&s.shape)).sum();
    let (cut, gross) = (area(&strips), area(&plan.shape));
    let retained = corridors + area(&plan.retained_bands);
    let books = plan.books;
    for (what, written, found) in [
        ("gross", books.gross_m2, gross),
        ("cut", books.cut_m2, cut),
        ("cut in sections", books.cut_m2, sections),
        ("retained", books.retained_m2, retained),
        ("unworked", books.unworked_m2, unworked),
        ("net", books.net_m2, gross - books.reserve_m2),
        ("net shared out", books.net_m2, cut + retained + unworked),
    ] {
        assert!(
            (written - found).abs() <= BALANCE_M2,
            "{what}: {written} written, {found} there; {books:?}"
        );
    }
    assert!(
        (0.0..=1.0).contains(&plan.retention_share),
        "{}",
        plan.retention_share
    );
    for hours in [plan.day_hours, plan.night_hours, plan.skid_hours]
        .into_iter()
        .flatten()
    {
        assert!(hours.is_finite() && hours >= 0.0, "{hours} hours");
    }
    let zones = plan.zones.iter().map(|zone| &zone.shape);
    for shape in zones.chain([&strips, &plan.shape, &plan.retained_bands]) {
        assert!(is_finite(coords(shape)));
    }
    for line in &plan.lines {
        assert!(is_finite(&line.shape.0));
    }
    let whole = geos(&plan.shape)
        .buffer(0.001, 2)
        .expect("a buffer by GEOS");
    for strip in &strips.0 {
        let strip = geos(&MultiPolygon(vec![strip.clone()]));
        assert!(strip.is_valid(), "{}", strip.wkt().unwrap_or_default());
        let outside_m2 = outside_m2(&strip, &whole);
        assert!(
            outside_m2 <= 0.01,
            "a strip lies {outside_m2} m2 outside its block"
        );
    }
    let once_m2 = area(&union(&strips.0));
    assert!(
        (cut - once_m2).abs() <= BALANCE_M2,
        "{cut} m2 of strips cover {once_m2} m2"
    );
    let reserves = plan
        .zones
        .iter()
        .filter(|zone| zone.kind == ZoneKind::Reserve);
    for reserve in reserves {
        let shared_m2 = blockwright::geometry::overlay::shared_area(&strips, &reserve.shape.0);
        assert!(shared_m2 <= 0.1, "{shared_m2} m2 of a reserve are cut");
    }
}
