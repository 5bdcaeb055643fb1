"""The generator of simulated studies: moments and order of the readings are those of the stated truth (algebra)."""

from __future__ import annotations

import doctest
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from validation.simulation import lines, nested, shape
from validation.simulation.lines import LineDesign, LineTruth, Scatter, line_readings
from validation.simulation.nested import (
    CrossedDesign,
    CrossedTruth,
    NestedDesign,
    NestedTruth,
    crossed_readings,
    nested_readings,
)
from validation.simulation.pairs import PairsDesign, PairsTruth, pair_readings
from validation.simulation.shape import Shape
from validation.simulation.trials import (
    GroupTruth,
    TrialTruth,
    TripleTruth,
    group_readings,
    trial_readings,
    triple_readings,
)

STUDIES = 40_000


def drawn():
    return np.random.default_rng(20_261_128)


def covariance(y):
    return np.cov(y, rowvar=False)


def test_readings_of_a_unit_share_its_variance():
    # 2 laboratories: runs of 2 and 1 readings, and one run of 2. Cov = s_L^2 in a laboratory, + s_run^2 in a run.
    design = NestedDesign.of_laboratories([[2, 1], [2]])
    y = nested_readings(drawn(), STUDIES, design, NestedTruth((1.0, 2.0, 3.0), mean=7.0))
    assert [unit.tolist() for unit in design.units] == [[0, 0, 0, 1, 1], [0, 0, 1, 2, 2]]
    same_run, same_laboratory = np.zeros((5, 5)), np.zeros((5, 5))
    same_run[:2, :2] = same_run[2, 2] = same_run[3:, 3:] = 1
    same_laboratory[:3, :3] = same_laboratory[3:, 3:] = 1
    expected = same_laboratory + 4 * same_run + 9 * np.eye(5)
    assert covariance(y) == pytest.approx(expected, abs=0.35)
    assert y.mean(axis=0) == pytest.approx(np.full(5, 7.0), abs=0.08)


def test_three_stages_lie_inside_one_another():
    assert [unit.tolist() for unit in NestedDesign(((2, 1), (1, 2, 1), (1, 2, 1, 3))).units] == [
        [0, 0, 0, 0, 1, 1, 1],
        [0, 1, 1, 1, 2, 2, 2],
        [0, 1, 1, 2, 3, 3, 3],
    ]


def test_a_truth_of_other_stages_is_refused():
    with pytest.raises(ValueError, match="zip"):
        nested_readings(drawn(), 1, NestedDesign.of_groups([2, 2]), NestedTruth((1.0, 1.0, 1.0)))


def test_factors_add_their_variances_where_readings_share_their_levels():
    design = CrossedDesign(((0, 0, 1), (0, 1, 0)))
    y = crossed_readings(drawn(), STUDIES, design, CrossedTruth((1.0, 2.0), 1.0))
    assert covariance(y) == pytest.approx(np.array([[6, 1, 4], [1, 6, 0], [4, 0, 6]]), abs=0.2)


def test_lines_have_their_runs_and_their_scatter():
    # Var = own_intercept^2 + own_slope^2 x^2 + between(x)^2 + within(x)^2; readings of one cell share all but the last.
    design = LineDesign((0.0, 2.0), runs=2, each=2)
    truth = LineTruth(1.0, 3.0, Scatter(0.5, 0.25), own_intercept=0.3, own_slope=0.4, between=Scatter(0.0, 0.5))
    y = line_readings(drawn(), STUDIES, design, truth)
    assert design.x.tolist() == [0, 0, 2, 2, 0, 0, 2, 2]
    assert design.run.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]
    assert y.mean(axis=0) == pytest.approx(1 + 3 * design.x, abs=0.04)
    run = np.array(
        [[0.34, 0.09, 0.09, 0.09], [0.09, 0.34, 0.09, 0.09], [0.09, 0.09, 2.73, 1.73], [0.09, 0.09, 1.73, 2.73]]
    )
    assert covariance(y) == pytest.approx(np.kron(np.eye(2), run), abs=0.07)


def test_runs_hold_their_own_numbers_of_readings():
    design = LineDesign((0.0, 2.0, 5.0), 2, ((1, 0, 2), (3, 1, 0)))
    assert design.x.tolist() == [0, 5, 5, 0, 0, 0, 2]
    assert design.run.tolist() == [0, 0, 0, 1, 1, 1, 1]


def test_truths_are_compared_on_the_same_draws():
    design, plain = LineDesign((0.0, 5.0), 3, 2), LineTruth(0.0, 1.0, Scatter(0.1))
    biased = LineTruth(0.2, 1.0, Scatter(0.1))
    first, second = (line_readings(drawn(), 5, design, truth) for truth in (plain, biased))
    assert second - first == pytest.approx(np.full((5, 12), 0.2))


def test_pairs_scatter_each_by_its_own():
    design = PairsDesign.most_low(3, 1.0, 100.0)
    assert design.levels == pytest.approx((1.0, 10.0, 100.0))
    truth = PairsTruth(0.5, 1.1, Scatter(0.1), Scatter(0.2, 0.01), own=0.02)
    x, y = pair_readings(drawn(), STUDIES, design, truth)
    levels = np.array(design.levels)
    assert x.std(axis=0) == pytest.approx(np.full(3, 0.1), rel=0.02)
    assert y.mean(axis=0) == pytest.approx(0.5 + 1.1 * levels, rel=0.01)
    assert y.std(axis=0) == pytest.approx(np.hypot(0.2 + 0.01 * levels, 0.02 * levels), rel=0.02)


def test_groups_triples_and_trials():
    groups = group_readings(drawn(), STUDIES, 2, GroupTruth((1.0, 2.0), (0.1, 0.3)))
    assert groups.mean(axis=(0, 2)) == pytest.approx([1.0, 2.0], abs=0.01)
    assert groups.std(axis=(0, 2)) == pytest.approx([0.1, 0.3], rel=0.02)
    high, first, second = triple_readings(drawn(), STUDIES, 2, TripleTruth(10.0, 0.5, 0.1, 0.02, share=0.01))
    assert (first - second).mean() == pytest.approx(0.01 * high.mean(), abs=0.001)
    settings = np.array([[-1.0, 1.0], [1.0, 1.0]])
    trials = trial_readings(drawn(), STUDIES, settings, 2, TrialTruth(4.0, (0.2, -0.4), s_block=1.0, s_r=0.5))
    assert trials.mean(axis=0) == pytest.approx([3.7, 3.9, 3.7, 3.9], abs=0.03)
    expected = np.kron(np.eye(2), np.array([[1.25, 1.0], [1.0, 1.25]]))
    assert covariance(trials) == pytest.approx(expected, abs=0.05)


def test_tails_are_those_of_students_t_and_the_standard_deviation_is_the_stated_one():
    # P(|t| > 3 sigma) from scipy.stats.t of 4 and 6 degrees of freedom, whose variance is df / (df - 2).
    for df in (4.0, 6.0):
        parts = Shape(tails=df).parts(drawn(), (STUDIES, 10))
        sd = (df / (df - 2)) ** 0.5
        expected = 2 * student.sf(3 * sd, df)
        assert (np.abs(parts) > 3).mean() == pytest.approx(expected, abs=4 * (expected / parts.size) ** 0.5)
        assert np.median(np.abs(parts)) == pytest.approx(student.ppf(0.75, df) / sd, rel=0.01)
    heavy = Shape(tails=6.0)
    y = nested_readings(drawn(), STUDIES, NestedDesign.of_groups([2, 2]), NestedTruth((2.0, 1.0), shape=heavy))
    assert covariance(y) == pytest.approx(np.kron(np.eye(2), [[5.0, 4.0], [4.0, 5.0]]), abs=0.25)


def test_rounding_keeps_every_reading_within_half_a_step_of_its_own():
    # Sheppard: rounding to a step h adds h^2/12 to the variance where h is not large beside the scatter.
    truth, step = NestedTruth((0.0, 1.0), mean=3.0), 1.0
    design = NestedDesign.of_groups([3, 3])
    plain = nested_readings(drawn(), STUDIES, design, truth)
    written = nested_readings(drawn(), STUDIES, design, replace(truth, shape=Shape(grid=step)))
    assert np.abs(written - plain).max() <= step / 2
    steps = (written - written[:, :1]) / step
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
    assert written.mean() == pytest.approx(3.0, abs=0.02)
    assert written.var(axis=0) == pytest.approx(np.full(6, 1 + step**2 / 12), rel=0.03)


def test_every_kind_of_reading_takes_the_shape():
    coarse = Shape(tails=6.0, grid=0.5)
    line = line_readings(
        drawn(), 4, LineDesign((0.0, 2.0), 2, 2), LineTruth(0.0, 1.0, Scatter(0.5), between=Scatter(0.2), shape=coarse)
    )
    pairs = pair_readings(
        drawn(), 4, PairsDesign((1.0, 2.0, 3.0)), PairsTruth(0.0, 1.0, Scatter(0.5), Scatter(0.5), shape=coarse)
    )
    groups = group_readings(drawn(), 4, 3, GroupTruth((1.0, 2.0), (0.5, 0.5), coarse))
    for y in (line, *pairs, groups.reshape(4, -1)):
        steps = (y - y[:, :1]) / 0.5
        assert steps == pytest.approx(np.round(steps), abs=1e-9)


@pytest.mark.parametrize("module", [lines, nested, shape])
def test_examples_in_the_docstrings_hold(module):
    assert doctest.testmod(module).attempted > 0
    assert doctest.testmod(module).failed == 0
