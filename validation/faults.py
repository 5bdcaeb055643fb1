"""Faults in what a person supplied: gathered first, reported together, each with its place and how to correct it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it is, the value that is there, what was expected, how to correct it.

    `row` is the line of the file, counted from 1; None where the fault is not in a row. `further` are the lines of the
    same fault in other rows of the column, with the values there.
    """

    file: str
    reason: str
    mend: str
    row: int | None = None
    reading: str | None = None
    column: str | None = None
    value: str | None = None
    expected: str | None = None
    further: tuple[tuple[int, str | None], ...] = ()

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            rows = [str(self.row), *(str(row) for row, _ in self.further)]
            place += f", row {_some(rows)}"
        if self.reading is not None and not self.further:
            place += f" (reading {self.reading})"
        if self.column is not None:
            place += f', column "{self.column}"'
        text = f"{place}: {self.reason}"
        if self.value is not None:
            values = dict.fromkeys([self.value, *(value for _, value in self.further if value is not None)])
            text += f" Found: {_some(list(values))}."
        if self.expected is not None:
            text += f" Expected: {self.expected}."
        mend = f"For row {self.row}: {self.mend}" if self.further and self.value is not None else self.mend
        return f"{text} {mend}".rstrip()


def _some(items: list[str]) -> str:
    """The first three, and how many more there are."""
    more = f" and {len(items) - 3} more" if len(items) > 3 else ""
    return f"{', '.join(items[:3])}{more}"


#: Reasons that hold the number of the cell itself.
_OF_A_CELL = re.compile(r"The (?:cell|format of the cell|year)\b")
_NUMBER = re.compile(r"[0-9][0-9.,]*")


def by_kind(faults: Iterable[Fault]) -> list[Fault]:
    """The faults, each once; of one kind in one column of a file one fault, with the rows of all."""
    groups: dict[object, list[Fault]] = {}
    for fault in dict.fromkeys(faults):
        kind = _NUMBER.sub("0", fault.reason) if _OF_A_CELL.match(fault.reason) else fault.reason
        alike = (fault.file, fault.column, kind, fault.expected)
        groups.setdefault(fault if fault.row is None else alike, []).append(fault)
    return [
        replace(group[0], further=tuple((other.row or 0, other.value) for other in group[1:]))
        for group in groups.values()
    ]


class StudyDataError(Exception):
    """The study as supplied cannot be used; `faults` holds every reason, none of which stopped the search."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class Refusal(Exception):
    """The call cannot be carried out; the message is one sentence a user can act on."""
