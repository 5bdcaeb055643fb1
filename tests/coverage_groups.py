"""Every group of rows of docs/coverage.md: all designs and truths of the self-test's rows, and what it leaves out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import product

import numpy as np
from scipy.special import chdtri, fdtrc

from validation.selftest.checks import CoverageRow
from validation.selftest.coverage import (
    ALPHA,
    CONFIDENCE,
    CONSTANT_SCATTER,
    EQUAL,
    FULL,
    GROWING,
    LEVELS,
    OWN,
    RATIOS,
    SCATTER,
    BudgetTruth,
    LotTruth,
    Methods,
    Replicated,
    bias_line_rows,
    blank_group,
    budget_group,
    coefficient_rows,
    content_group,
    counted_group,
    departure_group,
    design_text,
    differences_group,
    inside,
    laboratory_group,
    looped,
    lots_group,
    low_range_group,
    outlier_group,
    pairs_group,
    ratio_text,
    replicated_group,
    run_errors,
    run_group,
    shape_text,
    shared_runs_group,
    slope_group,
    storage_rows,
    straight_place,
    straight_readings,
    triple_rows,
    unequal_group,
    unequal_tests_rows,
    weighted_group,
)
from validation.selftest.rates import Array, Group, Place, holds
from validation.simulation.lines import LineDesign, LineTruth, Scatter, line_readings
from validation.simulation.nested import (
    CrossedDesign,
    CrossedTruth,
    NestedDesign,
    NestedTruth,
    crossed_readings,
    nested_readings,
)
from validation.simulation.shape import NORMAL, Shape
from validation.simulation.trials import GroupTruth, TrialTruth, group_readings, trial_readings
from validation.stats.distributions import Rectangular, type_a
from validation.stats.estimate import LIMIT_FACTOR
from validation.stats.mixed_model import mixed_model
from validation.stats.over_levels import CellMeans, fit_over_levels, over_levels
from validation.stats.precision import against_published, precision
from validation.stats.precision_model import precision_model
from validation.stats.precision_studies import ClassicalStudies, RobustStudies
from validation.stats.propagation import propagate
from validation.stats.recovery import recovery
from validation.stats.ruggedness import effects
from validation.stats.slope_ratio import level_weights, slope_ratios, slope_ratios_by_run
from validation.stats.straightness import Cells, NestedDesigns, model_F
from validation.stats.trueness import bias
from validation.stats.two_level_designs import plackett_burman
from validation.stats.two_means import paired_difference, welch_difference, welch_ratio

RUNS = ((2,) * 5, (3,) * 8, (3,) * 12, (3, 3, 3, 3, 3, 2, 2, 1), (1, 1, 2, 2, 3, 4, 5, 6))
LABORATORIES: dict[str, Sequence[Sequence[int]]] = {
    "5 laboratories, 2 readings": ((2,),) * 5,
    "8 laboratories, 3 readings": ((3,),) * 8,
    "12 laboratories, 3 readings": ((3,),) * 12,
    "8 laboratories, 2 to 5 readings": ((2,), (2,), (3,), (3,), (3,), (4,), (4,), (5,)),
    "8 laboratories, 2 runs of 2": ((2, 2),) * 8,
    "12 laboratories, 3 runs of 2": ((2, 2, 2),) * 12,
    "8 laboratories, 1 to 3 runs of 1 to 3": ((3, 3), (3, 2), (3, 3, 3), (2, 2), (3,), (3, 3), (1, 3), (2, 2, 3)),
}


def _cells(runs: int, counts: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """The counts in turn along each run, one step further in the next."""
    return tuple(tuple(counts[(run + at) % len(counts)] for at in range(len(FULL))) for run in range(runs))


BUDGET_RUNS = (
    *((2,) * 2, (2,) * 3),
    *((n,) * p for p in (5, 8, 12) for n in (1, 2, 3)),
    *((3, 3, 3, 3, 3, 2, 2, 1), (1, 1, 2, 2, 3, 4, 5, 6)),
)
BUDGETS = (
    BudgetTruth(known=1.0),
    BudgetTruth(measured=((1.0, 4),)),
    BudgetTruth("correct", measured=((0.5, 4), (1.0, 9))),
    BudgetTruth(reference=0.5),
    BudgetTruth("correct", reference=0.5),
)
#: Lots behind 8 runs, half of the variance of a value common to all lots.
LOTS = (
    LotTruth((0, 1, 2, 3, 4, 5, 6, 7), 0, 0.5, 0.5, rests=True),
    LotTruth((0, 0, 1, 1, 2, 2, 3, 3), 0, 0.5, 0.5, rests=True),
    LotTruth((0, 0, 0, 0, 1, 1, 1, 1), 0, 0.5, 0.5, rests=True, rates=(0.062, 0.088)),
    LotTruth((0, 0, 0, 0, 1, 1, 1, 1), 0, 0.5, 0.5, rests=False),
    LotTruth((0, 0, 0, 0, 1, 1, 1, 1), 2, 0.5, 0.5, rests=False),
    LotTruth((0,) * 8, 1, 0.5, 0.5, rests=False),
)
#: In units of s_r.
SHAPES = (Shape(tails=6.0), Shape(tails=4.0), Shape(grid=1.0), Shape(grid=2.0))
CALIBRATIONS = (LineDesign(FULL, 3, 3), LineDesign(FULL, 5, 2), LineDesign(FULL, 8, 3))
#: Readings of each run at each level of `FULL`, neighbours differing; a control of equal runs.
UNEQUAL = {
    "6 runs of 1 or 4 readings a level": LineDesign(FULL, 6, _cells(6, (1, 4))),
    "8 runs of 1 to 4 readings a level": LineDesign(FULL, 8, _cells(8, (1, 2, 3, 4))),
    "6 runs of 2 readings that lack each fourth level": LineDesign(FULL, 6, _cells(6, (2, 2, 2, 0))),
    "6 runs of 2 readings a level": LineDesign(FULL, 6, 2),
}
ONE_RUN = (LineDesign(FULL, 1, 3), LineDesign(FULL, 1, 5))
OUTLIERS = {
    "5 groups of 2": (2,) * 5,
    "8 groups of 3": (3,) * 8,
    "12 groups of 3": (3,) * 12,
    "8 groups of 2 to 5": (2, 2, 3, 3, 3, 4, 4, 5),
}
#: Analyst and day of each reading: 4 analysts on 3 days each, read twice; 4 analysts on each of 6 days.
NESTED_DAYS = {"analyst": [f"A{i // 6}" for i in range(24)], "day": [f"D{i // 2}" for i in range(24)]}
CROSSED_DAYS = {"analyst": [f"A{i % 4}" for i in range(24)], "day": [f"D{i // 4}" for i in range(24)]}


def groups() -> list[Group]:
    """Every group, in the order of the page."""
    return [
        *(run_group(counts, ratio, 10_000) for counts, ratio in product(RUNS, RATIOS)),
        *(content_group(*case, 10_000, expectation=True) for case in product(((1,) * 8, *RUNS), RATIOS, (0.0, 1.0))),
        *(run_group((3,) * 8, ratio, 10_000, shape=shape) for ratio, shape in product((0.25, 10.0), SHAPES)),
        *_looped_groups(),
        *(
            laboratory_group(design, layout, between, 10_000)
            for (design, layout), between in product(LABORATORIES.items(), RATIOS)
        ),
        *(
            laboratory_group(design, LABORATORIES[design], 1.0, 10_000, shape=shape)
            for design, shape in product(("8 laboratories, 3 readings", "8 laboratories, 2 runs of 2"), SHAPES)
        ),
        *_calibration_groups(),
        *(blank_group(counts, ratio, 10_000) for counts in ((1,) * 10, (2,) * 5, (2,) * 10) for ratio in RATIOS),
        *(low_range_group(5, 2, ratio, 10_000) for ratio in (0.0, 0.25, 1.0)),
        low_range_group(10, 1, 0.0, 10_000),
        *_counted_groups(),
        *(slope_group(distance, 10_000) for distance in (3.0, 5.0, 10.0, 100.0)),
        *(
            group
            for n, methods in product((10, 20, 40), (EQUAL, GROWING, OWN))
            for group in (pairs_group(n, methods, 4000), differences_group(n, methods, 4000))
        ),
        *_replicated_groups(),
        *(
            outlier_group(design, counts, ratio, 10_000)
            for (design, counts), ratio in product(OUTLIERS.items(), (0.0, 10.0))
        ),
        *_evidence_groups(),
    ]


def _counted_groups() -> list[Group]:
    designs = [(1, 4, 0.0, False), (4, 1, 0.0, False), (4, 1, 1.0, True), (4, 1, 10.0, True), (10, 1, 10.0, True)]
    designs += [(5, 2, 0.0, False), *((5, 2, ratio, shared) for ratio in (1.0, 10.0) for shared in (False, True))]
    designs += [(3, 3, 1.0, False), (3, 3, 1.0, True), (3, 3, 10.0, True)]
    return [counted_group(*design, scatter, 10_000) for design in designs for scatter in (SCATTER, CONSTANT_SCATTER)]


def _looped_groups() -> list[Group]:
    robust = (((2,) * 5, 1.0), ((3,) * 8, 1.0), ((3,) * 12, 1.0), ((3,) * 12, 10.0))
    shaped = [*product(robust, (NORMAL,)), *(((((3,) * 8, 1.0), shape)) for shape in SHAPES)]
    nested, crossed = "4 analysts, 3 days each, 2 readings", "4 analysts on each of 6 days"
    return [
        *(Group(f"preparations: {ratio:g}", 10_000, partial(preparation_rows, ratio)) for ratio in (0.25, 1.0, 10.0)),
        Group("published r", 2000, published_rows),
        *(robust_group(counts, ratio, 10_000, shape) for (counts, ratio), shape in shaped),
        *(Group(f"s(x), {df}", 1000, partial(model_rows, df)) for df in (16, 8)),
        Group("mixed model: nested", 1000, partial(factor_rows, NESTED_DAYS, nested)),
        Group("mixed model: crossed", 1000, partial(factor_rows, CROSSED_DAYS, crossed)),
        *(
            Group(f"whole range: {runs} x {each}", 2000, partial(range_rows, levels, runs, each, 0.0))
            for levels, runs, each in ((LEVELS, 8, 3), ((0.5, 2.0, 5.0, 10.0), 5, 2))
        ),
        Group("whole range: 8 x 3, curved", 2000, partial(range_rows, LEVELS, 8, 3, -0.007)),
        Group("reference value", 4000, reference_rows),
        Group("bias line", 2000, bias_line_rows),
    ]


def _calibration_groups() -> list[Group]:
    made = []
    for design, own in product(CALIBRATIONS, (False, True)):
        name = f"ordinary tests: {design_text(design)}, {own}"
        made += [departure_group(design, own, 10_000), Group(name, 10_000, partial(ordinary_rows, design, own))]
    made += [unequal_group(words, design, 10_000) for words, design in UNEQUAL.items()]
    words, design = next(iter(UNEQUAL.items()))
    made.append(Group(f"weighted tests: {words}", 1000, partial(unequal_tests_rows, words, design)))
    three, five = ONE_RUN
    for name, design, own, scatter in (
        ("equal scatter", five, False, CONSTANT_SCATTER),
        ("growing scatter", five, False, SCATTER),
        ("runs", CALIBRATIONS[0], True, SCATTER),
    ):
        made.append(Group(f"coefficients: {name}", 10_000, partial(coefficient_rows, design, own, scatter)))
    for design in (three, five):
        ordinary = Group(f"ordinary tests: {design_text(design)}", 10_000, partial(ordinary_rows, design, False))
        made += [ordinary, weighted_group(design, False, 2000)]
    designs = (LineDesign(FULL, 3, 1), *CALIBRATIONS)
    return [*made, *(weighted_group(design, own, 2000) for design, own in product(designs, (False, True)))]


def _replicated_groups() -> list[Group]:
    twice = "2 readings by both methods"
    halves = (("twice", 2.0), ("half", 0.5))
    ratios = [
        Methods(f"s = 0.03 + 0.018 x, the candidate's {words} that", SCATTER, ratio=ratio) for words, ratio in halves
    ]
    proportional = Methods("s = 0.03 x in both methods", Scatter(0.0, 0.03))
    large = Methods("s = 0.03 + 0.018 x in both, samples' own part 5 %", SCATTER, 0.05)
    unequal = (2, 1, 2, 3, 1, 2, 2, 3, 2, 1)
    designs = [
        *((Replicated(n, twice, 2, 2), methods) for n, methods in product((10, 20, 40), (EQUAL, GROWING, OWN))),
        *((Replicated(20, twice, 2, 2), methods) for methods in (*ratios, proportional, large)),
        (Replicated(20, "3 readings by both methods", 3, 3), OWN),
        (Replicated(20, f"evenly spaced, {twice}", 2, 2, even=True), OWN),
        (Replicated(10, "1 to 3 readings by the reference, 2 by the candidate", unequal, 2), OWN),
        (Replicated(8, twice, 2, 2), OWN),
    ]
    few = (2,) * 3 + (1,) * 17
    flat = Methods("s = 0.03 + 0.018 x in both, samples' own part 0.2 at all levels", SCATTER, own_constant=0.2)
    stops = [
        (Replicated(6, twice, 2, 2), OWN),
        (Replicated(20, "3 of them read twice by both methods", few, few), OWN),
        *((Replicated(n, twice, 2, 2), flat) for n in (10, 20)),
    ]
    return [
        *(replicated_group(design, methods, 1000 if design.n > 20 else 2000) for design, methods in designs),
        *(replicated_group(design, methods, 2000, stops=True) for design, methods in stops),
    ]


def _evidence_groups() -> list[Group]:
    return [
        *(Group(f"grades: {by_run}", 1500, partial(grade_rows, by_run)) for by_run in (True, False)),
        *(Group(f"lots: {each}", 4000, partial(lot_rows, each)) for each in (6, 21)),
        *(
            Group(f"lots: {counts}, {ratio:g}", 4000, partial(few_rows, counts, ratio))
            for counts, ratio in product(((2, 6), (2, 8), (3, 8), (2, 2), (3, 3), (4, 8)), (0.25, 1.0, 4.0))
        ),
        Group("triples", 4000, triple_rows),
        *(Group(f"screening: {replicates}", 2000, partial(screening_rows, replicates)) for replicates in (1, 2, 3)),
        Group("storage", 2000, storage_rows),
        Group("spike", 4000, spike_rows),
        Group("budget", 4000, budget_rows),
        *(budget_group(counts, BudgetTruth(), 4000) for counts in BUDGET_RUNS),
        *(budget_group(counts, BudgetTruth("correct"), 4000) for counts in BUDGET_RUNS),
        *(budget_group(counts, truth, 4000) for counts, truth in product(((2,) * 5, (3,) * 8), BUDGETS)),
        *(shared_runs_group(((3,) * (8 // n),) * n, 4000) for n in (4, 2)),
        lots_group(LOTS, 4000),
    ]


# Precision and trueness: a plain loop over the public functions ----------------------------------------------------

ROBUST = (
    "The robust view rests on large-sample efficiencies; it stands beside the classical estimates and is never judged."
)
BOUND = "Percentiles of the bootstrap are a little too narrow for a standard deviation over levels; said in the notes."
FEW_VALUES = "A component of few values: the profile of the restricted likelihood, Bartlett's correction for that."


def _over(
    y: Array, one: Callable[[Array], Sequence[bool]], place: Place, names: Sequence[str], note: str = ""
) -> list[CoverageRow]:
    return looped(place, names, [one(study) for study in y], note=note)


def preparation_rows(ratio: float, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """8 runs of 3 preparations, each read twice: s_preparation and s_reading are alike."""
    s_r = 2**0.5
    truth = NestedTruth((ratio**0.5 * s_r, 1.0, 1.0))
    y = nested_readings(rng, studies, NestedDesign(((3,) * 8, (2,) * 24)), truth)
    found = ClassicalStudies.of(y, [(2,) * 3] * 8)
    place = Place("precision", "8 runs of 3 preparations, each read twice", ratio_text(ratio))
    truths = {"s_r": s_r, "s_run": ratio**0.5 * s_r, "s_I": (1 + ratio) ** 0.5 * s_r}
    ends = {name: getattr(found, f"{name}_interval")(CONFIDENCE) for name in truths}
    return [place.row(name, 0.95, holds(ends[name], truth)) for name, truth in truths.items()]


def published_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """s_r against a published limit that is the laboratory's own truth."""
    alarms = []
    for study in run_errors(rng, studies, (3,) * 8, 1.0):
        s_r = precision(study.reshape(8, 3, 1).tolist()).s_r
        assert s_r is not None
        alarms.append(against_published(s_r, LIMIT_FACTOR).p <= ALPHA)
    place = Place("precision", "8 runs of 3", ratio_text(1.0))
    return [place.row("s_r against a published r: false alarms", ALPHA, np.array(alarms))]


def robust_group(counts: Sequence[int], ratio: float, studies: int, shape: Shape) -> Group:
    """The robust view."""
    name = f"robust: {len(counts)} x {counts[0]}, {ratio:g}{shape_text(shape)}"
    return Group(name, studies, partial(robust_rows, counts, ratio, shape))


def robust_rows(
    counts: Sequence[int], ratio: float, shape: Shape, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    """The robust view of clean data, of heavy tails and of coarse rounding."""
    found = RobustStudies.of(run_errors(rng, studies, counts, ratio, shape=shape), [(1,) * n for n in counts])
    place = Place("precision", f"{len(counts)} runs of {counts[0]}", ratio_text(ratio) + shape_text(shape))
    truths = {"s_r": 1.0, "s_run": ratio**0.5, "s_I": (1 + ratio) ** 0.5}
    ends = {name: getattr(found, f"{name}_interval")(CONFIDENCE) for name in truths}
    return [
        place.row(f"{name}, robust view", 0.95, holds(ends[name], truth), note=ROBUST) for name, truth in truths.items()
    ]


def model_rows(df: int, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """s(x) = a + b x through one standard deviation a level."""

    def one(sums: Array) -> list[bool]:
        sds = np.sqrt(sums / df) * SCATTER.at(np.asarray(LEVELS))
        found = precision_model(LEVELS, sds.tolist(), [df] * len(LEVELS))
        return [inside(found.constant, SCATTER.constant), inside(found.slope, SCATTER.growth)]

    place = Place("precision", f"7 levels from 0.5 to 10, {df} degrees of freedom each", "s = 0.03 + 0.018 x")
    sums = rng.chisquare(df, (studies, len(LEVELS)))
    return _over(sums, one, place, ("constant part of s(x)", "slope of s(x)"), BOUND)


def factor_rows(
    factors: Mapping[str, Sequence[str]], words: str, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    """Analyst and day, both with the variance of the readings."""
    codes = tuple(tuple(np.unique(column, return_inverse=True)[1].tolist()) for column in factors.values())

    def one(study: Array) -> list[bool]:
        return [inside(part.estimate, 1.0) for part in mixed_model(study.tolist(), factors).components]

    y = crossed_readings(rng, studies, CrossedDesign(codes), CrossedTruth((1.0, 1.0), 1.0))
    place = Place("precision", words, "s_analyst = s_day = s_r")
    return _over(y, one, place, ("s_analyst (mixed model)", "s_day (mixed model)"), FEW_VALUES)


WHOLE = "A chi-square limit of the profile: of parts that five runs decide it covers more where the truth is near zero."
RANGE_TRUTHS = "lines of the runs", "lines of the runs, bias 0.02 + 0.01 x - 0.007 x^2"
CURVES = "Share of studies whose whole curve lies within its band; a tenth of the studies of the rows above."


def range_rows(
    levels: Sequence[float], runs: int, each: int, bend: float, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    """Parts, bias and bands of the model of the whole range; its form of s(x) is that of the truth.

    `bend`: of the bias, times the square of the level; where it is not zero, the bias is to have no band.
    """
    design, top = LineDesign(tuple(levels), runs, each), max(levels)
    truth = np.array([0.03, 0.018 * top, 0.02, 0.012 * top])
    s = np.hypot(truth[0], truth[1] * design.x / top)
    y = line_readings(rng, studies, design, LineTruth(0.02, 0.01, Scatter(0.0), truth[2], truth[3] / top))
    y += s * rng.standard_normal(y.shape) + bend * design.x**2
    cells = CellMeans.of(design.x, design.run, y)
    fit = fit_over_levels(cells, close=1e-6)
    place = Place("precision", f"whole range: {len(levels)} levels, {design_runs(runs, each)}", RANGE_TRUTHS[bend != 0])
    rows = []
    for part, name in enumerate(("a_r", "b_r", "a_run", "b_run")):
        start, held = fit.variances.copy(), np.arange(4) == part
        start[:, part] = truth[part] ** 2
        profile = fit_over_levels(cells, start=start, held=np.tile(held, (studies, 1)), close=1e-6)
        inside_it = profile.deviance - fit.deviance <= chdtri(1, 1 - 0.95)
        rows.append(place.row(f"{name} of the whole range", 0.95, inside_it, more=part > 1, note=WHOLE))
    hits = []
    for study in range(studies // 10):
        found = over_levels(design.x.tolist(), design.run.tolist(), y[study].tolist()).bands
        assert found is not None
        within, own = (np.hypot(truth[k], truth[k + 1] * found.x / top) for k in (0, 2))
        curves = (within, found.s_r), (np.hypot(within, own), found.s_I), (0.02 + 0.01 * found.x, found.bias)
        # Without a band, a straight bias counts as missed and a curved one as noticed.
        held = [band is not None and bool(np.all((band[1] <= true) & (true <= band[2]))) for true, band in curves]
        hits.append([*held[:2], found.bias is None if bend else held[2]])
    names = [f"{name} of the whole range, band" for name in ("s_r", "s_I", "bias")]
    names[2] = "curved bias of the whole range is noticed" if bend else names[2]
    return [*rows, *looped(place, names, hits, note=CURVES)]


def design_runs(runs: int, each: int) -> str:
    """Runs and readings in words."""
    return f"{runs} runs of {each}"


def reference_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Bias with an uncertain reference value: its error is drawn too."""
    u = (4 / 3 / 8) ** 0.5  # as large as the standard error of the mean of the runs
    y = run_errors(rng, studies, (3,) * 8, 1.0) - u * rng.standard_normal((studies, 1))

    def one(study: Array) -> list[bool]:
        return [inside(bias(study.reshape(8, 3).tolist(), reference_uncertainty=u), 0.0)]

    place = Place("trueness", "8 runs of 3, uncertain reference value", f"{ratio_text(1.0)}, u as large as its error")
    return _over(y, one, place, ("bias with the uncertainty of the reference value",))


# Tests of straightness that are shown and not judged ---------------------------------------------------------------

ORDINARY = (
    "The ordinary tests take the scatter as equal at all levels and readings of one run as independent: they are "
    "shown, never judged."
)


def ordinary_rows(design: LineDesign, run_effects: bool, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """False alarms of `lack_of_fit` and `mandel`, and of a common practice that is reported nowhere."""
    readings = straight_readings(rng, studies, design, run_effects)
    y = readings.small
    models = NestedDesigns.of(Cells.of_readings(readings))
    tests = {}
    for name, larger in (("ordinary lack of fit", models.full), ("ordinary Mandel test", models.bend)):
        df = larger.shape[1] - models.line.shape[1], len(larger) - larger.shape[1]
        tests[name] = fdtrc(*df, model_F(models.line, larger, y))
    tests["lack of fit with weights 1/s_i^2 (not reported)"] = level_weights_test(y, design)
    place = straight_place(design, run_effects)
    return [place.row(f"{name}: false alarms", ALPHA, p <= ALPHA, note=ORDINARY) for name, p in tests.items()]


def level_weights_test(y: Array, design: LineDesign) -> Array:
    """p of lack of fit with weights 1 / s_i^2 of each level's own replicates."""
    order = np.argsort(design.level, kind="stable")
    cells = y[:, order].reshape(len(y), len(design.levels), -1)
    n, x = cells.shape[2], np.asarray(design.levels)
    weights, means = n / cells.var(axis=2, ddof=1), cells.mean(axis=2)
    total = weights.sum(axis=1, keepdims=True)
    dx = x - (weights * x).sum(axis=1, keepdims=True) / total
    dy = means - (weights * means).sum(axis=1, keepdims=True) / total
    slope = (weights * dx * dy).sum(axis=1, keepdims=True) / (weights * dx**2).sum(axis=1, keepdims=True)
    df = len(x) - 2
    return fdtrc(df, cells.shape[1] * (n - 1), (weights * (dy - slope * dx) ** 2).sum(axis=1) / df)


# Grades, lots, screening, recovery, uncertainty --------------------------------------------------------------------

FEW_READINGS = "Two or three readings a side: the interval is on the side of caution."
EFFECTS = (0.24, -0.16, 0.02, 0.0, 0.0, 0.0, 0.0)
LENTH = "Lenth's scale of few contrasts is wide, and wider where several factors act; said in the notes."
GUM = "Effective degrees of freedom are an approximation, here on the side of caution: a rectangle has no tails."


def grade_rows(by_run: bool, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Two grades at three levels, 8 times: interleaved in 8 runs of their own gain, or independent readings."""
    levels = np.tile([0.0, 2.0, 5.0], 16)
    names, runs = np.repeat(["N", "K"], 3).tolist() * 8, np.repeat([f"M{i}" for i in range(8)], 6).tolist()
    factor, blank, hits = np.where(np.array(names) == "K", 0.9, 1.0), levels == 0, []
    for _ in range(studies):
        gain = np.repeat(1 + 0.02 * rng.standard_normal(8), 6) if by_run else 1.0
        y = gain * factor * levels + 0.03 + SCATTER.at(levels) * rng.standard_normal(48)
        weights, _ = level_weights(levels, y.tolist(), names)
        if by_run:
            found = slope_ratios_by_run(levels, y.tolist(), names, runs, reference="N", weights=weights)
        else:
            found = slope_ratios(levels, y.tolist(), names, reference="N", weights=weights)
        first, second = (y[blank & (np.array(names) == name)].tolist() for name in ("K", "N"))
        ratio = found.line("K").ratio
        hits.append([inside(ratio, 0.9), inside(paired_difference(first, second), 0.0)])
    how = "8 runs, 3 levels of 2 grades" if by_run else "2 grades, 3 levels x 8"
    return looped(Place("grades", how, "ratio 0.9"), ("slope ratio", "blank difference"), hits)


def lot_rows(each: int, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Two lots in one run, each read so often."""
    ratio = 0.955
    y = group_readings(rng, studies, each, GroupTruth((5.0 * ratio, 5.0), (0.12 * ratio, 0.12)))
    hits = [[inside(welch_ratio(first.tolist(), second.tolist()), ratio)] for first, second in y]
    return looped(Place("lots", f"2 lots x {each}", "ratio 0.955, scatter 2.4 %"), ("response ratio",), hits)


def few_rows(counts: tuple[int, int], ratio: float, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Two lots of few readings, the scatter of the first so many times that of the second."""
    y = group_readings(rng, studies, max(counts), GroupTruth((5.0, 5.0), (0.12 * ratio, 0.12)))
    hits = []
    for first, second in y:
        sides = first[: counts[0]].tolist(), second[: counts[1]].tolist()
        hits.append([inside(welch_ratio(*sides), 1.0), inside(welch_difference(*sides), 0.0)])
    place = Place("lots", f"2 lots, {counts[0]} and {counts[1]} readings", f"scatter {ratio:g} to 1")
    note = FEW_READINGS if min(counts) < 4 else ""
    return looped(place, ("response ratio", "difference of two means"), hits, more=bool(note), note=note)


def screening_rows(replicates: int, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Seven factors in 8 trials, two or three of them active."""
    matrix = np.array(plackett_burman(8).matrix, dtype=float)
    settings = np.vstack([matrix] * replicates)
    blocks = np.repeat([f"W{i}" for i in range(replicates)], 8).tolist() if replicates > 1 else None
    hits = []
    for study in trial_readings(rng, studies, matrix, replicates, TrialTruth(4.0, EFFECTS, 0.07, 0.1)):
        found = effects(study.tolist(), settings, blocks=blocks)
        hits.append([inside(found.effects[i], EFFECTS[i]) for i in (0, 2, 5)])
    how = "7 factors in 8 trials" + (f", {replicates} days" if replicates > 1 else ", no replicates")
    place = Place("screening", how, "effects 0.24, -0.16 and 0.02 of scatter 0.1")
    lenth = replicates == 1
    return looped(place, ("largest effect", "small effect", "no effect"), hits, more=lenth, note=LENTH if lenth else "")


def spike_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """One used oil read four times before and after a spike of uncertain size."""
    hits = []
    for _ in range(studies):
        added = 2.0 + 0.02 * rng.standard_normal()
        before = 1.0 + 0.05 * rng.standard_normal(4)
        after = 1.0 * (1 - added / 100) + 0.95 * added + 0.07 * rng.standard_normal(4)
        found = recovery(before.tolist(), after.tolist(), 2.0, u_added=0.02, whole=100.0)
        hits.append([inside(found.recovery, 0.95)])
    return looped(Place("recovery", "4 readings before and after", "recovery 0.95"), ("recovery",), hits)


def budget_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """A mean of four readings and a rectangle, joined: k of the effective degrees of freedom."""
    hits = []
    for _ in range(studies):
        readings = 10.0 + rng.standard_normal(4)
        width = 1.0
        shift = rng.uniform(-width, width)
        found = propagate(
            lambda mean, shift: mean + shift,
            {"mean": type_a((readings + shift).tolist()), "shift": Rectangular(-width, width)},
        )
        hits.append(found.interval[0] <= 10.0 <= found.interval[1])
    place = Place("uncertainty", "mean of 4 readings and a rectangle", "their sizes 0.5 and 0.58")
    return [place.row("expanded uncertainty", 0.95, np.array(hits), more=True, note=GUM)]
