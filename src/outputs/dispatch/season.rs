//! `season.html`: how good the plan is, what limits it, who stands idle and why, wood, people and changes, with the picture of
//! the shifts, in the language of the layout. It holds no script and loads nothing.

use super::french::said;
use super::report::{figures, hours, machine_hours};
use super::rows::upkeep;
use super::words::{self, Words};
use super::{HaulagePlan, Roster, decks, stock};
use crate::outputs::map::svg::escape;
use crate::outputs::style::{GREY_DARK, GREY_LIGHT, WHITE};
use crate::outputs::text::fill;
use crate::schedule::idle::{Why, light_used, sums};
use crate::schedule::outlook::{Warning, shown};
use crate::schedule::time::{intersect, total};
use crate::schedule::{Scarce, Stretch};

fn one(seconds: i64) -> String {
    format!("{:.1}", seconds as f64 / 3600.0)
}

struct Page {
    out: String,
}

impl Page {
    fn head(&mut self, head: &str) {
        self.out += &format!("<h2>{}</h2>\n", escape(head));
    }

    fn list(&mut self, items: &[String]) {
        self.out += "<ul>";
        for item in items {
            self.out += &format!("<li>{}</li>", escape(item));
        }
        self.out += "</ul>\n";
    }
}

pub(super) fn page(roster: &Roster<'_>, picture: &str) -> String {
    let words = words::of(roster.layout.language);
    let own = words.season;
    let language = roster.layout.language;
    let title = fill(
        own.title,
        &[
            &roster.layout.project,
            &words.date(roster.from),
            &roster.days.to_string(),
            roster.zone.name(),
        ],
    );
    let mut page = Page {
        out: format!(
            "<!DOCTYPE html>\n<html lang=\"{}\"><head><meta charset=\"utf-8\">\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{title}</title>\n<style>\
             @page{{size:A3 landscape;margin:10mm}}body{{font:15px/1.35 system-ui,\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;\
             color:{GREY_DARK};background:{WHITE};max-width:1200px;margin:0 auto;padding:8px 12px}}h1{{font-size:1.4rem;margin:0 0 .4rem}}\
             h2{{font-size:1.05rem;margin:1rem 0 .2rem;border-bottom:1px solid {GREY_LIGHT}}}ul{{margin:.2rem 0;padding-left:1.2rem}}\
             .wide{{overflow-x:auto}}</style></head><body><main>\n<h1>{title}</h1>\n",
            words.lang,
            title = escape(&title),
        ),
    };
    page.list(&quality(roster, words));
    let limits = &roster.solved.bound.limits;
    if !limits.is_empty() {
        page.head(own.limits);
        let begins = figures(roster).begins;
        let told = limits.iter().map(|limit| {
            let what = scarce(limit.what, words);
            let because = said(&limit.because, language);
            match limit.finish {
                Some(at) => fill(own.limit, &[what, &one((at - begins).max(0)), &because]),
                None => fill(own.limit_beyond, &[what, &because]),
            }
        });
        page.list(&told.collect::<Vec<_>>());
    }
    let warnings: Vec<&Warning> = (roster.outlook.warnings.iter())
        .chain(roster.breaches)
        .collect();
    if !warnings.is_empty() {
        page.head(own.mind);
        let told = warnings.iter().map(|warning| {
            let help = fill(own.helps, &[&said(&warning.help, language)]);
            format!("{}. {help}", said(&warning.what, language))
        });
        page.list(&told.collect::<Vec<_>>());
    }
    let picture = picture.replacen("<svg ", "<svg style=\"max-width:none\" ", 1);
    page.out += &format!("<div class=\"wide\">{picture}</div>\n");
    page.head(own.machines);
    page.list(&machines(roster, words));
    page.head(own.wood);
    page.list(&wood(roster, words));
    if let Some(haulage) = roster.haulage {
        page.head(own.decks);
        page.list(&decked(roster, haulage, words));
    }
    if !roster.people.is_empty() {
        page.head(own.people);
        page.list(&people(roster, words));
    }
    if let Some(moved) = roster.moved {
        page.head(own.changes);
        let blocks = |ids: &[String]| match ids.is_empty() {
            true => own.nothing.to_owned(),
            false => ids.join(", "),
        };
        let mut told = vec![fill(
            own.kept,
            &[&moved.kept.to_string(), &moved.compared.to_string()],
        )];
        told.extend(moved.changes.iter().map(|change| {
            fill(
                own.change,
                &[
                    &words.date(change.date),
                    &change.shift,
                    &change.machine,
                    &blocks(&change.after),
                    &blocks(&change.before),
                    &said(&change.why, language),
                ],
            )
        }));
        page.list(&told);
    }
    if !roster.set_aside.is_empty() {
        page.head(own.set_aside);
        let told = roster
            .set_aside
            .iter()
            .map(|block| fill(words.label, &[&block.block_id, &said(&block.why, language)]));
        page.list(&told.collect::<Vec<_>>());
    }
    page.out + "</main></body></html>\n"
}

pub(super) fn scarce(what: Scarce, words: &Words) -> &'static str {
    let at = match what {
        Scarce::Light => 0,
        Scarce::Machines => 1,
        Scarce::Hauls => 2,
        Scarce::Block => 3,
        Scarce::Windows => 4,
        Scarce::Skidders => 5,
    };
    words.season.scarce[at]
}

/// What the light and the time of felling machines are used for, up to the finish.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Used {
    /// Seconds of light in their shifts, and those of them in which they cut.
    pub light_s: i64,
    pub cut_s: i64,
    /// Key, words and seconds of each reason to stand idle, the longest first.
    pub idle: Vec<(&'static str, &'static str, i64)>,
}

pub fn used(roster: &Roster<'_>) -> Used {
    let end = figures(roster).finish.unwrap_or(roster.problem.period.to);
    let within = Stretch::new(roster.problem.period.from, end);
    let (light_s, cut_s) = light_used(roster.problem, &roster.solved.plan, within);
    let felling = roster.problem.machines.len();
    let own = roster.idle.iter().filter(|idle| idle.machine < felling);
    let own: Vec<_> = own.collect();
    let sum = |why: Why| -> i64 {
        let spans = own.iter().filter(|idle| idle.why == why);
        spans
            .map(|idle| total(&intersect(&[idle.span], &[within])))
            .sum()
    };
    let words = words::ENGLISH.season.idle;
    let idle = Why::ALL.iter().zip(words);
    let mut idle: Vec<_> = idle
        .map(|(why, words)| (why.key(), words, sum(*why)))
        .filter(|idle| idle.2 > 0)
        .collect();
    idle.sort_by_key(|idle| std::cmp::Reverse(idle.2));
    Used {
        light_s,
        cut_s,
        idle,
    }
}

/// Finish, bound, gap, light and moves.
fn quality(roster: &Roster<'_>, words: &Words) -> Vec<String> {
    let own = words.season;
    let found = figures(roster);
    let because = said(&roster.solved.bound.because, roster.layout.language);
    let plan = &roster.solved.plan;
    let mut told = Vec::new();
    match found.finish {
        Some(finish) => told.push(fill(own.finished, &[&one(finish - found.begins)])),
        None if plan.undone == 0 => told.push(own.nothing_left.to_owned()),
        None => told.push(fill(
            own.left,
            &[&format!("{:.1}", plan.undone as f64 / 3.6e6)],
        )),
    }
    match (found.bound, found.gap) {
        (Some(bound), Some(gap)) => told.push(fill(
            own.bound,
            &[
                &one(bound - found.begins),
                &because,
                &format!("{:.1}", gap * 100.0),
            ],
        )),
        (None, _) => told.push(fill(own.no_bound, &[&because])),
        _ => {}
    }
    let used = used(roster);
    let (has, used) = (used.light_s, used.cut_s);
    if has > 0 {
        let share = format!("{:.0}", used as f64 / has as f64 * 100.0);
        told.push(fill(own.light_used, &[&one(used), &one(has), &share]));
    }
    told.push(fill(own.moves, &[&one(plan.moving_s)]));
    told
}

fn machines(roster: &Roster<'_>, words: &Words) -> Vec<String> {
    let own = words.season;
    let idle = sums(roster.idle);
    let machines = 0..roster.shifts.len();
    let told = machines.map(|index| {
        let its = machine_hours(roster, index);
        let shifts: Vec<Stretch> = roster.shifts[index].iter().map(|one| one.span).collect();
        // What falls outside of shifts costs none of their time.
        let slots: Vec<Stretch> = upkeep(roster, index).iter().map(|own| own.1).collect();
        let service = total(&intersect(&slots, &shifts));
        let own_idle = roster.idle.iter().filter(|idle| idle.machine == index);
        let idle_s: i64 = own_idle.map(|idle| idle.span.seconds()).sum();
        let why = Why::ALL.iter().zip(own.idle).filter_map(|(why, word)| {
            let seconds = idle.get(&(index, *why)).copied().unwrap_or(0);
            (seconds >= 360).then(|| fill(own.idle_for, &[&one(seconds), word]))
        });
        let why: Vec<String> = why.collect();
        let said = fill(
            own.machine,
            &[
                &one(total(&shifts)),
                &one(its.work),
                &one(its.moves),
                &one(service),
                &one(idle_s),
            ],
        );
        let why = match why.is_empty() {
            true => String::new(),
            false => format!(" ({})", why.join(words.semicolon)),
        };
        fill(
            words.label,
            &[roster.machine(index), &format!("{said}{why}")],
        )
    });
    told.collect()
}

fn wood(roster: &Roster<'_>, words: &Words) -> Vec<String> {
    let own = words.season;
    let (most, waits) = stock::most_stock(roster);
    let mut told = vec![match most {
        Some(most) => fill(own.most_lies, &[&format!("{most:.0}")]),
        None => own.wood_unknown.to_owned(),
    }];
    if waits > 0 {
        told.push(fill(own.felling_waits, &[&one(waits)]));
    }
    let language = roster.layout.language;
    let due = roster.wood.iter();
    told.extend(due.map(|due| said(&due.words(&shown(due.by)), language)));
    told
}

/// What trucks take, and of each deck with a limit or wood at the end how much lies there.
fn decked(roster: &Roster<'_>, haulage: &HaulagePlan, words: &Words) -> Vec<String> {
    let own = words.season;
    let m3 = |litres: i64| format!("{:.0}", litres as f64 / 1000.0);
    let loads = &roster.skidding.loads;
    let mut told = vec![fill(
        own.hauled,
        &[
            &loads.len().to_string(),
            &m3(haulage.decks.load),
            &m3(loads.iter().map(|load| load.litres).sum()),
            &haulage.source,
        ],
    )];
    let waits = decks::skidding_waits_s(roster);
    if waits > 0 {
        told.push(fill(own.skidding_waits, &[&one(waits)]));
    }
    let days = decks::days(roster, haulage);
    for (at, name) in haulage.names.iter().enumerate() {
        let of_deck = || days.iter().filter(|day| day.deck == at);
        let Some(last) = of_deck().next_back() else {
            continue;
        };
        let most = of_deck().map(|day| day.most).max().unwrap_or(0);
        let room = haulage.decks.decks[at].room;
        if room.is_none() && last.lies == 0 {
            continue;
        }
        let room = room.map_or(String::new(), |room| fill(own.deck_room, &[&m3(room)]));
        let name = match name.outlet.is_empty() {
            true => fill(own.deck_of, &[&name.words()]),
            false => name.words(),
        };
        told.push(fill(own.deck, &[&name, &m3(most), &room, &m3(last.lies)]));
    }
    told
}

fn people(roster: &Roster<'_>, words: &Words) -> Vec<String> {
    let own = words.season;
    let mut told: Vec<String> = (roster.people.iter())
        .map(|person| {
            let rest = person
                .least_rest_s
                .map_or(String::new(), |rest| fill(own.rest_between, &[&one(rest)]));
            fill(
                own.person,
                &[&person.name, &one(person.longest_in_a_day_s), &rest],
            )
        })
        .collect();
    told.push(match roster.rest {
        None => own.rest_unsaid.to_owned(),
        Some(rest) => {
            let hours = |seconds: Option<i64>| {
                seconds.map_or("–".to_owned(), |s| format!("{}", hours(s)))
            };
            fill(
                own.rest_said,
                &[
                    &hours(rest.longest_work_s),
                    &hours(rest.least_rest_s),
                    &rest.source,
                ],
            )
        }
    });
    told
}
