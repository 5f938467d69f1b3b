#!/usr/bin/env python3
"""Blocks that fail their retention share by pattern, why, and machine time against corridors alone.

patterns.py BLOCKWRIGHT SHARED [PLACE ...]   places: andorra rautjarvi quesnel neexdzii demo-7 demo-11 demo-42

Each place is laid out at 7 and 12 % with corridors alone and with both, 600 trees of 0.4 m3 to the hectare where its layers do not say.
Prints the table of docs/performance.md; what came out per block stands in target/patterns/PLACE-SHARE.csv.
With Python's bindings of GDAL at hand, GEOS measures again why blocks cannot meet their share, and says where it finds otherwise.
"""

import csv
import json
import math
import re
import sqlite3
import statistics
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
WORK = ROOT / "target" / "patterns"
PLACES = ["andorra", "rautjarvi", "quesnel", "neexdzii", "demo-7", "demo-11", "demo-42"]
# A fifth of the woods, so that a run ends in minutes.
PART = "where = \"CAST(coalesce(osm_id, osm_way_id) AS INTEGER) % 5 = 2\"\n"
WHY = [
    ("band", "lie where trees may stand as retention"),
    ("pieces", "lie in pieces that hold a patch"),
    ("rest", "leaves ground to work"),
    ("unworked", "more of the block unworked than they keep"),
]


def round_blocks(path):
    features = []
    for row in range(6):
        for column in range(6):
            x, y = 973_000 + 4_000 * column, 1_046_000 + 4_000 * row
            ring = []
            for k in range(49):
                angle = 2 * math.pi * (k % 48) / 48
                radius = 220 + 60 * math.cos(3 * angle + row)
                ring.append([round(x + radius * math.cos(angle), 2), round(y + radius * math.sin(angle), 2)])
            shape = {"type": "Polygon", "coordinates": [ring]}
            features.append({"type": "Feature", "properties": {"id": f"N{row}{column}"}, "geometry": shape})
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::3005"}}
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}))


def project(program, shared, place, folder):
    folder.mkdir(parents=True, exist_ok=True)
    if place.startswith("demo-"):
        seed = place.split("-")[1]
        made = folder / "demo"
        if not made.exists():
            subprocess.run([program, "demo", "--out", made, "--blocks", "60", "--seed", seed, "--quiet"])
        text = (made / "project.toml").read_text()
        text = re.sub(r"(?m)^pattern .*\n", "", text)
        text = re.sub(r"(?m)^retention_share .*\n", "", text)
        return made, text.replace("[layout]\n", "[layout]\nPATTERN"), "[rules]\n"
    text = (ROOT / "fixtures" / "real" / f"{place}.toml").read_text().replace("SHARED", str(shared / "data"))
    text = re.sub(r"(?m)^retention_share .*\n", "", text)
    if place == "andorra":
        text = text.replace('layer = "blocks"\n', 'layer = "blocks"\n' + PART)
    if "BLOCKS" in text:
        round_blocks(folder / "blocks.geojson")
        text = text.replace("BLOCKS", "blocks.geojson")
    wishes = "[layout]\nPATTERNwithout_access = true\n"
    text = text.replace("[layout]\n", wishes) if "[layout]\n" in text else f"{text}\n{wishes}"
    text += "\n[production]\nstems_per_ha = 600\ntree_m3 = 0.4\n"
    return folder, text, "[rules]\n"


def lay_out(program, made, text, rules, place, share, pattern):
    share_text = f'retention_share = {{ value = "{share} %", source = "measurement" }}\n'
    text = text.replace(rules, rules + share_text, 1).replace("PATTERN", f'pattern = "{pattern}"\n', 1)
    text += "\n" if "[outputs]" in text else "\n[outputs]\nmaps = false\nreport = false\nsheets = false\nbunches = false\nexchange = []\n"
    path = made / f"{share}-{pattern}.toml"
    path.write_text(text)
    out = WORK / place / f"{share}-{pattern}"
    ended = subprocess.run([program, "layout", path, "--out", out, "--quiet"], capture_output=True, text=True)
    if ended.returncode not in (0, 3):
        sys.exit(f"{place}: {ended.stderr}")
    return read(out)


def read(out):
    blocks = {row["block_id"]: row for row in csv.DictReader((out / "blocks.csv").open())}
    verdicts = {}
    for row in csv.DictReader((out / "compliance.csv").open()):
        if row["rule_id"] == "retention-share":
            verdicts[row["block_id"]] = row["status"]
    package = sqlite3.connect(out / "layout.gpkg")
    findings = package.execute("SELECT block_id, message FROM findings WHERE rule_id = 'retention-share'")
    why = dict(findings.fetchall())
    return blocks, verdicts, why


def hours(rows):
    """Felling and skidding of one block under both patterns; skidding only where both know where the wood goes."""
    names = ["day_hours", "night_hours", "skid_hours"]
    names = names if all(row["skid_hours"] for row in rows) else names[:2]
    values = [[row[name] for name in names] for row in rows]
    return None if any("" in each for each in values) else [sum(map(float, each)) for each in values]


def proved(out, share, names):
    """Of failing blocks, those that GEOS too finds to have too little ground, pieces or rest; None without its bindings."""
    try:
        from osgeo import ogr
    except ImportError:
        return None
    ogr.UseExceptions()
    package = ogr.Open(str(out / "layout.gpkg"))

    def union(layer, name, test):
        rows = package.GetLayerByName(layer)
        rows.SetAttributeFilter("block_id = '" + name.replace("'", "''") + "'")
        whole = ogr.Geometry(ogr.wkbMultiPolygon)
        for row in rows:
            if test(row):
                whole = whole.Union(row.GetGeometryRef().Buffer(0))
        return whole

    sure = set()
    for name in names:
        block = union("blocks", name, lambda row: True)
        kinds = lambda wanted: union("zones", name, lambda row: row["kind"] in wanted)
        net = block.Difference(kinds(["reserve"]))
        left = union("unworked", name, lambda row: row["reason"] in ("too_steep", "soft_ground"))
        may = net.Difference(kinds(["road_band", "road_clearing"])).Difference(left)
        # All of these projects ask for a share of the gross area.
        asked = share / 100 * block.Area()
        wide = may.Buffer(-1.5, 32).Buffer(1.5, 32).Intersection(may)
        pieces = [wide.GetGeometryRef(k).Area() for k in range(wide.GetGeometryCount())] if wide.GetGeometryCount() else []
        if wide.GetGeometryName() == "POLYGON":
            pieces = [wide.Area()]
        bands = union("zones", name, lambda row: row["kind"] == "retained_band" and row["class"] != "patch").Intersection(block).Area()
        rest = net.Area() - left.Area() - bands - max(asked - bands, 200.0)
        # Chords of arcs make openings smaller by as much.
        if may.Area() < asked or 1.002 * sum(m2 for m2 in pieces if m2 > 200.0) < asked or rest < 1000.0:
            sure.add(name)
    return sure


def line(place, share, one, two):
    failed = [{name for name, status in of[1].items() if status == "fail"} for of in (one, two)]
    kinds = dict.fromkeys([key for key, _ in WHY] + ["untold"], 0)
    for name in sorted(failed[1]):
        message = two[2].get(name, "")
        kind = next((key for key, words in WHY if words in message), "untold")
        kinds[kind] += 1
        if kind in ("unworked", "untold"):
            print(f"  unproved {place} {share} {name}: {message}", file=sys.stderr, flush=True)
    again = proved(WORK / place / f"{share}-both", share, sorted(failed[1]))
    for name in sorted(failed[1] - again) if again is not None else []:
        print(f"  not so by GEOS {place} {share} {name}: {two[2].get(name, '')}", file=sys.stderr, flush=True)
    helped = sorted(failed[0] - failed[1])
    whole = [name for name in helped if float(two[0][name]["cut_ha"]) == 0.0]
    pairs = {name: hours([one[0][name], two[0][name]]) for name in sorted(set(one[0]) & set(two[0]))}
    own = [pairs[name] for name in helped if name not in whole and pairs[name] and pairs[name][0] > 0]
    changes = sorted(100 * (b / a - 1) for a, b in own)
    sums = [sum(pair[k] for pair in own) for k in (0, 1)]
    told = f"{changes[0]:+.1f} / {statistics.median(changes):+.1f} / {changes[-1]:+.1f} %" if changes else "none"
    print(f"| {place} | {share} % | {len(two[1])} | {len(failed[0])} | {len(failed[1])} | {kinds['band']} | {kinds['pieces']} "
          f"| {kinds['rest']} | {kinds['unworked'] + kinds['untold']} | {len(helped)} | {len(whole)} | {sums[0]:.1f} | {sums[1]:.1f} | {told} |", flush=True)
    with (WORK / f"{place}-{share}.csv").open("w") as file:
        table = csv.writer(file)
        table.writerow(["block_id", "net_ha", "status_corridors", "status_both", "hours_corridors", "hours_both", "retained_ha_corridors", "retained_ha_both"])
        for name, pair in pairs.items():
            table.writerow([name, two[0][name]["net_ha"], one[1][name], two[1][name], *(pair or ["", ""]), one[0][name]["retained_ha"], two[0][name]["retained_ha"]])


def main():
    program, shared = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    print("| place | share | blocks | fail: corridors | fail: both | too little ground | too small pieces | too little rest | not proved | helped "
          "| of these left whole | h, corridors | h, both | per block: least / median / most |")
    print("| " + " | ".join(["---"] * 14) + " |")
    for place in sys.argv[3:] or PLACES:
        made, text, rules = project(program, shared, place, WORK / place)
        for share in (7, 12):
            line(place, share, *(lay_out(program, made, text, rules, place, share, pattern) for pattern in ("corridors", "both")))


if __name__ == "__main__":
    main()
