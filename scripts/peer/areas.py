"""Compares the areas of two runs of the core: areas.py ONE.csv OTHER.csv; ends with 1 where sums differ by over 0.1 %."""

import sys

import pandas

LIMIT = 0.001

one, other = (pandas.read_csv(path, dtype={"id": str}).set_index("id").sort_index() for path in sys.argv[1:3])
if not one.index.equals(other.index):
    sys.exit("error: the two are not of the same blocks")
differs = (one.sum() / other.sum() - 1).abs()
worst = (one - other).abs().max().max()
print("areas differ by", ", ".join(f"{name} {share:.4%}" for name, share in differs.items()), f"; worst {worst:.1f} m2")
sys.exit(int((differs > LIMIT).any()))
