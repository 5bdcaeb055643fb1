"""What came of holding a worksheet against an export: counts, and every cell or line that is not in both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from validation.words import counted

#: So many lines are named in one sentence; results.json and the register hold them all.
_NAMED = 6


@dataclass(frozen=True, slots=True)
class Difference:
    """A cell of a worksheet and of the export that are not the same, as written or as amended.

    `amended` is what the worksheet's cell counts as; the same as `written` where no amendment changed it.
    """

    reading: str
    column: str
    written: str
    row: int
    export: str
    line: int
    amended: str
    agrees_as_written: bool
    agrees_as_amended: bool

    @property
    def state(self) -> str:
        """What amendments did to it, for a cell of a table."""
        if self.amended == self.written:
            return "not amended"
        if self.agrees_as_amended:
            return f"amended to {self.amended}: agrees"
        return (
            f"amended to {self.amended or 'empty'}: {'as written it agrees' if self.agrees_as_written else 'differs'}"
        )

    def __str__(self) -> str:
        cells = (
            f"{self.written or 'empty'} in row {self.row}, {self.export or 'empty'} in line {self.line} of the export"
        )
        return f"{self.reading}, {self.column}: {cells}; {self.state}"

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "reading": self.reading,
            "column": self.column,
            "worksheet": self.written,
            "row": self.row,
            "export": self.export,
            "line": self.line,
            "amended": None if self.amended == self.written else self.amended,
            "agrees_as_amended": self.agrees_as_amended,
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """One export and its worksheet.

    Attributes
    ----------
    compared : lines that both hold
    agree, agree_as_amended : of these, the lines of which every compared cell is the same
    only_worksheet, only_export : readings, or what names the line, with the line where it is; a line of the export that
        repeats one is in the latter
    """

    file: str
    sha256: str
    experiment: str
    worksheet: str
    compared: int = 0
    agree: int = 0
    agree_as_amended: int = 0
    differences: tuple[Difference, ...] = ()
    only_worksheet: tuple[tuple[str, int], ...] = ()
    only_export: tuple[tuple[str, int], ...] = ()

    @property
    def same(self) -> bool:
        """Whether there is nothing to tell."""
        return not (self.differences or self.only_worksheet or self.only_export)

    @property
    def counts(self) -> str:
        """ "24 of 24 lines agree"."""
        lines = f"{self.agree} of {counted(self.compared, 'line')}"
        amended = f" as written, {self.agree_as_amended} as amended" if self.agree != self.agree_as_amended else ""
        verb = "agrees" if self.compared == 1 else "agree"
        return f"{self.file} and {self.worksheet}: {lines} {verb}{amended}."

    def sentence(self) -> str:
        """The counts, and what differs."""
        differing = _some([str(one) for one in self.differences], "; ")
        parts = [self.counts, *([f"{differing}."] if differing else [])]
        for heading, lines, place in (
            ("Only in the worksheet", self.only_worksheet, "row"),
            ("Only in the export", self.only_export, "line"),
        ):
            if lines:
                parts.append(f"{heading}: {_some([f'{name} ({place} {line})' for name, line in lines], ', ')}.")
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, as `results.json` holds it."""
        return {
            "file": self.file,
            "sha256": self.sha256,
            "experiment": self.experiment,
            "worksheet": self.worksheet,
            "compared": self.compared,
            "agree": self.agree,
            "agree_as_amended": self.agree_as_amended,
            "differences": [one.to_dict() for one in self.differences],
            "only_worksheet": [{"name": name, "row": line} for name, line in self.only_worksheet],
            "only_export": [{"name": name, "line": line} for name, line in self.only_export],
        }


def _some(texts: Sequence[str], mark: str) -> str:
    more = f" and {len(texts) - _NAMED} more" if len(texts) > _NAMED else ""
    return f"{mark.join(texts[:_NAMED])}{more}"
