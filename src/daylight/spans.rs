//! Spans of light that work may fill.

use chrono::{Duration, NaiveDate};
use chrono_tz::Tz;

use super::light::{civil_days, light};
use super::{DaylightError, Edge, Place, Span};

/// Taken off the light at both ends unless the user says otherwise.
pub const DEFAULT_MARGIN: Duration = Duration::minutes(30);

/// Work light at `place` during `days` civil dates of `zone` from `from` on: UTC, sorted, disjoint, within those dates.
///
/// `margin` is taken off after each rise and before each set, also of those just outside the dates; a negative one
/// counts as none. Light that does not end is not cut: polar day is one span over all dates, polar night gives none.
///
/// # Errors
/// For a place that is none, and for dates outside the years 1900 to 2999.
pub fn spans(
    place: Place,
    zone: Tz,
    from: NaiveDate,
    days: u32,
    margin: Duration,
    edge: Edge,
) -> Result<Vec<Span>, DaylightError> {
    let dates = civil_days(zone, from, days)?;
    if dates.from >= dates.to {
        return Ok(vec![]);
    }
    // No night is worth looking for beyond a year, and no margin is longer.
    let margin = margin.clamp(Duration::zero(), Duration::days(366));
    // A rise up to one margin before the dates still takes from their light. One second more, so that an event at the
    // very edge of the window is seen as one.
    let around = margin + Duration::seconds(1);
    let window = Span {
        from: dates.from - around,
        to: dates.to + around,
    };
    let lit = light(place, window, edge)?.spans.into_iter();
    let trimmed = lit.map(|span| Span {
        from: if span.from > window.from {
            span.from + margin
        } else {
            dates.from
        },
        to: if span.to < window.to {
            span.to - margin
        } else {
            dates.to
        },
    });
    Ok(trimmed
        .map(|span| Span {
            from: span.from.max(dates.from),
            to: span.to.min(dates.to),
        })
        .filter(|span| span.from < span.to)
        .collect())
}
