"""The planned order of measurement against the order in which the readings were taken, run by run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from validation.study.model import ExperimentData, Reading

#: What parts a worksheet into series that are each planned in an order of their own.
_SERIES = ("laboratory", "method", "run")


@dataclass(frozen=True, slots=True)
class OrderedRun:
    """One series of a worksheet.

    Attributes
    ----------
    worksheet, series : its file, and the run with what else parts it, in words
    readings : how many there are
    moved : planned and actual place of each reading that was not taken in its place, with its name
    missing : why the two cannot be compared; empty where they can
    """

    worksheet: str
    series: str
    readings: int
    moved: tuple[tuple[str, int, int], ...] = ()
    missing: str = ""


def ordered_runs(sheets: Iterable[ExperimentData]) -> list[OrderedRun]:
    """Every series of these worksheets, in their order."""
    found = []
    for data in sheets:
        series: dict[tuple[str, ...], list[Reading]] = {}
        for reading in data.readings:
            if reading.status != "empty":
                series.setdefault(tuple(reading.values.get(name, "") for name in _SERIES), []).append(reading)
        found += [_compared(data, name, own) for name, own in series.items()]
    return found


def _compared(data: ExperimentData, name: tuple[str, ...], readings: Sequence[Reading]) -> OrderedRun:
    worksheet, series = data.worksheet, " ".join(part for part in name if part) or "all readings"
    missing = _missing(readings)
    if missing:
        return OrderedRun(worksheet, series, len(readings), missing=missing)
    planned = sorted(readings, key=lambda reading: float(reading.values["order"]))
    # Readings of one and the same minute may stand in either order: the planned one is kept.
    actual = sorted(planned, key=lambda reading: reading.time.timestamp() if reading.time else 0.0)
    place = {reading.reading: number for number, reading in enumerate(actual, start=1)}
    moved = tuple(
        (reading.reading, number, place[reading.reading])
        for number, reading in enumerate(planned, start=1)
        if place[reading.reading] != number
    )
    return OrderedRun(worksheet, series, len(readings), moved)


def _missing(readings: Sequence[Reading]) -> str:
    """Why planned and actual order cannot be compared."""
    orders = [reading.values.get("order", "") for reading in readings]
    if not all(_is_number(order) for order in orders):
        return "no planned order"
    if len({float(order) for order in orders}) < len(orders):
        return "a planned place is there twice"
    if any(reading.time is None for reading in readings):
        return "readings without a time"
    if any(reading.time_is_a_date for reading in readings):
        return "a date alone, no time"
    zoned = {reading.time.tzinfo is not None for reading in readings if reading.time is not None}
    return "times with and without a zone" if len(zoned) > 1 else ""


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
