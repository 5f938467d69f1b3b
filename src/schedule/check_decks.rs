//! Holds what comes to decks and leaves them against their rules, from tasks and loads alone: shares nothing with what made the
//! plan.

use std::collections::BTreeMap;

use super::decks::Load;
use super::skidding::Skidding;
use super::time::{Second, Stretch};

/// What is known of decks, litres.
pub struct DeckRule<'a> {
    /// The deck of a block and unit.
    pub of: &'a dyn Fn(usize, usize) -> usize,
    pub litres: &'a dyn Fn(usize, usize) -> i64,
    /// By deck; None: nobody says.
    pub rooms: &'a [Option<i64>],
    /// By deck, at the beginning.
    pub lies: &'a [i64],
    /// When trucks drive.
    pub hauls: &'a [Stretch],
    /// Loads in each of these at the most.
    pub loads: usize,
    pub load: i64,
}

/// Every time that more lies on a deck than it has room for, and every load that no truck could take, in words. A section's wood
/// takes its room from the first of its skidding on, and can be hauled when all of it is there.
pub fn check_decks(skidding: &Skidding, rule: &DeckRule<'_>) -> Vec<String> {
    let mut broken = Vec::new();
    let mut sections: BTreeMap<(usize, usize), (Second, Second)> = BTreeMap::new();
    for task in &skidding.tasks {
        let Some(unit) = task.unit else { continue };
        let own = sections
            .entry((task.block, unit))
            .or_insert((task.span.from, task.span.to));
        *own = (own.0.min(task.span.from), own.1.max(task.span.to));
    }
    for (deck, (room, lies)) in rule.rooms.iter().zip(rule.lies).enumerate() {
        // Seconds with what comes, and what goes.
        let mut begun: Vec<(Second, i64)> = Vec::new();
        let mut whole: Vec<(Second, i64)> = Vec::new();
        for (&(block, unit), &(from, to)) in &sections {
            if (rule.of)(block, unit) != deck {
                continue;
            }
            let litres = (rule.litres)(block, unit);
            begun.push((from, litres));
            if !skidding.begun.contains(&(block, unit)) {
                whole.push((to, litres));
            }
        }
        let own: Vec<&Load> = skidding.loads.iter().filter(|l| l.deck == deck).collect();
        let until = |list: &[(Second, i64)], at: Second| -> i64 {
            let there = list.iter().filter(|own| own.0 <= at);
            there.map(|own| own.1).sum()
        };
        let gone: Vec<(Second, i64)> = own.iter().map(|load| (load.at, load.litres)).collect();
        for load in &own {
            let there = lies + until(&whole, load.at);
            if until(&gone, load.at) > there {
                broken.push(format!(
                    "a truck takes wood at {} from deck {deck} that is not there",
                    load.at
                ));
            }
        }
        for (at, _) in &begun {
            let lies = lies + until(&begun, *at) - until(&gone, *at);
            if room.is_some_and(|room| lies > room) {
                broken.push(format!(
                    "{lies} l lie at {at} on deck {deck}, more than it has room for"
                ));
            }
        }
    }
    for load in &skidding.loads {
        if load.litres > rule.load || load.litres <= 0 {
            broken.push(format!("a truck takes {} l at {}", load.litres, load.at));
        }
        if !rule.hauls.iter().any(|haul| haul.contains(load.at)) {
            broken.push(format!("a truck comes at {}, outside its hours", load.at));
        }
    }
    for haul in rule.hauls {
        let own = skidding.loads.iter();
        let count = own.filter(|load| haul.contains(load.at)).count();
        if count > rule.loads {
            broken.push(format!(
                "{count} trucks come in the hours from {}",
                haul.from
            ));
        }
    }
    broken
}
