//! What goes to the field: `field_check.csv` with columns to fill, `field_check.gpx` with the same places for a receiver, and
//! `field_check.html` to print.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use super::map::svg::escape;
use super::tables::Table;
use super::{OutputError, cells, style, text};
use crate::audit::field::{FieldCheck, FieldPlace, Sense, Task, sense};
use crate::model::{Language, Verdict};

pub(super) const CSV: &str = "field_check.csv";
pub(super) const GPX: &str = "field_check.gpx";
pub(super) const SHEET: &str = "field_check.html";

/// Where a place is, for those who go there.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Approach {
    /// Longitude and latitude on WGS 84, in degrees; None: outside what the work CRS can be turned into.
    pub place: Option<[f64; 2]>,
    /// The nearest point of a mapped road.
    pub road: Option<FromRoad>,
}

/// The straight way from a road, whatever lies between.
#[derive(Clone, Debug, PartialEq)]
pub struct FromRoad {
    pub id: String,
    /// Longitude and latitude on WGS 84, in degrees.
    pub leave_at: [f64; 2],
    pub metres: f64,
    /// Clockwise from true north, in degrees.
    pub bearing_deg: f64,
}

/// Columns that a person fills, in file order.
const TO_FILL: [&str; 6] = [
    "measured",
    "error",
    "measured_on",
    "measured_by",
    "photo",
    "note",
];

struct Words {
    lang: &'static str,
    title: &'static str,
    /// Of one place, and of several; the seed.
    intro: [&'static str; 2],
    drawn: &'static str,
    /// Of none, one and several.
    all_fails: [&'static str; 3],
    back: &'static str,
    block: &'static str,
    place: &'static str,
    way: &'static str,
    no_road: &'static str,
    measure: &'static str,
    asked: [&'static str; 2],
    measured: &'static str,
    error: &'static str,
    photo: &'static str,
    date: &'static str,
    name: &'static str,
    note: &'static str,
    none: &'static str,
    tasks: [&'static str; 9],
    cautions: &'static [&'static str],
}

const ENGLISH: Words = Words {
    lang: "en",
    title: "Field check",
    intro: [
        "{} place to visit, seed {}. What the layers say is left out on purpose: measure as if nobody had.",
        "{} places to visit, seed {}. What the layers say is left out on purpose: measure as if nobody had.",
    ],
    drawn: "Of {} place(s) that do not fail by the layers {} are drawn by lot. If {} of all of them or more were faulty, none would be \
            found with a probability of at most {}.",
    all_fails: [
        "By the layers no place fails.",
        "The one place that fails by the layers is to be visited.",
        "All {} places that fail by the layers are to be visited.",
    ],
    back: "Fill in field_check.csv, or give the waypoints of field_check.gpx a comment such as “18.4 ± 0.3 photo 31”, and hand \
           either back with --measured. A place that cannot be reached stays empty, with the reason under note: it is never taken \
           for sound.",
    block: "Block",
    place: "Place",
    way: "From road {}: leave it at {}, then {} m on a bearing of {}° (true north), as the crow flies.",
    no_road: "No mapped road nearby.",
    measure: "Measure",
    asked: ["asked for: at least {} {}", "allowed: at most {} {}"],
    measured: "Measured, m",
    error: "± m",
    photo: "Photo no.",
    date: "Date, time",
    name: "By",
    note: "Note",
    none: "No place is to be visited.",
    tasks: [
        "Least distance from a cut stump or a wheel track to the edge of the feature (water's edge, bank or line that the rule \
         counts from).",
        "Least distance from a cut stump or a wheel track to the middle of the stream.",
        "Least distance from a wheel track to the edge of the feature.",
        "Least distance from a cut stump or a wheel track to the wire. By range finder and from outside the limit only: no tape, no \
         pole near a line.",
        "How far beyond the marked line of the block the farthest stump stands, within 10 m to both sides of the place; 0 where none does.",
        "Distance from the edge of the road to the nearest tree left as retention.",
        "Width of what stands between the two cuts, square to it, from stump to stump.",
        "Width of the cut, square to the way driven.",
        "Nothing that a tape tells: look, take a photo, and write down what is there. Leave the figure empty.",
    ],
    cautions: &[
        "Nobody goes where machines work: ask whoever leads the work first.",
        "Hung-up and dead trees, windthrow, steep or soft ground: what you see there decides, not this sheet. Leave the place out.",
        "Power lines: keep the distance that their operator and local rules ask for, with every pole and rod.",
        "Two people, or somebody who knows where you are and when you are back. Local codes come first.",
    ],
};

const FRENCH: Words = Words {
    lang: "fr",
    title: "Contrôle sur le terrain",
    intro: [
        "{} point à visiter, graine {}. Ce que disent les couches est omis à dessein : mesurez comme si personne ne l’avait fait.",
        "{} points à visiter, graine {}. Ce que disent les couches est omis à dessein : mesurez comme si personne ne l’avait fait.",
    ],
    drawn: "Des {} point(s) qui ne sont pas en défaut selon les couches, {} sont tirés au sort. Si {} de l’ensemble ou plus étaient \
            en défaut, on n’en trouverait aucun avec une probabilité d’au plus {}.",
    all_fails: [
        "Selon les couches, aucun point n’est en défaut.",
        "Le seul point en défaut selon les couches est à visiter.",
        "Les {} points en défaut selon les couches sont tous à visiter.",
    ],
    back: "Remplissez field_check.csv, ou donnez aux points de field_check.gpx un commentaire tel que « 18,4 ± 0,3 photo 31 », et \
           rendez l’un ou l’autre avec --measured. Un point inaccessible reste vide, la raison sous « note » : il n’est jamais tenu \
           pour conforme.",
    block: "Bloc",
    place: "Point",
    way: "Depuis le chemin {} : le quitter à {}, puis {} m à l’azimut {}° (nord géographique), à vol d’oiseau.",
    no_road: "Aucun chemin cartographié à proximité.",
    measure: "Mesurer",
    asked: ["exigé : au moins {} {}", "permis : au plus {} {}"],
    measured: "Mesuré, m",
    error: "± m",
    photo: "Photo n°",
    date: "Date, heure",
    name: "Par",
    note: "Note",
    none: "Aucun point n’est à visiter.",
    tasks: [
        "La plus courte distance d’une souche coupée ou d’une trace de roue au bord de l’élément (bord de l’eau, berge ou ligne d’où \
         la règle compte).",
        "La plus courte distance d’une souche coupée ou d’une trace de roue au milieu du cours d’eau.",
        "La plus courte distance d’une trace de roue au bord de l’élément.",
        "La plus courte distance d’une souche coupée ou d’une trace de roue au câble. Au télémètre et de l’extérieur de la limite \
         seulement : ni ruban, ni perche près d’une ligne.",
        "De combien la souche la plus éloignée dépasse la limite marquée du bloc, à moins de 10 m de part et d’autre du point ; 0 si aucune ne la dépasse.",
        "Distance du bord du chemin à l’arbre conservé le plus proche.",
        "Largeur de ce qui reste debout entre les deux coupes, à angle droit, de souche à souche.",
        "Largeur de la coupe, à angle droit du sens de marche.",
        "Rien qu’un ruban puisse dire : regarder, photographier et noter ce qui s’y trouve. Laisser le chiffre vide.",
    ],
    cautions: &[
        "Personne ne va où travaillent des machines : demander d’abord à qui dirige les travaux.",
        "Arbres encroués ou morts, chablis, terrain raide ou mou : ce que vous voyez décide, pas cette fiche. Laissez ce point.",
        "Lignes électriques : garder la distance qu’exigent l’exploitant et les règles locales, perches et jalons compris.",
        "À deux, ou quelqu’un sait où vous êtes et quand vous revenez. Les règles locales priment.",
    ],
};

fn words(language: Language) -> &'static Words {
    match language {
        Language::English => &ENGLISH,
        Language::French => &FRENCH,
    }
}

impl Words {
    fn task(&self, task: Task) -> &'static str {
        let at = Task::ALL.iter().position(|own| *own == task);
        at.map_or("", |at| self.tasks[at])
    }

    fn asked(&self, place: &FieldPlace) -> String {
        match (sense(&place.rule_id, place.unit), place.required) {
            (Some(sense), Some(required)) => {
                let which = usize::from(sense == Sense::AtMost);
                text::fill(self.asked[which], &[&self.figure(required, 1), place.unit])
            }
            _ => String::new(),
        }
    }

    fn figure(&self, value: f64, decimals: usize) -> String {
        let text = cells::number(Some(value), decimals);
        match self.lang {
            "fr" => text.replace('.', ","),
            _ => text,
        }
    }

    fn percent(&self, share: f64) -> String {
        let text = self.figure(100.0 * share, 1);
        let text = text
            .strip_suffix(".0")
            .or(text.strip_suffix(",0"))
            .unwrap_or(&text);
        match self.lang {
            "fr" => format!("{text} %"),
            _ => format!("{text}%"),
        }
    }

    fn way(&self, way: &Approach) -> String {
        let Some(road) = &way.road else {
            return self.no_road.to_owned();
        };
        let figures = [
            road.id.clone(),
            degrees(road.leave_at),
            self.figure(road.metres, 0),
            self.figure(road.bearing_deg.rem_euclid(360.0), 0),
        ];
        text::fill(self.way, &figures.each_ref().map(String::as_str))
    }
}

fn degrees([lon, lat]: [f64; 2]) -> String {
    let of = |value| cells::number(Some(value), 6);
    format!("{}, {}", of(lat), of(lon))
}

/// Writes the three files where `path` says.
pub(super) fn write(
    path: &dyn Fn(&str) -> PathBuf,
    (project, language): (&str, Language),
    check: &FieldCheck,
    ways: &[Approach],
    decimals: usize,
) -> Result<(), OutputError> {
    let words = words(language);
    table(&path(CSV), words, check, ways, decimals)?;
    for (name, text) in [
        (GPX, gpx(words, check, ways)),
        (SHEET, sheet(words, project, check, ways)),
    ] {
        let path = path(name);
        fs::write(&path, text).map_err(OutputError::file(&path, "write the file"))?;
    }
    Ok(())
}

fn table(
    path: &Path,
    words: &Words,
    check: &FieldCheck,
    ways: &[Approach],
    decimals: usize,
) -> Result<(), OutputError> {
    let own = [
        "no",
        "code",
        "block_id",
        "rule_id",
        "title",
        "stratum",
        "probability",
        "x",
        "y",
        "latitude",
        "longitude",
        "way",
        "task",
        "asked",
        "unit",
    ];
    let mut table = Table::create(path, own.into_iter().chain(TO_FILL))?;
    for (place, way) in check.places.iter().zip(ways) {
        let at = |which: usize| cells::number(way.place.map(|place| place[which]), 8);
        let mut row = vec![
            place.no.to_string(),
            place.code.clone(),
            cells::text(&place.block_id).into_owned(),
            cells::text(&place.rule_id).into_owned(),
            cells::text(&place.title).into_owned(),
            place.stratum.key().to_owned(),
            cells::number(Some(place.probability), 6),
            cells::number(Some(place.x), decimals),
            cells::number(Some(place.y), decimals),
            at(1),
            at(0),
            cells::text(&words.way(way)).into_owned(),
            cells::text(words.task(place.task)).into_owned(),
            cells::text(&words.asked(place)).into_owned(),
            cells::text(place.unit).into_owned(),
        ];
        row.resize(own.len() + TO_FILL.len(), String::new());
        table.row(row)?;
    }
    table.close()
}

/// Waypoints by their codes: nine signs, which the oldest receivers keep.
fn gpx(words: &Words, check: &FieldCheck, ways: &[Approach]) -> String {
    let mut out = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <gpx version=\"1.1\" creator=\"{} {}\" xmlns=\"http://www.topografix.com/GPX/1/1\">\n\
         <metadata><name>{}</name></metadata>\n",
        env!("CARGO_PKG_NAME"),
        env!("CARGO_PKG_VERSION"),
        escape(words.title)
    );
    for (place, way) in check.places.iter().zip(ways) {
        let Some([lon, lat]) = way.place else {
            continue;
        };
        let of = |value| cells::number(Some(value), 8);
        let desc = format!(
            "{}. {} {}: {} {}",
            place.no,
            words.block,
            place.block_id,
            words.task(place.task),
            words.asked(place)
        );
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "<wpt lat=\"{}\" lon=\"{}\"><name>{}</name><desc>{}</desc></wpt>",
            of(lat),
            of(lon),
            place.code,
            escape(desc.trim_end())
        );
    }
    out + "</gpx>\n"
}

fn sheet(words: &Words, project: &str, check: &FieldCheck, ways: &[Approach]) -> String {
    let (all, drawn) = (check.strata.iter().skip(1)).fold((0, 0), |(all, drawn), own| {
        (all + own.places, drawn + own.drawn)
    });
    let fails = check.strata.first().map_or(0, |own| own.drawn);
    let mut page = format!(
        "<!doctype html>\n<html lang=\"{lang}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}: {project}</title>\n\
         <style>\n{css}</style>\n</head>\n<body>\n<main>\n<h1>{title}: {project}</h1>\n",
        lang = words.lang,
        title = escape(words.title),
        project = escape(project),
        css = css(),
    );
    let count = check.places.len().to_string();
    let intro = words.intro[usize::from(check.places.len() != 1)];
    let all_fails = words.all_fails[fails.min(2) as usize];
    let seed = check.seed.to_string();
    let _ = writeln!(page, "<ul class=\"cautions\">");
    for caution in words.cautions {
        let _ = writeln!(page, "<li>{}</li>", escape(caution));
    }
    let _ = writeln!(
        page,
        "</ul>\n<p>{}</p>",
        escape(&text::fill(intro, &[&count, &seed]))
    );
    let _ = writeln!(
        page,
        "<p>{} {}</p>\n<p>{}</p>",
        escape(&text::fill(all_fails, &[&fails.to_string()])),
        escape(&text::fill(
            words.drawn,
            &[
                &all.to_string(),
                &drawn.to_string(),
                &words.percent(check.risk.faulty_share),
                &words.percent(check.worst_risk),
            ]
        )),
        escape(words.back),
    );
    if check.places.is_empty() {
        let _ = writeln!(page, "<p>{}</p>", escape(words.none));
    }
    for (place, way) in check.places.iter().zip(ways) {
        let at = way.place.map_or_else(
            || {
                let of = |value| cells::number(Some(value), 3);
                format!("{}, {}", of(place.x), of(place.y))
            },
            degrees,
        );
        let _ = writeln!(
            page,
            "<section><h2>{no}. {block} {id} <code>{code}</code></h2>\n\
             <p><b>{place_word}:</b> <span class=\"at\">{at}</span>. {way}</p>\n\
             <p><b>{measure}:</b> {task} <span class=\"asked\">{asked}</span></p>\n\
             <p class=\"rule\">{title}</p>\n<table><tr>",
            no = place.no,
            block = escape(words.block),
            id = escape(&place.block_id),
            code = place.code,
            place_word = escape(words.place),
            way = escape(&words.way(way)),
            measure = escape(words.measure),
            task = escape(words.task(place.task)),
            asked = escape(&words.asked(place)),
            title = escape(&place.title),
        );
        for head in [
            words.measured,
            words.error,
            words.photo,
            words.date,
            words.name,
            words.note,
        ] {
            let _ = write!(page, "<td><span>{}</span></td>", escape(head));
        }
        page += "</tr></table></section>\n";
    }
    page + "</main>\n</body>\n</html>\n"
}

fn css() -> String {
    format!(
        "html {{ font: 15px/1.4 system-ui, \"DejaVu Sans\", sans-serif; color-scheme: light dark; }}\n\
         main {{ max-width: 60rem; margin: 0 auto; padding: 0 1rem; overflow-wrap: break-word; }}\n\
         h2 {{ font-size: 1.1rem; margin: 0; }}\n\
         code, .at {{ font-family: ui-monospace, monospace; white-space: nowrap; }}\n\
         section {{ border-top: 2px solid; padding: .5rem 0; break-inside: avoid; }}\n\
         section p {{ margin: .2rem 0; }}\n\
         .asked {{ font-weight: bold; }}\n\
         .rule {{ font-size: .85rem; }}\n\
         .cautions {{ border-left: .5rem solid {warn}; padding-left: 1.6rem; }}\n\
         table {{ border-collapse: collapse; width: 100%; table-layout: fixed; }}\n\
         td {{ border: 1px solid; height: 3.2rem; vertical-align: top; padding: .1rem .3rem; }}\n\
         td:last-child {{ width: 30%; }}\n\
         td span {{ font-size: .7rem; }}\n\
         @media screen and (max-width: 40rem) {{ tr {{ display: grid; grid-template-columns: 1fr 1fr 1fr; }} td:last-child {{ width: \
         auto; grid-column: 1 / -1; }} }}\n\
         @media print {{ html {{ font-size: 11px; color-scheme: light; }} main {{ max-width: none; padding: 0; }} }}\n\
         @page {{ size: A4; margin: 12mm; }}\n",
        warn = style::sign(Verdict::Warn)[0],
    )
}
