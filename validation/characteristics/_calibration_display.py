"""Tables and view of the calibration chapter: functions side by side, levels, other calibrations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from validation.characteristics._calibration_fit import NAME, CalibrationFit
from validation.figures.calibration import CalibrationPoint, CalibrationView, LevelError, TriedCalibration
from validation.stats.calibration import OtherCalibration, other_calibrations
from validation.stats.regression import PolynomialResult, line_through_zero, quadratic, straight_line
from validation.study.quantity import At, Cell, Display, Quantity, Table
from validation.words import level_text


def calibration_display(fit: CalibrationFit, quantities: Sequence[Quantity]) -> Display:
    """Everything of the chapter that no requirement may look at."""
    others = _other_calibrations(fit)
    tried = tuple(_tried(fit, one) for one in others if not one.reason)
    return Display(
        notes=tuple(f"A calibration by {one.name} cannot be tried: {one.reason}" for one in others if one.reason),
        tables=(_functions_table(fit), _levels_table(fit, quantities), _others_table(fit, tried)),
        view=_view(fit, quantities, tried),
    )


def _view(fit: CalibrationFit, quantities: Sequence[Quantity], tried: tuple[TriedCalibration, ...]) -> CalibrationView:
    p, (routine, _) = fit.points, fit.routine
    order, order_from = _order(fit)
    single = tuple(q for q in quantities if q.key == f"{NAME}.single_point_bias")
    spread = None
    if fit.sd is not None and fit.line.slope:
        spread = (fit.sd.constant / abs(fit.line.slope), fit.sd.slope / abs(fit.line.slope))
    return CalibrationView(
        response_unit=fit.response_unit,
        order_from=order_from,
        points=tuple(_point(fit, row, order[row]) for row in range(len(p.x))),
        intercept=fit.line.intercept,
        slope=fit.line.slope,
        spread=spread,
        places=tuple((name, p.mean_x(code)) for code, name in enumerate(p.names)),
        routine=p.names[routine] if routine is not None and single else None,
        departures=tuple(q for q in quantities if q.key == f"{NAME}.departure"),
        single_point=single,
        tried=tried,
    )


def _point(fit: CalibrationFit, row: int, order: float) -> CalibrationPoint:
    p, slope = fit.points, fit.line.slope
    residual = float(fit.line.residuals[row]) / slope if slope else None
    return CalibrationPoint(p.readings[row], p.lines[row], order, p.x[row], float(p.y[row]), residual)


def _order(fit: CalibrationFit) -> tuple[list[float], str]:
    """The order of measurement: the column `order` where it holds a number for each reading, else the worksheet's."""
    points, table = fit.points, fit.data.table
    by_reading = dict(zip(map(str, table["reading"]), table.get("order", ()), strict=False))
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


# --- other calibrations on the same readings --------------------------------------------------------------------------


def _other_calibrations(fit: CalibrationFit) -> tuple[OtherCalibration, ...]:
    """What calibrations that were not used would have given on the same readings; nothing here is a quantity."""
    p, top = fit.points, fit.study.plan.study.range[1]
    within = [code for code in range(len(p.names)) if p.mean_x(code) <= top * (1 + 1e-9)]
    ends = (0, within[-1] if within and within[-1] > 0 else len(p.names) - 1)
    return other_calibrations(p.x, p.y, p.levels, p.runs, routine=fit.routine[0], ends=ends)


def _tried(fit: CalibrationFit, one: OtherCalibration) -> TriedCalibration:
    p, (low, high) = fit.points, fit.study.plan.study.range
    errors = tuple(
        LevelError(p.names[code], p.mean_x(code), error.value, error.interval(fit.study.confidence))
        for code, error in enumerate(one.errors)
        if error is not None
    )
    inside = [error for error in errors if low <= error.x <= high * (1 + 1e-9)]
    made_from = tuple(p.names[code] for code in one.levels) if len(one.levels) < 3 else ()
    worst = max(inside, key=lambda error: abs(error.value), default=None)
    return TriedCalibration(one.name, made_from, errors, worst)


def _others_table(fit: CalibrationFit, tried: Sequence[TriedCalibration]) -> Table:
    errors: list[Mapping[At, float]] = [{error.at: error.value for error in one.errors} for one in tried]
    rows = tuple((name, *(own.get(name) for own in errors)) for name in fit.points.names)
    caption = f"Other calibrations on the same readings: mean error by level / {fit.study.unit}"
    return Table("other calibrations", caption, ("level", *(one.named() for one in tried)), rows)


# --- functions and levels ---------------------------------------------------------------------------------------------


def _functions_table(fit: CalibrationFit) -> Table:
    """The calibration functions side by side, with what each leaves unexplained."""
    x, y = fit.points.x, fit.points.y
    functions = [("straight line", straight_line), ("line through zero", line_through_zero)]
    if len(set(x)) >= 3:
        functions.append(("quadratic", quadratic))
    rows = [_function_row(f"{name}, ordinary", function(x, y)) for name, function in functions]
    if fit.weights is not None:
        # The weighted residual is no standard deviation of a response.
        rows += [
            (*_function_row(f"{name}, weighted", function(x, y, weights=fit.weights))[:-1], None)
            for name, function in functions
        ]
    head = ("function", "constant", "u", f"of level ({fit.slope_unit})", "u", "of level squared", "u", "residual s")
    caption = f"Calibration functions side by side, responses in {fit.response_unit}; u: standard error."
    return Table("functions", caption, head, tuple(rows))


def _function_row(name: str, fit: PolynomialResult) -> tuple[Cell, ...]:
    known = fit.degrees_of_freedom > 0
    cells: list[Cell] = []
    for position in (power - fit.first_power for power in (0, 1, 2)):
        if 0 <= position < len(fit.coefficients):
            error = float(fit.standard_errors[position]) if known else None
            cells += [float(fit.coefficients[position]), error]
        else:
            cells += [None, None]
    return (name, *cells, fit.residual_sd if known else None)


def _levels_table(fit: CalibrationFit, quantities: Sequence[Quantity]) -> Table:
    p, unit = fit.points, fit.study.unit
    y = np.array([float(value) for value in p.y])
    values = {(q.key, q.at): q.value for q in quantities}
    weighted = {q.at: q.value for q in fit.weighted_departures()}
    rows = []
    for code, name in enumerate(p.names):
        own = y[p.levels == code]
        rows.append(
            (
                level_text(name),
                len(own),
                float(own.mean()),
                float(own.std(ddof=1)) if len(own) > 1 else None,
                None if fit.sd is None else fit.sd.at(max(p.mean_x(code), 0.0)),
                values.get((f"{NAME}.departure", name)),
                weighted.get(name),
                values.get((f"{NAME}.single_point_bias", name)),
            )
        )
    caption = (
        f"Responses by level ({fit.response_unit}); departure from the ordinary and from the weighted line and "
        f"one-point bias in {unit}"
    )
    head = ("level", "n", "mean response", "s of all", "fitted s(x)", "departure", "from the weighted line")
    return Table("levels", caption, (*head, "one-point bias"), tuple(rows))
