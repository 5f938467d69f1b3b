//! `shifts.svg`: day and night of every machine with the reason of its idle times, the wood that lies and the light that is
//! used, a week below the other.

use chrono::{Days, NaiveDate, NaiveTime};

use super::Roster;
use super::rows::{Job, ShiftPlan, clock};
use super::stock::{self, StockDay};
use super::words::{self, Words};
use crate::model::ShiftClass;
use crate::outputs::map::svg::{escape, px, shorten};
use crate::outputs::style::{
    BLACK, BROWN, GREY_DARK, GREY_LIGHT, GREY_MIDDLE, ORANGE, WHITE, YELLOW,
};
use crate::outputs::text::fill as fill_in;
use crate::schedule::calendar::second_of;
use crate::schedule::idle::{Why, light_used};
use crate::schedule::time::{intersect, union};
use crate::schedule::{Second, Stretch};

const WIDTH: f64 = 1180.0;
const LEFT: f64 = 130.0;
const RIGHT: f64 = 16.0;
const ROW: f64 = 22.0;
/// Of the rows for wood and light.
const LOW_ROW: f64 = 40.0;
const HEAD: f64 = 147.0;
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
    let stock = stock::days(roster);
    let lows = low_rows(&stock);
    let high = WEEK_HEAD + machines as f64 * ROW + lows * LOW_ROW + WEEK_GAP;
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
    let words = words::of(roster.layout.language);
    let title = fill_in(
        words.season.title,
        &[
            &roster.layout.project,
            &words.date(roster.from),
            &roster.days.to_string(),
            roster.zone.name(),
        ],
    );
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" \
         aria-labelledby=\"t\">\n<title id=\"t\">{title}</title>\n<style>text{{font:11px system-ui,\"Noto Sans\",\"DejaVu Sans\",\
         Arial,sans-serif;fill:{GREY_DARK}}}.b{{font-weight:700}}.m{{text-anchor:middle}}.s{{font-size:9px}}</style>\n\
         <defs><pattern id=\"d\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <rect width=\"5\" height=\"5\" fill=\"{YELLOW}\"/><path d=\"M0 1h5\" stroke=\"{BLACK}\" stroke-width=\".9\"/></pattern>\
         </defs>\n<rect width=\"{w}\" height=\"{h}\" fill=\"{WHITE}\"/>\n",
        w = px(WIDTH),
        h = px(height),
        title = escape(&title),
    );
    out += &format!(
        "<text x=\"16\" y=\"20\" class=\"b\">{}</text>\n",
        escape(&shorten(&title, 150))
    );
    legend(&mut out, words);
    for week in &weeks {
        draw_week(&mut out, roster, shifts, week, &light);
        low(&mut out, roster, week, stock.as_deref());
    }
    out + "</svg>\n"
}

fn fill(job: Job) -> &'static str {
    match job {
        Job::Cut(ShiftClass::DayOnly) => "url(#d)",
        Job::Cut(ShiftClass::NightSafe) => ORANGE,
        Job::Move => GREY_MIDDLE,
        Job::Service | Job::Fuel => GREY_DARK,
        Job::Skid => BROWN,
    }
}

fn legend(out: &mut String, words: &Words) {
    let own = words.season;
    let items = [
        (fill(Job::Cut(ShiftClass::DayOnly)), own.key_day),
        (fill(Job::Cut(ShiftClass::NightSafe)), own.key_night),
        (GREY_MIDDLE, own.key_move),
        (fill(Job::Service), own.key_service),
        (fill(Job::Skid), own.key_skid),
        (GREY_LIGHT, own.key_dark),
        (WHITE, own.key_light),
    ];
    for (at, (fill, words)) in items.iter().enumerate() {
        let (x, y) = (
            16.0 + (at % 4) as f64 * 290.0,
            32.0 + (at / 4) as f64 * 17.0,
        );
        *out += &format!(
            "<rect x=\"{}\" y=\"{}\" width=\"18\" height=\"12\" fill=\"{fill}\" stroke=\"{GREY_MIDDLE}\" stroke-width=\".6\"/>\
             <text x=\"{}\" y=\"{}\">{words}</text>\n",
            px(x),
            px(y),
            px(x + 24.0),
            px(y + 10.0)
        );
    }
    *out += &format!(
        "<text x=\"16\" y=\"76\" class=\"b\">{}</text>\n",
        escape(own.key_idle)
    );
    for (at, (why, words)) in Why::ALL.iter().zip(own.idle).enumerate() {
        let x = 16.0 + (at % 3) as f64 * 390.0;
        let y = 91.0 + (at / 3) as f64 * 15.0;
        *out += &format!(
            "<text x=\"{}\" y=\"{}\"><tspan class=\"b\">{}</tspan> {}</text>\n",
            px(x),
            px(y),
            letter(*why),
            escape(words)
        );
    }
}

/// Stands for a reason where there is no room for words.
fn letter(why: Why) -> char {
    let at = Why::ALL.iter().position(|own| *own == why).unwrap_or(0);
    char::from(b'A' + at as u8)
}

/// Rows below the machines: light, and wood where its volume is known.
fn low_rows(stock: &Option<Vec<StockDay>>) -> f64 {
    1.0 + f64::from(u8::from(stock.is_some()))
}

/// The light that felling machines use each day, and the wood that lies.
fn low(out: &mut String, roster: &Roster<'_>, week: &Week, stock: Option<&[StockDay]>) {
    let words = words::of(roster.layout.language).season;
    let machines = roster.shifts.len();
    let top = week.top + WEEK_HEAD + machines as f64 * ROW;
    let head = |out: &mut String, y: f64, word: &str| {
        *out += &format!(
            "<text x=\"16\" y=\"{}\">{}</text><path d=\"M{} {}H{}\" stroke=\"{GREY_LIGHT}\" stroke-width=\".6\"/>\n",
            px(y + 24.0),
            escape(word),
            px(LEFT),
            px(y + LOW_ROW),
            px(week.x(week.span.to))
        );
    };
    head(out, top, words.light);
    let midnight = |date: NaiveDate| second_of(roster.zone, date, NaiveTime::MIN);
    let dates =
        (0..week.days).filter_map(|day| week.first.checked_add_days(Days::new(u64::from(day))));
    for date in dates {
        let Some(next) = date.succ_opt() else {
            continue;
        };
        let day = Stretch::new(midnight(date), midnight(next));
        let (has, used) = light_used(roster.problem, &roster.solved.plan, day);
        if has == 0 {
            continue;
        }
        let share = used as f64 / has as f64;
        let (x, wide) = (week.x(day.from), week.x(day.to) - week.x(day.from));
        let high = (LOW_ROW - 8.0) * share;
        *out += &format!(
            "<rect x=\"{x}\" y=\"{t}\" width=\"{w}\" height=\"{h}\" fill=\"none\" stroke=\"{GREY_MIDDLE}\" stroke-width=\".5\"/>\
             <rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{u}\" fill=\"{YELLOW}\"/>\
             <text x=\"{m}\" y=\"{ty}\" class=\"m s\">{:.0} % · {:.1} h</text>\n",
            share * 100.0,
            used as f64 / 3600.0,
            x = px(x + wide * 0.1),
            w = px(wide * 0.8),
            t = px(top + 4.0),
            h = px(LOW_ROW - 8.0),
            y = px(top + LOW_ROW - 4.0 - high),
            u = px(high),
            m = px(x + wide / 2.0),
            ty = px(top + LOW_ROW - 8.0),
        );
    }
    let Some(stock) = stock else { return };
    let top = top + LOW_ROW;
    head(out, top, words.stock);
    let limit = roster.stock.limits.most.map(|most| most as f64 / 1000.0);
    let most = stock
        .iter()
        .map(|day| day.most_m3)
        .fold(limit.unwrap_or(0.0), f64::max);
    if most <= 0.0 {
        return;
    }
    let y = |m3: f64| top + LOW_ROW - (LOW_ROW - 12.0) * m3 / most;
    for day in stock {
        let Some(next) = day.date.succ_opt() else {
            continue;
        };
        let span = Stretch::new(midnight(day.date), midnight(next));
        if span.from < week.span.from || span.to > week.span.to {
            continue;
        }
        let (x0, x1) = (week.x(span.from), week.x(span.to));
        // Faint is the most of the day, dark what lies at its end.
        for (m3, colour) in [(day.most_m3, GREY_LIGHT), (day.lies_m3, GREY_MIDDLE)] {
            *out += &format!(
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{colour}\"/>\n",
                px(x0 + 1.0),
                px(y(m3)),
                px(x1 - x0 - 2.0),
                px(top + LOW_ROW - y(m3))
            );
        }
        *out += &format!(
            "<text x=\"{}\" y=\"{}\" class=\"m s\" paint-order=\"stroke\" stroke=\"{WHITE}\" stroke-width=\"2\">{:.0}</text>\n",
            px((x0 + x1) / 2.0),
            px(top + LOW_ROW - 4.0),
            day.lies_m3
        );
    }
    if let Some(limit) = limit {
        *out += &format!(
            "<path d=\"M{} {}H{}\" stroke=\"{BLACK}\" stroke-width=\"1\" stroke-dasharray=\"5 3\"/>\n",
            px(LEFT),
            px(y(limit)),
            px(week.x(week.span.to))
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
    let words = words::of(roster.layout.language);
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
            short_date(words, date),
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
    for own in roster.idle {
        let y = top + own.machine as f64 * ROW;
        let parts = intersect(&[own.span], &[week.span]);
        let Some(part) = parts.first() else { continue };
        if week.x(part.to) - week.x(part.from) < 7.0 {
            continue;
        }
        let at = Why::ALL.iter().position(|why| *why == own.why).unwrap_or(0);
        *out += &format!(
            "<text x=\"{}\" y=\"{}\" class=\"m s\">{}<title>{}</title></text>\n",
            px((week.x(part.from) + week.x(part.to)) / 2.0),
            px(y + 14.5),
            letter(own.why),
            escape(words.season.idle[at])
        );
    }
    for shift in shifts {
        let y = top + shift.machine as f64 * ROW;
        for row in &shift.rows {
            let part = intersect(&[row.span], &[week.span]);
            let Some(part) = part.first() else { continue };
            let (inset, high) = match row.job {
                Job::Move | Job::Service | Job::Fuel => (13.0, 6.0),
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
                    words.job(row.job),
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

fn short_date(words: &Words, date: NaiveDate) -> String {
    use chrono::Datelike;
    let weekday = words.weekdays[date.weekday().num_days_from_monday() as usize];
    let month = words.months[date.month0() as usize];
    format!("{weekday} {} {month}", date.day())
}
