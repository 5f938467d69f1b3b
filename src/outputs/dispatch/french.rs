//! Sentences that the planner says in English, in the French of those who read a sheet: matched as templates, with what stands
//! in their gaps kept, and translated in its turn where it is such a sentence.

use crate::model::Language;
use crate::outputs::sentences::{Pair, translated};

/// English and French; `{}` is anything, in the same order.
const SENTENCES: &[Pair] = &[
    // What a plan is bound by.
    ("there is no work", "il n’y a pas de travail"),
    (
        "{} day-only hours against the daylight hours of {}",
        "{} heures de jour contre les heures de lumière de {}",
    ),
    (
        "{} hours, and the shortest moves that join the blocks, against the hours of {}",
        "{} heures, et les plus courts déplacements qui relient les blocs, contre les heures de {}",
    ),
    (
        "{} hours against the hours of {}",
        "{} heures contre les heures de {}",
    ),
    (
        "day-only hours, and the shortest moves by day between blocks, twice to those that need light before and after their \
         night-safe work, against the daylight hours of all machines",
        "les heures de jour, et les plus courts déplacements de jour entre les blocs, deux fois vers ceux qui demandent de la \
         lumière avant et après leur travail de nuit, contre les heures de lumière de toutes les machines",
    ),
    (
        "block {} by itself, one machine at a time",
        "le bloc {} à lui seul, une machine à la fois",
    ),
    (
        "{} hours of block {} on its open days, one machine at a time",
        "{} heures du bloc {} pendant ses jours ouverts, une machine à la fois",
    ),
    (
        "{} hours of skidding against the hours of all skidders, until the wood is brought",
        "{} heures de débardage contre les heures de tous les débardeurs, jusqu’à ce que le bois soit sorti",
    ),
    // What runs out, and what helps.
    (
        "from {} night shifts have no night-safe work; {} day-only hours wait for light, {} night hours stay unused",
        "à partir du {} les quarts de nuit n’ont plus de travail possible de nuit ; {} heures de jour attendent la lumière, {} heures de nuit restent inutilisées",
    ),
    (
        "from {} the dark hours of shifts have no night-safe work; {} day-only hours wait for light, {} night hours stay unused",
        "à partir du {} les heures d’obscurité des quarts n’ont pas de travail possible de nuit ; {} heures de jour seulement attendent la lumière, {} heures de nuit restent inutilisées",
    ),
    (
        "from {} the dark hours of shifts have no night-safe work; {} day-only hours wait for light",
        "à partir du {} les heures d’obscurité des quarts n’ont pas de travail possible de nuit ; {} heures de jour seulement attendent la lumière",
    ),
    (
        "add another block with night-safe work, or let shifts begin and end with the light",
        "ajouter un bloc avec du travail possible de nuit, ou faire commencer et finir les quarts avec la lumière",
    ),
    (
        "from {} night shifts have no night-safe work; {} day-only hours wait for light",
        "à partir du {} les quarts de nuit n’ont plus de travail possible de nuit ; {} heures de jour attendent la lumière",
    ),
    (
        "{} night-safe hours of {} block(s) stand behind boundary passes or other day-only work: put a machine more on these by day, or begin these blocks earlier; or add another block with night-safe work",
        "{} heures possibles de nuit de {} bloc(s) attendent la passe de périmètre ou d’autre travail de jour : y mettre une machine de plus de jour, ou commencer ces blocs plus tôt ; ou ajouter un bloc qui a du travail possible de nuit",
    ),
    (
        "add another block with night-safe work, or take night shifts off from {} and put the machines on day shifts",
        "ajouter un bloc qui a du travail possible de nuit, ou supprimer les quarts de nuit à partir du {} et mettre les machines de jour",
    ),
    (
        "it is dark at these blocks until the period ends, and no machine more helps: plan them for days with light; `light = \"civil_twilight\"` counts twilight where local codes allow work in it",
        "il fait noir sur ces blocs jusqu’à la fin de la période, et aucune machine de plus n’y change rien : les prévoir pour des jours qui ont de la lumière ; `light = \"civil_twilight\"` compte le crépuscule là où les règles locales permettent d’y travailler",
    ),
    (
        "block {}: {} hours are left on ground that closes within the period, and what comes after them waits",
        "bloc {} : il reste {} heures sur un terrain qui ferme pendant la période, et ce qui vient après attend",
    ),
    (
        "give the block a smaller `priority`, so that it is begun before its ground closes, or plan for days on which it is open",
        "donner au bloc une plus petite `priority`, pour qu’il soit commencé avant que son terrain ferme, ou le prévoir pour des jours où il est ouvert",
    ),
    (
        "{} hours of {} block(s) do not fit into the period: {} day-only, {} night-safe; no plan could: {}",
        "{} heures de {} bloc(s) n’entrent pas dans la période : {} de jour seulement, {} possibles de nuit ; aucun plan ne le pourrait : {}",
    ),
    (
        "{} hours of {} block(s) do not fit into the period: {} day-only, {} night-safe",
        "{} heures de {} bloc(s) n’entrent pas dans la période : {} de jour seulement, {} possibles de nuit",
    ),
    (
        "give more days, or more machines by day; day-only work needs daylight",
        "donner plus de jours, ou plus de machines de jour ; le travail de jour a besoin de lumière",
    ),
    (
        "give more days: {} machine(s) found nothing more to do long before the end, so another one would not help",
        "donner plus de jours : {} machine(s) n’ont plus rien trouvé à faire bien avant la fin, une autre n’aiderait donc pas",
    ),
    (
        "give more days, more shifts or another machine",
        "donner plus de jours, plus de quarts ou une autre machine",
    ),
    (
        "give more days, or at least {} machine(s) more with the shifts of {}: with fewer no plan could",
        "donner plus de jours, ou au moins {} machine(s) de plus avec les quarts de {} : avec moins, aucun plan ne le pourrait",
    ),
    (
        "give more days: even {} machines more with the shifts of {} could not do it",
        "donner plus de jours : même {} machines de plus avec les quarts de {} ne le pourraient pas",
    ),
    ("give the crew a machine", "donner une machine à l’équipe"),
    (
        "block {}: {} hours are left when it closes after {}",
        "bloc {} : il reste {} heures quand il ferme, après le {}",
    ),
    (
        "give it a smaller `priority`, move its `not_after`, or start earlier",
        "lui donner une plus petite `priority`, reculer son `not_after`, ou commencer plus tôt",
    ),
    (
        "block {}: no machine of the crew may cut {} hours: too steep, work of a kind that none does, or in a block that is kept to others or asks for more reach or another machine",
        "bloc {} : aucune machine de l’équipe ne peut couper {} heures : trop raide, d’un genre qu’aucune ne fait, ou dans un bloc réservé à d’autres ou qui demande plus de portée ou une autre machine",
    ),
    (
        "look at `max_slope`, `kinds`, `reach` and `runs_on` of the machines, and at `machines`, `reach` and `runs_on` of the block; a section is as steep as the layout allows where its reasons say so",
        "regarder `max_slope`, `kinds`, `reach` et `runs_on` des machines, et `machines`, `reach` et `runs_on` du bloc ; une section est aussi raide que le plan d’abattage le permet là où ses raisons le disent",
    ),
    // Rules that are not kept.
    (
        "{} section(s) wait longer for a skidder than `max_lead` allows, up to {} h longer, first in block {}",
        "{} section(s) attendent un débardeur plus longtemps que `max_lead` ne le permet, jusqu’à {} h de plus, d’abord dans le bloc {}",
    ),
    (
        "add a skidder or a skidding shift, or let `max_lead` be longer",
        "ajouter un débardeur ou un quart de débardage, ou allonger `max_lead`",
    ),
    (
        "{} felled section(s) are not skidded within the period: {} hours",
        "{} section(s) abattues ne sont pas débardées dans la période : {} heures",
    ),
    (
        "add a skidder, a skidding shift or days; ground steeper than every skidder's `max_slope` waits for another machine, and wood for full decks waits for trucks",
        "ajouter un débardeur, un quart de débardage ou des jours ; un terrain plus raide que le `max_slope` de tous les débardeurs attend une autre machine, et le bois pour des piles pleines attend des camions",
    ),
    (
        "{}: no daylight for its service on {} date(s), first {}",
        "{} : pas de lumière pour son entretien à {} date(s), d’abord le {}",
    ),
    (
        "{}: no daylight to fuel it on {} date(s), first {}",
        "{} : pas de lumière pour faire son plein à {} date(s), d’abord le {}",
    ),
    (
        "{} stands {} h of its shifts with an empty tank and waits for light, first on {}",
        "{} reste {} h de ses quarts avec un réservoir vide et attend la lumière, d’abord le {}",
    ),
    (
        "shorten its shifts in the dark, or give it a tank that lasts from one day's light to the next",
        "raccourcir ses quarts dans l’obscurité, ou lui donner un réservoir qui dure de la lumière d’un jour à celle du suivant",
    ),
    (
        "shorten `light_margin`, let `light` count civil twilight, or service it where there is light",
        "raccourcir `light_margin`, compter le crépuscule civil dans `light`, ou l’entretenir là où il y a de la lumière",
    ),
    (
        "block {} is set aside and not planned: {}",
        "le bloc {} est mis de côté et n’est pas planifié : {}",
    ),
    (
        "lay out that block anew; if it is set aside again, please report this",
        "refaire le plan d’abattage de ce bloc ; s’il est encore mis de côté, merci de le signaler",
    ),
    (
        "some of its sections have no hours",
        "certaines de ses sections n’ont pas d’heures",
    ),
    (
        "{} block(s) have sections without hours and are not planned, first {}",
        "{} bloc(s) ont des sections sans heures et ne sont pas planifiés, d’abord {}",
    ),
    (
        "give `stems_per_ha` under [production], or a layer of stands that covers them, and lay out anew",
        "donner `stems_per_ha` sous [production], ou une couche de peuplements qui les couvre, et refaire le plan d’abattage",
    ),
    // Closed ground.
    (
        "{} h in {} sections lie on ground that is closed for all of the period ({}): {}; {} h in {} sections that come after it in the order of work wait too",
        "{} h dans {} sections sont sur un terrain fermé pendant toute la période ({}) : {} ; {} h dans {} sections qui viennent après dans l’ordre de travail attendent aussi",
    ),
    (
        "{} h in {} sections lie on ground that is closed for all of the period ({}): {}",
        "{} h dans {} sections sont sur un terrain fermé pendant toute la période ({}) : {}",
    ),
    ("the crew file stops it", "le fichier d’équipe l’arrête"),
    (
        "nobody knows yet when it opens",
        "nul ne sait encore quand il ouvre",
    ),
    ("the first of it opens on {}", "le premier ouvre le {}"),
    ("it never opens again", "il n’ouvre plus jamais"),
    // Wood wanted by dates.
    (
        "wood by {}: {} m³ wanted beyond {} m³ that came before, {} m³ are at the roadside: {} m³ short",
        "bois pour le {} : {} m³ demandés en plus de {} m³ venus avant, {} m³ sont au bord du chemin : il manque {} m³",
    ),
    (
        "wood by {}: {} m³ wanted beyond {} m³ that came before, {} m³ are felled (the crew has no skidder): {} m³ short",
        "bois pour le {} : {} m³ demandés en plus de {} m³ venus avant, {} m³ sont abattus (l’équipe n’a pas de débardeur) : il manque {} m³",
    ),
    (
        "wood by {}: {} m³ wanted, {} m³ are at the roadside: {} m³ short",
        "bois pour le {} : {} m³ demandés, {} m³ sont au bord du chemin : il manque {} m³",
    ),
    (
        "wood by {}: {} m³ wanted, {} m³ are felled (the crew has no skidder): {} m³ short",
        "bois pour le {} : {} m³ demandés, {} m³ sont abattus (l’équipe n’a pas de débardeur) : il manque {} m³",
    ),
    (
        "wood by {}: {} m³ wanted beyond {} m³ that came before, {} m³ are at the roadside",
        "bois pour le {} : {} m³ demandés en plus de {} m³ venus avant, {} m³ sont au bord du chemin",
    ),
    (
        "wood by {}: {} m³ wanted beyond {} m³ that came before, {} m³ are felled (the crew has no skidder)",
        "bois pour le {} : {} m³ demandés en plus de {} m³ venus avant, {} m³ sont abattus (l’équipe n’a pas de débardeur)",
    ),
    (
        "wood by {}: {} m³ wanted, {} m³ are at the roadside",
        "bois pour le {} : {} m³ demandés, {} m³ sont au bord du chemin",
    ),
    (
        "wood by {}: {} m³ wanted, {} m³ are felled (the crew has no skidder)",
        "bois pour le {} : {} m³ demandés, {} m³ sont abattus (l’équipe n’a pas de débardeur)",
    ),
    (
        "enough is felled by then: add a skidder or a skidding shift, or let `min_lead` be shorter",
        "assez est abattu d’ici là : ajouter un débardeur ou un quart de débardage, ou raccourcir `min_lead`",
    ),
    (
        "not enough is felled by then: more machines or shifts before it, or a smaller `priority` for blocks with much wood in few hours",
        "trop peu est abattu d’ici là : plus de machines ou de quarts avant cette date, ou une plus petite `priority` pour les blocs qui ont beaucoup de bois en peu d’heures",
    ),
    (
        "skidding waits {} hours for room on decks",
        "le débardage attend de la place aux piles de bois pendant {} heures",
    ),
    (
        "haul more loads, in more hours or on more days, or lay out with another outlet for some of the wood",
        "emporter plus de chargements, à plus d’heures ou plus de jours, ou refaire le plan d’abattage avec une autre sortie pour une partie du bois",
    ),
    // What changed, and why.
    (
        "the machine was not in the plan before",
        "la machine n’était pas dans le plan précédent",
    ),
    (
        "nothing is left to be done in {}",
        "il ne reste rien à faire dans {}",
    ),
    (
        "{} was not in the plan before",
        "{} n’était pas dans le plan précédent",
    ),
    ("it follows the felling", "il suit l’abattage"),
    (
        "it follows from the changes before it",
        "cela suit des changements qui précèdent",
    ),
    (
        "work there cannot go on as planned: what comes before it is not done, or it is taken, dark or closed",
        "le travail ne peut y continuer comme prévu : ce qui vient avant n’est pas fait, ou c’est pris, sombre ou fermé",
    ),
    (
        "a better plan was found, by more than the change weighs",
        "un meilleur plan a été trouvé, de plus que ce que pèse le changement",
    ),
    // What is done.
    (
        "{} section(s) that the plan before has done by then are of none that this layout has",
        "{} section(s) que le plan précédent a finies d’ici là n’existent pas dans ce plan d’abattage",
    ),
    (
        "name a plan of this layout, or say what is done with --done and --done-of",
        "nommer un plan de ce plan d’abattage, ou dire ce qui est fait avec --done et --done-of",
    ),
    (
        "{} row(s) of finished sections are of none that this layout has and are passed over; the first{}: {}",
        "{} ligne(s) de sections finies n’existent pas dans ce plan d’abattage et sont passées ; la première{} : {}",
    ),
    (
        "where they are of the plan before this one, name its folder with --done-of; else correct them",
        "si elles sont du plan précédent, nommer son dossier avec --done-of ; sinon les corriger",
    ),
    (
        "{} row(s) of finished sections are of blocks that this layout does not have, the first of block {}",
        "{} ligne(s) de sections finies sont de blocs que ce plan d’abattage n’a pas, la première du bloc {}",
    ),
    (
        "nothing needs to be done if these blocks are finished",
        "rien à faire si ces blocs sont finis",
    ),
    (
        "some of block {} was cut before this layout, and the table of finished sections has hours_done of it",
        "une partie du bloc {} a été coupée avant ce plan d’abattage, et la table des sections finies en a des hours_done",
    ),
];

/// A sentence of the planner in a language; in English, and where nobody translated it, its own.
pub fn said(sentence: &str, language: Language) -> String {
    match language {
        Language::English => sentence.to_owned(),
        Language::French => {
            translated(SENTENCES, sentence, dates).unwrap_or_else(|| dates(sentence))
        }
    }
}

/// A date such as `15 Dec 2026`, in French; anything else as it is.
fn dates(text: &str) -> String {
    use chrono::Datelike;
    match chrono::NaiveDate::parse_from_str(text, "%d %b %Y") {
        Err(_) => text.to_owned(),
        Ok(date) => {
            let month = super::words::FRENCH.months[date.month0() as usize];
            let day = match date.day() {
                1 => "1er".to_owned(),
                day => day.to_string(),
            };
            format!("{day} {month} {}", date.year())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outputs::sentences::{hold_gaps, joined};

    #[test]
    fn sentences_keep_what_stands_in_their_gaps() {
        let french = |text| said(text, Language::French);
        assert_eq!(
            french(
                "12.5 hours of 3 block(s) do not fit into the period: 2.5 day-only, 10.0 night-safe; no plan could: block D-7 by itself, one machine at a time"
            ),
            "12.5 heures de 3 bloc(s) n’entrent pas dans la période : 2.5 de jour seulement, 10.0 possibles de nuit ; aucun plan ne le pourrait : le bloc D-7 à lui seul, une machine à la fois"
        );
        assert_eq!(
            french(
                "4.6 h in 5 sections lie on ground that is closed for all of the period (frozen): the first of it opens on 15 Dec 2026"
            ),
            "4.6 h dans 5 sections sont sur un terrain fermé pendant toute la période (frozen) : le premier ouvre le 15 déc. 2026"
        );
        // An operator's own words are kept.
        assert_eq!(french("storm"), "storm");
        assert_eq!(
            said("it follows the felling", Language::English),
            "it follows the felling"
        );
    }

    /// The planner's sources hold every template: one that nobody says any more, or says otherwise, is found.
    #[test]
    fn every_sentence_is_one_that_the_planner_says() {
        let sources = [
            include_str!("../../schedule/bound.rs"),
            include_str!("../../schedule/outlook.rs"),
            include_str!("../../batch/dispatch/mod.rs"),
            include_str!("../../batch/dispatch/problem.rs"),
            include_str!("../../batch/dispatch/former.rs"),
            include_str!("../../batch/dispatch/done.rs"),
            include_str!("../../batch/dispatch/wood.rs"),
            include_str!("../../batch/dispatch/decks.rs"),
            include_str!("mod.rs"),
        ]
        .concat();
        let plain = joined(&sources);
        hold_gaps(SENTENCES);
        for (english, _) in SENTENCES {
            for piece in english.split("{}").flat_map(|piece| piece.split("; ")) {
                let piece = piece.trim_matches(|c: char| " :;,()".contains(c));
                // These are put together from words.
                let known = plain.contains(piece)
                    || piece.contains("day-only hours against the daylight hours of")
                    || piece.contains("hours against the hours of")
                    || piece.starts_with("m³ ");
                assert!(known, "{piece}");
            }
        }
    }
}
