//! The district: cells from the centre outwards until there are blocks enough.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::blocks::{Claim, DemoBlock, block, claims};
use super::country::{Around, Cell, Country, outwards};
use super::patches::{
    Area, Hazard, PowerLine, Stand, brush, hazards, power_lines, protected, soft_ground, stands,
};
use super::roads::Road;
use super::water::{Pond, Reach};

/// Cells worked out together: enough for every core, few enough for any memory.
const TOGETHER: usize = 64;
/// Claims of cells this near may meet.
const RIVALS: i32 = 2;
/// Claim sets kept in memory.
const KEPT: usize = 40_000;

/// Everything of one cell but its blocks.
pub struct Scenery {
    pub reaches: Vec<Reach>,
    pub lakes: Vec<Pond>,
    pub wetlands: Vec<Pond>,
    pub roads: Vec<Road>,
    pub brush: Vec<Area>,
    pub soft_ground: Vec<Area>,
    pub protected: Vec<Area>,
    pub hazards: Vec<Hazard>,
    pub power_lines: Vec<PowerLine>,
    pub stands: Vec<Stand>,
}

/// Takes the district piece by piece, in an order that depends on the seed and the number of blocks only.
pub trait Taker {
    type Error;
    fn block(&mut self, block: &DemoBlock) -> Result<(), Self::Error>;
    fn scenery(&mut self, scenery: &Scenery) -> Result<(), Self::Error>;
}

/// Hands out exactly `count` blocks and the scenery of their cells and the cells around those.
///
/// # Errors
/// Whatever the taker returns; nothing else fails.
pub fn grow<T: Taker>(seed: u64, count: usize, taker: &mut T) -> Result<(), T::Error> {
    let mut country = Country::new(seed);
    let mut known: BTreeMap<Cell, Vec<Claim>> = BTreeMap::new();
    let mut shown: BTreeSet<Cell> = BTreeSet::new();
    let mut cells = outwards();
    let mut left = count;
    while left > 0 {
        // A cell gives at most three blocks: do not work out a ring that nobody asked for.
        let batch: Vec<Cell> = cells.by_ref().take((left / 3 + 1).min(TOGETHER)).collect();
        country.prepare(&batch, 2 * RIVALS + 1);
        learn(&country, &batch, &mut known);
        let (country, claims_of) = (&country, &known);
        let blocks: Vec<Vec<DemoBlock>> = batch
            .par_iter()
            .map(|&cell| blocks_of(country, claims_of, cell))
            .collect();
        for (cell, found) in batch.iter().zip(blocks) {
            if left == 0 {
                break;
            }
            for block in found.iter().take(left) {
                taker.block(block)?;
            }
            left -= found.len().min(left);
            for near in square(*cell, 1) {
                if shown.insert(near) {
                    taker.scenery(&scenery(country, near))?;
                }
            }
        }
    }
    Ok(())
}

fn square(cell: Cell, reach: i32) -> impl Iterator<Item = Cell> {
    (-reach..=reach).flat_map(move |dy| (-reach..=reach).map(move |dx| (cell.0 + dx, cell.1 + dy)))
}

/// Throws the claims of all cells whose claims may meet those of the batch.
fn learn(country: &Country, batch: &[Cell], known: &mut BTreeMap<Cell, Vec<Claim>>) {
    let wanted: BTreeSet<Cell> = batch
        .iter()
        .flat_map(|&cell| square(cell, RIVALS))
        .collect();
    if known.len() + wanted.len() > KEPT {
        known.retain(|cell, _| wanted.contains(cell));
    }
    let new: Vec<Cell> = wanted
        .into_iter()
        .filter(|cell| !known.contains_key(cell))
        .collect();
    let made: Vec<Vec<Claim>> = new
        .par_iter()
        .map(|&cell| claims(country.terrain.seed, cell, &country.around(cell, 2)))
        .collect();
    known.extend(new.into_iter().zip(made));
}

fn blocks_of(country: &Country, known: &BTreeMap<Cell, Vec<Claim>>, cell: Cell) -> Vec<DemoBlock> {
    let around = country.around(cell, 2);
    let rivals: Vec<&Claim> = square(cell, RIVALS)
        .filter_map(|near| known.get(&near))
        .flatten()
        .collect();
    let own = known.get(&cell).map_or(&[][..], Vec::as_slice);
    own.iter()
        .filter_map(|claim| block(country.terrain.seed, claim, &rivals, &around))
        .collect()
}

fn scenery(country: &Country, cell: Cell) -> Scenery {
    let terrain = country.terrain;
    let near: Around = country.around(cell, 1);
    Scenery {
        reaches: near
            .reaches
            .iter()
            .filter(|reach| reach.cell == cell)
            .map(|&reach| reach.clone())
            .collect(),
        lakes: near
            .lakes
            .iter()
            .filter(|lake| lake.cell == cell)
            .map(|&lake| lake.clone())
            .collect(),
        wetlands: near
            .wetlands
            .iter()
            .filter(|wetland| wetland.cell == cell)
            .map(|&wetland| wetland.clone())
            .collect(),
        roads: near
            .roads
            .iter()
            .filter(|road| road.cell == cell)
            .map(|&road| road.clone())
            .collect(),
        brush: brush(terrain, cell, &near),
        soft_ground: soft_ground(terrain, cell, &near),
        protected: protected(terrain, cell, &near),
        hazards: hazards(terrain, cell),
        power_lines: power_lines(terrain, cell),
        stands: stands(terrain, cell),
    }
}
