"""Calibration function: the straight line, how far the readings depart from it, and whether one point suffices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from validation.characteristics import Characteristic, KeyInfo, Rule
from validation.characteristics._calibration_display import calibration_display
from validation.characteristics._calibration_fit import NAME, CalibrationFit
from validation.characteristics._calibration_points import calibration_points
from validation.characteristics._censored import all_censored
from validation.figures.calibration import CalibrationView, LevelError
from validation.stats.calibration import DEPARTURE_SOURCE, SINGLE_POINT_SOURCE, single_point_bias
from validation.stats.estimate import Estimate
from validation.stats.outliers import grubbs_single
from validation.stats.regression import line_through_zero
from validation.stats.straightness import BOOTSTRAP_SOURCE, LACK_OF_FIT_SOURCE, MANDEL_SOURCE, lack_of_fit, mandel
from validation.study.model import Study
from validation.study.quantity import Evaluation, Flag, Quantity
from validation.words import level_text, p_value, sentence_list, significant, with_interval

WEIGHTS_NOTE = "The weights 1/s(x)^2 come from the fitted s(x) and are taken as known in the interval."
#: ISO 5725-2 calls a value beyond the 1 % point an outlier.
OUTLIER_ALPHA = 0.01
RUNS_NOTE = (
    "The interval takes all readings as independent and scattering equally at all levels: what those of one run share "
    "is not in it, so it may be too narrow. With 3 runs that differ, the 95 % interval of the slope held the truth in "
    "67 % of simulated calibrations; departure and single point bias count the runs."
)
RESIDUAL_NOTE = (
    "One standard deviation for all levels: where scatter grows with the level it describes none of them, and its 95 % "
    "interval held the truth in 82 % of simulated calibrations; sd constant and sd slope follow the level."
)
SHOWN_NOTE = "Shown, not judged: it takes the spread as equal at all levels and readings of one run as independent."
BOUND_NOTE = "No interval is formed for a parameter that has a bound at zero."

#: Quantities of one kind, and what must be said where some could not be formed.
Part = tuple[list[Quantity], Sequence[str]]


def evaluate(study: Study) -> Evaluation:
    """Every calibration quantity of the study; `missing` where there are no readings or no line can be fitted."""
    data = study.ready(NAME)
    if data is None:
        awaited = all_censored(study, NAME) or "The calibration worksheet awaits readings."
        return Evaluation(
            NAME, missing=awaited if NAME in study.experiments else "No calibration experiment is planned."
        )
    points = calibration_points(data)
    if points.missing:
        return Evaluation(NAME, own_notes=points.notes, missing=points.missing)
    fit = CalibrationFit(study, data, points)
    parts = (_line, _ordinary_tests, _weighted_tests, _line_through_zero, _weighted_line, _departures, _single_point)
    computed = [part(fit) for part in parts]
    quantities = tuple(q for part, _ in computed for q in part)
    notes = (*fit.notes, *(note for _, part in computed for note in part))
    return Evaluation(NAME, quantities, _flags(fit), notes, show=lambda: calibration_display(fit, quantities))


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The departures from the line that is weighted by 1/s(x)^2."""
    data = study.ready(NAME)
    points = None if data is None else calibration_points(data)
    if data is None or points is None or points.missing:
        return {}
    # s(x) alone is wanted here: one draw keeps the bootstrap of the tests from being repeated.
    weighted = CalibrationFit(study, data, points, draws=1).weighted_departures()
    return {"weighted line": weighted} if weighted else {}


def _line(fit: CalibrationFit) -> Part:
    slope, intercept = fit.line.coefficient(1), fit.line.coefficient(0)
    quantities = [
        fit.quantity("slope", slope, fit.slope_unit, notes=_of_runs(fit, slope)),
        fit.quantity("intercept", intercept, fit.response_unit, notes=_of_runs(fit, intercept)),
    ]
    if fit.line.degrees_of_freedom < 1:
        few = "Two readings: no residual standard deviation is available. Read more levels, and more often."
        return quantities, [few]
    residual = fit.line.residual_estimate()
    return [*quantities, fit.quantity("residual_sd", residual, fit.response_unit, notes=[RESIDUAL_NOTE])], ()


def _of_runs(fit: CalibrationFit, coefficient: Estimate) -> list[str]:
    """What must be said of the interval of a coefficient where there are runs."""
    return [RUNS_NOTE] if fit.points.several_runs and coefficient.distribution is not None else []


def _ordinary_tests(fit: CalibrationFit) -> Part:
    p = fit.points
    quantities, notes = [], []
    for name, words, test in (
        ("lack_of_fit", "Ordinary lack of fit", lack_of_fit(p.x, p.y, p.levels)),
        ("mandel", "Mandel's comparison", mandel(p.x, p.y)),
    ):
        if test.statistic is None or test.p is None:
            notes.append(f"{words} is not available. {test.reason}")
            continue
        for part, value in (("F", test.statistic), ("p", test.p)):
            estimate = Estimate(value, n=len(p.x), notes=(SHOWN_NOTE,), source=test.source)
            quantities.append(fit.quantity(f"{name}_{part}", estimate, "1"))
    return quantities, notes


def _weighted_tests(fit: CalibrationFit) -> Part:
    tests = fit.tests
    if tests.lack_of_fit_p is None or tests.curvature_p is None:
        return [], [f"The weighted tests of straightness are not available. {tests.reason}"]
    notes = (
        f"{tests.draws} simulated data sets of fixed seed; the interval of p is what their number leaves open.",
        f"The unit of this test is the {tests.unit}.",
        *tests.notes,
    )
    both = {"weighted_lack_of_fit_p": tests.lack_of_fit_p, "weighted_curvature_p": tests.curvature_p}
    return [fit.quantity(key, p, "1", unit_name=f"{tests.unit}s", notes=notes) for key, p in both.items()], ()


def _line_through_zero(fit: CalibrationFit) -> Part:
    slope = line_through_zero(fit.points.x, fit.points.y).coefficient(1)
    return [fit.quantity("slope_through_zero", slope, fit.slope_unit, notes=_of_runs(fit, slope))], ()


def _weighted_line(fit: CalibrationFit) -> Part:
    """The line weighted by the spread, and the spread itself."""
    sd, line = fit.sd, fit.weighted
    if sd is None or line is None:
        return [], ["No spread of replicates is known: s(x) and the weighted line are not available."]
    slope, intercept = line.coefficient(1), line.coefficient(0)
    df = sd.degrees_of_freedom if np.isfinite(sd.degrees_of_freedom) else None
    constant, growth = (
        Estimate(value, degrees_of_freedom=df, n=len(fit.points.x), notes=(*sd.notes, BOUND_NOTE), source=sd.source)
        for value in (sd.constant, sd.slope)
    )
    origin = [f"s(x) comes from {fit.tests.sd_from or 'replicates within runs'}."]
    return [
        fit.quantity("weighted_slope", slope, fit.slope_unit, notes=[WEIGHTS_NOTE, *_of_runs(fit, slope)]),
        fit.quantity(
            "weighted_intercept", intercept, fit.response_unit, notes=[WEIGHTS_NOTE, *_of_runs(fit, intercept)]
        ),
        fit.quantity("sd_constant", constant, fit.response_unit, notes=origin),
        fit.quantity("sd_slope", growth, fit.slope_unit, notes=origin),
    ], ()


def _departures(fit: CalibrationFit) -> Part:
    if fit.line.slope == 0:
        return [], ["The line is level: responses cannot be read back, and no departure can be formed."]
    return fit.departures(), ()


def _single_point(fit: CalibrationFit) -> Part:
    p, (routine, notes) = fit.points, fit.routine
    if routine is None:
        return [], notes
    try:
        errors = single_point_bias(p.x, p.y, p.levels, p.runs, routine=routine)
    except ValueError:
        flat = "The mean response at the routine level is zero: no one-point factor can be formed."
        return [], [*notes, flat]
    return [
        fit.at_level("single_point_bias", level, error, _behind(fit, level, routine))
        for level, error in enumerate(errors)
        if error is not None
    ], notes


def _behind(fit: CalibrationFit, level: int, routine: int) -> tuple[list[str], int]:
    """The readings at the level and, behind the factors, at the routine level of the runs that hold both; and how many
    of these two levels are censored.
    """
    p = fit.points
    runs = np.zeros(len(p.x), dtype=int) if p.runs is None else p.runs
    both = set(runs[p.levels == level].tolist()) & set(runs[p.levels == routine].tolist())
    rows = np.flatnonzero(np.isin(p.levels, (level, routine)) & np.isin(runs, sorted(both)))
    places = dict.fromkeys((p.names[level], p.names[routine]))
    return [p.readings[row] for row in rows], sum(fit.data.censored_at("level", name) for name in places)


def _flags(fit: CalibrationFit) -> tuple[Flag, ...]:
    """Grubbs' test on the residuals of each level, at 1 %: it points, and nothing is left out."""
    p, flags = fit.points, []
    for code, name in enumerate(p.names):
        rows = np.flatnonzero(p.levels == code)
        if len(rows) < 3:
            continue
        test = grubbs_single([float(value) for value in fit.line.residuals[rows]], alpha=OUTLIER_ALPHA)
        if test.exceeded:
            reason = f"The residual lies far from the others at level {level_text(name)}; look for a cause."
            reading, worksheet = p.readings[rows[test.index]], fit.data.worksheet
            flags.append(Flag(reading, test.test, test.statistic, test.critical, True, reason, name, worksheet))
    return tuple(flags)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    view: CalibrationView = evaluation.display.view
    sentences = []
    if view.departures:
        worst = _largest(view.departures)
        sentences.append(
            f"The mean departure from the ordinary line is largest at {level_text(worst.at)} {unit}: "
            f"{_with_unit(worst, unit)}."
        )
    sentences += _tests_in_words(evaluation)
    if view.single_point and view.routine is not None:
        worst, by_construction = _largest(view.single_point), "At the routine level it is zero by construction."
        sentences.append(
            f"Calibrated by the single level {level_text(view.routine)} {unit} through zero, the error is largest at "
            f"{level_text(worst.at)} {unit}: {_with_unit(worst, unit)}. {by_construction}"
        )
    sentences += _others_in_words(view, unit)
    if view.spread is not None:
        constant, growth = (significant(part, 2) for part in view.spread)
        sentences.append(
            f"The spread of one reading, in result units, is about {constant} + {growth} x level ({unit})."
        )
    unheld = [level_text(q.at) for q in view.single_point if q.interval is None]
    if unheld:
        sentences.append(f"No interval could be formed at {sentence_list(unheld)} {unit}.")
    return sentences


def _tests_in_words(evaluation: Evaluation) -> list[str]:
    lack, bend = (evaluation.get(f"{NAME}.weighted_{name}_p") for name in ("lack_of_fit", "curvature"))
    if lack is None or bend is None:
        return []
    return [
        f"If the response were straight, a misfit as large as this would turn up with probability "
        f"{p_value(lack.value)}, and a bend as large as this with probability {p_value(bend.value)}. "
        "These weigh the readings by their spread and count what they are independent in.",
        "Whether a departure matters is decided by its size in result units against the limit, not by p.",
    ]


def _others_in_words(view: CalibrationView, unit: str) -> list[str]:
    """How far other calibrations would have erred on the same readings, and that this claims none of them."""
    if len(view.tried) < 2:
        return []
    largest = [
        f"{_with_unit(one.worst, unit)} at {level_text(one.worst.at)} {unit} by "
        f"{'' if one.made_from else 'a '}{one.named(unit)}"
        for one in view.tried
        if one.worst is not None
    ]
    return [
        f"What other calibrations would have given on the same readings, each run calibrated by itself: at most "
        f"{'; '.join(largest)}. The readings made the calibrations that are tried on them, so these errors are smaller "
        "than new readings would show: to claim one of them needs new readings, taken with it."
    ]


def _largest(quantities: Sequence[Quantity]) -> Quantity:
    return max(quantities, key=lambda q: abs(q.value))


def _with_unit(estimate: Quantity | LevelError, unit: str) -> str:
    """Value and interval in a sentence."""
    value, interval = with_interval(estimate.value, estimate.interval)
    return f"{value} {unit} ({interval})" if interval else f"{value} {unit}"


_DRAPER = "Draper and Smith 1998, chapter 1 (from memory)"
_WEIGHTED = "Draper and Smith 1998, chapter 9 (from memory)"
_DAVIDIAN = "Davidian and Carroll 1987 (from memory)"
_LINE_CHECKS = (
    "NIST StRD, Linear Regression, Norris, certified values",
    "NIST StRD, Linear Regression, Pontius, NoInt1 and NoInt2, certified values",
    "JCGM 100:2008 (GUM), H.3",
    "ISO/TS 28037:2010, 6.3 example 1",
    "NIST/SEMATECH e-Handbook, 2.3.6.7",
)
_TWO_SIDED: tuple[Rule, ...] = ("equivalence", "upper bound", "lower bound", "point")
_STRAIGHT = "probability of so large an F if the response were straight and its spread equal"
_LIKELIHOOD = "likelihood of sums of squares, a >= 0, b >= 0"
_SHARE = "p = (1 + draws at or beyond) / (1 + draws)"


def _key(
    name: str,
    meaning: str,
    symbol: str,
    formula: str,
    source: str,
    unit: Literal["study", "response", "response/level", "1"],
    *rules: Rule,
    at: Literal["level", "none"] = "none",
    checked: tuple[str, ...] = (),
) -> KeyInfo:
    return KeyInfo(f"{NAME}.{name}", meaning, symbol, formula, source, at, unit, rules, checked_against=checked)


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Calibration function and one-point calibration",
    position=10,
    experiment=NAME,
    method=(
        "A straight line of response on reference value is fitted to all readings by ordinary least squares.",
        "Straightness is judged by size: how far each run's mean response at a level lies from the run's own line, in "
        "result units, averaged over the runs.",
        "Beside it stand two tests that weigh readings by their spread s(x) = a + b x and take the run as the unit.",
        "The routine calibration by one point through zero is repeated on the same readings, run by run, and beside "
        "it, to compare and not to claim, a calibration by two points, by a straight line and by a parabola.",
    ),
    keys=(
        _key(
            "slope", "slope of the ordinary line of response on level", "b", "b = Sxy / Sxx", _DRAPER,
            "response/level", *_TWO_SIDED, checked=_LINE_CHECKS,
        ),
        _key(
            "intercept", "intercept of the ordinary line", "a", "a = mean(y) - b mean(x)", _DRAPER,
            "response", *_TWO_SIDED, checked=_LINE_CHECKS,
        ),
        _key(
            "residual_sd", "residual standard deviation about the ordinary line", "s_y",
            "s_y = sqrt(sum(residual^2) / (n - 2))", _DRAPER,
            "response", "upper bound", "point", checked=_LINE_CHECKS,
        ),
        _key(
            "lack_of_fit_F", "ordinary lack of fit against the pure error of replicates", "F",
            "F = (SS_lack / df) / (SS_pure / df)", LACK_OF_FIT_SOURCE, "1",
        ),
        _key("lack_of_fit_p", _STRAIGHT, "p", "p = P(F(df1, df2) > F)", LACK_OF_FIT_SOURCE, "1"),
        _key(
            "mandel_F", "straight line against parabola", "F", "F = ((n - 2) s1^2 - (n - 3) s2^2) / s2^2",
            MANDEL_SOURCE, "1",
        ),
        _key("mandel_p", _STRAIGHT, "p", "p = P(F(1, n - 3) > F)", MANDEL_SOURCE, "1"),
        _key(
            "weighted_lack_of_fit_p", "probability of so large a weighted misfit if the response were straight", "p",
            _SHARE, BOOTSTRAP_SOURCE, "1", "lower bound",
        ),
        _key(
            "weighted_curvature_p", "probability of so large a weighted bend if the response were straight", "p",
            _SHARE, BOOTSTRAP_SOURCE, "1", "lower bound",
        ),
        _key(
            "slope_through_zero", "slope of the ordinary line through zero", "b_0", "b_0 = sum(x y) / sum(x^2)",
            _DRAPER, "response/level", *_TWO_SIDED,
            checked=("NIST StRD, Linear Regression, NoInt1 and NoInt2, certified values",),
        ),
        _key(
            "weighted_slope", "slope of the line weighted by 1/s(x)^2", "b_w", "b_w = Sxy / Sxx, weighted", _WEIGHTED,
            "response/level", *_TWO_SIDED,
            checked=("ISO/TS 28037:2010, 6.3 example 1", "Berthouex and Brown 2002, Tables 37.1 to 37.3"),
        ),
        _key(
            "weighted_intercept", "intercept of the line weighted by 1/s(x)^2", "a_w",
            "a_w = mean(y) - b_w mean(x), weighted", _WEIGHTED,
            "response", *_TWO_SIDED, checked=("ISO/TS 28037:2010, 6.3 example 1",),
        ),
        _key(
            "sd_constant", "spread of one reading at level zero, of the fitted s(x) = a + b x", "a", _LIKELIHOOD,
            _DAVIDIAN, "response", "point",
        ),
        _key(
            "sd_slope", "growth of the spread of one reading with the level", "b", _LIKELIHOOD, _DAVIDIAN,
            "response/level", "point",
        ),
        _key(
            "departure", "mean back-calculated level minus level", "d",
            "d = mean over runs of (mean(y) - a_run - b_run x) / b", DEPARTURE_SOURCE, "study", *_TWO_SIDED, at="level",
        ),
        _key(
            "single_point_bias", "error of the routine one-point calibration through zero", "d_1",
            "d_1 = mean over runs of (mean(y) / (mean(y_routine) / x_routine) - x)", SINGLE_POINT_SOURCE,
            "study", *_TWO_SIDED, at="level",
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=(
        *("response_and_line", "residuals", "departure_by_level", "single_point_bias_by_level", "other_calibrations"),
    ),
    alternatives=alternatives,
)  # fmt: skip
