"""Reads samples as JSON from standard input and writes what numpy and scipy make of them."""

import json
import sys

import numpy
from scipy import optimize, stats


def quantiles(case):
    values, shares = case["values"], case["shares"]
    return {
        "inverted_cdf": [int(numpy.quantile(values, p, method="inverted_cdf")) for p in shares],
        "linear": [float(numpy.quantile(values, p, method="linear")) for p in shares],
        "median": float(numpy.median(values)),
    }


def mann_whitney(case):
    method = "exact" if case["exact"] else "asymptotic"
    found = stats.mannwhitneyu(case["a"], case["b"], method=method)
    return {"u": float(found.statistic), "p": float(found.pvalue)}


def median_ranks(n):
    """The largest r with P(r <= X <= n - r) >= 0.95, and that probability."""
    half = stats.binom(n, 0.5)
    best = None
    for r in range(1, n // 2 + 1):
        coverage = float(half.cdf(n - r) - half.cdf(r - 1))
        if coverage >= 0.95:
            best = [r, coverage]
    return best


def line(case):
    x, y = numpy.array(case["x"]), numpy.array(case["y"])
    found = stats.linregress(x, y)
    residuals = y - found.intercept - found.slope * x
    n = len(x)
    deviation = numpy.sqrt((residuals**2).sum() / (n - 2))
    spread = 1 + 1 / n + (case["at"] - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum()
    reach = stats.t.ppf(0.975, n - 2) * deviation * numpy.sqrt(spread)
    different = sorted(set(case["x"]))
    means = {one: y[x == one].mean() for one in different}
    within = sum(((y[x == one] - means[one]) ** 2).sum() for one in different)
    between = sum(
        (x == one).sum() * (means[one] - found.intercept - found.slope * one) ** 2
        for one in different
    )
    above, below = len(different) - 2, n - len(different)
    f = (between / above) / (within / below)
    return {
        "slope": float(found.slope),
        "intercept": float(found.intercept),
        "slope_error": float(found.stderr),
        "intercept_error": float(found.intercept_stderr),
        "predicted": float(found.intercept + found.slope * case["at"]),
        "reach": float(reach),
        "f": float(f),
        "p": float(stats.f.sf(f, above, below)),
    }


def proportion(case):
    found = stats.binomtest(case["hits"], case["trials"]).proportion_ci(0.95, method="exact")
    return [float(found.low), float(found.high)]


def skew(case):
    """The linear program of Moon, Skelly and Towsley: minimise the distances above a line below all."""
    t, d = numpy.array(case["t"]), numpy.array(case["d"])
    rows = numpy.column_stack([t, numpy.ones_like(t)])
    goal = [-t.sum(), -float(len(t))]
    found = optimize.linprog(goal, A_ub=rows, b_ub=d, bounds=[(None, None)] * 2, method="highs")
    return {"slope": float(found.x[0]), "floor": float(found.x[1])}


def main():
    asked = json.load(sys.stdin)
    json.dump(
        {
            "quantiles": [quantiles(case) for case in asked["quantiles"]],
            "mann_whitney": [mann_whitney(case) for case in asked["mann_whitney"]],
            "median_ranks": [median_ranks(n) for n in asked["median_ranks"]],
            "student": [float(stats.t.ppf(p, n)) for p, n in asked["student"]],
            "lines": [line(case) for case in asked["lines"]],
            "proportions": [proportion(case) for case in asked["proportions"]],
            "skews": [skew(case) for case in asked["skews"]],
        },
        sys.stdout,
    )


main()
