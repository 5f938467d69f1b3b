"""Holds shift plans at four places, with and without news, against the check from outside: dispatch.py PROGRAM DISTRICT CHECKS OUT.

PROGRAM is the binary, DISTRICT a demo district, CHECKS the folder of checks as reading.py left it, OUT a folder for all that is
made. At each place the plan is made, then once more after two days by the clock, after two days by the rows left in a copy of
its table, and with a breakdown, a storm, a closed block, a block that is
kept to a machine and asks for its reach, and little room for felled wood and on a deck. Ends with 1 if any plan breaks a rule.
"""

import csv
import datetime
import json
import pathlib
import re
import sqlite3
import subprocess
import sys
import zoneinfo

# EPSG code, metres along the zone's axis, time zone, first date and a day off. Clocks are set within the first two and the first; at
# 78° N the sun comes back after the polar night.
PLACES = {
    "42S": (32719, 5_349_000, "America/Santiago", "2026-09-04", "2026-09-09"),
    "46N": (32633, 5_094_000, "Europe/Vienna", "2026-10-22", "2026-10-26"),
    "60N": (32635, 6_651_000, "Europe/Helsinki", "2026-12-03", "2026-12-06"),
    "78N": (32633, 8_658_000, "Arctic/Longyearbyen", "2026-02-18", "2026-02-22"),
}
DAYS = 12
HERE = pathlib.Path(__file__).parent


class Place:
    def __init__(self, program: str, district: str, checks: pathlib.Path, out: pathlib.Path, name: str) -> None:
        self.program, self.checks, self.out, self.name = program, checks, out / name, name
        epsg, northing, zone, first, off = PLACES[name]
        self.zone = zoneinfo.ZoneInfo(zone)
        self.first = datetime.date.fromisoformat(first)
        self.crew = (HERE / "crew.toml").read_text().replace("ZONE", zone).replace("DAY_OFF", off)
        for number, days in enumerate((4, 8), 1):
            self.crew = self.crew.replace(f"DATE_{number}", str(self.first + datetime.timedelta(days)))
        self.failed = 0
        if not (self.out / "layout" / "run.json").exists():
            script = [sys.executable, str(HERE / "places.py"), district, str(self.out), str(epsg), str(northing)]
            subprocess.run(script, check=True)
            self.run("layout", "project.toml", "--out", "layout", "--quiet")

    def run(self, *arguments: str) -> None:
        """3 is as good as 0: work that does not fit is told."""
        ended = subprocess.run([self.program, *arguments], cwd=self.out, capture_output=True, text=True)
        if ended.returncode not in (0, 3):
            sys.exit(f"{self.name}: {' '.join(arguments)} ended with {ended.returncode}\n{ended.stderr[-2000:]}")

    def plan(self, name: str, crew: str, first: datetime.date, more: list[str], done: str | None = None) -> dict:
        (self.out / f"{name}.toml").write_text(crew)
        days = DAYS - (first - self.first).days
        self.run("dispatch", "layout", "--crew", f"{name}.toml", "--from", str(first), "--days", str(days), "--out", name, *more)
        check = [sys.executable, str(self.checks / "check_shifts.py"), "layout", name, f"{name}.toml"]
        check += ["--done", done] if done else []
        ended = subprocess.run(check, cwd=self.out, capture_output=True, text=True)
        last = (ended.stdout.strip().splitlines() or [""])[-1]
        print(f"{self.name} {name}: {last}", flush=True)
        if ended.returncode:
            self.failed += 1
            print(ended.stdout[-3000:], ended.stderr[-3000:], flush=True)
        return json.loads((self.out / name / "schedule.json").read_text())

    def second(self, date: datetime.date) -> int:
        return int(datetime.datetime.combine(date, datetime.time(), self.zone).timestamp())

    def query(self, text: str, *values: str) -> list[tuple]:
        with sqlite3.connect(self.out / "layout" / "layout.gpkg") as package:
            return package.execute(text, values).fetchall()

    def outlet(self, block: str) -> str:
        """The road or landing that the largest setting of a block brings wood to that has one; empty where none has."""
        kinds = "outlet_kind IN ('road', 'landing') AND outlet <> ''"
        found = self.query(f"SELECT outlet FROM settings WHERE block_id = ? AND {kinds} ORDER BY area_ha DESC", block)
        return found[0][0].split(";")[0] if found else ""

    def largest(self, block: str) -> float:
        """Wood of the largest section of a block, m³."""
        per = "SELECT sum(volume_m3) AS v FROM sections WHERE block_id = ? GROUP BY part, strip_no, piece, section_no"
        return self.query(f"SELECT max(v) FROM ({per})", block)[0][0] or 0.0

    def done_by(self, plan: dict, until: int) -> str:
        """A table by hand of what a plan has cut until a moment."""
        hours: dict[tuple, float] = {}
        for task in plan["tasks"]:
            if task["task"] == "cut" and task["from"] < until:
                section = task["section"]
                key = (task["block_id"], *[section[name] for name in ("part", "strip_no", "piece", "section_no")])
                share = min(1.0, (until - task["from"]) / max(1, task["to"] - task["from"]))
                hours[key] = hours.get(key, 0.0) + share * task["layout_hours"]
        with open(self.out / "done.csv", "w", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(["block_id", "part", "strip_no", "piece", "section_no", "hours_done"])
            rows.writerows([*key, f"{done:.6f}"] for key, done in sorted(hours.items()))
        return "done.csv"

    def standing(self, plan: dict, until: int) -> str:
        """The crew, each machine in the block of its last work before a moment."""
        crew = self.crew
        for name in ("feller 1", "feller 2", "skidder 1"):
            own = [task for task in plan["tasks"] if task["machine"] == name and task["from"] < until]
            own = [task for task in own if task["task"] != "move" or task["to"] <= until]
            if own:
                last = max(own, key=lambda task: task["from"])
                crew = re.sub(rf'name = "{name}"\n', f'name = "{name}"\nstart = "{last["block_id"]}"\n', crew)
        return crew

    def all(self) -> None:
        whole = self.plan("plan", self.crew, self.first, [])
        later = self.first + datetime.timedelta(2)
        until = self.second(later)
        done = self.done_by(whole, until)
        stand = self.standing(whole, until)
        keep = ["--keep-plan", "plan"]
        self.plan("later", stand, later, [*keep, "--done-until", str(later)], done)
        rows = list(csv.reader(open(self.out / "plan" / "shifts.csv", encoding="utf-8")))
        with open(self.out / "kept.csv", "w", newline="", encoding="utf-8") as file:
            # Rows end before the day begins, so that both ways say the same.
            last = f"{later}T00:00"
            csv.writer(file).writerows([rows[0], *[row for row in rows[1:] if row[11] <= last]])
        kept = json.loads(json.dumps(whole))
        ends = [datetime.datetime.fromisoformat(row[11]).timestamp() + 59 for row in rows[1:] if row[11] <= last]
        kept["tasks"] = [task for task in kept["tasks"] if task["to"] <= max(ends, default=0)]
        self.plan("copied", self.standing(kept, until), later, [*keep, "--done", "kept.csv"], self.done_by(kept, until))
        first_block = next(task["block_id"] for task in whole["tasks"] if task["task"] == "cut")
        kept_block = next(own["block_id"] for own in whole["blocks"] if own["block_id"] != first_block)
        day = [str(self.first + datetime.timedelta(n)) for n in range(6)]
        news = f"""
[[stops]]
why = "a hose"
machine = "feller 1"
from = "{day[1]} 10:00"
to = "{day[3]} 12:00"

[[stops]]
why = "storm"
from = "{day[4]}"
to = "{day[4]}"

[[stops]]
why = "the owner's wish"
block = "{first_block}"
from = "{day[2]}"
to = "{day[5]}"

[stock]
least = "20 m3"
most = "900 m3"

[haulage]
loads = 3
load = "30 m3"
from = "07:00"
to = "17:00"
source = "invented"

[[blocks]]
id = "{kept_block}"
machines = ["feller 2"]
reach = "9 m"
runs_on = ["tracked"]
"""
        # The first block with an outlet of its own has little room at it.
        decked = next((own["block_id"] for own in whole["blocks"] if self.outlet(own["block_id"])), None)
        if decked:
            room = self.largest(decked) + 40
            news += f'\n[[decks]]\noutlet = "{self.outlet(decked)}"\nblock = "{decked}"\nroom = "{room:.0f} m3"\n'
        able = self.crew.replace('name = "feller 2"\n', 'name = "feller 2"\nreach = "9.5 m"\nruns_on = "tracked"\n')
        able = able.replace('name = "skidder 1"\n', 'name = "skidder 1"\nruns_on = "tracked"\n')
        self.plan("news", able + news, self.first, keep)


def main() -> None:
    program, district, checks, out = sys.argv[1:]
    if not (pathlib.Path(checks) / "check_shifts.py").exists():
        print("skipped: no shared data")
        return
    failed = 0
    for name in PLACES:
        place = Place(str(pathlib.Path(program).resolve()), str(pathlib.Path(district).resolve()), pathlib.Path(checks).resolve(), pathlib.Path(out).resolve(), name)
        place.all()
        failed += place.failed
    print(f"{failed} of {4 * len(PLACES)} plans break a rule")
    sys.exit(1 if failed else 0)


main()
