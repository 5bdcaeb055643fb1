"""Calibration function: the straight line, how far the readings depart from it, and whether one point suffices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo, Rule
from validation.characteristics._calibration_points import CalibrationPoints, calibration_points
from validation.characteristics._censored import all_censored, lost_levels
from validation.stats import calibration as statistics
from validation.stats.estimate import OldEstimate
from validation.stats.outliers import grubbs_single
from validation.stats.regression import PolynomialResult, line_through_zero, quadratic, straight_line
from validation.stats.variance_function import LinearSdResult
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Evaluation, Flag, Quantity
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
ON_REFERENCE_NOTE = (
    "The column u_level is not used here: the intervals show scatter of readings and runs, not the uncertainty of the "
    "standards, which trueness takes up."
)
NEGATIVE_NOTE = "For the spread s(x) a level below zero counts as level zero."
SHOWN_NOTE = "Shown, not judged: it takes the spread as equal at all levels and readings of one run as independent."


def evaluate(study: Study) -> Evaluation:
    """Every calibration quantity of the study; `missing` where there are no readings or no line can be fitted."""
    data = study.ready("calibration")
    if data is None:
        planned = "calibration" in study.experiments
        awaited = all_censored(study, "calibration") or "The calibration worksheet awaits readings."
        said = awaited if planned else "No calibration experiment is planned."
        return Evaluation("calibration", missing=said)
    points = calibration_points(data)
    if points.missing:
        return Evaluation("calibration", notes=points.notes, missing=points.missing)
    return _Chapter(study, data, points).evaluation()


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The departures from the line that is weighted by 1/s(x)^2."""
    data = study.ready("calibration")
    points = None if data is None else calibration_points(data)
    if data is None or points is None or points.missing:
        return {}
    chapter = _Chapter(study, data, points)
    # s(x) alone is wanted here: one draw keeps the bootstrap of the tests from being repeated.
    chapter.fit(draws=1)
    return chapter.by_weighted_line()


class _Chapter:
    """The work of one evaluation: what every quantity of it shares."""

    def __init__(self, study: Study, data: ExperimentData, points: CalibrationPoints):
        self.study, self.data, self.points = study, data, points
        self.response_unit = str(data.settings.get("response_unit", "response units"))
        self.levels = (study.confidence, study.judged_confidence)
        self.notes: list[str] = [*data.notes, *lost_levels(data), *points.notes]
        if "u_level" in data.table:
            self.notes.append(ON_REFERENCE_NOTE)
        if min(points.mean_x(code) for code in range(len(points.names))) < 0:
            self.notes.append(NEGATIVE_NOTE)
        if "response_unit" not in data.settings:
            self.notes.append("The plan does not state `response_unit`: the unit of the responses is not named.")

    def fit(self, *, draws: int = statistics.DRAWS) -> None:
        """The ordinary line, the weighted tests and s(x)."""
        p = self.points
        self.line = straight_line(p.x, p.y)
        self.tests = statistics.weighted_tests(
            p.x, p.y, p.levels, p.runs, confidence=self.study.confidence, draws=draws
        )
        self.sd = self.tests.sd or statistics.sd_of_readings(p.x, p.y, p.levels, p.runs)

    def by_weighted_line(self) -> dict[str, list[Quantity]]:
        """The departures read back through the weighted line; nothing where no spread is known."""
        p, weighted = self.points, self._weighted()
        if weighted is None or self.sd is None or weighted.slope == 0:
            return {}
        weights = [float(weight) for weight in _weights(self.sd, p.x)]
        both = [statistics.departures(p.x, p.y, p.levels, p.runs, confidence=c, weights=weights) for c in self.levels]
        pairs = enumerate(zip(*both, strict=True))
        return {"weighted line": [self._at_level("departure", level, pair) for level, pair in pairs]}

    def evaluation(self) -> Evaluation:
        self.fit()
        quantities = [*self._line(), *self._ordinary_tests(), *self._weighted_tests(), *self._other_lines()]
        quantities += [*self._departures(), *self._single_point()]
        details = self._details(quantities)
        return Evaluation(
            "calibration", tuple(quantities), self._flags(), tuple(dict.fromkeys(self.notes)), "", details
        )

    def _quantity(self, key: str, at: At, estimates: Sequence[OldEstimate], unit: str, **more: Any) -> Quantity:
        readings = more.pop("readings", self.points.readings)
        # A censored response would have entered the line, and with it whatever is read back through the line.
        censored = more.pop("censored", len(self.data.censored))
        said = [f"{censored} censored reading(s) of this worksheet were left out."] if censored else []
        return Quantity.from_estimate(
            f"calibration.{key}",
            at,
            estimates[0],
            unit=unit,
            worksheet=self.data.worksheet,
            readings=readings,
            judged=estimates[1],
            notes=[*more.pop("notes", ()), *said],
            censored=censored,
            **more,
        )

    def _line(self) -> list[Quantity]:
        slope, intercept = ([self.line.coefficient(k, confidence=c) for c in self.levels] for k in (1, 0))
        per_level = f"{self.response_unit}/{self.study.unit}"
        found = [
            self._quantity("slope", None, slope, per_level, notes=self._shared(slope)),
            self._quantity("intercept", None, intercept, self.response_unit, notes=self._shared(intercept)),
        ]
        if self.line.degrees_of_freedom < 1:
            self.notes.append(
                "Two readings: no residual standard deviation is available. Read more levels, and more often."
            )
            return found
        residual = [self.line.residual_estimate(confidence=c) for c in self.levels]
        return [*found, self._quantity("residual_sd", None, residual, self.response_unit, notes=[RESIDUAL_NOTE])]

    def _shared(self, estimates: Sequence[OldEstimate]) -> list[str]:
        """What must be said of the interval of an ordinary coefficient where there are runs."""
        several = self.points.runs is not None and len(self.points.run_names) > 1
        return [RUNS_NOTE] if several and estimates[0].interval is not None else []

    def _ordinary_tests(self) -> list[Quantity]:
        p, found = self.points, []
        for name, words, test in (
            ("lack_of_fit", "ordinary lack of fit", statistics.lack_of_fit(p.x, p.y, p.levels)),
            ("mandel", "Mandel's comparison", statistics.mandel(p.x, p.y)),
        ):
            if test.statistic is None or test.p is None:
                self.notes.append(f"{words[0].upper()}{words[1:]} is not available. {test.reason}")
                continue
            for part, value in (("F", test.statistic), ("p", test.p)):
                estimate = OldEstimate(value, n=len(p.x), notes=(SHOWN_NOTE,), source=test.source)
                found.append(self._quantity(f"{name}_{part}", None, [estimate, estimate], "1"))
        return found

    def _weighted_tests(self) -> list[Quantity]:
        p, tests = self.points, self.tests
        if tests.lack_of_fit_p is None or tests.curvature_p is None:
            self.notes.append(f"The weighted tests of straightness are not available. {tests.reason}")
            return []
        judged = statistics.weighted_tests(p.x, p.y, p.levels, p.runs, confidence=self.study.judged_confidence)
        # The same readings and the same draws: what exists at one confidence exists at the other.
        assert judged.lack_of_fit_p is not None
        assert judged.curvature_p is not None
        said = (
            f"{tests.draws} simulated data sets of fixed seed; the interval of p is what their number leaves open.",
            f"The unit of this test is the {tests.unit}.",
            *tests.notes,
        )
        unit_name = "runs" if tests.unit == "run" else "readings"
        pairs = (
            ("weighted_lack_of_fit_p", [tests.lack_of_fit_p, judged.lack_of_fit_p]),
            ("weighted_curvature_p", [tests.curvature_p, judged.curvature_p]),
        )
        return [self._quantity(key, None, pair, "1", unit_name=unit_name, notes=said) for key, pair in pairs]

    def _other_lines(self) -> list[Quantity]:
        p, per_level = self.points, f"{self.response_unit}/{self.study.unit}"
        zero = line_through_zero(p.x, p.y)
        slopes = [zero.coefficient(1, confidence=c) for c in self.levels]
        found = [self._quantity("slope_through_zero", None, slopes, per_level, notes=self._shared(slopes))]
        if self.sd is None or self.sd.constant + self.sd.slope <= 0:
            self.notes.append("No spread of replicates is known: s(x) and the weighted line are not available.")
            return found
        weighted = self._weighted()
        assert weighted is not None
        for key, power, unit in (("weighted_slope", 1, per_level), ("weighted_intercept", 0, self.response_unit)):
            estimates = [weighted.coefficient(power, confidence=c) for c in self.levels]
            said = [WEIGHTS_NOTE, *self._shared(estimates)]
            found.append(self._quantity(key, None, estimates, unit, notes=said))
        said = [f"s(x) comes from {self.tests.sd_from or 'replicates within runs'}."]
        for key, value, unit in (
            ("sd_constant", self.sd.constant, self.response_unit),
            ("sd_slope", self.sd.slope, per_level),
        ):
            df = self.sd.degrees_of_freedom
            known = df if np.isfinite(df) else None
            note = "No interval is formed for a parameter that has a bound at zero."
            estimate = OldEstimate(
                value, degrees_of_freedom=known, n=len(p.x), notes=(*self.sd.notes, note), source=self.sd.source
            )
            found.append(self._quantity(key, None, [estimate, estimate], unit, notes=said))
        return found

    def _weighted(self) -> PolynomialResult | None:
        if self.sd is None or self.sd.constant + self.sd.slope <= 0:
            return None
        p = self.points
        return straight_line(p.x, p.y, weights=_weights(self.sd, p.x))

    def _departures(self) -> list[Quantity]:
        p = self.points
        if self.line.slope == 0:
            self.notes.append("The line is level: responses cannot be read back, and no departure can be formed.")
            return []
        both = [statistics.departures(p.x, p.y, p.levels, p.runs, confidence=c) for c in self.levels]
        return [self._at_level("departure", level, pair) for level, pair in enumerate(zip(*both, strict=True))]

    def _single_point(self) -> list[Quantity]:
        p, routine = self.points, self._routine()
        if routine is None:
            return []
        try:
            both = [
                statistics.single_point_bias(p.x, p.y, p.levels, p.runs, routine=routine, confidence=c)
                for c in self.levels
            ]
        except ValueError:
            self.notes.append("The mean response at the routine level is zero: no one-point factor can be formed.")
            return []
        found = []
        for level, (first, second) in enumerate(zip(*both, strict=True)):
            if first is not None and second is not None:
                more = self._behind_single_point(level, routine)
                found.append(self._at_level("single_point_bias", level, (first, second), **more))
        return found

    def _behind_single_point(self, level: int, routine: int) -> dict[str, Any]:
        """The readings at the level and, behind the factors, at the routine level of the runs that hold both."""
        p = self.points
        runs = np.zeros(len(p.x), dtype=int) if p.runs is None else p.runs
        both = set(runs[p.levels == level].tolist()) & set(runs[p.levels == routine].tolist())
        rows = np.flatnonzero(np.isin(p.levels, (level, routine)) & np.isin(runs, sorted(both)))
        places = dict.fromkeys((p.names[level], p.names[routine]))
        censored = sum(self.data.censored_at("level", name) for name in places)
        return {"readings": [p.readings[row] for row in rows], "censored": censored}

    def _at_level(self, key: str, level: int, pair: Sequence[OldEstimate], **more: Any) -> Quantity:
        unit_name = "readings" if pair[0].units is None else "runs"
        ids = more.pop("readings", self.points.readings_at(level))
        name = self.points.names[level]
        return self._quantity(key, name, pair, self.study.unit, readings=ids, unit_name=unit_name, **more)

    def _routine(self) -> int | None:
        """The code of the routine level; None with a note where it has no readings."""
        p = self.points
        usable = [code for code in range(len(p.names)) if p.mean_x(code) > 0]
        if not usable:
            self.notes.append("No level lies above zero: a one-point calibration cannot be formed.")
            return None
        stated = self.data.settings.get("routine_level")
        if stated is None:
            middle = sum(self.study.plan.study.range) / 2
            # Rounded, so that two levels as far from the middle tie although their doubles do not.
            chosen = min(usable, key=lambda code: (float(f"{abs(p.mean_x(code) - middle):.9g}"), p.mean_x(code)))
            self.notes.append(
                f"The plan states no `routine_level`: {level_text(p.names[chosen])}, nearest the middle of the range, "
                "is taken."
            )
            return chosen
        for code in usable:
            name = p.names[code]
            if (isinstance(name, float) and abs(name - stated) <= 1e-9 * abs(stated)) or p.mean_x(code) == stated:
                return code
        self.notes.append(
            f"No reading is at the routine level {level_text(stated)}: one-point bias is not available. "
            "Read that level, or state another `routine_level`."
        )
        return None

    def _flags(self) -> tuple[Flag, ...]:
        """Grubbs' test on the residuals of each level, at 1 %: it points, and nothing is left out."""
        p, found = self.points, []
        for code, name in enumerate(p.names):
            rows = np.flatnonzero(p.levels == code)
            if len(rows) < 3:
                continue
            test = grubbs_single([float(value) for value in self.line.residuals[rows]], alpha=OUTLIER_ALPHA)
            if test.exceeded:
                said = f"The residual lies far from the others at level {level_text(name)}; look for a cause."
                reading, worksheet = p.readings[rows[test.index]], self.data.worksheet
                found.append(Flag(reading, test.test, test.statistic, test.critical, True, said, name, worksheet))
        return tuple(found)

    # --- what figures and tables read ---------------------------------------------------------------------------------

    def _details(self, quantities: list[Quantity]) -> dict[str, Any]:
        p, line = self.points, self.line
        order, order_from = _order(self.data, p)
        slope = line.slope or None
        sd = (
            None
            if self.sd is None or slope is None
            else [part / abs(slope) for part in (self.sd.constant, self.sd.slope)]
        )
        rows = [
            {
                "reading": p.readings[i],
                "line": p.lines[i],
                "level": p.names[p.levels[i]],
                "run": p.run_names[p.runs[i]] if p.runs is not None else "",
                "order": order[i],
                "x": p.x[i],
                "response": float(p.y[i]),
                "residual": None if slope is None else float(line.residuals[i]) / slope,
            }
            for i in range(len(p.x))
        ]
        routine = self._routine_name(quantities)
        others = None if self.study.looked_at_otherwise else self._other_calibrations()
        return {
            "points": rows,
            "line": {"intercept": line.intercept, "slope": line.slope},
            "order_from": order_from,
            "response_unit": self.response_unit,
            "routine": routine,
            "level_x": [[p.names[code], p.mean_x(code)] for code in range(len(p.names))],
            "sd": sd,
            "tests": {
                "unit": self.tests.unit,
                "lack_of_fit_F": self.tests.lack_of_fit_F,
                "curvature_F": self.tests.curvature_F,
                "lack_of_fit_df": self.tests.lack_of_fit_df,
                "scatter_df": self.tests.scatter_df,
            },
            "other_calibrations": others,
            "tables": [
                self._functions_table(),
                self._levels_table(quantities),
                *([] if others is None else [self._others_table(others)]),
            ],
        }

    def _other_calibrations(self) -> dict[str, Any]:
        """What calibrations that were not used would have given on the same readings; nothing here is a quantity."""
        p = self.points
        top = self.study.plan.study.range[1]
        within = [code for code in range(len(p.names)) if p.mean_x(code) <= top * (1 + 1e-9)]
        ends = (0, within[-1] if within and within[-1] > 0 else len(p.names) - 1)
        notes, self.notes = self.notes, []
        routine = self._routine()
        self.notes = notes  # what is to be said of the routine level was said with the one-point bias
        found = statistics.other_calibrations(
            p.x, p.y, p.levels, p.runs, routine=routine, ends=ends, confidence=self.study.confidence
        )
        tried = [
            {
                "name": one.name,
                "made_from": [p.names[code] for code in one.levels] if len(one.levels) < 3 else [],
                "errors": [
                    {"at": p.names[code], "x": p.mean_x(code), "value": error.value, "interval": _ends(error)}
                    for code, error in enumerate(one.errors)
                    if error is not None
                ],
            }
            for one in found
            if not one.reason
        ]
        self.notes += [f"A calibration by {one.name} cannot be tried: {one.reason}" for one in found if one.reason]
        return {"confidence": self.study.confidence, "range": list(self.study.plan.study.range), "tried": tried}

    def _others_table(self, others: Mapping[str, Any]) -> dict[str, Any]:
        tried = others["tried"]
        errors = [{error["at"]: error["value"] for error in one["errors"]} for one in tried]
        rows = [[name, *(own.get(name) for own in errors)] for name in self.points.names]
        return {
            "caption": f"Other calibrations on the same readings: mean error by level / {self.study.unit}",
            "head": ["level", *(named_calibration(one) for one in tried)],
            "rows": rows,
        }

    def _routine_name(self, quantities: list[Quantity]) -> At:
        own = [q for q in quantities if q.key == "calibration.single_point_bias"]
        return next((q.at for q in own if q.interval == (0.0, 0.0)), None)

    def _functions_table(self) -> dict[str, Any]:
        """The calibration functions side by side, with what each leaves unexplained."""
        p, unit = self.points, self.study.unit
        fits: list[tuple[str, PolynomialResult]] = [
            ("straight line, ordinary", self.line),
            ("line through zero, ordinary", line_through_zero(p.x, p.y)),
        ]
        bend = len(set(p.x)) >= 3
        if bend:
            fits.append(("quadratic, ordinary", quadratic(p.x, p.y)))
        if self._weighted() is not None and self.sd is not None:
            weights = _weights(self.sd, p.x)
            fits.append(("straight line, weighted", straight_line(p.x, p.y, weights=weights)))
            fits.append(("line through zero, weighted", line_through_zero(p.x, p.y, weights=weights)))
            if bend:
                fits.append(("quadratic, weighted", quadratic(p.x, p.y, weights=weights)))
        head = ["function", "constant", "u", f"of level ({self.response_unit}/{unit})", "u", "of level squared", "u"]
        rows = []
        for name, fit in fits:
            cells: list[Any] = []
            for power in (0, 1, 2):
                position = power - fit.first_power
                if 0 <= position < len(fit.coefficients):
                    known = fit.degrees_of_freedom > 0
                    error = float(fit.standard_errors[position]) if known else None
                    cells += [float(fit.coefficients[position]), error]
                else:
                    cells += [None, None]
            weighted = name.endswith("weighted")
            rows.append([name, *cells, None if weighted or fit.degrees_of_freedom < 1 else fit.residual_sd])
        return {
            "caption": f"Calibration functions side by side, responses in {self.response_unit}; u: standard error.",
            "head": [*head, "residual s"],
            "rows": rows,
        }

    def _levels_table(self, quantities: list[Quantity]) -> dict[str, Any]:
        p, unit = self.points, self.study.unit
        y = np.array([float(value) for value in p.y])
        found = {(q.key, q.at): q for q in quantities}
        weighted = {} if self.study.looked_at_otherwise else self.by_weighted_line()
        others = {q.at: q.value for q in weighted.get("weighted line", ())}
        rows = []
        for code, name in enumerate(p.names):
            own = y[p.levels == code]
            departure = found.get(("calibration.departure", name))
            bias = found.get(("calibration.single_point_bias", name))
            rows.append(
                [
                    level_text(name),
                    len(own),
                    float(own.mean()),
                    float(own.std(ddof=1)) if len(own) > 1 else None,
                    None if self.sd is None else self.sd.at(max(p.mean_x(code), 0.0)),
                    None if departure is None else departure.value,
                    others.get(name),
                    None if bias is None else bias.value,
                ]
            )
        return {
            "caption": f"Responses by level ({self.response_unit}); departure from the ordinary and from the weighted "
            f"line and one-point bias in {unit}",
            "head": [
                *("level", "n", "mean response", "s of all", "fitted s(x)", "departure", "from the weighted line"),
                "one-point bias",
            ],
            "rows": rows,
        }


def _ends(error: OldEstimate) -> list[float] | None:
    return None if error.interval is None else list(error.interval)


def named_calibration(tried: Mapping[str, Any], unit: str = "") -> str:
    """ "two points, 0 and 10 %", as tables and sentences name a calibration that was tried."""
    places = sentence_list([level_text(at) for at in tried["made_from"]])
    return f"{tried['name']}, {places} {unit}".rstrip() if places else str(tried["name"])


def _weights(sd: LinearSdResult, x: Sequence[float]) -> np.ndarray:
    """Weights 1/s(x)^2; a blank weighed a little below zero counts as zero."""
    return 1 / np.array([sd.at(max(value, 0.0)) for value in x]) ** 2


def _order(data: ExperimentData, points: CalibrationPoints) -> tuple[list[float], str]:
    """The order of measurement: the column `order` where it holds a number for each reading, else the worksheet's."""
    by_reading = dict(zip(map(str, data.table["reading"]), data.table.get("order", ()), strict=False))
    try:
        order = [float(str(by_reading[reading])) for reading in points.readings]
    except (KeyError, ValueError):
        return [float(i + 1) for i in range(len(points.readings))], "order of the worksheet"
    if points.runs is None or len(set(order)) == len(order):
        return order, "column order"
    # Each run counts from 1: the runs follow one another as the worksheet lists them.
    ranked = sorted(range(len(order)), key=lambda i: (int(points.runs[i]), order[i]))  # type: ignore[index]
    place = {row: position for position, row in enumerate(ranked, start=1)}
    return [float(place[i]) for i in range(len(order))], "column order, run after run"


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    said = []
    largest = _largest([q for q in evaluation.quantities if q.key == "calibration.departure"])
    if largest is not None and largest.value is not None:
        value, interval = with_interval(largest.value, largest.interval)
        sure = f" ({interval})" if interval else ""
        said.append(
            f"Read back through the ordinary line, the mean departs most at {level_text(largest.at)} {unit}: "
            f"by {value} {unit}{sure}."
        )
    lack, bend = (evaluation.get(f"calibration.weighted_{name}_p") for name in ("lack_of_fit", "curvature"))
    if lack is not None and bend is not None and lack.value is not None and bend.value is not None:
        said.append(
            f"If the response were straight, a misfit as large as this would turn up with probability "
            f"{p_value(lack.value)}, and a bend as large as this with probability {p_value(bend.value)}. "
            "These weigh the readings by their spread and count what they are independent in."
        )
        said.append("Whether a departure matters is told by its size in result units against the limit, not by p.")
    bias = [q for q in evaluation.quantities if q.key == "calibration.single_point_bias"]
    worst = _largest(bias)
    routine = evaluation.details.get("routine")
    if worst is not None and worst.value is not None and routine is not None:
        value, interval = with_interval(worst.value, worst.interval)
        sure = f" ({interval})" if interval else ""
        said.append(
            f"Calibrated by the single level {level_text(routine)} {unit} through zero, the error is largest at "
            f"{level_text(worst.at)} {unit}: {value} {unit}{sure}. At the routine level it is zero by construction."
        )
    said += _others_in_words(evaluation, unit)
    sd = evaluation.details.get("sd")
    if sd is not None:
        said.append(
            f"The spread of one reading, in result units, is about {significant(sd[0], 2)} + {significant(sd[1], 2)} x "
            f"level ({unit})."
        )
    unheld = [level_text(q.at) for q in bias if q.interval is None]
    if unheld:
        said.append(f"No interval could be formed at {sentence_list(unheld)} {unit}.")
    return said


def _others_in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """How far other calibrations would have erred on the same readings, and that this claims none of them."""
    others = evaluation.details.get("other_calibrations")
    if not others or len(others["tried"]) < 2:
        return []
    low, high = others["range"]
    told = []
    for one in others["tried"]:
        inside = [error for error in one["errors"] if low <= error["x"] <= high * (1 + 1e-9)]
        if inside:
            worst = max(inside, key=lambda error: abs(error["value"]))
            value, interval = with_interval(worst["value"], worst["interval"])
            sure = f" ({interval})" if interval else ""
            article = "" if one["made_from"] else "a "
            told.append(
                f"{value} {unit}{sure} at {level_text(worst['at'])} {unit} by {article}{named_calibration(one, unit)}"
            )
    return [
        f"What other calibrations would have given on the same readings, each run calibrated by itself: at most "
        f"{'; '.join(told)}. The readings made the calibrations that are tried on them, so these errors are smaller "
        "than new readings would show: to claim one of them needs new readings, taken with it."
    ]


def _largest(quantities: list[Quantity]) -> Quantity | None:
    return max(quantities, key=lambda q: abs(q.value or 0.0), default=None)


_LINE_CHECKS = (
    "NIST StRD, Linear Regression, Norris, certified values",
    "NIST StRD, Linear Regression, Pontius, NoInt1 and NoInt2, certified values",
    "JCGM 100:2008 (GUM), H.3",
    "ISO/TS 28037:2010, 6.3 example 1",
    "NIST/SEMATECH e-Handbook, 2.3.6.7",
)
_TWO_SIDED: tuple[Rule, ...] = ("equivalence", "upper bound", "lower bound", "point")

CHARACTERISTIC = Characteristic(
    name="calibration",
    title="Calibration function and one-point calibration",
    position=10,
    experiment="calibration",
    method=(
        "A straight line of response on reference value is fitted to all readings by ordinary least squares.",
        "Straightness is judged by size: the mean response at each level, read back through the line, minus the level.",
        "Beside it stand two tests that weigh readings by their spread s(x) = a + b x and take the run as the unit.",
        "The routine calibration by one point through zero is repeated on the same readings, run by run, and beside "
        "it, to compare and not to claim, a calibration by two points, by a straight line and by a parabola.",
    ),
    keys=(
        KeyInfo(
            "calibration.slope",
            "slope of the ordinary line of response on level",
            "b",
            "b = Sxy / Sxx",
            "Draper and Smith 1998, chapter 1 (from memory)",
            "none",
            "response/level",
            _TWO_SIDED,
            checked_against=_LINE_CHECKS,
        ),
        KeyInfo(
            "calibration.intercept",
            "intercept of the ordinary line",
            "a",
            "a = mean(y) - b mean(x)",
            "Draper and Smith 1998, chapter 1 (from memory)",
            "none",
            "response",
            _TWO_SIDED,
            checked_against=_LINE_CHECKS,
        ),
        KeyInfo(
            "calibration.residual_sd",
            "residual standard deviation about the ordinary line",
            "s_y",
            "s_y = sqrt(sum(residual^2) / (n - 2))",
            "Draper and Smith 1998, chapter 1 (from memory)",
            "none",
            "response",
            ("upper bound", "point"),
            checked_against=_LINE_CHECKS,
        ),
        KeyInfo(
            "calibration.lack_of_fit_F",
            "ordinary lack of fit against the pure error of replicates",
            "F",
            "F = (SS_lack / df) / (SS_pure / df)",
            statistics.LACK_OF_FIT_SOURCE,
            "none",
            "1",
        ),
        KeyInfo(
            "calibration.lack_of_fit_p",
            "probability of so large an F if the response were straight and its spread equal",
            "p",
            "p = P(F(df1, df2) > F)",
            statistics.LACK_OF_FIT_SOURCE,
            "none",
            "1",
        ),
        KeyInfo(
            "calibration.mandel_F",
            "straight line against parabola",
            "F",
            "F = ((n - 2) s1^2 - (n - 3) s2^2) / s2^2",
            statistics.MANDEL_SOURCE,
            "none",
            "1",
        ),
        KeyInfo(
            "calibration.mandel_p",
            "probability of so large an F if the response were straight and its spread equal",
            "p",
            "p = P(F(1, n - 3) > F)",
            statistics.MANDEL_SOURCE,
            "none",
            "1",
        ),
        KeyInfo(
            "calibration.weighted_lack_of_fit_p",
            "probability of so large a weighted misfit if the response were straight",
            "p",
            "p = (1 + draws at or beyond) / (1 + draws)",
            statistics.BOOTSTRAP_SOURCE,
            "none",
            "1",
            ("lower bound",),
        ),
        KeyInfo(
            "calibration.weighted_curvature_p",
            "probability of so large a weighted bend if the response were straight",
            "p",
            "p = (1 + draws at or beyond) / (1 + draws)",
            statistics.BOOTSTRAP_SOURCE,
            "none",
            "1",
            ("lower bound",),
        ),
        KeyInfo(
            "calibration.slope_through_zero",
            "slope of the ordinary line through zero",
            "b_0",
            "b_0 = sum(x y) / sum(x^2)",
            "Draper and Smith 1998, chapter 1 (from memory)",
            "none",
            "response/level",
            _TWO_SIDED,
            checked_against=("NIST StRD, Linear Regression, NoInt1 and NoInt2, certified values",),
        ),
        KeyInfo(
            "calibration.weighted_slope",
            "slope of the line weighted by 1/s(x)^2",
            "b_w",
            "b_w = Sxy / Sxx, weighted",
            "Draper and Smith 1998, chapter 9 (from memory)",
            "none",
            "response/level",
            _TWO_SIDED,
            checked_against=("ISO/TS 28037:2010, 6.3 example 1", "Berthouex and Brown 2002, Tables 37.1 to 37.3"),
        ),
        KeyInfo(
            "calibration.weighted_intercept",
            "intercept of the line weighted by 1/s(x)^2",
            "a_w",
            "a_w = mean(y) - b_w mean(x), weighted",
            "Draper and Smith 1998, chapter 9 (from memory)",
            "none",
            "response",
            _TWO_SIDED,
            checked_against=("ISO/TS 28037:2010, 6.3 example 1",),
        ),
        KeyInfo(
            "calibration.sd_constant",
            "spread of one reading at level zero, of the fitted s(x) = a + b x",
            "a",
            "likelihood of sums of squares, a >= 0, b >= 0",
            "Davidian and Carroll 1987 (from memory)",
            "none",
            "response",
            ("point",),
        ),
        KeyInfo(
            "calibration.sd_slope",
            "growth of the spread of one reading with the level",
            "b",
            "likelihood of sums of squares, a >= 0, b >= 0",
            "Davidian and Carroll 1987 (from memory)",
            "none",
            "response/level",
            ("point",),
        ),
        KeyInfo(
            "calibration.departure",
            "mean back-calculated level minus level",
            "d",
            "d = (mean(y) - a) / b - x",
            statistics.DEPARTURE_SOURCE,
            "level",
            "study",
            _TWO_SIDED,
        ),
        KeyInfo(
            "calibration.single_point_bias",
            "error of the routine one-point calibration through zero",
            "d_1",
            "d_1 = mean over runs of (mean(y) / (mean(y_routine) / x_routine) - x)",
            statistics.SINGLE_POINT_SOURCE,
            "level",
            "study",
            _TWO_SIDED,
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=(
        *("response_and_line", "residuals", "departure_by_level", "single_point_bias_by_level", "other_calibrations"),
    ),
    alternatives=alternatives,
)
