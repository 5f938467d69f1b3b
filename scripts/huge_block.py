#!/usr/bin/env python3
"""Writes a project of one block that is out of all proportion, to see how a layout of it fares:
huge_block.py KIND DIRECTORY, with KIND one of vertices, holes, lakes, islands, streams.

Everything is invented and the same each time; needs nothing but Python.
"""

import json
import math
import random
import sys
from pathlib import Path

EAST, NORTH = 500_000.0, 5_400_000.0


def ring(x, y, radius, corners, rough_m=0.0):
    draw = random.Random(1)
    points = []
    for k in range(corners):
        turn = 2 * math.pi * k / corners
        r = radius + 10 * rough_m * math.sin(37 * turn) + draw.uniform(-rough_m, rough_m)
        points.append([EAST + x + r * math.cos(turn), NORTH + y + r * math.sin(turn)])
    return points + points[:1]


def square(low, high):
    corners = [(low, low), (high, low), (high, high), (low, high), (low, low)]
    return [[EAST + x, NORTH + y] for x, y in corners]


def grid(count, side):
    """Middles of the cells of a square grid."""
    across = math.ceil(math.sqrt(count))
    step = side / across
    for n in range(count):
        yield ((n % across) + 0.5) * step, ((n // across) + 0.5) * step, step


def polygons(*parts):
    return {"type": "MultiPolygon", "coordinates": [list(part) for part in parts]}


def make(kind):
    """The block, and layers beside it: role, class, geometries."""
    if kind == "vertices":
        return polygons([ring(500, 500, 500, 100_000, 0.03)]), []
    if kind == "holes":
        inner = [ring(x, y, 0.2 * step, 8)[::-1] for x, y, step in grid(5_000, 1_000)]
        return polygons([square(0, 1_000), *inner]), []
    if kind == "lakes":
        lakes = [polygons([ring(x, y, 0.1 * step, 8)]) for x, y, step in grid(5_000, 1_000)]
        return polygons([square(0, 1_000)]), [("lakes", "L3", lakes)]
    if kind == "islands":
        parts = [[ring(x, y, 0.4 * step, 8)] for x, y, step in grid(5_000, 2_000)]
        return polygons(*parts), []
    if kind == "streams":
        draw = random.Random(1)
        streams = []
        for _ in range(20_000):
            x, y = draw.uniform(-1_500, 2_500), draw.uniform(-1_500, 2_500)
            turn = draw.uniform(0, 2 * math.pi)
            line = []
            for _ in range(5):
                line.append([EAST + x, NORTH + y])
                x, y = x + 8 * math.cos(turn), y + 8 * math.sin(turn)
                turn += draw.uniform(-0.6, 0.6)
            streams.append({"type": "LineString", "coordinates": line})
        return polygons([square(0, 1_000)]), [("streams", "S4", streams)]
    sys.exit(f"there is no kind {kind}")


def write(path, geometries, **words):
    features = [
        {"type": "Feature", "properties": {"ID": f"{n + 1}", **words}, "geometry": geometry}
        for n, geometry in enumerate(geometries)
    ]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32610"}}
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}))


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    kind, out = sys.argv[1], Path(sys.argv[2])
    block, layers = make(kind)
    out.mkdir(parents=True, exist_ok=True)
    write(out / "blocks.geojson", [block])
    project = ["[project]", f'name = "One block: {kind}"', 'crs = "EPSG:32610"', ""]
    project += ["[layers.blocks]", 'source = "blocks.geojson"', 'id = "ID"', ""]
    for role, name, geometries in layers:
        write(out / f"{role}.geojson", geometries, CLASS=name)
        project += [f"[layers.{role}]", f'source = "{role}.geojson"', 'id = "ID"', 'class = "CLASS"', ""]
    project += ["[rules]", 'preset = "bc-fppr"', ""]
    project += ["[[rules.line]]", 'kind = "streams"', 'class = "S4"', 'reserve = "5 m"']
    project += ['source = "permit (invented)"']
    (out / "project.toml").write_text("\n".join(project) + "\n")


main()
