"""Faults in what a person supplied: gathered first, reported together, each with its place and how to correct it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: where it is, the value that is there, what was expected, how to correct it.

    `row` is the line of the file (the heading is line 1); None where the fault is not in a row.
    """

    file: str
    reason: str
    mend: str
    row: int | None = None
    reading: str | None = None
    column: str | None = None
    value: str | None = None
    expected: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.reading is not None:
            place += f" (reading {self.reading})"
        if self.column is not None:
            place += f', column "{self.column}"'
        text = f"{place}: {self.reason}"
        if self.value is not None:
            text += f" Found: {self.value}."
        if self.expected is not None:
            text += f" Expected: {self.expected}."
        return f"{text} {self.mend}".rstrip()


class StudyDataError(Exception):
    """The study as supplied cannot be used; `faults` holds every reason, none of which stopped the search."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class Refusal(Exception):
    """The call cannot be carried out; the message is one sentence a user can act on."""
