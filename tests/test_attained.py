"""Rates of a study's own design under tails and rounding: against theory and plain simulation, and where they stand."""

from __future__ import annotations

from decimal import Decimal
from math import sqrt

import numpy as np
import pytest
from scipy import integrate, stats
from small_study import precision_study

from validation.characteristics import _attained
from validation.characteristics._attained import (
    STUDIES,
    LaboratoryCase,
    RunCase,
    attained_rates,
    cut,
    rates_of,
    ratio_class,
    step_class,
    step_of,
)
from validation.judging.outcomes import evaluate, judge_study
from validation.judging.sensitivity import variants
from validation.simulation.shape import NORMAL, Shape

EIGHT_OF_THREE = ((1, 1, 1),) * 8


def error(rate: float) -> float:
    return sqrt(rate * (1 - rate) / STUDIES)


def test_s_r_of_normal_scatter_holds_as_often_as_it_says():
    # Exact: sums of squares over sigma^2 are chi-square, so that interval and upper bound hold in 95 %.
    held, bound = rates_of(RunCase(EIGHT_OF_THREE, None, 1.0), NORMAL, 0.95)["s_r"]
    assert held == pytest.approx(0.95, abs=4 * error(0.95))
    assert bound == pytest.approx(0.95, abs=4 * error(0.95))


def test_s_r_under_tails_is_that_of_a_plain_simulation():
    # Student's t of scipy with other draws, interval by scipy's chi-square; no function of the package.
    y = stats.t(4).rvs((20_000, 8, 3), random_state=np.random.default_rng(99)) / sqrt(2)
    s2, (low, high) = y.var(axis=2, ddof=1).mean(axis=1), stats.chi2.ppf([0.025, 0.975], 16)
    expected = ((16 * s2 / high <= 1) & (16 * s2 / low >= 1)).mean()
    held, _ = rates_of(RunCase(EIGHT_OF_THREE, None, 1.0), Shape(tails=4.0), 0.95)["s_r"]
    assert held == pytest.approx(expected, abs=4 * error(expected))
    assert held < 0.88


def test_two_readings_on_a_coarse_step_are_a_sum_over_whole_steps():
    # One run of two readings: s_r is |k| h / sqrt(2), k the difference in steps; P(k) by integrals of the normal law
    # over where the truth lies in a step. The interval holds 1 where chi-square of one df lies between its points.
    h, (low, high) = 2.0, stats.chi2.ppf([0.025, 0.975], 1)

    def of_difference(k: int) -> float:
        def at(u: float) -> float:
            steps = np.arange(-12, 13)
            p = stats.norm.cdf((steps + 0.5) * h - u) - stats.norm.cdf((steps - 0.5) * h - u)
            return float((p[: len(p) - k] * p[k:]).sum() * (2 if k else 1))

        return integrate.quad(at, 0, h)[0] / h

    expected = sum(of_difference(k) for k in range(6) if low <= (k * h) ** 2 / 2 <= high)
    held, _ = rates_of(RunCase(((1, 1),), None, 1.0), Shape(grid=h), 0.95)["s_r"]
    assert held == pytest.approx(expected, abs=4 * error(expected))


@pytest.mark.parametrize(
    ("layout", "ratio", "names"),
    [
        (EIGHT_OF_THREE, 1.0, {"s_run", "s_I"}),
        (((1, 1, 1),), None, {"s_r"}),
        (((1,),) * 6, 0.0, {"s_I"}),
        (((2, 2), (2, 1), (3,)), 4.0, {"s_run", "s_I"}),
        (((2,),) * 5, 0.0, {"s_I"}),
    ],
)
def test_every_design_of_runs_has_the_rates_of_what_it_supplies(layout, ratio, names):
    rates = rates_of(RunCase(layout, ratio, 0.5), NORMAL, 0.95)
    assert set(rates) == names | {f"{name}, robust view" for name in names}
    assert all(held > 0.88 for held, _ in rates.values())
    assert all((bound is None) == ("robust" in name) for name, (_, bound) in rates.items())


@pytest.mark.parametrize(
    ("layout", "names"),
    [(((3,),) * 8, {"s_R"}), (((2, 2),) * 6, {"s_run", "s_R"}), (((1, 1),) * 6, {"s_R"}), (((1,),) * 6, {"s_R"})],
)
def test_every_design_of_laboratories_has_the_rates_of_what_it_supplies(layout, names):
    rates = rates_of(LaboratoryCase(layout, (1.0, 0.0)), NORMAL, 0.95)
    assert set(rates) == names
    assert all(held > 0.93 for held, _ in rates.values())


@pytest.mark.parametrize(
    ("written", "step"),
    [
        (["5.10", "5.12"], 0.02),
        (["5.1", "5.12", "5.13"], 0.01),
        (["7", "8"], 1.0),
        (["100", "150"], 50.0),
        (["0.35", "0.40", "0.25"], 0.05),
        (["0", "0.0"], 0.0),
        (["-0.3", "0.1"], 0.1),
    ],
)
def test_the_step_is_the_largest_that_divides_every_reading(written, step):
    assert step_of([Decimal(text) for text in written]) == pytest.approx(step)


def test_classes_are_the_nearest_ratio_and_the_next_coarser_step():
    assert [ratio_class(ratio) for ratio in (0.0, 0.06, 0.2, 0.9, 3.0, 16.0)] == [0.0, 0.0, 0.25, 1.0, 4.0, 16.0]
    assert [step_class(0.01, s) for s in (0.05, 0.039, 0.02, 0.01, 0.009)] == [0.0, 0.5, 0.5, 1.0, 2.0]


def test_a_large_design_is_simulated_with_fewer_readings():
    assert cut(EIGHT_OF_THREE) == EIGHT_OF_THREE
    for layout in (((1,) * 10,) * 2000, ((1,) * 20_000,), ((500, 500),) * 3, ((1,) * 300, (1,))):
        smaller = cut(layout)
        assert sum(map(sum, smaller)) <= 240
        assert len(smaller) == min(30, len(layout))
        assert all(len(run) >= min(2, len(whole)) for run, whole in zip(smaller, layout, strict=False))


def test_levels_of_one_design_and_class_share_a_row_and_the_worst_is_said():
    case = RunCase(EIGHT_OF_THREE, None, 1.0)
    found = attained_rates([(1.0, case, 0.0), (2.0, case, 1.0)], 0.95)
    (table,) = found.tables
    assert [row[:2] for row in table.rows] == [("s_r", "1, 2"), ("s_r, robust view", "1, 2")]
    (note,) = found.notes
    assert "Student's t on 4 degrees of freedom" in note
    assert attained_rates([], 0.95).tables == ()
    assert _attained.SHORTENED not in found.notes
    large = RunCase(((1,) * 10,) * 40, None, 1.0)
    assert _attained.SHORTENED in attained_rates([(1.0, large, 0.0)], 0.95).notes


def test_rates_are_shown_in_the_chapter_and_never_computed_to_judge(monkeypatch):
    calls = []
    whole = _attained.rates_of
    monkeypatch.setattr(_attained, "rates_of", lambda *case: calls.append(case) or whole(*case))
    drawn = np.random.default_rng(4).normal(5.0, 0.1, (6, 3))
    study = precision_study([[f"{value:.2f}" for value in run] for run in drawn])
    evaluations = evaluate(study)
    variants(study, evaluations, judge_study(study, evaluations))
    assert not calls
    for name in ("repeatability", "intermediate_precision"):
        tables = {table.name: table for table in evaluations[name].display.tables}
        assert tables["attained rates"].rows
        assert any("scatter as normal" in note for note in evaluations[name].notes)
    assert calls
