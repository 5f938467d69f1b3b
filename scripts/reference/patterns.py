#!/usr/bin/env python3
"""Blocks that fail their retention share by pattern, why, and machine time against corridors alone.

patterns.py BLOCKWRIGHT SHARED [PLACE ...]   places: andorra rautjarvi quesnel neexdzii demo-7 demo-11 demo-42

Each place is laid out at 7 and 12 % with corridors alone and with both, 600 trees of 0.4 m3 to the hectare where its layers do not say.
Prints the table of docs/retention.md; what came out per block stands in target/patterns/PLACE-SHARE.csv.
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
    blocks = {row["block_id"]: row for row in csv.DictReader((out / "blocks.csv").open())}
    verdicts = {}
    for row in csv.DictReader((out / "compliance.csv").open()):
        if row["rule_id"] == "retention-share":
            verdicts[row["block_id"]] = row["status"]
    package = sqlite3.connect(out / "layout.gpkg")
    findings = package.execute("SELECT block_id, message FROM findings WHERE rule_id = 'retention-share'")
    why = dict(findings.fetchall())
    return blocks, verdicts, why


def hours(row):
    values = [row[name] for name in ("day_hours", "night_hours", "skid_hours")]
    return None if "" in values[:2] else sum(float(value or 0) for value in values)


def main():
    program, shared = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    print("| place | share | blocks | fail by corridors | fail by both | of these: ground off the band | pieces | rest | other "
          "| blocks that patches help | machine h of these, corridors | both | median change per block |")
    print("| " + " | ".join(["---"] * 13) + " |")
    for place in sys.argv[3:] or PLACES:
        made, text, rules = project(program, shared, place, WORK / place)
        for share in (7, 12):
            one = lay_out(program, made, text, rules, place, share, "corridors")
            two = lay_out(program, made, text, rules, place, share, "both")
            failed = [{name for name, status in of[1].items() if status == "fail"} for of in (one, two)]
            kinds = dict.fromkeys([key for key, _ in WHY] + ["untold"], 0)
            unproved = []
            for name in sorted(failed[1]):
                kind = next((key for key, words in WHY if words in two[2].get(name, "")), "untold")
                kinds[kind] += 1
                if kind in ("unworked", "untold"):
                    unproved.append((name, two[2].get(name, "")))
            helped = sorted(failed[0] - failed[1])
            pairs = [(hours(one[0][name]), hours(two[0][name])) for name in helped]
            pairs = [pair for pair in pairs if None not in pair and pair[0] > 0]
            sums = [sum(pair[k] for pair in pairs) for k in (0, 1)]
            change = statistics.median(b / a - 1 for a, b in pairs) if pairs else 0
            print(f"| {place} | {share} % | {len(two[1])} | {len(failed[0])} | {len(failed[1])} | {kinds['band']} | {kinds['pieces']} "
                  f"| {kinds['rest']} | {kinds['unworked'] + kinds['untold']} | {len(helped)} | {sums[0]:.1f} | {sums[1]:.1f} | {100 * change:+.1f} % |", flush=True)
            for name, message in unproved:
                print(f"  unproved {place} {share} {name}: {message}", file=sys.stderr, flush=True)
            with (WORK / f"{place}-{share}.csv").open("w") as file:
                table = csv.writer(file)
                table.writerow(["block_id", "net_ha", "status_corridors", "status_both", "hours_corridors", "hours_both", "retained_ha_corridors", "retained_ha_both"])
                for name in sorted(two[0]):
                    a, b = one[0].get(name), two[0][name]
                    if a:
                        table.writerow([name, b["net_ha"], one[1][name], two[1][name], hours(a), hours(b), a["retained_ha"], b["retained_ha"]])


main()
