//! Decks of a layout with what the crew file says of them: what comes to which, how much it holds, when trucks come.

use std::collections::BTreeMap;

use super::{DispatchError, DispatchOptions};
use crate::outputs::dispatch::{DeckName, HaulagePlan};
use crate::project::{Crew, CrewDeck, Haulage, Reason};
use crate::rulebook::spanned::Spanned;
use crate::schedule::Stretch;
use crate::schedule::calendar;
use crate::schedule::decks::{Deck, Decks};
use crate::schedule::idle::{Idle, Why};
use crate::schedule::outlook::Warning;
use crate::sources::FinishedLayout;

/// The decks of a layout; None where the crew file says nothing of haulage. `sections`: of each block the layout's section of each
/// unit; `litres` likewise.
///
/// # Errors
/// The layout does not know the volume of all its sections, or has no such outlet or block; a section does not fit on its deck.
pub(super) fn known(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    sections: &[Vec<usize>],
    litres: Option<&Vec<Vec<i64>>>,
) -> Result<Option<HaulagePlan>, DispatchError> {
    let Some(haulage) = &crew.haulage else {
        return Ok(None);
    };
    let refuse = |at: std::ops::Range<usize>, message: String, remedy: &str| {
        let reason = Reason::Contradiction {
            message,
            remedy: remedy.to_owned(),
        };
        DispatchError::from(crew.error(at, reason))
    };
    let Some(litres) = litres else {
        return Err(refuse(
            haulage.at.clone(),
            "`[haulage]` counts wood in m³, and the layout does not know the volume of all its sections"
                .to_owned(),
            "give `tree_m3` under [production], or stands with a volume, and lay out anew; or take `[haulage]` and `[[decks]]` out",
        ));
    };
    for deck in &crew.decks {
        look_up(crew, layout, deck)?;
    }
    // A landing that wood comes to over other ground has its capacity in another row.
    let capacities: BTreeMap<&str, f64> = (layout.blocks.iter())
        .flat_map(|block| &block.capacities)
        .map(|(id, m3)| (id.as_str(), *m3))
        .collect();
    let mut decks = Decks {
        of: vec![],
        decks: vec![],
        calls: vec![],
        load: whole(haulage.load_m3),
    };
    let mut names: Vec<DeckName> = Vec::new();
    let mut places: BTreeMap<DeckName, usize> = BTreeMap::new();
    for ((block, units), litres) in layout.blocks.iter().zip(sections).zip(litres) {
        let mut of = Vec::new();
        for (&section, &litres) in units.iter().zip(litres) {
            let outlet = block.outlets.get(&block.sections[section].part);
            let outlet = outlet.map_or("", |own| match own.kind.as_str() {
                "road" | "landing" | "access" => &own.name,
                _ => "",
            });
            let said = said(crew, outlet, &block.id);
            let room_m3 = said.and_then(|own| own.room_m3);
            let room = room_m3
                .or_else(|| capacities.get(outlet).copied())
                .map(whole);
            // A landing with room is one place, whoever brings wood to it.
            let shared = match said {
                Some(own) => own.block.is_none(),
                None => room.is_some(),
            };
            let name = DeckName {
                outlet: said.map_or(outlet, |own| own.outlet.get_ref()).to_owned(),
                block: (!shared).then(|| block.id.clone()),
            };
            let at = *places.entry(name.clone()).or_insert_with(|| {
                names.push(name);
                decks.decks.push(Deck {
                    room,
                    lies: said.map_or(0, |own| whole(own.lies_m3)),
                    largest: 0,
                });
                names.len() - 1
            });
            let deck = &mut decks.decks[at];
            deck.largest = deck.largest.max(litres);
            if let Some(room) = room.filter(|room| litres > *room) {
                return Err(refuse(
                    said.map_or(haulage.at.clone(), |own| own.outlet.span()),
                    format!(
                        "a single section of block {} has {:.1} m³, more than the {:.1} m³ that the deck at `{outlet}` holds",
                        block.id,
                        litres as f64 / 1000.0,
                        room as f64 / 1000.0
                    ),
                    "let the deck hold more, or lay out shorter sections",
                ));
            }
            of.push(at);
        }
        decks.of.push(of);
    }
    let hauls = hours(crew, haulage, options);
    decks.calls = hauls
        .iter()
        .flat_map(|span| {
            let count = haulage.loads as i64;
            (0..count).map(move |load| span.from + span.seconds() * (2 * load + 1) / (2 * count))
        })
        .collect();
    Ok(Some(HaulagePlan {
        names,
        decks,
        hauls,
        loads: haulage.loads,
        source: haulage.source.clone(),
    }))
}

fn whole(m3: f64) -> i64 {
    (m3 * 1000.0).round() as i64
}

/// What the crew file says of the deck of a block at an outlet: that of the block goes before that of all.
fn said<'c>(crew: &'c Crew, outlet: &str, block: &str) -> Option<&'c CrewDeck> {
    let is_named = |own: &&CrewDeck| is_among(outlet, own.outlet.get_ref());
    let own = || crew.decks.iter().filter(is_named);
    let of_block = |deck: &&CrewDeck| {
        let id = deck.block.as_ref();
        id.is_some_and(|id| id.get_ref() == block)
    };
    own()
        .find(of_block)
        .or_else(|| own().find(|deck| deck.block.is_none()))
}

/// Whether an id is an outlet's, which has several where roads go on from each other.
fn is_among(outlet: &str, id: &str) -> bool {
    !outlet.is_empty() && (outlet == id || outlet.split(';').any(|own| own == id))
}

/// Sees to it that the layout has the outlet and the block of a deck.
fn look_up(crew: &Crew, layout: &FinishedLayout, deck: &CrewDeck) -> Result<(), DispatchError> {
    let unknown = |key: &str, written: &Spanned<String>, mut valid: Vec<String>| {
        valid.sort();
        valid.dedup();
        let near = |own: &String| strsim::jaro_winkler(own, written.get_ref()) > 0.7;
        let mut close: Vec<String> = valid.iter().filter(|own| near(own)).cloned().collect();
        if close.is_empty() {
            close = valid;
        }
        close.truncate(8);
        let reason = Reason::UnknownChoice {
            key: key.to_owned(),
            value: written.get_ref().clone(),
            valid: close,
        };
        Err(crew.error(written.span(), reason).into())
    };
    let mut blocks = layout.blocks.iter().collect::<Vec<_>>();
    if let Some(id) = &deck.block {
        if layout.set_aside.iter().any(|own| own.id == *id.get_ref()) {
            return Ok(());
        }
        blocks.retain(|own| own.id == *id.get_ref());
        if blocks.is_empty() {
            let all = layout.blocks.iter().map(|own| own.id.clone());
            return unknown("block", id, all.collect());
        }
    }
    let outlets = blocks.iter().flat_map(|block| block.outlets.values());
    let outlets = outlets.filter(|own| matches!(own.kind.as_str(), "road" | "landing" | "access"));
    let ids: Vec<String> = outlets
        .flat_map(|own| own.name.split(';').map(str::to_owned))
        .filter(|own| !own.is_empty())
        .collect();
    let written = deck.outlet.get_ref();
    let is_known = ids.contains(written)
        || (blocks.iter()).any(|own| own.outlets.values().any(|own| own.name == *written));
    match is_known {
        true => Ok(()),
        false => unknown("outlet", &deck.outlet, ids),
    }
}

/// When trucks drive.
fn hours(crew: &Crew, haulage: &Haulage, options: &DispatchOptions) -> Vec<Stretch> {
    let shifts = calendar::shifts(
        crew.zone,
        options.from,
        options.days,
        std::slice::from_ref(&haulage.hours),
        &[(0, 1000)],
        &crew.days_off,
    );
    shifts.into_iter().map(|one| one.span).collect()
}

/// That skidders wait for room.
pub(super) fn waits(idle: &[Idle]) -> Option<Warning> {
    let full = idle.iter().filter(|own| own.why == Why::DeckFull);
    let waits_s: i64 = full.map(|own| own.span.seconds()).sum();
    (waits_s > 0).then(|| Warning {
        what: format!(
            "skidding waits {:.1} hours for room on decks",
            waits_s as f64 / 3600.0
        ),
        help: "haul more loads, in more hours or on more days, or lay out with another outlet for some of the wood"
            .to_owned(),
    })
}
