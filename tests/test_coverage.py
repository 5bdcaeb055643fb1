"""Coverage studies: many studies at once are each of them alone, rows lie in their bands, a wrong one is seen."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import coverage_groups
import numpy as np
import pytest
from coverage_page import beyond, page, unsafe
from coverage_table import sources
from scipy.stats import chi2

from validation.selftest import coverage
from validation.selftest.checks import CoverageRow
from validation.selftest.rates import Group, Place
from validation.simulation.lines import LineDesign
from validation.simulation.pairs import PairsDesign
from validation.stats import calibration, deming, detection, passing_bablok, straightness, york
from validation.stats.accuracy import tolerance_limits, tolerance_limits_many
from validation.stats.agreement import AgreementLines, level_agreement, limit_interval
from validation.stats.intervals import mean_interval, sd_interval, t_quantile
from validation.stats.lines import weighted_lines
from validation.stats.mean_squares import Components, MeanSquares
from validation.stats.nested_stages import NestedStages
from validation.stats.over_slope import over_slope_factors
from validation.stats.precision import precision
from validation.stats.regression import straight_line
from validation.stats.reproducibility import nested_reproducibility
from validation.stats.trueness import bias
from validation.stats.uncertainty import Term, bias_terms, combine
from validation.stats.weighted_comparison import WeightedLines, weighted_comparison

STUDIES = 4
ROOT = Path(__file__).parent.parent


# Many studies at once are the public functions, study by study -----------------------------------------------------


def at_95(*estimates):
    """Values and ends of the intervals of one study."""
    return [number for one in estimates for number in (one.value, *one.interval(0.95))]


def with_ends(*pairs):
    """Values and ends of many studies, as columns."""
    return np.stack([column for value, ends in pairs for column in (value, *ends)], axis=1)


def runs(counts):
    y = coverage.run_errors(np.random.default_rng(1), STUDIES, counts, 1.0)
    found = Components.of(MeanSquares.of(y, counts))
    s_r = np.sqrt(found.within)
    many = with_ends(
        (s_r, sd_interval(s_r, found.squares.df_within, 0.95)),
        (np.sqrt(found.between), found.s_between_interval(0.95)),
        (np.sqrt(found.total), found.s_total_interval(0.95)),
    )

    def one(study):
        split = [part[:, None].tolist() for part in np.split(study, np.cumsum(counts)[:-1])]
        result = precision(split)
        middle = float(np.mean([np.mean(run) for run in split]))
        limits = tolerance_limits(result, middle)
        return [*at_95(result.s_r, result.s_run, result.s_I), limits.low.value, limits.high.value]

    return np.column_stack([many, *tolerance_limits_many(found)]), [one(study) for study in y]


def laboratories(layout):
    counts = [n for runs in layout for n in runs]
    y = coverage.run_errors(np.random.default_rng(2), STUDIES, counts, 0.5)
    stages = NestedStages.of(y, layout)
    v_L, v_run, _ = stages.components
    pairs = [
        (stages.mean, mean_interval(stages.mean, stages.mean_error, stages.df[0], 0.95)),
        (np.sqrt(np.maximum(0, v_L)), stages.s_L_interval(0.95)),
        (np.sqrt(stages.total), stages.s_R_interval(0.95)),
    ]
    if v_run is not None:
        pairs.append((np.sqrt(np.maximum(0, v_run)), stages.s_run_interval(0.95)))

    def one(study):
        parts = iter(np.split(study, np.cumsum(counts)[:-1]))
        found = nested_reproducibility([[next(parts).tolist() for _ in runs] for runs in layout])
        return at_95(*(part for part in (found.mean, found.s_L, found.s_R, found.s_run) if part is not None))

    return with_ends(*pairs), [one(study) for study in y]


def calibrations(design):
    readings = coverage.straight_readings(np.random.default_rng(3), STUDIES, design, True)
    routine = coverage.ROUTINE
    parts = calibration.departures_many(readings), calibration.single_point_many(readings, routine)
    kept = [at for at in range(1, len(design.levels)) if at != routine]
    many = [np.stack([v, *mean_interval(v, e, n - 1, 0.95)], axis=2)[:, kept].reshape(STUDIES, -1) for v, e, n in parts]

    def one(study):
        given = (design.x.tolist(), study.tolist(), design.level, design.run)
        departures, errors = calibration.departures(*given), calibration.single_point_bias(*given, routine=routine)
        return at_95(*(departures[at] for at in kept), *(errors[at] for at in kept))

    return np.hstack(many), [one(study) for study in readings.small]


def departures_with_gaps(design):
    readings = coverage.unequal_readings(np.random.default_rng(3), STUDIES, design)
    values, errors, runs = calibration.departures_many(readings)

    def one(study):
        return at_95(*calibration.departures(design.x.tolist(), study.tolist(), design.level, design.run))

    ends = mean_interval(values, errors, runs - 1, 0.95)
    return np.stack([values, *ends], axis=2).reshape(STUDIES, -1), [one(study) for study in readings.small]


def straight_tests(design):
    readings = coverage.straight_readings(np.random.default_rng(4), STUDIES, design, True)
    F, p = straightness.weighted_tests_many(readings, draws=39, seeds=range(STUDIES))
    models = straightness.NestedDesigns.of(straightness.Cells.of_readings(readings))
    ordinary = [straightness.model_F(models.line, larger, readings.small) for larger in (models.full, models.bend)]
    x = design.x.tolist()

    def one(number, study):
        found = straightness.weighted_tests(x, study, design.level, design.run, draws=39, seed=number)
        tests = straightness.lack_of_fit(x, study, design.level), straightness.mandel(x, study)
        values = found.lack_of_fit_F, found.curvature_F, found.lack_of_fit_p.value, found.curvature_p.value
        return [*values, *(test.statistic for test in tests)]

    return np.column_stack([F, p, *ordinary]), [one(i, study.tolist()) for i, study in enumerate(readings.small)]


def lines(design):
    readings = coverage.straight_readings(np.random.default_rng(5), STUDIES, design, False)
    x, y = readings.x, readings.small
    line = weighted_lines(x, y)
    limits = detection.LinearSdLimits.of(x, y, readings.level, alpha=0.05)
    factors = over_slope_factors(limits.slope_t, limits.effective_df(np.zeros(STUDIES)), 0.95)
    of_zero = tuple(factor * limits.critical for factor in factors)
    many = with_ends(
        (line.slope, mean_interval(line.slope, line.slope_error, line.degrees_of_freedom, 0.95)),
        (line.intercept, mean_interval(line.intercept, np.sqrt(line.variance_at_zero), line.degrees_of_freedom, 0.95)),
        (limits.critical, of_zero),
    )

    def one(study):
        fitted = straight_line(x.tolist(), study)
        critical = detection.iso_11843_2_linear_sd(x.tolist(), study, readings.level)
        expected = critical.detection_limit.value, detection.iso_11843_2(fitted).critical_value.value
        return [*at_95(fitted.coefficient(1), fitted.coefficient(0), critical.critical_value), *expected]

    t = detection.t_quantile(0.95, line.degrees_of_freedom)
    return np.column_stack([many, limits.detection, t * detection.blank_sd(line)]), [one(row.tolist()) for row in y]


def pairs(methods):
    design = PairsDesign.most_low(12, 0.5, 10.0)
    x, y = methods.readings(np.random.default_rng(6), STUDIES, design, 1.02)
    u = methods.scatter.at(np.asarray(design.levels))
    values, errors = deming.deming_many(x, y, level=4.0)
    known = york.YorkFits.of(x, y, 1 / u**2, 1 / u**2)
    slope, intercept, limits, at_zero = passing_bablok.passing_bablok_many(x, y, level=0.95)
    many = with_ends(
        *((value, mean_interval(value, error, 10, 0.95)) for value, error in zip(values, errors, strict=True)),
        (known.slope, known.interval(known.slope, known.u_slope, 0.95)),
        (known.intercept, known.interval(known.intercept, known.u_intercept, 0.95)),
        (slope, limits),
        (intercept, mean_interval(intercept, at_zero, 10, 0.95)),
    )

    def one(a, b):
        fitted, known, ranked = deming.deming(a, b), york.york(a, b, u, u), passing_bablok.passing_bablok(a, b)
        found = fitted.slope, fitted.intercept, deming.difference_at(4.0, a, b), known.slope, known.intercept
        return at_95(*found, ranked.slope, ranked.intercept)

    return many, [one(a.tolist(), b.tolist()) for a, b in zip(x, y, strict=True)]


def budgets(truth):
    counts, further, p = (3, 3, 2, 2, 1), [(np.array([0.5, 0.7, 0.9, 1.1]), 4)], 5
    y = coverage.run_errors(np.random.default_rng(4), STUDIES, counts, 0.25) + 0.5
    found = coverage.Budgets.of(y, counts, further, truth)
    many = with_ends((found.u, found.interval(0.95)))

    def one(study, size):
        split = [part.tolist() for part in np.split(study, np.cumsum(counts)[:-1])]
        s, b = precision([[[x] for x in run] for run in split]).s_I, bias(split, reference_uncertainty=truth.reference)
        error = np.std([np.mean(run) for run in split], ddof=1) / p**0.5
        of_bias = bias_terms(
            b.value, error, treatment=truth.treatment, reference=truth.reference, degrees_of_freedom=p - 1.0,
            distribution=b.distribution, runs=p,
        )  # fmt: skip
        terms = [Term("s_I", s.value, s.degrees_of_freedom, s.distribution), *of_bias, Term("known", truth.known)]
        result = combine([*terms, Term("further", size, 4.0)])
        return [*at_95(result.combined), result.expanded.value]

    rows = [one(study, float(size)) for study, size in zip(y, further[0][0], strict=True)]
    return np.column_stack([many, found.expanded]), rows


def replicated(design):
    rng = np.random.default_rng(7)
    shapes = [np.cumsum(counts)[:-1] for counts in design.design.counts()]
    readings = coverage.OWN.readings(rng, STUDIES, design.design, 1.02)
    pairs = coverage.replicated_pairs(np.random.default_rng(7), STUDIES, design, coverage.OWN)
    lines = WeightedLines.of(pairs, pairs.spreads())
    followed = AgreementLines.of((pairs.x + pairs.y) / 2, pairs.y - pairs.x)
    mean, error, sd, df = followed.at(4.0)
    limits = limit_interval(mean, error, sd, df, z=t_quantile(0.975, None), level=0.95)
    wanted = [(0.0, 1.0), (1.0, 0.0), (1.0, 4.0)]
    of_line = [lines.combined(*one) for one in wanted]
    constants = np.array([[0.0], [0.0], [-4.0]])
    values = np.array([value for value, _, _ in of_line]) + constants
    many = with_ends(
        *(
            (value, mean_interval(value, error, df, 0.95))
            for value, (_, error, df) in zip(values, of_line, strict=True)
        ),
        (mean + t_quantile(0.975, None) * sd, limits),
    )

    def one(x, y):
        reference, candidate = (np.split(row, at) for row, at in zip((x, y), shapes, strict=True))
        line = weighted_comparison(*([part.tolist() for part in parts] for parts in (reference, candidate)))
        means = [[float(part.mean()) for part in parts] for parts in (reference, candidate)]
        return at_95(line.slope, line.intercept, line.difference_at(4.0), level_agreement(*means).limits(4.0)[1])

    return many, [one(*study) for study in zip(*readings, strict=True)]


@pytest.mark.parametrize(
    ("at_once", "design"),
    [
        (replicated, coverage.Replicated(12, "twice", 2, 2)),
        (replicated, coverage.Replicated(10, "unequal", (2, 1, 2, 3, 1, 2, 2, 3, 2, 1), 2)),
        (runs, (3,) * 8),
        (runs, (1, 1, 2, 2, 3, 4, 5, 6)),
        (laboratories, ((2,), (2,), (3,), (4,), (5,))),
        (laboratories, ((3, 3), (3, 2), (3, 3, 3), (2, 2), (3,), (1, 3))),
        (calibrations, LineDesign(coverage.FULL, 5, 2)),
        (calibrations, LineDesign(coverage.FULL, 3, 1)),
        *((calibrations, design) for design in list(coverage_groups.UNEQUAL.values())[:2]),
        (departures_with_gaps, list(coverage_groups.UNEQUAL.values())[2]),
        (straight_tests, LineDesign(coverage.FULL, 3, 2)),
        (straight_tests, LineDesign(coverage.FULL, 1, 5)),
        (lines, LineDesign(coverage.LOW, 1, 10)),
        (pairs, coverage.EQUAL),
        (pairs, coverage.OWN),
        (budgets, coverage.BudgetTruth(known=0.4, reference=0.3)),
        (budgets, coverage.BudgetTruth("correct", known=0.4, reference=0.3)),
    ],
    ids=lambda item: getattr(item, "__name__", None),
)
def test_many_studies_at_once_are_the_public_function_study_by_study(at_once, design):
    many, single = at_once(design)
    assert many == pytest.approx(np.array(single), rel=1e-9, abs=1e-12)


# Rows --------------------------------------------------------------------------------------------------------------


def named(*names: str) -> list[Group]:
    chosen = [group for group in coverage_groups.groups() if group.name in names]
    assert len(chosen) == len(names)
    return chosen


def test_run_structured_intervals_cover_at_eight_runs_of_three():
    # Nominal 95 %: between 93.5 and 96.5 % wherever a component is present; a component of zero may be covered more.
    for group in named("runs: 8 runs of 3, 0.25", "runs: 8 runs of 3, 1", "runs: 12 runs of 3, 10"):
        for row in group.simulate(11):
            if "one-sided" in row.statistic or "equivalence" in row.statistic:
                continue
            assert 0.935 <= row.attained <= 0.965, row.in_words()


def test_detection_limits_err_as_they_say():
    # 10 blanks in 10 runs; the low-range line holds 10 blanks in 5 runs. alpha = beta = 5 %, averaged over limits.
    judged = [
        f"{name}: {rate}" for name in ("IUPAC 1997", "ISO 11843-2, low range, s linear") for rate in ("alpha", "beta")
    ]
    for group in named("blanks: 10 blanks in 10 runs, 0.25", "lines: 5 x 2, 0"):
        rows = [row for row in group.simulate(12) if row.statistic in judged]
        assert rows
        for row in rows:
            assert 0.035 <= row.attained <= 0.065, row.in_words()


def test_departures_of_unequal_runs_cover():
    # A stated truth, slopes of runs 5 % apart: the interval about the pooled value covered 81 % of the first design.
    for group in named(*(f"departures: {words}" for words in coverage_groups.UNEQUAL)):
        for row in group.simulate(14):
            assert row.ok, row.in_words()
            assert row.attained > 0.94, row.in_words()


def test_few_and_unequal_readings_cover():
    # A stated truth; the interval of Welch covered 89 to 96 % of these designs.
    for group in named("lots: (2, 6), 0.25", "lots: (2, 6), 1", "lots: (2, 6), 4"):
        for row in group.simulate(15):
            assert row.attained > 0.94, row.in_words()


def test_budgets_of_several_lots_err_as_they_say():
    rows = coverage.lots_group(coverage_groups.LOTS, 2000).simulate(3)
    assert len(rows) == 3 * len(coverage_groups.LOTS)
    assert not [row.in_words() for row in rows if not row.ok]
    # Lots that err as much as runs differ, one a run.
    (first, *_) = coverage_groups.LOTS
    large = replace(first, own=1.0, common=1.0)
    assert all(row.ok for row in coverage.lots_group((large,), 2000).simulate(3))


def test_every_group_has_a_name_of_its_own():
    names = [group.name for group in coverage_groups.groups()]
    assert len(names) == len(set(names))
    assert {group.name for group in coverage.groups()} <= set(names)


@pytest.mark.thorough  # the usual run has the extract in tests/test_selftest.py
def test_the_extract_holds_and_is_the_same_again():
    rows = coverage.extract(13)
    assert len(rows) > 50
    assert not [row.in_words() for row in rows if not row.ok]
    assert {row.area for row in rows} >= {
        "precision",
        "trueness",
        "accuracy",
        "reproducibility",
        "calibration",
        "detection",
        "comparison",
    }
    again = coverage.run_group((3,) * 8, 1.0, 4000).simulate(13)
    assert [row for row in rows if row.design == "8 runs of 3" and row.truth == "s_run^2 = 1 s_r^2"] == again


def test_a_wrong_interval_is_seen(monkeypatch):
    # Satterthwaite's interval of a difference of mean squares: with 8 runs of 3 it covers far too little where the
    # component is not large (45 to 97 % over ratios of 0 to 10).
    def satterthwaite(self, confidence):
        above, below, df_above, df_below, n = self.component_terms
        component = np.maximum((above - below) / n, 1e-12)
        df = component**2 / ((above / n) ** 2 / df_above + (below / n) ** 2 / df_below)
        tails = (1 + confidence) / 2, (1 - confidence) / 2
        low, high = (np.sqrt(df * component / np.maximum(chi2.ppf(tail, df), 1e-300)) for tail in tails)
        return low, high

    monkeypatch.setattr(Components, "s_between_interval", satterthwaite)
    failed = [
        row for ratio in (0.25, 1.0) for row in coverage.run_group((3,) * 8, ratio, 4000).simulate(13) if not row.ok
    ]
    assert failed
    assert {row.statistic for row in failed} == {"s_run"}


@pytest.mark.parametrize(
    ("nominal", "share", "more", "known", "ok"),
    [
        (0.95, 0.95, False, None, True),
        (0.95, 0.92, False, None, False),
        (0.95, 0.985, False, None, False),
        (0.95, 0.985, True, None, True),
        (0.95, 0.92, True, None, False),
        (0.05, 0.02, True, None, True),
        (0.05, 0.08, True, None, False),
        (0.95, 0.86, False, 0.86, True),
        (0.95, 0.95, False, 0.86, False),
    ],
)
def test_bands_are_the_stated_ones(nominal, share, more, known, ok):
    hits = np.arange(40_000) < share * 40_000
    assert Place("precision", "design").row("s", nominal, hits, more=more, known=known).ok is ok


def test_monte_carlo_error_of_a_mean_of_shares_is_its_own():
    shares = np.tile([0.04, 0.06], 5000)
    row = Place("detection", "design").row("alpha", 0.05, shares)
    assert row.standard_error == pytest.approx(0.01 / 100)
    assert row.attained == pytest.approx(0.05)


# The page ----------------------------------------------------------------------------------------------------------


def test_exceptions_are_those_on_the_wrong_side():
    def row(nominal: float, attained: float) -> CoverageRow:
        return CoverageRow("precision", "s", "d", nominal, attained, 1000, 0.0, 1.0)

    assert unsafe(row(0.95, 0.93))
    assert beyond(row(0.95, 0.97))
    assert not unsafe(row(0.95, 0.97))
    assert unsafe(row(0.05, 0.07))
    assert not unsafe(row(0.05, 0.03))
    assert not beyond(row(0.05, 0.06))


def test_the_page_is_the_table_of_these_programs():
    # Rows of a few groups, simulated anew, must stand in the page as they come out.
    text = (ROOT / "docs" / "coverage.md").read_text(encoding="utf-8")
    assert "python tests/coverage_table.py" in text.splitlines()[0]
    rows = [
        row
        for group in named("runs: 8 runs of 3, 1", "outliers: 8 groups of 3, 0")
        for row in group.simulate(coverage.SEED)
    ]
    for row in rows:
        cells = f"| {row.statistic} | {row.design} | {row.truth} | {100 * row.nominal:g} | "
        (line,) = [line for line in text.splitlines() if line.startswith(cells)]
        shown = float(line.split("|")[5].strip(" *"))
        assert shown == pytest.approx(100 * row.attained, abs=0.11)
    stated = set(re.findall(r"^\| ([^|]+?) \|", text, flags=re.MULTILINE))
    assert {"s_run", "departure at 1", "IUPAC 1997: alpha", "Deming slope"} <= stated
    assert page.__doc__


def test_the_page_was_made_with_the_statistics_as_they_are():
    text = (ROOT / "docs" / "coverage.md").read_text(encoding="utf-8")
    head = "SHA-256 of the code of validation/stats and validation/simulation"
    stated = re.search(rf"^<!-- {head}: ([0-9a-f]{{64}}) -->$", text, re.M)
    assert stated, "docs/coverage.md states no sources: run `python tests/coverage_table.py`"
    assert stated[1] == sources(), (
        "The table of docs/coverage.md was made with other statistics: run `python tests/coverage_table.py`"
    )
