"""Robust statistics against published values, and the looks by other methods that the characteristics offer."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from profiles import sizes
from small_study import precision_study, small_study
from statsmodels.robust.scale import Huber

from validation import resources
from validation.characteristics import calibration, comparison, intermediate_precision, repeatability, trueness
from validation.characteristics.registry import characteristics
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.sensitivity import variants
from validation.stats import robust
from validation.stats.precision import precision
from validation.stats.trueness import bias
from validation.study.load import load_study

REFERENCE = Path(__file__).parent / "reference"


def half_a_unit(printed: str) -> float:
    """Half a unit of the last digit that the source prints."""
    return float(Decimal(1).scaleb(Decimal(printed).as_tuple().exponent)) / 2


# Algorithm A -----------------------------------------------------------------------------------------------------


def test_algorithm_a_matches_copper_in_wholemeal_flour():
    # Analytical Methods Committee 1989, Analyst 114, 1693; ISO 13528, algorithm A (constants 1.483, 1.5, 1.134).
    example = yaml.safe_load((REFERENCE / "prc-robust-chem.yaml").read_text(encoding="utf-8"))
    values, printed = example["data"]["values"], example["expected"]
    result = robust.algorithm_a(values)
    assert result.mean == pytest.approx(float(printed["algA_location"]), abs=half_a_unit(printed["algA_location"]))
    assert result.sd == pytest.approx(float(printed["algA_scale"]), abs=half_a_unit(printed["algA_scale"]))
    # The two values that the authors point at, 5.28 and 28.95.
    assert result.moved == 2


def test_algorithm_a_is_hubers_second_proposal_up_to_its_rounded_constant():
    # statsmodels Huber (proposal 2 with k = 1.5): exact constant 1.13340 in place of 1.134, n - 1 in both.
    rng = np.random.default_rng(5)
    values = np.concatenate([rng.normal(10, 1, 40), [20.0, 25.0]])
    location, scale = Huber(c=1.5, tol=1e-10, maxiter=500)(values)
    result = robust.algorithm_a(values.tolist())
    assert result.mean == pytest.approx(float(location), abs=2e-3)
    assert result.sd == pytest.approx(float(scale), rel=2e-3)


def test_algorithm_a_keeps_small_differences_of_large_values():
    small = [0.1, 0.3, 0.2, 0.5, 0.25, 3.0]
    large = [Decimal("1e12") + Decimal(str(value)) for value in small]
    assert robust.algorithm_a(large).sd == pytest.approx(robust.algorithm_a(small).sd, rel=1e-12)


def test_robust_mean_has_the_interval_of_iso_13528():
    # ISO 13528: u(x*) = 1.25 s*/sqrt(p); Student's t on p - 1, 2.365 for 7 (any table).
    values = [1.0, 1.2, 0.9, 1.1, 1.05, 0.95, 1.15, 3.0]
    result, found = robust.robust_mean(values), robust.algorithm_a(values)
    half = 2.3646 * 1.25 * found.sd / np.sqrt(8)
    assert result.interval(0.95) == pytest.approx((found.mean - half, found.mean + half), rel=1e-4)
    joined = robust.robust_mean(values, reference_uncertainty=0.3)
    assert joined.standard_uncertainty == pytest.approx(np.hypot(1.25 * found.sd / np.sqrt(8), 0.3), rel=1e-12)


def test_values_that_are_mostly_alike_claim_no_interval():
    result = robust.robust_mean([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0])
    assert result.value == pytest.approx(1.0, abs=1e-9)
    assert result.interval(0.95) is None
    assert "Most values agree" in result.notes[0]
    assert robust.robust_mean([Decimal("1.5")]).interval(0.95) is None


def test_one_value_is_refused_by_algorithm_a():
    with pytest.raises(ValueError, match="at least two numbers; got 1"):
        robust.algorithm_a([1.0])


# Algorithm S -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("df", "eta", "xi"),
    [(1, 1.645, 1.097), (2, 1.517, 1.054), (3, 1.444, 1.039), (4, 1.395, 1.032), (5, 1.359, 1.027), (9, 1.277, 1.018)],
)
def test_factors_of_algorithm_s_match_the_table(df, eta, xi):
    # ISO 5725-5:1998, factors for algorithm S (from memory).
    assert robust.limit_factor(df) == pytest.approx(eta, abs=0.0005)
    assert robust.adjustment_factor(df) == pytest.approx(xi, abs=0.0005)


def test_algorithm_s_solves_its_own_equation_and_cuts_the_largest():
    # Source: ISO 5725-5 and ISO 13528, algorithm S, factors for one degree of freedom (from memory).
    # w*^2 = xi^2 mean(min(w, eta w*)^2), found here by bisection with the table's factors for one degree of freedom.
    w = np.array([0.28, 0.49, 0.40, 0.00, 0.35, 1.98, 0.80, 0.32])
    low, high = 0.01, 5.0
    for _ in range(100):
        middle = (low + high) / 2
        above = 1.097 * np.sqrt(np.mean(np.minimum(w, 1.645 * middle) ** 2)) > middle
        low, high = (middle, high) if above else (low, middle)
    assert robust.algorithm_s(w, [1] * 8) == pytest.approx(low, rel=2e-3)
    moved = w.copy()
    moved[5] = 1e6
    assert robust.algorithm_s(moved, [1] * 8) == pytest.approx(robust.algorithm_s(w, [1] * 8), rel=1e-9)


def test_unequal_degrees_of_freedom_count_by_their_number():
    # The same runs written twice change nothing; a run with many readings outweighs one with two.
    w, df = [0.1, 0.2, 0.15], [2, 3, 9]
    assert robust.algorithm_s(w * 2, df * 2) == pytest.approx(robust.algorithm_s(w, df), rel=1e-12)
    assert robust.algorithm_s([0.1, 0.1, 0.12], [1, 1, 50]) > robust.algorithm_s([0.1, 0.1, 0.12], [50, 50, 1])
    with pytest.raises(ValueError, match="equally long"):
        robust.algorithm_s([0.1], [1, 2])


@sizes("studies", 100, 400)
@pytest.mark.parametrize("ratio", [0.0, 1.0, 2.0])
def test_intervals_of_robust_precision_cover(ratio, studies):
    # Simulated normal studies of 8 runs by 3, within two binomial standard errors of 95 %; three where they are few.
    rng = np.random.default_rng(11)
    held = np.zeros(3)
    for _ in range(studies):
        y = rng.normal(size=(8, 3)) + ratio * rng.normal(size=(8, 1))
        result = robust.robust_precision([[[float(value)] for value in run] for run in y])
        truths = (1.0, ratio, np.hypot(1.0, ratio))
        estimates = (result.s_r, result.s_run, result.s_I)
        ends = [estimate.interval(0.95) for estimate in estimates]
        held += [low <= truth <= high for (low, high), truth in zip(ends, truths, strict=True)]
    allowed = (2 if studies == 400 else 3) * np.sqrt(0.95 * 0.05 / studies)
    assert np.all(held / studies >= 0.95 - allowed)
    # The between component covers more where it is small beside the scatter within; the others do not.
    assert np.all(held[[0, 2]] / studies <= 0.95 + allowed) or studies < 400


# Clean data, and one reading far out -----------------------------------------------------------------------------


def clean_runs(seed: int = 4, runs: int = 12) -> list[list[float]]:
    rng = np.random.default_rng(seed)
    return [(4 + rng.normal(0, 0.1) + rng.normal(0, 0.05, 3)).round(4).tolist() for _ in range(runs)]


def nested(runs: list[list[float]]) -> list[list[list[float]]]:
    return [[[value] for value in run] for run in runs]


def test_clean_data_agree_closely():
    runs = clean_runs()
    classical, other = precision(nested(runs)), robust.robust_precision(nested(runs))
    for name in ("s_r", "r", "s_run", "s_I"):
        assert getattr(other, name).value == pytest.approx(getattr(classical, name).value, rel=0.2)
    plain, moved = bias(runs), robust.robust_mean([float(np.mean(run)) for run in runs])
    assert moved.value == pytest.approx(plain.value, abs=0.25 * plain.standard_uncertainty)


def test_one_gross_outlier_barely_moves_the_robust_values():
    runs = clean_runs()
    spoiled = [list(run) for run in runs]
    spoiled[3][1] = 40.0
    before, after = robust.robust_precision(nested(runs)), robust.robust_precision(nested(spoiled))
    for name, most in (("s_r", 1.25), ("s_run", 1.4), ("s_I", 1.4)):
        assert getattr(after, name).value < most * getattr(before, name).value
    classical = precision(nested(spoiled))
    assert classical.s_r.value > 10 * after.s_r.value
    means = [[float(np.mean(run)) for run in data] for data in (runs, spoiled)]
    first, second = (robust.robust_mean(values) for values in means)
    assert abs(second.value - first.value) < first.standard_uncertainty
    assert abs(np.mean(means[1]) - np.mean(means[0])) > 10 * first.standard_uncertainty


def test_repeated_readings_of_one_preparation_are_no_replicates_here_either():
    rng = np.random.default_rng(3)
    runs = [
        [(10 + run + preparation + rng.normal(0, 0.01, 2)).tolist() for preparation in rng.normal(0, 0.3, 3)]
        for run in rng.normal(0, 0.5, 10)
    ]
    classical, other = precision(runs), robust.robust_precision(runs)
    for name in ("s_r", "s_run", "s_I"):
        assert getattr(other, name).value == pytest.approx(getattr(classical, name).value, rel=0.35)
    flat = [[[value] for readings in run for value in readings] for run in runs]
    assert robust.robust_precision(flat).s_r.degrees_of_freedom > other.s_r.degrees_of_freedom


def test_designs_that_supply_less_give_fewer_estimates():
    single = robust.robust_precision([[[1.0]], [[1.2]], [[0.9]]])
    assert (single.s_r, single.s_run) == (None, None)
    assert single.s_I.value > 0
    one = robust.robust_precision([[[1.0], [1.1]]])
    assert one.s_r.value > 0
    assert (one.s_run, one.s_I) == (None, None)
    alike = robust.robust_precision([[[1.0], [1.0]], [[1.0], [1.0]]])
    assert alike.s_r.interval(0.95) is None
    assert alike.s_I.interval(0.95) is None


# What the characteristics offer ----------------------------------------------------------------------------------


def assert_same_places(module, study, keys_by_title):
    """Each method gives the keys it can, where the chapter has them, with both intervals."""
    evaluation = module.evaluate(study)
    offered = module.alternatives(study)
    assert list(offered) == list(keys_by_title)
    for title, quantities in offered.items():
        assert {q.key for q in quantities} == set(keys_by_title[title])
        for q in quantities:
            own = evaluation.get(q.key, q.at)
            assert own is not None
            assert (q.unit, q.readings, q.n) == (own.unit, own.readings, own.n)
            assert q.judged_confidence == study.judged_confidence
            low, high = q.judged_interval
            assert q.interval[0] <= low <= high <= q.interval[1]
    shown = [table for table in evaluation.display.tables if table.name == "other methods"]
    # Calibration shows the other values as a column of its table by level.
    assert len(shown) == (module is not calibration)
    for table in shown:
        assert {row[5] for row in table.rows} == set(offered)


def test_precision_and_trueness_offer_robust_values():
    study = precision_study(clean_runs())
    assert_same_places(
        repeatability, study, {"robust standard deviation within runs": ("repeatability.s_r", "repeatability.r")}
    )
    assert_same_places(
        intermediate_precision,
        study,
        {"robust standard deviations between runs": ("intermediate_precision.s_run", "intermediate_precision.s_I")},
    )
    assert_same_places(trueness, study, {"robust mean of the run means": ("trueness.bias",)})


def calibration_study(spoil: float = 0.0):
    rng = np.random.default_rng(8)
    rows = []
    for run in ("C1", "C2", "C3", "C4"):
        slope = 100 + rng.normal(0, 0.5)
        for level in (0.5, 1.0, 2.0, 5.0, 10.0):
            for _ in range(3):
                rows.append((level, run, f"{slope * level + rng.normal(0, 1 + level):.2f}"))
    if spoil:
        level, run, value = rows[14]
        rows[14] = (level, run, f"{float(value) + spoil:.2f}")
    levels, runs, responses = zip(*rows, strict=True)
    return small_study("calibration", {"level": levels, "run": runs, "response": responses})


def test_calibration_offers_the_weighted_line():
    study = calibration_study()
    assert_same_places(calibration, study, {"weighted line": ("calibration.departure",)})
    # By numpy: the line with weights 1/s(x) (polyfit squares them), read back at the mean response of each level.
    evaluation = calibration.evaluate(study)
    a, b = (evaluation.get(f"calibration.sd_{part}").value for part in ("constant", "slope"))
    table = study.experiments["calibration"].table
    x, y = table["level"].to_numpy(), table["response"].to_numpy()
    slope, intercept = np.polyfit(x, y, 1, w=1 / (a + b * x))
    for q in calibration.alternatives(study)["weighted line"]:
        assert q.value == pytest.approx((y[x == q.at].mean() - intercept) / slope - q.at, rel=1e-6, abs=1e-9)


def test_a_spoiled_high_level_bends_the_ordinary_line_more_than_the_weighted_one():
    clean, spoiled = calibration_study(), calibration_study(spoil=300.0)
    low = 0.5
    ordinary = [calibration.evaluate(study).get("calibration.departure", low).value for study in (clean, spoiled)]
    weighted = [
        next(q.value for q in calibration.alternatives(study)["weighted line"] if q.at == low)
        for study in (clean, spoiled)
    ]
    assert abs(weighted[1] - weighted[0]) < 0.25 * abs(ordinary[1] - ordinary[0])


def comparison_study(spoil: float = 0.0):
    rng = np.random.default_rng(2)
    rows = []
    for number, content in enumerate(np.linspace(0.5, 9.5, 20)):
        for method in ("candidate", "reference"):
            for replicate in ("1", "2"):
                value = content + rng.normal(0, 0.02 + 0.02 * content)
                extra = spoil if (number, method) == (17, "candidate") else 0.0
                rows.append((f"S{number + 1}", method, replicate, f"{value + extra:.3f}"))
    names = ("sample", "method", "replicate", "result")
    return small_study("comparison", dict(zip(names, zip(*rows, strict=True), strict=True)), customer_limits=(2.0, 4.0))


def test_comparison_offers_the_weighted_line_and_pairwise_slopes():
    # Both methods read each sample twice: the weighted line is the reported one, Deming's stands beside it.
    study = comparison_study()
    line = ("comparison.deming_slope", "comparison.deming_intercept")
    places = {"weighted line (York)": line, "Deming's line": ("comparison.difference_at",), "Passing-Bablok": line}
    assert_same_places(comparison, study, places)
    evaluation, offered = comparison.evaluate(study), comparison.alternatives(study)
    for name, by in (("york", evaluation.judged), ("deming", offered["Deming's line"])):
        slope, intercept = (evaluation.get(f"comparison.{name}_{part}") for part in ("slope", "intercept"))
        differences = {q.at: q for q in by if q.key == "comparison.difference_at"}
        for level in (2.0, 4.0):
            at = differences[level]
            assert at.value == pytest.approx(intercept.value + (slope.value - 1) * level, abs=1e-12)
            # The variance of a + b x is that of its parts: between the levels it is a parabola through three of them.
            assert at.standard_uncertainty < intercept.standard_uncertainty + level * slope.standard_uncertainty
    ranks = {q.key: q for q in offered["Passing-Bablok"]}
    assert ranks["comparison.deming_slope"].value == evaluation.get("comparison.passing_bablok_slope").value


def test_a_sample_far_out_moves_pairwise_slopes_least():
    clean, spoiled = comparison_study(), comparison_study(spoil=5.0)
    ordinary = [comparison.evaluate(study).get("comparison.deming_slope").value for study in (clean, spoiled)]
    ranks = [comparison.alternatives(study)["Passing-Bablok"][0].value for study in (clean, spoiled)]
    assert abs(ranks[1] - ranks[0]) < 0.1 * abs(ordinary[1] - ordinary[0])


def test_experiments_that_are_not_there_offer_nothing():
    other = small_study("detection", {"material": ["blank"], "result": ["0.1"]})
    for item in characteristics().values():
        if item.alternatives is not None:
            assert item.alternatives(other) == {}


def test_the_looks_at_the_demonstration_study_list_the_other_methods():
    study = load_study(resources.folder("demo_data") / "new-grade")
    evaluations = evaluate(study)
    found = [v for v in variants(study, evaluations, judge_study(study, evaluations)) if v.kind == "method"]
    assert [v.title for v in found] == [
        "weighted line",
        "robust standard deviation within runs",
        "robust standard deviations between runs",
        "robust mean of the run means",
        "weighted line (York)",
        "Deming's line",
        "Passing-Bablok",
        "lines with equal weights",
        "lines with equal weights",
        "Lenth's PSE",
        "ratio by way of logarithms",
    ]
    assert not [v.failed for v in found if v.failed]
    # R2 asks for s_I, R1 for the bias, R5 and R6 for the predicted difference: each is decided anew.
    moved = {row.quantity for v in found for row, _ in v.moved}
    assert {"intermediate_precision.s_I", "trueness.bias", "comparison.difference_at"} <= moved
