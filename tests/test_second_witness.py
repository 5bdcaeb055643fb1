"""Every headline statistic a second time, by another route, on random readings.

`witness.py` holds the other routes and imports nothing of the package. Tolerances: 1e-12 against exact arithmetic, 1e-9
against the tails of distributions that were integrated anew, looser where a general optimiser is the witness and said
so beside the check. `scale` is the size below which a difference is rounding: a slope may come out near zero.
"""

from __future__ import annotations

import ast
import shutil
import subprocess
import warnings
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from math import isfinite, sqrt
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
import witness
from hypothesis import Phase, assume, given
from hypothesis import strategies as st
from profiles import examples, sizes
from small_study import small_study
from statsmodels.regression.mixed_linear_model import MixedLM

from validation.characteristics import _attained
from validation.characteristics.registry import characteristics, known_keys
from validation.stats import (
    agreement,
    calibration,
    deming,
    detection,
    outliers,
    paired_differences,
    passing_bablok,
    straightness,
    trueness,
    york,
)
from validation.stats.accuracy import tolerance_limits
from validation.stats.intervals import between_component_interval, sum_of_mean_squares_interval
from validation.stats.one_way import one_way
from validation.stats.precision import precision
from validation.stats.regression import line_through_zero, quadratic, straight_line
from validation.stats.reproducibility import nested_reproducibility, reproducibility
from validation.stats.variance_function import linear_sd


def close(value: float, expected: float | Fraction | Decimal, rel: float = 1e-12, *, scale: float = 0.0):
    expected = float(expected)
    assert isfinite(value)
    assert abs(value - expected) <= rel * max(abs(expected), scale), (value, expected)


def close_pair(pair, expected, rel: float = 1e-9, *, scale: float = 0.0):
    assert pair is not None
    for value, wanted in zip(pair, expected, strict=True):
        close(value, wanted, rel, scale=scale)


def fractions(values) -> list[Fraction]:
    return [Fraction(value) for value in values]


# --- random readings -------------------------------------------------------------------------------------------------

OFFSETS = st.sampled_from([Decimal(0), Decimal("17.3"), Decimal(10) ** 9, Decimal(10) ** 12])
STEPS = st.integers(-2000, 2000)
SEEDS = st.integers(1, 10**6)


def reading(offset: Decimal, steps: int) -> Decimal:
    """Steps of a thousandth on an offset that would drown them in doubles."""
    return offset + Decimal(steps) / 1000


@st.composite
def noise(draw, count: int, reach: int = 2000):
    """Whole numbers: as hypothesis likes them, with repeats and zeros, or as dice give them."""
    if draw(st.integers(0, 2)) == 0:
        return draw(st.lists(st.integers(-reach, reach), min_size=count, max_size=count))
    return np.random.default_rng(draw(SEEDS)).integers(-reach, reach + 1, size=count).tolist()


@st.composite
def groups(draw, least: int = 2, most: int = 7, equal: bool | None = None, offsets=OFFSETS):
    """Runs or laboratories of one to four readings, with effects of their own from none to large."""
    offset, size = draw(offsets), draw(st.sampled_from([0, 1, 8]))
    p = draw(st.integers(least, most))
    alike = draw(st.booleans()) if equal is None else equal
    n = draw(st.integers(2, 4))
    counts = [n] * p if alike else draw(st.lists(st.integers(1, 4), min_size=p, max_size=p))
    assume(max(counts) > 1)
    effects, steps = draw(noise(p)), iter(draw(noise(sum(counts))))
    found = [[reading(offset, size * e + next(steps)) for _ in range(k)] for k, e in zip(counts, effects, strict=True)]
    assume(any(len(set(values)) > 1 for values in found))
    return found


@st.composite
def laboratories(draw, equal: bool | None = None):
    """Laboratories of one to three runs of one to three readings; replicates and a second run occur somewhere."""
    offset, size = draw(OFFSETS), draw(st.sampled_from([0, 1, 5]))
    p = draw(st.integers(2, 5))
    alike = draw(st.booleans()) if equal is None else equal
    runs = [2] * p if alike else draw(st.lists(st.integers(1, 3), min_size=p, max_size=p))
    shape = [[2] * k if alike else draw(st.lists(st.integers(1, 3), min_size=k, max_size=k)) for k in runs]
    assume(max(runs) > 1 and max(max(row) for row in shape) > 1)
    of_laboratory, of_run = iter(draw(noise(p))), iter(draw(noise(sum(runs))))
    of_reading = iter(draw(noise(sum(map(sum, shape)))))
    found = []
    for row in shape:
        laboratory = next(of_laboratory)
        effects = [size * (laboratory + next(of_run)) for _ in row]
        found.append(
            [[reading(offset, e + next(of_reading)) for _ in range(n)] for e, n in zip(effects, row, strict=True)]
        )
    assume(any(len(set(run)) > 1 for runs in found for run in runs))
    return found


@st.composite
def points(draw, replicates: int = 3, offsets=OFFSETS):
    """Levels (tenths), each read several times; responses that rise with them, or do not."""
    offset, slope = draw(offsets), draw(st.integers(-50, 50))
    levels = draw(st.lists(st.integers(0, 100), min_size=3, max_size=6, unique=True))
    counts = draw(st.lists(st.integers(1, replicates), min_size=len(levels), max_size=len(levels)))
    assume(sum(counts) >= 5)
    codes = [place for place, count in enumerate(counts) for _ in range(count)]
    x = [sorted(levels)[code] / 10 for code in codes]
    steps = draw(noise(len(x)))
    y = [offset + Decimal(str(v)) * slope + Decimal(step) / 1000 for v, step in zip(x, steps, strict=True)]
    return x, y, codes


@st.composite
def pairs(draw, least: int = 5, most: int = 12, reach: int = 900):
    """Samples measured by two methods that rise together."""
    n = draw(st.integers(least, most))
    slope = draw(st.sampled_from([700, 1000, 1300]))
    x = [Decimal(2000 * i + step) / 1000 for i, step in enumerate(draw(noise(n, reach)))]
    steps = draw(noise(n, reach))
    assume(len(set(steps)) > n / 2)  # not a line without scatter
    return x, [slope * v / 1000 + Decimal(step) / 1000 for v, step in zip(x, steps, strict=True)]


# --- the witness stands alone ----------------------------------------------------------------------------------------


def test_witness_imports_nothing_of_the_package():
    tree = ast.parse(Path(witness.__file__).read_text(encoding="utf-8"))
    names = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    names += [node.module or "." for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert {name.partition(".")[0] for name in names} <= {
        *("__future__", "collections", "dataclasses", "decimal", "fractions", "itertools", "math", "statistics"),
        *("numpy", "scipy"),
    }


# --- lines -----------------------------------------------------------------------------------------------------------

LINES = [
    pytest.param(straight_line, (0, 1), id="line"),
    pytest.param(line_through_zero, (1,), id="through zero"),
    pytest.param(quadratic, (0, 1, 2), id="quadratic"),
]


def line_scales(x, y, exponents, fit):
    """The sizes of the coefficients that the readings could give at most: range of y over x to the power."""
    spread = float(max(y) - min(y)) or 1.0
    reach = max(map(abs, x)) / (max(x) - min(x)) ** 2 * 10 if 2 in exponents else 1.0
    return [max(spread * (1 + reach), error) for error in fit.errors]


@pytest.mark.parametrize("weighted", [False, True], ids=["ordinary", "weighted"])
@pytest.mark.parametrize(("function", "exponents"), LINES)
@examples(30)
@given(data=st.data())
def test_lines_match_exact_normal_equations(function, exponents, weighted, data):
    # Draper and Smith, chapters 1 and 5 (from memory): (X'WX)^-1 X'Wy in fractions.
    offsets = st.just(Decimal(0)) if 0 not in exponents else OFFSETS
    x, y, _ = data.draw(points(offsets=offsets))
    weights = data.draw(st.lists(st.integers(1, 400), min_size=len(x), max_size=len(x))) if weighted else None
    xs, ys = fractions(x), fractions(y)
    exact = witness.least_squares(witness.powers(xs, *exponents), ys, weights and fractions(weights))
    assume(exact.df > 0 and exact.residual_sum > 0)
    fit = function(x, y, weights=weights)
    scales = line_scales(x, y, exponents, exact)
    for value, wanted, scale in zip(fit.coefficients, exact.coefficients, scales, strict=True):
        close(value, wanted, scale=scale)
    spread = float(max(y) - min(y))
    close(fit.residual_sum, exact.residual_sum, scale=1e-3 * spread**2)
    if exact.residual_sum > Fraction(spread) ** 2 / 10**6:
        close(fit.residual_sd, sqrt(exact.residual_sum / exact.df), 1e-9)
        for error, wanted in zip(fit.standard_errors, exact.errors, strict=True):
            close(error, wanted, 1e-9)
        power = exponents[-1]
        value, error = float(exact.coefficients[-1]), exact.errors[-1]
        half = witness.t_quantile(0.975, exact.df) * error
        interval = fit.coefficient(power).interval(0.95)
        close_pair(interval, (value - half, value + half), scale=scales[-1])
        interval = fit.residual_estimate().interval(0.95)
        close_pair(interval, witness.sd_interval(sqrt(exact.residual_sum / exact.df), exact.df, 0.95))


@pytest.mark.parametrize("weighted", [False, True], ids=["ordinary", "weighted"])
@pytest.mark.parametrize(("function", "exponents"), LINES)
@examples(20)
@given(data=st.data())
def test_lines_match_statsmodels(function, exponents, weighted, data):
    # Open library: OLS and WLS of statsmodels.
    x, y, _ = data.draw(points(offsets=st.just(Decimal("3.1"))))
    weights = data.draw(st.lists(st.integers(1, 400), min_size=len(x), max_size=len(x))) if weighted else None
    fit = function(x, y, weights=weights)
    assume(fit.degrees_of_freedom > 0 and fit.residual_sum > 1e-6 * fit.total_sum)
    design = np.column_stack([np.array(x) ** k for k in exponents])
    response = np.array([float(v) for v in y])
    model = sm.OLS(response, design) if weights is None else sm.WLS(response, design, weights=weights)
    result = model.fit()
    size = np.abs(response).max()
    assert fit.coefficients == pytest.approx(result.params, rel=1e-8, abs=1e-8 * size)
    assert fit.standard_errors == pytest.approx(result.bse, rel=1e-7)
    assert fit.residual_sd == pytest.approx(sqrt(result.scale), rel=1e-8)
    assert fit.covariance == pytest.approx(result.cov_params(), rel=1e-7, abs=1e-9 * np.abs(fit.covariance).max())


@examples(40)
@given(points())
def test_predictions_and_readings_back_match_exact_arithmetic(drawn):
    x, y, _ = drawn
    exact = witness.least_squares(witness.powers(fractions(x), 0, 1), fractions(y))
    slope = exact.coefficients[1]
    assume(abs(slope) > Fraction(1, 10))
    fit = straight_line(x, y)
    at = Fraction(max(x)) + 1
    close(fit.predict(float(at)), exact.coefficients[0] + slope * at, scale=1.0)
    close(fit.read_back(y[0]), (Fraction(y[0]) - exact.coefficients[0]) / slope, scale=max(x) / float(abs(slope)))
    (a, b), (_, d) = exact.unscaled
    error = sqrt((a + 2 * at * b + at * at * d) * exact.residual_sum / exact.df)
    close(fit.standard_error_at(float(at)), error, 1e-9, scale=1e-6 * float(max(y) - min(y)))


@examples(50)
@given(points())
def test_ordinary_tests_of_linearity_match_exact_sums_of_squares(drawn):
    # Lack of fit: Draper and Smith, chapter 2; parabola against line: ISO 8466-1 (both from memory).
    x, y, codes = drawn
    xs, ys = fractions(x), fractions(y)
    line = witness.least_squares(witness.powers(xs, 0, 1), ys)
    bend = witness.least_squares(witness.powers(xs, 0, 1, 2), ys)
    cells = [[v for v, c in zip(ys, codes, strict=True) if c == code] for code in sorted(set(codes))]
    pure = sum((witness.squares(cell) for cell in cells), Fraction(0))
    above, below = len(cells) - 2, len(ys) - len(cells)
    small = line.residual_sum / 10**5
    if below and pure > small:
        F = (line.residual_sum - pure) / above / (pure / below)
        result = straightness.lack_of_fit(x, y, codes)
        close(result.statistic, F, 1e-9, scale=1.0)
        close(result.p, witness.f_tail(float(F), above, below), 1e-8)
    if bend.df and bend.residual_sum > small:
        F = (line.residual_sum - bend.residual_sum) / (bend.residual_sum / bend.df)
        result = straightness.mandel(x, y)
        close(result.statistic, F, 1e-9, scale=1.0)
        close(result.p, witness.f_tail(float(F), 1, bend.df), 1e-8)


@st.composite
def calibrations(draw):
    """Two to four runs over the same levels, each with a slope of its own; now and then a level is missing."""
    rng = np.random.default_rng(draw(SEEDS))
    levels = sorted(draw(st.lists(st.integers(5, 100), min_size=4, max_size=6, unique=True)))
    rows = []
    for run in range(draw(st.integers(2, 4))):
        factor = 2000 + rng.integers(-60, 61)
        for place, level in enumerate(levels):
            # The routine level (the first) stays in every run.
            for _ in range(0 if place and rng.random() < 0.1 else draw(st.integers(1, 2))):
                step = rng.normal(0, 40 + 6 * level)
                rows.append((level / 10, Decimal(int(factor * level + 10 * step)) / 10000, place, run))
    assume({place for _, _, place, _ in rows} == set(range(len(levels))))
    return rows


@examples(30)
@given(calibrations())
def test_departures_and_single_point_bias_match_exact_arithmetic(rows):
    # Contract of the two quantities; Student's t over the runs' own values (common practice, no source).
    x, y, codes, runs = (list(column) for column in zip(*rows, strict=True))
    xs, ys = fractions(x), fractions(y)
    _, b = witness.least_squares(witness.powers(xs, 0, 1), ys).coefficients
    departures = calibration.departures(x, y, codes, runs)
    single = calibration.single_point_bias(x, y, codes, runs, routine=0)
    members = {
        (run, code): [v for v, c, r in zip(ys, codes, runs, strict=True) if (c, r) == (code, run)]
        for run in set(runs)
        for code in set(codes)
    }
    level = {code: xs[codes.index(code)] for code in set(codes)}
    assert len(departures) == len(single) == max(level) + 1
    for code in sorted(level):
        own = []
        holding = [run for run in sorted(set(runs)) if members[run, code]]
        assume(len(holding) > 1)
        for run in holding:
            if sum(bool(members[run, c]) for c in level) < 3:
                continue
            used = [i for i, r in enumerate(runs) if r == run]
            fit = witness.least_squares(witness.powers([xs[i] for i in used], 0, 1), [ys[i] for i in used])
            a_run, b_run = fit.coefficients
            own.append((witness.average(members[run, code]) - a_run - b_run * level[code]) / b)
        assume(len(own) > 1)
        close_t(departures[code], witness.average(own), own)
        if code:
            own = [
                witness.average(members[run, code]) * level[0] / witness.average(members[run, 0]) - level[code]
                for run in holding
            ]
            close_t(single[code], witness.average(own), own)
        else:
            assert single[code].value == 0


def close_t(estimate, value: Fraction, own: list[Fraction]):
    """A Student interval about `value` from independent values."""
    close(estimate.value, value, 1e-9, scale=1e-3)
    error = sqrt(witness.variance(own) / len(own))
    half = witness.t_quantile(0.975, len(own) - 1) * error
    close_pair(estimate.interval(0.95), (float(value) - half, float(value) + half), scale=max(1e-3, half))


@examples(12)
@given(calibrations(), st.booleans())
def test_weighted_statistics_match_statsmodels(rows, with_runs):
    # Open library: the weighted fits are those of statsmodels.
    # The procedure of weighted_tests in words: cells, three rounds of s(x) by likelihood, weighted F.
    x, y, codes, runs = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    result = straightness.weighted_tests(
        list(x), list(y), codes.astype(int), runs.astype(int) if with_runs else None, draws=1
    )
    assume(result.lack_of_fit_F is not None)
    keys = list(dict.fromkeys(zip(runs, codes, strict=True))) if with_runs else list(range(len(x)))
    members = [(runs == k[0]) & (codes == k[1]) if with_runs else np.arange(len(x)) == k for k in keys]
    cx, cy, cl, cr = (np.array([v[m].mean() for m in members]) for v in (x, y, codes, runs * with_runs))
    count = np.array([m.sum() for m in members])
    places = np.unique(codes)
    level_x = np.array([x[codes == code].mean() for code in places])
    dummies, step = np.equal.outer(cr, np.unique(cr)).astype(float), np.equal.outer(cl, places).astype(float)
    line = np.hstack([dummies, dummies * cx[:, None]])
    line, bent, full = (full_rank(d) for d in (line, np.column_stack([line, cx**2]), np.hstack([line, step])))
    within = np.array(
        [sum(((y[m] - y[m].mean()) ** 2).sum() for m, c in zip(members, cl, strict=True) if c == at) for at in places]
    )
    within_df = np.array([sum(m.sum() - 1 for m, c in zip(members, cl, strict=True) if c == at) for at in places])
    a = b = None
    if with_runs and within_df.sum() and within.sum():
        a, b = shape_of_two([(within, within_df)], level_x)
    for _ in range(3):
        weights = count / (1.0 if a is None else a + b * cx_level(cl, places, level_x)) ** 2
        model = sm.WLS(cy, full, weights=weights / weights.max())
        hat = np.linalg.pinv(full * np.sqrt(weights)[:, None])
        leverage = np.einsum("ij,ji->i", full * np.sqrt(weights)[:, None], hat)
        left = model.fit().resid
        scatter = np.array([(left**2 * count)[cl == at].sum() for at in places])
        df = np.array([max((1 - leverage)[cl == at].sum(), 0.0) for at in places])
        sources = [(scatter, df)] + ([(within, within_df)] if within_df.sum() and within.sum() else [])
        a, b = shape_of_two(sources, level_x)
    weights = count / (a + b * cx_level(cl, places, level_x)) ** 2
    sums = [sm.WLS(cy, design, weights=weights / weights.max()).fit().ssr for design in (line, bent, full)]
    df1, df2 = result.lack_of_fit_df, result.scatter_df
    assert (df1, df2) == (full.shape[1] - line.shape[1], len(cy) - full.shape[1])
    # The search for the shape of s(x) stops at about 1e-8 on both sides.
    close(result.lack_of_fit_F, (sums[0] - sums[2]) / df1 / (sums[2] / df2), 1e-5, scale=1.0)
    close(result.curvature_F, (sums[0] - sums[1]) / (sums[2] / df2), 1e-5, scale=1.0)


def full_rank(design):
    """A basis of the columns; statsmodels warns of columns too many."""
    u, size, _ = np.linalg.svd(design / np.abs(design).max(axis=0), full_matrices=False)
    return u[:, size > 1e-9 * size[0]]


def cx_level(codes, places, level_x):
    return level_x[np.searchsorted(places, codes)]


def shape_of_two(sources, level_x):
    """One shape 1 + rho x / top, a size for each source: the profile likelihood on a fine grid, then narrowed."""
    top = level_x.max()
    sources = [(np.where(df > 1e-9, sums, 0.0), np.where(df > 1e-9, df, 0.0)) for sums, df in sources]

    def deviance(w):
        g = 1 - w + w * level_x / top
        return sum(df.sum() * np.log((sums / g**2).sum()) + 2 * (df * np.log(g)).sum() for sums, df in sources)

    low, high = 0.0, 0.999
    for _ in range(12):
        grid = np.linspace(low, high, 201)
        at = int(np.argmin([deviance(w) for w in grid]))
        low, high = grid[max(at - 1, 0)], grid[min(at + 1, 200)]
    w = grid[at]
    size = sqrt((sources[0][0] / (1 - w + w * level_x / top) ** 2).sum() / sources[0][1].sum())
    return size * (1 - w), size * w / top


@examples(40)
@given(st.lists(st.tuples(st.integers(50, 900), st.integers(2, 12)), min_size=3, max_size=6))
def test_spread_over_levels_reaches_the_greatest_likelihood(drawn):
    # Davidian and Carroll 1987 (from memory).
    levels = [float(2**i) - 1 for i in range(len(drawn))]
    dfs = [float(df) for _, df in drawn]
    sums = [df * (v / 100 * (0.2 + 0.1 * x)) ** 2 for (v, df), x in zip(drawn, levels, strict=True)]
    fit = linear_sd(levels, sums, dfs)
    a, b = witness.linear_sd(levels, sums, dfs)
    if a < 1e-3 * (a + b * levels[-1]):
        # The package holds s at level zero above a thousandth of that at the highest level.
        close(fit.constant, 1e-3 * fit.at(levels[-1]))
    else:
        close(fit.constant, a, 1e-9, scale=1e-2 * fit.at(levels[-1]))
        close(fit.slope, b, 1e-9, scale=1e-2 * fit.at(levels[-1]) / levels[-1])
    assert (fit.slope == 0) == (b == 0)


# --- components ------------------------------------------------------------------------------------------------------


@examples(80)
@given(groups())
def test_one_way_mean_squares_match_exact_arithmetic(drawn):
    exact = witness.one_way([fractions(values) for values in drawn])
    result = one_way(drawn)
    # ANOVA's identity in fractions: between = total - within, where the package sums group by group.
    close(result.ms_between, exact.between, scale=1e-3 * float(exact.pooled))
    close(result.ms_within, exact.pooled)
    close(result.ms_between_unweighted, exact.unweighted, scale=1e-3 * float(exact.pooled))
    close(result.harmonic_n, exact.harmonic)
    general = witness.average([v for values in drawn for v in fractions(values)])
    close(result.general_mean, general, 1e-15, scale=20.0)
    of_means = witness.average([witness.average(fractions(values)) for values in drawn])
    close(result.mean_of_means, of_means, 1e-15, scale=20.0)
    close(result.s_within.value, sqrt(exact.pooled))
    close_pair(result.s_within.interval(0.95), witness.sd_interval(sqrt(exact.pooled), exact.df[1], 0.95))
    F = float(exact.between / exact.pooled)
    close(result.p, witness.f_tail(F, *exact.df), 1e-9)


@examples(80)
@given(groups())
def test_reml_run_component_matches_the_likelihood_in_eighty_digits(drawn):
    # Searle, Casella and McCulloch 1992, 6.6 (from memory); the search stops at 1e-18 of the ratio.
    exact = [fractions(values) for values in drawn]
    wanted = float(witness.reml_between(exact))
    result = one_way(drawn)
    pooled = float(witness.one_way(exact).pooled)
    close(result.s_between.value**2, wanted, 1e-10, scale=1e-3 * pooled)
    assert (result.s_between.value == 0) == (wanted == 0)
    # s_I joins REML's component with the pooled variance, not with REML's residual.
    close(result.s_total.value**2, wanted + pooled, 1e-10)
    close(precision([[[v] for v in run] for run in drawn]).s_I.value, sqrt(wanted + pooled), 1e-10)


@pytest.mark.parametrize(
    ("pairs_about", "singles", "zero"),
    [(10, ("-2.7", "-1.8", "0.9", "0.6"), True), (7, ("2.0", "-2.0"), False)],
    ids=["zero wins", "zero loses"],
)
def test_reml_takes_the_higher_of_two_maxima(pairs_about, singles, zero):
    # Source: Searle, Casella and McCulloch 1992, 6.6 (from memory), as the witness above.
    # A large group among single readings: the likelihood has a maximum at zero and another away from it.
    middle, last = ("-1.2", "-1.5") if zero else ("0.4", "0.8")
    large = [Decimal(middle) + step for step in (1, -1) for _ in range(pairs_about)]
    drawn = [large, *([Decimal(v)] for v in singles), [Decimal(last)] * 2]
    wanted = float(witness.reml_between([fractions(run) for run in drawn]))
    assert (wanted == 0) == zero
    close(one_way(drawn).s_between.value ** 2, wanted, 1e-10)


def mixed_model(labels, values):
    """MixedLM's component where its optimiser converges off the boundary, else None."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = MixedLM(values, np.ones((len(values), 1)), groups=labels).fit(reml=True, method=["bfgs", "lbfgs"])
        except (np.linalg.LinAlgError, ValueError):
            return None
        gradient = np.abs(fit.model.score(fit.params_object)).max() if fit.converged else np.inf
    component = float(np.asarray(fit.cov_re)[0, 0])
    return component if gradient < 1e-4 and component > 1e-3 * fit.scale else None


def test_reml_run_component_matches_statsmodels_where_it_converges():
    # Open library: MixedLM of statsmodels.
    # Twelve unequal designs of seeded normal readings; at the least eight must converge, or nothing was compared.
    compared = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        counts = rng.integers(1, 6, size=7)
        counts[0] = 4
        values = [rng.normal(0, 1.5) + rng.normal(size=n) for n in counts]
        labels = np.repeat(np.arange(7), counts)
        component = mixed_model(labels, np.concatenate(values))
        if component is None:
            continue
        compared += 1
        assert one_way([list(v) for v in values]).s_between.value ** 2 == pytest.approx(component, rel=1e-4)
    assert compared >= 8


@examples(80)
@given(groups())
def test_reproducibility_matches_iso_5725_2_in_fractions(drawn):
    # Source: ISO 5725-2 (from memory), its formulas in fractions.
    exact = [fractions(values) for values in drawn]
    s_r2, s_L2, s_R2 = witness.iso_5725_2(exact)
    result = reproducibility(drawn)
    close(result.s_r.value, sqrt(s_r2))
    close(result.s_L.value**2, s_L2, 1e-11, scale=float(s_r2))
    close(result.s_R.value, sqrt(s_R2))
    close(result.R.value, 1.96 * sqrt(2) * sqrt(s_R2))
    close(result.r.value, 1.96 * sqrt(2) * sqrt(s_r2))
    close(result.mean.value, witness.average([v for values in exact for v in values]), 1e-15, scale=20.0)


@examples(60)
@given(laboratories())
def test_nested_components_match_expected_mean_squares_by_definition(drawn):
    exact = witness.nested([[fractions(run) for run in runs] for runs in drawn])
    result = nested_reproducibility(drawn)
    size = float(sum(exact.mean_squares))
    for value, wanted in zip(result.mean_squares, exact.mean_squares, strict=True):
        close(value, wanted, scale=1e-3 * size)
    for value, wanted in zip(result.components, exact.components, strict=True):
        close(value, wanted, 1e-11, scale=size)
    v_L, v_run, v_r = (max(0.0, float(part)) for part in exact.components)
    close(result.s_L.value**2, v_L, 1e-11, scale=size)
    close(result.s_run.value**2, v_run, 1e-11, scale=size)
    close(result.s_r.value**2, v_r, 1e-11, scale=1e-3 * size)
    close(result.s_R.value**2, v_L + v_run + v_r, 1e-11, scale=1e-3 * size)


@examples(60)
@given(laboratories())
def test_intervals_of_nested_components_match_formulas_typed_again(drawn):
    # Unweighted means (Burdick and Graybill 1992, 5.4), Ting et al. 1990, Graybill and Wang 1980 (all from memory).
    exact = witness.nested([[fractions(run) for run in runs] for runs in drawn])
    result = nested_reproducibility(drawn)
    (v_run, v_L), (w, c1, c2) = map(float, exact.plain), map(float, exact.plain_coefficients)
    ms = float(exact.mean_squares[2])
    df_L, df_run, df_r = exact.df
    run = [sqrt(end) for end in witness.ting(v_run / w, ms, df_run, df_r, w, 0.9, raised=True)]
    of_L = [sqrt(end) for end in witness.ting(v_L / c2, v_run, df_L, df_run, c2, 0.9, raised=True)]
    for estimate, (low, high) in ((result.s_run, run), (result.s_L, of_L)):
        wanted = (min(low, estimate.value), max(high, estimate.value))
        close_pair(estimate.interval(0.9), wanted, 1e-6, scale=1e-3 * high)
    c = (1.0, 1 - c2, max(0.0, 1 - c1 - (1 - c2) * w))
    low = sqrt(witness.graybill_wang(c, (v_L, v_run, ms), exact.df, 0.9)[0])
    raised_run = max(v_run, w * ms)
    raised_L = max(v_L, c2 * raised_run + (c1 - c2 * w) * ms)
    high = sqrt(witness.graybill_wang(c, (raised_L, raised_run, ms), exact.df, 0.9)[1])
    wanted = (min(low, result.s_R.value), max(high, result.s_R.value))
    close_pair(result.s_R.interval(0.9), wanted, 1e-6, scale=1e-3 * high)


MEAN_SQUARES = st.floats(0.01, 100)
DFS = st.integers(1, 40)
CONFIDENCES = st.sampled_from([0.8, 0.9, 0.95, 0.99])


@examples(80)
@given(st.lists(st.tuples(st.floats(0.05, 1), MEAN_SQUARES, DFS), min_size=1, max_size=4), CONFIDENCES)
def test_sum_of_mean_squares_interval_matches_graybill_and_wang(terms, confidence):
    c, s2, df = zip(*terms, strict=True)
    pair = sum_of_mean_squares_interval(c, s2, df, confidence=confidence)
    close_pair(pair, witness.graybill_wang(c, s2, df, confidence), scale=1e-3 * sum(s2))
    if len(terms) == 1:  # one mean square: the exact chi-square interval
        exact = [c[0] * end**2 for end in witness.sd_interval(sqrt(s2[0]), df[0], confidence)]
        close_pair(pair, exact)


@examples(80)
@given(MEAN_SQUARES, MEAN_SQUARES, DFS, DFS, st.floats(1, 6), CONFIDENCES)
def test_component_interval_matches_ting_and_is_zero_where_f_is_critical(s1, s2, n1, n2, n, confidence):
    pair = between_component_interval(s1, s2, n1, n2, n, confidence=confidence)
    # Under the root the terms nearly cancel: an end near zero keeps half the digits.
    close_pair(pair, witness.ting(s1, s2, n1, n2, 1 / n, confidence), 1e-7, scale=max(s1, s2) / n)
    # Ting's coefficients are made so that the ends agree with the exact F test of no component.
    tail = (1 - confidence) / 2
    for p, end in ((1 - tail, 0), (tail, 1)):
        critical = witness.f_quantile(p, n1, n2) * s2
        found = between_component_interval(critical, s2, n1, n2, n, confidence=confidence)
        assert found[end] <= 1e-6 * max(critical, s2)


@examples(50)
@given(groups(equal=True, offsets=st.just(Decimal(0))))
def test_intervals_of_precision_match_formulas_typed_again(drawn):
    exact = witness.one_way([fractions(values) for values in drawn])
    n = float(exact.harmonic)
    result = precision([[[v] for v in run] for run in drawn])
    ms = float(exact.between), float(exact.pooled)
    low, high = (sqrt(end) for end in witness.ting(*ms, *exact.df, 1 / n, 0.95, raised=True))
    value = result.s_run.value
    close_pair(result.s_run.interval(0.95), (min(low, value), max(high, value)), 1e-6, scale=1e-3 * high)
    c = (1 / n, 1 - 1 / n)
    low = sqrt(witness.graybill_wang(c, ms, exact.df, 0.95)[0])
    high = sqrt(witness.graybill_wang(c, (max(ms), ms[1]), exact.df, 0.95)[1])
    value = result.s_I.value
    close_pair(result.s_I.interval(0.95), (min(low, value), max(high, value)))


@examples(50)
@given(laboratories(equal=True))
def test_precision_of_preparations_read_twice_matches_fractions(drawn):
    # Runs of two preparations of two readings: the three-stage analysis with the first two stages joined to s_I.
    exact = witness.nested([[fractions(run) for run in runs] for runs in drawn])
    result = precision(drawn)
    v_run, v_preparation, v_reading = (max(0.0, float(part)) for part in exact.components)
    size = float(sum(exact.mean_squares))
    close(result.s_reading**2, v_reading, scale=1e-3 * size)
    close(result.s_preparation**2, v_preparation, 1e-11, scale=size)
    close(result.s_r.value**2, v_preparation + v_reading, 1e-11, scale=1e-3 * size)
    # s_run compares runs with preparations; where those explain less than nothing, their mean square stays as it is.
    assert exact.df == (len(drawn) - 1, len(drawn), 2 * len(drawn))
    between, of_preparations, _ = map(float, exact.mean_squares)
    v_run = max(0.0, (between - of_preparations) / 4)
    close(result.s_run.value**2, v_run, 1e-11, scale=size)
    close(result.s_I.value**2, v_run + v_preparation + v_reading, 1e-11, scale=1e-3 * size)


# --- lme4 ------------------------------------------------------------------------------------------------------------

LMER = """
suppressPackageStartupMessages(library(lme4))
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12), calc.derivs = FALSE)
one <- data.frame(y = c(%s), run = factor(c(%s)))
none <- data.frame(y = c(%s), run = factor(c(%s)))
two <- data.frame(y = c(%s), lab = factor(c(%s)), run = factor(c(%s)))
for (data in list(one, none)) {
  fit <- suppressMessages(lmer(y ~ 1 + (1 | run), data, REML = TRUE, control = control))
  cat(sprintf("%%.15g ", as.data.frame(VarCorr(fit))$vcov), "\\n")
}
fit <- lmer(y ~ 1 + (1 | lab / run), two, REML = TRUE, control = control)
v <- as.data.frame(VarCorr(fit))
cat(sprintf("%%.15g ", c(v$vcov[v$grp == "lab"], v$vcov[v$grp == "run:lab"], v$vcov[v$grp == "Residual"])), "\\n")
"""


def lmer(script: str) -> list[list[float]] | str:
    """The numbers that R prints, line by line, or why there are none."""
    program = shutil.which("Rscript")
    if program is None:
        return "Rscript is not on the path"
    answer = subprocess.run([program, "--vanilla", "-e", script], capture_output=True, text=True, timeout=600)
    if answer.returncode and "there is no package called" in answer.stderr:
        return "R has no package lme4"
    assert answer.returncode == 0, answer.stderr
    return [[float(word) for word in line.split()] for line in answer.stdout.splitlines()]


def test_components_match_lme4_where_the_machine_has_it():
    rng = np.random.default_rng(20)
    counts = [3, 1, 4, 2, 3, 5, 2, 4]
    runs = [list(np.round(rng.normal(0, 1.2) + rng.normal(size=n), 4)) for n in counts]
    alike = [[5.0, 5.9, 5.3, 4.4], [5.6, 5.2], [6.1, 5.4, 5.9], [4.8, 5.9], [5.1, 6.2, 5.0, 5.5, 5.8]]
    labs = [
        [list(np.round(lab + run + rng.normal(size=3), 4)) for run in rng.normal(0, 1.5, size=3)]
        for lab in rng.normal(0, 4, size=6)
    ]
    flat = [(v, i, f"{i}-{j}") for i, lab in enumerate(labs) for j, run in enumerate(lab) for v in run]

    def joined(values) -> str:
        return ", ".join(f"'{v}'" if isinstance(v, str) else repr(float(v)) for v in values)

    def named(groups) -> tuple[str, str]:
        return joined(v for run in groups for v in run), joined(f"r{i}" for i, run in enumerate(groups) for _ in run)

    two = joined(f[0] for f in flat), joined(f"l{f[1]}" for f in flat), joined(f[2] for f in flat)
    answer = lmer(LMER % (*named(runs), *named(alike), *two))
    if isinstance(answer, str):
        pytest.skip(answer)
    # lme4's optimiser stops at 1e-6 or so of the component, and on the bound it may stop a little above zero.
    assert answer[0][0] > 0.1 * answer[0][1]
    assert one_way(runs).s_between.value ** 2 == pytest.approx(answer[0][0], rel=1e-5)
    assert one_way(alike).s_between.value == 0
    assert answer[1][0] < 1e-6 * answer[1][1]
    # Balanced, all components positive: REML and the analysis of variance are the same.
    components = nested_reproducibility(labs).components
    assert min(components) > 0
    assert components == pytest.approx(answer[2], rel=1e-5)


# --- bias and tolerance limits ---------------------------------------------------------------------------------------


@examples(60)
@given(groups())
def test_bias_matches_exact_run_means(drawn):
    means = [witness.average(fractions(run)) for run in drawn]
    assume(len(set(means)) > 1)
    value, error = witness.average(means), sqrt(witness.variance(means) / len(means))
    result = trueness.bias(drawn)
    half = witness.t_quantile(0.975, len(means) - 1) * error
    close(result.value, value, 1e-15)
    close(result.standard_uncertainty, error)
    close_pair(result.interval(0.95), (float(value) - half, float(value) + half), scale=half if abs(value) < 1e6 else 0)
    # JCGM 100:2008, G.4.1: degrees of freedom of the joined uncertainty.
    u = 0.3
    joined = trueness.bias(drawn, reference_uncertainty=u)
    total = sqrt(error**2 + u**2)
    df = total**4 / (error**4 / (len(means) - 1))
    close(joined.standard_uncertainty, total)
    close(joined.degrees_of_freedom, df, 1e-11)
    half = witness.t_quantile(0.975, df) * total
    close_pair(joined.interval(0.95), (float(value) - half, float(value) + half), scale=half if abs(value) < 1e6 else 0)


@examples(40)
@given(st.lists(st.lists(STEPS, min_size=4, max_size=4), min_size=3, max_size=6), st.data())
def test_bias_line_matches_lines_in_fractions(errors, data):
    levels = [Fraction(1), Fraction(2), Fraction(5), Fraction(8)]
    weights = [fractions(data.draw(st.lists(st.integers(1, 50), min_size=4, max_size=4))) for _ in errors]
    ys = [[Fraction(v, 1024) for v in run] for run in errors]
    fits = [witness.least_squares(witness.powers(levels, 0, 1), y, w) for y, w in zip(ys, weights, strict=True)]
    a, b = ([fit.coefficients[i] for fit in fits] for i in (0, 1))
    n = len(fits)
    mean = [witness.average(a), witness.average(b)]
    cross = sum(((u - mean[0]) * (v - mean[1]) for u, v in zip(a, b, strict=True)), Fraction(0)) / (n - 1) / n
    covariance = [[witness.variance(a) / n, cross], [cross, witness.variance(b) / n]]
    determinant = covariance[0][0] * covariance[1][1] - cross**2
    assume(determinant > covariance[0][0] * covariance[1][1] / 10**6)
    result = trueness.bias_line(
        [[float(v) for v in levels]] * n,
        [[float(v) for v in y] for y in ys],
        [[float(v) for v in w] for w in weights],
    )
    for estimate, value, row in ((result.constant, mean[0], 0), (result.proportional, mean[1], 1)):
        close(estimate.value, value, 1e-11, scale=1.0)
        half = witness.t_quantile(0.975, n - 1) * sqrt(covariance[row][row])
        close_pair(estimate.interval(0.95), (float(value) - half, float(value) + half), scale=1.0)
    precision_matrix = witness.inverse(covariance)
    t_squared = sum((mean[i] * precision_matrix[i][j] * mean[j] for i in (0, 1) for j in (0, 1)), Fraction(0))
    close(result.t_squared, t_squared, 1e-8, scale=1e-3)
    critical = 2 * (n - 1) / (n - 2) * witness.f_quantile(0.95, 2, n - 2)
    close(result.critical, critical, 1e-9)
    assert result.zero_inside == (t_squared <= critical)


@examples(60)
@given(groups(), st.sampled_from([0.8, 0.9, 0.95]))
def test_tolerance_limits_match_the_printed_formulas(drawn, beta):
    # Mee 1984; Hubert et al. 2007 (both from memory); unequal runs with the harmonic mean of their sizes for n.
    exact = [fractions(run) for run in drawn]
    of_runs = witness.one_way(exact)
    n, s_r2 = float(of_runs.harmonic), float(of_runs.pooled)
    s_run2 = float(witness.reml_between(exact))
    half = witness.tolerance_half_width(s_r2, s_run2, len(drawn), n, of_runs.df[1], beta)
    centre = witness.average([witness.average(run) for run in exact])
    result = tolerance_limits(precision([[[v] for v in run] for run in drawn]), 0.0, beta=beta)
    close(result.high.value, half, 1e-9)
    close(result.low.value, -half, 1e-9)
    if of_runs.harmonic.denominator == 1 and len(set(map(len, drawn))) == 1:
        p, R = len(drawn), s_run2 / s_r2
        printed = (R + 1) ** 2 / ((R + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) / (p * n))
        close(result.degrees_of_freedom, printed, 1e-9)
    shifted = tolerance_limits(precision([[[v] for v in run] for run in drawn]), float(centre), beta=beta)
    close(shifted.high.value, float(centre) + half, 1e-9, scale=half)


# --- comparison ------------------------------------------------------------------------------------------------------

RATIOS = st.sampled_from([Fraction(1), Fraction(1, 4), Fraction(5, 2)])


@examples(30)
@given(pairs(), RATIOS)
def test_deming_and_jackknife_match_eighty_digits(drawn, ratio):
    # Deming 1943; Linnet 1990 (both from memory).
    x, y = drawn
    xs, ys = fractions(x), fractions(y)
    slope, intercept = witness.deming(xs, ys, ratio)
    result = deming.deming(x, y, ratio=float(ratio))
    t = witness.t_quantile(0.975, len(x) - 2)
    at = Fraction(7, 2)
    predicted = deming.difference_at(float(at), x, y, ratio=float(ratio))

    def prediction(a: list[Fraction], b: list[Fraction]) -> Decimal:
        line = witness.deming(a, b, ratio)
        return line[1] + (line[0] - 1) * witness.decimal(at)

    for estimate, value, statistic in (
        (result.slope, slope, lambda a, b: witness.deming(a, b, ratio)[0]),
        (result.intercept, intercept, lambda a, b: witness.deming(a, b, ratio)[1]),
        (predicted, prediction(xs, ys), prediction),
    ):
        close(estimate.value, value, 1e-11, scale=1.0)
        error = witness.jackknife(statistic, xs, ys)
        close(estimate.standard_uncertainty, error, 1e-9, scale=1e-3)
        close_pair(estimate.interval(0.95), (float(value) - t * error, float(value) + t * error), scale=1.0)


@examples(25)
@given(pairs(), RATIOS)
def test_deming_is_the_line_of_least_weighted_distance(drawn, ratio):
    x, y = drawn
    found = witness.deming_by_search([float(v) for v in x], [float(v) for v in y], float(ratio))
    # A minimum found by a general optimiser is known to half the digits of a double.
    assert deming.deming(x, y, ratio=float(ratio)).slope.value == pytest.approx(found, rel=1e-6)


@examples(25)
@given(pairs(reach=300), st.data())
def test_york_is_the_least_effective_variance_chi_square(drawn, data):
    # York et al. 2004 (from memory): slope, and the covariance of the whole problem at its solution.
    x, y = drawn
    sizes = st.lists(st.integers(5, 40), min_size=len(x), max_size=len(x))
    u_x, u_y = ([v / 100 for v in data.draw(sizes)] for _ in range(2))
    result = york.york(x, y, u_x, u_y)
    ends = [float(v) for v in (x[0], x[-1], y[0], y[-1])]
    near = (ends[3] - ends[2]) / (ends[1] - ends[0])
    slope, intercept, chi, covariance = witness.york(fractions(x), fractions(y), u_x, u_y, near)
    close(result.slope.value, slope, 1e-10)
    close(result.intercept.value, intercept, 1e-9, scale=1.0)
    close(result.chi_squared, chi, 1e-9, scale=1e-3)
    close(result.covariance, covariance[0, 1], 1e-7)
    df = len(x) - 2
    beyond = chi > witness.chi_square_quantile(0.95, df)
    quantile = witness.t_quantile(0.975, df) * sqrt(chi / df) if beyond else witness.normal_quantile(0.975)
    for estimate, variance in ((result.slope, covariance[1, 1]), (result.intercept, covariance[0, 0])):
        half = quantile * sqrt(variance)
        close_pair(estimate.interval(0.95), (estimate.value - half, estimate.value + half), 1e-7, scale=1.0)


@st.composite
def coarse_pairs(draw):
    """Few different values, so that pairs coincide, stand upright and lie on slopes of exactly -1."""
    n = draw(st.integers(3, 14))
    x = [i // 2 + draw(st.integers(0, 2)) for i in range(n)]
    y = [v + draw(st.integers(-2, 2)) for v in x]
    unit = draw(st.sampled_from([Decimal(1), Decimal("0.1"), Decimal("0.001")]))
    offset = draw(st.sampled_from([Decimal(0), Decimal(10) ** 9]))
    return [offset + v * unit for v in x], [offset + v * unit for v in y]


@pytest.mark.parametrize("strategy", [coarse_pairs(), pairs(most=14, reach=2500)], ids=["ties", "no ties"])
@examples(150)
@given(data=st.data(), confidence=st.sampled_from([0.9, 0.95]))
def test_passing_bablok_matches_brute_force(strategy, data, confidence):
    # Source: Passing and Bablok 1983 (from memory), its rule in fractions.
    x, y = data.draw(strategy)
    wanted = witness.passing_bablok(fractions(x), fractions(y), confidence)
    if wanted is None:
        with pytest.raises(ValueError, match="no finite median"):
            passing_bablok.passing_bablok(x, y)
        return
    result = passing_bablok.passing_bablok(x, y)
    close(result.slope.value, wanted.slope)
    close(result.intercept.value, wanted.intercept, 1e-12, scale=float(max(map(abs, x))))
    if wanted.limits is None:
        assert result.slope.interval(confidence) is None
        return
    assert result.slope.interval(confidence) == pytest.approx(wanted.limits, rel=1e-15)
    error = result.intercept.standard_uncertainty
    if error is None:  # fewer than six samples, or results that tie: said in the notes
        assert result.intercept.notes
        return
    half = witness.t_quantile((1 + confidence) / 2, len(x) - 2) * error
    ends = result.intercept.value - half, result.intercept.value + half
    close_pair(result.intercept.interval(confidence), ends, 1e-7, scale=float(max(map(abs, x))))


@examples(25)
@given(st.lists(STEPS, min_size=3, max_size=15), st.sampled_from([0.9, 0.95]), st.sampled_from([0.9, 0.95]))
def test_agreement_limits_and_mean_difference_match_integrals(steps, coverage, confidence):
    # Bland and Altman 1986; the exact interval from a non-central t that is integrated here.
    values = [Fraction(v, 1024) for v in steps]
    assume(len(set(values)) > 1)
    d = [float(v) for v in values]
    n, middle, s = len(d), float(witness.average(values)), sqrt(witness.variance(values))
    z = witness.normal_quantile((1 + coverage) / 2)
    low, high = agreement.agreement_limits(d, coverage=coverage)
    close(low.value, middle - z * s, scale=s)
    close(high.value, middle + z * s, scale=s)
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    near, far = (witness.noncentral_t_quantile(tail, n - 1, z * sqrt(n)) * s / sqrt(n) for tail in tails)
    near, far = min(near, z * s), max(far, z * s)
    close_pair(high.interval(confidence), (middle + near, middle + far), 1e-8, scale=s)
    close_pair(low.interval(confidence), (middle - far, middle - near), 1e-8, scale=s)
    mean, sd = paired_differences.mean_difference(d), paired_differences.sd_difference(d)
    half = witness.t_quantile((1 + confidence) / 2, n - 1) * s / sqrt(n)
    close_pair(mean.interval(confidence), (middle - half, middle + half), scale=s)
    close(sd.value, s)
    close_pair(sd.interval(confidence), witness.sd_interval(s, n - 1, confidence))


# --- detection -------------------------------------------------------------------------------------------------------


@examples(25)
@given(st.lists(STEPS, min_size=4, max_size=15), st.sampled_from([0.05, 0.01]), OFFSETS)
def test_limits_from_blanks_match_formulas_typed_again(steps, alpha, offset):
    # IUPAC 1995 (from memory); mean + 3 s and + 10 s (common practice); 40 CFR 136 Appendix B.
    assume(len(set(steps)) > 1)
    blanks = [reading(offset, v) for v in steps]
    exact = fractions(blanks)
    n, middle, s = len(exact), float(witness.average(exact)), sqrt(witness.variance(exact))
    k = witness.t_quantile(1 - alpha, n - 1) * sqrt(1 + 1 / n)
    iupac, plain = detection.iupac_1997(blanks, alpha=alpha), detection.blank_3s(blanks)
    for estimate, factor in (
        (iupac.critical_value, k),
        (iupac.detection_limit, 2 * k),
        (iupac.quantification_limit, 10.0),
        (plain.detection_limit, 3.0),
        (plain.quantification_limit, 10.0),
    ):
        scale = s if abs(middle) < 1e6 else 0.0
        close(estimate.value, middle + factor * s, scale=scale)
        interval = witness.mean_plus_k_sd_interval(exact, factor, 0.95)
        close_pair(estimate.interval(0.95), interval, 1e-7, scale=scale)
    spiked = detection.spiked_replicates(blanks).detection_limit
    close(spiked.value, witness.t_quantile(0.99, n - 1) * s, 1e-10)


@examples(30)
@given(st.integers(1, 60), st.sampled_from([0.01, 0.05, 0.1]), st.sampled_from([0.01, 0.05, 0.1]))
def test_noncentrality_matches_the_integral(df, alpha, beta):
    found = detection.noncentrality(df, alpha=alpha, beta=beta)
    close(found, witness.noncentrality(alpha, beta, df), 1e-9)


@examples(30)
@given(points(), st.sampled_from([0.05, 0.01]))
def test_limits_from_a_line_match_formulas_typed_again(drawn, alpha):
    # ISO 11843-2 with constant s; DIN 32645 (both from memory).
    x, y, _ = drawn
    xs, ys = fractions(x), fractions(y)
    fit = witness.least_squares(witness.powers(xs, 0, 1), ys)
    slope = abs(fit.coefficients[1])
    assume(slope > Fraction(1, 10) and fit.residual_sum > 0)
    sd, root, nu = witness.line_at_zero(xs, ys)
    assume(sd > 1e-4 * max(x))
    line, slope_t = straight_line(x, y), witness.slope_t(xs, ys)
    bound = witness.t_quantile(1 - alpha / 2, nu)
    assume(abs(slope_t - bound) > 1e-6 * bound)
    if slope_t < bound:
        assert detection.iso_11843_2(line, alpha=alpha).critical_value is None
        return
    assume(slope_t > 1.001 * witness.t_quantile(0.975, nu))
    iso, din = detection.iso_11843_2(line, alpha=alpha), detection.din_32645(line, alpha=alpha)
    critical = witness.t_quantile(1 - alpha, nu) * sd * root
    for estimate, value in (
        (iso.critical_value, critical),
        (iso.detection_limit, witness.noncentrality(alpha, alpha, nu) * sd * root),
        (din.critical_value, critical),
        (din.detection_limit, 2 * critical),
    ):
        close(estimate.value, value, 1e-9)
        if slope_t < 30:  # the sum of the witness is too coarse beyond
            close_pair(estimate.interval(0.95), [value * end for end in witness.over_slope(slope_t, nu, 0.95)], 1e-6)
    wanted = witness.din_quantification(xs, ys, alpha, 3.0)
    if wanted is None:
        assert din.quantification_limit is None or din.quantification_limit.value > 100 * max(x)
    else:
        close(din.quantification_limit.value, wanted, 1e-8)


@examples(25)
@given(
    st.lists(st.lists(st.integers(-500, 500), min_size=3, max_size=5, unique=True), min_size=4, max_size=6),
    st.sampled_from([0.05, 0.01]),
)
def test_limits_with_linear_sd_match_formulas_typed_again(noise, alpha):
    # ISO 11843-2, standard deviation linear in the level (from memory).
    x, y, codes = [], [], []
    for place, steps in enumerate(noise):
        level = 0.5 * 2**place - 0.5
        for v in steps:
            x.append(level)
            y.append(Decimal(str(20 * level)) + Decimal(v) * Decimal(str(1 + level)) / 1000)
            codes.append(place)
    xs, ys = fractions(x), fractions(y)
    cells = [[v for v, c in zip(ys, codes, strict=True) if c == place] for place in range(len(noise))]
    levels = sorted(set(xs))
    c, d = witness.iterated_sd_line(
        levels, [sqrt(witness.variance(cell)) for cell in cells], [len(cell) - 1 for cell in cells]
    )
    assume(c > 1e-3 and d > 1e-3)
    result = detection.iso_11843_2_linear_sd(x, y, codes, alpha=alpha)
    assume(not result.notes)
    critical, detectable = witness.iso_11843_2_linear_sd(xs, ys, (c, d), alpha)
    close(result.critical_value.value, critical, 1e-8)
    close(result.detection_limit.value, detectable, 1e-8)


# --- outlier tests ---------------------------------------------------------------------------------------------------


@examples(60)
@given(groups(least=3, equal=True), st.data())
def test_outlier_statistics_match_their_definitions(drawn, data):
    # ISO 5725-2:1994, 7.3 (from memory).
    exact = [fractions(cell) for cell in drawn]
    variances = [witness.variance(cell) for cell in exact]
    n = len(exact[0])
    cochran = outliers.cochran([float(v) for v in variances], n)
    close(cochran.statistic, max(variances) / sum(variances))
    k = outliers.mandel_k([sqrt(v) for v in variances], n)
    for value, wanted in zip(k.statistics, witness.mandel_k(exact), strict=True):
        close(value, wanted, scale=1e-3)
    means = [witness.average(cell) for cell in exact]
    assume(len(set(means)) > 1)
    for value, wanted in zip(outliers.mandel_h(means).statistics, witness.mandel_h(means), strict=True):
        close(value, wanted, 1e-11, scale=1.0)
    values = [v for cell in drawn for v in cell]
    exact_values = fractions(values)
    assume(len(set(values)) > 2)
    single = outliers.grubbs_single(values)
    close(single.statistic, witness.grubbs(exact_values), 1e-11)
    middle = witness.average(exact_values)
    assert abs(exact_values[single.index] - middle) == max(abs(v - middle) for v in exact_values)
    double = outliers.grubbs_double(values)
    close(double.statistic, witness.grubbs_pair(exact_values), 1e-10, scale=1e-3)


@sizes("draws", 20_000, 200_000)
@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize(("p", "n"), [(5, 3), (10, 2)])
def test_critical_values_hold_their_level_in_simulation(p, n, alpha, draws):
    # Sets of normal readings, fixed seed; four standard errors of the count. Cochran's bound and that of
    # Grubbs' single test are Bonferroni's: they may be a little cautious (up to alpha^2 / 2), never bold.
    cells = np.random.default_rng(1000 * p + n).standard_normal((draws, p, n))
    error = 4 * sqrt(alpha * (1 - alpha) / draws)
    s2, means = cells.var(axis=2, ddof=1), cells.mean(axis=2)
    share = (s2.max(axis=1) / s2.sum(axis=1) > outliers.cochran_critical(p, n, alpha)).mean()
    assert alpha - alpha**2 / 2 - error < share < alpha + error
    h = (means - means.mean(axis=1, keepdims=True)) / means.std(axis=1, ddof=1, keepdims=True)
    grubbs = (np.abs(h).max(axis=1) > outliers.grubbs_single_critical(p, alpha)).mean()
    assert alpha - alpha**2 / 2 - error < grubbs < alpha + error
    ordered = np.sort(means, axis=1)
    total = means.var(axis=1) * p
    low, high = (part.var(axis=1) * (p - 2) / total for part in (ordered[:, 2:], ordered[:, :-2]))
    pair = (np.minimum(low, high) < outliers.grubbs_double_critical(p, alpha)).mean()
    assert alpha - alpha**2 / 2 - error < pair < alpha + error
    # h and k are levels of one laboratory: all p are looked at, so p times as many count.
    single = (np.abs(h) > outliers.mandel_h(list(range(p)), alpha=alpha).critical).mean()
    assert abs(single - alpha) < error
    k = np.sqrt(s2 / s2.mean(axis=1, keepdims=True))
    single = (k > outliers.mandel_k([1.0] * p, n, alpha=alpha).critical).mean()
    assert abs(single - alpha) < error


# --- whole chapters: order, unit, shift, names -----------------------------------------------------------------------

#: Shares of simulated data sets of fixed seed: another order of the runs takes other draws. All else must hold.
BOOTSTRAPPED = {"calibration.weighted_lack_of_fit_p", "calibration.weighted_curvature_p"}

Columns = dict[str, list]


def columns(names: str, rows) -> Columns:
    return {name: list(values) for name, values in zip(names.split(), zip(*rows, strict=True), strict=True)}


def precision_sheet(rng) -> dict[str, Columns]:
    rows = [
        (level, f"R{run}", f"{level + shift + rng.normal(0, 0.03 * level):.4f}")
        for run, shift in enumerate(rng.normal(0, 0.05, size=5), start=1)
        for level in (1, 2, 5)
        for _ in range(rng.integers(2, 4))
    ]
    return {"precision": columns("level run result", rows)}


def reproducibility_sheet(rng) -> dict[str, Columns]:
    rows = [
        (level, f"L{laboratory}", f"D{day}", f"{level + shift + rng.normal(0, 0.05):.4f}")
        for laboratory, shift in enumerate(rng.normal(0, 0.2, size=5), start=1)
        for level in (1, 4)
        for day in (1, 2)
        for _ in range(rng.integers(1, 3) if laboratory > 1 else 2)
    ]
    return {"reproducibility": columns("level laboratory run result", rows)}


def calibration_sheet(rng) -> dict[str, Columns]:
    rows = [
        (level, f"R{run}", f"{4 + factor * level + rng.normal(0, 0.02 + 0.02 * level):.4f}")
        for run, factor in enumerate(20 + rng.normal(0, 0.1, size=3), start=1)
        for level in (0.5, 1, 2, 5, 10)
        for _ in range(2)
    ]
    return {"calibration": columns("level run response", rows)}


def detection_sheet(rng) -> dict[str, Columns]:
    rows = [
        ("blank oil", 0, f"R{run}", f"{shift + rng.normal(0, 0.02):.4f}")
        for run, shift in enumerate(rng.normal(0, 0.01, size=5), start=1)
        for _ in range(2)
    ]
    return {"detection": columns("material level run result", rows), **calibration_sheet(rng)}


def comparison_sheet(rng) -> dict[str, Columns]:
    rows = [
        (f"S{sample}", method, f"{size * (1.02 if method == 'candidate' else 1) + rng.normal(0, 0.05):.4f}")
        for sample, size in enumerate(np.linspace(1, 9, 12), start=1)
        for method in ("candidate", "reference")
        for _ in range(2)
    ]
    return {"comparison": columns("sample method result", rows)}


@pytest.fixture(scope="module", autouse=True)
def few_attained() -> Iterator[None]:
    """What chapters simulate beside their quantities is not looked at here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_attained, "STUDIES", 100)
        patch.setattr(_attained, "ROBUST", 50)
        _attained.rates_of.cache_clear()
        yield
    _attained.rates_of.cache_clear()


SHEETS = [precision_sheet, reproducibility_sheet, calibration_sheet, detection_sheet, comparison_sheet]
whole_chapters = examples(3, phases=(Phase.generate,))


def sheets_named(sheets):
    return pytest.mark.parametrize("sheet", sheets, ids=lambda sheet: sheet.__name__.removesuffix("_sheet"))


def quantities(worksheets: dict[str, Columns], **more) -> dict:
    """Every quantity that the chapters of the first worksheet give, by key and place."""
    studies = {name: small_study(name, table, **{"range_": (0.0, 10.0), **more}) for name, table in worksheets.items()}
    main = next(iter(worksheets))
    study = replace(studies[main], experiments={name: s.experiments[name] for name, s in studies.items()})
    found = {}
    for chapter in characteristics().values():
        # The budget and the decision rule are blocks of the plan, which these studies do not state.
        if chapter.experiment == main and chapter.name not in ("uncertainty", "decision"):
            evaluation = chapter.evaluate(study)
            assert not evaluation.missing, evaluation.missing
            found |= {(q.key, q.at): q for q in evaluation.quantities}
    assert len(found) >= 8
    return found


def rewritten(worksheets: dict[str, Columns], change) -> dict[str, Columns]:
    """`change` takes the name of a column and one of its values."""
    return {
        sheet: {name: [change(name, value) for value in values] for name, values in table.items()}
        for sheet, table in worksheets.items()
    }


def same(first, second, factor: float = 1.0, *, shift: float = 0.0):
    """Value and both intervals agree to 1e-9, the second being `factor` times the first plus `shift`."""
    for one, two in (
        ((first.value,), (second.value,)),
        (first.interval, second.interval),
        (first.judged_interval, second.judged_interval),
    ):
        assert (one is None) == (two is None), first.key
        for a, b in zip(one or (), two or (), strict=True):
            assert (a is None) == (b is None), first.key
            if a is not None:
                assert b == pytest.approx(factor * a + shift, rel=1e-9, abs=1e-12 * factor), first.key


@sheets_named(SHEETS)
@whole_chapters
@given(seed=SEEDS)
def test_chapters_do_not_depend_on_the_order_of_rows(sheet, seed):
    rng = np.random.default_rng(seed)
    worksheets = sheet(rng)
    shuffled = {}
    for name, table in worksheets.items():
        order = rng.permutation(len(next(iter(table.values()))))
        shuffled[name] = {column: [values[i] for i in order] for column, values in table.items()}
    before, after = quantities(worksheets), quantities(shuffled)
    assert before.keys() == after.keys()
    for place, quantity in before.items():
        assert sorted(quantity.notes) == sorted(after[place].notes)
        assert len(quantity.readings) == len(after[place].readings)
        if quantity.key not in BOOTSTRAPPED:
            same(quantity, after[place])


@sheets_named(SHEETS)
@whole_chapters
@given(seed=SEEDS)
def test_chapters_follow_a_change_of_unit(sheet, seed):
    # The study's unit a thousandth as large, that of the responses a hundredth: the bootstrap takes the same draws.
    worksheets = sheet(np.random.default_rng(seed))
    sizes = {"level": 1000, "result": 1000, "response": 100}
    in_unit = rewritten(worksheets, lambda name, v: str(Decimal(str(v)) * sizes[name]) if name in sizes else v)
    before = quantities(worksheets, customer_limits=(2.0, 4.0))
    after = quantities(in_unit, customer_limits=(2000.0, 4000.0), range_=(0.0, 10000.0))
    factors = {"study": 1000.0, "response": 100.0, "response/level": 0.1, "1": 1.0}
    assert len(before) == len(after)
    for (key, at), quantity in before.items():
        same(quantity, after[key, at * 1000 if isinstance(at, float) else at], factors[known_keys()[key].unit])


@sheets_named([precision_sheet, reproducibility_sheet, calibration_sheet, detection_sheet])
@whole_chapters
@given(seed=SEEDS)
def test_chapters_do_not_depend_on_the_names_of_runs_and_laboratories(sheet, seed):
    rng = np.random.default_rng(seed)
    worksheets = sheet(rng)
    names = rng.permutation(100)

    def renamed(column: str, value):
        return f"Z{names[int(value[1:])]}" if column in ("run", "laboratory") else value

    before, after = quantities(worksheets), quantities(rewritten(worksheets, renamed))
    assert before.keys() == after.keys()
    for place, quantity in before.items():
        if quantity.key not in BOOTSTRAPPED:
            same(quantity, after[place])


def shifted(worksheets: dict[str, Columns], *names: str) -> dict[str, Columns]:
    """A million more in the columns named."""
    return rewritten(worksheets, lambda name, v: str(Decimal(str(v)) + 10**6) if name in names else v)


def test_precision_and_bias_stay_where_results_and_levels_are_shifted():
    worksheets = precision_sheet(np.random.default_rng(11))
    before = quantities(worksheets)
    after = quantities(shifted(worksheets, "level", "result"), range_=(0.0, 2e6))
    names = ("repeatability.s_r", "repeatability.r", "intermediate_precision.s_run", "intermediate_precision.s_I")
    for key in (*names, "trueness.bias", "accuracy.tolerance_low", "accuracy.tolerance_high"):
        for level in (1.0, 2.0, 5.0):
            same(before[key, level], after[key, level + 1e6])


def test_reproducibility_stays_where_results_are_shifted():
    worksheets = reproducibility_sheet(np.random.default_rng(12))
    before, after = quantities(worksheets), quantities(shifted(worksheets, "result"))
    for (key, at), quantity in before.items():
        same(quantity, after[key, at], shift=1e6 if key == "reproducibility.mean" else 0.0)


def test_calibration_stays_where_responses_are_shifted():
    # Lines through zero excepted: they have a zero to keep.
    worksheets = calibration_sheet(np.random.default_rng(13))
    before, after = quantities(worksheets), quantities(shifted(worksheets, "response"))
    for (key, at), quantity in before.items():
        if key not in ("calibration.single_point_bias", "calibration.slope_through_zero"):
            same(quantity, after[key, at], shift=1e6 if key.endswith("intercept") else 0.0)


def test_detection_follows_a_shift_of_blanks_and_not_of_responses():
    worksheets = detection_sheet(np.random.default_rng(14))
    before = quantities(worksheets)
    of_line = {place for place in before if place[1].startswith(("ISO 11843-2", "DIN 32645"))}
    assert len(of_line) >= 6
    results, responses = (quantities(shifted(worksheets, name)) for name in ("result", "response"))
    for place, quantity in before.items():
        same(quantity, results[place], shift=0.0 if place in of_line else 1e6)
        same(quantity, responses[place])


def test_comparison_stays_where_both_methods_are_shifted():
    worksheets = comparison_sheet(np.random.default_rng(15))
    before, after = quantities(worksheets), quantities(shifted(worksheets, "result"))
    for name in ("mean_difference", "sd_difference", "agreement_low", "agreement_high", "deming_slope"):
        same(before[f"comparison.{name}", None], after[f"comparison.{name}", None])
    pb = [found["comparison.passing_bablok_slope", None] for found in (before, after)]
    same(*pb)
