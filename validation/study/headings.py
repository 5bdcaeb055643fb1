"""The row of the headings: which one it is, what each heading means, and every fault it can have."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from validation.faults import Fault
from validation.study.columns import COLUMNS, KNOWN
from validation.study.experiments import Columns
from validation.study.grids import FIRST_ROWS, Grid
from validation.study.names import readings_of
from validation.study.text_files import hidden_character
from validation.words import sentence_list

_BRACKETS = {"[": "]", "(": ")", "{": "}"}
_IN_BRACKETS = re.compile(r"(?P<name>[^\[({]+)(?P<opening>[\[({])(?P<unit>.*)(?P<closing>[\])}])")
_JOINTS = re.compile(r"[\s_-]+")
_DAYS = ("days", "day", "d")


@dataclass(frozen=True, slots=True)
class Head:
    """The row of the headings: its line, the name of each column by position, and how many cells a row may have."""

    line: int
    names: Mapping[int, str]
    least: int
    most: int


class Headings:
    """What the headings of one experiment may be.

    Parameters
    ----------
    experiment, kind : whose columns hold
    unit, response_unit : what a unit in a heading must be; None lets any response unit pass
    """

    def __init__(self, experiment: str, kind: Columns, unit: str, response_unit: str | None):
        self.experiment = experiment
        self.kind = kind
        self._units = {"study": (unit,), "response": (response_unit,) if response_unit else (), "days": _DAYS}
        self._known = {_folded(name): name for name in (*sorted(KNOWN), *kind.needed)}

    def score(self, cells: Sequence[str]) -> int:
        """How many cells are known headings."""
        return sum(self.name_and_unit(cell)[0] in self._known.values() for cell in cells)

    def name_and_unit(self, heading: str) -> tuple[str, str | None]:
        """ "Result (%)" as "result" and "%"; a heading that is not known is kept whole."""
        whole = self._known.get(_folded(heading))
        if whole is not None:
            return whole, None
        match = _IN_BRACKETS.fullmatch(heading.strip())
        name = self._known.get(_folded(match["name"])) if match else None
        if match and name is not None and name in KNOWN and match["closing"] == _BRACKETS[match["opening"]]:
            return name, match["unit"].strip()
        before, stroke, unit = heading.partition("/")
        name = self._known.get(_folded(before)) if stroke else None
        # Of a column that has no unit, what stands behind the stroke is another word.
        if name is not None and name in KNOWN and COLUMNS[name].unit:
            return name, unit.strip()
        return heading.strip(), None

    def lacking(self, cells: Sequence[str]) -> list[str]:
        """The required columns that a row does not hold as headings."""
        names = {self.name_and_unit(cell)[0] for cell in cells if cell}
        return [name for name in self.kind.required if name not in names]

    def find(self, grids: Sequence[Grid]) -> tuple[Grid | None, Head | None, list[Fault]]:
        """The sheet and the row of the headings: the only one among the first rows that holds every required column."""
        rows = [(grid, line, cells) for grid in grids for line, cells in grid.rows if any(cells)]
        first = [row for row in rows if row[1] <= FIRST_ROWS]
        held = [row for row in first if not self.lacking(row[2])]
        if len(held) > 1:
            return None, None, [self._several(held)]
        if not held:
            later = next((row for row in rows[:200] if row[1] > FIRST_ROWS and not self.lacking(row[2])), None)
            return None, None, [_too_low(*later[:2]) if later else self._none(grids, first)]
        grid, line, cells = held[0]
        names = {position: self.name_and_unit(cell)[0] for position, cell in enumerate(cells) if cell}
        return grid, Head(line, names, max(names) + 1, len(cells)), list(self._faults(grid, line, cells))

    def _several(self, held: Sequence[tuple[Grid, int, Sequence[str]]]) -> Fault:
        places = sentence_list([grid.line_named(line) for grid, line, _ in held])
        mend = (
            "Keep one of them: put all readings below one row of headings, and hide or delete the other sheet or row."
        )
        grid, line, _ = held[1]
        reason = f"Each of {places} holds every column that {self.experiment} needs: which are the headings?"
        return Fault(grid.file, reason, mend, line, expected="one row of headings")

    def _none(self, grids: Sequence[Grid], first: Sequence[tuple[Grid, int, Sequence[str]]]) -> Fault:
        """The fault names the row that lacks the fewest columns; of an empty worksheet there is none."""
        expected = ", ".join(self.kind.required)
        if not first:
            mend = "Write the column names into line 1."
            return Fault(grids[0].file, "The worksheet has no headings.", mend, row=1, expected=expected)
        grid, line, cells = min(first, key=lambda row: len(self.lacking(row[2])))
        lacking, headings = self.lacking(cells), [cell for cell in cells if cell]
        missing = sentence_list([f'"{name}"' for name in lacking])
        reason = (
            f"No row among the first {FIRST_ROWS} holds every column that {self.experiment} needs; "
            f"{grid.line_named(line)} is the nearest and lacks {missing}."
        )
        mend = " ".join(_rename(name, headings) for name in lacking)
        return Fault(grid.file, reason, mend, line, None, ", ".join(lacking), ", ".join(headings), expected)

    def _faults(self, grid: Grid, line: int, cells: Sequence[str]) -> Iterator[Fault]:
        first: dict[str, int] = {}
        for position in range(len(cells) if not grid.workbook else max(len(row) for _, row in grid.rows)):
            heading = cells[position] if position < len(cells) else ""
            if not heading:
                yield from _nameless(grid, line, position)
                continue
            name, stated = self.name_and_unit(heading)
            if name in first:
                both = sentence_list([f'"{cells[i]}" (column {_letter(i)})' for i in (first[name], position)])
                mend = "Keep one of the two columns, or rename the other."
                reason = f"The heading appears twice: {both} are one name."
                yield Fault(grid.file, reason, mend, line, column=name, value=heading)
            first.setdefault(name, position)
            if stated is not None:
                yield from self._unit_faults(grid, line, name, stated)
            if name not in KNOWN:
                yield from self._misspelt(grid, line, heading, name)

    def _unit_faults(self, grid: Grid, line: int, name: str, stated: str) -> Iterator[Fault]:
        unit = COLUMNS[name].unit
        if not unit:
            mend = f"Write {name} alone."
            yield Fault(grid.file, "This column has no unit.", mend, line, None, name, f"[{stated}]", name)
            return
        wanted = self._units[unit]
        if wanted and stated not in wanted:
            mend = f"Give the values in {wanted[0]} and write {name} [{wanted[0]}]"
            mend += "." if unit == "days" else ", or correct the unit in plan.yaml."
            of = "days" if unit == "days" else f"that of the {unit}"
            reason = f"The unit in the heading is not {of}."
            yield Fault(grid.file, reason, mend, line, None, name, f"[{stated}]", f"[{wanted[0]}]")

    def _misspelt(self, grid: Grid, line: int, heading: str, name: str) -> Iterator[Fault]:
        """A heading that is nearly that of a known column would keep the column, and what it changes, out."""
        parts = readings_of(re.split(r"[\[({]", heading)[0])
        near = next((known for known in sorted(KNOWN) if not set(parts).isdisjoint(readings_of(known))), None)
        # A missing required column is reported elsewhere, and a factor is named by the plan.
        if name in self.kind.needed or near is None or near in self.kind.required:
            return
        written = "".join(mark if not hidden_character(mark) else f"<U+{ord(mark):04X}>" for mark in heading)
        reason, mend = "The heading is nearly that of a known column.", f'Write "{near}", or another name.'
        yield Fault(grid.file, reason, mend, line, None, near, written, near)


def _folded(heading: str) -> str:
    """Without case and surrounding blanks; blanks, hyphens and underscores between words are one."""
    return _JOINTS.sub("_", heading.strip().casefold())


def _letter(position: int) -> str:
    """How a spreadsheet names a column: A for 0, AA for 26."""
    first, last = divmod(position, 26)
    return (_letter(first - 1) if first else "") + chr(ord("A") + last)


def _too_low(grid: Grid, line: int) -> Fault:
    reason = f"The headings are in {grid.line_named(line)}."
    mend = "Take rows above them away."
    return Fault(grid.file, reason, mend, line, expected=f"headings among the first {FIRST_ROWS} rows")


def _rename(column: str, headings: Sequence[str]) -> str:
    close = get_close_matches(column, [name.lower() for name in headings], n=1, cutoff=0.75)
    near = next((name for name in headings if close and name.lower() == close[0]), None)
    return f'Rename "{near}" to "{column}".' if near else f'Add the column "{column}".'


def _nameless(grid: Grid, head: int, position: int) -> Iterator[Fault]:
    below = (line for line, cells in grid.rows if line > head and position < len(cells) and cells[position])
    row = next(below, None)
    if row is not None:
        mend = f"Name the column in line {head}, or delete it."
        reason = f"Column {position + 1} holds values but has no heading."
        yield Fault(grid.file, reason, mend, row=row)
