"""Method comparison against York's, ISO/TS 28037's and Bland and Altman's printed results and independent witnesses."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy import optimize, stats
from small_study import small_study

from validation.characteristics.comparison import AT_LIMIT, AT_ZERO, CHARACTERISTIC, alternatives, evaluate, in_words
from validation.figures import comparison as figures
from validation.figures.style import svg_text
from validation.judging.outcomes import judge_study
from validation.judging.sensitivity import mark_fragile, variants
from validation.stats import comparison
from validation.study.history.plan_order import PlanOrder

REFERENCE = Path(__file__).parent / "reference"


def example(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def half_unit(printed: str) -> float:
    return 0.5000001 * 10.0 ** -len(printed.partition(".")[2])


def near(printed: str):
    return pytest.approx(float(printed), abs=half_unit(printed))


# Lines with an uncertainty for every point


def test_york_matches_pearsons_data_with_yorks_weights():
    # York 1966; York et al. 2004, Am. J. Phys. 72, 367, Table II, set 3. Uncertainties: the unscaled ones of 2004.
    content = example("cal-pearson-york")
    data, printed = content["data"], content["expected"]
    u_x, u_y = (1 / np.sqrt(data[name]) for name in ("w_x", "w_y"))
    line = comparison.york(data["x"], data["y"], u_x, u_y)
    assert line.intercept.value == near(printed["a"])
    assert line.slope.value == near(printed["b"])
    assert line.intercept.standard_uncertainty == near(printed["sigma_a"])
    assert line.slope.standard_uncertainty == near(printed["sigma_b"])
    assert line.chi_squared / 8 == near(printed["S_over_n_minus_2"])
    # York 1966 printed the scatter-scaled ones, 0.359 and 0.0706 (from the notes of the same example).
    assert "0.359" in line.intercept.notes[0]
    assert "0.0706" in line.slope.notes[0]


def test_york_interval_is_scaled_where_the_points_scatter_beyond_their_uncertainties():
    # Pearson's data again with half of York's uncertainties: chi-squared 47 on 8. The scaled uncertainties are those
    # that York 1966 printed, 0.359 and 0.0706 (from the notes of the same example), whatever the size claimed for u.
    content = example("cal-pearson-york")
    data = content["data"]
    u_x, u_y = (0.5 / np.sqrt(data[name]) for name in ("w_x", "w_y"))
    line = comparison.york(data["x"], data["y"], u_x, u_y)
    assert stats.chi2.sf(line.chi_squared, 8) < 0.001
    assert line.slope.value == near(content["expected"]["b"])
    assert line.intercept.standard_uncertainty == near("0.359")
    assert line.slope.standard_uncertainty == near("0.0706")
    half = stats.t.ppf(0.95, 8) * line.slope.standard_uncertainty
    assert line.slope.interval(0.9) == pytest.approx((line.slope.value - half, line.slope.value + half), rel=1e-12)
    assert line.slope.degrees_of_freedom == 8
    assert "times as much" in line.slope.notes[0]


def test_york_matches_iso_28037_generalised_distance_regression():
    # ISO/TS 28037:2010, 7.3 example.
    content = example("cal-iso28037-gdr")
    data, printed = content["data"], content["expected"]
    line = comparison.york(data["x"], data["y"], data["u_x"], data["u_y"])
    assert line.intercept.value == near(printed["a"])
    assert line.slope.value == near(printed["b"])
    assert line.intercept.standard_uncertainty == near(printed["u_a"])
    assert line.slope.standard_uncertainty == near(printed["u_b"])
    assert line.covariance == near(printed["cov_ab"])
    assert line.chi_squared == near(printed["chi2"])


# Deming


def phytic() -> tuple[list[Decimal], list[Decimal]]:
    """March, Simonet and Grases 1999, Analyst 124, 897: 20 samples by two methods."""
    data = example("cmp-phytic-acid")["data"]
    return [Decimal(str(v)) for v in data["EP"]], [Decimal(str(v)) for v in data["CF"]]


def brute_deming(x: np.ndarray, y: np.ndarray, ratio: float) -> tuple[float, float]:
    """Minimise the weighted squared distances over slope and every true x: no closed form anywhere."""

    def cost(parameters):
        a, b, true = parameters[0], parameters[1], parameters[2:]
        return np.concatenate([(x - true) * np.sqrt(ratio), y - a - b * true])

    start = np.concatenate([np.polyfit(x, y, 1)[::-1], x])
    found = optimize.least_squares(cost, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return found.x[1], found.x[0]


@pytest.mark.parametrize("ratio", [1.0, 0.25, 6.0])
def test_deming_is_the_minimum_of_weighted_distances(ratio):
    # Open library: the minimum is searched by scipy.optimize, on the data of cmp-phytic-acid.yaml.
    x, y = phytic()
    line = comparison.deming(x, y, ratio=ratio)
    slope, intercept = brute_deming(np.array(x, float), np.array(y, float), ratio)
    assert line.slope.value == pytest.approx(slope, abs=2e-7)
    assert line.intercept.value == pytest.approx(intercept, abs=5e-7)


def test_deming_jackknife_is_that_of_leaving_each_sample_out():
    # The jackknife of textbooks, (n - 1)/n times the sum of squares (from memory); t of scipy.
    x, y = phytic()
    line = comparison.deming(x, y, ratio=2.0)
    fits = [comparison.deming(x[:i] + x[i + 1 :], y[:i] + y[i + 1 :], ratio=2.0) for i in range(20)]
    for whole, left in (
        (line.slope, [f.slope.value for f in fits]),
        (line.intercept, [f.intercept.value for f in fits]),
    ):
        error = np.sqrt(19 / 20 * np.sum((np.array(left) - np.mean(left)) ** 2))
        assert whole.standard_uncertainty == pytest.approx(error, rel=1e-9)
        half = stats.t.ppf(0.975, 18) * error
        assert whole.interval(0.95) == pytest.approx((whole.value - half, whole.value + half), rel=1e-9)


def test_difference_at_follows_the_line_and_zero_is_the_intercept():
    x, y = phytic()
    line = comparison.deming(x, y)
    at_zero = comparison.difference_at(0.0, x, y)
    assert at_zero.value == pytest.approx(line.intercept.value, rel=1e-12)
    assert at_zero.standard_uncertainty == pytest.approx(line.intercept.standard_uncertainty, rel=1e-9)
    assert any("outside the reference values" in note for note in at_zero.notes)
    inside = comparison.difference_at(2.0, x, y)
    assert inside.value == pytest.approx(line.intercept.value + 2 * (line.slope.value - 1), rel=1e-10)
    assert not any("extended" in note for note in inside.notes)


def test_deming_takes_methods_in_either_order():
    # The same line read the other way: slope 1 / b, ratio 1 / ratio.
    x, y = phytic()
    one, other = comparison.deming(x, y, ratio=3.0), comparison.deming(y, x, ratio=1 / 3)
    assert other.slope.value == pytest.approx(1 / one.slope.value, rel=1e-12)


# Passing and Bablok


def brute_passing_bablok(x, y, confidence=0.95):
    """All pairs one by one in exact fractions, as the paper lists the rules."""
    slopes = []
    for i, j in itertools.combinations(range(len(x)), 2):
        dx, dy = Fraction(x[j]) - Fraction(x[i]), Fraction(y[j]) - Fraction(y[i])
        if dx == 0 and dy == 0:
            continue
        if dx == 0:
            slopes.append(float("inf") if dy > 0 else float("-inf"))
        elif dy / dx != -1:
            slopes.append(float(dy / dx))
    slopes.sort()
    n, big = len(x), len(slopes)
    k = sum(s < -1 for s in slopes)
    if big % 2:
        b = slopes[(big + 1) // 2 + k - 1]
    else:
        b = (slopes[big // 2 + k - 1] + slopes[big // 2 + k]) / 2
    c = stats.norm.ppf((1 + confidence) / 2) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    m1 = round((big - c) / 2)
    return b, slopes[m1 + k - 1], slopes[big - m1 + 1 + k - 1]


def tied(seed: int) -> tuple[list[Decimal], list[Decimal]]:
    """Readings to one decimal, so that coincident pairs, equal x and slopes of exactly -1 all occur."""
    generator = np.random.default_rng(seed)
    x = generator.uniform(0, 2, 25)
    y = x + generator.normal(0, 0.4, 25)
    return [Decimal(f"{v:.1f}") for v in x], [Decimal(f"{v:.1f}") for v in y]


@pytest.mark.parametrize("case", ["phytic", 1, 2, 3])
def test_passing_bablok_is_the_rule_applied_pair_by_pair(case):
    # Source: Passing and Bablok 1983 (from memory), its rule written out; data of cmp-phytic-acid.yaml.
    x, y = phytic() if case == "phytic" else tied(case)
    b, low, high = brute_passing_bablok(x, y)
    line = comparison.passing_bablok(x, y)
    assert line.slope.value == pytest.approx(b, rel=1e-14)
    assert line.slope.interval(0.95) == pytest.approx((low, high), rel=1e-14)
    floats = [np.array(v, float) for v in (x, y)]
    assert line.intercept.value == pytest.approx(np.median(floats[1] - b * floats[0]), abs=1e-14)
    assert line.intercept.interval(0.95) == pytest.approx(
        (np.median(floats[1] - high * floats[0]), np.median(floats[1] - low * floats[0])), abs=1e-14
    )


def test_ties_are_seen_in_decimals_that_doubles_would_blur():
    # 0.3 - 0.2 and 0.2 - 0.1 differ as doubles: a slope of exactly -1 must be left out all the same.
    x = [Decimal("0.1"), Decimal("0.2"), Decimal("0.3"), Decimal("0.7"), Decimal("0.9")]
    y = [Decimal("0.3"), Decimal("0.2"), Decimal("0.4"), Decimal("0.6"), Decimal("1.0")]
    assert comparison.passing_bablok(x, y).slopes == 9


def test_methods_that_swap_swap_the_slope():
    # Source: Passing and Bablok 1983 (from memory).
    # The property the paper is built on: the slope of x on y is one over the slope of y on x. With an odd number of
    # slopes the median is one of them, and the relation is exact.
    x, y = (values[:15] for values in phytic())
    assert comparison.passing_bablok(x, y).slopes % 2 == 1
    forth, back = comparison.passing_bablok(x, y), comparison.passing_bablok(y, x)
    assert back.slope.value == pytest.approx(1 / forth.slope.value, rel=1e-12)


def test_too_few_samples_give_no_limits_and_say_so():
    line = comparison.passing_bablok([1.0, 2.0, 3.0], [1.1, 2.1, 2.9])
    assert line.slope.interval(0.95) is None
    assert any("too few samples" in note for note in line.slope.notes_at(0.95))


def test_tied_limits_and_two_signs_leave_an_interval_out_and_say_so():
    tied = comparison.passing_bablok([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    assert (tied.slope.value, tied.slope.interval(0.95), tied.intercept.interval(0.95)) == (1.0, None, None)
    assert "tied slope" in tied.slope.notes_at(0.95)[0]
    # Readings about zero: lines with the limits of the slope turn about the middle and do not bound the intercept.
    x = [-3.0, -2.1, -0.9, 0.2, 1.1, 1.9, 3.2, 4.0]
    y = [-3.1, -2.0, -1.0, 0.3, 1.0, 2.1, 3.1, 4.2]
    both = comparison.passing_bablok(x, y)
    assert both.slope.interval(0.95) is not None
    assert both.intercept.interval(0.95) is None
    assert "one sign" in both.intercept.notes_at(0.95)[0]
    moved = comparison.passing_bablok([v + 10 for v in x], [v + 10 for v in y])
    assert moved.intercept.interval(0.95) is not None


# Differences and limits of agreement


def test_differences_that_are_alike_claim_no_interval():
    # An interval without width would meet any equivalence limit: rounding is no agreement.
    for found in (comparison.mean_difference([1.0, 1.0, 1.0]), comparison.sd_difference([1.0, 1.0, 1.0])):
        assert found.interval(0.95) is None
        assert "hidden by the rounding" in found.notes[0]
    with pytest.raises(ValueError, match="must scatter"):
        comparison.agreement_limits([1.0, 1.0, 1.0])
    x = [Decimal(v) for v in ("1.1", "2.3", "3.7", "5.2")]
    line = comparison.deming(x, [v + 1 for v in x])
    at = comparison.difference_at(2.0, x, [v + 1 for v in x])
    for found in (line.slope, line.intercept, at):
        assert found.interval(0.95) is None
        assert "to the last digit" in found.notes[0]
    assert at.value == pytest.approx(1.0, rel=1e-12)


def test_mean_difference_matches_two_one_sided_tests():
    # Reference values stored in the statsmodels test suite (test_tost.py): 90 % interval = two one-sided 5 % tests.
    content = example("cmp-tost-clinic")
    data, printed = content["data"], content["expected"]
    for name in ("var1", "var2"):
        first, second = data[f"group1_{name}"], data[f"group2_{name}"]
        found = comparison.mean_difference(comparison.differences(second, first))
        assert found.value == near(printed[f"paired_{name}_mean_diff"])
        assert found.standard_uncertainty == near(printed[f"paired_{name}_se"])
        assert found.interval(0.90)[0] == near(printed[f"paired_{name}_ci90_low"])
        assert found.interval(0.90)[1] == near(printed[f"paired_{name}_ci90_high"])


def test_differences_match_bland_and_altman_1986():
    # Lancet i, 307-310: first readings of both meters. The limits themselves are rounded in the paper, so not compared.
    content = example("cmp-bland-altman-pefr")
    data, printed = content["data"], content["expected"]
    d = comparison.differences(data["mini1"], data["wright1"])
    found, scatter = comparison.mean_difference(d), comparison.sd_difference(d)
    assert found.value == near(printed["mean_diff"])
    assert scatter.value == near(printed["sd_diff"])
    assert found.standard_uncertainty == near(printed["se_mean"])
    assert found.interval(0.95)[0] == near(printed["bias_ci_low"])
    assert found.interval(0.95)[1] == near(printed["bias_ci_high"])


def test_multiplier_2_of_the_paper_gives_mean_minus_and_plus_two_sd():
    # Source: Bland and Altman 1986, see cmp-bland-altman-pefr.yaml.
    # The paper multiplies by 2: the coverage whose normal quantile is 2. Its rounded intermediates: -2.1 -+ 2 * 38.8.
    content = example("cmp-bland-altman-pefr")
    data = content["data"]
    d = comparison.differences(data["mini1"], data["wright1"])
    low, high = comparison.agreement_limits(d, coverage=2 * stats.norm.cdf(2) - 1)
    recomputed = content["recomputed"]  # independent, 10 digits
    assert low.value == pytest.approx(recomputed["lower_LoA"], rel=1e-9)
    assert high.value == pytest.approx(recomputed["upper_LoA"], rel=1e-9)


def test_replicates_match_bland_and_altman_1986():
    # The same paper: repeatability standard deviation of differences of duplicates is sqrt(2) s; 33.2 is the standard
    # deviation of the differences of means of two, 37.7 the corrected one for single readings.
    content = example("cmp-bland-altman-pefr")
    data, printed = content["data"], content["expected"]
    wright = list(zip(data["wright1"], data["wright2"], strict=True))
    mini = list(zip(data["mini1"], data["mini2"], strict=True))
    v_wright, v_mini = comparison.replicate_variance(wright), comparison.replicate_variance(mini)
    assert np.sqrt(2 * v_wright.variance) == near(printed["repeat_sd_wright"])
    assert np.sqrt(2 * v_mini.variance) == near(printed["repeat_sd_mini"])
    d = np.mean(wright, axis=1) - np.mean(mini, axis=1)
    assert comparison.sd_difference(d).value == near(printed["sd_means_of_two"])
    scatter = comparison.sample_scatter(d.var(ddof=1), 16, v_wright, v_mini)
    assert scatter.single == near(printed["corrected_sd"])


@pytest.mark.parametrize(
    ("n", "share", "printed"), [(10, 0.95, "2.911"), (10, 0.90, "2.355"), (20, 0.95, "2.396"), (5, 0.99, "5.741")]
)
def test_interval_of_a_limit_is_the_one_sided_tolerance_limit(n, share, printed):
    # ISO 16269-6:2014, one-sided factors k at 95 % confidence (from memory; all reproduce): the upper 95 % bound of
    # mean + z s is mean + k s.
    values = np.arange(n) - (n - 1) / 2
    _, high = comparison.agreement_limits(values, coverage=2 * share - 1)
    assert high.interval(0.90)[1] / values.std(ddof=1) == near(printed)


def test_interval_of_a_limit_covers_as_stated():
    # Plain simulation, no formula: 2000 sets of 12 differences; 4 sigma of 0.95 is 0.019.
    d = np.random.default_rng(5).normal(0.3, 2.0, size=(2000, 12))
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    unit = np.arange(12.0)
    unit = (unit - unit.mean()) / unit.std(ddof=1)
    low, _ = comparison.agreement_limits(unit)
    truth = 0.3 - stats.norm.ppf(0.975) * 2.0
    ends = low.interval(0.95)
    share = np.mean((mean + ends[0] * s <= truth) & (truth <= mean + ends[1] * s))
    assert share == pytest.approx(0.95, abs=0.019)


def test_many_differences_keep_a_finite_interval():
    low, high = comparison.agreement_limits(np.random.default_rng(1).normal(size=2000))
    assert np.all(np.isfinite([*low.interval(0.95), *high.interval(0.95)]))
    assert low.interval(0.95)[0] < low.value < low.interval(0.95)[1]


def test_differences_of_large_readings_keep_their_small_part():
    x, y = phytic()
    big = Decimal(10**12)
    moved = comparison.deming([v + big for v in x], [v + big for v in y])
    assert moved.slope.value == pytest.approx(comparison.deming(x, y).slope.value, rel=1e-12)
    d = comparison.differences([v + big for v in x], [v + big for v in y])
    assert d == pytest.approx(comparison.differences(x, y), rel=1e-15)


def test_error_ratio_counts_replicates():
    two, one = [[1.0, 1.2], [2.0, 2.4]], [[1.0], [2.0]]
    spread = comparison.replicate_variance(two)
    assert spread.variance == pytest.approx((0.02 + 0.08) / 2)
    ratio, notes = comparison.error_variance_ratio(spread, comparison.replicate_variance(one))
    assert ratio == 1.0
    assert "no replicates of the reference" in notes[0]
    four = comparison.replicate_variance([[1.0, 1.2, 1.0, 1.2]])
    ratio, notes = comparison.error_variance_ratio(four, spread)
    assert ratio == pytest.approx((four.variance / 4) / (spread.variance / 2))
    assert "different numbers" in notes[0]


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: comparison.deming([1.0, 2.0], [1.0, 2.0]), "at least 3; got 2 and 2"),
        (lambda: comparison.deming([1.0, 2.0, 3.0], [1.0, 2.0]), "at least 3; got 3 and 2"),
        (lambda: comparison.deming([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], ratio=0.0), "positive number; got 0.0"),
        (lambda: comparison.deming([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "vary together"),
        (lambda: comparison.york([1.0, 2.0, 3.0], [1.0, 2.0, 3.1], [0.1, 0.0, 0.1], [0.1] * 3), "u_x must hold 3"),
        (lambda: comparison.passing_bablok([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "no finite median"),
        (lambda: comparison.mean_difference([]), r"n >= 1"),
        (lambda: comparison.sd_difference([1.0]), r"n >= 2"),
        (lambda: comparison.agreement_limits([1.0, float("nan")]), "finite"),
        (lambda: comparison.spread_of_replicates([[1.0], [2.0]]), "two degrees of freedom"),
        (lambda: comparison.spread_of_replicates([[1.0, 1.0, 1.0]]), "replicates that differ"),
    ],
)
def test_what_cannot_be_used_is_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()


# The characteristic


def columns(candidate, reference, **more):
    """Columns of a worksheet from {sample: readings} of both methods."""
    rows = [
        (sample, method, value)
        for method, cells in (("candidate", candidate), ("reference", reference))
        for sample, values in cells.items()
        for value in values
    ]
    found = dict(zip(("sample", "method", "result"), map(list, zip(*rows, strict=True)), strict=True))
    return found | {name: [value] * len(rows) for name, value in more.items()}


def pefr_study(**extra):
    data = example("cmp-bland-altman-pefr")["data"]
    candidate = {f"S{i + 1}": [data["wright1"][i], data["wright2"][i]] for i in range(17)}
    reference = {f"S{i + 1}": [data["mini1"][i], data["mini2"][i]] for i in range(17)}
    return small_study("comparison", columns(candidate, reference), unit="L/min", **extra)


def test_every_key_of_the_contract():
    requirement = {"id": "R1", "quantity": "comparison.difference_at", "at": 350, "rule": "equivalence", "limit": 30}
    found = evaluate(pefr_study(customer_limits=[300.0, 500.0], requirements=[requirement]))
    keys = {(q.key, q.at) for q in found.quantities}
    assert keys == {(info.key, None) for info in CHARACTERISTIC.keys if info.at == "none"} | {
        ("comparison.difference_at", at) for at in (300.0, 350.0, 500.0)
    }
    assert all(q.unit_name == "samples" and q.units == 17 and q.n == len(q.readings) == 68 for q in found.quantities)
    units = {q.key.partition(".")[2]: q.unit for q in found.quantities}
    assert units["deming_slope"] == units["relative_agreement_low"] == "1"
    assert units["agreement_low"] == units["difference_at"] == "L/min"
    assert found.get("comparison.sd_difference").value == near("33.2")  # Bland and Altman 1986, means of two
    json.dumps(found.to_dict(), allow_nan=False)


def test_judged_quantities_need_no_display():
    # Whoever looks at a verdict otherwise asks for judged quantities alone: every key of the chapter is among them.
    def never():
        raise AssertionError("shown")

    found = replace(evaluate(pefr_study(customer_limits=[300.0])), show=never)
    assert {q.key for q in found.judged} == {info.key for info in CHARACTERISTIC.keys}
    assert all(q.judged_interval is not None for q in found.judged)


def test_estimates_hand_over_every_level_as_json():
    # Shown and judged interval of the study, and a level that nobody asked for yet, all from what is written.
    found = evaluate(pefr_study(customer_limits=[300.0]))
    for q in found.judged:
        again = type(q).from_dict(json.loads(json.dumps(q.to_dict(), allow_nan=False)))
        assert again == q
        assert again.estimate.interval(0.99) == q.estimate.interval(0.99)


def test_passing_bablok_holds_points_not_slopes():
    # 400 samples have 79,800 slopes; what travels are the samples.
    x = [Decimal(k) / 10 for k in range(400)]
    y = [v + Decimal(k % 7) / 100 for k, v in enumerate(x)]
    slope = comparison.passing_bablok(x, y).slope
    assert len(json.dumps(slope.to_dict())) < 20 * 800


def test_sentences_never_offer_correlation_as_agreement():
    found = evaluate(pefr_study(customer_limits=[300.0]))
    said = " ".join(in_words(found, "L/min"))
    assert "At 300 L/min the predicted difference" in said
    assert "would not show agreement" in said
    assert not any("correlation" in info.key for info in CHARACTERISTIC.keys)


def test_without_replicates_the_ratio_is_one_and_said():
    x, y = phytic()
    study = small_study(
        "comparison", columns({f"U{i}": [v] for i, v in enumerate(y)}, {f"U{i}": [v] for i, v in enumerate(x)})
    )
    found = evaluate(study)
    slope = found.get("comparison.deming_slope")
    assert slope.value == pytest.approx(brute_deming(np.array(x, float), np.array(y, float), 1.0)[0], abs=2e-7)
    assert any("taken as 1" in note for note in slope.notes)
    assert found.get("comparison.york_slope") is None
    assert any("York" in note for note in found.notes)
    assert found.display.tables[1].rows == ()


def test_column_u_feeds_the_weighted_line():
    # ISO/TS 28037:2010, 7.3 example, through a worksheet with a column u.
    content = example("cal-iso28037-gdr")
    data, printed = content["data"], content["expected"]
    rows = {name: [] for name in ("sample", "method", "result", "u")}
    for i in range(6):
        for method, value, u in (("reference", "x", "u_x"), ("candidate", "y", "u_y")):
            for name, cell in zip(rows, (f"P{i}", method, data[value][i], data[u][i]), strict=True):
                rows[name].append(cell)
    found = evaluate(small_study("comparison", rows))
    slope = found.get("comparison.york_slope")
    assert slope.value == near(printed["b"])
    assert slope.standard_uncertainty == near(printed["u_b"])
    assert any("column u" in note for note in slope.notes)


def test_alike_differences_leave_the_limits_of_agreement_out():
    study = small_study(
        "comparison", columns({"A": [2.0], "B": [3.0], "C": [4.0]}, {"A": [1.0], "B": [2.0], "C": [3.0]})
    )
    found = evaluate(study)
    assert found.get("comparison.agreement_low") is None
    assert found.get("comparison.sd_difference").interval is None
    assert any("limits of agreement would hold" in note for note in found.notes)


def test_unequal_replicates_are_said():
    twice = small_study(
        "comparison", columns({"A": [1.0, 1.1], "B": [2.0], "C": [3.1]}, {"A": [1.0], "B": [2.1], "C": [3.0]})
    )
    assert any("unequal numbers" in note for note in evaluate(twice).get("comparison.mean_difference").notes)
    assert not any("unequal" in note for q in evaluate(pefr_study()).quantities for note in q.notes)


def test_unpaired_samples_are_named():
    study = small_study(
        "comparison", columns({"A": [1.0], "B": [2.0], "C": [3.0], "D": [4.1]}, {"A": [1.1], "B": [2.0], "D": [4.0]})
    )
    found = evaluate(study)
    assert any("1 sample lacks a reading of the reference method" in note and "C" in note for note in found.notes)
    assert found.get("comparison.mean_difference").units == 3


CANDIDATE = {"A": ["<0.5", "0.55"], "B": [1.0, 1.1], "C": [2.0, 2.1], "D": [3.0, 3.2], "E": [4.0, 4.3]}
REFERENCES = {"A": ["0.6", "0.5"], "B": [1.0, 1.0], "C": [2.0, 2.0], "D": [3.1, 3.0], "E": [4.0, 4.0]}


def test_a_sample_with_a_censored_result_is_left_out_whole_and_told():
    found = evaluate(small_study("comparison", columns(CANDIDATE, REFERENCES)))
    mean = found.get("comparison.mean_difference")
    # By hand: mean of 0.05, 0.05, 0.05 and 0.15; the second result of A, 0.55, does not stand for A alone.
    assert mean.value == pytest.approx(0.075, abs=1e-12)
    assert (mean.units, mean.n, mean.censored) == (4, 16, 0)
    assert "1 sample with a censored result was left out." in mean.notes
    assert any("common practice, no source" in note and "Sample A" in note for note in found.notes)


@pytest.mark.parametrize(("title", "difference"), [(AT_LIMIT, -0.025), (AT_ZERO, -0.275)])
def test_what_a_number_for_the_censored_result_would_change(title, difference):
    study = small_study("comparison", columns(CANDIDATE, REFERENCES))
    by_key = {(q.key, q.at): q for q in alternatives(study)[title]}
    # By hand: A's candidate is the mean of 0.55 and the limit 0.5, or zero; its reference is 0.55.
    expected = (4 * 0.075 + difference) / 5
    assert by_key["comparison.mean_difference", None].value == pytest.approx(expected, abs=1e-12)
    assert by_key["comparison.mean_difference", None].units == 5
    table = next(table for table in evaluate(study).display.tables if table.name == "other methods")
    assert title in {row[5] for row in table.rows}


def test_no_number_is_put_for_what_is_not_censored_and_no_zero_for_what_is_above_a_limit():
    numbers = {name: [value for value in cells if value != "<0.5"] for name, cells in CANDIDATE.items()}
    assert not {AT_LIMIT, AT_ZERO} & set(alternatives(small_study("comparison", columns(numbers, REFERENCES))))
    above = columns({**numbers, "F": [9.2]}, {**REFERENCES, "F": [">9"]})
    assert {AT_LIMIT, AT_ZERO} & set(alternatives(small_study("comparison", above))) == {AT_LIMIT}


def test_one_censored_sample_does_not_take_every_verdict_and_what_it_would_change_is_shown():
    requirement = {"id": "R1", "quantity": "comparison.mean_difference", "rule": "equivalence", "limit": 0.15}
    study = small_study("comparison", columns(CANDIDATE, REFERENCES), requirements=[requirement])
    evaluations = {"comparison": evaluate(study)}
    judgement = judge_study(study, evaluations, order=PlanOrder(state="shown"))
    (row,) = judgement.requirements
    assert (row.settled, row.observed) == ("met", pytest.approx(0.075))
    (row,) = mark_fragile(judgement, variants(study, evaluations, judgement)).requirements
    assert row.fragile == (f"{AT_ZERO}: not shown",)


def test_samples_that_are_all_censored_leave_no_comparison():
    study = small_study("comparison", columns({"A": ["<1", 1.0]}, {"A": [1.0]}))
    assert "without a censored result" in evaluate(study).missing


def test_a_sample_that_lies_apart_is_flagged_and_kept():
    candidate = {f"S{i}": [float(i) + 0.01 * (i % 3)] for i in range(1, 11)}
    candidate["S7"] = [9.0]
    reference = {f"S{i}": [float(i)] for i in range(1, 11)}
    found = evaluate(small_study("comparison", columns(candidate, reference)))
    (flag,) = found.flags
    assert flag.kept
    assert "S7" in flag.reason
    assert flag.reading == "T-007"
    assert found.get("comparison.mean_difference").units == 10
    drawn = svg_text(figures.difference_plot(found, small_study("comparison", columns(candidate, reference))))
    assert "S7, row 8" in drawn


def test_marked_samples_are_kept_named_and_their_distance_is_told():
    # By hand: S2 lies at 1.6 - 2.0 = -0.4, which is -0.4 / 1.8 = -22 % of the mean of both; the others at +0.1.
    candidate = {f"S{i}": [i + 0.1] for i in range(1, 11)} | {"S2": [1.6]}
    reference = {f"S{i}": [float(i)] for i in range(1, 11)}
    rows = columns(candidate, reference)
    rows["note"] = ["from the sump" if name == "S2" else "" for name in rows["sample"]]
    study = small_study("comparison", rows)
    found = evaluate(study)
    assert found.get("comparison.mean_difference").units == 10
    words = " ".join(CHARACTERISTIC.in_words(found, "%"))
    assert 'S2 is marked in the worksheet: "from the sump". It is kept in every number here' in words
    assert "its difference is \u22120.40 % (\u221222 % of the mean of both methods)" in words
    assert "the 9 unmarked samples lie at 0.10 % on average" in words
    assert "weathered" not in words  # the plan of this study names no fuel
    for draw in (figures.difference_plot, figures.relative_difference_plot, figures.comparison_plot):
        drawn = draw(found, study)
        assert "open: marked in the worksheet, kept" in drawn.axes[0].get_xlabel()
        markers = [line for line in drawn.axes[0].lines if line.get_marker() == "o"]
        assert sum(line.get_markerfacecolor() == "white" for line in markers) == 1
        assert "S2" in svg_text(drawn)
    table = found.display.tables[0]
    assert (table.head[-1], table.rows[1][-1]) == ("note", "from the sump")
    display = found.display
    named = replace(found, show=lambda: replace(display, view=replace(display.view, fuel="FB-7")))
    assert "contain what that does to the result" in " ".join(CHARACTERISTIC.in_words(named, "%"))
    plain = evaluate(small_study("comparison", columns(candidate, reference)))
    assert plain.display.tables[0].head[-1] == "relative difference"
    assert "marked" not in " ".join(CHARACTERISTIC.in_words(plain, "%"))


def test_order_of_rows_changes_nothing():
    data = example("cmp-bland-altman-pefr")["data"]
    whole = columns(
        {f"S{i}": [data["wright1"][i], data["wright2"][i]] for i in range(17)},
        {f"S{i}": [data["mini1"][i], data["mini2"][i]] for i in range(17)},
    )
    order = np.random.default_rng(4).permutation(68)
    mixed = {name: [values[i] for i in order] for name, values in whole.items()}
    first, second = (evaluate(small_study("comparison", rows)) for rows in (whole, mixed))
    assert [q.key for q in first.quantities] == [q.key for q in second.quantities]
    for a, b in zip(first.quantities, second.quantities, strict=True):
        assert a.value == pytest.approx(b.value, rel=1e-10, abs=1e-12)


@pytest.mark.parametrize(
    ("candidate", "reference"),
    [
        ({"A": [1.0]}, {"A": [1.1]}),
        ({"A": [1.0], "B": [2.0]}, {"A": [1.1], "B": [2.1]}),
        ({"A": [1.0], "B": [2.0], "C": [3.0]}, {"A": [1.0], "B": [2.0], "C": [3.0]}),
        ({"A": [1.0], "B": [1.0], "C": [1.0]}, {"A": [1.0], "B": [1.0], "C": [1.0]}),
        ({"A": [-1.0, -1.0], "B": [0.0, 0.0], "C": [1.0, 1.0]}, {"A": [-1.0], "B": [0.1], "C": [1.0]}),
        ({"A": [3.0], "B": [2.0], "C": [1.0], "D": [0.5]}, {"A": [1.0], "B": [2.0], "C": [3.0], "D": [4.0]}),
    ],
    ids=["one sample", "two samples", "equal methods", "no spread", "below zero", "falling"],
)
def test_thin_data_yield_fewer_quantities_and_sentences(candidate, reference):
    study = small_study("comparison", columns(candidate, reference), customer_limits=[2.0])
    found = evaluate(study)
    assert found.get("comparison.mean_difference") is not None
    json.dumps(found.to_dict(), allow_nan=False)
    assert in_words(found, "%")
    for name in CHARACTERISTIC.figures:
        drawn = getattr(figures, name)(found, study)
        assert drawn is None or svg_text(drawn)


def test_nothing_planned_awaiting_and_unpaired_throughout_are_said():
    assert "planned" in evaluate(small_study("detection", {"material": [], "result": []})).missing
    assert "awaited" in evaluate(small_study("comparison", {"sample": [], "method": [], "result": []})).missing
    only = small_study("comparison", {"sample": ["A"], "method": ["candidate"], "result": [1.0]})
    assert "No sample was measured by both" in evaluate(only).missing


def test_figures_carry_unit_limits_and_equal_scales():
    study = pefr_study(customer_limits=[300.0, 500.0])
    found = evaluate(study)
    assert "candidate minus reference / L/min" in svg_text(figures.difference_plot(found, study))
    plot = figures.comparison_plot(found, study)
    (axis,) = plot.axes
    assert axis.get_aspect() == 1.0
    assert axis.get_xlim() == axis.get_ylim()
    assert "limit 300 L/min" in svg_text(plot)
    assert "500 L/min" in svg_text(figures.difference_at_limits(found, study))
