//! Work on ground that was closed on that day, by the windows of layers and project and by what a plan says of its sections.

use chrono::{DateTime, Days, Duration, NaiveTime, Utc};
use geo::{MultiPolygon, Polygon};

use super::cut::BlockCut;
use super::night::{FIX_MINUTES, NightWork, night_work};
use super::reached::Reached;
use super::row::{Judged, row};
use super::scene::Scene;
use super::split::{split, union_of};
use super::tracks::Leg;
use crate::daylight::Span;
use crate::geometry::area::{area, length};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::oriented;
use crate::landbase::{NearFeature, crossings};
use crate::model::{DayCondition, LayerKind, OpenDays, RuleId, Verdict};

/// Less ground is the overlay's dust.
const DUST_M2: f64 = 0.01;

/// Ground with the days on which it is open, no place of it twice.
#[derive(Default)]
struct Windows(Vec<(OpenDays, MultiPolygon)>);

impl Windows {
    /// Where several hold, all must be open.
    fn add(&mut self, days: &OpenDays, ground: &[Polygon]) {
        let mut rest = union_of(&oriented(MultiPolygon(ground.to_vec())).0);
        let mut parted: Vec<(OpenDays, MultiPolygon)> = Vec::new();
        for (own, held) in self.0.drain(..) {
            let parts = split(&held, &oriented(rest.clone()).0);
            rest = split(&rest, &oriented(held).0).outside;
            let mut both = own.clone();
            both.and(days);
            parted.push((both, parts.inside));
            parted.push((own, parts.outside));
        }
        parted.push((days.clone(), rest));
        parted.retain(|(_, ground)| area(ground) > DUST_M2);
        self.0 = parted;
    }
}

/// What of the conditions is known: what they close is closed whatever the others say.
fn known(days: &OpenDays) -> OpenDays {
    let known = days.conditions().iter().filter(|own| !own.is_unknown());
    OpenDays::new(known.cloned().collect::<Vec<DayCondition>>())
}

/// The open days of legs as spans of time; days begin at midnight by the mean sun of the place, `ahead` of UTC.
fn open_spans(days: &OpenDays, legs: &[Leg], ahead: Duration) -> Vec<Span> {
    let first = legs.iter().filter_map(|leg| leg.from).min();
    let last = legs.iter().filter_map(|leg| leg.to).max();
    let (Some(first), Some(last)) = (first, last) else {
        return vec![];
    };
    let date = |at: DateTime<Utc>| (at + ahead).date_naive();
    let midnight = |date: chrono::NaiveDate| date.and_time(NaiveTime::MIN).and_utc() - ahead;
    let spans = days.spans(date(first), date(last)).into_iter();
    let spans = spans.filter_map(|(from, to)| {
        Some(Span {
            from: midnight(from),
            to: midnight(to.checked_add_days(Days::new(1))?),
        })
    });
    spans.collect()
}

/// The row of one block; `ahead` None: nobody knows where it lies.
fn closed_row(
    legs: &[Leg],
    windows: &[(OpenDays, MultiPolygon)],
    ahead: Option<Duration>,
) -> Judged {
    let mut found = NightWork::default();
    let mut unknown_minutes = 0.0;
    for (days, ground) in windows {
        let known = known(days);
        let open = open_spans(&known, legs, ahead.unwrap_or_default());
        let own = night_work(legs, ground, &open);
        if days.is_unknown() {
            let all = night_work(legs, ground, &[]);
            unknown_minutes += all.dark_minutes - own.dark_minutes;
        }
        found.dark_minutes += own.dark_minutes;
        found.dark.extend(own.dark);
        found.untimed |= own.untimed;
        found.untimed_m += own.untimed_m;
    }
    let minutes = found.dark_minutes;
    let unknown = |why: String| (Verdict::Unknown, format!("cannot be told: {why}"));
    let verdict = if ahead.is_none() && minutes > 0.0 {
        unknown("where the block lies is not known".to_owned())
    } else if minutes > FIX_MINUTES {
        (Verdict::Fail, "beyond tolerance".to_owned())
    } else if found.untimed {
        unknown(format!(
            "{:.0} m of the track on such ground have no time",
            found.untimed_m
        ))
    } else if unknown_minutes > 0.0 {
        unknown(format!(
            "{unknown_minutes:.0} min on ground of which nobody knows when it is open"
        ))
    } else if minutes > 0.0 {
        (Verdict::Warn, "short, but within tolerance".to_owned())
    } else {
        (Verdict::Pass, String::new())
    };
    let named = RuleId::ClosedWork.named();
    let source =
        "windows of the project, its layers and rules, and open_days of the plan's sections".into();
    let longest = found
        .dark
        .iter()
        .max_by(|a, b| length(a).total_cmp(&length(b)));
    let place = longest.map(|line| line.0[0]);
    let mut judged = row(
        named,
        Some(0.0),
        Some(minutes),
        Some(FIX_MINUTES),
        verdict,
        source,
    )
    .at(place);
    judged.row.short = Some(super::row::shown(minutes));
    judged
}

impl Scene<'_> {
    /// Of tracks: work on ground that was closed; None where nothing is said of any day.
    pub(super) fn closed_work(&self, plan: Option<&BlockCut>) -> Option<Judged> {
        let frame = &self.block.frame;
        let mut windows = self.windows();
        for (days, ground) in plan.map_or(&[][..], |plan| &plan.windows) {
            windows.add(days, &frame.enter_polygons(ground).0);
        }
        let windows = windows.0;
        (!windows.is_empty()).then(|| closed_row(&self.legs(), &windows, self.given.ahead))
    }

    /// What block and layers say of the days, drawn anew.
    fn windows(&self) -> Windows {
        let named = &self.context.settings.windows;
        let mut windows = Windows::default();
        for window in named.of(&self.block.windows) {
            windows.add(&window.days, &self.shape.shape.0);
        }
        let mut bounds = self.shape.bounds();
        let places = self.lines.iter().flat_map(|line| &line.0);
        places.for_each(|&at| bounds.add(at));
        let found = (self.context.landbase).windows(&self.block.frame, &bounds, named);
        for (near, own) in &found {
            for window in own {
                let ground = self.window_ground(near, window.within_m);
                if !ground.is_empty() {
                    windows.add(&window.days, &ground);
                }
            }
        }
        windows
    }

    /// The ground on which a feature's window holds: its own, with so much around it. A line or point without a width has none,
    /// and of a crossing it is the way across.
    fn window_ground(&self, near: &NearFeature, within_m: f64) -> Vec<Polygon> {
        if near.feature.kind == LayerKind::Crossings && within_m == 0.0 {
            let width_m = self.context.settings.layout.crossing_width_m;
            let own = crossings(self.near, width_m).into_iter();
            let own = own.filter(|over| {
                over.id == near.feature.id && over.source_layer == near.feature.source_layer
            });
            return own.flat_map(|over| over.shape).collect();
        }
        let reach_m = near.demand.half_m + within_m;
        let mut reached = Reached::default();
        match &near.source {
            Source::Points(points) => {
                for &at in points {
                    reached.line(&[at], reach_m);
                }
            }
            Source::Lines(lines) => {
                for line in &lines.0 {
                    reached.line(&line.0, reach_m);
                }
            }
            Source::Polygons(polygons) => {
                for ring in polygons.0.iter().flat_map(crate::geometry::area::rings) {
                    reached.line(&ring.0, reach_m);
                }
                reached.0.extend(oriented(polygons.clone()).0);
            }
        }
        reached.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeZone;
    use geo::{LineString, Polygon};

    fn leg(from: DateTime<Utc>, minutes: i64) -> Leg {
        let to = from + Duration::minutes(minutes);
        Leg {
            track: "1".to_owned(),
            shape: LineString::from(vec![(10.0, 5.0), (90.0, 5.0)]),
            times: vec![Some(from), Some(to)],
            from: Some(from),
            to: Some(to),
            smoothing: None,
        }
    }

    fn ground(days: &str) -> Vec<(OpenDays, MultiPolygon)> {
        let ring = vec![(0., 0.), (100., 0.), (100., 10.), (0., 10.), (0., 0.)];
        let shape = Polygon::new(LineString::from(ring), vec![]);
        vec![(days.parse().unwrap(), MultiPolygon(vec![shape]))]
    }

    fn at(month: u32, day: u32, hour: u32) -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2031, month, day, hour, 30, 0).unwrap()
    }

    #[test]
    fn minutes_on_closed_days_count_by_the_date_of_the_place() {
        // Six hours behind UTC.
        let ahead = Some(Duration::hours(-6));
        let minutes = |days: &str, from: DateTime<Utc>| {
            let judged = closed_row(&[leg(from, 60)], &ground(days), ahead);
            (judged.status(), judged.row.row.measured.unwrap())
        };
        let frozen = "open 12-15/03-10";
        assert_eq!(minutes(frozen, at(2, 1, 12)), (Verdict::Pass, 0.0));
        assert_eq!(minutes(frozen, at(7, 1, 12)), (Verdict::Fail, 60.0));
        // 05:30 UTC of the 11th is 23:30 of the 10th there: half an hour of it is open.
        assert_eq!(minutes(frozen, at(3, 11, 5)), (Verdict::Fail, 30.0));
        assert_eq!(
            minutes("closed 04-15/08-15", at(8, 16, 12)),
            (Verdict::Pass, 0.0)
        );
        assert_eq!(minutes("unknown", at(7, 1, 12)), (Verdict::Unknown, 0.0));
        let mut untimed = leg(at(7, 1, 12), 60);
        untimed.times = vec![None, None];
        let status = closed_row(&[untimed], &ground(frozen), ahead).status();
        assert_eq!(status, Verdict::Unknown);
        // Closed by what is known, whatever the rest may say.
        let both = "closed 07-01/07-31; unknown";
        assert_eq!(minutes(both, at(7, 1, 12)), (Verdict::Fail, 60.0));
        assert_eq!(minutes(both, at(8, 1, 12)), (Verdict::Unknown, 0.0));
        let nowhere = closed_row(&[leg(at(7, 1, 12), 60)], &ground(frozen), None);
        assert_eq!(nowhere.status(), Verdict::Unknown);
    }

    /// By hand: 100 m by 10 m closed in July, the east half closed in August too; each place once.
    #[test]
    fn ground_of_two_windows_counts_once_and_is_open_where_both_are() {
        let rectangle = |x0: f64, x1: f64| {
            let ring = vec![(x0, 0.), (x1, 0.), (x1, 10.), (x0, 10.), (x0, 0.)];
            Polygon::new(LineString::from(ring), vec![])
        };
        let mut windows = Windows::default();
        windows.add(
            &"closed 07-01/07-31".parse().unwrap(),
            &[rectangle(0., 100.)],
        );
        let east = [rectangle(50., 80.), rectangle(70., 120.)];
        windows.add(&"closed 08-01/08-31".parse().unwrap(), &east);
        let all_m2: f64 = windows.0.iter().map(|(_, ground)| area(ground)).sum();
        assert!((all_m2 - 1200.0).abs() < 0.1, "{all_m2}");
        let minutes = |from| {
            let row = closed_row(&[leg(from, 80)], &windows.0, Some(Duration::zero()));
            row.row.row.measured.unwrap()
        };
        // 80 m driven in 80 minutes, from 10 to 90 m.
        assert_eq!(minutes(at(6, 1, 12)), 0.0);
        assert!((minutes(at(7, 5, 12)) - 80.0).abs() < 0.01);
        assert!((minutes(at(8, 5, 12)) - 40.0).abs() < 0.01);
    }
}
