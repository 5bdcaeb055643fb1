"""What has no form for many studies at once: a plain loop over the public functions."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Group, Place
from validation.selftest.simulation.runs import ratio_text, readings
from validation.selftest.simulation.straight_lines import CONSTANT, GROWTH
from validation.stats.estimate import LIMIT_FACTOR, Estimate
from validation.stats.mixed_model import mixed_model
from validation.stats.precision import against_published, precision
from validation.stats.precision_model import precision_model
from validation.stats.robust import robust_precision
from validation.stats.trueness import bias, bias_line

LEVELS = (0.5, 1.0, 2.0, 4.0, 5.0, 7.5, 10.0)
ROBUST = (
    "The robust view rests on large-sample efficiencies; it stands beside the classical estimates and is never judged."
)
BOUND = "Percentiles of the bootstrap are a little too narrow for a standard deviation over levels; said in the notes."
FEW_VALUES = "A component of few values: the profile of the restricted likelihood, Bartlett's correction for that."
#: Analyst and day of each reading: 4 analysts on 3 days each, read twice; 4 analysts on each of 6 days.
NESTED_DAYS: Mapping[str, Sequence[str]] = {
    "analyst": [f"A{i // 6}" for i in range(24)],
    "day": [f"D{i // 2}" for i in range(24)],
}
CROSSED_DAYS: Mapping[str, Sequence[str]] = {
    "analyst": [f"A{i % 4}" for i in range(24)],
    "day": [f"D{i // 4}" for i in range(24)],
}


def _inside(estimate: Estimate | None, truth: float) -> bool:
    """Whether the interval holds the truth; without one it does not."""
    ends = None if estimate is None else estimate.interval(0.95)
    return ends is not None and ends[0] <= truth <= ends[1]


Rows = Callable[[np.random.Generator, int], list[CoverageRow]]


def _looped(place: Place, names: Sequence[str], one: Callable[[Array], Sequence[bool]], y: Array, note: str = ""):
    hits = np.array([one(study) for study in y])
    return [place.row(name, 0.95, hits[:, i], note=note) for i, name in enumerate(names)]


def preparation_rows(ratio: float) -> Rows:
    """8 runs of 3 preparations, each read twice: s_preparation and s_reading are alike."""

    def one(study: Array) -> list[bool]:
        found = precision(study.reshape(8, 3, 2).tolist())
        truth = 2.0  # s_r^2
        return [
            _inside(found.s_r, truth**0.5),
            _inside(found.s_run, (ratio * truth) ** 0.5),
            _inside(found.s_I, ((1 + ratio) * truth) ** 0.5),
        ]

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = 2**0.5 * np.repeat(rng.standard_normal((studies, 8)), 6, axis=1) * ratio**0.5
        y += np.repeat(rng.standard_normal((studies, 24)), 2, axis=1) + rng.standard_normal((studies, 48))
        place = Place("precision", "8 runs of 3 preparations, each read twice", ratio_text(ratio))
        return _looped(place, ("s_r", "s_run", "s_I"), one, y)

    return simulate


def published_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """s_r against a published limit that is the laboratory's own truth."""
    alarms = []
    for study in readings(rng, studies, (3,) * 8, 1.0):
        s_r = precision(study.reshape(8, 3, 1).tolist()).s_r
        assert s_r is not None
        alarms.append(against_published(s_r, LIMIT_FACTOR).p <= 0.05)
    place = Place("precision", "8 runs of 3", ratio_text(1.0))
    return [place.row("s_r against a published r: false alarms", 0.05, np.array(alarms))]


def robust_rows(counts: Sequence[int], ratio: float) -> Rows:
    """The robust view of clean data."""

    def one(study: Array) -> list[bool]:
        found = robust_precision(study.reshape(len(counts), counts[0], 1).tolist())
        return [
            _inside(found.s_r, 1.0),
            _inside(found.s_run, ratio**0.5),
            _inside(found.s_I, (1 + ratio) ** 0.5),
        ]

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        place = Place("precision", f"{len(counts)} runs of {counts[0]}", ratio_text(ratio))
        names = [f"{name}, robust view" for name in ("s_r", "s_run", "s_I")]
        return _looped(place, names, one, readings(rng, studies, counts, ratio), ROBUST)

    return simulate


def model_rows(df: int) -> Rows:
    """s(x) = a + b x through one standard deviation a level."""

    def one(sums: Array) -> list[bool]:
        sds = np.sqrt(sums / df) * (CONSTANT + GROWTH * np.asarray(LEVELS))
        found = precision_model(LEVELS, sds.tolist(), [df] * len(LEVELS))
        return [_inside(found.constant, CONSTANT), _inside(found.slope, GROWTH)]

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        place = Place("precision", f"7 levels from 0.5 to 10, {df} degrees of freedom each", "s = 0.03 + 0.018 x")
        names = ("constant part of s(x)", "slope of s(x)")
        return _looped(place, names, one, rng.chisquare(df, (studies, len(LEVELS))), BOUND)

    return simulate


def factor_rows(factors: Mapping[str, Sequence[str]], words: str) -> Rows:
    """Analyst and day, both with the variance of the readings."""
    codes = [np.unique(column, return_inverse=True)[1] for column in factors.values()]

    def one(study: Array) -> list[bool]:
        return [_inside(part.estimate, 1.0) for part in mixed_model(study.tolist(), factors).components]

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        y = rng.standard_normal((studies, 24))
        for code in codes:
            y += rng.standard_normal((studies, code.max() + 1))[:, code]
        place = Place("precision", words, "s_analyst = s_day = s_r")
        return _looped(place, ("s_analyst (mixed model)", "s_day (mixed model)"), one, y, FEW_VALUES)

    return simulate


def reference_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Bias with an uncertain reference value: its error is drawn too."""
    u = (4 / 3 / 8) ** 0.5  # as large as the standard error of the mean of the runs
    y = readings(rng, studies, (3,) * 8, 1.0) - u * rng.standard_normal((studies, 1))

    def one(study: Array) -> list[bool]:
        return [_inside(bias(study.reshape(8, 3).tolist(), reference_uncertainty=u), 0.0)]

    place = Place("trueness", "8 runs of 3, uncertain reference value", f"{ratio_text(1.0)}, u as large as its error")
    return _looped(place, ("bias with the uncertainty of the reference value",), one, y)


def line_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Constant and proportional bias over levels; the runs have lines of their own."""
    x = np.asarray(LEVELS)
    sd = CONSTANT + GROWTH * x
    own = rng.standard_normal((studies, 8, 2)) * (0.02, 0.012)
    scatter = sd / 3**0.5 * rng.standard_normal((studies, 8, len(x)))
    errors = own[:, :, :1] + own[:, :, 1:] * x + scatter

    def one(study: Array) -> list[bool]:
        found = bias_line([x] * 8, list(study), [1 / sd**2] * 8)
        return [_inside(found.constant, 0.0), _inside(found.proportional, 0.0), bool(found.zero_inside)]

    place = Place("trueness", "7 levels, 8 runs of 3", "s = 0.03 + 0.018 x, runs with lines of their own")
    return _looped(place, ("constant bias", "proportional bias", "joint region of both"), one, errors)


def groups() -> list[Group]:
    """Every design and truth."""
    made = [Group(f"preparations: {ratio:g}", 2000, None, preparation_rows(ratio)) for ratio in (0.25, 1.0, 10.0)]
    made.append(Group("published r", 2000, None, published_rows))
    made += [
        Group(f"robust: {len(counts)} x {counts[0]}, {ratio:g}", 2000, None, robust_rows(counts, ratio))
        for counts, ratio in (((2,) * 5, 1.0), ((3,) * 8, 1.0), ((3,) * 12, 1.0), ((3,) * 12, 10.0))
    ]
    made += [Group(f"s(x), {df}", 1000, None, model_rows(df)) for df in (16, 8)]
    made.append(
        Group("mixed model: nested", 1000, None, factor_rows(NESTED_DAYS, "4 analysts, 3 days each, 2 readings"))
    )
    made.append(Group("mixed model: crossed", 1000, None, factor_rows(CROSSED_DAYS, "4 analysts on each of 6 days")))
    made.append(Group("reference value", 4000, None, reference_rows))
    made.append(Group("bias line", 2000, 400, line_rows))
    return made
