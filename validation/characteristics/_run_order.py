"""Worksheets with run and order as the statistics within cells take them: what came before, and how late it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from validation.stats.estimate import Number, mean
from validation.study.columns import with_role
from validation.study.model import ExperimentData
from validation.study.text_files import decimal


@dataclass(frozen=True, slots=True, eq=False)
class RunOrder:
    """Parallel columns, one entry a reading, in worksheet order.

    Attributes
    ----------
    values : results (responses in a calibration)
    runs : the code of each reading's series: run, and laboratory and instrument where they are stated
    names : the name of each series by code
    cells : the code of series and material
    places : mean result of the material over all runs, 0 or more: where s(x) is read
    previous : position of the reading directly before in the series; None for the first and after a gap
    gaps : readings whose predecessor is not in the worksheet
    orders : the place in the series
    hours : hours since the first reading of the series; None where not every reading has a time of day
    """

    data: ExperimentData
    values: Sequence[Number]
    runs: tuple[int, ...]
    names: tuple[str, ...]
    cells: tuple[int, ...]
    places: tuple[float, ...]
    previous: tuple[int | None, ...]
    gaps: int
    orders: tuple[float, ...] | None
    hours: tuple[float, ...] | None

    @property
    def paired(self) -> list[int]:
        """The readings whose predecessor is known."""
        return [row for row, before in enumerate(self.previous) if before is not None]


def run_order(data: ExperimentData) -> RunOrder | None:
    """The experiment by run, material and order; None without a run, or without both order and time."""
    table = data.table
    column = "response" if "response" in data.exact else "result"
    if "run" not in table or column not in data.exact:
        return None
    series = _codes(data, [name for name in with_role("series") if name in table])
    orders, hours = _orders(data), _hours(data, series)
    if orders is None and hours is None:
        return None
    values = data.exact[column]
    identity = _codes(data, [name for name in with_role("identity") if name in table])
    pairs = [(run, kind) for run, kind in zip(series, identity, strict=True)]
    cells = {pair: code for code, pair in enumerate(dict.fromkeys(pairs))}
    of_kind: dict[int, list[Decimal]] = {}
    for value, kind in zip(values, identity, strict=True):
        of_kind.setdefault(kind, []).append(value)
    means = {kind: max(0.0, mean(own)) for kind, own in of_kind.items()}
    previous, gaps = _previous(series, orders)
    names: dict[int, str] = {}
    for code, run in zip(series, table["run"].astype(str), strict=True):
        names.setdefault(code, run)
    return RunOrder(
        data=data,
        values=values,
        runs=tuple(series),
        names=tuple(names.values()),
        cells=tuple(cells[pair] for pair in pairs),
        places=tuple(means[kind] for kind in identity),
        previous=tuple(previous),
        gaps=gaps,
        orders=None if orders is None else tuple(float(order) for order in orders),
        hours=hours,
    )


def _codes(data: ExperimentData, columns: Sequence[str]) -> list[int]:
    """One code for each combination of the columns, in order of appearance; 0 throughout without a column."""
    if not columns:
        return [0] * len(data.table)
    rows = [tuple(str(value) for value in row) for row in data.table[list(columns)].itertuples(index=False)]
    codes = {row: code for code, row in enumerate(dict.fromkeys(rows))}
    return [codes[row] for row in rows]


def _orders(data: ExperimentData) -> list[Fraction] | None:
    if "order" not in data.table:
        return None
    numbers = [decimal(str(value)) for value in data.table["order"]]
    return None if any(number is None for number in numbers) else [Fraction(n) for n in numbers if n is not None]


def _hours(data: ExperimentData, series: Sequence[int]) -> tuple[float, ...] | None:
    """Hours since the first reading of each series; a date alone tells no time of day."""
    by_name = {reading.reading: reading for reading in data.readings}
    readings = [by_name[str(name)] for name in data.table["reading"]]
    stamps = [None if reading.time is None or reading.time_is_a_date else reading.time for reading in readings]
    known = [stamp for stamp in stamps if stamp is not None]
    if len(known) < len(stamps) or len({stamp.tzinfo is None for stamp in known}) > 1:
        return None
    first: dict[int, datetime] = {}
    for time, code in zip(known, series, strict=True):
        first[code] = min(time, first.get(code, time))
    return tuple((time - first[code]).total_seconds() / 3600 for time, code in zip(known, series, strict=True))


def _previous(series: Sequence[int], orders: Sequence[Fraction] | None) -> tuple[list[int | None], int]:
    """The reading one place before, in the same series; a place given twice tells nothing."""
    if orders is None:
        return [None] * len(series), 0
    places: dict[tuple[int, Fraction], list[int]] = {}
    for row, place in enumerate(zip(series, orders, strict=True)):
        places.setdefault(place, []).append(row)
    first: dict[int, Fraction] = {}
    for order, code in zip(orders, series, strict=True):
        first[code] = min(order, first.get(code, order))
    previous: list[int | None] = []
    gaps = 0
    for code, order in zip(series, orders, strict=True):
        before = places.get((code, order - 1), [])
        alone = len(before) == 1 and len(places[(code, order)]) == 1
        previous.append(before[0] if alone else None)
        gaps += not alone and order > first[code]
    return previous, gaps
