"""Holds filled hollows, ways down, drained ground and depths to water against scikit-image and pysheds, cell by cell.

    python3 -m venv venv && venv/bin/pip install pysheds==0.5 scikit-image==0.26.0 numpy==2.2.6
    venv/bin/python scripts/reference/wet_ground.py > fixtures/ways/wet_ground.csv
    BLOCKWRIGHT_WET_OUT=FOLDER cargo test --test laying real_rasters
    venv/bin/python scripts/reference/wet_ground.py FOLDER NAME=RASTER [NAME=RASTER ...]

Without arguments it writes answers for grids that tests/laying/wet_ground.rs repeats. With them it looks at what that test wrote of
real rasters, and ends with 1 where a cell is off.
"""

import sys

import numpy as np
from skimage.graph import MCP_Geometric
from skimage.morphology import reconstruction

SIDE, CELL_M = 60, 10.0
AROUND = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]


def grid(seed):
    """Whole metres that rise to the lower right, roughened by a linear congruential generator."""
    state = seed
    heights = np.empty((SIDE, SIDE))
    for row in range(SIDE):
        for column in range(SIDE):
            state = (state * 1103515245 + 12345) % 2**31
            heights[row, column] = column // 3 + row // 4 + (state >> 16) % 6
    return heights


def shifted(values, dy, dx, beyond=np.nan):
    """The value of the neighbour that lies so many rows and columns away."""
    wide = np.pad(values, 1, constant_values=beyond)
    rows, columns = values.shape
    return wide[1 + dy:1 + dy + rows, 1 + dx:1 + dx + columns]


def filled(heights):
    """Hollows filled, by morphological reconstruction from the cells beside the edge and beside unknown ones."""
    unknown = np.isnan(heights)
    rim = np.zeros(heights.shape, bool)
    for dy, dx in AROUND:
        rim |= np.isnan(shifted(heights, dy, dx))
    most = np.nanmax(heights) + 1
    mask = np.where(unknown, most, heights)
    seed = np.where(rim & ~unknown, mask, most)
    found = reconstruction(seed, mask, method="erosion", footprint=np.ones((3, 3)))
    return np.where(unknown, np.nan, found)


def horn(heights, cell_m):
    """Slopes by differences of weighted sums of the neighbours; NaN where one of them is not known."""
    def z(dy, dx):
        return shifted(heights, dy, dx)
    right = z(-1, 1) + 2 * z(0, 1) + z(1, 1)
    left = z(-1, -1) + 2 * z(0, -1) + z(1, -1)
    up = z(-1, -1) + 2 * z(-1, 0) + z(-1, 1)
    down = z(1, -1) + 2 * z(1, 0) + z(1, 1)
    dz_dx = ((right - left) / (8 * cell_m)).astype(np.float32).astype(float)
    dz_dy = ((up - down) / (8 * cell_m)).astype(np.float32).astype(float)
    return np.where(np.isnan(heights), np.nan, np.hypot(dz_dx, dz_dy))


def depths(heights, cell_m, water):
    """Least accumulated slope from water, with infinity where no way leads."""
    slopes = horn(heights, cell_m)
    paths = MCP_Geometric(np.where(np.isnan(slopes), -1, slopes), fully_connected=True)
    starts = [divmod(int(at), heights.shape[1]) for at in water]
    starts = [start for start in starts if not np.isnan(slopes[start])]
    costs, _ = paths.find_costs(starts)
    return costs * cell_m


def made_up():
    print("seed,cell,filled_m,depth_m")
    for seed in range(1, 41):
        heights = grid(seed)
        water = [row * SIDE + 1 + (seed * 7) % (SIDE - 2) for row in range(SIDE)]
        full = filled(heights).ravel()
        depth = depths(heights, CELL_M, water).ravel()
        for k in range(25):
            at = (k * 149 + seed * 31) % (SIDE * SIDE)
            told = depth[at] if np.isfinite(depth[at]) else -1
            print(f"{seed},{at},{full[at]:.6f},{told:.6f}")


def of_pysheds(heights, to, transform):
    """Ground drained along given ways down, and steepest falls of the filled surface, both by pysheds."""
    from pysheds.grid import Grid
    from pysheds.sview import Raster, ViewFinder
    rows, columns = heights.shape
    # By step east and south: 64 32 16 8 4 2 1 128 are north, north-west and so on, against the clock.
    codes = {(-1, 0): 64, (-1, 1): 128, (0, 1): 1, (1, 1): 2, (1, 0): 4, (1, -1): 8, (0, -1): 16, (-1, -1): 32}
    here = np.arange(rows * columns)
    off_row, off_column = to // columns - here // columns, to % columns - here % columns
    directions = np.zeros(rows * columns, np.int64)
    for step, code in codes.items():
        directions[(off_row == step[0]) & (off_column == step[1])] = code
    # A rim of cells that drain nowhere, for the library lets no water out of the outermost.
    padded = np.pad(directions.reshape(rows, columns), 1)
    view = ViewFinder(affine=transform, shape=padded.shape, nodata=np.int64(-9))
    grid_of = Grid(viewfinder=view)
    ways = Raster(padded, viewfinder=view)
    drained = grid_of.accumulation(ways, nodata_out=np.float64(-1))
    drained = np.asarray(drained)[1:-1, 1:-1]
    # And its own way down, from heights with a moat round them so that nothing is lost at the edge.
    surface = np.pad(np.where(np.isnan(heights), 1e6, heights), 1, constant_values=1e6).astype(float)
    view = ViewFinder(affine=transform, shape=surface.shape, nodata=np.float64(-9999))
    own = Grid(viewfinder=view).flowdir(Raster(surface, viewfinder=view), nodata_out=np.int64(0))
    return drained, np.asarray(own)[1:-1, 1:-1], codes


def falls(surface, codes, chosen):
    """How much a surface falls for each step along, on the way that `chosen` names."""
    found = np.full(surface.shape, np.nan)
    for (dy, dx), code in codes.items():
        fall = (surface - shifted(surface, dy, dx)) / np.hypot(dy, dx)
        found = np.where(chosen == code, fall, found)
    return found


def real(folder, name, path):
    import rasterio
    raster = rasterio.open(path)
    heights = raster.read(1).astype(float)
    if raster.nodata is not None:
        heights[heights == raster.nodata] = np.nan
    shape, cell_m = heights.shape, raster.transform.a
    ours = {what: np.fromfile(f"{folder}/{name}.{what}") for what in ("filled", "to", "cells", "depth", "water")}
    to = ours["to"].astype(np.int64)
    known = ~np.isnan(heights)
    say = f"{name}: {known.sum()} cells of {cell_m:g} m"
    surface = ours["filled"].reshape(shape)
    off = np.abs(surface - filled(heights))[known]
    print(f"{say}; filled ({(surface > heights)[known].sum()} cells in hollows): off in {(off > 0).sum()}, at most {off.max():g} m")
    bad = int((off > 0).sum())
    drained, own, codes = of_pysheds(surface, to, raster.transform)
    off = np.abs(ours["cells"].reshape(shape) - drained)[known]
    print(f"{name}: drained ground: off in {(off > 0).sum()} of {known.sum()} cells, the largest drains {np.nanmax(drained[known]):.0f}")
    bad += int((off > 0).sum())
    rows, columns = shape
    here = np.arange(rows * columns)
    chosen = np.zeros(rows * columns, np.int64)
    for (dy, dx), code in codes.items():
        step = (to // columns - here // columns == dy) & (to % columns - here % columns == dx)
        chosen[step] = code
    chosen = chosen.reshape(shape)
    theirs, mine = falls(surface, codes, own), falls(surface, codes, chosen)
    # Level ground has no steepest way; beside unknown ground the library sees a wall.
    asked = known & (np.nan_to_num(theirs) > 0)
    off = np.abs(theirs - mine)[asked]
    wrong = int((np.isnan(off) | (off > 1e-9)).sum())
    print(f"{name}: steepest way down: another fall in {wrong} of {asked.sum()} cells")
    bad += wrong
    wanted = depths(heights, cell_m, ours["water"].astype(np.int64))
    mine = ours["depth"].reshape(shape)
    both = np.isfinite(wanted) & np.isfinite(mine)
    off = np.abs(wanted[both] - mine[both])
    one = int((np.isfinite(wanted) != np.isfinite(mine)).sum())
    print(f"{name}: depth to water from {len(ours['water'])} cells: off by at most {off.max():g} m in {both.sum()} cells, up to {mine[both].max():.1f} m; "
          f"reached by one only: {one}")
    return bad + one + int((off > 1e-6).sum())


if len(sys.argv) == 1:
    made_up()
else:
    wrong = [real(sys.argv[1], *pair.split("=", 1)) for pair in sys.argv[2:]]
    sys.exit(1 if any(wrong) else 0)
