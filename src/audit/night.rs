//! Work in the dark on ground for daylight only.

use chrono::{DateTime, Utc};
use geo::{LineString, MultiLineString, MultiPolygon};

use super::cut::Leg;
use super::row::{Judged, Named, row};
use crate::daylight::Span;
use crate::geometry::area::length;
use crate::geometry::overlay::clip_lines;
use crate::model::Verdict;

/// What tracks say of work in the dark.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NightWork {
    /// Minutes on day-only ground outside daylight.
    pub dark_minutes: f64,
    /// Metres of track on day-only ground of which no time is known.
    pub untimed_m: f64,
    /// Where that was.
    pub dark: Vec<LineString>,
}

/// The time that tracks spend on day-only ground outside `light`. A leg's time is spread evenly along it; a leg that
/// stands still counts whole where it stands. `legs` and `day_only` in one frame; `light` sorted and without overlaps.
pub fn night_work(legs: &[Leg], day_only: &MultiPolygon, light: &[Span]) -> NightWork {
    let mut found = NightWork::default();
    if day_only.0.is_empty() {
        return found;
    }
    for leg in legs {
        for w in leg.shape.0.windows(2) {
            let segment = LineString(vec![w[0], w[1]]);
            let long_m = length(&segment);
            let inside = if long_m > 0.0 {
                clip_lines(&MultiLineString(vec![segment]), &day_only.0, true).0
            } else if crate::geometry::distance::inside(w[0], day_only) {
                vec![segment]
            } else {
                vec![]
            };
            let inside_m: f64 = inside.iter().map(length).sum();
            if inside.is_empty() {
                continue;
            }
            let (Some(from), Some(to)) = (leg.from, leg.to) else {
                found.untimed_m += inside_m;
                continue;
            };
            let whole_m = length(&leg.shape);
            let share = if whole_m > 0.0 {
                inside_m / whole_m
            } else {
                1.0 / (leg.shape.0.len() - 1) as f64
            };
            let dark = dark_minutes(from, to, light) * share;
            if dark > 0.0 {
                found.dark_minutes += dark;
                found.dark.extend(inside);
            }
        }
    }
    found
}

/// Minutes of a stretch of time that lie outside every span of light.
fn dark_minutes(from: DateTime<Utc>, to: DateTime<Utc>, light: &[Span]) -> f64 {
    if to <= from {
        return 0.0;
    }
    let lit: f64 = light
        .iter()
        .map(|span| Span {
            from: span.from.max(from),
            to: span.to.min(to),
        })
        .filter(|span| span.from < span.to)
        .map(|span| span.minutes())
        .sum();
    Span { from, to }.minutes() - lit
}

/// The row of one block. `day_only` None: no plan says which ground is for daylight only; `light` None: no daylight is
/// known. Minutes of less than `fix_minutes` are the spacing of the track's points.
pub fn night_row(
    legs: &[Leg],
    day_only: Option<&MultiPolygon>,
    light: Option<&[Span]>,
    fix_minutes: f64,
) -> Judged {
    let named = Named {
        id: "night-work",
        title: "No work in the dark on ground for daylight only".to_owned(),
        unit: "min",
    };
    let unknown = |why: &str| (Verdict::Unknown, format!("cannot be told: {why}"));
    let source = || "docs/audit.md, Night work".into();
    let row = |named, measured, verdict| {
        row(
            named,
            Some(0.0),
            measured,
            Some(fix_minutes),
            verdict,
            source(),
        )
    };
    let Some(day_only) = day_only else {
        let why = "no plan says which ground is for daylight only";
        return row(named, None, unknown(why));
    };
    let Some(light) = light else {
        let why = "the daylight at this block is not known";
        return row(named, None, unknown(why));
    };
    let found = night_work(legs, day_only, light);
    let minutes = found.dark_minutes;
    let verdict = if minutes > fix_minutes {
        (Verdict::Fail, "beyond tolerance".to_owned())
    } else if found.untimed_m > 0.0 {
        unknown("parts of the track have no time")
    } else if minutes > 0.0 {
        (Verdict::Warn, "short, but within tolerance".to_owned())
    } else {
        (Verdict::Pass, String::new())
    };
    let place = found.dark.first().map(|line| line.0[0]);
    row(named, Some(minutes), verdict).at(place)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeZone;
    use geo::Polygon;

    fn at(hour: u32, minute: u32) -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2031, 1, 12, hour, minute, 0).unwrap()
    }

    fn leg(x0: f64, x1: f64, times: Option<(DateTime<Utc>, DateTime<Utc>)>) -> Leg {
        Leg {
            shape: LineString::from(vec![(x0, 5.0), (x1, 5.0)]),
            from: times.map(|(from, _)| from),
            to: times.map(|(_, to)| to),
        }
    }

    /// Day-only from x = 100 to 200.
    fn ground() -> MultiPolygon {
        let ring = vec![(100., 0.), (200., 0.), (200., 10.), (100., 10.), (100., 0.)];
        MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
    }

    #[test]
    fn minutes_in_the_dark_are_counted_on_day_only_ground_alone() {
        let light = [Span {
            from: at(8, 0),
            to: at(16, 0),
        }];
        let minutes =
            |legs: &[Leg]| (night_work(legs, &ground(), &light).dark_minutes * 1e6).round() / 1e6;
        // By day; at night on other ground; at night, half of the way on day-only ground.
        assert_eq!(minutes(&[leg(0., 200., Some((at(9, 0), at(9, 30))))]), 0.0);
        assert_eq!(minutes(&[leg(0., 99., Some((at(20, 0), at(20, 30))))]), 0.0);
        assert_eq!(
            minutes(&[leg(0., 200., Some((at(20, 0), at(20, 30))))]),
            15.0
        );
        // Across dusk: 20 of 40 minutes are dark.
        assert_eq!(
            minutes(&[leg(100., 200., Some((at(15, 40), at(16, 20))))]),
            20.0
        );
        // Standing there for an hour at night.
        assert_eq!(
            minutes(&[leg(150., 150., Some((at(4, 0), at(5, 0))))]),
            60.0
        );
    }

    #[test]
    fn what_cannot_be_told_is_not_a_pass() {
        let light = [Span {
            from: at(8, 0),
            to: at(16, 0),
        }];
        let status = |legs: &[Leg], ground: Option<&MultiPolygon>, light: Option<&[Span]>| {
            night_row(legs, ground, light, 1.0).status()
        };
        let (ground, day) = (ground(), Some((at(9, 0), at(9, 30))));
        let night = Some((at(20, 0), at(20, 30)));
        let (g, l) = (Some(&ground), Some(&light[..]));
        assert_eq!(status(&[leg(0., 200., day)], g, l), Verdict::Pass);
        assert_eq!(status(&[leg(0., 200., night)], g, l), Verdict::Fail);
        assert_eq!(status(&[leg(0., 200., None)], g, l), Verdict::Unknown);
        assert_eq!(status(&[leg(0., 200., day)], None, l), Verdict::Unknown);
        assert_eq!(status(&[leg(0., 200., day)], g, None), Verdict::Unknown);
        // Thirty seconds after dusk are the spacing of fixes.
        let dusk = Some((at(15, 50), at(16, 0) + chrono::Duration::seconds(30)));
        assert_eq!(status(&[leg(100., 200., dusk)], g, l), Verdict::Warn);
    }
}
