//! The country around a place: water and roads, worked out tile by tile and kept while they are near.

use std::collections::BTreeMap;
use std::sync::Arc;

use geo::Coord;
use rayon::prelude::*;

use super::roads::{Network, Road};
use super::terrain::Terrain;
use super::water::{Pond, Reach, Water, of_tile};

/// Side of a cell, in metres: blocks are thrown cell by cell.
pub const CELL: f64 = 1_000.0;
/// Side of a tile, in cells.
const TILE: i32 = 4;
/// Tiles kept in memory; more than one round of the widest district touches at a time.
const KEPT: usize = 1_500;

pub type Cell = (i32, i32);

#[derive(Debug)]
pub struct Tile {
    pub water: Arc<Water>,
    pub roads: Vec<Road>,
}

/// Everything near one cell.
pub struct Around<'a> {
    pub reaches: Vec<&'a Reach>,
    pub lakes: Vec<&'a Pond>,
    pub wetlands: Vec<&'a Pond>,
    pub roads: Vec<&'a Road>,
}

pub struct Country {
    pub terrain: Terrain,
    waters: BTreeMap<Cell, Arc<Water>>,
    tiles: BTreeMap<Cell, Tile>,
}

fn tile_of(cell: Cell) -> Cell {
    (cell.0.div_euclid(TILE), cell.1.div_euclid(TILE))
}

fn neighbours(at: Cell, reach: i32) -> impl Iterator<Item = Cell> {
    (-reach..=reach).flat_map(move |dy| (-reach..=reach).map(move |dx| (at.0 + dx, at.1 + dy)))
}

impl Country {
    pub fn new(seed: u64) -> Country {
        Country {
            terrain: Terrain { seed },
            waters: BTreeMap::new(),
            tiles: BTreeMap::new(),
        }
    }

    /// Makes the country within `reach` cells of each of `cells` ready for [`Country::around`].
    pub fn prepare(&mut self, cells: &[Cell], reach: i32) {
        let mut wanted: Vec<Cell> = cells
            .iter()
            .flat_map(|&cell| {
                [(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0)]
                    .map(|(dx, dy)| tile_of((cell.0 + dx * reach, cell.1 + dy * reach)))
            })
            .collect();
        wanted.sort_unstable();
        wanted.dedup();
        if self.tiles.len() + wanted.len() > KEPT {
            // Rounds move outwards, so what lies farthest behind is what is wanted now or next: start over with these.
            self.tiles
                .retain(|tile, _| wanted.binary_search(tile).is_ok());
            let kept: Vec<Cell> = wanted
                .iter()
                .flat_map(|&tile| neighbours(tile, 1))
                .collect();
            self.waters.retain(|tile, _| kept.contains(tile));
        }
        wanted.retain(|tile| !self.tiles.contains_key(tile));
        let mut dry: Vec<Cell> = wanted
            .iter()
            .flat_map(|&tile| neighbours(tile, 1))
            .filter(|tile| !self.waters.contains_key(tile))
            .collect();
        dry.sort_unstable();
        dry.dedup();
        let terrain = self.terrain;
        let made: Vec<Arc<Water>> = dry
            .par_iter()
            .map(|tile| Arc::new(of_tile(terrain, (tile.0 * TILE, tile.1 * TILE), TILE)))
            .collect();
        self.waters.extend(dry.into_iter().zip(made));
        let waters = &self.waters;
        let made: Vec<Tile> = wanted
            .par_iter()
            .map(|&tile| {
                let near: Vec<&Arc<Water>> = neighbours(tile, 1)
                    .filter_map(|near| waters.get(&near))
                    .collect();
                let wetlands = near.iter().flat_map(|water| &water.wetlands);
                let lakes = near.iter().flat_map(|water| &water.lakes);
                let ponds: Vec<&Pond> = wetlands.chain(lakes).collect();
                let network = Network {
                    terrain,
                    ponds: &ponds,
                };
                Tile {
                    water: waters.get(&tile).cloned().unwrap_or_default(),
                    roads: network.of_tile((tile.0 * TILE, tile.1 * TILE), TILE),
                }
            })
            .collect();
        self.tiles.extend(wanted.into_iter().zip(made));
    }

    /// What starts within `reach` cells of a prepared cell.
    pub fn around(&self, cell: Cell, reach: i32) -> Around<'_> {
        let low = tile_of((cell.0 - reach, cell.1 - reach));
        let high = tile_of((cell.0 + reach, cell.1 + reach));
        let near = |at: Cell| (at.0 - cell.0).abs() <= reach && (at.1 - cell.1).abs() <= reach;
        let mut around = Around {
            reaches: Vec::new(),
            lakes: Vec::new(),
            wetlands: Vec::new(),
            roads: Vec::new(),
        };
        for ty in low.1..=high.1 {
            for tx in low.0..=high.0 {
                let Some(tile) = self.tiles.get(&(tx, ty)) else {
                    continue;
                };
                let water = &tile.water;
                around
                    .reaches
                    .extend(water.reaches.iter().filter(|reach| near(reach.cell)));
                around
                    .lakes
                    .extend(water.lakes.iter().filter(|lake| near(lake.cell)));
                around
                    .wetlands
                    .extend(water.wetlands.iter().filter(|wetland| near(wetland.cell)));
                around
                    .roads
                    .extend(tile.roads.iter().filter(|road| near(road.cell)));
            }
        }
        around
    }
}

/// Cells from the centre outwards, ring by ring: the cells of a small district come first in a large one.
pub fn outwards() -> impl Iterator<Item = Cell> {
    (0..).flat_map(|ring: i32| {
        let side = (2 * ring).max(1);
        let around = if ring == 0 { 1 } else { 4 * side };
        (0..around).map(move |step| {
            let (edge, at) = (step / side, step % side);
            match edge {
                _ if ring == 0 => (0, 0),
                0 => (-ring + at, -ring),
                1 => (ring, -ring + at),
                2 => (ring - at, ring),
                _ => (-ring, ring - at),
            }
        })
    })
}

/// The middle of a cell.
pub fn middle(cell: Cell) -> Coord {
    Coord {
        x: (f64::from(cell.0) + 0.5) * CELL,
        y: (f64::from(cell.1) + 0.5) * CELL,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cell_comes_once_ring_by_ring() {
        let mut cells: Vec<Cell> = outwards().take(81).collect();
        cells.sort_unstable();
        let mut square: Vec<Cell> = neighbours((0, 0), 4).collect();
        square.sort_unstable();
        assert_eq!(cells, square);
    }

    #[test]
    fn country_does_not_depend_on_what_was_asked_before() {
        let mut far = Country::new(9);
        far.prepare(&[(30, -7)], 2);
        let mut near = Country::new(9);
        near.prepare(&[(29, -6), (25, -7), (31, -8)], 2);
        let lines = |country: &Country| -> Vec<_> {
            let around = country.around((30, -7), 1);
            let streams = around.reaches.iter().map(|reach| reach.line.clone());
            streams
                .chain(around.roads.iter().map(|road| road.line.clone()))
                .collect()
        };
        assert!(!lines(&far).is_empty());
        assert_eq!(lines(&far), lines(&near));
    }
}
