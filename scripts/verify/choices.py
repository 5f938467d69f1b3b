"""Holds what the layout chooses against all that it could have chosen: choices.py [BLOCKS] [SEED] with BW the program.

Small random blocks, each with a road on one side or two and at times a landing, are laid out as the program would, and once for
every azimuth of a grid and every set of outlets that a planner may name. What counts is hours of felling and of skidding
together. Prints by how much the program's own choice is dearer than the best of these, and ends with 1 where the mean is
over 3 %. All places are invented.
"""

import csv
import itertools
import json
import math
import os
import pathlib
import random
import subprocess
import sys
import tempfile

STEP_DEG = 3
MOST_PIECES = 12
CRS = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32633"}}
PROJECT = """
[project]
name = "choices"
crs = "EPSG:32633"
[layers.blocks]
source = "blocks.geojson"
id = "id"
azimuth = "azimuth"
outlet = "outlet"
[layers.roads]
source = "roads.geojson"
id = "id"
width = { value = "14 m" }
[layers.landings]
source = "landings.geojson"
id = "id"
[layers.stands]
source = "stands.geojson"
id = "id"
stems_per_ha = "stems"
tree_m3 = "tree"
[rules]
preset = "bare"
[layout]
level_ground = "invented"
least_setting = "0.3 ha"
[outputs]
maps = false
report = false
sheets = false
bunches = false
exchange = []
"""


def feature(kind: str, coordinates, **properties) -> dict:
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}


def write(path: pathlib.Path, features: list[dict]) -> None:
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": CRS, "features": features}))


def outline(x: float, y: float, chance: random.Random) -> list:
    """A star-shaped outline around a place, of five to nine corners."""
    width, height = chance.uniform(60, 110), chance.uniform(50, 100)
    turn = chance.uniform(0, math.pi)
    count = chance.randint(5, 9)
    ring = []
    for corner in range(count):
        angle = 2 * math.pi * (corner + chance.uniform(-0.25, 0.25)) / count
        off = chance.uniform(0.75, 1.0)
        u, v = width * off * math.cos(angle), height * off * math.sin(angle)
        ring.append([x + u * math.cos(turn) - v * math.sin(turn), y + u * math.sin(turn) + v * math.cos(turn)])
    return [ring + [ring[0]]]


def district(count: int, chance: random.Random):
    """Blocks far enough from each other that no road of one is in reach of the next."""
    roads, landings, stands, blocks = [], [], [], []
    for number in range(count):
        x, y = 400_000 + 4_000 * (number % 8), 5_400_000 + 4_000 * (number // 8)
        shape = outline(x, y, chance)
        low, high = min(p[1] for p in shape[0]), max(p[1] for p in shape[0])
        names = [f"R{number}a"]
        tilt = chance.uniform(-30, 30)
        south = low + chance.uniform(-6, 12)
        roads.append(feature("LineString", [[x - 500, south - tilt], [x + 500, south + tilt]], id=names[0]))
        if chance.random() < 0.4:
            names.append(f"R{number}b")
            north = high + chance.uniform(-12, 6)
            roads.append(feature("LineString", [[x - 500, north + tilt], [x + 500, north - tilt]], id=names[1]))
        if chance.random() < 0.4:
            names.append(f"L{number}")
            at = chance.choice(shape[0])
            landings.append(feature("Point", [x + 0.8 * (at[0] - x), y + 0.8 * (at[1] - y)], id=names[-1]))
        stand = [[x - 300, y - 300], [x + 300, y - 300], [x + 300, y + 300], [x - 300, y + 300], [x - 300, y - 300]]
        size = chance.uniform(0.15, 0.8)
        stands.append(feature("Polygon", [stand], id=f"S{number}", stems=chance.uniform(300, 900), tree=size))
        blocks.append((shape, names))
    return blocks, roads, landings, stands


def hours(folder: pathlib.Path, blocks: list[dict]) -> dict[str, tuple[float, int, str]]:
    """Cost and number of strips of every block that is laid out."""
    write(folder / "blocks.geojson", blocks)
    out = folder / "out"
    ended = subprocess.run(
        [os.environ["BW"], "layout", folder / "project.toml", "--out", out, "-q"],
        capture_output=True,
        text=True,
    )
    if ended.returncode not in (0, 3):
        sys.exit(f"layout ended with {ended.returncode}:\n{ended.stderr[-2000:]}")
    with open(out / "blocks.csv", newline="") as table:
        rows = list(csv.DictReader(table))
    found = {}
    for row in rows:
        if row["skid_hours"]:
            cost = sum(float(row[key] or 0) for key in ("day_hours", "night_hours", "skid_hours"))
            worked = float(row["cut_ha"]) / max(float(row["gross_ha"]), 1e-9)
            found[row["block_id"]] = (cost, int(row["strips"]), worked)
    return found


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    chance = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 7)
    blocks, roads, landings, stands = district(count, chance)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "project.toml").write_text(PROJECT)
        write(folder / "roads.geojson", roads)
        write(folder / "landings.geojson", landings)
        write(folder / "stands.geojson", stands)
        own = hours(folder, [feature("Polygon", shape, id=f"{n}", azimuth=None, outlet=None) for n, (shape, _) in enumerate(blocks)])
        small = [n for n in range(count) if f"{n}" in own and own[f"{n}"][1] <= MOST_PIECES]
        forced = []
        for n in small:
            shape, names = blocks[n]
            sets = [s for size in range(1, len(names) + 1) for s in itertools.combinations(names, size)]
            for (at, outlets), azimuth in itertools.product(enumerate(sets), [None, *range(0, 180, STEP_DEG)]):
                key, named = f"{n}/{at}/{azimuth}", ";".join(outlets)
                forced.append(feature("Polygon", shape, id=key, azimuth=azimuth, outlet=named))
        all_of = hours(folder, forced)
    gaps = []
    for n in small:
        cost, strips, worked = own[f"{n}"]
        # What cuts less is no cheaper plan of the same block.
        others = [(c, key) for key, (c, _, w) in all_of.items() if key.split("/")[0] == f"{n}" and abs(w - worked) < 0.02]
        best, key = min(others, default=(cost, "-"))
        gaps.append((cost / best - 1.0, n, strips, cost, best, key))
    gaps.sort(reverse=True)
    mean = sum(max(gap[0], 0.0) for gap in gaps) / max(len(gaps), 1)
    print(f"{len(gaps)} blocks of at most {MOST_PIECES} strips, {len(all_of)} plans to choose from")
    print(f"the program's choice is dearer than the best by {mean:.2%} in the mean, {gaps[0][0]:.2%} at worst")
    for gap, n, strips, cost, best, key in gaps[:5]:
        print(f"  block {n}: {strips} strips, {cost:.3f} h against {best:.3f} h ({key}), {gap:.2%}")
    sys.exit(1 if mean > 0.03 else 0)


main()
