"""Does every interval cover? Studies of stated truth, simulated on the user's machine: seconds, not minutes.

Each function of rows serves one kind of design. `extract` simulates a few groups of them with fewer studies than the
table of docs/coverage.md, which `python tests/coverage_table.py` makes from the same functions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import nctdtr, ndtr, stdtr

from validation.selftest.checks import CoverageRow
from validation.selftest.rates import Array, Ends, Group, Place, holds
from validation.simulation.lines import LineDesign, LineTruth, Scatter, line_readings
from validation.simulation.nested import NestedDesign, NestedTruth, nested_readings
from validation.simulation.pairs import PairsDesign, PairsTruth, pair_readings
from validation.simulation.shape import NORMAL, Shape
from validation.simulation.trials import TripleTruth, triple_readings
from validation.stats.accuracy import tolerance_limits_many
from validation.stats.agreement import AgreementLines, LimitDistance, limit_interval, single_differences
from validation.stats.calibration import departures_many, single_point_many
from validation.stats.calibration_readings import CalibrationReadings
from validation.stats.carry_over import carry_over_effect, carry_over_share
from validation.stats.confidence import NormalPercentile
from validation.stats.content import half_width, reach_interval
from validation.stats.deming import deming_many
from validation.stats.detection import LinearSdLimits, blank_sd, iupac_multiplier, iupac_runs_multiplier, noncentrality
from validation.stats.estimate import Estimate
from validation.stats.intervals import joined_interval, mean_interval, satterthwaite, sd_interval, t_quantile
from validation.stats.lines import weighted_lines
from validation.stats.low_range import CountedLimits
from validation.stats.mean_squares import Components, MeanSquares, group_sums
from validation.stats.nested_stages import NestedStages
from validation.stats.outliers import (
    against_pooled,
    cochran_critical,
    grubbs_double_critical,
    grubbs_single_critical,
    in_standard_deviations,
    largest_share,
    mandel_h_critical,
    mandel_k_critical,
    without_a_pair,
)
from validation.stats.over_slope import not_told_apart, over_slope_factors
from validation.stats.passing_bablok import passing_bablok_many
from validation.stats.stability import expiry, stability_line
from validation.stats.standards import SharedValues, shared_values, standard_of_runs
from validation.stats.straightness import weighted_tests_many
from validation.stats.trueness import bias_line
from validation.stats.uncertainty import Spread, Treatment, uncertainty_interval
from validation.stats.weighted_comparison import ReplicatedPairs, WeightedLines
from validation.stats.york import YorkFits

SEED = 20_260_701

ALPHA = 0.05
CONFIDENCE = 0.95
JUDGED = 0.90  # two-sided 1 - 2 alpha
#: Bootstrap draws a study: the share of p at or below 0.05 is 5 % where a test is exact, as with a dossier's 1999.
DRAWS = 59

#: Between-run variance over repeatability variance: none, small, alike, large.
RATIOS = (0.0, 0.25, 1.0, 10.0)
#: The scatter of one reading of a further run, where more than one level enters, in result units.
SCATTER = Scatter(0.03, 0.018)
CONSTANT_SCATTER = Scatter(0.03)
LEVELS = (0.5, 1.0, 2.0, 4.0, 5.0, 7.5, 10.0)
LOW = (0.0, 0.5, 1.0, 2.0)
FULL = (0.0, *LEVELS)

NOT_MET_NEAR_THE_TARGET = "Graybill and Wang's lower bound of s_I errs in up to 7 %, and the share with it."
EXPECTATION_ONLY = "Limits that hold the share on average: inside the limit, they show no content."
TAILS = (
    "The intervals take the scatter as normal. With the tails of Student's t they cover less; with a rounding as "
    "coarse as the scatter they follow the rounded readings. The chapter gives the rates of the study's own design."
)
ZERO_COVERS_MORE = "A component whose truth is zero cannot be missed from above: the interval covers more."


def extract(seed: int = SEED) -> list[CoverageRow]:
    """Rows of a few groups. Each says whether it lies in its band.

    The band is nominal +- 1.5 points and three Monte Carlo errors; about the documented rate where a definition is
    known to miss its nominal one.

    Parameters
    ----------
    seed : the same seed and versions give the same rows
    """
    return [row for group in groups() for row in group.simulate(seed)]


def groups() -> list[Group]:
    """The groups of the extract, in order."""
    single, calibrated, repeated = LineDesign(FULL, 1, 5), LineDesign(FULL, 3, 3), LineDesign(FULL, 8, 3)
    blanks = (2,) * 5
    return [
        *(run_group((3,) * 8, ratio, 4000) for ratio in (0.0, 0.25, 1.0)),
        run_group((3,) * 12, 10.0, 4000),
        *(content_group((3,) * 8, ratio, offset, 4000) for ratio in (0.0, 1.0) for offset in (0.0, 1.0)),
        Group("bias line", 400, bias_line_rows),
        laboratory_group("8 laboratories, 3 readings", ((3,),) * 8, 1.0, 4000),
        laboratory_group("12 laboratories, 3 runs of 2", ((2, 2, 2),) * 12, 1.0, 4000),
        departure_group(repeated, True, 2000),
        Group("coefficients: equal scatter", 2000, partial(coefficient_rows, single, False, CONSTANT_SCATTER)),
        weighted_group(calibrated, True, 250),
        *(blank_group(blanks, ratio, 4000) for ratio in (0.0, 0.25)),
        low_range_group(5, 2, 0.0, 4000),
        counted_group(4, 1, 0.0, False, SCATTER, 4000),
        pairs_group(40, EQUAL, 2000),
        replicated_group(Replicated(20, "2 readings by both methods", 2, 2), OWN, 1000),
        differences_group(40, EQUAL, 2000),
        outlier_group("8 groups of 3", (3,) * 8, 0.0, 4000),
        Group("triples", 400, triple_rows),
        Group("storage", 400, storage_rows),
        budget_group((3,) * 8, BudgetTruth(), 1000),
    ]


# Runs --------------------------------------------------------------------------------------------------------------


def ratio_text(ratio: float, name: str = "s_run") -> str:
    """The truth of a simulated component in words."""
    return f"{name} = 0" if ratio == 0 else f"{name}^2 = {ratio:g} s_r^2"


def shape_text(shape: Shape) -> str:
    """The shape of the scatter in words, to end a truth; empty for normal readings with all their digits."""
    tails = "" if shape.tails is None else f"{TAILED}{shape.tails:g} df"
    return tails + (f"{ROUNDED}{shape.grid:g} s_r" if shape.grid else "")


#: How the words of a truth go on where the scatter is not normal, or written to a step.
TAILED, ROUNDED = ", scatter of t on ", ", rounded to "


def run_errors(
    rng: np.random.Generator,
    studies: int,
    counts: Sequence[int],
    ratio: float,
    sd: float = 1.0,
    *,
    shape: Shape = NORMAL,
) -> Array:
    """Errors of readings in runs: bias 0, s_r = sd, s_run^2 = ratio sd^2."""
    truth = NestedTruth((ratio**0.5 * sd, sd), shape=shape)
    return nested_readings(rng, studies, NestedDesign.of_groups(counts), truth)


def run_group(counts: Sequence[int], ratio: float, studies: int, *, shape: Shape = NORMAL) -> Group:
    """Precision, bias and tolerance limits of one design and one truth."""
    design = design_of_runs(counts)
    rows = partial(_run_rows, counts, design, ratio, shape)
    return Group(f"runs: {design}, {ratio:g}{shape_text(shape)}", studies, rows)


def design_of_runs(counts: Sequence[int]) -> str:
    """ "8 runs of 3"."""
    return f"{len(counts)} runs of {', '.join(map(str, counts if len(set(counts)) > 1 else counts[:1]))}"


def _run_rows(
    counts: Sequence[int], design: str, ratio: float, shape: Shape, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    squares = MeanSquares.of(run_errors(rng, studies, counts, ratio, shape=shape), counts)
    found, total, zero = Components.of(squares), (1 + ratio) ** 0.5, ratio == 0
    usual = TAILS if shape != NORMAL else ""
    note, truth, p = ZERO_COVERS_MORE if zero else usual, ratio_text(ratio) + shape_text(shape), len(counts)
    low, high = tolerance_limits_many(found)
    run_means = squares.means
    of_bias = run_means.mean(axis=1), run_means.std(axis=1, ddof=1) / p**0.5, p - 1
    precision, trueness = Place("precision", design, truth), Place("trueness", design, truth)
    s_r, s_r_judged = (sd_interval(np.sqrt(found.within), squares.df_within, c) for c in (CONFIDENCE, JUDGED))
    s_run, s_I = found.s_between_interval(CONFIDENCE), found.s_total_interval(CONFIDENCE)
    upper = found.s_total_interval(JUDGED)[1]
    # The true bias lies at the limit; the lower limit is far off, as it is where precision suffices.
    met = mean_interval(*of_bias, JUDGED)[1] <= 0.0
    content = ndtr(high / total) - ndtr(low / total)
    return [
        precision.row("s_r", 0.95, holds(s_r, 1.0), note=usual),
        precision.row("s_r, one-sided upper bound", 0.95, s_r_judged[1] >= 1.0, note=usual),
        precision.row("s_run", 0.95, holds(s_run, ratio**0.5), more=zero, note=note),
        precision.row("s_I", 0.95, holds(s_I, total), more=zero, note=note),
        precision.row("s_I, one-sided upper bound", 0.95, upper >= total, more=True, note=usual),
        trueness.row("bias", 0.95, holds(mean_interval(*of_bias, CONFIDENCE), 0.0)),
        trueness.row("bias at the upper limit: met by equivalence", 0.05, met),
        Place("accuracy", design, truth).row("mean content of the tolerance limits", 0.95, content),
    ]


def content_group(
    counts: Sequence[int], ratio: float, offset: float, studies: int, *, expectation: bool = False
) -> Group:
    """Procedures of which exactly 95 % of single results lie within the limit; `offset`: bias over s_I.

    `expectation`: how often the expectation limits lie inside as well, by which no requirement is judged.
    """
    design = f"{len(counts)} runs of {', '.join(map(str, counts if len(set(counts)) > 1 else counts[:1]))}"
    name = f"content: {design}, {ratio:g}, {offset:g}"
    return Group(name, studies, partial(_content_rows, counts, design, ratio, offset, expectation))


def _content_rows(
    counts: Sequence[int],
    design: str,
    ratio: float,
    offset: float,
    expectation: bool,
    rng: np.random.Generator,
    studies: int,
) -> list[CoverageRow]:
    sd = (1 + ratio) ** 0.5
    limit = float(half_width(offset, CONFIDENCE)) * sd
    squares = MeanSquares.of(run_errors(rng, studies, counts, ratio) + offset * sd, counts)
    replicates = squares.df_within > 0
    terms = Components.of(squares).total_terms if replicates else _of_singles(squares)
    ends = reach_interval(squares.means.mean(axis=1), len(counts), *terms, content=CONFIDENCE, level=JUDGED)
    place = Place("accuracy", design, f"{ratio_text(ratio)}, bias {offset:g} s_I, 95 % within the limit")
    rows = [
        place.row("rule inside: met", ALPHA, ends[1] <= limit, more=True),
        place.row(
            "rule inside: not met",
            ALPHA,
            ends[0] > limit,
            known=0.075 if offset == 0 else None,
            more=True,
            note=NOT_MET_NEAR_THE_TARGET,
        ),
    ]
    if expectation and replicates:
        low, high = tolerance_limits_many(Components.of(squares))
        met = (-limit <= low) & (high <= limit)
        rows.append(place.row("expectation limits inside (not judged)", ALPHA, met, note=EXPECTATION_ONLY))
    return rows


def _of_singles(squares: MeanSquares) -> tuple[tuple[float], tuple[Array], tuple[Array], tuple[int]]:
    """The terms of `reach_interval` where every run is one reading."""
    spread = squares.means.var(axis=1, ddof=1)
    return (1.0,), (spread,), (spread,), (squares.df_between,)


def bias_line_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Constant and proportional bias over levels; the runs have lines of their own."""
    x, runs = np.asarray(LEVELS), 8
    truth = LineTruth(0.0, 0.0, SCATTER.scaled(3**-0.5), own_intercept=0.02, own_slope=0.012)  # means of 3 readings
    errors = line_readings(rng, studies, LineDesign(LEVELS, runs, 1), truth).reshape(studies, runs, len(x))
    hits = []
    for study in errors:
        found = bias_line([x] * runs, list(study), [1 / SCATTER.at(x) ** 2] * runs)
        hits.append([inside(found.constant, 0.0), inside(found.proportional, 0.0), bool(found.zero_inside)])
    place = Place("trueness", "7 levels, 8 runs of 3", "s = 0.03 + 0.018 x, runs with lines of their own")
    return looped(place, ("constant bias", "proportional bias", "joint region of both"), hits)


def inside(estimate: Estimate | None, truth: float) -> bool:
    """Whether the interval at 95 % holds the truth; without one it does not."""
    ends = None if estimate is None else estimate.interval(CONFIDENCE)
    return ends is not None and ends[0] <= truth <= ends[1]


def looped(
    place: Place, names: Sequence[str], hits: Sequence[Sequence[bool]], *, more: bool = False, note: str = ""
) -> list[CoverageRow]:
    """The rows of a plain loop over a public function: one sequence of hits a study."""
    table = np.array(hits)
    return [place.row(name, 0.95, table[:, i], more=more, note=note) for i, name in enumerate(names)]


# Laboratories ------------------------------------------------------------------------------------------------------


def laboratory_group(
    design: str, layout: Sequence[Sequence[int]], between: float, studies: int, *, shape: Shape = NORMAL
) -> Group:
    """Precision between laboratories, whose runs differ half as much as their readings, in variance."""
    rows = partial(_laboratory_rows, layout, design, between, shape)
    return Group(f"laboratories: {design}, {between:g}{shape_text(shape)}", studies, rows)


def _laboratory_rows(
    layout: Sequence[Sequence[int]],
    design: str,
    between: float,
    shape: Shape,
    rng: np.random.Generator,
    studies: int,
) -> list[CoverageRow]:
    with_runs = any(len(counts) > 1 for counts in layout)
    runs = 0.5 if with_runs else 0.0
    truth = NestedTruth((between**0.5, runs**0.5, 1.0), shape=shape)
    stages = NestedStages.of(nested_readings(rng, studies, NestedDesign.of_laboratories(layout), truth), layout)
    words = ratio_text(between, "s_L") + (", s_run^2 = 0.5 s_r^2" if with_runs else "")
    place = Place("reproducibility", design, words + shape_text(shape))
    zero, total, usual = between == 0, (1 + between + runs) ** 0.5, TAILS if shape != NORMAL else ""
    note, residual = ZERO_COVERS_MORE if zero else usual, stages.mean_squares[2]
    assert residual is not None
    mean = mean_interval(stages.mean, stages.mean_error, stages.df[0], CONFIDENCE)
    s_r = sd_interval(np.sqrt(residual), stages.df[2], CONFIDENCE)
    s_L, s_R = stages.s_L_interval(CONFIDENCE), stages.s_R_interval(CONFIDENCE)
    upper = stages.s_R_interval(JUDGED)[1]
    rows = [place.row("general mean", 0.95, holds(mean, 0.0)), place.row("s_r", 0.95, holds(s_r, 1.0), note=usual)]
    if with_runs:
        s_run = stages.s_run_interval(CONFIDENCE)
        rows.append(place.row("s_run within laboratory", 0.95, holds(s_run, runs**0.5), note=usual))
    return [
        *rows,
        place.row("s_L", 0.95, holds(s_L, between**0.5), more=zero, note=note),
        place.row("s_R", 0.95, holds(s_R, total), more=zero, note=note),
        place.row("s_R, one-sided upper bound", 0.95, upper >= total, more=True, note=usual),
    ]


# Calibration -------------------------------------------------------------------------------------------------------

ROUTINE = 5  # position of the routine level, 5, among the levels
AT = (2, 7)  # positions of the levels reported: 1 and 10
INTERCEPT = 0.1

FEW_RUNS_SINGLE = "With single readings in few runs s(x) rests on few degrees of freedom: a little too many alarms."
UNEQUAL_RUNS = "Student's t over runs of unequal scatter is on the side of caution."
COEFFICIENTS = (
    "Slope, intercept and residual standard deviation of the ordinary line describe it; where the scatter grows or "
    "runs have lines of their own their intervals are not to be relied on; `departure` and `single_point_bias` are."
)


def design_text(design: LineDesign) -> str:
    """A design in words."""
    runs = "1 run" if design.runs == 1 else f"{design.runs} runs"
    each = "single readings" if design.each == 1 else f"{design.each} readings"
    return f"{len(design.levels)} levels, {runs}, {each} each"


def straight_readings(
    rng: np.random.Generator, studies: int, design: LineDesign, run_effects: bool, scatter: Scatter = SCATTER
) -> CalibrationReadings:
    """Responses 0.1 + x, runs with lines of their own if asked."""
    own = (0.02, 0.012) if run_effects else (0.0, 0.0)
    y = line_readings(rng, studies, design, LineTruth(INTERCEPT, 1.0, scatter, *own))
    return CalibrationReadings(design.x, y, y, design.level, design.run, design.runs > 1, ())


def straight_place(design: LineDesign, run_effects: bool, scatter: Scatter = SCATTER) -> Place:
    """Where the rows of such a calibration belong."""
    spread = "s = 0.03 + 0.018 x" if scatter.growth else "s = 0.03"
    runs = "runs with lines of their own" if run_effects else "no run effects"
    return Place("calibration", design_text(design), f"straight, {spread}, {runs}")


def departure_group(design: LineDesign, run_effects: bool, studies: int) -> Group:
    """Departures and one-point errors of a calibration with two runs or more."""
    name = f"departures: {design_text(design)}, {run_effects}"
    return Group(name, studies, partial(_departure_rows, design, run_effects))


def _departure_rows(design: LineDesign, run_effects: bool, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    readings, place = straight_readings(rng, studies, design, run_effects), straight_place(design, run_effects)
    x = np.asarray(design.levels)
    of_single = (INTERCEPT + x) * x[ROUTINE] / (INTERCEPT + x[ROUTINE]) - x
    rows = []
    for name, (values, errors, runs), truth in (
        ("departure", departures_many(readings), np.zeros(len(x))),
        ("single_point_bias", single_point_many(readings, ROUTINE), of_single),
    ):
        low, high = mean_interval(values, errors, runs - 1, CONFIDENCE)
        rows += [place.row(f"{name} at {x[at]:g}", 0.95, holds((low[:, at], high[:, at]), truth[at])) for at in AT]
    return rows


def unequal_group(words: str, design: LineDesign, studies: int) -> Group:
    """Departures of runs that hold unequal numbers of readings, or lack levels; slopes of runs 5 % apart."""
    return Group(f"departures: {words}", studies, partial(_unequal_rows, words, design))


def unequal_readings(rng: np.random.Generator, studies: int, design: LineDesign) -> CalibrationReadings:
    """Responses 0.1 + x of runs whose slopes have a standard deviation of 5 %."""
    y = line_readings(rng, studies, design, LineTruth(INTERCEPT, 1.0, SCATTER, own_intercept=0.02, own_slope=0.05))
    return CalibrationReadings(design.x, y, y, design.level, design.run, True, ())


def unequal_place(words: str, design: LineDesign) -> Place:
    """Where the rows of such a calibration belong."""
    return Place("calibration", f"{len(design.levels)} levels, {words}", "straight, slopes of runs 5 % apart")


def _unequal_rows(words: str, design: LineDesign, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    readings, place = unequal_readings(rng, studies, design), unequal_place(words, design)
    values, errors, runs = departures_many(readings)
    hits = holds(mean_interval(values, errors, runs - 1, CONFIDENCE), 0.0)
    of_rows = {"departure, mean over levels": hits.mean(axis=1)}
    of_rows |= {f"departure at {design.levels[at]:g}": hits[:, at] for at in AT}
    unequal = not isinstance(design.each, int)
    note = UNEQUAL_RUNS if unequal else ""
    return [place.row(name, 0.95, shares, more=unequal, note=note) for name, shares in of_rows.items()]


def unequal_tests_rows(words: str, design: LineDesign, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """False alarms of the tests of straightness that are judged, cells unequal."""
    return _alarms(unequal_readings(rng, studies, design), unequal_place(words, design), rng, studies, "")


def coefficient_rows(
    design: LineDesign, run_effects: bool, scatter: Scatter, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    """The ordinary line."""
    readings = straight_readings(rng, studies, design, run_effects, scatter)
    place, line = straight_place(design, run_effects, scatter), weighted_lines(readings.x, readings.small)
    df, spread = line.degrees_of_freedom, float((scatter.at(np.asarray(design.levels)) ** 2).mean()) ** 0.5
    known = {
        "slope": (mean_interval(line.slope, line.slope_error, df, CONFIDENCE), 1.0),
        "intercept": (mean_interval(line.intercept, np.sqrt(line.variance_at_zero), df, CONFIDENCE), INTERCEPT),
    }
    if not run_effects:
        known["residual_sd"] = sd_interval(line.residual_sd, df, CONFIDENCE), spread
    note = COEFFICIENTS if scatter.growth or run_effects else ""
    return [place.row(f"ordinary {name}", 0.95, holds(*pair), note=note) for name, pair in known.items()]


def weighted_group(design: LineDesign, run_effects: bool, studies: int) -> Group:
    """False alarms of the tests of straightness that are judged."""
    name = f"weighted tests: {design_text(design)}" + (f", {run_effects}" if design.runs > 1 else "")
    return Group(name, studies, partial(_weighted_rows, design, run_effects))


def _weighted_rows(design: LineDesign, run_effects: bool, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    readings, place = straight_readings(rng, studies, design, run_effects), straight_place(design, run_effects)
    return _alarms(readings, place, rng, studies, FEW_RUNS_SINGLE if design.each == 1 else "")


def _alarms(
    readings: CalibrationReadings, place: Place, rng: np.random.Generator, studies: int, note: str
) -> list[CoverageRow]:
    first = int(rng.integers(2**40))
    _, p = weighted_tests_many(readings, draws=DRAWS, seeds=range(first, first + studies))
    return [
        place.row(f"{name}: false alarms", ALPHA, p[:, i] <= ALPHA, note=note)
        for i, name in enumerate(("weighted lack of fit", "weighted curvature"))
    ]


# Detection ---------------------------------------------------------------------------------------------------------

LOW_RANGE = "ISO 11843-2, low range, s linear"
SLOPE = 40.0  # response per unit of level; nothing depends on it
#: What the interval of x_C attains where the scatter is linear in the level: documented, and expected.
FITTED_COVERS = 0.92

AVERAGED = (
    "alpha is the chance that a blank of a further run lies above the critical value, beta that a sample as far above "
    "the blanks as the detection limit says lies below it; both averaged over the estimated limits."
)
RUNS_LOST = (
    "The formula takes the blanks as independent: where runs differ much and hold several blanks each, alpha and beta "
    "rise; `IUPAC 1997, runs kept` stays."
)
NO_RATE = "No rate is claimed by this definition; attained with its limit as the critical value too."
HALF = "A sample at the limit itself is missed every second time, whatever the limit."
SAFE_SIDE = "The interval of the runs-kept limits errs on the safe side: it covers more where runs differ little."
TOO_FEW = "1.645 and 3.29 belong to a standard deviation known from very many blanks."
TOO_WIDE = (
    "The ordinary definitions take the scatter as equal at all levels: over a whole range, where it grows, their "
    "limits are far too high (a blank is hardly ever taken for a detection)."
)
FITTED = "The interval counts what is behind the fitted s at level zero; a little too narrow with four levels."
FEW_DF = (
    "The line counts all its readings as independent; with a component between runs a blank of a further run scatters "
    "more about it than the formula knows."
)


def blank_group(counts: Sequence[int], ratio: float, studies: int) -> Group:
    """The definitions that rest on blanks."""
    design = f"{sum(counts)} blanks in {len(counts)} runs"
    return Group(f"blanks: {design}, {ratio:g}", studies, partial(_blank_rows, counts, design, ratio))


@dataclass(frozen=True, slots=True, eq=False)
class _Errors:
    """False and missed detections of further blanks about 0 and of samples at the detection limit."""

    design: str
    ratio: float
    mean: Array

    def rows(
        self,
        name: str,
        critical: Array,
        detection: Array,
        scatter: Scatter,
        note: str,
        *,
        nominal: tuple[float, float] = (ALPHA, ALPHA),
        known: tuple[float | None, float | None] = (None, None),
    ) -> list[CoverageRow]:
        """alpha and beta; `critical` and `detection` are distances from the mean of the blanks."""
        spread = "s = 0.03 + 0.018 x" if scatter.growth else "s = 0.03 at every level"
        place = Place("detection", self.design, f"{ratio_text(self.ratio)}, {spread}")
        alpha = ndtr(-(self.mean + critical) / scatter.at(0.0))
        beta = ndtr((self.mean + critical - detection) / scatter.at(detection))
        return [
            place.row(f"{name}: {what}", level, share, known=rate, note=note)
            for what, level, share, rate in zip(("alpha", "beta"), nominal, (alpha, beta), known, strict=True)
        ]


def _blank_rows(
    counts: Sequence[int], design: str, ratio: float, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    y = run_errors(rng, studies, counts, ratio, SCATTER.constant / (1 + ratio) ** 0.5)
    n, mean, s = y.shape[1], y.mean(axis=1), y.std(axis=1, ddof=1)
    errors, k = _Errors(design, ratio, mean), iupac_multiplier(n, ALPHA)
    place = Place("detection", design, f"{ratio_text(ratio)}, s = 0.03 + 0.018 x")
    lost = RUNS_LOST if max(counts) > 1 and ratio >= 1 else AVERAGED
    rows = []
    for scatter in (CONSTANT_SCATTER, SCATTER):
        rows += errors.rows("IUPAC 1997", k * s, 2 * k * s, scatter, lost)
    if max(counts) == 1:
        low, high = NormalPercentile(0.0, 1.0, n, k).interval(CONFIDENCE)
        held = holds((mean + low * s, mean + high * s), k * SCATTER.constant)
        rows.append(place.row("IUPAC 1997: interval of L_C", 0.95, held))
    else:
        rows += _kept_rows(MeanSquares.of(y, counts), ratio, design, place)
    if ratio == 0:
        rare, often = (_beyond(multiple / (1 + 1 / n) ** 0.5, n) for multiple in (3.0, 1.645))
        rows += errors.rows("blank 3s", 3 * s, 3 * s, SCATTER, f"{NO_RATE} {HALF}", known=(rare, 0.5))
        name = "mean + 1.645 s, mean + 3.29 s (not reported)"
        rows += errors.rows(name, 1.645 * s, 3.29 * s, SCATTER, TOO_FEW, known=(often, often + 0.01))
    return rows


def _kept_rows(squares: MeanSquares, ratio: float, design: str, place: Place) -> list[CoverageRow]:
    """The limits for a reading of a further run."""
    h, dfs, mean = squares.harmonic_n, (squares.df_between, squares.df_within), squares.means.mean(axis=1)
    s, k, _ = iupac_runs_multiplier(squares.unweighted, squares.within, dfs, h, ALPHA)
    rows, errors = [], _Errors(design, ratio, mean)
    for scatter in (CONSTANT_SCATTER, SCATTER):
        rows += errors.rows("IUPAC 1997, runs kept", k * s, 2 * k * s, scatter, AVERAGED)
    half = t_quantile((1 + CONFIDENCE) / 2, dfs[0]) * np.sqrt(squares.unweighted / h / squares.n_groups)
    ends = joined_interval(mean, half, k, s, Components.of(squares).s_total_interval(CONFIDENCE))
    # What the design would claim if its mean squares were what is expected of them.
    within = SCATTER.constant**2 / (1 + ratio)
    true_s, true_k, _ = iupac_runs_multiplier(within * (1 + h * ratio), within, dfs, h, ALPHA)
    held = holds(ends, float(true_k * true_s))
    return [*rows, place.row("IUPAC 1997, runs kept: interval of L_C", 0.95, held, more=True, note=SAFE_SIDE)]


def _beyond(t: float, n: int) -> float:
    """Chance of a Student's t above this one, on n - 1 degrees of freedom."""
    return float(stdtr(n - 1, -t))


def low_range_group(runs: int, each: int, ratio: float, studies: int) -> Group:
    """The definitions that rest on a line; 10 blanks are part of it."""
    return Group(f"lines: {runs} x {each}, {ratio:g}", studies, partial(_low_range_rows, runs, each, ratio))


def _responses(rng: np.random.Generator, studies: int, design: LineDesign, ratio: float, scatter: Scatter) -> Array:
    """Responses whose scatter at a level is split into a part that a run shares there and one of single readings."""
    within, between = (scatter.scaled(SLOPE * share**0.5) for share in (1 / (1 + ratio), ratio / (1 + ratio)))
    return line_readings(rng, studies, design, LineTruth(0.0, SLOPE, within, between=between))


def _low_range_rows(runs: int, each: int, ratio: float, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    text = f"{runs} runs of {each} at each"
    place = Place("detection", f"lowest levels 0, 0.5, 1, 2; {text}", f"{ratio_text(ratio)}, s = 0.03 + 0.018 x")
    design, name = LineDesign(LOW, runs, each), LOW_RANGE
    y = _responses(rng, studies, design, ratio, SCATTER)
    limits = LinearSdLimits.of(design.x, y, design.level, alpha=ALPHA)
    rates = _line_rates(limits.line, limits.critical, limits.detection, SCATTER)
    note = FEW_DF if ratio >= 1 else AVERAGED
    rows = [place.row(f"{name}: {what}", ALPHA, share, note=note) for what, share in rates.items()]
    if ratio:
        return rows
    df = limits.effective_df(np.zeros(studies))
    low, high = over_slope_factors(limits.slope_t, df, CONFIDENCE)
    held = holds((low * limits.critical, high * limits.critical), _true_critical(design.x, SCATTER))
    rows.append(place.row(f"{name}: interval of x_C", 0.95, held, known=FITTED_COVERS, note=FITTED))
    for levels, scatter, truth in ((LOW, CONSTANT_SCATTER, "s = 0.03"), (FULL, SCATTER, "s = 0.03 + 0.018 x")):
        place = Place("detection", f"{len(levels)} levels to {levels[-1]:g}; {text}", truth)
        rows += _ordinary_rows(rng, studies, LineDesign(levels, runs, each), scatter, place)
    return rows


def _ordinary_rows(
    rng: np.random.Generator, studies: int, design: LineDesign, scatter: Scatter, place: Place
) -> list[CoverageRow]:
    """ISO 11843-2 and DIN 32645 from the ordinary line."""
    line = weighted_lines(design.x, _responses(rng, studies, design, 0.0, scatter))
    nu, rows = line.degrees_of_freedom, []
    t, delta, sd = t_quantile(1 - ALPHA, nu), noncentrality(nu, alpha=ALPHA, beta=ALPHA), blank_sd(line)
    known, note = (0.0, TOO_WIDE) if scatter.growth else (None, "")
    for name, factor in (("ISO 11843-2", delta), ("DIN 32645", 2 * t)):
        rates = _line_rates(line, t * sd, factor * sd, scatter)
        rows += [place.row(f"{name}: {what}", ALPHA, share, known=known, note=note) for what, share in rates.items()]
    if not scatter.growth:
        low, high = over_slope_factors(np.abs(line.slope) / line.slope_error, nu, CONFIDENCE)
        held = holds((low * t * sd, high * t * sd), _true_critical(design.x, scatter))
        rows.append(place.row("ISO 11843-2: interval of x_C", 0.95, held))
    return rows


COUNTED = "ISO 11843-2, low range, s linear, errors counted"
AS_KNOWN = (
    "The fitted s counts as known, on the degrees of freedom of the whole line, and readings as independent; "
    "`errors counted` does not."
)
MULTIPLIER = (
    "The multiplier t, which depends on the readings, is taken as known. Where the scatter does not grow the interval "
    "covers more; where three to five runs share nearly all of it, less: its degrees of freedom are estimated too."
)
ALL_COUNTED = "What is uncertain of s, of the slope and of the runs is counted."


def counted_group(runs: int, each: int, ratio: float, shared: bool, scatter: Scatter, studies: int) -> Group:
    """The low range as it was and with its errors counted, on the same readings.

    `shared`: what runs add is alike at all levels in units of s(x), else new at each; one run: independent readings.
    """
    name = f"counted: {runs} x {each}, {ratio:g}, {shared}, {scatter.growth:g}"
    return Group(name, studies, partial(_counted_rows, runs, each, ratio, shared, scatter))


def _counted_rows(
    runs: int, each: int, ratio: float, shared: bool, scatter: Scatter, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    design, spread = LineDesign(LOW, runs, each), "s = 0.03 + 0.018 x" if scatter.growth else "s = 0.03"
    y = _responses(rng, studies, design, 0.0 if shared else ratio, scatter)
    if shared:
        within = scatter.scaled(SLOPE).at(design.x) * (1 / (1 + ratio)) ** 0.5
        run = rng.standard_normal((studies, runs))[:, design.run]
        y = SLOPE * design.x + (y - SLOPE * design.x) * (1 / (1 + ratio)) ** 0.5 + within * ratio**0.5 * run
    text = f"{runs} runs of {each} at each" if runs > 1 else f"{each} readings at each"
    effects = f"{ratio_text(ratio)}{' at all levels' if shared else ''}, {spread}"
    place, codes = Place("detection", f"lowest levels 0, 0.5, 1, 2; {text}", effects), design.run
    old = LinearSdLimits.of(design.x, y, design.level, alpha=ALPHA)
    new = CountedLimits.of(design.x, y, design.level, codes if runs > 1 else None, alpha=ALPHA)
    rows = []
    for name, limits, note in ((LOW_RANGE, old, AS_KNOWN), (COUNTED, new, ALL_COUNTED)):
        rates = _line_rates(limits.line, limits.critical, limits.detection, scatter)
        for what, shares in rates.items():
            known = float(shares.mean()) if limits is old else None
            rows.append(place.row(f"{name}: {what}", ALPHA, shares, known=known, note=note))
    df = new.spread.effective_df(np.zeros(studies))
    low, high = over_slope_factors(new.slope_t, df, CONFIDENCE)
    true = t_quantile(1 - ALPHA, df) * _true_counted(design, ratio, shared, scatter)
    held = holds((low * new.critical, high * new.critical), true)
    few = float(held.mean()) if shared and runs <= 5 else None
    return [*rows, place.row(f"{COUNTED}: interval of x_C", 0.95, held, known=few, more=not few, note=MULTIPLIER)]


def _true_counted(design: LineDesign, ratio: float, shared: bool, scatter: Scatter) -> float:
    """u(0) / b of a design whose truth is known: readings of its runs, those of one run alike in part."""
    s, x = scatter.at(design.x), design.x
    weights = 1 / s**2
    mean = float((weights * x).sum() / weights.sum())
    row = weights / weights.sum() - mean * weights * (x - mean) / (weights * (x - mean) ** 2).sum()
    alike = (design.run[:, None] == design.run) & (shared | (design.level[:, None] == design.level))
    covariance = (np.eye(x.size) + ratio * alike) / (1 + ratio) * np.outer(s, s)
    return float((scatter.constant**2 + row @ covariance @ row) ** 0.5)


OPEN_ABOVE = "Where the slope is not told apart from zero the interval has no upper end, and no limit is given."
SLOPE_KNOWN = "The chi-square interval of s alone: it leaves the error of the slope out."
REFUSED = "So often a slope this far from zero is not told apart from it: no number then. Nominal: non-central t."


def slope_group(distance: float, studies: int) -> Group:
    """Limits of a line whose slope is `distance` standard errors from zero."""
    return Group(f"slope: {distance:g}", studies, partial(_slope_rows, distance))


def _slope_rows(distance: float, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    design = LineDesign(LOW, 1, 4)
    x, nu = design.x, design.x.size - 2
    about = float(((x - x.mean()) ** 2).sum())
    sd = SLOPE * about**0.5 / distance
    line = weighted_lines(x, line_readings(rng, studies, design, LineTruth(0.0, SLOPE, Scatter(sd))))
    slope_t = np.abs(line.slope) / line.slope_error
    t, delta, factor = t_quantile(1 - ALPHA, nu), noncentrality(nu, alpha=ALPHA, beta=ALPHA), blank_sd(line)
    true = sd / SLOPE * (1 + 1 / x.size + x.mean() ** 2 / about) ** 0.5
    low, high = over_slope_factors(slope_t, nu, CONFIDENCE)
    place = Place(
        "detection", "levels 0, 0.5, 1, 2; 4 readings at each", f"s equal, slope {distance:g} standard errors"
    )
    rows = []
    for name, k in (("x_C", t), ("x_D", delta)):
        held = holds((k * factor * low, k * factor * high), k * true)
        rows.append(place.row(f"ISO 11843-2: interval of {name}, open above counted", 0.95, held, note=OPEN_ABOVE))
    refused = not_told_apart(slope_t, nu, ALPHA)
    ends = sd_interval(delta * factor, nu, CONFIDENCE)
    plain = holds(ends, delta * true)
    name = "interval of x_D with a slope taken as known (not reported)"
    rows.append(place.row(name, 0.95, plain, known=float(plain.mean()), note=SLOPE_KNOWN))
    bound = t_quantile(1 - ALPHA / 2, nu)
    share = float(nctdtr(nu, distance, bound) - nctdtr(nu, distance, -bound))
    return [*rows, place.row("ISO 11843-2: no limit is given", share, refused, note=REFUSED)]


def _line_rates(line: Any, critical: Array, detection: Array, scatter: Scatter) -> dict[str, Array]:
    """Each study's alpha and beta of a future reading, read back through its line; the truth is y = SLOPE x."""
    boundary = line.intercept + line.slope * critical
    beta = ndtr((boundary - SLOPE * detection) / (SLOPE * scatter.at(detection)))
    return {"alpha": ndtr(-boundary / (SLOPE * scatter.constant)), "beta": beta}


def _true_critical(x: Array, scatter: Scatter) -> float:
    """x_C of a design whose scatter and slope are known, as `iso_11843_2_linear_sd` and `iso_11843_2` form it."""
    weights = 1 / scatter.at(x) ** 2
    mean = float((weights * x).sum() / weights.sum())
    of_line = 1 / weights.sum() + mean**2 / (weights * (x - mean) ** 2).sum()
    return float(t_quantile(1 - ALPHA, len(x) - 2) * (scatter.constant**2 + of_line) ** 0.5)


# Comparison --------------------------------------------------------------------------------------------------------

DECISION = 4.0  # the level at which a difference is predicted
LIMITS_GROW = (
    "The limits of agreement belong to differences of equal scatter; where it grows with the level, one pair of limits "
    "cannot be right at every level."
)
FOLLOWED = (
    "Mean and scatter of the differences as lines in the level. At the ends few samples tell the scatter, and the "
    "interval covers more; where they leave it less than one degree of freedom, there is none, and it is not counted."
)
CONTENT = (
    "One-sided confidence bounds of the share of single differences at the level within the limit. With few degrees of "
    "freedom the lower bound covers more, the upper one less."
)
JACKKNIFE = (
    "Deming's jackknife with few samples, a few of them far out and scattering most, covers too little; the weighted "
    "line covers, which is the one judged where both methods have replicates."
)
KENDALL = (
    "The limits of Passing and Bablok's slope rest on the signs of pairs, which errors that grow with the level do not "
    "keep alike."
)
BOOTSTRAP = "The bootstrap of ten samples or fewer gives the intercept more scatter than it has."
CARRIED = "Where few samples carry the value, Satterthwaite's degrees of freedom are few, and the interval covers more."
STOPS = (
    "With fewer than 8 samples, or a few degrees of freedom of replicates, the weighted line covers less, and the "
    "chapter says so; where the samples' own part is as large at low levels as at high ones, it covers less there."
)
UNKNOWN_SCATTER = (
    "Scatter of the samples that their uncertainties do not explain: York's interval is scaled where it shows, which "
    "it does not always with few samples."
)


@dataclass(frozen=True, slots=True)
class Methods:
    """Scatter of either method's result, and of the sample's own part in the candidate: a share of its level, and more.

    `ratio` : scatter of the candidate over that of the reference, `scatter`
    """

    words: str
    scatter: Scatter
    own: float = 0.0
    ratio: float = 1.0
    own_constant: float = 0.0

    def readings(self, rng: np.random.Generator, studies: int, design: PairsDesign, slope: float) -> Ends:
        """Reference and candidate."""
        candidate = self.scatter.scaled(self.ratio)
        truth = PairsTruth(PAIRS_INTERCEPT, slope, self.scatter, candidate, self.own, self.own_constant)
        return pair_readings(rng, studies, design, truth)


PAIRS_INTERCEPT, PAIRS_SLOPE = 0.05, 1.02
#: What Deming's slope, intercept and difference attain on 20 samples where scatter grows: documented, and expected.
DEMING_GROWS = (0.90, 0.945, 0.92)
#: One study in so many has its samples drawn anew, or its shares formed, which goes study by study.
EACH_BY_ITSELF = 4
EQUAL = Methods("s = 0.1 in both methods", Scatter(0.1))
GROWING = Methods("s = 0.03 + 0.018 x in both methods", SCATTER)
OWN = Methods("s = 0.03 + 0.018 x in both, samples' own part 2 %", SCATTER, 0.02)


def pairs_group(n: int, methods: Methods, studies: int) -> Group:
    """Lines with errors in both methods."""
    return Group(f"lines of pairs: {n}, {methods.words}", studies, partial(_pairs_rows, n, methods))


def _pairs_rows(n: int, methods: Methods, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    design, place = PairsDesign.most_low(n, 0.5, 10.0), Place("comparison", _samples(n), methods.words)
    x, y = methods.readings(rng, studies, design, PAIRS_SLOPE)
    grows, level = methods is not EQUAL, CONFIDENCE
    note, york_note = JACKKNIFE if grows else "", UNKNOWN_SCATTER if methods.own else ""
    deming = deming_many(x, y, level=DECISION)
    slope, intercept, difference = (mean_interval(*one, n - 2, level) for one in zip(*deming, strict=True))
    true_difference = PAIRS_INTERCEPT + (PAIRS_SLOPE - 1) * DECISION
    met = mean_interval(deming[0][2], deming[1][2], n - 2, JUDGED)[1] <= true_difference
    weights = 1 / methods.scatter.at(np.asarray(design.levels)) ** 2
    york = YorkFits.of(x, y, weights, weights)
    york_slope, york_intercept = (
        york.interval(*one, level) for one in ((york.slope, york.u_slope), (york.intercept, york.u_intercept))
    )
    few = slice(studies // EACH_BY_ITSELF)
    _, at_zero, ranked, errors = passing_bablok_many(x[few], y[few], level=level)
    ranked_intercept = mean_interval(at_zero, errors, n - 2, level)
    at_ten, held_at_zero = BOOTSTRAP if n <= 10 else "", holds(ranked_intercept, PAIRS_INTERCEPT)
    return [
        place.row("Deming slope", 0.95, holds(slope, PAIRS_SLOPE), note=note),
        place.row("Deming intercept", 0.95, holds(intercept, PAIRS_INTERCEPT), note=note),
        place.row("difference at 4 (Deming)", 0.95, holds(difference, true_difference), note=note),
        place.row("difference at 4 at the upper limit: met by equivalence", 0.05, met, note=note),
        place.row("York slope, known uncertainties", 0.95, holds(york_slope, PAIRS_SLOPE), note=york_note),
        place.row("York intercept, known uncertainties", 0.95, holds(york_intercept, PAIRS_INTERCEPT), note=york_note),
        place.row("Passing-Bablok slope", 0.95, holds(ranked, PAIRS_SLOPE), note=KENDALL),
        place.row("Passing-Bablok intercept", 0.95, held_at_zero, more=True, note=at_ten),
    ]


@dataclass(frozen=True, slots=True)
class Replicated:
    """A comparison with replicates: samples, how often each is read, and where they lie.

    `even` : whether the levels are evenly spaced, instead of most of them low
    """

    n: int
    words: str
    reference: int | tuple[int, ...]
    candidate: int | tuple[int, ...]
    even: bool = False

    @property
    def design(self) -> PairsDesign:
        """From 0.5 to 10."""
        if self.even:
            levels = tuple(np.linspace(0.5, 10.0, self.n).tolist())
            return PairsDesign(levels, self.reference, self.candidate)
        return PairsDesign.most_low(self.n, 0.5, 10.0, self.reference, self.candidate)

    def __str__(self) -> str:
        return f"{_samples(self.n)}, {self.words}"


def replicated_group(design: Replicated, methods: Methods, studies: int, *, stops: bool = False) -> Group:
    """The judged line, and Deming's on the same readings; `stops`: a design in which it is known to cover less."""
    name = f"weighted lines: {design}, {methods.words}"
    return Group(name, studies, partial(_replicated_rows, design, methods, stops))


def replicated_pairs(
    rng: np.random.Generator, studies: int, design: Replicated, methods: Methods, slope: float = PAIRS_SLOPE
) -> ReplicatedPairs:
    """Means and sums of squares of the readings of many comparisons."""
    of_x, of_y = (np.asarray(counts) for counts in design.design.counts())
    reference, candidate = methods.readings(rng, studies, design.design, slope)
    (x, squares_x), (y, squares_y) = group_sums(reference, of_x), group_sums(candidate, of_y)
    return ReplicatedPairs(x, y, squares_x, squares_y, of_x.astype(float), of_y.astype(float))


def _replicated_rows(
    design: Replicated, methods: Methods, stops: bool, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    pairs = replicated_pairs(rng, studies, design, methods)
    place, lines = Place("comparison", str(design), methods.words), WeightedLines.of(pairs, pairs.spreads())
    truths = {
        "slope": (0.0, 1.0, PAIRS_SLOPE),
        "intercept": (1.0, 0.0, PAIRS_INTERCEPT),
        "difference at 4": (1.0, DECISION, PAIRS_INTERCEPT + PAIRS_SLOPE * DECISION),
        "difference at 1": (1.0, 1.0, PAIRS_INTERCEPT + PAIRS_SLOPE),
    }
    rows = []
    for name, (of_intercept, of_slope, truth) in truths.items():
        value, error, df = lines.combined(of_intercept, of_slope)
        held = holds(mean_interval(value, error, df, CONFIDENCE), truth)
        rows.append(place.row(f"weighted line: {name}", 0.95, held, more=True, note=STOPS if stops else CARRIED))
        if name == "difference at 4":
            met = mean_interval(value, error, df, JUDGED)[1] <= truth
            words = "weighted line: difference at 4 at the upper limit: met by equivalence"
            rows.append(place.row(words, 0.05, met, more=True, note=STOPS if stops else ""))
    values, errors = deming_many(pairs.x, pairs.y, level=DECISION, ratio=_true_ratio(pairs, methods))
    jackknifed = mean_interval(values, errors, design.n - 2, CONFIDENCE)
    difference = PAIRS_INTERCEPT + (PAIRS_SLOPE - 1) * DECISION
    known = DEMING_GROWS if methods is not EQUAL else (None,) * 3
    names = ("Deming slope", "Deming intercept", "difference at 4 (Deming)")
    for i, truth in enumerate((PAIRS_SLOPE, PAIRS_INTERCEPT, difference)):
        held = holds((jackknifed[0][i], jackknifed[1][i]), truth)
        rows.append(place.row(names[i], 0.95, held, known=known[i], note=JACKKNIFE))
    return rows


def _true_ratio(pairs: ReplicatedPairs, methods: Methods) -> float:
    """Error variance of the candidate's means over that of the reference's."""
    return float(methods.ratio**2 * (1 / pairs.counts_y).mean() / (1 / pairs.counts_x).mean())


def differences_group(n: int, methods: Methods, studies: int) -> Group:
    """Differences, candidate minus reference."""
    return Group(f"differences: {n}, {methods.words}", studies, partial(_difference_rows, n, methods))


def _difference_rows(n: int, methods: Methods, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    design, place = PairsDesign.most_low(n, 0.5, 10.0), Place("comparison", _samples(n), methods.words)
    x, y = methods.readings(rng, studies, design, 1.0)
    at, z, d = np.asarray(design.levels), t_quantile(0.975, None), y - x
    sd = float((2 * methods.scatter.at(at) ** 2 + (methods.own * at) ** 2).mean()) ** 0.5
    mean, s = d.mean(axis=1), d.std(axis=1, ddof=1)
    of_mean, spread = (mean, s / n**0.5, n - 1), sd_interval(s, n - 1, CONFIDENCE)
    near, far = LimitDistance(1.0, z, n).interval(CONFIDENCE)
    met = mean_interval(*of_mean, JUDGED)[1] <= PAIRS_INTERCEPT
    limit = holds((mean + near * s, mean + far * s), PAIRS_INTERCEPT + z * sd)
    note = LIMITS_GROW if methods is not EQUAL else ""
    followed, few = AgreementLines.of((x + y) / 2, d), slice(studies // EACH_BY_ITSELF)
    rows = []
    for level in (1.0, DECISION, 10.0):
        # The mean of both methods lies half of the true difference above the true level.
        middle, error, spread_at, df = followed.at(level + PAIRS_INTERCEPT / 2)
        some, here = df >= 1, float(2 * methods.scatter.at(np.array(level)) ** 2 + (methods.own * level) ** 2) ** 0.5
        ends = limit_interval(middle, error, spread_at, np.maximum(df, 1.0), z=z, level=CONFIDENCE)
        held = holds(ends, PAIRS_INTERCEPT + z * here)[some]
        name = f"limit of agreement at {level:g}, following the level"
        rows.append(place.row(name, 0.95, held, more=True, note=FOLLOWED))
        if level == DECISION:
            reach = PAIRS_INTERCEPT + 2 * here
            inside_it = float(ndtr(2.0) - ndtr(-(reach + PAIRS_INTERCEPT) / here))
            studied = zip(middle[few], spread_at[few], (spread_at[few] / error[few]) ** 2, df[few], strict=True)
            reached = np.array([single_differences(*one).reach(inside_it, JUDGED) for one in studied if one[3] >= 1])
            # The share for which a bound of the half-width is the limit bounds the share within the limit.
            for words, bound in (("lower", reached[:, 1] >= reach), ("upper", reached[:, 0] <= reach)):
                name = f"share of differences within a limit, at 4: {words} bound"
                rows.append(place.row(name, 0.95, bound, more=True, note=CONTENT))
    return [
        place.row("mean difference", 0.95, holds(mean_interval(*of_mean, CONFIDENCE), PAIRS_INTERCEPT)),
        place.row("mean difference at the upper limit: met by equivalence", 0.05, met),
        place.row("standard deviation of differences", 0.95, holds(spread, sd), note=note),
        place.row("limit of agreement", 0.95, limit, note=note),
        *rows,
    ]


def _samples(n: int) -> str:
    return f"{n} samples from 0.5 to 10"


# Outliers ----------------------------------------------------------------------------------------------------------

BONFERRONI = "Cochran's critical value is a Bonferroni bound: below a half it alarms a little less often than it says."
COMMON_N = "Cochran's test takes the number of readings that most groups have (ISO 5725-2:1994, 7.3.3.2)."
EACH = (
    "Mandel's h and k are held against the value for one group: the rate is that of one group, averaged over them, not "
    "of the study. With unequal numbers and no component between groups the smallest groups alarm more often."
)


def outlier_group(design: str, counts: Sequence[int], ratio: float, studies: int) -> Group:
    """The outlier tests on studies without an outlier; two readings or more in each group."""
    return Group(f"outliers: {design}, {ratio:g}", studies, partial(_outlier_rows, counts, design, ratio))


def _outlier_rows(
    counts: Sequence[int], design: str, ratio: float, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    sizes: NDArray[np.int_] = np.asarray(counts)
    means, squares = group_sums(run_errors(rng, studies, counts, ratio), sizes)
    variances, p, equal = squares / (sizes - 1), len(counts), len(set(counts)) == 1
    usual = max(sorted(set(counts)), key=list(counts).count)
    h, k = in_standard_deviations(means), against_pooled(np.sqrt(variances), sizes)
    alarms: list[tuple[str, Any, str]] = [
        ("Grubbs, one mean", np.abs(h).max(axis=1) > grubbs_single_critical(p, ALPHA), ""),
        ("Grubbs, two means", without_a_pair(means).min(axis=1) < grubbs_double_critical(p, ALPHA), ""),
        ("Cochran", largest_share(variances) > cochran_critical(p, usual, ALPHA), BONFERRONI if equal else COMMON_N),
        ("Mandel h of one group", (np.abs(h) > mandel_h_critical(p, ALPHA)).mean(axis=1), EACH),
        ("Mandel k of one group", (k > mandel_k_critical(sizes, ALPHA)).mean(axis=1), EACH),
    ]
    place = Place("outlier tests", design, ratio_text(ratio, "s between"))
    return [
        place.row(f"{name}: false alarms", ALPHA, share, more=equal and name == "Cochran", note=note)
        for name, share, note in alarms
    ]


# Carry-over and stability ------------------------------------------------------------------------------------------


def triple_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Five triples whose first blank carries 0.9 % of the high sample."""
    hits = []
    for study in zip(*triple_readings(rng, studies, 5, TripleTruth(10.0, 0.21, 0.03, 0.03, 0.009)), strict=True):
        high, first, second = (values.tolist() for values in study)
        share = carry_over_share(high, first, second)
        hits.append([inside(carry_over_effect(first, second), 0.09), inside(share, 0.009)])
    return looped(Place("carry-over", "5 triples", "0.9 % of the high sample"), ("effect", "share"), hits)


def storage_rows(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    """Six ages read three times in one run; the standard loses 1.2 % a week."""
    loss, design = 0.012 / 7, LineDesign((0.0, 7.0, 14.0, 21.0, 28.0, 35.0), 1, 3)
    hits, kept, ages = [], [], design.x
    for study in line_readings(rng, studies, design, LineTruth(5.0, -5.0 * loss, Scatter(0.12))):
        line = stability_line(ages, study.tolist(), ["T1"] * len(ages))
        hits.append([inside(line.slope_estimate(), -5.0 * loss), inside(line.change(14.0), -14 * loss)])
        found = expiry(line, 0.025, 35.0)
        assert found is not None
        # Where the bound stands, the true change has not passed the limit: wrong with 5 % at most.
        kept.append(found.expiry.value * loss <= 0.025)
    place = Place("stability", "6 ages x 3 in one run", "loss of 1.2 % a week, scatter 2.4 %")
    rows = looped(place, ("slope", "change over two weeks"), hits)
    return [*rows, place.row("expiry not too late", 0.95, np.array(kept))]


# Combined uncertainty ----------------------------------------------------------------------------------------------

BIASES = (0.0, 0.5, 1.0, 2.0)  # in s_I
WORST = "worst of s_run^2 = 0, 0.25, 1, 10 s_r^2"
SAFE_BUDGETS = "Safe where runs differ little, where several terms are alike, and where the bias is large."
SHARED_RUNS = (
    "Runs of one analyst are not independent, as the interval of u takes them: no rate is claimed, and a note of the "
    "chapter says so. With the analysts in place of the runs the rate holds, on their degrees of freedom."
)
OF_LOTS = (
    "What a lot errs by alone counts in s_I as far as it shows there. Few lots that each serve several runs show it on "
    "few degrees of freedom, and move the mean of the runs by more than their scatter says."
)
#: Documented rates of "not met" and "met" at the limit where so many analysts share 8 runs; None: the nominal one.
SHARED_RATES: dict[int, tuple[float | None, float | None]] = {4: (None, 0.10), 2: (0.105, 0.175)}


@dataclass(frozen=True, slots=True)
class BudgetTruth:
    """What a budget holds beside runs and bias, in the true s_I.

    Attributes
    ----------
    treatment : of the bias
    known : what is taken as known
    measured : further measured standard deviations, with their degrees of freedom
    reference : standard uncertainty of the reference values, whose error is drawn
    """

    treatment: Treatment = "enlarge"
    known: float = 0.0
    measured: tuple[tuple[float, int], ...] = ()
    reference: float = 0.0

    @property
    def biases(self) -> tuple[float, ...]:
        """True biases to try: a corrected one drops out."""
        return BIASES if self.treatment == "enlarge" else (0.0,)


@dataclass(frozen=True, slots=True, eq=False)
class Budgets:
    """Budgets of many studies of one design, as `bias_terms` and `combine` make them of one.

    Attributes
    ----------
    truth : `known` and `reference` in the unit of the readings
    mean, error : shape (studies,), of the run means
    runs_df : runs minus one
    spreads : from a confidence to s_I, the error of the mean, further ones
    """

    truth: BudgetTruth
    mean: Array
    error: Array
    runs_df: int
    spreads: Callable[[float], list[Spread]]

    @classmethod
    def of(cls, y: Array, counts: Sequence[int], further: Sequence[tuple[Array, int]], truth: BudgetTruth) -> Budgets:
        """From errors in runs, and further standard deviations with their degrees of freedom."""
        p, squares = len(counts), MeanSquares.of(y, counts)
        error, s_I = squares.means.std(axis=1, ddof=1) / p**0.5, _s_I(squares)

        def spreads(confidence: float) -> list[Spread]:
            parts = [(error, p - 1, 2.0 * p + 1.0), *((s, df, 1.0) for s, df in further)]
            return [
                s_I(confidence),
                *(Spread(s, s, df, repeats, sd_interval(s, df, confidence)[1]) for s, df, repeats in parts),
            ]

        return cls(truth, squares.means.mean(axis=1), error, p - 1, spreads)

    @classmethod
    def of_stages(cls, stages: NestedStages) -> Budgets:
        """With analysts in place of the runs: the mean of their means, and the mean square of these."""
        runs = np.split(stages.run_means, np.cumsum(stages.runs_each)[:-1], axis=1)
        plain = np.stack([means.mean(axis=1) for means in runs], axis=1)
        error, total = plain.std(axis=1, ddof=1) / stages.p**0.5, np.sqrt(stages.total)
        coefficients, values, _, dfs = stages.total_terms
        untruncated = np.sqrt(sum(c * value for c, value in zip(coefficients, values, strict=True)))
        df = satterthwaite(coefficients, values, dfs)

        def spreads(confidence: float) -> list[Spread]:
            s_I = Spread(total, untruncated, df, 1.0, stages.s_R_interval(confidence)[1])
            upper = sd_interval(error, stages.df[0], confidence)[1]
            return [s_I, Spread(error, error, stages.df[0], 2.0 * stages.p + 1.0, upper)]

        return cls(BudgetTruth(), plain.mean(axis=1), error, stages.df[0], spreads)

    @property
    def enlarged(self) -> bool:
        return self.truth.treatment == "enlarge"

    @property
    def u(self) -> Array:
        """Combined standard uncertainty."""
        squares = [np.square(s.size) for s in self.spreads(CONFIDENCE)]
        squares += [np.square(self.mean)] if self.enlarged else []
        return np.sqrt(sum(squares) + self.truth.known**2 + self.truth.reference**2)

    @property
    def expanded(self) -> Array:
        """k u at 95 %."""
        df = self.u**4 / sum(s.repeats * s.size**4 / s.df for s in self.spreads(CONFIDENCE))
        return t_quantile((1 + CONFIDENCE) / 2, np.maximum(np.floor(df), 1.0)) * self.u

    def interval(self, confidence: float) -> Ends:
        """Of u; widened to hold it."""
        spreads, biases, known = self.spreads(confidence), [], self.truth.known
        if self.enlarged:
            spreads.pop(1)
            u_b = np.hypot(self.error, self.truth.reference)
            low, high = mean_interval(self.mean, u_b, self.runs_df * (u_b / self.error) ** 4, confidence)
            near, far = np.sort(np.abs([low, high]), axis=0)
            biases = [(np.abs(self.mean), np.where(low * high < 0, 0.0, near), far)]
        else:
            known = float(np.hypot(known, self.truth.reference))
        ends = uncertainty_interval(known, spreads, biases, confidence=confidence)
        return np.minimum(self.u, ends[0]), np.maximum(self.u, ends[1])


def _s_I(squares: MeanSquares) -> Callable[[float], Spread]:
    """Intermediate precision, from a confidence."""
    if not squares.df_within:
        s, free = squares.means.std(axis=1, ddof=1), squares.df_between
        return lambda confidence: Spread(s, s, free, 1.0, sd_interval(s, free, confidence)[1])
    components = Components.of(squares)
    coefficients, values, _, dfs = components.total_terms
    untruncated = np.sqrt(sum(c * value for c, value in zip(coefficients, values, strict=True)))
    df = satterthwaite(coefficients, values, dfs)
    total = np.sqrt(components.total)
    return lambda confidence: Spread(total, untruncated, df, 1.0, components.s_total_interval(confidence)[1])


def budget_group(counts: Sequence[int], truth: BudgetTruth, studies: int) -> Group:
    """The combined uncertainty of one design, over true biases and components between runs."""
    parts = [design_of_runs(counts)]
    parts += ["corrected for the bias"] if truth.treatment == "correct" else []
    parts += [f"known {truth.known:g} s_I"] if truth.known else []
    parts += [f"{size:g} s_I on {df} degrees of freedom" for size, df in truth.measured]
    parts += [f"reference values uncertain by {truth.reference:g} s_I"] if truth.reference else []
    design = ", ".join(parts)
    return Group(f"combined uncertainty: {design}", studies, partial(_combined_rows, counts, truth, design))


def _combined_rows(
    counts: Sequence[int], truth: BudgetTruth, design: str, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    rates = [_budget_rates(counts, truth, ratio, bias, rng, studies) for ratio in RATIOS for bias in truth.biases]
    below, above, not_met, met, held = (list(column) for column in zip(*rates, strict=True))
    biases = " and a bias of 0, 0.5, 1, 2 s_I" if truth.treatment == "enlarge" else ""
    place = Place("uncertainty", design, WORST + biases)

    def row(statistic: str, nominal: float, outcomes: Sequence[NDArray[np.bool_]]) -> CoverageRow:
        worst = _worst(outcomes, min if nominal > 0.5 else max)
        return place.row(statistic, nominal, worst, more=True, note=SAFE_BUDGETS)

    return [
        row("u: the truth below the interval", 0.025, below),
        row("u: the truth above the interval", 0.025, above),
        row("u exactly at its limit: not met", 0.05, not_met),
        row("u exactly at its limit: met", 0.05, met),
        row("U holds the error of a further result", 0.95, held),
    ]


def _worst(outcomes: Sequence[NDArray[np.bool_]], which: Callable[..., NDArray[np.bool_]]) -> NDArray[np.bool_]:
    return which(outcomes, key=lambda shares: float(shares.mean()))


def _budget_rates(
    counts: Sequence[int], truth: BudgetTruth, ratio: float, bias: float, rng: np.random.Generator, studies: int
) -> list[NDArray[np.bool_]]:
    """Misses below and above, verdicts at the limit, and whether a further result lies within U."""
    s_I, p = (1 + ratio) ** 0.5, len(counts)
    known, reference, beta = truth.known * s_I, truth.reference * s_I, bias * s_I
    y = run_errors(rng, studies, counts, ratio) + beta - reference * rng.standard_normal((studies, 1))
    further = [(s * s_I * np.sqrt(rng.chisquare(df, studies) / df), df) for s, df in truth.measured]
    budgets = Budgets.of(y, counts, further, replace(truth, known=known, reference=reference))
    more = known**2 + sum((s * s_I) ** 2 for s, _ in truth.measured)
    of_mean = (ratio + (1.0 / np.asarray(counts)).mean()) / p
    u = (s_I**2 + (beta**2 if budgets.enlarged else 0.0) + of_mean + reference**2 + more) ** 0.5
    low, high = budgets.interval(CONFIDENCE)
    judged_low, judged_high = budgets.interval(JUDGED)
    result = beta + (s_I**2 + more) ** 0.5 * rng.standard_normal(studies)
    error = np.abs(result if budgets.enlarged else result - budgets.mean)
    return [low > u, high < u, judged_low > u, judged_high <= u, error <= budgets.expanded]


@dataclass(frozen=True, slots=True)
class LotTruth:
    """Standards behind 8 runs of 3, sizes in s_r = s_run.

    Attributes
    ----------
    of_runs : lot of each run
    in_use : lot of further results
    own, common : what the value of each lot errs by alone, and what all of them err by together
    rests : whether the reference values rest on the standard, so that the common part cancels in the bias
    rates : documented ones of "not met" and "met" at the limit; None: the nominal one
    """

    of_runs: tuple[int, ...]
    in_use: int
    own: float
    common: float
    rests: bool
    rates: tuple[float | None, float | None] = (None, None)

    @property
    def design(self) -> str:
        """In words."""
        lots = sorted(set(self.of_runs))
        each = f"{len(lots)} lots of the standard" if len(lots) > 1 else "one lot of the standard"
        use = "one of them in use" if self.in_use in lots else "another in use"
        return f"8 runs of 3, {each}, {use}, " + ("reference rests on it" if self.rests else "independent reference")

    @property
    def shares(self) -> Array:
        """Shape (8, lots)."""
        return np.eye(max(*self.of_runs, self.in_use) + 1)[list(self.of_runs)]

    @property
    def joint(self) -> SharedValues:
        """Covariance of the errors of the lots."""
        return shared_values([{str(lot): self.own, "common": self.common} for lot in range(self.shares.shape[1])])


def lots_group(truths: Sequence[LotTruth], studies: int) -> Group:
    """The combined uncertainty where the lots of the standard behind the runs share errors."""
    return Group("combined uncertainty: lots of the standard", studies, partial(_rows_of_lots, tuple(truths)))


def _rows_of_lots(truths: Sequence[LotTruth], rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    return [row for truth in truths for row in _lots_rows(truth, rng, studies)]


def _lots_rows(truth: LotTruth, rng: np.random.Generator, studies: int) -> list[CoverageRow]:
    rates = [_lots_rates(truth, bias, rng, studies) for bias in BIASES]
    sizes = f"own {truth.own:g} s_r, common {truth.common:g} s_r"
    place = Place("uncertainty", truth.design, f"{sizes}; s_run = s_r, worst of a bias of 0, 0.5, 1, 2 s_I")
    not_met, met, held = (list(column) for column in zip(*rates, strict=True))
    columns = zip(("not met", "met"), truth.rates, (not_met, met), strict=True)
    return [
        *(
            place.row(
                f"u exactly at its limit: {word}", 0.05, _worst(shares, max), known=known, more=True, note=OF_LOTS
            )
            for word, known, shares in columns
        ),
        place.row("U holds the error of a further result", 0.95, _worst(held, min), more=True, note=OF_LOTS),
    ]


def _lots_rates(truth: LotTruth, bias: float, rng: np.random.Generator, studies: int) -> list[NDArray[np.bool_]]:
    """Verdicts at the limit, and whether a further result under the lot in use lies within U."""
    counts, shares, beta, s_I = (3,) * 8, truth.shares, bias * 2**0.5, 2**0.5
    common = truth.common * rng.standard_normal((studies, 1))
    errors = common + truth.own * rng.standard_normal((studies, shares.shape[1]))
    of_runs = errors @ shares.T - (common if truth.rests else 0.0)
    y = run_errors(rng, studies, counts, 1.0) + beta + np.repeat(of_runs, counts, axis=1)
    line = standard_of_runs(truth.joint, shares, truth.in_use)
    size = line.beside_scatter if truth.rests else line.beside_bias
    budgets = Budgets.of(y, counts, (), BudgetTruth(known=size))
    result = errors[:, truth.in_use] + beta + s_I * rng.standard_normal(studies)
    low, high = budgets.interval(JUDGED)
    u = np.sqrt(s_I**2 + (1 + 1 / 3) / 8 + _of_lots(truth, errors, beta))
    return [low > u, high <= u, np.abs(result) <= budgets.expanded]


def _of_lots(truth: LotTruth, errors: Array, beta: float) -> Array:
    """Square of the bias and of what the lots err by, as u stands for it.

    Where the reference values rest on the standard: of the method's bias, the lot in use, and what the lots bring to
    the mean. Else: of the bias of the runs as they were calibrated, and of the lot in use apart from theirs.
    """
    share, lot = truth.shares.mean(axis=0), np.eye(truth.shares.shape[1])[truth.in_use]
    if truth.rests:
        return np.full(len(errors), beta**2 + truth.own**2 * (1 + share @ share) + truth.common**2)
    return (beta + errors @ share) ** 2 + (lot - share) @ truth.joint.covariance @ (lot - share)


def shared_runs_group(layout: Sequence[Sequence[int]], studies: int) -> Group:
    """Analysts who differ as much as runs do, each with several runs."""
    runs = [n for counts in layout for n in counts]
    design = f"{design_of_runs(runs)}, {len(layout)} analysts"
    return Group(f"combined uncertainty: {design}", studies, partial(_shared_runs_rows, layout, design))


def _shared_runs_rows(
    layout: Sequence[Sequence[int]], design: str, rng: np.random.Generator, studies: int
) -> list[CoverageRow]:
    runs, rates = [n for counts in layout for n in counts], []
    analysts = len(layout)
    of_mean = 1 / analysts + 1 / len(runs) + 1 / sum(runs)
    for bias in BIASES:
        beta = bias * 3**0.5
        y = nested_readings(rng, studies, NestedDesign.of_laboratories(layout), NestedTruth((1.0, 1.0, 1.0), beta))
        u = (3 + beta**2 + of_mean) ** 0.5
        as_runs = Budgets.of(y, runs, (), BudgetTruth()).interval(JUDGED)
        staged = Budgets.of_stages(NestedStages.of(y, layout)).interval(JUDGED)
        rates.append([shares for low, high in (as_runs, staged) for shares in (low > u, high <= u)])
    place = Place("uncertainty", design, "s_analyst = s_run = s_r, worst of a bias of 0, 0.5, 1, 2 s_I")
    names = [
        f"u exactly at its limit, {by}: {word}" for by in ("runs alone", "by analysts") for word in ("not met", "met")
    ]
    return [
        place.row(name, 0.05, _worst(outcomes, max), known=known, more=True, note=SHARED_RUNS)
        for name, known, *outcomes in zip(names, (*SHARED_RATES[analysts], None, None), *rates, strict=True)
    ]
