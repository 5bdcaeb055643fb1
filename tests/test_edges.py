"""Readings at the edges: alike, all zero, one or two of them, huge, tiny. An answer, a note or a sentence; no warning.

Every statistic but those of method comparison, which have their own, and every chapter on the demonstration.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from profiles import examples
from scipy import stats
from study_folder import PRECISION, write_study
from test_recovery import spiked

from validation.characteristics.registry import characteristics, evaluated
from validation.faults import StudyDataError
from validation.stats import calibration, carry_over, detection, outliers, regression, robust, straightness
from validation.stats.accuracy import tolerance_limits
from validation.stats.confidence import ChiSquare, Exponential, StudentT
from validation.stats.distributions import type_a
from validation.stats.estimate import Estimate, check_sizes
from validation.stats.fuel import relative_spread, scatter_share
from validation.stats.lots import normalised_difference
from validation.stats.mixed_model import mixed_model
from validation.stats.one_way import one_way
from validation.stats.precision import precision
from validation.stats.precision_forms import precision_forms
from validation.stats.propagation import effective_df, propagate
from validation.stats.recovery import mean_recovery, recovery
from validation.stats.reproducibility import nested_reproducibility, reproducibility
from validation.stats.ruggedness import effects, lenth
from validation.stats.slope_ratio import level_weights, slope_ratios, slope_ratios_by_run
from validation.stats.stability import stability_line
from validation.stats.trueness import bias, bias_line
from validation.stats.two_level_designs import plackett_burman
from validation.stats.two_means import (
    log_ratio,
    paired_difference,
    paired_ratio,
    pooled_relative_sd,
    welch_difference,
    welch_ratio,
)
from validation.stats.uncertainty import excess_scatter, root_sum_of_squares, uncertainty_function
from validation.stats.within_cells import within_cells
from validation.study.experiments import EXPERIMENTS
from validation.study.load import load_study
from validation.study.model import ExperimentData, Study
from validation.words import with_interval

DEMONSTRATION = Path(__file__).parent.parent / "demo_data"

# --- statistics ------------------------------------------------------------------------------------------------------

ORDINARY = (1.02, 2.31, 1.77, 3.14, 0.95, 2.2, 1.9, 3.3, 1.1, 2.4, 1.6, 3.0)
X, LEVEL, RUN = [0.0, 1.0, 2.0, 5.0] * 3, [0, 1, 2, 3] * 3, [0] * 4 + [1] * 4 + [2] * 4
OILS, FOURS = ["a"] * 6 + ["b"] * 6, [1.0, 2.0, 5.0, 10.0]
TRIALS = np.array(plackett_burman(12).matrix, dtype=float)
Readings = list[float]


def thirds(v: Readings) -> list[Readings]:
    return [v[:4], v[4:8], v[8:]]


def each(v: Readings) -> list[list[Readings]]:
    return [[[value] for value in third] for third in thirds(v)]


def sizes(v: Readings) -> Readings:
    return [abs(value) for value in v]


def line(v: Readings) -> regression.PolynomialResult:
    return regression.straight_line(X, v)


STATISTICS: dict[str, Callable[[Readings], Any]] = {
    "departures": lambda v: calibration.departures(X, v, LEVEL, RUN),
    "departures, one run": lambda v: calibration.departures(X, v, LEVEL),
    "departures, levels": lambda v: calibration.departures(sizes(v), X, LEVEL, RUN),
    "one point": lambda v: calibration.single_point_bias(X, v, LEVEL, RUN, routine=2),
    "one point, one run": lambda v: calibration.single_point_bias(X, v, LEVEL, routine=2),
    "other calibrations": lambda v: calibration.other_calibrations(X, v, LEVEL, RUN, routine=2, ends=(0, 3)),
    "line": lambda v: [line(v).coefficient(power) for power in (0, 1)],
    "line, levels": lambda v: regression.straight_line(v, X).coefficient(1),
    "line through zero": lambda v: regression.line_through_zero(v, X).coefficient(1),
    "parabola": lambda v: regression.quadratic(X, v).coefficient(2),
    "parabola, levels": lambda v: regression.quadratic(v, X).coefficient(2),
    "residual sd": lambda v: line(v).residual_estimate(),
    "lack of fit": lambda v: straightness.lack_of_fit(X, v, LEVEL),
    "mandel": lambda v: straightness.mandel(X, v),
    "weighted tests": lambda v: straightness.weighted_tests(X, v, LEVEL, RUN, draws=19),
    "spread": lambda v: straightness.sd_of_readings(X, v, LEVEL),
    "blank 3s": detection.blank_3s,
    "IUPAC": detection.iupac_1997,
    "IUPAC, runs": lambda v: detection.iupac_1997_runs(thirds(v)),
    "ISO 11843-2": lambda v: detection.iso_11843_2(line(v)),
    "DIN 32645": lambda v: detection.din_32645(line(v)),
    "ISO 11843-2, s linear": lambda v: detection.iso_11843_2_linear_sd(X, v, LEVEL),
    "spiked": detection.spiked_replicates,
    "run component": lambda v: detection.run_component(v, RUN),
    "carry-over": lambda v: carry_over.carry_over_effect(v[:6], v[6:]),
    "carry-over share": lambda v: carry_over.carry_over_share(*thirds(v)),
    "type A": lambda v: type_a(v).standard_uncertainty,
    "fuels": relative_spread,
    "fuels, scatter": lambda v: scatter_share(v, sizes(v)),
    "mixed model": lambda v: mixed_model(v, {"analyst": ["a", "b", "c"] * 4, "day": ["x", "x", "y", "y"] * 3}),
    "one way": lambda v: one_way(thirds(v)),
    "grubbs": outliers.grubbs_single,
    "two grubbs": outliers.grubbs_double,
    "cochran": lambda v: outliers.cochran(sizes(v), 3),
    "mandel h": outliers.mandel_h,
    "mandel k": lambda v: outliers.mandel_k(sizes(v), 3),
    "precision": lambda v: precision(each(v)),
    "precision, preparations": lambda v: precision([[third[:2], third[2:]] for third in thirds(v)]),
    "forms": lambda v: precision_forms(FOURS, sizes(v)[:4], [4] * 4),
    "recovery": lambda v: recovery(v[:6], v[6:], 1.0, u_added=0.01, whole=100.0),
    "recovery, added": lambda v: recovery([1, 2, 3], [4, 5, 6], abs(v[0]), u_added=abs(v[1])),
    "mean recovery": mean_recovery,
    "reproducibility": lambda v: reproducibility(thirds(v)),
    "reproducibility, runs": lambda v: nested_reproducibility([[third[:2], third[2:]] for third in thirds(v)]),
    "algorithm A": robust.algorithm_a,
    "robust mean": robust.robust_mean,
    "robust precision": lambda v: robust.robust_precision(each(v)),
    "algorithm S": lambda v: robust.algorithm_s(sizes(v), [2] * 12),
    "lenth": lenth,
    "effects": lambda v: effects(v, TRIALS),
    "effects, days": lambda v: effects(v + v[::-1], np.vstack([TRIALS] * 2), blocks=["a"] * 12 + ["b"] * 12),
    "weights": lambda v: level_weights([0, 2, 5] * 4, v, OILS),
    "slope ratios": lambda v: slope_ratios([0, 2, 5] * 4, v, OILS, reference="a"),
    "slope ratios, levels": lambda v: slope_ratios(sizes(v), [0, 2, 5] * 4, OILS, reference="a"),
    "slope ratios, runs": lambda v: slope_ratios_by_run(
        [0, 2, 5] * 4, v, (["a"] * 3 + ["b"] * 3) * 2, ["r"] * 6 + ["s"] * 6, reference="a"
    ),
    "stability": lambda v: stability_line([0, 7, 14, 21] * 3, v).slope_estimate(),
    "bias": lambda v: bias(thirds(v)),
    "bias, uncertain": lambda v: bias(thirds(list(ORDINARY)), reference_uncertainty=abs(v[0])),
    "bias line": lambda v: bias_line([FOURS] * 3, thirds(v), [[1.0] * 4] * 3),
    "paired ratio": lambda v: paired_ratio(v[:6], v[6:]),
    "ratio": lambda v: welch_ratio(v[:6], v[6:]),
    "ratio, few": lambda v: welch_ratio(v[:2], v[6:]),
    "paired difference": lambda v: paired_difference(v[:6], v[6:]),
    "difference": lambda v: welch_difference(v[:6], v[6:]),
    "difference, few": lambda v: welch_difference(v[:2], v[6:]),
    "ratio of logarithms": lambda v: log_ratio(v[:2], v[2:4]),
    "relative sd": lambda v: pooled_relative_sd(thirds(v)),
    "assigned values": lambda v: normalised_difference(v[0], abs(v[1]), v[2], abs(v[3])),
    "within cells": lambda v: within_cells(v, list(range(12)), [0, 0, 0, 1, 1, 1] * 2, [1.0] * 12),
    "tolerance": lambda v: tolerance_limits(precision(each(v)), 0.1),
    "uncertainty function": lambda v: uncertainty_function(FOURS, sizes(v)[:4]),
    "root sum of squares": lambda v: root_sum_of_squares(sizes(v)),
    "excess scatter": lambda v: excess_scatter(abs(v[0]), 3, abs(v[1]), 5, confidence=0.95),
    "propagation": lambda v: propagate(lambda a, b: a * b, {"a": type_a(v[:6]), "b": type_a(v[6:])}).interval,
}
EDGES: dict[str, Readings] = {
    "alike": [3.0] * 12,
    "all zero": [0.0] * 12,
    "all but one alike": [3.0] * 11 + [4.0],
    "alike but for rounding": [3.0 + 1e-15 * i for i in range(12)],
    "1e200": [value * 1e200 for value in ORDINARY],
    "1e-170": [value * 1e-170 for value in ORDINARY],
    "1e99": [value * 1e99 for value in ORDINARY],
    "1e-99": [value * 1e-99 for value in ORDINARY],
    "1e200 and 1e-170": [value * (1e200 if i % 3 else 1e-170) for i, value in enumerate(ORDINARY)],
    "1e99 and 1e-99": [value * (1e99 if i % 3 else 1e-99) for i, value in enumerate(ORDINARY)],
    "no number": [math.nan] * 12,
}
#: What libraries and Python itself say of such numbers.
OF_OTHERS = re.compile("integer ratio|singular|broadcast|converge|overflow|divi[ds]|array|shape mismatch|too large")


def unfit(item: object) -> Iterator[str]:
    """Estimates anywhere in a result whose value or ends are no numbers; of plain numbers themselves."""
    if isinstance(item, Estimate):
        ends = [end for level in (0.9, 0.95) for end in item.interval(level) or ()]
        numbers = (item.value, item.standard_uncertainty or 0.0, item.degrees_of_freedom or 0.0, *ends)
        if not all(map(math.isfinite, numbers)):
            yield str(item)
    elif isinstance(item, float) and not math.isfinite(item):
        yield str(item)
    elif is_dataclass(item):
        parts = (getattr(item, field.name) for field in fields(item))
        for part in parts:
            yield from () if isinstance(part, float) else unfit(part)
    elif isinstance(item, list | tuple):
        for part in item:
            yield from unfit(part)


def answered(name: str, readings: Readings) -> Any:
    """What a statistic makes of the readings, or the words in which it refuses them; an error of a library passes."""
    try:
        return STATISTICS[name](list(readings))
    except ValueError as refused:
        if type(refused) is not ValueError:
            raise
        return str(refused)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("name", STATISTICS)
def test_a_statistic_answers_or_refuses_in_its_own_words(name: str, edge: str) -> None:
    found = answered(name, EDGES[edge])
    assert not OF_OTHERS.search(found) if isinstance(found, str) else edge == "no number" or list(unfit(found)) == []


@pytest.mark.filterwarnings("error")
@examples(50)
@given(st.sampled_from(sorted(STATISTICS)), st.lists(st.integers(-110, 110), min_size=12, max_size=12))
def test_readings_of_any_sizes_are_answered_or_refused(name: str, exponents: Sequence[int]) -> None:
    readings = [value * 10.0**exponent for value, exponent in zip(ORDINARY, exponents, strict=True)]
    found = answered(name, readings)
    assert not OF_OTHERS.search(found) if isinstance(found, str) else list(unfit(found)) == []


@pytest.mark.parametrize("factor", [1e-99, 1e-60, 1e60, 1e99])
def test_a_change_of_unit_scales_an_interval_however_large_it_is(factor: float) -> None:
    # Property of equivariance: the interval of a component, of a sum of components, and Satterthwaite's degrees.
    plain, scaled = (one_way(thirds([value * by for value in ORDINARY])) for by in (1.0, factor))
    for part in ("s_within", "s_between", "s_total"):
        own, other = getattr(plain, part), getattr(scaled, part)
        assert other.interval(0.95) == pytest.approx([end * factor for end in own.interval(0.95)], rel=1e-9)
    ratio = scaled.s_total.degrees_of_freedom / plain.s_total.degrees_of_freedom
    assert ratio == pytest.approx(1.0, rel=1e-9)
    assert effective_df(5 * factor, [3 * factor, 4 * factor], [4, 9]) == pytest.approx(
        5**4 / (3**4 / 4 + 4**4 / 9), rel=1e-12
    )


@pytest.mark.parametrize("df", [0.9, 0.5, 0.1])
def test_degrees_of_freedom_below_one_are_those_of_scipy(df: float) -> None:
    # Open library: chi2 and t of scipy.stats.
    low, high = (math.sqrt(df / stats.chi2.ppf(p, df)) for p in (0.975, 0.025))
    assert ChiSquare(1.0, df).interval(0.95) == pytest.approx((low, high), rel=1e-9)
    assert StudentT(0.0, 1.0, df).interval(0.95)[1] == pytest.approx(stats.t.ppf(0.975, df), rel=1e-9)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("df", [0.01, 1e-3, 1e-6])
def test_so_few_degrees_of_freedom_that_no_end_is_a_number_are_said(df: float) -> None:
    found = ChiSquare(1.0, df)
    assert found.interval(0.95) is None
    assert "On so few degrees of freedom" in found.notes(0.95)[0]


def test_logarithms_beyond_the_largest_number_are_said() -> None:
    found = Exponential(StudentT(0.0, 100.0, 1.0))
    assert found.interval(0.95) is None
    assert "no number" in found.notes(0.95)[0]
    assert found.interval(0.5) == pytest.approx((math.exp(-100), math.exp(100)), rel=1e-9)  # t(0.75, 1) = 1


def test_sizes_are_refused_with_their_bounds() -> None:
    with pytest.raises(ValueError, match=r"x must be zero or between 1e-120 and 1e\+120 in size.*got -1e\+200"):
        check_sizes([1.0, -1e200], "x")
    with pytest.raises(ValueError, match=r"between 1e-60 and 1e\+60"):
        check_sizes([1e-61], "x", power=4)
    with pytest.raises(ValueError, match="x must be finite; got inf"):
        check_sizes(math.inf, "x")


@pytest.mark.parametrize(
    ("value", "ends", "written"),
    [
        (6.6e48, (3.8e48, 9.4e48), ("6.60 × 10^48", "3.80 × 10^48 to 9.40 × 10^48")),
        (8.5e-42, (-1e-42, 1.8e-41), ("8.50 × 10^−42", "−1.00 × 10^−42 to 1.80 × 10^−41")),
        (4.05, (3.95, 4.15), ("4.050", "3.950 to 4.150")),
    ],
)
def test_numbers_of_such_sizes_are_written_with_powers_of_ten(
    value: float, ends: tuple[float, float], written: tuple[str, str]
) -> None:
    assert with_interval(value, ends) == written


# --- chapters --------------------------------------------------------------------------------------------------------

Change = Callable[[Decimal, int], Decimal]
HUGE, TINY = Decimal("9e49"), Decimal("1e-50")


@cache
def study_of(name: str) -> Study:
    return spiked() if name == "recovery" else load_study(DEMONSTRATION / name)


def changed(study: Study, change: Change, keep: Callable[[ExperimentData], list[int]], column: str = "") -> Study:
    """The study with other results, or another column, in the rows kept of each worksheet."""
    experiments = {}
    for name, data in study.experiments.items():
        target, rows = column or EXPERIMENTS[name].columns.value, keep(data)
        exact = {key: tuple(values[row] for row in rows) for key, values in data.exact.items()}
        table = data.table.iloc[rows].reset_index(drop=True)
        if target in exact:
            exact[target] = tuple(change(value, i) for i, value in enumerate(exact[target]))
            table[target] = [float(value) for value in exact[target]]
        experiments[name] = replace(data, table=table, exact=exact)
    return replace(study, experiments=experiments)


def every(data: ExperimentData) -> list[int]:
    return list(range(len(data.table)))


def first(count: int) -> Callable[[ExperimentData], list[int]]:
    return lambda data: every(data)[:count]


def in_each_cell(count: int) -> Callable[[ExperimentData], list[int]]:
    """The first so many readings of each sample, laboratory, level, lot and so on."""
    cells = ("grade", "fuel", "lot", "sample", "method", "laboratory", "level", "setting", "matrix", "state", "age")

    def keep(data: ExperimentData) -> list[int]:
        named = [cell for cell in cells if cell in data.table]
        return sorted(data.table.groupby(named, sort=False, dropna=False).head(count).index) if named else every(data)

    return keep


CHAPTER_EDGES: dict[str, tuple[Change, Callable[[ExperimentData], list[int]], str]] = {
    "alike": (lambda v, i: Decimal(5), every, ""),
    "all zero": (lambda v, i: Decimal(0), every, ""),
    "below zero": (lambda v, i: -v, every, ""),
    "huge": (lambda v, i: v * Decimal("1e40"), every, ""),
    "tiny": (lambda v, i: v * Decimal("1e-40"), every, ""),
    "huge and tiny": (lambda v, i: HUGE if i % 2 else TINY, every, ""),
    "one huge": (lambda v, i: HUGE if i == 7 else v, every, ""),
    "many digits": (lambda v, i: Decimal(5) + i * Decimal("1e-100"), every, ""),
    "one reading": (lambda v, i: v, first(1), ""),
    "two alike": (lambda v, i: Decimal(5), first(2), ""),
    "one a cell": (lambda v, i: v, in_each_cell(1), ""),
    "two alike a cell": (lambda v, i: Decimal(5), in_each_cell(2), ""),
    "huge and tiny in each cell": (lambda v, i: HUGE if i % 2 else TINY, in_each_cell(2), ""),
    "one level": (lambda v, i: Decimal(2), every, "level"),
    "one reference value": (lambda v, i: Decimal(3), every, "assigned"),
    "tiny levels": (lambda v, i: TINY, every, "level"),
    "tiny u_level": (lambda v, i: TINY, every, "u_level"),
    "one age": (lambda v, i: Decimal(0), every, "age"),
}
USUAL = ("alike", "huge and tiny", "one reading", "two alike a cell")


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    ("name", "edge"),
    [
        pytest.param(name, edge, marks=() if edge in USUAL else pytest.mark.thorough)
        for name, edge in product(("new-grade", "new-lot", "recovery"), CHAPTER_EDGES)
    ],
)
def test_a_chapter_answers_or_says_why_not(name: str, edge: str) -> None:
    study, done = changed(study_of(name), *CHAPTER_EDGES[edge]), {}
    for item in characteristics().values():
        found = evaluated(item, study, done)
        json.dumps(found.to_dict(), allow_nan=False)
        if found.missing:
            assert found.missing.endswith("."), found.missing
            continue
        sentences = [*item.in_words(found, study.unit), *found.notes, *found.display.notes]
        assert all(sentence.strip().endswith((".", ":")) for sentence in sentences)
        for quantity in found.quantities:
            json.dumps(quantity.results(), allow_nan=False)


# --- worksheets ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("1e200", "beyond 1e50"),
        ("1e-170", "below 1e-50"),
        (f"3.{'0' * 100}1", "more than 100 decimals"),
    ],
)
def test_a_number_that_no_result_has_is_refused_at_its_cell(tmp_path: Path, value: str, reason: str) -> None:
    folder = write_study(tmp_path, {"precision": PRECISION.replace("3.91", value)})
    with pytest.raises(StudyDataError) as refused:
        load_study(folder)
    (fault,) = refused.value.faults
    assert (fault.row, fault.reading, fault.column) == (12, "P-011", "result")
    assert reason in fault.reason
