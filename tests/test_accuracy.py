"""Tolerance limits, against their printed form, the special case of prediction, and their promise in simulation."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from scipy import special, stats
from small_study import small_study

from validation.characteristics import accuracy
from validation.figures import accuracy as figures
from validation.figures.style import svg_text
from validation.stats.accuracy import content_limits, tolerance_limits
from validation.stats.content import SingleResults, half_width, reach_interval
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


@pytest.mark.parametrize("content", [0.5, 0.9, 0.95, 0.999])
def test_half_width_is_the_root_of_a_non_central_chi_square_quantile(content):
    # Open library: scipy.stats.ncx2. (Z + offset)^2 is non-central chi-square on one degree of freedom.
    offsets = np.array([1e-6, 0.3, 1.0, 2.5, 8.0])
    expected = np.sqrt(stats.ncx2.ppf(content, 1, offsets**2))
    assert half_width(offsets, content) == pytest.approx(expected, rel=1e-9)


def test_content_limits_of_single_readings_are_howes():
    # NIST/SEMATECH e-Handbook, 7.2.6.3, 43 readings (tests/reference/tol-nist-43.yaml): k2 and both limits as printed.
    case = yaml.safe_load((Path(__file__).parent / "reference" / "tol-nist-43.yaml").read_text())
    data, printed = case["data"], case["expected"]
    n, s = data["n"], data["s"]
    shape = np.linspace(-1, 1, n)
    errors = [[[value]] for value in data["mean"] + s * shape / shape.std(ddof=1)]
    result = tolerance_limits(precision(errors), data["mean"])
    low, high = content_limits(result, content=data["coverage"], confidence=data["confidence"])
    assert f"{low.value:.6f}" == printed["lower"]
    assert f"{high.value:.5f}" == printed["upper"]
    assert f"{(high.value - data['mean']) / s:.7f}" == printed["k2_howe"]


def test_bounds_of_the_share_far_from_the_target_are_those_of_the_non_central_t():
    # Open library: scipy.special.nctdtrinc. Where all results lie near one limit the share is one-sided; its exact
    # bound is the normal probability of the non-centrality of sqrt(n)(L - mean)/s over sqrt(n). Ends that are joined
    # approximate it: to 3 points.
    n, mean, s = 12, 5.0, 0.2
    results = SingleResults(mean, s, n, (1.0,), (s**2,), (s**2,), (n - 1.0,))
    for limit in (5.2, 5.35, 5.5):
        t = np.sqrt(n) * (limit - mean) / s
        exact = [stats.norm.cdf(special.nctdtrinc(n - 1, p, t) / np.sqrt(n)) for p in (0.95, 0.05)]
        assert results.share_interval(limit, 0.9) == pytest.approx(exact, abs=0.03)


def test_share_is_that_of_a_normal_population():
    results = SingleResults(0.1, 0.2, 8, (1.0,), (0.04,), (0.04,), (7.0,))
    expected = stats.norm(0.1, 0.2).cdf(0.5) - stats.norm(0.1, 0.2).cdf(-0.5)
    assert results.share(0.5) == pytest.approx(expected, rel=1e-12)
    lower, upper = results.share_interval(0.5, 0.9)
    assert lower < results.share(0.5) < upper
    # The two ways round: the half-width whose bound gives the share is the limit itself.
    assert results.reach(lower, 0.9)[1] == pytest.approx(0.5, rel=1e-6)
    assert results.reach(upper, 0.9)[0] == pytest.approx(0.5, rel=1e-6)


@sizes("studies", 2000, 20_000)
@pytest.mark.parametrize("offset", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("counts", [(1,) * 8, (2,) * 5, (3,) * 12, (1, 1, 2, 2, 3, 4, 5, 6)], ids=str)
def test_on_the_limit_at_most_five_in_a_hundred_are_met(counts, offset, studies):
    # The claim of the rule `inside`: at most 5 % and 1.5 points, with three Monte Carlo errors; Student's t and
    # chi-square drawn by numpy, the limit set by scipy's non-central chi-square.
    rng, p = np.random.default_rng(7), len(counts)
    starts, harmonic, df = np.array(counts), p / sum(1 / n for n in counts), sum(counts) - p
    for ratio in (0.0, 1.0, 10.0):
        sd = np.sqrt(1 + ratio)
        limit = sd * np.sqrt(stats.ncx2.ppf(0.95, 1, max(offset, 1e-9) ** 2))
        means = offset * sd + rng.standard_normal((studies, p)) * np.sqrt(ratio + 1 / starts)
        above = harmonic * means.var(axis=1, ddof=1)
        below = rng.chisquare(df, studies) / df if df else np.zeros(studies)
        terms = ((1 / harmonic, 1 - 1 / harmonic), (above, below), (np.maximum(above, below), below), (p - 1, df or 1))
        _, high = reach_interval(means.mean(axis=1), p, *terms, content=0.95, level=0.9)
        assert (high <= limit).mean() <= 0.065 + 3 * np.sqrt(0.05 * 0.95 / studies)


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
        judged = info.key.startswith("accuracy.tolerance")
        assert info.pair == (("accuracy.tolerance_low", "accuracy.tolerance_high") if judged else None)
        assert info.rules == (("inside",) if judged else ())


def test_content_limits_are_shown_and_never_judged():
    evaluation = accuracy.evaluate(study_of(RUNS))
    assert all(not quantity.key.startswith("accuracy.content") for quantity in evaluation.judged)
    ends = {q.key: q.value for q in evaluation.quantities if q.at == 4.0}
    # They hold the share with confidence where the others hold it on average, so they are wider.
    assert ends["accuracy.content_low"] < ends["accuracy.tolerance_low"]
    assert ends["accuracy.content_high"] > ends["accuracy.tolerance_high"]


def test_unequal_runs_name_their_effective_size():
    evaluation = accuracy.evaluate(study_of([[0.1, 0.2, 0.15], [0.0, 0.05], [-0.1, -0.05, 0.0, 0.02]]))
    # Harmonic mean of 3, 2 and 4: 3 / (1/3 + 1/2 + 1/4) = 2.769.
    assert any("effective run size 2.769" in note for note in evaluation.quantities[0].notes)


def test_chapter_serialises_speaks_and_draws():
    study = study_of(RUNS)
    evaluation = accuracy.evaluate(study)
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert len(accuracy.in_words(evaluation, "%")) == 3
    drawn = svg_text(figures.accuracy_profile(evaluation, study))
    assert "within the limits" in drawn or "beyond the limits" in drawn


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
