"""amendments.csv: corrections, exclusions, reinstatements, changed plans and lot records, impact notes; only grows."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from difflib import get_close_matches
from pathlib import Path

from validation.faults import Fault
from validation.study.folder import AMENDMENTS
from validation.study.history.chain import Entry
from validation.study.text_files import moment, read_text

KINDS = ("correction", "exclusion", "reinstatement", "plan", "impact", "record")


@dataclass(frozen=True, slots=True)
class Amendment(Entry):
    """One line of amendments.csv. `line` is where it stands; 0 where it is not yet written."""

    number: int
    time: str
    by: str
    kind: str
    file: str = ""
    reading: str = ""
    column: str = ""
    old: str = ""
    new: str = ""
    reason: str = ""
    line: int = 0

    @classmethod
    def of(cls, cells: Sequence[str], line: int = 0) -> Amendment:
        """The amendment of a row, its cells in the order of the columns."""
        number, *others = cells
        return cls(int(number), **dict(zip(COLUMNS[1:], others, strict=True)), line=line)

    def to_dict(self) -> dict[str, str]:
        """The texts by column name, as the file holds them."""
        return {name: str(getattr(self, name)) for name in COLUMNS}

    def texts(self) -> list[str]:
        return list(self.to_dict().values())

    def linked(self) -> list[object]:
        return [self.texts()]

    @property
    def key(self) -> tuple[str, ...]:
        return tuple(self.texts())


COLUMNS = tuple(item.name for item in fields(Amendment) if item.name != "line")


def next_number(amendments: Sequence[Amendment]) -> int:
    """The number of the next amendment."""
    return max((amendment.number for amendment in amendments), default=0) + 1


def read_amendments(folder: Path) -> tuple[tuple[Amendment, ...], list[Fault]]:
    """Read amendments.csv; none there is none made."""
    _, text, faults = read_text(folder, AMENDMENTS)
    if faults:
        return (), faults
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            if any(cells):
                rows.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        mend = "Close the quotes of this row."
        return (), [Fault(AMENDMENTS, f"The row cannot be read as CSV ({error}).", mend, row=line)]
    return _parsed(rows) if rows else ((), [])


def _parsed(rows: list[tuple[int, list[str]]]) -> tuple[tuple[Amendment, ...], list[Fault]]:
    heading = rows[0][1]
    if tuple(heading) != COLUMNS:
        reason, mend = "The heading is another one.", "Write the heading as `validation amend` does."
        return (), [Fault(AMENDMENTS, reason, mend, row=1, found=",".join(heading), expected=",".join(COLUMNS))]
    amendments: list[Amendment] = []
    faults: list[Fault] = []
    for line, cells in rows[1:]:
        if len(cells) != len(COLUMNS):
            reason, mend = "The row has another number of cells.", "Put a text with a comma in quotes."
            count, expected = f"{len(cells)} cells", f"{len(COLUMNS)} cells"
            faults.append(Fault(AMENDMENTS, reason, mend, row=line, found=count, expected=expected))
            continue
        row_faults = _row_faults(dict(zip(COLUMNS, cells, strict=True)), line, len(amendments) + 1)
        faults += row_faults
        if not row_faults:
            amendments.append(Amendment.of(cells, line))
    return tuple(amendments), faults


#: Column, what is wrong with it, the mend, and what was expected.
_Wrong = tuple[str, str, str, str]


def _row_faults(row: Mapping[str, str], line: int, number: int) -> list[Fault]:
    kind = row["kind"]
    wrong: list[_Wrong] = []
    if not re.fullmatch("[0-9]{1,9}", row["number"]):
        wrong.append(("number", "The number is not a whole number.", "Count amendments from 1.", str(number)))
    if kind not in KINDS:
        close = get_close_matches(kind, KINDS, n=1)
        mend = f"Write {close[0]}." if close else f"Write {', '.join(KINDS)}."
        wrong.append(("kind", "The kind of amendment is unknown.", mend, ", ".join(KINDS)))
    if moment(row["time"]) is None:
        wrong.append(("time", "The time cannot be read.", "Write 2026-07-01T09:30+02:00.", "an ISO 8601 time"))
    for column, who_or_why in (("by", "who"), ("reason", "why")):
        if not row[column]:
            wrong.append((column, "The cell is empty.", f"Say {who_or_why}.", "a text"))
    if kind in KINDS[:3] and not row["reading"]:
        wrong.append(("reading", "No reading is named.", "Name the identifier of the reading.", "an identifier"))
    if kind == "correction" and not row["column"]:
        wrong.append(("column", "No column is named.", "Name the column that is corrected.", "a column"))
    if kind == "record" and not row["file"]:
        wrong.append(("file", "No lot record is named.", "Name its file as plan.yaml does.", "a file"))
    if kind == "impact":
        wrong += _wrong_in_impact(row)
    reading = row["reading"] or None
    return [
        Fault(AMENDMENTS, reason, mend, line, reading, column, row[column] or "an empty cell", expected)
        for column, reason, mend, expected in wrong
    ]


def _wrong_in_impact(row: Mapping[str, str]) -> list[_Wrong]:
    """An impact note: `column` names what had expired, `old` the date on file, `new` until when it is covered."""
    mends = {
        "file": "Write where the date stands: plan.yaml, or the file of the lot record.",
        "column": "Write the name of the balance, instrument or lot that had expired.",
    }
    wrong = [(column, "The cell is empty.", mend, "a name") for column, mend in mends.items() if not row[column]]
    days = {column: moment(row[column]) for column in ("old", "new")}
    for column, day in days.items():
        if day is None or not day[1]:
            wrong.append((column, "The cell holds no day.", "Write the day as 2026-03-31.", "a day"))
    old, new = days["old"], days["new"]
    if old is not None and new is not None and new[0] <= old[0]:
        reason = "The later evidence ends before the expiry on file."
        mend = "Write until when later evidence covers it; that lies after the expiry on file."
        wrong.append(("new", reason, mend, f"a day after {row['old']}"))
    return wrong
