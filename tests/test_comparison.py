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
from validation.stats import agreement, comparison, deming, paired_differences, passing_bablok, york
from validation.stats.weighted_comparison import weighted_comparison
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
    line = york.york(data["x"], data["y"], u_x, u_y)
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
    line = york.york(data["x"], data["y"], u_x, u_y)
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
    line = york.york(data["x"], data["y"], data["u_x"], data["u_y"])
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
    line = deming.deming(x, y, ratio=ratio)
    slope, intercept = brute_deming(np.array(x, float), np.array(y, float), ratio)
    assert line.slope.value == pytest.approx(slope, abs=2e-7)
    assert line.intercept.value == pytest.approx(intercept, abs=5e-7)


def test_deming_jackknife_is_that_of_leaving_each_sample_out():
    # The jackknife of textbooks, (n - 1)/n times the sum of squares (from memory); t of scipy.
    x, y = phytic()
    line = deming.deming(x, y, ratio=2.0)
    fits = [deming.deming(x[:i] + x[i + 1 :], y[:i] + y[i + 1 :], ratio=2.0) for i in range(20)]
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
    line = deming.deming(x, y)
    at_zero = deming.difference_at(0.0, x, y)
    assert at_zero.value == pytest.approx(line.intercept.value, rel=1e-12)
    assert at_zero.standard_uncertainty == pytest.approx(line.intercept.standard_uncertainty, rel=1e-9)
    assert any("outside the reference values" in note for note in at_zero.notes)
    inside = deming.difference_at(2.0, x, y)
    assert inside.value == pytest.approx(line.intercept.value + 2 * (line.slope.value - 1), rel=1e-10)
    assert not any("extended" in note for note in inside.notes)


def test_deming_takes_methods_in_either_order():
    # The same line read the other way: slope 1 / b, ratio 1 / ratio.
    x, y = phytic()
    one, other = deming.deming(x, y, ratio=3.0), deming.deming(y, x, ratio=1 / 3)
    assert other.slope.value == pytest.approx(1 / one.slope.value, rel=1e-12)


# The weighted line


def replicated(seed: int, n: int = 12) -> tuple[list[list[float]], list[list[float]]]:
    """Duplicates of both methods whose scatter grows with the level, and samples with a part of their own."""
    generator = np.random.default_rng(seed)
    truth = 0.5 * 20 ** (np.arange(n) / (n - 1))
    found = 0.05 + 1.02 * truth * (1 + 0.03 * generator.normal(size=n))
    return tuple(
        (value[:, None] + (0.03 + 0.018 * truth)[:, None] * generator.normal(size=(n, 2))).tolist()
        for value in (truth, found)
    )


def variances(line, x: np.ndarray, y: np.ndarray, counts: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Of reference and candidate, at the adjusted points, from s(x) and the own part as they are stated."""
    (constant_x, growth_x), (constant_y, growth_y) = (
        (float(s.constant[0, 0]), float(s.growth[0, 0])) for s in line.spreads
    )
    level = float(line.first[0]) + line.lines.levels[0]
    other = line.intercept.value + line.slope.value * level
    return (
        (constant_x + growth_x * level) ** 2 / counts,
        (constant_y + growth_y * other) ** 2 / counts + (line.own * level) ** 2,
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_weighted_line_is_the_minimum_of_weighted_distances(seed):
    # Open library: with the variances at the fitted levels held, the line is searched by scipy.optimize over slope,
    # intercept and every true level, and by scipy.odr.
    reference, candidate = replicated(seed)
    line = weighted_comparison(reference, candidate)
    x, y = np.mean(reference, axis=1), np.mean(candidate, axis=1)
    v_x, v_y = variances(line, x, y)

    def distances(parameters):
        a, b, true = parameters[0], parameters[1], parameters[2:]
        return np.concatenate([(x - true) / np.sqrt(v_x), (y - a - b * true) / np.sqrt(v_y)])

    found = optimize.least_squares(distances, np.concatenate([[0.0, 1.0], x]), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert line.slope.value == pytest.approx(found.x[1], abs=2e-7)
    assert line.intercept.value == pytest.approx(found.x[0], abs=2e-7)
    # The own part is the one at which the weighted squares come to n - 2 (Paule and Mandel 1982, from memory).
    assert line.own > 0
    residuals = y - line.intercept.value - line.slope.value * x
    assert np.sum(residuals**2 / (v_y + line.slope.value**2 * v_x)) == pytest.approx(10.0, rel=1e-9)


@pytest.mark.filterwarnings("ignore")
def test_the_weighted_line_is_that_of_a_general_library():
    # Open library: scipy.odr with the standard deviations at the fitted levels; it stops near 1e-6.
    odr = pytest.importorskip("scipy.odr")
    reference, candidate = replicated(4)
    line = weighted_comparison(reference, candidate)
    x, y = np.mean(reference, axis=1), np.mean(candidate, axis=1)
    s_x, s_y = np.sqrt(variances(line, x, y))
    model = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
    found = odr.ODR(odr.RealData(x, y, sx=s_x, sy=s_y), model, beta0=[0.0, 1.0], sstol=1e-14, partol=1e-14).run()
    assert (line.intercept.value, line.slope.value) == pytest.approx(tuple(found.beta), abs=2e-5)


def test_the_weighted_line_matches_pearsons_data_with_yorks_weights():
    # York 1966; York et al. 2004, Am. J. Phys. 72, 367, Table II, set 3. Uncertainties twice as large explain all that
    # scatters (chi-squared 2.97 on 8): no own part, and the published line.
    content = example("cal-pearson-york")
    data, printed = content["data"], content["expected"]
    u = tuple(2 / np.sqrt(np.array(data[name], float)) for name in ("w_x", "w_y"))
    line = weighted_comparison([[v] for v in data["x"]], [[v] for v in data["y"]], u=u)
    assert line.own == 0
    assert line.intercept.value == near(printed["a"])
    assert line.slope.value == near(printed["b"])
    known = york.york(data["x"], data["y"], *u)
    assert (line.slope.value, line.intercept.value) == pytest.approx((known.slope.value, known.intercept.value), 1e-12)


def test_the_weighted_standard_error_is_that_of_leaving_each_sample_out():
    # Wu 1986, Ann. Stat. 14, 1261, and Satterthwaite's degrees of freedom, written out (from memory): refits with
    # one sample less and the same uncertainties, each change counted by 1 - leverage.
    content = example("cal-pearson-york")["data"]
    x, y = (np.array(content[name]) for name in ("x", "y"))
    u_x, u_y = (2 / np.sqrt(np.array(content[name], float)) for name in ("w_x", "w_y"))

    def fitted(kept):
        line = weighted_comparison(x[kept, None].tolist(), y[kept, None].tolist(), u=(u_x[kept], u_y[kept]))
        return line.difference_at(3.0)

    whole, everyone = fitted(np.arange(10)), np.arange(10)
    known = york.york(x.tolist(), y.tolist(), u_x, u_y)
    b, a = known.slope.value, known.intercept.value
    weights = 1 / (u_y**2 + b**2 * u_x**2)
    level = x + weights * b * u_x**2 * (y - a - b * x)
    middle = np.sum(weights * level) / weights.sum()
    away = level - middle
    leverage = weights * (1 / weights.sum() + away**2 / np.sum(weights * away**2))
    changes = np.array([fitted(np.delete(everyone, i)).value - whole.value for i in range(10)])
    assert whole.standard_uncertainty == pytest.approx(np.sqrt(np.sum((1 - leverage) * changes**2)), rel=1e-8)
    shares = weights * (1 / weights.sum() + (3.0 - middle) * away / np.sum(weights * away**2)) ** 2
    df = min(8.0, shares.sum() ** 2 / np.sum(shares**2))
    assert whole.degrees_of_freedom == pytest.approx(df, rel=1e-8)
    half = stats.t.ppf(0.975, df) * whole.standard_uncertainty
    assert whole.interval(0.95) == pytest.approx((whole.value - half, whole.value + half), rel=1e-8)


def test_the_weighted_line_does_not_depend_on_unit_order_or_offset_of_the_readings():
    reference, candidate = replicated(5)
    line = weighted_comparison(reference, candidate)
    order = np.random.default_rng(1).permutation(12)
    mixed = weighted_comparison([reference[i] for i in order], [candidate[i] for i in order])
    parts = [[[v / 128 for v in sample] for sample in method] for method in (reference, candidate)]
    small = weighted_comparison(*parts)
    for other, unit in ((mixed, 1.0), (small, 128.0)):
        assert other.slope.value == pytest.approx(line.slope.value, rel=1e-10)
        assert unit * other.difference_at(4.0 / unit).value == pytest.approx(line.difference_at(4.0).value, rel=1e-8)
        assert other.slope.interval(0.9) == pytest.approx(line.slope.interval(0.9), rel=1e-8)
    # Stated uncertainties on readings of a million keep the digits of the small differences.
    x, y = phytic()
    u = (np.full(20, 0.05), np.full(20, 0.07))
    near_zero, far = (
        weighted_comparison([[v + k] for v in x], [[v + k] for v in y], u=u).difference_at(Decimal(2) + k)
        for k in (0, 10**6)
    )
    assert far.value == pytest.approx(near_zero.value, abs=1e-6)


def test_methods_that_do_not_vary_together_have_no_interval_and_say_so():
    generator = np.random.default_rng(1)
    x, y = generator.normal(5, 1, (2, 12, 2)).round(2).tolist()
    found = weighted_comparison(x, y).difference_at(5.0)
    assert found.interval(0.95) is None
    assert "the slope changes its sign" in found.notes[0]
    means = [np.mean(values, axis=1).tolist() for values in (x, y)]
    line = deming.deming(*means)
    assert line.slope.interval(0.95) is None
    assert "the slope changes its sign" in line.slope.notes[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda x, y: ([[sum(v) / 2] * 2 for v in x], y), "the reference agree to the last digit"),
        (lambda x, y: (x, [[sum(v) / 2] * 2 for v in y]), "the candidate agree to the last digit"),
        (lambda x, y: ([[v[0]] * 2 for v in x], [[v[0]] * 2 for v in y]), "of both methods agree"),
        (lambda x, y: (x[:6], y[:6]), "fewer than 8 samples"),
        (lambda x, y: ([v if i < 3 else v[:1] for i, v in enumerate(x)], y), "fewer than 8 degrees of freedom"),
        (lambda x, y: ([[0.0, 0.0], *x], [[0.0, 0.01], *y]), ""),
        (lambda x, y: ([[-0.02, 0.01], *x], [[-0.05, 0.0], *y]), ""),
        (lambda x, y: (x, [[1.5, 1.6], *y[1:]]), ""),
    ],
    ids=[
        "silent reference",
        "silent candidate",
        "both silent",
        "6 samples",
        "3 twice",
        "zero",
        "below zero",
        "far off",
    ],
)
def test_odd_replicates_leave_a_weighted_line_and_a_note(change, words):
    line = weighted_comparison(*change(*replicated(6)))
    for found in (line.slope, line.intercept, line.difference_at(4.0)):
        assert np.all(np.isfinite([found.value, *found.interval(0.95)]))
        assert words in " ".join(found.notes)


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
    line = passing_bablok.passing_bablok(x, y)
    assert line.slope.value == pytest.approx(b, rel=1e-14)
    assert line.slope.interval(0.95) == pytest.approx((low, high), rel=1e-14)
    floats = [np.array(v, float) for v in (x, y)]
    assert line.intercept.value == pytest.approx(np.median(floats[1] - b * floats[0]), abs=1e-14)


def test_the_interval_of_the_intercept_is_that_of_samples_drawn_anew_one_by_one():
    # Bootstrap of pairs (Efron and Tibshirani 1993, 9.5, from memory), written out: every draw with the slopes of all
    # its pairs, sorted; an even number of slopes takes the upper of the two in the middle, within 1 / draws of either.
    x, y = (np.array(values, float) for values in phytic())
    order = np.lexsort((y, x))
    x, y = x[order], y[order]
    intercepts = []
    for which in np.random.default_rng(1983).integers(0, 20, (400, 20)):
        pairs = [(x[b] - x[a], y[b] - y[a]) for a, b in itertools.combinations(sorted(which), 2) if a != b]
        slopes = sorted(dy / dx if dx else np.copysign(np.inf, dy) for dx, dy in pairs if (dx or dy) and dx + dy)
        shift = sum(slope < -1 for slope in slopes)
        slope = slopes[len(slopes) // 2 + shift]
        intercepts.append(np.median(y[which] - slope * x[which]))
    found = passing_bablok.passing_bablok(*phytic()).intercept
    error = np.std(intercepts, ddof=1)
    assert found.standard_uncertainty == pytest.approx(error, rel=1e-9)
    half = stats.t.ppf(0.975, 18) * error
    assert found.interval(0.95) == pytest.approx((found.value - half, found.value + half), rel=1e-9)


def test_the_intercept_of_many_samples_comes_from_blocks_and_says_so():
    # Its standard error falls with the root of their number: 300 samples against the 100 in every third place.
    x = np.random.default_rng(3).uniform(1, 9, 300)
    y = x + np.random.default_rng(4).normal(0, 0.2, 300)
    whole = passing_bablok.passing_bablok(x.tolist(), y.tolist()).intercept
    assert whole.notes == (passing_bablok.BLOCKS,)
    third = [passing_bablok.intercept_error(x[k::3], y[k::3]) for k in range(3)]
    assert whole.standard_uncertainty == pytest.approx(np.mean(third) / np.sqrt(3), rel=0.2)


def test_ties_are_seen_in_decimals_that_doubles_would_blur():
    # 0.3 - 0.2 and 0.2 - 0.1 differ as doubles: a slope of exactly -1 must be left out all the same.
    x = [Decimal("0.1"), Decimal("0.2"), Decimal("0.3"), Decimal("0.7"), Decimal("0.9")]
    y = [Decimal("0.3"), Decimal("0.2"), Decimal("0.4"), Decimal("0.6"), Decimal("1.0")]
    assert passing_bablok.passing_bablok(x, y).slopes == 9


def test_methods_that_swap_swap_the_slope():
    # Source: Passing and Bablok 1983 (from memory).
    # The property the paper is built on: the slope of x on y is one over the slope of y on x. With an odd number of
    # slopes the median is one of them, and the relation is exact.
    x, y = (values[:15] for values in phytic())
    assert passing_bablok.passing_bablok(x, y).slopes % 2 == 1
    forth, back = passing_bablok.passing_bablok(x, y), passing_bablok.passing_bablok(y, x)
    assert back.slope.value == pytest.approx(1 / forth.slope.value, rel=1e-12)


def test_too_few_samples_give_no_limits_and_say_so():
    line = passing_bablok.passing_bablok([1.0, 2.0, 3.0], [1.1, 2.1, 2.9])
    assert line.slope.interval(0.95) is None
    assert any("too few samples" in note for note in line.slope.notes_at(0.95))


def test_tied_limits_leave_an_interval_out_and_say_so():
    tied = passing_bablok.passing_bablok([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    assert (tied.slope.value, tied.slope.interval(0.95), tied.intercept.interval(0.95)) == (1.0, None, None)
    assert "tied slope" in tied.slope.notes_at(0.95)[0]
    assert "rounding hides its interval" in tied.intercept.notes[0]
    few = passing_bablok.passing_bablok([1.0, 2.0, 3.0], [1.1, 2.1, 2.9]).intercept
    assert (few.interval(0.95), "Fewer than 6 samples" in few.notes[0]) == (None, True)
    # Readings about zero have an interval of the intercept too.
    x = [-3.0, -2.1, -0.9, 0.2, 1.1, 1.9, 3.2, 4.0]
    y = [-3.1, -2.0, -1.0, 0.3, 1.0, 2.1, 3.1, 4.2]
    low, high = passing_bablok.passing_bablok(x, y).intercept.interval(0.95)
    assert low < 0.0 < high


# Differences and limits of agreement


def test_differences_that_are_alike_claim_no_interval():
    # An interval without width would meet any equivalence limit: rounding is no agreement.
    for found in (
        paired_differences.mean_difference([1.0, 1.0, 1.0]),
        paired_differences.sd_difference([1.0, 1.0, 1.0]),
    ):
        assert found.interval(0.95) is None
        assert "hidden by the rounding" in found.notes[0]
    with pytest.raises(ValueError, match="must scatter"):
        agreement.agreement_limits([1.0, 1.0, 1.0])
    x = [Decimal(v) for v in ("1.1", "2.3", "3.7", "5.2")]
    line = deming.deming(x, [v + 1 for v in x])
    at = deming.difference_at(2.0, x, [v + 1 for v in x])
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
        found = paired_differences.mean_difference(paired_differences.differences(second, first))
        assert found.value == near(printed[f"paired_{name}_mean_diff"])
        assert found.standard_uncertainty == near(printed[f"paired_{name}_se"])
        assert found.interval(0.90)[0] == near(printed[f"paired_{name}_ci90_low"])
        assert found.interval(0.90)[1] == near(printed[f"paired_{name}_ci90_high"])


def test_differences_match_bland_and_altman_1986():
    # Lancet i, 307-310: first readings of both meters. The limits themselves are rounded in the paper, so not compared.
    content = example("cmp-bland-altman-pefr")
    data, printed = content["data"], content["expected"]
    d = paired_differences.differences(data["mini1"], data["wright1"])
    found, scatter = paired_differences.mean_difference(d), paired_differences.sd_difference(d)
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
    d = paired_differences.differences(data["mini1"], data["wright1"])
    low, high = agreement.agreement_limits(d, coverage=2 * stats.norm.cdf(2) - 1)
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
    assert paired_differences.sd_difference(d).value == near(printed["sd_means_of_two"])
    scatter = comparison.sample_scatter(d.var(ddof=1), 16, v_wright, v_mini)
    assert scatter.single == near(printed["corrected_sd"])


@pytest.mark.parametrize(
    ("n", "share", "printed"), [(10, 0.95, "2.911"), (10, 0.90, "2.355"), (20, 0.95, "2.396"), (5, 0.99, "5.741")]
)
def test_interval_of_a_limit_is_the_one_sided_tolerance_limit(n, share, printed):
    # ISO 16269-6:2014, one-sided factors k at 95 % confidence (from memory; all reproduce): the upper 95 % bound of
    # mean + z s is mean + k s.
    values = np.arange(n) - (n - 1) / 2
    _, high = agreement.agreement_limits(values, coverage=2 * share - 1)
    assert high.interval(0.90)[1] / values.std(ddof=1) == near(printed)


def test_interval_of_a_limit_covers_as_stated():
    # Plain simulation, no formula: 2000 sets of 12 differences; 4 sigma of 0.95 is 0.019.
    d = np.random.default_rng(5).normal(0.3, 2.0, size=(2000, 12))
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    unit = np.arange(12.0)
    unit = (unit - unit.mean()) / unit.std(ddof=1)
    low, _ = agreement.agreement_limits(unit)
    truth = 0.3 - stats.norm.ppf(0.975) * 2.0
    ends = low.interval(0.95)
    share = np.mean((mean + ends[0] * s <= truth) & (truth <= mean + ends[1] * s))
    assert share == pytest.approx(0.95, abs=0.019)


def test_many_differences_keep_a_finite_interval():
    low, high = agreement.agreement_limits(np.random.default_rng(1).normal(size=2000))
    assert np.all(np.isfinite([*low.interval(0.95), *high.interval(0.95)]))
    assert low.interval(0.95)[0] < low.value < low.interval(0.95)[1]


def test_limits_that_follow_the_level_are_those_of_the_likelihood():
    # Open library: s(x) = a + b x of the squares about the weighted line, searched by scipy.optimize, is the one that
    # the weights of that line hold.
    reference, candidate = replicated(7, 40)
    x, y = np.mean(reference, axis=1), np.mean(candidate, axis=1)
    lines = agreement.level_agreement(x.tolist(), y.tolist()).lines
    level, d = (x + y) / 2, y - x
    weights = 1 / (lines.constant[0] + lines.growth[0] * level) ** 2
    design = np.column_stack([np.ones(40), level]) * np.sqrt(weights)[:, None]
    coefficients = np.linalg.lstsq(design, d * np.sqrt(weights), rcond=None)[0]
    left = d - coefficients[0] - coefficients[1] * level
    df = 1 - np.einsum("ij,ji->i", design, np.linalg.pinv(design))

    def minus_likelihood(parameters):
        s = np.abs(parameters[0]) + np.abs(parameters[1]) * level
        return np.sum(df * np.log(s) + left**2 / (2 * s**2))

    found = optimize.minimize(minus_likelihood, [0.05, 0.02], method="Nelder-Mead", options={"xatol": 1e-9})
    assert np.abs(found.x) == pytest.approx([lines.constant[0], lines.growth[0]], abs=2e-4)
    mean, error, sd, _ = (float(part[0]) for part in lines.at(4.0))
    assert mean == pytest.approx(coefficients[0] + 4 * coefficients[1], rel=1e-3)
    assert sd == pytest.approx(np.abs(found.x) @ [1, 4], rel=1e-3)
    covariance = np.linalg.inv(design.T @ design)
    assert error == pytest.approx(np.sqrt([1, 4] @ covariance @ [1, 4]), rel=1e-3)


def test_a_limit_at_a_level_without_a_degree_of_freedom_has_no_interval():
    x = [1.0, 2.0, 3.0, 4.0, 5.0]
    found = agreement.level_agreement(x, [1.1, 2.05, 3.2, 3.9, 5.3])
    near_by, far = found.limits(3.0)[1], found.limits(40.0)[1]
    assert near_by.interval(0.95)[0] < near_by.value < near_by.interval(0.95)[1]
    assert far.interval(0.95) is None
    assert "less than one degree of freedom" in far.notes_at(0.95)[0]
    assert any("limits are extended" in note for note in far.notes)


def test_differences_of_large_readings_keep_their_small_part():
    x, y = phytic()
    big = Decimal(10**12)
    moved = deming.deming([v + big for v in x], [v + big for v in y])
    assert moved.slope.value == pytest.approx(deming.deming(x, y).slope.value, rel=1e-12)
    d = paired_differences.differences([v + big for v in x], [v + big for v in y])
    assert d == pytest.approx(paired_differences.differences(x, y), rel=1e-15)


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
        (lambda: deming.deming([1.0, 2.0], [1.0, 2.0]), "at least 3; got 2 and 2"),
        (lambda: deming.deming([1.0, 2.0, 3.0], [1.0, 2.0]), "at least 3; got 3 and 2"),
        (lambda: deming.deming([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], ratio=0.0), "positive number; got 0.0"),
        (lambda: deming.deming([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "vary together"),
        (lambda: york.york([1.0, 2.0, 3.0], [1.0, 2.0, 3.1], [0.1, 0.0, 0.1], [0.1] * 3), "u_x must hold 3"),
        (lambda: passing_bablok.passing_bablok([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "no finite median"),
        (lambda: paired_differences.mean_difference([]), r"n >= 1"),
        (lambda: paired_differences.sd_difference([1.0]), r"n >= 2"),
        (lambda: agreement.agreement_limits([1.0, float("nan")]), "finite"),
        (lambda: weighted_comparison([[1.0]] * 3, [[1.0]] * 3), "at least 4; got 3 and 3"),
        (lambda: weighted_comparison([[2.0, 2.1]] * 5, [[v, v + 0.1] for v in range(5)]), "vary together"),
        (lambda: agreement.level_agreement([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.1, 4.0]), "5 samples or more; got 4"),
        (lambda: agreement.level_agreement([1.0] * 6, [1.0] * 6), "all are alike"),
        (lambda: agreement.level_agreement([1.0, 2.0, 3.0, 4.0, 5.0], [2.0, 3.0, 4.0, 5.0, 6.0]), "lie on a line"),
        (lambda: deming.deming([1e200, 2e200, 3e200], [1.0, 2.0, 3.0]), "in size"),
        (lambda: paired_differences.mean_difference([1e-170, 3e-170]), "leave the range of doubles"),
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
    # The means of both methods reach from 217.5 to 647 L/min, the range of the plan from 0 to 1000: its middle is 500.
    places = (220, 300, 350, 500, 640)
    ends = {(f"comparison.level_agreement_{end}", at) for end in ("low", "high") for at in places}
    assert keys == ends | {(info.key, None) for info in CHARACTERISTIC.keys if info.at == "none"} | {
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
    slope = passing_bablok.passing_bablok(x, y).slope
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


def twice(first: float, step: float) -> dict[str, list[float]]:
    """Eight samples, each read twice: at 1 to 8 plus `first`, `step` apart."""
    return {f"S{i}": [round(i + 1 + first, 3), round(i + 1 + first + step, 3)] for i in range(8)}


def test_the_design_decides_which_line_predicts():
    # The same means: with replicates of both methods by the weighted line, with those of one by Deming's, as it says.
    reference, candidate = replicated(8)
    names = [f"S{i:02d}" for i in range(12)]
    both = small_study(
        "comparison",
        columns(dict(zip(names, candidate, strict=True)), dict(zip(names, reference, strict=True))),
        customer_limits=[4.0],
    )
    found = evaluate(both)
    line = weighted_comparison(reference, candidate)
    predicted = found.get("comparison.difference_at", 4.0)
    assert predicted.value == pytest.approx(line.difference_at(4.0).value, rel=1e-9)
    assert found.get("comparison.york_slope").interval == pytest.approx(line.slope.interval(0.95), rel=1e-9)
    assert "York" in predicted.estimate.source
    assert any("own part" in note for note in predicted.notes)
    (other,) = (q for q in alternatives(both)["Deming's line"] if q.key == "comparison.difference_at")
    means = [np.mean(values, axis=1).tolist() for values in (reference, candidate)]
    assert other.value == pytest.approx(deming.difference_at(4.0, *means, ratio=ratio_of(found)).value, rel=1e-6)
    once = {name: [float(np.mean(values))] for name, values in zip(names, candidate, strict=True)}
    single = small_study("comparison", columns(once, dict(zip(names, reference, strict=True))), customer_limits=[4.0])
    predicted = evaluate(single).get("comparison.difference_at", 4.0)
    assert "Deming" in predicted.estimate.source
    assert any("Without replicates of both methods" in note for note in predicted.notes)
    assert any("90 to 94 %" in note for note in predicted.notes)
    for study in (both, single):
        drawn = svg_text(figures.comparison_plot(evaluate(study), study))
        assert ("weighted line" if study is both else "Deming's line") in drawn


def ratio_of(found) -> float:
    """Error variance of the candidate's means over that of the reference's, from the table of replicates."""
    rows = {row[0]: row[3] for row in next(t for t in found.display.tables if t.name == "replicates").rows}
    return (rows["candidate"] / rows["reference"]) ** 2


def test_limits_that_follow_the_level_are_given_where_samples_and_decisions_are():
    reference, candidate = replicated(9, 20)
    names = [f"S{i:02d}" for i in range(20)]
    requirement = {"id": "R1", "quantity": "comparison.level_agreement", "at": 7, "rule": "inside", "limit": 1.5}
    study = small_study(
        "comparison",
        columns(dict(zip(names, candidate, strict=True)), dict(zip(names, reference, strict=True))),
        range_=(1.0, 20.0),
        customer_limits=[2.0, 4.0],
        requirements=[requirement],
    )
    found = evaluate(study)
    places = {q.at for q in found.quantities if q.key == "comparison.level_agreement_low"}
    # By hand: the range begins at 1; the samples end at 10.3, 10 to two digits; the middle of the range, 10.5, is
    # beyond them.
    assert places == {1.0, 2.0, 4.0, 7.0, 10.0}
    widths = [
        found.get("comparison.level_agreement_high", at).value - found.get("comparison.level_agreement_low", at).value
        for at in (1.0, 4.0, 7.0)
    ]
    assert widths[0] < widths[1] < widths[2]
    assert "is expected at 1" in " ".join(in_words(found, "%"))
    (row,) = judge_study(study, {"comparison": found}, order=PlanOrder(state="shown")).requirements
    assert (row.quantity, row.at) == ("comparison.level_agreement", 7)
    figure = figures.difference_plot(found, study)
    assert "dotted: limits that follow the level" in figure.axes[0].get_xlabel()


@pytest.mark.parametrize("size", ["1e200", "1e-170"])
def test_results_beyond_doubles_are_refused_in_a_sentence(size):
    scaled = [
        {name: [f"{v}{size[1:]}" for v in values] for name, values in twice(*one).items()}
        for one in ((0.1, 0.2), (0.0, 0.1))
    ]
    study = small_study("comparison", columns(*scaled), customer_limits=[4.0])
    found = evaluate(study)
    assert "leave the range of doubles" in found.missing
    assert "State them in another unit" in found.missing
    assert not found.quantities
    assert not alternatives(study)


@pytest.mark.parametrize(
    ("candidate", "reference"),
    [
        ({"A": [1.0]}, {"A": [1.1]}),
        ({"A": [1.0], "B": [2.0]}, {"A": [1.1], "B": [2.1]}),
        ({"A": [1.0], "B": [2.0], "C": [3.0]}, {"A": [1.0], "B": [2.0], "C": [3.0]}),
        ({"A": [1.0], "B": [1.0], "C": [1.0]}, {"A": [1.0], "B": [1.0], "C": [1.0]}),
        ({"A": [-1.0, -1.0], "B": [0.0, 0.0], "C": [1.0, 1.0]}, {"A": [-1.0], "B": [0.1], "C": [1.0]}),
        ({"A": [3.0], "B": [2.0], "C": [1.0], "D": [0.5]}, {"A": [1.0], "B": [2.0], "C": [3.0], "D": [4.0]}),
        (twice(0.1, 0.1), {f"S{i}": [2.0, 2.1] for i in range(8)}),
        (twice(0.0, 0.1), twice(0.0, 0.0)),
        (twice(0.1, 0.2), twice(0.0, 0.1)),
        (twice(0.0, 0.0), twice(0.0, 0.0)),
        ({f"S{i}": [0.0, 0.0] for i in range(8)}, {f"S{i}": [0.0, 0.0] for i in range(8)}),
        (twice(0.1, 0.1), {f"S{i}": [float(v), v + 0.1] for i, v in enumerate((5, 2, 7, 1, 8, 3, 6, 4))}),
    ],
    ids=[
        *("one sample", "two samples", "equal methods", "no spread", "below zero", "falling", "constant reference"),
        *("silent", "replicates alike throughout", "equal and silent", "zeros", "not together"),
    ],
)
def test_thin_data_yield_fewer_quantities_and_sentences(candidate, reference):
    study = small_study("comparison", columns(candidate, reference), customer_limits=[2.0])
    found = evaluate(study)
    assert found.get("comparison.mean_difference") is not None
    json.dumps(found.to_dict(), allow_nan=False)
    given = {q.key for q in found.quantities}
    for line in ("deming_slope", "passing_bablok_slope", "york_slope", "difference_at"):
        assert f"comparison.{line}" in given or found.notes, f"{line} is missing without a word"
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
