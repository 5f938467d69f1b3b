//! Findings about other people, power lines, dangerous trees, wet ground and slopes by machine in the words of the sheets: what is read in the woods is read in one language.

use std::borrow::Cow;

use chrono::{Datelike, NaiveDate};
use geo::InteriorPoint;

use super::findings_french;
use crate::model::{
    BlockPlan, DayCondition, DaySpan, Finding, Language, MAY_BE_WET_RULE, OpenDays, PeopleNote,
    PowerLineNote, UnderWindow, Verdict, WindowNote, YearDay, Zone,
};
use crate::units::{Percent, hectares};

/// What a finding of a plan says; of other rules, and in English, its own message.
pub fn told(plan: &BlockPlan, finding: &Finding, language: Language) -> String {
    let french = match language {
        Language::English => None,
        Language::French => french(plan, finding),
    };
    match french {
        Some(french) => findings_french::figures(&french),
        None => finding.message.clone(),
    }
}

fn french(plan: &BlockPlan, finding: &Finding) -> Option<String> {
    match finding.rule_id.as_str() {
        "people-near" => {
            let own = |note: &&PeopleNote| note.said && finding.shape.as_ref() == Some(&note.shape);
            Some(people(plan, plan.people.iter().find(own)?))
        }
        "falling-area" => Some(format!(
            "Nul ne dit la hauteur des arbres ; {:.0} m la remplacent comme distance à garder par le public",
            finding.required?
        )),
        "power-line-limit" | "power-line-belt" | "power-line-crossing" | "power-line-landing" => {
            let own = |note: &&PowerLineNote| {
                let named = format!("power line {}{}: ", note.id, note.named());
                finding.message.starts_with(&named)
            };
            match plan.power_lines.iter().find(own) {
                Some(note) => power_line(note, finding),
                None => measured(finding),
            }
        }
        "window" => {
            let own = |note: &&WindowNote| {
                let place = note.shape.interior_point().map(geo::Geometry::Point);
                finding.source == note.source
                    && finding.shape == place
                    && finding.message.contains(&note.days.spoken())
            };
            Some(window(plan.windows.iter().find(own)?))
        }
        "window-never" => Some(format!(
            "{:.2} ha ne sont ouverts aucun jour : leurs périodes ne laissent rien en commun",
            finding.measured?
        )),
        "window-unknown" => Some(format!(
            "{:.2} ha : nul ne sait encore quand ils sont ouverts ; aucun jour n’y est prévu d’ici là",
            finding.measured?
        )),
        "danger-tree" => danger_tree(plan, finding),
        MAY_BE_WET_RULE => may_be_wet(finding),
        "map-error" => map_error(finding),
        "block-edge" => {
            let (_, figures) = finding.message.split_once(" may be off by ")?;
            let (figures, _) = figures.split_once(',')?;
            Some(format!(
                "La limite du bloc peut être fausse de {figures} : autant de ce qui est coupé le long d’elle peut se trouver dehors"
            ))
        }
        id if id.starts_with("slope-") => slope_limit(finding),
        _ => findings_french::french(&finding.message),
    }
}

/// Hectares that may be wet, hectares of which nobody knows, or soils without a figure.
fn may_be_wet(finding: &Finding) -> Option<String> {
    Some(match (finding.verdict, finding.unit) {
        (Verdict::NotApplicable, _) => format!(
            "{:.2} ha peut-être mouillés, bas au-dessus de l’eau la plus proche : de jour seulement, après avoir vu le terrain. Tiré du relief, ce \
             n’est pas un relevé ; ailleurs, rien ne dit que le sol est sec",
            finding.measured?
        ),
        (_, "ha") => format!(
            "Sur {:.2} ha, nul ne sait si le sol est mouillé : de jour seulement, après avoir vu le terrain",
            finding.measured?
        ),
        _ => format!(
            "Sol sans valeur propre dans `by_soil` : la plus large, {} m, la remplace",
            finding.required?
        ),
    })
}

/// A distance that holds only if the map does.
fn map_error(finding: &Finding) -> Option<String> {
    let (rule, rest) = finding.message.split_once(" holds as mapped; ")?;
    let (whose, figures) = rest.split_once(" may be off by ")?;
    let (figures, _) = figures.split_once(", so that ")?;
    let whose = whose.replace(", feature ", ", objet ");
    Some(format!(
        "{rule} : tenu d’après la carte ; {whose} peut être faux de {figures} : {:.1} m sur {:.1} m sont sûrs",
        finding.measured?.max(0.0),
        finding.required?
    ))
}

/// Limits of slopes: `slope-state`, or `slope-MACHINE:HEADING`.
fn slope_limit(finding: &Finding) -> Option<String> {
    let message = finding.message.as_str();
    let state = finding.rule_id == "slope-state";
    let machine = match message.contains("skidder") {
        true => "le débardeur",
        false => "l’abatteuse",
    };
    let ways = [
        ("across ", "en travers de pentes"),
        ("up ", "en montant des pentes"),
        ("down ", "en descendant des pentes"),
    ];
    let way = ways.iter().find(|(word, _)| message.contains(word));
    let way = way.map_or("sur des pentes", |(_, french)| french);
    let limit = Percent(finding.required?);
    let parts = [
        (" of boundary pass", " de passe de périmètre"),
        (" of strips", " de bandes"),
        (" of travel", " de trajets"),
        (" of skid trails", " de pistes"),
    ];
    // What is beyond comes last, in figures and these words.
    let (_, figures) = message.rsplit_once(if state { ": " } else { "; " })?;
    let figures = figures.split(" beyond ").next()?.split("; ").next()?;
    let figures = (parts.iter()).fold(figures.to_owned(), |text, (english, french)| {
        text.replace(english, french)
    });
    Some(match (state, finding.verdict) {
        (true, _) => {
            let states = [
                ("on frozen ground", "Sur sol gelé"),
                ("in snow", "Dans la neige"),
                ("in rain", "Sous la pluie"),
            ];
            let (_, when) = states.iter().find(|(word, _)| message.starts_with(word))?;
            format!("{when}, {machine} ne va pas {way} de plus de {limit} : {figures}")
        }
        (false, Verdict::Unknown) => {
            format!("Pente inconnue : nul ne sait si {machine} va {way} de plus de {limit}")
        }
        (false, _) => format!(
            "Pente au-delà de la limite : {machine} va {way} de plus de {limit} : {figures}"
        ),
    })
}

fn danger_tree(plan: &BlockPlan, finding: &Finding) -> Option<String> {
    let is_its = |zone: &&Zone| {
        let named = format!("{} ({}): ", zone.source_id, zone.class);
        zone.rule_id == finding.rule_id && finding.message.starts_with(&named)
    };
    let zone = plan.zones.iter().find(is_its)?;
    let radius_m = finding.required?;
    let name = format!("{} {}", zone.class, zone.source_id);
    Some(match finding.verdict {
        Verdict::NotApplicable => format!(
            "{name} : personne ne travaille à moins de {radius_m:.1} m tant qu’il est debout ; {:.2} ha du bloc restent sur pied ({})",
            finding.measured?,
            finding.source.split(", ").next()?
        ),
        Verdict::Unknown => format!(
            "{name} : nul ne dit sa hauteur, ni celle des arbres du bloc ; {radius_m:.0} m la remplacent"
        ),
        _ => format!("{name} : sa largeur ne nomme pas de source et n’est pas retenue"),
    })
}

/// Days in plain words.
pub fn days(days: &OpenDays, language: Language) -> String {
    if language == Language::English {
        return days.spoken();
    }
    let told: Vec<String> = (days.conditions().iter())
        .map(|condition| {
            let spans = |spans: &[DaySpan]| {
                let told: Vec<String> = spans.iter().map(french_span).collect();
                told.join(" et ")
            };
            match condition {
                DayCondition::Open(own) => format!("ouvert {}", spans(own)),
                DayCondition::Closed(own) => format!("fermé {}", spans(own)),
                DayCondition::Frost(sum) => {
                    format!("ouvert après {sum} degrés-jours de gel mesurés")
                }
                DayCondition::Unknown => "nul ne sait quand il est ouvert".to_owned(),
            }
        })
        .collect();
    told.join(" ; ")
}

fn french_span(span: &DaySpan) -> String {
    const MONTHS: [&str; 12] = [
        "janv.", "févr.", "mars", "avril", "mai", "juin", "juill.", "août", "sept.", "oct.",
        "nov.", "déc.",
    ];
    let day = |day: u32, month: u32| {
        let month = MONTHS.get(month as usize - 1).copied().unwrap_or_default();
        match day {
            1 => format!("1er {month}"),
            _ => format!("{day} {month}"),
        }
    };
    let yearly = |own: &YearDay| day(own.day, own.month);
    let dated = |own: &NaiveDate| format!("{} {}", day(own.day(), own.month()), own.year());
    match span {
        DaySpan::Yearly(from, to) if from == to => format!("le {}", yearly(from)),
        DaySpan::Yearly(from, to) => format!("du {} au {}", yearly(from), yearly(to)),
        DaySpan::Once(Some(from), Some(to)) if from == to => format!("le {}", dated(from)),
        DaySpan::Once(Some(from), Some(to)) => format!("du {} au {}", dated(from), dated(to)),
        DaySpan::Once(Some(from), None) => format!("à partir du {}", dated(from)),
        DaySpan::Once(None, Some(to)) => format!("jusqu’au {}", dated(to)),
        DaySpan::Once(None, None) => "tous les jours".to_owned(),
    }
}

fn window(note: &WindowNote) -> String {
    let hours = match (note.day_hours, note.night_hours) {
        (Some(day), Some(night)) => format!("{day:.1} h de jour et {night:.1} h possibles de nuit"),
        _ => "heures inconnues".to_owned(),
    };
    let why = match note.under {
        UnderWindow::Block => "tout le bloc".to_owned(),
        UnderWindow::Ground if note.within_m > 0.0 => {
            format!("à moins de {:.0} m de {}", note.within_m, note.id)
        }
        UnderWindow::Ground => format!("sur {}", note.id),
        UnderWindow::Outlet => format!("le bois va à {}", note.id),
        UnderWindow::Crossing => format!("atteint par {}", note.id),
    };
    let name = match note.name.is_empty() {
        true => String::new(),
        false => format!("{} : ", note.name),
    };
    format!(
        "{name}{} : {why}, {} sections, {:.2} ha, {hours}",
        days(&note.days, Language::French),
        note.sections.len(),
        hectares(note.cut_m2)
    )
}

fn people(plan: &BlockPlan, note: &PeopleNote) -> String {
    let place = |at: geo::Coord| {
        let at = plan.frame.told(at);
        format!("({:.0}, {:.0})", at.x, at.y)
    };
    let ends: Vec<String> = (note.stretches().iter())
        .map(|[from, to]| format!("de {} à {}", place(*from), place(*to)))
        .collect();
    let (long, ends): (String, Cow<str>) = match ends.is_empty() {
        true => (String::new(), "".into()),
        false => (
            format!(" sur {:.0} m", note.length_m),
            format!(" ; {}", ends.join(" et ")).into(),
        ),
    };
    let hours = match (note.day_hours, note.night_hours) {
        (Some(day), Some(night)) => format!("{day:.1} h de jour et {night:.1} h possibles de nuit"),
        _ => "des heures inconnues".to_owned(),
    };
    format!(
        "{} : à fermer ou surveiller{long} pendant {hours} d’abattage à moins de {:.0} m (deux longueurs des plus grands arbres, {:.0} m), \
         {:.2} ha{ends}",
        note.label(),
        plan.falling.radius_m,
        plan.falling.trees_m,
        hectares(note.cut_m2)
    )
}

fn power_line(note: &PowerLineNote, finding: &Finding) -> Option<String> {
    let name = format!("Ligne électrique {}", note.label());
    let (limit_m, belt_m, trees_m) = (note.limit_m, note.belt_m, note.trees_m);
    Some(match (finding.rule_id.as_str(), finding.verdict) {
        ("power-line-belt", Verdict::NotApplicable) if note.agreed => format!(
            "{name} : {:.2} ha à moins de {belt_m:.1} m sont coupés de jour seulement ; le propriétaire y a consenti ({}) ; rien n’est coupé \
             ni parcouru à moins de {limit_m:.1} m",
            finding.measured?, note.agreed_source
        ),
        ("power-line-belt", Verdict::NotApplicable) => format!(
            "{name} : {:.2} ha à moins de {belt_m:.1} m (limite d’approche {limit_m:.1} m, arbres de {trees_m:.1} m) restent debout ; un arbre \
             pourrait tomber dans la limite, et nul ne dit que le propriétaire y a consenti",
            finding.measured?
        ),
        ("power-line-belt", Verdict::Unknown) => format!(
            "{name} : nul ne dit la hauteur des arbres voisins ; {trees_m:.0} m la remplacent"
        ),
        ("power-line-belt", _) => {
            format!("{name} : le consentement du propriétaire ne compte qu’avec sa source")
        }
        ("power-line-limit", Verdict::Unknown) => format!(
            "{name} : la distance à garder n’est pas connue ; {limit_m:.1} m la remplacent ; demander au propriétaire"
        ),
        ("power-line-limit", _) => format!(
            "{name} : la distance du propriétaire ({:.1} m) est moindre que celle de la règle ({limit_m:.1} m) et ne nomme pas de source : non retenue",
            finding.measured?
        ),
        ("power-line-crossing", _) => format!(
            "{name} : des machines passent dessous ; flèche et charge baissées, toute partie reste à {limit_m:.1} m des fils, qui pendent plus bas \
             par la chaleur, le verglas et le vent ; demander d’abord au propriétaire ({})",
            match note.wire_height_m {
                Some(m) => format!("fil le plus bas à {m:.1} m selon la carte"),
                None => "nul ne dit à quelle hauteur pendent les fils".to_owned(),
            }
        ),
        ("power-line-landing", _) => format!(
            "{name} : un dépôt en est à {:.1} m ; ni machine ni charge à moins de {:.1} m",
            finding.measured?, finding.required?
        ),
        _ => return None,
    })
}

/// Rows of the judge, which speak of all lines of a block together.
fn measured(finding: &Finding) -> Option<String> {
    let verdict = match finding.verdict {
        Verdict::Fail => "en deçà de la règle",
        Verdict::Warn => "à vérifier",
        Verdict::Unknown => "nul ne peut le dire",
        Verdict::Pass | Verdict::NotApplicable => return None,
    };
    let figure = |value: f64| format!("{value:.2} {}", finding.unit);
    let found = match (finding.measured, finding.required) {
        (Some(found), Some(asked)) => format!(" : {} pour {}", figure(found), figure(asked)),
        _ => String::new(),
    };
    let what = match finding.rule_id.as_str() {
        "power-line-limit" => {
            "Rien n’est coupé ni parcouru dans la limite d’approche d’une ligne électrique"
        }
        "power-line-belt" => {
            "Aucun arbre coupé qui pourrait tomber dans la limite d’approche sans l’accord du propriétaire"
        }
        _ => return None,
    };
    Some(format!("{what} : {verdict}{found}"))
}
