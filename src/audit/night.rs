//! Work in the dark on ground for daylight only.

use chrono::{DateTime, Utc};
use geo::{Coord, LineString, MultiPolygon};

use super::cut::BlockCut;
use super::ground::Ground;
use super::row::{Judged, row};
use super::scene::Scene;
use super::tracks::Leg;
use crate::daylight::Span;
use crate::geometry::area::length;
use crate::geometry::distance::segment_segment;
use crate::model::{RuleId, Verdict};

/// Minutes by which a track's own spacing may blur when it entered or left ground.
pub(super) const FIX_MINUTES: f64 = 1.0;

/// What tracks say of work in the dark.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct NightWork {
    /// Minutes on day-only ground outside daylight.
    pub dark_minutes: f64,
    /// Metres of track on day-only ground of which no time is known.
    pub untimed_m: f64,
    /// Whether the machine stood there at an unknown time.
    pub untimed: bool,
    /// Where it was dark.
    pub dark: Vec<LineString>,
}

/// The time that tracks spend on day-only ground outside `light`. The time between two fixes is spread evenly along the
/// way between them; two fixes at one place count whole. `legs` and `day_only` in one frame; `light` sorted and without
/// overlaps.
pub(super) fn night_work(legs: &[Leg], day_only: &MultiPolygon, light: &[Span]) -> NightWork {
    let mut found = NightWork::default();
    let ground = Ground::new(day_only.0.iter().cloned());
    if ground.is_empty() {
        return found;
    }
    for leg in legs {
        for (ends, times) in leg.shape.0.windows(2).zip(leg.times.windows(2)) {
            let (a, b) = (ends[0], ends[1]);
            let long_m = (b.x - a.x).hypot(b.y - a.y);
            for (from, to) in shares_inside(a, b, &ground) {
                let (Some(start), Some(end)) = (times[0], times[1]) else {
                    found.untimed = true;
                    found.untimed_m += (to - from) * long_m;
                    continue;
                };
                let dark = dark_minutes(start, end, light) * (to - from);
                if dark > 0.0 {
                    found.dark_minutes += dark;
                    found
                        .dark
                        .push(LineString(vec![a + (b - a) * from, a + (b - a) * to]));
                }
            }
        }
    }
    found
}

/// The stretches of `a`-`b` on some ground, as shares of the way; all of it where the two are one place on it.
fn shares_inside(a: Coord, b: Coord, ground: &Ground) -> Vec<(f64, f64)> {
    let along = b - a;
    let mut cuts = vec![0.0, 1.0];
    for edge in ground.edges().near(a, b, 0.0) {
        if segment_segment(a, b, edge.a, edge.b) > 0.0 {
            continue;
        }
        let v = edge.b - edge.a;
        let w = edge.a - a;
        let across = along.x * v.y - along.y * v.x;
        if across != 0.0 {
            cuts.push(((w.x * v.y - w.y * v.x) / across).clamp(0.0, 1.0));
        } else {
            // Along the edge: its ends are where anything may change.
            let long2 = along.x * along.x + along.y * along.y;
            for end in [edge.a, edge.b].into_iter().filter(|_| long2 > 0.0) {
                let off = end - a;
                cuts.push(((off.x * along.x + off.y * along.y) / long2).clamp(0.0, 1.0));
            }
        }
    }
    cuts.sort_by(f64::total_cmp);
    let mut inside: Vec<(f64, f64)> = Vec::new();
    for w in cuts.windows(2).filter(|w| w[1] > w[0]) {
        if !ground.holds(a + along * ((w[0] + w[1]) / 2.0)) {
            continue;
        }
        match inside.last_mut() {
            Some(last) if last.1 == w[0] => last.1 = w[1],
            _ => inside.push((w[0], w[1])),
        }
    }
    inside
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
/// known.
fn night_row(legs: &[Leg], day_only: Option<&MultiPolygon>, light: Option<&[Span]>) -> Judged {
    let named = RuleId::NightWork.named();
    let unknown = |why: &str| (Verdict::Unknown, format!("cannot be told: {why}"));
    let row = |named, measured, verdict| {
        let source = "the sections of the plan, and docs/audit.md, Night work".into();
        row(
            named,
            Some(0.0),
            measured,
            Some(FIX_MINUTES),
            verdict,
            source,
        )
    };
    let Some(day_only) = day_only else {
        let why =
            "no plan says which ground is for daylight only; name a layout.gpkg with --plan beside";
        return row(named, None, unknown(why));
    };
    let found = night_work(legs, day_only, light.unwrap_or_default());
    let untimed = || {
        let metres = found.untimed_m;
        unknown(&format!(
            "{metres:.0} m of the track on such ground have no time"
        ))
    };
    let Some(light) = light else {
        if found.untimed && found.dark_minutes == 0.0 {
            return row(named, None, untimed());
        }
        if found.dark_minutes == 0.0 {
            return row(named, Some(0.0), (Verdict::Pass, String::new()));
        }
        let why = "the daylight at this block on these days is not known";
        return row(named, None, unknown(why));
    };
    debug_assert!(light.windows(2).all(|w| w[0].to <= w[1].from));
    let minutes = found.dark_minutes;
    let verdict = if minutes > FIX_MINUTES {
        (Verdict::Fail, "beyond tolerance".to_owned())
    } else if found.untimed {
        untimed()
    } else if minutes > 0.0 {
        (Verdict::Warn, "short, but within tolerance".to_owned())
    } else {
        (Verdict::Pass, String::new())
    };
    let longest = found
        .dark
        .iter()
        .max_by(|a, b| length(a).total_cmp(&length(b)));
    let place = longest.map(|line| line.0[0]);
    let mut judged = row(named, Some(minutes), verdict).at(place);
    judged.row.short = Some(super::row::shown(minutes));
    judged
}

impl Scene<'_> {
    /// Legs of tracks in the block's frame.
    pub(super) fn legs(&self) -> Vec<Leg> {
        let frame = &self.block.frame;
        (self.given.legs.iter())
            .map(|leg| Leg {
                shape: frame.enter_each(&leg.shape),
                ..leg.clone()
            })
            .collect()
    }

    /// Of tracks: work in the dark on what the plan has for daylight only.
    pub(super) fn night_work(&self, plan: Option<&BlockCut>) -> Judged {
        let (frame, legs) = (&self.block.frame, self.legs());
        let day_only = plan.and_then(|plan| plan.day_only.as_ref());
        let day_only = day_only.map(|ground| frame.enter_polygons(ground));
        night_row(&legs, day_only.as_ref(), self.given.light.as_deref())
    }
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
        let (from, to) = times.unzip();
        Leg {
            track: "1".to_owned(),
            shape: LineString::from(vec![(x0, 5.0), (x1, 5.0)]),
            times: vec![from, to],
            from,
            to,
            smoothing: None,
        }
    }

    /// Day-only from x = 100 to 200, in two sections that lie side by side and overlap a little.
    fn ground() -> MultiPolygon {
        let section = |x0: f64, x1: f64| {
            let ring = vec![(x0, 0.), (x1, 0.), (x1, 10.), (x0, 10.), (x0, 0.)];
            Polygon::new(LineString::from(ring), vec![])
        };
        MultiPolygon(vec![section(100., 150.), section(149., 200.)])
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
    fn a_leg_of_many_fixes_has_the_times_of_each() {
        let mut long = leg(0., 100., Some((at(20, 0), at(20, 10))));
        long.shape.0.push(Coord { x: 200.0, y: 5.0 });
        long.times.push(Some(at(20, 40)));
        let found = night_work(&[long.clone()], &ground(), &[]);
        assert!((found.dark_minutes - 30.0).abs() < 1e-9, "{found:?}");
        long.times[1] = None;
        let found = night_work(&[long], &ground(), &[]);
        assert!(found.untimed && (found.untimed_m - 100.0).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_told_is_not_a_pass() {
        let light = [Span {
            from: at(8, 0),
            to: at(16, 0),
        }];
        let status = |legs: &[Leg], ground: Option<&MultiPolygon>, light: Option<&[Span]>| {
            night_row(legs, ground, light).status()
        };
        let (ground, day) = (ground(), Some((at(9, 0), at(9, 30))));
        let night = Some((at(20, 0), at(20, 30)));
        let (g, l) = (Some(&ground), Some(&light[..]));
        assert_eq!(status(&[leg(0., 200., day)], g, l), Verdict::Pass);
        assert_eq!(status(&[leg(0., 200., night)], g, l), Verdict::Fail);
        assert_eq!(status(&[leg(0., 200., None)], g, l), Verdict::Unknown);
        assert_eq!(status(&[leg(0., 200., day)], None, l), Verdict::Unknown);
        assert_eq!(status(&[leg(0., 200., day)], g, None), Verdict::Unknown);
        assert_eq!(status(&[leg(0., 200., None)], g, None), Verdict::Unknown);
        // Away from such ground neither times nor daylight matter.
        assert_eq!(status(&[leg(0., 90., None)], g, None), Verdict::Pass);
        // Thirty seconds after dusk are the spacing of fixes.
        let dusk = Some((at(15, 50), at(16, 0) + chrono::Duration::seconds(30)));
        assert_eq!(status(&[leg(100., 200., dusk)], g, l), Verdict::Warn);
    }
}
