"""Propagation, Monte Carlo and the two budgets, against published examples and general statistics libraries."""

from __future__ import annotations

import itertools
import json
import math
import re
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from lot_records import RECORD
from pydantic import ValidationError
from scipy import stats
from small_study import evaluation_of, small_study

from validation.characteristics import uncertainty
from validation.characteristics.uncertainty.budgets import measured_expanded
from validation.figures import uncertainty as figures
from validation.figures.style import svg_text
from validation.selftest import published
from validation.selftest.published_uncertainty import UNCERTAINTY
from validation.stats.confidence import Affine, confidence_distribution
from validation.stats.confidence import StudentT as StudentTDistribution
from validation.stats.distributions import (
    Arcsine,
    CurvilinearTrapezoid,
    Exponential,
    Normal,
    Rectangular,
    StudentT,
    Trapezoidal,
    one_sided,
    triangular,
    type_a,
)
from validation.stats.monte_carlo import agreement, monte_carlo, numerical_tolerance
from validation.stats.precision import precision
from validation.stats.propagation import coverage_factor, propagate, second_order_uncertainty
from validation.stats.trueness import bias
from validation.stats.uncertainty import (
    Term,
    bias_shows,
    bias_terms,
    combine,
    cover_of,
    excess_scatter,
    measurement_model,
    uncertainty_function,
)
from validation.study.budget import Budget, strange_components
from validation.study.load import load_study
from validation.study.lot_record_reading import parse_lot_record
from validation.study.lot_values import lot_value

ROOT = Path(__file__).parent.parent
REFERENCE = ROOT / "tests" / "reference"


@pytest.mark.parametrize("name", sorted(UNCERTAINTY))
def test_published_examples_are_reproduced(name):
    # JCGM 100 (4.4.3, G.4.1, H.1, H.2), JCGM 101 (9.2 to 9.5), Nordtest TR 537, Eurachem/CITAC A1 and A2, ISO 13528:
    # document and clause stand in each file. Half a unit of the last printed digit; Monte Carlo: its error beside it.
    checks, left = published.compare(REFERENCE, name)
    assert len(checks) >= 3
    assert not left
    assert not [check.in_words() for check in checks if not check.ok]


# Distributions ---------------------------------------------------------------------------------------------------

SAME = {
    "normal": (Normal(2.0, 0.5), stats.norm(2, 0.5)),
    "rectangular": (Rectangular(1.0, 3.0), stats.uniform(1, 2)),
    "triangular": (triangular(1.0, 3.0), stats.triang(0.5, 1, 2)),
    "trapezoidal": (Trapezoidal(1.0, 3.0, 0.5), stats.trapezoid(0.25, 0.75, 1, 2)),
    "arcsine": (Arcsine(1.0, 3.0), stats.arcsine(1, 2)),
    "one-sided": (one_sided(0.4), stats.uniform(0, 0.4)),
    "one-sided, loss": (one_sided(-0.4), stats.uniform(-0.4, 0.4)),
    "exponential": (Exponential(0.3), stats.expon(0, 0.3)),
}


@pytest.mark.parametrize("name", SAME)
def test_moments_and_draws_match_scipy(name):
    # Open library: the distributions and kstest of scipy.stats.
    ours, theirs = SAME[name]
    assert ours.mean == pytest.approx(theirs.mean(), rel=1e-12)
    assert ours.standard_uncertainty == pytest.approx(theirs.std(), rel=1e-12)
    draws = ours.draw(np.random.default_rng(3), 20_000)
    assert draws.shape == (20_000,)
    # Kolmogorov-Smirnov; a fixed seed, so that this either always holds or never.
    assert stats.kstest(draws, theirs.cdf).pvalue > 0.01


def test_student_t_scatters_by_its_scale_and_degrees_of_freedom():
    ours = StudentT(2.0, 0.5, 6)
    assert (ours.mean, ours.standard_uncertainty) == (2.0, 0.5)
    assert stats.kstest(ours.draw(np.random.default_rng(3), 20_000), stats.t(6, 2, 0.5).cdf).pvalue > 0.01
    infinite = StudentT(2.0, 0.5, math.inf).draw(np.random.default_rng(3), 20_000)
    assert stats.kstest(infinite, stats.norm(2, 0.5).cdf).pvalue > 0.01


def test_inexact_limits_widen_a_rectangle():
    # JCGM 101:2008, 6.4.3.4 (from memory): variance (b - a)^2 / 12 + d^2 / 9.
    ours = CurvilinearTrapezoid(-0.05, 0.05, 0.025)
    assert ours.standard_uncertainty == pytest.approx(math.sqrt(0.1**2 / 12 + 0.025**2 / 9), rel=1e-12)
    draws = ours.draw(np.random.default_rng(3), 200_000)
    assert draws.std() == pytest.approx(ours.standard_uncertainty, rel=0.01)
    assert np.abs(draws).max() <= 0.075
    plain = Rectangular(1.0, 3.0).standard_uncertainty
    assert CurvilinearTrapezoid(1.0, 3.0, 0.0).standard_uncertainty == pytest.approx(plain, rel=1e-15)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Normal(0.0, -1.0), "zero or more"),
        (lambda: Normal(math.nan, 1.0), "finite"),
        (lambda: Rectangular(2.0, 1.0), "low must not exceed high"),
        (lambda: Trapezoidal(0.0, 1.0, 1.5), "between 0 and 1"),
        (lambda: CurvilinearTrapezoid(0.0, 1.0, 0.6), "half-width"),
        (lambda: StudentT(0.0, 1.0, 0), "more than zero"),
        (lambda: type_a([1.0]), "at least two"),
    ],
)
def test_a_distribution_that_cannot_be_is_refused(make, said):
    with pytest.raises(ValueError, match=said):
        make()


# Propagation -----------------------------------------------------------------------------------------------------


def test_sensitivities_match_analytical_derivatives():
    inputs = {"a": Normal(5.0, 0.1), "b": Normal(2.0, 0.05), "c": Normal(0.7, 0.02)}
    found = propagate(lambda a, b, c: a * b**6 + math.exp(c) / a, inputs)
    expected = [2.0**6 - math.exp(0.7) / 25, 6 * 5 * 2.0**5, math.exp(0.7) / 5]
    assert [part.sensitivity for part in found.parts] == pytest.approx(expected, rel=1e-8)
    assert sum(part.share for part in found.parts) == pytest.approx(1.0)


def test_a_large_value_with_a_small_uncertainty_keeps_its_digits():
    # A frequency of hundreds of MHz, known to a hundredth of a hertz: the difference is what counts.
    inputs = {"f": Normal(425_000_000.0, 0.01), "f0": Normal(424_999_000.0, 0.02)}
    found = propagate(lambda f, f0: (f - f0) / 1000, inputs)
    assert found.combined == pytest.approx(math.hypot(0.01, 0.02) / 1000, rel=1e-5)
    drawn = monte_carlo(lambda f, f0: f - f0 + 1e9, inputs, draws=20_000, seed=1)
    assert drawn.standard_uncertainty == pytest.approx(math.hypot(0.01, 0.02), rel=0.03)


def test_full_correlation_adds_uncertainties_themselves():
    # JCGM 100:2008, 5.2.2 note 1 (from memory): with r = 1 the linear sum of the contributions.
    inputs = {"a": Normal(1.0, 0.3), "b": Normal(2.0, 0.4)}
    for r, expected in ((1.0, 0.7), (-1.0, 0.1), (0.0, 0.5)):
        tied = {("a", "b"): r}
        assert propagate(lambda a, b: a + b, inputs, correlations=tied).combined == pytest.approx(expected)
        drawn = monte_carlo(lambda a, b: a + b, inputs, draws=40_000, seed=4, correlations=tied)
        assert drawn.standard_uncertainty == pytest.approx(expected, rel=0.02)


def test_unit_and_order_of_inputs_change_nothing_else():
    inputs = {"a": StudentT(5.0, 0.1, 7), "b": Normal(2.0, 0.05)}
    plain = propagate(lambda a, b: a / b, inputs)
    turned = propagate(lambda a, b: 1000 * a / b, dict(reversed(inputs.items())))
    assert turned.combined == pytest.approx(1000 * plain.combined, rel=1e-10)
    assert turned.effective_df == pytest.approx(plain.effective_df, rel=1e-8)


def test_second_order_is_the_variance_of_a_product_of_normals():
    # Exact: var(XY) = x^2 v + y^2 u + u v for independent normal X, Y.
    inputs = {"x": Normal(0.0, 0.3), "y": Normal(0.0, 0.4)}
    assert propagate(lambda x, y: x * y, inputs).combined == 0
    assert second_order_uncertainty(lambda x, y: x * y, inputs) == pytest.approx(0.12, rel=1e-9)


@pytest.mark.parametrize(("df", "used"), [(18.999, 18), (2.0, 2), (0.4, 1), (math.inf, None)])
def test_coverage_factor_truncates_degrees_of_freedom(df, used):
    # scipy.stats.t and norm; JCGM 100:2008, G.4.1.
    k, whole = coverage_factor(df, 0.95)
    assert whole == used
    assert k == pytest.approx(stats.norm.ppf(0.975) if used is None else stats.t.ppf(0.975, used), rel=1e-9)


def test_inputs_that_do_not_vary_leave_nothing():
    found = propagate(lambda a: 2 * a, {"a": Normal(3.0, 0.0)})
    assert (found.value, found.combined, found.parts[0].sensitivity) == (6.0, 0.0, pytest.approx(2.0))
    assert found.effective_df == math.inf


@pytest.mark.parametrize(
    ("inputs", "tied", "said"),
    [
        ({}, None, "at least one"),
        ({"a": Normal(1, 1)}, {("a", "b"): 0.5}, "must name two inputs"),
        ({"a": Normal(1, 1), "b": Normal(1, 1)}, {("a", "b"): 1.5}, "between -1 and 1"),
    ],
)
def test_what_cannot_be_propagated_is_refused(inputs, tied, said):
    with pytest.raises(ValueError, match=said):
        propagate(lambda **x: sum(x.values()), inputs, correlations=tied)
    with pytest.raises(ValueError, match=said):
        monte_carlo(lambda **x: sum(x.values()), inputs, seed=1, correlations=tied)


def test_impossible_correlations_and_results_are_refused():
    three = {name: Normal(1.0, 0.1) for name in "abc"}
    tied = {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9}
    with pytest.raises(ValueError, match="can have together"):
        propagate(lambda a, b, c: a + b + c, three, correlations=tied)
    with pytest.raises(ValueError, match="finite result at the estimates"):
        propagate(lambda a: a * math.inf, {"a": Normal(1.0, 0.1)})
    rectangle = {"a": Rectangular(0, 1), "b": Normal(0, 1)}
    with pytest.raises(ValueError, match="not normal"):
        monte_carlo(lambda a, b: a + b, rectangle, seed=1, correlations={("a", "b"): 0.5})
    with pytest.raises(ValueError, match="at least 20000"):
        monte_carlo(lambda a: a, {"a": Normal(0, 1)}, draws=100, seed=1)
    with np.errstate(invalid="ignore"), pytest.raises(ValueError, match="some are not"):
        monte_carlo(lambda x: np.log(x), {"x": Normal(0, 1)}, draws=20_000, seed=1)


# Monte Carlo -----------------------------------------------------------------------------------------------------


def test_intervals_of_a_skewed_result_match_its_exact_distribution():
    # Open library: chi-square of scipy.stats.
    # Exact: the square of a standard normal is chi-square with one degree of freedom; its density falls from zero, so
    # that the shortest interval begins there.
    drawn = monte_carlo(lambda z: z**2, {"z": Normal(0, 1)}, draws=400_000, seed=7)
    exact = stats.chi2(1)
    error = 4 * max(drawn.end_errors)
    assert drawn.symmetric == pytest.approx((exact.ppf(0.025), exact.ppf(0.975)), abs=error)
    assert drawn.shortest == pytest.approx((0.0, exact.ppf(0.95)), abs=error)
    assert drawn.mean == pytest.approx(1.0, abs=4 * drawn.mean_error)
    assert drawn.standard_uncertainty == pytest.approx(math.sqrt(2), abs=4 * drawn.uncertainty_error)


def test_standard_errors_tell_what_another_seed_changes():
    results = [monte_carlo(lambda z: z, {"z": Normal(0, 1)}, draws=100_000, seed=seed) for seed in range(30)]
    for seen, told in (
        ([r.mean for r in results], [r.mean_error for r in results]),
        ([r.standard_uncertainty for r in results], [r.uncertainty_error for r in results]),
        ([r.symmetric[1] for r in results], [r.end_errors[1] for r in results]),
    ):
        # 30 values: their standard deviation is known to 13 %, four of which are allowed.
        assert np.std(seen, ddof=1) == pytest.approx(np.sqrt(np.mean(np.square(told))), rel=0.5)


def test_the_same_seed_gives_the_same_numbers_and_memory_stays_bounded():
    inputs = {f"x{i}": Normal(0.0, 0.01) for i in range(10)}

    def model(**x):
        return sum(x.values())

    assert monte_carlo(model, inputs, draws=40_000, seed=5) == monte_carlo(model, inputs, draws=40_000, seed=5)
    tracemalloc.start()
    monte_carlo(model, inputs, seed=5)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Ten inputs of a million doubles would be 80 million bytes; the results alone are 8.
    assert peak < 30e6


def test_agreement_tells_the_additive_examples_apart():
    # JCGM 101:2008, 9.2 (from memory): normal inputs validate first order, a dominating rectangle does not.
    def model(**x):
        return sum(x.values())

    normal = {name: Normal(0.0, 1.0) for name in "abcd"}
    root = math.sqrt(3)
    rectangles = {**{name: Rectangular(-root, root) for name in "abc"}, "d": Rectangular(-10 * root, 10 * root)}
    assert agreement(propagate(model, normal), monte_carlo(model, normal, seed=1)).agrees
    told = agreement(propagate(model, rectangles), monte_carlo(model, rectangles, seed=1))
    assert (told.agrees, told.resolved) == (False, True)
    assert told.high == pytest.approx(19.9 - 17.0, abs=0.1)
    with pytest.raises(ValueError, match="one confidence"):
        agreement(propagate(model, normal, confidence=0.99), monte_carlo(model, normal, draws=20_000, seed=1))


@pytest.mark.parametrize(("u", "tolerance"), [(0.35, 0.005), (0.0996, 0.005), (32.0, 0.5), (0.075, 0.0005), (0.0, 0)])
def test_numerical_tolerance_is_half_the_last_of_two_digits(u, tolerance):
    # JCGM 101:2008, 7.9.2 (from memory): u = c 10^l with c of two digits, half of 10^l.
    assert numerical_tolerance(u) == pytest.approx(tolerance)


# Joined terms ----------------------------------------------------------------------------------------------------


def test_one_measured_term_keeps_its_chi_square_interval():
    # scipy.stats.chi2.
    found = combine([Term("s", 0.2, 7)])
    ends = [0.2 * math.sqrt(7 / stats.chi2.ppf(p, 7)) for p in (0.95, 0.05)]
    assert found.combined.interval(0.9) == pytest.approx(ends, rel=1e-9)
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.975, 7), rel=1e-9)
    assert found.expanded.interval(0.9) == pytest.approx([found.coverage_factor * end for end in ends], rel=1e-9)


def test_a_sum_of_components_keeps_the_upper_end_of_its_own_interval():
    # Dyestuff (Davies and Goldsmith 1972, table 6.1): mean squares 11271.5 on 5 and 2451.25 on 24. Graybill and Wang
    # above, Satterthwaite below, by scipy; a component taken from such a measured one, halved.
    example = yaml.safe_load((REFERENCE / "prc-dyestuff.yaml").read_text(encoding="utf-8"))
    s = precision([[[x] for x in batch] for batch in example["data"]["batches"]]).s_I
    parts = {5: 11271.5 / 5, 24: 0.8 * 2451.25}
    total = sum(parts.values())
    df = total**2 / sum(x**2 / f for f, x in parts.items())
    above = math.sqrt(sum(((f / stats.chi2.ppf(0.025, f) - 1) * x) ** 2 for f, x in parts.items()))
    ends = math.sqrt(total * df / stats.chi2.ppf(0.975, df)), math.sqrt(total + above)
    whole = combine([Term("s_I", s.value, s.degrees_of_freedom, s.distribution)]).combined.interval(0.95)
    half = combine([Term("s_I", s.value / 2, s.degrees_of_freedom, Affine(s.distribution, 0.5))]).combined.interval(
        0.95
    )
    assert whole == pytest.approx(ends, rel=1e-6)
    assert half == pytest.approx([end / 2 for end in ends], rel=1e-6)


def test_stated_terms_bring_no_interval():
    found = combine([Term("a", 3.0), Term("b", 4.0)])
    assert (found.combined.value, found.combined.interval(0.95)) == (5.0, None)
    assert found.coverage_df is None
    with pytest.raises(ValueError, match="at least one component"):
        combine([])
    with pytest.raises(ValueError, match="zero or more"):
        combine([Term("a", math.nan)])


def test_bias_that_is_not_corrected_enlarges():
    # Nordtest TR 537 (from memory): u_bias^2 = bias^2 + u^2; corrected, its own uncertainty is left.
    assert combine(bias_terms(-0.3, 0.4, treatment="enlarge")).combined.value == pytest.approx(0.5)
    assert combine(bias_terms(-0.3, 0.4, treatment="correct")).combined.value == pytest.approx(0.4)
    assert bias_shows(0.3, 0.1)
    assert not bias_shows(0.2, 0.1)
    assert bias_shows(0.1, 0.0)


def test_uncertainty_function_gives_back_its_own_points():
    levels = [0.5, 1.0, 2.0, 4.0, 7.5]
    u = [math.sqrt(0.04**2 + (0.05 * x) ** 2) for x in levels]
    found = uncertainty_function(levels, u)
    assert (found.constant, found.proportional) == pytest.approx((0.04, 0.05), rel=1e-9)
    # In ppm and in shares alike.
    ppm = uncertainty_function([1e4 * x for x in levels], [1e4 * value for value in u])
    assert (ppm.constant, ppm.proportional) == pytest.approx((400.0, 0.05), rel=1e-9)
    assert uncertainty_function([1, 2], [0.1, 0.1]).proportional == pytest.approx(0.0, abs=1e-9)
    falling = uncertainty_function([1, 2], [0.2, 0.1])
    assert falling.proportional == 0
    assert falling.largest_departure > 0.2
    with pytest.raises(ValueError, match="two different levels"):
        uncertainty_function([1, 1], [0.1, 0.2])
    with pytest.raises(ValueError, match="above zero"):
        uncertainty_function([1, 2], [0.0, 0.2])


def test_measurement_model_is_one_point_calibration():
    model = measurement_model(4.0, {"s": "sample", "w": "standard", "r": "standard reading", "f": "factor"})
    assert model(s=0.0, w=0.0, r=0.0, f=0.0) == pytest.approx(4.0, rel=1e-15)
    # The formula by hand: x_std S / S_std f, the standard read 2 % high, the sample 1 % low, and so on.
    assert model(s=-0.01, w=0.03, r=0.02, f=0.05) == pytest.approx(5.15 * (0.8 * 0.99) / 1.02 * 1.05, rel=1e-14)
    with pytest.raises(ValueError, match="above zero"):
        measurement_model(0.0, {})


# The block of the plan -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("block", "said"),
    [
        ({"components": [{"name": "oil"}]}, "states nothing of its size"),
        ({"components": [{"name": "oil", "size": "2%", "negligible": "small"}]}, "size and negligible"),
        ({"components": [{"name": "oil", "half_width": "2%"}]}, "half_width and shape together"),
        ({"components": [{"name": "oil", "size": "-2%"}]}, "negative"),
        ({"components": [{"name": "oil", "size": "two"}]}, "grammar"),
        ({"components": [{"name": "oil", "size": None}]}, "states nothing of its size"),
        ({"components": [{"name": "oil", "size": 1, "origin": " "}]}, "is empty"),
        ({"components": [{"name": "oil", "size": 0.1, "readings": 3}]}, "without from"),
        ({"components": [{"name": "oil", "from": "repeatability.sr"}]}, 'Write "repeatability.s_r"'),
        ({"components": [{"name": "oil", "size": 1, "part_of": "biass"}]}, 'Write "bias"'),
        ({"components": [{"name": "oil", "size": 1, "answers": "oils"}]}, 'Write "oil"'),
        ({"components": [{"name": "oil", "half_width": 1, "shape": "normal"}]}, "rectangular"),
        ({"components": [{"name": "oil", "negligible": "x", "part_of": "bias"}]}, "declared not to be a component"),
        ({"components": [{"name": "oil", "size": 1}, {"name": "oil", "size": 2}]}, '"oil" twice'),
        ({"components": [{"name": "oil", "size": 1}, {"name": "b", "answers": "oil", "negligible": "x"}]}, "both with"),
        ({"coverage": 95}, r"Write 0\.95"),
        ({"coverage": 0.3}, "more than 0.5"),
        ({"levels": "4"}, "square brackets"),
        ({"bias": "ignore"}, "enlarge"),
        ({"component": []}, "Extra inputs"),
    ],
)
def test_a_block_that_cannot_be_used_is_refused_with_its_mend(block, said):
    with pytest.raises(ValidationError, match=said):
        Budget.model_validate(block)


@pytest.mark.parametrize(
    ("names", "meant"),
    [
        (["oli"], ["oil"]),
        (["oli", "oil"], ["oil"]),
        (["vial temperature"], ["temperature"]),
        (["sample", "sampling"], []),
        (["Oil", "pad foil", "day"], []),
    ],
)
def test_a_name_that_is_nearly_a_question_is_told(names, meant):
    told = strange_components(Budget.model_validate({"components": [{"name": name, "size": 1} for name in names]}))
    assert [re.findall(r"did you mean (.*)\?", text) for text in told] == [[name] for name in meant]


# The chapter -----------------------------------------------------------------------------------------------------

LEVELS = {"1": (0.96, 1.05, 1.01, 0.93, 1.06, 1.0), "2": (2.05, 1.98, 2.11, 1.9, 2.02, 2.08)}
LEVELS["4"] = (4.1, 4.02, 3.85, 3.93, 4.22, 4.12)

BLOCK = {
    "components": [
        {"name": "oil", "size": "2%", "origin": "four batches"},
        {"name": "fuel", "half_width": "6%", "shape": "triangular"},
        {"name": "standard", "size": "0.6%", "part_of": "standard"},
        {"name": "reading", "from": "repeatability.s_r", "part_of": "within-laboratory reproducibility"},
        {"name": "standard reading", "from": "repeatability.s_r", "at": 2.0, "readings": 3, "part_of": "bias"},
        {"name": "sampling", "not_applicable": "oil as received"},
        {"name": "rounding", "negligible": "0.001 steps"},
    ]
}


def study_with(block=BLOCK, levels=LEVELS, *, customer_limits=(2.0, 4.0), standards=True, confidence=0.95, **columns):
    rows = [(level, f"R{i // 2 + 1}", value) for level, values in levels.items() for i, value in enumerate(values)]
    names, runs, results = zip(*rows, strict=True)
    study = small_study(
        "precision",
        {"level": names, "run": runs, "result": results, **columns},
        customer_limits=customer_limits,
        confidence=confidence,
    )
    stated = ({"name": "S-1", "value": 5.0, "uncertainty": 0.03},) if standards else ()
    budget = None if block is None else Budget.model_validate(block)
    return replace(study, plan=study.plan.model_copy(update={"uncertainty": budget, "standards": stated}))


def evaluation_of_study(study):
    return evaluation_of("uncertainty", study)


def budgets_of(study):
    """The budgets behind the evaluation, with what is looked at beside them."""
    return uncertainty.budgets_of(study, *(evaluation_of(name, study) for name in uncertainty.DEPENDS_ON))


def by_hand(level: str):
    """s_I, bias and its uncertainty of one level by the functions of their own chapters, which their tests check."""
    values = LEVELS[level]
    runs = [[[x] for x in values[i : i + 2]] for i in (0, 2, 4)]
    return precision(runs), bias([[x - float(level) for x in values[i : i + 2]] for i in (0, 2, 4)])


def test_the_top_down_budget_is_a_root_sum_of_squares():
    # JCGM 100:2008, 5.1.2, written out; a triangle has u = half-width / root 6.
    evaluation = evaluation_of_study(study_with())
    for level in ("1", "2", "4"):
        x = float(level)
        spread, found = by_hand(level)
        parts = {
            "s_I": (spread.s_I.value, spread.s_I.degrees_of_freedom),
            "bias": (found.value, math.inf),
            # A third of the mean square of the run means, which s_I holds: its variance counts 2 x 3 + 1 times.
            "u_bias": (found.standard_uncertainty, 2 / 7),
            "standard": (0.006 * x, math.inf),
            "oil": (0.02 * x, math.inf),
            "fuel": (0.06 * x / math.sqrt(6), math.inf),
        }
        u = math.sqrt(sum(size**2 for size, _ in parts.values()))
        df = u**4 / sum(size**4 / nu for size, nu in parts.values())
        values = LEVELS[level]
        V, W, _ = mean_squares([values[i : i + 2] for i in (0, 2, 4)])
        if V > W / 2:  # else s_I is truncated
            assert df == pytest.approx(u**4 / ((4 / 3 * V) ** 2 / 2 + (W / 2) ** 2 / 3), rel=1e-9)
        k = stats.t.ppf(0.975, math.floor(df))
        combined, expanded = (evaluation.get(f"uncertainty.{name}", x) for name in ("combined", "expanded"))
        assert combined.value == pytest.approx(u, rel=1e-9)
        assert combined.degrees_of_freedom == pytest.approx(df, rel=1e-9)
        assert expanded.value == pytest.approx(k * u, rel=1e-9)
        assert evaluation.get("uncertainty.coverage_factor", x).value == pytest.approx(k, rel=1e-9)
        measured = math.sqrt(u**2 - (0.02 * x) ** 2 - (0.06 * x) ** 2 / 6)
        assert evaluation.get("uncertainty.measured_part", x).value == pytest.approx(measured, rel=1e-9)
        assert (combined.n, combined.units, combined.worksheet) == (6, 3, "worksheets/test.csv")


def mean_squares(runs):
    """Variance of the run means, variance within runs, and mean error, by numpy alone; runs of equal size."""
    y = np.array(runs)
    return y.mean(axis=1).var(ddof=1), y.var(axis=1, ddof=1).mean(), y.mean()


def test_the_interval_counts_the_mean_square_of_the_runs_once():
    # Written out with scipy.stats: V of three run means, W of two readings, b their mean; Satterthwaite below, Graybill
    # and Wang above (both from memory). What the plan states is known.
    values = LEVELS["4"]
    V, W, b = mean_squares([[x - 4 for x in values[i : i + 2]] for i in (0, 2, 4)])
    known = 0.024**2 + 0.08**2 + 0.24**2 / 6
    half = stats.t.ppf(0.95, 2) * math.sqrt(V / 3)
    assert abs(b) < half
    S = V + W / 2
    df = S**2 / (V**2 / 2 + (W / 2) ** 2 / 3)
    low = S + b**2 + known - math.hypot(S * (1 - df / stats.chi2.ppf(0.95, df)), b**2)
    H = [df / stats.chi2.ppf(0.05, df) - 1 for df in (2, 3)]
    above = math.sqrt((H[0] * V) ** 2 + (H[1] * W / 2) ** 2)
    high = S + b**2 + known + math.hypot(above, (abs(b) + half) ** 2 - b**2)
    q = evaluation_of_study(study_with()).get("uncertainty.combined", 4.0)
    assert W / 2 < V
    assert q.judged_interval == pytest.approx((math.sqrt(low), math.sqrt(high)), rel=1e-9)
    assert q.judged_confidence == pytest.approx(0.9)
    assert q.interval[0] < q.judged_interval[0]
    assert q.interval[1] > q.judged_interval[1]
    assert q.judged_interval[0] < q.value < q.judged_interval[1]


def test_a_corrected_bias_shares_its_mean_square_with_the_scatter():
    # As above; (1 + 1/p) V in place of V, and nothing of the bias itself.
    values = LEVELS["4"]
    V, W, _ = mean_squares([[x - 4 for x in values[i : i + 2]] for i in (0, 2, 4)])
    known = 0.024**2 + 0.08**2 + 0.24**2 / 6
    parts = {2: 4 / 3 * V, 3: W / 2}
    S = sum(parts.values())
    df = S**2 / sum(x**2 / f for f, x in parts.items())
    low = S + known - S * (1 - df / stats.chi2.ppf(0.95, df))
    high = S + known + math.sqrt(sum(((f / stats.chi2.ppf(0.05, f) - 1) * x) ** 2 for f, x in parts.items()))
    q = evaluation_of_study(study_with({**BLOCK, "bias": "correct"})).get("uncertainty.combined", 4.0)
    assert q.judged_interval == pytest.approx((math.sqrt(low), math.sqrt(high)), rel=1e-9)
    assert q.degrees_of_freedom == pytest.approx((S + known) ** 2 * df / S**2, rel=1e-9)


def test_what_the_interval_is_about_is_met_on_average():
    # Exact enumeration: run effects and readings of -1 or 1 alike likely, 3 runs of 2, bias 0.5. The mean of s_I^2
    # (before truncation) + b^2 over all 512 studies is sigma_I^2 + beta^2 + variance of the mean: 2 + 1/4 + 1.5 / 3.
    total = 0.0
    for signs in itertools.product((-1, 1), repeat=9):
        runs = [[0.5 + signs[i] + signs[3 + 2 * i + j] for j in (0, 1)] for i in range(3)]
        found = precision([[[x] for x in run] for run in runs])
        squares = sum(c * m for c, m in zip(found.coefficients, found.mean_squares, strict=True))
        total += squares + bias(runs).value ** 2
    assert total / 512 == pytest.approx(2.75, rel=1e-12)


def test_an_independent_bias_joins_as_its_own_variance():
    # A bias from a recovery or a comparison: Welch and Satterthwaite over independent terms, JCGM 100:2008, G.4.1.
    own = Term("s_I", 0.3, 9.0)
    error = {"treatment": "correct", "degrees_of_freedom": 4.0}
    apart, shared = (combine([own, *bias_terms(0.1, 0.2, runs=runs, **error)]) for runs in (None, 5))
    assert apart.effective_df == pytest.approx(0.13**2 / (0.3**4 / 9 + 0.2**4 / 4), rel=1e-12)
    assert shared.effective_df == pytest.approx(0.13**2 / (0.3**4 / 9 + 11 * 0.2**4 / 4), rel=1e-12)
    # Reference values known: only the scatter of the bias has degrees of freedom.
    with_reference = combine([own, *bias_terms(0.1, 0.2, reference=0.1, **error)])
    assert with_reference.effective_df == pytest.approx(0.14**2 / (0.3**4 / 9 + 0.2**4 / 4), rel=1e-12)
    far = combine([own, *bias_terms(0.5, 0.1, treatment="enlarge", distribution=StudentTDistribution(0.5, 0.1, None))])
    again = confidence_distribution(json.loads(json.dumps(far.combined.distribution.to_dict())))
    assert again == far.combined.distribution
    assert again.interval(0.99) == far.combined.interval(0.99)


def test_each_component_counts_once_on_each_side():
    evaluation = evaluation_of_study(study_with())
    groups = {group.name: group for group in budgets_of(study_with()).focus.groups}
    assert list(groups) == ["within-laboratory reproducibility", "bias", "standard", "oil", "fuel"]
    parts = [name for group in groups.values() for name in group.parts]
    assert sorted(parts) == sorted(set(parts)) == ["fuel", "oil", "reading", "standard", "standard reading"]
    spread, _ = by_hand("4")
    at_two, _ = by_hand("2")
    # The reading brings s_r at 4; the standard's three readings are taken at 2 and carried as a share of the level.
    assert groups["within-laboratory reproducibility"].bottom_up == pytest.approx(spread.s_r.value, rel=1e-6)
    assert groups["bias"].bottom_up == pytest.approx(at_two.s_r.value / math.sqrt(3) / 2 * 4, rel=1e-6)
    for column in ("top_down", "bottom_up"):
        total = math.sqrt(sum(getattr(group, column) ** 2 for group in groups.values()))
        key = "combined" if column == "top_down" else "bottom_up"
        assert evaluation.get(f"uncertainty.{key}", 4.0).value == pytest.approx(total, rel=1e-6)
    ratio = evaluation.get("uncertainty.agreement", 4.0)
    u, u_b = (evaluation.get(f"uncertainty.{name}", 4.0) for name in ("combined", "bottom_up"))
    assert ratio.value == pytest.approx(u_b.value / u.value, rel=1e-12)
    assert ratio.interval == pytest.approx((u_b.value / u.interval[1], u_b.value / u.interval[0]), rel=1e-12)


def test_the_design_of_the_demonstration_adds_up():
    # Design of the demonstration: relative parts at 4 %, whose root sum of squares is 4.96 % (by hand).
    parts = {"a": 2.55, "b": 1.39, "c": 0.6, "d": 1.0, "e": 1.2, "f": 0.6, "g": 2.0, "h": 3.0}
    block = {"components": [{"name": name, "size": f"{size}%", "part_of": "bias"} for name, size in parts.items()]}
    found = evaluation_of_study(study_with(block)).get("uncertainty.bottom_up", 4.0)
    assert 100 * found.value / 4 == pytest.approx(4.96, abs=0.005)
    joined = combine([Term(name, u) for name, u in zip("wbsof", (0.134, 0.038, 0.024, 0.08, 0.12), strict=True)])
    assert joined.combined.value == pytest.approx(0.202, abs=0.0005)
    assert 2 * combine([Term(n, u) for n, u in zip("wbs", (0.134, 0.038, 0.024), strict=True)]).combined.value == (
        pytest.approx(0.28, abs=0.005)
    )


def test_the_demonstration_ends_as_designed():
    # Design of the demonstration at 4 %: scatter 0.134, bias with its uncertainty 0.038, oil 0.08, fuel 0.12, the
    # standard (0.024) in the bias: u 0.2006, U 0.40, 0.28 without oil and fuel, bottom-up 4.96 %, ratio 0.99.
    evaluation = evaluation_of_study(load_study(ROOT / "demo_data" / "new-grade"))
    u = evaluation.get("uncertainty.combined", 4.0)
    assert u.interval[0] < math.hypot(0.134, 0.038, 0.08, 0.12) < u.interval[1]
    assert evaluation.get("uncertainty.expanded", 4.0).value == pytest.approx(0.40, abs=0.005)
    assert 100 * evaluation.get("uncertainty.bottom_up", 4.0).value / 4 == pytest.approx(4.96, abs=0.005)
    assert evaluation.get("uncertainty.agreement", 4.0).value == pytest.approx(0.99, abs=0.005)
    budgets = budgets_of(load_study(ROOT / "demo_data" / "new-grade"))
    assert budgets.omitted == ["oil", "fuel"]
    assert measured_expanded(budgets.focus) == pytest.approx(0.28, abs=0.005)
    assert "not answered" not in [answer for _, _, answer in budgets.checklist]


def test_monte_carlo_of_the_budget_matches_the_exact_moments_of_a_product():
    # Exact for independent factors: var = x^2 (prod(1 + u_i^2) - 1); the standard's readings divide, so left out here.
    sizes = {"oil": 0.2, "fuel": 0.15, "c": 0.1}
    block = {"components": [{"name": name, "size": f"{100 * u}%"} for name, u in sizes.items()]}
    budgets = budgets_of(study_with(block))
    drawn, verdict = budgets.drawn[budgets.focus.level]
    exact = 4 * math.sqrt(math.prod(1 + u**2 for u in sizes.values()) - 1)
    # 200 000 draws: standard error of u about 0.2 %.
    assert drawn.standard_uncertainty == pytest.approx(exact, rel=0.01)
    assert not verdict.agrees


def test_treatments_of_the_bias():
    enlarge = evaluation_of_study(study_with())
    correct = evaluation_of_study(study_with({**BLOCK, "bias": "correct"}))
    _, found = by_hand("4")
    squares = [e.get("uncertainty.combined", 4.0).value ** 2 for e in (enlarge, correct)]
    assert squares[0] - squares[1] == pytest.approx(found.value**2, rel=1e-9)
    assert any("not corrected" in note for note in enlarge.notes)
    assert any("taken as corrected" in note for note in correct.notes)
    far = {**LEVELS, "4": tuple(x + 1 for x in LEVELS["4"])}
    restrict = evaluation_of_study(study_with({**BLOCK, "bias": "restrict"}, far))
    assert restrict.get("uncertainty.combined", 4.0) is None
    assert restrict.get("uncertainty.combined", 2.0) is not None
    assert any("Level 4 has no uncertainty: its bias exceeds twice" in note for note in restrict.notes)
    bent = evaluation_of_study(study_with(BLOCK, far))
    assert any("more than half of the variance" in note for note in bent.notes)
    assert bent.display.view.levels[-1].bias_dominates
    assert bent.display.view.function.x[-1] == 2.0


def test_a_limit_between_the_levels_lies_on_the_straight_line():
    evaluation = evaluation_of_study(study_with(customer_limits=(3.0, 9.0)))
    low, high = by_hand("2"), by_hand("4")
    s = (low[0].s_I.value + high[0].s_I.value) / 2
    b = (low[1].value + high[1].value) / 2
    u_b = max(low[1].standard_uncertainty, high[1].standard_uncertainty)
    u = math.sqrt(s**2 + b**2 + u_b**2 + (0.018) ** 2 + 0.06**2 + 0.18**2 / 6)
    q = evaluation.get("uncertainty.combined", 3.0)
    assert q.value == pytest.approx(u, rel=1e-9)
    assert q.n == 12
    assert any("Level 3 was not tested" in note for note in q.notes)
    assert evaluation.get("uncertainty.combined", 9.0) is None
    assert any("Level 9 lies outside the tested levels" in note for note in evaluation.notes)


def test_the_fitted_function_needs_two_levels():
    alone = evaluation_of_study(study_with({**BLOCK, "levels": [4.0]}))
    assert alone.get("uncertainty.constant") is None
    assert any("two levels" in note for note in alone.notes)


def test_without_a_block_the_measured_part_is_named_as_what_it_is():
    evaluation = evaluation_of_study(study_with(None))
    spread, found = by_hand("4")
    u = math.sqrt(spread.s_I.value**2 + found.value**2 + found.standard_uncertainty**2 + 0.024**2)
    assert evaluation.quantities == ()
    assert f"{u:.2f} % at 4 %" in evaluation.missing
    assert "no uncertainty of a result" in evaluation.missing


def test_what_is_not_answered_or_not_measured_is_said():
    evaluation = evaluation_of_study(study_with({"components": [{"name": "oil", "from": "fuel.spread"}]}))
    (note,) = [note for note in evaluation.notes if "does not answer" in note]
    assert "fuel" in note
    assert "rounding" in note
    assert "sample reading" not in note  # repeated readings hold it
    (missing,) = [note for note in evaluation.notes if "too small" in note]
    assert missing.startswith(
        "oil: the relative standard deviation of the response factors over fuels was not measured"
    )
    assert "(fuel.spread)" in missing
    assert evaluation.get("uncertainty.bottom_up", 4.0) is None
    words = uncertainty.in_words(evaluation, "%")
    assert any(text.startswith("There is no bottom-up budget") for text in words)
    nameless = evaluation_of_study(study_with(standards=False))
    assert any("names no standard" in said for said in nameless.notes)
    none = nameless.get("uncertainty.combined", 4.0)
    full = evaluation_of_study(study_with()).get("uncertainty.combined", 4.0)
    assert full.value**2 - none.value**2 == pytest.approx(0.024**2, rel=1e-6)
    varied = budgets_of(study_with(instrument=["A", "B"] * 9, analyst=["X"] * 18))
    answers = {question: answer for question, _, answer in varied.checklist}
    assert answers["instrument"].startswith("varied in the precision experiment (2 of them)")
    assert answers["analyst"] == "not answered"
    assert answers["sampling"] == "not applicable: oil as received"


def test_a_standard_stated_as_component_is_not_counted_twice():
    block = {"components": [{"name": "standard", "size": "0.6%"}]}
    both = evaluation_of_study(study_with(block)).get("uncertainty.combined", 4.0)
    own = evaluation_of_study(study_with({"components": []})).get("uncertainty.combined", 4.0)
    assert both.value == pytest.approx(own.value, rel=1e-12)


def test_one_sided_components_say_that_they_move_results():
    block = {"components": [{"name": "fuel", "half_width": "6%", "shape": "one-sided"}]}
    evaluation = evaluation_of_study(study_with(block))
    assert evaluation.get("uncertainty.bottom_up", 4.0).value == pytest.approx(0.24 / math.sqrt(12), rel=1e-6)
    assert any("one-sided" in note for note in evaluation.notes)


def test_degenerate_designs_say_what_is_missing():
    one_run = {"4": LEVELS["4"][:2]}
    assert "one run only" in evaluation_of_study(study_with(BLOCK, one_run)).missing
    labels = {"low": LEVELS["1"], "high": LEVELS["4"]}
    assert "labels" in evaluation_of_study(study_with(BLOCK, labels)).missing
    elsewhere = small_study("detection", {"material": ["A"], "result": ["0.1"]})
    assert "no precision experiment" in evaluation_of_study(elsewhere).missing
    outside = evaluation_of_study(study_with({**BLOCK, "levels": [50.0]}))
    assert "outside the tested levels" in outside.missing
    # One reading a run: s_r is not known, s_I and the bias are.
    singles = {level: values[::2] for level, values in LEVELS.items()}
    rows = [(level, f"R{i}", value) for level, values in singles.items() for i, value in enumerate(values)]
    columns = dict(zip(("level", "run", "result"), zip(*rows, strict=True), strict=True))
    study = small_study("precision", columns)
    budget = Budget.model_validate({"components": [{"name": "oil", "from": "repeatability.s_r"}]})
    study = replace(study, plan=study.plan.model_copy(update={"uncertainty": budget}))
    assert any("repeatability standard deviation was not measured (" in n for n in evaluation_of_study(study).notes)


def test_results_that_do_not_scatter_draw_no_budget():
    alike = {level: (float(level),) * 6 for level in LEVELS}
    study = study_with({"components": []}, alike, standards=False, customer_limits=())
    evaluation = evaluation_of_study(study)
    q = evaluation.get("uncertainty.combined", 4.0)
    assert (q.value, q.interval) == (0.0, None)
    assert any("rounding" in note for note in q.notes)
    assert figures.budget_parts(evaluation, study) is None
    assert evaluation.get("uncertainty.agreement", 4.0) is None


def test_figures_tables_and_words_come_from_the_budgets():
    study = study_with()
    evaluation = evaluation_of_study(study)
    assert evaluation.judged == evaluation.quantities
    again = type(evaluation).from_dict(json.loads(json.dumps(evaluation.to_dict(), allow_nan=False)))
    assert again.quantities == evaluation.quantities
    assert again.display.tables == evaluation.display.tables
    drawn = svg_text(figures.budget_parts(evaluation, study))
    assert "bottom-up" in drawn
    assert "within-laboratory reproducibility" in drawn
    assert "fitted u" in svg_text(figures.uncertainty_by_level(evaluation, study))
    words = " ".join(uncertainty.in_words(evaluation, "%"))
    for said in (
        "expanded uncertainty",
        "largest part",
        "bottom-up budget gives",
        "Without what did not vary",
        "Sampling",
    ):
        assert said in words
    keys = {info.key for info in uncertainty.CHARACTERISTIC.keys}
    assert {q.key for q in evaluation.quantities} == keys
    for table in evaluation.display.tables:
        assert all(len(row) == len(table.head) for row in table.rows)
    names = [table.name for table in evaluation.display.tables]
    assert names == ["map", "top-down", "bias", "bottom-up", "checklist"]


def test_what_holds_for_all_levels_is_told_once():
    evaluation = evaluation_of_study(study_with())
    by_level = [q for q in evaluation.quantities if q.at is not None]
    everywhere = [{note for q in by_level if q.at == at for note in q.notes} for at in (1.0, 2.0, 4.0)]
    # No run component at two levels: those notes stay there. None stands at all three.
    assert not set.intersection(*everywhere)
    (on_k,) = [note for note in evaluation.notes if note.startswith("k holds")]
    for level in (1.0, 2.0, 4.0):
        df = evaluation.get("uncertainty.coverage_factor", level).degrees_of_freedom
        assert f" {math.floor(df)}" in on_k
    assert sum("taken from the plan as a standard uncertainty" in note for note in evaluation.notes) == 1
    # What concerns one level stays with it.
    between = evaluation_of_study(study_with(customer_limits=(3.0,)))
    assert any("was not tested" in note for note in between.get("uncertainty.combined", 3.0).notes)
    assert not any("was not tested" in note for note in between.notes)


def test_no_key_of_the_results_stands_in_a_sentence():
    study = load_study(ROOT / "demo_data" / "new-grade")
    evaluation = evaluation_of_study(study)
    checklist = next(table for table in evaluation.display.tables if table.name == "checklist")
    texts = [*uncertainty.in_words(evaluation, "%"), *(cell for row in checklist.rows for cell in row)]
    assert not [text for text in texts if re.search(r"\b[a-z_]+\.[a-z]+_?[a-z]+\b", text)]


# The budget beside the study -------------------------------------------------------------------------------------


def test_cover_is_the_half_width_of_a_rectangle():
    # JCGM 100:2008, 4.3.7 (from memory): half-width a = u sqrt(3).
    u = 0.02
    edge = u * math.sqrt(3)
    assert cover_of(0.99 * edge, (0.0, edge), u) == "whole"
    assert cover_of(-0.99 * edge, (-edge, 0.0), u) == "whole"
    assert cover_of(0.99 * edge, (0.0, 1.01 * edge), u) == "estimate"
    assert cover_of(0.99 * edge, None, u) == "estimate"
    assert cover_of(-1.01 * edge, (-2 * edge, 0.0), u) == "none"
    assert cover_of(0.001, (0.0, 0.002), 0.0) == "none"


def test_excess_scatter_is_the_f_test_of_scipy():
    # scipy.stats.f.
    found = excess_scatter(0.5, 9, 0.3, 14, confidence=0.95)
    assert found.value == pytest.approx(0.4, rel=1e-12)
    assert found.ratio == pytest.approx(25 / 9, rel=1e-12)
    assert found.critical == pytest.approx(stats.f.ppf(0.95, 9, 14), rel=1e-9)
    assert found.shows == (stats.f.sf(25 / 9, 9, 14) < 0.05)
    assert excess_scatter(0.2, 9, 0.3, 14, confidence=0.95).value == 0


def demo_with(**components):
    """The demonstration, the sizes of some components of its plan replaced."""
    study = load_study(ROOT / "demo_data" / "new-grade")
    block = study.plan.uncertainty.model_dump(by_alias=True, exclude_none=True)
    for entry in block["components"]:
        if entry["name"] in components:
            entry["size"] = components[entry["name"]]
    plan = study.plan.model_copy(update={"uncertainty": Budget.model_validate(block)})
    return replace(study, plan=plan)


def test_sharing_the_standard_is_a_bias_of_its_own():
    # Written out: U = k sqrt(u^2 + (shift x)^2 + (u(shift) x)^2) at x = 4, k that of the budget.
    study = demo_with()
    evaluation = evaluation_of_study(study)
    u, k = (evaluation.get(f"uncertainty.{name}", 4.0).value for name in ("combined", "coverage_factor"))
    ratios = [evaluation_of("matrix", study).get("matrix.slope_ratio", name) for name in ("OG-K", "OG-M")]
    ratios += [evaluation_of("fuel", study).get("fuel.slope_ratio", name) for name in ("FB-0", "FB-20")]
    found = {entry.name: entry for entry in budgets_of(study).sharing}
    for q in ratios:
        shift = q.value - 1
        expected = k * math.sqrt(u**2 + (4 * shift) ** 2 + (4 * q.standard_uncertainty) ** 2)
        assert found[q.at].expanded == pytest.approx(expected, rel=1e-9)
        assert found[q.at].shift == pytest.approx(shift, rel=1e-9)
    # Oil 2 % reaches 3.46 %, fuel 3 % reaches 5.2 %: design of the demonstration, OG-K and FB-0 near, the others far.
    assert {name: entry.cover for name, entry in found.items()} == {
        "OG-K": "estimate", "OG-M": "none", "FB-0": "estimate", "FB-20": "none", "OG-K with FB-0": "estimate",
    }  # fmt: skip
    a, b = ratios[0], ratios[2]
    shift, spread = (
        a.value * b.value - 1,
        math.hypot(a.standard_uncertainty * b.value, b.standard_uncertainty * a.value),
    )
    expected = k * math.sqrt(u**2 + (4 * shift) ** 2 + (4 * spread) ** 2)
    assert found["OG-K with FB-0"].expanded == pytest.approx(expected, rel=1e-9)
    words = " ".join(uncertainty.in_words(evaluation, "%"))
    assert "OG-K reads 1.5 % high and FB-0 reads 2.7 % high, within √3 times the standard uncertainty" in words
    assert "does not hold for OG-M (12.1 % low) and FB-20 (12.9 % low)" in words
    (table,) = [table for table in evaluation.display.tables if table.name == "sharing"]
    assert [row[0] for row in table.rows] == list(found)
    assert all(row[-1] == f"{found[row[0]].expanded:.2f}" for row in table.rows)


@pytest.mark.parametrize(("size", "cover"), [("0.5%", "none"), ("2%", "estimate"), ("2.5%", "whole")])
def test_a_larger_component_covers_more(size, cover):
    # The interval of OG-K ends at 3.6 %: 0.5 % reaches 0.87 %, 2 % 3.46 %, 2.5 % 4.33 %.
    found = {entry.name: entry for entry in budgets_of(demo_with(oil=size)).sharing}
    assert found["OG-K"].cover == cover
    assert ("OG-K with FB-0" in found) == (cover != "none")


def test_components_are_held_against_what_was_measured():
    # Design of the demonstration: standard 0.6 % planned, 0.51 % by the lot record; fuel 3 % planned, three fuels
    # chosen far apart; reading 0.03 + 1.8 % of 4 = 0.102, and so is the truth.
    evaluation = evaluation_of_study(demo_with())
    assert {check.name: check.agrees for check in budgets_of(demo_with()).checks} == {
        "standard": False, "fuel": False, "sample reading": True,
    }  # fmt: skip
    words = " ".join(uncertainty.in_words(evaluation, "%"))
    assert "0.60 % of the level stated, 0.51 % of the level (lot record S-01) here" in words
    assert "8.6 % of the level over FB-7, FB-0 and FB-20" in words
    mended = budgets_of(demo_with(standard="0.51%", fuel="8%", **{"sample reading": "12%"}))
    assert {check.name: check.agrees for check in mended.checks} == {
        "standard": True, "fuel": True, "sample reading": False,
    }  # fmt: skip
    agreed = evaluation_of_study(demo_with(standard="0.51%", fuel="8%"))
    assert any("the two agree" in text for text in uncertainty.in_words(agreed, "%"))
    assert not any("disagree" in text for text in uncertainty.in_words(agreed, "%"))
    elsewhere = budgets_of(study_with())
    assert (elsewhere.checks, elsewhere.sharing, elsewhere.used_oils) == ([], [], None)


def test_used_oils_scatter_beyond_new_oil():
    # By hand from the worksheet of the blanks; design of the demonstration: used oils scatter by 0.05 of their own.
    study = demo_with()
    table = study.experiments["detection"].table
    blank = table[table["level"] == 0]
    used, new = (blank[blank["matrix"] == name]["result"].astype(float).std(ddof=1) for name in ("used oil", "new oil"))
    found = budgets_of(study).used_oils
    assert found.excess.value == pytest.approx(math.sqrt(used**2 - new**2), rel=1e-9)
    assert stats.f.sf(used**2 / new**2, 9, 9) < 0.05
    evaluation = evaluation_of_study(study)
    for level, expanded, more in found.levels:
        u, k = (evaluation.get(f"uncertainty.{name}", level).value for name in ("combined", "coverage_factor"))
        assert expanded == pytest.approx(k * u, rel=1e-12)
        assert more == pytest.approx(k * math.hypot(u, found.excess.value), rel=1e-9)
    assert [level for level, _, _ in found.levels] == [0.5, 4.0]
    assert any("stands in no component" in text for text in uncertainty.in_words(evaluation, "%"))
    # A component that does not shrink with the level holds it: nothing is left to say.
    assert budgets_of(demo_with(oil="sum(0.08, 2%)")).used_oils is None


@pytest.mark.parametrize("design", [(8, 3), (5, 2)])
@pytest.mark.parametrize(("treatment", "beta"), [("enlarge", 0.0), ("enlarge", 1.0), ("correct", 1.0)])
@pytest.mark.parametrize("s_run", [0.0, 1.0])
def test_the_interval_misses_at_its_rate_on_each_side(design, treatment, beta, s_run):
    # Brute force over the public functions; the truth written out.
    (p, n), rng, count = design, np.random.default_rng(12), 300
    kept = beta**2 if treatment == "enlarge" else 0.0
    truth = math.sqrt(1 + s_run**2 + kept + (s_run**2 + 1 / n) / p + 0.5**2)
    errors = beta + rng.normal(0, s_run, (count, p, 1)) + rng.normal(0, 1, (count, p, n))
    misses = np.zeros(2)
    for study in errors.tolist():
        s, b = precision([[[x] for x in run] for run in study]).s_I, bias(study)
        of_bias = bias_terms(
            b.value, b.standard_uncertainty, treatment=treatment, degrees_of_freedom=p - 1.0,
            distribution=b.distribution, runs=p,
        )  # fmt: skip
        own = Term("s_I", s.value, s.degrees_of_freedom, s.distribution)
        low, high = combine([own, *of_bias, Term("further", 0.5)]).combined.interval(0.9)
        misses += (truth < low, truth > high)
    # Nominal 15 of 300 on each side, plus three binomial standard errors (11.3).
    assert (misses <= 27).all(), misses
    assert misses.sum() > 0


def independent(reference, *, u_level=None, lots=None, in_use="", block=BLOCK):
    """Budgets at 4 of a plan that says what the bias was measured against."""
    columns = {} if u_level is None else {"u_level": [u_level] * 18}
    columns |= {} if lots is None else {"lot": lots}
    study = study_with(block if reference is None else {**block, "reference": reference}, **columns)
    plan = study.plan.model_copy(update={"lots": study.plan.lots.model_copy(update={"in_use": in_use or None})})
    return budgets_of(replace(study, plan=plan))


def test_the_standard_counts_once_by_what_the_bias_was_measured_against():
    # Squares by hand: standard 0.6 % of 4; reference values 0.05 where the worksheet states them.
    standard = 0.024**2
    silent, apart, rests = (independent(reference).focus.u ** 2 for reference in (None, "independent", "standard"))
    assert silent == pytest.approx(rests, rel=1e-12)
    assert rests - apart == pytest.approx(standard, rel=1e-9)
    both = {reference: independent(reference, u_level="0.05").focus for reference in (None, "independent", "standard")}
    # With their uncertainty stated, u is the same: the standard is a part of it, or moved the bias.
    for one in both.values():
        assert one.u**2 - apart == pytest.approx(0.05**2, rel=1e-9)
    # Resting on the standard, its line keeps 0.024, and the bias holds what is left of 0.05.
    assert both["standard"].standard.standard_uncertainty == pytest.approx(0.024)
    assert both["standard"].bias_terms[-1].standard_uncertainty ** 2 == pytest.approx(0.05**2 - standard, rel=1e-9)
    assert both["independent"].standard is None
    # A standard that the plan states as a component of its own goes by the same rule.
    stated = {"components": [{"name": "standard", "size": "0.6%"}]}
    squares = [independent(reference, block=stated).focus.u ** 2 for reference in ("standard", "independent")]
    assert squares[0] - squares[1] == pytest.approx(standard, rel=1e-9)
    assert independent("independent", block=stated).focus.bottom_up.combined == pytest.approx(0.024, rel=1e-6)


def test_the_lot_in_use_counts_where_the_runs_had_another():
    runs = ["S-0"] * 18
    same, other = (independent("independent", lots=runs, in_use=lot) for lot in ("S-0", "S-1"))
    assert same.focus.standard is None
    assert other.focus.standard.standard_uncertainty == pytest.approx(0.024)
    assert any("calibrated with lot S-0, results lean on lot S-1" in note for note in other.notes)
    # Runs of several lots hold their differences in s_I.
    assert independent("independent", lots=["S-0", "S-2"] * 9, in_use="S-1").focus.standard is None


#: Relative, of each lot alone (homogeneity, loss in use); weighings, purity and loss while weighing are common to all.
OF_ONE_LOT = 0.004**2 + 0.003**2


def of_lots(runs, reference, in_use="S-1", block=BLOCK, **columns):
    """Budgets at 4 where the three runs were calibrated with these lots, each with a record; and u^2 of a lot."""
    text = RECORD.replace("shape: one sided}", 'shape: one sided, evidence: "QR-103"}')
    records = {}
    for lot in {*runs, "S-1", "S-3"}:
        records[lot], _ = parse_lot_record(text.replace("S-1", lot).encode(), f"{lot}.yaml", lot=lot, unit="%")
    study = study_with({**block, "reference": reference}, lot=[lot for lot in runs for _ in range(2)] * 3, **columns)
    plan = study.plan.model_copy(update={"lots": study.plan.lots.model_copy(update={"in_use": in_use})})
    result = lot_value(records["S-1"], confidence=0.95).result
    budgets = budgets_of(replace(study, plan=plan, lot_records=records))
    return budgets, (result.standard_uncertainty / result.value) ** 2


def test_of_several_lots_counts_what_the_scatter_of_the_runs_does_not_show():
    # By hand, two runs of one lot and one of another: D = C - (C + 2 c) / 3, two thirds of what each errs by alone.
    budgets, whole = of_lots(("S-1", "S-1", "S-2"), "standard")
    of_level = budgets.focus.standard.standard_uncertainty / 4
    assert of_level**2 == pytest.approx(whole - 2 / 3 * OF_ONE_LOT, rel=1e-6)
    assert any("does not average away, and counts on a line of its own: 0.3" in note for note in budgets.notes)
    # The line is part of u: with one lot in all runs that of its record, the bias and s_I being the same.
    one, _ = of_lots(("S-1",) * 3, "standard")
    assert one.focus.standard.standard_uncertainty == pytest.approx(4 * whole**0.5)
    assert one.focus.u**2 - budgets.focus.u**2 == pytest.approx(16 * 2 / 3 * OF_ONE_LOT, rel=1e-6)
    # Without a lot in use any lot of the runs; with u_level stated the bias keeps what the line does not hold.
    assert of_lots(("S-1", "S-1", "S-2"), "standard", None)[0].focus.u == pytest.approx(budgets.focus.u)
    each = ("S-1",) * 3, ("S-1", "S-2", "S-3")
    stated = [of_lots(runs, "standard", u_level=["0.05"] * 18)[0].focus.u for runs in each]
    assert stated[0] == pytest.approx(stated[1], rel=1e-12)
    # A standard that the plan states as a component counts as stated, and nothing is added.
    own = {"components": [{"name": "standard", "size": "0.6%"}]}
    assert of_lots(("S-1", "S-1", "S-2"), "standard", block=own)[0].focus.standard is None


def test_of_several_lots_the_bias_holds_what_they_share():
    # By hand: the mean of the runs is S-1 by two thirds, so the lot in use errs apart by 2 (1 - 2/3)^2 of what is its
    # own, less than the two thirds that s_I shows.
    assert of_lots(("S-1", "S-1", "S-2"), "independent")[0].focus.standard is None
    assert of_lots(("S-1",) * 3, "independent")[0].focus.standard is None
    # A lot of none of the runs: 1 + 4/9 + 1/9 of it, less two thirds; with one lot in all runs 2.
    for runs, factor in ((("S-1", "S-1", "S-2"), 14 / 9 - 2 / 3), (("S-1",) * 3, 2.0)):
        budgets, _ = of_lots(runs, "independent", "S-3")
        of_level = budgets.focus.standard.standard_uncertainty / 4
        assert of_level**2 == pytest.approx(factor * OF_ONE_LOT, rel=1e-6)
        assert any("what lot S-3 errs by apart from them counts beside it" in note for note in budgets.notes)
    # A record that is missing leaves the rule for one lot, or for several of which nothing is known.
    unknown, _ = of_lots(("S-1", "S-1", "S-2"), "standard", "S-9")
    assert unknown.sources.standard_of_runs is None
