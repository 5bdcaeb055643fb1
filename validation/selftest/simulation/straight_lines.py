"""Calibrations whose truth is a straight line, many at once: departures, one-point errors, tests of straightness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.low_range import FULL
from validation.selftest.simulation.rates import Array, Ends, Group, Place, about, holds
from validation.selftest.simulation.runs import CONFIDENCE
from validation.stats.intervals import sd_interval
from validation.stats.straightness import Cells, NestedDesigns, bases

ALPHA = 0.05
#: With 59 draws the share of p at or below 0.05 is 5 % where a test is exact, as with the 1999 of a dossier.
DRAWS = 59
CONSTANT, GROWTH = 0.03, 0.018
INTERCEPT, RUN_INTERCEPT, RUN_SLOPE = 0.1, 0.02, 0.012
ROUTINE = 5  # position of the routine level, 5, among the levels
AT = (2, 7)  # positions of the levels reported: 1 and 10

ORDINARY = (
    "The ordinary tests take the scatter as equal at all levels and readings of one run as independent: they are "
    "shown, never judged."
)
FEW_RUNS_SINGLE = "With single readings in few runs s(x) rests on few degrees of freedom: a little too many alarms."
COEFFICIENTS = (
    "Slope, intercept and residual standard deviation of the ordinary line describe it; where the scatter grows or "
    "runs have lines of their own their intervals are not to be relied on; `departure` and `single_point_bias` are."
)


@dataclass(frozen=True, slots=True)
class Design:
    """Every run reads every level `each` times; readings are ordered by run, then level."""

    runs: int
    each: int
    levels: tuple[float, ...] = FULL

    @property
    def x(self) -> Array:
        """Level of each reading."""
        return np.tile(np.repeat(np.asarray(self.levels), self.each), self.runs)

    @property
    def codes(self) -> np.ndarray:
        """Level code of each reading."""
        return np.tile(np.repeat(np.arange(len(self.levels)), self.each), self.runs)

    @property
    def run_codes(self) -> np.ndarray:
        """Run of each reading."""
        return np.repeat(np.arange(self.runs), self.each * len(self.levels))

    @property
    def words(self) -> str:
        """In words."""
        number = {1: "single readings", 2: "2 readings", 3: "3 readings"}.get(self.each, f"{self.each} readings")
        runs = "1 run" if self.runs == 1 else f"{self.runs} runs"
        return f"{len(self.levels)} levels, {runs}, {number} each"


def readings(
    rng: np.random.Generator, studies: int, design: Design, run_effects: bool, growth: float = GROWTH
) -> Array:
    """Responses of shape (studies, n): 0.1 + x, runs with lines of their own if asked, scatter 0.03 + growth x."""
    x = design.x
    own = rng.standard_normal((studies, design.runs, 2)) * (RUN_INTERCEPT, RUN_SLOPE) * float(run_effects)
    of_run = own[:, design.run_codes]
    scatter = (CONSTANT + growth * x) * rng.standard_normal((studies, len(x)))
    return INTERCEPT + of_run[:, :, 0] + (1 + of_run[:, :, 1]) * x + scatter


def departures_of(y: Array, design: Design, confidence: float = CONFIDENCE) -> tuple[Array, Ends]:
    """Values and intervals, shape (studies, levels), as `validation.stats.calibration.departures`; two runs or more."""
    x, means = np.asarray(design.levels), _cell_means(y, design)
    dx = x - x.mean()
    slopes = (means * dx).sum(axis=2) / (dx**2).sum()
    own = means - means.mean(axis=2, keepdims=True) - slopes[:, :, None] * dx
    return _t_over_runs(own / slopes.mean(axis=1)[:, None, None], confidence)


def single_point_of(y: Array, design: Design, confidence: float = CONFIDENCE) -> tuple[Array, Ends]:
    """Values and intervals as `validation.stats.calibration.single_point_bias` at `ROUTINE`; two runs or more."""
    x, means = np.asarray(design.levels), _cell_means(y, design)
    return _t_over_runs(means / (means[:, :, [ROUTINE]] / x[ROUTINE]) - x, confidence)


def _cell_means(y: Array, design: Design) -> Array:
    return y.reshape(len(y), design.runs, len(design.levels), design.each).mean(axis=3)


def _t_over_runs(own: Array, confidence: float) -> tuple[Array, Ends]:
    runs = own.shape[1]
    value, error = own.mean(axis=1), own.std(axis=1, ddof=1) / runs**0.5
    return value, about(value, t_distribution.ppf((1 + confidence) / 2, runs - 1) * error)


def ordinary_tests(y: Array, design: Design) -> tuple[Array, Array]:
    """p of `lack_of_fit` and of `mandel`."""
    x, codes = design.x, design.codes
    line, level = bases(x, codes, np.zeros_like(codes))
    bend = np.linalg.qr(np.vander((x - x.mean()) / np.ptp(x), 3))[0]
    y = y - y.mean(axis=1, keepdims=True)
    reduced, full, bent = (
        ((y - (y @ basis) @ basis.T) ** 2).sum(axis=1) for basis in (line, np.hstack([line, level]), bend)
    )
    df1, df2 = level.shape[1], len(x) - 2 - level.shape[1]
    lack = f_distribution.sf((reduced - full) / df1 / (full / df2), df1, df2)
    return lack, f_distribution.sf((reduced - bent) / (bent / (len(x) - 3)), 1, len(x) - 3)


def level_weights_test(y: Array, design: Design) -> Array:
    """p of lack of fit with weights 1 / s_i^2 of each level's own replicates: a common practice, reported nowhere."""
    order = np.argsort(design.codes, kind="stable")
    cells = y[:, order].reshape(len(y), len(design.levels), -1)
    n, x = cells.shape[2], np.asarray(design.levels)
    weights, means = n / cells.var(axis=2, ddof=1), cells.mean(axis=2)
    total = weights.sum(axis=1, keepdims=True)
    dx = x - (weights * x).sum(axis=1, keepdims=True) / total
    dy = means - (weights * means).sum(axis=1, keepdims=True) / total
    slope = (weights * dx * dy).sum(axis=1, keepdims=True) / (weights * dx**2).sum(axis=1, keepdims=True)
    df = len(x) - 2
    return f_distribution.sf((weights * (dy - slope * dx) ** 2).sum(axis=1) / df, df, cells.shape[1] * (n - 1))


def weighted_tests_of(y: Array, design: Design, *, draws: int, first_seed: int) -> tuple[Array, Array]:
    """F and p, each (studies, 2), as `weighted_tests` gives them with the seed `first_seed` plus the study's number."""
    x, codes, runs = design.x, design.codes, design.run_codes
    several = design.runs > 1
    cells = Cells.of_runs(x, y[0], codes, runs) if several else Cells.of_readings(x, y[0], codes)
    designs = NestedDesigns.of(cells)
    cell_y, within = y, np.zeros((len(y), len(design.levels)))
    if several:
        grouped = y.reshape(len(y), design.runs, len(design.levels), design.each)
        cell_y = grouped.mean(axis=3).reshape(len(y), -1)
        within = ((grouped - grouped.mean(axis=3, keepdims=True)) ** 2).sum(axis=(1, 3))
    observed = designs.statistics(cell_y, within)
    top, p = observed.F * (1 - 1e-9), np.empty_like(observed.F)
    block = max(1, 3_000_000 // (draws * designs.full.size))
    for start in range(0, len(y), block):
        studies = range(start, min(start + block, len(y)))
        drawn = [
            designs.simulated(observed, study, draws, np.random.default_rng(first_seed + study)) for study in studies
        ]
        cell_y, within = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
        simulated = designs.statistics(cell_y, within).F.reshape(len(studies), draws, 2)
        p[start : start + len(studies)] = (1 + (simulated >= top[list(studies), None]).sum(axis=1)) / (1 + draws)
    return observed.F, p


def coefficients_of(y: Array, design: Design, confidence: float = CONFIDENCE) -> dict[str, Ends]:
    """Intervals of slope, intercept and residual standard deviation of the ordinary line."""
    x = design.x
    dx, df = x - x.mean(), len(x) - 2
    sxx = float((dx**2).sum())
    slope = (y * dx).sum(axis=1) / sxx
    s = np.sqrt(((y - y.mean(axis=1, keepdims=True) - slope[:, None] * dx) ** 2).sum(axis=1) / df)
    t = float(t_distribution.ppf((1 + confidence) / 2, df))
    return {
        "slope": about(slope, t * s / sxx**0.5),
        "intercept": about(y.mean(axis=1) - slope * x.mean(), t * s * (1 / len(x) + x.mean() ** 2 / sxx) ** 0.5),
        "residual_sd": sd_interval(s, df, confidence),  # type: ignore[dict-item]
    }


def _truth(run_effects: bool, growth: float = GROWTH) -> str:
    scatter = "s = 0.03 + 0.018 x" if growth else "s = 0.03"
    return f"straight, {scatter}, {'runs with lines of their own' if run_effects else 'no run effects'}"


def interval_rows(design: Design, run_effects: bool):
    """Departures and one-point errors."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = readings(rng, studies, design, run_effects)
        place = Place("calibration", design.words, _truth(run_effects))
        rows, x = [], np.asarray(design.levels)
        single_truth = (INTERCEPT + x) * x[ROUTINE] / (INTERCEPT + x[ROUTINE]) - x
        for name, found, truth in (
            ("departure", departures_of(y, design), np.zeros(len(x))),
            ("single_point_bias", single_point_of(y, design), single_truth),
        ):
            for at in AT:
                inside = holds((found[1][0][:, at], found[1][1][:, at]), float(truth[at]))
                rows.append(place.row(f"{name} at {x[at]:g}", 0.95, inside))
        return rows

    return simulate


def coefficient_rows(design: Design, run_effects: bool, growth: float):
    """The ordinary line."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = readings(rng, studies, design, run_effects, growth)
        place = Place("calibration", design.words, _truth(run_effects, growth))
        x = np.asarray(design.levels)
        spread = float(((CONSTANT + growth * x) ** 2).mean()) ** 0.5
        truths = {"slope": 1.0, "intercept": INTERCEPT, "residual_sd": spread}
        said = COEFFICIENTS if growth or run_effects else ""
        ends = coefficients_of(y, design)
        names = ["slope", "intercept"] if run_effects else list(truths)
        return [place.row(f"ordinary {name}", 0.95, holds(ends[name], truths[name]), note=said) for name in names]

    return simulate


def ordinary_rows(design: Design, run_effects: bool):
    """False alarms of the tests that are shown and not judged."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = readings(rng, studies, design, run_effects)
        place = Place("calibration", design.words, _truth(run_effects))
        tests = dict(zip(("ordinary lack of fit", "ordinary Mandel test"), ordinary_tests(y, design), strict=True))
        tests["lack of fit with weights 1/s_i^2 (not reported)"] = level_weights_test(y, design)
        return [place.row(f"{name}: false alarms", ALPHA, p <= ALPHA, note=ORDINARY) for name, p in tests.items()]

    return simulate


def weighted_rows(design: Design, run_effects: bool):
    """False alarms of the tests that are judged."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = readings(rng, studies, design, run_effects)
        place = Place("calibration", design.words, _truth(run_effects))
        _, p = weighted_tests_of(y, design, draws=DRAWS, first_seed=int(rng.integers(2**40)))
        said = FEW_RUNS_SINGLE if design.each == 1 else ""
        return [
            place.row(f"{name}: false alarms", ALPHA, p[:, i] <= ALPHA, note=said)
            for i, name in enumerate(("weighted lack of fit", "weighted curvature"))
        ]

    return simulate


def groups() -> list[Group]:
    """Every design and truth."""
    made = []
    designs: Sequence[Design] = (Design(3, 3), Design(5, 2), Design(8, 3))
    for design in designs:
        for effects in (False, True):
            name = f"{design.words}, {effects}"
            few = 2000 if design.runs == 8 and effects else None
            made.append(Group(f"departures: {name}", 10_000, few, interval_rows(design, effects)))
            made.append(Group(f"ordinary tests: {name}", 10_000, None, ordinary_rows(design, effects)))
    constant, one, fewer = Design(3, 3), Design(1, 5), Design(1, 3)
    made.append(Group("coefficients: equal scatter", 10_000, 2000, coefficient_rows(one, False, 0.0)))
    made.append(Group("coefficients: growing scatter", 10_000, None, coefficient_rows(one, False, GROWTH)))
    made.append(Group("coefficients: runs", 10_000, None, coefficient_rows(constant, True, GROWTH)))
    for single in (fewer, one):
        made.append(Group(f"ordinary tests: {single.words}", 10_000, None, ordinary_rows(single, False)))
        made.append(Group(f"weighted tests: {single.words}", 2000, None, weighted_rows(single, False)))
    for design in (Design(3, 1), *designs):
        for effects in (False, True):
            few = 600 if design == Design(3, 3) and effects else None
            name = f"weighted tests: {design.words}, {effects}"
            made.append(Group(name, 2000, few, weighted_rows(design, effects)))
    return made
