"""Writes the check tables of coverage, pipe networks and wear from independent computations.

    python3 -m venv /tmp/reference
    /tmp/reference/bin/pip install -r tests/reference/requirements.txt
    /tmp/reference/bin/python tests/reference/make_field_tables.py

As in make_tables.py the libraries compute and Headwalk's tests read what they printed. Two runs
write the same bytes.
"""

import csv
import math
import random
import tempfile
from pathlib import Path

import lifelines
import lifelines.datasets
import numpy
import pandas
import reliability.Datasets
import reliability.Fitters
import reliability.Nonparametric
import scipy.stats
import wntr

TABLES = Path(__file__).resolve().parents[2] / "fixtures" / "tables"


def main():
    coverage_numeric()
    network_wntr()
    lives_entered()
    survival_bounds()
    failure_rates()


def write(name, rows):
    """Writes rows (dicts of one shape) as a table."""
    with open(TABLES / name, "w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    print(f"{name}: {len(rows)} rows")


# --- coverage -------------------------------------------------------------------------------

def grid_of_heads(columns, rows, spacing, radius, full, stagger=0.0):
    """A rectangle of heads: corners a quarter, edges a half, flows in proportion to arc."""
    for row in range(rows):
        for column in range(columns):
            east = (column == 0) - (column == columns - 1)
            north = (row == 0) - (row == rows - 1)
            arc = 90 if east and north else 180 if east or north else 360
            facing = math.degrees(math.atan2(east, north)) % 360 if east or north else 0.0
            shift = stagger if row % 2 else 0.0
            yield (column * spacing + shift, row * spacing, round(facing), arc, radius,
                   round(full * arc / 360, 4))


def rectangle(wide, deep):
    return [(0, 0), (wide, 0), (wide, deep), (0, deep)]


def inside(corners, east, north):
    """Which of many places lie inside an outline, by winding number (not by crossings)."""
    angle = numpy.zeros_like(east)
    for (e0, n0), (e1, n1) in zip(corners, corners[1:] + corners[:1]):
        a = numpy.arctan2(n0 - north, e0 - east)
        b = numpy.arctan2(n1 - north, e1 - east)
        turn = b - a
        angle += (turn + math.pi) % (2 * math.pi) - math.pi
    return numpy.abs(angle) > math.pi


def rate_at(heads, profile, east, north):
    """Rate in in/h at many places, by bearings (not by cosines)."""
    rate = numpy.zeros_like(east)
    for e, n, facing, arc, radius, flow in heads:
        distance = numpy.hypot(east - e, north - n)
        bearing = numpy.degrees(numpy.arctan2(east - e, north - n))
        off = numpy.abs((bearing - facing + 180) % 360 - 180)
        share = distance / radius
        height = 1 - share if profile == "falling" else numpy.ones_like(share)
        whole = scipy.integrate.quad(
            lambda s: ((1 - s) if profile == "falling" else 1.0) * s, 0, 1)[0]
        one = 231 * 60 / 144 * flow / (math.radians(arc) * radius**2 * whole)
        rate += numpy.where((share <= 1) & (off <= arc / 2), one * height, 0.0)
    return rate


def coverage_numeric():
    """Mean, lowest quarter and overspray over a lawn, by a million low-discrepancy places."""
    ell = [(0, 0), (60, 0), (60, 30), (30, 30), (30, 60), (0, 60)]
    layouts = [
        ("square of quarters", "falling", list(grid_of_heads(2, 2, 15, 15, 3.7)),
         rectangle(15, 15)),
        ("3 by 4 spray", "falling", list(grid_of_heads(4, 3, 15, 15, 3.74)), rectangle(45, 30)),
        ("3 by 4 spray, even profile", "even", list(grid_of_heads(4, 3, 15, 15, 3.74)),
         rectangle(45, 30)),
        ("throws too short", "falling", list(grid_of_heads(4, 3, 15, 10.5, 3.74)),
         rectangle(45, 30)),
        ("throws too long", "falling", list(grid_of_heads(4, 3, 12, 15, 3.74)),
         rectangle(36, 24)),
        ("staggered rotors", "falling", list(grid_of_heads(4, 4, 30, 30, 4.0, stagger=15)),
         rectangle(105, 90)),
        ("one head gone", "falling", [head for at, head in
         enumerate(grid_of_heads(4, 3, 15, 15, 3.74)) if at != 5], rectangle(45, 30)),
        ("one head turned", "falling", [(e, n, f + 90 if at == 1 else f, a, r, q) for
         at, (e, n, f, a, r, q) in enumerate(grid_of_heads(4, 3, 15, 15, 3.74))],
         rectangle(45, 30)),
        ("an ell", "falling", [
            (0, 0, 45, 90, 30, 1.0), (30, 0, 0, 180, 30, 2.0), (60, 0, 315, 90, 30, 1.0),
            (60, 30, 225, 90, 30, 1.0), (30, 30, 225, 270, 30, 3.0), (30, 60, 225, 90, 30, 1.0),
            (0, 60, 135, 90, 30, 1.0), (0, 30, 90, 180, 30, 2.0)], ell),
        ("two heads, a long strip", "falling", [
            (0, 0, 45, 90, 14, 0.9), (30, 0, 315, 90, 14, 0.9)], rectangle(30, 12)),
    ]
    rows = []
    for name, profile, heads, lawn in layouts:
        reach = max(head[4] for head in heads)
        low = [min(head[axis] for head in heads) - reach for axis in (0, 1)]
        high = [max(head[axis] for head in heads) + reach for axis in (0, 1)]
        low = [min(low[axis], *(corner[axis] for corner in lawn)) for axis in (0, 1)]
        high = [max(high[axis], *(corner[axis] for corner in lawn)) for axis in (0, 1)]
        spread = scipy.stats.qmc.Sobol(2, scramble=True, seed=20261125).random_base2(20)
        east = low[0] + spread[:, 0] * (high[0] - low[0])
        north = low[1] + spread[:, 1] * (high[1] - low[1])
        rate = rate_at(heads, profile, east, north)
        lawn_rates = numpy.sort(rate[inside(lawn, east, north)])
        quarter = lawn_rates[: round(len(lawn_rates) / 4)]
        rows.append({
            "id": name, "profile": profile,
            "heads": " ".join(f"{number:g}" for head in heads for number in head),
            "lawn": " ".join(f"{number:g}" for corner in lawn for number in corner),
            "du_lq": f"{quarter.mean() / lawn_rates.mean():.5f}",
            "mean_in_h": f"{lawn_rates.mean():.5f}",
            "overspray": f"{1 - lawn_rates.sum() / rate.sum():.5f}",
        })
    write("coverage_numeric.csv", rows)


# --- pipe networks --------------------------------------------------------------------------

GPM = 6.30901964e-5
PSI_M = 0.3048 / 0.433  # metres of water in a psi, at the 0.433 psi a foot that Headwalk uses


def network_wntr():
    """Pressures of EPANET (through wntr) on series and branched layouts, with fixed and with
    pressure-driven outlets. One line an outlet; a pipe ends in each."""
    class_200 = {"3/4": 0.930, "1": 1.189, "1-1/4": 1.502, "1-1/2": 1.720, "2": 2.149}
    layouts = {
        # name: static psi, [(node, from, length ft, size, rise ft, gpm at 30 psi)]
        "series of six": (60, [("main", "supply", 120, "1-1/4", 2, 0)] + [
            (f"h{n}", "main" if n == 1 else f"h{n - 1}", 15, "1", 0.5 * n, 1.85)
            for n in range(1, 7)]),
        "series downhill": (45, [("main", "supply", 200, "1", -10, 0)] + [
            (f"h{n}", "main" if n == 1 else f"h{n - 1}", 30, "1", -10 - 2 * n, 3.0)
            for n in range(1, 5)]),
        "branched, two laterals": (70, [
            ("main", "supply", 150, "1-1/2", 0, 0), ("tee", "main", 20, "1-1/4", 1, 0),
            ("a1", "tee", 15, "1", 1, 2.0), ("a2", "a1", 15, "1", 2, 2.0),
            ("a3", "a2", 15, "3/4", 3, 2.0), ("b1", "tee", 25, "1", 1, 1.0),
            ("b2", "b1", 25, "3/4", 4, 1.0)]),
        "branched, comb": (65, [("main", "supply", 180, "2", 4, 0)] + [
            item for n in range(1, 5) for item in (
                (f"t{n}", "main" if n == 1 else f"t{n - 1}", 15, "1-1/2", 4, 0),
                (f"e{n}", f"t{n}", 12, "1", 4, 1.9), (f"w{n}", f"t{n}", 14, "1", 4, 3.7))]),
    }
    rows = []
    for layout, (static, nodes) in layouts.items():
        for kind in ("fixed", "nozzle"):
            found = solved(static, nodes, class_200, kind)
            for node, parent, length, size, rise, flow in nodes:
                psi, gpm = found[node]
                rows.append({
                    "id": f"{layout}, {kind}, {node}", "layout": layout, "kind": kind,
                    "static_psi": static, "node": node, "from": parent, "length_ft": length,
                    "inside_diameter_in": class_200[size], "rise_ft": rise,
                    "flow_gpm": flow, "psi": f"{psi:.4f}", "outlet_gpm": f"{gpm:.4f}",
                })
    write("network_wntr.csv", rows)


def solved(static, nodes, diameters, kind):
    """Pressure in psi and outflow in gpm at each node, by EPANET."""
    network = wntr.network.WaterNetworkModel()
    network.options.hydraulic.headloss = "H-W"
    network.options.hydraulic.accuracy = 1e-8
    network.options.hydraulic.trials = 200
    network.options.time.duration = 0
    network.add_reservoir("supply", static * PSI_M)
    for node, _, _, _, rise, flow in nodes:
        demand = flow * GPM if kind == "fixed" else 0.0
        network.add_junction(node, base_demand=demand, elevation=rise * 0.3048)
        if kind == "nozzle" and flow:
            # q = c sqrt(p), p in metres of water.
            network.get_node(node).emitter_coefficient = flow * GPM / math.sqrt(30 * PSI_M)
    for node, parent, length, size, _, _ in nodes:
        network.add_pipe(f"p-{node}", parent, node, length * 0.3048, diameters[size] * 0.0254, 150)
    with tempfile.TemporaryDirectory() as scratch:
        result = wntr.sim.EpanetSimulator(network).run_sim(file_prefix=f"{scratch}/run")
    found = {}
    for node, *_, flow in nodes:
        psi = float(result.node["pressure"].loc[0, node]) / PSI_M
        out = flow if kind == "fixed" else flow * math.sqrt(max(psi, 0) / 30)
        found[node] = (psi, out)
    return found


# --- wear -----------------------------------------------------------------------------------

def fit_weibull(ages, events, entry=None):
    fit = lifelines.WeibullFitter()
    # The default tolerance stops short of six digits.
    fit._scipy_fit_options = {"ftol": 1e-14, "gtol": 1e-10}
    fit.fit(ages, events, entry=entry)
    return fit


def lives_entered():
    """Weibull and survival of lifelines for lives seen only from an age on (left-truncated): an
    open data set of the package, and invented valves."""
    samples = []
    # multicenter_aids_cohort: entry and exit of each person.
    cohort = lifelines.datasets.load_multicenter_aids_cohort_study()
    late = cohort[cohort["T"] > cohort["W"]]
    samples.append(("multicenter cohort", list(late["T"].round(4)), list(late["D"]),
                    list(late["W"].round(4))))
    rng = random.Random(20261125)
    while len(samples) < 25:
        shape, scale = rng.uniform(1.2, 5), rng.uniform(8, 25)
        ages, events, entries = [], [], []
        for _ in range(rng.randint(30, 90)):
            life, entry = rng.weibullvariate(scale, shape), rng.uniform(0, 14)
            seen = entry + rng.uniform(2, 12)
            if life <= entry:
                continue
            ages.append(round(min(life, seen), 2))
            events.append(int(life <= seen))
            entries.append(round(entry, 2))
        kept = [(a, e, w) for a, e, w in zip(ages, events, entries) if a > w]
        if sum(event for _, event, _ in kept) >= 8:
            samples.append((f"entered {len(samples)}", *map(list, zip(*kept))))
    rows = []
    for name, ages, events, entries in samples:
        fit = fit_weibull(ages, events, entries)
        curve = lifelines.KaplanMeierFitter().fit(ages, events, entry=entries)
        table = curve.survival_function_.iloc[:, 0]
        failed = sorted({age for age, event in zip(ages, events) if event})
        rows.append({
            "id": name, "ages": " ".join(map(str, ages)),
            "failed": " ".join(str(int(event)) for event in events),
            "entered": " ".join(map(str, entries)),
            "shape": f"{fit.rho_:.6g}", "scale": f"{fit.lambda_:.6g}",
            "log_likelihood": f"{fit.log_likelihood_:.6f}",
            "survival": " ".join(f"{table.loc[age]:.8f}" for age in failed),
        })
    write("lifetimes_entered.csv", rows)


def survival_bounds():
    """95 % bounds of survival by lifelines (log-log of Greenwood) and Weibull fits by the package
    reliability, on data sets that these packages carry."""
    waltons = lifelines.datasets.load_waltons()
    gehan = lifelines.datasets.load_gehan_survival() if hasattr(
        lifelines.datasets, "load_gehan_survival") else None
    leukemia = lifelines.datasets.load_leukemia()
    automotive = reliability.Datasets.automotive()
    defective = reliability.Datasets.defective_sample()
    samples = [
        ("lifelines waltons", list(waltons["T"]), list(waltons["E"])),
        ("lifelines leukemia", list(leukemia["t"]), list(leukemia["status"])),
        ("reliability automotive", list(automotive.failures) + list(automotive.right_censored),
         [1] * len(automotive.failures) + [0] * len(automotive.right_censored)),
        ("reliability defective sample",
         list(defective.failures) + list(defective.right_censored),
         [1] * len(defective.failures) + [0] * len(defective.right_censored)),
    ]
    if gehan is not None:
        samples.append(("lifelines gehan", list(gehan["t"]), list(gehan["cens"])))
    rows = []
    for name, ages, events in samples:
        # Kilometres and days become numbers that a life in years may have.
        factor = 1.0 if max(ages) <= 200 else 100.0 / max(ages)
        ages = [round(age * factor, 4) for age in ages]
        curve = lifelines.KaplanMeierFitter().fit(ages, events)
        bounds = curve.confidence_interval_survival_function_
        failed = [age for age, event in zip(ages, events) if event]
        listed = sorted(set(failed))
        other = reliability.Fitters.Fit_Weibull_2P(
            failures=failed, right_censored=[a for a, e in zip(ages, events) if not e],
            show_probability_plot=False, print_results=False)
        rows.append({
            "id": name, "failed": " ".join(map(str, failed)),
            "working": " ".join(str(age) for age, event in zip(ages, events) if not event),
            "survival": " ".join(f"{curve.survival_function_.iloc[:, 0].loc[a]:.8f}"
                                 for a in listed),
            "low": " ".join(f"{bounds.iloc[:, 0].loc[a]:.8f}" for a in listed),
            "high": " ".join(f"{bounds.iloc[:, 1].loc[a]:.8f}" for a in listed),
            "reliability_shape": f"{other.beta:.6g}", "reliability_scale": f"{other.alpha:.6g}",
        })
    write("lifetimes_bounds.csv", rows)


def failure_rates():
    """Exact 95 % bounds of a count in an exposure (Garwood), and of the ratio of two rates
    (conditional on their sum, Clopper-Pearson), by scipy."""
    rows = []
    for failures, years in [(0, 12.5), (1, 4.0), (2, 40.0), (5, 31.2), (9, 88.0), (20, 150.0),
                            (75, 400.0)]:
        low = scipy.stats.chi2.ppf(0.025, 2 * failures) / 2 if failures else 0.0
        high = scipy.stats.chi2.ppf(0.975, 2 * failures + 2) / 2
        rows.append({"id": f"{failures} in {years}", "failures": failures, "years": years,
                     "other_failures": "", "other_years": "", "low": f"{low / years:.8f}",
                     "high": f"{high / years:.8f}"})
    for a, ya, b, yb in [(3, 10.0, 4, 40.0), (9, 50.0, 2, 60.0), (5, 20.0, 5, 20.0),
                         (12, 33.0, 1, 80.0), (2, 100.0, 9, 90.0)]:
        found = scipy.stats.binomtest(a, a + b).proportion_ci(0.95, method="exact")
        ratio = [share / (1 - share) * yb / ya if share < 1 else math.inf
                 for share in (found.low, found.high)]
        rows.append({"id": f"{a} in {ya} to {b} in {yb}", "failures": a, "years": ya,
                     "other_failures": b, "other_years": yb, "low": f"{ratio[0]:.8f}",
                     "high": f"{ratio[1]:.8f}"})
    write("failure_rates.csv", rows)


if __name__ == "__main__":
    pandas.set_option("mode.chained_assignment", None)
    main()
