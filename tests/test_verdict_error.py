"""The error of the verdict as a whole: against exact powers of Student's t and chi-square, and studies read one by one.

Exact powers are those of scipy (non-central t, chi-square). The readings of the last test are drawn by numpy and judged
by the intervals of a real study.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from profiles import sizes
from scipy import stats
from small_study import small_study

from validation.judging.outcomes import evaluate, judge_study, with_verdict_error
from validation.judging.simulated import SimulatedRow, Truth, raised_squares, simulated_rows
from validation.judging.verdict_error import run_correlation, verdict_error
from validation.simulation.estimates import EstimateDraws
from validation.stats.accuracy import tolerance_limits
from validation.stats.precision import precision
from validation.stats.trueness import bias
from validation.study.history.plan_order import PlanOrder

LEVELS = (1.0, 4.0, 8.0)
DRAWS = 20_000


def readings(rng, runs=8, each=3, shared=0.6):
    """Errors of a study: the effect of a run is partly the same at all levels."""
    common = rng.normal(0, 0.1, runs)
    return {
        level: [
            (effect + rng.normal(0, 0.1, each)).tolist()
            for effect in np.sqrt(shared) * common + rng.normal(0, 0.1 * np.sqrt(1 - shared), runs)
        ]
        for level in LEVELS
    }


def study(requirements, seed=3, **plan):
    errors = readings(np.random.default_rng(seed))
    rows = [
        (level, f"R{run}", f"{level + value:.4f}")
        for level, runs in errors.items()
        for run, values in enumerate(runs)
        for value in values
    ]
    levels, names, results = zip(*rows, strict=True)
    columns = {"level": levels, "run": names, "result": results}
    return small_study("precision", columns, requirements=requirements, **plan)


def judged(requirements):
    made = study(requirements)
    return made, judge_study(made, evaluate(made), order=PlanOrder(state="shown"))


def simulated(requirements) -> list[SimulatedRow]:
    made = study(requirements)
    chapters = {item["quantity"].partition(".")[0] for item in requirements}
    judgement = judge_study(made, evaluate(made, only=sorted(chapters)), order=PlanOrder(state="shown"))
    return simulated_rows(judgement.requirements, judgement.quantities)


def only(requirement) -> SimulatedRow:
    (row,) = simulated([{"id": "R1", "at": 4.0, **requirement}])
    return row


def share(hits):
    return hits.mean(), 3.5 * np.sqrt(max(hits.mean() * (1 - hits.mean()), 1e-3) / hits.size)


DRAWN = EstimateDraws(DRAWS, 1, {})


@pytest.mark.parametrize("distance", [0.0, 1.0, 2.5])
def test_an_upper_bound_of_a_mean_is_met_as_the_non_central_t_says(distance):
    # scipy.stats.nct: the bound d + t s/sqrt(n) lies below L where T = (L - d)/(s/sqrt(n)) > t, and T is non-central t.
    row = only({"quantity": "trueness.bias", "rule": "equivalence", "limit": 9.0})
    error, df = row.quantity.standard_uncertainty, row.quantity.degrees_of_freedom
    row = replace(row, row=replace(row.row, rule="upper bound", limit=0.5))
    attained, margin = share(row.met(Truth(0.5 - distance * error), DRAWN))
    assert attained == pytest.approx(stats.nct.sf(stats.t.ppf(0.95, df), df, distance), abs=margin)


@pytest.mark.parametrize("scatter", [0.5, 0.8, 1.0])
def test_the_upper_bound_of_a_size_is_met_as_chi_square_says(scatter):
    # scipy.stats.chi2: s sqrt(df / chi2(0.05)) <= limit.
    row = only({"quantity": "repeatability.s_r", "rule": "upper bound", "limit": 0.1})
    df = row.quantity.degrees_of_freedom
    truth = replace(row.on_limit(), scatter=scatter * row.on_limit().scatter)
    attained, margin = share(row.met(truth, DRAWN))
    exact = stats.chi2.cdf(stats.chi2.ppf(0.05, df) / scatter**2, df)
    assert attained == pytest.approx(exact, abs=margin)


@pytest.mark.parametrize(
    "requirement",
    [
        {"quantity": "trueness.bias", "rule": "equivalence", "limit": 0.3},
        {"quantity": "repeatability.s_r", "rule": "upper bound", "limit": 0.15},
        {"quantity": "intermediate_precision.s_I", "rule": "upper bound", "limit": 0.25},
        {"quantity": "accuracy.tolerance_low", "rule": "inside", "limit": 0.6},
    ],
    ids=lambda requirement: requirement["rule"] + " " + requirement["quantity"],
)
def test_on_its_limit_a_requirement_is_met_in_five_of_a_hundred_at_most(requirement):
    # The claim of every rule but `point`, alpha = 5 %, within 1.5 points and three Monte Carlo errors.
    row = only(requirement)
    attained, margin = share(row.met(row.on_limit(), DRAWN))
    assert attained <= 0.065 + margin


def test_a_point_on_its_limit_is_met_in_about_half():
    row = only({"quantity": "trueness.bias", "rule": "point", "limit": 0.3})
    attained, margin = share(row.met(row.on_limit(), DRAWN))
    assert attained == pytest.approx(0.5, abs=margin)  # a mean is symmetrical about its truth


def test_levels_that_share_their_runs_are_judged_together():
    # Independent levels: the product of their chances; levels that share everything: nearly the least of them.
    rows = [only({"quantity": "trueness.bias", "rule": "equivalence", "limit": 0.3})] * 3
    rows = [replace(row, row=replace(row.row, at=at)) for row, at in zip(rows, LEVELS, strict=True)]
    truth = Truth(0.3 - 2.2 * rows[0].quantity.standard_uncertainty)
    (worksheet, _) = rows[0].place
    alone = [row.met(truth, DRAWN) for row in rows]
    apart, margin = share(np.logical_and.reduce(alone))
    assert apart == pytest.approx(np.prod([met.mean() for met in alone]), abs=margin)
    together = EstimateDraws(DRAWS, 1, {worksheet: 0.999})
    joined, margin = share(np.logical_and.reduce([row.met(truth, together) for row in rows]))
    assert joined == pytest.approx(min(met.mean() for met in alone), abs=0.03)
    assert joined > apart


def test_the_same_seed_gives_the_same_whatever_else_was_asked():
    one, other = EstimateDraws(50, 7, {"w": 0.5}), EstimateDraws(50, 7, {"w": 0.5})
    other.within_runs("w", 2.0, 16.0)
    assert np.array_equal(one.mean_error("w", 4.0, 7.0), other.mean_error("w", 4.0, 7.0))
    assert not np.array_equal(one.mean_error("w", 4.0, 7.0), one.mean_error("w", 2.0, 7.0))


def test_chances_have_their_distributions():
    draws = EstimateDraws(DRAWS, 3, {"w": 0.6})
    for values, law in (
        (draws.mean_error("w", 1.0, 7.0), stats.norm()),
        (7 * draws.of_runs("w", 1.0, 7.0), stats.chi2(7)),
        (16 * draws.within_runs("w", 1.0, 16.0), stats.chi2(16)),
        (11.4 * draws.of_runs("w", 1.0, 11.4), stats.chi2(11.4)),
    ):
        assert stats.kstest(values, law.cdf).pvalue > 0.001
    pair = np.corrcoef(draws.mean_error("w", 1.0, 7.0), draws.mean_error("w", 2.0, 7.0))
    assert pair[0, 1] == pytest.approx(0.6, abs=0.02)
    assert abs(np.corrcoef(draws.mean_error("w", 1.0, 7.0), draws.of_runs("w", 1.0, 7.0))[0, 1]) < 0.03


@pytest.mark.parametrize(
    "runs",
    [
        [[[0.1], [0.2]], [[0.3], [0.1]], [[0.0], [0.4]]],
        [[[0.1, 0.2], [0.2, 0.1]], [[0.3, 0.35], [0.1, 0.3]], [[0.0, 0.1], [0.4, 0.1]]],
        [[[0.1, 0.2]], [[0.12, 0.19]], [[0.1, 0.3]]],
        [[[0.1]], [[0.2]], [[0.15]]],
    ],
    ids=["replicates", "preparations", "one preparation a run", "singles"],
)
def test_raised_squares_are_those_of_the_precision(runs):
    # The mean squares that the upper bound of s_I takes, from the same stages by another way.
    found = precision(runs)
    distribution = found.s_I.distribution
    expected = getattr(distribution, "raised", found.mean_squares)
    assert raised_squares(found.coefficients, list(found.mean_squares)) == pytest.approx(list(expected))


@sizes("studies", 300, 3000)
def test_simulated_verdicts_are_those_of_studies_read_one_by_one(studies):
    # Each study is drawn reading by reading and judged by the intervals of a real one; the truth is the engine's.
    requirements = [
        {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.12},
        {"id": "R2", "quantity": "intermediate_precision.s_I", "rule": "upper bound", "limit": 0.2},
        {"id": "R3", "quantity": "accuracy.tolerance_low", "rule": "inside", "limit": 0.45},
    ]
    rows = simulated(requirements)
    rng = np.random.default_rng(11)
    counts = {(row.row.id, row.row.at): 0 for row in rows}
    everything = 0
    for _ in range(studies):
        met = {}
        for level, runs in readings(rng).items():
            found = precision([[[value] for value in run] for run in runs])
            middle = bias(runs)
            low, high = middle.interval(0.9)
            met["R1", level] = low >= -0.12 and high <= 0.12
            met["R2", level] = found.s_I.interval(0.9)[1] <= 0.2
            met["R3", level] = tolerance_limits(found, middle.value).results.reach(0.95, 0.9)[1] <= 0.45
        everything += all(met.values())
        for name, hit in met.items():
            counts[name] += hit
    # The truth of the readings: run and reading scatter by 0.1 each, so the engine scatters as much more or less.
    draws = EstimateDraws(DRAWS, 5, {rows[0].quantity.worksheet: 0.6 * 0.75})  # 3/4 of a mean's variance are the run's
    verdicts = [_at_the_truth(row).met(Truth(), draws) for row in rows]
    for row, hits in zip(rows, verdicts, strict=True):
        attained = counts[row.row.id, row.row.at] / studies
        margin = 4 * np.sqrt(max(attained * (1 - attained), 0.01) / studies)
        assert hits.mean() == pytest.approx(attained, abs=margin), row.row.id
    margin = 4 * np.sqrt(everything / studies * (1 - everything / studies) / studies)
    assert np.logical_and.reduce(verdicts).mean() == pytest.approx(everything / studies, abs=margin)


def _at_the_truth(row: SimulatedRow) -> SimulatedRow:
    """The row with the true scatter in the place of the estimated one: runs 0.1, readings 0.1, 8 runs of 3."""
    quantity, above, below = row.quantity, 3 * 0.01 + 0.01, 0.01
    distribution = quantity.estimate.distribution
    if row.is_mean:
        estimate = replace(quantity.estimate, standard_uncertainty=np.sqrt(above / 3 / 8))
    else:
        distribution = replace(distribution, mean_squares=(above, below), raised=(above, below))
        estimate = replace(quantity.estimate, distribution=distribution)
    return replace(row, quantity=replace(quantity, estimate=estimate))


def test_the_record_names_points_and_what_has_no_error():
    requirements = [
        {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.3},
        {"id": "R2", "quantity": "intermediate_precision.s_I", "at": 4.0, "rule": "point", "limit": 0.3},
        {
            "id": "R3",
            "quantity": "detection.quantification_limit",
            "at": "by performance",
            "rule": "point",
            "limit": 1.0,
        },
    ]
    made, judgement = judged(requirements)
    found = with_verdict_error(judgement, made)
    assert found.error.unstated == ("R3 (by performance)",)
    text = found.conclusion.text
    assert "Judged on the estimate alone is R2 at 4 %" in text
    assert "R3 (by performance) has no stated error." in text
    assert found.conclusion.restrictions == judgement.conclusion.restrictions
    assert found.results()["verdict_error"]["draws"] == 4000
    assert "judged on its estimate alone" in found.error.sentence


def test_what_has_no_estimate_counts_as_not_met():
    requirements = [
        {"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.3},
        {"id": "R9", "quantity": "matrix.slope_ratio", "at": "OG-K", "rule": "equivalence", "limit": 0.05},
    ]
    made, judgement = judged(requirements)
    error = with_verdict_error(judgement, made).error
    assert error.without_estimate == ("R9 (OG-K)",)
    assert error.comfortable.share == 0.0
    assert "R9 (OG-K) has no estimate and counts as not met." in error.sentence
    # What it says nothing of, the range, is not touched.
    assert all(row.in_range.share > 0 for row in error.rows if row.id == "R1")


def test_a_stricter_limit_is_never_met_more_often():
    row = only({"quantity": "intermediate_precision.s_I", "rule": "upper bound", "limit": 0.3})
    shares = [
        replace(row, row=replace(row.row, limit=factor * row.quantity.value)).met(row.comfortable(), DRAWN).mean()
        for factor in (0.9, 0.999, 1.001, 1.2, 2.0)
    ]
    assert shares == sorted(shares)


def test_nothing_to_simulate_is_no_record():
    made, judgement = judged([{"id": "R1", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.3}])
    assert verdict_error(made, [], judgement.quantities, draws=500) is None
    unjudged = judge_study(made, evaluate(made))
    assert with_verdict_error(unjudged, made).error is None or unjudged.conclusion.outcome != "not judged"


def test_runs_that_agree_between_levels_are_seen():
    # The means of a run correlate by 0.6 * 0.75 in truth; of eight runs the estimate scatters widely.
    data = study([]).experiments["precision"]
    assert 0 <= run_correlation(data) < 1
    assert run_correlation(replace(data, table=data.table.assign(run="R1"))) == 0.0
