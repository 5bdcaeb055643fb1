"""How often the intervals of a study's own design hold the truth where its scatter has tails or is rounded.

No test on a study's own readings tells such tails from normal ones: t on 4 degrees of freedom is noticed in one study
of five. So nothing is switched; the rates are simulated and stand beside the numbers. They are never judged.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from math import ceil, gcd, log
from typing import Protocol

import numpy as np

from validation.simulation.nested import NestedDesign, NestedTruth, nested_readings
from validation.simulation.shape import NORMAL, Shape
from validation.stats.intervals import sd_interval
from validation.stats.nested_stages import NestedStages
from validation.stats.precision_studies import ClassicalStudies, RobustStudies, StudyEnds
from validation.study.quantity import At, Cell, Table, judged_level
from validation.words import fixed, level_text, sentence_list, significant

#: Simulated a case; of the robust view, which takes longer, the first of them.
STUDIES, ROBUST = 3000, 1500
_SEED = 20_261_128
#: A design with more readings is simulated with fewer: so many runs (laboratories), and so many readings in all.
MOST_UNITS, MOST_READINGS = 30, 240
SHORTENED = (
    f"The attained rates of a design of more than {MOST_READINGS} readings are those of its first {MOST_UNITS} runs "
    f"(or laboratories) and {MOST_READINGS} readings at most; with more readings heavy tails cost more."
)
#: Said where a rate falls further short of its nominal one.
SHORT = 0.015
#: A step below this share of s_r leaves the rates as they are.
FINE = 0.25

SHAPES = {"normal": NORMAL, "t, 6 df": Shape(tails=6.0), "t, 4 df": Shape(tails=4.0)}
_IN_WORDS = {
    "normal": "normal scatter",
    "t, 6 df": "scatter of Student's t on 6 degrees of freedom",
    "t, 4 df": "scatter of Student's t on 4 degrees of freedom",
    "rounded": "normal scatter rounded to its own step",
}

#: Of the two-sided interval and of the upper bound; None where none is judged.
Rate = tuple[float, float | None]
Rates = Mapping[str, Rate]
#: Readings of each preparation of each run, or of each run of each laboratory.
Layout = tuple[tuple[int, ...], ...]


#: A quantity, its truth, its ends at a level of confidence, and whether its upper bound is judged.
Simulated = tuple[str, float, Callable[[float], StudyEnds], bool]


class Case(Hashable, Protocol):
    """A design with the classes of what was estimated; cases that are equal share their simulated studies."""

    @property
    def layout(self) -> Layout: ...

    @property
    def assumed(self) -> str: ...

    def simulated(self, shape: Shape) -> Iterator[Simulated]: ...


@dataclass(frozen=True)
class RunCase:
    """Runs of preparations of readings; s_r is 1.

    `ratio` : s_run^2; None where s_r alone is asked for. `share` : of the readings of one preparation in s_r^2
    """

    layout: Layout
    ratio: float | None
    share: float

    @property
    def assumed(self) -> str:
        return "" if self.ratio is None else f"(s_run/s_r)² = {self.ratio:g}"

    def simulated(self, shape: Shape) -> Iterator[Simulated]:
        """s_r, or s_run and s_I; the robust view after them."""
        ratio, layout = self.ratio or 0.0, cut(self.layout)
        preparations = tuple(n for run in layout for n in run)
        # Where every preparation is read once, preparation and reading are one part.
        share = self.share if max(preparations) > 1 else 1.0
        design = NestedDesign((tuple(map(len, layout)), preparations))
        truth = NestedTruth((ratio**0.5, (1 - share) ** 0.5, share**0.5), shape=shape)
        y = nested_readings(_generator(self, shape), STUDIES, design, truth)
        truths = {"s_r": 1.0} if self.ratio is None else {"s_run": ratio**0.5, "s_I": (1 + ratio) ** 0.5}
        views = {"": ClassicalStudies.of(y, layout), ", robust view": RobustStudies.of(y[:ROBUST], layout)}
        for view, studies in views.items():
            for name, value in truths.items():
                yield name + view, value, getattr(studies, f"{name}_interval"), not view


@dataclass(frozen=True)
class LaboratoryCase:
    """Laboratories of runs of readings; s_r is 1.

    `ratios` : s_L^2 and s_run^2; None where s_r alone is asked for
    """

    layout: Layout
    ratios: tuple[float, float] | None

    @property
    def assumed(self) -> str:
        if self.ratios is None:
            return ""
        between, run = self.ratios
        runs = f", (s_run/s_r)² = {run:g}" if any(len(laboratory) > 1 for laboratory in self.layout) else ""
        return f"(s_L/s_r)² = {between:g}{runs}"

    def simulated(self, shape: Shape) -> Iterator[Simulated]:
        """s_r, or s_run and s_R."""
        layout, (between, run) = cut(self.layout), self.ratios or (0.0, 0.0)
        truth = NestedTruth((between**0.5, run**0.5, 1.0), shape=shape)
        y = nested_readings(_generator(self, shape), STUDIES, NestedDesign.of_laboratories(layout), truth)
        stages = NestedStages.of(y, layout)
        residual = stages.mean_squares[2]
        if self.ratios is None:
            assert residual is not None  # no case of s_r where it was not estimated
            s_r = np.sqrt(residual)
            yield "s_r", 1.0, lambda confidence: sd_interval(s_r, stages.df[2], confidence), True
            return
        if residual is not None and stages.df[1]:
            yield "s_run", run**0.5, stages.s_run_interval, True
        yield "s_R", (1 + between + run) ** 0.5, stages.s_R_interval, True


def _generator(case: Case, shape: Shape) -> np.random.Generator:
    """One of its own for each case and shape: the same again wherever they come up."""
    return np.random.default_rng([_SEED, zlib.crc32(repr((case, shape)).encode())])


@cache
def rates_of(case: Case, shape: Shape, confidence: float) -> Rates:
    """Of every quantity that the design supplies."""
    rates: dict[str, Rate] = {}
    for name, truth, interval, judged in case.simulated(shape):
        ends, bounds = interval(confidence), interval(judged_level(confidence)) if judged else None
        if ends is not None:
            held = float(((ends[0] <= truth) & (truth <= ends[1])).mean())
            rates[name] = held, None if bounds is None else float((bounds[1] >= truth).mean())
    return rates


def cut(layout: Layout) -> Layout:
    """The layout, or of one with too many readings its first units and the first readings of each."""
    if sum(map(sum, layout)) <= MOST_READINGS:
        return layout
    units = layout[:MOST_UNITS]
    room = MOST_READINGS // len(units)
    shortened = []
    for unit in units:
        counts = [min(n, room // 2) for n in unit]
        kept = [n for i, n in enumerate(counts) if i < 2 or sum(counts[: i + 1]) <= room]
        shortened.append(tuple(kept))
    return tuple(shortened)


def step_of(readings: Sequence[Decimal]) -> float:
    """The largest step of which every reading is a multiple, as written; 0 where all are zero."""
    finest = min(int(value.as_tuple().exponent) for value in readings)
    return gcd(*(int(value.scaleb(-finest)) for value in readings)) * 10.0**finest


def ratio_class(ratio: float) -> float:
    """The power of four next to a ratio of variances; zero below a sixteenth."""
    return 0.0 if ratio < 1 / 16 else 4.0 ** round(log(ratio, 4))


def step_class(step: float, s: float) -> float:
    """The power of two from `step` over `s` upwards; zero for a step that is fine."""
    return 0.0 if step < FINE * s else 2.0 ** ceil(log(step / s, 2) - 1e-9)


@dataclass(frozen=True)
class AttainedRates:
    """The table of a chapter, and what must be said of it; empty where nothing can be simulated."""

    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()


#: A level, a case of it, and the class of its step over s_r.
Placed = tuple[At, Case, float]


def attained_rates(placed: Sequence[Placed], confidence: float) -> AttainedRates:
    """Rates of every distinct case, the levels that share it, and a sentence on the worst."""
    cases: dict[Case, dict[str, float]] = {}
    for at, case, step in placed:
        cases.setdefault(case, {})[level_text(at)] = step
    if not cases:
        return AttainedRates()
    lines = [line for case, steps in cases.items() for line in _lines(case, steps, confidence)]
    table = Table("attained rates", _caption(lines, confidence), HEAD, tuple(line.row for line in lines))
    shortened = (SHORTENED,) if any(cut(case.layout) != case.layout for case in cases) else ()
    return AttainedRates((table,), (*_worst(lines, confidence), *shortened))


@dataclass(frozen=True)
class _Line:
    """One quantity of one case: the class of the step at each level, and the rates by shape."""

    name: str
    assumed: str
    steps: Mapping[str, float]
    rates: Mapping[str, Rate]

    @property
    def row(self) -> tuple[Cell, ...]:
        coarsest = max(self.steps.values())
        pairs = [self.rates.get(shape, ()) for shape in (*SHAPES, "rounded")]
        cells = (" / ".join(fixed(100 * rate, 1) for rate in pair if rate is not None) for pair in pairs)
        return self.name, ", ".join(self.steps), self.assumed, *cells, f"{coarsest:g}" if coarsest else f"< {FINE:g}"

    def levels(self, shape: str) -> list[str]:
        """Where the rates of a shape belong: those of the rounding, where the step is coarsest."""
        coarsest = max(self.steps.values())
        return [level for level, step in self.steps.items() if shape != "rounded" or step == coarsest]


def _lines(case: Case, steps: Mapping[str, float], confidence: float) -> Iterator[_Line]:
    coarsest = max(steps.values())
    shapes = {**SHAPES, **({"rounded": Shape(grid=coarsest)} if coarsest else {})}
    by_shape = {name: rates_of(case, shape, confidence) for name, shape in shapes.items()}
    for name in by_shape["normal"]:
        yield _Line(name, case.assumed, steps, {shape: of_all[name] for shape, of_all in by_shape.items()})


HEAD = ("quantity", "levels", "assumed", *SHAPES, "rounded", "step/s_r")


def _caption(lines: Sequence[_Line], confidence: float) -> str:
    robust = f" ({ROBUST} of the robust view)" if any("robust" in line.name for line in lines) else ""
    error = significant(100 * (confidence * (1 - confidence) / STUDIES) ** 0.5, 1)
    return (
        f"Attained rates, in %, of the interval / the upper bound at {100 * confidence:g} %: {STUDIES} simulated "
        f"studies of this design each{robust}, standard error {error} to 1"
    )


def _worst(lines: Sequence[_Line], confidence: float) -> Iterator[str]:
    """One sentence where an interval or upper bound that is reported falls short."""
    everywhere, parts = {level for line in lines for level in line.steps}, []
    for position, what in enumerate(("interval", "upper bound")):
        rates = [
            (pair[position] or 0.0, line, shape)
            for line in lines
            if "robust" not in line.name
            for shape, pair in line.rates.items()
        ]
        rate, line, shape = min(rates, key=lambda entry: entry[0])
        if rate < confidence - SHORT:
            levels = line.levels(shape)
            at = (
                ""
                if len(levels) == len(everywhere)
                else f", {'level' if len(levels) == 1 else 'levels'} {sentence_list(levels)}"
            )
            parts.append(f"the {what} of {line.name} in {fixed(100 * rate, 1)} % ({_IN_WORDS[shape]}{at})")
    if parts:
        yield (
            "The intervals take the scatter as normal, and its rounding as fine. At worst in simulated studies of this "
            f"design the truth is held by {sentence_list(parts)}, where {100 * confidence:g} % are claimed. A test on "
            "the readings of one study would see few of such tails, so none is made."
        )
