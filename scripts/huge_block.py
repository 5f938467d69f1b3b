#!/usr/bin/env python3
"""Writes a project of one block that is out of all proportion, to see how a layout of it fares:
huge_block.py KIND DIRECTORY [VERTICES], with KIND one of vertices, holes, lakes, islands, streams, or of those whose edges
crowd within a reserve's width, of about VERTICES vertices: zigzag, spiral, crumbs, teeth, comb, jagged-lake, points.

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


def around(centre, radius, rough, corners):
    """A ring of teeth: every other corner stands `rough` further out."""
    points = []
    for k in range(corners):
        turn, r = 2 * math.pi * k / corners, radius + rough * (k % 2)
        points.append([EAST + centre + r * math.cos(turn), NORTH + centre + r * math.sin(turn)])
    return points + points[:1]


def make_crowded(kind, vertices):
    """As `make`, of the kinds whose edges lie within one another's distance; None of others."""
    whole = polygons([square(0, 300)])
    if kind == "zigzag":
        line = [[EAST + 300 * k / vertices, NORTH + 150 + 0.5 * (k % 2)] for k in range(vertices)]
        return whole, [("streams", "S2", [{"type": "LineString", "coordinates": line}])]
    if kind == "spiral":
        turns = 40
        line = []
        for k in range(vertices):
            t = k / vertices
            turn, r = 2 * math.pi * turns * t, 100 * t
            line.append([EAST + 150 + r * math.cos(turn), NORTH + 150 + r * math.sin(turn)])
        return whole, [("streams", "S2", [{"type": "LineString", "coordinates": line}])]
    if kind == "crumbs":
        draw = random.Random(1)
        lines = []
        for _ in range(vertices // 2):
            x, y, turn = draw.uniform(0, 300), draw.uniform(100, 200), draw.uniform(0, 2 * math.pi)
            end = [EAST + x + math.cos(turn), NORTH + y + math.sin(turn)]
            lines.append([[EAST + x, NORTH + y], end])
        return whole, [("streams", "S2", [{"type": "MultiLineString", "coordinates": lines}])]
    if kind == "teeth":
        return polygons([around(200, 200, 3, vertices)]), []
    if kind == "comb":
        points = []
        for k in range(vertices // 4):
            x = 400 * k / (vertices // 4)
            wide = 400 / vertices
            points += [[x, 0], [x + wide, 0], [x + wide, 180], [x + 3 * wide, 180]]
        points += [[400, 0], [400, 400], [0, 400]]
        points = [[EAST + x, NORTH + y] for x, y in points]
        return polygons([points + points[:1]]), []
    if kind == "jagged-lake":
        return whole, [("lakes", "L1-B", [polygons([around(150, 40, 2, vertices)])])]
    if kind == "points":
        draw = random.Random(1)
        places = [[EAST + draw.uniform(100, 200), NORTH + draw.uniform(100, 200)] for _ in range(vertices)]
        return whole, [("protected", "nest", [{"type": "MultiPoint", "coordinates": places}])]
    return None


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
    if len(sys.argv) not in (3, 4):
        sys.exit(__doc__)
    kind, out = sys.argv[1], Path(sys.argv[2])
    vertices = int(sys.argv[3]) if len(sys.argv) == 4 else 100_000
    block, layers = make_crowded(kind, vertices) or make(kind)
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
    project += ["", "[[rules.line]]", 'kind = "protected"', 'class = "nest"', 'reserve = "30 m"']
    project += ['source = "permit (invented)"']
    (out / "project.toml").write_text("\n".join(project) + "\n")


main()
