"""Bias and the joint line, against general statistics libraries and by exact arithmetic."""

from __future__ import annotations

import json
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats
from small_study import small_study

from validation.characteristics import trueness
from validation.figures import trueness as figures
from validation.figures.style import svg_text
from validation.stats.trueness import bias, bias_line

RUNS = {"R1": (4.02, 4.10, 3.98), "R2": (4.21, 4.15, 4.19), "R3": (3.90, 3.97, 4.01), "R4": (4.05, 4.11)}


def at_four(**columns):
    rows = [("4", run, value) for run, values in RUNS.items() for value in values]
    levels, runs, results = zip(*rows, strict=True)
    return small_study("precision", {"level": levels, "run": runs, "result": results, **columns})


def test_interval_matches_the_one_sample_t_of_scipy():
    # scipy.stats.ttest_1samp on the run means.
    means = [np.mean(values) - 4 for values in RUNS.values()]
    expected = stats.ttest_1samp(means, 0).confidence_interval(0.9)
    q = trueness.evaluate(at_four()).get("trueness.bias", 4.0)
    assert q.value == pytest.approx(np.mean(means), rel=1e-12)
    assert q.judged_interval == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert q.judged_confidence == pytest.approx(0.9)
    assert q.degrees_of_freedom == 3
    assert (q.n, q.units) == (11, 4)
    assert any("level itself" in note for note in q.notes)


def test_difference_is_exact_for_large_readings():
    # Exact decimal arithmetic: the mean is a tenth, although the readings carry nine digits before the point.
    result = bias(
        [[Decimal("425000000.2") - Decimal("425000000.1")], [Decimal("425000000.4") - Decimal("425000000.3")]]
    )
    assert result.value == 0.1


def test_run_means_that_do_not_differ_have_no_interval():
    # An interval without width would meet any equivalence limit: rounding is no agreement.
    result = bias([[Decimal(v) for v in run] for run in (("0.1", "0.3"), ("0.3", "0.1"), ("0.2",))])
    assert result.value == pytest.approx(0.2)
    assert result.interval(0.95) is None
    assert "rounding hides" in result.notes[0]
    # A known uncertainty of the reference value gives it one.
    known = bias([[0.5], [0.5]], reference_uncertainty=0.02)
    assert known.interval(0.95) == pytest.approx(
        (0.5 - 0.02 * stats.norm.ppf(0.975), 0.5 + 0.02 * stats.norm.ppf(0.975))
    )


def test_unequal_runs_are_said():
    assert any("unequal numbers" in note for note in bias([[0.1, 0.2], [0.3]]).notes)
    assert not bias([[0.1, 0.2], [0.3, 0.1]]).notes


def test_reference_uncertainty_joins_by_root_sum_of_squares():
    # JCGM 100:2008, 5.1.2 and G.4.1, written out: u_c^2 = u_a^2 + u_b^2, nu = u_c^4 / (u_a^4 / nu_a).
    means = [np.mean(values) - 4 for values in RUNS.values()]
    u_a, u_b = np.std(means, ddof=1) / 2, 0.03
    u_c = np.hypot(u_a, u_b)
    q = trueness.evaluate(at_four(u_level=["0.03"] * 11)).get("trueness.bias", 4.0)
    assert q.standard_uncertainty == pytest.approx(u_c, rel=1e-12)
    assert q.degrees_of_freedom == pytest.approx(u_c**4 / (u_a**4 / 3), rel=1e-12)
    half = stats.t.ppf(0.975, q.degrees_of_freedom) * u_c
    assert q.interval == pytest.approx((q.value - half, q.value + half), rel=1e-12)
    assert any("root sum of squares" in note for note in q.notes)


def test_assigned_value_takes_the_place_of_the_level():
    shifted = trueness.evaluate(at_four(assigned=["3.9"] * 11)).get("trueness.bias", 4.0)
    plain = trueness.evaluate(at_four()).get("trueness.bias", 4.0)
    assert shifted.value == pytest.approx(plain.value + 0.1, rel=1e-12)
    assert not any("level itself" in note for note in shifted.notes)


LINES = {
    "x": [[0.5, 2, 5, 10], [0.5, 2, 5, 10], [0.5, 2, 5], [2, 5, 10], [0.5, 5, 10]],
    "y": [
        [0.02, 0.05, 0.0, -0.3],
        [0.01, -0.02, -0.1, -0.2],
        [0.04, 0.02, -0.04],
        [0.03, 0.0, -0.25],
        [0.0, 0.06, -0.1],
    ],
}
WEIGHTS = [[1 / (0.03 + 0.02 * x) ** 2 for x in row] for row in LINES["x"]]


def test_joint_line_matches_weighted_least_squares_run_by_run():
    # statsmodels WLS in each run; Student t of the run values by scipy.stats.ttest_1samp.
    import statsmodels.api as sm

    result = bias_line(LINES["x"], LINES["y"], WEIGHTS)
    fits = np.array(
        [
            sm.WLS(y, sm.add_constant(x), weights=w).fit().params
            for x, y, w in zip(*LINES.values(), WEIGHTS, strict=True)
        ]
    )
    for estimate, column in ((result.constant, fits[:, 0]), (result.proportional, fits[:, 1])):
        expected = stats.ttest_1samp(column, 0).confidence_interval(0.95)
        assert estimate.value == pytest.approx(column.mean(), rel=1e-10)
        assert estimate.interval(0.95) == pytest.approx((expected.low, expected.high), rel=1e-9)


def test_joint_region_matches_hotelling_of_statsmodels():
    # Open library: test_mvmean of statsmodels.
    from statsmodels.stats.multivariate import test_mvmean as hotelling

    result = bias_line(LINES["x"], LINES["y"], WEIGHTS)
    expected = hotelling(np.column_stack([result.intercepts, result.slopes]), [0, 0])
    assert result.t_squared == pytest.approx(expected.t2, rel=1e-9)
    # The region holds zero exactly where the test's p-value is at least 5 %.
    assert result.zero_inside == (expected.pvalue >= 0.05)
    at_edge = bias_line(LINES["x"], LINES["y"], WEIGHTS, confidence=1 - expected.pvalue)
    assert at_edge.critical == pytest.approx(expected.t2, rel=1e-9)


def test_runs_with_two_levels_are_refused():
    with pytest.raises(ValueError, match="at least three levels; got 2"):
        bias_line([[1, 2], [1, 2]], [[0, 0], [0, 0]], [[1, 1], [1, 1]])


def with_levels():
    rng = np.random.default_rng(11)
    rows = []
    for run in range(5):
        for level in (0.5, 2.0, 5.0) if run else (0.5, 2.0):
            rows += [(level, f"R{run + 1}", f"{0.1 + 0.96 * level + rng.normal(0, 0.05):.3f}") for _ in range(2)]
    levels, runs, results = zip(*rows, strict=True)
    requirements = [{"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": "max(0.15, 5%)"}]
    return small_study("precision", {"level": levels, "run": runs, "result": results}, requirements=requirements)


def test_joint_line_leaves_short_runs_out_and_says_so():
    evaluation = trueness.evaluate(with_levels())
    line = evaluation.get("trueness.proportional_bias")
    assert line.units == 4
    assert line.unit == "1"
    assert line.interval[0] < -0.04 < line.interval[1]
    assert any("left out of the joint line: R1" in note for note in line.notes)
    assert (
        evaluation.get("trueness.constant_bias").interval[0]
        < 0.1
        < evaluation.get("trueness.constant_bias").interval[1]
    )


def test_joint_line_names_the_readings_that_entered():
    rows = [(level, run) for level in (1, 2, 4) for run in "abc" for _ in range(2) if (level, run) != (4, "a")]
    results = [f"{level + 0.01 * (i % 5):.2f}" for i, (level, _) in enumerate(rows)]
    levels, runs = zip(*rows, strict=True)
    study = small_study("precision", {"level": levels, "run": runs, "result": results})
    evaluation = trueness.evaluate(study)
    table = study.experiments["precision"].table
    q = evaluation.get("trueness.constant_bias")
    assert q.n == len(q.readings) == 12
    assert set(q.readings) == set(table.loc[table["run"] != "a", "reading"])


def test_words_tell_run_means_without_difference():
    columns = {"level": [1, 1, 2, 2, 4, 4], "run": ["a", "b"] * 3, "result": ["1.1", "1.1", "2.1", "2.1", "4.1", "4.1"]}
    evaluation = trueness.evaluate(small_study("precision", columns))
    words = " ".join(trueness.in_words(evaluation, "%"))
    assert "do not differ as written" in words
    assert "(from )" not in words
    assert all(q.interval is None for q in evaluation.quantities)


def test_chapter_serialises_speaks_and_draws():
    study = with_levels()
    evaluation = trueness.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert len(trueness.in_words(evaluation, "%")) == 4
    assert "limit" in svg_text(figures.bias_by_level(evaluation, study))


def test_one_run_has_a_bias_without_interval():
    study = small_study("precision", {"level": [2, 2], "run": ["a", "a"], "result": ["2.1", "2.3"]})
    evaluation = trueness.evaluate(study)
    q = evaluation.get("trueness.bias", 2.0)
    assert q.value == pytest.approx(0.2)
    assert q.interval is None
    assert any("one run only" in note for note in q.notes)
    assert evaluation.get("trueness.constant_bias") is None
    assert any("need two runs" in note for note in evaluation.notes)
    assert figures.bias_by_level(evaluation, study) is not None
    assert trueness.in_words(evaluation, "%")


def test_label_levels_are_missing():
    study = small_study("precision", {"level": ["a", "a"], "run": ["1", "2"], "result": ["2.1", "2.3"]})
    assert "labels" in trueness.evaluate(study).missing


def test_negative_uncertainty_is_refused():
    with pytest.raises(ValueError, match="must not be negative; got -1"):
        bias([[1.0], [2.0]], reference_uncertainty=-1)
