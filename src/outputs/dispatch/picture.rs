//! `shifts.svg`: day and night of every machine, a week below the other.

use chrono::{Days, NaiveDate, NaiveTime};

use super::Roster;
use super::rows::{Job, ShiftPlan, clock};
use crate::model::ShiftClass;
use crate::outputs::map::svg::{escape, px, shorten};
use crate::outputs::style::{
    BLACK, GREEN, GREY_DARK, GREY_LIGHT, GREY_MIDDLE, ORANGE, PURPLE, SKY_BLUE, WHITE,
};
use crate::schedule::calendar::second_of;
use crate::schedule::time::{intersect, union};
use crate::schedule::{Second, Stretch};

const WIDTH: f64 = 1180.0;
const LEFT: f64 = 130.0;
const RIGHT: f64 = 16.0;
const ROW: f64 = 22.0;
const HEAD: f64 = 64.0;
const WEEK_HEAD: f64 = 20.0;
const WEEK_GAP: f64 = 14.0;
const DAYS_A_ROW: u32 = 7;

/// One week: its days along the width, machines below one another.
struct Week {
    span: Stretch,
    days: u32,
    first: NaiveDate,
    top: f64,
}

impl Week {
    fn x(&self, at: Second) -> f64 {
        let share = (at - self.span.from) as f64 / self.span.seconds().max(1) as f64;
        let wide = (WIDTH - LEFT - RIGHT) * f64::from(self.days) / f64::from(DAYS_A_ROW);
        LEFT + share.clamp(0.0, 1.0) * wide
    }
}

pub(super) fn picture(roster: &Roster<'_>, shifts: &[ShiftPlan]) -> String {
    let machines = roster.shifts.len();
    let high = WEEK_HEAD + machines as f64 * ROW + WEEK_GAP;
    let midnight = |date: NaiveDate| second_of(roster.zone, date, NaiveTime::MIN);
    let mut weeks = Vec::new();
    let mut day = 0;
    // A night shift of the last date runs into one day more.
    let all = roster.days + 1;
    while day < all {
        let days = DAYS_A_ROW.min(all - day);
        let date = |day: u32| {
            let later = roster.from.checked_add_days(Days::new(u64::from(day)));
            later.unwrap_or(roster.from)
        };
        weeks.push(Week {
            span: Stretch::new(midnight(date(day)), midnight(date(day + days))),
            days,
            first: date(day),
            top: HEAD + weeks.len() as f64 * high,
        });
        day += days;
    }
    let height = HEAD + weeks.len() as f64 * high;
    let light = union(
        roster
            .problem
            .blocks
            .iter()
            .flat_map(|block| block.light.clone())
            .collect(),
    );
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" \
         aria-labelledby=\"t\">\n<title id=\"t\">{title}</title>\n<style>text{{font:11px system-ui,\"Noto Sans\",\"DejaVu Sans\",\
         Arial,sans-serif;fill:{GREY_DARK}}}.b{{font-weight:700}}.m{{text-anchor:middle}}.s{{font-size:9px}}</style>\n\
         <defs><pattern id=\"d\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <rect width=\"5\" height=\"5\" fill=\"{ORANGE}\"/><path d=\"M0 1h5\" stroke=\"{BLACK}\" stroke-width=\".9\"/></pattern>\
         </defs>\n<rect width=\"{w}\" height=\"{h}\" fill=\"{WHITE}\"/>\n",
        w = px(WIDTH),
        h = px(height),
        title = escape(&format!(
            "{}: shifts from {}",
            roster.layout.project, roster.from
        )),
    );
    out += &format!(
        "<text x=\"16\" y=\"20\" class=\"b\">{}</text>\n",
        escape(&shorten(
            &format!(
                "{}: shifts from {}, {} days, times of {}",
                roster.layout.project, roster.from, roster.days, roster.zone
            ),
            120
        ))
    );
    legend(&mut out);
    for week in &weeks {
        draw_week(&mut out, roster, shifts, week, &light);
    }
    out + "</svg>\n"
}

fn fill(job: Job) -> &'static str {
    match job {
        Job::Cut(ShiftClass::DayOnly) => "url(#d)",
        Job::Cut(ShiftClass::NightSafe) => SKY_BLUE,
        Job::Move => GREY_MIDDLE,
        Job::Service => PURPLE,
        Job::Skid => GREEN,
    }
}

fn legend(out: &mut String) {
    let items = [
        (fill(Job::Cut(ShiftClass::DayOnly)), "day only (striped)"),
        (fill(Job::Cut(ShiftClass::NightSafe)), "night-safe (plain)"),
        (GREY_MIDDLE, "move (low)"),
        (PURPLE, "service (low)"),
        (GREEN, "skidding"),
        (GREY_LIGHT, "dark"),
        (WHITE, "light at a block"),
    ];
    for (at, (fill, words)) in items.iter().enumerate() {
        let x = 16.0 + at as f64 * 150.0;
        *out += &format!(
            "<rect x=\"{}\" y=\"32\" width=\"18\" height=\"12\" fill=\"{fill}\" stroke=\"{GREY_MIDDLE}\" stroke-width=\".6\"/>\
             <text x=\"{}\" y=\"42\">{words}</text>\n",
            px(x),
            px(x + 24.0)
        );
    }
}

fn draw_week(
    out: &mut String,
    roster: &Roster<'_>,
    shifts: &[ShiftPlan],
    week: &Week,
    light: &[Stretch],
) {
    let machines = roster.shifts.len();
    let top = week.top + WEEK_HEAD;
    let tall = machines as f64 * ROW;
    let bar = |from: Second, to: Second, y: f64, high: f64, attributes: &str| {
        let (x0, x1) = (week.x(from), week.x(to));
        format!(
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" {attributes}",
            px(x0),
            px(y),
            px((x1 - x0).max(0.3)),
            px(high)
        )
    };
    *out += &bar(
        week.span.from,
        week.span.to,
        top,
        tall,
        &format!("fill=\"{GREY_LIGHT}\"/>\n"),
    );
    for day in intersect(light, &[week.span]) {
        *out += &bar(
            day.from,
            day.to,
            top,
            tall,
            &format!("fill=\"{WHITE}\"/>\n"),
        );
    }
    for day in 0..week.days {
        let Some(date) = week.first.checked_add_days(Days::new(u64::from(day))) else {
            continue;
        };
        let x = week.x(second_of(roster.zone, date, NaiveTime::MIN));
        *out += &format!(
            "<path d=\"M{x} {y}v{h}\" stroke=\"{GREY_MIDDLE}\" stroke-width=\".6\"/><text x=\"{tx}\" y=\"{ty}\">{}</text>\n",
            date.format("%a %-d %b"),
            x = px(x),
            y = px(week.top + 4.0),
            h = px(tall + WEEK_HEAD - 4.0),
            tx = px(x + 4.0),
            ty = px(week.top + 14.0),
        );
    }
    for machine in 0..machines {
        let y = top + machine as f64 * ROW;
        *out += &format!(
            "<text x=\"16\" y=\"{}\">{}</text><path d=\"M{} {}H{}\" stroke=\"{GREY_LIGHT}\" stroke-width=\".6\"/>\n",
            px(y + 15.0),
            escape(&shorten(roster.machine(machine), 18)),
            px(LEFT),
            px(y + ROW),
            px(WIDTH - RIGHT)
        );
        let spans: Vec<Stretch> = roster.shifts[machine].iter().map(|one| one.span).collect();
        for span in intersect(&spans, &[week.span]) {
            let attributes =
                format!("fill=\"none\" stroke=\"{GREY_DARK}\" stroke-width=\".5\"/>\n");
            *out += &bar(span.from, span.to, y + 2.0, ROW - 4.0, &attributes);
        }
    }
    for shift in shifts {
        let y = top + shift.machine as f64 * ROW;
        for row in &shift.rows {
            let part = intersect(&[row.span], &[week.span]);
            let Some(part) = part.first() else { continue };
            let (inset, high) = match row.job {
                Job::Move | Job::Service => (13.0, 6.0),
                _ => (4.0, ROW - 8.0),
            };
            *out += &bar(
                part.from,
                part.to,
                y + inset,
                high,
                &format!("fill=\"{}\">", fill(row.job)),
            );
            *out += &format!(
                "<title>{}</title></rect>\n",
                escape(&format!(
                    "{} {} {}-{} {} {}",
                    shift.name,
                    shift.date,
                    clock(roster.zone, row.span.from),
                    clock(roster.zone, row.span.to),
                    row.job.words(),
                    row.block_id
                ))
            );
            let wide = week.x(part.to) - week.x(part.from);
            let letters = (wide / 5.6) as usize;
            if matches!(row.job, Job::Cut(_) | Job::Skid) && letters >= 4 {
                *out += &format!(
                    "<text x=\"{}\" y=\"{}\" class=\"m s\" paint-order=\"stroke\" stroke=\"{WHITE}\" stroke-width=\"2\">{}</text>\n",
                    px((week.x(part.from) + week.x(part.to)) / 2.0),
                    px(y + 14.5),
                    escape(&shorten(&row.block_id, letters))
                );
            }
        }
    }
}
