"""What scipy and statsmodels do where validation/stats has code of its own: digits, coverage and time, measured.

Not part of the test suite. `python tests/libraries.py` measures the rows of the table in docs/libraries.md again (four
to six minutes on one processor) and prints them; `python tests/libraries.py WORD` those whose name holds the word.
"""

from __future__ import annotations

import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from decimal import Decimal
from fractions import Fraction
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from scipy import integrate, linalg, optimize, special, stats

from validation.selftest import numerics
from validation.stats import (
    deming,
    distributions,
    intervals,
    mixed_model,
    one_way,
    passing_bablok,
    precision_model,
    regression,
    robust,
    ruggedness,
    sample_size,
    slope_ratio,
    straightness,
    trueness,
    two_level_designs,
    two_means,
    variance_function,
    within_cells,
    york,
)
from validation.stats.confidence import NormalPercentile, Share
from validation.stats.detection import noncentrality, run_component
from validation.stats.estimate import centre, mean
from validation.stats.outliers import grubbs_single_critical

REFERENCE = Path(__file__).parent / "reference"
Row = Callable[[], Sequence[str]]
ROWS: dict[str, Row] = {}


def row(name: str) -> Callable[[Row], Row]:
    def kept(function: Row) -> Row:
        ROWS[name] = function
        return function

    return kept


def took(function: Callable[[], object], *, repeats: int = 7) -> float:
    """Milliseconds of one call, the best of some."""
    function()
    best, calls = np.inf, 1
    for _ in range(repeats):
        start = time.perf_counter()
        for _ in range(calls):
            function()
        spent = (time.perf_counter() - start) / calls
        best, calls = min(best, spent), max(1, min(1000, int(0.02 / max(spent, 1e-9))))
    return best * 1e3


def apart(first: Any, second: Any) -> float:
    """Largest relative difference from the second."""
    a, b = np.asarray(first, dtype=float).ravel(), np.asarray(second, dtype=float).ravel()
    return float(np.max(np.abs(a - b) / np.maximum(np.abs(b), 1e-300)))


def reference(name: str) -> Any:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def exact_fit(design: np.ndarray, y: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weighted least squares of these doubles in rational arithmetic, rounded once."""
    rows = [[Fraction(float(value)) for value in line] for line in design]
    ys, ws = ([Fraction(float(value)) for value in column] for column in (y, weights))
    p = len(rows[0])
    left = [[sum(w * r[i] * r[j] for w, r in zip(ws, rows, strict=True)) for j in range(p)] for i in range(p)]
    right = [sum(w * r[i] * v for w, r, v in zip(ws, rows, ys, strict=True)) for i in range(p)]
    table = [[*line, value] for line, value in zip(left, right, strict=True)]
    for i in range(p):
        pivot = next(k for k in range(i, p) if table[k][i] != 0)
        table[i], table[pivot] = table[pivot], table[i]
        table[i] = [value / table[i][i] for value in table[i]]
        for k in range(p):
            if k != i:
                table[k] = [a - table[k][i] * b for a, b in zip(table[k], table[i], strict=True)]
    return np.array([float(line[-1]) for line in table])


@row("start: what importing statsmodels costs")
def _imports() -> list[str]:
    modules = ["regression.linear_model", "regression.mixed_linear_model", "stats.proportion", "stats.power", "api"]
    code = (
        "import time, numpy, scipy.special; start = time.perf_counter(); "
        "import scipy.stats; print(time.perf_counter() - start)"
    )
    lines = [f"scipy.stats, after scipy.special: {_fastest(code):.3f} s"]
    for module in modules:
        code = (
            "import time, numpy, pandas, scipy.stats, scipy.optimize; start = time.perf_counter(); "
            f"import statsmodels.{module}; print(time.perf_counter() - start)"
        )
        lines.append(f"statsmodels.{module}: {_fastest(code):.3f} s")
    return lines


def _fastest(code: str) -> float:
    runs = (subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True) for _ in range(5))
    return min(float(run.stdout) for run in runs)


# --- what the libraries do now ----------------------------------------------------------------------------------------


@row("confidence.Share")
def _share() -> list[str]:
    from statsmodels.stats.proportion import proportion_confint

    cases = [(k, n, level) for k, n in ((1, 10), (3, 40), (19, 20), (500, 1000)) for level in (0.5, 0.9, 0.95)]
    beta = [
        (special.betaincinv(k, n - k + 1, (1 - c) / 2), special.betaincinv(k + 1, n - k, (1 + c) / 2))
        for k, n, c in cases
    ]
    binom = [stats.binomtest(k, n).proportion_ci(c) for k, n, c in cases]
    return [
        f"own from the beta quantiles: {apart([Share(*case[:2]).interval(case[2]) for case in cases], beta):.0e}, "
        f"statsmodels {apart([proportion_confint(k, n, 1 - c, 'beta') for k, n, c in cases], beta):.0e}",
        f"scipy binomtest from them: {apart([(ci.low, ci.high) for ci in binom], beta):.0e}",
        f"own {took(lambda: Share(3, 40).interval(0.95)):.3f} ms, "
        f"statsmodels {took(lambda: proportion_confint(3, 40, alpha=0.05, method='beta')):.2f} ms, "
        f"binomtest {took(lambda: stats.binomtest(3, 40).proportion_ci()):.2f} ms",
    ]


@row("confidence.NormalPercentile")
def _percentile() -> list[str]:
    cases = [(n, k, c) for n in (3, 8, 20, 100) for k in (0.0, 1.96, 10.0) for c in (0.5, 0.95, 0.99)]
    slow = []
    for n, k, c in cases:
        slow.append([stats.nct.ppf(p, n - 1, k * sqrt(n)) / sqrt(n) for p in intervals.tails(c)])
    ours = [NormalPercentile(0.0, 1.0, n, k).interval(c) for n, k, c in cases]
    return [
        f"special.nctdtrit from stats.nct.ppf: {float(np.max(np.abs(np.array(ours) - np.array(slow)))):.0e}",
        f"special.nctdtrit {took(lambda: special.nctdtrit(9, 3.0, 0.9)) * 1e3:.0f} us, "
        f"stats.nct.ppf {took(lambda: stats.nct.ppf(0.9, 9, 3.0)) * 1e3:.0f} us",
    ]


@row("sample_size.units_for_mean_bound")
def _mean_bound() -> list[str]:
    from statsmodels.stats.power import TTestPower

    cases = [(d, n) for d in (0.1, 0.5, 2.0) for n in (2, 5, 30, 400)]
    typed = [stats.nct.sf(stats.t.ppf(0.95, n - 1), n - 1, d * sqrt(n)) for d, n in cases]
    power = [TTestPower().power(d, n, 0.05, alternative="larger") for d, n in cases]
    size = TTestPower().solve_power(nobs=13, alpha=0.05, power=0.9, alternative="larger")
    return [
        f"TTestPower.power from the non-central t typed out: {apart(power, typed):.0e}",
        f"its solve_power, effect for 13 units: {apart(size * sqrt(13), noncentrality(12, beta=0.1)):.0e} off",
    ]


@row("sample_size.equivalence_power")
def _equivalence() -> list[str]:
    cases = [(d, sd, n) for d in (0.0, 0.3, 0.6) for sd in (0.2, 0.5, 1.0, 3.0) for n in (2, 3, 5, 8, 20, 100, 2000)]
    ours = np.array([sample_size.equivalence_power(d, sd, n, 1.0, alpha=0.05) for d, sd, n in cases])
    sure = np.array([_equivalence_by_quad(*case) for case in cases])
    slices = np.array([_equivalence_by_slices(*case) for case in cases])
    return [
        f"scipy fixed_quad, 60 points, from scipy quad: {np.abs(ours - sure).max():.0e}; 200 slices, as before: "
        f"{np.abs(slices - sure).max():.0e}",
        f"fixed_quad {took(lambda: sample_size.equivalence_power(0.3, 0.5, 20, 1.0, alpha=0.05)):.2f} ms, "
        f"200 slices {took(lambda: _equivalence_by_slices(0.3, 0.5, 20)):.2f} ms, "
        f"quad {took(lambda: _equivalence_by_quad(0.3, 0.5, 20)):.1f} ms",
    ]


def _equivalence_by_slices(difference: float, sd: float, units: int) -> float:
    df, error = units - 1, sd / sqrt(units)
    s = sd * np.sqrt(stats.chi2.ppf((np.arange(200) + 0.5) / 200, df) / df)
    room = 1.0 - stats.t.ppf(0.95, df) * s / sqrt(units)
    inside = stats.norm.cdf((room - difference) / error) - stats.norm.cdf((-room - difference) / error)
    return float(np.mean(np.where(room > 0, inside, 0.0)))


def _equivalence_by_quad(difference: float, sd: float, units: int) -> float:
    df, error = units - 1, sd / sqrt(units)
    half = special.stdtrit(df, 0.95) * error
    top = min(df / half**2, stats.chi2.isf(1e-16, df))
    low = min(stats.chi2.ppf(1e-16, df), top)

    def density(x: float) -> float:
        room = 1.0 - half * sqrt(x / df)
        inside = special.ndtr((room - difference) / error) - special.ndtr((-room - difference) / error)
        return float(inside * stats.chi2.pdf(x, df))

    at = [min(top, max(low, df - 1.0))]
    return float(integrate.quad(density, low, top, epsabs=1e-13, epsrel=1e-12, limit=500, points=at)[0])


@row("detection.run_component")
def _run_component() -> list[str]:
    ours = theirs = 0.0
    for item in numerics.datasets(REFERENCE):
        if item.one_way:
            values = [value for group in item.groups for value in group]
            codes = [code for code, group in enumerate(item.groups) for _ in group]
            pair = run_component(values, codes)
            assert pair is not None
            small = centre(values)[1]
            groups = [small[np.array(codes) == code] for code in range(len(item.groups))]
            certified = float(item.certified["F"])
            ours, theirs = (
                max(ours, apart(pair[0], certified)),
                max(theirs, apart(stats.f_oneway(*groups)[0], certified)),
            )
    return [
        f"from the certified F of eleven NIST sets: own {ours:.0e}, scipy f_oneway on exact differences {theirs:.0e}"
    ]


@row("detection.noncentrality")
def _noncentrality() -> list[str]:
    dfs = (1, 2, 4, 9, 30, 200, 10_000)
    ts = [special.stdtrit(df, 0.95) for df in dfs]
    ours, theirs = (
        [noncentrality(df) for df in dfs],
        [special.nctdtrinc(df, 0.05, t) for df, t in zip(dfs, ts, strict=True)],
    )
    left = max(abs(special.nctdtr(df, d, t) - 0.05) for df, d, t in zip(dfs, ours, ts, strict=True))
    missed = max(abs(special.nctdtr(df, d, t) - 0.05) for df, d, t in zip(dfs, theirs, ts, strict=True))
    return [
        f"what is left of the equation: own root {left:.0e}, special.nctdtrinc {missed:.0e} "
        f"(the values differ by {apart(theirs, ours):.0e})",
        f"own {took(lambda: noncentrality(9)) * 1e3:.0f} us, "
        f"nctdtrinc {took(lambda: special.nctdtrinc(9, 0.05, 1.83)) * 1e3:.0f} us",
    ]


@row("trueness.bias_line, the line of a run")
def _run_line() -> list[str]:
    from statsmodels.regression.linear_model import WLS

    random, x = np.random.default_rng(1), np.array([0.5, 1, 2, 4, 6, 8, 10])
    design, w = np.column_stack([np.ones(7), x]), 1 / (0.03 + 0.02 * x) ** 2
    worst = {"polyfit": 0.0, "WLS": 0.0, "by hand": 0.0}
    for _ in range(200):
        y = random.normal(0, 0.05, 7) + 0.02 * x
        sure = exact_fit(design, y, w)
        mx, my = np.average(x, weights=w), np.average(y, weights=w)
        slope = (w * (x - mx) * (y - my)).sum() / (w * (x - mx) ** 2).sum()
        fits = {
            "polyfit": trueness._line(x, y, w),
            "WLS": WLS(y, design, w).fit().params,
            "by hand": [my - slope * mx, slope],
        }
        worst = {name: max(worst[name], apart(fit, sure)) for name, fit in fits.items()}
    return [
        "from rational arithmetic: " + ", ".join(f"{name} {value:.0e}" for name, value in worst.items()),
        f"polyfit {took(lambda: trueness._line(x, y, w)):.2f} ms, WLS "
        f"{took(lambda: WLS(y, design, w).fit().params):.2f} ms",
    ]


@row("slope_ratio, the fit of several lines")
def _lines() -> list[str]:
    from statsmodels.regression.linear_model import WLS

    random = np.random.default_rng(2)
    x, line = np.tile(np.repeat([0.5, 2, 5, 10], 2), 3), np.repeat(["a", "b", "c"], 8).astype(object)
    w = 1 / (0.03 + 0.02 * x) ** 2
    which = np.column_stack([line == name for name in "abc"]).astype(float)
    design, everything = np.hstack([which, which * x[:, None]]), np.ones(24, dtype=bool)
    ours = theirs = 0.0
    for _ in range(30):
        y = 1 + x * (1 + 0.1 * random.standard_normal()) + random.normal(0, 0.03 + 0.02 * x)
        sure = exact_fit(design, y, w)
        fit = slope_ratio._fit(x, y, line, w, everything, False)
        assert fit is not None
        ours = max(ours, apart([*fit.intercepts, *fit.slopes], sure))
        theirs = max(theirs, apart(WLS(y, design, w).fit().params, sure))
    own = took(lambda: slope_ratio._fit(x, y, line, w, everything, False))
    return [
        f"from rational arithmetic: scipy pinv {ours:.0e}, statsmodels WLS {theirs:.0e}",
        f"whole function with pinv {own:.2f} ms, WLS alone {took(lambda: WLS(y, design, w).fit().params):.2f} ms",
    ]


@row("variance_function, the search for w")
def _search() -> list[str]:
    random, x, df = np.random.default_rng(3), np.array([0.5, 1, 2, 3, 4, 6, 8, 10]), np.full(8, 16.0)
    lines = []
    for size in (1, 1999):
        sums = ((0.03 + 0.018 * x) ** 2 * random.chisquare(df, (size, 8)))[:, None, :]
        spent = took(lambda sums=sums: variance_function.linear_sd_many(x, sums, df[None, None, :]))
        newer, variance_function._minimise = variance_function._minimise, _halved
        halved = took(lambda sums=sums: variance_function.linear_sd_many(x, sums, df[None, None, :]))
        variance_function._minimise = newer
        lines.append(f"{size} data sets: scipy find_root {spent:.1f} ms, 48 halvings, as before, {halved:.1f} ms")
    return lines


def _halved(objective: Any, growth: Any, count: int) -> np.ndarray:
    grid, sets = variance_function._GRID, np.arange(count)
    best = np.stack([objective(np.full(count, w)) for w in grid], axis=1).argmin(axis=1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
    for _ in range(48):
        middle = (low + high) / 2
        rises = growth(middle, sets) >= 0
        low, high = np.where(rises, low, middle), np.where(rises, middle, high)
    return (low + high) / 2


# --- what stays, beside a counterpart ---------------------------------------------------------------------------------


def _digits(fitted: dict[str, Any], certified: dict[str, str]) -> str:
    return ", ".join(f"{name} {numerics.lre(fitted[name], certified[name]):.1f}" for name in fitted)


@row("regression.polynomial")
def _polynomial() -> list[str]:
    from statsmodels.regression.linear_model import OLS

    lines = []
    for name in ("norris", "pontius", "noint1"):
        item = next(item for item in numerics.datasets(REFERENCE) if item.name == f"cal-nist-{name}")
        worst = min(
            numerics.lre(value, item.certified[key])
            for key, value in numerics._ours(item)[0].items()
            if key in item.certified
        )
        witness = numerics._statsmodels([item]).values[item.name]
        beside = min(numerics.lre(value, item.certified[key]) for key, value in witness.items())
        lines.append(
            f"{name}: fewest correct digits, own {worst:.1f}, statsmodels (the better of pinv and QR) {beside:.1f}"
        )
    # The same line on a response of 433 MHz and on 10^9 more of x: what rounding to doubles costs.
    x = [Decimal("0.5") * k + 10**9 for k in range(1, 13)]
    y = [Decimal(433_000_000) + Decimal("0.01") * k + (Decimal("0.001") if k % 2 else Decimal(0)) for k in range(1, 13)]
    own = regression.straight_line(x, y)
    xs, ys = ([Fraction(value) for value in values] for values in (x, y))
    mx, my = sum(xs) / 12, sum(ys) / 12
    slope = float(sum((a - mx) * (b - my) for a, b in zip(xs, ys, strict=True)) / sum((a - mx) ** 2 for a in xs))
    floats = np.array([float(v) for v in x]), np.array([float(v) for v in y])
    plain = OLS(floats[1], np.column_stack([np.ones(12), floats[0]]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits = [plain.fit(method=method).params[1] for method in ("pinv", "qr")]
    centred = OLS(floats[1] - 433_000_000, np.column_stack([np.ones(12), floats[0] - floats[0].mean()])).fit()
    centred_x = regression.ScaledPowers(float(mx), 3.0, 0, 1)
    small = np.array([float(Fraction(v) - 433_000_000) for v in y])
    there = OLS(small, centred_x.design(floats[0])).fit().params
    exactly = centred_x.coefficients(there, np.zeros(2), Fraction(433_000_000))[1]
    lines.append(
        f"offsets of 1e9 in x and 4e8 in y, slope: own {apart(own.slope, slope):.0e}, statsmodels pinv "
        f"{apart(fits[0], slope):.0e}, QR {apart(fits[1], slope):.0e}, on centred doubles "
        f"{apart(centred.params[1], slope):.0e}, "
        f"on exactly centred decimals {apart(exactly, slope):.0e}"
    )
    item = next(item for item in numerics.datasets(REFERENCE) if item.name == "cal-nist-pontius")
    powers = regression.ScaledPowers(1_575_000.0, 1_425_000.0, 0, 2)
    fit = OLS(numerics._doubles(item)[1], powers.design(numerics._doubles(item)[0])).fit(method="qr").params
    back = powers.coefficients(fit, np.zeros(3), Fraction(0))
    fewest = min(numerics.lre(float(back[k]), item.certified[f"b{k}"]) for k in range(3))
    lines.append(f"pontius by statsmodels on centred and scaled x, without a step of refinement: {fewest:.1f} digits")
    xs7, ys7 = list(np.linspace(0.5, 10, 24)), list(1 + np.linspace(0.5, 10, 24) ** 1.01)
    design = np.column_stack([np.ones(24), xs7])
    own_time = took(lambda: regression.straight_line(xs7, ys7))
    lines.append(
        f"24 readings: own {own_time:.2f} ms with exact residuals, OLS "
        f"{took(lambda: OLS(ys7, design).fit().bse):.2f} ms"
    )
    return lines


@row("one_way, mean squares")
def _one_way() -> list[str]:
    lines = []
    for case in ("SmLs03", "SmLs06", "SmLs09"):
        item = next(item for item in numerics.datasets(REFERENCE) if item.name == case)
        certified = item.certified["F"]
        own = numerics.lre(one_way.one_way(item.groups).F, certified)
        doubles = [np.array([float(value) for value in group]) for group in item.groups]
        scipy = numerics.lre(float(stats.f_oneway(*doubles).statistic), certified)
        stat = numerics.lre(numerics._statsmodels([item]).values[case]["F"], certified)
        lines.append(f"{case}, correct digits of F: own {own:.1f}, scipy {scipy:.1f}, statsmodels {stat:.1f}")
    return lines


def _mixed_study(random: np.random.Generator) -> tuple[list[float], dict[str, list[str]]]:
    """Three analysts, four instruments, crossed, eight runs of three readings."""
    analyst = np.repeat(np.arange(8) % 4, 3)
    instrument = np.repeat([0, 0, 1, 1, 2, 2, 3, 3], 3)
    run = np.repeat(np.arange(8), 3)
    y = random.normal(0, 1.0, 24) + random.normal(0, 1.0, 4)[analyst] + random.normal(0, 0.7, 4)[instrument]
    y = y + random.normal(0, 0.8, 8)[run]
    names = {"analyst": analyst, "instrument": instrument, "run": run}
    return y.tolist(), {name: [str(code) for code in codes] for name, codes in names.items()}


def _mixed_lm(y: Sequence[float], factors: dict[str, list[str]]) -> Any:
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    table = pd.DataFrame({**factors, "y": y, "all": 1})
    formulas = {name: f"0 + C({name})" for name in factors}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return MixedLM.from_formula("y ~ 1", table, groups="all", vc_formula=formulas).fit(reml=True)


@row("mixed_model.mixed_model")
def _mixed() -> list[str]:
    random, truth = np.random.default_rng(4), {"analyst": 1.0, "instrument": 0.7, "run": 0.8}
    held = {name: [0, 0, 0] for name in ("own", "Wald")}
    gaps: list[float] = []
    failed, own_time, their_time, studies = 0, 0.0, 0.0, 120
    for _ in range(studies):
        y, factors = _mixed_study(random)
        start = time.perf_counter()
        own = mixed_model.mixed_model(y, factors)
        ends = {name: own.get(name).estimate.interval(0.95) for name in truth}  # type: ignore[union-attr]
        own_time += time.perf_counter() - start
        start = time.perf_counter()
        try:
            fit = _mixed_lm(y, factors)
        except (np.linalg.LinAlgError, ValueError):
            failed += 1
            continue
        their_time += time.perf_counter() - start
        failed += not fit.converged
        for place, name in enumerate(fit.model.exog_vc.names):
            variance, error = float(fit.vcomp[place]), float(fit.scale * fit.bse[f"{name} Var"])
            inner = float(own.get(name).estimate.value)  # type: ignore[union-attr]
            if inner > 0.1 and fit.converged:
                gaps.append(abs(sqrt(variance) - inner) / inner)
            low, high = variance - 1.96 * error, variance + 1.96 * error
            held["Wald"][place] += bool(low <= truth[name] ** 2 <= high)
            held["own"][place] += ends[name][0] <= truth[name] <= ends[name][1]
    kept = studies - failed
    shares = {name: ", ".join(f"{100 * count / studies:.0f} %" for count in counts) for name, counts in held.items()}
    return [
        f"{studies} simulated crossed studies of 24 readings: MixedLM did not converge in {failed}",
        f"95 % intervals hold the truth (three components): own profile {shares['own']}; MixedLM, Wald "
        f"{shares['Wald']}",
        f"standard deviations apart where it converged: {np.median(gaps):.0e} in the middle, {max(gaps):.0e} at worst",
        f"a study with three intervals: own {1e3 * own_time / studies:.0f} ms; MixedLM without intervals of its own "
        f"{1e3 * their_time / max(kept, 1):.0f} ms",
    ]


@row("mixed_model, the search")
def _mixed_search() -> list[str]:
    random = np.random.default_rng(5)
    y, factors = _mixed_study(random)
    columns = tuple((name, mixed_model._codes(column)) for name, column in factors.items())
    fit = mixed_model._Fit(mixed_model._design(columns), np.array(y))
    own = fit.best()
    start = np.full(len(own), 1 / len(own))
    bounds = [(0.0, None)] * (len(own) - 1) + [(1e-9, None)]

    def library() -> Any:
        return optimize.minimize(
            fit.deviance,
            start,
            jac=lambda s: fit._slopes(s)[0],
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-12},
        )

    slope = fit._slopes(own)[0]
    theirs = library().x
    left = float(np.abs(slope[own > 0]).max()), float(np.abs(fit._slopes(theirs)[0][own > 0]).max())
    return [
        f"slope of the deviance left over: own {left[0]:.0e}, scipy L-BFGS-B {left[1]:.0e}; variances apart "
        f"{apart(theirs[own > 0], own[own > 0]):.0e}",
        f"own, from two starts {took(fit.best):.1f} ms; L-BFGS-B from one {took(library):.1f} ms",
    ]


@row("one_way.reml_between")
def _reml() -> list[str]:
    random = np.random.default_rng(6)
    worst, failed = 0.0, 0
    counts = [2, 3, 5, 3, 2, 4]
    for _ in range(40):
        means = random.normal(0, 1, 6)
        groups = [list(m + random.normal(0, 0.5, n)) for m, n in zip(means, counts, strict=True)]
        own = one_way.one_way(groups).s_between
        assert own is not None
        y = [v for group in groups for v in group]
        labels = [str(i) for i, n in enumerate(counts) for _ in range(n)]
        fit = _mixed_lm(y, {"group": labels})
        if fit.converged:
            worst = max(worst, abs(sqrt(float(fit.vcomp[0])) - own.value) / own.value)
        failed += not fit.converged
    own_time = took(lambda: one_way.one_way(groups))
    return [
        f"40 unequal studies: MixedLM apart {worst:.0e} at worst, not converged {failed}; it stops at a flat "
        "likelihood, "
        "own at the root of its slope",
        f"own, all of the one-way model {own_time:.1f} ms, MixedLM "
        f"{took(lambda: _mixed_lm(y, {'group': labels}), repeats=3):.0f} ms",
    ]


@row("variance_function.linear_sd, precision_model")
def _gamma() -> list[str]:
    import statsmodels.api as sm

    random, x, df = np.random.default_rng(7), np.array([0.5, 1, 2, 4, 6, 8, 10]), np.full(7, 8.0)
    held, worst, refused, below, studies = [0, 0, 0], 0.0, 0, 0, 300
    family = sm.families.Gamma(link=sm.families.links.Sqrt(), check_link=False)
    design = np.column_stack([np.ones(7), x])

    def glm(variances: np.ndarray) -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return sm.GLM(variances, design, family=family, var_weights=df / 2).fit(scale=1.0, tol=1e-12, maxiter=200)

    for _ in range(studies):
        s = (0.03 + 0.018 * x) * np.sqrt(random.chisquare(df) / df)
        own = variance_function.linear_sd(x, df * s**2, df)
        try:
            fit = glm(s**2)
            if not np.isfinite(fit.bse).all():
                raise ValueError
        except (ValueError, np.linalg.LinAlgError):
            refused += 1
            continue
        low, high = fit.conf_int()[1]
        held[0] += low <= 0.018 <= high
        low, high = fit.conf_int()[0]
        held[2] += low <= 0.03 <= high
        below += fit.params[0] < 0 or fit.params[1] < 0
        if own.constant > 2e-3 and own.slope > 0 and fit.params.min() > 0:
            worst = max(worst, apart([own.constant, own.slope], fit.params))
        if _ < 100:
            model = precision_model.precision_model(x.tolist(), s.tolist(), df.tolist())
            ends = model.slope.interval(0.95)
            held[1] += ends is not None and ends[0] <= 0.018 <= ends[1]
    sums = df * s**2
    zero = np.array([0.0, *s[1:] ** 2])
    try:
        answer = "fits" if np.isfinite(glm(zero).params).all() else "gives NaN"
    except (ValueError, FloatingPointError) as error:
        answer = f"refuses: {error}"
    own_time, many = took(lambda: variance_function.linear_sd(x, sums, df)), np.repeat(sums[None, None], 1999, 0)
    return [
        f"gamma GLM, square-root link: apart from own where both parts are positive {worst:.0e}; a negative "
        f"part in {below} of {studies} studies, refused {refused}",
        f"95 % interval of the slope held: own percentiles {held[1]} of 100; GLM Wald "
        f"{100 * held[0] / studies:.0f} % (of the constant {100 * held[2] / studies:.0f} %)",
        f"a level whose replicates agree (variance 0): GLM {answer}",
        f"one fit: own {own_time:.1f} ms, GLM {took(lambda: glm(s**2), repeats=3):.1f} ms; 1999 fits: own "
        f"{took(lambda: variance_function.linear_sd_many(x, many, df[None, None]), repeats=3):.0f} ms",
    ]


@row("robust.algorithm_a")
def _algorithm_a() -> list[str]:
    from statsmodels.robust.scale import Huber

    values = [float(value) for value in np.ravel(reference("prc-robust-chem")["data"]["values"])]
    own = robust.algorithm_a(values)
    centre, scale = Huber(c=1.5, tol=1e-12, maxiter=500)(np.array(values))
    alike = [1.0] * 6 + [1.1, 1.2]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            answer = f"gives {Huber(c=1.5, maxiter=500)(np.array(alike))}"
        except ValueError as error:
            answer = f"raises ValueError ({str(error)[:40]}...)"
    return [
        f"AMC copper data: own {own.mean:.6f}, {own.sd:.6f}; statsmodels Huber {float(centre):.6f}, "
        f"{float(scale):.6f} (apart {apart(scale, own.sd):.0e}: the standard prints the factor 1.134)",
        f"values most of which agree: own s* = {robust.algorithm_a(alike).sd:.1f} with a note, Huber {answer}",
        f"own {took(lambda: robust.algorithm_a(values)):.1f} ms, Huber "
        f"{took(lambda: Huber(c=1.5, maxiter=500)(np.array(values))):.1f} ms",
    ]


def _comparison(random: np.random.Generator, n: int = 25) -> tuple[list[float], list[float]]:
    truth = random.uniform(0.5, 10, n)
    return list(truth + random.normal(0, 0.5, n)), list(truth + random.normal(0, 0.5, n))


@row("passing_bablok.passing_bablok, deming.deming")
def _method_lines() -> list[str]:
    random, studies = np.random.default_rng(8), 400
    slopes: dict[str, list[float]] = {"own PB": [], "theilslopes": [], "own Deming": [], "odr": []}
    held = dict.fromkeys(slopes, 0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scipy import odr

        line = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
        for _ in range(studies):
            x, y = _comparison(random)
            for name, fit in (("own PB", passing_bablok.passing_bablok(x, y)), ("own Deming", deming.deming(x, y))):
                slopes[name].append(fit.slope.value)
                ends = fit.slope.interval(0.95)
                held[name] += ends is not None and ends[0] <= 1 <= ends[1]
            theil = stats.theilslopes(y, x, 0.95)
            slopes["theilslopes"].append(float(theil.slope))
            held["theilslopes"] += theil.low_slope <= 1 <= theil.high_slope
            out = odr.ODR(odr.RealData(x, y, sx=0.5, sy=0.5), line, beta0=[0.0, 1.0]).run()
            slopes["odr"].append(float(out.beta[1]))
            half = stats.t.ppf(0.975, 23) * out.sd_beta[1]
            held["odr"] += abs(out.beta[1] - 1) <= half
        both = apart(slopes["odr"], slopes["own Deming"])
        own_time = took(lambda: deming.deming(x, y))
        run = odr.ODR(odr.RealData(x, y, sx=0.5, sy=0.5), line, beta0=[0.0, 1.0])
        odr_time = took(run.run)
    text = "; ".join(
        f"{name} mean slope {np.mean(values):.3f}, held {100 * held[name] / studies:.0f} %"
        for name, values in slopes.items()
    )
    return [
        f"{studies} comparisons of 25 samples, equal errors, true slope 1: {text}",
        f"odr from Deming's closed form {both:.0e}; own with its jackknife {own_time:.2f} ms, odr "
        f"{odr_time:.2f} ms; scipy.odr is deprecated and leaves in scipy 1.19",
    ]


@row("york.york")
def _york() -> list[str]:
    content = reference("cal-pearson-york")
    data = content["data"]
    x, y = data["x"], data["y"]
    w_x, w_y = (np.array(data[name]) for name in ("w_x", "w_y"))
    own = york.york(x, y, w_x**-0.5, w_y**-0.5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scipy import odr

        line = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
        out = odr.ODR(odr.RealData(x, y, sx=w_x**-0.5, sy=w_y**-0.5), line, beta0=[5.0, -0.5]).run()
    return [
        f"Pearson's data with York's weights, slope -0.480533407: own {own.slope.value:.9f}, odr {out.beta[1]:.9f}",
        "scipy.odr is deprecated and leaves in scipy 1.19",
    ]


@row("outliers.grubbs_single_critical")
def _grubbs() -> list[str]:
    from statsmodels.regression.linear_model import OLS

    critical = grubbs_single_critical(8, 0.05)
    # Eight values whose first lies just at the critical value.
    rest = np.array([-1.0, -0.6, -0.2, 0.1, 0.3, 0.6, 0.8])

    def excess(first: float) -> float:
        values = np.array([first, *rest])
        return float((first - values.mean()) / values.std(ddof=1)) - critical

    values = np.array([optimize.brentq(excess, 1.0, 50.0, xtol=1e-14), *rest])
    p = OLS(values, np.ones(8)).fit().outlier_test(method="bonf")[0, 2]
    return [f"statsmodels outlier_test (Bonferroni) at the own critical value of 5 %: p = {p:.12f}"]


@row("two_means.welch_difference, estimate.mean")
def _welch() -> list[str]:
    base = Decimal(433_000_000)
    first, second = (
        [base + Decimal(text) for text in texts] for texts in (("0.01", "0.02", "0.04"), ("0.05", "0.07", "0.06"))
    )
    own = two_means.welch_difference(first, second)
    floats = [float(v) for v in first], [float(v) for v in second]
    test = stats.ttest_ind(*floats, equal_var=False)
    low, high = test.confidence_interval(0.95)
    small = stats.ttest_ind([float(v - base) for v in first], [float(v - base) for v in second], equal_var=False)
    sure = small.confidence_interval(0.95)
    sides = own.interval(0.95)
    plain = [float(v) for v in first]
    return [
        f"decimals on 4e8: own interval from that without the offset {apart(sides, tuple(sure)):.0e}, scipy "
        f"ttest_ind {apart((low, high), tuple(sure)):.0e}",
        f"mean of the decimals less their true mean: own {mean(first) - 433_000_000.0233333:.0e}, numpy "
        f"{float(np.mean(plain)) - 433_000_000.0233333:.0e} (both rounded to a double)",
    ]


@row("straightness, orthonormal bases")
def _orth() -> list[str]:
    level = np.repeat(np.arange(4), 3)
    dummies = np.equal.outer(level, np.arange(4)).astype(float)
    full = straightness._orthonormal(dummies)
    own = straightness._orthonormal(dummies, full).shape[1]
    twice = dummies - full @ (full.T @ dummies)
    return [
        f"what the same columns add to themselves: own {own} columns, scipy orth {linalg.orth(twice).shape[1]} "
        "of rounding"
    ]


@row("straightness.lack_of_fit, straightness.mandel")
def _nested_f() -> list[str]:
    from statsmodels.regression.linear_model import OLS

    x = [Fraction(level) for level in (1, 2, 4, 7, 10) for _ in range(3)]
    y = [
        Decimal(433_000_000) + Decimal(int(v)) + Decimal(k % 3) / 100 + Decimal((int(v) ** 2) % 5) / 1000
        for k, v in enumerate(x)
    ]
    levels = [i for i in range(5) for _ in range(3)]
    sure = straightness.lack_of_fit(x, [v - 433_000_000 for v in y], levels).statistic
    own = straightness.lack_of_fit(x, y, levels).statistic
    ys, xs = np.array([float(v) for v in y]), np.array([float(v) for v in x])
    dummies = np.equal.outer(levels, np.arange(5)).astype(float)
    narrow, wide = OLS(ys, np.column_stack([np.ones(15), xs])).fit(), OLS(ys, dummies).fit()
    theirs = wide.compare_f_test(narrow)[0]
    return [
        f"F of a response on 4e8, from that without it: own {apart(own, sure):.0e}, statsmodels compare_f_test "
        f"{apart(theirs, sure):.0e}"
    ]


@row("ruggedness.effects")
def _effects() -> list[str]:
    from statsmodels.regression.linear_model import OLS

    random = np.random.default_rng(9)
    x = np.vstack([two_level_designs.plackett_burman(8).matrix] * 2).astype(float)
    y = random.normal(0, 0.1, 16) + x @ np.array([0.2, 0.1, 0, 0, 0, 0, 0.05])
    own = ruggedness.effects(y.tolist(), x)
    fit = OLS(y, np.column_stack([np.ones(16), x / 2])).fit()
    errors = [item.standard_uncertainty for item in own.effects if item is not None]
    values = [item.value for item in own.effects if item is not None]
    return [
        f"effects from OLS {apart(values, fit.params[1:]):.0e}, standard errors {apart(errors, fit.bse[1:]):.0e}",
        f"own, with design, aliases and Lenth's analysis {took(lambda: ruggedness.effects(y.tolist(), x)):.1f} "
        f"ms, OLS {took(lambda: OLS(y, x).fit().bse):.2f} ms",
    ]


@row("trueness.bias_line, Hotelling")
def _hotelling() -> list[str]:
    from statsmodels.stats.multivariate import test_mvmean

    random = np.random.default_rng(10)
    levels, w = np.array([0.5, 2, 5, 10.0]), np.ones(4)
    errors = [random.normal(0, 0.05, 4) for _ in range(6)]
    own = trueness.bias_line([levels] * 6, errors, [w] * 6)
    test = test_mvmean(np.column_stack([own.intercepts, own.slopes]), 0)
    return [
        f"T squared from statsmodels test_mvmean {apart(own.t_squared, test.t2):.0e}; the joint region needs "
        "the critical value, which it does not give"
    ]


@row("within_cells.within_cells")
def _within() -> list[str]:
    from statsmodels.regression.linear_model import WLS

    random = np.random.default_rng(11)
    cells = np.repeat(np.arange(21), 4)
    place, x = np.repeat(np.tile([0.5, 2, 10.0], 7), 4), random.uniform(0, 10, 84)
    y = place + random.normal(0, 0.03 + 0.018 * place) + 0.002 * x
    own = within_cells.within_cells(y.tolist(), x, cells.tolist(), place)
    assert own is not None
    design = np.column_stack([np.equal.outer(cells, np.arange(21)).astype(float), x])
    fit = WLS(y, design, 1 / own.scatter**2).fit()
    return [
        f"slope from WLS with one column a cell {apart(own.slope.value, fit.params[-1]):.0e}",
        "own, the fit of s(x) included "
        f"{took(lambda: within_cells.within_cells(y.tolist(), x, cells.tolist(), place)):.1f} ms, WLS "
        f"{took(lambda: WLS(y, design, 1 / own.scatter**2).fit().bse):.1f} ms",
    ]


@row("two_level_designs.plackett_burman")
def _hadamard() -> list[str]:
    ours = np.array(two_level_designs.plackett_burman(8).matrix)
    theirs = linalg.hadamard(8)[:, 1:]
    same = {tuple(column) for column in ours.T} == {tuple(column) for column in theirs.T}
    try:
        linalg.hadamard(12)
        twelve = "there"
    except ValueError:
        twelve = "refused (powers of two only)"
    return [f"scipy hadamard(8) has the published columns: {same}; hadamard(12): {twelve}"]


@row("distributions, draws")
def _draws() -> list[str]:
    random = np.random.default_rng(12)
    ours = {
        "normal": (distributions.Normal(1.0, 0.1), stats.norm(1.0, 0.1)),
        "t": (distributions.StudentT(1.0, 0.1, 7), stats.t(7, 1.0, 0.1)),
        "rectangular": (distributions.Rectangular(0.0, 1.0), stats.uniform(0.0, 1.0)),
        "trapezoidal": (distributions.Trapezoidal(0.0, 1.0, top=0.5), stats.trapezoid(0.25, 0.75)),
        "arcsine": (distributions.Arcsine(0.0, 1.0), stats.arcsine(0.0, 1.0)),
        "exponential": (distributions.Exponential(1.0), stats.expon()),
    }
    parts = [
        f"{name} {took(lambda a=a: a.draw(random, 200_000), repeats=3):.1f} against "
        f"{took(lambda b=b: b.rvs(200_000, random_state=random), repeats=3):.1f}"
        for name, (a, b) in ours.items()
    ]
    return [
        "200 000 draws, ms, own against scipy.stats: " + "; ".join(parts),
        f"standard uncertainty of t on 7: own {ours['t'][0].standard_uncertainty} (the scale, as the law of "
        f"propagation takes it), scipy std {ours['t'][1].std():.4f}; a curvilinear trapezoid is missing there",
    ]


if __name__ == "__main__":
    wanted = sys.argv[1:]
    for name, function in ROWS.items():
        if not wanted or any(word in name for word in wanted):
            print(f"{name}", *function(), sep="\n    ", flush=True)
