"""What a question on the raw data is, what it is asked of, and how it is answered."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from math import gcd
from typing import Any

import numpy as np

from validation.stats.raw_patterns import RunLayout
from validation.study.columns import with_role
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Reading, Study
from validation.words import sentence_list

#: A rule that rests on chance asks where clean readings would show the pattern in fewer than so many studies.
RATE = 0.001
#: So many readings are named in a sentence; `readings` holds all of them.
_NAMED = 6
_LARGEST = 10**15


@dataclass(frozen=True, slots=True)
class Question:
    """One question that a reader of the raw data would ask; it accuses nobody and changes no number.

    Attributes
    ----------
    id : the rule and a hash of worksheet and readings: the same as long as it is about the same rows
    rule : the name of the rule
    text : the question
    reason : why it is asked
    readings : the rows that it is about
    worksheet : their file
    false_alarm : in what share of clean studies the rule asks at most; None where chance has no part in it
    answer, by, time : of the amendment that answers it; empty while it is open
    """

    id: str
    rule: str
    text: str
    reason: str
    readings: tuple[str, ...]
    worksheet: str
    false_alarm: float | None
    answer: str = ""
    by: str = ""
    time: str = ""

    @property
    def open(self) -> bool:
        return not self.answer

    def answered(self, amendments: Sequence[Mapping[str, str]]) -> Question:
        """The same with the last answer that the amendments give."""
        own = [row for row in amendments if row["kind"] == "answer" and row["new"] == self.id]
        return replace(self, answer=own[-1]["reason"], by=own[-1]["by"], time=own[-1]["time"]) if own else self

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, as `results.json` holds it."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        return plain | {"readings": list(self.readings)}


@dataclass(frozen=True, slots=True)
class Asked:
    """What a rule returns: a question, and the readings it is about."""

    text: str
    readings: tuple[str, ...]
    worksheet: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its name, why it asks, how often at most by chance, and the function that asks it of a study."""

    name: str
    reason: str
    false_alarm: float | None
    ask: Callable[[Raw], Iterator[Asked]]

    def question(self, asked: Asked) -> Question:
        content = "\n".join((asked.worksheet, *asked.readings)).encode("utf-8")
        name = f"{self.name.replace(' ', '-')}-{hashlib.sha256(content).hexdigest()[:6]}"
        return Question(name, self.name, asked.text, self.reason, asked.readings, asked.worksheet, self.false_alarm)


@dataclass(frozen=True, eq=False)
class Sheet:
    """The usable readings of one experiment as whole numbers of their last written place, with run and place of each.

    `places` are the columns that place a reading within its run: level, sample, setting and the like.
    """

    data: ExperimentData
    column: str
    units: np.ndarray[Any, np.dtype[np.int64]]
    decimals: int
    layout: RunLayout
    runs: tuple[str, ...]
    names: tuple[str, ...]

    @classmethod
    def of(cls, data: ExperimentData) -> Sheet | None:
        """None without runs, or where the values are no numbers of an ordinary size."""
        record = EXPERIMENTS[data.name]
        column = record.columns.value
        if data.table.empty or "run" not in data.table or column not in data.exact:
            return None
        values = data.exact[column]
        decimals = max(0, *(-int(value.as_tuple().exponent) for value in values))
        scaled = [int(value.scaleb(decimals)) for value in values]
        if max(map(abs, scaled)) > _LARGEST:
            return None
        sites = [name for name in ("laboratory", "run") if name in data.table]
        runs, named = _codes(data, sites)
        columns = [*with_role("identity"), *with_role("place"), "state", "setting", *data.settings.get("factors", ())]
        places, _ = _codes(data, [name for name in dict.fromkeys(columns) if name in data.table and name not in sites])
        units = np.array(scaled, dtype=np.int64)
        return cls(data, column, units, decimals, RunLayout(runs, places), named, tuple(data.identifiers))

    @property
    def worksheet(self) -> str:
        return self.data.worksheet

    @cached_property
    def step(self) -> int:
        """The step in use, in units of the last place: 5 where an instrument reads 0.05 by 0.05."""
        if len(self.units) < 20:
            return 1
        common = 0
        for value in self.units.tolist():
            common = gcd(common, value)
        return max(1, common)

    @property
    def steps(self) -> np.ndarray[Any, np.dtype[np.int64]]:
        """The readings in steps, one study."""
        return (self.units // self.step)[None, :]

    def readings_of(self, rows: np.ndarray[Any, Any]) -> tuple[str, ...]:
        """The readings at positions, or where a mask is true."""
        places = np.flatnonzero(rows) if rows.dtype == bool else rows
        return tuple(self.names[place] for place in places.tolist())

    def run_name(self, code: int) -> str:
        return self.runs[code]


def _codes(data: ExperimentData, columns: Sequence[str]) -> tuple[np.ndarray[Any, np.dtype[np.int64]], tuple[str, ...]]:
    """A code for each combination of the columns in order of appearance, and the name of each."""
    if not columns:
        return np.zeros(len(data.table), dtype=np.int64), ("",)
    rows = list(zip(*(data.table[column].astype(str).tolist() for column in columns), strict=True))
    codes = {row: code for code, row in enumerate(dict.fromkeys(rows))}
    return np.array([codes[row] for row in rows], dtype=np.int64), tuple(", ".join(row) for row in codes)


@dataclass(frozen=True)
class Raw:
    """The raw data of a study, as the rules look at them; earlier results, such as `history`, are left aside."""

    study: Study

    @cached_property
    def experiments(self) -> list[ExperimentData]:
        every = self.study.experiments
        return [data for name, data in every.items() if not EXPERIMENTS[name].traits.earlier]

    @cached_property
    def sheets(self) -> list[Sheet]:
        return [sheet for data in self.experiments if (sheet := Sheet.of(data)) is not None]

    @cached_property
    def runs(self) -> int:
        """Number of runs over all worksheets: so many are looked at by a rule on runs."""
        return sum(sheet.layout.run_count for sheet in self.sheets)

    @cached_property
    def timed(self) -> list[tuple[Reading, datetime]]:
        """The readings that count and carry a time of day of their own, once each where experiments share a worksheet.

        A time that every reading of a run carries is that of the run.
        """
        seen = {
            (reading.file, reading.line): reading
            for data in self.experiments
            for reading in data.readings
            if reading.time is not None and not reading.time_is_a_date and reading.status in ("used", "censored")
        }
        runs: dict[tuple[str, str, str], set[datetime]] = {}
        counts: dict[tuple[str, str, str], int] = {}
        for reading in seen.values():
            assert reading.time is not None
            runs.setdefault(_run_of(reading), set()).add(_comparable(reading.time))
            counts[_run_of(reading)] = counts.get(_run_of(reading), 0) + 1
        return [
            (reading, _comparable(reading.time))
            for reading in seen.values()
            if reading.time is not None and (len(runs[_run_of(reading)]) > 1 or counts[_run_of(reading)] == 1)
        ]


def _run_of(reading: Reading) -> tuple[str, str, str]:
    return reading.file, reading.values.get("laboratory", ""), reading.values.get("run", "")


def _comparable(time: datetime) -> datetime:
    """A time without a zone as if it were one of UTC: all of one study have a zone or none."""
    return time.astimezone(UTC) if time.tzinfo else time.replace(tzinfo=UTC)


def some(names: Sequence[str]) -> str:
    """ "P-001, P-002 and 7 more"."""
    named = list(dict.fromkeys(names))
    if len(named) <= _NAMED:
        return sentence_list(named)
    return f"{', '.join(named[:_NAMED])} and {len(named) - _NAMED} more"
