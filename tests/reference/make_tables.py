"""Writes the check tables that come from general-purpose reference libraries.

    python3 -m venv /tmp/reference
    /tmp/reference/bin/pip install -r tests/reference/requirements.txt
    /tmp/reference/bin/python tests/reference/make_tables.py

The libraries compute; Headwalk's tests read what they printed, so that no Python is needed to run
them. Inputs are rounded before a library sees them, and every table holds its inputs. Two runs
write the same bytes.
"""

import csv
import datetime
import math
import random
import shutil
import tempfile
from pathlib import Path

import fluids
import lifelines
import lifelines.datasets
import numpy
import pandas
import refet
import vega_datasets
import wntr
from fluids.piping import nearest_pipe
from pyfao56 import irrigation, model, parameters, weather
from pyfao56.refet import ascedaily

ROOT = Path(__file__).resolve().parents[2]
TABLES = ROOT / "fixtures" / "tables"
WEATHER = ROOT / "fixtures" / "weather" / "seattle-weather.csv"

# The weather file names no station; its yearly rain is that of the airport, which stands here.
SEATTLE_LATITUDE, SEATTLE_ELEVATION = 47.45, 130.0


def main():
    copy_weather()
    eto_refet()
    eto_pyfao56()
    balance_pyfao56()
    lifetimes_lifelines()
    friction_wntr()


def copy_weather():
    """Copies the open weather of the vega-datasets package as it is."""
    source = Path(vega_datasets.__file__).parent / "_data" / "seattle-weather.csv"
    WEATHER.parent.mkdir(exist_ok=True)
    shutil.copyfile(source, WEATHER)


def write(name, rows):
    """Writes rows (dicts of one shape) as a table."""
    with open(TABLES / name, "w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    print(f"{name}: {len(rows)} rows")


def saturation(celsius):
    """Saturation vapour pressure, kPa, for making inputs only."""
    return 0.6108 * math.exp(17.27 * celsius / (celsius + 237.3))


def clear_sky(latitude, elevation, day):
    """Clear-sky radiation, MJ/m2/d, for making inputs only."""
    ra = refet.calcs.ra_daily(numpy.radians(latitude), day)
    return float((0.75 + 2e-5 * elevation) * ra)


def station_days(seed, count, latitude_most):
    """Invented days spread over the earth, the year, dry and damp, calm and windy."""
    rng = random.Random(seed)
    for _ in range(count):
        latitude = round(rng.uniform(-latitude_most, latitude_most), 4)
        elevation = round(rng.choice([0, 1, 1, 2]) * rng.uniform(0, 1500), 1)
        day = rng.randint(1, 366)
        season = math.cos(2 * math.pi * (day - (196 if latitude >= 0 else 14)) / 365)
        middle = 27 - 0.35 * abs(latitude) + 0.2 * abs(latitude) * season
        tmin = round(middle - 0.005 * elevation + rng.gauss(-6, 4), 2)
        tmax = round(tmin + rng.uniform(1, 22), 2)
        rh_max = round(rng.uniform(30, 100), 1)
        rh_min = round(rh_max * rng.uniform(0.2, 0.95), 1)
        rs = round(clear_sky(latitude, elevation, day) * rng.uniform(0.2, 1.03), 3)
        wind = round(rng.choice([0.3, 1, 1, 2]) * rng.uniform(0.1, 4), 3)
        yield {
            "latitude_deg": latitude,
            "elevation_m": elevation,
            "day": day,
            "tmin_c": tmin,
            "tmax_c": tmax,
            "rh_max_pct": rh_max,
            "rh_min_pct": rh_min,
            "solar_mj_m2": rs,
            "wind_m_s": wind,
            "wind_height_m": rng.choice([3.0, 5.0, 10.0]),
        }


def seattle():
    """The open weather, one dict a day."""
    with open(WEATHER, newline="") as file:
        for row in csv.DictReader(file):
            date = datetime.datetime.strptime(row["date"], "%Y/%m/%d").date()
            yield date, {name: float(row[name]) for name in row if name not in ("date", "weather")}


def seattle_days(every):
    """Every so many days of the open weather, with radiation and dewpoint from temperatures."""
    for index, (date, row) in enumerate(seattle()):
        if index % every:
            continue
        day = date.timetuple().tm_yday
        tmin, tmax = row["temp_min"], row["temp_max"]
        most = clear_sky(SEATTLE_LATITUDE, SEATTLE_ELEVATION, day)
        ra = most / (0.75 + 2e-5 * SEATTLE_ELEVATION)
        yield {
            "latitude_deg": SEATTLE_LATITUDE,
            "elevation_m": SEATTLE_ELEVATION,
            "day": day,
            "tmin_c": tmin,
            "tmax_c": tmax,
            "vapour_pressure_kpa": round(saturation(tmin), 5),
            "solar_mj_m2": round(min(most, 0.16 * math.sqrt(tmax - tmin) * ra), 3),
            "wind_m_s": row["wind"],
            "wind_height_m": 10.0,
        }


def eto_refet():
    """Daily ASCE short-reference ET of refet, from vapour pressure."""
    days = []
    for day in station_days(seed=20240901, count=1200, latitude_most=66):
        damp = (saturation(day["tmin_c"]) * day.pop("rh_max_pct")
                + saturation(day["tmax_c"]) * day.pop("rh_min_pct")) / 200
        days.append(day | {"vapour_pressure_kpa": round(damp, 5)})
    days.extend(seattle_days(every=5))
    rows = []
    for number, day in enumerate(days, 1):
        result = refet.Daily(
            tmin=day["tmin_c"], tmax=day["tmax_c"], ea=day["vapour_pressure_kpa"],
            rs=day["solar_mj_m2"], uz=day["wind_m_s"], zw=day["wind_height_m"],
            elev=day["elevation_m"], lat=day["latitude_deg"], doy=day["day"],
            method="asce", rso_type="simple",
        )
        names = ["latitude_deg", "elevation_m", "day", "tmin_c", "tmax_c", "vapour_pressure_kpa",
                 "solar_mj_m2", "wind_m_s", "wind_height_m"]
        rows.append({"id": f"refet {number}"} | {name: day[name] for name in names}
                    | {"eto_mm": f"{float(numpy.ravel(result.eto())[0]):.6f}"})
    write("eto_refet.csv", rows)


def eto_pyfao56():
    """Daily ASCE short-reference ET of pyfao56, from relative humidity or dewpoint."""
    rng = random.Random(20240902)
    rows = []
    for number, day in enumerate(station_days(seed=20240903, count=1200, latitude_most=60), 1):
        humidity = {"rh_max_pct": day.pop("rh_max_pct"), "rh_min_pct": day.pop("rh_min_pct"),
                    "dewpoint_c": ""}
        kind = rng.choice(["both", "both", "max", "min", "dewpoint"])
        if kind == "max":
            humidity["rh_min_pct"] = ""
        elif kind == "min":
            # No damper than dew at dawn would leave the warmest hour; beyond that the library takes
            # a deficit below zero, which no air has.
            dew = 100 * saturation(day["tmin_c"]) / saturation(day["tmax_c"])
            least = round(min(humidity["rh_min_pct"], 0.99 * dew), 1)
            humidity = {"rh_max_pct": "", "rh_min_pct": least, "dewpoint_c": ""}
        elif kind == "dewpoint":
            humidity = {"rh_max_pct": "", "rh_min_pct": "",
                        "dewpoint_c": round(day["tmin_c"] - rng.uniform(0, 8), 2)}
        given = {name: math.nan if value == "" else value for name, value in humidity.items()}
        eto = ascedaily(
            "S", day["elevation_m"], day["latitude_deg"], day["day"], day["solar_mj_m2"],
            day["tmax_c"], day["tmin_c"], tdew=given["dewpoint_c"], rhmax=given["rh_max_pct"],
            rhmin=given["rh_min_pct"], wndsp=day["wind_m_s"], wndht=day["wind_height_m"],
        )
        rows.append({"id": f"pyfao56 {number}"} | day | humidity | {"eto_mm": f"{eto:.6f}"})
    write("eto_pyfao56.csv", rows)


def balance_pyfao56():
    """Daily soil water balance of pyfao56 over three years of the open weather.

    Its model splits the coefficient in two; with no evaporating layer (Ze = 0) and one growth stage
    the soil's part is zero, and what is left is FAO-56's single coefficient with stress.
    """
    runs = [
        # name, year, field capacity, wilting point, start, root depth, p, p fixed, coefficient
        ("loam", 2012, 0.30, 0.13, 0.25, 0.30, 0.40, False, 0.80),
        ("sand", 2013, 0.12, 0.05, 0.12, 0.40, 0.50, True, 0.75),
        ("clay", 2015, 0.36, 0.22, 0.24, 0.60, 0.50, False, 0.95),
    ]
    rows = []
    for name, year, capacity, wilting, start, depth, share, constant, coefficient in runs:
        sky, water = weather.Weather(), irrigation.Irrigation()
        sky.rfcrp, sky.z, sky.lat, sky.wndht = "S", SEATTLE_ELEVATION, SEATTLE_LATITUDE, 10.0
        given = {}
        for date, row in seattle():
            if date.year != year:
                continue
            day = date.timetuple().tm_yday
            ra = clear_sky(SEATTLE_LATITUDE, SEATTLE_ELEVATION, day) / (0.75 + 2e-5 * 130)
            tmin, tmax = row["temp_min"], row["temp_max"]
            eto = round(max(0.0, 0.0023 * (0.5 * (tmin + tmax) + 17.8)
                            * math.sqrt(tmax - tmin) * 0.408 * ra), 3)
            depth_mm = 14.0 if 150 <= day <= 260 and day % 4 == 0 else 0.0
            given[day] = (row["precipitation"], depth_mm, eto)
            key = f"{year:04d}-{day:03d}"
            sky.wdata.loc[key] = [math.nan, tmax, tmin, math.nan, math.nan, math.nan, 45.0, 2.0,
                                  row["precipitation"], eto, "M"]
            if depth_mm:
                water.addevent(year, day, depth_mm, 1.0)
        plant = parameters.Parameters(
            Kcmini=coefficient, Kcbini=coefficient, Lini=1000, thetaFC=capacity, thetaWP=wilting,
            theta0=start, Zrini=depth, Zrmax=depth, pbase=share, Ze=0.0,
        )
        account = model.Model(f"{year}-001", f"{year}-{max(given):03d}", plant, sky, irr=water,
                              cons_p=constant)
        account.run()
        total = 1000 * (capacity - wilting) * depth
        for (day, (rain, depth_mm, eto)), (_, out) in zip(given.items(), account.odata.iterrows()):
            assert out["E"] == 0.0, "the soil's own evaporation must be off"
            rows.append({
                "id": f"{name} {year} day {day}", "run": name, "total_mm": f"{total:.6f}",
                "start_mm": f"{1000 * (capacity - start) * depth:.6f}", "share": share,
                "adjusted": "no" if constant else "yes", "rain_mm": rain,
                "irrigation_mm": depth_mm, "full_use_mm": f"{coefficient * eto:.6f}",
                "stress": f"{out['Ks']:.6f}", "used_mm": f"{out['ETa']:.6f}",
                "drainage_mm": f"{out['DP']:.6f}", "depletion_mm": f"{out['Dr']:.6f}",
            })
    write("balance_pyfao56.csv", rows)


def lifetimes_lifelines():
    """Weibull fits and survival of lifelines: an open data set and invented samples."""
    waltons = lifelines.datasets.load_waltons()
    samples = [("waltons", list(waltons["T"]), list(waltons["E"]))]
    rng = random.Random(20240904)
    for number in range(1, 61):
        shape, scale = rng.uniform(0.8, 6), rng.uniform(8, 30)
        ages, events = [], []
        for _ in range(rng.randint(6, 60)):
            life, seen = rng.weibullvariate(scale, shape), rng.uniform(3, 35)
            ages.append(max(0.01, round(min(life, seen), 2)))
            events.append(int(life <= seen))
        if sum(events) >= 3:
            samples.append((f"sample {number}", ages, events))
    rows = []
    for name, ages, events in samples:
        # The default tolerance stops short of six digits.
        fit = lifelines.WeibullFitter()
        fit._scipy_fit_options = {"ftol": 1e-14, "gtol": 1e-10}
        fit.fit(ages, events)
        curve = lifelines.KaplanMeierFitter().fit(ages, events).survival_function_.iloc[:, 0]
        failed = sorted(age for age, event in zip(ages, events) if event)
        listed = sorted(set(failed))
        rows.append({
            "id": name,
            "failed": " ".join(map(str, failed)),
            "working": " ".join(str(age) for age, event in zip(ages, events) if not event),
            "shape": f"{fit.rho_:.6g}", "scale": f"{fit.lambda_:.6g}",
            "log_likelihood": f"{fit.log_likelihood_:.6f}",
            "survival": " ".join(f"{curve.loc[age]:.8f}" for age in listed),
        })
    write("lifetimes_lifelines.csv", rows)


def friction_wntr():
    """Head loss of EPANET (through wntr), and Darcy-Weisbach of fluids, for plastic pipe."""
    rows = []
    for schedule, label in [("40D1785", "schedule 40"), ("DR21D2241", "class 200")]:
        for size in [0.5, 0.75, 1, 1.25, 1.5, 2, 2.5, 3, 4]:
            try:
                inside = float(nearest_pipe(NPS=size, schedule=schedule)[1])
            except ValueError:
                continue
            for speed_ft_s in [1.5, 3.0, 4.5]:
                area = math.pi / 4 * inside**2
                flow_gpm = round(float(speed_ft_s * 0.3048 * area / 6.30901964e-5), 1)
                rows.append({
                    "id": f"{label} {size} in {flow_gpm} gpm", "flow_gpm": flow_gpm,
                    "inside_diameter_in": f"{inside / 0.0254:.3f}", "c": 150,
                    "network_solver_ft": f"{head_loss_ft(flow_gpm, inside, 150):.4f}",
                    "darcy_psi": f"{darcy_psi(flow_gpm, inside):.4f}",
                })
    write("friction_wntr.csv", rows)


def head_loss_ft(flow_gpm, inside_m, roughness):
    """Head lost over 100 ft of pipe, by EPANET."""
    network = wntr.network.WaterNetworkModel()
    network.options.hydraulic.headloss = "H-W"
    network.options.hydraulic.accuracy = 1e-6
    network.options.time.duration = 0
    network.add_reservoir("source", 100)
    network.add_junction("end", base_demand=flow_gpm * 6.30901964e-5, elevation=0.0)
    network.add_pipe("pipe", "source", "end", 30.48, inside_m, roughness)
    with tempfile.TemporaryDirectory() as scratch:
        result = wntr.sim.EpanetSimulator(network).run_sim(file_prefix=f"{scratch}/run")
    return (100 - float(result.node["head"].loc[0, "end"])) / 0.3048


def darcy_psi(flow_gpm, inside_m):
    """Pressure lost over 100 ft of smooth plastic pipe at 15.6 C, by Darcy-Weisbach."""
    speed = flow_gpm * 6.30901964e-5 / (math.pi / 4 * inside_m**2)
    reynolds = fluids.Reynolds(V=speed, D=inside_m, rho=999.0, mu=1.12e-3)
    factor = fluids.friction_factor(Re=reynolds, eD=1.5e-6 / inside_m)
    return factor * 30.48 / inside_m * 999.0 * speed**2 / 2 / 6894.757


if __name__ == "__main__":
    pandas.set_option("mode.chained_assignment", None)
    main()
