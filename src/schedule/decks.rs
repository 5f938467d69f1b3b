//! Decks fill with what skidders bring, trucks take it away load by load, and where a deck is full nothing more is brought.

use super::time::Second;

/// What is known of decks and trucks; litres.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decks {
    /// By block and unit: the deck that its wood comes to.
    pub of: Vec<Vec<usize>>,
    pub decks: Vec<Deck>,
    /// When a truck comes, sorted: one moment for each load.
    pub calls: Vec<Second>,
    /// What a truck takes.
    pub load: i64,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Deck {
    /// None: nobody says how much it holds.
    pub room: Option<i64>,
    /// At the beginning.
    pub lies: i64,
    /// The most of a section that comes to it.
    pub largest: i64,
}

/// Wood that a truck takes away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Load {
    pub at: Second,
    pub deck: usize,
    pub litres: i64,
}

/// What lies on decks as skidding goes on. Moments never go back.
pub(super) struct Filling<'d> {
    own: &'d Decks,
    /// By deck: what lies there and what is on its way.
    taken: Vec<i64>,
    /// By deck: what lies there whole.
    there: Vec<i64>,
    /// Sections that are being brought: when they are there, where, how much.
    coming: Vec<(Second, usize, i64)>,
    next_call: usize,
    pub loads: Vec<Load>,
}

impl<'d> Filling<'d> {
    pub fn new(own: &'d Decks) -> Filling<'d> {
        let lies: Vec<i64> = own.decks.iter().map(|deck| deck.lies).collect();
        Filling {
            own,
            taken: lies.clone(),
            there: lies,
            coming: vec![],
            next_call: 0,
            loads: vec![],
        }
    }

    /// Lets trucks come until a moment, that included.
    pub fn advance(&mut self, at: Second) {
        while let Some(&call) = self
            .own
            .calls
            .get(self.next_call)
            .filter(|call| **call <= at)
        {
            self.next_call += 1;
            let there = &mut self.there;
            self.coming.retain(|&(whole, deck, litres)| {
                let is_coming = whole > call;
                if !is_coming {
                    there[deck] += litres;
                }
                is_coming
            });
            let Some(deck) = self.fullest() else { continue };
            let litres = self.there[deck].min(self.own.load);
            self.there[deck] -= litres;
            self.taken[deck] -= litres;
            let at = call;
            self.loads.push(Load { at, deck, litres });
        }
    }

    /// Where a truck goes: to the deck with the least room left for a section more, then to the one with most wood. It takes a
    /// whole load, or less where nothing more finds room.
    fn fullest(&self) -> Option<usize> {
        let decks = self.own.decks.iter().enumerate();
        let worth = decks.filter_map(|(at, deck)| {
            let room = deck.room.map(|room| room - self.taken[at]);
            let is_full = room.is_some_and(|room| room < deck.largest);
            let there = self.there[at];
            let goes = there >= self.own.load || is_full && there > 0;
            let left = room.map_or(i64::MAX, |room| room - deck.largest);
            goes.then_some((left, -there, at))
        });
        worth.min().map(|own| own.2)
    }

    /// Whether a section more finds room, if it is begun now.
    pub fn has_room(&self, (block, unit): (usize, usize), litres: i64) -> bool {
        let deck = self.own.of[block][unit];
        let room = self.own.decks[deck].room;
        room.is_none_or(|room| self.taken[deck] + litres <= room)
    }

    /// A section is begun to be brought: its room is taken from then on.
    pub fn begin(&mut self, (block, unit): (usize, usize), litres: i64) {
        self.taken[self.own.of[block][unit]] += litres;
    }

    /// All of a section is there from a moment on.
    pub fn end(&mut self, (block, unit): (usize, usize), litres: i64, at: Second) {
        self.coming.push((at, self.own.of[block][unit], litres));
    }

    /// When the next truck comes after a moment.
    pub fn next_call(&self, at: Second) -> Option<Second> {
        let calls = &self.own.calls;
        calls
            .get(calls.partition_point(|call| *call <= at))
            .copied()
    }
}
