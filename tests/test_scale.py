"""Many readings, and awkward ones: the same numbers, at a cost that grows with their number alone."""

from __future__ import annotations

import tracemalloc
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from study_folder import PRECISION, amend, write_study
from test_one_way import NIST, nist_set

from validation.dossier.registers import _count_of_variants
from validation.judging import sensitivity
from validation.judging.outcomes import evaluate, judge_study
from validation.stats import mixed_model as mixed
from validation.stats import straightness
from validation.stats.deming import deming
from validation.stats.estimate import centre, exact_mean
from validation.stats.mixed_model import mixed_model
from validation.stats.passing_bablok import MOST_SAMPLES, passing_bablok
from validation.stats.precision import precision
from validation.study.load import load_study

# Exact sums ------------------------------------------------------------------------------------------------------

STIFF = {path.stem: [value for group in nist_set(path)[0] for value in group] for path in NIST}
ODD = {
    "floats": [0.1, 0.2, 1e16, -3.3e-7],
    "floats and whole numbers": [0.1, 3, 7.25, np.int64(4)],
    "fractions": [Fraction(1, 3), Decimal("0.1"), 2, 0.5],
    "decimals too far apart for any context": [Decimal("1e-1500"), Decimal(1), Decimal("1e-700")],
    "one": [Decimal("4.02")],
}


@pytest.mark.parametrize("values", [*STIFF.values(), *ODD.values()], ids=[*STIFF, *ODD])
def test_differences_and_means_are_those_of_rational_arithmetic(values):
    # Python's Fraction is the reference. NIST's stiff sets (SmLs07 to SmLs09: 1e12 and tenths) are why readings are
    # not turned into doubles first: a double holds 1e12 to 1e-4 only, so of the scatter of 0.1 three digits are left.
    fractions = [Fraction(value) for value in values]
    offset, differences = centre(values)
    assert offset == fractions[0]
    assert differences.tolist() == [float(value - fractions[0]) for value in fractions]
    assert exact_mean(values) == sum(fractions) / len(fractions)


def test_doubles_first_lose_the_scatter_of_a_stiff_set():
    exactly = centre(STIFF["SmLs09"])[1]
    doubles = np.array([float(value) for value in STIFF["SmLs09"]])
    lost = np.abs(doubles - doubles[0] - exactly).max() / exactly.std()
    assert lost > 1e-4


def test_precision_of_many_readings_matches_plain_sums_of_numpy():
    y = np.random.default_rng(1).normal(4, 0.1, (2000, 10)).round(4)
    result = precision([[[Decimal(f"{value:.4f}")] for value in run] for run in y.tolist()])
    within, between = y.var(axis=1, ddof=1).mean(), y.mean(axis=1).var(ddof=1)
    assert result.s_r.value == pytest.approx(np.sqrt(within), rel=1e-11)
    assert result.s_run.value == pytest.approx(np.sqrt(max(0, between - within / 10)), rel=1e-9, abs=1e-9)


# The mixed model -------------------------------------------------------------------------------------------------


def crossed_and_nested(analysts: int, instruments: int, runs: int, readings: int):
    """Balanced: analysts by instruments, runs in each pair, readings in each run; shape and codes."""
    shape = (analysts, instruments, runs, readings)
    a, i, r, _ = np.indices(shape)
    rng = np.random.default_rng(5)
    parts = rng.normal(0, 1, analysts)[a] + rng.normal(0, 0.7, instruments)[i]
    parts = parts + rng.normal(0, 0.5, shape[:3])[:, :, :, None] + rng.normal(0, 1, shape)
    run = np.ravel_multi_index((a, i, r), shape[:3])
    columns = {"analyst": a, "instrument": i, "run": run}
    return parts, {name: [str(code) for code in codes.ravel()] for name, codes in columns.items()}


def test_ten_thousand_readings_give_the_expected_mean_squares_without_a_matrix_over_readings():
    # Balanced: REML is the textbook's analysis of variance. One matrix of 10,000 x 10,000 doubles is 763 MiB.
    y, factors = crossed_and_nested(10, 8, 25, 5)
    tracemalloc.start()
    result = mixed_model(y.ravel().tolist(), factors)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 100 * 2**20
    p, q, r, n = y.shape
    of_runs, a, b = y.mean(axis=3), y.mean(axis=(1, 2, 3)), y.mean(axis=(0, 2, 3))
    error = ((y - of_runs[..., None]) ** 2).sum() / (p * q * r * (n - 1))
    rest = of_runs - a[:, None, None] - b[None, :, None] + y.mean()
    run = n * (rest**2).sum() / (p * q * r - 1 - (p - 1) - (q - 1))
    expected = {
        "analyst": a.var(ddof=1) - run / (q * r * n),
        "instrument": b.var(ddof=1) - run / (p * r * n),
        "run": (run - error) / n,
    }
    for name, variance in expected.items():
        assert result.get(name).estimate.value ** 2 == pytest.approx(variance, rel=1e-8), name
    assert result.residual_sd**2 == pytest.approx(error, rel=1e-8)


def test_a_design_that_crosses_too_widely_is_told_and_not_fitted(monkeypatch):
    y, factors = crossed_and_nested(4, 4, 2, 2)
    monkeypatch.setattr(mixed, "MOST_WORK", 100)
    mixed._design.cache_clear()
    result = mixed_model(y.ravel().tolist(), factors)
    mixed._design.cache_clear()
    assert result.residual_sd is None
    assert all(component.estimate is None for component in result.components)
    assert "cross too widely" in result.reason


AWKWARD = {
    "one reading": [1.0],
    "two alike": [1.0, 1.0],
    "all alike": [2.5] * 12,
    "tied by rounding": [1.0, 1.1, 1.0, 1.1, 1.0, 1.0, 1.1, 1.0, 1.1, 1.1, 1.0, 1.0],
    "heavy tails": np.random.default_rng(2).standard_cauchy(12).tolist(),
    "one reading far out": [*np.random.default_rng(3).normal(size=11).tolist(), 1e60],
    "tiny": (1e-60 * np.random.default_rng(3).normal(size=12)).tolist(),
}
DESIGNS = {
    "unequal runs": [0, 0, 0, 0, 0, 1, 1, 2, 2, 2, 3, 4],
    "one run": [0] * 12,
    "single readings": list(range(12)),
    "pairs": [i // 2 for i in range(12)],
}


@pytest.mark.parametrize("codes", DESIGNS.values(), ids=DESIGNS)
@pytest.mark.parametrize("values", AWKWARD.values(), ids=AWKWARD)
def test_awkward_readings_get_an_answer_or_a_reason(values, codes):
    codes = codes[: len(values)]
    runs = {code: [v for v, c in zip(values, codes, strict=True) if c == code] for code in codes}
    result = precision([[[value] for value in run] for run in runs.values()])
    for estimate in (result.s_r, result.s_run, result.s_I):
        if estimate is not None:
            interval = estimate.interval(0.95)
            assert estimate.notes_at(0.95) or interval
            assert interval is None or interval[0] <= estimate.value <= interval[1]
    assert result.s_I is not None or result.notes
    columns = {"run": [str(code) for code in codes], "analyst": [str(code % 3) for code in codes]}
    fitted = mixed_model(values, columns)
    for component in fitted.components:
        assert component.reason or fitted.reason or component.estimate is not None
        if component.estimate is not None:
            low, high = component.estimate.interval(0.95)
            assert 0 <= low <= component.estimate.value <= high


# Comparison of methods -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [0, Fraction(1, 10**20)], ids=["in doubles", "in whole numbers"])
def test_pairwise_slopes_are_those_of_rational_arithmetic(shift):
    # Tied and vertical pairs on a grid; a twentieth digit makes the same numbers too long for doubles.
    rng = np.random.default_rng(4)
    t = rng.integers(1, 30, 25)
    x = [Fraction(int(v), 10) + (i == 0) * shift for i, v in enumerate(t)]
    y = [Fraction(int(v), 10) for v in t + rng.integers(-3, 4, 25)]
    slopes, below = [], 0
    for i in range(25):
        for j in range(i + 1, 25):
            dx, dy = x[j] - x[i], y[j] - y[i]
            if (dx, dy) == (0, 0) or dx == -dy:
                continue
            slopes.append(float(dy / dx) if dx else np.inf * np.sign(dy))
            below += slopes[-1] < -1
    slopes.sort()
    upper = len(slopes) // 2 + below
    middle = slopes[upper] if len(slopes) % 2 else (slopes[upper - 1] + slopes[upper]) / 2
    result = passing_bablok(x, y)
    assert (result.slopes, result.shift) == (len(slopes), below)
    assert result.slope.value == middle


def test_pairwise_slopes_of_too_many_samples_are_refused():
    x = [float(value) for value in range(MOST_SAMPLES + 1)]
    with pytest.raises(ValueError, match=f"of {MOST_SAMPLES} samples or fewer; got {MOST_SAMPLES + 1}"):
        passing_bablok(x, x)


@pytest.mark.parametrize("far", [0.0, 1e4], ids=["alike", "one sample far out"])
def test_jackknife_is_that_of_the_lines_without_each_sample(far):
    # Linnet 1990 (from memory): standard error from the n slopes without one sample each, by numpy's covariance.
    rng = np.random.default_rng(6)
    t = np.append(rng.uniform(1, 10, 30), 10 + far)
    x, y = t + rng.normal(0, 0.1, 31), 1.1 * t + rng.normal(0, 0.1, 31)
    slopes = []
    for i in range(31):
        (a, c), (_, b) = np.cov(np.delete(x, i), np.delete(y, i))
        slopes.append((b - a + np.sqrt((b - a) ** 2 + 4 * c**2)) / (2 * c))
    error = np.sqrt(30 / 31 * ((slopes - np.mean(slopes)) ** 2).sum())
    assert deming(x.tolist(), y.tolist()).slope.standard_uncertainty == pytest.approx(error, rel=1e-9)


# Looks at the verdicts -------------------------------------------------------------------------------------------


def test_many_looks_are_made_together_or_named_as_not_made(tmp_path: Path, monkeypatch):
    folder = write_study(tmp_path / "study", {"precision": PRECISION})
    for reading, new in (("P-001", "2.02"), ("P-005", "1.99"), ("P-009", "2.01")):
        amend(folder, reading, "correction", "result", new)
    study = load_study(folder)
    evaluations = evaluate(study)
    judgement = judge_study(study, evaluations)
    whole = sensitivity.variants(study, evaluations, judgement)
    assert [v.title for v in whole if v.kind == "run"] == [f"run {n} of precision left out" for n in (1, 2, 3)]
    assert "at once" not in _count_of_variants(whole)
    monkeypatch.setattr(sensitivity, "MOST_LOOKS", 2)
    few = sensitivity.variants(study, evaluations, judgement)
    runs = [(v.title, v.together) for v in few if v.kind == "run"]
    assert runs == [("runs 1 to 2 of precision left out", 2), ("run 3 of precision left out", 1)]
    assert sum(v.kind == "reading" for v in few) == 2
    (rest,) = (v for v in few if v.kind == "not made")
    assert rest.title == "1 further amended or flagged reading"
    assert "first 2 are looked at" in rest.failed
    assert "3 left-out runs" in _count_of_variants(few)
    assert "up to 2 neighbours were left out at once" in _count_of_variants(few)


def test_weighted_tests_of_straightness_name_their_limit(monkeypatch):
    levels, runs = np.tile(np.arange(8), 9), np.repeat(np.arange(9), 8)
    y = levels + np.random.default_rng(7).normal(0, 0.1, 72)
    monkeypatch.setattr(straightness, "MOST_WORK", 1000)
    result = straightness.weighted_tests(levels.tolist(), y.tolist(), levels, runs, draws=9)
    assert result.lack_of_fit_p is None
    assert result.reason.startswith("They are made of some sixty runs at most")
