"""The model of the whole range against dense covariance matrices, open libraries and printed examples."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from small_study import small_study

from validation.characteristics.intermediate_precision import CHARACTERISTIC
from validation.figures import intermediate_precision as figures
from validation.stats.over_levels import (
    CellMeans,
    RangeFits,
    curved,
    fit_over_levels,
    misfit,
    over_levels,
    simultaneous,
)

LEVELS = (0.5, 2.0, 5.0, 10.0)


def readings(seed, runs=6, each=2, own=(0.02, 0.012), scatter=(0.03, 0.018), bias=(0.02, 0.01)):
    """Levels, runs and errors of a study whose truth is stated."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.repeat(LEVELS, each), runs)
    run = np.repeat(np.arange(runs), each * len(LEVELS))
    lines = rng.standard_normal((runs, 2)) * own
    y = bias[0] + bias[1] * x + lines[run, 0] + lines[run, 1] * x
    return x, run, y + np.hypot(scatter[0], scatter[1] * x) * rng.standard_normal(x.size)


def dense_deviance(variances, x, run, y):
    """Minus twice the restricted log likelihood, from the whole covariance matrix of the readings (numpy)."""
    a_r, b_r, a, b = variances
    covariance = np.diag(a_r + b_r * x**2) + (run[:, None] == run) * (a + b * np.outer(x, x))
    levels = np.unique(x)
    design = np.asarray(x[:, None] == levels, dtype=float)
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    residual = y - design @ np.linalg.solve(information, design.T @ inverse @ y)
    logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
    line = np.column_stack([np.ones_like(x), x])
    of_line = np.linalg.inv(line.T @ inverse @ line)
    return logs + residual @ inverse @ residual, of_line @ line.T @ inverse @ y, of_line


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("unequal", [False, True])
def test_the_fit_is_that_of_dense_covariance_matrices(seed, unequal):
    # Open libraries: numpy for the likelihood of whole matrices, scipy's Nelder-Mead for its lowest point.
    x, run, y = readings(seed)
    if unequal:
        kept = np.random.default_rng(seed).permutation(x.size)[:37]
        x, run, y = x[kept], run[kept], y[kept]
    found = over_levels(x.tolist(), run.tolist(), y.tolist())
    parts = np.array([part.value for part in found.parts]) ** 2
    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20_000, "maxfev": 20_000}
    lowest = optimize.minimize(
        lambda logs: dense_deviance(np.exp(logs), x, run, y)[0],
        np.log(np.maximum(parts, 1e-7)),
        method="Nelder-Mead",
        options=options,
    )
    here, beta, covariance = dense_deviance(parts, x, run, y)
    assert here <= lowest.fun + 1e-5
    assert np.sqrt(np.exp(lowest.x)) == pytest.approx(np.sqrt(parts), rel=2e-3, abs=1e-3)
    assert found.constant.value == pytest.approx(beta[0], rel=1e-6, abs=1e-9)
    assert found.proportional.value == pytest.approx(beta[1], rel=1e-6, abs=1e-9)
    assert found.proportional.standard_uncertainty == pytest.approx(covariance[1, 1] ** 0.5, rel=1e-6)


def test_profile_intervals_are_those_of_dense_covariance_matrices():
    # Open libraries: as above; the interval ends where the deviance of the part, the others fitted again, has risen by
    # the chi-square point with one degree of freedom; 5 % of that are 2.5 % of the distance of the end.
    x, run, y = readings(4)
    found = over_levels(x.tolist(), run.tolist(), y.tolist())
    parts = np.array([part.value for part in found.parts])
    low, high = found.parts[1].interval(0.95)

    def rise(b_r):
        def of_others(logs):
            a_r, a, b = np.exp(logs)
            return dense_deviance((a_r, b_r**2, a, b), x, run, y)[0]

        start = np.log(np.maximum(parts[[0, 2, 3]] ** 2, 1e-7))
        options = {"xatol": 1e-7, "fatol": 1e-8, "maxiter": 5000, "maxfev": 5000}
        fitted = optimize.minimize(of_others, start, method="Nelder-Mead", options=options)
        return fitted.fun - dense_deviance(parts**2, x, run, y)[0]

    assert rise(low) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=0.05)
    assert rise(high) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=0.05)


def test_constant_parts_alone_are_a_mixed_model_of_statsmodels():
    # Open library: statsmodels MixedLM, REML, random intercepts of the runs, equal scatter; growing parts held at 0.
    x, run, y = readings(7, own=(5.0, 0.0), scatter=(4.0, 0.0))
    other = sm.MixedLM(y, np.asarray(x[:, None] == np.unique(x), dtype=float), groups=run).fit(reml=True)
    cells = cells_of(x, run, y)
    held = np.array([[False, True, False, True]])
    fit = fit_over_levels(cells, start=np.array([[10.0, 0.0, 10.0, 0.0]]), held=held)
    assert fit.variances[0, 0] == pytest.approx(other.scale, rel=1e-4)
    assert fit.variances[0, 2] == pytest.approx(float(other.cov_re[0, 0]), rel=1e-3)
    # The line by statsmodels GLS, through the levels' means with their covariance.
    line = sm.GLS(other.fe_params, sm.add_constant(np.unique(x)), sigma=other.cov_params()[:4, :4]).fit()
    assert fit.beta[0] / (1, x.max()) == pytest.approx(line.params, rel=1e-3)


def cells_of(x, run, y):
    return CellMeans.of(x, run, y[None, :])


def test_many_studies_at_once_are_single_ones():
    many = [readings(seed) for seed in range(5)]
    x, run, _ = many[0]
    together = CellMeans.of(x, run, np.stack([y for _, _, y in many]))
    fits = fit_over_levels(together)
    for place, (_, _, y) in enumerate(many):
        alone = over_levels(x.tolist(), run.tolist(), y.tolist())
        one = [part.value for part in alone.parts]
        scaled = np.sqrt(fits.variances[place]) / (1, x.max(), 1, x.max())
        assert one == pytest.approx(scaled.tolist(), rel=1e-5, abs=1e-6)


def test_bands_hold_a_stated_share_of_curves():
    # By counting: of 199 drawn curves at least 95 % lie within the band everywhere, and with one rank less they do not.
    curves = np.random.default_rng(3).standard_normal((199, 30)).cumsum(axis=1)
    low, high = simultaneous(curves, 0.95)
    assert np.mean(((low <= curves) & (curves <= high)).all(axis=1)) >= 0.95
    tighter = np.sort(curves, axis=0)
    rank = int(np.flatnonzero(tighter[:, 0] == low[0])[0]) + 1
    inside = (tighter[rank] <= curves) & (curves <= tighter[-rank - 1])
    assert np.mean(inside.all(axis=1)) < 0.95


def test_runs_that_differ_at_single_levels_are_said():
    # Truth known: cells of run and level differ by five times the scatter within; F test of scipy's distribution.
    x, run, y = readings(5, own=(0.0, 0.0))
    cell = np.unique(np.stack([run, x]), axis=1, return_inverse=True)[1].ravel()
    noise = np.random.default_rng(1).standard_normal(cell.max() + 1)[cell]
    found = over_levels(x.tolist(), run.tolist(), (y + 5 * np.hypot(0.03, 0.018 * x) * noise).tolist())
    assert any("differ at single levels" in note for note in found.notes)
    rng = np.random.default_rng(2)
    p = []
    for _ in range(300):
        x, run, y = readings(int(rng.integers(2**31)))
        cells = cells_of(x, run, y)
        p.append(misfit(cells, RangeFits(*truth_of(x.max()))))
    assert np.mean(np.array(p) < 0.1) == pytest.approx(0.1, abs=4 * (0.09 / 300) ** 0.5)


def truth_of(top):
    variances = np.array([[0.03**2, (0.018 * top) ** 2, 0.02**2, (0.012 * top) ** 2]])
    return variances, np.zeros((1, 2)), np.zeros((1, 2, 2)), np.zeros(1), np.zeros(1)


def test_a_curved_bias_leaves_the_scatter_alone_and_has_no_line():
    # Exact: a mean added to all readings of a level is a fixed effect of REML and leaves every variance as it was.
    x, run, y = readings(6)
    straight = over_levels(x.tolist(), run.tolist(), y.tolist())
    found = over_levels(x.tolist(), run.tolist(), (y + 0.03 - 0.007 * x**2).tolist())
    for one, other in zip(straight.parts, found.parts, strict=True):
        assert other.value == pytest.approx(one.value, rel=1e-5, abs=1e-7)
    assert found.bands.s_r == pytest.approx(straight.bands.s_r, rel=1e-3)
    assert (found.constant, found.proportional, found.bands.bias) == (None, None, None)
    assert any("does not lie on a line" in note for note in found.notes)
    assert not any("does not lie on a line" in note for note in straight.notes)


def test_curvature_is_that_of_dense_covariance_matrices():
    # Brute force: residual sums of squares of line and of free means by the whole covariance matrix (numpy) differ by
    # the levels' squares about the line; F distribution of scipy.
    x, run, y = readings(3)
    cells = cells_of(x, run, y)
    fit = fit_over_levels(cells)
    a_r, b_r, a, b = fit.variances[0] / (1, x.max() ** 2, 1, x.max() ** 2)
    inverse = np.linalg.inv(np.diag(a_r + b_r * x**2) + (run[:, None] == run) * (a + b * np.outer(x, x)))

    def squares(design):
        residual = y - design @ np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ y)
        return residual @ inverse @ residual

    free = np.asarray(x[:, None] == np.unique(x), dtype=float)
    expected = squares(np.column_stack([np.ones_like(x), x])) - squares(free)
    assert fit.curvature[0] == pytest.approx(expected, rel=1e-6)
    within = [(y[(run == r) & (x == v)].var(ddof=1)) / (a_r + b_r * v**2) for r in range(6) for v in LEVELS]
    assert curved(cells, fit) == pytest.approx(stats.f.sf(expected / 2 / np.mean(within), 2, 24), rel=1e-5)


def test_reference_values_that_differ_within_a_level_share_its_mean():
    # By design: levels named by codes give the same model as levels that are one number, but for the values' spread.
    x, run, y = readings(8)
    moved = x * (1 + 1e-6 * run)
    found = over_levels(moved.tolist(), run.tolist(), y.tolist(), groups=np.unique(x, return_inverse=True)[1].tolist())
    one = over_levels(x.tolist(), run.tolist(), y.tolist())
    for part, other in zip(found.parts, one.parts, strict=True):
        assert part.value == pytest.approx(other.value, rel=1e-3, abs=1e-4)
    assert found.proportional.value == pytest.approx(one.proportional.value, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda x, run, y: (x * 0 + 1, run, y), "All readings are at one level"),
        (lambda x, run, y: (x, run * 0, y), "1 run"),
        (lambda x, run, y: (x - 1, run, y), "below zero"),
        (lambda x, run, y: (x[::2], run[::2], y[::2]), "No run holds two readings"),
        (lambda x, run, y: (x, run, y * 0), "all agree"),
    ],
    ids=["one level", "one run", "below zero", "no replicates", "alike"],
)
def test_what_cannot_be_fitted_has_a_reason(change, reason):
    found = over_levels(*(part.tolist() for part in change(*readings(1))))
    assert reason in found.reason
    assert (found.parts, found.bands, found.constant) == ((), None, None)


def test_a_component_of_zero_has_an_upper_end():
    x, run, y = readings(12, own=(0.0, 0.0))
    found = over_levels(x.tolist(), run.tolist(), y.tolist())
    zero = [part for part in found.parts if part.value == 0]
    assert zero
    for part in zero:
        low, high = part.interval(0.95)
        assert low == 0
        assert high > 0


def test_the_model_follows_a_change_of_unit_and_of_level():
    x, run, y = readings(9)
    one = over_levels(x.tolist(), run.tolist(), y.tolist())
    two = over_levels((10 * x).tolist(), run.tolist(), (1000 * y).tolist())
    for k, factor in enumerate((1000, 100, 1000, 100)):
        assert two.parts[k].value == pytest.approx(factor * one.parts[k].value, rel=1e-6, abs=1e-6)
    assert two.bands.s_I == pytest.approx(1000 * one.bands.s_I, rel=1e-5)
    assert two.proportional.value == pytest.approx(100 * one.proportional.value, rel=1e-6)


def test_the_chapter_shows_the_whole_range_and_judges_nothing_by_it():
    x, run, y = readings(2)
    columns = {
        "level": [f"{value:g}" for value in x],
        "run": [f"R{value}" for value in run],
        "result": [f"{value:.4f}" for value in x + y],
    }
    study = small_study("precision", columns, range_=(0.5, 10.0))
    evaluation = CHARACTERISTIC.evaluate(study)
    tables = {table.name: table for table in evaluation.display.tables}
    assert [row[0] for row in tables["whole range"].rows] == ["0.5", "2", "5", "10"]
    assert len(tables["parts of the range"].rows) == 6
    assert not any("range" in q.key for q in evaluation.quantities)
    assert "stay the judged ones" in tables["whole range"].caption
    assert len(figures.whole_range(evaluation, study).axes) == 2
    labels = small_study("precision", {**columns, "level": ["low"] * 24 + ["high"] * 24})
    assert any("no model of the whole range" in note for note in CHARACTERISTIC.evaluate(labels).display.notes)
