"""Writes fixtures/ways/least_cost.csv: least costs between cells of random grids by scikit-image's minimum cost paths.

least_cost.py > fixtures/ways/least_cost.csv   (pip install scikit-image)

Each grid is made by a generator that tests/reading/settings.rs repeats, so only the seeds and the answers are written.
"""

import numpy as np
from skimage.graph import MCP_Flexible

SIDE = 60
STEPS = [(dy, dx) for dx, dy in [(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (-1, 1), (-1, -1), (1, -1), (2, 1), (1, 2), (-1, 2),
                                 (-2, 1), (-2, -1), (-1, -2), (1, -2), (2, -1)]]


class Metres(MCP_Flexible):
    """A step costs its length times the mean of both cells, as in the library's own geometric class, for any step."""

    def travel_cost(self, old_cost, new_cost, offset_length):
        return offset_length * (old_cost + new_cost) / 2


def grid(seed):
    """Costs from 1 to 5 in patches of 6 x 6 cells, and walls two cells thick, ten times as dear, with one gap, by a linear congruential generator."""
    state = seed

    def draw(count):
        nonlocal state
        state = (state * 1103515245 + 12345) % 2**31
        return (state >> 16) % count

    costs = np.ones((SIDE, SIDE))
    for row in range(0, SIDE, 6):
        for column in range(0, SIDE, 6):
            costs[row:row + 6, column:column + 6] = 1 + draw(5)
    for wall in range(3):
        at, gap = 12 + 15 * wall + draw(6), draw(SIDE - 8)
        costs[:, at:at + 2] = 50
        costs[gap:gap + 8, at:at + 2] = 1
    return costs


def main():
    print("seed,from_row,from_column,to_row,to_column,cost")
    for seed in range(1, 41):
        costs = grid(seed)
        start = (seed % SIDE, 0)
        found, _ = Metres(costs, offsets=STEPS).find_costs([start])
        # The library's flexible class begins with the cost of the first cell itself; its geometric class, as we, with nothing.
        found -= costs[start]
        for row in (0, SIDE // 3, SIDE - 1):
            print(f"{seed},{start[0]},{start[1]},{row},{SIDE - 1},{found[row, SIDE - 1]:.6f}")


main()
