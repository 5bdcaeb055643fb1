"""Coverage studies: statistics of many studies are the public ones, rows lie in their bands, a wrong one is seen."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from validation.selftest import coverage
from validation.selftest.checks import CoverageRow
from validation.selftest.coverage_page import beyond, page, unsafe
from validation.selftest.simulation import blanks, laboratories, low_range, pairs, runs, straight_lines, suspects
from validation.selftest.simulation.rates import Group, Place
from validation.stats import calibration, comparison, detection, outliers, straightness
from validation.stats.accuracy import tolerance_limits
from validation.stats.precision import precision
from validation.stats.regression import straight_line
from validation.stats.reproducibility import nested_reproducibility
from validation.stats.trueness import bias

STUDIES = 6
CLOSE = 1e-10
ROOT = Path(__file__).parent.parent


def same(many, one) -> None:
    """A vectorised value or interval of one study against the public one."""
    assert np.asarray(many, dtype=float) == pytest.approx(np.asarray(one, dtype=float), rel=CLOSE, abs=1e-13)


def ends(interval, study: int) -> tuple[float, float]:
    return interval[0][study], interval[1][study]


# Many studies at once are the public functions, study by study -----------------------------------------------------


@pytest.mark.parametrize("counts", [(2,) * 5, (3,) * 8, (3, 3, 3, 3, 3, 2, 2, 1), (1, 1, 2, 2, 3, 4, 5, 6)], ids=str)
@pytest.mark.parametrize("ratio", [0.0, 1.0])
def test_runs_are_those_of_the_public_functions(counts, ratio):
    y = runs.readings(np.random.default_rng(1), STUDIES, counts, ratio)
    found = runs.precision_of(y, counts)
    limits = found.tolerance_limits()
    for study, values in enumerate(y):
        split = [part.tolist() for part in np.split(values, np.cumsum(counts)[:-1])]
        one = precision([[[value] for value in run] for run in split])
        same(found.s_r[study], one.s_r.value)
        same(found.s_run[study], one.s_run.value)
        same(found.s_I[study], one.s_I.value)
        same(ends(found.s_r_interval(), study), one.s_r.interval(0.95))
        same(ends(found.s_run_interval(), study), one.s_run.interval(0.95))
        same(ends(found.s_I_interval(), study), one.s_I.interval)
        mean = bias(split)
        same(ends(found.bias_interval(), study), mean.interval)
        tolerance = tolerance_limits(one, mean.value)
        same(ends(limits, study), (tolerance.low.value, tolerance.high.value))


@pytest.mark.parametrize("design", laboratories.DESIGNS)
def test_laboratories_are_those_of_the_public_function(design):
    layout = laboratories.DESIGNS[design]
    y = laboratories.readings(np.random.default_rng(2), STUDIES, layout, 0.25, 0.5)
    found = laboratories.nested_of(y, layout)
    sizes = [n for counts in layout for n in counts]
    for study, values in enumerate(y):
        parts = iter(np.split(values, np.cumsum(sizes)[:-1]))
        one = nested_reproducibility([[next(parts).tolist() for _ in counts] for counts in layout])
        same(ends(found.mean_interval(), study), one.mean.interval(0.95))
        same(ends(found.s_r_interval(), study), one.s_r.interval(0.95))
        same((found.s_L[study], *ends(found.s_L_interval(), study)), (one.s_L.value, *one.s_L.interval(0.95)))
        same((found.s_R[study], *ends(found.s_R_interval(), study)), (one.s_R.value, *one.s_R.interval(0.95)))
        if one.s_run is not None:
            same(
                (found.s_run[study], *ends(found.s_run_interval(), study)), (one.s_run.value, *one.s_run.interval(0.95))
            )


DESIGNS = [straight_lines.Design(3, 3), straight_lines.Design(5, 2), straight_lines.Design(3, 1)]


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.words)
def test_departures_and_one_point_errors_are_those_of_the_public_functions(design):
    y = straight_lines.readings(np.random.default_rng(3), STUDIES, design, True)
    values, intervals = straight_lines.departures_of(y, design)
    points, point_intervals = straight_lines.single_point_of(y, design)
    given = (design.x.tolist(), design.codes, design.run_codes)
    for study, row in enumerate(y):
        x, codes, run_codes = given
        one = calibration.departures(x, row.tolist(), codes, run_codes)
        single = calibration.single_point_bias(x, row.tolist(), codes, run_codes, routine=straight_lines.ROUTINE)
        for level in range(len(design.levels)):
            same(values[study, level], one[level].value)
            same((intervals[0][study, level], intervals[1][study, level]), one[level].interval(0.95))
            if level != straight_lines.ROUTINE and design.levels[level] > 0:
                same(points[study, level], single[level].value)
                same((point_intervals[0][study, level], point_intervals[1][study, level]), single[level].interval(0.95))


@pytest.mark.parametrize(
    "design", [*DESIGNS[:2], straight_lines.Design(1, 3), straight_lines.Design(1, 5)], ids=lambda design: design.words
)
def test_tests_of_straightness_are_those_of_the_public_functions(design):
    y = straight_lines.readings(np.random.default_rng(4), STUDIES, design, True)
    lack, mandel = straight_lines.ordinary_tests(y, design)
    weighted, p = straight_lines.weighted_tests_of(y, design, draws=39, first_seed=100)
    x = design.x.tolist()
    for study, row in enumerate(y):
        same(lack[study], straightness.lack_of_fit(x, row.tolist(), design.codes).p)
        same(mandel[study], straightness.mandel(x, row.tolist()).p)
        one = straightness.weighted_tests(x, row.tolist(), design.codes, design.run_codes, draws=39, seed=100 + study)
        assert weighted[study] == pytest.approx([one.lack_of_fit_F, one.curvature_F], rel=1e-6)
        same(p[study], [one.lack_of_fit_p.value, one.curvature_p.value])


def test_the_ordinary_line_is_that_of_the_public_function():
    design = straight_lines.Design(1, 5)
    y = straight_lines.readings(np.random.default_rng(5), STUDIES, design, False)
    found = straight_lines.coefficients_of(y, design)
    for study, row in enumerate(y):
        line = straight_line(design.x.tolist(), row.tolist())
        same(ends(found["slope"], study), line.coefficient(1).interval(0.95))
        same(ends(found["intercept"], study), line.coefficient(0).interval(0.95))
        same(ends(found["residual_sd"], study), line.residual_estimate().interval(0.95))


def test_limits_of_blanks_are_those_of_the_public_functions():
    y = runs.readings(np.random.default_rng(6), STUDIES, (2,) * 5, 1.0, 0.03)
    (mean, distance), found = blanks.iupac(y), runs.precision_of(y, (2,) * 5)
    middle, kept = blanks.iupac_runs(found)
    interval = blanks.iupac_runs_interval(found)
    for study, row in enumerate(y):
        plain = detection.iupac_1997(row.tolist())
        same(mean[study] + distance[study], plain.critical_value.value)
        same(mean[study] + 2 * distance[study], plain.detection_limit.value)
        one = detection.iupac_1997_runs(row.reshape(5, 2).tolist())
        same(middle[study] + kept[study], one.critical_value.value)
        same(middle[study] + 2 * kept[study], one.detection_limit.value)
        same(ends(interval, study), one.critical_value.interval(0.95))


def test_limits_of_lines_are_those_of_the_public_functions():
    x, y = low_range.readings(np.random.default_rng(7), 30, low_range.LOW, 5, 2, 0.0, blanks.GROWTH)
    levels = np.unique(x, return_inverse=True)[1]
    _, critical, detected = low_range.linear_sd_limits(x, y, levels)
    _, spread, t, delta = low_range.ordinary(x, y)
    for study, row in enumerate(y):
        one = detection.iso_11843_2_linear_sd(x.tolist(), row.tolist(), levels)
        same((critical[study], detected[study]), (one.critical_value.value, one.detection_limit.value))
        line = straight_line(x.tolist(), row.tolist())
        ordinary, german = detection.iso_11843_2(line), detection.din_32645(line)
        same(t * spread[study], ordinary.critical_value.value)
        same(delta * spread[study], ordinary.detection_limit.value)
        same(2 * t * spread[study], german.detection_limit.value)


@pytest.mark.parametrize("n", [10, 21])
@pytest.mark.parametrize("scatter", [pairs.EQUAL, pairs.OWN], ids=lambda scatter: scatter.words)
def test_lines_of_pairs_are_those_of_the_public_functions(n, scatter):
    x, y = pairs.readings(np.random.default_rng(8), STUDIES, n, scatter)
    u = scatter.sd(pairs.levels(n))
    deming, york = pairs.deming_intervals(x, y), pairs.york_of(x, y, u, u)
    slope, intercept, slope_ends, intercept_ends = pairs.passing_bablok_of(x, y)
    mean, spread, upper = pairs.difference_intervals(y - x)
    for study in range(STUDIES):
        a, b = x[study].tolist(), y[study].tolist()
        one = comparison.deming(a, b)
        same(ends(deming[0], study), one.slope.interval(0.95))
        same(ends(deming[1], study), one.intercept.interval(0.95))
        same(ends(deming[2], study), comparison.difference_at(pairs.DECISION, a, b).interval(0.95))
        weighted = comparison.york(a, b, u, u)
        same(ends(york[0], study), weighted.slope.interval(0.95))
        same(ends(york[1], study), weighted.intercept.interval(0.95))
        ranked = comparison.passing_bablok(a, b)
        same((slope[study], *ends(slope_ends, study)), (ranked.slope.value, *ranked.slope.interval(0.95)))
        same(
            (intercept[study], *ends(intercept_ends, study)), (ranked.intercept.value, *ranked.intercept.interval(0.95))
        )
        d = (y[study] - x[study]).tolist()
        same(ends(mean, study), comparison.mean_difference(d).interval(0.95))
        same(ends(spread, study), comparison.sd_difference(d).interval(0.95))
        same(ends(upper, study), comparison.agreement_limits(d)[1].interval(0.95))


def test_outlier_tests_are_those_of_the_public_functions():
    counts = (2, 2, 3, 3, 3, 4, 4, 5)
    y = runs.readings(np.random.default_rng(9), STUDIES, counts, 1.0)
    means, variances = suspects.group_statistics(y, counts)
    single, double = suspects.grubbs_single_of(means), suspects.grubbs_double_of(means)
    h, k = suspects.mandel_h_of(means), suspects.mandel_k_of(variances, counts)
    for study in range(STUDIES):
        values, squares = means[study].tolist(), variances[study].tolist()
        same(single[study], outliers.grubbs_single(values).statistic)
        same(double[study], outliers.grubbs_double(values).statistic)
        same(suspects.cochran_of(variances)[study], outliers.cochran(squares, 3).statistic)
        one = outliers.mandel_h(values)
        same(h[study], one.statistics)
        assert suspects.h_critical(8) == pytest.approx(one.critical, rel=CLOSE)
        same(k[study], outliers.mandel_k(np.sqrt(squares), counts).statistics)


# Rows --------------------------------------------------------------------------------------------------------------


def named(*names: str) -> list[Group]:
    found = [group for group in coverage.groups() if group.name in names]
    assert len(found) == len(names)
    return found


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
        rows = [row for row in group.simulate(12, extract=group.brief is not None) if row.statistic in judged]
        assert rows
        for row in rows:
            assert 0.035 <= row.attained <= 0.065, row.in_words()


def test_every_group_has_a_name_of_its_own():
    names = [group.name for group in coverage.groups()]
    assert len(names) == len(set(names))


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
    again = named("runs: 8 runs of 3, 1")[0].simulate(13, extract=True)
    assert [row for row in rows if row.design == "8 runs of 3" and row.truth == "s_run^2 = 1 s_r^2"] == again


def test_a_wrong_interval_is_seen(monkeypatch):
    # Satterthwaite's interval of a difference of mean squares: with 8 runs of 3 it covers far too little where the
    # component is not large (45 to 97 % over ratios of 0 to 10).
    def satterthwaite(self, confidence=0.95):
        component = np.maximum((self.ms_unweighted - self.ms_within) / self.harmonic_n, 1e-12)
        parts = (self.ms_unweighted / self.harmonic_n) ** 2 / self.dfs[0] + (
            self.ms_within / self.harmonic_n
        ) ** 2 / self.dfs[1]
        df = component**2 / parts
        tails = (1 + confidence) / 2, (1 - confidence) / 2
        low, high = (np.sqrt(df * component / np.maximum(chi2.ppf(tail, df), 1e-300)) for tail in tails)
        return low, high

    monkeypatch.setattr(runs.Precision, "s_run_interval", satterthwaite)
    failed = [row for row in coverage.extract(13) if not row.ok]
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
    assert "python -m validation.selftest.coverage" in text.splitlines()[0]
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
