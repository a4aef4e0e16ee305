"""Computes again, without the program, the rows of these tables that no paper prints.

python3 testdata/engine/independent.py says how many rows it compared, and fails on
the first that differs. The formulas are the textbooks': Clopper and Pearson by
bisection of binomial tails, Fisher's exact test by counting tables, binomial and
Poisson stock by summing, Bayes' rule, Plank's equation, mass balance, and tape
weights. It uses exact fractions or the standard library alone.
"""

import csv
import math
import os
from fractions import Fraction

HERE = os.path.dirname(os.path.abspath(__file__))
MARK = "independent.py"


def rows(name):
    with open(os.path.join(HERE, name), encoding="utf-8", newline="") as f:
        lines = [line for line in f if not line.startswith("#")]
    return [r for r in csv.DictReader(lines) if MARK in r["source"]]


def choose(n, k):
    return math.comb(n, k)


def binomial_upto(k, n, p):
    return math.fsum(choose(n, i) * p**i * (1 - p) ** (n - i) for i in range(k + 1))


def root(f, low=0.0, high=1.0):
    for _ in range(200):
        mid = (low + high) / 2
        if f(mid) > 0:
            low = mid
        else:
            high = mid
    return low


def interval(x, n):
    low = 0.0 if x == 0 else root(lambda p: 0.025 - (1 - binomial_upto(x - 1, n, p)))
    high = 1.0 if x == n else root(lambda p: binomial_upto(x, n, p) - 0.025)
    one = 1.0 if x == n else root(lambda p: binomial_upto(x, n, p) - 0.05)
    return low, high, one


def exact(a, b, c, d):
    n, left, top = a + b + c + d, a + c, a + b
    p = [Fraction(choose(left, k) * choose(n - left, top - k), choose(n, top)) for k in range(min(left, top) + 1)]
    two = sum(q for q in p if q <= p[a])
    return float(two), float(sum(p[a:]))


def demand(n, rate, service):
    return next(k for k in range(n + 1) if binomial_upto(k, n, rate) >= service)


def steady(mean, service):
    p = lambda k: math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1))
    total, k = p(0), 0
    while total < service:
        k += 1
        total += p(k)
    short = math.fsum((i - k) * p(i) for i in range(k + 1, k + 400))
    return k, total, short, 1 - short / mean


def signals():
    for r in rows("signals.csv"):
        args = [float(r[f"in{i}"]) for i in range(1, 5) if r[f"in{i}"]]
        whole = [int(a) for a in args]
        got = {
            "interval": lambda: interval(*whole[:2]),
            "exact": lambda: exact(*whole),
            "demand": lambda: (demand(whole[0], args[1], args[2]),),
            "steady": lambda: steady(*args),
        }[r["method"]]()
        for i, value in enumerate(got):
            if r.get(f"out{i + 1}"):
                yield r, value, r[f"out{i + 1}"]


def tests():
    known = {("semi_quantitative_elisa", 4): (0.90, 0.79), ("semi_quantitative_elisa", 8): (0.95, 0.52),
             ("turbidimetric", 8): (0.85, 0.87), ("point_of_care_elisa", 4): (0.94, 1.0)}
    for r in rows("test.csv"):
        se, sp = known[r["kind"], int(r["cut_g_per_l"])]
        p = float(r["prevalence"])
        if r["lr_below"]:
            yield r, se / (1 - sp), r["lr_below"]
            yield r, (1 - se) / sp, r["lr_above"]
        yield r, se * p / (se * p + (1 - sp) * (1 - p)), r["ppv"]
        yield r, sp * (1 - p) / (sp * (1 - p) + (1 - se) * p), r["npv"]


def responses():
    for r in rows("response.csv"):
        rise = float(r["after_g_per_l"]) - float(r["before_g_per_l"])
        litres = float(r["given_ml"]) / 1000 * float(r["donor_igg_g_per_l"]) / rise
        yield r, litres, r["apparent_l"]
        if r["apparent_ml_per_kg"]:
            yield r, litres * 1000 / float(r["weight_kg"]), r["apparent_ml_per_kg"]


def proteins():
    for r in rows("protein.csv"):
        short = float(r["target_tp_g_per_l"]) - float(r["tp_g_per_l"])
        plasma = 0.045 * float(r["weight_kg"]) * short / float(r["donor_tp_g_per_l"])
        for name, factor in (("low", 1), ("mid", 2), ("high", 3)):
            yield r, plasma * factor, r[name]


def tapes():
    for r in rows("weigh.csv"):
        g = float(r["girth_cm"])
        kg = 90 * (g / 100) ** 3 if r["kind"] == "foal" else g * g * float(r["length_cm"]) / 11900
        yield r, kg, r["weight_kg"]


def plank():
    shape = {"slab": (1 / 2, 1 / 8), "sphere": (1 / 6, 1 / 24)}
    for r in rows("thaw_plank.csv"):
        p, q = shape[r["shape"]]
        d, h, k = float(r["mm"]) / 1000, float(r["h_w_per_m2k"]), float(r["k_w_per_mk"])
        latent = float(r["kg_per_m3"]) * float(r["latent_j_per_kg"])
        yield r, latent / float(r["kelvin"]) * (p * d / h + q * d * d / k), r["seconds"]


PLASMA = {"melt": 306.82, "frozen": 2.05, "thawed": 3.93, "at": -0.54}


def heats():
    for r in rows("thaw_heat.csv"):
        water, warm, plasma = float(r["water_kg"]), float(r["water_c"]), float(r["plasma_kg"])
        melt = plasma * (PLASMA["frozen"] * (PLASMA["at"] + 20) + PLASMA["melt"])
        spare = water * 4.186 * (warm - PLASMA["at"]) - melt
        yield r, melt, r["melt_kj"]
        yield r, PLASMA["at"] + spare / (water * 4.186 + plasma * PLASMA["thawed"]), r["end_c"]
        yield r, melt + plasma * PLASMA["thawed"] * (37 - PLASMA["at"]), r["heat_to_37_kj"]


def kinetics():
    for r in rows("mkt.csv"):
        each = [float(c) + 273.15 for c in r["celsius"].split()]
        mean = math.fsum(math.exp(-10000 / k) for k in each) / len(each)
        yield r, 10000 / -math.log(mean) - 273.15, r["mean_kinetic_c"]


def grids():
    for r in rows("thaw_grid.csv"):
        d = float(r["mm"]) / 1000
        for name in r:
            if name.startswith("h") and name[1:].isdigit():
                seconds = 1026 * PLASMA["melt"] * 1000 / (37 - PLASMA["at"]) * (d / 2 / float(name[1:]) + d * d / 8 / 0.57)
                yield r, seconds / 60, r[name]


def main():
    compared = 0
    for table in (signals, tests, responses, proteins, tapes, plank, heats, grids, kinetics):
        for row, value, printed in table():
            digits = len(printed.split(".")[1]) if "." in printed else 0
            within = max(0.51 * 10**-digits, abs(float(printed)) * (0.002 if "within" in row else 0))
            assert abs(value - float(printed)) <= within, (table.__name__, row, value, printed)
            compared += 1
    assert compared > 100, compared
    print(compared, "numbers compared")


main()
