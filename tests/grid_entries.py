"""What the grid of designs simulates: families of designs drawn at random, and the statistics of each as one entry.

An entry is a name, a family (a design from a generator) and a function that simulates studies of a design and says for
every statistic in how many of them it holds. A new estimator is one more entry of `ENTRIES`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from validation.selftest.coverage import Budgets, BudgetTruth
from validation.selftest.rates import Array, holds
from validation.simulation.lines import LineDesign, LineTruth, Scatter, line_readings
from validation.simulation.nested import NestedDesign, NestedTruth, nested_readings
from validation.simulation.pairs import PairsDesign, PairsTruth, pair_readings
from validation.simulation.shape import NORMAL, Shape
from validation.simulation.trials import GroupTruth, group_readings
from validation.stats.accuracy import tolerance_limits_many
from validation.stats.agreement import AgreementLines, LimitDistance, limit_interval
from validation.stats.calibration import departures_many, single_point_many
from validation.stats.calibration_readings import CalibrationReadings
from validation.stats.content import half_width, reach_interval
from validation.stats.deming import deming_many
from validation.stats.detection import LinearSdLimits, iupac_multiplier, iupac_runs_multiplier
from validation.stats.intervals import mean_interval, sd_interval, t_quantile
from validation.stats.lines import weighted_lines
from validation.stats.low_range import CountedLimits
from validation.stats.mean_squares import Components, MeanSquares, group_sums
from validation.stats.nested_stages import NestedStages
from validation.stats.passing_bablok import passing_bablok_many
from validation.stats.precision_studies import ClassicalStudies, RobustStudies
from validation.stats.slope_ratio import level_weights, slope_ratios_by_run
from validation.stats.two_means import paired_difference, paired_ratio, welch_difference, welch_ratio
from validation.stats.uncertainty import Treatment
from validation.stats.weighted_comparison import ReplicatedPairs, WeightedLines
from validation.stats.york import YorkFits

Rng = np.random.Generator
CONFIDENCE, JUDGED, ALPHA = 0.95, 0.90, 0.05
#: Units (runs, laboratories, samples) from which on the claim of the page holds.
ENOUGH = 8
PLAIN = BudgetTruth()

OF_CHAPTER = "attained rates of the chapter"


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """One statistic of many studies.

    `shares` : whether each study's interval holds the truth, or the share that it attains. `more` : a rate on the side
    of caution is as good. `claimed` : False where the program claims nothing for such a design; `said` : where it says
    so.
    """

    statistic: str
    shares: NDArray[np.bool_] | Array
    nominal: float = 0.95
    more: bool = False
    claimed: bool = True
    said: str = ""


class Design(Protocol):
    """A drawn design: its words, and whether the claim of the page reaches it."""

    @property
    def words(self) -> str: ...

    @property
    def claimed(self) -> bool: ...


@dataclass(frozen=True)
class Entry:
    """A family of designs and what is simulated of each; `slow` divides the number of studies."""

    name: str
    designs: int
    family: Callable[[Rng], Any]
    simulate: Callable[[Rng, int, Any], Iterator[Simulated]]
    slow: int = 1


# What designs are drawn from ---------------------------------------------------------------------------------------


def drawn_shape(rng: Rng) -> Shape:
    """More often normal than not; steps in units of the scatter of a reading."""
    shapes = (Shape(tails=6.0), Shape(tails=4.0), Shape(grid=0.5), Shape(grid=1.0), Shape(grid=2.0))
    return NORMAL if rng.random() < 0.6 else shapes[rng.integers(len(shapes))]


def drawn_ratio(rng: Rng) -> float:
    """A ratio of variances: zero, or from 0.05 to 10."""
    return 0.0 if rng.random() < 0.15 else float(f"{np.exp(rng.uniform(np.log(0.05), np.log(10))):.2g}")


def drawn_counts(rng: Rng, units: int, most: int) -> tuple[int, ...]:
    """Readings of each unit: alike, or each its own."""
    if rng.random() < 0.6:
        return (int(rng.integers(1, most + 1)),) * units
    return tuple(int(n) for n in rng.integers(1, most + 1, units))


def drawn_levels(rng: Rng) -> tuple[float, ...]:
    """4 to 9 levels up to 10, evenly or most of them low, with or without a blank."""
    count, low = int(rng.integers(4, 10)), float(rng.choice([0.2, 0.5, 1.0]))
    even = rng.random() < 0.5
    levels = np.linspace(low, 10, count) if even else low * (10 / low) ** (np.arange(count) / (count - 1))
    return tuple(([0.0] if rng.random() < 0.5 else []) + [float(f"{level:.3g}") for level in levels])


def drawn_scatter(rng: Rng) -> Scatter:
    """Equal at all levels, or growing up to as steeply as 3 % of the level."""
    return Scatter(0.03, 0.0 if rng.random() < 0.35 else float(f"{rng.uniform(0.003, 0.03):.2g}"))


def shape_words(shape: Shape) -> str:
    """Empty for normal scatter with all digits."""
    tails = "" if shape.tails is None else f", t on {shape.tails:g} df"
    return tails + (f", step {shape.grid:g} s" if shape.grid else "")


def counts_words(counts: Sequence[int]) -> str:
    """ "8 of 3", or "5 of 1, 2, 3, 3, 4"."""
    alike = len(set(counts)) == 1
    return f"{len(counts)} of {counts[0]}" if alike else f"{len(counts)} of {', '.join(map(str, sorted(counts)))}"


def span_words(counts: set[int]) -> str:
    """ "2", or "1 to 3"."""
    return f"{min(counts)}" if len(counts) == 1 else f"{min(counts)} to {max(counts)}"


# Runs of preparations of readings ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunDesign:
    """Readings of each preparation of each run; s_r is 1, `share` of its variance that of the readings."""

    layout: tuple[tuple[int, ...], ...]
    ratio: float
    share: float
    shape: Shape
    offset: float = 0.0  # bias over s_I
    truth: BudgetTruth = PLAIN

    @property
    def words(self) -> str:
        runs = counts_words([len(run) for run in self.layout])
        each = span_words({n for run in self.layout for n in run})
        read = f" preparations read {each} times" if self.repeated else ""
        return f"runs: {runs}{read}; s_run² = {self.ratio:g} s_r²{self._more}{shape_words(self.shape)}"

    @property
    def _more(self) -> str:
        known = {"bias": self.offset, "known": self.truth.known, "reference": self.truth.reference}
        words = "".join(f", {name} {value:g} s_I" for name, value in known.items() if value)
        return words + ("" if self.truth.treatment == "enlarge" else ", corrected")

    @property
    def claimed(self) -> bool:
        return len(self.layout) >= ENOUGH and self.shape == NORMAL

    @property
    def repeated(self) -> bool:
        return any(n > 1 for run in self.layout for n in run)

    @property
    def total(self) -> float:
        return (1 + self.ratio) ** 0.5

    def readings(self, rng: Rng, studies: int) -> Array:
        preparations = tuple(n for run in self.layout for n in run)
        share = self.share if self.repeated else 1.0
        truth = NestedTruth((self.ratio**0.5, (1 - share) ** 0.5, share**0.5), shape=self.shape)
        return nested_readings(rng, studies, NestedDesign((tuple(map(len, self.layout)), preparations)), truth)


def single_readings(rng: Rng) -> RunDesign:
    """3 to 12 runs of 1 to 6 preparations, each read once."""
    counts = drawn_counts(rng, int(rng.integers(3, 13)), 6)
    return RunDesign(tuple((1,) * n for n in counts), drawn_ratio(rng), 1.0, drawn_shape(rng))


def repeated_readings(rng: Rng) -> RunDesign:
    """3 to 12 runs of 1 to 4 preparations, each read 1 to 3 times."""
    counts = drawn_counts(rng, int(rng.integers(3, 13)), 4)
    layout = tuple(drawn_counts(rng, n, 3) for n in counts)
    return RunDesign(layout, drawn_ratio(rng), float(rng.choice([0.2, 0.5, 0.8])), drawn_shape(rng))


def biased_readings(rng: Rng) -> RunDesign:
    """With a bias of 0 to 2 s_I."""
    return replace(single_readings(rng), offset=float(rng.choice([0.0, 0.25, 0.5, 1.0, 2.0])))


def budgeted_readings(rng: Rng) -> RunDesign:
    """With a bias, or corrected for it, a known term and uncertain reference values."""
    known, reference = rng.choice([0.0, 0.3, 1.0]), rng.choice([0.0, 0.2, 0.5])
    treatment: Treatment = "enlarge" if rng.random() < 0.7 else "correct"
    truth = BudgetTruth(treatment, float(known), reference=float(reference))
    return replace(biased_readings(rng), truth=truth)


def precision_of(rng: Rng, studies: int, design: RunDesign) -> Iterator[Simulated]:
    """s_r, s_run and s_I, with the upper bounds that are judged."""
    found = ClassicalStudies.of(design.readings(rng, studies), design.layout)
    for name, truth in (("s_r", 1.0), ("s_run", design.ratio**0.5), ("s_I", design.total)):
        ends, judged = (getattr(found, f"{name}_interval")(level) for level in (CONFIDENCE, JUDGED))
        if ends is not None and not (name == "s_I" and found.within is None and design.repeated):
            # A component that the scatter below it hides is held up on purpose, and so is s_r of repeated readings.
            safe = {"s_r": design.repeated, "s_run": design.ratio < 1 / found.b, "s_I": design.ratio == 0}[name]
            yield Simulated(name, holds(ends, truth), more=safe, said=OF_CHAPTER)
            yield Simulated(f"{name}, upper bound", judged[1] >= truth, more=safe or name != "s_r", said=OF_CHAPTER)


def robust_of(rng: Rng, studies: int, design: RunDesign) -> Iterator[Simulated]:
    """The robust view, which is shown and never judged."""
    found = RobustStudies.of(design.readings(rng, studies), design.layout)
    for name, truth in (("s_r", 1.0), ("s_run", design.ratio**0.5), ("s_I", design.total)):
        ends = getattr(found, f"{name}_interval")(CONFIDENCE)
        if ends is not None:
            yield Simulated(f"{name}, robust view", holds(ends, truth), claimed=False, said=OF_CHAPTER)


def trueness_of(rng: Rng, studies: int, design: RunDesign) -> Iterator[Simulated]:
    """Bias, equivalence at its limit, and the mean content of the tolerance limits."""
    squares = MeanSquares.of(design.readings(rng, studies), [len(run) for run in design.layout])
    p, means = squares.n_groups, squares.means
    of_bias = means.mean(axis=1), means.std(axis=1, ddof=1) / p**0.5, p - 1
    yield Simulated("bias", holds(mean_interval(*of_bias, CONFIDENCE), 0.0))
    met = mean_interval(*of_bias, JUDGED)[1] <= 0.0
    yield Simulated("bias at its limit met", met, ALPHA)
    # Content counts normal results: of others it is not what the limits hold.
    if squares.df_within and design.shape == NORMAL:
        low, high = tolerance_limits_many(Components.of(squares))
        content = ndtr(high / design.total) - ndtr(low / design.total)
        yield Simulated("tolerance limits, mean content", content)


def content_of(rng: Rng, studies: int, design: RunDesign) -> Iterator[Simulated]:
    """The rule `inside` with exactly 95 % of results within the limit: met is wrong, and the bound then too short."""
    limit = float(half_width(design.offset, CONFIDENCE)) * design.total
    y = design.readings(rng, studies) + design.offset * design.total
    squares, p = MeanSquares.of(y, [len(run) for run in design.layout]), len(design.layout)
    if squares.df_within:
        terms = Components.of(squares).total_terms
    else:
        spread = squares.means.var(axis=1, ddof=1)
        terms = (1.0,), (spread,), (spread,), (p - 1,)
    bound = reach_interval(squares.means.mean(axis=1), p, *terms, content=CONFIDENCE, level=JUDGED)[1]
    yield Simulated("rule inside: met at the limit", bound <= limit, ALPHA, more=True)


def uncertainty_of(rng: Rng, studies: int, design: RunDesign) -> Iterator[Simulated]:
    """The combined uncertainty with its bounds, and U of a further result."""
    s_I, p, counts = design.total, len(design.layout), [len(run) for run in design.layout]
    known, reference, beta = (s_I * part for part in (design.truth.known, design.truth.reference, design.offset))
    y = design.readings(rng, studies) + beta - reference * rng.standard_normal((studies, 1))
    budgets = Budgets.of(y, counts, (), replace(design.truth, known=known, reference=reference))
    of_mean = (design.ratio + (1 / np.asarray(counts)).mean()) / p
    u = (s_I**2 + (beta**2 if budgets.enlarged else 0.0) + of_mean + reference**2 + known**2) ** 0.5
    low, high = budgets.interval(JUDGED)
    yield Simulated("combined uncertainty", holds(budgets.interval(CONFIDENCE), u), more=True)
    yield Simulated("combined uncertainty at its limit: not met", low > u, ALPHA, more=True)
    yield Simulated("combined uncertainty at its limit: met", high <= u, ALPHA, more=True)
    if design.shape == NORMAL:
        centre = beta - (0.0 if budgets.enlarged else budgets.mean)
        spread = (s_I**2 + known**2) ** 0.5
        content = ndtr((budgets.expanded - centre) / spread) - ndtr((-budgets.expanded - centre) / spread)
        yield Simulated("expanded uncertainty, mean content", content, more=True)


# Laboratories ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LaboratoryDesign:
    """Readings of each run of each laboratory; s_r is 1."""

    layout: tuple[tuple[int, ...], ...]
    between: float
    run: float
    shape: Shape

    @property
    def words(self) -> str:
        runs = {len(laboratory) for laboratory in self.layout}
        each = {n for laboratory in self.layout for n in laboratory}
        inside = f"{span_words(runs)} {'run' if runs == {1} else 'runs'} of {span_words(each)}"
        truth = f"s_L² = {self.between:g} s_r²" + (f", s_run² = {self.run:g} s_r²" if self.run else "")
        return f"laboratories: {len(self.layout)} with {inside}; {truth}{shape_words(self.shape)}"

    @property
    def claimed(self) -> bool:
        return len(self.layout) >= ENOUGH and self.shape == NORMAL


def laboratories(rng: Rng) -> LaboratoryDesign:
    """3 to 12 laboratories, with single runs of 2 to 4 readings or 1 to 3 runs of 1 to 3."""
    p, with_runs = int(rng.integers(3, 13)), rng.random() < 0.6
    if with_runs:
        layout = tuple(drawn_counts(rng, n, 3) for n in drawn_counts(rng, p, 3))
        if max(map(len, layout)) == 1 or max(n for lab in layout for n in lab) == 1:
            layout = ((2, 2),) * p
    else:
        layout = tuple((1 + n,) for n in drawn_counts(rng, p, 3))
    run = drawn_ratio(rng) if with_runs else 0.0
    return LaboratoryDesign(layout, drawn_ratio(rng), run, drawn_shape(rng))


def reproducibility_of(rng: Rng, studies: int, design: LaboratoryDesign) -> Iterator[Simulated]:
    """General mean, s_r, s_run, s_L, s_R, with the upper bounds that are judged."""
    truth = NestedTruth((design.between**0.5, design.run**0.5, 1.0), shape=design.shape)
    readings = nested_readings(rng, studies, NestedDesign.of_laboratories(design.layout), truth)
    stages = NestedStages.of(readings, design.layout)
    residual, total = stages.mean_squares[2], (1 + design.between + design.run) ** 0.5
    assert residual is not None
    yield Simulated("general mean", holds(mean_interval(stages.mean, stages.mean_error, stages.df[0], CONFIDENCE), 0.0))
    of_mean = 1 / float(np.mean(stages.counts)) + design.run / float(np.mean(stages.runs_each))
    known: list[tuple[str, float, Callable[[float], Any], bool]] = [
        ("s_r of laboratories", 1.0, lambda level: sd_interval(np.sqrt(residual), stages.df[2], level), False),
        ("s_L", design.between**0.5, stages.s_L_interval, design.between < of_mean),
        ("s_R", total, stages.s_R_interval, design.between == 0),
    ]
    if stages.df[1]:
        hidden = design.run < 1 / float(np.mean(stages.run_counts))
        known.append(("s_run within laboratory", design.run**0.5, stages.s_run_interval, hidden))
    for name, value, interval, safe in known:
        yield Simulated(name, holds(interval(CONFIDENCE), value), more=safe, said=OF_CHAPTER)
        bound = interval(JUDGED)[1] >= value
        yield Simulated(f"{name}, upper bound", bound, more=safe or name == "s_R", said=OF_CHAPTER)


# Calibrations ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CalibrationDesign:
    """Every run reads every level; runs may have lines of their own. Steps in units of the scatter at zero."""

    line: LineDesign
    scatter: Scatter
    own: bool
    shape: Shape

    @property
    def words(self) -> str:
        low, second, *_, top = self.line.levels
        levels = f"{len(self.line.levels)} levels {low:g}, {second:g} to {top:g}"
        spread = f"s = {self.scatter.constant:g}" + (f" + {self.scatter.growth:g} x" if self.scatter.growth else "")
        own = ", runs with lines of their own" if self.own else ""
        each = span_words(set(np.ravel(self.line.each).tolist()))
        return f"{levels}, {self.line.runs} runs of {each}; {spread}{own}{shape_words(self.shape)}"

    @property
    def claimed(self) -> bool:
        return self.line.runs >= ENOUGH and self.shape == NORMAL

    def readings(self, rng: Rng, studies: int) -> CalibrationReadings:
        own = (0.02, 0.012) if self.own else (0.0, 0.0)
        shape = Shape(self.shape.tails, self.shape.grid * self.scatter.constant)
        y = line_readings(rng, studies, self.line, LineTruth(0.1, 1.0, self.scatter, *own, shape=shape))
        return CalibrationReadings(self.line.x, y, y, self.line.level, self.line.run, self.line.runs > 1, ())


def calibrations(rng: Rng) -> CalibrationDesign:
    """4 to 10 levels in 3 to 12 runs of 1 to 4 readings; of some each cell has its own number, and levels may lack."""
    line = LineDesign(drawn_levels(rng), int(rng.integers(3, 13)), int(rng.integers(1, 5)))
    if rng.random() < 0.4:
        cells = rng.integers(1, 5, (line.runs, len(line.levels)))
        kept = np.where(rng.random(cells.shape) < 0.15, 0, cells)
        # Each level in two runs or more, each run with three levels or more.
        enough = (kept > 0).sum(axis=0).min() >= 2 and (kept > 0).sum(axis=1).min() >= 3
        line = replace(line, each=tuple(map(tuple, (kept if enough else cells).tolist())))
    return CalibrationDesign(line, drawn_scatter(rng), rng.random() < 0.5, drawn_shape(rng))


ORDINARY = "the note of calibration.slope"


def calibration_of(rng: Rng, studies: int, design: CalibrationDesign) -> Iterator[Simulated]:
    """Departures, one-point errors, and the ordinary slope."""
    readings, x = design.readings(rng, studies), np.asarray(design.line.levels)
    routine = len(x) // 2
    of_single = (0.1 + x) * x[routine] / (0.1 + x[routine]) - x
    equal = isinstance(design.line.each, int)
    known = [("departure", departures_many(readings), np.zeros(len(x)))]
    known += [("one-point error", single_point_many(readings, routine), of_single)] if equal else []
    for name, (values, errors, runs), truth in known:
        low, high = mean_interval(values, errors, runs - 1, CONFIDENCE)
        for place, at in (("low level", 1), ("top level", len(x) - 1)):
            if at != routine or name == "departure":
                yield Simulated(f"{name} at the {place}", holds((low[:, at], high[:, at]), truth[at]), more=not equal)
    line = weighted_lines(readings.x, readings.small)
    ends = mean_interval(line.slope, line.slope_error, line.degrees_of_freedom, CONFIDENCE)
    plain = not (design.own or design.scatter.growth)
    yield Simulated("ordinary slope", holds(ends, 1.0), claimed=plain, said="" if plain else ORDINARY)


# Comparison --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SampleDesign:
    """Samples read by two methods; steps in units of the scatter at zero."""

    pairs: PairsDesign
    scatter: Scatter
    own: float
    shape: Shape

    @property
    def words(self) -> str:
        low, high = self.pairs.levels[0], self.pairs.levels[-1]
        spread = f"s = {self.scatter.constant:g}" + (f" + {self.scatter.growth:g} x" if self.scatter.growth else "")
        own = f", own part {100 * self.own:g} %" if self.own else ""
        counts = self.pairs.reference, self.pairs.candidate
        times = "" if counts == (1, 1) else f" read {counts[0]} and {counts[1]} times"
        return f"{len(self.pairs.levels)} samples from {low:g} to {high:g}{times}; {spread}{own}" + shape_words(
            self.shape
        )

    @property
    def claimed(self) -> bool:
        return len(self.pairs.levels) >= ENOUGH and self.shape == NORMAL


def samples(rng: Rng) -> SampleDesign:
    """8 to 60 samples, most of them low, over a range of 5 to 50 times the lowest."""
    n, span = int(rng.choice([8, 12, 20, 30, 40, 60])), float(rng.choice([5.0, 10.0, 20.0, 50.0]))
    own = 0.02 if rng.random() < 0.3 else 0.0
    return SampleDesign(PairsDesign.most_low(n, 10 / span, 10.0), drawn_scatter(rng), own, drawn_shape(rng))


def replicated_samples(rng: Rng) -> SampleDesign:
    """Both methods with 2 to 4 readings of every sample."""
    design = samples(rng)
    reference, candidate = (int(n) for n in rng.integers(2, 5, 2))
    return replace(design, pairs=replace(design.pairs, reference=reference, candidate=candidate))


COMPARED = "docs/comparison.md, what it does not show"


def comparison_of(rng: Rng, studies: int, design: SampleDesign) -> Iterator[Simulated]:
    """The three lines, the difference at 4, and the differences."""
    intercept, slope, at = 0.05, 1.02, 4.0
    shape = Shape(design.shape.tails, design.shape.grid * design.scatter.constant)
    truth = PairsTruth(intercept, slope, design.scatter, design.scatter, design.own, shape=shape)
    x, y = pair_readings(rng, studies, design.pairs, truth)
    n, levels = x.shape[1], np.asarray(design.pairs.levels)
    equal = not (design.scatter.growth or design.own)
    values, errors = deming_many(x, y, level=at)
    difference = intercept + (slope - 1) * at
    ends = mean_interval(values, errors, n - 2, CONFIDENCE)
    for i, (name, true) in enumerate((("slope", slope), ("intercept", intercept), ("difference at 4", difference))):
        held = holds((ends[0][i], ends[1][i]), true)
        yield Simulated(f"Deming, {name}", held, claimed=equal and n >= 20, said=COMPARED)
    weights = 1 / design.scatter.at(levels) ** 2
    york = YorkFits.of(x, y, weights, weights)
    for name, value, u, true in (
        ("slope", york.slope, york.u_slope, slope),
        ("intercept", york.intercept, york.u_intercept, intercept),
    ):
        held = holds(york.interval(value, u, CONFIDENCE), true)
        yield Simulated(f"York, {name}", held, claimed=not design.own, said=COMPARED)
    if not shape.grid:  # ties of coarse readings are for exact arithmetic, one study at a time
        few = slice(max(studies // 10, 20))  # the intercept is drawn again study by study
        _, at_zero, ranked, u = passing_bablok_many(x[few], y[few], level=CONFIDENCE)
        of_intercept = mean_interval(at_zero, u, n - 2, CONFIDENCE)
        for name, limits, true in (("slope", ranked, slope), ("intercept", of_intercept, intercept)):
            yield Simulated(f"Passing-Bablok, {name}", holds(limits, true), claimed=False, said=COMPARED)
    yield from _differences(x, y - x - (slope - 1) * levels, design, intercept, equal)


def weighted_of(rng: Rng, studies: int, design: SampleDesign) -> Iterator[Simulated]:
    """The weighted line, of methods with replicates."""
    intercept, slope, at = 0.05, 1.02, 4.0
    shape = Shape(design.shape.tails, design.shape.grid * design.scatter.constant)
    truth = PairsTruth(intercept, slope, design.scatter, design.scatter, design.own, shape=shape)
    of_x, of_y = (np.asarray(counts) for counts in design.pairs.counts())
    reference, candidate = pair_readings(rng, studies, design.pairs, truth)
    (x, squares_x), (y, squares_y) = group_sums(reference, of_x), group_sums(candidate, of_y)
    pairs = ReplicatedPairs(x, y, squares_x, squares_y, of_x.astype(float), of_y.astype(float))
    lines = WeightedLines.of(pairs, pairs.spreads())
    for name, *of, true in (
        ("slope", 0.0, 1.0, slope),
        ("intercept", 1.0, 0.0, intercept),
        ("difference at 4", 1.0, at, intercept + slope * at),
    ):
        held = holds(mean_interval(*lines.combined(*of), CONFIDENCE), true)
        yield Simulated(f"weighted line, {name}", held, more=True, said=COMPARED)


def _differences(x: Array, d: Array, design: SampleDesign, truth: float, equal: bool) -> Iterator[Simulated]:
    """Of a constant difference."""
    n, levels = d.shape[1], np.asarray(design.pairs.levels)
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    sd = float((2 * design.scatter.at(levels) ** 2 + (design.own * levels) ** 2).mean()) ** 0.5
    held = holds(mean_interval(mean, s / n**0.5, n - 1, CONFIDENCE), truth)
    yield Simulated("mean difference", held, more=not equal)
    spread = holds(sd_interval(s, n - 1, CONFIDENCE), sd)
    yield Simulated("standard deviation of differences", spread, claimed=equal, said=COMPARED)
    z = t_quantile(0.975, None)
    near, far = LimitDistance(1.0, z, n).interval(CONFIDENCE)
    limit = holds((mean + near * s, mean + far * s), truth + z * sd)
    yield Simulated("limit of agreement", limit, claimed=equal, said=COMPARED)
    at = 4.0
    middle, error, spread_at, df = AgreementLines.of(x + d / 2, d).at(at + truth / 2)
    here = float(2 * design.scatter.at(at) ** 2 + (design.own * at) ** 2) ** 0.5
    ends = limit_interval(middle, error, spread_at, np.maximum(df, 1.0), z=z, level=CONFIDENCE)
    yield Simulated("limit of agreement at 4, following the level", holds(ends, truth + z * here)[df >= 1], more=True)


# Detection ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BlankDesign:
    """Blanks in runs, normal; all their scatter is 1, and grows with the level."""

    counts: tuple[int, ...]
    ratio: float
    growth: float

    @property
    def words(self) -> str:
        return f"blanks: runs {counts_words(self.counts)}; s_run² = {self.ratio:g} s_r², s = 1 + {self.growth:g} x"

    @property
    def claimed(self) -> bool:
        return len(self.counts) >= ENOUGH


def blanks(rng: Rng) -> BlankDesign:
    """3 to 20 runs of 1 to 4 blanks."""
    counts = drawn_counts(rng, int(rng.integers(3, 21)), 4)
    return BlankDesign(counts, drawn_ratio(rng), float(rng.choice([0.0, 0.05, 0.2])))


RUNS_LOST = "the note of IUPAC 1997"


def blanks_of(rng: Rng, studies: int, design: BlankDesign) -> Iterator[Simulated]:
    """alpha and beta of the definitions that rest on blanks, averaged over the estimated limits."""
    sds = tuple((share / (1 + design.ratio)) ** 0.5 for share in (design.ratio, 1.0))
    y = nested_readings(rng, studies, NestedDesign.of_groups(design.counts), NestedTruth(sds))
    squares, n = MeanSquares.of(y, design.counts), y.shape[1]
    limits = {"IUPAC 1997": (y.mean(axis=1), iupac_multiplier(n, ALPHA) * y.std(axis=1, ddof=1))}
    alone = max(design.counts) == 1
    if not alone:
        dfs = (squares.df_between, squares.df_within)
        s, k, _ = iupac_runs_multiplier(squares.unweighted, squares.within, dfs, squares.harmonic_n, ALPHA)
        limits["IUPAC 1997, runs kept"] = squares.means.mean(axis=1), k * s
    for name, (mean, distance) in limits.items():
        lost = name == "IUPAC 1997" and not alone and design.ratio > 0
        spread = 1 + design.growth * 2 * distance
        alpha = ndtr(-(mean + distance))
        yield Simulated(f"{name}: alpha", alpha, ALPHA, claimed=not lost, said=RUNS_LOST if lost else "")
        beta = ndtr((mean - distance) / spread)
        flat = design.growth == 0
        yield Simulated(f"{name}: beta", beta, ALPHA, claimed=not lost and flat, said=RUNS_LOST if lost else "")


class LowRangeDesign(CalibrationDesign):
    """No run has a line of its own: the reading is the unit."""

    @property
    def claimed(self) -> bool:
        return self.line.runs * self.line.each >= ENOUGH and self.shape == NORMAL


def low_ranges(rng: Rng) -> LowRangeDesign:
    """Four or five low levels with the blank, 1 to 10 runs of 1 to 4, at least three readings a level."""
    levels = ((0.0, 0.5, 1.0, 2.0), (0.0, 0.2, 0.5, 1.0, 2.0), (0.0, 1.0, 2.0, 3.0, 4.0))[rng.integers(3)]
    each = int(rng.integers(1, 5))
    line = LineDesign(levels, int(rng.integers(-(-3 // each), 11)), each)
    return LowRangeDesign(line, drawn_scatter(rng), False, NORMAL)


def low_range_of(rng: Rng, studies: int, design: LowRangeDesign) -> Iterator[Simulated]:
    """alpha and beta of the line whose scatter grows, of a further reading."""
    readings, scatter = design.readings(rng, studies), design.scatter
    runs = design.line.run if design.line.runs > 1 else None
    said = "docs/detection.md, what it does not show"
    for name, limits in (
        ("s linear", LinearSdLimits.of(readings.x, readings.small, readings.level, alpha=ALPHA)),
        ("errors counted", CountedLimits.of(readings.x, readings.small, readings.level, runs, alpha=ALPHA)),
    ):
        at, boundary = limits.detection, limits.line.intercept + limits.line.slope * limits.critical - 0.1
        exists = np.isfinite(at)
        yield Simulated(f"ISO 11843-2, {name}: alpha", ndtr(-boundary / scatter.constant), ALPHA, said=said)
        beta = ndtr((boundary - at)[exists] / scatter.at(at[exists]))
        yield Simulated(f"ISO 11843-2, {name}: beta", beta, ALPHA, said=said)


# Two means and slope ratios ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TwoGroups:
    """Readings of two lots of a standard, `each` of either; scatter as a share of the mean."""

    each: int
    ratio: float
    scatter: float
    other: float
    shape: Shape

    @property
    def words(self) -> str:
        spread = f"scatter {100 * self.scatter:g} and {100 * self.other:g} %"
        return f"2 lots x {self.each}; ratio {self.ratio:g}, {spread}{shape_words(self.shape)}"

    @property
    def claimed(self) -> bool:
        return self.each >= ENOUGH and self.shape == NORMAL


def lots(rng: Rng) -> TwoGroups:
    """3 to 30 readings of either lot, up to three times as scattered in one as in the other."""
    scatter = float(rng.choice([0.005, 0.02, 0.05]))
    other = float(f"{scatter * rng.choice([1.0, 1.5, 3.0]):.2g}")
    ratio = float(rng.choice([0.9, 0.98, 1.0, 1.1]))
    return TwoGroups(int(rng.integers(3, 31)), ratio, scatter, other, drawn_shape(rng))


def lots_of(rng: Rng, studies: int, design: TwoGroups) -> Iterator[Simulated]:
    """Ratio and difference of two means, of independent readings and run by run."""
    means = (5.0 * design.ratio, 5.0)
    sds = (design.scatter * means[0], design.other * means[1])
    truth = GroupTruth(means, sds, Shape(design.shape.tails, design.shape.grid * sds[1]))
    ratio, difference = design.ratio, means[0] - means[1]
    hits: dict[str, list[bool]] = {}
    for first, second in group_readings(rng, studies, design.each, truth).tolist():
        for name, estimate, true in (
            ("ratio of two lots (Welch)", welch_ratio(first, second), ratio),
            ("ratio of two lots, paired", paired_ratio(first, second), ratio),
            ("difference of two means (Welch)", welch_difference(first, second), difference),
            ("difference of two means, paired", paired_difference(first, second), difference),
        ):
            ends = estimate.interval(CONFIDENCE)
            hits.setdefault(name, []).append(ends is not None and ends[0] <= true <= ends[1])
    for name, held in hits.items():
        yield Simulated(name, np.array(held))


@dataclass(frozen=True)
class GradeDesign:
    """Two grades at some levels in runs, each run with its own gain."""

    levels: tuple[float, ...]
    runs: int
    each: int
    gain: float
    scatter: Scatter

    @property
    def words(self) -> str:
        levels = ", ".join(f"{level:g}" for level in self.levels)
        spread = f"s = {self.scatter.constant:g} + {self.scatter.growth:g} x, gain {100 * self.gain:g} %"
        return f"2 grades at {levels}, {self.runs} runs of {self.each}; {spread}"

    @property
    def claimed(self) -> bool:
        return self.runs >= ENOUGH


def grades(rng: Rng) -> GradeDesign:
    """2 or 3 levels with the blank in 3 to 10 runs."""
    levels = ((0.0, 5.0), (0.0, 2.0, 5.0), (0.0, 1.0, 10.0))[rng.integers(3)]
    gain = float(rng.choice([0.0, 0.02, 0.05]))
    return GradeDesign(levels, int(rng.integers(3, 11)), int(rng.integers(1, 4)), gain, drawn_scatter(rng))


def grades_of(rng: Rng, studies: int, design: GradeDesign) -> Iterator[Simulated]:
    """The ratio of slopes over the runs."""
    levels = np.tile(np.repeat(design.levels, design.each), 2 * design.runs)
    block = len(design.levels) * design.each
    names = np.tile(np.repeat(["N", "K"], block), design.runs)
    runs = np.repeat([f"M{i}" for i in range(design.runs)], 2 * block).tolist()
    true, held = 0.9, []
    for _ in range(studies):
        gain = np.repeat(1 + design.gain * rng.standard_normal(design.runs), 2 * block)
        spread = design.scatter.at(levels) * rng.standard_normal(len(levels))
        y = (gain * np.where(names == "K", true, 1.0) * levels + 0.03 + spread).tolist()
        weights, _ = level_weights(levels, y, names.tolist())
        found = slope_ratios_by_run(levels, y, names.tolist(), runs, reference="N", weights=weights)
        ratio = found.line("K").ratio
        ends = None if ratio is None else ratio.interval(CONFIDENCE)
        held.append(ends is not None and ends[0] <= true <= ends[1])
    yield Simulated("slope ratio by runs", np.array(held))


ENTRIES = (
    Entry("precision, single readings", 100, single_readings, precision_of),
    Entry("precision, repeated readings", 40, repeated_readings, precision_of),
    Entry("robust view", 40, single_readings, robust_of),
    Entry("trueness and accuracy", 80, single_readings, trueness_of),
    Entry("content", 60, biased_readings, content_of),
    Entry("reproducibility", 60, laboratories, reproducibility_of),
    Entry("calibration", 60, calibrations, calibration_of),
    Entry("comparison", 40, samples, comparison_of),
    Entry("comparison, replicates", 40, replicated_samples, weighted_of),
    Entry("blanks", 40, blanks, blanks_of),
    Entry("low range", 30, low_ranges, low_range_of),
    Entry("two lots", 24, lots, lots_of, slow=5),
    Entry("slope ratios", 10, grades, grades_of, slow=10),
    Entry("uncertainty", 60, budgeted_readings, uncertainty_of),
)
