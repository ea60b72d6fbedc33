#!/usr/bin/env python3
"""Makes the two large tables of the invented season: fixtures/demo/weather.csv and heads.csv.

    python3 tests/make_demo_data.py

Nothing here was measured anywhere. The weather is a seeded walk around a sine of the year, tuned
to a place with a wet April, a hot dry July and cool-season grass; only `random()` of Python's
generator is used, whose sequence Python promises to keep. The heads are grids: corners water a
quarter, edges a half, the middle a full circle, with flows that match (flow in proportion to arc).
"""

import csv
import datetime
import math
import pathlib
import random

FOLDER = pathlib.Path(__file__).resolve().parent.parent / "fixtures" / "demo"


def weather():
    chance = random.Random(1907).random

    def bell():
        """About normal, mean 0, deviation 1: twelve even draws less six."""
        return sum(chance() for _ in range(12)) - 6.0

    # Chance of rain on a day by month, and the mean depth in mm of a day with rain.
    wet = {4: (0.48, 9.0), 5: (0.36, 9.0), 6: (0.24, 8.0), 7: (0.12, 7.0), 8: (0.18, 8.0),
           9: (0.30, 9.0)}
    day, warm = datetime.date(2026, 4, 1), 0.0
    while day <= datetime.date(2026, 9, 30):
        share, depth = wet[day.month]
        rains = chance() < share
        # Dry from the last days of June to the visit in the middle of July.
        if datetime.date(2026, 6, 28) <= day <= datetime.date(2026, 7, 17):
            rains = day in (datetime.date(2026, 7, 4),)
        rain = round(-depth * math.log(1.0 - chance()), 1) if rains else 0.0
        turn = math.cos(2 * math.pi * (day.timetuple().tm_yday - 203) / 365)
        warm = 0.6 * warm + 1.6 * bell()
        mean = 11.5 + 13.0 * turn + warm - (2.0 if rains else 0.0)
        swing = (7.0 if rains else 12.5) + 1.2 * bell()
        swing = max(3.0, swing)
        humid = min(96, max(38, round((82 if rains else 62) + 5 * bell())))
        wind = max(0.6, round(2.6 + 0.8 * bell(), 1))
        yield [day.isoformat(), f"{mean - swing / 2:.1f}", f"{mean + swing / 2:.1f}", f"{rain:.1f}",
               f"{wind:.1f}", humid]
        day += datetime.timedelta(days=1)


# Flow of a full circle in gpm, and the throw in ft, by kind of nozzle. Invented; every spray comes
# to about 1.6 in/h at its spacing, every rotor to about 0.43, every rotary stream to about 0.45.
NOZZLES = {
    "spray-15": ("fixed-spray", 15, 3.70, 4),
    "spray-12": ("fixed-spray", 12, 2.36, 4),
    "spray-10": ("fixed-spray", 10, 1.64, 4),
    "spray-8": ("fixed-spray", 8, 1.04, 6),
    "rotor-30": ("gear-rotor", 30, 4.00, 4),
    "rotary-20": ("rotary-stream", 20, 1.88, 4),
}
NAMES = {90: "quarter", 180: "half", 360: "full"}

# Site, zone, nozzle, columns, rows, year, what to shift east and north on the sketch.
GRIDS = [
    ("Tannery Row", 1, "spray-15", 4, 3, 2007, 0, 0),
    ("Tannery Row", 2, "spray-15", 4, 2, 2007, 60, 0),
    ("Tannery Row", 3, "spray-12", 4, 3, 2007, 0, 50),
    ("Tannery Row", 4, "spray-10", 5, 2, 2007, 60, 30),
    ("Tannery Row", 6, "rotor-30", 3, 3, 2007, 0, 100),
    ("Tannery Row", 7, "rotor-30", 4, 2, 2007, 80, 100),
    ("Tannery Row", 8, "rotary-20", 4, 2, 2015, 80, 150),
    ("Tannery Row", 10, "spray-8", 3, 2, 2015, 60, 60),
    ("Tannery Row", 12, "spray-15", 4, 2, 2015, 120, 0),
    ("Quillet House", 1, "spray-15", 4, 2, 2012, 0, 0),
    ("Quillet House", 2, "spray-12", 3, 2, 2012, 60, 0),
    ("Quillet House", 3, "rotor-30", 3, 2, 2012, 0, 40),
    ("Quillet House", 4, "rotary-20", 4, 2, 2019, 80, 40),
    ("Quillet House", 7, "spray-10", 4, 2, 2012, 0, 90),
    ("Quillet House", 8, "spray-8", 3, 2, 2012, 50, 90),
    ("Pikestone School", 1, "rotor-30", 3, 2, 2010, 0, 0),
    ("Pikestone School", 2, "rotor-30", 3, 2, 2010, 80, 0),
    ("Pikestone School", 3, "rotor-30", 3, 2, 2010, 160, 0),
    ("Pikestone School", 4, "rotor-30", 3, 2, 2010, 0, 50),
    ("Pikestone School", 5, "rotor-30", 3, 2, 2010, 80, 50),
    ("Pikestone School", 6, "rotor-30", 3, 2, 2010, 160, 50),
    ("Pikestone School", 7, "spray-15", 3, 2, 2010, 0, 100),
    ("Pikestone School", 8, "spray-15", 3, 2, 2010, 40, 100),
    ("Pikestone School", 9, "spray-12", 3, 2, 2010, 80, 100),
    ("Pikestone School", 10, "spray-12", 3, 2, 2018, 120, 100),
    ("Pikestone School", 13, "rotary-20", 3, 2, 2018, 160, 100),
    ("Pikestone School", 14, "spray-10", 3, 2, 2018, 220, 100),
]

# Site, zone, how many, flow of each in gpm: bubblers at trees and roses.
BUBBLERS = [("Tannery Row", 9, 6, 0.5, 2015), ("Tannery Row", 11, 4, 1.0, 2015),
            ("Pikestone School", 12, 4, 1.0, 2018)]
# Site, zone, emitters, flow of each in gal/h: runs of drip.
DRIP = [("Tannery Row", 5, 240, 0.6, 2007), ("Quillet House", 5, 150, 0.6, 2019),
        ("Quillet House", 6, 60, 0.6, 2019), ("Pikestone School", 11, 200, 0.6, 2018)]


def middle(column, row, columns, rows):
    """The arc of a grid's head, and its middle, clockwise from north; row 0 is the south row."""
    east = (column == 0) - (column == columns - 1)  # 1: it waters to the east of itself
    north = (row == 0) - (row == rows - 1)
    if not east and not north:
        return 360, 0
    bearing = math.degrees(math.atan2(east, north)) % 360
    return (90 if east and north else 180), round(bearing)


def heads():
    for site, zone, nozzle, columns, rows, year, right, up in GRIDS:
        kind, throw, full, height = NOZZLES[nozzle]
        walk = [(column, row) for row in range(rows) for column in range(columns)]
        for number, (column, row) in enumerate(walk, start=1):
            arc, facing = middle(column, row, columns, rows)
            yield {
                "site": site, "label": f"{zone}-{number:02}", "part-of": f"zone-{zone}",
                "order": number, "head-kind": kind, "pop-up": f"{height} in",
                "nozzle": f"{throw} ft {NAMES[arc]}", "arc": arc, "facing": facing,
                "radius": f"{throw} ft", "flow": f"{full * arc / 360:.2f} gpm",
                "east": f"{right + column * throw} ft", "north": f"{up + row * throw} ft",
                "installed": year,
            }
    for site, zone, count, flow, year in BUBBLERS:
        for number in range(1, count + 1):
            yield {"site": site, "label": f"{zone}-{number:02}", "part-of": f"zone-{zone}",
                   "order": number, "head-kind": "bubbler", "flow": f"{flow:.2f} gpm",
                   "installed": year}
    for site, zone, count, flow, year in DRIP:
        yield {"site": site, "label": f"{zone}-01", "part-of": f"zone-{zone}", "order": 1,
               "head-kind": "drip", "emitters": count, "emitter-flow": f"{flow} gph",
               "installed": year}


def in_walk_order(row):
    site = ["Tannery Row", "Quillet House", "Pikestone School"].index(row["site"])
    zone, number = row["label"].split("-")
    return site, int(zone), int(number)


COLUMNS = ["site", "label", "part-of", "order", "head-kind", "pop-up", "nozzle", "arc", "facing",
           "radius", "flow", "emitters", "emitter-flow", "east", "north", "installed"]


def main():
    FOLDER.mkdir(parents=True, exist_ok=True)
    with open(FOLDER / "weather.csv", "w", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["date", "tmin_c", "tmax_c", "rain_mm", "wind_m_s", "humidity_pct"])
        rows.writerows(weather())
    with open(FOLDER / "heads.csv", "w", newline="") as file:
        rows = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        rows.writeheader()
        rows.writerows(sorted(heads(), key=in_walk_order))


if __name__ == "__main__":
    main()
