"""Ratios and differences of two means: printed examples, scipy by inversion, the shape of Fieller's set."""

from __future__ import annotations

import doctest
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy import stats

from validation.stats import lots, recovery, two_means
from validation.stats.fuel import relative_spread, scatter_share
from validation.stats.intervals import fieller
from validation.stats.lots import normalised_difference
from validation.stats.sample_size import units_for_equivalence
from validation.stats.two_means import (
    half_width_to_expect,
    log_ratio,
    paired_difference,
    paired_ratio,
    pooled_relative_sd,
    welch_difference,
    welch_ratio,
)

REFERENCE = Path(__file__).parent / "reference"
FIRST = [4.81, 4.92, 5.07, 4.77, 5.01, 4.88, 4.95]
SECOND = [5.02, 4.97, 5.21, 5.09, 5.11, 4.93, 5.18]


def example(name: str) -> dict:
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text(encoding="utf-8"))


def half_digit(printed: str) -> float:
    return 0.5 * 10 ** -len(printed.partition(".")[2])


def test_welch_ratio_matches_the_printed_output():
    # Source: printed R output, see rat-welch-fieller.yaml.
    found = example("rat-welch-fieller")
    data, expected = found["data"], found["expected"]
    ratio = welch_ratio(data["numerators"], data["denominators"])
    difference = welch_difference(data["numerators"], data["denominators"])
    of_ratio, of_difference = (estimate.interval(data["confidence"]) for estimate in (ratio, difference))
    for value, key in (
        (np.mean(data["numerators"]), "mean_numerator"),
        (ratio.value, "ratio"),
        (of_ratio[0], "low"),
        (of_ratio[1], "high"),
        (difference.value / difference.standard_uncertainty, "welch_t"),
        (difference.degrees_of_freedom, "welch_df"),
        (of_difference[0], "difference_low"),
        (of_difference[1], "difference_high"),
    ):
        assert abs(value - float(expected[key])) <= half_digit(expected[key]), key


def test_differences_match_the_equivalence_tests_of_r():
    # Source: values of an R function in the statsmodels test suite, see cmp-tost-clinic.yaml (90 % intervals).
    found = example("cmp-tost-clinic")
    data, expected = found["data"], found["expected"]
    for variable in ("var1", "var2"):
        first, second = data[f"group1_{variable}"], data[f"group2_{variable}"]
        paired, welch = paired_difference(first, second), welch_difference(first, second)
        of_paired, of_welch = paired.interval(0.9), welch.interval(0.9)
        for value, key in (
            (paired.value, f"paired_{variable}_mean_diff"),
            (paired.standard_uncertainty, f"paired_{variable}_se"),
            (of_paired[0], f"paired_{variable}_ci90_low"),
            (of_paired[1], f"paired_{variable}_ci90_high"),
            (welch.degrees_of_freedom, f"welch_{variable}_df"),
            (of_welch[0], f"welch_{variable}_ci90_low"),
            (of_welch[1], f"welch_{variable}_ci90_high"),
        ):
            assert abs(value - float(expected[key])) <= half_digit(expected[key]), key


@pytest.mark.parametrize(("few", "more"), [(2, 6), (6, 2), (3, 7)])
def test_few_and_unequal_readings_take_the_quantile_of_cochran_and_cox(few, more):
    # Cochran and Cox 1950 (from memory), by hand: t' = (v1 t1 + v2 t2) / (v1 + v2), quantiles of scipy.stats.t.
    first, second = FIRST[:few], SECOND[:more]
    found = welch_difference(first, second)
    v1, v2 = (np.var(side, ddof=1) / len(side) for side in (first, second))
    t = (v1 * stats.t.ppf(0.95, few - 1) + v2 * stats.t.ppf(0.95, more - 1)) / (v1 + v2)
    middle, half = np.mean(first) - np.mean(second), t * np.sqrt(v1 + v2)
    assert found.interval(0.9) == pytest.approx((middle - half, middle + half), rel=1e-9)
    assert found.standard_uncertainty == pytest.approx(np.sqrt(v1 + v2), rel=1e-12)
    assert any("Cochran and Cox" in note for note in found.notes)
    # Of a ratio, by inversion: first - end * second lies t' standard errors from zero, t' at the ratio found.
    ratio = welch_ratio(first, second)
    r = np.mean(first) / np.mean(second)
    t = (v1 * stats.t.ppf(0.95, few - 1) + r**2 * v2 * stats.t.ppf(0.95, more - 1)) / (v1 + r**2 * v2)
    for end in ratio.interval(0.9):
        off = abs(np.mean(first) - end * np.mean(second)) / np.sqrt(v1 + end**2 * v2)
        assert off == pytest.approx(t, rel=1e-9)


@pytest.mark.parametrize(("first", "second"), [(2, 2), (3, 3), (4, 7)])
def test_other_numbers_of_readings_take_the_interval_of_welch(first, second):
    # Open library: stats.ttest_ind of scipy.
    sides = FIRST[:first], SECOND[:second]
    expected = stats.ttest_ind(*sides, equal_var=False).confidence_interval(0.95)
    assert welch_difference(*sides).interval(0.95) == pytest.approx((expected.low, expected.high), rel=1e-9)


def test_the_ends_of_a_paired_ratio_are_just_compatible_with_the_values():
    # Fieller 1954 by inversion: scipy.stats.ttest_1samp of first - end * second has p = 1 - confidence at both ends.
    found = paired_ratio(FIRST, SECOND)
    low, high = found.interval(0.9)
    for end in (low, high):
        assert stats.ttest_1samp(np.array(FIRST) - end * np.array(SECOND), 0).pvalue == pytest.approx(0.1, rel=1e-9)
    assert low < found.value < high
    assert found.value == pytest.approx(np.mean(FIRST) / np.mean(SECOND), rel=1e-14)
    assert (found.degrees_of_freedom, found.units, found.n) == (6, 7, 14)


def test_fieller_with_a_known_denominator_is_a_t_interval():
    # Open library: t of scipy.stats.
    # By hand: without scatter of the denominator the interval is (a +- t s_a) / b.
    found = fieller(3.0, 2.0, [[0.04, 0], [0, 0]], degrees_of_freedom=5)
    half = stats.t.ppf(0.975, 5) * 0.2 / 2
    assert found.interval == pytest.approx((1.5 - half, 1.5 + half), rel=1e-12)
    assert found.standard_uncertainty == pytest.approx(0.1)
    assert found.g == 0


@pytest.mark.parametrize("shift", [0.0, 0.2, 0.4, 0.8])
def test_no_interval_exactly_where_the_denominator_may_be_zero(shift):
    # The set has two ends where a t test tells the denominator from zero (scipy.stats.ttest_1samp), and only there.
    denominators = np.array([0.3, -0.2, 0.5, 0.1, -0.4, 0.2]) + shift
    told_apart = stats.ttest_1samp(denominators, 0).pvalue < 0.05
    found = paired_ratio([1.0, 1.2, 0.9, 1.1, 1.3, 1.0], denominators.tolist())
    assert (found.interval(0.95) is not None) == told_apart
    assert (found.notes_at(0.95) == ()) == told_apart
    if not told_apart:
        assert "no two ends" in found.notes_at(0.95)[0]


def test_a_change_of_unit_leaves_a_ratio_and_scales_a_difference():
    ten = [10 * v for v in FIRST], [10 * v for v in SECOND]
    for function in (paired_ratio, welch_ratio):
        assert function(*ten).interval(0.95) == pytest.approx(function(FIRST, SECOND).interval(0.95), rel=1e-12)
    for function in (paired_difference, welch_difference):
        scaled = tuple(10 * end for end in function(FIRST, SECOND).interval(0.95))
        assert function(*ten).interval(0.95) == pytest.approx(scaled, rel=1e-12)


def test_small_differences_of_large_readings_survive():
    # Exact decimal arithmetic: scatter of hundredths on readings of a billion.
    offset = Decimal(10) ** 9
    first, second = ([offset + Decimal(str(v)) for v in side] for side in (FIRST, SECOND))
    expected = stats.ttest_rel(FIRST, SECOND).confidence_interval(0.95)
    assert paired_difference(first, second).interval(0.95) == pytest.approx((expected.low, expected.high), rel=1e-9)
    welch = stats.ttest_ind(FIRST, SECOND, equal_var=False).confidence_interval(0.95)
    assert welch_difference(first, second).interval(0.95) == pytest.approx((welch.low, welch.high), rel=1e-9)
    assert paired_ratio(first, second).value == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("function", [paired_ratio, welch_ratio, paired_difference, welch_difference])
def test_values_that_agree_as_written_have_no_interval(function):
    found = function([1.1, 1.1, 1.1], [1.0, 1.0, 1.0])
    assert found.interval(0.95) is None
    assert "last digit" in found.notes[0]
    single = function([1.1], [1.0])
    assert single.interval(0.95) is None
    assert single.notes


def test_unfit_values_are_refused():
    with pytest.raises(ValueError, match="must pair up; got 2 and 1"):
        paired_ratio([1, 2], [1])
    with pytest.raises(ValueError, match="must not average to zero"):
        welch_ratio([1, 2], [1, -1])
    with pytest.raises(ValueError, match="must not be zero; got 0"):
        fieller(1, 0, [[1, 0], [0, 1]], degrees_of_freedom=3)
    with pytest.raises(ValueError, match="degrees_of_freedom must exceed 0; got 0"):
        fieller(1, 1, [[1, 0], [0, 1]], degrees_of_freedom=0)


def test_ratio_by_logarithms_is_that_of_geometric_means():
    # scipy.stats.gmean, and Student's t of the logarithms (scipy.stats.ttest_rel).
    found = log_ratio(FIRST, SECOND, paired=True)
    assert found.value == pytest.approx(stats.gmean(FIRST) / stats.gmean(SECOND), rel=1e-12)
    expected = stats.ttest_rel(np.log(FIRST), np.log(SECOND)).confidence_interval(0.9)
    assert found.interval(0.9) == pytest.approx((np.exp(expected.low), np.exp(expected.high)), rel=1e-10)
    assert log_ratio([1.0, -1.0], SECOND) is None


def test_half_width_to_expect_is_that_of_an_interval_with_this_scatter():
    # Open library: t of scipy.stats.
    # By hand: t(2n - 2) s sqrt(2 / n), and the mean half-width of simulated bridges about 1, to first order the same.
    assert half_width_to_expect(0.024, 6) == pytest.approx(stats.t.ppf(0.95, 10) * 0.024 / np.sqrt(3), rel=1e-12)
    rng = np.random.default_rng(3)
    groups = 1 + 0.024 * rng.normal(size=(60, 2, 21))
    widths = [np.diff(welch_ratio(a, b).interval(0.9))[0] / 2 for a, b in groups.tolist()]
    assert np.mean(widths) == pytest.approx(half_width_to_expect(0.024, 21), rel=0.03)
    with pytest.raises(ValueError, match="two readings"):
        half_width_to_expect(0.02, 1)


def test_pooled_relative_sd_matches_scipy_in_one_group():
    # Open library: stats.variation of scipy.
    assert pooled_relative_sd([FIRST]) == pytest.approx(stats.variation(FIRST, ddof=1), rel=1e-12)
    assert pooled_relative_sd([[1.0], [2.0]]) is None


def test_the_number_that_settles_an_equivalence_is_that_of_a_direct_simulation():
    # A lot bridge with 2.4 % scatter, no difference, limit 2.5 %, power 0.9: 4000 simulated pairs of lots.
    settled = units_for_equivalence(0.0, 0.024 * np.sqrt(2), 0.025, alpha=0.05).units
    rng = np.random.default_rng(8)

    def power(n: int) -> float:
        a, b = (1 + 0.024 * rng.normal(size=(4000, n)) for _ in range(2))
        error = np.sqrt(a.var(axis=1, ddof=1) / n + b.var(axis=1, ddof=1) / n)
        half = stats.t.ppf(0.95, 2 * n - 2) * error
        difference = a.mean(axis=1) - b.mean(axis=1)
        return float(np.mean((difference - half > -0.025) & (difference + half < 0.025)))

    assert power(settled) > 0.9 - 3 * np.sqrt(0.09 / 4000)
    assert power(settled - 4) < 0.9


# Spread over fuels, assigned values ------------------------------------------------------------------------------


def test_spread_matches_scipy_and_chi_square_quantiles():
    # scipy.stats.variation; interval of a standard deviation by scipy's chi-square quantiles (ISO 2854, from memory).
    slopes = [1.0, 1.03, 0.87, 0.95]
    found = relative_spread(slopes)
    assert found.value == pytest.approx(stats.variation(slopes, ddof=1), rel=1e-12)
    low, high = (found.value * np.sqrt(3 / stats.chi2.ppf(q, 3)) for q in (0.975, 0.025))
    assert found.interval(0.95) == pytest.approx((low, high), rel=1e-9)
    assert found.units == 4
    assert relative_spread([1.0]) is None
    assert relative_spread([1.0, 1.0]).interval(0.95) is None
    assert scatter_share([1.0, 1.0], [0.03, 0.04]) == pytest.approx(np.sqrt(0.00125))


def test_normalised_difference_matches_the_printed_scores():
    # Source: zeta scores of a reference manual page, see unc-zeta-gear.yaml; printed scores are cut, not rounded.
    found = example("unc-zeta-gear")
    data, expected = found["data"], found["expected"]
    u_lab = np.std(data["x"], ddof=1)
    assert u_lab == pytest.approx(float(expected["u_lab1"]), abs=half_digit(expected["u_lab1"]))
    for i in range(5):
        printed = expected[f"zeta_{i + 1}"]
        value = normalised_difference(data["x"][i], u_lab, data["x_ref"], data["u_ref"]).value
        assert 0 <= value - abs(float(printed)) < 2 * half_digit(printed)
    with pytest.raises(ValueError, match="nor both zero"):
        normalised_difference(5, 0, 5, 0)


@pytest.mark.parametrize("module", [two_means, lots, recovery], ids=lambda module: module.__name__)
def test_published_examples_in_the_docstrings_come_out(module):
    # Each names its source.
    results = doctest.testmod(module)
    assert results.attempted > 0
    assert results.failed == 0
