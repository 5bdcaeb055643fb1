"""Tolerance limits, against their printed form, the special case of prediction, and their promise in simulation."""

from __future__ import annotations

import json

import numpy as np
import pytest
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.characteristics import accuracy
from validation.figures import accuracy as figures
from validation.figures.style import svg_text
from validation.stats.accuracy import tolerance_limits
from validation.stats.precision import precision

RUNS = [[0.11, 0.02, 0.07], [-0.05, 0.01, -0.09], [0.20, 0.16, 0.12], [0.03, -0.02, 0.05]]


def limits(runs, beta=0.95):
    centre = float(np.mean([np.mean(run) for run in runs]))
    return tolerance_limits(precision([[[value] for value in run] for run in runs]), centre, beta=beta)


def test_one_reading_a_run_is_the_classical_prediction_interval():
    # Mee 1984 reduces to mean +- t(p - 1) s sqrt(1 + 1/p), the prediction interval of any textbook.
    values = [1.2, 0.7, 1.9, 1.1, 1.4]
    half = stats.t.ppf(0.95, 4) * np.std(values, ddof=1) * np.sqrt(1 + 1 / 5)
    result = limits([[value] for value in values], beta=0.9)
    assert (result.low.value, result.high.value) == pytest.approx((np.mean(values) - half, np.mean(values) + half))


@pytest.mark.parametrize("runs", [RUNS, [[0.1, 0.9, 0.4], [0.8, 0.0, 0.5], [0.5, 0.45, 0.6]]], ids=["R > 0", "R = 0"])
def test_limits_match_the_form_of_hubert(runs):
    # Hubert et al. 2007, J. Pharm. Biomed. Anal. 45, 70 (from memory), written out for equal runs.
    table = np.array(runs)
    p, n = table.shape
    within = table.var(axis=1, ddof=1).mean()
    between = max(0.0, table.mean(axis=1).var(ddof=1) - within / n)
    R = between / within
    B = np.sqrt((R + 1) / (n * R + 1))
    nu = (R + 1) ** 2 / ((R + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) / (p * n))
    half = stats.t.ppf(0.975, nu) * np.sqrt(1 + 1 / (p * n * B**2)) * np.sqrt(between + within)
    result = limits(runs)
    assert result.degrees_of_freedom == pytest.approx(nu, rel=1e-10)
    assert result.high.value - result.low.value == pytest.approx(2 * half, rel=1e-10)
    assert (result.high.value + result.low.value) / 2 == pytest.approx(table.mean(), rel=1e-10)


@sizes("studies", 100, 500)
@pytest.mark.parametrize("counts", [(3,) * 8, (1, 2, 3, 4, 3, 3, 2, 4)], ids=["equal", "unequal"])
def test_expected_share_is_kept_in_simulation(counts, studies):
    # Mee 1984: the share of future results inside is beta on average. Standard error of 100 studies about 0.5 %, of 500
    # about 0.2 %; Mee reports shares within 1 to 2 % of the nominal one.
    rng = np.random.default_rng(2026)
    s_run, s_r = 0.09, 0.10
    shares = []
    for _ in range(studies):
        runs = [(rng.normal(0, s_run) + rng.normal(0, s_r, size)).tolist() for size in counts]
        result = limits(runs)
        total = stats.norm(0, np.hypot(s_run, s_r))
        shares.append(total.cdf(result.high.value) - total.cdf(result.low.value))
    assert np.mean(shares) == pytest.approx(0.95, abs=0.015 if studies == 500 else 0.025)


def test_one_run_is_refused():
    with pytest.raises(ValueError, match="at least two runs"):
        limits([[1.0, 2.0]])


def study_of(runs, **columns):
    rows = [
        (level, f"R{i + 1}", f"{level + value:.3f}") for level in (4, 8) for i, run in enumerate(runs) for value in run
    ]
    levels, names, results = zip(*rows, strict=True)
    requirements = [{"id": "R3", "quantity": "accuracy.tolerance_low", "rule": "inside", "limit": "sum(0.3, 1%)"}]
    return small_study(
        "precision", {"level": levels, "run": names, "result": results, **columns}, requirements=requirements
    )


def test_evaluation_is_of_the_error_and_comes_as_a_pair():
    study = study_of(RUNS)
    evaluation = accuracy.evaluate(study)
    expected = limits(RUNS)
    for level in (4.0, 8.0):
        low, high = (evaluation.get(f"accuracy.tolerance_{side}", level) for side in ("low", "high"))
        assert (low.value, high.value) == pytest.approx((expected.low.value, expected.high.value), rel=1e-9)
        assert low.interval is None
        assert any("no interval of its own" in note for note in low.notes)
    for info in accuracy.CHARACTERISTIC.keys:
        assert info.pair == ("accuracy.tolerance_low", "accuracy.tolerance_high")
        assert info.rules == ("inside",)


def test_unequal_runs_name_their_effective_size():
    evaluation = accuracy.evaluate(study_of([[0.1, 0.2, 0.15], [0.0, 0.05], [-0.1, -0.05, 0.0, 0.02]]))
    # Harmonic mean of 3, 2 and 4: 3 / (1/3 + 1/2 + 1/4) = 2.769.
    assert any("effective run size 2.769" in note for note in evaluation.quantities[0].notes)


def test_chapter_serialises_speaks_and_draws():
    study = study_of(RUNS)
    evaluation = accuracy.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert len(accuracy.in_words(evaluation, "%")) == 3
    assert "within the limits" in svg_text(
        figures.accuracy_profile(evaluation, study)
    ) or "leave the limits" in svg_text(figures.accuracy_profile(evaluation, study))


def test_one_run_and_label_levels_are_missing():
    one = small_study("precision", {"level": [2, 2], "run": ["a", "a"], "result": ["2.1", "2.3"]})
    assert "one run only" in accuracy.evaluate(one).missing
    labels = small_study("precision", {"level": ["a", "a"], "run": ["1", "2"], "result": ["2.1", "2.3"]})
    assert "labels" in accuracy.evaluate(labels).missing


def test_zero_scatter_gives_no_limits_and_says_so():
    # Limits without width would lie inside any requirement: rounding is no precision.
    two = {"level": [2] * 4 + [4] * 4, "run": ["a", "a", "b", "b"] * 2, "result": ["2.1"] * 4}
    alike = accuracy.evaluate(small_study("precision", {**two, "result": ["2.1"] * 4 + ["4.1"] * 4}))
    assert alike.quantities == ()
    assert "errors that differ" in alike.missing
    assert any("alike as written" in note for note in alike.notes)
    partly = accuracy.evaluate(small_study("precision", {**two, "result": ["2.1"] * 4 + ["4.1", "4.2", "4.3", "4.1"]}))
    assert {q.at for q in partly.quantities} == {4.0}
    assert any(note.startswith("Level 2: all errors are alike") for note in partly.notes)
    json.dumps(partly.to_dict(), allow_nan=False)
