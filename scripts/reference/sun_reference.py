"""Sunrise, sunset and civil twilight of a year from Skyfield and JPL's DE421, for `fixtures/standards/sun_year.csv`.

    python3 -m venv venv && venv/bin/pip install skyfield==1.55 skyfield-data==7.0.0
    venv/bin/python scripts/reference/sun_reference.py > fixtures/standards/sun_year.csv

Skyfield and skyfield-data are MIT; DE421 is published by JPL for anyone's use. Events are where the topocentric
altitude of the sun's centre, without refraction, passes -50' (sun) and -6 degrees (civil). One row for each latitude
and every second UTC date; times are UTC, several joined by `;`. A date without an event says `up` or `down`.
"""

import argparse
import sys
from collections import defaultdict
from datetime import date, timedelta

from skyfield import almanac
from skyfield.api import load_file, load, wgs84
from skyfield_data import get_skyfield_data_path

# Longitudes differ so that no place has its noon at the same clock time.
PLACES = [
    (-60, -26.5), (-45, 12.25), (-30, 0.0), (-15, 21.0), (0, -3.75), (15, 27.5), (30, -11.0), (45, 8.0),
    (60, 24.9), (64, 26.0), (66, 25.7), (68, 27.0), (70, 25.8), (72.5, 22.0), (75, 19.0),
]
EDGES = {"sun": -50.0 / 60.0, "civil": -6.0}


def up_function(eph, observer, degrees):
    def up(t):
        altitude, _, _ = observer.at(t).observe(eph["sun"]).apparent().altaz()
        return altitude.degrees > degrees

    up.step_days = 0.02
    return up


def clock(moment):
    return (moment + timedelta(seconds=0.5)).strftime("%H:%M:%S") if moment.microsecond else moment.strftime("%H:%M:%S")


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--year", type=int, default=2026)
    arguments.add_argument("--every", type=int, default=2, help="days from row to row")
    arguments = arguments.parse_args()

    eph = load_file(get_skyfield_data_path() + "/de421.bsp")
    ts = load.timescale(builtin=True)
    start, end = date(arguments.year, 1, 1), date(arguments.year + 1, 1, 1)
    t0, t1 = ts.utc(start.year, start.month, start.day), ts.utc(end.year, end.month, end.day)
    out = sys.stdout
    out.write("latitude_deg,longitude_deg,date,sunrise,sunset,civil_dawn,civil_dusk\n")
    for latitude, longitude in PLACES:
        observer = eph["earth"] + wgs84.latlon(latitude, longitude)
        events = {}
        states = {}
        for edge, degrees in EDGES.items():
            up = up_function(eph, observer, degrees)
            times, values = almanac.find_discrete(t0, t1, up)
            rows = defaultdict(lambda: ([], []))
            for moment, rising in zip(times.utc_datetime(), values):
                rows[moment.date()][0 if rising else 1].append(clock(moment))
            events[edge] = rows
            noons = ts.utc(start.year, start.month, [start.day + k + 0.5 for k in range((end - start).days)])
            states[edge] = up(noons)
        for k in range(0, (end - start).days, arguments.every):
            day = start + timedelta(days=k)
            cells = []
            for edge in EDGES:
                rises, sets = events[edge].get(day, ([], []))
                # A date with one event only keeps an empty cell for the other.
                missing = "" if rises or sets else ("up" if states[edge][k] else "down")
                cells += [";".join(rises) or missing, ";".join(sets) or missing]
            out.write(f"{latitude},{longitude},{day.isoformat()},{','.join(cells)}\n")


main()
