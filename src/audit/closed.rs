//! Work on ground that its plan had closed on that day.

use chrono::{DateTime, Days, Duration, NaiveTime, Utc};
use geo::MultiPolygon;

use super::cut::BlockCut;
use super::night::{FIX_MINUTES, NightWork, night_work};
use super::row::{Judged, Named, row};
use super::scene::Scene;
use super::tracks::Leg;
use crate::daylight::Span;
use crate::geometry::area::length;
use crate::model::{OpenDays, Verdict};

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
        let open = open_spans(days, legs, ahead.unwrap_or_default());
        let own = night_work(legs, ground, &open);
        if days.is_unknown() {
            unknown_minutes += own.dark_minutes;
        } else {
            found.dark_minutes += own.dark_minutes;
            found.dark.extend(own.dark);
        }
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
            "{unknown_minutes:.0} min on ground of which the plan does not know when it is open"
        ))
    } else if minutes > 0.0 {
        (Verdict::Warn, "short, but within tolerance".to_owned())
    } else {
        (Verdict::Pass, String::new())
    };
    let named = Named {
        id: "closed-work",
        title: "No work on ground that is closed on that day".to_owned(),
        unit: "min",
    };
    let source = "open_days of the sections of the plan, and docs/audit.md".into();
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
    /// Of tracks: work on ground that the plan had closed; None where it had none.
    pub(super) fn closed_work(&self, plan: Option<&BlockCut>) -> Option<Judged> {
        let windows = &plan?.windows;
        if windows.is_empty() {
            return None;
        }
        let frame = &self.block.frame;
        let windows: Vec<(OpenDays, MultiPolygon)> = (windows.iter())
            .map(|(days, ground)| (days.clone(), frame.enter_polygons(ground)))
            .collect();
        Some(closed_row(&self.legs(), &windows, self.given.ahead))
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
        let nowhere = closed_row(&[leg(at(7, 1, 12), 60)], &ground(frozen), None);
        assert_eq!(nowhere.status(), Verdict::Unknown);
    }
}
